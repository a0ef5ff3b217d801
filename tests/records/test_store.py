"""The store keeps what it is given, in either database."""

from __future__ import annotations

import datetime as dt
import json

import pytest
from sqlalchemy import insert, select, update
from sqlalchemy.exc import DBAPIError

from records.conftest import Bench, Clock
from records.samples import RED, emission
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.records.store import Store
from tubewright.records.tables import jobs, readings


class TestReadings:
    def test_what_was_written_is_read_back(self, bench: Bench) -> None:
        written = bench.store.add_reading(
            bench.job, RED | {"g2_v": 300.0, "minutes_on": 5.0, "instrument": "rig", "stage": "before"}, by=bench.odo
        )
        found = bench.store.job(bench.job).readings
        assert found == (written,)
        assert (written.reading.value, written.reading.stage, written.person) == (0.33, "before", "Odo")
        assert (written.tube_id, written.version, written.reading.at) == (bench.tube, 1, written.taken_at)

    def test_every_fault_is_named_and_nothing_written(self, bench: Bench) -> None:
        with pytest.raises(InputError) as caught:
            bench.store.add_readings(
                bench.job,
                [
                    RED,
                    RED | {"value": -1.0},
                    RED | {"value": float("nan")},
                    RED | {"unit": "V"},
                    {"kind": "emission", "value": 1.0, "unit": "rel", "colour": "red"},
                ],
            )
        places = {fault.where for fault in caught.value.faults}
        assert {"readings[1].value", "readings[2].value", "readings[3]", "readings[4].colour"} <= places
        assert bench.store.job(bench.job).readings == ()

    def test_the_second_of_two_editors_is_told_what_the_first_changed(self, bench: Bench) -> None:
        seen = bench.store.add_reading(bench.job, RED, by=bench.mara)
        bench.store.edit_reading(seen.id, RED | {"value": 0.35}, version=seen.version, by=bench.odo)
        with pytest.raises(ConflictError) as caught:
            bench.store.edit_reading(seen.id, RED | {"value": 0.30}, version=seen.version, by=bench.mara)
        (fault,) = caught.value.faults
        assert fault.where == f"reading {seen.id}: value"
        assert "Odo changed it from 0.33 to 0.35" in fault.what
        assert bench.store.reading(seen.id).reading.value == 0.35

    def test_an_edit_of_what_somebody_removed_says_so(self, bench: Bench) -> None:
        seen = bench.store.add_reading(bench.job, RED, by=bench.mara)
        bench.store.remove_reading(seen.id, version=1, by=bench.odo)
        with pytest.raises(ConflictError, match="Odo removed it"):
            bench.store.edit_reading(seen.id, RED, version=1, by=bench.mara)
        with pytest.raises(UnknownRecordError):
            bench.store.edit_reading(99_999, RED, version=1)

    def test_many_come_in_at_once_with_one_entry_in_the_history(self, bench: Bench) -> None:
        before = len(bench.store.history(size=1000))
        count = bench.store.import_readings((bench.job, emission("red", number / 5000)) for number in range(4500))
        assert count == 4500
        assert len(bench.store.job(bench.job).readings) == 4500
        assert len(bench.store.history(size=1000)) == before + 1

    def test_a_bad_one_among_many_keeps_all_out(self, bench: Bench) -> None:
        good = ((bench.job, emission("red", 0.5)) for _ in range(3000))
        with pytest.raises(UnknownRecordError):
            bench.store.import_readings([*good, (bench.job + 1, emission("red", 0.5))])
        assert bench.store.job(bench.job).readings == ()

    def test_a_time_without_zone_counts_as_utc_and_a_day_as_its_midnight(self, bench: Bench) -> None:
        naive = bench.store.add_reading(bench.job, RED | {"at": dt.datetime(2031, 2, 3, 4, 5)})  # noqa: DTZ001 - what a person may hand in
        day = bench.store.add_reading(bench.job, RED | {"at": dt.date(2031, 2, 3)})
        assert naive.taken_at == dt.datetime(2031, 2, 3, 4, 5, tzinfo=dt.UTC)
        assert day.taken_at == dt.datetime(2031, 2, 3, tzinfo=dt.UTC)


class TestShop:
    def test_a_tube_moves_between_displays_and_keeps_its_history(self, bench: Bench, clock: Clock) -> None:
        bench.store.add_reading(bench.job, RED)
        bench.store.close_job(bench.job)
        clock.pass_days(30)
        other = bench.store.add_display({"label": "Moth Harbour"}).id
        bench.store.fit_tube(other, bench.tube)
        later = bench.store.open_job(other).id
        bench.store.add_reading(later, RED | {"value": 0.2})
        found = bench.store.tube_history(bench.tube)
        assert [stay.display_label for stay in found.fittings] == ["Kelp Cavern", "Moth Harbour"]
        assert found.fittings[0].until == found.fittings[1].since
        assert [one.reading.value for one in found.readings] == [0.33, 0.2]
        assert [job.id for job in found.jobs] == [bench.job, later]
        assert bench.store.display(bench.display).tube_id is None
        assert bench.store.case_of(bench.job).tube.label == "A48QZV00X01"

    def test_a_tube_can_be_taken_out(self, bench: Bench) -> None:
        stay = bench.store.take_out_tube(bench.display)
        assert stay.until is not None
        with pytest.raises(InputError, match="no tube"):
            bench.store.take_out_tube(bench.display)
        assert bench.store.job(bench.job).tube is None

    def test_a_tube_is_not_fitted_in_the_future_nor_out_before_it_came(self, bench: Bench, clock: Clock) -> None:
        with pytest.raises(InputError, match="not come yet"):
            bench.store.take_out_tube(bench.display, at=clock.now + dt.timedelta(days=1))
        with pytest.raises(InputError, match="only fitted at"):
            bench.store.take_out_tube(bench.display, at=clock.now - dt.timedelta(days=1))

    def test_a_display_needs_a_label_and_good_figures(self, store: Store) -> None:
        for given in ({}, {"label": "  "}, {"label": "x", "diagonal_in": -3.0}, {"label": "x", "scan_khz": "15"}):
            with pytest.raises(InputError):
                store.add_display(given)
        with pytest.raises(InputError, match="characters that are no text"):
            store.add_display({"label": "x"}, owner="A\x00B")
        assert store.displays().rows == ()

    def test_the_years_unused_belong_to_a_job(self, bench: Bench) -> None:
        with pytest.raises(InputError, match="one visit"):
            bench.store.add_tube({"idle_years": 3.0})
        job = bench.store.open_job(bench.display, idle_years=3.0).id
        assert bench.store.case_of(job).tube.idle_years == 3.0

    def test_names_are_there_once(self, store: Store) -> None:
        assert store.add_person("Mara") == store.add_person(" Mara ")
        assert store.add_instrument("rig") == store.add_instrument("rig")
        assert len(store.people()) == len(store.instruments()) == 1

    def test_known_good_readings_are_kept_by_instrument(self, store: Store) -> None:
        rig, box = store.add_instrument("rig").id, store.add_instrument("box").id
        store.add_known_good(rig, value=950.0, unit="uA", cutoff_v=50.0, g2_v=300.0)
        store.add_known_good(box, value=80.0, unit="percent")
        assert [one.value for one in store.known_good(rig)] == [950.0]
        assert [one.instrument for one in store.experience().known_good] == ["rig", "box"]
        for value, unit in ((0.0, "uA"), (-1.0, "uA"), (5.0, "V")):
            with pytest.raises(InputError):
                store.add_known_good(rig, value=value, unit=unit)  # type: ignore[arg-type]  # a wrong unit on purpose


class TestJobs:
    def test_a_job_waits_while_there_is_something_to_wait_for(self, bench: Bench) -> None:
        job = bench.store.edit_job(bench.job, {"waits_for": "a socket"}, version=1)
        assert (job.state, job.waits_for) == ("waiting", "a socket")
        job = bench.store.edit_job(bench.job, {"waits_for": ""}, version=job.version)
        assert job.state == "open"

    def test_closing_and_reopening(self, bench: Bench) -> None:
        job = bench.store.close_job(bench.job, note="done", version=1)
        assert (job.state, job.closing_note, job.closed_at is not None) == ("closed", "done", True)
        with pytest.raises(InputError, match="closed already"):
            bench.store.close_job(bench.job)
        assert bench.store.reopen_job(bench.job).closed_at is None

    def test_news_that_were_not_seen_hold_a_closing_up(self, bench: Bench) -> None:
        bench.store.edit_job(bench.job, {"owner_words": "and it smells"}, version=1, by=bench.odo)
        with pytest.raises(ConflictError, match="and it smells"):
            bench.store.close_job(bench.job, version=1)

    def test_an_unknown_field_is_refused(self, bench: Bench) -> None:
        with pytest.raises(InputError, match="no such field"):
            bench.store.edit_job(bench.job, {"state": "closed"}, version=1)
        with pytest.raises(InputError) as caught:
            bench.store.edit_job(bench.job, {"use": {"hours_per_week": 200.0}}, version=1)
        assert caught.value.faults[0].where == "use.hours_per_week"

    def test_a_verdict_is_kept_to_be_replayed(self, bench: Bench) -> None:
        document = json.dumps({"format": 1})
        written = bench.store.save_verdict(
            bench.job,
            case_json=document,
            answer_json=document,
            model_version="1",
            seed=2**80,
            decision="soak",
            headline="Soak red.",
        )
        page = bench.store.job(bench.job)
        assert page.verdicts == (written,)
        assert (written.seed, written.case_json) == (2**80, document)
        assert (page.job.decision, page.job.headline) == ("soak", "Soak red.")
        bench.store.undo()
        assert bench.store.job(bench.job).job.decision == ""
        with pytest.raises(InputError, match="no JSON"):
            bench.store.save_verdict(
                bench.job, case_json="{", answer_json="{}", model_version="1", seed=1, decision="x", headline=""
            )


class TestBoard:
    def fill(self, store: Store, count: int) -> None:
        for number in range(count):
            display = store.add_display({"label": f"Lantern {number}"}, owner="Éva Szöllősi", place="Pier hall").id
            store.open_job(display, owner_words="dark", waits_for="a part" if number % 2 else "")

    def test_it_pages_through_everything_once(self, store: Store) -> None:
        self.fill(store, 7)
        seen: list[str] = []
        page = None
        while True:
            found = store.board(page=page, size=3)
            seen += [row.display_label for row in found.rows]
            page = found.next_page
            if page is None:
                break
        assert seen == [f"Lantern {number}" for number in reversed(range(7))]

    def test_states_are_told_apart(self, bench: Bench) -> None:
        self.fill(bench.store, 4)
        bench.store.close_job(bench.job)
        assert bench.store.counts() == {"open": 2, "waiting": 2, "closed": 1}
        assert bench.store.counts(at_most=1) == {"open": 1, "waiting": 1, "closed": 1}
        assert len(bench.store.board().rows) == 4
        assert [row.job_id for row in bench.store.board(state="closed").rows] == [bench.job]
        assert {row.state for row in bench.store.board(state="waiting").rows} == {"waiting"}

    @pytest.mark.parametrize(
        "search", ["kelp", "KELP cav", "ana", "a48qz", "pier dim", "cavern a48qzv00x01", "Kelp-Cavern"]
    )
    def test_words_and_their_beginnings_find_it(self, bench: Bench, search: str) -> None:
        self.fill(bench.store, 3)
        assert [row.job_id for row in bench.store.board(search).rows] == [bench.job]

    def test_accents_don_t_matter_and_what_is_not_there_is_not_found(self, bench: Bench) -> None:
        self.fill(bench.store, 3)
        assert len(bench.store.board("eva szollosi").rows) == 3
        assert bench.store.board("kelp lantern").rows == ()
        assert bench.store.board("elp").rows == ()
        assert len(bench.store.board(" .,% ").rows) == 4

    def test_a_changed_label_is_found_under_its_new_name_only(self, bench: Bench) -> None:
        bench.store.edit_display(bench.display, {"label": "Saltpan"}, version=1)
        assert bench.store.board("kelp").rows == ()
        assert [row.display_label for row in bench.store.board("saltp").rows] == ["Saltpan"]
        assert [one.id for one in bench.store.displays("saltp").rows] == [bench.display]
        assert [one.id for one in bench.store.tubes("a48").rows] == [bench.tube]

    def test_common_and_rare_words_find_the_same(self, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
        self.fill(store, 12)
        rare = [row.job_id for row in store.board("lantern pier", size=5).rows]
        monkeypatch.setattr("tubewright.records.board.RARE", 3)
        assert [row.job_id for row in store.board("lantern pier", size=5).rows] == rare
        assert len(store.board("lantern", state="waiting").rows) == 6

    @pytest.mark.parametrize("page", ["x", "~", "2031-01-01~1", "2031-01-01T00:00:00+00:00~x", "~1", "9" * 40])
    def test_a_page_that_is_none_is_refused(self, store: Store, page: str) -> None:
        with pytest.raises(InputError):
            store.board(page=page)
        if not page.isdigit() or len(page) > 18:
            with pytest.raises(InputError):
                store.displays(page=page)

    def test_a_job_page_asks_few_questions(self, bench: Bench) -> None:
        from sqlalchemy import event

        bench.store.add_readings(bench.job, [RED] * 30)
        asked: list[str] = []
        event.listen(bench.store.database.engine, "before_cursor_execute", lambda *call: asked.append(call[2]))
        bench.store.job(bench.job)
        assert sum(statement.lstrip().startswith("SELECT") for statement in asked) == 15


class TestDatabase:
    def test_foreign_keys_hold(self, store: Store) -> None:
        with pytest.raises(DBAPIError):
            store.database.write(
                lambda conn: conn.execute(
                    insert(readings).values(
                        uid="x", version=1, job_id=9, taken_at=store.clock(), kind="gas", value=1, unit="uA"
                    )
                )
            )

    def test_a_time_without_its_zone_is_refused(self, bench: Bench) -> None:
        with pytest.raises(Exception, match="without its zone"):
            bench.store.database.write(
                lambda conn: conn.execute(update(jobs).values(opened_at=dt.datetime(2031, 1, 1)))  # noqa: DTZ001 - on purpose
            )
        with bench.store.database.read() as conn:
            assert conn.execute(select(jobs.c.opened_at)).scalar_one().tzinfo is dt.UTC
