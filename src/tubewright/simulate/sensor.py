"""What a camera makes of light: noise, the mosaic, the tone curve, and the file."""

from __future__ import annotations

import struct
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.simulate.camera import Camera

_SCALE: Final = 60000.0
_PEDESTAL: Final = 3000
"""A raw number is light x 60000 + 3000, so that noise about black isn't cut off before the colours are made."""


def develop(light: NDArray[np.float32], camera: Camera, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Light in the three channels, (3, height, width), as the camera's picture, (height, width, 3)."""
    import cv2

    table = tone_table(camera.tone_ratio)
    if camera.mosaic == "none":
        raw = np.stack([_read(plane, camera, rng) for plane in light], axis=-1)
        return np.asarray(table[raw])
    mosaic = np.empty(light.shape[1:], np.float32)
    mosaic[0::2, 0::2] = light[0, 0::2, 0::2]
    mosaic[0::2, 1::2] = light[1, 0::2, 1::2]
    mosaic[1::2, 0::2] = light[1, 1::2, 0::2]
    mosaic[1::2, 1::2] = light[2, 1::2, 1::2]
    code = cv2.COLOR_BayerRGGB2RGB if camera.mosaic == "plain" else cv2.COLOR_BayerRGGB2RGB_EA
    return np.asarray(table[cv2.demosaicing(_read(mosaic, camera, rng), code)])


def _read(light: NDArray[np.float32], camera: Camera, rng: np.random.Generator) -> NDArray[np.uint16]:
    """Raw numbers of one plane: photon noise (as a Gaussian: there are hundreds of electrons) and reading noise."""
    raw = np.empty(light.shape, np.uint16)
    for start in range(0, light.shape[0], 256):
        part = light[start : start + 256]
        if camera.full_electron_count is not None:
            variance = np.maximum(part, 0) / np.float32(camera.full_electron_count)
            variance += np.float32((camera.read_electron_count / camera.full_electron_count) ** 2)
            part = part + rng.standard_normal(part.shape, dtype=np.float32) * np.sqrt(variance)
        number = np.minimum(part, 1) * np.float32(_SCALE) + np.float32(_PEDESTAL + 0.5)
        raw[start : start + 256] = np.clip(number, 0, 65535).astype(np.uint16)
    return raw


def tone_table(tone_ratio: float) -> NDArray[np.uint8]:
    """The camera's code, 0..255, of every raw number: IEC 61966-2-1, bent by the tone curve."""
    light = np.clip((np.arange(65536) - _PEDESTAL) / _SCALE, 0, 1)
    code = np.where(light > 0.0031308, 1.055 * np.maximum(light, 1e-9) ** (5 / 12) - 0.055, light * 12.92)
    code = code + tone_ratio * code * (1 - code) * (2 * code - 1)
    return np.asarray(np.rint(np.clip(code, 0, 1) * 255), dtype=np.uint8)


def jpeg(picture: NDArray[np.uint8], camera: Camera) -> bytes:
    """The file: JPEG with EXIF, stored turned as its orientation says."""
    import cv2

    turns = {1: 0, 3: 2, 6: 1, 8: 3}[camera.orientation]
    stored = np.ascontiguousarray(np.rot90(picture, turns)[:, :, ::-1])
    sampling = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420 if camera.colour_halved else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
    settings = [cv2.IMWRITE_JPEG_QUALITY, camera.jpeg_quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    body = cv2.imencode(".jpg", stored, settings)[1].tobytes()
    block = b"Exif\0\0" + _exif(camera)
    return body[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + body[2:]


_SHORT, _LONG, _RATIONAL, _TEXT = 3, 4, 5, 2


def _exif(camera: Camera) -> bytes:
    """The tags, as a TIFF structure (CIPA DC-008, section 4.6), least significant byte first."""
    exposure = camera.exposure_s if camera.exposure_s is not None else 0.5
    inner = [
        (0x829A, _RATIONAL, _fraction(exposure)),
        (0x8827, _SHORT, struct.pack("<H", camera.iso_count)),
        (0x9000, 7, b"0232"),
        (0x9003, _TEXT, b"2001:01:01 12:00:00\0"),
        (0xA405, _SHORT, struct.pack("<H", round(camera.focal_film_mm))),
    ]
    outer = [
        (0x010F, _TEXT, camera.maker.encode("ascii") + b"\0"),
        (0x0110, _TEXT, camera.model.encode("ascii") + b"\0"),
        (0x0112, _SHORT, struct.pack("<H", camera.orientation)),
        (0x8769, _LONG, b"\0\0\0\0"),
    ]
    start = 8 + len(_directory(outer, 8))
    outer[-1] = (0x8769, _LONG, struct.pack("<I", start))
    return b"II*\0" + struct.pack("<I", 8) + _directory(outer, 8) + _directory(inner, start)


def _fraction(seconds: float) -> bytes:
    return struct.pack("<II", round(seconds * 1_000_000), 1_000_000)


def _directory(entries: list[tuple[int, int, bytes]], start: int) -> bytes:
    """One directory and the values too long to stand in it."""
    after = start + 2 + 12 * len(entries) + 4
    head, tail = struct.pack("<H", len(entries)), b""
    for tag, kind, value in entries:
        count = len(value) // {_SHORT: 2, _LONG: 4, _RATIONAL: 8}.get(kind, 1)
        if len(value) <= 4:
            cell = value.ljust(4, b"\0")
        else:
            cell = struct.pack("<I", after + len(tail))
            tail += value + b"\0" * (len(value) % 2)
        head += struct.pack("<HHI", tag, kind, count) + cell
    return head + b"\0\0\0\0" + tail
