"""`specmatch build`: make a reference set from measured folders or reflectance tables."""

import argparse
from pathlib import Path

import specmatch as sm
from specmatch.cli.outcome import Outcome
from specmatch.errors import ReferenceSetError
from specmatch.reference.build import MOST_SINGLE_POURS, share_of_single_pours
from specmatch.reference.disk.package import read_history
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
    return Outcome(results, text, left_out.to_dict("records"), needs_look=len(left_out) > 0)


def _refuse_to_bury(place: str, folders: list[str]) -> None:
    """A set that people have tended is not built over."""
    history = read_history(Path(place))
    if history:
        raise ReferenceSetError(
            f"{place} holds a set with {counted(len(history), 'change')}, the last {history[-1].get('what')!r}; add "
            f"folders to it: specmatch extend {place} {' '.join(folders)}; or begin anew with --replace, which keeps "
            "the old version"
        )
