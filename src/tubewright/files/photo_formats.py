"""What the bytes of a photograph are before anything decodes them: kind, size, completeness, what comes along.

A decoder fills a cut-off file with grey and a header may ask for gigabytes, so
every container is walked here first, from its first byte to its last.
"""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import dataclass, field
from typing import Final, Literal

from tubewright.errors import Fault, RefusedError
from tubewright.files.tiff import Tags, TiffError, stored_ends, tiff_directories

Kind = Literal["jpeg", "heic", "dng", "png", "tiff"]

MOST_SCANS: Final = 100
"""Scans of a progressive JPEG: encoders write about ten; a file with thousands only costs time (estimate)."""
_MOST_PROFILE_BYTES: Final = 4_000_000
"""Longest colour profile that is looked at; those of cameras have some kilobytes (estimate)."""

SHOOT_ANEW: Final = "Copy the file from the phone once more, as the original, or take the photograph anew."
SAVE_AS: Final = "Give the photograph as the phone or camera saved it: JPEG, HEIC or DNG."

# ISO/IEC 14496-12 and 23008-12: brands in the file type box.
_HEIC_BRANDS: Final = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"})
_AVIF_BRANDS: Final = frozenset({b"avif", b"avis"})
_RAW_BRANDS: Final = frozenset({b"crx "})

_OTHERS: Final[tuple[tuple[bytes, str], ...]] = (
    # first bytes, as each format's own specification gives them, and what to call it
    (b"GIF8", "a GIF, an animation or a drawing"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a zip archive or an office document"),
    (b"PK\x05\x06", "an empty zip archive"),
    (b"BM", "a bitmap"),
    (b"\x1aE\xdf\xa3", "a video"),
    (b"\x00\x00\x01\xba", "a video"),
    (b"\x00\x00\x01\xb3", "a video"),
    (b"\xff\x0a", "a JPEG XL picture"),
    (b"\x00\x00\x00\x0cJXL ", "a JPEG XL picture"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"),
    (b"8BPS", "a layered picture of a painting program"),
    (b"\x1f\x8b", "a compressed archive"),
    (b"7z\xbc\xaf", "a compressed archive"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"<?xml", "a drawing or a web page"),
    (b"<svg", "a drawing"),
    (b"<!DOC", "a web page"),
    (b"II+\x00", "a TIFF with 64-bit offsets"),
    (b"MM\x00+", "a TIFF with 64-bit offsets"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Container:
    """A complete container, not yet decoded.

    Attributes:
        kind: What it is.
        width_px: Width before turning; 0 where only the decoder's own header reader tells (HEIC).
        height_px: Height, the same.
        deep: More than 8 bits a channel.
        exif: The EXIF block as a TIFF stream, or b"".
        profile: The ICC profile, or b"".
        extras: What else is inside: ``gain_map``, ``more_pictures``.
        directories: Of a TIFF or DNG, its image directories.
    """

    kind: Kind
    width_px: int = 0
    height_px: int = 0
    deep: bool = False
    exif: bytes = b""
    profile: bytes = b""
    extras: frozenset[str] = frozenset()
    directories: tuple[Tags, ...] = field(default=())


def open_container(data: bytes, name: str) -> Container:
    """Look at the bytes of a photograph without decoding them.

    Raises:
        RefusedError: It isn't a photograph of a known kind, is cut off, or is damaged.
    """
    if not data:
        raise refusal(name, "the file is empty", SHOOT_ANEW)
    if data[:3] == b"\xff\xd8\xff":
        return _jpeg(data, name)
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return _png(data, name)
    if data[:4] in {b"II*\x00", b"MM\x00*"}:
        return _tiff(data, name)
    if data[4:8] == b"ftyp":
        return _boxes(data, name)
    if data[:4] == b"RIFF":
        what = "a WebP picture" if data[8:12] == b"WEBP" else "a video or a sound"
        raise refusal(name, f"this is {what}, not a camera's photograph", SAVE_AS)
    for start, what in _OTHERS:
        if data.startswith(start):
            raise refusal(name, f"this is {what}, not a photograph that can be measured", SAVE_AS)
    sample = data[:2000]
    if all(byte >= 32 or byte in b"\t\n\r\f" for byte in sample):
        raise refusal(name, "this is text, not a photograph", SAVE_AS)
    raise refusal(name, "this is no kind of photograph that is known here, or its beginning is damaged", SAVE_AS)


def refusal(name: str, what: str, mend: str) -> RefusedError:
    """What to raise for a photograph that can't be measured, and how to send a better one."""
    return RefusedError(Fault(what=what, where=name, mend=mend))


# -- JPEG: ITU-T T.81 (1992), annex B -------------------------------------------------------------------------------

_NEXT_MARKER: Final = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
"""In coded data: a marker that is neither a stuffed byte nor a restart."""
_FRAMES: Final = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}


@dataclass(slots=True)
class _Jpeg:
    frame: bytes = b""
    scans: int = 0
    exif: bytes = b""
    profile: dict[int, bytes] = field(default_factory=dict)
    extras: set[str] = field(default_factory=set)


def _jpeg(data: bytes, name: str) -> Container:
    found = _Jpeg()
    at = 2
    while True:
        marker = _NEXT_MARKER.search(data, at) if found.scans else None
        if marker:
            at = marker.end() - 2
        if found.scans and not marker:
            raise refusal(name, "the photograph is cut off: its end is missing", SHOOT_ANEW)
        while data[at : at + 2] == b"\xff\xff":
            at += 1
        if at + 2 > len(data):
            raise refusal(name, "the photograph is cut off before its picture begins", SHOOT_ANEW)
        if data[at] != 0xFF or data[at + 1] in {0x00, 0xFF, 0xD8}:
            raise refusal(name, "the photograph is damaged: its parts don't follow one another", SHOOT_ANEW)
        kind = data[at + 1]
        if kind == 0xD9:
            break
        if kind == 0x01 or 0xD0 <= kind <= 0xD7:
            at += 2
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if length < 2 or at + 2 + length > len(data):
            raise refusal(name, "the photograph is cut off or damaged inside its heading", SHOOT_ANEW)
        _jpeg_segment(found, kind, data[at + 4 : at + 2 + length], name)
        at += 2 + length
    return _jpeg_container(found, name)


def _jpeg_segment(found: _Jpeg, kind: int, body: bytes, name: str) -> None:
    if kind in _FRAMES:
        if found.frame or kind not in {0xC0, 0xC1, 0xC2}:
            raise refusal(name, "the photograph is a kind of JPEG that no camera writes", SAVE_AS)
        found.frame = body
    elif kind == 0xDA:
        found.scans += 1
        if not found.frame or found.scans > MOST_SCANS:
            raise refusal(name, "the photograph is damaged: its scans are not those of a picture", SHOOT_ANEW)
    elif kind == 0xE1 and body.startswith(b"Exif\x00\x00") and not found.exif:
        found.exif = body[6:]
    elif kind == 0xE1 and b"hdrgm:" in body:  # Adobe's gain map, as its XMP tells
        found.extras.add("gain_map")
    elif kind == 0xE2 and body.startswith(b"ICC_PROFILE\x00") and len(body) > 14:
        found.profile[body[12]] = body[14:]
    elif kind == 0xE2 and body.startswith(b"urn:iso:std:iso:ts:21496:-1"):  # ISO 21496-1, gain map
        found.extras.add("gain_map")
    elif kind == 0xE2 and body.startswith(b"MPF\x00"):  # CIPA DC-007, multi-picture format
        found.extras.add("more_pictures")


def _jpeg_container(found: _Jpeg, name: str) -> Container:
    if not found.scans or len(found.frame) < 6:
        raise refusal(name, "the file holds no picture", SHOOT_ANEW)
    bits, height, width, components = struct.unpack(">BHHB", found.frame[:6])
    if bits != 8 or not height or not width:
        raise refusal(name, "the photograph is a kind of JPEG that no camera writes", SAVE_AS)
    colour_or_refuse(name, components)
    return Container(
        kind="jpeg",
        width_px=width,
        height_px=height,
        exif=found.exif,
        profile=b"".join(found.profile[n] for n in sorted(found.profile))[:_MOST_PROFILE_BYTES],
        extras=frozenset(found.extras),
    )


def colour_or_refuse(name: str, channels: int) -> None:
    """Refuse what has not the three channels red, green and blue.

    Raises:
        RefusedError: It is grey, or made for printing.
    """
    if channels in {1, 2}:
        raise refusal(
            name,
            "the photograph is black and white",
            "Switch off any monochrome filter and shoot in colour: the three guns are told apart by it.",
        )
    if channels != 3:
        raise refusal(name, "the photograph has four inks, as for printing", SAVE_AS)


# -- PNG: ISO/IEC 15948, clause 5 -----------------------------------------------------------------------------------


def _png(data: bytes, name: str) -> Container:
    chunks: dict[bytes, bytes] = {}
    at = 8
    while b"IEND" not in chunks:
        length = int.from_bytes(data[at : at + 4], "big")
        end = at + 12 + length
        if len(data) < at + 12 or end > len(data):
            raise refusal(name, "the photograph is cut off: its end is missing", SHOOT_ANEW)
        kind = data[at + 4 : at + 8]
        if zlib.crc32(memoryview(data)[at + 4 : end - 4]) != int.from_bytes(data[end - 4 : end], "big"):
            raise refusal(name, "the photograph is damaged: a part of it doesn't fit its own check sum", SHOOT_ANEW)
        if kind != b"IDAT":
            chunks.setdefault(kind, data[at + 8 : end - 4])
        at = end
    header = chunks.get(b"IHDR", b"")
    if len(header) != 13:
        raise refusal(name, "the photograph is damaged: it doesn't say its size", SHOOT_ANEW)
    width, height, bits, colour = struct.unpack(">IIBB", header[:10])
    if b"acTL" in chunks:
        raise refusal(name, "this is an animation, not a photograph", SAVE_AS)
    if not colour & 2:
        colour_or_refuse(name, 1)
    return Container(
        kind="png",
        width_px=width,
        height_px=height,
        deep=bits == 16,
        exif=chunks.get(b"eXIf", b""),
        profile=_inflated(chunks.get(b"iCCP", b"")),
    )


def _inflated(chunk: bytes) -> bytes:
    _, found, rest = chunk.partition(b"\x00")
    if not found or rest[:1] != b"\x00":
        return b""
    try:
        return zlib.decompressobj().decompress(rest[1:], _MOST_PROFILE_BYTES)
    except zlib.error:
        return b""


# -- TIFF 6.0 (1992) and DNG 1.7 (2023) -----------------------------------------------------------------------------


def _tiff(data: bytes, name: str) -> Container:
    try:
        directories = tiff_directories(data)
    except TiffError:
        directories = ()
    if not directories:
        raise refusal(name, "the photograph is cut off or damaged in its heading", SHOOT_ANEW)
    first = directories[0]
    if any(end > len(data) for tags in directories for end in stored_ends(tags)):
        raise refusal(name, "the photograph is cut off: its end is missing", SHOOT_ANEW)
    if 50706 in first:  # DNGVersion
        sizes = [(tags.whole(256), tags.whole(257)) for tags in directories]
        width, height = max(sizes, key=lambda size: size[0] * size[1])
        return Container(kind="dng", width_px=width, height_px=height, deep=True, exif=data, directories=directories)
    if 50740 in first or any(tags.whole(262) == 32803 for tags in directories):  # a camera's private or CFA data
        raise refusal(name, "this is a camera's own raw format", "Have it saved as DNG or as JPEG.")
    bits, samples = first.wholes(258), first.whole(277, 1)
    if first.whole(262) in {0, 1}:
        colour_or_refuse(name, 1)
    if first.whole(262) != 2 or samples != 3 or set(bits) not in ({8}, {16}) or first.whole(339, 1) != 1:
        raise refusal(name, "this TIFF is not a plain red, green and blue picture of 8 or 16 bits", SAVE_AS)
    return Container(
        kind="tiff",
        width_px=first.whole(256),
        height_px=first.whole(257),
        deep=set(bits) == {16},
        exif=data,
        profile=first.raw(34675)[:_MOST_PROFILE_BYTES],
        directories=directories,
    )


# -- HEIC: ISO/IEC 14496-12, 4.2 (boxes), and 23008-12 --------------------------------------------------------------


def _boxes(data: bytes, name: str) -> Container:
    size = int.from_bytes(data[:4], "big")
    brands = {data[8:12]} | {data[i : i + 4] for i in range(16, min(size, len(data), 400) - 3, 4)}
    if brands & _AVIF_BRANDS:
        raise refusal(name, "this is an AVIF picture", SAVE_AS)
    if brands & _RAW_BRANDS:
        raise refusal(name, "this is a camera's own raw format", "Have it saved as DNG or as JPEG.")
    if not brands & _HEIC_BRANDS:
        raise refusal(name, "this is a video, not a photograph", "Take a still photograph; a video has too few pixels.")
    at = 0
    while at < len(data):
        size, header = int.from_bytes(data[at : at + 4], "big"), 8
        if size == 1:
            size, header = int.from_bytes(data[at + 8 : at + 16], "big"), 16
        elif size == 0:
            size = len(data) - at
        if size < header or at + size > len(data):
            raise refusal(name, "the photograph is cut off: its end is missing", SHOOT_ANEW)
        at += size
    return Container(kind="heic")
