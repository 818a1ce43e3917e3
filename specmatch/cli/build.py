"""`specmatch build`, `extend` and `merge`: a reference set of folders, what is added to it, one set of two."""

import argparse
from collections.abc import Sequence
from pathlib import Path

import specmatch as sm
from specmatch.cli.arguments import signature
from specmatch.cli.outcome import Outcome
from specmatch.errors import ConflictError, OptionError, ReferenceSetError
from specmatch.reference.build import MOST_SINGLE_POURS, share_of_single_pours
from specmatch.reference.disk.package import read_history
from specmatch.reference.upkeep import shown
from specmatch.report.text import text_table
from specmatch.wording import counted


def run(args: argparse.Namespace) -> Outcome:
    """Measure, join and save."""
    if not args.replace:
        _refuse_to_bury(args.out, args.folders)
    refs, left_out = sm.build_set(args.folders, unit=args.unit, name=args.name, date_order=args.dates)
    refs.save(args.out, replace=args.replace)
    with_colour = int(refs.batches["colour"].notna().sum())
    results = {
        "set": args.out, "hash": refs.hash, "n_scans": len(refs.spectra), "n_batches": len(refs.batches),
        "n_batches_with_colour": with_colour, "beers": sorted(refs.batches["beer"].unique()),
        "colour_unit": refs.colour_unit, "band_nm": refs.band_nm,
    }  # fmt: skip
    text = (
        f"{args.out}: {counted(len(refs.spectra), 'scan')} of {counted(len(refs.batches), 'batch')} "
        f"({with_colour} with a lab colour) of {counted(refs.batches['beer'].nunique(), 'beer')}, "
        f"version {refs.hash[:12]}"
    )
    alone = share_of_single_pours(refs.scans)
    if alone > MOST_SINGLE_POURS:
        text += (
            f"\n{alone:.0%} of the samples hold one pour: foam, a bad scan or a short pour cannot be told from it;\n"
            "pour each sample three times, under one `sample` and three names of `pour`"
        )
    text += f"\nnext: specmatch audit {args.out}"
    return Outcome(results, text, left_out.to_dict("records"))


def _refuse_to_bury(place: str, folders: list[str]) -> None:
    """A set that people have tended is not built over."""
    history = read_history(Path(place))
    if history:
        raise ReferenceSetError(
            f"{place} holds a set with {counted(len(history), 'change')}, the last {history[-1].get('what')!r}; add "
            f"folders to it: specmatch extend {place} {' '.join(folders)}; or begin anew with --replace, which keeps "
            "the old version"
        )


def _taken(words: Sequence[str], sides: Sequence[str]) -> dict[str, str]:
    """Return who is right about what, from the words of `--take`."""
    asked: dict[str, str] = {}
    for word in words:
        side, _, subject = word.partition(":")
        if side.upper() not in sides:
            raise OptionError(f"--take {word}: expected {', '.join(sides)}, and a kind or name after a colon")
        if asked.setdefault(subject, side.lower()) != side.lower():
            raise OptionError(
                f"--take says {asked[subject].upper()} and {side.upper()} of {subject or 'all'}; keep one"
            )
    return asked


def extend(args: argparse.Namespace) -> Outcome:
    """Add what is new and save the new version, or list what stands against the set."""
    refs = sm.ReferenceSet.load(args.set)
    reason = args.reason or f"added {', '.join(Path(folder).resolve().name for folder in args.folders)}"
    try:
        added = sm.extend_set(
            refs, args.folders, reason=reason, who=args.who, when=args.when, restore=args.restore,
            take=_taken(args.take, ("SET", "FOLDER", "BOTH")), date_order=args.dates,
        )  # fmt: skip
    except ConflictError as error:
        return _conflict_outcome(args.set, error, ("set", "folder"))
    results = {
        "set": args.set, "before": refs.hash, "after": added.refs.hash, "n_new": added.n_new, "n_known": added.n_known,
        "new_batches": added.new_batches, "lab": added.lab, "told": added.told, "decided": added.conflicts,
        "stays_out": added.stays_out,
    }  # fmt: skip
    left_out = added.left_out.to_dict("records")
    out: list[str] = []
    if len(added.stays_out):
        first = added.stays_out.iloc[0]
        out = [f"{counted(len(added.stays_out), 'scan')} stay out, the first {first['name']}: {first['reason']}"]
    if not added.is_new:
        text = f"{args.set}: nothing is new; {counted(added.n_known, 'scan')} of the folders are in the set already"
        return Outcome(results, "\n".join([text, *out]), left_out)
    added.refs.save(args.set)
    lines = [
        f"{args.set}: {counted(added.n_new, 'new scan')}, {counted(len(added.new_batches), 'new batch')}, "
        f"{counted(len(added.lab), 'lab value')} of batches that were in; {counted(added.n_known, 'scan')} known",
        *added.told,
        *out,
    ]
    lines += [
        f"decided with --take: {row.subject} {row.column}: set {shown(row.set)}, {row.source} {shown(row.folder)}"
        for row in added.conflicts.itertuples()
    ]
    lines += [
        f"version {refs.hash[:12]} -> {added.refs.hash[:12]}; take it back: specmatch undo {args.set} --reason WHY",
        f"next: specmatch audit {args.set}",
    ]
    return Outcome(results, "\n".join(lines), left_out)


def _conflict_outcome(place: str, error: ConflictError, sides: tuple[str, str]) -> Outcome:
    """Lay out what stands against a set; nothing was changed."""
    table = error.conflicts.rename(columns=dict(zip(("set", "folder"), sides, strict=True)))
    mine, other = (side.upper() for side in sides)
    text = (
        f"{text_table(table)}\nsay which to take: --take {mine} or --take {other} for all, --take {other}:"
        f"{table['kind'].iloc[0]} for a kind, --take {other}:{table['subject'].iloc[0]} for one; what is taken is "
        "recorded"
    )
    differs = f"what is to be added differs from {place} in {counted(len(table), 'fact')}"
    return Outcome(
        {"set": place, "conflicts": table}, text, failed=f"{differs}; nothing was changed: choose with --take"
    )


def merge(args: argparse.Namespace) -> Outcome:
    """Join and save, or list what the two say differently."""
    first, second = sm.ReferenceSet.load(args.first), sm.ReferenceSet.load(args.second)
    try:
        both = sm.merge_sets(first, second, take=_taken(args.take, ("FIRST", "SECOND", "BOTH")), **signature(args))
    except ConflictError as error:
        return _conflict_outcome(args.out, error, ("first", "second"))
    both.save(args.out)
    results = {"set": args.out, "hash": both.hash, "n_scans": len(both.spectra), "n_batches": len(both.batches)}
    text = (
        f"{args.out}: {counted(len(both.spectra), 'scan')} of {counted(len(both.batches), 'batch')} of "
        f"{counted(both.batches['beer'].nunique(), 'beer')}, version {both.hash[:12]}\n"
        f"next: specmatch audit {args.out}"
    )
    return Outcome(results, text)
