"""The members of the family: fourteen invented breweries, half to set thresholds on, half to show figures on."""

from benchmarks.houses.cellar import CellarSpec
from benchmarks.houses.cups import CupSpec
from benchmarks.houses.house import HouseSpec
from benchmarks.houses.liquids import LiquidSpec
from benchmarks.houses.modules import ModuleSpec

_TUNING = (
    HouseSpec(
        "mirror_row",
        "the mild one: a mirror, a cool phosphor lamp, sessions that mix twelve beers",
        module=ModuleSpec(channels=256),
    ),
    HouseSpec(
        "white_bowl",
        "bright matt base: light crosses at all angles and returns several times; foam is darker than the base",
        liquid=LiquidSpec(beers=10, low_ebc=4.0, high_ebc=70.0),
        cup=CupSpec(base=0.9, gloss=0.0, glare=0.01, foam_level=0.6, foam_mean=0.004),
        module=ModuleSpec(lamp="phosphor_neutral", low_nm=360.0, high_nm=820.0, uneven=0.3),
    ),
    HouseSpec(
        "haze_barn",
        "hazy beers that scatter light inside and absorb part of it; a violet-pumped lamp",
        liquid=LiquidSpec(beers=10, low_ebc=5.0, high_ebc=45.0, haze_per_cm=0.12, haze_sd=0.6, mix_sd=0.1),
        cup=CupSpec(base=0.75, gloss=0.5, base_tilt=0.03),
        module=ModuleSpec(lamp="violet_pumped", slit_nm=10.0),
    ),
    HouseSpec(
        "two_labs",
        "a second lab reads 6 % high and absolute lab noise rules the pale beers; three to five pours, a mild season",
        liquid=LiquidSpec(beers=8, low_ebc=4.0, high_ebc=35.0, season=0.03),
        module=ModuleSpec(slit_nm=14.0, wander_nm=0.3, jitter_nm=0.02),
        cellar=CellarSpec(
            batches=(6, 12), pours=(3, 5), labs=(("lab A", 0.0), ("lab B", 0.06)), lab_relative=0.02, lab_ebc=0.25
        ),
    ),
    HouseSpec(
        "forty_taps",
        "forty beers close together with few and unequal batches and one or two pours",
        liquid=LiquidSpec(beers=40, low_ebc=4.0, high_ebc=110.0, malts=6, twins=6),
        cup=CupSpec(base=0.55, glare=0.008),
        module=ModuleSpec(lamp="phosphor_neutral"),
        cellar=CellarSpec(batches=(3, 8), pours=(1, 2), session_batches=12),
    ),
    HouseSpec(
        "old_lamp",
        "an old warm lamp with little blue, a wide slit, one noisy reference a session and an axis that wanders",
        liquid=LiquidSpec(beers=9, low_ebc=5.0, high_ebc=80.0),
        cup=CupSpec(base=0.45, glare=0.012),
        module=ModuleSpec(
            lamp="old_warm", slit_nm=15.0, wander_nm=0.6, jitter_nm=0.03, counts=30000.0, averages=1,
            electrons_per_count=2.0, stray=0.008, drift=0.006, tilt=0.004,
        ),
        cellar=CellarSpec(session_batches=10),
    ),
    HouseSpec(
        "pale_only",
        "pale beers only in a shallow cup: a small signal, and path, foam and glare as large as beers lie apart",
        liquid=LiquidSpec(beers=6, low_ebc=3.0, high_ebc=14.0, twins=1, colour_sd=0.05),
        cup=CupSpec(cup_mm=60.0, fill_ml=12.0, base=0.6, path_sd=0.02, foam_mean=0.003),
        module=ModuleSpec(averages=4),
        cellar=CellarSpec(batches=(10, 10), lab_ebc=0.15),
    ),
)  # fmt: skip
_SHOWN = (
    HouseSpec(
        "night_cellar",
        "dark beers only: no blue comes back, glare and stray light rule what is left",
        liquid=LiquidSpec(beers=8, low_ebc=45.0, high_ebc=140.0, colour_sd=0.05),
        cup=CupSpec(fill_ml=6.0, base=0.5, glare=0.01),
        module=ModuleSpec(stray=0.005),
    ),
    HouseSpec(
        "long_ladder",
        "3 to 140 EBC in one set, with glare and stray light that bend the line",
        liquid=LiquidSpec(beers=16, low_ebc=3.0, high_ebc=140.0, malts=6),
        cup=CupSpec(base=0.55, glare=0.015),
        module=ModuleSpec(lamp="violet_pumped", stray=0.005, uneven=0.25),
    ),
    HouseSpec(
        "fine_pixels",
        "1,024 narrow pixels, each noisy, under an 8 nm slit: neighbours are no independent witnesses",
        liquid=LiquidSpec(beers=10, low_ebc=5.0, high_ebc=60.0),
        cup=CupSpec(base=0.8, gloss=0.3),
        module=ModuleSpec(
            channels=1024, slit_nm=8.0, averages=2, electrons_per_count=1.0, read_counts=15.0, uneven=0.4
        ),
    ),
    HouseSpec(
        "rough_hands",
        "heavy tails: pours, foam, recipes and lab values stray far now and then; batches are unequal",
        liquid=LiquidSpec(beers=10, low_ebc=5.0, high_ebc=70.0, tail_df=3.0, colour_sd=0.06, mix_sd=0.12),
        cup=CupSpec(path_sd=0.03, foam_mean=0.008, tail_df=3.0, glare=0.008),
        module=ModuleSpec(lamp="phosphor_neutral"),
        cellar=CellarSpec(batches=(4, 16), pours=(2, 4), lab_relative=0.025, lab_tail_df=3.0),
    ),
    HouseSpec(
        "four_taps",
        "four beers, six batches each, one or two pours: little to learn from",
        liquid=LiquidSpec(beers=4, low_ebc=6.0, high_ebc=50.0, malts=4),
        cup=CupSpec(base=0.8, gloss=0.1, glare=0.008),
        cellar=CellarSpec(batches=(6, 6), pours=(1, 2), session_batches=3),
    ),
    HouseSpec(
        "own_day",
        "an archive of 767 pixels: each beer was measured in one session, its batches share reference and axis",
        liquid=LiquidSpec(beers=10, low_ebc=4.0, high_ebc=60.0),
        cup=CupSpec(base=0.65),
        module=ModuleSpec(channels=767, slit_nm=10.0, averages=2, electrons_per_count=2.0, wander_nm=0.3),
        cellar=CellarSpec(own_sessions=True),
    ),
    HouseSpec(
        "wave_year",
        "colour and mix swing by 7 % over the year, two labs 8 % apart, hazy beer, a satin base and a deep cup",
        liquid=LiquidSpec(beers=12, low_ebc=4.0, high_ebc=90.0, season=0.07, haze_per_cm=0.04),
        cup=CupSpec(cup_mm=32.0, base=0.7, gloss=0.2, glare=0.008, base_tilt=-0.03),
        module=ModuleSpec(slit_nm=13.0, wander_nm=0.3, jitter_nm=0.02, drift=0.004),
        cellar=CellarSpec(batches=(5, 12), labs=(("lab A", 0.0), ("lab B", -0.08))),
    ),
)

TUNING = tuple(spec.name for spec in _TUNING)
SHOWN = tuple(spec.name for spec in _SHOWN)


def members() -> dict[str, HouseSpec]:
    """Return every member by name, those of `TUNING` first."""
    return {spec.name: spec for spec in (*_TUNING, *_SHOWN)}
