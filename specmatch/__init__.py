"""specmatch: match reflectance spectra of beer to a brewery's own past batches.

Public names load on first use, so that importing the package costs next to nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

# name -> module that holds it; a module of the same name as its own value (`colour`) is the module itself
_PUBLIC = {
    "measure": "specmatch.measurement.session",
    "Session": "specmatch.measurement.session",
    "read_scans": "specmatch.measurement.files",
    "Scan": "specmatch.measurement.files",
    "ReferenceSet": "specmatch.reference.reference_set",
    "HouseModel": "specmatch.house.house_model",
    "evaluate": "specmatch.house.evaluation",
    "ColourRegressor": "specmatch.models.colour_regressor",
    "BeerMatcher": "specmatch.models.beer_matcher",
    "Applicability": "specmatch.models.applicability",
    "WARNING_CODES": "specmatch.warning_codes",
    "SpecmatchError": "specmatch.errors",
    "MissingGroupsWarning": "specmatch.errors",
}
_ROOMS = ("colour", "errors")

__all__ = [*_PUBLIC, *_ROOMS, "__version__"]  # noqa: PLE0604

if TYPE_CHECKING:
    from specmatch import colour as colour
    from specmatch import errors as errors
    from specmatch.errors import MissingGroupsWarning as MissingGroupsWarning
    from specmatch.errors import SpecmatchError as SpecmatchError
    from specmatch.house.evaluation import evaluate as evaluate
    from specmatch.house.house_model import HouseModel as HouseModel
    from specmatch.measurement.files import Scan as Scan
    from specmatch.measurement.files import read_scans as read_scans
    from specmatch.measurement.session import Session as Session
    from specmatch.measurement.session import measure as measure
    from specmatch.models.applicability import Applicability as Applicability
    from specmatch.models.beer_matcher import BeerMatcher as BeerMatcher
    from specmatch.models.colour_regressor import ColourRegressor as ColourRegressor
    from specmatch.reference.reference_set import ReferenceSet as ReferenceSet
    from specmatch.warning_codes import WARNING_CODES as WARNING_CODES


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        value = getattr(import_module(_PUBLIC[name]), name)
    elif name in _ROOMS:
        value = import_module(f"specmatch.{name}")
    else:
        raise AttributeError(f"module 'specmatch' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
