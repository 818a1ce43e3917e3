"""Arguments declared from their table, and what is made of them: numbers, a line's setting, what is read."""

import argparse
import math
import re
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from specmatch.cli.outcome import say
from specmatch.errors import OptionError, SheetError

if TYPE_CHECKING:
    import pandas as pd

    from specmatch.line.rules.judging import LineSetting
    from specmatch.measurement.readers.scan import Scan

STANDARD_INPUT = "-"


def number(text: str) -> float:
    """Return a number that was typed with a decimal point."""
    with suppress(ValueError):
        if math.isfinite(value := float(text)):
            return value
        raise argparse.ArgumentTypeError(f"{text!r} is no finite number; write one such as 0.5")
    with suppress(ValueError):
        meant = f"{float(text.replace(',', '.', 1)):g}"
        raise argparse.ArgumentTypeError(f"{text!r} has a decimal comma; write {meant}")
    raise argparse.ArgumentTypeError(f"{text!r} is no number; write one such as 0.5")


def named_numbers(given: list[str], option: str) -> dict[str, float]:
    """Return settings that were typed as NAME=NUMBER."""
    out: dict[str, float] = {}
    for text in given:
        name, _, value = text.partition("=")
        if name.strip() in out:
            raise OptionError(f"{option} {name.strip()} is given twice; keep one")
        try:
            out[name.strip()] = number(value.strip())
        except argparse.ArgumentTypeError as error:
            raise OptionError(f"{option} {text}: {error}; write it as {name.strip()}=0.02") from None
    return out


def jobs(text: str) -> int:
    """Return a number of processes that was typed."""
    if not text.strip().lstrip("-").isdecimal() or int(text) == 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of processes; write 1 or more, or -1 for all cores")
    return int(text)


def cup(text: str) -> tuple[float, float]:
    """Return inner diameter and fill of a cup that was typed as 40x10."""
    mm, _, ml = text.lower().replace("\u00d7", "x").partition("x")
    if not ml:
        raise argparse.ArgumentTypeError(f"{text!r} is no cup; write inner diameter in mm, x, fill in mL: 40x10")
    return number(mm), number(ml)


def name(text: str) -> str:
    """A name as tables have it, whatever the terminal makes of its accents."""
    from specmatch.spectra import tidy_name

    return tidy_name(text)


# what `type` of an argument says in commands.toml
TYPES = {"int": int, "number": number, "jobs": jobs, "cup": cup, "name": name}


class _Once(argparse.Action):
    """Refuses an option that is given anew with another value, which would take the first one's place in silence."""

    seen = False

    def __call__(
        self, parser: argparse.ArgumentParser, namespace: argparse.Namespace, values: Any, option: str | None = None
    ) -> None:
        if self.seen and getattr(namespace, self.dest) != values:
            raise argparse.ArgumentError(self, "given twice, and it takes one; keep one of them")
        self.seen = True
        setattr(namespace, self.dest, values)


def declare(parser: argparse.ArgumentParser, arguments: Mapping[str, Any], shared: Mapping[str, Any]) -> None:
    """Declare arguments as commands.toml describes them."""
    groups: dict[str, Any] = {"": parser}
    for flag, told in arguments.items():
        own: dict[str, Any] = {"base": told} if isinstance(told, str) else dict(told)
        own = {**shared.get(own.pop("base", ""), {}), **own}
        if isinstance(own.get("metavar"), list):
            own["metavar"] = tuple(own["metavar"])
        if "type" in own:
            own["type"] = TYPES[own["type"]]
        if flag.startswith("-"):
            own.setdefault("action", _Once)
        group = own.pop("group", "")
        if group not in groups:
            groups[group] = parser.add_mutually_exclusive_group(required=group == "one")
        groups[group].add_argument(flag, **own)


def field_of(flag: str, told: str | Mapping[str, Any]) -> str:
    """Return the name under which an argument of commands.toml is found when it was read."""
    named = "" if isinstance(told, str) else told.get("dest", "")
    return named or flag.strip("-").replace("-", "_")


def refuse_clashes(args: argparse.Namespace, command: Mapping[str, Any]) -> None:
    """Refuse options that do not go together, or not without another, as commands.toml lists them."""

    def given(flags: str) -> int:
        values = (getattr(args, field_of(flag, command["arguments"][flag])) for flag in flags.split())
        return sum(value not in (None, "", []) and value is not False for value in values)

    for rule in command.get("refused", ()):
        several = given(rule.get("more_than_one", "")) > 1
        alone = "without" in rule and not given(rule["without"])
        if several or given(rule.get("given", "")) and (alone or given(rule.get("beside", ""))):
            raise OptionError(rule["said"])


def signature(args: argparse.Namespace) -> dict[str, str]:
    """Return why, by whom and when a set is changed."""
    return {"reason": args.reason, "who": args.who, "when": args.when}


def line_setting(args: argparse.Namespace) -> "LineSetting":
    """Load the model and what lies beside it, and refuse a claim that it does not know."""
    from specmatch.line.watch_folder import load_setting

    return load_setting(
        args.model, line=args.line, operator=args.operator, claim=args.claim, control_hours=args.control_hours
    )


def shown_row(record: dict[str, Any]) -> dict[str, Any]:
    """Return a record as programs are shown it: the reading's columns beside the rest, kept scans left out."""
    reading = record.get("reading", {})
    rest = {key: value for key, value in record.items() if key not in ("reading", "kept", "alone")}
    return {**rest, **reading}


def load_source(source: str, *, dates: str | None = None) -> tuple[Any, list[dict[str, Any]]]:
    """Return the session of a measured folder, or the spectra of a file of reflectance, and what could not be used."""
    from specmatch.line.acquisition import ScanReader, bare_spectra, measure_source, spectra_of

    if source == STANDARD_INPUT:
        return spectra_of(scans_of(source), "standard input"), []
    if (path := Path(source)).is_file():
        return bare_spectra(ScanReader(path.parent).read(path.name)), []
    session = measure_source(source, date_order=dates).session
    from specmatch.measurement.folder.folder import first_reason

    tell_sheet_notes(session)
    if session.scans.empty:
        left = list(session.left_out.itertuples(index=False, name=None))
        first = f"; the first of {len(left)} left out: {first_reason(left)}" if left else ""
        raise SheetError(
            f"{source}: its sheet lists no scan of role sample that could be used: there is nothing to read{first}"
        )
    return session, session.left_out.to_dict("records")


def scans_of(path: str) -> "list[Scan]":
    """Read the scans of a file, or of standard input where the name is `-`."""
    from specmatch.measurement.readers.files import LARGEST_BYTES, read_scans, scans_from_bytes

    if path != STANDARD_INPUT:
        return read_scans(path)
    return scans_from_bytes(sys.stdin.buffer.read(LARGEST_BYTES + 1), name="standard input")


def tell_sheet_notes(session: Any) -> None:
    """Print on stderr what is to be known of a folder's sheets."""
    for row in session.sheet_notes.itertuples():
        say(f"note: {row.note}", error=True)


def in_unit(readings: "pd.DataFrame", unit: str | None) -> "pd.DataFrame":
    """Return readings with their colours in another unit; the readings themselves when it is None or their own."""
    if unit is None or readings.empty:
        return readings
    from specmatch.batches import in_colour_unit

    shown = readings.copy()
    own = readings["colour_unit"].iloc[0]
    for column in ("colour", "colour_low", "colour_high", "colour_without_fault"):
        shown[column] = in_colour_unit(readings[column].to_numpy(), own, unit)
    shown["colour_unit"] = unit
    named = readings[["nearest_beer", "plausible_beers", *(["claimed"] if "claimed" in readings else [])]]
    names = named.explode("plausible_beers").stack().dropna().unique().tolist()
    for column in readings.columns.intersection(["reason", "advice", "explanation", "explanation_if_claimed"]):
        shown[column] = [said_in_unit(one, unit, names) if isinstance(one, str) else one for one in shown[column]]
    return shown


def said_in_unit(said: str, unit: str, names: Sequence[str]) -> str:
    """Return a sentence with its colours in another unit, the names of beers in it as they are."""
    from specmatch.colour import ebc_from_srm, srm_from_ebc
    from specmatch.wording import in_digits

    own, turn = ("EBC", srm_from_ebc) if unit == "SRM" else ("SRM", ebc_from_srm)
    figure = r"-?\d+(?:\.\d+)?"
    kept = "".join(f"{re.escape(name)}|" for name in sorted(names, key=len, reverse=True))

    def put(found: re.Match[str]) -> str:
        if found["figures"] is None:
            return found[0]
        turned = re.sub(figure, lambda one: in_digits(turn(float(one[0])), unit), found[0])
        return turned.replace(f" {own}", f" {unit}")

    return re.sub(rf"{kept}(?P<figures>{figure}(?: to {figure})? {own}\b(?:, not {figure})?)", put, said)


def limits_in_unit(risks: "pd.DataFrame", unit: str | None) -> "pd.DataFrame":
    """Return the risks of limits with the limits themselves in another unit."""
    if unit is None or risks.empty:
        return risks
    from specmatch.batches import in_colour_unit

    shown = risks.copy()
    for column in ("low", "high", "accepted_low", "accepted_high"):
        for own in risks["unit"].unique():
            rows = (risks["unit"] == own).to_numpy()
            shown.loc[rows, column] = in_colour_unit(risks.loc[rows, column].to_numpy(), own, unit)
    return shown.assign(unit=unit)
