"""True spectra in drawn dialects come back as they were written, or the file is refused with the ambiguity named."""

import collections
import dataclasses

import numpy as np
import pytest
from dialects import Dialect, dialects, spectra, write
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from jcamp_writer import FORMS, jcamp_text

from specmatch.errors import AmbiguousScanFileError, SpecmatchError
from specmatch.maths.spectra.channels import spike_residuals
from specmatch.measurement.readers.dialect import plain_reading, plain_rows
from specmatch.measurement.readers.files import scans_from_bytes
from specmatch.measurement.readers.scan import ReadOptions
from specmatch.measurement.reflectance.raw_scans import _on_grid


def fuzz(full_size: bool, whole: bool, small: int):
    """Hypothesis settings: 10 000 draws at full size, some hundred before a change lands, a twentieth always."""
    draws = 10_000 if full_size else small if whole else small // 20
    return settings(
        max_examples=draws, deadline=None, derandomize=not full_size, database=None,
        suppress_health_check=list(HealthCheck), phases=[Phase.generate, Phase.shrink],
    )  # fmt: skip


def same(scans, written, *, percent: bool = False) -> bool:
    """Equal to the digits written; 1e-9 is the rounding of the arithmetic that turns units.

    A file that does not say what its values are keeps its numbers, with the quantity unknown.
    """
    return len(scans) == len(written.values) and all(
        scan.values.shape == y.shape
        and np.allclose(scan.wavelength_nm, x, rtol=1e-9, atol=0)
        and np.allclose(
            scan.values, y * (100.0 if percent and scan.quantity == "unknown" else 1.0), rtol=1e-9, atol=1e-12
        )
        for scan, x, y in zip(scans, written.wavelength_nm, written.values, strict=True)
    )


def assumed_fraction(scans, written) -> bool:
    """True if a nearly black percentage was taken as a fraction, and the notes say that this was assumed."""
    return all(
        any("fraction assumed" in note for note in scan.notes) and np.allclose(scan.values, 100.0 * y, rtol=1e-9)
        for scan, y in zip(scans, written.values, strict=True)
    )


@pytest.mark.slow
def test_every_dialect_comes_back_or_is_refused_with_the_ambiguity_named(full_size, whole):
    outcomes = collections.Counter()

    @fuzz(full_size, whole, 250)
    @given(st.data())
    def round_trip(data):
        dialect = data.draw(dialects())
        grids, values = data.draw(
            spectra(
                quantity=dialect.quantity,
                n=dialect.n_spectra,
                # blanks cannot leave a cell empty, so all pairs must be of one length there
                several_grids=dialect.layout == "pairs" and dialect.separator != " ",
            )  # fmt: skip
        )
        written = write(grids, values, dialect)
        try:
            scans = scans_from_bytes(written.raw, name="drawn.txt")
        except AmbiguousScanFileError as error:
            assert "=" in str(error), "the way out is not named"
            outcomes["refused as ambiguous"] += 1
            try:
                told = scans_from_bytes(written.raw, name="drawn.txt", told=ReadOptions(**dialect.told()))
            except AmbiguousScanFileError:
                # the comma both parts columns and marks decimals: no keyword can part them again
                assert dialect.separator == dialect.decimal == ","
                return
            assert same(told, written)
            return
        if same(scans, written, percent=dialect.percent):
            outcomes["read"] += 1
            assert all(scan.quantity in (dialect.quantity, "unknown") for scan in scans)
        else:
            assert dialect.percent and assumed_fraction(scans, written), (dialect, written.raw[:400])
            outcomes["read as a fraction, noted as assumed"] += 1

    round_trip()
    print(dict(outcomes))
    assert outcomes["read"] > 0.7 * sum(outcomes.values())
    assert issubclass(AmbiguousScanFileError, SpecmatchError)


def test_the_short_way_reads_as_the_general_way_does(full_size, whole, monkeypatch):
    """Files that the short way takes give the same scans, notes and all, when it is shut."""
    from specmatch.measurement.readers import dialect as room

    taken = 0

    @fuzz(full_size, True, 60 if whole else 25)  # few enough to be drawn every time
    @given(st.data())
    def both_ways(data):
        nonlocal taken
        drawn = data.draw(dialects().filter(lambda d: d.layout == "columns" and d.n_spectra == 1))
        drawn = dataclasses.replace(drawn, footer=(), final_newline=True, names="units", quoted=False, padded=False)
        written = write(*data.draw(spectra(quantity=drawn.quantity)), drawn)
        text = written.raw.decode(drawn.encoding).replace("\r\n", "\n").replace("\r", "\n")
        taken += plain_reading(text) is not None
        short = read_or_refuse(written.raw)
        with monkeypatch.context() as shut:
            shut.setattr(room, "plain_reading", lambda text: None)
            general = read_or_refuse(written.raw)
        if isinstance(short, str):
            assert short == general
            return
        for a, b in zip(short, general, strict=True):
            assert np.array_equal(a.values, b.values) and np.array_equal(a.wavelength_nm, b.wavelength_nm)
            assert (a.notes, dict(a.meta), a.quantity, a.scan_id) == (b.notes, dict(b.meta), b.quantity, b.scan_id)

    both_ways()
    assert taken > 10


def test_rows_by_the_short_way_are_those_of_the_general_way(whole, monkeypatch):
    from specmatch.measurement.readers import dialect as room

    rng, taken = np.random.default_rng(4), 0
    for k in range(120 if whole else 40):
        separator, decimal = [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")][k % 5]
        n, p, digits = int(rng.integers(1, 5)), int(rng.integers(2, 12)), int(rng.choice([0, 2, 3, 4, 5]))
        corner = rng.choice(
            ["scan_id", "sample", "batch", "reflectance", "wavelength_nm", "", "e5"],
            p=[0.3, 0.2, 0.2, 0.1, 0.1, 0.05, 0.05],
        )
        odd = ["450", "nm", "NaN", "x.1", "S1", "R"]
        names = [str(rng.choice(odd)) if rng.random() < 0.1 else f"S{i} a" for i in range(n)]
        axis = np.sort(rng.uniform(400, 700, p)).round(int(rng.integers(0, 4)))
        rows = rng.uniform(0, rng.choice([1.0, 100.0, 4000.0]), (n, p))
        if rng.random() < 0.1:
            rows.sort(axis=1)
        lines = [separator.join([corner, *(f"{nm:g}" for nm in axis)])]
        lines += [
            separator.join([name, *(f"{v:.{digits}f}" for v in row)]) for name, row in zip(names, rows, strict=True)
        ]
        text = "\n".join(line.replace(".", decimal) if decimal == "," else line for line in lines) + "\n"
        short = read_or_refuse(text.encode())
        taken += plain_rows(text) is not None
        with monkeypatch.context() as shut:
            shut.setattr(room, "plain_rows", lambda text: None)
            general = read_or_refuse(text.encode())
        if isinstance(short, str) or isinstance(general, str):
            assert short == general, text
            continue
        for a, b in zip(short, general, strict=True):
            assert np.array_equal(a.values, b.values) and np.array_equal(a.wavelength_nm, b.wavelength_nm), text
            assert (a.notes, dict(a.meta), a.quantity, a.scan_id) == (b.notes, dict(b.meta), b.quantity, b.scan_id)
            assert (a.doubts, a.scale, a.open_end) == (b.doubts, b.scale, b.open_end), text
    assert taken > 5, taken


def read_or_refuse(raw):
    try:
        return scans_from_bytes(raw, name="drawn.txt")
    except SpecmatchError as error:
        return str(error)


def damaged(draw, raw: bytes) -> tuple[str, bytes]:
    """One structural damage: cut, a line lost or repeated or swapped, a field or a mark lost or repeated."""
    lines = raw.split(b"\n")
    kind = draw(st.sampled_from(["cut", "line lost", "line repeated", "field lost", "field repeated", "mark lost"]))
    k = draw(st.integers(0, max(len(lines) - 2, 0)))
    if kind == "cut":
        return kind, raw[: draw(st.integers(1, len(raw) - 1))]
    if kind == "line lost":
        return kind, b"\n".join(lines[:k] + lines[k + 1 :])
    if kind == "line repeated":
        return kind, b"\n".join(lines[: k + 1] + lines[k:])
    if kind == "mark lost":
        places = [
            i
            for i, byte in enumerate(raw)
            if chr(byte) in ";,.\t#=$+-@%()" or (raw.startswith(b"##") and 65 <= byte <= 122)
        ]
        at = draw(st.sampled_from(places))
        return kind, raw[:at] + raw[at + 1 :]
    separator = next((mark for mark in (b";", b"\t", b",", b" ") if mark in lines[k]), b" ")
    cells = lines[k].split(separator)
    j = draw(st.integers(0, len(cells) - 1))
    cells = cells[:j] + cells[j + 1 :] if kind == "field lost" else cells[: j + 1] + cells[j:]
    return kind, b"\n".join([*lines[:k], separator.join(cells), *lines[k + 1 :]])


def quiet_loss(scans, clean) -> str:
    """Say what a damaged file lost or changed without a word, or ""."""
    if len(scans) != len(clean) and not set(scans[0].notes) - set(clean[0].notes):
        return f"{len(scans)} spectra of {len(clean)}"
    for scan, whole in zip(scans, clean, strict=False):
        new_notes = set(scan.notes) - set(whole.notes)
        places = {round(x, 6): y for x, y in zip(whole.wavelength_nm, whole.values, strict=True)}
        wrong = [
            x
            for x, y in zip(scan.wavelength_nm, scan.values, strict=True)
            if not np.isclose(places.get(round(x, 6), np.inf), y, rtol=1e-9, atol=1e-12)
        ]
        if wrong and not new_notes:
            return f"other values at {wrong[:3]}"
        if scan.values.size < whole.values.size and not new_notes:
            # what a single file cannot show, a session does: its grid is a part of the others'
            try:
                _on_grid(scan, whole.wavelength_nm, [])
            except SpecmatchError:
                continue
            return f"{scan.values.size} of {whole.values.size} points"
    return ""


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["text", "jcamp"])
def test_damage_is_refused_or_noted(full_size, whole, kind):
    outcomes = collections.Counter()

    @fuzz(full_size, whole, 300)
    @given(st.data())
    def damage(data):
        if kind == "text":
            drawn = data.draw(dialects().filter(lambda d: d.encoding == "utf-8"))
            drawn = dataclasses.replace(drawn, newline="\n", final_newline=True, names="units")
            grids, values = data.draw(spectra(quantity=drawn.quantity, n=drawn.n_spectra))
            raw = write(grids, values, drawn).raw
        else:
            _, [values] = data.draw(spectra())
            form = data.draw(st.sampled_from(FORMS))
            y = np.round(values * 5000).astype(int).tolist()
            raw = jcamp_text(y, first_x=400.0, last_x=400.0 + 2 * len(y), form=form, y_factor="0.0002").encode()
        clean = read_or_refuse(raw)
        if isinstance(clean, str):
            return
        how, broken = damaged(data.draw, raw)
        found = read_or_refuse(broken)
        if isinstance(found, str):
            outcomes[f"{how}: refused"] += 1
            return
        if kind == "text" and drawn.layout == "rows" and how in ("cut", "line lost") and len(found) < len(clean):
            outcomes["whole rows lost: nothing in one file can show it"] += 1
            return
        lost = quiet_loss(found, clean)
        assert not lost, f"{how}: {lost}"
        outcomes[f"{how}: harmless or noted"] += 1

    damage()
    print(kind, dict(outcomes))
    assert sum(outcomes.values()) > 0


@pytest.mark.slow
def test_changed_digits_above_the_spike_threshold_are_noted(full_size, whole):
    noticed, total = 0, 0

    @fuzz(full_size, whole, 150)
    @given(st.data())
    def change(data):
        nonlocal noticed, total
        drawn = Dialect(separator=";", y_decimals=data.draw(st.integers(3, 5)), header=("operator: A",))
        grids, values = data.draw(spectra())
        raw = write(grids, values, drawn).raw
        [clean] = scans_from_bytes(raw, name="a.txt")
        lines = raw.split(b"\n")
        k = data.draw(st.integers(2, len(lines) - 2))
        cell = lines[k].split(b";")[1]
        at = data.draw(st.sampled_from([i for i, byte in enumerate(cell) if chr(byte).isdigit()]))
        digit = data.draw(st.sampled_from([d for d in b"0123456789" if d != cell[at]]))
        lines[k] = lines[k].split(b";")[0] + b";" + cell[:at] + bytes([digit]) + cell[at + 1 :]
        found = read_or_refuse(b"\n".join(lines))
        total += 1
        if isinstance(found, str) or set(found[0].notes) - set(clean.notes):
            noticed += 1
            return
        new = found[0].values
        residual, threshold = spike_residuals(new)
        j = int(np.abs(new - clean.values).argmax())
        # a change that lifts its point over the threshold of the spectrum must have been noted
        assert np.abs(residual[j]) <= threshold[0], (k, cell, new[j], clean.values[j])

    change()
    print(f"changed digits noticed: {noticed} of {total}")
    assert noticed > 0.2 * total
