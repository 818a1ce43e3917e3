"""`specmatch verify`: is it the beer that the line says it is?"""

import argparse
from dataclasses import dataclass, replace
from datetime import date
from textwrap import fill
from typing import Any

import pandas as pd

import specmatch as sm
from specmatch.cli.arguments import (
    STANDARD_INPUT,
    in_unit,
    limits_in_unit,
    line_setting,
    load_source,
    said_in_unit,
    tell_sheet_notes,
)
from specmatch.cli.outcome import WIDTH, Outcome, say
from specmatch.errors import OptionError
from specmatch.house.decision.decision import refuse_unknown_claim
from specmatch.house.decision.risks import risks_of_claims
from specmatch.house.decision.specification import Specification, day_of
from specmatch.line.rules.judging import judge_lots, verify_folder
from specmatch.maths.classification.blends import FEWEST
from specmatch.report.text import readings_text, risks_text, text_table
from specmatch.warning_codes import CONSISTENT
from specmatch.wording import CAUTIONS


@dataclass(frozen=True)
class _Judged:
    verified: pd.DataFrame
    left_out: list[dict[str, Any]]
    note: str  # what is shown under the table
    risks: pd.DataFrame  # of the colour limits in force for each decision; no columns where there are none
    look: bool = False  # whether somebody must look at a control


def run(args: argparse.Namespace) -> Outcome:
    """Verify and lay out the decisions."""
    if args.journal and args.source == STANDARD_INPUT:
        raise OptionError("--journal records a scan with its file; save what comes from standard input to one")
    if not args.journal and (args.line or args.operator):
        say("note: nothing is recorded without --journal; --line and --operator stand in a journal alone", error=True)
    if args.packages:
        return _lots(args)
    got = _recorded(args) if args.journal else _read_only(args)
    verified = in_unit(got.verified, args.unit)
    text = f"{readings_text(verified)}{got.note}\n\n{fill(CAUTIONS, WIDTH)}"
    verified = verified.join(got.risks)
    # a sample without a claim is no decision, but someone may have forgotten to write the claim down
    look = got.look or bool((verified["decision"] != CONSISTENT).any())
    return Outcome(verified, text, got.left_out, needs_look=look)


def _limits(args: argparse.Namespace, house: sm.HouseModel) -> Specification:
    specification = sm.load_specification(args.model, beers=house.beers_)
    # before the folder is measured, which may take minutes
    for claim, option in ((args.claim, "--claim"), (args.after, "--to")):
        refuse_unknown_claim(claim, house.beers_, specification.label_names, said=f"{option} is")
    if args.producer_risk is not None:
        specification = house.limits_by_risk(specification, producer_risk=args.producer_risk)
    return specification


def _read_only(args: argparse.Namespace) -> _Judged:
    house = sm.HouseModel.load(args.model)
    specification = _limits(args, house)
    risks = house.limit_risks(specification)
    source, left_out = load_source(args.source, dates=args.dates)
    claim = args.after or args.claim
    if claim is None and isinstance(source, sm.Session):
        verified = verify_folder(house, source, specification, lab=args.lab)
    else:
        verified = house.verify(source, claimed=claim, specification=specification, lab=args.lab)
    note = ""
    if args.before is not None:
        left = house.changeover(source, before=args.before, after=args.after)
        left = left.drop(columns="p_value").rename(columns={"sentence": "changeover"})
        verified = pd.concat([verified, left], axis=1)
        note = "\n\n" + text_table(left[["changeover"]])
        if len(left) >= FEWEST:
            series = house.changeover_series(source, before=args.before, after=args.after)
            verified["from_here"] = pd.Series(series.first == verified.index, verified.index, dtype=object)
            note += f"\ntogether: {series.sentence}"
    note += f"\n\n{risks_text(limits_in_unit(risks, args.unit))}" if len(risks) else ""
    return _Judged(verified, left_out, note, risks_of_claims(risks, specification, verified, _days(source)))


def _lots(args: argparse.Namespace) -> Outcome:
    house = sm.HouseModel.load(args.model)
    limits = _limits(args, house)
    session, left_out = load_source(args.source, dates=args.dates)
    if not isinstance(session, sm.Session):
        raise OptionError("--packages needs a measured folder: its scans.csv says which packages are of one lot")
    hold = 0.05 if args.wrong_hold is None else args.wrong_hold
    passed = 0.01 if args.wrong_pass is None else args.wrong_pass
    table = judge_lots(house, session, args.claim, limits, wrong_hold=hold, wrong_pass=passed)
    text = f"{text_table(table, wrap={'reason': 48})}\n\n{fill(CAUTIONS, WIDTH)}"
    return Outcome(table.reset_index(), text, left_out, needs_look=bool((table["decision"] != CONSISTENT).any()))


def _recorded(args: argparse.Namespace) -> _Judged:
    from specmatch.line.acquisition import measure_source
    from specmatch.line.recording import readings_of, record_left_out, record_measured
    from specmatch.line.reviews import put_in_force
    from specmatch.line.rules.judging import stated_of
    from specmatch.line.watch_folder import needs_look

    setting = line_setting(args)
    measured = measure_source(args.source, date_order=args.dates)
    tell_sheet_notes(measured.session)
    with sm.Journal(args.journal) as journal:
        setting = replace(setting, in_force=put_in_force(journal, setting))
        added = record_measured(journal, setting, measured)
        left_out = []
        for path, reason in measured.session.left_out.itertuples(index=False):
            left_out.append({"file": path, "reason": reason})
            if path in measured.files:
                added += record_left_out(
                    journal, setting, measured.files[path], reason, stated=stated_of(measured.rows)
                )
        verified = readings_of(journal, measured)
    risks = setting.house.limit_risks(setting.specification)
    numbers = [row["entry"] for row in added]
    said = f"entries {numbers[0]} to {numbers[-1]}" if numbers else "nothing new: every scan was recorded before"
    if elsewhere := sorted({*verified["line"].dropna()} - {setting.line}):
        said += f"\nrecorded before as of line {', '.join(elsewhere) or 'without a name'}, and stays so"
    controls = [row for row in added if row["kind"] == "control"]
    for row in added:
        if row["kind"] == "control":
            told = f"control: {row['decision'] or 'reading only'}; {row['reason']}"
            told = told if args.unit is None else said_in_unit(told, args.unit, [])
            said += f"\n{told}"
            if args.json and needs_look(row):
                say(told, error=True)  # results are samples: what else asks for a look is told beside them
        elif row.get("replaces") is not None:
            said += f"\nentry {row['entry']} takes the place of entry {row['replaces']}"
    told = f"\n\n{risks_text(limits_in_unit(risks, args.unit))}" if len(risks) else ""
    beside = risks_of_claims(risks, setting.specification, verified, _days(measured.session))
    look = any(needs_look(row) for row in controls)
    return _Judged(verified, left_out, f"{told}\n\n{args.journal}: {said}", beside, look)


def _days(source: sm.Session | pd.DataFrame) -> dict[str, date | None]:
    """Return the day on which each sample was measured, by its last scan, as decisions take it."""
    if not isinstance(source, sm.Session) or "measured_at" not in source.scans:
        return {}
    times = source.scans.groupby("sample", sort=False)["measured_at"]
    return {str(name): max(filter(None, map(day_of, own)), default=None) for name, own in times}
