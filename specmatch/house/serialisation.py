"""A fitted house as named arrays and JSON settings, and back, by the names of any format; and its check spectra."""

# what check spectra read at saving they must read at loading: hashes guard bytes, readings guard what numbers mean

import dataclasses
import math
import typing
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.errors import ModelFileError
from specmatch.maths.classification.discriminant_space import LabelledSamples
from specmatch.maths.regression.rows_and_responses import LOG
from specmatch.spectra import tidy_name

# a class that is renamed gets a row here, a field in `FIELDS`, for ever; `ADDED`: fields that older models lack
CLASSES = {
    # format 1
    "ColourCautions": "ColourWarnings",
    "ColourFit": "ColourModel",
    "DomainFit": "ApplicabilityDomain",
    "FaultFit": "FaultModel",
    "LightNoise": "ChannelNoise",
    "Metric": "DiscriminantSpace",
    "MetricChoice": "SpaceSettings",
    "NaturalScatter": "NormalVariation",
    "Offered": "Validity",
    "Residual": "QResidual",
    "Samples": "LabelledSamples",
    "Scale": "LogAbsorbance",
    "Tail": "TailCorrection",
    "TypicalityFit": "ClassModel",
}
# (class as it is called now, field as it was called): field as it is called now
FIELDS: dict[tuple[str, str], str] = {}
# (class as it is called now, field): its value in a model that was saved before it came
ADDED: dict[tuple[str, str], Any] = {
    ("Conditions", "instrument"): (),
    ("Conditions", "lamp"): (),
    ("Conditions", "base"): (),
    ("ColourWarnings", "transfer_sd"): 0.0,
    ("FittedHouse", "pours"): None,
    ("FittedHouse", "modules"): (),
    ("SecondModule", "pours"): None,
    ("ColourModel", "labs"): None,
    ("ColourModel", "response"): LOG,
    ("ColourModel", "snv"): None,
    ("PlsRegression", "response"): LOG,
    ("PlsRegression", "rows"): None,
    ("ProcessRegression", "rows"): None,
    ("FittedHouse", "depth"): None,
    ("FittedHouse", "value_name"): "colour",
    ("FittedHouse", "path_law"): None,
    ("PathLaw", "stray"): 0.0,
    ("PathLaw", "bend"): 0.0,
    ("PathLaw", "light"): np.ones(1),
    ("PathLaw", "shape"): np.zeros(1),
    ("FittedHouse", "temperature"): None,
    ("ColourWarnings", "error_of_beer"): None,
    ("ColourWarnings", "session_sd"): None,
    ("ChannelNoise", "misfit"): 0.0,
    ("DiscriminantSpace", "carried"): 0.0,
    ("FaultModel", "bins"): np.zeros(0, np.int64),
    ("FaultModel", "sessions_per_beer"): np.zeros(0, np.int64),
    ("BeerScatter", "turn"): np.zeros((0, 0, 0)),
    ("LabelledSamples", "session"): np.zeros(0, np.int64),
    ("NormalVariation", "together"): np.zeros((0, 0)),
    ("Optics", "foam"): 1.2,
    ("Optics", "returned"): 0.0,
    ("Optics", "stray"): 0.0,
    ("SpaceSettings", "session"): np.zeros((0, 0)),
    ("SpaceSettings", "session_noise"): np.zeros(0),
}

# names that older files may hold with accents that stand by themselves
_NAMES = {"FittedHouse": ("beers", "batches", "odd_pours"), "SecondModule": ("shared",)}


def flatten(obj: Any, prefix: str) -> tuple[dict[str, np.ndarray], dict[str, Any]]:
    """Split a frozen dataclass into arrays by dotted name and settings that JSON takes."""
    arrays: dict[str, np.ndarray] = {}
    settings = _flatten(obj, prefix, arrays)
    if not isinstance(settings, dict) or "class" not in settings:
        raise ModelFileError(f"{prefix} is a {type(obj).__name__}; expected a dataclass")
    return arrays, settings


def restore(settings: Any, arrays: Mapping[str, np.ndarray], prefix: str, classes: Mapping[str, type]) -> Any:
    """Build a dataclass again from what `flatten` made of it."""
    if not isinstance(settings, dict) or "class" not in settings:
        raise ModelFileError(f"the model file does not describe {prefix} as it should; fit the model again")
    return _restore(settings, arrays, prefix, classes)


def classes_within(root: type) -> dict[str, type]:
    """Return a frozen dataclass and every one that its fields are declared to hold, by name."""
    found: dict[str, type] = {}
    waiting: list[Any] = [root]
    while waiting:
        kind = waiting.pop()
        if isinstance(kind, type) and dataclasses.is_dataclass(kind):
            if kind.__name__ not in found:
                found[kind.__name__] = kind
                waiting += typing.get_type_hints(kind).values()
        else:
            waiting += typing.get_args(kind)
    return found


def _flatten(value: Any, name: str, arrays: dict[str, np.ndarray]) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = dataclasses.fields(value)
        inside = {field.name: _flatten(getattr(value, field.name), f"{name}.{field.name}", arrays) for field in fields}
        return {"class": type(value).__name__, "fields": inside}
    if isinstance(value, np.ndarray):
        arrays[name] = value
        return {"array": True}
    if isinstance(value, tuple):
        return {"tuple": [_flatten(item, f"{name}.{position}", arrays) for position, item in enumerate(value)]}
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return {"float": str(value)}
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    raise ModelFileError(f"{name} is a {type(value).__name__}, which a model file does not hold")


def _restore(value: Any, arrays: Mapping[str, np.ndarray], name: str, classes: Mapping[str, type]) -> Any:
    if not isinstance(value, dict):
        if isinstance(value, list):
            raise ModelFileError(f"the model file holds a list at {name}; fit the model again")
        return value
    if "array" in value:
        if name not in arrays:
            raise ModelFileError(f"the model file lacks the array {name!r}; fit the model again")
        return arrays[name]
    if "float" in value:
        if value["float"] not in ("inf", "-inf", "nan"):
            raise ModelFileError(f"the model file holds no number at {name}; fit the model again")
        return float(value["float"])
    if "tuple" in value:
        if not isinstance(value["tuple"], list):
            raise ModelFileError(f"the model file holds no tuple at {name}; fit the model again")
        return tuple(_restore(item, arrays, f"{name}.{at}", classes) for at, item in enumerate(value["tuple"]))
    stored, inside = value.get("class"), value.get("fields")
    kind = CLASSES.get(str(stored), str(stored))
    if not isinstance(stored, str) or kind not in classes or not isinstance(inside, dict):
        raise ModelFileError(f"the model file asks for {stored!r} at {name}, which this version does not know")
    # arrays are found by the name under which they were stored
    made: dict[str, Any] = {
        FIELDS.get((kind, str(field)), str(field)): _restore(item, arrays, f"{name}.{field}", classes)
        for field, item in inside.items()
    }
    expected = {field.name for field in dataclasses.fields(classes[kind])}
    made = {**{field: ADDED[kind, field] for field in expected if (kind, field) in ADDED}, **made}
    if set(made) != expected or len(made) < len(inside):
        odd = sorted(set(made) ^ expected) or sorted(inside)
        raise ModelFileError(f"the model file and this version differ in {name}.{odd[0]}; fit the model again")
    names = _NAMES.get(kind, ())
    try:
        made |= {field: tuple(map(tidy_name, made[field])) for field in names}
        found = classes[kind](**made)
    except (TypeError, ValueError) as error:
        raise ModelFileError(f"the model file holds values at {name} that do not fit: {error}") from error
    for field in names:
        if len(set(made[field])) < len(made[field]) and field != "odd_pours":
            raise ModelFileError(
                f"the model file has two {field} whose names differ in the form of their accents "
                "alone; fit the model again, from the set, which takes them for one"
            )
    return found


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
    numbers = {f"{PREFIX}.{name}": np.asarray(value) for name, value in read(reflectance).items()}
    return {SPECTRA: reflectance, **numbers}


def refuse_other_readings(path: str | Path, arrays: Mapping[str, np.ndarray], read: Read) -> None:
    """Refuse a model file whose check spectra read otherwise than when it was saved."""
    # arrays (n, ...)
    if SPECTRA not in arrays:
        raise ModelFileError(f"{path} holds no check spectra; fit the model again")
    start = f"{PREFIX}."
    expected = {name.removeprefix(start): array for name, array in arrays.items() if name.startswith(start)}
    spectra = expected.pop("reflectance")
    if BEER in expected:
        expected[BEER] = np.array([tidy_name(name) for name in expected[BEER]], dtype=np.str_)
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
