"""Taking in a photograph: whole, of a size that can be worked on, upright, its numbers known as light.

The camera's own primaries are kept (those of sRGB, of Display P3, or of the sensor
itself in a raw file): marks are located per channel, and turning one set of
primaries into another would mix the channels and clip the saturated colours of a
phosphor. Only the curve from numbers to light is brought to one of two known ones.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final, Literal, cast

import numpy as np
from numpy.typing import NDArray

from tubewright.errors import Fault, InputError
from tubewright.files.photo_facts import Colours, Primaries, colours, srgb_coded, taken
from tubewright.files.photo_formats import SAVE_AS, SHOOT_ANEW, Container, colour_or_refuse, open_container, refusal
from tubewright.files.tiff import Tags
from tubewright.picture.seen import Photo

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

MOST_BYTES: Final = 400_000_000
"""The largest file that is read: a raw file of 100 MP at 16 bits has half of it (estimate)."""
MOST_PX: Final = 120_000_000
"""Pixels above which nothing is decoded: more than any phone makes at once (estimate)."""
FEWEST_PX: Final = 500_000
"""Pixels below which a mark of the survey has too few of them to be located (estimate)."""
SHORTEST_SIDE_PX: Final = 400
GOOD_PX: Final = 7_900_000
"""What a phone's photograph has at least: 8 MP by name, a few short by count."""

_DIRECT: Final = (
    "Shoot with the phone's main camera at its full number of pixels, and send the original, not a preview."
)


def read_photo(source: Path | bytes, *, name: str = "") -> Photo:
    """A photograph from a file or from its bytes, checked before it is decoded.

    JPEG, HEIC and DNG as cameras write them, PNG and TIFF in plain colour; told by
    content, not by the file's name. Only the main picture of a file is read.

    Args:
        source: A path, or the bytes themselves.
        name: What messages call it; the file's name where left empty.

    Returns:
        The photograph, turned upright, with what it says of itself and with what
        should be known of it in ``warnings``.

    Raises:
        InputError: The file isn't there or can't be read.
        RefusedError: It is no photograph, is cut off, damaged, too large, too small or
            not in colour. The message says how to shoot or send it better.
    """
    data = source if isinstance(source, bytes) else _bytes_of(source)
    name = name or ("the photograph" if isinstance(source, bytes) else source.name)
    if len(data) > MOST_BYTES:
        raise refusal(name, f"the file has more than {MOST_BYTES // 1_000_000} MB", SAVE_AS)
    container = open_container(data, name)
    if container.kind != "heic":
        check_size(container.width_px, container.height_px, name)
    pixels, container, warnings = _decode(data, container, name)
    check_size(pixels.shape[1], pixels.shape[0], name)
    facts = taken(container.exif)
    if not facts.readable:
        warnings.append("What the camera noted beside the photograph is damaged: its exposure time is not known.")
    if container.kind != "heic":  # its decoder has turned it by the file's own instruction; EXIF only repeats that
        pixels = upright(pixels, facts.turned)
    pixels, primaries, profile_warning = _known_curve(pixels, container)
    height, width = pixels.shape[:2]
    if width * height < GOOD_PX:
        warnings.append(
            f"The photograph has {width * height / 1e6:.1f} megapixels; figures grow sharper from 8 upwards. {_DIRECT}"
        )
    if "gain_map" in container.extras:
        warnings.append(
            "The photograph carries a second layer for bright screens (HDR); only the plain one is measured."
        )
    return Photo(
        pixels=_as_pixels(pixels),
        coding="linear" if container.kind == "dng" else "srgb",
        exposure_s=facts.exposure_s,
        focal_35mm=facts.focal_35mm,
        zoomed_ratio=facts.zoomed_ratio,
        camera=facts.camera,
        iso=facts.iso,
        name=name,
        primaries=primaries,
        warnings=(*warnings, *profile_warning),
        turned_deg={3: 180, 6: 90, 8: 270}.get(facts.turned, 0),  # as in upright(); a mirrored one is no plain turn
    )


def check_size(width_px: int, height_px: int, name: str) -> None:
    """Refuse what is too large to decode safely or too small to measure.

    Raises:
        RefusedError: It is either.
    """
    said = f"the photograph is {width_px} x {height_px} pixels"
    if width_px * height_px > MOST_PX:
        raise refusal(
            name, f"{said}, more than {MOST_PX // 1_000_000} million", "Shoot at 12 to 50 megapixels, no panorama."
        )
    if width_px * height_px < FEWEST_PX or min(width_px, height_px) < SHORTEST_SIDE_PX:
        raise refusal(name, f"{said}, too few to measure on", _DIRECT)


def upright(pixels: Pixels, turned: int) -> Pixels:
    """Pixels turned as the EXIF orientation (1 to 8) asks. Source: Exif 2.32 (CIPA DC-008-2019), tag 274."""
    import cv2

    turns: dict[int, tuple[int | None, int | None]] = {
        # orientation: first the mirroring (cv2.flip's code), then the turn
        2: (1, None),
        3: (None, cv2.ROTATE_180),
        4: (0, None),
        5: (1, cv2.ROTATE_90_COUNTERCLOCKWISE),
        6: (None, cv2.ROTATE_90_CLOCKWISE),
        7: (1, cv2.ROTATE_90_CLOCKWISE),
        8: (None, cv2.ROTATE_90_COUNTERCLOCKWISE),
    }
    mirror, turn = turns.get(turned, (None, None))
    result: Any = pixels
    if mirror is not None:
        result = cv2.flip(result, mirror)
    if turn is not None:
        result = cv2.rotate(result, turn)
    return _as_pixels(result)


def _as_pixels(found: NDArray[Any]) -> Pixels:
    """The same array; only its type is told."""
    return cast("Pixels", np.ascontiguousarray(found))


def _bytes_of(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= MOST_BYTES else b""
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name can't be used"
        raise InputError(
            Fault(what=f"the file can't be read ({reason})", where=str(path), mend="Check its name and place.")
        ) from error
    if size > MOST_BYTES:
        raise refusal(path.name, f"the file has more than {MOST_BYTES // 1_000_000} MB", SAVE_AS)
    return data


def _decode(data: bytes, container: Container, name: str) -> tuple[Pixels, Container, list[str]]:
    try:
        if container.kind == "heic":
            return _decode_heic(data, name)
        if container.kind == "dng":
            return _decode_dng(data, name), container, []
        return _decode_plain(data, container, name), container, []
    except MemoryError:
        raise refusal(
            name, "the photograph doesn't fit into this computer's memory", "Shoot at 12 megapixels."
        ) from None


def _decode_plain(data: bytes, container: Container, name: str) -> Pixels:
    import cv2

    # 16-bit TIFF comes out blue first even where OpenCV is asked for red first, so it is asked only for JPEG.
    red_first = container.kind == "jpeg"
    flags = cv2.IMREAD_COLOR_RGB if red_first else cv2.IMREAD_COLOR
    flags |= cv2.IMREAD_IGNORE_ORIENTATION | (cv2.IMREAD_ANYDEPTH if container.deep else 0)
    if container.kind == "tiff":
        data = _unturned(data, container.directories[0])
    try:
        found: Any = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), flags)
        if found is not None and not red_first:
            found = cv2.cvtColor(found, cv2.COLOR_BGR2RGB)
    except cv2.error:
        found = None
    if (
        found is None
        or found.shape != (container.height_px, container.width_px, 3)
        or found.dtype not in (np.uint8, np.uint16)
    ):
        raise refusal(name, "the photograph is damaged and can't be decoded", SHOOT_ANEW)
    if container.kind == "jpeg" and (found[-8:, -8:] == 128).all():
        # ITU-T T.81 decoders put this grey where coded data run out before the end of the picture.
        raise refusal(name, "the photograph is damaged: its lower end is missing", SHOOT_ANEW)
    return _as_pixels(found)


def _unturned(data: bytes, tags: Tags) -> bytes:
    """A TIFF whose orientation tag says upright: its decoder would turn some kinds by it and others not."""
    if 274 not in tags:
        return data
    copy = bytearray(data)
    at = int.from_bytes(data[4:8], "little" if tags.order == "<" else "big")
    count = int.from_bytes(data[at : at + 2], "little" if tags.order == "<" else "big")
    for place in range(at + 2, at + 2 + 12 * count, 12):
        if int.from_bytes(data[place : place + 2], "little" if tags.order == "<" else "big") == 274:
            copy[place + 8 : place + 10] = (1).to_bytes(2, "little" if tags.order == "<" else "big")
    return bytes(copy)


def _decode_heic(data: bytes, name: str) -> tuple[Pixels, Container, list[str]]:
    import pi_heif  # type: ignore[import-untyped]  # none are published

    try:
        heic = pi_heif.open_heif(data, convert_hdr_to_8bit=True)
        picture = heic[heic.primary_index]
        width, height = picture.size
        check_size(width, height, name)
        info = picture.info
        transfer = info.get("nclx_profile", {}).get("transfer_characteristics", 2)
        if transfer in {16, 18}:  # ITU-T H.273: PQ and HLG
            raise refusal(
                name,
                "the photograph is coded for bright screens only (HDR)",
                "Switch off HDR in the camera and shoot anew.",
            )
        if picture.mode.startswith("L"):
            colour_or_refuse(name, 1)
        pixels = _as_pixels(np.asarray(picture)[..., :3])
    except (ValueError, OSError, RuntimeError, EOFError, SyntaxError, KeyError, IndexError) as error:
        # whatever of these the HEIC library raises, the file is at fault: its boxes were walked and are whole
        raise refusal(name, "the photograph is damaged and can't be decoded", SHOOT_ANEW) from error
    exif, profile = info.get("exif") or b"", info.get("icc_profile") or b""
    extras = {"gain_map"} if any("hdrgainmap" in str(key).lower() for key in info.get("aux") or ()) else set[str]()
    warnings = []
    if len(heic) > 1:
        warnings.append("The file holds several pictures; the main one is measured.")
    container = Container(kind="heic", exif=exif, profile=profile, extras=frozenset(extras))
    return pixels, container, warnings


def _decode_dng(data: bytes, name: str) -> Pixels:
    import io

    import rawpy

    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            check_size(raw.sizes.width, raw.sizes.height, name)
            if raw.num_colors != 3:
                colour_or_refuse(name, raw.num_colors)
            # Bilinear: each channel from its own pixels, so that no channel pulls a mark of another out of place.
            pixels = raw.postprocess(
                demosaic_algorithm=rawpy.DemosaicAlgorithm.LINEAR,
                use_camera_wb=True,
                output_color=rawpy.ColorSpace.raw,
                output_bps=16,
                gamma=(1, 1),
                no_auto_bright=True,
                adjust_maximum_thr=0.0,
                user_flip=0,
            )
    except (rawpy.LibRawError, rawpy.NotSupportedError, ValueError, OSError, RuntimeError) as error:
        raise refusal(
            name,
            "this raw file can't be decoded: it is damaged, or packed in a way that isn't known here",
            "Take the JPEG or HEIC that the camera saved beside it.",
        ) from error
    return np.asarray(pixels, dtype=np.uint16)


def _known_curve(pixels: Pixels, container: Container) -> tuple[Pixels, Primaries, tuple[str, ...]]:
    """Pixels whose numbers stand for light by sRGB's curve (or linearly, of a raw file), and whose primaries."""
    if container.kind == "dng":
        return pixels, "camera", ()
    found: Colours = colours(container.profile)
    if not found.readable:
        return pixels, "srgb", ("The colour profile of the photograph can't be read; it is taken for sRGB.",)
    if found.curves is None:
        return pixels, found.primaries, ()
    depth: Literal[256, 65536] = 256 if pixels.dtype == np.uint8 else 65536
    coded = np.linspace(0, 1, depth)
    recoded = [srgb_coded(np.interp(coded, np.linspace(0, 1, 4096), curve)) for curve in found.curves]
    tables = np.rint(np.stack(recoded) * 65535).astype(np.uint16)  # 16 bits, so that no step of the 8 is lost
    return np.stack([tables[c][pixels[..., c]] for c in range(3)], axis=-1), found.primaries, ()
