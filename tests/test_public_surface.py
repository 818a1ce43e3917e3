"""The public names: all there, loaded on first use, heavy imports only when used."""

import subprocess
import sys

import pytest

import specmatch as sm


@pytest.mark.parametrize("name", sm.__all__)
def test_every_public_name_loads(name):
    assert getattr(sm, name) is not None
    assert name in dir(sm)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = sm.nothing


def modules_after(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_importing_the_package_loads_nothing_heavy():
    assert not {"numpy", "pandas", "scipy", "sklearn"} & modules_after("import specmatch")


def test_loading_and_reading_never_import_scikit_learn(tmp_path, small_house):
    house, new = small_house
    house.save(tmp_path / "house.model")
    new.spectra.to_pickle(tmp_path / "spectra.pkl")
    code = (
        "import specmatch as sm, pandas as pd\n"
        f"house = sm.HouseModel.load({str(tmp_path / 'house.model')!r})\n"
        f"spectra = pd.read_pickle({str(tmp_path / 'spectra.pkl')!r})\n"
        "house.read(spectra)\n"
        "house.verify(spectra, claimed=house.beers_[0])"
    )
    loaded = modules_after(code)
    assert "specmatch.house.house_model" in loaded
    assert not {"sklearn", "matplotlib", "specmatch.measurement.session"} & loaded
