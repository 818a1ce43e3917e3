"""The model file: exact, refused by name when it is not what it should be, and never run."""

import dataclasses
import io
import json
import pickle
import time
import tracemalloc
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.errors import ModelFileError
from specmatch.house import serialisation
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.model_file import FORMAT, load_arrays, save_arrays
from specmatch.house.serialisation import (
    MOST_SPECTRA,
    check_arrays,
    classes_within,
    flatten,
    numbers_read,
    one_of_each,
    refuse_other_readings,
    restore,
)
from specmatch.maths.optics.path_law import PathLaw
from specmatch.storage import sha256_of


@dataclasses.dataclass(frozen=True)
class Inner:
    weights: np.ndarray
    unit: str


@dataclasses.dataclass(frozen=True)
class Outer:
    inner: Inner
    limit: float
    n: int
    use: bool
    nothing: None
    names: tuple[str, ...]
    steps: tuple[float, ...]
    both: tuple[Inner, ...]
    codes: np.ndarray


KEPT = Path(__file__).parents[1] / "data" / "models_by_format"
CLASSES = {"Inner": Inner, "Outer": Outer}


def an_object():
    weights = np.array([[0.1, -0.0], [5e-324, np.inf]])
    pair = (Inner(np.zeros((0, 3)), "a"), Inner(np.array(["x", "ÿ漢"]), "b"))
    return Outer(Inner(weights, "EBC"), np.inf, 3, True, None, ("p", "q"), (0.1, np.nan), pair, np.array([1, 2**62]))


def saved(path):
    arrays, settings = flatten(an_object(), "house")
    save_arrays(path, arrays, {"settings": settings})
    return path


def members_of(path):
    with zipfile.ZipFile(path) as archive:
        return {entry.filename: archive.read(entry) for entry in archive.infolist()}


def write_members(path, members, compression=zipfile.ZIP_STORED):
    with zipfile.ZipFile(path, "w", compression) as archive:
        for name, data in members if isinstance(members, list) else members.items():
            archive.writestr(name, data)


def rewrite(path, change):
    """Change the manifest and redo its hash, as somebody would who knows how."""
    members = members_of(path)
    content = json.loads(members["manifest.json"])
    change(content, members)
    members["manifest.json"] = json.dumps(content).encode()
    members["manifest.sha256"] = sha256_of(members["manifest.json"]).encode()
    write_members(path, members)


def test_object_comes_back_bit_for_bit(tmp_path):
    arrays, manifest = load_arrays(saved(tmp_path / "m"))
    again = restore(manifest["settings"], arrays, "house", CLASSES)
    first = an_object()
    assert again.inner.weights.tobytes() == first.inner.weights.tobytes()
    assert again.codes.tolist() == [1, 2**62] and again.both[1].weights.tolist() == ["x", "ÿ漢"]
    assert again.both[0].weights.shape == (0, 3)
    assert (again.limit, again.n, again.use, again.nothing, again.names) == (np.inf, 3, True, None, ("p", "q"))
    assert again.steps[0] == 0.1 and np.isnan(again.steps[1])
    assert not again.inner.weights.flags.writeable


@dataclasses.dataclass(frozen=True)
class Weights:
    values: np.ndarray
    unit: str
    depth_mm: float


def test_a_class_or_a_field_that_was_renamed_or_came_later_breaks_no_saved_model(tmp_path, monkeypatch):
    arrays, manifest = load_arrays(saved(tmp_path / "m"))
    known = {"Outer": Outer, "Weights": Weights}
    with pytest.raises(ModelFileError, match="asks for 'Inner' at house.inner, which this version does not know"):
        restore(manifest["settings"], arrays, "house", known)
    monkeypatch.setitem(serialisation.CLASSES, "Inner", "Weights")
    with pytest.raises(ModelFileError, match=r"differ in house\.inner\.(depth_mm|values|weights)"):
        restore(manifest["settings"], arrays, "house", known)
    monkeypatch.setitem(serialisation.FIELDS, ("Weights", "weights"), "values")
    with pytest.raises(ModelFileError, match=r"differ in house\.inner\.depth_mm"):
        restore(manifest["settings"], arrays, "house", known)
    monkeypatch.setitem(serialisation.ADDED, ("Weights", "depth_mm"), 8.0)
    again = restore(manifest["settings"], arrays, "house", known)
    assert isinstance(again.inner, Weights) and (again.inner.unit, again.inner.depth_mm) == ("EBC", 8.0)
    assert again.inner.values.tobytes() == an_object().inner.weights.tobytes()


def test_one_field_stored_under_two_names_is_refused(tmp_path, monkeypatch):
    arrays, manifest = load_arrays(saved(tmp_path / "m"))
    monkeypatch.setitem(serialisation.FIELDS, ("Inner", "weights"), "unit")
    with pytest.raises(ModelFileError, match=r"differ in house\.inner\.weights"):
        restore(manifest["settings"], arrays, "house", CLASSES)


def test_every_old_name_of_a_class_leads_to_one_that_a_model_holds():
    held = classes_within(FittedHouse)
    assert set(serialisation.CLASSES.values()) <= set(held) and not set(serialisation.CLASSES) & set(held)
    assert {kind for kind, _ in [*serialisation.FIELDS, *serialisation.ADDED]} <= set(held)


def test_a_law_of_depth_saved_before_it_knew_of_stray_light_reads_as_it_did():
    law = PathLaw(0.01, 0.1, 1.0, np.diag([0.001, 0.02, 0.01]), "second fill", 6, 0.6, 1.0)
    before = [one.name for one in dataclasses.fields(law) if one.name not in ("stray", "light", "shape")]
    old = dataclasses.make_dataclass("PathLaw", before, frozen=True)(*(getattr(law, name) for name in before))
    arrays, settings = flatten(old, "law")
    again = restore(settings, arrays, "law", {"PathLaw": PathLaw})
    R, f = np.linspace(0.005, 0.9, 40)[None], np.array([0.8])
    assert again.stray == 0.0 and again.to_depth(R, f).tolist() == law.to_depth(R, f).tolist()
    assert again.directions(R, f, np.array([0.01])).shape == (1, 6, 40)


def test_equal_models_give_equal_bytes(tmp_path):
    assert saved(tmp_path / "a").read_bytes() == saved(tmp_path / "b").read_bytes()


def test_members_are_plain_npy_that_numpy_reads(tmp_path):
    members = members_of(saved(tmp_path / "m"))
    assert list(members)[-2:] == ["manifest.json", "manifest.sha256"]
    got = np.load(io.BytesIO(members["arrays/house.inner.weights.npy"]), allow_pickle=False)
    assert got.tobytes() == an_object().inner.weights.tobytes()


def test_what_cannot_be_held_is_refused_when_saving(tmp_path):
    with pytest.raises(ModelFileError, match="expected float, int, bool or text"):
        save_arrays(tmp_path / "m", {"a": np.array([object()])}, {})
    with pytest.raises(ModelFileError, match="not made of letters"):
        save_arrays(tmp_path / "m", {"../a": np.zeros(1)}, {})
    with pytest.raises(ModelFileError, match="cannot be written as JSON"):
        save_arrays(tmp_path / "m", {}, {"x": float("nan")})
    with pytest.raises(ModelFileError, match="the manifest has"):
        save_arrays(tmp_path / "m", {}, {"x": "a" * (1 << 20)})
    with pytest.raises(ModelFileError, match="which a model file does not hold"):
        flatten(dataclasses.replace(an_object(), names=[1]), "house")
    assert not (tmp_path / "m").exists()


def test_no_model_file_at_all(tmp_path):
    with pytest.raises(ModelFileError, match="is not there"):
        load_arrays(tmp_path / "m")
    with pytest.raises(ModelFileError, match="is a folder; a model is a file"):
        load_arrays(tmp_path)
    (tmp_path / "m").write_bytes(b"wavelength,value\n")
    with pytest.raises(ModelFileError, match="it is no zip"):
        load_arrays(tmp_path / "m")


def test_a_pickle_is_refused_and_not_run(tmp_path, capsys):
    class Payload:
        def __reduce__(self):
            return print, ("the payload ran",)

    for protocol in (0, 2, 5):
        (tmp_path / "m").write_bytes(pickle.dumps(Payload(), protocol=protocol))
        with pytest.raises(ModelFileError, match="looks like a pickle" if protocol else "no zip"):
            load_arrays(tmp_path / "m")
    write_members(tmp_path / "m", {"data.pkl": pickle.dumps(Payload())})
    with pytest.raises(ModelFileError, match=r"holds 'data\.pkl'"):
        load_arrays(tmp_path / "m")
    assert "the payload ran" not in capsys.readouterr().out


def test_every_truncation_is_refused(tmp_path):
    data = saved(tmp_path / "m").read_bytes()
    for length in [0, 1, 3, 4, 30, *range(50, len(data), 97), len(data) - 1]:
        (tmp_path / "m").write_bytes(data[:length])
        with pytest.raises(ModelFileError, match="no zip|damaged or cut short"):
            load_arrays(tmp_path / "m")


def test_a_later_format_is_named_with_its_maker(tmp_path):
    def later(content, _):
        content["format"], content["versions"]["specmatch"] = FORMAT + 1, "9.9"

    rewrite(saved(tmp_path / "m"), later)
    told = rf"has format {FORMAT + 1}, made by specmatch 9\.9; this version reads up to format {FORMAT}"
    with pytest.raises(ModelFileError, match=told):
        load_arrays(tmp_path / "m")


def with_dtype(name, dtype):
    def change(content, members):
        member = f"arrays/{name}.npy"
        members[member] = members[member].replace(b"<i8", dtype)
        content["arrays"][name]["sha256"] = sha256_of(members[member])

    return change


def poisoned(content, members):
    data = bytearray(members["arrays/house.inner.weights.npy"])
    data[-8:] = np.float64(np.nan).tobytes()
    members["arrays/house.inner.weights.npy"] = bytes(data)
    content["arrays"]["house.inner.weights"]["sha256"] = sha256_of(bytes(data))


def huge(content, members):
    data = members["arrays/house.codes.npy"].replace(b"(2,), }            ", b"(99999999999,), }  ")
    members["arrays/house.codes.npy"] = data
    content["arrays"]["house.codes"].update(sha256=sha256_of(data), shape=[99999999999])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda content, members: content.update(kind="other"), "does not say"),
        (lambda content, members: content.update(format="1"), "format number '1'"),
        (lambda content, members: content.update(format=0), "format number 0"),
        (lambda content, members: content.update(arrays=[]), "without its lists"),
        (lambda content, members: content["arrays"].update(extra={}), "lacks the array 'extra'"),
        (lambda content, members: content["arrays"].pop("house.codes"), "its manifest does not name"),
        (lambda content, members: members.pop("arrays/house.codes.npy"), "lacks the array"),
        (lambda content, members: content["arrays"].update({"house.codes": 3}), "does not match its hash"),
        (lambda content, members: content["arrays"]["house.codes"].update(shape=[1, 2]), "another form"),
        (lambda content, members: content["arrays"]["house.codes"].update(dtype="<f8"), "another form"),
        (lambda content, members: members.update({"arrays/house.codes.npy": b"x"}), "does not match its hash"),
        (lambda content, members: members.update({"../evil": b""}), r"'\.\./evil', which is no part"),
        (lambda content, members: members.update({"arrays/../x.npy": b""}), "which is no part"),
        (lambda content, members: members.update({"/etc/x": b""}), "which is no part"),
        (with_dtype("house.codes", b"|O8"), "of the type"),
        (with_dtype("house.codes", b"<c8"), "of the type"),
        (poisoned, "NaN in the array 'house.inner.weights'"),
        (huge, "does not fit its bytes|no plain .npy header"),
    ],
)
def test_manifest_redone_with_its_hash_is_still_checked(tmp_path, change, message):
    rewrite(saved(tmp_path / "m"), change)
    with pytest.raises(ModelFileError, match=message):
        load_arrays(tmp_path / "m")


def test_bombs_duplicates_and_foreign_members_are_refused_unopened(tmp_path):
    members = members_of(saved(tmp_path / "m"))
    write_members(tmp_path / "bomb", {**members, "arrays/z.npy": b"\0" * (1 << 24)}, zipfile.ZIP_DEFLATED)
    with pytest.raises(ModelFileError, match="compressed or encrypted"):
        load_arrays(tmp_path / "bomb")
    with pytest.warns(UserWarning, match="Duplicate name"):
        write_members(tmp_path / "twice", [*members.items(), ("manifest.json", b"{}")])
    with pytest.raises(ModelFileError, match="holds a member twice"):
        load_arrays(tmp_path / "twice")
    for absent in ("manifest.json", "manifest.sha256"):
        write_members(tmp_path / "part", {name: data for name, data in members.items() if name != absent})
        with pytest.raises(ModelFileError, match=f"lacks {absent}"):
            load_arrays(tmp_path / "part")


def test_settings_that_do_not_fit_are_refused():
    arrays, settings = flatten(an_object(), "house")
    fields = settings["fields"]
    for broken, message in (
        (3, "does not describe house"),
        ({"class": "os.system", "fields": {}}, "which this version does not know"),
        ({"class": "Outer", "fields": {}}, "differ in house"),
        ({"class": "Outer", "fields": {**fields, "limit": [1]}}, "holds a list at"),
        ({"class": "Outer", "fields": {**fields, "limit": {"float": "1"}}}, "holds no number at"),
        ({"class": "Outer", "fields": {**fields, "names": {"tuple": 3}}}, "holds no tuple at"),
        ({"class": "Outer", "fields": {**fields, "limit": {"array": True}}}, r"lacks the array 'house\.limit'"),
    ):
        with pytest.raises(ModelFileError, match=message):
            restore(broken, arrays, "house", CLASSES)


def a_model_file(path):
    """Write a file of the size and make-up of a fitted model."""
    rng = np.random.default_rng(1)
    arrays, settings = flatten(an_object(), "house")
    arrays |= {f"fit.{name}": rng.normal(size=shape) for name, shape in (("axes", (60, 8)), ("means", (12, 8)))}
    arrays["fit.names"] = np.array([f"batch {row}" for row in range(30)])
    save_arrays(path, arrays, {"settings": settings, "coverage": 0.9})
    return path


def mutated(data, rng):
    """Return the bytes of a model file with one of the accidents and tricks that files meet."""
    kind = rng.integers(8)
    at = int(rng.integers(len(data)))
    if kind == 0:
        return data[:at] + bytes([data[at] ^ (1 << int(rng.integers(8)))]) + data[at + 1 :]
    if kind == 1:
        many = bytearray(data)
        for place in rng.integers(len(data), size=int(rng.integers(2, 60))):
            many[place] = int(rng.integers(256))
        return bytes(many)
    if kind == 2:
        return data[:at]
    if kind == 3:
        return data[:at] + data[at + int(rng.integers(1, 200)) :]
    if kind == 4:
        return data[:at] + bytes(rng.integers(256, size=int(rng.integers(1, 200)), dtype=np.uint8)) + data[at:]
    if kind == 5:  # the directory at the end, where sizes and offsets stand
        start = data.rindex(b"PK\x01\x02")
        place = start + int(rng.integers(len(data) - start))
        return data[:place] + bytes(rng.integers(256, size=4, dtype=np.uint8)) + data[place + 4 :]
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = {entry.filename: archive.read(entry) for entry in archive.infolist()}
    names = [name for name in members if name.startswith("arrays/")]
    one, two = rng.choice(names, size=2, replace=False)
    if kind == 6:  # two members change places
        members[one], members[two] = members[two], members[one]
    else:  # a header is rewritten, and every hash redone
        text = members[one][: 10 + int.from_bytes(members[one][8:10], "little")]
        place = int(rng.integers(8, len(text)))
        new = text[:place] + bytes([int(rng.integers(32, 127))]) + text[place + 1 :]
        members[one] = new + members[one][len(text) :]
        content = json.loads(members["manifest.json"])
        content["arrays"][one.removeprefix("arrays/").removesuffix(".npy")]["sha256"] = sha256_of(members[one])
        members["manifest.json"] = json.dumps(content).encode()
        members["manifest.sha256"] = sha256_of(members["manifest.json"]).encode()
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for name, member in members.items():
            archive.writestr(name, member)
    return file.getvalue()


@pytest.mark.slow
def test_mutated_files_are_refused_by_name_or_read_identically(tmp_path, full_size, whole, capsys):
    path = a_model_file(tmp_path / "m")
    data = path.read_bytes()
    arrays, manifest = load_arrays(path)
    rng = np.random.default_rng(20)
    refused = identical = 0
    slowest = largest = 0.0
    tracemalloc.start()
    for _ in range(20_000 if full_size else 400 if whole else 100):
        broken = mutated(data, rng)
        path.write_bytes(broken)
        tracemalloc.reset_peak()
        before, began = tracemalloc.get_traced_memory()[0], time.process_time()
        try:
            got, told = load_arrays(path)
        except ModelFileError:
            refused += 1
        else:
            identical += 1
            assert told == manifest and list(got) == list(arrays)
            assert all(got[name].tobytes() == arrays[name].tobytes() for name in arrays)
            assert all(got[name].shape == arrays[name].shape for name in arrays)
        slowest = max(slowest, time.process_time() - began)
        allowed = 16 * 2**20 + 10 * len(broken)
        largest = max(largest, (tracemalloc.get_traced_memory()[1] - before) / allowed)
    tracemalloc.stop()
    if full_size:
        with capsys.disabled():
            print(f"\nmutated model files: {refused} refused, {identical} read identically, slowest {slowest:.3f} s, "
                  f"memory at most {largest:.1%} of what is allowed")  # fmt: skip
    assert refused > identical
    assert slowest < 2.0 and largest <= 1.0


def test_check_spectra_must_read_as_they_did():
    spectra = np.array([[0.2, 0.4], [0.1, 0.3]])

    def read(rows):
        return {"colour": rows @ [1.0, 2.0], "nearest": np.array([0, 1]), "limit": np.array([np.inf, np.nan])}

    arrays = check_arrays(spectra, read)
    refuse_other_readings("m", arrays, read)
    refuse_other_readings("m", arrays, lambda rows: {**read(rows), "colour": read(rows)["colour"] * (1 + 1e-12)})
    for other, message in (
        (lambda rows: {**read(rows), "colour": read(rows)["colour"] + [0, 1e-3]}, "colour of check spectrum 2"),
        (lambda rows: {**read(rows), "nearest": np.array([1, 1])}, "nearest of check spectrum 1 is 1, was 0"),
        (lambda rows: {**read(rows), "colour": np.array([np.nan, 1.0])}, "colour of check spectrum 1 is nan"),
        (lambda rows: {**read(rows), "colour": np.ones(3)}, "colour of its check spectra in another form"),
        (lambda rows: {"colour": rows[:, 0]}, "differ in the check reading"),
        (lambda rows: {"colour": np.linalg.inv(np.zeros((2, 2)))}, "cannot read its own check spectra"),
    ):
        with pytest.raises(ModelFileError, match=message):
            refuse_other_readings("m", arrays, other)
    with pytest.raises(ModelFileError, match="holds no check spectra"):
        refuse_other_readings("m", {}, read)


def test_the_model_kept_of_format_1_loads_and_reads_for_ever():
    house = sm.HouseModel.load(KEPT / "format-1.model")
    kept = json.loads((KEPT / "format-1.json").read_text(encoding="utf-8"))
    spectra = pd.DataFrame.from_dict(kept["spectra"], orient="index", columns=kept["wavelength_nm"])
    readings = house.verify(spectra, "Amber Lane", scans=pd.Series(kept["scans"]))
    for name in ("colour", "colour_low", "colour_high", "p_value", "distance", "colour_without_fault"):
        expected = [np.nan if value is None else value for value in kept["readings"][name]]
        # as near as loading itself asks of the check spectra
        np.testing.assert_allclose(readings[name].to_numpy(dtype=float), expected, rtol=1e-6, err_msg=name)
    assert readings["decision"].tolist() == kept["readings"]["decision"] == ["hold", "hold", "consistent"]
    assert [list(codes) for codes in readings["warnings"]] == kept["readings"]["warnings"]


def test_a_check_reads_the_first_sample_of_each_beer_and_two_in_less_light(small_house):
    house, _ = small_house
    samples = house.fitted.identity.samples
    beer_of_row = samples.beer[samples.batch]
    first = [samples.reflectance[np.flatnonzero(beer_of_row == beer)[0]] for beer in range(len(house.beers_))]
    rows = one_of_each(samples)
    assert len(first) <= MOST_SPECTRA
    assert np.array_equal(rows, first)
    assert numbers_read(house.read, rows, house.wavelengths_)["colour"].shape == (len(first) + 2,)


@dataclasses.dataclass(frozen=True)
class Line:
    slope: float


@dataclasses.dataclass(frozen=True)
class Page:
    one: Line | None
    many: tuple[Line, ...]
    number: int


def test_classes_within_a_class_are_found_by_name():
    assert classes_within(Page) == {"Page": Page, "Line": Line}
    assert classes_within(int) == {}


def test_two_beer_names_that_changed_places_are_refused_though_hashes_are_redone(tmp_path, small_house):
    path = tmp_path / "house.model"
    small_house[0].save(path)

    def swap(content, members):
        beers = content["manifest"]["house"]["fields"]["beers"]["tuple"]
        beers[0], beers[1] = beers[1], beers[0]

    rewrite(path, swap)
    with pytest.raises(ModelFileError, match="nearest_beer of check spectrum 1 is .*, was .*; fit the model again"):
        sm.HouseModel.load(path)


@pytest.mark.parametrize("field", ["beers", "odd_pours"])
def test_names_that_are_no_tuple_are_refused_though_hashes_are_redone(tmp_path, small_house, field):
    path = tmp_path / "house.model"
    small_house[0].save(path)
    rewrite(path, lambda content, _: content["manifest"]["house"]["fields"].update({field: 5}))
    with pytest.raises(ModelFileError, match="holds values at house that do not fit"):
        sm.HouseModel.load(path)
