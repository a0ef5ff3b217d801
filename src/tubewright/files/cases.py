"""Reading a case from TOML or JSON, and writing one as TOML."""

from __future__ import annotations

import datetime as dt
import json
import re
import tomllib
from pathlib import Path as FilePath
from typing import Final

from tubewright.case import Case
from tubewright.errors import Fault, InputError
from tubewright.files.check import ReadsOff, check_case
from tubewright.files.explain import FieldFault, dotted
from tubewright.files.lines import Path, json_lines, toml_lines
from tubewright.knowledge.model import Knowledge

MAX_CASE_BYTES: Final = 2_000_000
"""The longest case that is read; the longest honest one has some tens of kilobytes."""

_AT_LINE: Final = re.compile(r"\s*\(at line (\d+), column (\d+)\)\s*$")


def read_case(
    source: FilePath | str | bytes,
    name: str = "",
    *,
    knowledge: Knowledge | None = None,
    reads_off: ReadsOff | None = None,
) -> Case:
    """The case in a TOML or JSON file, or in the bytes of one.

    Args:
        source: A path, or the bytes themselves (from standard input, a form, ...).
        name: What messages call it; the file's name where left empty.
        knowledge: Where ids of symptoms, tests and results are looked up; without
            it they are only checked for form.
        reads_off: What says whether a test can be read off a number in that unit.

    Returns:
        The case, checked field by field.

    Raises:
        InputError: Something is wrong; every fault that could be found is in it, each
            with file, line and field.
    """
    raw = source if isinstance(source, bytes) else _bytes_of(FilePath(source))
    if not name:
        name = "the case" if isinstance(source, bytes) else FilePath(source).name
    if len(raw) > MAX_CASE_BYTES:
        raise InputError(_too_large(name, len(raw)))
    text = _decode(raw, name)
    as_json = name.lower().endswith(".json") or (not name.lower().endswith(".toml") and text.lstrip()[:1] == "{")
    data = _from_json(text, name) if as_json else _from_toml(text, name)
    case, faults = check_case(data, knowledge, reads_off)
    lines: dict[Path, int] = {}
    twice: list[tuple[Path, int]] = []
    if as_json:
        lines, twice = json_lines(text)
    elif faults:
        lines = toml_lines(text)
    again = (
        FieldFault(path=path, what=f"{path[-1]} stands twice in the same group", mend="Keep one of the two.")
        for path, _ in twice
    )
    said = [_placed(fault, name, {**lines, **dict(twice)}) for fault in again]
    last = text.count("\n") + 2
    said += [
        _placed(fault, name, lines)
        for fault in sorted(faults, key=lambda fault: _line_of(fault.path, lines) or (0 if fault.path else last))
    ]
    if said or case is None:
        raise InputError(said)
    return case


def write_case(case: Case) -> str:
    """The case as TOML that :func:`read_case` reads back as the same case.

    What is not known is left out, as in a file written by hand.
    """
    import tomlkit

    document = tomlkit.document()
    document.add("format", tomlkit.item(case.format))
    body = case.model_dump(exclude_none=True)
    for part in ("display", "tube", "use", "costs"):
        if body[part]:
            table = tomlkit.table()
            for key, value in body[part].items():
                table.add(key, tomlkit.item(_writable(value)))
            document.add(part, table)
    for part in ("readings", "symptoms", "tests", "treatments", "repairs"):
        if body[part]:
            entries = tomlkit.aot()
            for entry in body[part]:
                table = tomlkit.table()
                for key, value in entry.items():
                    table.add(key, tomlkit.item(_writable(value)))
                entries.append(table)
            document.add(part, entries)
    return tomlkit.dumps(document)


def _writable(value: object) -> object:
    """As a hand would write it: whole numbers without a point, times with offsets TOML knows (whole minutes)."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    if isinstance(value, dt.datetime) and value.tzinfo is not None:
        offset = value.utcoffset() or dt.timedelta()
        if offset.total_seconds() % 60:
            return value.astimezone(dt.UTC)
        return value.replace(tzinfo=dt.timezone(offset))
    return value


def _bytes_of(path: FilePath) -> bytes:
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_CASE_BYTES + 1)
        if len(raw) > MAX_CASE_BYTES:
            raise InputError(_too_large(path.name, path.stat().st_size))
    except FileNotFoundError:
        raise InputError(
            Fault(what="there is no such file", where=str(path), mend="Check the name and the folder.")
        ) from None
    except IsADirectoryError:
        raise InputError(Fault(what="this is a folder", where=str(path), mend="Name a case file inside it.")) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise InputError(
            Fault(
                what=f"the file can't be read ({reason})", where=str(path), mend="Check its name and its permissions."
            )
        ) from error
    return raw


def _too_large(name: str, size: int) -> Fault:
    return Fault(
        what=f"it has {size / 1e6:.1f} MB, and a case has {MAX_CASE_BYTES / 1e6:.0f} MB at most",
        where=name,
        mend="Check that this is the case and not a photograph or a backup.",
    )


def _decode(raw: bytes, name: str) -> str:
    if not raw.strip():
        raise InputError(Fault(what="it is empty", where=name, mend="A case begins with the line: format = 1"))
    if raw[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        raise InputError(Fault(what="it is UTF-16 text", where=name, mend="Save it again as UTF-8."))
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputError(
            Fault(
                what="it is not UTF-8 text",
                where=f"{name} line {line}",
                mend="Save it again as UTF-8; if it is not text at all, it is not a case.",
            )
        ) from None


def _from_toml(text: str, name: str) -> object:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        found = _AT_LINE.search(said)
        line = (
            f" line {found.group(1)}" if found else f" line {text.count(chr(10)) + 1}" if "end of doc" in said else ""
        )
        said = _AT_LINE.sub("", said).replace("(at end of document)", "at the end").strip()
        mend = "Each line is a field = value or a [heading]; text stands in quotes."
        raise InputError(
            Fault(what=f"this is not TOML: {said[:1].lower()}{said[1:]}", where=name + line, mend=mend)
        ) from None
    except (ValueError, RecursionError) as error:
        raise InputError(_unreadable(name, error)) from None


def _from_json(text: str, name: str) -> object:
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        raise InputError(
            Fault(
                what=f"this is not JSON: {error.msg[:1].lower()}{error.msg[1:]}",
                where=f"{name} line {error.lineno}",
                mend="Check commas, quotes and brackets there.",
            )
        ) from None
    except (ValueError, RecursionError) as error:
        raise InputError(_unreadable(name, error)) from None


def _unreadable(name: str, error: Exception) -> Fault:
    why = "it is nested too deeply" if isinstance(error, RecursionError) else "it holds a number of absurd length"
    return Fault(what=why, where=name, mend="Check that this is a case; `tubewright schema case` shows what one holds.")


def _placed(fault: FieldFault, name: str, lines: dict[Path, int]) -> Fault:
    field = dotted(fault.path)
    line = _line_of(fault.path, lines)
    what = fault.what
    if fault.also is not None:
        also = _line_of(fault.also, lines)
        what += f" on line {also}" if also else ""
    where = name + (f" line {line}" if line else "") + (f", {field}" if field else "")
    return Fault(what=what, where=where, mend=fault.mend)


def _line_of(path: Path, lines: dict[Path, int]) -> int | None:
    """The line of a field, or of the nearest group around it."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None
