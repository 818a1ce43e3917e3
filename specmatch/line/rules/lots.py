"""Lots of a measured folder judged by their packages, one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from specmatch.maths.classification.sequential import ANOTHER
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN, WARNING_CODES
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.house.decision.specification import Specification
    from specmatch.house.house_model import HouseModel
    from specmatch.measurement.session import Session

COLUMNS = ("claimed", "decision", "n_packages", "rival", "reason")


def judge_lots(
    house: HouseModel, session: Session, claim: str | None, specification: Specification, *, wrong_hold: float,
    wrong_pass: float,
) -> pd.DataFrame:  # fmt: skip
    """Return a row a lot: each pour of it is a package, in the order of the sheet; without a lot a sample is one."""
    checks, scans = session.checks, session.scans
    spoilt = {
        scan
        for scan, code in zip(checks["scan_id"], checks["code"], strict=True)
        if WARNING_CODES[code].effect == RESCAN
    }
    stated = scans["batch"] if "batch" in scans else pd.Series("", scans.index)
    lots = stated.where(stated.astype(str) != "", scans["sample"])
    rows: dict[str, tuple[str, str | None, int, str, str]] = {}
    for lot, own in scans.groupby(lots, sort=False):
        good = own[~own.index.isin(spoilt)]
        claims = [claim] if claim else sorted(set(session.claims.reindex(own["sample"].unique()).dropna()) - {""})
        said = ""
        if len(good) < len(own):
            said = f"{counted(len(own) - len(good), 'scan')} not fit to be judged left out; "
        if len(claims) != 1:
            why = "no claim was made: a reading only" if not claims else "its samples bear several claims"
            rows[str(lot)] = (", ".join(claims), HOLD if claims else None, 0, "", said + why)
        elif good.empty:
            rows[str(lot)] = (claims[0], RESCAN, 0, "", said + "no package is left: measure again")
        else:
            rows[str(lot)] = _judged(house, session, good, claims[0], said, specification, (wrong_hold, wrong_pass))
    return pd.DataFrame.from_dict(rows, orient="index", columns=list(COLUMNS)).rename_axis("lot")


def _judged(
    house: HouseModel, session: Session, scans: pd.DataFrame, claim: str, said: str, specification: Specification,
    rates: tuple[float, float],
) -> tuple[str, str | None, int, str, str]:  # fmt: skip
    step = house.next_package(
        session.spectra.loc[scans.index], claim, scans, wrong_hold=rates[0], wrong_pass=rates[1],
        specification=specification,
    )  # fmt: skip
    rival = house.beers_[step.rival] if len(house.beers_) > 1 else ""
    undecided = (
        f"undecided at package {step.n_packages}, {rival} not ruled out: {step.stated_undecided:.1%} of right lots of "
        f"{claim} end so, {step.stated_hold:.1%} are held in all"
    )
    together = f"together not typical of {claim}, or not to be told from {rival or 'others'}"
    why = {
        CONSISTENT: f"typical of {claim}" + (f", and {rival} is ruled out" if rival else ""),
        HOLD: undecided if step.undecided else together,
        ANOTHER: "take another package: these do not suffice yet",
    }[step.decision]
    return claim, step.decision, step.n_packages, rival, said + (step.reason or why)
