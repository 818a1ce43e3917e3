"""Which modules a set holds: its own, and further ones that batches measured on both can teach."""

import pandas as pd

# batches that two modules must both have measured, for the one to be taught by the other
FEWEST_SHARED = 3


def second_modules(scans: pd.DataFrame) -> tuple[str, ...]:
    """Return the modules of a set that batches measured on its main one as well can teach."""
    if "instrument" not in scans.columns:
        return ()
    batches = {str(name): set(own) for name, own in scans["batch"].groupby(_stated(scans), sort=True) if name}
    if len(batches) < 2:
        return ()
    main = max(batches, key=lambda name: len(batches[name]))
    return tuple(name for name in batches if name != main and len(batches[name] & batches[main]) >= FEWEST_SHARED)


def scans_of_module(scans: pd.DataFrame, module: str | None = None) -> pd.DataFrame:
    """Return the scans of one further module, or all but those of further modules."""
    seconds = second_modules(scans)
    if not seconds:
        return scans
    stated = _stated(scans)
    return scans[~stated.isin(seconds)] if module is None else scans[stated == module]


def _stated(scans: pd.DataFrame) -> pd.Series:
    return scans["instrument"].fillna("").astype(str).str.strip()
