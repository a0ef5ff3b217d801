"""Faults found, mended and ruled out, what was confirmed before a step, and what that teaches."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Final, cast

import pytest

from records.conftest import Bench, Clock
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.experience import MendedJob
from tubewright.records.exchange import export_job, export_shop, import_document
from tubewright.records.model import StepSort
from tubewright.records.store import Store, open_store

AGED = {"fault": "afc_filter_aged", "outcome": "found"}
NOW: Final = dt.datetime(2031, 6, 1, 12, 0, tzinfo=dt.UTC)
AGREED = {"anode_charge": "Anode drained.", "primary_reservoir": "Under 10 V."}


class TestRepairs:
    def test_what_was_written_is_read_back(self, bench: Bench) -> None:
        written = bench.store.add_repair(bench.job, AGED, minutes=25.0, note="0.47 µF was 0.1", by=bench.odo)
        assert bench.store.job(bench.job).repairs == (written,)
        assert (written.repair.fault, written.repair.outcome, written.minutes) == ("afc_filter_aged", "found", 25.0)
        assert (written.note, written.person, written.repair.at) == ("0.47 µF was 0.1", "Odo", written.at)

    def test_one_is_corrected_by_whoever_saw_it_last(self, bench: Bench) -> None:
        seen = bench.store.add_repair(bench.job, AGED, minutes=25.0, note="by ear")
        mended = bench.store.edit_repair(seen.id, AGED | {"outcome": "mended"}, version=seen.version, minutes=40.0)
        assert (mended.repair.outcome, mended.minutes, mended.note, mended.at) == ("mended", 40.0, "by ear", seen.at)
        with pytest.raises(ConflictError, match="changed it from 'found' to 'mended'"):
            bench.store.edit_repair(seen.id, AGED, version=seen.version)
        bench.store.remove_repair(mended.id, version=mended.version)
        assert bench.store.job(bench.job).repairs == ()
        bench.store.undo()
        bench.store.undo()
        assert bench.store.job(bench.job).repairs[0].repair.outcome == "found"

    @pytest.mark.parametrize(
        ("repair", "minutes", "where"),
        [
            (AGED | {"outcome": "guessed"}, None, "outcome"),
            (AGED | {"fault": "AFC filter"}, None, "fault"),
            ({"outcome": "found"}, None, "fault"),
            (AGED, -1.0, "minutes"),
            (AGED, float("nan"), "minutes"),
            (AGED, float("inf"), "minutes"),
        ],
    )
    def test_nonsense_is_refused(self, repair: dict[str, str], minutes: float | None, where: str, bench: Bench) -> None:
        with pytest.raises(InputError) as caught:
            bench.store.add_repair(bench.job, repair, minutes=minutes)
        assert [fault.where for fault in caught.value.faults] == [where]
        assert bench.store.job(bench.job).repairs == ()

    def test_a_job_that_is_not_there_takes_none(self, bench: Bench) -> None:
        with pytest.raises(UnknownRecordError):
            bench.store.add_repair(99, AGED)
        with pytest.raises(UnknownRecordError):
            bench.store.confirm(99, "test", "d_bplus", cautions=AGREED)
        with pytest.raises(UnknownRecordError):
            bench.store.confirmations(99)

    def test_the_case_holds_the_chassis_and_the_last_word_on_each_fault(self, bench: Bench) -> None:
        store = bench.store
        store.edit_display(
            bench.display, {"label": "Kelp Cavern", "chassis": "hull_19"}, version=store.display(bench.display).version
        )
        store.add_repair(bench.job, {"fault": "source_fault_only", "outcome": "excluded"})
        store.add_repair(bench.job, AGED)
        store.add_repair(bench.job, AGED | {"outcome": "mended"})
        found = store.case_of(bench.job)
        assert found.display.chassis == "hull_19"
        assert [(one.fault, one.outcome) for one in found.repairs] == [
            ("source_fault_only", "excluded"),
            ("afc_filter_aged", "mended"),
        ]

    def test_the_board_finds_a_job_by_its_fault_and_its_chassis(self, bench: Bench) -> None:
        store = bench.store
        repair = store.add_repair(bench.job, AGED, note="swapped the bead capacitor")
        store.add_repair(bench.job, {"fault": "yoke_slipped", "outcome": "excluded"})
        seen = store.display(bench.display)
        store.edit_display(bench.display, {"label": "Kelp Cavern", "chassis": "hull_19"}, version=seen.version)
        for words in ("afc filter", "afc_filter_aged", "bead", "hull_19", "hull 19"):
            assert [row.job_id for row in store.board(words).rows] == [bench.job], words
        assert store.board("yoke").rows == ()
        assert [row.id for row in store.displays("hull").rows] == [bench.display]
        store.remove_repair(repair.id, version=repair.version)
        assert store.board("afc").rows == ()


class TestConfirmations:
    def test_who_confirmed_what_and_when_is_kept(self, bench: Bench, clock: Clock) -> None:
        given = bench.store.confirm(bench.job, "test", "d_bplus", cautions=AGREED, by=bench.mara)
        clock.pass_days(1)
        bench.store.confirm(bench.job, "repair", "afc_filter_aged", cautions={"implosion": "Goggles."}, by=bench.odo)
        kept = bench.store.confirmations(bench.job)
        assert kept[:2] == given
        assert kept == bench.store.job(bench.job).confirmations
        assert [(one.step_sort, one.step, one.caution, one.words, one.person) for one in kept] == [
            ("test", "d_bplus", "anode_charge", "Anode drained.", "Mara"),
            ("test", "d_bplus", "primary_reservoir", "Under 10 V.", "Mara"),
            ("repair", "afc_filter_aged", "implosion", "Goggles.", "Odo"),
        ]
        assert kept[0].at == kept[1].at < kept[2].at

    def test_nothing_edits_them(self) -> None:
        methods = {name for name in dir(Store) if "confirm" in name and not name.startswith("_")}
        assert methods == {"confirm", "confirmations"}

    def test_one_taken_back_is_gone_and_stays_in_the_history(self, bench: Bench) -> None:
        bench.store.confirm(bench.job, "test", "d_bplus", cautions=AGREED, by=bench.mara)
        bench.store.undo(by=bench.mara)
        assert bench.store.confirmations(bench.job) == ()
        kept = [one for one in bench.store.history(job_id=bench.job) if one.table == "confirmations"]
        assert [(one.action, one.person) for one in kept] == [("delete", "Mara")] * 2 + [("insert", "Mara")] * 2

    @pytest.mark.parametrize(
        ("sort", "step", "cautions", "where"),
        [
            ("test", "d_bplus", {}, "cautions"),
            ("test", "d_bplus", {"anode_charge": "  "}, "cautions.anode_charge"),
            ("test", "d_bplus", {"Anode!": "Drained."}, "caution"),
            ("test", "Measure B+", AGREED, "step"),
            (cast("StepSort", "dance"), "d_bplus", AGREED, "step_sort"),
        ],
    )
    def test_nonsense_is_refused(
        self, sort: StepSort, step: str, cautions: dict[str, str], where: str, bench: Bench
    ) -> None:
        with pytest.raises(InputError) as caught:
            bench.store.confirm(bench.job, sort, step, cautions=cautions)
        assert where in {fault.where for fault in caught.value.faults}
        assert bench.store.confirmations(bench.job) == ()


class TestExperience:
    def test_a_closed_job_teaches_which_fault_showed_what(self, bench: Bench, clock: Clock) -> None:
        store = bench.store
        store.add_symptom(bench.job, {"id": "top_curl"})
        store.add_symptom(bench.job, {"id": "no_colour"})
        store.add_symptom(bench.job, {"id": "no_colour", "present": False})
        store.add_test(bench.job, {"id": "d_bplus", "value": 107.0, "unit": "V", "nominal": 120.0})
        store.add_test(bench.job, {"id": "o_hhold", "result": "curl_moves"})
        store.add_test(bench.job, {"id": "t_emission", "result": "right", "gun": "red"})
        store.add_test(bench.job, {"id": "t_emission", "result": "right", "gun": "blue"})
        store.add_repair(bench.job, {"fault": "source_fault_only", "outcome": "found"})
        clock.pass_days(1)
        store.add_repair(bench.job, {"fault": "source_fault_only", "outcome": "excluded"})
        store.add_repair(bench.job, AGED | {"outcome": "mended"})
        store.add_repair(bench.job, {"fault": "reg_sense_drift", "outcome": "found"})
        assert store.experience().mended == ()
        store.close_job(bench.job)
        learned = MendedJob(
            faults=("afc_filter_aged", "reg_sense_drift"),
            excluded=("source_fault_only",),
            present=("top_curl",),
            absent=("no_colour",),
            results=(("o_hhold", "curl_moves"), ("t_emission", "right")),
        )
        assert store.experience().mended == (learned,)
        store.reopen_job(bench.job)
        assert store.experience().mended == ()

    def test_what_is_gone_after_the_repair_is_no_word_on_what_the_fault_shows(self, bench: Bench, clock: Clock) -> None:
        store = bench.store
        store.add_symptom(bench.job, {"id": "top_curl"})
        clock.pass_days(1)
        store.add_repair(bench.job, AGED | {"outcome": "mended"})
        clock.pass_days(1)
        store.add_symptom(bench.job, {"id": "top_curl", "present": False})
        store.close_job(bench.job)
        assert store.experience().mended == (MendedJob(faults=("afc_filter_aged",), present=("top_curl",)),)

    def test_a_job_written_down_after_its_repair_teaches_all_the_same(self, bench: Bench, clock: Clock) -> None:
        store = bench.store
        store.add_repair(bench.job, AGED | {"outcome": "mended"})
        clock.pass_days(1)
        store.add_symptom(bench.job, {"id": "top_curl"})
        store.close_job(bench.job)
        assert store.experience().mended == (MendedJob(faults=("afc_filter_aged",), present=("top_curl",)),)

    def test_a_job_that_only_ruled_out_teaches_nothing(self, bench: Bench) -> None:
        bench.store.add_repair(bench.job, AGED | {"outcome": "excluded"})
        bench.store.close_job(bench.job)
        assert bench.store.experience().mended == ()
        bench.store.add_repair(bench.job, AGED)
        assert [one.faults for one in bench.store.experience().mended] == [("afc_filter_aged",)]


def test_they_travel_with_the_job_and_with_the_shop(bench: Bench, tmp_path: Path) -> None:
    bench.store.add_repair(bench.job, AGED, minutes=30.0, note="dry", by=bench.odo)
    bench.store.confirm(bench.job, "repair", "afc_filter_aged", cautions=AGREED, by=bench.mara)
    for name, document in (("job", export_job(bench.store, bench.job)), ("shop", export_shop(bench.store))):
        with open_store(tmp_path / f"of-{name}.sqlite3") as other:
            report = import_document(other, document)
            assert (report.added["repairs"], report.added["confirmations"]) == (1, 2)
            (row,) = other.board("afc").rows
            page = other.job(row.job_id)
            assert [(one.repair.fault, one.minutes, one.person) for one in page.repairs] == [
                ("afc_filter_aged", 30.0, "Odo")
            ]
            assert [one.words for one in page.confirmations] == list(AGREED.values())
            assert other.case_of(row.job_id) == bench.store.case_of(bench.job)


@pytest.mark.parametrize(
    ("table", "field", "value"),
    [
        ("repairs", "outcome", "guessed"),
        ("repairs", "fault", "AFC!"),
        ("repairs", "minutes", -3.0),
        ("confirmations", "step_sort", "dance"),
        ("confirmations", "caution", "Mind!"),
        ("confirmations", "words", " "),
    ],
)
def test_a_document_with_nonsense_in_it_changes_nothing(
    table: str, field: str, value: object, bench: Bench, tmp_path: Path
) -> None:
    bench.store.add_repair(bench.job, AGED)
    bench.store.confirm(bench.job, "test", "d_bplus", cautions=AGREED)
    document = export_job(bench.store, bench.job)
    document["tables"][table][0][field] = value
    with open_store(tmp_path / "other.sqlite3") as other:
        with pytest.raises(InputError) as caught:
            import_document(other, document)
        assert [fault.where.startswith(f"tables.{table}[0]") for fault in caught.value.faults] == [True]
        assert field in caught.value.faults[0].where
        assert other.board().rows == ()
