"""Dates as people type them: read where one reading fits, else all of them listed with the keyword that settles it."""

from datetime import date, datetime, timedelta

import pytest
from tiny_folder import tiny_folder

from specmatch import build_set, measure
from specmatch.cli import main
from specmatch.errors import DateOrderError, OptionError, SheetError
from specmatch.measurement.folder.dates import read_dates


def read(*cells, date_order=None):
    return read_dates(cells, range(2, 2 + len(cells)), "measured_at", name="scans.csv", date_order=date_order)


@pytest.mark.parametrize(
    ("cells", "iso"),
    [
        (["25.03.2024", "1.1.2024"], ["2024-03-25", "2024-01-01"]),
        (["03/25/2024 8:30", "03/13/2024 08:31:15 PM"], ["2024-03-25T08:30:00", "2024-03-13T20:31:15"]),
        (["2024/03/25", "2024-3-1"], ["2024-03-25", "2024-03-01"]),
        (["25.03.2024, 08:30 Z"], ["2024-03-25T08:30:00+00:00"]),
        (["12 Mar 2024", "5. M\u00e4rz 2024", "March 7, 2024"], ["2024-03-12", "2024-03-05", "2024-03-07"]),
        (["2024-03-12", "", "2024-03-12T08:00"], ["2024-03-12", "", "2024-03-12T08:00"]),
    ],
)
def test_dates_that_can_be_read_one_way_only_are_read(cells, iso):
    found = read(*cells)
    assert found.text == iso and found.doubtful == []


def test_the_order_that_was_found_is_noted():
    assert read("25.03.2024").notes == ["scans.csv, column measured_at: dates are read in the order dmy"]
    assert read("2024-03-25").notes == []


def test_a_day_without_a_time_is_a_day_and_no_midnight():
    found = read("2024-03-12", "2024-03-12T08:00", "2024-03-11T20:00")
    to_morning, to_evening = (abs(found.times[0] - found.times[k]) for k in (1, 2))
    assert found.text[0] == "2024-03-12" and to_morning < to_evening


@pytest.mark.parametrize(
    "cell", ["2024-13-01", "45363", "2024-03-12T25:00", "31.02.2024", "12 Foo 2024", "soon", "25.03.2024 13:00 PM"]
)
def test_what_is_no_date_is_refused_by_cell(cell):
    with pytest.raises(SheetError, match="line 3, column measured_at: .* is no date; write 2024-03-12 for a day"):
        read("2024-03-12", cell)


def test_two_orders_in_one_column_are_refused():
    with pytest.raises(SheetError, match="line 2 can only be dmy and line 3 only mdy"):
        read("25.03.2024", "03.25.2024")


def test_offsets_everywhere_or_nowhere():
    first, second, third = read("2024-03-12T08:00+01:00", "2024-03-12 07:30:15Z", "").times
    assert (second - first).total_seconds() == 1815 and third is None
    with pytest.raises(SheetError, match=r"with an offset from UTC \(line 2\) and without \(line 3\)"):
        read("2024-03-12T08:00+01:00", "2024-03-12T07:30")


def test_every_day_of_a_year_is_read_right_or_listed_with_both_readings():
    for offset in range(366):
        day = date(2024, 1, 1) + timedelta(days=offset)
        for order, form in (("dmy", "%d.%m.%Y"), ("mdy", "%m/%d/%Y"), ("dmy", "%d-%m-%y"), ("ymd", "%y/%m/%d")):
            cell = day.strftime(form)
            alone, told = read(cell), read(cell, date_order=order)
            assert told.text == [day.isoformat()]
            if alone.doubtful:
                assert day.isoformat() in alone.doubtful[0].readings and len(alone.doubtful[0].readings) > 1
            else:
                assert alone.text == [day.isoformat()]


def test_a_stated_order_settles_doubt_and_refuses_what_it_does_not_fit():
    assert read("03/04/2024", date_order="dmy").text == ["2024-04-03"]
    assert read("03/04/2024", date_order="mdy").text == ["2024-03-04"]
    with pytest.raises(SheetError, match="line 2, .*is no date in the order mdy"):
        read("25/04/2024", date_order="mdy")
    with pytest.raises(OptionError, match="use one of dmy, mdy, ymd"):
        read("03/04/2024", date_order="day first")


def typed(form):
    def rows(rows):
        for row in rows:
            row["measured_at"] = datetime.fromisoformat(row["measured_at"]).strftime(form)
        return rows

    return rows


def test_doubtful_cells_of_all_folders_come_in_one_message(tmp_path):
    for name in ("one", "two"):
        folder = tiny_folder(tmp_path / name, rows=typed("%d/%m/%Y %H:%M"))
        (folder / "batches.csv").write_text("batch,beer,colour,packaged_on\nPale-b,Pale,8,04/05/2024\n")
    with pytest.raises(DateOrderError, match=r'say date_order="dmy".*--dates on the command line') as caught:
        build_set([tmp_path / "one", tmp_path / "two"])
    cells = caught.value.cells
    assert len({cell.sheet for cell in cells}) == 4 and len(cells) == 2 * (11 + 1)
    assert all(cell.cell in str(caught.value) and cell.readings[0] in str(caught.value) for cell in cells)
    with pytest.raises(DateOrderError, match="12/03/2024"):
        measure(tmp_path / "one")
    session = measure(tmp_path / "one", date_order="dmy")
    assert session.scans["measured_at"].str.startswith("2024-03-12T").all()
    assert session.batches.loc["Pale-b", "packaged_on"] == "2024-05-04"


def test_the_command_line_takes_the_order(tmp_path, capsys):
    folder = tiny_folder(tmp_path / "f", rows=typed("%d/%m/%Y %H:%M"))
    assert main(["measure", str(folder)]) == 2
    assert "--dates" in capsys.readouterr().err
    assert main(["measure", str(folder), "--dates", "dmy"]) == 0
    assert main(["build", str(folder), "--out", str(tmp_path / "set"), "--dates", "dmy"]) in (0, 1)


def test_a_date_column_of_one_order_measures_as_the_iso_one_does(tmp_path):
    plain = measure(tiny_folder(tmp_path / "iso", rows=typed("2024-03-25T%H:%M")))
    other = measure(tiny_folder(tmp_path / "dmy", rows=typed("25.03.2024 %H:%M")))
    assert plain.spectra.equals(other.spectra)
    assert any("order dmy" in note for note in other.notes["note"])
