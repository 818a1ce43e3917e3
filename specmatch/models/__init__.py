"""Estimators and transformers that keep scikit-learn's contract: thin shells over `specmatch.maths`.

They load on first use, because reading with a fitted model never imports scikit-learn.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from specmatch.models.old_names import NEW_NAMES, new_name

# name -> module that holds it
_PUBLIC = {
    "ColourRegressor": "specmatch.models.colour_regressor",
    "BeerMatcher": "specmatch.models.beer_matcher",
    "Applicability": "specmatch.models.applicability",
    "Absorbance": "specmatch.models.preprocessing",
    "StandardNormalVariate": "specmatch.models.preprocessing",
    "MultiplicativeScatterCorrection": "specmatch.models.preprocessing",
    "SavitzkyGolay": "specmatch.models.preprocessing",
    "SavitzkyGolayDerivative": "specmatch.models.preprocessing",
}

__all__ = [*_PUBLIC]  # noqa: PLE0604

if TYPE_CHECKING:
    from specmatch.models.applicability import Applicability as Applicability
    from specmatch.models.beer_matcher import BeerMatcher as BeerMatcher
    from specmatch.models.colour_regressor import ColourRegressor as ColourRegressor
    from specmatch.models.preprocessing import Absorbance as Absorbance
    from specmatch.models.preprocessing import MultiplicativeScatterCorrection as MultiplicativeScatterCorrection
    from specmatch.models.preprocessing import SavitzkyGolay as SavitzkyGolay
    from specmatch.models.preprocessing import SavitzkyGolayDerivative as SavitzkyGolayDerivative
    from specmatch.models.preprocessing import StandardNormalVariate as StandardNormalVariate


def __getattr__(name: str) -> Any:
    if name in NEW_NAMES:
        return getattr(import_module("specmatch.models.preprocessing"), new_name(name))
    if name not in _PUBLIC:
        raise AttributeError(f"module 'specmatch.models' has no attribute {name!r}")
    value = getattr(import_module(_PUBLIC[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
