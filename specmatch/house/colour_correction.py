"""A slope and bias correction of colour: offered by a validation, kept with its origin, never applied unasked."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.errors import ModelFileError
from specmatch.storage import write_atomic

if TYPE_CHECKING:
    from specmatch.house.house_model import HouseModel

FORMAT = 1
_FIELDS = ("slope", "shift", "n_batches", "batches_hash", "set_name", "set_hash")


@dataclass(frozen=True)
class ColourCorrection:
    """log corrected colour = shift + slope x log colour.

    Attributes
    ----------
    slope, shift : float
    n_batches : int
        New batches behind it.
    batches_hash : str
        SHA-256 over their names, lab values and readings.
    set_name, set_hash : str
        The reference set of the model that it corrects.
    """

    slope: float
    shift: float
    n_batches: int
    batches_hash: str
    set_name: str
    set_hash: str

    @property
    def version(self) -> str:
        """Twelve digits of the hash over everything that the correction says: another content, another version."""
        return hashlib.sha256(self._text().encode()).hexdigest()[:12]

    @classmethod
    def offered(cls, house: HouseModel, compared: pd.DataFrame, *, slope: float, shift: float) -> ColourCorrection:
        """Return a correction with its origin; `compared` has `lab` and `colour` by batch."""
        rows = compared[["lab", "colour"]].sort_index().to_csv(float_format="%.9g", lineterminator="\n")
        digest = hashlib.sha256(rows.encode()).hexdigest()
        f = house.fitted
        return cls(slope, shift, len(compared), digest, f.set_name, f.set_hash)

    def apply(self, readings: pd.DataFrame, house: HouseModel) -> pd.DataFrame:
        """Return corrected readings that say so.

        Parameters
        ----------
        readings : DataFrame
            As `HouseModel.read` gives them, in the model's unit.
        house : HouseModel
            The model that they come from.

        Returns
        -------
        DataFrame
            `colour`, `colour_low` and `colour_high` corrected, the version in `interval_method`.

        Raises
        ------
        ModelFileError
            If the correction was made for a model of another reference set.

        Examples
        --------
        >>> compared = pd.DataFrame({"lab": [6.6], "colour": [6.7]}, index=["MP-1-001"])
        >>> doubled = ColourCorrection.offered(house, compared, slope=1.0, shift=float(np.log(2.0)))
        >>> readings = house.read(session)
        >>> (doubled.apply(readings, house)["colour"] / readings["colour"]).round(6).tolist()
        [2.0, 2.0, 2.0]
        """
        if house.fitted.set_hash != self.set_hash:
            raise ModelFileError(
                f"the correction {self.version} was made for a model of set {self.set_name!r} "
                f"({self.set_hash[:12]}), this model was fitted on {house.fitted.set_name!r} "
                f"({house.fitted.set_hash[:12]}); validate this model anew"
            )
        corrected = readings.copy()
        with np.errstate(divide="ignore"):  # a lower limit of 0 stays 0
            for column in ("colour", "colour_low", "colour_high"):
                corrected[column] = np.exp(self.shift + self.slope * np.log(readings[column].astype(float)))
        corrected["interval_method"] = readings["interval_method"].astype(str) + f", corrected {self.version}"
        return corrected

    def save(self, path: str | Path) -> None:
        """Write the correction as a small JSON document.

        Parameters
        ----------
        path : str or Path

        Raises
        ------
        StorageError
            If the file cannot be written.
        """
        content = {**json.loads(self._text()), "version": self.version}
        write_atomic(Path(path), (json.dumps(content, sort_keys=True, indent=2) + "\n").encode())

    @classmethod
    def load(cls, path: str | Path) -> ColourCorrection:
        """Read a correction.

        Parameters
        ----------
        path : str or Path

        Returns
        -------
        ColourCorrection

        Raises
        ------
        ModelFileError
            If the file is missing, damaged, or of a later format.
        """
        try:
            content = json.loads(Path(path).read_text(encoding="utf-8"))
            found = cls(**{name: content[name] for name in _FIELDS})
            made_for = int(content["format"])
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise ModelFileError(f"{path}: no colour correction could be read ({error})") from error
        if made_for > FORMAT:
            raise ModelFileError(f"{path}: format {made_for}; this version reads up to {FORMAT}: update it")
        if content.get("version") != found.version:
            raise ModelFileError(
                f"{path}: the content does not match its version {content.get('version')}; it was changed"
            )
        if not (np.isfinite(found.slope) and np.isfinite(found.shift) and found.slope > 0):
            raise ModelFileError(f"{path}: slope {found.slope} and shift {found.shift} correct nothing")
        return found

    def _text(self) -> str:
        content = {"format": FORMAT, **{name: getattr(self, name) for name in _FIELDS}}
        return json.dumps(content, sort_keys=True, indent=2)
