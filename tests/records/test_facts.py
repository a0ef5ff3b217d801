"""A job as a case, and closed jobs as experience."""

from __future__ import annotations

import pytest

from records.conftest import Bench, Clock
from records.samples import RED, emission
from tubewright import case
from tubewright.records.model import Look


class TestCase:
    def test_it_holds_what_the_job_found(self, bench: Bench) -> None:
        store = bench.store
        store.add_reading(bench.job, RED)
        store.add_symptom(bench.job, {"id": "raster_dim_all"})
        store.add_symptom(bench.job, {"id": "top_curl", "present": False})
        store.add_test(bench.job, {"id": "d_bplus", "value": 107.0, "unit": "V", "nominal": 120.0})
        store.add_look(bench.job, getter="white", burn=0.1)
        store.add_treatment(bench.job, {"kind": "clean", "gun": "red", "outcome": "improved"}, note="two bursts")
        found = store.case_of(bench.job)
        assert found.display.label == "Kelp Cavern"
        assert (found.tube.getter, found.tube.burn, found.tube.restorations) == ("white", 0.1, 0)
        assert found.use.hours_per_week == 10
        assert [one.value for one in found.readings] == [0.33]
        assert {one.id: one.present for one in found.symptoms} == {"raster_dim_all": True, "top_curl": False}
        assert (found.tests[0].id, found.tests[0].value) == ("d_bplus", 107.0)
        assert (found.treatments[0].kind, found.treatments[0].outcome) == ("clean", "improved")
        assert case.Case.model_validate_json(found.model_dump_json()) == found

    def test_the_latest_word_counts(self, bench: Bench) -> None:
        bench.store.add_symptom(bench.job, {"id": "raster_dim_all"})
        bench.store.add_symptom(bench.job, {"id": "raster_dim_all", "present": False})
        bench.store.add_test(bench.job, {"id": "d_g2", "result": "low"})
        bench.store.add_test(bench.job, {"id": "d_g2", "result": "right"})
        bench.store.add_look(bench.job, getter="white")
        seen = bench.store.add_look(bench.job, getter="silver")
        found = bench.store.case_of(bench.job)
        assert [one.present for one in found.symptoms] == [False]
        assert [one.result for one in found.tests] == ["right"]
        assert found.tube.getter == "silver"
        assert seen[0].look == Look(name="getter", value="silver")

    def test_a_new_tube_leaves_the_old_ones_readings_behind(self, bench: Bench) -> None:
        store = bench.store
        store.add_reading(bench.job, RED)
        store.add_test(bench.job, {"id": "t_warmup", "value": 80.0, "unit": "s"})
        store.add_test(bench.job, {"id": "d_bplus", "result": "right"})
        store.fit_tube(bench.display, store.add_tube({"label": "spare"}).id)
        store.add_reading(bench.job, RED | {"value": 0.8})
        found = store.case_of(bench.job)
        assert found.tube.label == "spare"
        assert [one.value for one in found.readings] == [0.8]
        assert [one.id for one in found.tests] == ["d_bplus"]

    def test_restorations_of_earlier_jobs_count(self, bench: Bench, clock: Clock) -> None:
        store = bench.store
        for gun in ("red", "red", "blue"):
            store.add_treatment(bench.job, {"kind": "clean", "gun": gun})
        store.add_treatment(bench.job, {"kind": "soak"})
        store.close_job(bench.job)
        clock.pass_days(100)
        later = store.open_job(bench.display).id
        store.add_treatment(later, {"kind": "activate", "gun": "red"})
        assert store.case_of(later).tube.restorations == 2
        assert store.case_of(bench.job).tube.restorations == 0


class TestExperience:
    def test_a_treatment_teaches_by_what_was_read_around_and_after_it(self, bench: Bench, clock: Clock) -> None:
        store = bench.store
        store.add_reading(bench.job, emission("red", 0.3))
        store.add_reading(bench.job, emission("red", 0.2).model_copy(update={"heater_v": 5.5}))
        store.add_treatment(bench.job, {"kind": "clean", "gun": "red", "outcome": "improved"})
        store.add_reading(bench.job, emission("red", 0.6))
        assert store.experience().treated == ()
        store.close_job(bench.job)
        (only,) = store.experience().treated
        assert (only.emission_before, only.emission_after, only.hours_held) == (0.3, 0.6, None)
        clock.pass_days(7)
        later = store.open_job(bench.display, use={"hours_per_week": 10.0}).id
        store.add_reading(later, emission("red", 0.5))
        store.close_job(later)
        (only,) = store.experience().treated
        assert only.still_holding
        assert only.hours_held == pytest.approx(10, rel=1e-3)
        clock.pass_days(7)
        last = store.open_job(bench.display, use={"hours_per_week": 20.0}).id
        store.add_reading(last, emission("red", 0.3))
        store.close_job(last)
        (only,) = store.experience().treated
        assert not only.still_holding
        assert only.hours_held == pytest.approx(20, rel=1e-3)

    def test_an_untreated_gun_teaches_how_it_wore(self, bench: Bench, clock: Clock) -> None:
        store = bench.store
        store.add_reading(bench.job, emission("blue", 0.8))
        store.close_job(bench.job)
        clock.pass_days(70)
        later = store.open_job(bench.display).id
        store.add_reading(later, emission("blue", 0.7))
        store.close_job(later)
        (only,) = store.experience().worn
        assert (only.emission_start, only.emission_end) == (0.8, 0.7)
        assert only.hours_between == pytest.approx(100, rel=1e-3)
        assert store.experience().closed_jobs == 2

    def test_it_is_kept_while_nothing_bears_on_it(self, bench: Bench) -> None:
        store = bench.store
        store.close_job(bench.job)
        other = store.open_job(bench.display).id
        first = store.experience()
        store.add_reading(other, emission("red", 0.5))
        assert store.experience() is first
        store.add_reading(bench.job, emission("red", 0.5))
        assert store.experience() is not first
        store.close_job(other)
        assert store.experience().closed_jobs == 2
