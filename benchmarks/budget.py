"""The uncertainty budget tried on the invented houses: what it predicts, and what new batches show.

`python -m benchmarks.budget` fits each member of `SHOWN` (`--members`, `--seeds`, `--json`) and reads batches of
another year. `error` is log colour read over lab colour, `spread` log colours read of new batches about their beer's
mean; ratios are predicted over shown, 1 is right. A ratio of n batches is itself known to about 0.7 / sqrt(n).
"""

import argparse
import json
from collections.abc import Sequence

import numpy as np
import pandas as pd

import specmatch as sm
from benchmarks.houses import House, members
from benchmarks.houses.members import SHOWN

NEW_BATCHES = 12


def tried(name: str, seed: int) -> dict[str, object]:
    """Return predicted and shown standard deviations of one house."""
    house = House(members()[name], seed=seed)
    past = house.draw()
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC")
    model = sm.HouseModel().fit(refs)
    # a reading is what the reference lab of the set would report: new values are that lab's
    labs = model.fitted.colour.labs.labs if model.fitted.colour and model.fitted.colour.labs else ()
    new = house.draw(NEW_BATCHES, draw=1, lab=labs[0] if labs else None)
    read = model.read(new.spectra, scans=new.scans)
    batch = new.scans.groupby("sample")["batch"].first().loc[read.index]
    beer = new.batches.loc[batch, "beer"].to_numpy()
    colour, lab = read["colour"].to_numpy(float), new.batches.loc[batch, "colour"].to_numpy(float)
    budgets = {n: model.budget(n_pours=int(n)) for n in read["n_pours"].unique()}
    rows = {kind: np.array([budgets[n].at[(b, kind), "sd"] for n, b in zip(read["n_pours"], beer, strict=True)])
            for kind in ("reading", "new batches")}  # fmt: skip
    error = np.log(colour / lab)
    logs = pd.Series(np.log(colour)).groupby(beer)
    within = (logs.transform("var")).to_numpy()
    return {
        "member": name,
        "seed": seed,
        "n": len(read),
        "error predicted": float(np.sqrt(np.mean(rows["reading"] ** 2))),
        "error shown": float(np.sqrt(np.mean(error**2))),
        "spread predicted": float(np.sqrt(np.mean(rows["new batches"] ** 2))),
        "spread shown": float(np.sqrt(np.mean(within))),
    }


def main(argv: Sequence[str] | None = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.budget", description=__doc__.split("\n")[0])
    parser.add_argument("--members", nargs="+", default=list(SHOWN), choices=list(members()), metavar="NAME")
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args(argv)
    found = pd.DataFrame([tried(name, seed) for name in args.members for seed in range(args.seeds)])
    for kind in ("error", "spread"):
        found[f"{kind} ratio"] = found[f"{kind} predicted"] / found[f"{kind} shown"]
    if args.json:
        print(json.dumps(found.to_dict("records")))
        return
    print(found.round(4).to_string(index=False))
    means = found.groupby("member", sort=False)[["error ratio", "spread ratio"]].mean()
    print(means.round(3).to_string())


if __name__ == "__main__":
    main()
