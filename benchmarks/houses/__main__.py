"""The library over the family of invented houses, worst member beside the mean.

Run: python -m benchmarks.houses [figures|faults|audit|names] [--seeds 2] [--first-seed 0]
     [--members white_bowl pale_only] [--json]

Each member learns its own past batches (draw 0) and is judged on new ones (draw 1) and on foreign beers at the
colours of its own (draw 2). `faults` plants faults in new batches and reads them by
`verify`; `audit` plants errors in the past; `names` shows one spoilt pour to `measure`, the audit and `read`. All data
are invented.
"""

import argparse
import json
import sys

import pandas as pd

from benchmarks.houses.drawn import spec_of
from benchmarks.houses.figures import HIGH_IS_BAD, LOW_IS_BAD, figures
from benchmarks.houses.members import SHOWN, TUNING
from benchmarks.houses.planted import audit_figures, fault_figures, name_figures

SHORT = {
    "error_percent": "error %",
    "error_over_pls": "/ PLS",
    "error_over_process": "/ GP",
    "coverage": "cover 90",
    "coverage_pale": "pale",
    "nearest_right": "nearest",
    "nearest_less_oracle": "- oracle",
    "false_reject": "reject 5",
    "foreign_refused": "foreign",
    "findings": "findings",
}


def by_member(rows: pd.DataFrame) -> pd.DataFrame:
    """Return means over seeds, a row a member."""
    return rows.groupby("member", sort=False)[list(SHORT)].mean()


def worst_and_mean(table: pd.DataFrame) -> pd.DataFrame:
    """Return the mean and the worst of a table of members, for each figure in its own direction."""
    worst = {name: table[name].max() for name in HIGH_IS_BAD} | {name: table[name].min() for name in LOW_IS_BAD}
    return pd.DataFrame({"mean": table.mean(), "worst": pd.Series(worst)}).T[list(SHORT)]


def halves(table: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return the rows of a table of members by what they are for, each part with its title."""
    of = table.index.map(lambda name: 0 if name in TUNING else 1 if name in SHOWN else 2)
    titles = ("thresholds are set on", "figures are shown on", "houses drawn at random")
    return [(title, table[of == k]) for k, title in enumerate(titles)]


def print_halves(table: pd.DataFrame, low_is_bad: bool = True) -> None:
    """Print a table of members with its mean and worst for each half of the family."""
    for title, part in halves(table):
        if len(part):
            worst = part.min() if low_is_bad else part.max()
            ends = pd.DataFrame([part.mean(), worst], index=["mean", "worst"])
            print(f"{title}\n{pd.concat([part, ends]).round(2).to_string(na_rep='')}\n")


def share_of(rows: pd.DataFrame, column: str, part: str, whole: str = "n") -> pd.DataFrame:
    """Return the share of cases in which something happened, members by kinds of cases."""
    sums = rows.groupby(["member", column], sort=False)[[part, whole]].sum()
    return (sums[part] / sums[whole].where(sums[whole] > 0)).unstack(sort=False)


def print_planted(what: str, rows: pd.DataFrame) -> None:
    """Print what became of planted faults and errors."""
    if what == "names":
        spoken = (rows[["measure", "audit", "read"]] != "").all(axis=1)
        same = spoken & (rows["measure"] == rows["audit"]) & (rows["audit"] == rows["read"])
        rows = rows.assign(all_speak=spoken, one_name=same, of_spoken=same.where(spoken))
        rows["where_it_matters"] = same.where(rows["matters"])
        shown = ["all_speak", "one_name", "of_spoken", "where_it_matters"]
        print_halves(rows.groupby("member", sort=False)[shown].mean())
        print(f"without {rows['aside'].sum()} pours of {len(rows)} in samples that hold a spoilt pour by chance\n")
        print_halves(rows[~rows["aside"]].groupby("member", sort=False)[shown].mean())
        return
    clean = rows[rows["fault" if what == "faults" else "planted"] == "clean"]
    if what == "audit":
        print("found, of the errors that matter\n")
        print_halves(share_of(rows[rows["planted"] != "clean"], "planted", "found"))
        print("false findings a clean set, one a code\n")
        print_halves(share_of(clean, "planted", "found"), low_is_bad=False)
        return
    kind = rows["fault"].where(rows["pours"] == 1, rows["fault"] + ", 3 pours")
    rows = rows.assign(kind=kind, right=rows["named"] + rows["tied"])
    planted = rows[rows["fault"] != "clean"]
    print("named first, of the samples in which the fault matters\n")
    print_halves(share_of(planted, "kind", "named"))
    print("named, or tied with another\n")
    print_halves(share_of(planted, "kind", "right"))
    print("named by an oracle with the true covariances and shapes, one name in twenty clean pours\n")
    print_halves(share_of(planted[planted["pours"] == 1], "kind", "oracle"))
    print("clean samples with the code of any fault\n")
    print_halves(share_of(clean.assign(kind=kind), "kind", "named"), low_is_bad=False)
    print("of those without a pour that is spoilt by chance\n")
    print_halves(share_of(clean.assign(kind=kind), "kind", "named_good", "n_good"), low_is_bad=False)


def run_planted(what: str, names: list[str], seeds: range) -> list[dict[str, object]]:
    """Return the rows of every member and seed."""
    run = {"faults": fault_figures, "audit": audit_figures, "names": name_figures}[what]
    rows: list[dict[str, object]] = []
    for name in names:
        for seed in seeds:
            rows += run(spec_of(name), seed)
            print(f"{what}: {name}, seed {seed}", file=sys.stderr, flush=True)
    return rows


def main() -> None:
    """Print the table of every member asked for, then mean and worst of the shown and of the tuning members."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", nargs="?", choices=["figures", "faults", "audit", "names"], default="figures")
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--members", nargs="+", default=[*TUNING, *SHOWN], help="or drawn_100, ...")
    parser.add_argument("--json", action="store_true", help="print a row a member and seed as JSON")
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.seeds)
    if args.what != "figures":
        planted = run_planted(args.what, args.members, seeds)
        if args.json:
            print(json.dumps(planted, indent=1))
        else:
            print_planted(args.what, pd.DataFrame(planted))
        return
    rows = []
    for name in args.members:
        for seed in seeds:
            rows.append(figures(spec_of(name), seed))
            said = ", ".join(f"{short} {rows[-1][key]:.3g}" for key, short in SHORT.items())
            print(f"{name}, seed {seed}: {said}", file=sys.stderr, flush=True)
    if args.json:
        print(json.dumps(rows, indent=1))
        return
    frame = pd.DataFrame(rows)
    table = by_member(frame)
    new, learnt = frame.groupby("member")["new"].sum(), frame.groupby("member")["learnt"].sum()
    print(f"Invented houses, {args.seeds} seeds; error: root mean square of the relative error against the true colour")
    print(f"new batches a member: {new.min()}-{new.max()}, learnt: {learnt.min()}-{learnt.max()}, over all seeds\n")
    for title, part in halves(table):
        if len(part):
            print(f"{title}\n{pd.concat([part, worst_and_mean(part)]).rename(columns=SHORT).round(3).to_string()}\n")
    counts = pd.DataFrame(frame.set_index("member")["findings_by_code"].tolist(), index=frame["member"])
    if counts.shape[1]:
        print(
            f"false findings a clean set, by code\n{counts.fillna(0).groupby(level=0, sort=False).mean().to_string()}"
        )


if __name__ == "__main__":
    main()
