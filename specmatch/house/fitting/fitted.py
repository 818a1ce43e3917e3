"""What a fitted house model knows: what a reading needs, without what fitting needs."""

from __future__ import annotations

from dataclasses import dataclass

from specmatch.array_types import Floats, Ints
from specmatch.batches import VALUE_NAME
from specmatch.house.fitting.colour_cautions import ColourWarnings, TemperatureCost
from specmatch.house.fitting.conditions import Conditions, Validity
from specmatch.maths.applicability import ApplicabilityDomain
from specmatch.maths.classification.class_model import ClassModel
from specmatch.maths.faults.fault_model import FaultModel
from specmatch.maths.optics.path_law import PathLaw
from specmatch.maths.regression.colour_model import ColourModel
from specmatch.maths.regression.lab_effects import LabValues
from specmatch.maths.statistics.levels import Levels
from specmatch.measurement.reflectance.path_length import SetDepth


@dataclass(frozen=True)
class KeptPours:
    """The pours that a model was fitted on."""

    reflectance: Floats  # (n, p)
    levels: Levels
    lab: Floats  # (K,): lab colour of each batch, NaN where there is none
    values: LabValues | None  # who measured them and how well; None where nothing is stated
    session: Ints  # (K,): code of the session of each batch


@dataclass(frozen=True)
class SharedPours:
    """Pours of batches of the set on the second module, on the model's wavelengths."""

    reflectance: Floats  # (n, p)
    sample: Ints  # sample, batch: (n,): codes; batches as the model counts them
    batch: Ints


@dataclass(frozen=True)
class SecondModule:
    """Another module, or another lamp, cup or base under the set's own, and what batches measured on both say of it."""

    instrument: str  # instrument, lamp, cup, base: its names; "" for any
    lamp: str
    cup: str
    base: str
    shared: tuple[str, ...]  # batches measured on both
    route: str  # of `specmatch.maths.transfer.ROUTES`
    # of shared batches left out, root mean square: relative, and in units of the scatter within a beer; the noise of
    # measuring twice is in both
    colour_error: float
    identity_error: float
    colour_excess: float  # colour_excess, identity_excess: the same beyond that noise
    identity_excess: float
    # how much more, as a share of a dark beer's light, its base returns more than once
    returns: float
    fitted: FittedHouse  # the set as this module would see it, learnt anew
    pours: SharedPours | None  # what taught it, for when the set grows; None in a model of an older format

    @property
    def said(self) -> str:
        """Its names in one text."""
        parts = (f"{name} {value}" for name in ("lamp", "cup", "base") if (value := getattr(self, name)))
        return ", ".join([self.instrument, *parts])


@dataclass(frozen=True)
class FittedHouse:
    """All that a fitted model knows: arrays, numbers and text only, so that a file can hold it without code."""

    wavelength_nm: Floats  # (p,): the usable band, ascending
    beers: tuple[str, ...]
    batches: tuple[str, ...]
    beer_of_batch: Ints  # (K,): place of each batch's beer in `beers`
    colour_unit: str  # of the value, where it is no colour
    lowest_colour: float  # lowest_colour, highest_colour: of the lab colours, in that unit; NaN where there are too few
    highest_colour: float
    set_name: str  # set_name, set_hash: of the reference set
    set_hash: str
    colour: ColourModel | None  # none where the set holds too few lab colours
    identity: ClassModel
    domain: ApplicabilityDomain | None  # none in a fit that only figures of held-out batches are taken of
    faults: FaultModel  # what good scans look like, and which faults may stand behind a departure
    conditions: Conditions  # instruments, cups, volumes and temperatures of the set
    offered: Validity  # when each beer was on offer
    cautions: ColourWarnings | None  # what speaks against a colour; None where there is no colour
    odd_pours: tuple[str, ...]  # pours that depart from mates which agree, and were not learnt from
    refit_reasons: tuple[str, ...]  # why a model that batches were added to should be fitted anew
    pours: KeptPours | None  # what a transfer starts from; None in a model of an older format
    modules: tuple[SecondModule, ...]  # further modules, or lamps, cups and bases, that batches of the set have taught
    depth: SetDepth | None  # depth, path_law: at which all of this stands, and how scans are brought there; None where
    path_law: PathLaw | None  # no filling is stated
    temperature: TemperatureCost | None  # what temperature costs, where the set holds more than one
    value_name: str = VALUE_NAME  # what the lab measures of each batch
