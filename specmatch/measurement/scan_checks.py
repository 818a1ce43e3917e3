"""All checks of a session's scans: each a code of the registry with a size and a sentence to act on."""

from specmatch.measurement.beer_checks import beer_rows
from specmatch.measurement.check_table import CheckRow
from specmatch.measurement.light_checks import ambient_rows, reference_rows, saturated_rows, stale_rows
from specmatch.measurement.pairing import Paired
from specmatch.measurement.shift_checks import shift_rows

_SPOILT = ("saturated", "flat", "reflectance_out_of_range", "spike")


def check_paired_scans(
    paired: Paired, *, full_scale: float | None, dark_age_h: float, reference_age_h: float
) -> list[CheckRow]:
    """Check counts, darks, references and reflectance.

    Parameters
    ----------
    paired : Paired
    full_scale : float or None
        The converter's limit, where it is known.
    dark_age_h, reference_age_h : float
        Hours until they are stale.

    Returns
    -------
    list of CheckRow
        In no order that means anything; a scan may have several.

    Examples
    --------
    >>> raw = raw_scans()
    >>> raw.counts[5, 100] += 20000.0
    >>> paired = paired_scans(raw)
    >>> rows = check_paired_scans(paired, full_scale=None, dark_age_h=12.0, reference_age_h=12.0)
    >>> [(row.scan_id, row.code) for row in rows]
    [('scans/D1-001-06.csv', 'spike')]
    """
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
