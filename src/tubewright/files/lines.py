"""On which line of a TOML or JSON text each value stands.

The readers of the standard library don't say. These two scanners are run only
after the text has been read without error, and only when there is a fault to
report, so they may take valid syntax for granted; on anything odd they stop and
give what they have.
"""

from __future__ import annotations

import contextlib
import re
from typing import TypeAlias

Path: TypeAlias = tuple[str | int, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_TOML_SCALAR = re.compile(r"[^,\]}#\r\n]+")
_JSON_STRING = re.compile(r'"(?:[^"\\]|\\.)*"', re.DOTALL)
_JSON_SCALAR = re.compile(r"[^,\]}\s]+")
_JSON_BLANK = re.compile(r"[ \t\r\n]*")


class _Scanner:
    """What both languages share: a text, a place in it, and the lines found."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._counted_to = 0
        self._line = 1

    def mark(self, path: Path) -> None:
        """Note the line that stands at the present place as that of ``path``."""
        self._line += self.text.count("\n", self._counted_to, self.at)
        self._counted_to = self.at
        self.lines.setdefault(path, self._line)

    def peek(self, width: int = 1) -> str:
        """The next characters, without going on."""
        return self.text[self.at : self.at + width]

    @property
    def done(self) -> bool:
        """Whether the text is used up."""
        return self.at >= len(self.text)


class _TomlScanner(_Scanner):
    """Walks a valid TOML document."""

    def run(self) -> None:
        prefix: Path = ()
        tables: dict[Path, int] = {}
        while True:
            self._blank(newlines=True)
            if self.done:
                return
            if self.peek() == "[":
                prefix = self._header(tables)
            else:
                self._pair(prefix)

    def _header(self, tables: dict[Path, int]) -> Path:
        start = self.at
        width = 2 if self.peek(2) == "[[" else 1
        self.at += width
        self._blank()
        keys = self._keys()
        self._blank()
        self.at += width
        end, self.at = self.at, start
        path: Path = ()
        for number, key in enumerate(keys):
            path = (*path, key)
            last = number == len(keys) - 1
            if last and width == 2:
                tables[path] = tables.get(path, -1) + 1
            self.mark(path)
            if path in tables:
                path = (*path, tables[path])
                self.mark(path)
        self.at = end
        return path

    def _pair(self, prefix: Path) -> None:
        start = self.at
        keys = self._keys()
        end, self.at = self.at, start
        path = prefix
        for key in keys:
            path = (*path, key)
            self.mark(path)
        self.at = end
        self._blank()
        self.at += 1  # the equals sign
        self._blank()
        self._value(path)

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._blank()
            if self.peek() in {'"', "'"}:
                start = self.at
                self._string()
                keys.append(self.text[start + 1 : self.at - 1])
            else:
                found = _BARE_KEY.match(self.text, self.at)
                if found is None:
                    raise _OddError
                keys.append(found.group())
                self.at = found.end()
            self._blank()
            if self.peek() != ".":
                return keys
            self.at += 1

    def _value(self, path: Path) -> None:
        self.mark(path)
        opening = self.peek()
        if opening in {'"', "'"}:
            self._string()
        elif opening == "[":
            self.at += 1
            number = 0
            while self._more("]"):
                self._value((*path, number))
                number += 1
        elif opening == "{":
            self.at += 1
            while self._more("}"):
                self._pair(path)
        else:
            found = _TOML_SCALAR.match(self.text, self.at)
            if found is None:
                raise _OddError
            self.at = found.end()

    def _more(self, closing: str) -> bool:
        """Step to the next member of an array or inline table; false at its end."""
        self._blank(newlines=True)
        if self.peek() == ",":
            self.at += 1
            self._blank(newlines=True)
        if self.done:
            raise _OddError
        if self.peek() == closing:
            self.at += 1
            return False
        return True

    def _string(self) -> None:
        quote = self.peek()
        if self.peek(3) == quote * 3:
            end = self.at + 3
            while True:
                end = self.text.find(quote * 3, end)
                if end < 0:
                    raise _OddError
                if quote == "'" or not _escaped(self.text, end):
                    break
                end += 1
            self.at = end + 3
            # Up to two more quotes may stand inside, directly before the end.
            while self.peek() == quote:
                self.at += 1
            return
        end = self.at + 1
        while True:
            end = self.text.find(quote, end)
            if end < 0:
                raise _OddError
            if quote == "'" or not _escaped(self.text, end):
                break
            end += 1
        self.at = end + 1

    def _blank(self, *, newlines: bool = False) -> None:
        while not self.done:
            char = self.peek()
            if char in " \t" or (newlines and char in "\r\n"):
                self.at += 1
            elif char == "#" and newlines:
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return


class _JsonScanner(_Scanner):
    """Walks a valid JSON document and notes names that stand twice in one object."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.twice: list[tuple[Path, int]] = []

    def value(self, path: Path) -> None:
        self._blank()
        self.mark(path)
        opening = self.peek()
        if opening == '"':
            self._skip(_JSON_STRING)
        elif opening == "[":
            self.at += 1
            number = 0
            while self._more("]"):
                self.value((*path, number))
                number += 1
        elif opening == "{":
            self.at += 1
            seen = set()
            while self._more("}"):
                name = self._skip(_JSON_STRING)[1:-1]
                below = (*path, name)
                if name in seen:
                    self._line += self.text.count("\n", self._counted_to, self.at)
                    self._counted_to = self.at
                    self.twice.append((below, self._line))
                seen.add(name)
                self._blank()
                self.at += 1  # the colon
                self.value(below)
        else:
            self._skip(_JSON_SCALAR)

    def _more(self, closing: str) -> bool:
        self._blank()
        if self.peek() == ",":
            self.at += 1
            self._blank()
        if self.done:
            raise _OddError
        if self.peek() == closing:
            self.at += 1
            return False
        return True

    def _skip(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if found is None:
            raise _OddError
        self.at = found.end()
        return found.group()

    def _blank(self) -> None:
        found = _JSON_BLANK.match(self.text, self.at)
        if found is not None:
            self.at = found.end()


class _OddError(Exception):
    """The text is not what was promised; stop looking."""


def _escaped(text: str, at: int) -> bool:
    """Whether the character at ``at`` has an odd number of backslashes before it."""
    back = at
    while back > 0 and text[back - 1] == "\\":
        back -= 1
    return (at - back) % 2 == 1


def toml_lines(text: str) -> dict[Path, int]:
    r"""The line (from 1) of each key, table and array member of a valid TOML text.

    Example:
        >>> toml_lines("format = 1\n[[readings]]\ngun = 'red'\n")[("readings", 0, "gun")]
        3
    """
    scanner = _TomlScanner(text)
    with contextlib.suppress(_OddError, RecursionError):
        scanner.run()
    return scanner.lines


def json_lines(text: str) -> tuple[dict[Path, int], list[tuple[Path, int]]]:
    r"""The line (from 1) of each value of a valid JSON text, and the names that stand twice.

    Example:
        >>> json_lines('{"format": 1,\n "use": {"keep_years": 5}}')[0][("use", "keep_years")]
        2
    """
    scanner = _JsonScanner(text)
    with contextlib.suppress(_OddError, RecursionError):
        scanner.value(())
    return scanner.lines, scanner.twice
