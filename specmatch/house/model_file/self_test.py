"""Check spectra in a model file: what they read when the model was saved, they must read when it is loaded.

Hashes tell that bytes are as they were written; readings tell that the numbers still mean what they meant, whatever
library or machine loads them, and whoever wrote the hashes.
"""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.errors import ModelFileError
from specmatch.maths.classification.discriminant_space import LabelledSamples

Read = Callable[[Floats], Mapping[str, Any]]

PREFIX = "check"
SPECTRA = f"{PREFIX}.reflectance"
# enough to notice that a number changed its meaning, few enough to be read at every start
MOST_SPECTRA = 12
# what is read of them
NUMBERS = ("colour", "colour_low", "colour_high", "p_value", "distance", "colour_without_fault")
# the name that is read of them: two names that changed places in a file leave every number as it was
BEER = "nearest_beer"
# Machines add in another order and differ by some 1e-12; tails of distributions carry that to 1e-9 or so.
RELATIVE, ABSOLUTE = 1e-6, 1e-9


def one_of_each(samples: LabelledSamples) -> Floats:
    """Return the first sample of each beer, spread over the beers where they are many."""
    # -> (n, p)
    first = np.unique(samples.beer[samples.batch], return_index=True)[1]
    spread = np.linspace(0, first.size - 1, min(first.size, MOST_SPECTRA)).astype(np.int64)
    return samples.reflectance[first[spread]]


def numbers_read(
    read: Callable[[pd.DataFrame], pd.DataFrame], reflectance: Floats, wavelength_nm: Floats
) -> dict[str, Any]:
    """Read spectra, and two of them under a dimmer lamp, so that the reasons speak too."""
    # reflectance (n, p), wavelength_nm (p,)
    rows = np.concatenate([reflectance, 0.95 * reflectance[:2]])
    readings = read(pd.DataFrame(rows, columns=wavelength_nm))
    numbers = {name: readings[name].to_numpy(dtype=np.float64) for name in NUMBERS}
    return {"wavelength_nm": wavelength_nm, BEER: readings[BEER].to_numpy(dtype=np.str_), **numbers}


def check_arrays(reflectance: Floats, read: Read) -> dict[str, Floats]:
    """Return check spectra and what they read, as arrays for a model file."""
    # reflectance (n, p) -> (n, ...)
    return {
        SPECTRA: reflectance,
        **{f"{PREFIX}.{name}": np.asarray(value) for name, value in read(reflectance).items()},
    }


def refuse_other_readings(path: str | Path, arrays: Mapping[str, np.ndarray], read: Read) -> None:
    """Read the check spectra of a model file again and refuse the file if they read otherwise than when it was
    saved.
    """
    # arrays (n, ...)
    if SPECTRA not in arrays:
        raise ModelFileError(f"{path} holds no check spectra; fit the model again")
    expected = {
        name.removeprefix(f"{PREFIX}."): array for name, array in arrays.items() if name.startswith(f"{PREFIX}.")
    }
    spectra = expected.pop("reflectance")
    try:
        # numbers that somebody made up may overflow on the way; what comes out is compared all the same
        with np.errstate(all="ignore"):
            got = {name: np.asarray(value) for name, value in read(np.array(spectra)).items()}
    except (ArithmeticError, IndexError, ValueError, TypeError, np.linalg.LinAlgError) as error:
        raise ModelFileError(f"{path} cannot read its own check spectra: {error}; fit the model again") from error
    if BEER not in expected:  # models of earlier versions
        got.pop(BEER, None)
    if set(got) != set(expected):
        odd = sorted(set(got) ^ set(expected))[0]
        raise ModelFileError(f"{path} and this version differ in the check reading {odd!r}; fit the model again")
    for name, value in got.items():
        was = expected[name]
        if value.shape != was.shape or value.dtype.kind != was.dtype.kind:
            raise ModelFileError(f"{path} reads {name} of its check spectra in another form; fit the model again")
        if was.dtype.kind == "f":
            alike = np.isclose(value, was, rtol=RELATIVE, atol=ABSOLUTE, equal_nan=True)
        else:
            alike = value == was
        if not alike.all():
            place = tuple(np.argwhere(~alike)[0])
            raise ModelFileError(
                f"{path} reads its check spectra otherwise than when saved ({name} of check spectrum {place[0] + 1} is "
                f"{value[place]}, was {was[place]}); fit the model again"
            )
