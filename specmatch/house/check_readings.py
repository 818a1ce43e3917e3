"""Check spectra in a model file: what they read when the model was saved, they must read when it is loaded.

Hashes tell that bytes are as they were written; readings tell that the numbers still mean what they meant, whatever
library or machine loads them, and whoever wrote the hashes.
"""

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.errors import ModelFileError
from specmatch.maths.sample_scatter import Samples

Read = Callable[[Floats], Mapping[str, Floats]]

PREFIX = "check"
SPECTRA = f"{PREFIX}.reflectance"
# enough to notice that a number changed its meaning, few enough to be read at every start
MOST_SPECTRA = 12
# what is read of them
NUMBERS = ("colour", "colour_low", "colour_high", "p_value", "distance", "colour_without_fault")
# Machines add in another order and differ by some 1e-12; tails of distributions carry that to 1e-9 or so.
RELATIVE, ABSOLUTE = 1e-6, 1e-9


def one_of_each(samples: Samples) -> Floats:
    """Return the first sample of each beer, spread over the beers where they are many.

    Parameters
    ----------
    samples : Samples

    Returns
    -------
    ndarray, shape (n, p)
        At most `MOST_SPECTRA` rows.

    Examples
    --------
    >>> one_of_each(house.fitted.identity.samples).shape == (3, house.wavelengths_.size)
    True
    """
    first = np.unique(samples.beer[samples.batch], return_index=True)[1]
    spread = np.linspace(0, first.size - 1, min(first.size, MOST_SPECTRA)).astype(np.int64)
    return samples.reflectance[first[spread]]


def numbers_read(
    read: Callable[[pd.DataFrame], pd.DataFrame], reflectance: Floats, wavelength_nm: Floats
) -> dict[str, Floats]:
    """Read spectra, and two of them under a dimmer lamp, so that the reasons speak too.

    Parameters
    ----------
    read : callable
        A model's, from a table of spectra to a table of readings.
    reflectance : ndarray, shape (n, p)
    wavelength_nm : ndarray, shape (p,)

    Returns
    -------
    dict of str to ndarray
        `wavelength_nm`, shape (p,), and the `NUMBERS` of the readings, shape (n + 2,) each.

    Examples
    --------
    >>> rows = one_of_each(house.fitted.identity.samples)
    >>> numbers_read(house.read, rows, house.wavelengths_)["colour"].shape
    (5,)
    """
    rows = np.concatenate([reflectance, 0.95 * reflectance[:2]])
    readings = read(pd.DataFrame(rows, columns=wavelength_nm))
    return {"wavelength_nm": wavelength_nm, **{name: readings[name].to_numpy(dtype=np.float64) for name in NUMBERS}}


def check_arrays(reflectance: Floats, read: Read) -> dict[str, Floats]:
    """Return check spectra and what they read, as arrays for a model file.

    Parameters
    ----------
    reflectance : ndarray, shape (n, p)
        A few spectra of the set, such as one of each beer.
    read : callable
        Takes such spectra and returns named arrays of numbers, shape (n, ...): colours, limits, p-values.

    Returns
    -------
    dict of str to ndarray, shape (n, ...)
        `check.reflectance`, and each reading under its name with `check.` before it.

    Examples
    --------
    >>> arrays = check_arrays(np.array([[0.2, 0.4]]), lambda rows: {"colour": rows.sum(axis=1)})
    >>> sorted(arrays)
    ['check.colour', 'check.reflectance']
    """
    return {
        SPECTRA: reflectance,
        **{f"{PREFIX}.{name}": np.asarray(value) for name, value in read(reflectance).items()},
    }


def refuse_other_readings(path: str | Path, arrays: Mapping[str, np.ndarray], read: Read) -> None:
    """Read the check spectra of a model file again and refuse the file if they read otherwise than when it was saved.

    Parameters
    ----------
    path : str or Path
        For the message.
    arrays : mapping of str to ndarray, shape (n, ...)
        From `load_arrays`; those of other names are left alone.
    read : callable
        As for `check_arrays`, by the model that was just loaded.

    Raises
    ------
    ModelFileError
        If a reading is missing, has another shape, differs beyond rounding, or cannot be made at all.

    Examples
    --------
    >>> arrays = check_arrays(np.array([[0.25, 0.5]]), lambda rows: {"colour": rows.sum(axis=1)})
    >>> refuse_other_readings("m.model", arrays, lambda rows: {"colour": rows.sum(axis=1) * 2.0})
    Traceback (most recent call last):
    specmatch.errors.ModelFileError: m.model reads its check spectra otherwise than when saved (colour of check \
spectrum 1 is 1.5, was 0.75); fit the model again
    """
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
