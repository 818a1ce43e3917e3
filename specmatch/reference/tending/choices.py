"""Who is right where a folder says something against the set: asked of a person, by kind or one by one."""

from collections.abc import Collection, Mapping, Sequence

import pandas as pd

from specmatch.errors import ConflictError, OptionError
from specmatch.wording import nearest_name

SET, FOLDER, BOTH = "set", "folder", "both"
KINDS = ("beer", "colour", "record", "reflectance", "beer record")
CONFLICT_COLUMNS = ("kind", "subject", "column", "set", "folder", "source")
_SHOWN = 3


class Choices:
    """Conflicts met so far, and what is to be done about each kind and subject."""

    def __init__(self, take: str | Mapping[str, str] | None) -> None:
        self._take = self._checked(take)
        self.rows: list[tuple[object, ...]] = []
        self.open: list[tuple[object, ...]] = []

    @staticmethod
    def _checked(take: str | Mapping[str, str] | None) -> dict[str, str]:
        asked = {"": take} if isinstance(take, str) else dict(take or {})
        for subject, side in asked.items():
            if side not in (SET, FOLDER, BOTH):
                raise OptionError(
                    f"take is {side!r} for {subject or 'everything'!r}; expected 'set', 'folder' or 'both'"
                )
        return asked

    def decide(self, kind: str, subject: str, column: str, of_set: object, of_folder: object, source: str) -> str:
        """Return `set`, `folder` or `both`; an open conflict is noted, and the set stands until it is decided."""
        row = (kind, subject, column, of_set, of_folder, source)
        self.rows.append(row)
        side = self._take.get(subject, self._take.get(kind, self._take.get("", "")))
        if not side or (side == BOTH and kind != "colour"):
            self.open.append(row)
            return SET
        return side

    def refuse_open(self, names: Collection[str]) -> None:
        """Raise where a conflict is undecided, or a choice is made about what is neither a kind nor among the names."""
        known = [*KINDS, *names, *(str(row[1]) for row in self.rows)]
        strange = next((name for name in self._take if name and name not in set(known)), None)
        if strange is not None:
            raise OptionError(
                f"take names {strange!r}, which is nothing of the set{nearest_name(str(strange), known)}; "
                f"expected a kind ({', '.join(KINDS)}), or a batch, beer or scan by its name"
            )
        if self.open:
            table = pd.DataFrame(self.open, columns=list(CONFLICT_COLUMNS), dtype=object)
            raise ConflictError(conflict_line(self.open), conflicts=table)


def conflict_line(rows: Sequence[tuple[object, ...]]) -> str:
    """Say in one line what stands against the set."""
    said = "; ".join(
        f"{subject} {column}: the set has {shown(ours)}, {source or 'the new table'} {shown(theirs)}"
        for _, subject, column, ours, theirs, source in rows[:_SHOWN]
    )
    more = f"; and {len(rows) - _SHOWN} more" if len(rows) > _SHOWN else ""
    return f"{said}{more}; say which to take: that of the set or of the folder, for all, a kind or a name"


def shown(value: object) -> str:
    """Return a value of a set as a person is shown it."""
    return f"{value:.6g}" if isinstance(value, float) else repr(value)
