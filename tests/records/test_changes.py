"""What was changed is told, taken back, and done at one go or not at all."""

from __future__ import annotations

import pytest
from sqlalchemy import delete, update
from sqlalchemy.exc import DBAPIError

from records.conftest import Bench, Clock
from records.samples import RED, emission
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.records.tables import history


class TestUndo:
    def test_an_edit_is_taken_back_by_a_new_change(self, bench: Bench) -> None:
        seen = bench.store.add_reading(bench.job, RED, by=bench.mara)
        bench.store.edit_reading(seen.id, RED | {"value": 0.9}, version=1, by=bench.mara)
        bench.store.undo(by=bench.mara)
        assert bench.store.reading(seen.id).reading.value == 0.33
        kept = [entry.action for entry in bench.store.history(job_id=bench.job, size=3)]
        assert kept == ["update", "update", "insert"]
        assert bench.store.history(size=1)[0].undoes is not None

    def test_a_removed_reading_comes_back_as_it_was(self, bench: Bench) -> None:
        seen = bench.store.add_reading(bench.job, RED, by=bench.mara)
        bench.store.remove_reading(seen.id, version=1, by=bench.mara)
        bench.store.undo(by=bench.mara)
        back = bench.store.reading(seen.id)
        assert (back.uid, back.reading, back.taken_at, back.person) == (seen.uid, seen.reading, seen.taken_at, "Mara")

    def test_it_goes_back_step_by_step_through_one_persons_changes(self, bench: Bench) -> None:
        first = bench.store.add_reading(bench.job, RED, by=bench.odo)
        bench.store.add_reading(bench.job, RED | {"gun": "blue"}, by=bench.mara)
        bench.store.edit_reading(first.id, RED | {"value": 0.5}, version=1, by=bench.odo)
        bench.store.undo(by=bench.odo)
        bench.store.undo(by=bench.odo)
        assert [one.reading.gun for one in bench.store.job(bench.job).readings] == ["blue"]
        with pytest.raises(UnknownRecordError):
            bench.store.undo(by=bench.odo)

    def test_rows_changed_together_go_back_together(self, bench: Bench) -> None:
        other = bench.store.add_tube({"label": "spare"}).id
        bench.store.fit_tube(bench.display, other, by=bench.odo)
        assert bench.store.job(bench.job).job.tube_id == other
        bench.store.undo(by=bench.odo)
        assert bench.store.display(bench.display).tube_id == bench.tube
        assert bench.store.job(bench.job).job.tube_id == bench.tube
        assert bench.store.tube(other).display_id is None

    def test_an_undo_can_be_undone(self, bench: Bench) -> None:
        bench.store.add_reading(bench.job, RED, by=bench.odo)
        bench.store.undo(by=bench.odo)
        bench.store.undo(history_id=bench.store.history(size=1)[0].id)
        assert len(bench.store.job(bench.job).readings) == 1

    def test_what_was_changed_again_is_not_run_over(self, bench: Bench) -> None:
        seen = bench.store.add_reading(bench.job, RED, by=bench.mara)
        entry = bench.store.history(size=1)[0].id
        bench.store.edit_reading(seen.id, RED | {"value": 0.5}, version=1, by=bench.odo)
        with pytest.raises(ConflictError, match="Odo"):
            bench.store.undo(history_id=entry, by=bench.mara)
        assert bench.store.reading(seen.id).reading.value == 0.5

    def test_what_others_hang_on_stays(self, bench: Bench) -> None:
        entry = next(one for one in bench.store.history(size=50) if one.table == "jobs").id
        bench.store.add_reading(bench.job, RED)
        with pytest.raises(ConflictError, match="hang on"):
            bench.store.undo(history_id=entry)
        assert bench.store.job(bench.job).readings

    def test_an_import_goes_back_as_one(self, bench: Bench) -> None:
        bench.store.import_readings([(bench.job, emission("red", 0.5))] * 20, by=bench.odo)
        bench.store.undo(by=bench.odo)
        assert bench.store.job(bench.job).readings == ()


class TestHistory:
    @pytest.mark.parametrize("change", [update(history).values(action="none"), delete(history)])
    def test_the_database_itself_refuses_to_rewrite_it(self, bench: Bench, change: object) -> None:
        with pytest.raises(DBAPIError, match="only grows"):
            bench.store.database.write(lambda conn: conn.execute(change))  # type: ignore[call-overload]  # two kinds of statement
        assert bench.store.history()

    def test_it_says_who_when_and_what(self, bench: Bench, clock: Clock) -> None:
        seen = bench.store.add_reading(bench.job, RED, by=bench.mara)
        bench.store.edit_reading(seen.id, RED | {"value": 0.5}, version=1, by=bench.odo)
        entry = bench.store.history(job_id=bench.job, size=1)[0]
        assert (entry.person, entry.at, entry.table, entry.row_id) == ("Odo", clock.now, "readings", seen.id)
        assert entry.before is not None
        assert entry.after is not None
        assert (entry.before["value"], entry.after["value"]) == (0.33, 0.5)

    def test_an_unknown_person_writes_nothing(self, bench: Bench) -> None:
        with pytest.raises(UnknownRecordError, match="person"):
            bench.store.add_reading(bench.job, RED, by=777)

    def test_an_edit_that_changes_nothing_leaves_no_trace(self, bench: Bench) -> None:
        seen = bench.store.add_reading(bench.job, RED)
        count = len(bench.store.history(size=500))
        assert bench.store.edit_reading(seen.id, RED, version=1).version == 1
        assert len(bench.store.history(size=500)) == count


class TestTogether:
    def test_all_calls_are_kept_or_none(self, bench: Bench) -> None:
        with pytest.raises(InputError), bench.store.together():  # noqa: PT012 - the first call is the point
            bench.store.add_reading(bench.job, RED)
            bench.store.add_reading(bench.job, RED | {"value": -1.0})
        assert bench.store.job(bench.job).readings == ()
        with bench.store.together():
            bench.store.add_reading(bench.job, RED)
            bench.store.add_reading(bench.job, RED)
            assert len(bench.store.job(bench.job).readings) == 2
        assert len(bench.store.job(bench.job).readings) == 2

    def test_what_one_person_did_at_one_go_is_taken_back_as_one(self, bench: Bench) -> None:
        bench.store.add_reading(bench.job, RED, by=bench.odo)
        with bench.store.together():
            for name in ("dim", "no_red", "slow_warm_up"):
                bench.store.add_symptom(bench.job, {"id": name, "present": True}, by=bench.odo)
        newest = bench.store.history(size=4)
        assert len({entry.change for entry in newest[:3]}) == 1
        assert newest[3].change != newest[0].change
        assert len(bench.store.undo(by=bench.odo)) == 3
        assert bench.store.job(bench.job).observations == ()
        assert len(bench.store.job(bench.job).readings) == 1

    def test_any_of_its_parts_names_the_whole(self, bench: Bench) -> None:
        with bench.store.together():
            for name in ("dim", "no_red"):
                bench.store.add_symptom(bench.job, {"id": name, "present": True}, by=bench.odo)
        oldest = bench.store.history(size=2)[-1]
        bench.store.undo(history_id=oldest.id)
        assert bench.store.job(bench.job).observations == ()
        bench.store.undo(history_id=bench.store.history(size=1)[0].id)
        assert len(bench.store.job(bench.job).observations) == 2

    def test_a_display_its_tube_and_its_job_go_back_at_one_go(self, bench: Bench) -> None:
        before = len(bench.store.board().rows)
        with bench.store.together():
            display = bench.store.add_display({"label": "Tide Table"}, by=bench.odo).id
            tube = bench.store.add_tube({"label": "A34QZV"}, by=bench.odo).id
            bench.store.fit_tube(display, tube, by=bench.odo)
            bench.store.open_job(display, owner_words="dark", by=bench.odo)
        assert len(bench.store.board().rows) == before + 1
        bench.store.undo(by=bench.odo)
        assert len(bench.store.board().rows) == before
        assert bench.store.displays("tide").rows == ()
        assert bench.store.tubes("A34QZV").rows == ()
        bench.store.undo(history_id=bench.store.history(size=1)[0].id)
        (back,) = bench.store.board("tide").rows
        assert (back.tube_id, back.tube_label) == (tube, "A34QZV")

    def test_one_part_that_others_hang_on_keeps_the_whole(self, bench: Bench) -> None:
        with bench.store.together():
            display = bench.store.add_display({"label": "Tide Table"}, by=bench.odo).id
            job = bench.store.open_job(display, by=bench.odo).id
        bench.store.add_reading(job, RED, by=bench.mara)
        with pytest.raises(ConflictError):
            bench.store.undo(by=bench.odo)
        assert bench.store.job(job).display.id == display

    def test_two_people_in_one_transaction_keep_their_own(self, bench: Bench) -> None:
        with bench.store.together():
            bench.store.add_symptom(bench.job, {"id": "dim", "present": True}, by=bench.odo)
            bench.store.add_symptom(bench.job, {"id": "no_red", "present": True}, by=bench.mara)
            bench.store.undo(by=bench.odo)
        (left,) = bench.store.job(bench.job).observations
        assert left.person == "Mara"
        bench.store.undo(by=bench.mara)
        assert bench.store.job(bench.job).observations == ()

    def test_a_bare_transaction_leaves_each_call_a_change_of_its_own(self, bench: Bench) -> None:
        with bench.store.transaction():
            bench.store.add_reading(bench.job, RED, by=bench.odo)
            bench.store.add_reading(bench.job, RED, by=bench.odo)
        bench.store.undo(by=bench.odo)
        assert len(bench.store.job(bench.job).readings) == 1

    def test_after_one_that_failed_the_next_has_a_mark_of_its_own(self, bench: Bench) -> None:
        with pytest.raises(InputError), bench.store.together():  # noqa: PT012 - the first call is the point
            bench.store.add_reading(bench.job, RED, by=bench.odo)
            bench.store.add_reading(bench.job, RED | {"value": -1.0}, by=bench.odo)
        for _ in range(2):
            bench.store.add_reading(bench.job, RED, by=bench.odo)
        assert len({entry.change for entry in bench.store.history(size=2)}) == 2
