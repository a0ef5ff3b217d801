"""Photographs as they come in: a form with files, read piece by piece, bounded, its file names never used as paths.

A form of words is small and is held whole; a photograph may be as large as a raw
file, so it goes to a temporary file while it comes in. What it is, its content
says (:func:`tubewright.files.photos.read_photo`); what the sender calls it and
says of its type counts for nothing but the words on the page.
"""

from __future__ import annotations

import re
from collections.abc import AsyncGenerator
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Final

from starlette.datastructures import Headers, UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser
from starlette.types import Receive

from tubewright.errors import Fault, InputError
from tubewright.records.pictures import LARGEST_FILE_BYTES

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tubewright.picture.seen import Photo

MOST_FILES: Final = 12
"""Photographs sent at once: a survey from both sides, some for the hum, one for light, with room (estimate)."""
MOST_UPLOAD_BYTES: Final = 3 * LARGEST_FILE_BYTES
"""All of one form together: three of the largest photographs, or a dozen as phones make them (estimate)."""
_MOST_DRAINED_BYTES: Final = 8 * MOST_UPLOAD_BYTES
"""How much of a form that is too large is read and let go, so that the browser hears why; a browser that is cut
off while it sends shows an error of its own."""
_MOST_FIELDS: Final = 60
_LONGEST_FIELD_BYTES: Final = 20_000
PREVIEW_PX: Final = 1600
"""Longest side of the small picture for pages: a phone's screen at its full number of dots (estimate)."""
_PREVIEW_QUALITY: Final = 82
_LONGEST_NAME: Final = 100
MIB: Final = 2**20

MEDIA_TYPES: Final = {
    "jpeg": "image/jpeg",
    "heic": "image/heic",
    "dng": "image/x-adobe-dng",
    "png": "image/png",
    "tiff": "image/tiff",
}
"""What each kind of file that can be read is called on the web."""

_ARCHIVES: Final = "/take-in"
"""The address that takes a job of another shop as one file; as large as all photographs sent at once."""
_UPLOADS: Final = re.compile(r"^(?:/jobs/[0-9]{1,10}/photos|/take-in)$")
_LISTS: Final = re.compile(r"^(?:/reckon/recap|/stock/import|/jobs/[0-9]{1,10}/parts/recap)$")
"""The addresses that take a list of parts, as a file or typed: text, far smaller than a photograph."""
_MOST_BOARD_BYTES: Final = 2 * 2**20
_FORM: Final = "multipart/form-data"


@dataclass(frozen=True, slots=True, kw_only=True)
class Upload:
    """A file of a form: what to call it, its bytes in a temporary file, how many there are."""

    name: str
    file: IO[bytes]
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What of a photograph is stored beside its bytes: what it is and a small JPEG of it."""

    media_type: str
    preview: bytes


class UploadRefusedError(Exception):
    """A form with files that is not read to its end; the status and the line to answer with."""

    def __init__(self, status: int, words: str) -> None:
        self.status, self.words = status, words
        super().__init__(words)


def limits() -> str:
    """What may be sent at once, in words."""
    return (
        f"at most {MOST_FILES} photographs at once, each of at most {LARGEST_FILE_BYTES // MIB} MiB, "
        f"{MOST_UPLOAD_BYTES // MIB} MiB together"
    )


def is_upload(path: str, headers: Headers) -> bool:
    """Whether this is a form with files, sent to an address that takes them."""
    kind = headers.get("content-type", "").split(";")[0].strip().lower()
    return kind == _FORM and (_LISTS.match(path) is not None or _UPLOADS.match(path) is not None)


async def read_upload(
    headers: Headers, receive: Receive, path: str = ""
) -> tuple[list[tuple[str, str]], tuple[Upload, ...]]:
    """The words and the files of a form; files left empty in the page's form are left out.

    What the address takes decides how much may come: photographs, or a board's list.

    Raises:
        UploadRefusedError: It is too large, or no such form.
    """
    announced = headers.get("content-length", "0")
    board = _LISTS.match(path) is not None
    most = _MOST_BOARD_BYTES if board else MOST_UPLOAD_BYTES
    words = f"{limits()}. Go back and send fewer"
    if board:
        words = "a part list has at most 1 MB. Go back and send less"
    elif path == _ARCHIVES:
        words = f"at most {MOST_UPLOAD_BYTES // MIB} MiB here; tubewright take-in takes a larger file"
    too_large = UploadRefusedError(413, f"That is too much: {words}.")
    if not announced.isdigit() or int(announced) > most:
        if announced.isdigit() and int(announced) <= _MOST_DRAINED_BYTES:
            await _drain(receive)
        raise too_large

    async def pieces() -> AsyncGenerator[bytes, None]:
        size = 0
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                raise UploadRefusedError(400, "What was sent did not arrive whole.")
            piece = message.get("body", b"")
            size += len(piece)
            if size > most:
                raise too_large
            yield piece
            if not message.get("more_body", False):
                return

    reader = MultiPartParser(
        headers,
        pieces(),
        max_files=1 if board or path == _ARCHIVES else MOST_FILES,
        max_fields=_MOST_FIELDS,
        max_part_size=_MOST_BOARD_BYTES if board else _LONGEST_FIELD_BYTES,
    )
    try:
        form = await reader.parse()
    except MultiPartException as error:
        many = "files" in error.message
        told = f"That is too much: {words}." if many else "That form can't be read; go back and try again."
        raise UploadRefusedError(413 if many else 400, told) from error
    pairs = [(name, value) for name, value in form.multi_items() if isinstance(value, str)]
    files = [value for _, value in form.multi_items() if isinstance(value, UploadFile)]
    # A browser sends an empty file without a name where none was chosen.
    chosen = [one for one in files if one.filename or one.size]
    for one in files:
        if one not in chosen:
            one.file.close()
    return pairs, tuple(
        Upload(name=plain_name(one.filename or ""), file=one.file, size_bytes=one.size or 0) for one in chosen
    )


async def _drain(receive: Receive) -> None:
    """Read what still comes and let it go."""
    while True:
        message = await receive()
        if message["type"] == "http.disconnect" or not message.get("more_body", False):
            return


def plain_name(sent: str) -> str:
    """What to call a file on pages: the last part of what was sent, printable and short; never a path.

    Example:
        >>> plain_name("../../etc/passwd"), plain_name("")
        ('passwd', 'photograph')
    """
    last = re.split(r"[/\\]", sent)[-1]
    shown = " ".join("".join(letter if letter.isprintable() else " " for letter in last).split())
    return shown[-_LONGEST_NAME:].strip(" .") or "photograph"


def look_at(data: bytes, name: str) -> Kept:
    """Read a photograph to know that it can be read, and make the small picture of it.

    Raises:
        InputError: It is empty or larger than is kept.
        RefusedError: It can't be read; the message says why and how to send it better.
    """
    from tubewright.files.photo_formats import open_container
    from tubewright.files.photos import read_photo

    if not data:
        raise InputError(Fault(what="the file is empty", where=name, mend="Copy it from the phone once more."))
    if len(data) > LARGEST_FILE_BYTES:
        raise InputError(
            Fault(
                what=f"the file has {len(data) // MIB} MiB; at most {LARGEST_FILE_BYTES // MIB} MiB are kept",
                where=name,
                mend="Send the phone's JPEG or HEIC instead of a raw file.",
            )
        )
    kind = open_container(data, name).kind
    return Kept(media_type=MEDIA_TYPES[kind], preview=small_jpeg(read_photo(data, name=name)))


def small_jpeg(photo: Photo) -> bytes:
    """The photograph upright, at most :data:`PREVIEW_PX` long, as JPEG without any of the camera's own words."""
    import cv2

    height, width = photo.pixels.shape[:2]
    share = min(1.0, PREVIEW_PX / max(height, width))
    size = (max(1, round(width * share)), max(1, round(height * share)))
    small = cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA)
    _, coded = cv2.imencode(
        ".jpg", _shown(small, photo.coding)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, _PREVIEW_QUALITY]
    )
    return bytes(coded)


def _shown(pixels: NDArray[np.generic], coding: str) -> NDArray[np.uint8]:
    """Pixels as a screen shows them, 8 bits."""
    import numpy as np

    if pixels.dtype == np.uint8:
        return np.asarray(pixels, dtype=np.uint8)
    share = pixels.astype(np.float32) / 65535
    if coding == "linear":
        # Only to be looked at: brightened to its own lights, with a power close to the curve of IEC 61966-2-1.
        share = np.clip(share / max(float(np.quantile(share, 0.995)), 1e-6), 0, 1) ** (1 / 2.2)
    return np.asarray(np.rint(255 * share), dtype=np.uint8)
