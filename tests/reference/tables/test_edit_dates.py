"""Dates are read one way only, or refused with both."""

import pytest
from small_house import small_tables

from specmatch.errors import OptionError, ReferenceSetError
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.tables.edits import iso_date


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("2026-04-14", "2026-04-14"),
        ("14.04.2026", "2026-04-14"),
        ("1.3.2026", "2026-03-01"),
        ("14/04/2026", "2026-04-14"),
        ("04/14/2026", "2026-04-14"),
        ("05/05/2026", "2026-05-05"),
        ("2026/4/14", "2026-04-14"),
        ("14.04.2026 08:30", "2026-04-14T08:30:00"),
        ("2026-04-14T08:30:00+01:00", "2026-04-14T08:30:00+01:00"),
        ("14 April 2026, 8:30 pm", "2026-04-14T20:30:00"),
        ("", ""),
    ],
)
def test_dates_as_people_type_them(typed, kept):
    assert iso_date(typed) == kept


@pytest.mark.parametrize("typed", ["yesterday", "31.02.2026", "2026-13-01", "14.04.26", "04-05-2026 x"])
def test_what_is_no_date_is_refused(typed):
    with pytest.raises(OptionError, match="is no date; write it as 2026-01-31"):
        iso_date(typed)


def test_two_readings_are_refused_with_both():
    with pytest.raises(OptionError, match="may be 2026-04-03 or 2026-03-04"):
        iso_date("03/04/2026")


def test_a_set_is_selected_by_date_not_by_text():
    spectra, scans, batches = small_tables()
    times = [f"2026-{1 + row % 3:02d}-05T23:30:00+01:00" for row in range(len(scans))]
    refs = ReferenceSet(spectra, scans.assign(measured_at=times), batches)
    for since in ("01.03.2026", "2026-03-01", "2026-03", "2026-03-05", "2026-03-05T22:00:00+00:00"):
        assert set(refs.select(since=since).scans["measured_at"].str[:7]) == {"2026-03"}
    assert set(refs.select(until="2026-03-05T22:30:00+00:00").scans["measured_at"].str[:7]) == {"2026-01", "2026-02"}
    with pytest.raises(OptionError, match="one has an offset"):
        refs.select(since="2026-03-05T22:00:00")
    with pytest.raises(OptionError, match="when is 'soon'"):
        refs.drop("0000", reason="r", when="soon")
    # of a version that took dates of any form
    typed = ReferenceSet._of(spectra, scans.assign(measured_at="last week"), batches)
    with pytest.raises(ReferenceSetError, match="cannot be selected by date"):
        typed.select(since="2026-01-01")
