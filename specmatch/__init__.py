"""specmatch: match reflectance spectra of beer to a brewery's own past batches.

Public names load on first use, so that importing the package costs next to nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

# name -> module that holds it
_PUBLIC = {
    "measure": "specmatch.measurement.session",
    "Session": "specmatch.measurement.session",
    "commission": "specmatch.measurement.commissioning.commission",
    "read_scans": "specmatch.measurement.readers.files",
    "Scan": "specmatch.measurement.readers.files",
    "inspect_file": "specmatch.house.inspection",
    "build_set": "specmatch.reference.build",
    "rebuild_set": "specmatch.reference.extension",
    "Extension": "specmatch.reference.extension",
    "extend_set": "specmatch.reference.extension",
    "merge_sets": "specmatch.reference.extension",
    "compare_sets": "specmatch.reference.comparison",
    "ReferenceSet": "specmatch.reference.reference_set",
    "choose_batches": "specmatch.house.assessment.choose",
    "learning_curve": "specmatch.house.assessment.choose",
    "HouseModel": "specmatch.house.house_model",
    "evaluate": "specmatch.house.assessment.evaluation",
    "finding_costs": "specmatch.house.assessment.finding_costs",
    "gauge": "specmatch.house.assessment.gauge",
    "plan": "specmatch.house.planning.plan",
    "proficiency": "specmatch.house.assessment.proficiency",
    "run_risks": "specmatch.line.rules.rates",
    "validate": "specmatch.house.assessment.validation",
    "load_specification": "specmatch.house.decision.specification",
    "watch": "specmatch.line.watch_folder",
    "Journal": "specmatch.line.journal.journal",
    "Board": "specmatch.report.board.board",
    "Brewery": "specmatch.demo.brewery",
    "write_brewery": "specmatch.demo.brewery",
    "write_bench_day": "specmatch.demo.bench_day",
    "write_shift": "specmatch.demo.shift",
    "ColourRegressor": "specmatch.models.colour_regressor",
    "BeerMatcher": "specmatch.models.beer_matcher",
    "Applicability": "specmatch.models.applicability",
    "WARNING_CODES": "specmatch.warning_codes",
    "SpecmatchError": "specmatch.errors",
    "MissingGroupsWarning": "specmatch.errors",
}
# modules whose own names are public
_ROOMS = {
    "colour": "specmatch.colour",
    "errors": "specmatch.errors",
    "models": "specmatch.models",
    "pages": "specmatch.report.pages",
    "plots": "specmatch.report.plots",
}

__all__ = [*_PUBLIC, *_ROOMS, "__version__"]  # noqa: PLE0604

if TYPE_CHECKING:
    from specmatch import colour as colour
    from specmatch import errors as errors
    from specmatch import models as models
    from specmatch.demo.bench_day import write_bench_day as write_bench_day
    from specmatch.demo.brewery import Brewery as Brewery
    from specmatch.demo.brewery import write_brewery as write_brewery
    from specmatch.demo.shift import write_shift as write_shift
    from specmatch.errors import MissingGroupsWarning as MissingGroupsWarning
    from specmatch.errors import SpecmatchError as SpecmatchError
    from specmatch.house.assessment.choose import choose_batches as choose_batches
    from specmatch.house.assessment.choose import learning_curve as learning_curve
    from specmatch.house.assessment.evaluation import evaluate as evaluate
    from specmatch.house.assessment.finding_costs import finding_costs as finding_costs
    from specmatch.house.assessment.gauge import gauge as gauge
    from specmatch.house.assessment.proficiency import proficiency as proficiency
    from specmatch.house.assessment.validation import validate as validate
    from specmatch.house.decision.specification import load_specification as load_specification
    from specmatch.house.house_model import HouseModel as HouseModel
    from specmatch.house.inspection import inspect_file as inspect_file
    from specmatch.house.planning.plan import plan as plan
    from specmatch.line.journal.journal import Journal as Journal
    from specmatch.line.rules.rates import run_risks as run_risks
    from specmatch.line.watch_folder import watch as watch
    from specmatch.measurement.commissioning.commission import commission as commission
    from specmatch.measurement.readers.files import Scan as Scan
    from specmatch.measurement.readers.files import read_scans as read_scans
    from specmatch.measurement.session import Session as Session
    from specmatch.measurement.session import measure as measure
    from specmatch.models.applicability import Applicability as Applicability
    from specmatch.models.beer_matcher import BeerMatcher as BeerMatcher
    from specmatch.models.colour_regressor import ColourRegressor as ColourRegressor
    from specmatch.reference.build import build_set as build_set
    from specmatch.reference.comparison import compare_sets as compare_sets
    from specmatch.reference.extension import Extension as Extension
    from specmatch.reference.extension import extend_set as extend_set
    from specmatch.reference.extension import merge_sets as merge_sets
    from specmatch.reference.extension import rebuild_set as rebuild_set
    from specmatch.reference.reference_set import ReferenceSet as ReferenceSet
    from specmatch.report import pages as pages
    from specmatch.report import plots as plots
    from specmatch.report.board.board import Board as Board
    from specmatch.warning_codes import WARNING_CODES as WARNING_CODES


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        value = getattr(import_module(_PUBLIC[name]), name)
    elif name in _ROOMS:
        value = import_module(_ROOMS[name])
    else:
        raise AttributeError(f"module 'specmatch' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
