"""The shop's settings and its papers."""

from __future__ import annotations

import threading
from typing import cast

import pytest

from records.conftest import Bench
from tubewright.errors import InputError, UnknownRecordError
from tubewright.records.model_stock import PaperSort
from tubewright.records.settings import SETTINGS
from tubewright.records.store import Store


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

    @pytest.mark.parametrize(
        ("key", "value"),
        [
            ("shop_colour", "blue"),
            ("shop_name", "two\nlines"),
            ("shop_name", "x" * 121),
            ("currency", "eur"),
            ("currency", "EURO"),
            ("bench_rate_per_hour", "-1"),
            ("bench_rate_per_hour", "NaN"),
            ("bench_rate_per_hour", "Infinity"),
            ("bench_rate_per_hour", "1e99"),
            ("bench_rate_per_hour", "1.000,50"),
            ("bench_rate_per_hour", "dear"),
            ("tax_percent", "101"),
            ("quote_valid_days", "0"),
            ("quote_valid_days", "2.5"),
            ("white_x", "0"),
            ("white_x", "1.2"),
            ("number_prefix", "2031 - "),
            ("number_prefix", "x" * 13),
            ("terms_text", "x" * 4001),
            ("terms_text", "nul\x00"),
        ],
    )
    def test_nonsense_is_refused_and_nothing_set(self, key: str, value: str, bench: Bench) -> None:
        with pytest.raises(InputError) as caught:
            bench.store.set_settings({"tax_name": "VAT", key: value})
        assert [fault.where for fault in caught.value.faults] == [key]
        assert set(bench.store.settings().values()) == {""}

    def test_a_white_has_both_coordinates(self, bench: Bench) -> None:
        with pytest.raises(InputError, match="both coordinates"):
            bench.store.set_settings({"white_x": "0.3127"})
        with pytest.raises(InputError, match="more than 1"):
            bench.store.set_settings({"white_x": "0.6", "white_y": "0.5"})
        bench.store.set_settings({"white_x": "0.3127", "white_y": "0,3290", "white_name": "D65"})
        assert bench.store.settings()["white_y"] == "0.329"
        with pytest.raises(InputError, match="both coordinates"):
            bench.store.set_settings({"white_y": ""})

    def test_lines_of_an_address_stay_lines(self, bench: Bench) -> None:
        bench.store.set_settings({"shop_address": "Pier 3\r\n1234 Kelp "})
        assert bench.store.settings()["shop_address"] == "Pier 3\n1234 Kelp"


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

    def test_what_is_no_paper_is_refused(self, bench: Bench) -> None:
        wrong: list[tuple[PaperSort, str, str | None]] = [
            (cast("PaperSort", "poem"), "{}", None),
            ("quote", "x" * 5_000_000, None),
            ("quote", "[1", None),
            ("quote", "{}", "abc"),
        ]
        for sort, body, sha in wrong:
            with pytest.raises(InputError):
                bench.store.add_paper(bench.job, sort, body_json=body, sha256=sha)
        with pytest.raises(UnknownRecordError):
            bench.store.add_paper(99, "quote", body_json="{}")
        assert bench.store.papers(bench.job) == ()
        assert bench.store.add_paper(bench.job, "quote", body_json="{}").number == "Q-0001"

    def test_each_paper_made_at_once_gets_a_number_of_its_own(self, bench: Bench) -> None:
        where = bench.store.database.url.render_as_string(hide_password=False)
        faults: list[BaseException] = []

        def write(mine: Store) -> None:
            try:
                for _ in range(4):
                    mine.add_paper(bench.job, "bill", body_json="{}")
            except BaseException as error:  # noqa: BLE001 - handed to the test
                faults.append(error)

        with Store(where) as second, Store(where) as third:
            threads = [threading.Thread(target=write, args=(mine,)) for mine in (bench.store, second, third)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
        assert faults == []
        assert sorted(one.number for one in bench.store.papers(bench.job)) == [f"B-{n:04d}" for n in range(1, 13)]
