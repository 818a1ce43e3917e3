"""A correction of colour that a validation offers: bound to where it was seen, and never applied unasked."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtri

from specmatch.errors import ModelFileError
from specmatch.maths.regression.conformal import widen_limits
from specmatch.storage import path_of, write_atomic
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.house.house_model import HouseModel

MOST_NAMED = 6
FORMAT = 2  # 1 was bound to no colours and no beers: a file of it is refused


@dataclass(frozen=True)
class ColourCorrection:
    """log corrected colour = log colour - shift - slope x (log colour - centre), for the beers and colours it names."""

    shift: float  # shift, slope: drawn to zero by their own uncertainty
    slope: float
    centre: float
    # shift_sd, slope_sd: standard uncertainties and what was drawn to zero, which corrected intervals carry
    shift_sd: float
    slope_sd: float
    lowest: float  # lowest, highest: the colours that it was seen at
    highest: float
    beers: tuple[str, ...]
    instrument: str  # instrument, lab: "" where the new batches stated none
    lab: str
    n_batches: int  # new batches behind it
    batches_hash: str  # SHA-256 over their names, lab values and readings
    set_name: str  # set_name, set_hash: the reference set of the model that it corrects; any refit ends it
    set_hash: str

    @property
    def version(self) -> str:
        """Twelve digits of the hash over everything that the correction says: another content, another version."""
        return hashlib.sha256(self._text().encode()).hexdigest()[:12]

    def sentence(self, unit: str) -> str:
        """Say what it does, and where."""
        middle = float(np.exp(self.centre))
        only = "".join(f", {what} {name}" for what, name in (("module", self.instrument), ("lab", self.lab)) if name)
        return (
            f"correction {self.version}: colours x {np.exp(-self.shift):.4f} at {middle:.1f} {unit}, from "
            f"{self.lowest:.1f} to {self.highest:.1f} {unit}, for {names_or_number(self.beers)}{only}; it ends with "
            "the next refit"
        )

    def apply(
        self, readings: pd.DataFrame, house: HouseModel, *, coverage: float | None = None, lab: str | None = None
    ) -> pd.DataFrame:
        """Return readings of which each says whether it was corrected.

        Others than those of its colours, beers, module and lab stay as they are.
        """
        # coverage, lab: as they were given to `house.read`
        fit = house.fitted.colour
        if house.fitted.set_hash != self.set_hash or fit is None:
            raise ModelFileError(
                f"the correction {self.version} was made for a model of set {self.set_name!r} ({self.set_hash[:12]}), "
                f"this model was fitted on {house.fitted.set_name!r} ({house.fitted.set_hash[:12]}); a correction ends "
                "with the next refit: validate this model anew"
            )
        told = fit.labs.labs if fit.labs is not None and fit.labs.labs else ()
        other_lab = bool(told) and (lab or told[0]) != (self.lab or told[0])
        colour = readings["colour"].to_numpy(float)
        held = np.array(
            [beer in cell for beer, cell in zip(readings["nearest_beer"], readings["plausible_beers"], strict=True)]
        )
        own = held & readings["nearest_beer"].isin(self.beers) & (readings["instrument"].astype(str) == self.instrument)
        chosen = own.to_numpy(bool) & (colour >= self.lowest) & (colour <= self.highest) & (not other_lab)
        along = np.log(colour, out=np.zeros_like(colour), where=chosen) - self.centre
        by = np.exp(-np.where(chosen, self.shift + self.slope * along, 0.0))
        reach = float(ndtri(0.5 + (house.coverage if coverage is None else coverage) / 2.0))
        extra = np.where(chosen, reach * np.hypot(self.shift_sd, self.slope_sd * along), 0.0)
        corrected = readings.copy()
        corrected["colour"] = colour * by
        low, high = (readings[column].to_numpy(float) for column in ("colour_low", "colour_high"))
        lower, higher = widen_limits(colour, low, high, extra)
        corrected["colour_low"] = np.where(chosen, lower, low) * by
        corrected["colour_high"] = np.where(chosen, higher, high) * by
        if "colour_without_fault" in readings:
            corrected["colour_without_fault"] = readings["colour_without_fault"].to_numpy(float) * by
        said = np.where(chosen, f", corrected {self.version}", f", outside correction {self.version}")
        corrected["interval_method"] = readings["interval_method"].astype(str) + said
        return corrected

    def save(self, path: str | Path) -> None:
        """Write the correction as a small JSON document."""
        content = {**json.loads(self._text()), "version": self.version}
        write_atomic(Path(path), (json.dumps(content, sort_keys=True, indent=2) + "\n").encode())

    @classmethod
    def load(cls, path: str | Path) -> ColourCorrection:
        """Read a correction."""
        try:
            content = json.loads(path_of(path).read_text(encoding="utf-8"))
            made_for = int(content["format"])
            if made_for != FORMAT:
                way_out = "update it" if made_for > FORMAT else "validate the model anew"
                raise ModelFileError(f"{path}: format {made_for}; this version reads format {FORMAT}: {way_out}")
            found = cls(**{one.name: content[one.name] for one in fields(cls)} | {"beers": tuple(content["beers"])})
            numbers = np.array([getattr(found, one.name) for one in fields(cls) if one.type == "float"], float)
        except ModelFileError:
            raise
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise ModelFileError(f"{path}: no colour correction could be read ({error})") from error
        if content.get("version") != found.version:
            raise ModelFileError(
                f"{path}: the content does not match its version {content.get('version')}; it was changed"
            )
        if not np.isfinite(numbers).all() or found.slope >= 1.0:
            raise ModelFileError(f"{path}: shift {found.shift} and slope {found.slope} correct nothing")
        return found

    def _text(self) -> str:
        return json.dumps({"format": FORMAT, **asdict(self)}, sort_keys=True, indent=2)


def names_or_number(beers: Sequence[str]) -> str:
    """Name a few beers, count many."""
    return ", ".join(beers) if len(beers) <= MOST_NAMED else counted(len(beers), "beer")


def batches_digest(compared: pd.DataFrame) -> str:
    """Return the hash over names, lab values and readings of batches."""
    rows = compared[["lab", "colour"]].sort_index().to_csv(float_format="%.9g", lineterminator="\n")
    return hashlib.sha256(rows.encode()).hexdigest()


def drawn_to_zero(value: float, bound: float) -> float:
    """Return an effect shrunk by what chance alone may give: value (1 - bound^2 / value^2), 0 within the bound.

    The garrote of L. Breiman, Technometrics 37:373-384, 1995 (from memory): an effect that was just seen is mostly the
    luck by which it was seen, a large one stays as it is.
    """
    return value * max(0.0, 1.0 - (bound / value) ** 2) if value else 0.0
