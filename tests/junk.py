"""Junk, damaged and wrong inputs for whatever takes a photograph: over two hundred, the same ones every time.

Each comes with what must become of it:

- ``refused``: reading it is refused, or says that the input is wrong;
- ``whole``: it is a sound picture of the wrong thing; it may be read, but nothing may be measured on it;
- ``either``: the damage may or may not show; if it is read, nothing may be measured on it unless what is left is
  the sound picture that it came from.
"""

from __future__ import annotations

import io
import struct
import zipfile
from collections.abc import Callable, Iterator
from functools import cache
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

import photo_files

Fate = Literal["refused", "whole", "either"]
Pixels = NDArray[np.uint8]
SEED = 20_261_125


class Junk(NamedTuple):
    """One input: what to call it, its bytes, and what must become of it."""

    name: str
    data: bytes
    fate: Fate


def all_junk() -> Iterator[Junk]:
    """Every input, in an order that stays the same."""
    for group in (_not_pictures, _cut, _flipped, _headers, _sizes, _kinds, _wrong_pictures):
        yield from group()


def junk() -> Iterator[tuple[str, bytes]]:
    """Name and bytes of every input: none of them shows one of our patterns."""
    return ((one.name, one.data) for one in all_junk())


@cache
def _sound() -> dict[str, bytes]:
    """Sound files of every kind, to be damaged: a picture with some detail."""
    rng = np.random.default_rng(SEED)
    picture = photo_files.lopsided()
    picture = np.clip(picture.astype(int) + rng.integers(-20, 20, picture.shape), 0, 255).astype(np.uint8)
    exif = photo_files.exif_block(((271, 2, b"Lumen\x00"), (274, 3, (6,))), ((33434, 5, (1, 30)),))
    return {
        "jpeg": photo_files.jpeg(picture, exif=exif),
        "progressive": photo_files.jpeg(picture, exif=exif, progressive=True),
        "heic": photo_files.heic(picture, exif=exif),
        "png": photo_files.png(picture, exif=exif),
        "tiff": photo_files.tiff(picture),
        "dng": photo_files.dng(picture / 255),
    }


# -- not pictures at all --------------------------------------------------------------------------------------------


def _not_pictures() -> Iterator[Junk]:
    rng = np.random.default_rng(SEED + 1)
    texts = {
        "nothing": b"",
        "one zero": b"\x00",
        "one letter": b"J",
        "line ends": b"\r\n" * 400,
        "a letter": b"Dear workshop, the picture is attached.\n" * 20,
        "utf-8": ("Röhre, Ablenkspule, Zeilentrafo\n" * 30).encode(),
        "utf-16": ("The picture is attached.\n" * 30).encode("utf-16"),
        "json": b'{"format": 1, "display": {"label": "Pier arcade"}}',
        "toml": b"format = 1\n[display]\nlabel = 'Pier arcade'\n",
        "csv": b"seconds,volts\n0,1\n1,2\n" * 50,
        "html": b"<!DOCTYPE html><html><body>picture</body></html>",
        "svg": b"<svg xmlns='http://www.w3.org/2000/svg'><rect width='9' height='9'/></svg>",
        "xml": b"<?xml version='1.0'?><picture/>",
        "script": b"#!/bin/sh\necho picture\n",
        "data url": b"data:image/jpeg;base64,/9j/4AAQSkZJRgABAQ==",
        "pdf": b"%PDF-1.7\n1 0 obj<</Type/Catalog>>endobj\n%%EOF\n",
        "rtf": b"{\\rtf1 picture}",
        "zip": _zipped("photo.jpg", b"x" * 900),
        "office": _zipped("word/document.xml", b"<w/>" * 50),
        "zip of a photograph": _zipped("photo.jpg", _sound()["jpeg"]),
        "empty zip": b"PK\x05\x06" + bytes(18),
        "gzip": b"\x1f\x8b\x08" + bytes(60),
        "seven-zip": b"7z\xbc\xaf\x27\x1c" + bytes(60),
        "program": b"\x7fELF\x02\x01\x01" + bytes(200),
        "other program": b"MZ" + bytes(200),
        "database": b"SQLite format 3\x00" + bytes(200),
        "sound": b"RIFF" + struct.pack("<I", 100) + b"WAVEfmt " + bytes(96),
        "old video": b"RIFF" + struct.pack("<I", 100) + b"AVI LIST" + bytes(96),
        "tube video": b"\x1aE\xdf\xa3" + bytes(200),
        "stream video": b"\x00\x00\x01\xba" + bytes(200),
        "music": b"ID3\x03" + bytes(200),
        "icon": b"\x00\x00\x01\x00\x01\x00" + bytes(80),
        "layers": b"8BPS\x00\x01" + bytes(80),
        "jpeg xl": b"\xff\x0a" + bytes(80),
        "jpeg xl boxed": b"\x00\x00\x00\x0cJXL \x0d\x0a\x87\x0a" + bytes(80),
        "jpeg 2000": b"\x00\x00\x00\x0cjP  \x0d\x0a\x87\x0a" + bytes(80),
        "big tiff": b"II+\x00\x08\x00\x00\x00" + bytes(80),
        "webp": _by_pillow("WEBP"),
        "gif": _by_pillow("GIF"),
        "animated gif": _by_pillow("GIF", frames=4),
        "bitmap": _by_pillow("BMP"),
        "portable pixmap": _by_pillow("PPM"),
        "targa": _by_pillow("TGA"),
        "animated png": _by_pillow("PNG", frames=3),
    }
    for name, data in texts.items():
        yield Junk(f"no photograph: {name}", data, "refused")
    for brand in (b"mp42", b"isom", b"qt  ", b"M4V ", b"3gp5", b"avif", b"avis", b"crx "):
        box = struct.pack(">I", 24) + b"ftyp" + brand + bytes(4) + brand + b"mp41"
        yield Junk(f"boxes of {brand.decode().strip()}", box + struct.pack(">I", 16) + b"mdat" + bytes(8), "refused")
    for number in range(8):
        length = (7, 64, 500, 5000, 50_000, 200_000, 3, 1)[number]
        yield Junk(f"chance {number}", rng.integers(0, 256, length, dtype=np.uint8).tobytes(), "refused")
    starts = {
        "jpeg": b"\xff\xd8\xff\xe0",
        "png": b"\x89PNG\r\n\x1a\n",
        "tiff": b"II*\x00",
        "heic": b"\0\0\0\x18ftypheic",
    }
    for kind, start in starts.items():
        noise = rng.integers(0, 256, 20_000, dtype=np.uint8).tobytes()
        yield Junk(f"chance after the start of a {kind}", start + noise, "refused")
        yield Junk(f"zeros after the start of a {kind}", start + bytes(20_000), "refused")
        yield Junk(f"the start of a {kind} alone", start, "refused")


def _zipped(name: str, data: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(zipfile.ZipInfo(name, (2020, 1, 1, 0, 0, 0)), data)
    return out.getvalue()


def _by_pillow(kind: str, frames: int = 1) -> bytes:
    pictures = [Image.fromarray(np.roll(photo_files.lopsided(), 40 * number, axis=1)) for number in range(frames)]
    out = io.BytesIO()
    more = {"save_all": True, "append_images": pictures[1:]} if frames > 1 else {}
    pictures[0].save(out, kind, **more)
    return out.getvalue()


# -- damaged files --------------------------------------------------------------------------------------------------


def _cut() -> Iterator[Junk]:
    shares = (0.0003, 0.002, 0.01, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 0.99, 0.999)
    for kind, data in _sound().items():
        for share in shares:
            yield Junk(f"{kind} cut at {share:.2%}", data[: int(len(data) * share)], "refused")
        yield Junk(f"{kind} short of one byte", data[:-1], "refused")
        # a hole: what follows has moved up
        yield Junk(f"{kind} without its middle", data[: len(data) // 3] + data[len(data) // 2 :], "either")
        yield Junk(f"{kind} without its start", data[len(data) // 50 :], "refused")
    jpeg = _sound()["jpeg"]
    yield Junk(
        "jpeg whose end mark alone is left of its last tenth", jpeg[: int(0.9 * len(jpeg))] + b"\xff\xd9", "either"
    )
    yield Junk("jpeg whose second half is zeros", jpeg[: len(jpeg) // 2] + bytes(len(jpeg) // 2), "refused")
    yield Junk("jpeg with words after its end", jpeg + b"trailing words" * 50, "either")


def _flipped() -> Iterator[Junk]:
    rng = np.random.default_rng(SEED + 2)
    for kind, data in _sound().items():
        for number in range(6):
            damaged = bytearray(data)
            # first the heading, then anywhere, one byte and many
            region = min(len(data), 600) if number < 3 else len(data)
            for at in rng.integers(0, region, (1, 3, 30, 1, 10, 200)[number]):
                damaged[at] ^= int(rng.integers(1, 256))
            yield Junk(f"{kind} with flipped bytes {number}", bytes(damaged), "either")
        start = len(data) // 2
        yield Junk(f"{kind} with a block of zeros", data[:start] + bytes(4096) + data[start + 4096 :], "either")


# -- headers and sizes ----------------------------------------------------------------------------------------------


def _headers() -> Iterator[Junk]:
    png, jpeg = _sound()["png"], _sound()["jpeg"]
    for width, height in ((30_000, 30_000), (65_535, 65_535), (2**31 - 1, 2**31 - 1), (0, 0), (0, 600), (2**31, 1)):
        header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
        data = png[:8] + photo_files.png_chunk(b"IHDR", header) + png[33:]
        yield Junk(f"png that says {width} x {height}", data, "refused")
    for width, height in ((30_000, 30_000), (65_535, 65_535), (0, 0), (900, 0), (1, 1)):
        damaged = bytearray(jpeg)
        frame = jpeg.index(b"\xff\xc0")
        damaged[frame + 5 : frame + 9] = struct.pack(">HH", height, width)
        yield Junk(f"jpeg that says {width} x {height}", bytes(damaged), "refused")
    frame = jpeg.index(b"\xff\xc0")
    for marker in (0xC3, 0xC5, 0xC9, 0xCB):  # lossless, differential, arithmetic (ITU-T T.81, table B.1)
        yield Junk(f"jpeg of process {marker:02x}", jpeg[: frame + 1] + bytes([marker]) + jpeg[frame + 2 :], "refused")
    scan = jpeg.index(b"\xff\xda")
    yield Junk("jpeg without a frame", jpeg[:frame] + jpeg[scan:], "refused")
    yield Junk("jpeg without a scan", jpeg[:scan] + b"\xff\xd9", "refused")
    progressive = _sound()["progressive"]
    last = progressive.rindex(b"\xff\xda")
    yield Junk("jpeg of thousands of scans", progressive[:-2] + progressive[last:-2] * 3000 + b"\xff\xd9", "refused")
    tiff = _sound()["tiff"]
    loop = (
        tiff[:4]
        + struct.pack("<I", 8)
        + struct.pack("<H", 1)
        + struct.pack("<HHII", 330, 4, 1, 8)
        + struct.pack("<I", 8)
    )
    yield Junk("tiff that points to itself", loop, "refused")
    for tag, value in ((256, 400_000), (257, 400_000), (256, 0), (258, 0), (277, 9), (262, 5)):
        yield Junk(f"tiff with {value} in tag {tag}", _tiff_with(tag, value), "refused")


def _tiff_with(tag: int, value: int) -> bytes:
    strip = bytes(900 * 640 * 3)
    fields: dict[int, tuple[int, tuple[float, ...]]] = {
        256: (4, (900,)), 257: (4, (640,)), 258: (3, (8, 8, 8)), 259: (3, (1,)), 262: (3, (2,)), 277: (3, (3,)),
        278: (4, (640,)),
    }  # fmt: skip
    kind, _ = fields[tag]
    fields[tag] = (kind, (value,))
    entries: tuple[photo_files.Entry, ...] = tuple((key, kind, numbers) for key, (kind, numbers) in fields.items())
    return photo_files.tiff_stream(entries, strip=strip)


def _sizes() -> Iterator[Junk]:
    for width, height in ((1, 1), (2, 3), (16, 16), (300, 200), (5000, 100), (100, 5000), (399, 2000)):
        small = np.full((height, width, 3), 120, dtype=np.uint8)
        yield Junk(f"jpeg of {width} x {height}", photo_files.jpeg(small), "refused")
        if width < 400:
            yield Junk(f"png of {width} x {height}", photo_files.png(small), "refused")
    dark = np.zeros((30_000, 30_000), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(dark[:, ::30].repeat(1)[: 30_000 * 1000].reshape(30_000, 1000)).convert("1").save(out, "PNG")
    yield Junk("png of one colour, tall", out.getvalue(), "refused")


def _kinds() -> Iterator[Junk]:
    picture = Image.fromarray(photo_files.lopsided())
    for mode, kind in (("L", "JPEG"), ("CMYK", "JPEG"), ("L", "PNG"), ("1", "PNG"), ("LA", "PNG"), ("L", "TIFF")):
        out = io.BytesIO()
        picture.convert(mode).save(out, kind)
        yield Junk(f"{kind} in {mode}", out.getvalue(), "refused")
    for mode, kind in (("RGBA", "PNG"), ("P", "PNG")):
        out = io.BytesIO()
        picture.convert(mode).save(out, kind)
        yield Junk(f"{kind} in {mode}", out.getvalue(), "whole")
    for kind in ("tiff_lzw", "jpeg", "tiff_deflate"):
        out = io.BytesIO()
        picture.save(out, "TIFF", compression=kind)
        yield Junk(f"TIFF packed by {kind}", out.getvalue(), "either")


# -- sound pictures of the wrong thing ------------------------------------------------------------------------------


def _wrong_pictures() -> Iterator[Junk]:
    for name, draw in _PICTURES.items():
        yield Junk(f"a picture of {name}", photo_files.jpeg(draw()), "whole")
    grid = _crosshatch()
    yield Junk("a picture of a crosshatch, as png", photo_files.png(grid), "whole")
    yield Junk("a picture of a crosshatch, as heic", photo_files.heic(grid), "whole")
    yield Junk("a picture of a crosshatch, as dng", photo_files.dng(grid / 255), "whole")
    for turned in (3, 6, 8):
        data = photo_files.jpeg(grid, exif=photo_files.oriented(turned))
        yield Junk(f"a picture of a crosshatch, turned by {turned}", data, "whole")


HEIGHT, WIDTH = 960, 1280


def _even(*colour: int) -> Callable[[], Pixels]:
    return lambda: np.full((HEIGHT, WIDTH, 3), colour, dtype=np.uint8)


def _noise(scale: int, seed: int) -> Callable[[], Pixels]:
    def draw() -> Pixels:
        rng = np.random.default_rng(SEED + seed)
        small = rng.integers(0, 256, (HEIGHT // scale, WIDTH // scale, 3), dtype=np.uint8)
        return np.repeat(np.repeat(small, scale, axis=0), scale, axis=1)

    return draw


def _ramp(axis: int) -> Callable[[], Pixels]:
    def draw() -> Pixels:
        line = np.linspace(0, 255, (HEIGHT, WIDTH)[axis]).astype(np.uint8)
        shape = (HEIGHT, 1, 1) if axis == 0 else (1, WIDTH, 1)
        return np.ascontiguousarray(np.broadcast_to(line.reshape(shape), (HEIGHT, WIDTH, 3)))

    return draw


def _crosshatch() -> Pixels:
    picture = np.zeros((HEIGHT, WIDTH, 3), dtype=np.uint8)
    picture[::60] = picture[1::60] = 240
    picture[:, ::60] = picture[:, 1::60] = 240
    return picture


def _dots() -> Pixels:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    return np.repeat((((x % 60 - 30) ** 2 + (y % 60 - 30) ** 2 < 40) * 240).astype(np.uint8)[..., None], 3, axis=2)


def _page() -> Pixels:
    page = Image.new("RGB", (WIDTH, HEIGHT), "white")
    pen = ImageDraw.Draw(page)
    for line in range(40):
        pen.text(
            (60, 20 + 23 * line), "Set the vertical size before the vertical linearity, and look again. " * 3, "black"
        )
    return np.asarray(page, dtype=np.uint8)


def _bars() -> Pixels:
    colours = [(180, 180, 180), (180, 180, 0), (0, 180, 180), (0, 180, 0), (180, 0, 180), (180, 0, 0), (0, 0, 180)]
    columns = np.minimum(np.arange(WIDTH) * 7 // WIDTH, 6)
    return np.ascontiguousarray(np.broadcast_to(np.array(colours, dtype=np.uint8)[columns], (HEIGHT, WIDTH, 3)))


def _chessboard() -> Pixels:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    return np.repeat(((x // 50 + y // 50) % 2 * 230).astype(np.uint8)[..., None], 3, axis=2)


def _room() -> Pixels:
    """Soft shapes: a bench, a lamp, a wall."""
    import cv2

    rng = np.random.default_rng(SEED + 9)
    picture = np.full((HEIGHT, WIDTH, 3), 90, dtype=np.uint8)
    for _ in range(60):
        colour = tuple(int(c) for c in rng.integers(20, 230, 3))
        centre = (int(rng.integers(0, WIDTH)), int(rng.integers(0, HEIGHT)))
        cv2.ellipse(
            picture,
            centre,
            tuple(int(v) for v in rng.integers(20, 200, 2)),
            float(rng.uniform(0, 180)),
            0,
            360,
            colour,
            -1,
        )
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 3), dtype=np.uint8)


def _coloured_marks(seed: int, pitch: int, *, regular: bool) -> Callable[[], Pixels]:
    """Rectangles of the three colours: near to a survey, and none."""

    def draw() -> Pixels:
        rng = np.random.default_rng(SEED + seed)
        picture = np.zeros((HEIGHT, WIDTH, 3), dtype=np.uint8)
        for row in range(pitch, HEIGHT - pitch, pitch):
            for column in range(pitch, WIDTH - pitch, pitch):
                at = (row, column) if regular else tuple(int(v) for v in rng.integers(0, (HEIGHT - 20, WIDTH - 20)))
                channel = (row // pitch + column // pitch) % 3 if regular else int(rng.integers(3))
                picture[at[0] : at[0] + int(pitch * 0.4), at[1] : at[1] + int(pitch * 0.3), channel] = 230
        return picture

    return draw


def _sheet_of_tags() -> Pixels:
    from tubewright.picture.patterns.tags import draw_tag

    picture = np.full((HEIGHT, WIDTH, 3), 235, dtype=np.uint8)
    for number in range(24):
        tag = draw_tag(number, 12)
        top, left = 40 + 220 * (number // 6), 40 + 200 * (number % 6)
        picture[top : top + tag.shape[0], left : left + tag.shape[1]] = tag[..., None]
    return picture


_PICTURES: dict[str, Callable[[], Pixels]] = {
    "black": _even(0, 0, 0),
    "white": _even(255, 255, 255),
    "grey": _even(118, 118, 118),
    "red": _even(220, 10, 10),
    "green": _even(10, 220, 10),
    "blue": _even(10, 10, 220),
    "nearly black": _even(3, 2, 4),
    "a ramp downwards": _ramp(0),
    "a ramp sideways": _ramp(1),
    "fine noise": _noise(1, 3),
    "coarse noise": _noise(16, 4),
    "blocks": _noise(80, 5),
    "a crosshatch": _crosshatch,
    "dots": _dots,
    "a page of text": _page,
    "colour bars": _bars,
    "a chessboard": _chessboard,
    "a room": _room,
    "a lattice of coloured marks without a code": _coloured_marks(6, 40, regular=True),
    "a coarser lattice of coloured marks": _coloured_marks(7, 64, regular=True),
    "coloured marks strewn about": _coloured_marks(8, 40, regular=False),
    "a sheet of tags": _sheet_of_tags,
    "corners": photo_files.lopsided,
}
