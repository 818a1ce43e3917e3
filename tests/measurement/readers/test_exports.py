"""Ordinary exports by two writers are read as they were written, or refused with a keyword that then works."""

from collections import Counter

import numpy as np
import pytest
from exports import Export, instrument_export, sheet_export

from specmatch.errors import AmbiguousScanFileError, SpecmatchError
from specmatch.measurement.readers.files import scans_from_bytes
from specmatch.measurement.readers.scan import ReadOptions
from specmatch.measurement.readers.units import ASSUMED_FRACTION


def unlike(scans, export: Export) -> str:
    """Say in what a reading differs from what was written, or ""."""
    if len(scans) != len(export.values):
        return f"{len(scans)} spectra of {len(export.values)}"
    for scan, y, over in zip(scans, export.values, export.over, strict=True):
        if scan.values.size != y.size or not np.allclose(scan.wavelength_nm, export.x, rtol=1e-9, atol=0):
            return f"wavelengths {scan.wavelength_nm[:3]} of {export.x[:3]}"
        if scan.quantity not in (export.quantity, "unknown"):
            return f"taken for {scan.quantity}"
        # a file that does not say what its values are keeps its numbers
        factor = 100.0 if export.told.get("scale") == "percent" and scan.quantity == "unknown" else 1.0
        if not np.allclose(scan.values, y * factor, rtol=1e-9, atol=1e-12, equal_nan=True):
            return "other values"
        if not np.array_equal(scan.saturated, over):
            return "over the range in other places"
    return ""


def judge(export: Export) -> str:
    try:
        scans = scans_from_bytes(export.raw, name="drawn.txt")
    except AmbiguousScanFileError as error:
        named = [keyword for keyword in export.told if f"{keyword}=" in str(error)]
        assert named, (str(error), export.said)
        again = scans_from_bytes(export.raw, name="drawn.txt", told=ReadOptions(**{k: export.told[k] for k in named}))
        assert not unlike(again, export), (str(error), export.said)
        return "refused, settled by " + " ".join(named)
    except SpecmatchError as error:
        return f"refused: {error}"
    wrong = unlike(scans, export)
    if not wrong:
        return "read"
    # a nearly black percentage without a scale is a fraction as well; the reading says that it assumed one
    assumed = any(scan.scale == ASSUMED_FRACTION for scan in scans)
    return "read as a fraction, noted" if wrong == "other values" and assumed else f"WRONG: {wrong}"


@pytest.mark.slow
@pytest.mark.parametrize("writer", [instrument_export, sheet_export])
def test_ordinary_exports_are_read(writer, full_size, whole):
    draws = 5_000 if full_size else 250 if whole else 30
    outcomes: Counter[str] = Counter()
    examples: dict[str, tuple] = {}
    for seed in range(draws):
        # the small version stands on the draws that the readers were made with; the full one on others
        export = writer(np.random.default_rng([2024 if full_size else 14, seed]))
        said = judge(export)
        outcomes[said.split(":")[0]] += 1
        if said != "read":
            examples.setdefault(said, (seed, export.said))
    print(writer.__name__, dict(outcomes))
    for said, example in list(examples.items())[:40]:
        print("  ", said, example)
    assert outcomes["WRONG"] == 0
    refused = sum(n for said, n in outcomes.items() if said.startswith("refused"))
    assert refused <= 0.01 * draws
