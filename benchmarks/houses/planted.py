"""Faults planted in one house, and what the library says of them: in `verify`, in an audit, and by which name where.

A fault counts where it matters: where the colour of the lone pour moves by more than half of its interval's width.
Beside that it is told how many of these an oracle with the simulator's true covariances and shapes names.
"""

import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import specmatch as sm
from benchmarks.houses.faults import Fault
from benchmarks.houses.figures import RATE
from benchmarks.houses.house import LAST_DRAW, Draw, House, HouseSpec, log_bins

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]

# planted in lone pours, and the code that is right
LONE = (
    ("path_long", Fault("path", 0.2)),
    ("path_short", Fault("path", -0.2)),
    ("lamp_drift", Fault("lamp", 0.08)),
    ("lamp_drift", Fault("lamp", -0.08)),
    ("wavelength_shift", Fault("shift", 1.5)),
    ("wavelength_shift", Fault("shift", -1.5)),
    ("ambient_light", Fault("ambient", 0.02)),
    ("foam", Fault("foam", 0.05)),
)
FAULT_CODES = frozenset(
    {"path_long", "path_short", "lamp_drift", "wavelength_shift", "ambient_light", "foam", "haze", "stray_light"}
)
# of the oracle: clean pours that it may give a name, and batches of a beer, and scans in all, that tell it the truth
ORACLE_LEVEL = 0.05
TRUTH_BATCHES, TRUTH_SCANS = 100, 2400
# what a clean set holds by chance, and what is no false finding where it is told: beer in a pour beside its mates, foam
# on more of its surface, a lab value off the true colour; and what is said of a set as it was drawn
MISFILLED, FOAMY, LAB_WRONG = 0.15, 0.015, 0.06
STATEMENTS = ("missing_lab", "thin_beer", "colour_gap", "mixed_conditions")
SAMPLES = 60  # of each fault, a member and seed
PLANTED_SHARE = 0.06  # of the batches of an audited set
# words by which each code is known in a sentence
WORDS = {
    "path": ("beer in the cup",),
    "foam": ("under foam",),
    "haze": ("haze that",),
    "lamp": ("light from the lamp",),
    "ambient": ("light from outside",),
    "shift": ("wavelength axis",),
    "stray": ("stray light",),
    "clipped": ("cut off",),
}
NAME_OF_CODE = {
    "path_long": "path", "path_short": "path", "lamp_drift": "lamp", "ambient_light": "ambient", "stray_light": "stray",
    "wavelength_shift": "shift", "foam": "foam", "haze": "haze", "saturated": "clipped",
}  # fmt: skip
ONE_NAME = (Fault("haze", 0.1), Fault("foam", 0.06), Fault("path", 0.15), Fault("lamp", 0.08))


def learnt(house: House) -> tuple[Draw, sm.ReferenceSet, sm.HouseModel]:
    """Return the house's past, its set, and the model fitted on it."""
    past = house.draw()
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC", band_nm=past.band_nm)
    return past, refs, sm.HouseModel(false_reject_rate=RATE).fit(refs)


def _codes(model: sm.HouseModel, drawn: Draw) -> list[list[str]]:
    """Codes of faults of each sample, in the order in which they are named."""
    claims = drawn.batches["beer"].set_axis([f"{name}-S1" for name in drawn.batches.index])
    found = model.verify(drawn.spectra, claims, scans=drawn.scans).loc[list(claims.index)]
    return [[code for code in row if code in FAULT_CODES] for row in found["warnings"]]


def _moved(model: sm.HouseModel, good: Draw, spoilt: Draw, rows: Mask) -> Mask:
    """Whether the colour of each of these pours, read alone, moves by more than half its interval, (n_rows,)."""
    before, after = (model.read(drawn.spectra[rows]) for drawn in (good, spoilt))
    half = (before["colour_high"] - before["colour_low"]).to_numpy(float) / 2.0
    return np.abs(after["colour"].to_numpy(float) - before["colour"].to_numpy(float)) > half


class _Oracle:
    """A judge of lone pours who knows the true scatter of each beer, and the true shape of each fault, not its size.

    What it does not know better is the mean of a beer, which the set holds. One limit for all faults gives
    `ORACLE_LEVEL` of the clean pours of another year some name.
    """

    def __init__(self, house: House, past: Draw, planted: Sequence[tuple[str, Fault]]) -> None:
        self.codes = np.array([code for code, _ in planted])
        n = max(TRUTH_BATCHES, TRUTH_SCANS // len(house.beers))
        clean = house.draw(n, LAST_DRAW, pours=1, single_session_per_beer=False)
        self._features = log_bins(clean.spectra.columns.to_numpy(float), past.band_nm)
        rows, beer = self._rows(clean)
        spoilt = [house.draw(n, LAST_DRAW, pours=1, faults=one, single_session_per_beer=False) for _, one in planted]
        change = [self._rows(one)[0] - rows for one in spoilt]
        batches, of_batch = self._rows(past)
        scatter = {k: np.cov(rows[beer == k], rowvar=False) for k in house.beers}
        pooled = np.mean(list(scatter.values()), axis=0)
        self._of_beer = {}
        for k in house.beers:
            # an estimate of so many channels from so few batches is drawn a little to that of all beers
            own = 0.8 * scatter[k] + 0.2 * pooled * np.trace(scatter[k]) / np.trace(pooled)
            weight = np.linalg.inv(own * (1.0 + 1.0 / (of_batch == k).sum()))
            shapes = np.array([one[beer == k].mean(axis=0) for one in change])
            self._of_beer[k] = batches[of_batch == k].mean(axis=0), shapes @ weight, shapes
        other = house.draw(n, LAST_DRAW - 1, pours=1, single_session_per_beer=False)
        self._limit = np.quantile(self._gains(other).max(axis=1), 1.0 - ORACLE_LEVEL)

    def named(self, drawn: Draw) -> NDArray[np.str_]:
        """Return the code of the likeliest fault of each lone pour, blank for none."""
        gains = self._gains(drawn)
        return np.where(gains.max(axis=1) > self._limit, self.codes[gains.argmax(axis=1)], "")

    def _rows(self, drawn: Draw) -> tuple[Floats, NDArray[np.object_]]:
        mean = drawn.spectra.groupby(drawn.scans["batch"], sort=False).mean()
        return self._features(mean.to_numpy()), drawn.batches.loc[mean.index, "beer"].to_numpy()

    def _gains(self, drawn: Draw) -> Floats:
        """Return twice the log likelihood ratio of each fault against none, up to twice the size planted."""
        rows, beer = self._rows(drawn)
        gains = np.zeros((len(rows), len(self.codes)))
        for k, (mean, weighed, shapes) in self._of_beer.items():
            along, square = (rows[beer == k] - mean) @ weighed.T, (weighed * shapes).sum(axis=1)
            size = np.clip(along / square, 0.0, 2.0)
            gains[beer == k] = size * (2.0 * along - size * square)
        return gains


def _last_pours(drawn: Draw) -> Mask:
    return ~drawn.scans["batch"].duplicated(keep="last").to_numpy()


def fault_figures(spec: HouseSpec, seed: int) -> list[dict[str, object]]:
    """Return a row a fault: samples in which it matters, and in how many it is named, tied, or another is named.

    `oracle`: of lone pours, those that an oracle names right. `n_good`, `named_good`: of clean samples those without a
    pour that is spoilt by chance.
    """
    house = House(spec, seed)
    past, _, model = learnt(house)
    oracle = _Oracle(house, past, LONE)
    each = max(1, round(SAMPLES / len(house.beers)))
    rows: list[dict[str, object]] = []
    for pours, planted in ((1, LONE), (3, (("foam", Fault("foam", 0.05)),))):
        good = house.draw(each, 1, pours=pours, single_session_per_beer=False)
        clean = np.array([bool(codes) for codes in _codes(model, good)])
        chance = spoilt_by_chance(good).groupby(good.scans["batch"]).any().loc[good.batches.index].to_numpy()
        row = {"fault": "clean", "pours": pours, "n": len(clean), "named": int(clean.sum()), "tied": 0, "other": 0}
        rows.append({**row, "n_good": int((~chance).sum()), "named_good": int(clean[~chance].sum())})
        for code, fault in planted:
            spoilt = house.draw(each, 1, pours=pours, faults=fault, single_session_per_beer=False)
            matters = _moved(model, good, spoilt, _last_pours(good))
            found = [codes for codes, counts in zip(_codes(model, spoilt), matters, strict=True) if counts]
            tied = sum(code in codes[1:2] for codes in found)
            named = sum(codes[:1] == [code] for codes in found)
            other = sum(bool(codes) for codes in found) - named - tied
            row = {"fault": code, "pours": pours, "n": len(found), "named": named, "tied": tied, "other": other}
            if pours == 1:
                row["oracle"] = int((oracle.named(spoilt)[matters] == code).sum())
            rows.append(row)
    return [{"member": spec.name, "seed": seed, **row} for row in rows]


def borne_out(drawn: Draw, findings: pd.DataFrame) -> pd.Series:
    """Say which findings of a set without a planted error are true: what they tell of did happen."""
    scans, truth, batches = drawn.scans, drawn.truth, drawn.batches
    odd = spoilt_by_chance(drawn)
    # of a batch: its pours together are off what the house pours by as much as a lab value that is called wrong
    whole = truth["depth_mm"].groupby(scans["batch"]).mean() / truth["depth_mm"].median() - 1.0
    foamy = truth["foam"].groupby(scans["batch"]).mean() - truth["foam"].median()
    misread = set(whole.index[(whole.abs() > LAB_WRONG) | (foamy > FOAMY)])
    off = np.log(batches["colour"] / drawn.true_colour.loc[batches.index])
    lab = batches["lab"] if "lab" in batches else pd.Series("", index=batches.index)
    wrong = (off - off.groupby(lab).transform("median")).abs() > LAB_WRONG
    subjects = {
        "odd_pour": {*scans.loc[odd, "pour"], *scans.loc[odd, "sample"], *misread},
        "lab_value": set(batches.index[wrong]),
        "swapped_lab_values": set(batches.index[wrong]),
    }
    held = [
        subject in subjects[code]
        if code in subjects
        else code in STATEMENTS
        or (code == "lab_bias" and lab.nunique() > 1)
        or (code == "few_sessions" and _few_sessions(drawn))
        for code, subject in zip(findings["code"], findings["subject"], strict=True)
    ]
    return pd.Series(held, index=findings.index, dtype=bool)


def spoilt_by_chance(drawn: Draw) -> pd.Series:
    """Say which pours nobody spoilt and are spoilt all the same, beside their mates or, alone, beside all pours."""
    truth, sample = drawn.truth, drawn.scans["sample"]
    beside = {of: _of_mates(truth[of], sample).fillna(truth[of].median()) for of in ("depth_mm", "foam")}
    misfilled = (truth["depth_mm"] / beside["depth_mm"] - 1.0).abs() > MISFILLED
    return misfilled | (truth["foam"] - beside["foam"] > FOAMY)


def _of_mates(value: pd.Series, sample: pd.Series) -> pd.Series:
    """Return the median of the other pours of each pour's sample; NaN for lone pours."""
    mates = [
        np.delete(own, k) for _, rows in value.groupby(sample) for own in (rows.to_numpy(),) for k in range(len(own))
    ]
    order = [name for _, rows in value.groupby(sample) for name in rows.index]
    return pd.Series([np.median(own) if own.size else np.nan for own in mates], index=order).reindex(value.index)


def _few_sessions(drawn: Draw) -> bool:
    """Whether a beer of three batches or more came from one session or two."""
    beer = drawn.scans["batch"].map(drawn.batches["beer"])
    each = drawn.scans.groupby(beer).agg(batches=("batch", "nunique"), sessions=("session", "nunique"))
    return bool(((each["batches"] >= 3) & (each["sessions"] <= 2)).any())


def _with_rows_of(good: Draw, spoilt: Draw, rows: Mask) -> pd.DataFrame:
    spectra = good.spectra.copy()
    spectra[rows] = spoilt.spectra[rows]
    return spectra


def audit_figures(spec: HouseSpec, seed: int) -> list[dict[str, object]]:
    """Return a row a planted error: how many mattered, how many were found; and the findings of the clean set."""
    house = House(spec, seed)
    past, refs, model = learnt(house)
    rng = np.random.default_rng([seed, 77])
    audit = refs.audit()
    clean = audit.loc[~borne_out(past, audit), "code"]
    rows: list[dict[str, object]] = [{"planted": "clean", "n": 1, "found": clean.nunique()}]
    pours = past.scans["batch"].value_counts()
    few = max(1, round(PLANTED_SHARE * len(past.batches)))

    def audited(spectra: pd.DataFrame, batches: pd.DataFrame) -> pd.DataFrame:
        return sm.ReferenceSet(spectra, past.scans, batches, colour_unit="EBC", band_nm=past.band_nm).audit()

    for name, fault in (("path +20 %", Fault("path", 0.2)), ("foam 4 %", Fault("foam", 0.04))):
        several = list(pours.index[pours >= 3])
        if not several:
            continue
        spoilt = house.draw(faults=fault)
        chosen = rng.permutation(several)[:few]
        rows_of = _last_pours(past) & past.scans["batch"].isin(chosen).to_numpy()
        matters = past.scans.index[rows_of][_moved(model, past, spoilt, rows_of)]
        found = audited(_with_rows_of(past, spoilt, rows_of), past.batches)
        odd = set(found.loc[found["code"] == "odd_pour", "subject"])
        caught = sum(pour in odd for pour in past.scans.loc[matters, "pour"])
        rows.append({"planted": name, "n": len(matters), "found": caught})
    rows += _wrong_tables(past, model, rng, few, audited)
    return [{"member": spec.name, "seed": seed, **row} for row in rows]


def _wrong_tables(
    past: Draw,
    model: sm.HouseModel,
    rng: np.random.Generator,
    few: int,
    audited: Callable[[pd.DataFrame, pd.DataFrame], pd.DataFrame],
) -> list[dict[str, object]]:
    """Plant wrong beers and lab values that are 15 % up, a few at a time."""
    chosen = rng.permutation(past.batches.index)[:few]
    batches = past.batches.copy()
    p = model.p_values(past.spectra, scans=past.scans)
    told = 0
    for batch in chosen:
        others = [beer for beer in p.columns if beer != batches.at[batch, "beer"]]
        batches.at[batch, "beer"] = str(rng.choice(others))
    found = audited(past.spectra, batches)
    wrong = set(found.loc[found["code"] == "mislabelled", "subject"])
    # a batch that is plausible as both beers is no error that a spectrum could show
    apart = [b for b in chosen if p.at[f"{b}-S1", batches.at[b, "beer"]] <= RATE]
    told = sum(batch in wrong for batch in apart)
    rows: list[dict[str, object]] = [{"planted": "mislabelled", "n": len(apart), "found": told}]
    batches = past.batches.copy()
    chosen = rng.permutation(past.batches.index)[:few]
    sure = (batches["colour_sd"] <= 0.02 * batches["colour"]).to_numpy()
    batches.loc[chosen, "colour"] *= 1.15
    found = audited(past.spectra, batches)
    off = set(found.loc[found["code"].isin(["lab_value", "swapped_lab_values"]), "subject"])
    judged = [batch for batch in chosen if sure[past.batches.index.get_loc(batch)]]
    rows.append({"planted": "lab +15 %", "n": len(judged), "found": sum(batch in off for batch in judged)})
    return rows


def _first_cause(sentence: str) -> str:
    """Return the cause that a sentence names first, "" for none."""
    places = {name: sentence.find(words[0]) for name, words in WORDS.items()}
    named = {name: place for name, place in places.items() if place >= 0}
    return min(named, key=named.__getitem__) if named else ""


def name_figures(spec: HouseSpec, seed: int) -> list[dict[str, object]]:
    """Return a row a spoilt pour: what `measure`, the audit of the set with it, and `read` name as its cause.

    `matters`: whether the colour of the pour alone moves by more than half its interval; `aside`: whether a pour of its
    sample is spoilt by chance already, so that nothing tells which is right.
    """
    house = House(spec, seed)
    _, refs, model = learnt(house)
    rows = []
    good = house.draw(1, 1, pours=3, single_session_per_beer=False)
    chance = spoilt_by_chance(good).groupby(good.scans["sample"]).any()
    for fault in ONE_NAME:
        with tempfile.TemporaryDirectory() as folder:
            drawn = house.write_folder(Path(folder), 1, 1, faults=fault, pours=3, single_session_per_beer=False)
            session = sm.measure(folder)
        lone = _last_pours(drawn)
        last = drawn.scans[lone].assign(matters=_moved(model, good, drawn, lone))
        measured = session.checks[session.checks["code"] == "replicates_disagree"].set_index("scan_id")["sentence"]
        grown = refs.extend(session.spectra, session.scans, drawn.batches, reason="new batches")
        audit = grown.audit()
        audit = audit[audit["code"] == "odd_pour"].set_index("subject")["sentence"]
        read = model.read(session.spectra, scans=session.scans)
        for scan_id, of in last.iterrows():
            rows.append(
                {
                    "member": spec.name,
                    "seed": seed,
                    "planted": f"{fault.kind} {fault.size:+g}",
                    "matters": bool(of["matters"]),
                    "aside": bool(chance[of["sample"]]),
                    "measure": _first_cause(str(measured.get(scan_id, ""))),
                    "audit": _first_cause(str(audit.get(of["pour"], ""))),
                    "read": _first_cause(str(read.at[of["sample"], "explanation"] or "")),
                }
            )
    return rows
