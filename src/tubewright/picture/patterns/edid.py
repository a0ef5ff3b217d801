"""A raster as EDID 1.3: the 128 bytes by which a display tells a source what to send.

For a display that can't speak for itself the source is given these bytes in a
file. They offer the one raster and nothing else: no other timing is listed, no
formula is allowed and the ranges close around it, so that a source that obeys
them never sends another.

Source of the layout: VESA Enhanced EDID standard, release A (EDID 1.3), from
memory; checked with ``edid-decode --check`` and against blocks whose decoding by
it is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from tubewright.errors import Fault, InputError, RefusedError
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.rasters import repeated, what_is_wrong

MAKER: Final = "TBW"
"""Three letters of our own; registered to nobody that we know of."""

_CLOCK_STEP_HZ: Final = 10_000
_SLOWEST_CLOCK_HZ: Final = 10e6
"""What ``edid-decode`` still takes for a clock; slower ones it calls invalid."""
_SIZE: Final = 128
_WHITE_XY: Final = (0.3127, 0.3290)  # D65, CIE 15
_PRIMARIES_XY: Final = ((0.640, 0.330), (0.290, 0.600), (0.150, 0.060))  # EBU Tech 3213
_INPUT_ANALOGUE_SEPARATE: Final = 0x0E  # 0.700/0.300 V; separate, composite and sync on green are taken
_FEATURES: Final = 0x0A  # RGB display, the first timing preferred; no standby, no sRGB, no GTF
_UNUSED_TIMING: Final = bytes((0x01, 0x01))


@dataclass(frozen=True, slots=True, kw_only=True)
class Edid:
    """The block, and what it couldn't hold exactly, in sentences."""

    block: bytes
    remarks: tuple[str, ...]


def edid(
    raster: Raster,
    *,
    picture_mm: tuple[int, int] = (400, 300),
    label: str = "",
    year: int = 2020,
    primaries_xy: tuple[tuple[float, float], tuple[float, float], tuple[float, float]] = _PRIMARIES_XY,
    white_xy: tuple[float, float] = _WHITE_XY,
    gamma_ratio: float = 2.2,
    product: int = 1,
    serial: int = 0,
) -> Edid:
    """An EDID 1.3 block that offers one raster.

    A clock under 10 MHz counts as invalid in EDID. Such a raster is offered with
    each dot sent as often as needed: more dots, the same times.

    Args:
        raster: The raster.
        picture_mm: Width and height of the picture.
        label: Name of the display, at most 13 ASCII characters are kept; its size and rate without one.
        year: Year of making, 1990 to 2245.
        primaries_xy: Chromaticities of red, green, blue.
        white_xy: Chromaticity of the white.
        gamma_ratio: Exponent of light over drive, 1 to 3.54.
        product: Number of the product, 16 bits.
        serial: Serial number, 32 bits; 0 for none.

    Raises:
        InputError: A size, year or number that its field can't hold.
        RefusedError: A raster that a detailed timing can't hold, with every reason.
    """
    faults = [
        Fault(what=f"{value:g} does not fit", where=where, mend=f"Take from {low:g} to {high:g}.")
        for where, value, low, high in (
            ("picture_mm", picture_mm[0], 10, 2550),
            ("picture_mm", picture_mm[1], 10, 2550),
            ("year", year, 1990, 2245),
            ("gamma_ratio", gamma_ratio, 1, 3.54),
            ("product", product, 0, 0xFFFF),
            ("serial", serial, 0, 0xFFFF_FFFF),
        )
        if not low <= value <= high
    ]
    if faults:
        raise InputError(faults)
    sent = raster
    remarks: tuple[str, ...] = ()
    often = sent_often(raster)
    if often > 1:
        sent = repeated(raster, often)
        remarks = (
            (
                f"EDID holds no clock under 10 MHz: the source is told {sent.width_px} x {sent.height_px} at "
                f"{sent.pixel_clock_hz / 1e6:.6g} MHz and draws each dot {often} times. Nothing changes in time."
            ),
        )
    timing, rounding = detailed_timing(sent, picture_mm=picture_mm)
    limits, ranges = _limits(sent)
    block = b"".join(
        (
            bytes((0x00, *[0xFF] * 6, 0x00)),
            _maker(MAKER),
            product.to_bytes(2, "little"),
            serial.to_bytes(4, "little"),
            bytes((0, year - 1990)),
            bytes((1, 3)),
            bytes((_INPUT_ANALOGUE_SEPARATE, round(picture_mm[0] / 10), round(picture_mm[1] / 10))),
            bytes((round(gamma_ratio * 100) - 100, _FEATURES)),
            chromaticity_bytes(*primaries_xy, white_xy),
            bytes(3),  # no established timing: each would be another line rate
            _UNUSED_TIMING * 8,
            timing,
            limits,
            _text(0xFC, label or _label(raster)),
            bytes((0, 0, 0, 0x10, *[0] * 14)),  # a dummy fills the fourth descriptor
            bytes(1),  # no extension
        )
    )
    block += bytes((-sum(block) % 256,))
    assert len(block) == _SIZE  # noqa: S101 - the fields above are of fixed length
    return Edid(block=block, remarks=(*remarks, *rounding, *ranges))


def sent_often(raster: Raster) -> int:
    """How often each dot has to be sent for EDID to hold the clock: 1, 2, 5, 10 or 16 times.

    By 2, 5 and 10 a clock that EDID holds exactly is a whole number of kHz undivided.
    """
    return next((often for often in (1, 2, 5, 10) if raster.pixel_clock_hz * often >= _SLOWEST_CLOCK_HZ), 16)


def clock_step_hz(raster: Raster) -> float:
    """The steps of a raster's own clock that EDID holds exactly."""
    return _CLOCK_STEP_HZ / sent_often(raster)


def detailed_timing(raster: Raster, *, picture_mm: tuple[int, int]) -> tuple[bytes, tuple[str, ...]]:
    """The 18 bytes of a detailed timing, and what they couldn't hold exactly.

    The clock is kept in steps of 10 kHz. Of an interlaced raster the bytes hold the
    lines of one field, and a reader adds the half line: 262 stands for 262.5.

    Raises:
        RefusedError: The raster doesn't fit the fields.
    """
    fields = 2 if raster.interlaced else 1
    clock = round(raster.pixel_clock_hz / _CLOCK_STEP_HZ)
    active_lines = raster.height_px // fields
    front_lines = raster.v_front_lines // fields
    sync_lines = max(1, (raster.v_sync_lines + fields - 1) // fields)
    blank_lines = raster.v_total_lines // fields - active_lines
    blank_px = raster.h_total_px - raster.width_px
    reasons = [
        f"{what} is {value}, a detailed timing holds at most {most}"
        for what, value, most in (
            ("the width", raster.width_px, 4095),
            ("the line's blanking", blank_px, 4095),
            ("the line's front porch", raster.h_front_px, 1023),
            ("the line sync", raster.h_sync_px, 1023),
            ("the field's height", active_lines, 4095),
            ("the field's blanking", blank_lines, 4095),
            ("the field's front porch", front_lines, 63),
            ("the field sync", sync_lines, 63),
            ("the clock in steps of 10 kHz", clock, 0xFFFF),
        )
        if value > most
    ]
    if clock < 1:
        reasons.append("the clock is under 10 kHz")
    wrong = what_is_wrong(raster)
    if wrong:
        reasons.append(wrong)
    if reasons:
        raise RefusedError(
            [
                Fault(what=f"EDID can't hold {raster.name}: {reason}", where="raster", mend="Use a mode line.")
                for reason in reasons
            ]
        )
    remarks = []
    if abs(clock * _CLOCK_STEP_HZ - raster.pixel_clock_hz) >= 0.5:
        kept = clock * _CLOCK_STEP_HZ / raster.h_total_px
        remarks.append(
            f"EDID keeps the clock in steps of 10 kHz: {raster.pixel_clock_hz / 1e6:.6g} MHz becomes "
            f"{clock / 100:.2f} MHz, and the line rate {kept / 1e3:.4f} kHz instead of {raster.line_hz / 1e3:.4f} kHz."
        )
    if (front_lines * fields, sync_lines * fields) != (raster.v_front_lines, raster.v_sync_lines):
        remarks.append(
            f"EDID has no half lines: of each field {front_lines} lines of front porch and {sync_lines} of sync, "
            f"where the raster has {raster.v_front_lines / fields:g} and {raster.v_sync_lines / fields:g}."
        )
    width_mm, height_mm = picture_mm
    flags = 0x18 | (0x80 if raster.interlaced else 0)
    flags |= (0x04 if raster.v_sync_positive else 0) | (0x02 if raster.h_sync_positive else 0)
    return (
        clock.to_bytes(2, "little")
        + bytes(
            (
                *(raster.width_px & 0xFF, blank_px & 0xFF, raster.width_px >> 8 << 4 | blank_px >> 8),
                *(active_lines & 0xFF, blank_lines & 0xFF, active_lines >> 8 << 4 | blank_lines >> 8),
                *(raster.h_front_px & 0xFF, raster.h_sync_px & 0xFF),
                (front_lines & 0xF) << 4 | sync_lines & 0xF,
                raster.h_front_px >> 8 << 6 | raster.h_sync_px >> 8 << 4 | front_lines >> 4 << 2 | sync_lines >> 4,
                *(width_mm & 0xFF, height_mm & 0xFF, width_mm >> 8 << 4 | height_mm >> 8),
                *(0, 0, flags),
            )
        )
    ), tuple(remarks)


def chromaticity_bytes(
    red_xy: tuple[float, float],
    green_xy: tuple[float, float],
    blue_xy: tuple[float, float],
    white_xy: tuple[float, float],
) -> bytes:
    """The ten bytes of chromaticities, each a fraction of ten bits.

    Raises:
        InputError: A coordinate that is not from 0 to just under 1.
    """
    numbers = [round(value * 1024) for xy in (red_xy, green_xy, blue_xy, white_xy) for value in xy]
    if not all(0 <= number < 1024 for number in numbers):
        raise InputError(
            Fault(what="a chromaticity is not from 0 to 1", where="primaries_xy", mend="Give CIE 1931 x and y.")
        )
    low = [number & 3 for number in numbers]
    packed = (sum(part << shift for part, shift in zip(four, (6, 4, 2, 0), strict=True)) for four in (low[:4], low[4:]))
    return bytes((*packed, *(number >> 2 for number in numbers)))


def _maker(letters: str) -> bytes:
    number = 0
    for letter in letters:
        number = number << 5 | ord(letter) - ord("A") + 1
    return number.to_bytes(2, "big")


def _limits(raster: Raster) -> tuple[bytes, tuple[str, ...]]:
    """The range descriptor, closed around the raster as far as whole kHz and Hz let it."""
    line_khz, clock = raster.line_hz / 1e3, max(1, math.ceil(raster.pixel_clock_hz / 1e7 - 1e-9))
    # Stored rates are those of the rounded clock: a range that is closed on a whole number gives way to it.
    line = (math.floor(line_khz * 0.999), math.ceil(line_khz * 1.001))
    field = (math.floor(raster.field_hz * 0.999), math.ceil(raster.field_hz * 1.001))
    if not (field[0] >= 1 and field[1] <= 255 and line[0] >= 1 and line[1] <= 255 and clock <= 255):
        raise RefusedError(
            Fault(
                what=f"EDID can't hold the ranges of {raster.name}: at most 255 Hz, 255 kHz and 2550 MHz",
                where="raster",
                mend="Use a mode line.",
            )
        )
    remark = (
        f"EDID tells ranges in whole kHz and Hz: {line[0]} to {line[1]} kHz, {field[0]} to {field[1]} Hz. "
        "They are no promise that the display takes all of that."
    )
    numbers = bytes((0, 0, 0, 0xFD, 0, *field, *line, clock, 0))
    return numbers + b"\n" + b" " * 6, (remark,)


def _label(raster: Raster) -> str:
    return f"{raster.width_px}x{raster.height_px}{'i' if raster.interlaced else ''} {raster.field_hz:.0f}"


def _text(tag: int, text: str) -> bytes:
    kept = "".join(char for char in text if " " <= char <= "~")[:13].rstrip() or "raster"
    body = kept.encode("ascii")
    if len(body) < 13:
        body += b"\n" + b" " * (12 - len(body))
    return bytes((0, 0, 0, tag, 0)) + body
