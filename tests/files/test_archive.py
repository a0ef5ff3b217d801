"""An archive is the same file for the same job, and a damaged or crafted one gives nothing away."""

from __future__ import annotations

import hashlib
import io
import json
import struct
import zipfile
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.errors import InputError
from tubewright.files import archive as made
from tubewright.files.archive import JOB, MANIFEST, Part, json_bytes, read_archive, write_archive

PHOTO = b"\xff\xd8 not really a photograph"
SHA = hashlib.sha256(PHOTO).hexdigest()
WORK: dict[str, Any] = {"kind": "tubewright-records", "tables": {"jobs": [{"uid": "one", "note": "Wägen & Söhne"}]}}


def packed(job: dict[str, Any] | None = None, parts: list[Part] | None = None) -> bytes:
    out = io.BytesIO()
    write_archive(
        out, WORK if job is None else job, [Part(name=f"photographs/{SHA}.jpg", data=PHOTO)] if parts is None else parts
    )
    return out.getvalue()


def crafted(change: Callable[[dict[str, bytes]], None], *, compress: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A sound archive with something changed, put together by the standard library's own hand."""
    with zipfile.ZipFile(io.BytesIO(packed())) as whole:
        entries = {name: whole.read(name) for name in whole.namelist()}
    change(entries)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", compress) as packed_again:
        for name, data in entries.items():
            packed_again.writestr(name, data)
    return out.getvalue()


def with_manifest(entries: dict[str, bytes], **more: object) -> None:
    """Name what the entries are now, so that only the thing that was changed is wrong."""
    files = [
        {"name": name, "size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for name, data in entries.items()
        if name != MANIFEST
    ]
    entries[MANIFEST] = json_bytes({"kind": made.KIND, "version": made.VERSION, "files": files, "left_out": [], **more})


def refused(data: bytes) -> str:
    with pytest.raises(InputError) as raised:
        read_archive(io.BytesIO(data), "job-7.zip")
    assert raised.value.faults[0].where.startswith("job-7.zip")
    return str(raised.value)


def test_what_was_written_is_read_back() -> None:
    whole = read_archive(io.BytesIO(packed()))
    assert whole.job == WORK
    assert dict(whole.photos) == {SHA: PHOTO}
    assert whole.names == (MANIFEST, JOB, f"photographs/{SHA}.jpg")


def test_the_same_job_gives_the_same_bytes_and_another_does_not() -> None:
    turned = {"tables": WORK["tables"], "kind": WORK["kind"]}
    assert packed() == packed(turned)
    assert packed() != packed({**WORK, "kind": "other"})


def test_the_manifest_names_every_entry_with_its_hash() -> None:
    with zipfile.ZipFile(io.BytesIO(packed())) as whole:
        files = json.loads(whole.read(MANIFEST))["files"]
        assert {one["name"] for one in files} == set(whole.namelist()) - {MANIFEST}
        for one in files:
            data = whole.read(one["name"])
            assert (one["size"], one["sha256"]) == (len(data), hashlib.sha256(data).hexdigest())


@given(st.data())
@settings(max_examples=60)
def test_no_cut_and_no_changed_byte_of_the_contents_gets_through(data: st.DataObject) -> None:
    whole = packed()
    cut = data.draw(st.integers(min_value=0, max_value=len(whole) - 1))
    with pytest.raises(InputError):
        read_archive(io.BytesIO(whole[:cut]))
    at = data.draw(st.integers(min_value=0, max_value=len(whole) - 1))
    flip = data.draw(st.integers(min_value=1, max_value=255))
    spoilt = bytearray(whole)
    spoilt[at] ^= flip
    try:
        read = read_archive(io.BytesIO(bytes(spoilt)))
    except InputError:
        return
    # What only the packing says of an entry (its date, who may read it) may differ; what it holds may not.
    assert read.job == WORK
    assert dict(read.photos) == {SHA: PHOTO}


@pytest.mark.parametrize(
    "name",
    [
        "../evil",
        "/etc/passwd",
        "photographs/../../evil",
        "C:\\evil",
        "a/b/c",
        "photographs/",
        ".hidden",
        "x" * 200,
        "é",
    ],
)
def test_a_name_that_could_lead_elsewhere_is_refused(name: str) -> None:
    def change(entries: dict[str, bytes]) -> None:
        entries[name] = b"x"
        with_manifest(entries)

    assert "no archive of ours has" in refused(crafted(change))


def test_the_writer_takes_no_such_name_either() -> None:
    for name in ("../evil", MANIFEST, JOB):
        with pytest.raises(ValueError, match="can't hold"):
            packed(parts=[Part(name=name, data=b"x")])


def test_an_entry_that_is_there_twice_is_refused() -> None:
    out = io.BytesIO(packed())
    with zipfile.ZipFile(out, "a") as again, pytest.warns(UserWarning, match="Duplicate"):
        again.writestr(JOB, b"{}")
    assert "twice" in refused(out.getvalue())


def test_what_the_manifest_does_not_name_is_refused_and_so_is_what_is_missing() -> None:
    assert "doesn't name it" in refused(crafted(lambda entries: entries.update({"readings.csv": b"x"})))

    def drop(entries: dict[str, bytes]) -> None:
        del entries[f"photographs/{SHA}.jpg"]

    assert "missing" in refused(crafted(drop))
    assert "there is no MANIFEST.json" in refused(crafted(lambda entries: entries.__delitem__(MANIFEST)))


def test_a_changed_entry_is_named() -> None:
    assert "changed or damaged" in refused(crafted(lambda entries: entries.update({JOB: b"{}"})))


def test_a_photograph_under_a_name_that_is_not_its_own_is_refused() -> None:
    def change(entries: dict[str, bytes]) -> None:
        entries[f"photographs/{'0' * 64}.jpg"] = PHOTO
        with_manifest(entries)

    assert "changed or damaged" in refused(crafted(change))


def test_another_version_and_another_kind_are_told_apart() -> None:
    assert "version “2”" in refused(crafted(lambda entries: with_manifest(entries, version=2)))
    assert "no job of a shop" in refused(crafted(lambda entries: with_manifest(entries, kind="other")))
    assert "not one of ours" in refused(crafted(lambda entries: with_manifest(entries, files=[{"name": 1}])))
    assert "not one of ours" in refused(crafted(lambda entries: with_manifest(entries, files="all")))


def test_what_is_no_json_is_refused() -> None:
    def change(entries: dict[str, bytes]) -> None:
        entries[JOB] = b"[" * 100_000
        with_manifest(entries)

    assert "not JSON" in refused(crafted(change))
    assert "no JSON object" in refused(crafted(lambda entries: entries.update({MANIFEST: b"[]"})))


def test_a_bomb_is_refused_before_it_is_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    def change(entries: dict[str, bytes]) -> None:
        entries["papers/big.pdf"] = bytes(4 * 2**20)
        with_manifest(entries)

    assert "far more than it can hold" in refused(crafted(change))
    monkeypatch.setattr(made, "MOST_TOTAL_BYTES", 2**20)
    assert "at most 1 are taken" in refused(crafted(change, compress=zipfile.ZIP_STORED))
    monkeypatch.setattr(made, "MOST_ENTRIES", 2)
    assert "entries" in refused(packed())


def test_an_entry_that_lies_about_its_size_is_stopped_as_it_is_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    def change(entries: dict[str, bytes]) -> None:
        entries["papers/big.pdf"] = bytes(range(256)) * 4096
        with_manifest(entries)

    data = crafted(change, compress=zipfile.ZIP_STORED)
    # In the central directory it now claims to unpack to nothing.
    at = data.index(b"papers/big.pdf", data.index(b"PK\x01\x02")) - 46
    lying = data[: at + 24] + struct.pack("<I", 0) + data[at + 28 :]
    assert refused(lying)
    monkeypatch.setattr(made, "MOST_FILE_BYTES", 2**18)
    assert "unpacks to more than 0 MiB" in refused(data)


def test_a_locked_entry_and_a_strange_packing_are_refused() -> None:
    data = packed()
    locked = bytearray(data)
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        locked[locked.index(mark) + offset] |= 1
    assert "password" in refused(bytes(locked))
    assert "isn't ours" in refused(crafted(lambda _entries: None, compress=zipfile.ZIP_BZIP2))


@pytest.mark.parametrize("data", [b"", b"PK", b"not a zip at all" * 50, bytes(10_000)], ids=len)
def test_what_is_no_zip_at_all_is_refused(data: bytes) -> None:
    assert "no whole zip" in refused(data)
