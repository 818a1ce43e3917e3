"""Figures: each draws what it was given, on the axis it was given, with a unit on every axis, and prints in grey."""

import builtins
import inspect
import io

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.errors import MissingExtraError, TableError, UnknownBeerError
from specmatch.house.assessment.evaluation import Evaluation
from specmatch.measurement.commissioning.commission import Commissioning

matplotlib = pytest.importorskip("matplotlib")

from specmatch.report import plots  # noqa: E402
from specmatch.report.plots import style as figure_style  # noqa: E402


@pytest.fixture(scope="module")
def refs():
    from specmatch.demo.brewery import Brewery

    past = Brewery(seed=1).draw(6)
    return sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC")


@pytest.fixture(scope="module")
def evaluation():
    """Four batches of two beers: one interval misses its lab colour, one mix-up in two slips through."""
    batches = pd.Index(["b1", "b2", "b3", "b4"], name="batch")
    colour = pd.DataFrame(
        {
            "lab": [8.0, 8.4, 20.0, np.nan],
            "colour": [8.1, 9.4, 19.0, 21.0],
            "colour_low": [7.5, 8.8, -np.inf, 20.0],
            "colour_high": [8.7, 10.0, np.inf, 22.0],
        },
        index=batches,
    )
    identity = pd.DataFrame({"beer": ["Pale", "Pale", "Amber", "Amber"]}, index=batches)
    mix_ups = pd.DataFrame(
        {
            "kind": ["pair", "pair", "blend"],
            "claimed": ["Amber", "Pale", "Pale"],
            "really": ["Pale", "Amber", "Pale with 10% Amber"],
            "held": [0.5, 1.0, 0.0],
            "n": [2, 2, 2],
        }
    )
    coverage = pd.DataFrame(
        [
            (0.9, "all" if group == "all" else "colour", group, 2 / 3, 0.1, 0.99, 3)
            for group in ("all", "pale", "middle", "dark")
        ],
        columns=["nominal", "by", "group", "covered", "low", "high", "n"],
    )
    figures = pd.Series({"nominal_coverage": 0.9}, dtype=object)
    return Evaluation(figures, colour, identity, mix_ups, coverage, pd.Series([0, 1, 0, 1], index=batches))


@pytest.fixture
def ax():
    return figure_style.new_figure().subplots()


def drawn(ax):
    """Render it: a figure that cannot be rendered is no figure."""
    out = io.BytesIO()
    ax.figure.savefig(out, format="png", dpi=40)
    image = matplotlib.image.imread(io.BytesIO(out.getvalue()))
    assert image[..., :3].std() > 0.01
    return image


def chart():
    """Forty points a day apart, lifted by two standard deviations from the thirtieth on."""
    from specmatch.line.charts import Point, make_chart

    values = 25.0 + 0.1 * np.tile([0.0, 1.0, -1.0, 0.5], 10) + np.where(np.arange(40) >= 30, 0.4, 0.0)
    points = [Point(i + 1, "", 1.7e9 + 86400.0 * i, float(value)) for i, value in enumerate(values)]
    return make_chart("control", "line 1", "EBC", points)


def curve():
    """One beer with an error that halves, and one of which nothing can be told."""
    columns = ["beer", "more", "n_batches", "colour_error"]
    rows = [("Pale", 0, 5, 0.04), ("Pale", 10, 15, 0.02), ("Amber", 0, 1, np.nan), ("Amber", 10, 11, np.nan)]
    return pd.DataFrame(rows, columns=columns)


def history():
    """References of two instruments: one falls slowly, one jumps and later carries too little light."""
    dates = pd.date_range("2025-01-06", periods=6, freq="7D").strftime("%Y-%m-%dT08:00:00+01:00")
    one = pd.DataFrame({"instrument": "A", "measured_at": dates, "level": 1.0 - 0.01 * np.arange(6), "code": ""})
    two = one.assign(instrument="B", level=[1.0, 1.01, 0.99, 0.9, 0.2, 0.9])
    two["code"] = ["", "", "", "lamp_drift", "low_light", ""]
    return pd.concat([one, two], ignore_index=True).assign(session=[f"s{i}" for i in range(12)])


def commissioning():
    """A commissioning that found something of every kind."""
    none = pd.DataFrame()
    figures = pd.DataFrame(
        {
            "value": [0.1, 0.004, 0.02, np.nan],
            "uncertainty": [0.03, 0.001, np.nan, np.nan],
            "limit": [0.2, 0.005, 0.01, 0.1],
            "state": ["within", "near", "beyond", "not measured"],
        },
        index=["axis_shift_nm", "nonlinearity", "level_drift", "axis_drift_nm"],
    )
    return Commissioning("", "", figures, none, none, none, none, "", "", none, None, "")


def gauge_study(house, new):
    """A study of pours alone."""
    from types import SimpleNamespace

    none = pd.Series(dtype=object)
    return sm.gauge(house, SimpleNamespace(spectra=new.spectra, scans=new.scans, batches=new.batches, claims=none))


def every_figure(refs, evaluation, house, new, ax):
    yield lambda: plots.plot_spectra(refs, ax=ax())
    yield lambda: plots.plot_usable_band(refs, ax=ax())
    yield lambda: plots.plot_held_out_colour(evaluation, ax=ax())
    yield lambda: plots.plot_colour_error(evaluation, refs, ax=ax())
    yield lambda: plots.plot_colour_over_time(refs, ax=ax())
    yield lambda: plots.plot_coverage(evaluation, ax=ax())
    yield lambda: plots.plot_identity_map(house, new.spectra, new.scans, ax=ax())
    yield lambda: plots.plot_mix_ups(evaluation, ax=ax())
    yield lambda: plots.plot_nearest_batches(house, new.spectra, new.scans, ax=ax())
    yield lambda: plots.plot_departure(house, new.spectra, new.scans, ax=ax())
    yield lambda: plots.plot_control_chart(chart(), ax=ax())
    yield lambda: plots.plot_learning_curve(curve(), ax=ax())
    yield lambda: plots.plot_reference_history(history(), ax=ax())
    yield lambda: plots.plot_budget(house.budget(), ax=ax())
    yield lambda: plots.plot_commissioning(commissioning(), ax=ax())
    study = gauge_study(house, new)
    yield lambda: plots.plot_gauge_components(study, ax=ax())
    yield lambda: plots.plot_gauge_interaction(study, ax=ax())
    yield lambda: plots.plot_gauge_run(study, ax=ax())
    made = sm.plan({"Pils": 8.0, "Amber": 22.0, "Stout": 70.0}, n_batches=(4,), n_pours=(1,), rough=True)
    yield lambda: plots.plot_plan_curves(made, ax=ax())
    yield lambda: plots.plot_plan_beers(made, ax=ax())
    yield lambda: plots.plot_plan_line(made, ax=ax())


@pytest.mark.whole
def test_every_figure_is_drawn_where_asked_and_says_what_its_axes_are(refs, evaluation, small_house):
    house, new = small_house
    given = []

    def fresh():
        given.append(figure_style.new_figure().subplots())
        return given[-1]

    names = set()
    for draw in every_figure(refs, evaluation, house, new, fresh):
        got = draw()
        names.add(draw.__code__.co_names[1])
        assert got is given[-1]
        assert got.get_xlabel()
        assert got.get_ylabel()
        image = drawn(got)
        grey = image[..., :3] @ [0.299, 0.587, 0.114]
        # a grey print holds dark ink and white paper, and something between them
        assert grey.min() < 0.45
        assert grey.max() > 0.99
    assert names == set(plots.__all__)


def test_a_new_figure_is_made_where_no_axis_is_given(evaluation):
    from matplotlib import pyplot

    ax = plots.plot_coverage(evaluation)
    assert ax.figure.number in pyplot.get_fignums()
    pyplot.close(ax.figure)


def test_spectra_stand_from_pale_to_dark_in_the_band_that_carries_light(refs, ax):
    lines = plots.plot_spectra(refs, ax=ax).get_lines()
    assert len(lines) == 12
    level = [float(np.mean(line.get_ydata())) for line in lines]
    assert level == sorted(level, reverse=True)
    assert lines[0].get_label() == "Chalk Lager (6)"
    nm = lines[0].get_xdata()
    assert nm[0] > 415
    assert nm[-1] < 705
    grey = [matplotlib.colors.to_rgb(line.get_color()) @ np.array([0.299, 0.587, 0.114]) for line in lines]
    assert all(np.diff(grey) < 0)


def test_spectra_of_one_beer_and_of_no_beer(refs, ax):
    assert len(plots.plot_spectra(refs, beers=["Peat Stout"], ax=ax).get_lines()) == 1
    with pytest.raises(UnknownBeerError, match="'Nobody' is no beer of the set"):
        plots.plot_spectra(refs, beers=["Nobody"])


def test_held_out_colours_show_which_intervals_missed(evaluation, ax):
    plots.plot_held_out_colour(evaluation, colour_unit="SRM", ax=ax)
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert "lab colour inside the interval (2)" in labels
    assert "lab colour outside the interval (1)" in labels
    assert ax.get_xlabel() == "lab colour, SRM"
    assert [text.get_text() for text in ax.get_xticklabels()] == ["10", "20"]


def test_colour_errors_stand_at_their_times_or_in_order(evaluation, refs, ax):
    plots.plot_colour_error(evaluation, refs, ax=ax)
    assert ax.get_xlabel() == "batch, in the order of the set"
    (_, inside, outside) = ax.get_lines()
    assert inside.get_ydata() == pytest.approx([1.25, -5.0])
    assert outside.get_ydata() == pytest.approx([100 * (9.4 / 8.4 - 1)])
    own = evaluation.colour.set_axis(refs.batches.index[:4])
    dated = Evaluation(
        evaluation.figures, own, evaluation.identity, evaluation.mix_ups, evaluation.coverage, evaluation.folds
    )
    again = plots.plot_colour_error(dated, refs, ax=figure_style.new_figure().subplots())
    assert again.get_xlabel() == "measured, UTC"


def test_the_map_rings_hold_what_the_model_accepts(small_house, ax):
    """A point outside its beer's ring is refused by the model: the ring is a shadow of the region, never smaller."""
    house, new = small_house
    plots.plot_identity_map(house, new.spectra, new.scans, ax=ax)
    rings = ax.patches
    assert len(rings) == len(house.beers_)
    typical, none = ax.get_lines()[-2:]
    readings = house.read(new.spectra, scans=new.scans)
    assert len(typical.get_xdata()) == (readings["plausible_beers"].map(len) > 0).sum()
    assert len(none.get_xdata()) == (readings["plausible_beers"].map(len) == 0).sum()
    points = np.column_stack([typical.get_xdata(), typical.get_ydata()])
    kept = readings.loc[readings["plausible_beers"].map(len) > 0, "plausible_beers"]
    for point, beers in zip(points, kept, strict=True):
        for beer in beers:
            ring = rings[house.beers_.index(beer)]
            inside = np.linalg.norm(ring.get_patch_transform().inverted().transform(point))
            # three pours each in set and samples, so the ring is drawn for these very samples
            assert inside < 1.0 + 1e-9


@pytest.mark.whole
def test_a_refit_neither_flips_nor_turns_the_map(small_house, refs):
    """Axes that a decomposition gives in another order, or upside down, draw the same map; so does another batch."""
    from specmatch.report.plots.identity import _plane

    def places(house):
        fitted = house.fitted
        samples = fitted.identity.samples
        spectra = np.array([samples.reflectance[samples.beer[samples.batch] == k].mean(axis=0) for k in range(12)])
        return fitted.identity.beer_means, spectra

    means, spectra = places(small_house[0])

    def drawn_at(beer_means):
        centre, plane = _plane(beer_means, spectra)
        return (beer_means - centre) @ plane

    at = drawn_at(means)
    # sums in another order: rounding alone
    assert drawn_at(-means[:, ::-1]) == pytest.approx(at, abs=1e-8)
    dark = -spectra.mean(axis=1)
    assert np.corrcoef(at[:, 0], dark)[0, 1] > 0.8
    fewer = places(sm.HouseModel().fit(refs.drop(refs.batches.index[0], reason="a refit")))
    centre, plane = _plane(*fewer)
    again = (fewer[0] - centre) @ plane
    for axis in (0, 1):
        assert np.corrcoef(at[:, axis], again[:, axis])[0, 1] > 0.95


def test_the_map_without_samples(small_house, ax):
    plots.plot_identity_map(small_house[0], ax=ax)
    # one line of marks for all batches, one mark for each beer; no sample, no name of one
    assert len(ax.get_lines()) == 1 + len(small_house[0].beers_)


def test_mix_ups_stand_from_pale_to_dark_with_their_shares(evaluation, ax):
    plots.plot_mix_ups(evaluation, ax=ax)
    assert [text.get_text() for text in ax.get_yticklabels()] == ["Pale", "Amber"]
    assert {text.get_position(): text.get_text() for text in ax.texts} == {(1, 0): "50", (0, 1): "100"}


def test_a_reading_lies_beside_the_batch_that_the_reading_names(small_house, ax):
    house, new = small_house
    name = new.scans["sample"].iloc[-1]
    plots.plot_nearest_batches(house, new.spectra, new.scans, sample=name, n_batches=3, ax=ax)
    reading = house.read(new.spectra, scans=new.scans).loc[name]
    nearest = ax.get_lines()[0].get_label()
    assert nearest == f"{reading['nearest_batch']}, {reading['nearest_beer']} ({reading['distance']:.1f})"
    assert len(ax.get_lines()) == 4
    with pytest.raises(TableError, match="there is no sample 'S0'"):
        plots.plot_nearest_batches(house, new.spectra, new.scans, sample="S0")


def test_a_departure_is_held_against_the_claim_and_its_fault_is_shaded(small_house, ax):
    house, new = small_house
    batch = new.batches.index[new.batches["beer"] == "Amber Lane"][0]
    scans = new.scans[new.scans["batch"] == batch]
    foamy = new.spectra.loc[scans.index] + 0.08 * (1.2 - new.spectra.loc[scans.index])
    plots.plot_departure(house, foamy, scans, beer="Amber Lane", ax=ax)
    assert "Amber Lane" in ax.get_ylabel()
    # foam and haze both whiten; which of them it is called is the detector's business
    (said,) = (text.get_text() for text in ax.get_legend().get_texts() if "fault" in text.get_text())
    reading = house.verify(foamy, claimed="Amber Lane", scans=scans).iloc[0]
    assert said.removeprefix("what the fault found adds (").removesuffix(")") in reading["explanation"]
    with pytest.raises(UnknownBeerError, match="'Nobody' is no beer"):
        plots.plot_departure(house, foamy, scans, beer="Nobody")


def test_a_chart_marks_what_signalled(ax):
    made = chart()
    plots.plot_control_chart(made, ax=ax)
    lines = {line.get_label(): line for line in ax.get_lines()}
    alone = {signal.entry for signal in made.signals if signal.test == "single value"}
    drawn = {name: len(lines[name].get_xdata()) for name in ("within", "signals alone", "signals with others")}
    assert drawn["signals alone"] == len(alone) > 0
    assert drawn["signals with others"] == len({signal.entry for signal in made.signals} - alone) > 0
    assert sum(drawn.values()) == 40
    assert len(lines["moving average, capped"].get_xdata()) == 20


def test_a_learning_curve_tells_today_from_estimates(ax):
    plots.plot_learning_curve(curve(), ax=ax)
    line, today, _ = ax.get_lines()
    assert list(line.get_xdata()) == [5, 15]
    assert line.get_ydata() == pytest.approx([4.0, 2.0])
    assert (line.get_markerfacecolor(), list(today.get_xdata())) == ("white", [5])
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["Pale", "Amber: cannot be told"]


@pytest.mark.parametrize("name", plots.__all__)
def test_what_no_figure_can_be_drawn_of_is_refused_by_its_name(name):
    draw = getattr(plots, name)
    if name == "plot_reference_history":
        with pytest.raises(TableError, match="got a int; expected a Session"):
            draw(7)
        return
    needed = [p for p in inspect.signature(draw).parameters.values() if p.default is p.empty]
    with pytest.raises(TableError, match=f"{name}: {needed[0].name} is a str 'sets/house'; expected [A-Z]"):
        draw(*["sets/house"] * len(needed))


def test_without_matplotlib_the_way_out_is_named(monkeypatch, evaluation):
    whole = builtins.__import__

    def without(name, *rest, **more):
        if name.split(".")[0] == "matplotlib":
            raise ImportError(name)
        return whole(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(MissingExtraError, match=r"pip install '\.\[plot\]'"):
        plots.plot_coverage(evaluation)


def test_the_history_of_references_shows_what_was_found(ax):
    found = pd.DataFrame({"code": ["drifted_reference", "lab_value"], "subject": ["s3", "s5"]})
    plots.plot_reference_history(history(), findings=found, ax=ax)
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert labels == [
        "A (6)", "B (6)", "jumps from those before it (1)", "carries too little light (1)",
        "its session reads off (audit) (1)",
    ]  # fmt: skip
    (_, one, two, jump, weak, drifted) = ax.get_lines()
    assert one.get_ydata() == pytest.approx([100, 99, 98, 97, 96, 95])
    assert one.get_marker() != two.get_marker()
    assert (jump.get_ydata()[0], weak.get_ydata()[0], drifted.get_ydata()[0]) == pytest.approx((90, 20, 97))
    assert ax.get_xlabel() == "measured, UTC"


def test_one_moment_alone_stands_in_its_day(ax):
    plots.plot_reference_history(history().iloc[:1], ax=ax)
    assert np.ptp(ax.get_xlim()) == pytest.approx(1.0)
    drawn(ax)


def test_a_history_without_times_stands_in_order_and_small_changes_look_small(ax):
    quiet = history().iloc[:3].assign(measured_at="")
    plots.plot_reference_history(quiet, ax=ax)
    assert ax.get_xlabel() == "reference scan, in the order of the folders"
    assert ax.get_lines()[1].get_xdata().tolist() == [1, 2, 3]
    assert np.ptp(ax.get_ylim()) >= 10.0


def test_shades_go_from_dark_to_light_and_keep_their_order_in_grey():
    grey = [0.2126 * red + 0.7152 * green + 0.0722 * blue for red, green, blue, _ in figure_style.shades(7)]
    assert len(grey) == 7 and all(one < other for one, other in zip(grey, grey[1:], strict=False))
    assert len(figure_style.shades(0)) == 1


@pytest.mark.parametrize("days", [1 / 6, 4.0, 149.0, 1300.0, 1700.0])
def test_a_time_axis_of_any_length_has_dates_and_no_warning(days):
    ax = figure_style.new_figure().add_subplot()
    ax.plot([20000.0, 20000.0 + days], [0.0, 1.0])
    figure_style.time_axis(ax, "day")
    ax.figure.canvas.draw()  # a warning is an error here
    assert 2 <= len(ax.get_xticks()) <= 9
