"""One sample judged for the line, alone and with the pours kept of its run; and lots judged by their packages."""
# What the journal holds of a scan file is judged again where the file's sheet or claim was mended since. Nothing is
# overwritten: such a judgement is a new entry, which names the one that it replaces.

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.errors import UnknownBeerError
from specmatch.house.decision.decision import CLAIM_ADVICE, check_claims, refuse_unknown_claim
from specmatch.house.decision.specification import Specification, day_of
from specmatch.house.fitting.fitted import plain_text
from specmatch.house.house_model import HouseModel
from specmatch.house.reading.readings import READING_COLUMNS
from specmatch.house.reading.samples import PARTS, parts_by_module
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.rules.controls import CONTROL_HOURS
from specmatch.line.rules.run_rule import READING, RETEST, Judged, Pooled, newest_review
from specmatch.maths.classification.evidence import ANOTHER
from specmatch.measurement.folder.columns import SCAN_COLUMNS
from specmatch.measurement.session import Session
from specmatch.spectra import tidy_name
from specmatch.storage import sha256_of
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN, WARNING_CODES
from specmatch.wording import counted

CONTROL, LEFT_OUT, PUT_RIGHT, REFERENCE = "control", "left_out", "put_right", "reference"
WRONG_CLAIM = "wrong claim"
# what a sheet states of a scan file and an answer may rest on
_STATED = tuple(column for column in SCAN_COLUMNS if column != "file")
# ... and what of a dark or a reference reaches the scans that are read over it
LIGHT = ("dark", "reference")
_STATED_OF_LIGHT = frozenset(
    {"role", "measured_at", "integration_ms", "instrument", "session", "reference_kind", "lamp", "base"}
)
# of a hash: two rows of one file are told apart, nobody is to be kept from forging one
_DIGITS = 16


@dataclass(frozen=True)
class Standing:
    """What the journal holds of one scan file."""

    entry: int | None = None  # the newest entry on these bytes under this name
    again: bool = False  # whether it is to be judged again
    kind: str = ""  # of the entry


def stated_of(rows: pd.DataFrame) -> dict[str, str]:
    """Return a short hash of what the sheet states of each scan file, by its path; blank cells state nothing."""
    columns = [column for column in _STATED if column in rows]
    cells = [rows[column].tolist() for column in columns]
    found: dict[str, str] = {}
    for file, *row in zip(rows["file"].tolist(), *cells, strict=True):
        said = [f"{name}={cell}" for name, cell in zip(columns, row, strict=True) if not (cell == "" or pd.isna(cell))]
        if f"role={LIGHT[0]}" in said or f"role={LIGHT[1]}" in said:
            said = [one for one in said if one.partition("=")[0] in _STATED_OF_LIGHT]
        found[file] = sha256_of("\n".join(said).encode())[:_DIGITS]
    return found


def with_bytes(stated: Mapping[str, str], lights: Mapping[str, str]) -> dict[str, str]:
    """Add to what is stated of darks and references what their files hold, by the SHA-256 of each path."""
    added = {
        path: f"{stated[path].partition('+')[0]}+{sha[:_DIGITS]}" for path, sha in lights.items() if path in stated
    }
    return {**stated, **added}


def _is_mended(said: str, now: str | None) -> bool:
    # zip: an older entry holds the row alone, and a file that was put away says nothing of its bytes
    return now is None or any(a != b for a, b in zip(said.split("+"), now.split("+"), strict=False))


def standing_of(
    journal: Journal, path: str, sha256: str, stated: Mapping[str, str] | None, *, claim: str | None
) -> Standing:
    """Return what the journal holds of a scan file, and whether that must be judged again."""
    # stated: of the files that the sheet lists now; None where no sheet is there. claim: the one given for all samples
    entries = [entry for name, entry in journal.entries_of(sha256) if name == path]
    if not entries:
        return Standing()
    row = journal.entry(entries[-1])
    return Standing(entries[-1], _again(journal, row, stated, claim), row["kind"])


def _again(journal: Journal, row: Record, stated: Mapping[str, str] | None, claim: str | None) -> bool:
    if row["kind"] == LEFT_OUT:
        return True
    if row["kind"] not in (READING, RETEST, CONTROL, REFERENCE):
        return False
    if journal.query("SELECT 1 FROM entries WHERE replaces = ? LIMIT 1", (row["entry"],)):
        return True  # what took its place left this file out
    if stated is not None and any(_is_mended(said, stated.get(path)) for path, said in row.get("stated", {}).items()):
        return True
    if claim is None or row["kind"] in (CONTROL, REFERENCE) or tidy_name(row.get("claimed")) == claim:
        return False
    # whether a person has said of the entry, or of its run, that the claim was wrong
    return (newest_review(journal, row["entry"], row.get("concerns")) or {}).get("outcome") == WRONG_CLAIM


def left_out_before(journal: Journal, path: str) -> list[int]:
    """Return the entries that leave a file of this name out and that nothing has replaced, oldest first."""
    found = journal.query(
        "SELECT e.entry FROM entries e, json_each(e.scan_files) f WHERE e.kind = ? AND f.key = ? "
        "AND NOT EXISTS (SELECT 1 FROM entries later WHERE later.replaces = e.entry) ORDER BY e.entry",
        (LEFT_OUT, path),
    )
    return [entry for (entry,) in found]


def changed_since(old: Record, new: Record) -> dict[str, list[object]]:
    """Return what a new entry states otherwise than the one that it replaces: name -> old and new."""
    names = ("claimed", "lot", "sample", "operator", "instrument", "measured_at", "material", "material_lot",
             "model_hash")  # fmt: skip
    return {name: [old.get(name), new.get(name)] for name in names if old.get(name) != new.get(name)}


# reflectance is good to four figures; seven keep a record exact and short
DIGITS = 7


@dataclass(frozen=True)
class LineSetting:
    """What a line judges by."""

    house: HouseModel
    model_hash: str  # SHA-256 of the model file
    specification: Specification = Specification()
    line: str = ""  # line, operator: "" where not given
    operator: str = ""
    claim: str | None = None  # beer or label that every sample is said to be; None leaves it to the sheet
    control_hours: float = CONTROL_HOURS  # how long a control vouches for the line; 0 asks for none
    second_name: bool = False  # whether a review takes a second name
    in_force: int | None = None  # entry that says which model, set and limits are judged by, and who put them in force

    @property
    def basis(self) -> Record:
        """The set, the rates and the limits that decisions rest on, as the record names them."""
        fitted, house = self.house.fitted, self.house
        return {
            "set_name": fitted.set_name, "set_hash": fitted.set_hash, "coverage": house.coverage,
            "false_reject_rate": house.false_reject_rate, "specification_hash": self.specification.hash,
        }  # fmt: skip

    @property
    def documents(self) -> list[tuple[str, str, str]]:
        """The texts that the basis names by their hash."""
        sheets = self.specification
        return [(sheets.hash, "specification", sheets.text)] if sheets.hash else []


def part_of(session: Session, scan_ids: Sequence[str], more_checks: pd.DataFrame | None = None) -> Session:
    """Return a session of some of its scans, with their checks."""
    ids = pd.Index(scan_ids, dtype=object)
    checks = session.checks if more_checks is None else pd.concat([session.checks, more_checks], ignore_index=True)
    return replace(
        session,
        spectra=session.spectra.loc[ids],
        scans=session.scans.loc[ids],
        checks=checks[checks["scan_id"].isin(set(ids))],
    )


def verify_folder(
    house: HouseModel, session: Session, specification: Specification, *, lab: str | None = None
) -> pd.DataFrame:
    """Verify the claims of a folder; a sample whose claim nobody knows is held, the others are judged."""
    claims = session.claims
    labels = specification.label_names
    known = claims.isin([*house.beers_, *labels])
    table = house.verify(session, claimed=claims[known], specification=specification, lab=lab)
    for sample, claim in claims[~known].items():
        try:
            check_claims({sample: claim}, pd.Index([sample]), house.beers_, labels=labels)
        except UnknownBeerError as error:
            told = {"claimed": claim, "decision": HOLD, "reason": str(error), "advice": CLAIM_ADVICE}
            table.loc[sample, list(told)] = list(told.values())
    return table


def judge_sample(setting: LineSetting, sample: Session, claim: str | None, on: date | None) -> Judged:
    """Judge the one sample of a session on its own."""
    try:
        if claim is not None:
            setting.specification.beers_of(claim, on)
        row = _verify(setting, sample, None, claim, on)
    except UnknownBeerError as error:
        # nobody knows what is to be judged, but the scan and its reading must not be lost
        row = setting.house.read(sample).iloc[0]
        reading = reading_record(row)
        return Judged(reading, HOLD, str(error), CLAIM_ADVICE, (), False, {}, stops=True)
    bad_pours = set(sample.scans["pour"][sample.scans.index.isin(_faulty(sample.checks))])
    good = sample.scans.index[~sample.scans["pour"].isin(bad_pours)]
    faults = tuple(code for code in row["warnings"] if WARNING_CODES[code].effect == RESCAN)
    stops = any(WARNING_CODES[code].effect == HOLD for code in row["warnings"]) and claim is not None
    departs = row["decision"] == HOLD and not stops
    if faults and claim is not None and len(good):
        # a fault in one pour does not excuse the others: they are judged, and kept if they depart
        departs = _verify(setting, part_of(sample, list(good)), None, claim, on)["decision"] == HOLD
    decision = None if pd.isna(row["decision"]) else str(row["decision"])
    kept = {} if stops else kept_mean(sample.spectra.loc[good], sample.scans.loc[good])
    stops = stops and decision == HOLD
    return Judged(reading_record(row), decision, row["reason"], row["advice"], faults, bool(departs), kept, stops)


def _faulty(checks: pd.DataFrame) -> set[str]:
    return set(checks["scan_id"][[WARNING_CODES[code].effect == RESCAN for code in checks["code"]]])


def judge_pooled(
    setting: LineSetting, parts: Sequence[Record], since: int, claim: str, on: date | None
) -> Pooled | None:
    """Judge the pours of a run together, and those since a departure on their own."""
    kept = [part for part in parts if part.get("n_pours")]
    # pours of two modules are not averaged: those of the one that measured last are judged
    kept = [part for part in kept if part.get("module") == kept[-1].get("module")]
    late = [part for part in kept if part.get("entry", since) >= since]
    if not late:
        return None
    spectra, scans = _as_pours(kept)
    # in a retest no pour is left out for being at odds with the others: that would be taking the best of several
    row = _verify(setting, spectra, scans, claim, on, every_pour=True)
    departs = row["decision"] == HOLD
    whole = Judged(reading_record(row), str(row["decision"]), row["reason"], row["advice"], (), departs, {})
    (part,) = parts_by_module(setting.house.fitted, *_as_pours(late), every_pour=True)
    fitted, means = part.fitted, part.samples.averages
    p_values = fitted.identity.match(means.reflectance, means.counts).p_value[0]
    since_p = max(float(p_values[fitted.beers.index(beer)]) for beer in setting.specification.beers_of(claim, on))
    return Pooled(whole, since_p, sum(part["n_pours"] for part in late), setting.house.false_reject_rate)


def reading_record(row: pd.Series) -> Record:
    """Return the columns of a reading as JSON holds them: no infinity, no NaN, lists for tuples."""
    return {column: _plain(row[column]) for column in READING_COLUMNS if column in row.index}


def _plain(value: Any) -> Any:
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return value if value is None else str(value)


def _verify(
    setting: LineSetting, spectra: Any, scans: pd.DataFrame | None, claim: str | None, on: date | None, *,
    every_pour: bool = False,
) -> pd.Series:  # fmt: skip
    table = setting.house.verify(
        spectra, claimed={} if claim is None else claim, scans=scans, specification=setting.specification, on=on,
        every_pour=every_pour,
    )  # fmt: skip
    return table.iloc[0]


def kept_mean(spectra: pd.DataFrame, scans: pd.DataFrame) -> Record:
    """Return the mean of pours as the journal keeps it for a retest, with its filling and its module."""
    # spectra (n, p)
    if spectra.empty:
        return {}
    codes, names = pd.factorize(scans["pour"].to_numpy(dtype=object))
    means = [spectra.to_numpy(float)[codes == code].mean(axis=0) for code in range(len(names))]
    return {
        "n_pours": len(names),
        "wavelength_nm": [float(nm) for nm in spectra.columns],
        "reflectance": [None if np.isnan(v) else round(float(v), DIGITS) for v in np.mean(means, axis=0)],
        "filling": _filling(scans),
        "module": {name: plain_text(scans[name].iloc[0]) for name in ("instrument", *PARTS) if name in scans.columns},
    }


def _filling(scans: pd.DataFrame) -> Record:
    """Return what is stated of the filling: the mean of volumes, and the cup where it is one."""
    found: Record = {}
    for name in ("fill_ml", "cup_mm"):
        if name in scans and scans[name].notna().all():
            found[name] = float(scans[name].astype(float).mean())
    if "cup" in scans and scans["cup"].nunique() == 1:
        found["cup"] = str(scans["cup"].iloc[0])
    return found


def _as_pours(parts: Sequence[Record]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Means written out as often as they have pours, so that mean and number of pours of the run come out right."""
    grid = np.array(parts[0]["wavelength_nm"])
    rows = [_on(grid, part) for part in parts for _ in range(part["n_pours"])]
    names = [str(i) for i in range(len(rows))]
    filled = [part.get("filling") or {} for part in parts for _ in range(part["n_pours"])]
    scans = pd.DataFrame({"pour": names, "sample": "run"}, index=names)
    scans = scans.join(pd.DataFrame(filled, index=names))
    scans = scans.assign(**(parts[0].get("module") or {}))
    return pd.DataFrame(rows, index=names, columns=grid), scans


def _on(grid: Floats, part: Record) -> Floats:
    nm = np.array(part["wavelength_nm"])
    values = np.array([np.nan if v is None else v for v in part["reflectance"]])
    # an instrument was changed in the middle of a run: its scans are brought to the first one's wavelengths
    return values if np.array_equal(nm, grid) else np.interp(grid, nm, values, left=np.nan, right=np.nan)


LOT_COLUMNS = ("claimed", "decision", "n_packages", "rival", "reason")


def judge_lots(
    house: HouseModel, session: Session, claim: str | None, specification: Specification, *, wrong_hold: float,
    wrong_pass: float,
) -> pd.DataFrame:  # fmt: skip
    """Return a row a lot: each pour of it is a package, in the order of the sheet; without a lot a sample is one."""
    checks, scans = session.checks, session.scans
    spoilt = _faulty(checks)
    stated = scans["batch"] if "batch" in scans else pd.Series("", scans.index)
    lots = stated.where(stated.astype(str) != "", scans["sample"])
    rows: dict[str, tuple[str, str | None, int, str, str]] = {}
    for lot, own in scans.groupby(lots, sort=False):
        good = own[~own.index.isin(spoilt)]
        claims = [claim] if claim else sorted(set(session.claims.reindex(own["sample"].unique()).dropna()) - {""})
        said = ""
        if len(good) < len(own):
            said = f"{counted(len(own) - len(good), 'scan')} not fit to be judged left out; "
        if len(claims) != 1:
            why = "no claim was made: a reading only" if not claims else "its samples bear several claims"
            rows[str(lot)] = (", ".join(claims), HOLD if claims else None, 0, "", said + why)
        elif good.empty:
            rows[str(lot)] = (claims[0], RESCAN, 0, "", said + "no package is left: measure again")
        else:
            rows[str(lot)] = _judged(house, session, good, claims[0], said, specification, (wrong_hold, wrong_pass))
    return pd.DataFrame.from_dict(rows, orient="index", columns=list(LOT_COLUMNS)).rename_axis("lot")


def _judged(
    house: HouseModel, session: Session, scans: pd.DataFrame, claim: str, said: str, specification: Specification,
    rates: tuple[float, float],
) -> tuple[str, str | None, int, str, str]:  # fmt: skip
    try:
        refuse_unknown_claim(claim, house.beers_, specification.label_names, said="the lot is claimed to be")
        first = scans["measured_at"].iloc[0] if "measured_at" in scans else ""
        beers = specification.beers_of(claim, day_of(first))
    except UnknownBeerError as error:
        return claim, HOLD, 0, "", f"{said}{error}"
    if len(beers) > 1:
        several = f"the label {claim} may hold {', '.join(beers)}, and packages are judged for one beer: claim that one"
        return claim, HOLD, 0, "", said + several
    step = house.next_package(
        session.spectra.loc[scans.index], beers[0], scans, wrong_hold=rates[0], wrong_pass=rates[1],
        specification=specification,
    )  # fmt: skip
    rival = house.beers_[step.rival] if len(house.beers_) > 1 else ""
    undecided = (
        f"undecided at package {step.n_packages}, {rival} not ruled out: {step.stated_undecided:.1%} of right lots of "
        f"{claim} end so, {step.stated_hold:.1%} are held in all"
    )
    together = f"together not typical of {claim}, or not to be told from {rival or 'others'}"
    why = {
        CONSISTENT: f"typical of {claim}" + (f", and {rival} is ruled out" if rival else ""),
        HOLD: undecided if step.undecided else together,
        ANOTHER: "take another package: these do not suffice yet",
    }[step.decision]
    return claim, step.decision, step.n_packages, rival, said + (step.reason or why)
