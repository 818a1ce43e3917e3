"""One spectrum as a file gave it, with every decision that was taken while reading it."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from specmatch.array_types import Floats, Mask
from specmatch.errors import OptionError, ScanFileError, UnitError

QUANTITIES = ("counts", "reflectance", "transmittance", "absorbance", "unknown")


@dataclass
class Notes:
    """What was noted while reading, and which of it somebody must look at."""

    every: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)  # those of `every` that somebody must look at

    def add(self, *notes: str) -> None:
        """Note what was decided."""
        self.every += notes

    def doubt(self, *notes: str) -> None:
        """Note what somebody must look at."""
        self.every += notes
        self.doubts += notes

    def join(self, other: "Notes") -> None:
        """Take in the notes of another."""
        self.every += other.every
        self.doubts += other.doubts


@dataclass(frozen=True, eq=False)
class Scan:
    """One spectrum from a file.

    Attributes
    ----------
    scan_id : str
        The file's name, or `name#k` (or its own unique title) where a file holds several spectra.
    wavelength_nm : ndarray, shape (p,)
        Strictly increasing.
    values : ndarray, shape (p,)
        float64; NaN where `missing`. Reflectance and transmittance are fractions.
    quantity : str
        `counts`, `reflectance`, `transmittance`, `absorbance` or `unknown`.
    saturated, missing : ndarray of bool, shape (p,)
        Where the file itself says that the detector was over its range, and where it gives no number.
    meta : mapping of str to str
        The header (and footer), as text.
    notes : tuple of str
        What was decided while reading: encoding, separator, decimal mark, order, unit, and what looked odd.
    scale : str
        How the file writes reflectance or transmittance: `fraction` or `percent`, or `fraction assumed` where it does
        not say and its values fit a fraction only; "" for other quantities.
    open_end : int, optional
        Place of the file's last value where no line end follows it, so that it may be cut there.
    doubts : tuple of str
        Those of `notes` that somebody must look at.

    Examples
    --------
    >>> scan = Scan("pale.csv", np.array([400.0, 500.0]), np.array([0.3, 0.6]), "reflectance")
    >>> bool(scan.missing.any())
    False
    """

    scan_id: str
    wavelength_nm: Floats
    values: Floats
    quantity: str = "unknown"
    saturated: Mask = field(default_factory=lambda: np.zeros(0, bool))
    missing: Mask = field(default_factory=lambda: np.zeros(0, bool))
    meta: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    scale: str = ""
    open_end: int | None = None
    doubts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "meta", MappingProxyType(dict(self.meta)))
        for name in ("saturated", "missing"):
            if getattr(self, name).size == 0:
                object.__setattr__(self, name, np.zeros(self.values.size, bool))
        for name in ("wavelength_nm", "values", "saturated", "missing"):
            getattr(self, name).flags.writeable = False

    def as_reflectance(self) -> "Scan":
        """Return this scan as reflectance, turning absorbance `A` into `10**-A` because the caller asks for it.

        Returns
        -------
        Scan

        Raises
        ------
        UnitError
            If the scan holds counts, transmittance or an unknown quantity.

        Examples
        --------
        >>> scan = Scan("a", np.array([400.0, 500.0]), np.array([1.0, 0.0]), "absorbance")
        >>> scan.as_reflectance().values.round(6).tolist()
        [0.1, 1.0]
        """
        if self.quantity == "reflectance":
            return self
        if self.quantity != "absorbance":
            raise UnitError(
                f"scan {self.scan_id!r} holds {self.quantity}, which is not reflectance and cannot be turned into it; "
                "measure counts in a folder with dark and reference scans, or name the quantity with quantity=..."
            )
        note = "absorbance A turned into reflectance 10**-A on request"
        return replace(self, values=10.0**-self.values, quantity="reflectance", notes=(*self.notes, note))


@contextmanager
def told_of(place: str) -> Iterator[None]:
    """Put a place, a file or a block of it, in front of what errors say of a text: `a.csv, line 3: ...`."""
    try:
        yield
    except (ScanFileError, UnitError, OptionError) as error:
        said = str(error)
        error.args = (f"{place}{', ' if said.startswith(('line ', 'block ')) else ': '}{said}",)
        raise
