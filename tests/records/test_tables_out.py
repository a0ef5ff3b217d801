"""The tables as they are given away, and what became of treated tubes."""

from __future__ import annotations

import datetime as dt

import pytest

from records.conftest import Bench, Clock
from tubewright.errors import UnknownRecordError
from tubewright.records.tables import EDITABLE


class TestTables:
    def test_every_row_comes_with_the_columns_that_were_named(self, bench: Bench) -> None:
        bench.store.add_item({"name": "fuse", "attributes": {"current_a": 2.0}})
        bench.store.add_move(bench.job, {"control": "purity_rings"})
        kinds = {"text": str, "integer": int, "real": float, "boolean": bool, "time": dt.datetime, "json": str}
        for name in bench.store.table_names():
            columns = bench.store.table_columns(name)
            for row in bench.store.table_rows(name):
                assert list(row) == list(columns)
                for column, value in row.items():
                    assert value is None or type(value) is kinds[columns[column]], (name, column)
        assert {table.name for table in EDITABLE} < set(bench.store.table_names())
        assert bench.store.table_columns("stock_items")["attributes_json"] == "json"
        assert bench.store.table_columns("history")["after"] == "json"
        assert next(bench.store.table_rows("jobs"))["opened_at"] == bench.store.job(bench.job).job.opened_at

    def test_what_is_secret_is_not_among_them(self, bench: Bench) -> None:
        kept_in = {"pairings", "sent_once", "uploads", "upload_chunks", "photo_files", "search_terms", "paper_counters"}
        assert kept_in.isdisjoint(bench.store.table_names())
        for name in (*kept_in, "recipes", ""):
            with pytest.raises(UnknownRecordError, match="Known are"):
                bench.store.table_rows(name)
            with pytest.raises(UnknownRecordError):
                bench.store.table_columns(name)

    def test_rows_are_of_one_moment_though_others_write(self, bench: Bench) -> None:
        one = bench.store.add_reading(bench.job, {"kind": "gas", "value": 0.1, "unit": "uA"}).reading
        bench.store.import_readings([(bench.job, one)] * 2500)
        rows = bench.store.table_rows("readings")
        first = next(rows)
        bench.store.add_reading(bench.job, {"kind": "gas", "value": 0.2, "unit": "uA"})
        rest = list(rows)
        assert len(rest) == 2500
        assert [first["id"], *[row["id"] for row in rest]] == list(range(1, 2502))


class TestTreated:
    def test_what_was_done_last_and_what_was_read_since(self, bench: Bench, clock: Clock) -> None:
        store = bench.store
        red = {"gun": "red", "kind": "emission", "unit": "rel"}
        store.add_reading(bench.job, red | {"value": 0.3})
        store.add_treatment(bench.job, {"kind": "clean", "gun": "red", "outcome": "worse"})
        boosted = store.add_treatment(bench.job, {"kind": "short_boost", "gun": "red", "outcome": "unchanged"})
        clock.pass_days(1)
        last = store.add_treatment(bench.job, {"kind": "clean", "gun": "red", "outcome": "improved"}, minutes=2.0)
        store.add_reading(bench.job, red | {"value": 0.8})
        store.add_reading(bench.job, red | {"value": 0.8, "gun": "blue"})
        assert store.closed_treated() == ()
        store.close_job(bench.job)
        (tube,) = store.closed_treated()
        assert (tube.tube_id, tube.tube_label, tube.display_label, tube.owner, tube.on_bench) == (
            bench.tube,
            "A48QZV00X01",
            "Kelp Cavern",
            "Ana",
            None,
        )
        assert [(one.gun, one.kind, one.outcome, one.at, one.minutes) for one in tube.treated] == [
            ("red", "short_boost", "unchanged", boosted.at, None),
            ("red", "clean", "improved", last.at, 2.0),
        ]
        assert [(one.gun, one.relative) for one in tube.readings] == [("red", 0.8)]
        clock.pass_days(100)
        again = store.open_job(bench.display).id
        store.add_reading(again, red | {"value": 600.0, "unit": "uA", "reference": 1000.0})
        store.add_reading(again, red | {"value": 0.1, "heater_v": 4.0})
        (tube,) = store.closed_treated()
        assert [(one.job_id, one.relative) for one in tube.readings] == [(bench.job, 0.8), (again, 0.6)]
        assert tube.on_bench == again

    def test_a_treatment_of_the_whole_tube_is_one_of_each_gun(self, bench: Bench, clock: Clock) -> None:
        store = bench.store
        store.add_treatment(bench.job, {"kind": "clean", "gun": "red"})
        store.add_treatment(bench.job, {"kind": "soak"})
        clock.pass_days(1)
        store.add_treatment(bench.job, {"kind": "clean", "gun": "blue"})
        for gun in ("green", "blue"):
            store.add_reading(bench.job, {"gun": gun, "kind": "emission", "unit": "rel", "value": 0.7})
        store.close_job(bench.job)
        store.take_out_tube(bench.display)
        (tube,) = store.closed_treated()
        assert [(one.gun, one.kind) for one in tube.treated] == [
            ("red", "clean"),
            (None, "soak"),
            ("blue", "clean"),
        ]
        assert [one.gun for one in tube.readings] == ["green", "blue"]
        assert (tube.display_id, tube.display_label, tube.owner) == (None, "", "")
