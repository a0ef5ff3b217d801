"""Photographs written byte by byte for tests: every kind of file that a camera sends, from one array."""

from __future__ import annotations

import io
import struct
from collections.abc import Mapping
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Entry = tuple[int, int, tuple[float, ...] | bytes]
"""A TIFF tag, its type, its numbers (rationals as pairs) or bytes."""


def lopsided(width: int = 900, height: int = 640) -> NDArray[np.uint8]:
    """A picture that no turn or mirroring maps to itself: red upper left, green upper right, blue lower left."""
    picture = np.full((height, width, 3), 70, dtype=np.uint8)
    picture[: height // 3, : width // 4] = (220, 20, 20)
    picture[: height // 3, -width // 4 :] = (20, 220, 20)
    picture[-height // 3 :, : width // 4] = (20, 20, 220)
    return picture


def turned_away(upright: NDArray[Any], orientation: int) -> NDArray[Any]:
    """How the sensor stored an upright picture under an EXIF orientation (Exif 2.32, tag 274, by its own words).

    The tag says where the stored row 0 and column 0 lie as the viewer sees them:
    1 top left, 2 top right, 3 bottom right, 4 bottom left, 5 left top, 6 right top,
    7 right bottom, 8 left bottom.
    """
    rows = {1: "top", 2: "top", 3: "bottom", 4: "bottom", 5: "left", 6: "right", 7: "right", 8: "left"}[orientation]
    columns = {1: "left", 2: "right", 3: "right", 4: "left", 5: "top", 6: "top", 7: "bottom", 8: "bottom"}[orientation]
    stored = upright if rows in {"top", "bottom"} else upright.transpose(1, 0, 2)
    if rows in {"bottom", "right"}:
        stored = stored[::-1]
    if columns in {"right", "bottom"}:
        stored = stored[:, ::-1]
    return np.ascontiguousarray(stored)


def exif_block(entries: tuple[Entry, ...] = (), camera: tuple[Entry, ...] = (), *, order: str = "<") -> bytes:
    """A TIFF stream with a first directory and, if given, an Exif directory."""
    return tiff_stream(entries, camera=camera, order=order)


SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8, 12: 8}
LETTERS = {1: "B", 3: "H", 4: "I", 5: "I", 9: "i", 10: "i", 12: "d"}


def tiff_stream(
    entries: tuple[Entry, ...],
    *,
    camera: tuple[Entry, ...] = (),
    strip: bytes | None = None,
    order: str = "<",
) -> bytes:
    """A TIFF stream of one directory, an optional Exif directory and one strip of data at the end."""
    first = [*entries]
    if camera:
        first.append((34665, 4, (0,)))
    if strip is not None:
        first += [(273, 4, (0,)), (279, 4, (len(strip),))]
    first.sort(key=lambda entry: entry[0])
    length = _directory_bytes(first)
    camera_at = 8 + length
    strip_at = camera_at + (_directory_bytes(list(camera)) if camera else 0)
    placed = [
        (tag, kind, (camera_at,) if tag == 34665 else (strip_at,) if tag == 273 else value)
        for tag, kind, value in first
    ]
    head = (b"II*\x00" if order == "<" else b"MM\x00*") + struct.pack(f"{order}I", 8)
    body = _directory(placed, 8, order)
    if camera:
        body += _directory(sorted(camera, key=lambda entry: entry[0]), camera_at, order)
    return head + body + (strip or b"")


def _packed(kind: int, value: tuple[float, ...] | bytes, order: str) -> tuple[int, bytes]:
    if isinstance(value, bytes):
        return len(value), value
    letter = LETTERS[kind]
    numbers = value if letter == "d" else tuple(int(v) for v in value)
    body = struct.pack(f"{order}{len(numbers)}{letter}", *numbers)
    return len(body) // SIZES[kind], body


def _directory_bytes(entries: list[Entry]) -> int:
    outside = (len(_packed(kind, value, "<")[1]) for _, kind, value in entries)
    return 2 + 12 * len(entries) + 4 + sum(size + size % 2 for size in outside if size > 4)


def _directory(entries: list[Entry], at: int, order: str) -> bytes:
    table, outside = struct.pack(f"{order}H", len(entries)), b""
    free = at + 2 + 12 * len(entries) + 4
    for tag, kind, value in entries:
        count, body = _packed(kind, value, order)
        table += struct.pack(f"{order}HHI", tag, kind, count)
        if len(body) <= 4:
            table += body.ljust(4, b"\x00")
        else:
            table += struct.pack(f"{order}I", free + len(outside))
            outside += body + b"\x00" * (len(body) % 2)
    return table + struct.pack(f"{order}I", 0) + outside


def oriented(orientation: int) -> bytes:
    """An EXIF block that only tells the orientation."""
    return exif_block(((274, 3, (orientation,)),))


def jpeg(pixels: NDArray[np.uint8], *, exif: bytes = b"", quality: int = 92, **options: bool | int | bytes) -> bytes:
    """A JPEG file."""
    out = io.BytesIO()
    if exif:
        options["exif"] = b"Exif\x00\x00" + exif
    Image.fromarray(pixels).save(out, "JPEG", quality=quality, **options)
    return out.getvalue()


def png(pixels: NDArray[np.uint8] | NDArray[np.uint16], *, exif: bytes = b"") -> bytes:
    """A PNG file of 8 or 16 bits."""
    import zlib

    height, width = pixels.shape[:2]
    deep = pixels.dtype == np.uint16
    rows = pixels.astype(">u2" if deep else "u1").reshape(height, -1).view(np.uint8)
    raw = np.pad(rows, ((0, 0), (1, 0))).tobytes()
    colour = {1: 0, 3: 2, 4: 6}[pixels.shape[2] if pixels.ndim == 3 else 1]
    header = struct.pack(">IIBBBBB", width, height, 16 if deep else 8, colour, 0, 0, 0)
    parts = [(b"IHDR", header), *([(b"eXIf", exif)] if exif else []), (b"IDAT", zlib.compress(raw, 1)), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(kind, body) for kind, body in parts)


def png_chunk(kind: bytes, body: bytes) -> bytes:
    """One chunk with its length and check sum."""
    import zlib

    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def tiff(pixels: NDArray[np.uint8] | NDArray[np.uint16], *, orientation: int = 1, order: str = "<") -> bytes:
    """An uncompressed TIFF file of 8 or 16 bits."""
    height, width = pixels.shape[:2]
    deep = pixels.dtype == np.uint16
    strip = pixels.astype(f"{order}u2" if deep else "u1").tobytes()
    bits = 16 if deep else 8
    entries: tuple[Entry, ...] = (
        (256, 4, (width,)),
        (257, 4, (height,)),
        (258, 3, (bits, bits, bits)),
        (259, 3, (1,)),
        (262, 3, (2,)),
        (274, 3, (orientation,)),
        (277, 3, (3,)),
        (278, 4, (height,)),
    )
    return tiff_stream(entries, strip=strip, order=order)


def heic(pixels: NDArray[np.uint8], *, exif: bytes = b"", **options: bool | int | bytes) -> bytes:
    """A HEIC file as a phone would write it: an EXIF orientation becomes the file's own turning instruction."""
    import pillow_heif

    out = io.BytesIO()
    if exif:
        options["exif"] = b"Exif\x00\x00" + exif
    pillow_heif.from_pillow(Image.fromarray(pixels)).save(out, quality=90, **options)
    return out.getvalue()


def dng(light: NDArray[np.float64], *, orientation: int = 1, white: int = 4095, black: int = 256) -> bytes:
    """A raw file of 12 bits behind a red-green-green-blue mosaic, uncompressed, from linear light of 0 to 1."""
    height, width = light.shape[:2]
    mosaic = np.empty((height, width))
    for row, column, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, column::2] = light[row::2, column::2, channel]
    stored = np.rint(black + mosaic * (white - black)).astype("<u2")
    entries: tuple[Entry, ...] = (
        (254, 4, (0,)),
        (256, 4, (width,)),
        (257, 4, (height,)),
        (258, 3, (16,)),
        (259, 3, (1,)),
        (262, 3, (32803,)),
        (271, 2, b"Lumen\x00"),
        (272, 2, b"One\x00"),
        (274, 3, (orientation,)),
        (277, 3, (1,)),
        (278, 4, (height,)),
        (33421, 3, (2, 2)),
        (33422, 1, (0, 1, 1, 2)),
        (50706, 1, (1, 4, 0, 0)),
        (50707, 1, (1, 1, 0, 0)),
        (50708, 2, b"Lumen One\x00"),
        (50714, 3, (black,)),
        (50717, 4, (white,)),
        (50721, 10, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)),
        (50728, 5, (1, 1, 1, 1, 1, 1)),
        (50778, 3, (21,)),
    )
    camera: tuple[Entry, ...] = ((33434, 5, (1, 25)), (34855, 3, (200,)), (41989, 3, (26,)))
    return tiff_stream(entries, camera=camera, strip=stored.tobytes())


Curve = Literal["srgb", "gamma", "linear"]


def profile(primaries: Literal["srgb", "display_p3"], curve: Curve) -> bytes:
    """A matrix profile of version 4 (ICC.1:2022) with the parts that a reader of curves and primaries needs."""
    columns = {
        # XYZ adapted to D50, as published profiles of the two spaces carry them
        "srgb": ((0.43607, 0.22249, 0.01392), (0.38515, 0.71687, 0.09708), (0.14307, 0.06061, 0.71410)),
        "display_p3": ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407)),
    }[primaries]
    curves: Mapping[str, bytes] = {
        "srgb": b"para\0\0\0\0\0\3\0\0"
        + struct.pack(">5i", *(round(v * 65536) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))),
        "gamma": b"curv\0\0\0\0" + struct.pack(">IH", 1, round(2.2 * 256)) + b"\0\0",
        "linear": b"curv\0\0\0\0" + struct.pack(">I", 0),
    }
    parts = {
        key: b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(v * 65536) for v in column))
        for key, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True)
    }
    parts |= dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curves[curve])
    table, body = struct.pack(">I", len(parts)), b""
    start = 128 + 4 + 12 * len(parts)
    for key, part in parts.items():
        table += struct.pack(">4sII", key, start + len(body), len(part))
        body += part
    size = start + len(body)
    head = struct.pack(">I", size) + b"\0\0\0\0\4\x30\0\0mntrRGB XYZ " + b"\0" * 12 + b"acsp"
    return head.ljust(128, b"\0") + table + body
