"""The directories of a TIFF stream: what EXIF, TIFF and DNG have in common.

Source: TIFF revision 6.0 (1992), section 2; Exif 2.32 (CIPA DC-008-2019), 4.6.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

_FORMATS: Final = {1: "B", 2: "c", 3: "H", 4: "I", 6: "b", 7: "c", 8: "h", 9: "i", 11: "f", 12: "d", 13: "I"}
_RATIONALS: Final = {5: "I", 10: "i"}
_SUB_DIRECTORIES: Final = (330, 34665)  # SubIFDs, Exif
_MOST_DIRECTORIES: Final = 40  # a phone's DNG has five; more than this is a loop or a trap (estimate)
_MOST_ENTRIES: Final = 2000  # a camera's directory has a hundred (estimate)


class TiffError(ValueError):
    """The stream isn't a TIFF, or its first directory can't be read."""


@dataclass(frozen=True, slots=True)
class Tags:
    """One directory: each tag's type and its bytes, in the stream's own byte order."""

    order: str
    entries: dict[int, tuple[int, bytes]]
    cut: bool = False

    def __contains__(self, tag: int) -> bool:
        return tag in self.entries

    def raw(self, tag: int) -> bytes:
        """A tag's bytes as they stand, or b""."""
        return self.entries.get(tag, (0, b""))[1]

    def numbers(self, tag: int) -> tuple[float, ...]:
        """A tag's numbers; empty if it isn't there or holds text. Fractions over zero are left out."""
        kind, body = self.entries.get(tag, (0, b""))
        if kind in _RATIONALS:
            count = len(body) // 8
            parts = struct.unpack(f"{self.order}{2 * count}{_RATIONALS[kind]}", body[: 8 * count])
            pairs = zip(parts[::2], parts[1::2], strict=True)
            return tuple(above / below for above, below in pairs if below)
        letter = _FORMATS.get(kind, "c")
        if letter == "c":
            return ()
        count = len(body) // struct.calcsize(letter)
        values = struct.unpack(f"{self.order}{count}{letter}", body[: count * struct.calcsize(letter)])
        return tuple(value for value in values if math.isfinite(value))

    def number(self, tag: int) -> float | None:
        """A tag's first number, if it has one."""
        numbers = self.numbers(tag)
        return float(numbers[0]) if numbers else None

    def wholes(self, tag: int) -> tuple[int, ...]:
        """A tag's numbers as whole ones."""
        return tuple(int(value) for value in self.numbers(tag))

    def whole(self, tag: int, default: int = 0) -> int:
        """A tag's first number as a whole one, or what stands for it."""
        return next(iter(self.wholes(tag)), default)

    def text(self, tag: int) -> str:
        """A tag's text up to its first zero byte, what can't be printed left out."""
        text = self.raw(tag).split(b"\x00")[0].decode("utf-8", errors="ignore")
        return "".join(letter for letter in text if letter.isprintable()).strip()[:80]


def tiff_directories(data: bytes) -> tuple[Tags, ...]:
    """Every directory of a TIFF stream that can be read, the first one first; the Exif directory is among them.

    Raises:
        TiffError: It doesn't begin as a TIFF does, or even its first directory is unreadable.
    """
    order = {b"II*\x00": "<", b"MM\x00*": ">"}.get(data[:4])
    if order is None or len(data) < 8:
        raise TiffError
    waiting, seen, found = [struct.unpack(f"{order}I", data[4:8])[0]], set[int](), list[Tags]()
    while waiting and len(found) < _MOST_DIRECTORIES:
        at = waiting.pop(0)
        if at in seen:
            continue
        seen.add(at)
        tags, following = _directory(data, at, order)
        if tags is None:
            if not found:
                raise TiffError
            continue
        found.append(tags)
        waiting += [place for tag in _SUB_DIRECTORIES for place in tags.wholes(tag)]
        waiting += [following] if following else []
    return tuple(found)


def stored_ends(tags: Tags) -> Iterator[int]:
    """Where the strips and tiles of a directory end, in bytes from the start; far off if an entry was cut."""
    for places, counts in ((273, 279), (324, 325), (513, 514)):
        offsets, lengths = tags.wholes(places), tags.wholes(counts)
        if len(offsets) != len(lengths):
            yield 1 << 62
        yield from (offset + length for offset, length in zip(offsets, lengths, strict=False))
    if tags.cut:
        yield 1 << 62


def _directory(data: bytes, at: int, order: str) -> tuple[Tags | None, int]:
    if at < 8 or at + 2 > len(data):
        return None, 0
    (count,) = struct.unpack(f"{order}H", data[at : at + 2])
    end = at + 2 + 12 * count
    if not count or count > _MOST_ENTRIES or end > len(data):
        return None, 0
    entries: dict[int, tuple[int, bytes]] = {}
    cut = False
    for place in range(at + 2, end, 12):
        tag, kind, length = struct.unpack(f"{order}HHI", data[place : place + 8])
        size = length * (8 if kind in _RATIONALS else struct.calcsize(_FORMATS.get(kind, "c")))
        start = place + 8 if size <= 4 else struct.unpack(f"{order}I", data[place + 8 : place + 12])[0]
        if start + size > len(data):
            cut = True
            continue
        entries.setdefault(tag, (kind, data[start : start + size]))
    following = struct.unpack(f"{order}I", data[end : end + 4])[0] if end + 4 <= len(data) else 0
    return Tags(order, entries, cut), following
