"""One line of a board's part list: its cells by column, read with units, and the faults found in it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Final

from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

_YES: Final = frozenset({"yes", "y", "x", "1", "true", "bulged", "bulging", "leaking", "cracked", "burnt", "hot"})
_NO: Final = frozenset({"no", "n", "0", "false", "", "-", "none", "ok"})
NOT_SAID: Final = frozenset({"", "-", "?"})
"""What stands in a cell of which nothing is known."""


@dataclass(slots=True, kw_only=True)
class BoardRow:
    """One line of the file: its cells by column, and the faults found in it."""

    line: int
    cells: Mapping[str, str]
    units: Mapping[str, str]
    headings: Mapping[str, str]
    file: str
    faults: list[Fault] = field(default_factory=list)

    def where(self, column: str) -> str:
        """File, line and column, for a message."""
        return f"{self.file} line {self.line}, column {self.headings.get(column, column)}"

    def text(self, column: str) -> str:
        """What stands in a cell, without blanks around it."""
        return self.cells.get(column, "").strip()

    def fault(self, column: str, what: str, mend: str) -> None:
        """Note that something is wrong with a cell."""
        self.faults.append(Fault(what=what, where=self.where(column), mend=mend))

    def figure(self, column: str, kind: str, *, zero: bool = False, typed: str | None = None) -> float | None:
        """The figure in a cell, or in ``typed`` that was taken out of it; ``None`` where nothing is said."""
        typed = self.text(column) if typed is None else typed
        if typed in NOT_SAID:
            return None
        unit = self.units.get(column, "")
        bare = re.fullmatch(r"[0-9.,\s]+", typed) is not None
        try:
            value = parse_quantity(
                f"{typed} {unit}" if bare and unit else typed, kind=kind, where=self.where(column)
            ).value
        except InputError as error:
            self.faults += error.faults
            return None
        if not math.isfinite(value) or value < 0 or (value == 0 and not zero):
            self.fault(column, f"“{typed[:24]}” must be more than zero", "Check it, or leave it empty.")
            return None
        return value

    def choice(self, column: str, what: str, known: Mapping[str, str]) -> str:
        """An id by its name or by what people call it; "" where nothing is written."""
        typed = self.text(column)
        found = known.get(plain(typed))
        if typed in NOT_SAID:
            return ""
        if found is None:
            near = get_close_matches(plain(typed), list(known), n=3, cutoff=0.6)
            ids = list(dict.fromkeys(known[name] for name in near))
            mend = (
                f"Nearest are {', '.join(ids)}." if ids else f"Use one of {', '.join(dict.fromkeys(known.values()))}."
            )
            self.fault(column, f"no {what} is called “{typed[:40]}”", f"{mend} Or leave it empty.")
            return ""
        return found

    def flag(self, column: str) -> bool:
        """Whether a cell says yes; an empty one says no."""
        typed = plain(self.text(column))
        if typed in _YES or typed in _NO:
            return typed in _YES
        self.fault(column, f"“{typed[:24]}” is neither yes nor no", "Write yes or no.")
        return False


def plain(text: str) -> str:
    """Text without case, underscores and doubled blanks."""
    return " ".join(re.sub(r"[_\s]+", " ", text.strip().casefold()).split())
