"""Beer colour by transmission, for the eye, and straight from the optics of the cup."""

from specmatch.colour.double_pass import DoublePassFit, fit_double_pass, path_sd, routes_disagree
from specmatch.colour.scales import (
    CLEAR_RATIO,
    EBC_PER_ABSORBANCE,
    EBC_PER_SRM,
    HALF_INCH_CM,
    SRM_PER_ABSORBANCE,
    average_absorbance,
    clear_enough,
    ebc_from_absorbance,
    ebc_from_srm,
    srm_from_absorbance,
    srm_from_ebc,
)
from specmatch.colour.transmission import TransmissionColour, colour_from_transmission, correct_slit_width
from specmatch.colour.tristimulus import Cielab, ciede2000, cielab, tristimulus_values, white_point

__all__ = [
    "CLEAR_RATIO",
    "EBC_PER_ABSORBANCE",
    "EBC_PER_SRM",
    "HALF_INCH_CM",
    "SRM_PER_ABSORBANCE",
    "Cielab",
    "DoublePassFit",
    "TransmissionColour",
    "average_absorbance",
    "ciede2000",
    "cielab",
    "clear_enough",
    "colour_from_transmission",
    "correct_slit_width",
    "ebc_from_absorbance",
    "ebc_from_srm",
    "fit_double_pass",
    "path_sd",
    "routes_disagree",
    "srm_from_absorbance",
    "srm_from_ebc",
    "tristimulus_values",
    "white_point",
]
