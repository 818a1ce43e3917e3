"""How reference scans went on over time: levels against the first of the instrument, over folders, and jumps."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from specmatch.errors import TableError
from specmatch.measurement.session import measure, reference_history, reference_times

NM = np.arange(420.0, 681.0, 4.0)
LAMP = np.exp(-(((NM - 450) / 15) ** 2)) + 0.6 * np.exp(-(((NM - 560) / 70) ** 2))


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """A folder of three instruments' references, out of order, with a dark each and one sample."""
    folder = tmp_path_factory.mktemp("folder")
    light = {"r3": ("A", 3, 0.90), "r1": ("A", 1, 1.0), "r2": ("A", 2, 0.99), "q1": ("B", 1, 0.5), "q2": ("B", 2, 0.51)}
    rows = ["file,role,sample,instrument,session,measured_at"]
    for name, (instrument, day, level) in light.items():
        rows.append(f"{name}.csv,reference,,{instrument},{instrument}{day},2025-01-0{day}T08:00:00+01:00")
        write(folder / f"{name}.csv", 500 + 20000 * level * LAMP)
    for instrument in "AB":
        rows.append(f"d{instrument}.csv,dark,,{instrument},,2025-01-01T07:00:00+01:00")
        write(folder / f"d{instrument}.csv", np.full(NM.size, 500.0))
    rows.append("s.csv,sample,s,A,A1,2025-01-01T09:00:00+01:00")
    write(folder / "s.csv", 500 + 9000 * LAMP)
    (folder / "scans.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return measure(folder)


def write(file, counts):
    noisy = counts + np.random.default_rng(len(file.name)).normal(0, 3, NM.size)
    lines = [f"{nm:.1f},{value:.0f}" for nm, value in zip(NM, noisy, strict=True)]
    file.write_text("wavelength_nm,counts\n" + "\n".join(lines) + "\n# integration_ms: 20\n", encoding="utf-8")


def test_a_session_knows_the_rows_of_its_references(session):
    assert list(session.reference_scans.index) == list(session.references.index)
    assert session.reference_scans["instrument"].tolist() == ["A", "A", "A", "B", "B"]


def test_levels_are_shares_of_the_first_of_the_instrument_in_the_order_of_time(session):
    history = reference_history([session])
    assert list(history.index) == ["r1.csv", "q1.csv", "r2.csv", "q2.csv", "r3.csv"]
    # noise of 3 counts in thousands, and the median over some fifty channels
    assert history["level"].to_numpy() == pytest.approx([1.0, 1.0, 0.99, 1.02, 0.90], abs=0.002)
    assert history["code"].tolist() == ["", "", "", "", "lamp_drift"]
    assert reference_times(history).dt.hour.unique().tolist() == [7]


def later(session, factor):
    """The same folder a month later, as bright as that, with another channel masked."""
    light = factor * session.references
    light.iloc[:, 10] = np.nan
    rows = session.reference_scans
    rows = rows.assign(measured_at=rows["measured_at"].str.replace("2025-01", "2025-02"))
    return dataclasses.replace(session, references=light, reference_scans=rows, folder="later")


def test_folders_go_on_from_one_another_whatever_their_order(session):
    history = reference_history([later(session, 0.8), session])
    assert history["folder"].tolist() == [session.folder] * 5 + ["later"] * 5
    own = history[history["instrument"] == "A"]
    assert own["level"].to_numpy() == pytest.approx([1.0, 0.99, 0.90, 0.8, 0.792, 0.72], abs=0.003)
    # a jump between folders is seen too; no folder alone could tell
    assert own["code"].tolist() == ["", "", "lamp_drift", "lamp_drift", "lamp_drift", "lamp_drift"]


def test_a_weak_reference_is_nobodys_measure(session):
    checks = pd.DataFrame([("r1.csv", "low_light", 0.1, "weak")], columns=session.checks.columns)
    history = reference_history([dataclasses.replace(session, checks=checks)])
    own = history[history["instrument"] == "A"]
    assert own["code"].tolist() == ["low_light", "", "lamp_drift"]
    assert own["level"].to_numpy() == pytest.approx([1 / 0.99, 1.0, 0.90 / 0.99], abs=0.003)


def test_without_times_they_stand_as_they_came(session):
    undated = dataclasses.replace(session, reference_scans=session.reference_scans.drop(columns="measured_at"))
    assert list(reference_history([undated]).index) == list(session.references.index)
    assert reference_history([]).empty


def test_folders_without_a_wavelength_in_common_are_refused(session):
    moved = later(session, 1.0)
    light = moved.references.set_axis(moved.references.columns + 400.0, axis=1)
    moved = dataclasses.replace(moved, references=light, usable=pd.Series(True, index=light.columns))
    with pytest.raises(TableError, match="share no usable wavelength"):
        reference_history([session, moved])
