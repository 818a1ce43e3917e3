"""All checks of a session's scans: each a code of the registry with a size and a sentence to act on."""

from specmatch.measurement.checks.check_table import CheckRow
from specmatch.measurement.checks.light import ambient_rows, reference_rows, saturated_rows, stale_rows
from specmatch.measurement.checks.sample import beer_rows
from specmatch.measurement.checks.wavelength import shift_rows
from specmatch.measurement.reflectance.pairing import Paired

_SPOILT = ("saturated", "flat", "reflectance_out_of_range", "spike")


def check_paired_scans(
    paired: Paired, *, full_scale: float | None, dark_age_h: float, reference_age_h: float
) -> list[CheckRow]:
    """Check counts, darks, references and reflectance."""
    rows = [
        *saturated_rows(paired, full_scale=full_scale),
        *reference_rows(paired),
        *stale_rows(paired, dark_age_h=dark_age_h, reference_age_h=reference_age_h),
        *ambient_rows(paired),
        *beer_rows(paired),
    ]
    # steps and cut-offs in a spoilt scan look like flanks of the lamp; its shift tells nothing
    spoilt = {row.scan_id for row in rows if row.code in _SPOILT}
    return [*rows, *(row for row in shift_rows(paired) if row.scan_id not in spoilt)]
