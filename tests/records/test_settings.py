"""The shop's settings and its papers."""

from __future__ import annotations

import pytest

from records.conftest import Bench
from tubewright.errors import InputError, UnknownRecordError
from tubewright.records.settings import SETTINGS


class TestSettings:
    def test_what_was_set_is_read_back(self, bench: Bench) -> None:
        assert bench.store.settings() == dict.fromkeys(SETTINGS, "")
        given = {"shop_name": "Pier Tubes", "currency": "EUR", "bench_rate_per_hour": "42,50", "tax_percent": "19.0"}
        after = bench.store.set_settings(given, by=bench.mara)
        assert after == bench.store.settings()
        assert (after["shop_name"], after["bench_rate_per_hour"], after["tax_percent"]) == ("Pier Tubes", "42.5", "19")
        bench.store.set_settings({"shop_name": ""})
        assert bench.store.settings()["shop_name"] == ""
        bench.store.undo()
        bench.store.undo(by=bench.mara)
        assert bench.store.settings() == dict.fromkeys(SETTINGS, "")


class TestPapers:
    def test_each_sort_counts_up(self, bench: Bench) -> None:
        store = bench.store
        numbers = [store.add_paper(bench.job, sort, body_json='{"total": 3}').number for sort in ("quote", "bill")]
        store.set_settings({"number_prefix": "31-"})
        last = store.add_paper(bench.job, "quote", body_json="{}", sha256="0" * 64, by=bench.odo)
        assert [*numbers, last.number] == ["Q-0001", "B-0001", "31-Q-0002"]
        assert store.paper(last.id) == last == store.papers(bench.job)[-1]
        assert (last.person, last.sha256) == ("Odo", "0" * 64)
        store.undo(by=bench.odo)
        assert store.add_paper(bench.job, "quote", body_json="{}").number == "31-Q-0003"
        with pytest.raises(UnknownRecordError):
            store.paper(99)
        with pytest.raises(InputError):
            store.add_paper(bench.job, "quote", body_json="{")
