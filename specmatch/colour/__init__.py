"""Beer colour by transmission and by the eye."""

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

__all__ = [
    "CLEAR_RATIO",
    "EBC_PER_ABSORBANCE",
    "EBC_PER_SRM",
    "HALF_INCH_CM",
    "SRM_PER_ABSORBANCE",
    "average_absorbance",
    "clear_enough",
    "ebc_from_absorbance",
    "ebc_from_srm",
    "srm_from_absorbance",
    "srm_from_ebc",
]
