"""One job as one file: a zip of its records, its readings, its photographs and its papers, and back.

The zip is written so that the same job gives the same bytes: entries in a fixed order, no
times, one way of packing. ``MANIFEST.json`` names every other entry with its size and its
SHA-256. Reading trusts nothing: entries are counted and bounded as they are unpacked, their
names are never used as paths, and nothing is handed on before every hash has been compared.
"""

from __future__ import annotations

import hashlib
import json
import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import IO, Any, Final

from tubewright.errors import Fault, InputError

KIND: Final = "tubewright-job"
VERSION: Final = 1
MANIFEST: Final = "MANIFEST.json"
JOB: Final = "job.json"
READINGS: Final = "readings.csv"

MOST_ENTRIES: Final = 2000
"""A job with a thousand photographs and their previews (estimate)."""
MOST_TOTAL_BYTES: Final = 2 * 2**30
"""All of it unpacked (estimate)."""
MOST_TEXT_BYTES: Final = 64 * 2**20
"""Records of one job as text: a thousand times a usual one (estimate)."""
MOST_FILE_BYTES: Final = 160 * 2**20
"""One photograph, as large as the shop keeps them."""
MOST_RATIO: Final = 200
"""Unpacked over packed, of anything above :data:`SMALL_BYTES`: text packs to a tenth, a bomb to a thousandth."""
SMALL_BYTES: Final = 2**20
_PIECE: Final = 2**18
_NAME: Final = re.compile(r"(?:[a-z]{1,20}/)?[A-Za-z0-9][A-Za-z0-9._-]{0,119}")
_SHA: Final = re.compile(r"[0-9a-f]{64}")
_PHOTO: Final = re.compile(r"(?:photographs|previews|overlays|files)/(?P<sha>[0-9a-f]{64})\.[a-z]{2,4}")
_STORED: Final = (".jpg", ".heic", ".png", ".dng", ".pdf")
"""Packed already: packing them again gains nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One file of an archive: its name in it and its bytes."""

    name: str
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobArchive:
    """An archive that was read and found whole.

    ``job`` is ``job.json``; ``photos`` gives the bytes of photographs and drawings by their SHA-256,
    read from the zip when they are asked for.
    """

    job: Mapping[str, Any]
    photos: Mapping[str, bytes]
    names: tuple[str, ...]


def write_archive(
    to: IO[bytes],
    job: Mapping[str, Any],
    parts: Sequence[Part] | Iterator[Part],
    *,
    left_out: Sequence[str] = (),
) -> None:
    """Write an archive.

    Args:
        to: Where to; it need not be seekable.
        job: What the records say of the job, as plain JSON.
        parts: The other files; each may be made when its turn comes.
        left_out: What could not be packed and why, for people; read when all parts were taken.

    Raises:
        ValueError: Two parts have one name, or a name that no reader would take; our own mistake.
    """
    listed: list[dict[str, object]] = []
    seen = {MANIFEST}
    with zipfile.ZipFile(to, "w", allowZip64=True) as packed:
        for part in _all_parts(job, parts):
            if part.name in seen or not _NAME.fullmatch(part.name):
                raise ValueError(f"an archive can't hold {part.name!r}")
            seen.add(part.name)
            _put(packed, part)
            listed.append({"name": part.name, "size": len(part.data), "sha256": hashlib.sha256(part.data).hexdigest()})
        files = sorted(listed, key=lambda one: str(one["name"]))
        manifest = {"kind": KIND, "version": VERSION, "files": files, "left_out": list(left_out)}
        _put(packed, Part(name=MANIFEST, data=json_bytes(manifest)))


def _all_parts(job: Mapping[str, Any], parts: Sequence[Part] | Iterator[Part]) -> Iterator[Part]:
    yield Part(name=JOB, data=json_bytes(job))
    yield from parts


def json_bytes(value: object) -> bytes:
    """A value as JSON text that is the same for the same value."""
    return (json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1, sort_keys=True) + "\n").encode()


def _put(packed: zipfile.ZipFile, part: Part) -> None:
    entry = zipfile.ZipInfo(part.name, date_time=(1980, 1, 1, 0, 0, 0))
    entry.create_system = 3  # the same on every machine
    entry.external_attr = 0o644 << 16
    stored = part.name.endswith(_STORED)
    packed.writestr(
        entry, part.data, compress_type=zipfile.ZIP_STORED if stored else zipfile.ZIP_DEFLATED, compresslevel=6
    )


# -- reading -----------------------------------------------------------------------------------


def read_archive(file: IO[bytes], name: str = "archive") -> JobArchive:
    """Read an archive and prove it whole.

    Args:
        file: The zip; it must stay open as long as the photographs are asked for.
        name: What to call it in messages.

    Raises:
        InputError: It is no such archive, is cut off or damaged, is of another version, holds names
            that lead elsewhere, or unpacks to more than is taken.
    """
    try:
        packed = zipfile.ZipFile(file)
        entries = _entries(packed, name)
        manifest = _manifest(packed, entries, name)
        _prove(packed, entries, manifest, name)
        job = _json(_unpacked(packed, entries[JOB], MOST_TEXT_BYTES, name), f"{name}: {JOB}")
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, OSError) as error:
        raise InputError(_damaged(name, error)) from error
    except _zlib_error() as error:
        raise InputError(_damaged(name, error)) from error
    return JobArchive(job=job, photos=_Photos(packed, entries, name), names=tuple(sorted(entries)))


def _zlib_error() -> type[Exception]:
    import zlib

    return zlib.error


def _entries(packed: zipfile.ZipFile, name: str) -> dict[str, zipfile.ZipInfo]:
    """The entries by name, refused together where anything about them is odd."""
    listed = packed.infolist()
    if len(listed) > MOST_ENTRIES:
        raise InputError(_refused(name, f"it has {len(listed)} entries, at most {MOST_ENTRIES} are taken"))
    entries: dict[str, zipfile.ZipInfo] = {}
    total = 0
    for entry in listed:
        shown = _shown(entry.filename)
        if not _NAME.fullmatch(entry.filename) or entry.orig_filename != entry.filename:
            raise InputError(_refused(name, f"an entry is called {shown}, which no archive of ours has"))
        if entry.filename in entries:
            raise InputError(_refused(name, f"{shown} is in it twice"))
        if entry.flag_bits & 0x1:
            raise InputError(_refused(name, f"{shown} is locked with a password"))
        if entry.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
            raise InputError(_refused(name, f"{shown} is packed in a way that isn't ours"))
        total += entry.file_size
        if entry.file_size > SMALL_BYTES and entry.file_size > MOST_RATIO * max(1, entry.compress_size):
            raise InputError(_refused(name, f"{shown} would unpack to far more than it can hold"))
        entries[entry.filename] = entry
    if total > MOST_TOTAL_BYTES:
        raise InputError(
            _refused(name, f"it unpacks to {total // 2**20} MiB, at most {MOST_TOTAL_BYTES // 2**20} are taken")
        )
    for needed in (MANIFEST, JOB):
        if needed not in entries:
            raise InputError(
                Fault(
                    what=f"there is no {needed} in it", where=name, mend="Choose a file that tubewright archive wrote."
                )
            )
    return entries


def _manifest(packed: zipfile.ZipFile, entries: Mapping[str, zipfile.ZipInfo], name: str) -> dict[str, tuple[int, str]]:
    """What every entry must be: size and SHA-256."""
    body = _json(_unpacked(packed, entries[MANIFEST], MOST_TEXT_BYTES, name), f"{name}: {MANIFEST}")
    if body.get("kind") != KIND:
        raise InputError(
            Fault(what="this is no job of a shop", where=name, mend="Choose a file that tubewright archive wrote.")
        )
    if body.get("version") != VERSION:
        raise InputError(
            Fault(
                what=f"it is of version {_shown(str(body.get('version')))}, and this program reads version {VERSION}",
                where=name,
                mend="Take it in with the version of the program that wrote it, or a newer one.",
            )
        )
    files = body.get("files")
    found: dict[str, tuple[int, str]] = {}
    for one in files if isinstance(files, list) else [None]:
        said_of = one if isinstance(one, dict) else {}
        called, size, sha256 = said_of.get("name"), said_of.get("size"), said_of.get("sha256")
        sound = isinstance(called, str) and isinstance(size, int) and isinstance(sha256, str)
        if not sound or called in found or not _SHA.fullmatch(str(sha256)):
            raise InputError(_refused(name, f"its {MANIFEST} is not one of ours"))
        found[str(called)] = (int(str(size)), str(sha256))
    missing = sorted(found.keys() - entries.keys())
    unnamed = sorted(entries.keys() - found.keys() - {MANIFEST})
    if missing:
        raise InputError(_refused(name, f"{_shown(missing[0])} is named in its {MANIFEST} and missing"))
    if unnamed:
        raise InputError(_refused(name, f"{_shown(unnamed[0])} is in it and its {MANIFEST} doesn't name it"))
    return found


def _prove(
    packed: zipfile.ZipFile,
    entries: Mapping[str, zipfile.ZipInfo],
    manifest: Mapping[str, tuple[int, str]],
    name: str,
) -> None:
    """Unpack every entry once, piece by piece, and compare it with what the manifest says."""
    wrong = []
    unpacked = 0
    for entry_name, (size, sha256) in manifest.items():
        found, length = hashlib.sha256(), 0
        for piece in _pieces(packed, entries[entry_name], _most(entry_name), name):
            found.update(piece)
            length += len(piece)
            unpacked += len(piece)
            if unpacked > MOST_TOTAL_BYTES:  # whatever the entries said of their sizes
                raise InputError(_refused(name, "it unpacks to more than is taken"))
        photo = _PHOTO.fullmatch(entry_name)
        if length != size or found.hexdigest() != sha256 or (photo is not None and photo["sha"] != sha256):
            wrong.append(entry_name)
    if wrong:
        raise InputError(
            [
                Fault(
                    what=f"{_shown(one)} is not what its {MANIFEST} says: it was changed or damaged",
                    where=name,
                    mend="Copy the file once more from where it was written.",
                )
                for one in wrong
            ]
        )


def _most(entry_name: str) -> int:
    return MOST_FILE_BYTES if "/" in entry_name else MOST_TEXT_BYTES


def _pieces(packed: zipfile.ZipFile, entry: zipfile.ZipInfo, most: int, name: str) -> Iterator[bytes]:
    """An entry piece by piece, no further than it may go."""
    length = 0
    with packed.open(entry) as opened:
        while piece := opened.read(_PIECE):
            length += len(piece)
            if length > most:
                what = f"{_shown(entry.filename)} unpacks to more than {most // 2**20} MiB"
                raise InputError(_refused(name, what))
            yield piece


def _unpacked(packed: zipfile.ZipFile, entry: zipfile.ZipInfo, most: int, name: str) -> bytes:
    return b"".join(_pieces(packed, entry, most, name))


def _json(data: bytes, where: str) -> dict[str, Any]:
    try:
        value = json.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise InputError(Fault(what="this is not JSON", where=where, mend="Copy the file once more.")) from error
    if not isinstance(value, dict):
        raise InputError(Fault(what="this is no JSON object", where=where, mend="Copy the file once more."))
    return value


class _Photos(Mapping[str, bytes]):
    """Photographs and drawings by their SHA-256, unpacked when they are asked for, proven each time."""

    def __init__(self, packed: zipfile.ZipFile, entries: Mapping[str, zipfile.ZipInfo], name: str) -> None:
        self._packed, self._name = packed, name
        named = ((_PHOTO.fullmatch(one), entry) for one, entry in entries.items())
        self._entries = {match["sha"]: entry for match, entry in named if match is not None}

    def __getitem__(self, sha256: str) -> bytes:
        data = _unpacked(self._packed, self._entries[sha256], MOST_FILE_BYTES, self._name)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise InputError(_refused(self._name, "it was changed while it was read"))
        return data

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)


def _refused(name: str, what: str) -> Fault:
    return Fault(what=what, where=name, mend="Nothing was taken in. Choose a file that tubewright archive wrote.")


def _damaged(name: str, error: Exception) -> Fault:
    return Fault(
        what=f"it is no whole zip file ({_shown(str(error)) or type(error).__name__})",
        where=name,
        mend="Copy it once more: a file that was cut off on its way looks like this.",
    )


def _shown(text: str) -> str:
    clean = "".join(letter if letter.isprintable() else "?" for letter in text)
    return f"“{clean if len(clean) <= 60 else clean[:59] + '…'}”"
