"""Is a lab value of a chosen batch worth two of batches taken at random?

    python -m benchmarks.choose [--seeds 12]

Invented breweries (12 beers, 10 batches each); mean square error of log colour on new batches, as a share of that
of sixty batches taken at random. Designs spend thirty lab values: on thirty batches chosen by the model, on fifteen of
them twice, on ten three times, or on thirty whose lab has no error at all, which is the limit of any weighting.
"""

import argparse

import numpy as np
import pandas as pd

from specmatch.demo.brewery import Brewery
from specmatch.house.assessment.choose import choose_batches
from specmatch.maths.regression.colour_model import fit_colour
from specmatch.maths.statistics.levels import Levels
from specmatch.reference.reference_set import ReferenceSet

BAND_NM = (430.0, 680.0)
N_RANDOM = 6


def errors_of(seed: int) -> dict[str, float]:
    """Return the mean square error of each design on one brewery."""
    drawn, fresh = Brewery(seed).draw(10), Brewery(seed).draw(5, draw=1)
    nm = drawn.spectra.columns.to_numpy()
    columns = (nm >= BAND_NM[0]) & (nm <= BAND_NM[1])
    blank = drawn.batches.assign(colour=np.nan)
    refs = ReferenceSet(drawn.spectra, drawn.scans, blank, band_nm=BAND_NM)
    means = drawn.spectra.loc[:, columns].groupby(drawn.scans["batch"].to_numpy(), sort=False).mean()
    names = means.index
    true, lab = drawn.true_colour.loc[names].to_numpy(), drawn.batches.loc[names, "colour"].to_numpy()
    lab_sd = float(np.std(np.log(lab / true)))
    test = fresh.spectra.loc[:, columns].groupby(fresh.scans["batch"].to_numpy(), sort=False).mean()
    truth = np.log(fresh.true_colour.loc[test.index].to_numpy())
    rng = np.random.default_rng(seed)

    def error(rows: np.ndarray, colours: np.ndarray) -> float:
        scans = np.isin(drawn.scans["batch"].to_numpy(), names[rows])
        batch = names.get_indexer(drawn.scans["batch"].to_numpy()[scans])
        sample = pd.factorize(drawn.scans["sample"].to_numpy()[scans])[0]
        values = drawn.spectra.loc[:, columns].to_numpy()[scans]
        fit = fit_colour(values, colours[batch], Levels.of_pours(sample, batch), wavelength_nm=nm[columns])
        return float(np.mean((np.log(fit.predict(test.to_numpy())) - truth) ** 2))

    ranked = names.get_indexer(choose_batches(refs, 30).index)
    again = [lab, *(true * np.exp(rng.normal(0, lab_sd, true.size)) for _ in range(2))]
    found = {
        "30 chosen, once": error(ranked, lab),
        "15 chosen, twice": error(ranked[:15], np.exp(np.mean(np.log(again[:2]), axis=0))),
        "10 chosen, three times": error(ranked[:10], np.exp(np.mean(np.log(again), axis=0))),
        "30 chosen, no lab error": error(ranked, true),
    }
    for n in (30, 45, 60):
        drawn_rows = [rng.choice(true.size, n, replace=False) for _ in range(N_RANDOM)]
        found[f"{n} at random"] = float(np.mean([error(rows, lab) for rows in drawn_rows]))
    sixty = [rng.choice(true.size, 60, replace=False) for _ in range(N_RANDOM)]
    found["60 at random, no lab error"] = float(np.mean([error(rows, true) for rows in sixty]))
    found["lab sd"] = lab_sd
    return found


def main() -> None:
    """Print the mean of each design over breweries, and the worst brewery."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=12)
    table = pd.DataFrame([errors_of(seed) for seed in range(parser.parse_args().seeds)])
    print(f"lab error {table.pop('lab sd').mean():.4f} of colour, {len(table)} breweries")
    share = table.div(table["60 at random"], axis=0)
    shown = {
        "rms error": np.sqrt(table.mean()),
        "share": table.mean() / table["60 at random"].mean(),
        "worst": share.max(),
    }
    print(pd.DataFrame(shown).round(4).to_string())


if __name__ == "__main__":
    main()
