"""What is released: a source archive that builds, and a wheel that works where there is nothing else of the project."""

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest
from packaging.version import Version
from tiny_folder import tiny_folder, write_sheet

import specmatch

ROOT = Path(__file__).parents[1]
if shutil.which("git") is None or not (ROOT / ".git").exists():
    pytest.skip("no git work tree: which files belong to a release cannot be told", allow_module_level=True)
setuptools = pytest.importorskip("setuptools")
if Version(setuptools.__version__) < Version("77.0.1"):
    pytest.skip(
        f"setuptools {setuptools.__version__} is too old to build with, 77.0.1 is asked for", allow_module_level=True
    )


def build(what, tree, out):
    """Call the build back end as an installer would, but with what is installed here."""
    code = f"import sys; from setuptools import build_meta; print(build_meta.build_{what}(sys.argv[1]))"
    done = subprocess.run(
        [sys.executable, "-W", "error::DeprecationWarning", "-c", code, out], cwd=tree, capture_output=True, text=True,
        env={**os.environ, "PYTHONSAFEPATH": "1"}, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return out / done.stdout.split()[-1]


# building takes seconds; that the package names all its files is seen in every run (test_public_surface.py)
pytestmark = pytest.mark.whole


@pytest.fixture(scope="module")
def tracked():
    """Files of the tree that git keeps, or would: what lies about besides is nobody's business."""
    done = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
    )
    return sorted(name for name in done.stdout.decode().split("\0") if name and (ROOT / name).is_file())


@pytest.fixture(scope="module")
def released(tmp_path_factory, tracked):
    """The source archive of a clean copy, and the wheel that is built from that archive alone."""
    room = tmp_path_factory.mktemp("release")
    for name in tracked:
        (room / "tree" / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(ROOT / name, room / "tree" / name)
    archive = build("sdist", room / "tree", room)
    with tarfile.open(archive) as tar:
        tar.extractall(room / "unpacked", filter="data")
    (unpacked,) = (room / "unpacked").iterdir()
    return archive, build("wheel", unpacked, room)


def test_the_source_archive_holds_the_tree(released, tracked):
    archive, _ = released
    with tarfile.open(archive) as tar:
        names = {member.name.split("/", 1)[1] for member in tar if member.isfile()}
    # a lock file and git's own list are no part of any release
    missing = [name for name in tracked if name not in names and not name.endswith((".gitignore", ".lock"))]
    assert not missing
    made = {"PKG-INFO", "setup.cfg"}
    assert not {name for name in names - set(tracked) - made if not name.startswith("specmatch_house.egg-info/")}


def test_the_wheel_holds_the_package_and_nothing_else(released, tracked):
    _, wheel = released
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
        metadata = archive.read(next(name for name in names if name.endswith("/METADATA"))).decode()
    package = {name for name in tracked if name.startswith("specmatch/")}
    assert {name for name in names if ".dist-info/" not in name} == package
    assert {"specmatch/py.typed", "specmatch/colour/cie_tables.csv"} <= package
    assert {name.rsplit("/", 1)[1] for name in names if ".dist-info/" in name} >= {"LICENSE", "entry_points.txt"}
    assert "Name: specmatch-house\n" in metadata
    assert "License-Expression: BSD-3-Clause\n" in metadata
    assert wheel.stat().st_size < 2e6


PIECE = """
import sys
from pathlib import Path

import specmatch as sm
from specmatch.cli import main

assert Path(sm.__file__).is_relative_to(sys.argv[1]), sm.__file__
assert main(["build", "monday", "tuesday", "--out", "set"]) == 0
assert main(["fit", "set", "--out", "house.model"]) == 0
assert main(["read", "house.model", "wednesday"]) in (0, 1)
readings = sm.HouseModel.load("house.model").read(sm.measure("wednesday"))
print(*readings["nearest_beer"], *readings["colour"])
"""
BEERS = {"Pale": 8.0, "Amber": 22.0}


def a_day(folder, seed):
    """One batch of each beer, named for the day."""

    def named(rows):
        own = ("sample", "pour", "batch")
        return [row | {name: f"{row[name]}-{folder.name}" for name in own if row[name]} for row in rows]

    tiny_folder(folder, beers=BEERS, rows=named, batches=False, seed=seed)
    lab = [{"batch": f"{beer}-b-{folder.name}", "beer": beer, "colour": ebc} for beer, ebc in BEERS.items()]
    write_sheet(folder, lab, "batches.csv")


def test_the_wheel_works_where_there_is_nothing_else_of_the_project(released, tmp_path):
    pytest.importorskip("pip")
    _, wheel = released
    there, house = tmp_path / "installed", tmp_path / "house"
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", there, wheel]
    subprocess.run(pip, check=True, capture_output=True)
    for seed, day in enumerate(("monday", "tuesday", "wednesday")):
        a_day(house / day, seed)
    env = {**os.environ, "PYTHONPATH": str(there), "PYTHONSAFEPATH": "1", "OMP_NUM_THREADS": "1"}

    def run(*words):
        done = subprocess.run(words, cwd=house, env=env, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout

    assert "usage: specmatch" in run(sys.executable, "-m", "specmatch", "--help")
    assert run(there / "bin" / "specmatch", "--version").split() == ["specmatch", specmatch.__version__]
    pale, amber, *colours = run(sys.executable, "-c", PIECE, there).splitlines()[-1].split()
    assert (pale, amber) == tuple(BEERS)
    # a pour's path varies by 1 %, and two batches of a beer are few
    assert [float(colour) for colour in colours] == pytest.approx(list(BEERS.values()), rel=0.04)
