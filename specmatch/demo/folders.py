"""Measured folders as the invented lab leaves them, and a commissioning of its spectrometer."""

# bands of glass and lines of the lamp are where they are published; their strengths and widths are invented

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, check_whole
from specmatch.demo.physics import FULL_SCALE, LIGHT_NM, RawScans, Spectrometer, white_led
from specmatch.errors import StorageError
from specmatch.storage import path_of

# The measured folder as the invented brewery leaves it: a text file a scan, `scans.csv`, `batches.csv`, a note.

SCAN_FOLDER = "scans"
NOTE = "NOTE.txt"
INVENTED = """\
Everything in this folder is invented: the brewery, its beers, its spectrometer, its lab and every number.
It was written by a program, for trying things out. It is no evidence about any beer or instrument.
To the extent possible under law it is given to the public domain (CC0-1.0).
"""


def write_measured_folder(folder: str | Path, raw: RawScans, batches: pd.DataFrame | None = None) -> None:
    """Write raw scans as a measured folder, whole or not at all."""
    wavelengths = [f"{nm:.2f}".replace(".", ",") for nm in raw.wavelength_nm]
    sheet = raw.table.reset_index(names="file")
    sheet["file"] = SCAN_FOLDER + "/" + sheet["file"] + ".csv"
    rows = raw.table.reset_index().to_dict("records")
    with _whole_folder(path_of(folder)) as part:
        for file, row, counts in zip(sheet["file"], rows, raw.counts.astype(int).tolist(), strict=True):
            _write(part / file, scan_text(row, wavelengths, counts))
        _write(part / "scans.csv", sheet.to_csv(index=False, lineterminator="\n"))
        if batches is not None:
            _write(part / "batches.csv", batches.to_csv(lineterminator="\n"))


@contextmanager
def _whole_folder(folder: Path) -> Iterator[Path]:
    """Give a folder to fill beside the one that is meant, which it becomes, with its note, when the block is done."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StorageError(f"{folder} exists and is not an empty folder; name another or remove it first")
    folder.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        part.chmod(0o755)
        (part / SCAN_FOLDER).mkdir()
        yield part
        _write(part / NOTE, INVENTED)
        os.replace(part, folder)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def scan_text(row: Mapping[Any, Any], wavelengths: list[str], counts: list[int]) -> str:
    """Return the text of one scan file, in the one dialect that the invented instrument writes."""
    # wavelengths: in nm, as written
    header = [
        "data;invented",
        f"scan;{row['scan_id']}",
        f"instrument;{row['instrument']}",
        f"measured_at;{row['measured_at']}",
        f"integration_ms;{row['integration_ms']:.1f}".replace(".", ","),
        "readouts_averaged;32",
        "",
        "wavelength_nm;counts",
    ]
    return "\n".join([*header, *map("{};{}".format, wavelengths, counts), ""])


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))


# A commissioning of the invented spectrometer: filters, a lamp, ladders and cups, scanned as the bench sheet asks.

# NIST Atomic Spectra Database, and makers of holmium glass after NBS; nm, from memory
_MERCURY_NM = (404.656, 435.833, 546.074, 576.960, 579.066)
_HOLMIUM_NM = (418.5, 446.0, 453.4, 460.0, 484.5, 536.4, 637.5)
_FINE_NM: Floats = np.arange(310.0, 880.5, 0.5)
_TIMES_MS = (4.0, 8.0, 12.0, 16.0, 20.0)
_TOP_MS, _TOP_COUNTS = 20.0, 48000.0


@dataclass
class _Day:
    spectrometer: Spectrometer
    rng: np.random.Generator
    axis_nm: float
    nonlinear: float
    drift_an_hour: float
    rows: list[dict[str, object]] = field(default_factory=list)
    counts: list[Floats] = field(default_factory=list)
    minutes: float = 30.0

    def take(
        self, role: str, material: str, light: Floats, n: int, *, ms: float = _TOP_MS, every_min: float = 0.5,
        level_sd: float = 0.0,
    ) -> None:  # fmt: skip
        for _ in range(n):
            self.minutes += every_min
            level = 1.0 - self.drift_an_hour * self.minutes / 60.0 + level_sd * self.rng.standard_normal()
            seen = np.interp(LIGHT_NM, _FINE_NM, _smoothed(light)) * level
            seen = seen * (1.0 - self.nonlinear * seen * ms / _TOP_MS)
            one = self.spectrometer.counts(
                _TOP_COUNTS * seen[None], exposure=np.array([ms / _TOP_MS]), shift_nm=np.array([self.axis_nm]),
                ceiling=np.array([float(FULL_SCALE)]), dark_drift=np.zeros(1), rng=self.rng,
            )  # fmt: skip
            at = datetime.fromisoformat("2031-03-03T08:00:00+00:00") + timedelta(minutes=self.minutes)
            self.rows.append({
                "role": role, "material": material, "measured_at": at.isoformat(), "integration_ms": ms,
                "temperature_c": 21.0, "instrument": self.spectrometer.name, "reference_kind": "water",
            })  # fmt: skip
            self.counts.append(one[0])

    def raw(self) -> RawScans:
        """Return all that was taken."""
        scan_id = pd.Index([f"{place + 1:03d}" for place in range(len(self.rows))], name="scan_id")
        return RawScans(np.array(self.counts), self.spectrometer.wavelength_nm, pd.DataFrame(self.rows, scan_id))


def _smoothed(light: Floats) -> Floats:
    # the traced grid is coarser than a line is wide: a line keeps its place and its strength
    kernel = np.exp(-((np.arange(-12, 13) * 0.5 / 2.0) ** 2) / 2.0)
    return np.convolve(light, kernel / kernel.sum(), "same")


def write_bench_day(
    folder: str | Path,
    *,
    seed: int = 1,
    axis_nm: float = 0.0,
    nonlinear: float = 0.0,
    stray_light: float = 0.0005,
    drift_an_hour: float = 0.0,
) -> None:
    """Write the measured folder of an invented module at the bench, with or without a fault.

    Parameters
    ----------
    folder : str or Path
        Must not exist, or be empty.
    seed : int, default 1
    axis_nm : float, default 0
        How far the pixels lie above where the axis says, nm.
    nonlinear : float, default 0
        Share by which the response falls from no counts to those of the reference's brightest channel.
    stray_light : float, default 0.0005
        Share of the mean light that falls on every pixel.
    drift_an_hour : float, default 0
        Share of its light that the lamp loses in an hour.

    Raises
    ------
    StorageError
        If the folder holds something.

    Examples
    --------
    >>> sm.write_bench_day("moved", axis_nm=0.5)
    >>> sm.commission("moved").figures.loc["axis_shift_nm", "state"]
    'beyond'
    """
    check_whole(seed, "seed")
    spectrometer, rng = replace(Spectrometer(), stray_light=stray_light), np.random.default_rng([seed, 7])
    day = _Day(spectrometer, rng, axis_nm, nonlinear, drift_an_hour)
    lamp = np.interp(_FINE_NM, LIGHT_NM, white_led())
    lamp = lamp / day.spectrometer.peak(white_led())
    dark = np.zeros(_FINE_NM.size)
    for ms in _TIMES_MS:
        day.take("dark", "", dark, 5, ms=ms)
    day.take("reference", "", lamp, 5)
    bands = np.exp(-(((_FINE_NM - np.array(_HOLMIUM_NM)[:, None]) / 3.0) ** 2) / 2.0).sum(axis=0) / 2.0
    day.take("check", "holmium glass", lamp * 0.9 * np.exp(-bands), 5)
    lines = np.exp(-(((_FINE_NM - np.array(_MERCURY_NM)[:, None]) / 0.5) ** 2) / 2.0).sum(axis=0)
    day.take("check", "mercury lamp", 6.0 * lines, 5)
    for ms in _TIMES_MS:
        day.take("check", "integration ladder", lamp, 3, ms=ms)
    day.take("check", "cut-off filter 550", lamp * 0.9 / (1.0 + np.exp(-(_FINE_NM - 550.0) / 6.0)), 3)
    day.take("check", "opaque cup", dark, 3)
    for share in (1.0, 0.75, 0.5, 0.25):
        day.take("check", f"dilution {share:g}", lamp * 10.0 ** (-0.8 * share * np.exp(-(_FINE_NM - 430.0) / 80.0)), 3)
    day.take("check", "empty cup", 1.04 * lamp, 10, level_sd=0.002)
    day.take("check", "refilled water", lamp, 10, level_sd=0.004)
    day.take("check", "steady light", lamp, 13, every_min=5.0)
    day.take("dark", "", dark, 5)
    write_measured_folder(folder, day.raw())
