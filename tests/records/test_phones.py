"""Phones are let in once, what they send is done once, and every piece of a file that was acknowledged is kept."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import threading
from typing import Final

import pytest

from records.conftest import Bench, Clock
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.records.model import UploadRecord
from tubewright.records.store import Store
from tubewright.records.uploads import WrongOffsetError

SECRET, SESSION = "5" * 64, "a" * 64
PHOTO: Final = bytes(range(256)) * 40
WHOLE: Final = hashlib.sha256(PHOTO).hexdigest()


def invited(store: Store, clock: Clock, secret: str = SECRET) -> None:
    store.add_pairing("bench phone", secret, clock.now + dt.timedelta(minutes=5))


class TestPairings:
    def test_an_invitation_is_used_once(self, store: Store, clock: Clock) -> None:
        invited(store, clock)
        let_in = store.use_pairing(SECRET, SESSION, "Odo's phone")
        assert let_in is not None
        assert (let_in.name, let_in.session_sha256) == ("Odo's phone", SESSION)
        assert store.use_pairing(SECRET, "b" * 64, "a thief") is None
        assert store.pairing_of_session(SESSION) == let_in
        assert store.pairing_of_session("b" * 64) is None
        assert store.pairings() == (let_in,)

    def test_one_that_ran_out_or_was_taken_back_lets_nobody_in(self, store: Store, clock: Clock) -> None:
        invited(store, clock)
        clock.pass_days(1)
        assert store.use_pairing(SECRET, SESSION, "late") is None
        invited(store, clock, "6" * 64)
        store.revoke_pairing(store.pairings()[0].id)
        assert store.use_pairing("6" * 64, SESSION, "shut out") is None
        assert store.use_pairing("7" * 64, SESSION, "a stranger") is None

    def test_a_phone_that_was_shut_out_stays_out(self, store: Store, clock: Clock) -> None:
        invited(store, clock)
        let_in = store.use_pairing(SECRET, SESSION, "")
        assert let_in is not None
        assert let_in.name == "bench phone"
        assert store.revoke_all_pairings() == 1
        assert store.pairing_of_session(SESSION) is None
        assert store.revoke_all_pairings() == 0
        with pytest.raises(UnknownRecordError):
            store.revoke_pairing(99)

    def test_when_it_was_seen_is_noted_to_the_minute(self, store: Store, clock: Clock) -> None:
        invited(store, clock)
        let_in = store.use_pairing(SECRET, SESSION, "")
        assert let_in is not None
        soon = store.pairing_of_session(SESSION)
        assert soon is not None
        assert soon.last_seen_at == let_in.last_seen_at
        clock.pass_days(1)
        later = store.pairing_of_session(SESSION)
        assert later is not None
        assert later.last_seen_at is not None
        assert later.last_seen_at > clock.now - dt.timedelta(minutes=1)

    @pytest.mark.parametrize(
        ("secret", "hours", "where"),
        [
            ("short", 1, "secret_sha256"),
            ("Z" * 64, 1, "secret_sha256"),
            (SECRET, -1, "expires_at"),
            (SECRET, 900, "expires_at"),
        ],
    )
    def test_nonsense_is_refused(self, secret: str, hours: float, where: str, store: Store, clock: Clock) -> None:
        with pytest.raises(InputError) as caught:
            store.add_pairing("phone", secret, clock.now + dt.timedelta(hours=hours))
        assert [fault.where for fault in caught.value.faults] == [where]

    def test_a_secret_and_a_session_are_of_one_phone(self, store: Store, clock: Clock) -> None:
        invited(store, clock)
        with pytest.raises(InputError, match="used before"):
            invited(store, clock)
        assert store.use_pairing(SECRET, SESSION, "")
        invited(store, clock, "6" * 64)
        with pytest.raises(InputError, match="another phone"):
            store.use_pairing("6" * 64, SESSION, "")


class TestOnce:
    def test_the_same_key_gets_the_same_answer_and_does_nothing(self, bench: Bench) -> None:
        def work() -> str:
            one = bench.store.add_reading(bench.job, {"kind": "gas", "value": 0.1, "unit": "uA"}, by=bench.odo)
            return json.dumps({"reading": one.id})

        first = bench.store.once("key-0001", "reading", work)
        again = bench.store.once("key-0001", "reading", work)
        assert (first[1], again[1]) == (True, False)
        assert first[0] == again[0]
        assert len(bench.store.job(bench.job).readings) == 1
        with pytest.raises(ConflictError, match="something else"):
            bench.store.once("key-0001", "photo", work)

    def test_what_went_wrong_is_done_anew(self, bench: Bench) -> None:
        def wrong() -> str:
            bench.store.add_reading(bench.job, {"kind": "gas", "value": 0.1, "unit": "uA"})
            bench.store.add_reading(bench.job, {"kind": "gas", "value": -1.0, "unit": "uA"})
            return "{}"

        with pytest.raises(InputError):
            bench.store.once("key-0001", "reading", wrong)
        assert bench.store.job(bench.job).readings == ()
        assert bench.store.once("key-0001", "reading", lambda: '"done"') == ('"done"', True)

    @pytest.mark.parametrize("key", ["", "short", "x" * 121, "with a blank", "wíth-accents"])
    def test_what_is_no_key_is_refused(self, key: str, store: Store) -> None:
        with pytest.raises(InputError):
            store.once(key, "reading", lambda: "{}")

    def test_of_many_at_once_one_does_it(self, bench: Bench) -> None:
        where = bench.store.database.url.render_as_string(hide_password=False)
        answers: list[tuple[str, bool]] = []
        faults: list[BaseException] = []

        def send(mine: Store) -> None:
            def work() -> str:
                one = mine.add_reading(bench.job, {"kind": "gas", "value": 0.1, "unit": "uA"})
                return json.dumps(one.id)

            try:
                answers.append(mine.once("key-0001", "reading", work))
            except BaseException as error:  # noqa: BLE001 - handed to the test
                faults.append(error)

        with Store(where) as second, Store(where) as third:
            threads = [
                threading.Thread(target=send, args=(mine,))
                for mine in (bench.store, bench.store, second, second, third, third)
            ]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
        assert faults == []
        assert sorted(fresh for _, fresh in answers) == [False] * 5 + [True]
        assert len({answer for answer, _ in answers}) == 1
        assert len(bench.store.job(bench.job).readings) == 1

    def test_old_answers_are_forgotten(self, store: Store, clock: Clock) -> None:
        store.once("key-0001", "reading", lambda: "1")
        clock.pass_days(30)
        store.once("key-0002", "reading", lambda: "2")
        assert store.forget_sent(clock.now - dt.timedelta(days=1)) == 1
        assert store.once("key-0002", "reading", lambda: "3") == ("2", False)
        assert store.once("key-0001", "reading", lambda: "4") == ("4", True)


def begun(bench: Bench, key: str = "photo-0001", sha256: str | None = WHOLE) -> UploadRecord:
    return bench.store.begin_upload(key, bench.job, "IMG_1.jpg", len(PHOTO), sha256)


class TestUploads:
    def test_a_file_arrives_in_pieces(self, bench: Bench) -> None:
        upload = begun(bench)
        for start in range(0, len(PHOTO), 4000):
            upload = bench.store.take_chunk(upload.id, start, PHOTO[start : start + 4000])
            assert begun(bench) == upload == bench.store.upload_by_key("photo-0001")
        assert bench.store.finish_upload(upload.id) == PHOTO
        assert bench.store.finish_upload(upload.id) == PHOTO
        photo = bench.store.add_photo(bench.job, PHOTO, media_type="image/jpeg", file_name="IMG_1.jpg")
        done = bench.store.close_upload(upload.id, photo.id)
        assert (done.state, done.photo_id) == ("done", photo.id)
        assert bench.store.close_upload(upload.id, None) == done == begun(bench)
        with pytest.raises(InputError, match="is here already"):
            bench.store.finish_upload(upload.id)

    def test_a_piece_in_the_wrong_place_is_told_the_right_one(self, bench: Bench) -> None:
        upload = begun(bench)
        bench.store.take_chunk(upload.id, 0, PHOTO[:1000])
        for offset in (0, 999, 1001, -1, 5000):
            with pytest.raises(WrongOffsetError, match="from byte 1000") as caught:
                bench.store.take_chunk(upload.id, offset, PHOTO[:10])
            assert caught.value.received == 1000
        with pytest.raises(WrongOffsetError, match="only 1000 of"):
            bench.store.finish_upload(upload.id)

    def test_a_file_that_was_damaged_begins_anew(self, bench: Bench) -> None:
        upload = begun(bench)
        bench.store.take_chunk(upload.id, 0, PHOTO[:-1] + b"!")
        with pytest.raises(WrongOffsetError, match="damaged"):
            bench.store.finish_upload(upload.id)
        assert begun(bench).received == 0
        bench.store.take_chunk(upload.id, 0, PHOTO)
        assert bench.store.finish_upload(upload.id) == PHOTO

    @pytest.mark.parametrize("data", [b"", PHOTO + b"!"])
    def test_a_piece_that_does_not_fit_is_refused(self, data: bytes, bench: Bench) -> None:
        upload = begun(bench)
        with pytest.raises(InputError):
            bench.store.take_chunk(upload.id, 0, data)
        assert begun(bench).received == 0

    @pytest.mark.parametrize("size", [0, -1, 2**40, True])
    def test_a_size_that_can_not_be_is_refused(self, size: int, bench: Bench) -> None:
        with pytest.raises(InputError, match="size"):
            bench.store.begin_upload("photo-0001", bench.job, "a.jpg", size)

    def test_a_key_is_of_one_file(self, bench: Bench) -> None:
        begun(bench)
        with pytest.raises(ConflictError, match="another file"):
            bench.store.begin_upload("photo-0001", bench.job, "IMG_1.jpg", 5)
        with pytest.raises(UnknownRecordError):
            bench.store.begin_upload("photo-0002", 99, "IMG_1.jpg", 5)

    def test_what_nobody_goes_on_with_is_dropped_and_can_begin_anew(self, bench: Bench, clock: Clock) -> None:
        upload = begun(bench)
        bench.store.take_chunk(upload.id, 0, PHOTO[:1000])
        clock.pass_days(8)
        other = begun(bench, "photo-0002")
        assert bench.store.drop_stale_uploads(clock.now - dt.timedelta(days=7)) == 1
        with pytest.raises(InputError, match="given up"):
            bench.store.take_chunk(upload.id, 1000, PHOTO[1000:])
        again = begun(bench)
        assert (again.id, again.state, again.received) == (upload.id, "open", 0)
        bench.store.take_chunk(again.id, 0, PHOTO)
        assert bench.store.finish_upload(again.id) == PHOTO
        assert begun(bench, "photo-0002") == other
