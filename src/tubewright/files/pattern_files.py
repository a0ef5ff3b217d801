"""Patterns as files: one picture as PNG, a loop as animated PNG or as lossless video; what is written is checked.

| ending | what it is | who takes it |
|---|---|---|
| ``.png`` | one picture, lossless | everything |
| ``.apng`` | animated PNG, lossless, loops by itself | web browsers and most viewers; others show its first picture |
| ``.mkv`` | FFV1 video in Matroska, lossless | players built on FFmpeg, and VLC; not browsers or system players |

Formats that most players take (H.264, VP9) halve the colour's resolution and round
its levels, so no pattern goes into them. Dots that aren't square stay as they are:
no file carries a shape, so that no player scales what must not be scaled.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    import cv2

Pixels = NDArray[np.uint8]

ENDINGS: Final = (".png", ".apng", ".mkv")
STILL_VIDEO_S: Final = 2.0
"""Length of the video of a still pattern."""
MOVING_VIDEO_ROUNDS: Final = 2
"""How often a moving pattern goes round in its video; players are told to repeat by the person."""
MOST_VIDEO_PICTURES: Final = 1500


def png_bytes(pixels: Pixels) -> bytes:
    """A picture, (height, width, 3), uint8, as a PNG without anything else in it."""
    from PIL import Image

    held = io.BytesIO()
    Image.fromarray(pixels).save(held, format="PNG", optimize=False, compress_level=6)
    return held.getvalue()


def apng_bytes(frames: Sequence[Pixels], state_s: float) -> bytes:
    """Pictures in turn, each standing ``state_s`` seconds, as an animated PNG that loops for ever."""
    from PIL import Image

    if len(frames) == 1:
        return png_bytes(frames[0])
    held = io.BytesIO()
    first, *others = [Image.fromarray(frame) for frame in frames]
    first.save(held, format="PNG", save_all=True, append_images=others, duration=round(state_s * 1000), loop=0)
    return held.getvalue()


def write_pattern(path: Path, frames: Sequence[Pixels], *, state_s: float, rate_hz: float) -> str:
    """Write a pattern to a file of the kind that its ending names; gives a sentence that says what was written.

    Args:
        path: Where to; an existing file is replaced, and left alone if anything goes wrong.
        frames: The pattern's pictures, each (height, width, 3), uint8.
        state_s: How long each stands; 0 for a still pattern.
        rate_hz: Pictures a second of a video: the rate at which the display is given whole pictures.

    Raises:
        InputError: No such ending, nowhere to write, or a size that the format can't hold.
    """
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise InputError(
            Fault(
                what=f"{ending or 'no ending'} is no kind of file that keeps every dot",
                where=str(path),
                mend=f"End the name in one of: {', '.join(ENDINGS)}.",
            )
        )
    if ending == ".mkv":
        return _write_video(path, frames, state_s=state_s, rate_hz=rate_hz)
    if ending == ".png" and len(frames) > 1:
        data, said = png_bytes(frames[0]), f"The first of {len(frames)} pictures; .apng or .mkv holds them all."
    elif len(frames) > 1:
        data, said = apng_bytes(frames, state_s), f"{len(frames)} pictures in turn, {state_s:g} s each, in a loop."
    else:
        data, said = png_bytes(frames[0]), "One picture."
    write_whole(path, data)
    return said


def write_whole(path: Path, data: bytes) -> None:
    """Write a file whole or not at all.

    Raises:
        InputError: It can't be written there.
    """
    with _in_place_of(path) as spare:
        spare.write_bytes(data)


def video_plan(count: int, *, state_s: float, rate_hz: float) -> tuple[int, int]:
    """How many pictures of a video each of a pattern's pictures stands for, and how often all go round.

    A still pattern gives a few seconds; a moving one never changes sooner than ``state_s``.
    """
    if state_s <= 0:
        return min(MOST_VIDEO_PICTURES, max(1, round(STILL_VIDEO_S * rate_hz))), 1
    stand = int(np.ceil(state_s * rate_hz - 1e-9))
    rounds = max(1, min(MOVING_VIDEO_ROUNDS, MOST_VIDEO_PICTURES // (stand * count)))
    return stand, rounds


def _write_video(path: Path, frames: Sequence[Pixels], *, state_s: float, rate_hz: float) -> str:
    import cv2

    height, width = frames[0].shape[:2]
    if width % 2 or height % 2:
        raise InputError(
            Fault(
                what=f"a video of {width} by {height} would lose a row or a column: it takes even numbers only",
                where=str(path),
                mend="End the name in .apng or .png instead.",
            )
        )
    stand, rounds = video_plan(len(frames), state_s=state_s, rate_hz=rate_hz)
    turned = [cv2.cvtColor(frame, cv2.COLOR_RGB2BGR) for frame in frames]
    # The library writes to a name, and says little when it can't: beside the target, checked, then put in its place.
    with _in_place_of(path) as spare:
        video = cv2.VideoWriter(str(spare), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*"FFV1"), rate_hz, (width, height))
        try:
            if not video.isOpened():
                raise InputError(
                    Fault(what="no video can be written here", where=str(path), mend="Try .apng, or another folder.")
                )
            for picture in turned * rounds:
                for _ in range(stand):
                    video.write(picture)
        finally:
            video.release()
        _check_video(cv2.VideoCapture(str(spare), cv2.CAP_FFMPEG), turned * rounds, stand)
    seconds = stand * rounds * len(frames) / rate_hz
    return f"{seconds:.1f} s of video at {rate_hz:.4g} pictures a second; let the player repeat it, unscaled."


def _check_video(video: cv2.VideoCapture, pictures: Sequence[NDArray[Any]], stand: int) -> None:
    """Read the video back and compare every picture: another build of the library may know another codec."""
    try:
        for place, wanted in enumerate(picture for picture in pictures for _ in range(stand)):
            read, seen = video.read()
            if not read or not np.array_equal(seen, wanted):
                message = f"picture {place} of the video came back changed"
                raise RuntimeError(message)
    finally:
        video.release()


@contextlib.contextmanager
def _in_place_of(path: Path) -> Iterator[Path]:
    """A name beside a file, to be written in full; it takes the file's place unless something went wrong."""
    # Of the same ending: the video's library goes by it.
    spare = path.with_name(f".{path.stem}.partial{path.suffix}")
    try:
        spare.touch()
        yield spare
        spare.replace(path)
    except OSError as error:
        raise InputError(
            Fault(
                what=f"it can't be written: {error.strerror or error}",
                where=str(path),
                mend="Name a file in a folder that is there and that you may write to.",
            )
        ) from error
    finally:
        with contextlib.suppress(OSError):
            spare.unlink(missing_ok=True)
