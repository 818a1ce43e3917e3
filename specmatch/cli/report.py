"""`specmatch report`: one page on a set, a model or the journals of a line."""

import argparse
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import specmatch as sm
from specmatch.cli.outcome import Outcome, need_drawing, tell, written
from specmatch.errors import OptionError, TooFewBatchesError
from specmatch.house.decision.decision import refuse_unknown_claim
from specmatch.line.journal.queries import entry_number, waiting, without_copies
from specmatch.line.rules.judging import verify_folder
from specmatch.measurement.session import reference_history
from specmatch.storage import sha256_of
from specmatch.warning_codes import CONSISTENT
from specmatch.wording import counted

SET, MODEL, JOURNAL = "set", "model", "journal"


def run(args: argparse.Namespace) -> Outcome:
    """Make the page and write it whole."""
    packages = args.tag is not None or args.lot is not None
    if not packages:
        need_drawing(args.out)
    kinds = {_kind(Path(source)) for source in args.sources}
    if len(kinds) > 1 or (len(args.sources) > 1 and kinds != {JOURNAL}):
        raise OptionError("a page is of one set, of one model, or of one or several journals; make a page of each")
    (kind,) = kinds
    for asked, needed, words in (
        (args.readings or args.claim, MODEL, "--readings and --claim go with a model"),
        (args.measured, SET, "--measured goes with a set"),
        (packages, JOURNAL, "--tag and --lot go with a journal"),
    ):
        if asked and kind != needed:
            raise OptionError(f"{words}, and {args.sources[0]} is a {kind}")
    if args.tag is not None and len(args.sources) > 1:
        raise OptionError("a tag is of one entry of one journal; make the sheet of a lot by itself")
    page, look, left_out = {SET: _of_set, MODEL: _of_model, JOURNAL: _of_journals}[kind](args)
    written(args.out, page)
    results = {"page": args.out, "of": kind, "sources": args.sources, "n_bytes": len(page.encode("utf-8"))}
    what = "a tag" if args.tag is not None else f"a sheet of lot {args.lot}" if packages else f"a page on the {kind}"
    return Outcome(results, f"{args.out}: {what}", left_out, needs_look=look)


_Made = tuple[str, bool, list[dict[str, Any]]]


def _of_set(args: argparse.Namespace) -> _Made:
    refs = sm.ReferenceSet.load(args.sources[0])
    findings = refs.audit()
    history = None
    if args.measured:
        history = reference_history([sm.measure(folder) for folder in args.measured])
    try:
        house = sm.HouseModel().fit(refs)
        evaluation = sm.evaluate(house, refs, n_folds=args.folds, n_jobs=args.jobs)
    except TooFewBatchesError as error:
        # a young set has a page too: what it holds, what looks wrong, and why there is no model yet
        return sm.pages.set_page(refs, findings=findings, history=history, why_not=str(error)), True, []
    tell("drawing the page: figures of so many batches take some seconds each")
    page = sm.pages.set_page(refs, house=house, evaluation=evaluation, findings=findings, history=history)
    return page, not findings.empty, []


def _of_model(args: argparse.Namespace) -> _Made:
    house, digest = sm.HouseModel.load(args.sources[0]), sha256_of(Path(args.sources[0]))
    specification = sm.load_specification(args.sources[0], beers=house.beers_)
    if not args.readings:
        return sm.pages.model_page(house, model_hash=digest, specification=specification), False, []
    refuse_unknown_claim(args.claim, house.beers_, specification.label_names, said="--claim is")
    session = sm.measure(args.readings)
    if args.claim is None:
        verified = verify_folder(house, session, specification)
    else:
        verified = house.verify(session, claimed=args.claim, specification=specification)
    tell(f"drawing the page of {counted(len(verified), 'reading')}")
    page = sm.pages.model_page(
        house, model_hash=digest, session=session, verified=verified, specification=specification
    )
    return page, bool((verified["decision"] != CONSISTENT).any()), session.left_out.to_dict("records")


def _of_journals(args: argparse.Namespace) -> _Made:
    with ExitStack() as stack:
        journals = without_copies([stack.enter_context(sm.Journal(path, read_only=True)) for path in args.sources])
        if args.tag is not None:
            return sm.pages.hold_tag(journals[0], entry_number(journals[0], args.tag)), False, []
        if args.lot is not None:
            return sm.pages.lot_sheet(journals, args.lot, line=args.line), False, []
        return sm.pages.journal_page(journals), bool(waiting(journals)), []


def _kind(path: Path) -> str:
    """Say what a path holds by its first bytes, not by its name."""
    if path.is_dir():
        return SET
    if not path.exists():
        raise OptionError(f"{path}: No such file; a set is made by specmatch build FOLDER --out SET")
    with path.open("rb") as file:
        start = file.read(16)
    return JOURNAL if start.startswith(b"SQLite format 3") else MODEL
