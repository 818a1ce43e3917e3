"""A second module taught by shared batches, against a set of its own and against nothing, on invented houses.

Run: python -m benchmarks.transfer [--members mirror_row] [--modules harsh_second] [--shared 3 6 12] [--seeds 0 1]

The house learns its past batches on its own module. The second module measures some of them again, chosen by
`choose_batches(refs, transfer=n)`: other pours, sessions and noise. Both the model with the transfer and the model of a
full set of the second module then read new batches and foreign beers on the second module. Beside them `perfect map`:
the very pours that the model has learnt, as the second module would have seen them, which is the most that any transfer
can do; how far it lies from 1 is the luck of one set of pours against another. `same pours` is a transfer by the very
pours of the shared batches that the set holds: what pouring them again costs is left out of it.
"""

import argparse
import json
import sys
from functools import lru_cache
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

import specmatch as sm
from benchmarks.houses import SHOWN, TUNING, Draw, House, members

MODULES = ("mild_second", "harsh_second", "harsher_second")
SHARED = (3, 6, 12)
NEW_BATCHES, FOREIGN, RATE = 240, 120, 0.05
PERFECT, SAME_POURS = "perfect map", ", same pours"
# gloss below which a base is called matt here
MIRROR = 0.99


def reference_set(drawn: Draw) -> sm.ReferenceSet:
    """Make the set of a draw."""
    return sm.ReferenceSet(drawn.spectra, drawn.scans, drawn.batches, colour_unit="EBC", band_nm=drawn.band_nm)


def counts(model: sm.HouseModel, new: Draw, foreign: Draw) -> dict[str, float]:
    """Return sums over new batches and foreign beers, so that houses and seeds can be pooled."""
    samples = [f"{name}-S1" for name in new.batches.index]
    claims = pd.Series(new.batches["beer"].to_numpy(), index=samples)
    judged = model.verify(new.spectra, claims, scans=new.scans).loc[samples]
    p = model.p_values(new.spectra, scans=new.scans).loc[samples]
    own = p.to_numpy()[np.arange(len(samples)), p.columns.get_indexer(claims.to_numpy())]
    true, lab = new.true_colour.to_numpy(), new.batches["colour"].to_numpy(float)
    covered = (judged["colour_low"] <= lab) & (lab <= judged["colour_high"])
    beyond = model.read(foreign.spectra, scans=foreign.scans)["plausible_beers"].map(len) == 0
    return {
        "n": len(samples),
        "squares": float(np.sum((judged["colour"].to_numpy(float) / true - 1.0) ** 2)),
        "covered": int(covered.sum()),
        "rejected": int((own <= RATE).sum()),
        "consistent": int((judged["decision"] == "consistent").sum()),
        "width": float(np.log(judged["colour_high"] / judged["colour_low"]).median() / 2.0),
        "foreign": len(beyond),
        "refused": int(beyond.sum()),
    }


@lru_cache(maxsize=1)
def taught(member: str, seed: int) -> tuple[House, sm.ReferenceSet, sm.HouseModel]:
    """Return a house, the set of its past batches and the model of that set."""
    house = House(members()[member], seed)
    refs = reference_set(house.draw(lab=house.spec.cellar.labs[0][0]))
    return house, refs, sm.HouseModel(false_reject_rate=RATE).fit(refs)


def figures(member: str, module: str, seed: int, shared: tuple[int, ...]) -> list[dict[str, object]]:
    """Return a row for a set of its own, a perfect map, no transfer and each number of shared batches."""
    house, refs, model = taught(member, seed)
    lab = house.spec.cellar.labs[0][0]  # one lab values all, so that errors are those of the module
    again = house.draw(module=module, again=1, lab=lab)
    n_new = max(1, round(NEW_BATCHES / len(house.beers)))
    new = house.draw(n_new, 1, module=module, lab=lab, single_session_per_beer=False)
    foreign = house.draw(FOREIGN, 2, module=module, foreign_over_colours=True)
    same = house.draw(module=module, lab=lab)
    full, perfect = (sm.HouseModel(false_reject_rate=RATE).fit(reference_set(drawn)) for drawn in (again, same))
    about = {"member": member, "module": module, "seed": seed, "gloss": members()[member].cup.gloss}
    rows = [
        {**about, "shared": "own set", **counts(full, new, foreign)},
        {**about, "shared": PERFECT, **counts(perfect, new, foreign)},
        {**about, "shared": "none", **counts(model, new, foreign)},
    ]
    for n, drawn in product(shared, (again, same)):
        scans = drawn.scans[drawn.scans["batch"].isin(sm.choose_batches(refs, transfer=n).index)]
        name = f"unit-{module}"
        both = model.transfer(drawn.spectra.loc[scans.index], scans, instrument=name, band_nm=drawn.band_nm)
        told = both.transfers.iloc[0]
        rows.append({
            **about, "shared": str(n) + SAME_POURS * (drawn is same), **counts(both, new, foreign),
            "route": told["route"], "colour_sd": told["colour_sd"],
            "own_set_advised": told["advice"] != "transfer serves",
            "colour_excess": both.fitted.modules[0].colour_excess,
            "identity_excess": both.fitted.modules[0].identity_excess,
        })  # fmt: skip
    return rows


def pooled(rows: pd.DataFrame) -> pd.DataFrame:
    """Pool seeds: error over that of the own set, coverage, false reject, foreign beers refused."""
    keys = ["member", "module", "shared"]
    sums = rows.groupby(keys, sort=False)[["n", "squares", "covered", "rejected", "consistent", "foreign", "refused"]]
    table = sums.sum()
    out = pd.DataFrame({
        "error %": 100.0 * np.sqrt(table["squares"] / table["n"]),
        "coverage": table["covered"] / table["n"],
        "false reject": table["rejected"] / table["n"],
        "foreign": table["refused"] / table["foreign"],
        "consistent": table["consistent"],
        "n": table["n"],
    })  # fmt: skip
    own, perfect = (out.xs(name, level="shared") for name in ("own set", PERFECT))
    place = pd.MultiIndex.from_frame(out.index.to_frame(index=False)[["member", "module"]])
    out["error / perfect"] = out["error %"] / perfect["error %"].reindex(place).to_numpy()
    for name, short in (("error %", "error / own"), ("coverage", "coverage - own"), ("foreign", "foreign - own")):
        base = own[name].reindex(place).to_numpy()
        out[short] = out[name] / base if name == "error %" else out[name] - base
    means = rows.groupby(keys, sort=False)
    out["half width %"] = 100.0 * means["width"].mean()
    out["advised"] = means["own_set_advised"].mean()
    return out


def worst_and_mean(table: pd.DataFrame) -> pd.DataFrame:
    """Return mean and worst member for each module and number of shared batches."""
    worst = {
        "error / own": "max",
        "error / perfect": "max",
        "coverage - own": "min",
        "false reject": "max",
        "foreign - own": "min",
    }
    groups = table.groupby(["module", "shared"], sort=False)
    mean = groups[list(worst)].mean()
    return mean.join(groups.agg(worst).add_suffix(", worst"))


def picture(table: pd.DataFrame, path: Path) -> None:
    """Draw the colour error on the second module before and after, by shared batches, a panel a module."""
    from matplotlib.figure import Figure

    modules = [name for name in MODULES if name in table.index.get_level_values("module")]
    houses = list(table.index.get_level_values("member").unique())
    figure = Figure(figsize=(3.2 * len(modules), 3.4), layout="constrained")
    for axis, module in zip(np.atleast_1d(figure.subplots(1, len(modules), sharey=True)), modules, strict=True):
        part = table.xs(module, level="module")["error %"].unstack("member")
        order = [name for name in ("none", "3", "6", "12", "own set") if name in part.index]
        for member in part:
            colour = f"C{houses.index(member)}"
            axis.plot(range(len(order)), part.loc[order, member], marker="o", ms=4, lw=1.2, color=colour, label=member)
        axis.set(title=f"{module.replace('_', ' ')} module", xlabel="shared batches", yscale="log")
        axis.set_xticks(range(len(order)), [name.replace(" ", "\n") for name in order])
        axis.set_yticks([1, 2, 5, 10, 20, 50, 100, 200], ["1", "2", "5", "10", "20", "50", "100", "200"], minor=False)
        axis.minorticks_off()
    figure.axes[0].set(ylabel="colour error on the second module, %")
    figure.axes[-1].legend(frameon=False, fontsize=7)
    figure.suptitle("Invented houses: before a transfer, after it, and with a full set of its own", fontsize=9)
    figure.savefig(path, dpi=140)


def show(frame: pd.DataFrame) -> pd.DataFrame:
    """Print a row a member, module and number of shared batches, then mean and worst, and return the first."""
    table = pooled(frame)
    print("Invented houses; error: root mean square of the relative error against the true colour\n")
    print(table.round(3).to_string())
    mirror = frame.groupby("member")["gloss"].first() >= MIRROR
    for title, chosen in (("mirror-like bases", True), ("matt bases and those between", False)):
        part = table[(mirror[table.index.get_level_values("member")] == chosen).to_numpy()]
        if len(part):
            print(f"\n{title}: mean and worst member\n{worst_and_mean(part).round(3).to_string()}")
    untaught = frame[frame["shared"] == "none"]
    print(f"\nwithout transfer: {untaught['consistent'].sum():.0f} of {untaught['n'].sum():.0f} consistent")
    return table


def main() -> None:
    """Make the rows, or read them, and show them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--members", nargs="+", choices=[*TUNING, *SHOWN], default=[*SHOWN])
    parser.add_argument("--modules", nargs="+", choices=MODULES, default=list(MODULES))
    parser.add_argument("--shared", nargs="+", type=int, default=list(SHARED))
    parser.add_argument("--seeds", nargs="+", type=int, default=[0, 1])
    parser.add_argument(
        "--json", type=Path, metavar="FILE", help="also write a row a member, module, seed and number as JSON"
    )
    parser.add_argument("--rows", nargs="+", type=Path, help="show rows written before instead of making them")
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw error by shared batches")
    args = parser.parse_args()
    rows: list[dict[str, object]] = []
    for path in args.rows or ():
        rows += json.loads(path.read_text(encoding="utf-8"))
    for member in () if args.rows else args.members:
        for seed in args.seeds:
            for module in args.modules:
                rows += figures(member, module, seed, tuple(args.shared))
                print(f"{member}, {module}, seed {seed}", file=sys.stderr, flush=True)
                if args.json:
                    args.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    table = show(pd.DataFrame(rows))
    if args.picture:
        picture(table, args.picture)


if __name__ == "__main__":
    main()
