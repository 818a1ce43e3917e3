"""What to do at the bench: the order of batches over the first sessions, and how often reference and control."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints
from specmatch.house.planning.beer_list import BeerList
from specmatch.house.planning.forecast import Design, Tried

CONTROL_HOURS = 12.0  # that a good control vouches for a line (`specmatch watch --control-hours`)
SHORTEST_H, LONGEST_H = 0.25, 8.0
# what drift may add by the end of its interval, as a share of the half-width: in squares it then adds a sixteenth
DRIFT_SHARE = 0.25


def bench_sheet(listed: BeerList, design: Design, there: Mapping[str, int], per_session: int) -> pd.DataFrame:
    """Lay out the batches to come, session by session, each session from pale to dark and back."""
    names, rate, n_pours = listed.names, listed.batches_a_week, design.n_pours
    left = np.array([max(0, design.n_batches - there.get(name, 0)) for name in names])
    week = _weeks(left, rate)
    rows = []
    session = 0
    for number in sorted(set(week[week > 0].tolist())):
        due = [(beer, place + 1 + there.get(names[beer], 0)) for beer, place in zip(*np.nonzero(week == number),
                                                                                     strict=True)]  # fmt: skip
        n_sessions = -(-len(due) // per_session)
        for k in range(n_sessions):
            session += 1
            # every session takes its beers from the whole range of colours
            mixed = due[k::n_sessions]
            order = mixed[::2] + mixed[1::2][::-1] if session % 2 else mixed[::-1]
            rows += [(number, session, 0, "dark, reference, control", "", 0, 1, False)]
            for turn, (beer, batch) in enumerate(order, 1):
                rows.append((number, session, turn, names[beer], f"batch {batch}", n_pours, 1, True))
    columns = ["week", "session", "turn", "what", "batch", "pours", "scans_a_pour", "to_the_lab"]
    return pd.DataFrame(rows, columns=columns)


def upkeep_said(rows: pd.DataFrame) -> list[str]:
    """Return the same in words."""
    return [f"{row['what']} every {row['every_hours']:.2g} h: {row['why']}" for row in rows.to_dict("records")]


def _weeks(left: Ints, rate: Floats) -> Ints:
    """Return in which week each further batch of each beer is brewed, (n_beers, most), 0 where none is needed."""
    turn = np.arange(1, int(left.max(initial=0)) + 1)
    # beers brewed less than weekly are met at different weeks, not all in one
    start = (np.arange(rate.size) % 2) * np.where(rate < 1.0, 0.5, 0.0)
    week = np.ceil((turn - start[:, None]) / rate[:, None]).astype(np.int64)
    return np.where(turn <= left[:, None], np.maximum(week, 1), 0)


def upkeep(rounds: Sequence[Tried], drift: float, source: str, half_width: float) -> pd.DataFrame:
    """Say how often reference and control are measured, and why."""
    # of the beer that feels the light most
    feels = float(np.abs(np.mean([one.lamp for one in rounds], axis=0)).max())
    hours = DRIFT_SHARE * half_width / max(100.0 * drift * feels, 1e-12)
    every = float(np.clip(hours, SHORTEST_H, LONGEST_H))
    said = (
        f"the light drifts {drift:.2%} an hour ({source}), and 1 % of light moves a colour by up to {feels:.1%}: after "
        f"{hours:.2g} h that is a quarter of the half-width"
    )
    rows = [
        ("dark and reference", every, said),
        ("control", CONTROL_HOURS, "at the start of each shift, and after lamp, cup, base or module was touched"),
    ]
    return pd.DataFrame(rows, columns=["what", "every_hours", "why"])
