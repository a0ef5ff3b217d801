"""Facts as written: entries of the TOML files, each of which knows its file and line.

The TOML parser says nothing of lines, so the line of an entry is looked up in the
text, and only when a fault has to be reported.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from tubewright.errors import Fault

_LINE_IN_MESSAGE: Final = re.compile(r"\(at line (\d+), column \d+\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class FactsFile:
    """One TOML file: its name as a person would find it, and its text; ``own`` marks a shop's own."""

    name: str
    text: str
    own: bool = False


@dataclass(slots=True, kw_only=True)
class Entry:
    """One ``[[table]]`` of a facts file.

    ``number`` counts the entries of that table in that file from 0; ``values``
    holds what is written there plus what the file's ``[common.table]`` gives.
    ``within`` is the entry that a group of fields belongs to, where there is one each.
    """

    file: FactsFile
    table: str
    number: int
    values: dict[str, Any]
    inner: list[Entry] = field(default_factory=list)
    within: Entry | None = None

    @property
    def id(self) -> str:
        """The entry's own name, or an empty string where it has none."""
        name = self.values.get("key" if self.table == "source" else "id")
        return name if isinstance(name, str) else ""

    def line(self, token: str = "") -> int:
        """The line of the entry's header, or of the first line in it that holds ``token`` as a word."""
        lines = self.file.text.splitlines()
        if self.within is not None:
            return self._line_within(self.within, lines, token)
        header = re.compile(rf"\s*\[\[\s*{re.escape(self.table)}\s*\]\]")
        headers = [at for at, line in enumerate(lines) if header.match(line)]
        if self.number >= len(headers):
            # Written on one line, as a list of inline tables: the list's line is the best there is.
            return _line_holding(self.file.text, self.table.rpartition(".")[2])
        start = headers[self.number]
        return _line_of_word(lines, start, token, "[[") or start + 1

    def _line_within(self, outer: Entry, lines: list[str], token: str) -> int:
        """The same of a group of fields: below its own header, or where it is written on one line."""
        above = outer.line()
        header = re.compile(rf"\s*\[\s*{re.escape(self.table)}\s*\]")
        for at in range(above, len(lines)):
            if lines[at].startswith("[["):
                break
            if header.match(lines[at]):
                return _line_of_word(lines, at, token, "[") or at + 1
        return outer.line(token) if token else outer.line(self.table.rpartition(".")[2])

    def fault(self, what: str, mend: str, token: str = "") -> Fault:
        """A fault of this entry, placed at the line that holds ``token``."""
        owner = self.within or self
        name = f" {owner.id!r}" if owner.id else ""
        return Fault(what=f"{self.table}{name}: {what}", where=f"{self.file.name}:{self.line(token)}", mend=mend)


def parse(
    file: FactsFile,
    faults: list[Fault],
    known: Mapping[str, tuple[str, ...]],
    one_each: frozenset[str] = frozenset(),
) -> list[Entry]:
    """The entries of one file, in the order in which they are written.

    Args:
        file: The file as read.
        faults: Receives what is wrong.
        known: Name of each table that may occur, with the names of its inner tables.
        one_each: Inner tables of which an entry has one and not a list, as ``"chassis.afc"``.

    Returns:
        The entries; none if the text is not TOML at all.
    """
    try:
        document = tomllib.loads(file.text)
    except tomllib.TOMLDecodeError as error:
        found = _LINE_IN_MESSAGE.search(str(error))
        line = found.group(1) if found else "1"
        faults.append(
            Fault(
                what=f"not valid TOML: {_LINE_IN_MESSAGE.sub('', str(error)).strip()}",
                where=f"{file.name}:{line}",
                mend="Mend the line; TOML's rules are at toml.io",
            )
        )
        return []
    except (ValueError, RecursionError):
        # A number of thousands of digits, or lists within lists beyond all sense.
        faults.append(
            Fault(what="this is no list of facts", where=f"{file.name}:1", mend="Check that this is the right file")
        )
        return []
    return list(_entries(file, document, faults, known, one_each))


def _entries(
    file: FactsFile,
    document: dict[str, Any],
    faults: list[Fault],
    known: Mapping[str, tuple[str, ...]],
    one_each: frozenset[str],
) -> Iterator[Entry]:
    common = document.pop("common", {})
    if not isinstance(common, dict) or not all(isinstance(shared, dict) for shared in common.values()):
        faults.append(_not_a_list(file, "common", "holds more than tables", "Write [common.<table>] and fields below"))
        common = {}
    for table, written in document.items():
        if table not in known or not _is_list_of_tables(written):
            every = ", ".join(f"[[{name}]]" for name in known)
            faults.append(
                _not_a_list(file, table, "is not a list of facts that Tubewright knows", f"Use one of {every}")
            )
            continue
        counts = dict.fromkeys(known[table], 0)
        for number, values in enumerate(written):
            entry = Entry(file=file, table=table, number=number, values={**common.get(table, {}), **values})
            for name in known[table]:
                if f"{table}.{name}" in one_each:
                    _take_group(entry, name, faults)
                    continue
                held = entry.values.pop(name, [])
                if not _is_list_of_tables(held):
                    faults.append(entry.fault(f"{name} is not a list", f"Use [[{table}.{name}]]", name))
                    continue
                for inner_values in held:
                    entry.inner.append(
                        Entry(file=file, table=f"{table}.{name}", number=counts[name], values=dict(inner_values))
                    )
                    counts[name] += 1
            yield entry


def _take_group(entry: Entry, name: str, faults: list[Fault]) -> None:
    """Make a group of fields within an entry an inner entry of its own."""
    if name not in entry.values:
        return
    held = entry.values.pop(name)
    if not isinstance(held, dict):
        faults.append(
            entry.fault(f"{name} is no group of fields", f"Use [{entry.table}.{name}] and fields below", name)
        )
        return
    entry.inner.append(Entry(file=entry.file, table=f"{entry.table}.{name}", number=0, values=dict(held), within=entry))


def _line_of_word(lines: list[str], start: int, token: str, ends_at: str) -> int:
    """The line below ``start`` with ``token`` as a word in it, above the next that begins with ``ends_at``; else 0."""
    if token:
        word = re.compile(rf"(?<![\w-]){re.escape(token)}(?![\w-])")
        for at in range(start + 1, len(lines)):
            if lines[at].startswith(ends_at):
                break
            if word.search(lines[at]):
                return at + 1
    return 0


def _is_list_of_tables(written: object) -> bool:
    return isinstance(written, list) and all(isinstance(item, dict) for item in written)


def _not_a_list(file: FactsFile, table: str, what: str, mend: str) -> Fault:
    return Fault(what=f"{table!r} {what}", where=f"{file.name}:{_line_holding(file.text, table)}", mend=mend)


def _line_holding(text: str, token: str) -> int:
    return next((at for at, line in enumerate(text.splitlines(), 1) if token in line), 1)
