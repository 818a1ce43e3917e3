"""The colour regression: closed forms against brute force, choices without the batch, the optical model."""

import numpy as np
import pytest
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel

from specmatch.demo.brewery import Brewery
from specmatch.errors import OptionError, TableError, TooFewBatchesError
from specmatch.maths.optics.cup import fit_cup_model, relative_absorbance
from specmatch.maths.regression.colour_model import beers_with_unreliable_colour, fit_colour, pour_subsets
from specmatch.maths.regression.gaussian_process import LEVEL_SD, Kernel, fit_gaussian_processes, fit_process
from specmatch.maths.regression.rows_and_responses import AS_GIVEN, ErrorModel, fit_error_model
from specmatch.maths.spectra.channels import usable_band
from specmatch.maths.statistics.levels import Levels

NM = np.linspace(430.0, 680.0, 60)


def process(n=15, seed=0, drop=()):
    rng = np.random.default_rng(seed)
    rows, y = rng.normal(size=(n, 4)), rng.normal(size=n)
    noise = rng.uniform(0.01, 0.1, n)
    kept = np.setdiff1d(np.arange(n), drop)
    (fit,) = fit_gaussian_processes(rows[kept], y[kept], noise[kept], [Kernel(0.5, 0.8, 1.5)])
    return rows, y, noise, fit, kept


def test_left_out_results_equal_fits_without_them():
    rows, y, _, whole, _ = process()
    held_out, two = whole.held_out_error, whole.errors_without_two()
    for i in (0, 7):
        _, _, _, without, _ = process(drop=[i])
        # the level's prior variance of 100 over a noise of 0.01 takes four of the sixteen digits, the square two more
        assert y[i] - without.predict(rows[[i]])[0][0] == pytest.approx(held_out[i], abs=1e-9)
        expected = whole.weights_without()[i]
        np.testing.assert_allclose(np.delete(expected, i), without.weight, atol=1e-7)
        assert expected[i] == pytest.approx(0.0, abs=1e-9)
        variance = whole.variance_without(rows[[i]], np.array([i]))[0]
        assert variance == pytest.approx(without.predict(rows[[i]])[1][0], abs=1e-7)
        for j in (3, 11):
            _, _, _, pair, _ = process(drop=[i, j])
            assert y[j] - pair.predict(rows[[j]])[0][0] == pytest.approx(two[i, j], abs=1e-8)
            assert y[j] - pair.predict(rows[[j]])[0][0] == pytest.approx(whole.errors_without([i, j])[1], abs=1e-8)
    assert not np.diag(two).any()


def test_process_equals_scikit_learn():
    rng = np.random.default_rng(1)
    rows, y, noise = rng.normal(size=(20, 3)), rng.normal(size=20), np.full(20, 0.05)
    (ours,) = fit_gaussian_processes(rows, y, noise, [Kernel(0.0, 0.8, 1.5)])
    kernel = ConstantKernel(LEVEL_SD**2) + ConstantKernel(0.64) * RBF(1.5)
    theirs = GaussianProcessRegressor(kernel, alpha=0.05, optimizer=None).fit(rows, y)
    new = rng.normal(size=(5, 3))
    mean, sd = theirs.predict(new, return_std=True)
    np.testing.assert_allclose(ours.predict(new)[0], mean, atol=1e-8)
    # a variance is the difference of numbers near 100
    np.testing.assert_allclose(ours.predict(new)[1], sd**2, atol=1e-7)


def test_kernel_is_chosen_without_the_batch():
    # changing one batch's own colour must not change which kernel and weights predict it
    rng = np.random.default_rng(2)
    rows = rng.uniform(1.0, 2.0, (18, 5))
    log_colour = np.log(rows @ np.arange(1.0, 6.0)) + rng.normal(0, 0.02, 18)
    other = log_colour.copy()
    other[4] += 0.7
    noise = np.full(18, 4e-4)
    one, two = (fit_process(rows, y, noise, np.zeros(5), np.zeros(5), AS_GIVEN) for y in (log_colour, other))
    np.testing.assert_array_equal(one.kernels[one.fold_kernel[4]], two.kernels[two.fold_kernel[4]])
    assert one.predict_without(rows[[4]])[0, 4] == pytest.approx(two.predict_without(rows[[4]])[0, 4], abs=1e-7)
    assert one.predict(rows[[4]])[0][0] != pytest.approx(two.predict(rows[[4]])[0][0], abs=1e-3)


def test_optical_model_finds_what_was_put_in():
    strength, white, gain = 0.9, 0.002, 0.004
    depth = strength * relative_absorbance(NM)
    R = np.exp(gain) * (0.015 + white + (0.985 - white) * 10.0**-depth)
    found = fit_cup_model([R], NM)[0]
    # strength is barely pulled; gain and foam share what little they do, drawn towards 0
    assert np.exp(found[0]) == pytest.approx(strength, rel=0.01)
    assert found[-1] == pytest.approx(gain, abs=0.004)


def test_optical_coordinates_do_not_depend_on_company_and_survive_nonsense():
    rng = np.random.default_rng(0)
    R = 0.015 + 0.985 * 10.0 ** -np.outer([0.2, 1.0, 4.0], relative_absorbance(NM))
    together = fit_cup_model(R, NM)
    for row in range(3):
        # batched products may be summed in another order
        np.testing.assert_allclose(fit_cup_model(R[[row]], NM)[0], together[row], atol=1e-9)
    # a few spectra and many go by other products
    np.testing.assert_allclose(fit_cup_model(np.tile(R, (5, 1)), NM), np.tile(together, (5, 1)), atol=1e-9)
    odd = np.vstack([np.zeros(60), np.ones(60), np.full(60, 3.0), rng.normal(0, 1, 60), -R[0]])
    assert np.isfinite(fit_cup_model(odd, NM)).all()


def test_spectra_asked_for_again_are_remembered_only_as_they_were():
    R = np.tile(0.1 + 0.5 * relative_absorbance(NM), (20, 1)) * np.linspace(0.5, 1.0, 20)[:, None]
    first = fit_cup_model(R, NM)
    np.testing.assert_array_equal(fit_cup_model(R, NM), first)
    R[3] *= 0.9
    changed = fit_cup_model(R, NM)
    assert abs(changed[3, 0] - first[3, 0]) > 0.01
    np.testing.assert_array_equal(np.delete(changed, 3, axis=0), np.delete(first, 3, axis=0))


def test_noisy_channels_count_for_little():
    rng = np.random.default_rng(1)
    clean = 0.015 + 0.985 * 10.0 ** -(0.5 * relative_absorbance(NM))
    noise = np.where(np.arange(60) < 10, 0.1, 0.001)
    R = clean + rng.normal(0, 1, (200, 60)) * noise
    with_noise = fit_cup_model(R, NM, noise)[:, 0].std()
    assert with_noise < 0.3 * fit_cup_model(R, NM)[:, 0].std()


def arrays(house):
    code = {name: i for i, name in enumerate(house.batches.index)}
    batch = house.scans["batch"].map(code).to_numpy()
    return house.spectra.to_numpy(), batch, house.batches["colour"].to_numpy(float)


@pytest.fixture(scope="module")
def brewed():
    R, batch, lab = arrays(Brewery(3).draw(4))
    band = usable_band(R, batch)
    return R[:, band], batch, lab, Brewery(3).bench.spectrometer.wavelength_nm[band]


def test_held_out_colours_are_those_of_fits_without_the_batch(brewed):
    R, batch, lab, nm = brewed
    fit = fit_colour(R, lab[batch], Levels.of_pours(batch, batch), wavelength_nm=nm)
    for out in (0, 17, 40):
        kept = batch != out
        _, code = np.unique(batch[kept], return_inverse=True)
        one = fit_colour(R[kept], lab[batch[kept]], Levels.of_pours(code, code), wavelength_nm=nm)
        colour = one.predict(R[batch == out].mean(axis=0)[None, :])[0]
        # the expected error of the lab and the noise of the channels, learnt from 47 batches in place of 48, and
        # nothing else: the rest is exact
        assert colour == pytest.approx(fit.held_out_colour[out], rel=5e-3)
    assert fit.batch_code.tolist() == list(range(48))
    np.testing.assert_allclose(fit.lab_colour, lab)


def test_bent_data_are_not_left_to_a_straight_line(brewed):
    R, batch, lab, nm = brewed
    choice = fit_colour(R, lab[batch], Levels.of_pours(batch, batch), wavelength_nm=nm)
    alone = {
        name: fit_colour(R, lab[batch], Levels.of_pours(batch, batch), wavelength_nm=nm, regressions=(name,))
        for name in ("optical", "log_absorbance", "pls")
    }
    error = {name: np.mean(np.log(one.held_out_colour / lab) ** 2) for name, one in alone.items()}
    # the first keeps its place unless another's squared error is less than four fifths of its own
    assert choice.regression == "optical"
    assert 0.8 * error["optical"] <= min(error.values()) and error["pls"] > 1.5 * error["optical"]


def test_a_straight_line_is_found():
    rng = np.random.default_rng(5)
    scores = rng.uniform(0.0, 1.0, (40, 6))
    X = scores @ rng.normal(size=(6, 30))
    y = 20.0 + scores @ np.array([9.0, -8.0, 7.0, -6.0, 5.0, -4.0]) + rng.normal(0, 0.02, 40)
    code = np.arange(40)
    fit = fit_colour(X, y, Levels.of_pours(code, code), wavelength_nm=np.arange(30.0), regressions=("as_given", "pls"))
    assert not fit.response.logarithmic
    # 0.02 is the noise; seven parameters of 40 leave about a tenth more
    assert np.sqrt(np.mean((fit.held_out_colour - y) ** 2)) < 1.3 * 0.02
    found = fit.interval(X, 1, 0.90)
    assert np.all(found.low < found.colour) and np.all(found.colour < found.high)


def test_limits_are_wider_far_from_the_set(brewed):
    R, batch, lab, nm = brewed
    fit = fit_colour(R, lab[batch], Levels.of_pours(batch, batch), wavelength_nm=nm)
    near, far = R[:3].mean(axis=0), np.clip(R[:3].mean(axis=0) ** 0.3, 0.0, 1.0)
    found = fit.interval(np.array([near, far]), 3, 0.90)
    width = np.log(found.high / found.low)
    assert width[1] > width[0] > 0


def test_levels_nest_and_pours_narrow(brewed):
    R, batch, lab, nm = brewed
    fit = fit_colour(R, lab[batch], Levels.of_pours(batch, batch), wavelength_nm=nm)
    levels = [fit.interval(R, 3, level) for level in (0.5, 0.8, 0.9, 0.95)]
    for inner, outer in zip(levels, levels[1:], strict=False):
        assert np.all(outer.low <= inner.low) and np.all(inner.high <= outer.high)
    one, three = fit.interval(R, 1, 0.90), fit.interval(R, 3, 0.90)
    assert np.median(np.log(one.high / one.low)) > np.median(np.log(three.high / three.low))
    mixed = fit.interval(R[:2], [1, 3], 0.90)
    # products over two rows or many may be summed in another order, and the inverse magnifies the last digits
    assert (mixed.high[0], mixed.high[1]) == pytest.approx((one.high[0], three.high[1]), rel=1e-6)


def test_subsets_stand_for_readings_of_fewer_pours():
    R = np.arange(5.0)[:, None]
    rows, sample, pours = pour_subsets(R, np.array([0, 0, 0, 1, 1]))
    for m, expected in ((1, [0, 1, 2, 3, 4]), (2, [0.5, 1.5, 1.0, 3.5]), (3, [1.0, 3.5])):
        np.testing.assert_allclose(rows[pours == m, 0], expected)
    assert sample[pours == 2].tolist() == [0, 0, 0, 1]


def test_a_cloudy_beer_is_found_by_its_own_errors(brewed):
    R, batch, lab, nm = brewed
    beer = np.repeat(np.arange(12), 4)
    clean = fit_colour(R, lab[batch], Levels.of_pours(batch, batch), wavelength_nm=nm)
    assert not beers_with_unreliable_colour(clean, beer, 12).any()
    rng = np.random.default_rng(0)
    cloudy = lab.copy()
    cloudy[beer == 5] *= np.exp(rng.normal(0, 0.2, 4))  # its lab values, of clarified beer, follow no spectrum
    found = beers_with_unreliable_colour(
        fit_colour(R, cloudy[batch], Levels.of_pours(batch, batch), wavelength_nm=nm), beer, 12
    )
    assert found[5] and found.sum() == 1


def test_error_model_is_learnt_from_residuals():
    rng = np.random.default_rng(0)
    y = np.exp(rng.uniform(np.log(3.0), np.log(80.0), 4000))
    model = fit_error_model(rng.normal(0, np.sqrt(0.015**2 + (0.12 / y) ** 2)), y)
    # 4000 residuals know a variance to 2 %, and the grid has steps of a quarter
    assert (model.relative, model.constant) == pytest.approx((0.015, 0.12), rel=0.12)
    growing = fit_error_model(rng.normal(0, np.sqrt(0.015**2 + (0.0003 * y) ** 2)), y)
    assert growing.growth == pytest.approx(0.0003, rel=0.25)
    assert ErrorModel(0.1, 0.02).relative_variance(5.0) == pytest.approx(8e-4)


@pytest.mark.parametrize(
    ("change", "error", "match"),
    [
        (lambda R, y, b: (R, np.full(y.size, 7.0), b), TableError, "every lab colour is 7"),
        (lambda R, y, b: (R, -y, b), TableError, "colours are above 0"),
        (lambda R, y, b: (R, np.where(np.arange(y.size) == 1, 2.0 * y, y), b), TableError, "once in twenty times"),
        (lambda R, y, b: (R[:6], y[:6], b[:6]), TooFewBatchesError, "2 batches with a lab colour"),
    ],
)
def test_sets_that_teach_nothing_are_refused(brewed, change, error, match):
    R, batch, lab, nm = brewed
    order = np.argsort(batch, kind="stable")
    R, y, b = change(R[order], lab[batch[order]], batch[order])
    with pytest.raises(error, match=match):
        fit_colour(R, y, Levels.of_pours(b, b), wavelength_nm=nm)


def test_unknown_or_impossible_regressions_are_refused(brewed):
    R, batch, lab, nm = brewed
    for regressions, match in (
        (("magic",), "regression 'magic'"),
        (("as_given", "log_absorbance"), "asked for together"),
    ):
        with pytest.raises(OptionError, match=match):
            fit_colour(R, lab[batch], Levels.of_pours(batch, batch), wavelength_nm=nm, regressions=regressions)
    few = batch < 6
    with pytest.raises(OptionError, match="none of pls can be fitted"):
        fit_colour(
            R[few], lab[batch[few]], Levels.of_pours(batch[few], batch[few]), wavelength_nm=nm, regressions=("pls",)
        )


def test_dead_channels_are_found_from_the_pours():
    R, batch, _ = arrays(Brewery(2).draw(2))
    nm = Brewery(2).bench.spectrometer.wavelength_nm
    band = usable_band(R, batch)
    # the white light of the invented spectrometer begins about 415 nm and ends about 720 nm
    assert 410.0 < nm[band][0] < 435.0 and 660.0 < nm[band][-1] < 730.0
    assert np.all(np.diff(np.flatnonzero(band)) <= 3)
    # lone pours, and an instrument that is noisier throughout, find about the same band
    first = np.unique(batch, return_index=True)[1]
    alone = usable_band(R[first], np.arange(first.size))
    assert np.mean(alone == band) > 0.9
    noisy = usable_band(R + np.random.default_rng(0).normal(0, 0.006, R.shape), batch)
    assert nm[noisy][0] < 445.0 and nm[noisy][-1] > 640.0
    with pytest.raises(TableError, match="no usable band"):
        usable_band(np.random.default_rng(0).normal(0, 5, (6, 30)), np.arange(6))


def test_samples_of_one_batch_are_one_batch(brewed):
    R, batch, lab, nm = brewed
    # the third pour of every batch becomes a second sample of it
    third = np.zeros(batch.size, dtype=bool)
    for code in range(48):
        third[np.flatnonzero(batch == code)[-1]] = True
    sample = 2 * batch + third
    fit = fit_colour(R, lab[batch], Levels.of_pours(sample, batch), wavelength_nm=nm)
    assert fit.n_batches == 48 and fit.most_pours == 2
    for m, scores in ((1, 3), (2, 2)):
        counts = np.bincount(fit.score_batch[fit.score_pours == m])
        # one pour: each of the three; two pours: the pair, and the lone pour that has no second
        np.testing.assert_array_equal(counts, scores)
    found = fit.interval(R, 1, 0.90)
    assert np.all(np.isfinite(found.high)) and not found.normal_errors_assumed


@pytest.mark.parametrize("seed", range(3))
def test_noise_has_no_skill(seed):
    # many wavelengths, few batches, colours that have nothing to do with the spectra: every choice is made without the
    # batch, so that held out there is no skill, whatever the choices
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(30), 2)
    R = rng.uniform(0.1, 0.9, (30, 120))[batch] + rng.normal(0, 0.01, (60, 120))
    lab = np.exp(rng.normal(2.5, 0.4, 30))
    fit = fit_colour(R, lab[batch], Levels.of_pours(batch, batch), wavelength_nm=np.linspace(430.0, 690.0, 120))
    skill = 1.0 - np.mean(np.log(fit.held_out_colour / lab) ** 2) / np.var(np.log(lab))
    # 30 batches know a share of variance to about 0.1
    assert skill < 0.15
