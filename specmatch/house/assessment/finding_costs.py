"""What the findings of an audit cost: a model fitted with and without following their advice, batches held out."""

from functools import reduce
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch.batches import must_be
from specmatch.errors import ReferenceSetError, SpecmatchError
from specmatch.house.assessment.evaluation import Evaluation, evaluate
from specmatch.house.house_model import HouseModel
from specmatch.reference.audit.finding import Remedy, remedy_of

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet

_WHY = "to see what it costs"
COST_COLUMNS = (
    "code", "findings", "colour_error_before", "colour_error_after", "false_hold_before", "false_hold_after",
    "mix_ups_held_before", "mix_ups_held_after", "n_batches",
)  # fmt: skip


def finding_costs(
    refs: "ReferenceSet",
    house: HouseModel | None = None,
    *,
    n_folds: int = 5,
    seed: int = 0,
    n_jobs: int | None = None,
) -> pd.DataFrame:
    """Say what the findings of a set's audit cost, a row a code whose advice is an edit.

    Parameters
    ----------
    refs : ReferenceSet
    house : HouseModel, optional
        Its settings are used; the defaults where it is not given.
    n_folds : int, default 5
        At least 2.
    seed : int, default 0
        With the names of the batches it fixes the folds, the same before and after.
    n_jobs : int, optional
        Processes, as joblib counts them; one by default.

    Returns
    -------
    DataFrame
        `code`, `findings` (how many), and before and after following the advice of all of them: `colour_error`
        (relative, root mean square, of batches whose own label and lab colour nobody doubts), `false_hold` (share of
        those batches held), `mix_ups_held` (share of the other beers that they would not pass for), and `n_batches`,
        on how many this rests. NaN where the set cannot tell.

    Raises
    ------
    ReferenceSetError
        If following the advice would leave no set that could be judged.

    Examples
    --------
    >>> finding_costs(refs.relabel("MP-0-001", "Amber Lane", reason="a slip"), n_folds=2)["code"].tolist()
    ['mislabelled']
    """
    must_be("set", refs)
    house = HouseModel() if house is None else house
    groups, doubted = _edits(refs)
    if not groups:
        return pd.DataFrame(columns=list(COST_COLUMNS))
    before = evaluate(house, refs, n_folds=n_folds, seed=seed, n_jobs=n_jobs)
    rows = []
    for code, remedies in groups.items():
        after_refs = reduce(_followed, remedies, refs)
        try:
            after = evaluate(house, after_refs, n_folds=n_folds, seed=seed, n_jobs=n_jobs)
        except SpecmatchError as error:
            raise ReferenceSetError(f"following the advice of {code!r} leaves no set to judge: {error}") from error
        judged = [name for name in before.identity.index if name in after.identity.index and name not in doubted]
        pair = [_figures(result, judged, house.false_reject_rate) for result in (before, after)]
        cost: dict[str, Any] = {"code": code, "findings": len(remedies), "n_batches": len(judged)}
        for name in pair[0]:
            cost |= {f"{name}_before": pair[0][name], f"{name}_after": pair[1][name]}
        rows.append(cost)
    return pd.DataFrame(rows, columns=list(COST_COLUMNS))


def follow_advice(refs: "ReferenceSet", code: str) -> "ReferenceSet":
    """Return the set after all edits that its audit advises for a code."""
    return reduce(_followed, _edits(refs)[0].get(code, []), refs)


def _edits(refs: "ReferenceSet") -> tuple[dict[str, list[Remedy]], set[str]]:
    """Return the edits that an audit advises, by code, and the batches that it doubts."""
    groups: dict[str, list[Remedy]] = {}
    doubted: set[str] = set()
    for row in refs.audit().to_dict("records"):
        told = (row["code"], row["level"], row["subject"], row["suggestion"])
        remedy = remedy_of(*told, refs.scans, refs.batches)
        if remedy.kind not in ("extend", "lab", "settle"):
            groups.setdefault(row["code"], []).append(remedy)
            doubted |= _batches_of(row["level"], row["subject"], refs.scans)
    return groups, doubted


def _batches_of(level: str, subject: str, scans: pd.DataFrame) -> set[str]:
    """Return the batches whose own label, lab colour or pours a finding doubts; a whole beer is not doubted."""
    if level not in ("scan", "pour", "sample", "batch", "session"):
        return set()
    of_scan = scans.index if level == "scan" else scans[level]
    return set(scans.loc[np.asarray(of_scan == subject), "batch"])


def _followed(refs: "ReferenceSet", remedy: Remedy) -> "ReferenceSet":
    names = remedy.names
    if remedy.kind == "drop":
        return refs.drop(names[1], level=names[0], reason=_WHY)
    if remedy.kind == "colour":
        return refs.set_colour(names[0], np.nan if names[1] is None else names[1], reason=_WHY)
    if remedy.kind == "rename":
        return refs.rename_beer(*names, reason=_WHY)
    return refs.recipe_step(*names, reason=_WHY) if remedy.kind == "recipe" else refs.relabel(*names, reason=_WHY)


def _figures(result: Evaluation, judged: list[str], rate: float) -> dict[str, float]:
    colour = result.colour.loc[judged].dropna(subset=["lab", "colour"])
    above = bool(colour["lab"].gt(0).all())  # of values of 0 or below nothing is a part
    off = np.log((colour["colour"].astype(float) / colour["lab"].astype(float)).to_numpy()) if above else np.zeros(0)
    own = result.identity.loc[judged, "p_value_own"].dropna()
    # of each batch that nobody doubts, the other beers that it would not pass for: those most like it tell
    told = result.identity.loc[judged]
    others = [sum(beer != own for beer in one) for one, own in zip(told["plausible_beers"], told["beer"], strict=True)]
    n_others = result.identity["beer"].nunique() - 1
    return {
        "colour_error": float(np.sqrt(np.mean(off**2))) if len(off) else np.nan,
        "false_hold": float((own <= rate).mean()) if len(own) else np.nan,
        "mix_ups_held": 1.0 - float(np.mean(others)) / n_others if others and n_others else np.nan,
    }
