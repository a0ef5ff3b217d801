"""Moves of controls and what else a treatment tells: kept, corrected, taken back, and checked."""

from __future__ import annotations

import pytest

from records.conftest import Bench
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.records.model import MeasurementRecord
from tubewright.records.moves import MoveInput

PURITY = {"control": "purity_rings", "tabs_mm": 4.0, "angle_deg": 30.0, "unit": "mm"}


def measured(bench: Bench, job: int | None = None) -> MeasurementRecord:
    return bench.store.save_measurement(
        job or bench.job,
        photo_shas=["0" * 64],
        settings_json="{}",
        answer_json="{}",
        accepted=True,
        model_version="1",
        headline="0.8 mm at the left edge",
    )


class TestTreatments:
    def test_how_long_it_lasted_and_what_was_seen_are_kept(self, bench: Bench) -> None:
        written = bench.store.add_treatment(
            bench.job,
            {"kind": "clean", "gun": "red"},
            note="second try",
            minutes=4.5,
            seen="current rose, then stood",
            plan_step="red-2",
            by=bench.odo,
        )
        assert (written.minutes, written.seen, written.plan_step) == (4.5, "current rose, then stood", "red-2")
        assert bench.store.job(bench.job).treatments == (written,)
        edited = bench.store.edit_treatment(
            written.id, {"kind": "clean", "gun": "red", "outcome": "improved"}, version=written.version, minutes=5.0
        )
        assert (edited.minutes, edited.seen, edited.note, edited.plan_step) == (
            5.0,
            written.seen,
            "second try",
            "red-2",
        )
        bench.store.undo()
        assert bench.store.job(bench.job).treatments[0].minutes == 4.5

    @pytest.mark.parametrize("minutes", [-1.0, float("nan"), float("inf"), 1e9])
    def test_no_treatment_lasts_so_long(self, minutes: float, bench: Bench) -> None:
        with pytest.raises(InputError, match="minutes"):
            bench.store.add_treatment(bench.job, {"kind": "clean"}, minutes=minutes)
        assert bench.store.job(bench.job).treatments == ()

    def test_a_move_of_a_control_is_confirmed_like_another_step(self, bench: Bench) -> None:
        (kept,) = bench.store.confirm(bench.job, "control", "purity_rings", cautions={"implosion": "Goggles."})
        assert (kept.step_sort, kept.step) == ("control", "purity_rings")


class TestMoves:
    def test_what_was_written_is_read_back(self, bench: Bench) -> None:
        measurement = measured(bench)
        written = bench.store.add_move(
            bench.job, PURITY | {"after_measurement_id": measurement.id, "note": "stiff"}, by=bench.odo
        )
        assert (written.control, written.tabs_mm, written.angle_deg, written.unit) == ("purity_rings", 4.0, 30.0, "mm")
        assert (written.after_measurement_id, written.note, written.person) == (measurement.id, "stiff", "Odo")
        assert (written.undone, written.wrong_way, written.at_stop, written.amount) == (False, False, False, None)
        second = bench.store.add_move(
            bench.job, MoveInput(control="tilt", amount=-1.5, unit="turns", direction="up", at_stop=True)
        )
        assert bench.store.moves(bench.job) == (written, second) == bench.store.job(bench.job).moves

    def test_one_is_corrected_by_whoever_saw_it_last(self, bench: Bench) -> None:
        seen = bench.store.add_move(bench.job, PURITY)
        edited = bench.store.edit_move(seen.id, {"undone": True, "wrong_way": True}, version=seen.version)
        assert (edited.undone, edited.wrong_way, edited.tabs_mm, edited.at) == (True, True, 4.0, seen.at)
        with pytest.raises(ConflictError, match="changed it from False to True"):
            bench.store.edit_move(seen.id, {"at_stop": True}, version=seen.version)
        bench.store.undo()
        assert not bench.store.moves(bench.job)[0].undone
        bench.store.remove_move(seen.id, version=bench.store.moves(bench.job)[0].version)
        assert bench.store.moves(bench.job) == ()
        bench.store.undo()
        assert bench.store.moves(bench.job)[0].control == "purity_rings"

    def test_the_moves_of_a_display_come_from_all_its_jobs(self, bench: Bench) -> None:
        first = bench.store.add_move(bench.job, PURITY)
        bench.store.close_job(bench.job)
        later = bench.store.open_job(bench.display).id
        second = bench.store.add_move(later, PURITY)
        other = bench.store.open_job(bench.store.add_display({"label": "Moth Harbour"}).id).id
        bench.store.add_move(other, PURITY)
        assert bench.store.moves_of_display(bench.display) == ((bench.job, first), (later, second))

    def test_moves_after_a_measurement_that_is_struck_out_follow_the_one_before(self, bench: Bench) -> None:
        first, second = measured(bench), measured(bench)
        move = bench.store.add_move(bench.job, PURITY | {"after_measurement_id": second.id})
        bench.store.remove_measurement(second.id, version=second.version)
        assert bench.store.moves(bench.job)[0].after_measurement_id == first.id
        bench.store.remove_measurement(first.id, version=first.version)
        assert bench.store.moves(bench.job)[0].after_measurement_id is None
        bench.store.undo()
        bench.store.undo()
        assert bench.store.moves(bench.job)[0].after_measurement_id == second.id
        assert bench.store.moves(bench.job)[0].id == move.id
        assert [one.id for one in bench.store.job(bench.job).measurements] == [first.id, second.id]

    @pytest.mark.parametrize(
        ("wrong", "where"),
        [
            ({"control": "Purity rings"}, "control"),
            ({"control": ""}, "control"),
            ({"unit": "furlongs"}, "unit"),
            ({"amount": float("nan")}, "amount"),
            ({"amount": 1e9}, "amount"),
            ({"tabs_mm": -1.0}, "tabs_mm"),
            ({"tabs_mm": 900.0}, "tabs_mm"),
            ({"angle_deg": float("inf")}, "angle_deg"),
            ({"direction": "x" * 41}, "direction"),
            ({"undone": "yes"}, "undone"),
            ({"after_measurement_id": 99}, "after_measurement_id"),
            ({"note": "x" * 4001}, "note"),
            ({"mood": "blue"}, "mood"),
        ],
    )
    def test_nonsense_is_refused(self, wrong: dict[str, object], where: str, bench: Bench) -> None:
        with pytest.raises(InputError) as caught:
            bench.store.add_move(bench.job, PURITY | wrong)
        assert [fault.where for fault in caught.value.faults] == [where]
        seen = bench.store.add_move(bench.job, PURITY)
        with pytest.raises(InputError):
            bench.store.edit_move(seen.id, wrong, version=seen.version)
        assert bench.store.moves(bench.job) == (seen,)

    def test_a_measurement_of_another_job_is_none_of_ours(self, bench: Bench) -> None:
        other = bench.store.open_job(bench.display).id
        theirs = measured(bench, other)
        with pytest.raises(InputError, match="not one of this job"):
            bench.store.add_move(bench.job, PURITY | {"after_measurement_id": theirs.id})

    def test_what_is_not_there_is_said_so(self, bench: Bench) -> None:
        for ask in (
            lambda: bench.store.add_move(99, PURITY),
            lambda: bench.store.moves(99),
            lambda: bench.store.moves_of_display(99),
            lambda: bench.store.edit_move(99, {"undone": True}, version=1),
        ):
            with pytest.raises(UnknownRecordError):
                ask()
