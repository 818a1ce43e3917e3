"""What an audit tells of clean sets of the family of houses, in groups: how many are false.

    python -m benchmarks.audit_groups [--seeds 1 2] [--members NAME ...]

A group is a code of a fault. Groups that state what is so (missing lab values, thin beers, gaps, mixed conditions) are
not counted; `lab_bias` is false only in a house whose labs agree.
"""

import argparse

import pandas as pd

import specmatch as sm
from benchmarks.houses import House, members

STATEMENTS = ("missing_lab", "thin_beer", "colour_gap", "mixed_conditions")


def groups_of(member: str, seed: int) -> dict[str, object]:
    """Return the groups that the audit of a clean set has, and how many are false."""
    house = House(members()[member], seed)
    past = house.draw()
    findings = sm.ReferenceSet(past.spectra, past.scans, past.batches, band_nm=past.band_nm).audit()
    codes = list(dict.fromkeys(findings["code"]))
    several_labs = "lab" in past.batches and past.batches["lab"].nunique() > 1
    false = [code for code in codes if code not in STATEMENTS and not (code == "lab_bias" and several_labs)]
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
    print(pd.DataFrame(rows).to_string(index=False))


if __name__ == "__main__":
    main()
