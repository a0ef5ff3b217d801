"""Photographs and measurements: kept whole, once, with their job, and taken back like anything else."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from records.conftest import Bench
from tubewright.errors import InputError, UnknownRecordError
from tubewright.records.exchange import export_job, import_document
from tubewright.records.store import open_store

JPEG = b"\xff\xd8 not really, but bytes are bytes \xff\xd9"


def _measure(bench: Bench, **more: object) -> int:
    given: dict[str, object] = {
        "photo_shas": [hashlib.sha256(JPEG).hexdigest()],
        "settings_json": '{"raster": "arcade-15k-320x240"}',
        "answer_json": '{"accepted": true}',
        "accepted": True,
        "model_version": "1",
        "headline": "Converged within 0.4 mm.",
        "stage": "before",
    }
    return bench.store.save_measurement(bench.job, **(given | more)).id  # type: ignore[arg-type] # wrong input on purpose


class TestPhotos:
    def test_what_is_kept_comes_back_byte_for_byte(self, bench: Bench) -> None:
        photo = bench.store.add_photo(
            bench.job, JPEG, media_type="image/jpeg", file_name="IMG_1.jpg", preview=b"small", stage="before"
        )
        assert photo.sha256 == hashlib.sha256(JPEG).hexdigest()
        assert bench.store.file(photo.sha256).data == JPEG
        assert photo.preview_sha256 is not None
        assert bench.store.file(photo.preview_sha256).media_type == "image/jpeg"
        assert bench.store.job(bench.job).photos == (photo,)

    def test_the_same_photograph_twice_is_one(self, bench: Bench) -> None:
        first, second = (
            bench.store.add_photo(bench.job, JPEG, media_type="image/jpeg", file_name=name) for name in ("a", "b")
        )
        assert first.id == second.id

    def test_a_struck_out_photograph_can_be_taken_back_whole(self, bench: Bench) -> None:
        photo = bench.store.add_photo(bench.job, JPEG, media_type="image/jpeg", file_name="a.jpg")
        bench.store.remove_photo(photo.id, version=photo.version)
        assert bench.store.job(bench.job).photos == ()
        bench.store.undo(history_id=bench.store.history(job_id=bench.job)[0].id)
        back = bench.store.job(bench.job).photos
        assert [one.sha256 for one in back] == [photo.sha256]
        assert bench.store.file(photo.sha256).data == JPEG

    @pytest.mark.parametrize(
        ("data", "more", "words"),
        [
            (b"", {}, "empty"),
            (JPEG, {"media_type": "text/html"}, "no kind of photograph"),
            (JPEG, {"stage": "meanwhile"}, "no such stage"),
            (JPEG, {"file_name": "  "}, "name is empty"),
        ],
    )
    def test_what_is_no_photograph_is_refused(
        self, bench: Bench, data: bytes, more: dict[str, str], words: str
    ) -> None:
        given = {"media_type": "image/jpeg", "file_name": "a.jpg"} | more
        with pytest.raises(InputError, match=words):
            bench.store.add_photo(bench.job, data, **given)  # type: ignore[arg-type] # wrong input on purpose
        assert bench.store.job(bench.job).photos == ()

    def test_a_file_that_is_not_here_is_said_so(self, bench: Bench) -> None:
        with pytest.raises(UnknownRecordError, match="isn't kept here"):
            bench.store.file("0" * 64)


class TestMeasurements:
    def test_a_measurement_is_kept_with_its_drawing(self, bench: Bench) -> None:
        _measure(bench, overlay=("image/svg+xml", b"<svg/>"))
        (kept,) = bench.store.job(bench.job).measurements
        assert json.loads(kept.photos_json) == [hashlib.sha256(JPEG).hexdigest()]
        assert kept.accepted
        assert kept.overlay_sha256 is not None
        assert bench.store.file(kept.overlay_sha256).data == b"<svg/>"

    def test_it_can_be_struck_out_and_taken_back(self, bench: Bench) -> None:
        _measure(bench)
        (kept,) = bench.store.job(bench.job).measurements
        bench.store.remove_measurement(kept.id, version=kept.version)
        assert bench.store.job(bench.job).measurements == ()
        bench.store.undo(history_id=bench.store.history(job_id=bench.job)[0].id)
        assert len(bench.store.job(bench.job).measurements) == 1

    @pytest.mark.parametrize(
        ("more", "words"),
        [
            ({"answer_json": "{"}, "no JSON"),
            ({"photo_shas": ["../../etc"]}, "names no photograph"),
            ({"stage": "never"}, "no such stage"),
        ],
    )
    def test_nonsense_is_refused(self, bench: Bench, more: dict[str, object], words: str) -> None:
        with pytest.raises(InputError, match=words):
            _measure(bench, **more)

    def test_it_travels_to_another_shop_without_the_photographs(self, bench: Bench, tmp_path: Path) -> None:
        bench.store.add_photo(bench.job, JPEG, media_type="image/jpeg", file_name="a.jpg")
        _measure(bench)
        document = json.loads(json.dumps(export_job(bench.store, bench.job)))
        with open_store(tmp_path / "other.sqlite3") as other:
            report = import_document(other, document)
            assert report.added["measurements"] == report.added["photos"] == 1
            with pytest.raises(UnknownRecordError):
                other.file(hashlib.sha256(JPEG).hexdigest())
