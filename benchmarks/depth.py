"""Scans at another depth of beer than the set's: colour, coverage and identity after they were brought to it.

Run: python -m benchmarks.depth [--seeds 0 1] [--members drawn_100] [--second 0.6] [--picture docs/depth.png]

Each member of the invented houses learns its own past batches at its own filling, alone and with six of its batches
measured at a second one as well (`--second`, over its own), and reads new batches poured at other fillings. Near are
fillings between those that the set holds and 15 % beyond. All data are invented.
"""

import argparse
import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd

import specmatch as sm
from benchmarks.houses import SHOWN, House, spec_of
from benchmarks.houses.house import Draw, HouseSpec
from specmatch.maths.statistics.levels import binomial_bounds

NEW_BATCHES, FOREIGN = 120, 60
SECOND, TAUGHT_BY = 0.6, 6
FACTORS = (0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.15, 1.25, 1.5, 2.0)
RATE = 0.05
ONE, TWO, MIXED = "one fill", "six at a second", "5 and 10 mL mixed"
BEYOND = 1.15
OF_MIXED = (0.5, 1.0)  # fillings that the mixed set is asked about
COUNTS = ("n", "held", "covered", "lab_read", "rejected", "foreign", "refused", "silent")


def kind_of(spec: HouseSpec) -> str:
    """Say whether the base of a house is like a mirror."""
    return "mirror" if spec.cup.gloss >= 0.9 else "diffuse"


def reference_set(drawn: Draw, *, more: Draw | None = None, batches: pd.Index | None = None) -> sm.ReferenceSet:
    """Return a set of a draw, and of the pours of some of its batches in another draw of the same ones."""
    spectra, scans = drawn.spectra, drawn.scans
    if more is not None and batches is not None:
        own = more.scans["batch"].isin(batches).to_numpy()
        names = "again-" + more.scans.index[own]
        second = more.scans[own].set_axis(names, axis=0)
        second["pour"] = "again-" + second["pour"]
        scans = pd.concat([scans, second])
        spectra = pd.concat([spectra, more.spectra[own].set_axis(names, axis=0)])
    return sm.ReferenceSet(spectra, scans, drawn.batches, colour_unit="EBC", band_nm=drawn.band_nm)


def mixed(at_set: Draw, at_half: Draw) -> sm.ReferenceSet:
    """Return a set whose every second batch was poured at half the fill, and six batches at both."""
    names = at_set.batches.index
    half = pd.Index(names[1::2])
    both = six_over_the_colours(at_set.batches["colour"].drop(half))
    kept = ~at_set.scans["batch"].isin(half).to_numpy()
    again = at_half.scans["batch"].isin(half.append(both)).to_numpy()
    ids = "half-" + at_half.scans.index[again]
    second = at_half.scans[again].set_axis(ids, axis=0)
    second["pour"] = "half-" + second["pour"]
    return sm.ReferenceSet(
        pd.concat([at_set.spectra[kept], at_half.spectra[again].set_axis(ids, axis=0)]),
        pd.concat([at_set.scans[kept], second]),
        at_set.batches,
        colour_unit="EBC",
        band_nm=at_set.band_nm,
    )


def six_over_the_colours(colour: pd.Series, n: int = TAUGHT_BY) -> pd.Index:
    """Return batches spread over the colours of a set, as somebody would choose them."""
    order = colour.sort_values().index
    return pd.Index(order[np.linspace(0, len(order) - 1, n).round().astype(int)])


def near_of(name: str, second: float) -> tuple[float, float]:
    """Return lowest and highest filling, over the set's own, that are near those of a set."""
    if name == TWO:
        return min(1.0, second) / BEYOND, max(1.0, second) * BEYOND
    return (0.8, 1.25) if name == ONE else (0.5, 0.9)


def rows_of(
    spec: HouseSpec,
    seed: int,
    factors: tuple[float, ...] = FACTORS,
    second_fill: float = SECOND,
    *,
    poured_again: bool = True,
) -> list[dict[str, object]]:
    """Return a row a set and a filling: counts, and sums of relative errors.

    What the second filling is measured on are pours of its own, or the same ones with more or less in the cup.
    """
    house, fill, lab = House(spec, seed), spec.cup.fill_ml, spec.cellar.labs[0][0]
    past = house.draw(lab=lab)
    second = house.draw(fill_ml=second_fill * fill, lab=lab, again=int(poured_again))
    six = six_over_the_colours(past.batches["colour"])
    sets = {ONE: reference_set(past), TWO: reference_set(past, more=second, batches=six)}
    if any(factor in OF_MIXED for factor in factors):
        sets[MIXED] = mixed(past, house.draw(fill_ml=0.5 * fill, lab=lab, again=int(poured_again)))
    models = {name: sm.HouseModel(false_reject_rate=RATE).fit(refs) for name, refs in sets.items()}
    n_batches = max(1, round(NEW_BATCHES / len(house.beers)))
    rows = []
    for factor in factors:
        new = house.draw(n_batches, 1, fill_ml=factor * fill, lab=lab, single_session_per_beer=False)
        foreign = house.draw(FOREIGN, 2, foreign_over_colours=True, fill_ml=factor * fill)
        for name, model in models.items():
            if name == MIXED and factor not in OF_MIXED:
                continue
            got = counted(model, new, foreign)
            about = {"member": spec.name, "base": kind_of(spec), "seed": seed, "set": name, "second": second_fill}
            rows.append(about | {"depth": factor} | got)
    return rows


def counted(model: sm.HouseModel, new: Draw, foreign: Draw) -> dict[str, float]:
    """Count what became of new batches and of foreign beers; those told to be out of range count apart."""
    samples = [f"{name}-S1" for name in new.batches.index]
    readings = model.read(new.spectra, scans=new.scans).loc[samples]
    p = model.p_values(new.spectra, scans=new.scans).loc[samples]
    own = p.to_numpy()[np.arange(len(p)), p.columns.get_indexer(new.batches["beer"])]
    lab, true = new.batches["colour"].to_numpy(float), new.true_colour.to_numpy()
    held = readings["warnings"].map(lambda codes: "path_out_of_range" in codes).to_numpy(bool)
    error = (readings["colour"].to_numpy(float) / true - 1.0)[~held]
    inside = ((readings["colour_low"] <= lab) & (lab <= readings["colour_high"])).to_numpy()
    unrecorded = new.scans.drop(columns="fill_ml")
    silent = model.read(new.spectra, scans=unrecorded)["warnings"].map(lambda codes: "depth_unknown" not in codes)
    others = model.read(foreign.spectra, scans=foreign.scans)
    return {
        "n": len(samples),
        "held": int(held.sum()),
        "error_sum": float(error.sum()),
        "error_squares": float((error**2).sum()),
        "covered": int(inside[~held].sum()),
        "rejected": int((own[~held] <= RATE).sum()),
        "half_width": float(((readings["colour_high"] - readings["colour_low"]) / 2.0 / readings["colour"]).median()),
        "foreign": len(others),
        "refused": int(
            sum(not beers or "path_out_of_range" in codes
                for beers, codes in zip(others["plausible_beers"], others["warnings"], strict=True))
        ),
        "silent": int(silent.sum()),
    }  # fmt: skip


def shares(rows: pd.DataFrame) -> pd.Series:
    """Return the figures of some rows together."""
    sums = rows[[name for name in rows if rows[name].dtype.kind in "if"]].sum()
    read = int(sums["n"] - sums["held"])
    covered, rejected = int(sums["covered"]), int(sums["rejected"])
    low = float(binomial_bounds(covered, read)[0]) if read else np.nan
    high = float(binomial_bounds(rejected, read)[1]) if read else np.nan
    return pd.Series(
        {
            "n": int(sums["n"]),
            "out of range": sums["held"] / sums["n"],
            "bias %": 100.0 * sums["error_sum"] / max(read, 1),
            "error %": 100.0 * np.sqrt(sums["error_squares"] / max(read, 1)),
            "half width %": 100.0 * rows["half_width"].mean(),
            "cover 90": covered / max(read, 1),
            "(low)": low,
            "reject 5": rejected / max(read, 1),
            "(high)": high,
            "foreign": sums["refused"] / sums["foreign"],
            "silent": int(sums["silent"]),
        }
    )


def table(rows: pd.DataFrame) -> pd.DataFrame:
    """Return figures by base, set and filling."""
    groups = {key: shares(part) for key, part in rows.groupby(["base", "set", "depth"], sort=False)}
    frame = pd.DataFrame(groups).T
    frame.index.names = ["base", "set", "depth"]
    return frame


def near(rows: pd.DataFrame) -> pd.DataFrame:
    """Return figures over the fillings near those of each set, and the worst member beside them."""
    out = {}
    for (base, name), part in rows.groupby(["base", "set"], sort=False):
        low, high = near_of(str(name), float(part["second"].iloc[0]))
        inside = part[(part["depth"] >= low - 1e-9) & (part["depth"] <= high + 1e-9)]
        inside = inside[(inside["depth"] - 1.0).abs() > 1e-9]
        if inside.empty:  # of the fillings that were asked for none lies near
            continue
        own = shares(part[(part["depth"] - 1.0).abs() < 1e-9])
        each = pd.DataFrame({member: shares(own) for member, own in inside.groupby("member")}).T
        out[base, name] = pd.concat(
            [
                shares(inside),
                pd.Series(
                    {
                        "at own: cover": own["cover 90"],
                        "at own: reject": own["reject 5"],
                        "worst bias": each["bias %"].abs().max(),
                        "worst cover": each["cover 90"].min(),
                        "worst reject": each["reject 5"].max(),
                    }
                ),
            ]
        )
    return pd.DataFrame(out).T.rename_axis(index=["base", "set"] if out else None)


def draw_picture(rows: pd.DataFrame, path: Path) -> None:
    """Draw error against depth: as if nothing were recorded, and brought to the set's depth."""
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(1, 2, figsize=(9.0, 3.6), sharey=True, layout="constrained")
    for axis, base in zip(axes, ("mirror", "diffuse"), strict=True):
        for name, line in ((ONE, "o--"), (TWO, "s-")):
            part = rows[(rows["base"] == base) & (rows["set"] == name)]
            if len(part):
                each = {depth: shares(own) for depth, own in part.groupby("depth")}
                axis.plot(list(each), [got["bias %"] for got in each.values()], line, label=f"recorded, {name}")
        depth = np.array([0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5])
        axis.plot(depth, 100.0 * (depth - 1.0), ":", color="0.5", label="not recorded: colour goes with the depth")
        axis.set(xlabel="depth over the set's", title=f"{base} base", ylim=(-25.0, 25.0))
        axis.axhline(0.0, color="0.8", linewidth=0.8, zorder=0)
    axes[0].set_ylabel("mean error of colour, %")
    axes[0].legend(fontsize=8)
    figure.savefig(path, dpi=110)


def main() -> None:
    """Print figures by filling, and those near the sets' own."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", nargs="+", type=int, default=[0, 1])
    parser.add_argument("--factors", nargs="+", type=float, default=list(FACTORS))
    parser.add_argument("--second", type=float, default=SECOND)
    parser.add_argument("--members", nargs="+", default=list(SHOWN))
    parser.add_argument("--same-pours", action="store_true", help="the second filling with the scatter of the first")
    parser.add_argument("--picture", type=Path)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    rows: list[dict[str, object]] = []
    for name in args.members:
        for seed in args.seeds:
            rows += rows_of(spec_of(name), seed, tuple(args.factors), args.second, poured_again=not args.same_pours)
            print(f"{name}, seed {seed}", file=sys.stderr, flush=True)
    if args.json:
        print(json.dumps(rows, indent=1))
        return
    frame = pd.DataFrame(rows)
    print(f"Invented houses ({', '.join(args.members)}), seeds {args.seeds}; errors against the true colour\n")
    print(f"{table(frame).round(3).to_string()}\n\nnear the fillings of each set\n{near(frame).round(3).to_string()}")
    sums = frame.groupby(["set", "depth"])[["error_squares", "n", "held"]].sum()
    errors = (sums["error_squares"] / (sums["n"] - sums["held"])) ** 0.5
    for depth in OF_MIXED:
        if {(ONE, 1.0), (MIXED, depth)} <= set(errors.index):
            ratio = errors[MIXED, depth] / errors[ONE, 1.0]
            print(f"\nerror of a set that mixes fills, read at {depth:g}, over one fill at its own: {ratio:.3f}")
    if args.picture:
        draw_picture(frame, args.picture)


if __name__ == "__main__":
    main()
