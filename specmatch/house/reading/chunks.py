"""Readings of more scans than fit into memory: parts in, tables out, one at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, TypeAlias

import pandas as pd

from specmatch.batches import by_sample, check_scans
from specmatch.errors import TableError
from specmatch.measurement.folder.stated import as_stated
from specmatch.spectra import text_ids

Answer = Callable[[Any, Any], pd.DataFrame]
Claims: TypeAlias = str | pd.Series | Mapping[str, str] | None


def answer_parts(parts: Iterable[Any], answer: Answer) -> Iterator[pd.DataFrame]:
    """Answer part after part; a part is a table of spectra, a session, or a pair of spectra and scans."""
    if isinstance(parts, pd.DataFrame | pd.Series) or hasattr(parts, "spectra"):
        raise TableError(
            f"parts is one {type(parts).__name__}; expected several: an iterable of tables, of sessions, or of pairs "
            "(spectra, scans); one alone is read by read and verify"
        )
    if not isinstance(parts, Iterable):
        raise TableError(f"parts is a {type(parts).__name__}; expected an iterable of tables, sessions or pairs")
    before: frozenset[str] = frozenset()
    for number, part in enumerate(parts, start=1):
        spectra, scans = part if isinstance(part, tuple) and len(part) == 2 else (part, None)
        # filters and partitions leave empty tables behind, of which there is nothing to say
        if isinstance(spectra, pd.DataFrame) and not len(spectra):
            continue
        try:
            table = answer(spectra, scans)
        except ValueError as error:
            error.add_note(f"in part {number} of the parts given")
            raise
        again = before.intersection(table.index)
        if again:
            raise TableError(
                f"sample {min(again)!r} stands in part {number} and in the part before it; a sample is read whole: cut "
                "the parts where samples end"
            )
        before = frozenset(table.index)
        yield table


def judge_parts(
    parts: Iterable[Any], claimed: Claims, judge: Callable[[Any, Any, Claims], pd.DataFrame]
) -> Iterator[pd.DataFrame]:
    """Judge part after part, each by the claims of its own samples; one that no part needs is refused at the end."""
    if not isinstance(claimed, Mapping | pd.Series):
        yield from answer_parts(parts, lambda spectra, scans: judge(spectra, scans, claimed))
        return
    claim_of = by_sample(claimed)
    unused = set(claim_of)

    def judge_own(spectra: Any, scans: Any) -> pd.DataFrame:
        alone = isinstance(spectra, pd.Series)
        scan_ids = text_ids(
            pd.Index([spectra.name]) if alone else getattr(spectra, "spectra", spectra).index, "scan_id"
        )
        names = check_scans(as_stated(getattr(spectra, "scans", scans), "scans"), scan_ids)["sample"].unique()
        own = {name: claim_of[name] for name in names if name in claim_of}
        unused.difference_update(own)
        return judge(spectra, scans, own)

    yield from answer_parts(parts, judge_own)
    if unused:
        raise TableError(f"a claim is made for sample {min(unused)!r}, which no part holds; samples match as text")
