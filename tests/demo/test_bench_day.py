"""The invented bench day: what is planted is found, and nothing else."""

import pytest

import specmatch as sm
from specmatch.errors import StorageError


def test_planted_faults_are_found_each_by_its_own_figure(tmp_path):
    planted = {"axis_nm": 0.5, "nonlinear": 0.02, "stray_light": 0.004, "drift_an_hour": 0.03}
    sm.write_bench_day(tmp_path / "day", **planted)
    state = sm.commission(tmp_path / "day").figures["state"]
    assert set(state.index[state == "beyond"]) >= {"axis_shift_nm", "nonlinearity", "stray_light", "level_drift"}


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    (tmp_path / "note.txt").write_text("kept")
    with pytest.raises(StorageError, match="exists and is not an empty folder"):
        sm.write_bench_day(tmp_path)
