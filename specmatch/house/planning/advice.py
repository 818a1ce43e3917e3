"""Which design is advised, what it gives each beer, which pairs stay alike, in words; and what to do at the bench."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints
from specmatch.batches import in_colour_unit
from specmatch.house.planning.assumptions import BeerList, Grounds
from specmatch.house.planning.forecast import Design, Tried, summary
from specmatch.wording import counted

# of the half-width: below it two cups, or numbers of pours, are as good as each other
MATTERS = 0.10


def advised(table: pd.DataFrame, wishes: Mapping[str, float]) -> tuple[int, bool]:
    """Return the row of the design advised, and whether it meets every wish: the least work that does."""
    lacks = np.zeros(len(table))
    for name, more_is_better in (("half_width", False), ("caught", True), ("blend", False)):
        wish = wishes[name]
        if np.isnan(wish) or (name == "caught" and table["caught"].isna().all()):
            continue
        found = table[name].to_numpy(float)
        short = (wish - found) / max(wish, 1e-9) if more_is_better else found / max(wish, 1e-9) - 1.0
        lacks += np.maximum(np.nan_to_num(short, nan=1.0), 0.0)
    meets = lacks <= 1e-9
    width = table["half_width"].to_numpy(float)
    if not meets.any():
        near = np.flatnonzero(lacks <= lacks.min() + 0.02)
        return int(near[width[near].argmin()]), False
    n, pours = table["n_batches"].to_numpy(), table["n_pours"].to_numpy()
    able = np.flatnonzero(meets & (n == n[meets].min()))
    # more pours where they buy something that can be seen, and the better cup of those that do
    best = able[width[able].argmin()]
    enough = able[width[able] <= width[best] * (1.0 + MATTERS)]
    fewest = enough[pours[enough] == pours[enough].min()]
    return int(fewest[width[fewest].argmin()]), True


def of_beers(rounds: Sequence[Tried], listed: BeerList, ground: Grounds) -> pd.DataFrame:
    """Say what each beer gets at the advised design, and which one it is taken for most easily."""
    width = np.mean([one.half_width_of for one in rounds], axis=0)
    held = np.mean([one.held for one in rounds], axis=0)
    rows = []
    for k, name in enumerate(listed.names):
        # held least often, and nearest in colour of those that are held alike
        apart = np.abs(np.log(listed.colour_ebc / listed.colour_ebc[k]))
        apart[k] = np.inf
        like = int(np.lexsort((apart, np.nan_to_num(held[k], nan=np.inf)))[0])
        several = len(listed.names) > 1
        left = max(0, rounds[0].design.n_batches - ground.batches_there.get(name, 0))
        colour = float(in_colour_unit(listed.colour_ebc[[k]], "EBC", listed.unit)[0])
        rows.append({
            "beer": name, "colour": colour, "half_width": width[k], "half_width_in_unit": width[k] * colour,
            "false_reject": float(np.mean([one.rejected[k] for one in rounds])),
            "caught": float(np.nanmean(held[k])) if several else np.nan,
            "most_like": listed.names[like] if several else "",
            "caught_most_like": float(held[k, like]) if several else np.nan,
            "batches_left": left, "weeks": float(np.ceil(left / listed.batches_a_week[k])),
        })  # fmt: skip
    return pd.DataFrame(rows).set_index("beer")


def weak_pairs(tries: Sequence[Sequence[Tried]], best: int, listed: BeerList, wish: float) -> pd.DataFrame:
    """Name the pairs that the advice does not tell apart as wished, and what would: more batches, or nothing."""
    own = tries[best][0].design
    same = [t for t in tries if (t[0].design.depth_mm, t[0].design.n_pours) == (own.depth_mm, own.n_pours)]
    rows = []
    for a, b in combinations(range(len(listed.names)), 2):
        held, sd = summary(_held_either_way(tries[best], a, b))
        if held >= wish:
            continue
        at_best = float(np.mean([min(one.at_best[a, b], one.at_best[b, a]) for one in same[-1]]))
        enough = [t[0].design.n_batches for t in same if _held_either_way(t, a, b).mean() >= wish]
        said = f"{listed.names[a]} and {listed.names[b]}: held {held:.0%} of the time when one runs as the other"
        if at_best < wish:
            said += f"; no number of batches or pours will tell them apart, at best {at_best:.0%}"
        elif enough:
            said += f"; with {counted(min(enough), 'batch')} a beer as wished"
        else:
            said += f"; more batches and pours than were tried, at best {at_best:.0%}"
        rows.append((listed.names[a], listed.names[b], held, sd, at_best, min(enough) if enough else np.nan, said))
    columns = ["one", "other", "held", "held_sd", "at_best", "n_batches", "sentence"]
    return pd.DataFrame(rows, columns=columns).sort_values(["held", "one"], ignore_index=True)


def _held_either_way(rounds: Sequence[Tried], a: int, b: int) -> Floats:
    return np.array([(one.held[a, b] + one.held[b, a]) / 2.0 for one in rounds])


def of_cups(tries: Sequence[Sequence[Tried]], best: Design) -> pd.DataFrame:
    """Say what each cup gives pale, middle and dark beers, at the advised batches and pours."""
    rows = []
    for rounds in tries:
        one = rounds[0].design
        if (one.n_pours, one.n_batches) != (best.n_pours, best.n_batches):
            continue
        thirds = np.array_split(np.mean([r.half_width_of for r in rounds], axis=0), 3)
        width = (float(part.mean()) if part.size else np.nan for part in thirds)
        half = summary(np.array([r.half_width for r in rounds]))
        caught, _ = summary(np.array([r.figures["caught"] for r in rounds]))
        rows.append((one.cup_mm, one.fill_ml, one.depth_mm, *half, *width, caught))
    columns = ["cup_mm", "fill_ml", "depth_mm", "half_width", "half_width_sd", "pale", "middle", "dark", "caught"]
    return pd.DataFrame(rows, columns=columns).sort_values("half_width", ignore_index=True)


def advice_said(advice: pd.Series, wishes: Mapping[str, float], ground: Grounds, listed: BeerList) -> list[str]:
    """Say in words what is advised, what it gives, what it does not meet, and when the check may begin."""
    what = (
        f"{counted(int(advice['n_batches']), 'batch')} of each beer, {counted(int(advice['n_pours']), 'pour')} a "
        f"sample, {advice['fill_ml']:g} mL in a cup of {advice['cup_mm']:g} mm ({advice['depth_mm']:.1f} mm deep)"
    )
    caught = "" if np.isnan(advice["caught"]) else f", {advice['caught']:.1%} of mix-ups caught at one reading"
    gives = (
        f"half-width {_with_error(advice, 'half_width')} of the colour at {wishes['coverage']:.0%}, "
        f"{_with_error(advice, 'false_reject')} of right claims departing{caught}"
    )
    said = [f"{what}: {gives}"]
    if advice["n_pours"] == 1:
        said.append(
            "one pour meets this, but a pour gone wrong shows only beside another: pour the first batches twice"
        )
    if not advice["meets"]:
        lacking = []
        words = {"half_width": "half-width", "caught": "mix-ups caught", "blend": "smallest blend seen"}
        for name, word in words.items():
            wish, found = wishes[name], advice[name]
            if np.isnan(wish) or (name == "caught" and np.isnan(found)):
                continue
            if not (found >= wish if name == "caught" else found <= wish):
                got = "not seen at 50 % either" if np.isnan(found) else f"{found:.1%}"
                lacking.append(f"{word} {wish:.1%}: {got}")
        lacks = "; ".join(lacking)
        said.append(f"not every wish is met by any number tried; this is the best that can be had ({lacks})")
    least = 1.645 * ground.house.lab_relative
    if not np.isnan(wishes["half_width"]) and wishes["half_width"] < least:
        what = f"no number of batches or pours brings a half-width below about {least:.1%}"
        said.append(f"{what}: so far one lab colour goes from the truth; two determinations a batch would")
    weeks, slowest = float(advice["weeks"]), listed.names[int(listed.batches_a_week.argmin())]
    said.append(
        "the set holds as many already: the check may be switched on"
        if weeks == 0
        else f"the check may be switched on after {counted(int(weeks), 'week')}, when the beer brewed least often "
        f"({slowest}) has its batches"
    )
    return said


def _with_error(row: pd.Series, name: str) -> str:
    sd = row[f"{name}_sd"]
    return f"{row[name]:.1%}" + ("" if np.isnan(sd) else f" (±{sd:.1%} of simulation)")


def choice_said(of_cups: pd.DataFrame, table: pd.DataFrame, best: Design) -> list[str]:
    """Say in words what the other cups and numbers of pours would have given."""
    said = []
    if len(of_cups) > 1:
        one, last = of_cups.iloc[0], of_cups.iloc[-1]
        if last["half_width"] > one["half_width"] * (1.0 + MATTERS):
            said.append(
                f"the cup {one['depth_mm']:.1f} mm deep is the better one: half-width {one['pale']:.1%} for pale and "
                f"{one['dark']:.1%} for dark beers, against {last['pale']:.1%} and {last['dark']:.1%} at "
                f"{last['depth_mm']:.1f} mm"
            )
        else:
            said.append("the cups differ by less than a tenth of the half-width: take the handier one")
    own = table[np.isclose(table["depth_mm"], best.depth_mm) & (table["n_batches"] == best.n_batches)]
    own = own.drop_duplicates("n_pours")  # two cups may be of one depth
    if len(own) > 1:
        few, many = own.iloc[0], own.iloc[-1]
        taken = f"from {few['half_width']:.1%} to {many['half_width']:.1%}"
        what = f"{counted(int(many['n_pours']), 'pour')} instead of {int(few['n_pours'])}"
        said.append(f"{what} take the half-width {taken}")
    return said


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
