"""The house model: what is fitted on one reference set, and the readings it gives; a method calls a room below."""

# what a reading does not need is imported where it is called, because a command that reads starts anew for each folder

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from specmatch.array_types import Floats, check_share
from specmatch.batches import must_be
from specmatch.errors import OptionError, SpecmatchError, TableError
from specmatch.house.decision.decision import check_claims, decide_all
from specmatch.house.decision.specification import Specification, day_of
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.model_file import load_arrays, save_arrays
from specmatch.house.reading.colour import asked_labs, refuse_unread
from specmatch.house.reading.readings import Claims, answer_parts, judge_parts, readings_table
from specmatch.house.reading.samples import Part, joined, parts_by_module
from specmatch.house.serialisation import (
    check_arrays,
    classes_within,
    flatten,
    numbers_read,
    one_of_each,
    refuse_other_readings,
    restore,
)
from specmatch.long_jobs import one_thread, step
from specmatch.maths.classification.evidence import SequentialRule, Step, next_step
from specmatch.warning_codes import CONSISTENT, HOLD
from specmatch.wording import counted, in_ten_lines

if TYPE_CHECKING:
    from specmatch.house.reading.changeover import ChangeoverSeries
    from specmatch.measurement.session import Session
    from specmatch.reference.reference_set import ReferenceSet


class HouseModel:
    """Everything that a house needs to read its beers, fitted on one reference set.

    Parameters
    ----------
    coverage : float, default 0.90
        Share of lab values that the colour intervals are to cover, in (0, 1).
    false_reject_rate : float, default 0.05
        Share of rightly claimed samples that may be held, in (0, 1).

    Attributes
    ----------
    beers_ : tuple of str
        Beers of the set, sorted.
    wavelengths_ : ndarray, shape (p,)
        The usable band, nm, ascending: what a scan must cover.

    Notes
    -----
    A fitted model never changes and may be read from many threads. It is a screening check and proves nothing about
    what a liquid is.

    Examples
    --------
    >>> house = sm.HouseModel().fit(refs)
    >>> house.read(spectra, scans=scans)["nearest_beer"].tolist()
    ['Night Porter', 'Meadow Pils', 'Amber Lane']
    """

    def __init__(self, coverage: float = 0.90, false_reject_rate: float = 0.05) -> None:
        self.coverage = coverage
        self.false_reject_rate = false_reject_rate
        self._fitted: FittedHouse | None = None
        self._fitted_by = ""

    def __repr__(self) -> str:
        state = "not fitted"
        if (f := self._fitted) is not None:
            nm = f"{f.wavelength_nm[0]:.0f}-{f.wavelength_nm[-1]:.0f} nm"
            state = f"{counted(len(f.beers), 'beer')}, {counted(len(f.batches), 'batch')}, {nm}"
        return f"HouseModel(coverage={self.coverage}, false_reject_rate={self.false_reject_rate}; {state})"

    def _repr_html_(self) -> str:
        lines = []
        if (f := self._fitted) is not None:
            counts = zip(f.beers, f.identity.batches_per_beer.tolist(), strict=True)
            lines = [f"{beer}: {counted(n, 'batch')}" for beer, n in counts]
        return in_ten_lines(repr(self), lines)

    @property
    def fitted(self) -> FittedHouse:
        """What `fit` learnt; `SpecmatchError` if the model is not fitted."""
        if self._fitted is None:
            raise SpecmatchError("this house model is not fitted; call fit(reference_set) or HouseModel.load(path)")
        return self._fitted

    @property
    def beers_(self) -> tuple[str, ...]:
        """Beers of the set, sorted."""
        return self.fitted.beers

    @property
    def wavelengths_(self) -> Floats:
        """Usable band, shape (p,), nm, ascending (a copy)."""
        return self.fitted.wavelength_nm.copy()

    @property
    def fitted_by(self) -> str:
        """Who answers for the fit, for the record of a line; "" where nobody left a name."""
        return self._fitted_by

    def fit(self, refs: ReferenceSet, *, who: str = "") -> HouseModel:
        """Learn colour, identity and domain from a reference set.

        Parameters
        ----------
        refs : ReferenceSet
        who : str, optional
            Who answers for the fit; kept with the model, and in the journal of a line that judges by it.

        Returns
        -------
        HouseModel
            Itself.

        Raises
        ------
        OptionError, TableError
            If `coverage` or `false_reject_rate` lies outside (0, 1); if it is given anything but a set.
        TooFewBatchesError
            If the set holds fewer than three batches.
        SpecmatchError
            If the model is fitted already: a fitted model never changes.

        Examples
        --------
        >>> HouseModel().fit(refs)
        HouseModel(coverage=0.9, false_reject_rate=0.05; 3 beers, 18 batches, 423-696 nm)
        """
        if self._fitted is not None:
            raise SpecmatchError("this house model is fitted already and never changes; make a new HouseModel()")
        check_share(self.coverage, "coverage", 0.9)
        check_share(self.false_reject_rate, "false_reject_rate")
        must_be("set", refs)
        from specmatch.house.fitting.second_module import fit_set

        step(f"fitting a house model of {counted(len(refs.batches), 'batch')}")
        with one_thread():
            self._fitted = fit_set(refs, false_reject_rate=self.false_reject_rate)
        self._fitted_by = str(who or "").strip()
        return self

    def add_batches(self, refs: ReferenceSet) -> HouseModel:
        """Return a new model for a set that has grown, without choosing channels and identity metric anew.

        Parameters
        ----------
        refs : ReferenceSet
            The set of this model with batches added (`ReferenceSet.extend`), of known or new beers.

        Returns
        -------
        HouseModel
            Identity is what a fit with the same metric gives; `refit_reasons` says when to choose that again too.

        Raises
        ------
        ReferenceSetError
            If a batch of this model is missing from the set, or has changed.

        Examples
        --------
        >>> lab = pd.DataFrame({"beer": ["Amber Lane"], "colour": [23.9]}, index=["AL-1-001"])
        >>> new = scans["batch"] == "AL-1-001"
        >>> house.add_batches(refs.extend(spectra[new], scans[new], lab, reason="a batch of June"))
        HouseModel(coverage=0.9, false_reject_rate=0.05; 3 beers, 19 batches, 423-696 nm)
        """
        from specmatch.house.fitting.second_module import fit_set

        must_be("set", refs)
        with one_thread():
            return self.with_fitted(fit_set(refs, false_reject_rate=self.false_reject_rate, grown_from=self.fitted))

    @property
    def refit_reasons(self) -> tuple[str, ...]:
        """Why this model should be fitted anew, after batches were added; empty if it need not."""
        return self.fitted.refit_reasons

    def transfer(
        self,
        spectra: pd.DataFrame | Session,
        scans: pd.DataFrame | None = None,
        *,
        instrument: str,
        band_nm: tuple[float, float] | None = None,
    ) -> HouseModel:
        """Return a model of this house and of a second module, taught by batches of the set measured on both.

        Parameters
        ----------
        spectra : DataFrame or Session
            Reflectance of 3 to 12 batches of the set (`choose_batches(refs, transfer=6)` names six) on the second
            module, beers and not the sealed control.
        scans : DataFrame, optional
            Their scans table with the column `batch`; a session brings its own.
        instrument : str
            Name of the second module, as the column `instrument` will state it. For another lamp, cup or base under
            a module of the set, that module's; the new part is the one whose name (`lamp`, `cup`, `base`) is new.
        band_nm : tuple of float, optional
            Lowest and highest wavelength, nm, in which the second module's references carry signal; by default a
            session's own, or estimated from the pours.

        Returns
        -------
        HouseModel
            A new one; more modules are added the same way. `transfers` says how well each does.

        Raises
        ------
        TableError
            If a batch is not of the set or not named, if scans are the set's own, another cup came at the same time,
            or two labels look swapped.
        ReferenceSetError, TooFewBatchesError, SpecmatchError
            If all batches are of one beer; if there are fewer than three; if the model kept no pours (older versions).

        Notes
        -----
        The map is chosen by shared batches left out: none, few parameters (glare, path, level, axis, slit, stray light,
        a matt base), or these with axis, slit and stray light changing with wavelength. The set is then fitted anew as
        the second module would see it, with its noise; each batch is carried by another map as likely as the best, so
        that identity bears the error of the transfer, and the colour interval is widened by it.

        Examples
        --------
        >>> chosen = sm.choose_batches(refs, transfer=6).index
        >>> scans_2 = refs.scans[refs.scans["batch"].isin(chosen)].assign(instrument="unit 2")
        >>> spectra_2 = 0.98 * refs.spectra.loc[scans_2.index] + 0.02  # as if it had 2 % more glare
        >>> house.transfer(spectra_2, scans_2, instrument="unit 2").transfers["n_batches"].tolist()
        [6]
        """
        from specmatch.house.transfer import transfer_house

        rate = self.false_reject_rate
        with one_thread():
            found = transfer_house(self.fitted, spectra, scans, instrument, band_nm=band_nm, false_reject_rate=rate)
            return self.with_fitted(found)

    @property
    def transfers(self) -> pd.DataFrame:
        """What each further module was taught by, and how well it does on shared batches left out.

        `module`, `instrument`, `n_batches`, `route`, `colour_error` (relative, root mean square, the pours of both
        measurements in it), `identity_error` (in units of the scatter within a beer), `colour_sd` (relative standard
        deviation that joins the colour interval) and `advice` (`transfer serves` or `measure a set of its own`).
        """
        from specmatch.house.transfer import transfers_table

        return transfers_table(self.fitted)

    def with_fitted(self, fitted: FittedHouse) -> HouseModel:
        """Return a new model with these settings that has learnt something else.

        Parameters
        ----------
        fitted : FittedHouse

        Returns
        -------
        HouseModel

        Examples
        --------
        >>> house.with_fitted(house.fitted)
        HouseModel(coverage=0.9, false_reject_rate=0.05; 3 beers, 18 batches, 423-696 nm)
        """
        model = HouseModel(self.coverage, self.false_reject_rate)
        model._fitted = fitted
        return model

    def read(
        self,
        spectra: pd.DataFrame | pd.Series | Session,
        scans: pd.DataFrame | pd.Series | None = None,
        coverage: float | None = None,
        *,
        lab: str | pd.Series | Mapping[str, str] | None = None,
    ) -> pd.DataFrame:
        """Read samples: colour with an interval, nearest beer, every plausible beer, warnings.

        Parameters
        ----------
        spectra : DataFrame, Series or Session
            Reflectance, a row a scan, columns in nm; a Series is one spectrum; a session brings its own scans table
            and the warnings of its scans.
        scans : DataFrame or Series, optional
            A scans table, or scan_id -> sample. Without it each row is its own sample of one pour.
        coverage : float, optional
            Share of lab values to cover; by default the model's own.
        lab : str, Series or mapping, optional
            Lab of the set, or sample -> lab, whose values colour and interval stand for; by default that with most
            batches.

        Returns
        -------
        DataFrame
            A row a sample, index `sample`, in the order given.

        Raises
        ------
        WavelengthMismatchError
            If the scans do not cover the model's wavelengths.
        OptionError, TableError
            If the lab is not one that the model knows; if one is named for a sample that has no scan.

        Examples
        --------
        >>> house.read(session).round(1).loc["AL-1-001-S1", ["colour", "colour_low", "colour_high"]].tolist()
        [23.8, 23.2, 24.4]
        """
        level, labs = self.coverage if coverage is None else coverage, asked_labs(lab)
        parts, rate = parts_by_module(self.fitted, spectra, scans), self.false_reject_rate
        table = joined(parts, lambda part: readings_table(part, level, rate, lab=labs))
        refuse_unread(labs, table.index)
        return table

    def p_values(
        self, spectra: pd.DataFrame | pd.Series | Session, scans: pd.DataFrame | pd.Series | None = None
    ) -> pd.DataFrame:
        """Return how typical each sample is of each beer.

        Parameters
        ----------
        spectra, scans
            As in `read`.

        Returns
        -------
        DataFrame, shape (n_samples, n_beers)
            In [0, 1]: how often a true sample of the beer lies as far out.

        Examples
        --------
        >>> house.p_values(session).round(1).loc["NP-1-001-S1"].to_dict()
        {'Amber Lane': 0.0, 'Meadow Pils': 0.0, 'Night Porter': 0.6}
        """
        return joined(parts_by_module(self.fitted, spectra, scans), lambda part: part.p_values)

    def verify(
        self,
        spectra: pd.DataFrame | pd.Series | Session,
        claimed: str | pd.Series | Mapping[str, str] | None = None,
        scans: pd.DataFrame | pd.Series | None = None,
        coverage: float | None = None,
        *,
        specification: Specification | None = None,
        on: date | None = None,
        every_pour: bool = False,
        lab: str | pd.Series | Mapping[str, str] | None = None,
    ) -> pd.DataFrame:
        """Judge claims: `consistent`, `hold` or `rescan`, each with a reason and an advice.

        Parameters
        ----------
        spectra : DataFrame, Series or Session
            As in `read`.
        claimed : str, Series or mapping, optional
            The beer that all samples are said to be, or sample -> beer; by default a session's own claims. A sample
            without a claim is read only: its decision is None.
        scans, coverage
            As in `read`.
        specification : Specification, optional
            Colour limits and package labels of the house.
        on : date, optional
            The day for which they are looked up; by default that on which each sample was measured, or the newest.
        every_pour : bool, default False
            Average odd pours in too.
        lab : str, Series or mapping, optional
            As in `read`; colour limits are judged by what that lab would report.

        Returns
        -------
        DataFrame
            The readings with `claimed`, `decision`, `reason`, `advice`.

        Raises
        ------
        UnknownBeerError, OptionError
            If a claim names a beer that the set does not hold; if `on` is no day.

        Examples
        --------
        >>> house.verify(spectra, claimed="Amber Lane", scans=scans)["decision"].to_dict()
        {'NP-1-001-S1': 'hold', 'MP-1-001-S1': 'hold', 'AL-1-001-S1': 'consistent'}
        """
        claimed = getattr(spectra, "claims", None) if claimed is None else claimed
        if specification is not None:
            must_be("specification", specification)
        labels = specification.label_names if specification else ()
        day = None if on is None else day_of(on)
        if on is not None and day is None:
            raise OptionError(f"on is {on!r}; expected a day, such as date(2025, 6, 24)")
        level = self.coverage if coverage is None else coverage
        parts = parts_by_module(self.fitted, spectra, scans, every_pour=every_pour)
        names = [name for part in parts for name in part.samples.index]
        labs = asked_labs(lab)
        refuse_unread(labs, pd.Index(names))
        claim_of = dict(zip(names, check_claims(claimed, pd.Index(names), self.beers_, labels=labels), strict=True))

        def verify_part(part: Part) -> pd.DataFrame:
            own = part.samples
            claims = [claim_of[name] for name in own.index]
            readings = readings_table(part, level, self.false_reject_rate, claims, labs)
            judged = decide_all(
                claims, readings, part.match.p_value, self.beers_, self.false_reject_rate,
                specification=specification, days=[day or day_of(text) for text in own.measured_on], coverage=level,
            )  # fmt: skip
            return pd.concat([readings, judged], axis=1)

        return joined(parts, verify_part)

    def read_chunks(
        self,
        parts: Iterable[pd.DataFrame | Session | tuple[pd.DataFrame, pd.DataFrame]],
        *,
        coverage: float | None = None,
        lab: str | None = None,
    ) -> Iterator[pd.DataFrame]:
        """Read more than fits into memory, part by part.

        Parameters
        ----------
        parts : iterable
            Tables of spectra (each row its own sample), sessions, or pairs of a table of spectra and its scans table,
            such as `map(sm.measure, folders)` gives. A sample lies whole in one part.
        coverage, lab
            As in `read`.

        Yields
        ------
        DataFrame
            The readings of one part; memory holds one part and its readings.

        Raises
        ------
        TableError
            If a sample stands in two parts that follow each other, or `parts` is one table. What is refused in a part
            raises with its number, after the readings of the parts before it.

        Examples
        --------
        >>> parts = [(spectra.loc[ids], scans.loc[ids]) for ids in scans.groupby("sample").groups.values()]
        >>> [len(table) for table in house.read_chunks(parts)]
        [1, 1, 1]
        """
        return answer_parts(parts, lambda spectra, scans: self.read(spectra, scans, coverage, lab=lab))

    def verify_chunks(
        self,
        parts: Iterable[pd.DataFrame | Session | tuple[pd.DataFrame, pd.DataFrame]],
        *,
        claimed: str | pd.Series | Mapping[str, str] | None = None,
        coverage: float | None = None,
        specification: Specification | None = None,
        on: date | None = None,
    ) -> Iterator[pd.DataFrame]:
        """Judge more claims than fit into memory, part by part.

        Parameters
        ----------
        parts : iterable
            As in `read_chunks`.
        claimed, coverage, specification, on
            As in `verify`; claims of the samples of all parts.

        Yields
        ------
        DataFrame
            The judged readings of one part.

        Raises
        ------
        TableError
            As in `read_chunks`; and after the last part if a claim is made for a sample that no part holds.
        UnknownBeerError
            As in `verify`.

        Examples
        --------
        >>> parts = [(spectra.loc[ids], scans.loc[ids]) for ids in scans.groupby("sample").groups.values()]
        >>> [table["decision"].tolist() for table in house.verify_chunks(parts, claimed="Amber Lane")]
        [['consistent'], ['hold'], ['hold']]
        """

        def judge(spectra: pd.DataFrame | Session, scans: pd.DataFrame | None, claims: Claims) -> pd.DataFrame:
            return self.verify(spectra, claims, scans, coverage, specification=specification, on=on)

        return judge_parts(parts, claimed, judge)

    def changeover(
        self,
        spectra: pd.DataFrame | pd.Series | Session,
        scans: pd.DataFrame | pd.Series | None = None,
        *,
        before: str,
        after: str,
    ) -> pd.DataFrame:
        """Estimate how much of the beer before is left in each sample of the beer after it.

        Parameters
        ----------
        spectra, scans
            As in `read`.
        before, after : str
            Beers of the set; `before` may be `"water"`, for push water.

        Returns
        -------
        DataFrame
            `fraction` with `fraction_low` and `fraction_high` (95 %), `smallest_visible` (98 of 100 readings of so much
            show it), `p_value` (how typical of a blend of the two) and a `sentence`.

        Raises
        ------
        UnknownBeerError, TooFewBatchesError
            If a name is no beer of the set; if the set shows no scatter between batches.

        Notes
        -----
        Both beers scatter from batch to batch, each by its share of the absorbance; blends are drawn by the law of the
        cup. Blends of the set's own batches, held out, set how wide the limits must be.

        Examples
        --------
        >>> left = house.changeover(session, before="Meadow Pils", after="Amber Lane")
        >>> left.loc["AL-1-001-S1", "sentence"]
        'no Meadow Pils seen; a part under 28% may be missed'
        """
        from specmatch.house.reading.changeover import changeover_table

        parts = parts_by_module(self.fitted, spectra, scans)
        return joined(parts, lambda part: changeover_table(part.fitted, part.samples, before=before, after=after))

    def changeover_series(
        self, spectra: pd.DataFrame | Session, scans: pd.DataFrame | pd.Series | None = None, *, before: str, after: str
    ) -> ChangeoverSeries:
        """Say from which sample of a changeover on it is the new beer, to the smallest part that can be seen.

        Parameters
        ----------
        spectra, scans
            As in `read`: five samples or more on one module, in the order taken, or of `measured_at` where all have it.
        before, after
            As in `changeover`.

        Returns
        -------
        ChangeoverSeries
            `first` (a sample, or None where the last three do not stand for the new beer, or one from there on looks
            like no blend of the two), `smallest_visible`, `fractions` (never rising, in time) and a `sentence`.

        Raises
        ------
        OptionError, TableError
            If there are fewer than five samples; if they were measured on two modules of the model.

        Notes
        -----
        Packages after a changeover are of one batch, for which the last ones stand: only the scatter of pours tells the
        others from them, so that far smaller parts are seen than in one sample.

        Examples
        --------
        >>> row = spectra[scans["batch"] == "AL-1-001"].iloc[[0] * 6].set_axis([f"package {i}" for i in range(6)])
        >>> house.changeover_series(row, before="Meadow Pils", after="Amber Lane").first
        'package 0'
        """
        from specmatch.house.reading.changeover import changeover_series

        part = self._one_module(spectra, scans)
        return changeover_series(part.fitted, part.samples, part.scans, before=before, after=after)

    def _one_module(
        self, spectra: pd.DataFrame | Session, scans: pd.DataFrame | pd.Series | None, *, every_pour: bool = False
    ) -> Part:
        part, *others = parts_by_module(self.fitted, spectra, scans, every_pour=every_pour)
        if others:
            raise TableError("the samples were measured on two modules of the model; give those of one at a time")
        return part

    def next_package(
        self,
        spectra: pd.DataFrame | Session,
        claimed: str,
        scans: pd.DataFrame | None = None,
        *,
        wrong_hold: float = 0.05,
        wrong_pass: float = 0.01,
        most_packages: int = 6,
        specification: Specification | None = None,
    ) -> Step:
        """Say after the packages taken so far, one pour each of one batch, whether they are enough.

        Parameters
        ----------
        spectra : DataFrame or Session
            A row a package, in the order taken; with a scans table a pour a package.
        claimed : str
        scans : DataFrame, optional
        wrong_hold, wrong_pass : float
            Chance that a right batch is held, and that one of another beer of the set passes, in all packages, each in
            (0, 0.5). Where a rival lies too close for both, more is held: see `stated_hold`.
        most_packages : int, default 6
            Where the sequence ends in a hold: packages average out pours, never the batch itself.
        specification : Specification, optional
            Colour limits: as in `verify` they and codes that hold apply to the packages together.

        Returns
        -------
        Step
            `decision` is `consistent`, `hold` or `another`; `rival` counts into `beers_`; `undecided`: held at the last
            package because a rival is not ruled out, `stated_undecided`: how many right lots end so; `reason` where the
            identity passes and the packages together do not.

        Raises
        ------
        UnknownBeerError, OptionError
            If the claim is no beer of the set; if a chance is out of range.
        TableError
            If the packages are of several batches, or were measured on two modules of the model.

        Notes
        -----
        The rule is that of a line's retests: one departure asks for another package, and is a hold if all together
        depart again. It passes once every rival is outweighed by A. Wald's bound, knowing that packages share a batch.

        Examples
        --------
        >>> packages = spectra[scans["batch"] == "AL-1-001"]
        >>> house.next_package(packages, "Amber Lane").decision, house.next_package(packages, "Meadow Pils").decision
        ('consistent', 'hold')
        """
        part = self._one_module(spectra, scans, every_pour=True)
        pours, on = part.samples.pours, day_of(part.samples.measured_on[0])
        if len(lots := part.batches()) > 1:
            one, other = lots[:2]
            raise TableError(f"the packages are of batches {one!r} and {other!r}; give those of one lot at a time")
        (claim, *_) = check_claims(claimed, pours.names, self.beers_)
        rule = SequentialRule(wrong_hold, wrong_pass, most_packages)
        step = next_step(part.fitted.identity, pours.reflectance, claimed=self.beers_.index(str(claim)), rule=rule)
        if step.decision != CONSISTENT:
            return step
        # the batch passes for what it is, but no claim passes on a colour that nobody knows, nor against a limit
        used = pd.DataFrame(pours.reflectance, index=pours.names, columns=part.fitted.wavelength_nm)
        together = pd.Series("packages", index=used.index)
        model = self.with_fitted(part.fitted)
        whole = model.verify(used, str(claim), together, specification=specification, on=on).iloc[0]
        held = whole["decision"] != CONSISTENT
        return replace(step, decision=HOLD, reason=str(whole["reason"])) if held else step

    def limit_risks(self, specification: Specification) -> pd.DataFrame:
        """State what the decision rules on colour come to for lots like the house's own.

        Parameters
        ----------
        specification : Specification
            Colour limits, as `load_specification` reads them.

        Returns
        -------
        DataFrame
            A row for each row of limits whose beer has lab colours, index `beer`: `low`, `high`, `rule`, `risk`,
            `valid_from` and `valid_to` (None: without an end); `accepted_low`, `accepted_high` (readings between them
            pass); shares of all lots: `conform`, `producer_risk` (conform and are held), `consumer_risk` (do not and
            pass), `cannot_tell`, the three with 95 % bounds such as `producer_risk_low`; `held_of_conforming`,
            `passed_of_others` (of the lots that conform, and of those that do not); `n_batches`.

        Notes
        -----
        JCGM 106:2012, 9.5. Lots scatter about the beer's mean lab colour as the set's batches do, each beer's scatter
        drawn towards that of all; readings about the lot's lab colour as intervals say, at the pours of the set.

        Examples
        --------
        >>> sheet = Path("house.limits.csv").write_text("beer,target,tolerance,unit\\nAmber Lane,23.7,10%,EBC\\n")
        >>> house.limit_risks(sm.load_specification("house.model")).loc["Amber Lane", "rule"]
        'guarded_acceptance'
        """
        from specmatch.house.decision.risks import limit_risks

        must_be("specification", specification)
        return limit_risks(self.fitted, specification)

    def limits_by_risk(self, specification: Specification, *, producer_risk: float) -> Specification:
        """Return colour limits whose rule holds a stated share of the lots that conform.

        Parameters
        ----------
        specification : Specification
        producer_risk : float
            Share of conforming lots that may be held, in (0, 0.5).

        Returns
        -------
        Specification
            The same limits, each with the guard band that comes to this share.

        Raises
        ------
        OptionError
            If the share is out of range, a beer has too few lab colours, or no guard band comes to it.

        Examples
        --------
        >>> sheet = Path("house.limits.csv").write_text("beer,target,tolerance,unit\\nAmber Lane,23.7,10%,EBC\\n")
        >>> mild = house.limits_by_risk(sm.load_specification("house.model"), producer_risk=0.02)
        >>> round(float(house.limit_risks(mild)["held_of_conforming"].iloc[0]), 3)
        0.02
        """
        from specmatch.house.decision.risks import limits_by_risk

        must_be("specification", specification)
        return limits_by_risk(self.fitted, specification, producer_risk)

    def budget(self, *, n_pours: int | None = None, lab_sd: float | None = None) -> pd.DataFrame:
        """Say where the uncertainty of a colour comes from, beer by beer, and what would halve it.

        Parameters
        ----------
        n_pours : int, optional
            Pours of a reading, 1 or more; by default what the set has.
        lab_sd : float, optional
            Standard deviation of one lab colour in the unit of the set, above 0. Unless it is given, the lab's error
            is part of `regression`: held-out batches alone do not tell the two apart.

        Returns
        -------
        DataFrame
            Index `beer`, `component`: fill, cup (foam, bubbles, haze), noise, lamp, axis, regression, lab where
            stated, their sum `reading`, `between batch`, and `new batches`: what readings of new batches scatter by.
            Columns `colour` and `sd_in_unit` in the unit of the set, `sd` (relative: 0.01 is 1 %), `share` of the
            variance of a reading, `reading_sd_if_halved` (if this component's were halved), `advice`.

        Raises
        ------
        TooFewBatchesError, OptionError
            If the model reads no colour; if `n_pours` or `lab_sd` is outside its range.

        Notes
        -----
        JCGM 100:2008, 5.1: variances add, each the square of a sensitivity (of the regression, at the beer's mean
        spectrum) times a standard uncertainty (the scatter of the set's own pours); `regression` is what held-out
        batches missed by beyond that.

        Examples
        --------
        >>> list(house.budget().loc["Amber Lane"].index)[:7]
        ['fill', 'lamp', 'cup', 'axis', 'noise', 'regression', 'session']
        """
        from specmatch.house.reading.colour import budget_table

        return budget_table(self.fitted, n_pours=n_pours, lab_sd=lab_sd)

    def save(self, path: str | Path) -> None:
        """Write the model to one file: arrays and a manifest, no code.

        Parameters
        ----------
        path : str or Path

        Raises
        ------
        StorageError
            If the file cannot be written.

        Examples
        --------
        >>> house.save("house_again.model")
        """
        arrays, tree = flatten(self.fitted, "house")
        settings = {"coverage": self.coverage, "false_reject_rate": self.false_reject_rate}
        checks = check_arrays(one_of_each(self.fitted.identity.samples), self._read_numbers)
        manifest = {"house": tree, "settings": settings, "fitted_by": self.fitted_by}
        save_arrays(path, {**arrays, **checks}, manifest)

    @classmethod
    def load(cls, path: str | Path) -> HouseModel:
        """Read a model file.

        Parameters
        ----------
        path : str or Path

        Returns
        -------
        HouseModel

        Raises
        ------
        ModelFileError
            If the file is damaged, foreign, of a later format, or reads its check spectra otherwise than when saved.

        Examples
        --------
        >>> HouseModel.load("house.model")
        HouseModel(coverage=0.9, false_reject_rate=0.05; 3 beers, 18 batches, 423-696 nm)
        """
        arrays, manifest = load_arrays(path)
        model = cls(**manifest["settings"])
        # files of before have no such entry
        model._fitted_by = str(manifest.get("fitted_by", ""))
        model._fitted = restore(manifest["house"], arrays, "house", classes_within(FittedHouse))
        refuse_other_readings(path, arrays, model._read_numbers)
        return model

    def _read_numbers(self, reflectance: Floats) -> dict[str, Floats]:
        return numbers_read(self.read, reflectance, self.fitted.wavelength_nm)
