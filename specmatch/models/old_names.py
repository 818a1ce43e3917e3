"""Names that transformers had, and what they are called now."""

import warnings

NEW_NAMES = {
    "UnitVariance": "StandardNormalVariate",
    "ScatterCorrection": "MultiplicativeScatterCorrection",
    "Smoothing": "SavitzkyGolay",
    "Derivative": "SavitzkyGolayDerivative",
}
GONE_IN = "0.3.0"


def new_name(old: str) -> str:
    """Return the present name of a transformer, and warn whoever asks a module for the old one."""
    new = NEW_NAMES[old]
    # from here by the module's `__getattr__` to the line that names it
    warnings.warn(f"{old} is now called {new}; the old name goes in release {GONE_IN}", FutureWarning, stacklevel=3)
    return new
