"""The shop's own file beside a copy of its records: copied as it is, put back, nothing run over."""

from __future__ import annotations

from pathlib import Path

import pytest

from records.conftest import START
from tubewright.errors import InputError
from tubewright.records.own_copy import back_up_own, beside, restore_own


def names(folder: Path) -> set[str]:
    return {one.name for one in folder.iterdir()}


def test_a_file_goes_there_and_back(tmp_path: Path) -> None:
    own, copy = tmp_path / "own.toml", tmp_path / "november.sqlite3"
    own.write_bytes(b"not even \xff TOML")
    assert back_up_own(own, copy) == beside(copy) == tmp_path / "november.own.toml"
    own.write_text("later", encoding="utf-8")
    report = restore_own(copy, own, now=START)
    assert report is not None
    assert own.read_bytes() == b"not even \xff TOML"
    assert report.set_aside is not None
    assert report.set_aside.read_text(encoding="utf-8") == "later"
    again = restore_own(copy, own, now=START)
    assert again is not None
    assert (again.same, again.set_aside) == (True, None)
    assert names(tmp_path) == {"own.toml", "november.own.toml", report.set_aside.name}


def test_two_restores_in_one_second_keep_both(tmp_path: Path) -> None:
    own, copy = tmp_path / "own.toml", tmp_path / "november.sqlite3"
    own.write_text("first", encoding="utf-8")
    back_up_own(own, copy)
    for words in ("second", "third"):
        own.write_text(words, encoding="utf-8")
        restore_own(copy, own, now=START)
    kept = {one.read_text(encoding="utf-8") for one in tmp_path.glob("own-before-restore-*.toml")}
    assert kept == {"second", "third"}


def test_a_copy_runs_over_nothing(tmp_path: Path) -> None:
    own, copy = tmp_path / "own.toml", tmp_path / "november.sqlite3"
    own.write_text("mine", encoding="utf-8")
    beside(copy).write_text("precious", encoding="utf-8")
    with pytest.raises(InputError, match="already"):
        back_up_own(own, copy)
    assert beside(copy).read_text(encoding="utf-8") == "precious"


def test_a_folder_of_files_goes_there_and_back(tmp_path: Path) -> None:
    folder, copy = tmp_path / "own", tmp_path / "november.sqlite3"
    folder.mkdir()
    (folder / "one.toml").write_text("one", encoding="utf-8")
    (folder / "notes.txt").write_text("not facts", encoding="utf-8")
    assert names(back_up_own(folder, copy)) == {"one.toml"}
    (folder / "one.toml").write_text("changed", encoding="utf-8")
    report = restore_own(copy, folder, now=START)
    assert report is not None
    assert report.set_aside is not None
    assert (folder / "one.toml").read_text(encoding="utf-8") == "one"
    assert names(report.set_aside) == {"one.toml", "notes.txt"}


def test_where_none_lies_beside_the_copy_nothing_is_touched(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("mine", encoding="utf-8")
    assert restore_own(tmp_path / "old.sqlite3", own, now=START) is None
    assert names(tmp_path) == {"own.toml"}


def test_what_can_not_be_read_is_told_and_leaves_nothing_behind(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't be copied"):
        back_up_own(tmp_path / "none.toml", tmp_path / "november.sqlite3")
    assert names(tmp_path) == set()
