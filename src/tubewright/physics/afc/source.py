"""What a source sends to the line oscillator: the pulses of its field, line by line.

Everything is laid out on half lines, for that is where standard field pulses stand. A
slot is half a line; whole lines begin at even slots. A pulse has a slot, a delay from
it and a width. Nothing here knows of a loop.

Sources: counts and widths of the standard fields, Recommendation ITU-R BT.1700 and
SMPTE 170M as data sheets quote them; the arcade kinds are what boards are seen to send.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias, get_args

import numpy as np

from tubewright.physics._arrays import FloatArray

VerticalKind: TypeAlias = Literal["standard", "no_equalising", "line_serrations", "flat", "inverted"]
"""What the field pulse does to the line pulses.

``standard`` serrated at every half line between equalising pulses; ``no_equalising``
serrated so, without equalising pulses; ``line_serrations`` serrated once a line;
``flat`` no serrations at all; ``inverted`` combined by exclusive-OR, so that the line
pulses stand upside down in the field pulse and their edges come one pulse width late.
"""

VERTICAL_KINDS: Final[tuple[VerticalKind, ...]] = get_args(VerticalKind)

LINE_HZ_525: Final = 4.5e6 / 286
LINE_HZ_625: Final = 15625.0
LINE_PULSE_US: Final = 4.7
EQUALISING_US: Final = 2.35
SERRATION_US: Final = 4.7
ACTIVE_US_525: Final = 52.6556
ACTIVE_US_625: Final = 51.95
VISIBLE_AFTER_525: Final = 17.5
VISIBLE_AFTER_625: Final = 22.5
ARCADE_V_LINES: Final = 3
ARCADE_VISIBLE_AFTER: Final = 16.0
ARCADE_VISIBLE_LINES: Final = 240
ARCADE_ACTIVE_US: Final = 48.0
EDGE_US: Final = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncSource:
    """One source of sync, field by field.

    Attributes:
        name: What it is called.
        line_hz: Line rate.
        half_lines: Half lines of one field; odd when interlaced.
        vertical: What the field pulse does to the line pulses.
        equalising_count: Equalising pulses before and again after the field pulse, ``standard`` only.
        vertical_half_lines: Length of the field pulse.
        line_pulse_us: Width of a line pulse.
        equalising_us: Width of an equalising pulse.
        serration_us: Width of the gap in a serrated field pulse.
        visible_after_lines: From the start of the field pulse to the first visible line.
        visible_count: Visible lines of one field.
        active_us: The part of a line that spans the picture's width.
        starts_mid_line: The field pulse begins half a line late, as where a counter's carry starts it.
    """

    name: str
    line_hz: float
    half_lines: int
    vertical: VerticalKind
    equalising_count: int
    vertical_half_lines: int
    line_pulse_us: float = LINE_PULSE_US
    equalising_us: float = EQUALISING_US
    serration_us: float = SERRATION_US
    visible_after_lines: float
    visible_count: int
    active_us: float
    starts_mid_line: bool = False

    @property
    def interlaced(self) -> bool:
        """Whether two fields make a frame."""
        return self.half_lines % 2 == 1

    @property
    def line_us(self) -> float:
        """Time of one line."""
        return 1e6 / self.line_hz

    @property
    def field_hz(self) -> float:
        """Fields a second."""
        return 2 * self.line_hz / self.half_lines

    @property
    def frame_slots(self) -> int:
        """Half lines until the pulses repeat: two fields when interlaced, else one."""
        return self.half_lines * (2 if self.interlaced else 1)

    @property
    def gap_lines(self) -> float:
        """Lines of a field on which no edge comes in its place."""
        if self.vertical == "flat":
            return self.vertical_half_lines / 2
        return 1.0 if self.vertical == "inverted" else 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PulseTrain:
    """The pulses of one frame on its half lines.

    Attributes:
        present: Whether a pulse begins at the slot, (slots,).
        delay_us: How much later than the slot it begins, (slots,).
        width_us: Its width, (slots,); 0 where there is none.
        low_share_ratio: Share of each half line during which sync lasts, (slots,).
        field_slot: The slot at which each field's own field pulse begins, (fields,).
        line_us: Time of one line.
    """

    present: np.ndarray[tuple[int], np.dtype[np.bool_]]
    delay_us: FloatArray
    width_us: FloatArray
    low_share_ratio: FloatArray
    field_slot: tuple[int, ...]
    line_us: float


def standard_525() -> SyncSource:
    """525 lines, 60/1.001 fields a second, with 6 equalising, 6 broad and 6 equalising pulses."""
    return SyncSource(
        name="525-60",
        line_hz=LINE_HZ_525,
        half_lines=525,
        vertical="standard",
        equalising_count=6,
        vertical_half_lines=6,
        visible_after_lines=VISIBLE_AFTER_525,
        visible_count=241,
        active_us=ACTIVE_US_525,
    )


def standard_625() -> SyncSource:
    """625 lines, 50 fields a second, with 5 equalising, 5 broad and 5 equalising pulses."""
    return SyncSource(
        name="625-50",
        line_hz=LINE_HZ_625,
        half_lines=625,
        vertical="standard",
        equalising_count=5,
        vertical_half_lines=5,
        visible_after_lines=VISIBLE_AFTER_625,
        visible_count=287,
        active_us=ACTIVE_US_625,
    )


def progressive(
    lines: int,
    *,
    line_hz: float = LINE_HZ_525,
    vertical: VerticalKind = "line_serrations",
    vertical_lines: int = ARCADE_V_LINES,
    visible_after_lines: float = ARCADE_VISIBLE_AFTER,
    visible_count: int = ARCADE_VISIBLE_LINES,
    active_us: float = ARCADE_ACTIVE_US,
) -> SyncSource:
    """A field of whole lines, as computers and arcade boards send it.

    Args:
        lines: Lines of a field: 262 or 312, say.
        line_hz: Line rate.
        vertical: What the field pulse does to the line pulses.
        vertical_lines: Length of the field pulse in lines.
        visible_after_lines: From the start of the field pulse to the first visible line.
        visible_count: Visible lines; fewer where the field has no room for them.
        active_us: The part of a line that spans the picture's width.

    Raises:
        ValueError: A field with no room for its pulse and a picture.
    """
    room = lines - int(np.ceil(visible_after_lines))
    if vertical_lines < 1 or vertical_lines > visible_after_lines or room < 1:
        raise ValueError(f"a field of {lines} lines has no room for a field pulse of {vertical_lines} and a picture")
    return SyncSource(
        name=f"{lines}p",
        line_hz=line_hz,
        half_lines=2 * lines,
        vertical=vertical,
        equalising_count=6 if vertical == "standard" else 0,
        vertical_half_lines=2 * vertical_lines,
        visible_after_lines=visible_after_lines,
        visible_count=min(visible_count, room),
        active_us=active_us,
    )


def with_vertical(
    source: SyncSource, vertical: VerticalKind, *, vertical_lines: float | None = None, starts_mid_line: bool = False
) -> SyncSource:
    """The same source with another kind of field pulse.

    Args:
        source: The source.
        vertical: What the field pulse does to the line pulses.
        vertical_lines: Length of the field pulse; the source's own unless given.
        starts_mid_line: Whether the pulse begins half a line late.

    Raises:
        ValueError: The pulse is shorter than half a line or longer than the blanked lines.
    """
    halves = source.vertical_half_lines if vertical_lines is None else round(2 * vertical_lines)
    if not 1 <= halves <= 2 * source.visible_after_lines:
        raise ValueError(
            f"a field pulse lasts from half a line to the {source.visible_after_lines:g} lines until the picture begins"
        )
    before = source.equalising_count or 6
    return replace(
        source,
        vertical=vertical,
        equalising_count=before if vertical == "standard" else 0,
        vertical_half_lines=halves,
        starts_mid_line=starts_mid_line,
    )


def pulse_train(source: SyncSource) -> PulseTrain:
    """The pulses of one frame, in the order in which they are sent.

    Slot 0 is where the first field's equalising pulses begin, or its field pulse where
    there are none.
    """
    slots, half_us = source.frame_slots, source.line_us / 2
    width = np.zeros(slots)
    width[0::2] = source.line_pulse_us
    delay = np.zeros(slots)
    begins = []
    for first in range(0, slots, source.half_lines):
        lead = source.equalising_count
        start = first + lead + (1 if source.starts_mid_line else 0)
        begins.append(start % slots)
        _field_pulse(source, width, delay, first, start)
    return PulseTrain(
        present=width > 0,
        delay_us=delay,
        width_us=width,
        low_share_ratio=_low_share(width, delay, half_us),
        field_slot=tuple(begins),
        line_us=source.line_us,
    )


def _field_pulse(source: SyncSource, width: FloatArray, delay: FloatArray, first: int, start: int) -> None:
    """Write the pulses around one field pulse over the plain line pulses, in place."""
    half_us = source.line_us / 2
    long = source.vertical_half_lines
    within = slice(start, start + long)
    if source.vertical == "standard":
        width[first:start] = width[start + long : start + long + source.equalising_count] = source.equalising_us
        width[within] = half_us - source.serration_us
    elif source.vertical == "no_equalising":
        width[within] = half_us - source.serration_us
    elif source.vertical == "line_serrations":
        lines = width[within] > 0
        width[within] = np.where(lines, 2 * half_us - source.serration_us, 0.0)
        if not lines[0]:  # it begins in mid-line, so one more edge stands there
            width[start] = half_us - source.serration_us
    elif source.vertical == "flat":
        width[within] = 0.0
        width[start] = long * half_us
        _swallow(source, width, start + long)
    else:
        lines = width[within] > 0
        width[within] = np.where(lines, 2 * half_us - source.line_pulse_us, 0.0)
        delay[within] = np.where(lines, source.line_pulse_us, 0.0)
        _swallow(source, width, start + long)


def _swallow(source: SyncSource, width: FloatArray, end: int) -> None:
    """A line pulse that begins as the field pulse ends has no edge of its own: sync never went away between them."""
    slot = end % len(width)
    if width[slot] > 0 and source.vertical in {"flat", "inverted"}:
        width[slot] = 0.0


def _low_share(width: FloatArray, delay: FloatArray, half_us: float) -> FloatArray:
    """Share of each half line during which sync lasts, pulses carried over into the slots that they reach."""
    share = np.zeros(len(width))
    for slot in np.flatnonzero(width):
        begin, end = delay[slot], delay[slot] + width[slot]
        reach = int(np.ceil(end / half_us))
        for k in range(reach):
            covered = min(end, (k + 1) * half_us) - max(begin, k * half_us)
            share[(slot + k) % len(width)] += max(covered, 0.0) / half_us
    return np.asarray(np.minimum(share, 1.0))


def pulse_counts(source: SyncSource) -> Mapping[str, int]:
    """How many line, equalising and field pulses one frame of a source has."""
    train = pulse_train(source)
    width = train.width_us[train.present]
    broad = width > source.line_us / 4
    narrow = (width < (source.line_pulse_us + source.equalising_us) / 2) & ~broad
    if source.vertical != "standard":
        narrow = np.zeros_like(broad)
    return {
        "line": int(np.sum(~broad & ~narrow)),
        "equalising": int(np.sum(narrow)),
        "field": int(np.sum(broad)),
    }
