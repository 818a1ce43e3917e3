"""Files of the demo cut anywhere: read as they were, left out with a reason, or refused; never something else."""

from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from some_of import some_of

from specmatch.demo.brewery import write_brewery
from specmatch.errors import SpecmatchError
from specmatch.measurement.folder.folder import join_scans, read_sheets
from specmatch.measurement.readers.files import scans_from_bytes
from specmatch.measurement.session import session_of


class OnePart:
    """A part of one session of the demo, read once; one file can be replaced by a damaged one."""

    def __init__(self, year: "Year", file: str) -> None:
        rows = year.rows
        own = rows.set_index("file").loc[file]
        # a stand-in for a dark or reference comes from the next session; three pours are enough to be measured
        names = list(dict.fromkeys(rows["session"]))
        at = names.index(own["session"])
        near = rows[rows["session"].isin([own["session"], names[at + 1]])]
        pours = list(dict.fromkeys([own["pour"], *near.loc[near["role"] == "sample", "pour"]]))
        few = [pour for pour in pours if pour][:3]
        self.rows = near[near["role"].isin(["dark", "reference"]) | near["pour"].isin(few)]
        self.sheets = year.sheets
        self.whole = {name: self.read(name, (year.folder / name).read_bytes()) for name in self.rows["file"]}
        self.clean = self.session({})
        self.grid = self.clean.spectra.columns.to_numpy(float)

    def read(self, file, raw):
        try:
            return scans_from_bytes(raw, name=file)
        except SpecmatchError as error:
            return str(error)

    def session(self, changed):
        results = [changed.get(file, scans) for file, scans in self.whole.items()]
        return session_of(join_scans(replace(self.sheets, rows=self.rows), results))


class Year:
    """The sheets of a year of the demo."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sheets = read_sheets(folder)
        self.rows = self.sheets.rows


@pytest.fixture(scope="module")
def year(tmp_path_factory):
    folder = tmp_path_factory.mktemp("damage") / "year"
    write_brewery(folder, seed=1)  # as the demo does
    return Year(folder)


def cuts(raw: bytes, rng, *, every: bool) -> list[int]:
    """Places to cut at: the last 200 characters, line ends, and places drawn at random."""
    ends = [i for i, byte in enumerate(raw) if byte == 10]
    drawn = rng.choice(len(raw) - 1, 200, replace=False).tolist()
    places = sorted({*range(len(raw) - 200, len(raw)), *ends, *(i + 1 for i in ends[:-1]), *drawn})
    return places if every else sorted({len(raw) - 4, *rng.choice(places, 10, replace=False).tolist()})


def state(scans, grid) -> tuple:
    """Return what the folder sees of a reading; equal states have equal outcomes."""
    if isinstance(scans, str):
        # a file that is refused is left out, whatever the reason
        return ("refused",)
    said = [(s.quantity, s.scale, tuple(sorted(s.meta.items()))) for s in scans]
    if all(s.wavelength_nm.size < grid.size and np.isin(s.wavelength_nm, grid).all() for s in scans):
        # fewer wavelengths than the other files have: left out by itself
        return ("shorter", *said)
    return (*said, *((s.open_end, s.wavelength_nm.tobytes(), s.values.tobytes(), s.saturated.tobytes()) for s in scans))


def outcome(demo: OnePart, file: str, scans, where) -> str:
    """Say what becomes of a folder in which one file is damaged; fail where it is used as something else."""
    try:
        session = demo.session({file: scans})
    except SpecmatchError:
        return "folder refused"
    clean = demo.clean
    kept = session.spectra.index.intersection(clean.spectra.index)
    assert session.spectra.index.isin(clean.spectra.index).all(), where
    assert list(session.spectra.columns) == list(clean.spectra.columns), where
    usable = clean.usable.to_numpy()
    now, before = (table.loc[kept].to_numpy()[:, usable] for table in (session.spectra, clean.spectra))
    if file in set(session.left_out["file"]):
        # another dark or reference stands in; a sample is left out alone
        assert session.left_out.set_index("file").loc[file, "reason"].strip(), where
        assert np.median(np.abs(now / before - 1.0)) < 0.03, where
        return "left out with its reason"
    assert len(kept) == len(clean.spectra) and np.allclose(now, before, rtol=1e-9, atol=1e-12), where
    return "the reading is right"


@pytest.mark.slow
@pytest.mark.parametrize("role", some_of(1, ["sample", "dark", "reference"]))
def test_no_cut_file_is_used_as_something_else(year, role, full_size, whole):
    rng = np.random.default_rng(14)
    rows = year.rows[year.rows["role"] == role].drop_duplicates("session")
    outcomes: Counter[str] = Counter()
    measured = 0
    for file in rows["file"][: 20 if full_size else 2 if whole else 1]:
        demo = OnePart(year, file)
        raw = (year.folder / file).read_bytes()
        known: dict[tuple, str] = {}
        again = set(rng.choice(len(raw), 20, replace=False))  # places measured whatever is known
        for place in cuts(raw, rng, every=full_size):
            scans = demo.read(file, raw[:place])
            seen = state(scans, demo.grid)
            if seen not in known or place in again:
                said = outcome(demo, file, scans, (file, place, raw[max(0, place - 30) : place]))
                assert known.setdefault(seen, said) == said, (file, place)
                measured += 1
            outcomes[known[seen]] += 1
    print(role, dict(outcomes), f"{measured} parts of a session measured")
    assert outcomes["left out with its reason"] > 0.9 * outcomes.total()


def test_a_file_without_its_last_four_characters_is_refused(year):
    rows = year.rows
    for role in ("dark", "reference", "sample"):
        raw = (year.folder / rows.loc[rows["role"] == role, "file"].iloc[0]).read_bytes()
        with pytest.raises(SpecmatchError, match="cut"):
            scans_from_bytes(raw[:-4], name="scan.csv")


@pytest.mark.parametrize("head", ["", "Wellenl;Zaehlwerte\n", "wavelength [nm];counts\n"])
@pytest.mark.parametrize("order", ["wavelength first", "wavelength last"])
def test_low_counts_of_a_cut_file_are_no_wavelengths(head, order, whole):
    rng, cuts = np.random.default_rng(3), range(1, 40, 1 if whole else 3)
    for _ in range(3 if whole else 1):
        counts = rng.integers(300, 900, 60)
        pairs = [(f"{340 + 5 * k},22", str(c)) for k, c in enumerate(counts)]
        names = head.strip().split(";")
        if order == "wavelength last":
            pairs, names = [pair[::-1] for pair in pairs], names[::-1]
        text = (";".join(names) + "\n" if head else "") + "\n".join(map(";".join, pairs)) + "\n"
        [uncut] = scans_from_bytes(text.encode(), name="a.csv")
        assert uncut.values.tolist() == counts.tolist()
        for cut in cuts:
            try:
                scans = scans_from_bytes(text[:-cut].encode(), name="a.csv")
            except SpecmatchError:
                continue
            assert len(scans) == 1 and scans[0].values[:-1].tolist() == counts[: scans[0].values.size - 1].tolist()
