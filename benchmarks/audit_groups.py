"""What an audit tells of clean sets of the family of houses, in groups: how many are false.

    python -m benchmarks.audit_groups [--seeds 1 2] [--members NAME drawn_100 ...]

A group is a code. A finding is false unless what it tells of did happen: a pour that heavy tails misfilled by 15 % or
left with 1.5 % more foam than its mates, a lab value 6 % off the true colour, labs that differ, beers of three batches
from one session or two. Groups that state what is so (missing lab values, thin beers, gaps, mixed conditions) are true.
"""

import argparse

import pandas as pd

import specmatch as sm
from benchmarks.houses import House, members, spec_of
from benchmarks.houses.planted import borne_out


def groups_of(member: str, seed: int) -> dict[str, object]:
    """Return the groups that the audit of a clean set has, and how many are false."""
    house = House(spec_of(member), seed)
    past = house.draw()
    findings = sm.ReferenceSet(past.spectra, past.scans, past.batches, band_nm=past.band_nm).audit()
    codes = list(dict.fromkeys(findings["code"]))
    false = findings.loc[~borne_out(past, findings), "code"].unique()
    counts = findings["code"].value_counts()
    told = ", ".join(f"{code} ({counts[code]})" for code in codes)
    return {"member": member, "seed": seed, "findings": len(findings), "false groups": len(false), "told": told}


def main() -> None:
    """Print a row a member and seed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--members", nargs="+", default=list(members()))
    args = parser.parse_args()
    rows = [groups_of(member, seed) for member in args.members for seed in args.seeds]
    table = pd.DataFrame(rows)
    print(table.to_string(index=False))
    print(table.groupby("member", sort=False)["false groups"].mean().to_string())
    print(
        f"mean {table['false groups'].mean():.2f}, more than one in {(table['false groups'] > 1).sum()} of {len(table)}"
    )


if __name__ == "__main__":
    main()
