"""A family of invented breweries, their physics written apart from the library's own; see `docs/houses.md`.

`House(members()["white_bowl"], seed=1).draw(8)` draws eight batches of each of its beers. Thresholds are set on the
members of `TUNING`, figures are shown on those of `SHOWN`, or on houses that nobody has looked at: `drawn_house(100)`,
by the name `drawn_100` on the command line of a benchmark.
"""

from benchmarks.houses.drawn import drawn_house, spec_of
from benchmarks.houses.faults import Fault
from benchmarks.houses.house import Draw, House, HouseSpec, Moments
from benchmarks.houses.members import SHOWN, TUNING, members

__all__ = ["SHOWN", "TUNING", "Draw", "Fault", "House", "HouseSpec", "Moments", "drawn_house", "members", "spec_of"]
