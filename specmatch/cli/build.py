"""`specmatch build`: make a reference set from measured folders or reflectance tables."""

import argparse
from pathlib import Path

import specmatch as sm
from specmatch.cli.arguments import share
from specmatch.cli.outcome import Outcome
from specmatch.errors import ReferenceSetError
from specmatch.wording import counted

HELP = "make a reference set from measured folders or folders of reflectance tables"
EXAMPLE = "specmatch build monday/ tuesday/ --out sets/house"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `build`."""
    parser.add_argument("folders", nargs="+", metavar="FOLDER", help="measured folder, or folder of reflectance tables")
    parser.add_argument("--out", required=True, metavar="SET", help="folder of the reference set to write")
    parser.add_argument("--unit", choices=("EBC", "SRM"), default="EBC", help="colour unit of the set (default EBC)")
    parser.add_argument("--name", default="house", help="name of the set (default house)")
    share(parser, "dates")
    parser.add_argument(
        "--replace", action="store_true", help="begin anew where a set with a history is; the old version is kept"
    )


def run(args: argparse.Namespace) -> Outcome:
    """Measure, join and save."""
    from specmatch.reference.build import MOST_SINGLE_POURS, share_of_single_pours

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
    from specmatch.reference.disk.package import read_history

    history = read_history(Path(place))
    if history:
        raise ReferenceSetError(
            f"{place} holds a set with {counted(len(history), 'change')}, the last {history[-1].get('what')!r}; add "
            f"folders to it: specmatch extend {place} {' '.join(folders)}; or begin anew with --replace, which keeps "
            "the old version"
        )
