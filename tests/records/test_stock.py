"""Parts and tubes in stock: found, reserved, used and ordered, never more than there are."""

from __future__ import annotations

import pytest

from records.conftest import Bench
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.records.model import StockItem

CAP = {
    "name": "Electrolytic 10 µF 63 V",
    "kind": "electrolytic",
    "attributes": {"capacitance_uf": 10.0, "voltage_v": 63.0, "polar": True},
    "quantity": 4,
    "minimum": 2,
    "place": "Drawer 7",
    "cost": 0.35,
    "currency": "EUR",
    "supplier": "Quay Components",
}


@pytest.fixture
def cap(bench: Bench) -> StockItem:
    """Four capacitors on the shelf."""
    return bench.store.add_item(CAP, by=bench.mara)


class TestItems:
    def test_what_was_written_is_read_back(self, bench: Bench, cap: StockItem) -> None:
        assert bench.store.item(cap.id) == cap
        assert (cap.name, cap.kind, cap.quantity, cap.free, cap.cost, cap.currency) == (
            "Electrolytic 10 µF 63 V",
            "electrolytic",
            4,
            4,
            0.35,
            "EUR",
        )
        assert cap.attributes == CAP["attributes"]
        assert len(cap.code) == 7
        for typed in (cap.code, cap.code.lower(), f" {cap.code[:3]}-{cap.code[3:]} "):
            assert bench.store.item_by_code(typed) == cap

    def test_it_is_found_by_its_words(self, bench: Bench, cap: StockItem) -> None:
        tube = bench.store.add_item({"name": "A48QZV00X01", "sort": "tube", "kind": "tube", "tube_id": bench.tube})
        for words in ("electrolytic", "10 63", "drawer", "drawer 7", "quay", cap.code, cap.code[:4].lower()):
            assert [one.id for one in bench.store.items(words).rows] == [cap.id], words
        assert [one.id for one in bench.store.items().rows] == [tube.id, cap.id]
        assert [one.id for one in bench.store.items(sort="tube").rows] == [tube.id]
        assert bench.store.items("drawer", sort="tube").rows == ()
        assert [one.name for one in bench.store.all_items()] == ["A48QZV00X01", "Electrolytic 10 µF 63 V"]
        edited = bench.store.edit_item(cap.id, {"place": "Shelf 2"}, version=cap.version)
        assert bench.store.items("drawer").rows == ()
        assert bench.store.items("shelf").rows == (edited,)


class TestReserving:
    def test_from_the_shelf_to_the_job(self, bench: Bench, cap: StockItem) -> None:
        one = bench.store.reserve(bench.job, cap.id, 3, by=bench.odo)
        assert (one.item_name, one.item_code, one.state, one.cost, one.currency, one.person) == (
            cap.name,
            cap.code,
            "reserved",
            0.35,
            "EUR",
            "Odo",
        )
        assert (bench.store.item(cap.id).free, bench.store.item(cap.id).quantity) == (1, 4)
        used = bench.store.use(one.id, version=one.version)
        assert used.state == "used"
        assert (bench.store.item(cap.id).free, bench.store.item(cap.id).quantity) == (1, 1)
        assert bench.store.reservations(bench.job) == (used,) == bench.store.job(bench.job).reservations
        assert bench.store.reservations_of_item(cap.id) == (used,)
        with pytest.raises(ConflictError):
            bench.store.release(one.id, version=one.version)
        bench.store.undo()
        assert (bench.store.item(cap.id).free, bench.store.item(cap.id).quantity) == (1, 4)

    def test_more_than_there_are_is_refused_unless_ordered(self, bench: Bench, cap: StockItem) -> None:
        bench.store.reserve(bench.job, cap.id, 2)
        with pytest.raises(InputError, match="only 2 are free"):
            bench.store.reserve(bench.job, cap.id, 3)
        bench.store.reserve(bench.job, cap.id, 3, order=True)
        (line,) = bench.store.order_list()
        assert (line.item.id, line.item.free, line.short, line.for_jobs) == (cap.id, -1, 3, (bench.job,))

    def test_what_is_not_there_is_said_so(self, bench: Bench, cap: StockItem) -> None:
        for ask in (
            lambda: bench.store.reserve(99, cap.id),
            lambda: bench.store.reserve(bench.job, 99),
            lambda: bench.store.use(99, version=1),
            lambda: bench.store.item(99),
            lambda: bench.store.item_by_code("0000000"),
            lambda: bench.store.reservations(99),
        ):
            with pytest.raises(UnknownRecordError):
                ask()
