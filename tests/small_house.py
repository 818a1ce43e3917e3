"""A made-up house of a few scans without any error, for tests of forms rather than of quality."""

import numpy as np
import pandas as pd


def small_tables(n_beers=3, n_batches=3, n_pours=2):
    """Return spectra, scans and batches of a made-up house, small and without any error."""
    nm = np.arange(420.0, 700.0, 20.0)
    spectra, scans, batches = {}, {}, {}
    for beer in range(n_beers):
        for number in range(n_batches):
            batch = f"00{beer}{number}"
            batches[batch] = {"beer": f"Beer {beer}", "colour": 6.0 * 2**beer + 0.1 * number}
            for pour in range(n_pours):
                scan_id = f"{batch}-{pour}.csv"
                scans[scan_id] = {"pour": f"{batch}-{pour}", "sample": f"{batch}-s", "batch": batch, "fill_ml": 10}
                spectra[scan_id] = 0.9 * 10 ** (-batches[batch]["colour"] / 30 * np.exp(-(nm - 430) / 80)) + pour / 997
    return (
        pd.DataFrame.from_dict(spectra, orient="index", columns=nm),
        pd.DataFrame.from_dict(scans, orient="index"),
        pd.DataFrame.from_dict(batches, orient="index"),
    )


def write_tables(folder, spectra, scans, batches):
    """Write tables as a folder that a set can be built from."""
    folder.mkdir()
    spectra.to_csv(folder / "spectra.csv", index_label="scan_id")
    scans.to_csv(folder / "scans.csv", index_label="scan_id")
    batches.to_csv(folder / "batches.csv", index_label="batch")
    return folder
