"""The shop's own file, or folder of files, beside a copy of its records, and back again.

It is copied as it is, mistakes and all: a copy is no place to mend it.
"""

from __future__ import annotations

import datetime as dt
import shutil
from dataclasses import dataclass
from pathlib import Path

from tubewright.errors import Fault, InputError
from tubewright.records.backup import _free_name, _sync_folder


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnRestored:
    """The shop's own file put back; ``set_aside`` is where the one that was there went.

    ``same`` says that what was there held the same already, and nothing was done.
    """

    path: Path
    set_aside: Path | None = None
    same: bool = False


def beside(copy: Path) -> Path:
    """Where the own file lies beside a copy of the records: ``shop.sqlite3`` has ``shop.own.toml``."""
    return copy.with_name(f"{copy.stem}.own.toml")


def check_free(copy: Path) -> None:
    """Make sure that a copy of the own file would run over nothing.

    Raises:
        InputError: There is a file of that name already.
    """
    if beside(copy).exists():
        raise InputError(
            Fault(
                what="there is a file of that name already",
                where=str(beside(copy)),
                mend="Choose another name for the copy; the shop's own file goes beside it",
            )
        )


def back_up_own(own: Path, copy: Path) -> Path:
    """Copy the own file, or folder of files, beside a copy of the records.

    Raises:
        InputError: It can't be read or written, or there is a file of that name already.
    """
    check_free(copy)
    target = beside(copy)
    _put(own, target)
    return target


def restore_own(copy: Path, place: Path, *, now: dt.datetime) -> OwnRestored | None:
    """Put the own file that lies beside a copy of the records in its place; what was there is kept beside it.

    Returns:
        What was done; ``None`` where no own file lies beside the copy, and nothing was touched.

    Raises:
        InputError: It can't be read or written.
    """
    source = beside(copy)
    if not source.exists():
        return None
    if place.exists() and _contents(source) == _contents(place):
        return OwnRestored(path=place, same=True)
    fresh = place.with_name(f"{place.name}.restoring")
    _remove(fresh)
    _put(source, fresh)
    set_aside = None
    if place.exists() or place.is_symlink():
        set_aside = _free_name(place, now)
        place.rename(set_aside)
    fresh.rename(place)
    _sync_folder(place.parent)
    return OwnRestored(path=place, set_aside=set_aside)


def _put(source: Path, target: Path) -> None:
    """Copy a file, or the TOML files of a folder; the target is there whole or not at all."""
    partial = target.with_name(f"{target.name}.partial")
    _remove(partial)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            partial.mkdir()
            for one in sorted(source.glob("*.toml")):
                shutil.copyfile(one, partial / one.name)
        else:
            shutil.copyfile(source, partial)
    except OSError as error:
        _remove(partial)
        raise InputError(
            Fault(
                what=f"the shop's own file can't be copied ({error.strerror or error})",
                where=str(source),
                mend="Check the file, the folder and the room on the disk",
            )
        ) from error
    partial.rename(target)
    _sync_folder(target.parent)


def _contents(path: Path) -> dict[str, bytes]:
    files = {one.name: one for one in path.glob("*.toml")} if path.is_dir() else {"": path}
    try:
        return {name: one.read_bytes() for name, one in files.items()}
    except OSError as error:
        raise InputError(
            Fault(
                what=f"the shop's own file can't be read ({error.strerror or error})",
                where=str(path),
                mend="Check the file and who may read it",
            )
        ) from error


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
