"""The whole road once: raw scans, reference set, house model, a shift at the line; every file is left to look at."""

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from specmatch.demo.brewery import DEFAULT_SEED, Brewery, write_brewery, write_shift
from specmatch.demo.folders import INVENTED
from specmatch.errors import MissingExtraError, StorageError
from specmatch.house.assessment.evaluation import Evaluation, evaluate
from specmatch.house.house_model import HouseModel
from specmatch.measurement.session import Session, measure
from specmatch.reference.build import build_set
from specmatch.reference.reference_set import ReferenceSet
from specmatch.report.pages.model_page import model_page
from specmatch.report.plots.style import need_matplotlib
from specmatch.storage import sha256_of, write_atomic

SET_NAME = "demo brewery (invented)"
MARK = "INVENTED.txt"
# what a tour leaves behind, and all that a later one may clear away
YEAR, SET, MODEL, SHIFT = "year", "set", "house.model", "shift"
READINGS, ANSWERS, PAGE = "shift_readings.csv", "shift_answers.csv", "shift.html"
_OWN = (YEAR, SET, MODEL, SHIFT, READINGS, ANSWERS, PAGE)


@dataclass(frozen=True)
class Tour:
    """What one tour found."""

    folder: Path  # where everything was written
    evaluation: Evaluation  # how good the model is with batches held out
    readings: pd.DataFrame  # the shift verified: a row a sample
    # readings of the sealed dye over the year and at the start of the shift: `when` and the reading's columns
    controls: pd.DataFrame
    answers: pd.DataFrame  # what was really in the cups; nothing that judged them has seen it
    left_out: pd.DataFrame  # what did not enter the set, with reasons


def run_tour(
    folder: str | Path, *, seed: int = DEFAULT_SEED, n_batches: int = 10, tell: Callable[[str], None] = lambda _: None
) -> Tour:
    """Invent a brewery, build its set and model, and verify a shift at its packaging line."""
    folder = Path(folder)
    _clear(folder)
    tell("inventing a brewery and writing its raw scans")
    write_brewery(folder / YEAR, seed=seed, n_batches=n_batches)
    year = measure(folder / YEAR)
    refs, left_out = make_set(year)
    refs.save(folder / SET)
    house = HouseModel().fit(refs)
    house.save(folder / MODEL)
    evaluation = evaluate(house, refs)
    tell("verifying a shift at the packaging line")
    answers = write_shift(folder / SHIFT, Brewery(seed))
    shift = measure(folder / SHIFT)
    readings = house.verify(shift)
    controls = pd.concat([house.read(year.controls).assign(when=YEAR), house.read(shift.controls).assign(when=SHIFT)])
    write_atomic(folder / READINGS, _csv(readings))
    write_atomic(folder / ANSWERS, _csv(answers))
    _write_page(folder, house, shift, readings, tell)
    return Tour(folder, evaluation, readings, controls, answers, left_out)


def _write_page(
    folder: Path, house: HouseModel, shift: Session, readings: pd.DataFrame, tell: Callable[[str], None]
) -> None:
    try:
        need_matplotlib()
    except MissingExtraError:
        tell("no page is drawn: matplotlib, of the extra plot, is not installed")
        return
    tell("drawing the page of the shift")
    page = model_page(house, model_hash=sha256_of(folder / MODEL), session=shift, verified=readings)
    write_atomic(folder / PAGE, page.encode("utf-8"))


def make_set(year: str | Path | Session) -> tuple[ReferenceSet, pd.DataFrame]:
    """Make the reference set of the brewery's year, the one that is published."""
    built, left_out = build_set([year], unit="EBC", name=SET_NAME)
    refs = ReferenceSet(
        built.spectra, built.scans, built.batches, name=SET_NAME, colour_unit=built.colour_unit,
        band_nm=built.band_nm, reference_kind=built.reference_kind, licence="CC0-1.0",
    )  # fmt: skip
    return refs, left_out


def control_line(controls: pd.DataFrame) -> str:
    """Say how the control of the shift compares with those of the year."""
    year, shift = (controls.loc[controls["when"] == when, "colour"] for when in (YEAR, SHIFT))
    within = year.min() <= shift.mean() <= year.max()
    return (
        f"Control (a sealed dye, no beer) at the start of the shift: {shift.mean():.1f} "
        f"{controls['colour_unit'].iloc[0]}, {'within' if within else 'OUTSIDE'} the {year.min():.1f} to "
        f"{year.max():.1f} of its {len(year)} scans of the year."
    )


def _clear(folder: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        if not (folder / MARK).is_file():
            raise StorageError(
                f"{folder} exists and was not written by this demo; name another folder with --out, or remove it"
            )
        for name in _OWN:
            path = folder / name
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink(missing_ok=True)
    folder.mkdir(parents=True, exist_ok=True)
    write_atomic(folder / MARK, INVENTED.encode())


def _csv(table: pd.DataFrame) -> bytes:
    """Tuples become text with `;` between, unbounded limits stay empty."""
    flat = table.map(lambda value: ";".join(map(str, value)) if isinstance(value, tuple) else value)
    return flat.replace([float("inf"), float("-inf")], float("nan")).to_csv(lineterminator="\n").encode()
