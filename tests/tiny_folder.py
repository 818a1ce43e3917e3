"""A small measured folder for tests: a lamp, a dark, beers of known absorbance, written as text."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np

NM = np.round(np.linspace(400.0, 720.0, 81), 1)
HEADER = ("file", "role", "sample", "pour", "batch", "beer", "measured_at", "integration_ms")


def lamp(nm=NM):
    """Counts per millisecond of a white LED: a blue peak and a broad yellow hump."""
    return 900.0 * np.exp(-(((nm - 450) / 11) ** 2)) + 1100.0 * np.exp(-(((nm - 570) / 75) ** 2)) + 4.0


def beer(ebc, nm=NM, pour=1.0):
    """Reflectance of a beer of a given colour in a 16 mm double path."""
    return 0.008 + 0.98 * 10.0 ** (-ebc / 25 * 1.6 * pour * np.exp(-(nm - 430) / 82.0))


def dark_counts(ms, nm=NM, rng=None):
    """Offset 1000, 5 counts a millisecond, read noise 4."""
    return 1000.0 + 5.0 * ms + (rng.normal(0, 4, nm.size) if rng is not None else 0.0)


def scan_text(nm, counts, header=()):
    """One plain scan file."""
    lines = [*header, "wavelength_nm;counts", *(f"{x:.1f};{y:.0f}" for x, y in zip(nm, counts, strict=True))]
    return "\n".join(lines) + "\n"


def write_sheet(folder: Path, rows: Sequence[Mapping[str, object]], name: str = "scans.csv") -> None:
    columns = list(dict.fromkeys(key for row in rows for key in row))
    lines = [",".join(columns), *(",".join(str(row.get(c, "")) for c in columns) for row in rows)]
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def bare_folder(path, sheet, **files):
    """Write a sheet and files of a few lines, each by its name."""
    path.mkdir(exist_ok=True)
    for name, text in files.items():
        (path / f"{name}.csv").write_text(text, encoding="utf-8")
    (path / "scans.csv").write_text(sheet, encoding="utf-8")
    return path


def tiny_folder(
    folder: Path,
    *,
    beers: Mapping[str, float] | None = None,
    pours: int = 3,
    ms: Mapping[str, float] | None = None,
    change: Callable[[str, np.ndarray], np.ndarray] | None = None,
    rows: Callable[[list[dict]], list[dict]] | None = None,
    batches: bool = True,
    seed: int = 0,
) -> Path:
    """Write a folder of one dark, one reference and `pours` scans a sample.

    `change(file, counts)` may spoil the counts of a file, `rows(rows)` the rows of `scans.csv`; `ms` holds
    integration times of `dark`, `reference`, `sample`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    beers = beers or {"Pale": 8.0, "Amber": 22.0, "Dark": 60.0}
    time = {"dark": 20.0, "reference": 20.0, "sample": 20.0, **(ms or {})}
    rng = np.random.default_rng(seed)
    listed: list[dict] = []

    def write(file, role, reflectance, **more):
        t = time[role]
        counts = dark_counts(t, rng=rng)
        if reflectance is not None:
            light = lamp() * t * reflectance
            counts = counts + light + rng.normal(0, 1, NM.size) * np.sqrt(light / 30.0)
        counts = np.round(counts)
        if change is not None:
            counts = change(file, counts)
        (folder / file).write_text(scan_text(NM, counts), encoding="utf-8")
        minute = len(listed)
        listed.append(
            {"file": file, "role": role, "sample": "", "pour": "", "batch": "", "beer": "", **more}
            | {"measured_at": f"2024-03-12T{8 + minute // 60:02d}:{minute % 60:02d}:00+01:00", "integration_ms": t}
        )

    write("dark.csv", "dark", None)
    write("ref.csv", "reference", np.ones(NM.size))
    for name, ebc in beers.items():
        for k in range(1, pours + 1):
            write(
                f"{name}-{k}.csv", "sample", beer(ebc, pour=1 + rng.normal(0, 0.01)),
                sample=f"{name}-s", pour=f"{name}-p{k}", batch=f"{name}-b", beer=name,
            )  # fmt: skip
    write_sheet(folder, rows(listed) if rows is not None else listed)
    if batches:
        lab = [{"batch": f"{name}-b", "beer": name, "colour": ebc} for name, ebc in beers.items()]
        write_sheet(folder, lab, "batches.csv")
    return folder
