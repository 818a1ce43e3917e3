"""Loading a large session against what parsing its files alone costs.

Run: python -m benchmarks.measurement [--files N] [--points P] [--repeats R]
"""

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.measurement.session import measure


def write_session(folder: Path, n_files: int, n_points: int) -> list[Path]:
    """Write an invented session of `n_files` scan files of `n_points` lines, with its sheet; return the files."""
    rng = np.random.default_rng(0)
    nm = 400.0 + np.cumsum(np.linspace(1.25, 1.1, n_points)) - 1.25
    light = 30000 * np.exp(-(((nm - 452) / 15) ** 2)) + 40000 * np.exp(-(((nm - 570) / 80) ** 2)) + 50
    rows = ["file,role,sample,pour,batch,beer,measured_at,integration_ms,instrument,session"]
    files = []
    for k in range(n_files):
        role = ("dark", "reference")[k % 50] if k % 50 < 2 else "sample"
        name = f"{k:05d}.csv"
        batch = f"B{k // 9:04d}"
        absorbance = (0.2 + 1.2 * ((k // 9) % 12) / 12) * np.exp(-(nm - 430) / 80) * rng.normal(1, 0.012)
        counts = 1000 + rng.normal(0, 5, n_points)
        if role != "dark":
            counts = counts + light * (1.0 if role == "reference" else 0.008 + 10**-absorbance)
        text = "\n".join(f"{x:.2f};{y:.0f}" for x, y in zip(nm, counts, strict=True))
        header = f"instrument;invented\nscan;{k}\nwavelength_nm;counts\n"
        (folder / name).write_text(header + text + "\n", encoding="utf-8")
        files.append(folder / name)
        who = f"{batch}-s,{batch}-p{k // 3},{batch},Pale" if role == "sample" else ",,,"
        at = f"2024-03-{1 + k // 100:02d}T{8 + (k % 100) // 10:02d}:{6 * (k % 10):02d}:00+01:00"
        rows.append(f"{name},{role},{who},{at},20,I1,D{k // 50:03d}")
    (folder / "scans.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return files


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--points", type=int, default=256)
    parser.add_argument("--repeats", type=int, default=3)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = write_session(folder, args.files, args.points)
        # time of the processor: other work on the machine tells on the clock
        pandas_s, measure_s = [], []
        for _ in range(args.repeats):
            start = time.process_time()
            for file in files:
                pd.read_csv(file, sep=";", skiprows=2)
            middle = time.process_time()
            session = measure(folder)
            measure_s.append(time.process_time() - middle)
            pandas_s.append(middle - start)
        print(f"{args.files} files of {args.points} points, {len(session.spectra)} of samples, best of {args.repeats}")
        print(f"pandas.read_csv in a loop  {min(pandas_s):6.2f} s of the processor")
        print(f"measure(folder)            {min(measure_s):6.2f} s, {len(session.left_out)} left out")
        print(f"ratio                      {min(measure_s) / min(pandas_s):6.2f}")


if __name__ == "__main__":
    main()
