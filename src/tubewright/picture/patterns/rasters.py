"""The library of rasters: plain records in, named rasters out; and what a raster is in time.

The records themselves, each with its source, stand in the trade's knowledge and
are handed in (``tubewright.knowledge``, the table ``raster``).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Final, Literal, Protocol

from tubewright.errors import Fault, InputError
from tubewright.picture.patterns.raster import Raster

Mounting = Literal["horizontal", "vertical"]
MOUNTINGS: Final[tuple[Mounting, ...]] = ("horizontal", "vertical")


class RasterRecord(Protocol):
    """One raster as knowledge keeps it; fields as in :class:`Raster`."""

    @property
    def id(self) -> str: ...  # noqa: D102 - a Protocol's fields need no words of their own
    @property
    def width_px(self) -> int: ...  # noqa: D102
    @property
    def height_px(self) -> int: ...  # noqa: D102
    @property
    def pixel_clock_hz(self) -> float: ...  # noqa: D102
    @property
    def h_front_px(self) -> int: ...  # noqa: D102
    @property
    def h_sync_px(self) -> int: ...  # noqa: D102
    @property
    def h_back_px(self) -> int: ...  # noqa: D102
    @property
    def v_front_lines(self) -> int: ...  # noqa: D102
    @property
    def v_sync_lines(self) -> int: ...  # noqa: D102
    @property
    def v_back_lines(self) -> int: ...  # noqa: D102
    @property
    def interlaced(self) -> bool: ...  # noqa: D102
    @property
    def h_sync_positive(self) -> bool: ...  # noqa: D102
    @property
    def v_sync_positive(self) -> bool: ...  # noqa: D102


def library(records: Iterable[RasterRecord]) -> Mapping[str, Raster]:
    """Every raster of the records by its name, in their order.

    Raises:
        InputError: A record that is no raster: a part without length, or an interlaced frame of even lines.
    """
    faults: list[Fault] = []
    found = {}
    for record in records:
        raster = Raster(
            name=record.id,
            width_px=record.width_px,
            height_px=record.height_px,
            pixel_clock_hz=record.pixel_clock_hz,
            h_front_px=record.h_front_px,
            h_sync_px=record.h_sync_px,
            h_back_px=record.h_back_px,
            v_front_lines=record.v_front_lines,
            v_sync_lines=record.v_sync_lines,
            v_back_lines=record.v_back_lines,
            interlaced=record.interlaced,
            h_sync_positive=record.h_sync_positive,
            v_sync_positive=record.v_sync_positive,
        )
        wrong = what_is_wrong(raster)
        if wrong:
            faults.append(Fault(what=wrong, where=f"raster {record.id}", mend="Mend its entry."))
        found[raster.name] = raster
    if faults:
        raise InputError(faults)
    return found


def what_is_wrong(raster: Raster) -> str:
    """Why this is no raster at all, or "": every part has its length, only a front porch may have none."""
    for what, count, least in (
        ("width", raster.width_px, 1),
        ("height", raster.height_px, 1),
        ("front porch of a line", raster.h_front_px, 0),
        ("sync of a line", raster.h_sync_px, 1),
        ("back porch of a line", raster.h_back_px, 1),
        ("front porch of a field", raster.v_front_lines, 0),
        ("sync of a field", raster.v_sync_lines, 1),
        ("back porch of a field", raster.v_back_lines, 1),
    ):
        if count < least:
            return f"its {what} is {count}"
    if not raster.pixel_clock_hz > 0:
        return f"its clock is {raster.pixel_clock_hz:g} Hz"
    if raster.interlaced and raster.v_total_lines % 2 == 0:
        return f"{raster.v_total_lines} lines are even: its two fields would lie on each other"
    if raster.interlaced and raster.height_px % 2:
        return f"{raster.height_px} active lines don't make two fields"
    return ""


def find_raster(rasters: Mapping[str, Raster], name: str) -> Raster:
    """The raster of that name.

    Raises:
        InputError: There is none; the message offers the nearest names.
    """
    found = rasters.get(name) or rasters.get(name.strip().lower())
    if found is not None:
        return found
    near = nearest_names(rasters, name)
    shown = name if len(name) <= 40 and name.isprintable() else "that"
    raise InputError(
        Fault(
            what=f"no raster is called {shown!r}",
            where="raster",
            mend=f"Nearest are {', '.join(near)}; tubewright raster list names all.",
        )
    )


def nearest_names(rasters: Mapping[str, Raster], name: str, count: int = 3) -> tuple[str, ...]:
    """Names like the one typed: those that hold it first, then the most alike; never none while there are any."""
    typed = name.strip().lower()[:60]
    holding = [known for known in rasters if typed and typed in known]

    def likeness(known: str) -> float:
        # Names share long tails: one typed in part is compared with as much of each.
        return max(SequenceMatcher(None, typed, part).ratio() for part in (known, known[: len(typed)]))

    return tuple(dict.fromkeys([*holding, *sorted(rasters, key=likeness, reverse=True)]))[:count]


def seen_size(raster: Raster, mounting: Mounting) -> tuple[int, int]:
    """Width and height of the picture as a viewer sees it, in raster dots and lines.

    How a display is mounted changes nothing in time: the lines of one that stands on
    its side run up and down, so width and height change places.
    """
    return (raster.width_px, raster.height_px) if mounting == "horizontal" else (raster.height_px, raster.width_px)


def repeated(raster: Raster, count: int) -> Raster:
    """The same raster with each dot sent ``count`` times: wider in dots, the same in time.

    For what feeds a display but has no clock as slow as the raster's own.

    Raises:
        InputError: ``count`` is not from 1 to 16.
    """
    if not 1 <= count <= 16:
        raise InputError(Fault(what=f"{count} times each dot is too often", where="repeat", mend="Take 1 to 16."))
    return (
        raster
        if count == 1
        else dataclasses.replace(
            raster,
            name=f"{raster.name}-x{count}",
            width_px=raster.width_px * count,
            pixel_clock_hz=raster.pixel_clock_hz * count,
            h_front_px=raster.h_front_px * count,
            h_sync_px=raster.h_sync_px * count,
            h_back_px=raster.h_back_px * count,
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of a line or of a field: so many dots or lines, so long. Lines of an interlaced field may be halves."""

    name: Literal["active", "front_porch", "sync", "back_porch", "blanking", "total"]
    count: float
    time_us: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterTimes:
    """A raster in time: the parts of a line in dots, the parts of a field in lines, both in microseconds.

    ``field`` is the mean of the two fields of an interlaced raster.
    """

    dot_us: float
    line: tuple[Part, ...]
    field: tuple[Part, ...]
    line_khz: float
    field_hz: float
    frame_hz: float


def times(raster: Raster) -> RasterTimes:
    """Every part of a line and of a field, with its length in dots or lines and in microseconds."""
    dot_us = 1e6 / raster.pixel_clock_hz
    line_us = dot_us * raster.h_total_px
    fields = 2 if raster.interlaced else 1
    h_blank = raster.h_total_px - raster.width_px
    v_blank = raster.v_total_lines - raster.height_px
    return RasterTimes(
        dot_us=dot_us,
        line=(
            Part(name="active", count=raster.width_px, time_us=raster.width_px * dot_us),
            Part(name="front_porch", count=raster.h_front_px, time_us=raster.h_front_px * dot_us),
            Part(name="sync", count=raster.h_sync_px, time_us=raster.h_sync_px * dot_us),
            Part(name="back_porch", count=raster.h_back_px, time_us=raster.h_back_px * dot_us),
            Part(name="blanking", count=h_blank, time_us=h_blank * dot_us),
            Part(name="total", count=raster.h_total_px, time_us=line_us),
        ),
        field=(
            _lines("active", raster.height_px / fields, line_us),
            _lines("front_porch", raster.v_front_lines / fields, line_us),
            _lines("sync", raster.v_sync_lines / fields, line_us),
            _lines("back_porch", raster.v_back_lines / fields, line_us),
            _lines("blanking", v_blank / fields, line_us),
            _lines("total", raster.v_total_lines / fields, line_us),
        ),
        line_khz=raster.line_hz / 1e3,
        field_hz=raster.field_hz,
        frame_hz=raster.frame_hz,
    )


def _lines(
    name: Literal["active", "front_porch", "sync", "back_porch", "blanking", "total"], count: float, line_us: float
) -> Part:
    return Part(name=name, count=count, time_us=count * line_us)
