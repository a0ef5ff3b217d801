"""Parts and tubes in stock: found, reserved, used and ordered, never more than there are."""

from __future__ import annotations

import shutil
import threading
from contextlib import ExitStack
from typing import cast

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from records.conftest import Bench, Clock
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.records.model import StockItem
from tubewright.records.model_stock import StockSort
from tubewright.records.store import Store, open_store

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

    @pytest.mark.parametrize(
        ("wrong", "where"),
        [
            ({"name": "  "}, "name"),
            ({"name": "x" * 121}, "name"),
            ({"name": "nul\x00"}, "name"),
            ({"kind": "gadget"}, "kind"),
            ({"sort": "heap"}, "sort"),
            ({"quantity": -1}, "quantity"),
            ({"quantity": 2.5}, "quantity"),
            ({"quantity": True}, "quantity"),
            ({"quantity": 10**9}, "quantity"),
            ({"minimum": -1}, "minimum"),
            ({"cost": -0.01}, "cost"),
            ({"cost": float("nan")}, "cost"),
            ({"cost": float("inf")}, "cost"),
            ({"cost": "cheap"}, "cost"),
            ({"currency": "euro"}, "currency"),
            ({"currency": "eur"}, "currency"),
            ({"place": "x" * 121}, "place"),
            ({"notes": "x" * 4001}, "notes"),
            ({"attributes": ["10 uF"]}, "attributes"),
            ({"attributes": {"capacitance_uf": -10.0}}, "attributes.capacitance_uf"),
            ({"attributes": {"capacitance_uf": float("nan")}}, "attributes.capacitance_uf"),
            ({"attributes": {"capacitance_uf": "10"}}, "attributes.capacitance_uf"),
            ({"attributes": {"voltage_v": True}}, "attributes.voltage_v"),
            ({"attributes": {"colour": {"of": "sleeve"}}}, "attributes.colour"),
            ({"attributes": {"Colour!": "black"}}, "attributes.Colour!"),
            ({"attributes": {"colour": "x" * 201}}, "attributes.colour"),
            ({"attributes": {f"a{number}": 1 for number in range(41)}}, "attributes"),
            ({"tube_id": 1}, "tube_id"),
            ({"code": "ABCDEFG"}, "code"),
            ({"reserved": 3}, "reserved"),
        ],
    )
    def test_nonsense_is_refused_and_its_field_named(
        self, wrong: dict[str, object], where: str, bench: Bench, cap: StockItem
    ) -> None:
        with pytest.raises(InputError) as caught:
            bench.store.add_item(CAP | wrong)
        assert [fault.where for fault in caught.value.faults] == [where]
        with pytest.raises(InputError) as caught:
            bench.store.edit_item(cap.id, wrong, version=cap.version)
        assert where in [fault.where for fault in caught.value.faults]
        assert bench.store.all_items() == (cap,)

    def test_a_tube_that_is_not_there_is_said_so(self, bench: Bench) -> None:
        with pytest.raises(InputError, match="there is no tube 99") as caught:
            bench.store.add_item({"name": "A48", "sort": "tube", "kind": "tube", "tube_id": 99})
        assert caught.value.faults[0].where == "tube_id"

    def test_many_come_in_all_or_none(self, bench: Bench) -> None:
        with pytest.raises(InputError) as caught:
            bench.store.add_items([CAP, CAP | {"quantity": -1}, CAP | {"cost": -1.0, "currency": "x"}])
        assert [fault.where for fault in caught.value.faults] == [
            "items[1].quantity",
            "items[2].cost",
            "items[2].currency",
        ]
        assert bench.store.all_items() == ()
        made = bench.store.add_items([CAP | {"name": f"part {number}"} for number in range(600)])
        assert [one.name for one in made] == [f"part {number}" for number in range(600)]
        assert len({one.code for one in made}) == 600
        bench.store.undo()
        assert bench.store.all_items() == ()

    def test_pages_lead_through_all_of_it(self, bench: Bench) -> None:
        bench.store.add_items([CAP | {"name": f"part {number}"} for number in range(7)])
        for words in ("", "part"):
            names, page = [], None
            while True:
                found = bench.store.items(words, sort="part", page=page, size=3)
                names += [one.name for one in found.rows]
                if (page := found.next_page) is None:
                    break
            assert names == [f"part {number}" for number in reversed(range(7))]
        with pytest.raises(InputError):
            bench.store.items(page="-1")
        with pytest.raises(InputError):
            bench.store.items(sort=cast("StockSort", "heap"))

    def test_a_cost_is_in_the_shops_own_currency_unless_it_says_another(self, bench: Bench) -> None:
        bare = {"name": "fuse", "cost": 0.2}
        assert bench.store.add_item(bare).currency is None
        bench.store.set_settings({"currency": "SEK"})
        assert bench.store.add_item(bare).currency == "SEK"
        assert bench.store.add_item(bare | {"currency": "EUR"}).currency == "EUR"
        assert bench.store.add_item({"name": "fuse"}).currency is None

    def test_one_that_a_job_used_stays(self, bench: Bench, cap: StockItem) -> None:
        bench.store.use(bench.store.reserve(bench.job, cap.id).id, version=1)
        now = bench.store.item(cap.id)
        with pytest.raises(InputError, match="reserved or used it"):
            bench.store.remove_item(cap.id, version=now.version)
        fuse = bench.store.add_item({"name": "fuse"})
        bench.store.remove_item(fuse.id, version=fuse.version)
        assert bench.store.items("fuse").rows == ()
        bench.store.undo()
        assert bench.store.items("fuse").rows[0].code == fuse.code


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

    def test_what_was_taken_can_be_given_back(self, bench: Bench, cap: StockItem) -> None:
        one = bench.store.reserve(bench.job, cap.id, 2)
        gone = bench.store.release(one.id, version=one.version)
        assert (gone.state, bench.store.item(cap.id).free) == ("released", 4)
        for how in (bench.store.use, bench.store.release):
            with pytest.raises(InputError, match="was released already"):
                how(one.id, version=gone.version)
        two = bench.store.reserve(bench.job, cap.id, 2)
        used = bench.store.use(two.id, version=two.version)
        bench.store.release(used.id, version=used.version)
        assert (bench.store.item(cap.id).quantity, bench.store.item(cap.id).free) == (4, 4)

    def test_what_is_not_on_the_shelf_can_not_be_used(self, bench: Bench, cap: StockItem) -> None:
        one = bench.store.reserve(bench.job, cap.id, 6, order=True)
        with pytest.raises(InputError, match="only 4 of"):
            bench.store.use(one.id, version=one.version)
        assert bench.store.reservations(bench.job) == (one,)
        bench.store.edit_item(cap.id, {"quantity": 10}, version=bench.store.item(cap.id).version)
        bench.store.use(one.id, version=one.version)
        assert bench.store.item(cap.id).quantity == 4

    def test_what_a_job_paid_stays_what_it_was(self, bench: Bench, cap: StockItem) -> None:
        bench.store.reserve(bench.job, cap.id)
        bench.store.edit_item(cap.id, {"cost": 0.9, "currency": "SEK"}, version=bench.store.item(cap.id).version)
        bench.store.reserve(bench.job, cap.id)
        assert [(one.cost, one.currency) for one in bench.store.reservations(bench.job)] == [
            (0.35, "EUR"),
            (0.9, "SEK"),
        ]

    def test_the_order_list_names_what_falls_below_its_minimum_and_who_waits(
        self, bench: Bench, cap: StockItem
    ) -> None:
        fuse = bench.store.add_item({"name": "fuse", "minimum": 5, "supplier": "Anchor"})
        other = bench.store.open_job(bench.display).id
        assert [(line.item.name, line.short, line.for_jobs) for line in bench.store.order_list()] == [("fuse", 5, ())]
        bench.store.reserve(other, cap.id, 3)
        one = bench.store.reserve(bench.job, cap.id, 1)
        bench.store.reserve(bench.job, fuse.id, 2, order=True)
        assert [(line.item.name, line.short, line.for_jobs) for line in bench.store.order_list()] == [
            ("fuse", 7, (bench.job,)),
            (cap.name, 2, (bench.job, other)),
        ]
        bench.store.use(one.id, version=one.version)
        assert bench.store.order_list()[1].short == 2
        bench.store.edit_item(cap.id, {"quantity": 9}, version=bench.store.item(cap.id).version)
        assert [line.item.name for line in bench.store.order_list()] == ["fuse"]

    @pytest.mark.parametrize("quantity", [0, -1, 2.5, True, 10**9])
    def test_only_whole_pieces_are_reserved(self, quantity: int, bench: Bench, cap: StockItem) -> None:
        with pytest.raises(InputError) as caught:
            bench.store.reserve(bench.job, cap.id, quantity, order=True)
        assert [fault.where for fault in caught.value.faults] == ["quantity"]
        assert bench.store.reservations(bench.job) == ()

    def test_of_two_who_want_the_last_one_gets_it(self, bench: Bench) -> None:
        """Six people, two on one store and the others each on their own, want the last three fuses."""
        where = bench.store.database.url.render_as_string(hide_password=False)
        fuse = bench.store.add_item({"name": "fuse", "quantity": 3}).id
        got: list[int] = []
        told: list[str] = []
        faults: list[BaseException] = []

        def want(mine: Store) -> None:
            try:
                got.append(mine.reserve(bench.job, fuse).id)
            except InputError as error:
                told.append(str(error))
            except BaseException as error:  # noqa: BLE001 - handed to the test
                faults.append(error)

        with ExitStack() as opened:
            others = [opened.enter_context(Store(where)) for _ in range(4)]
            threads = [threading.Thread(target=want, args=(mine,)) for mine in (bench.store, bench.store, *others)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
        assert faults == []
        assert len(got) == len(told) == 3
        assert all("none is free of 'fuse' (3 in the stock, 3 reserved)" in words for words in told)
        assert bench.store.item(fuse).free == 0

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


STEPS = st.lists(
    st.tuples(st.sampled_from(["reserve", "order", "use", "release", "count"]), st.integers(0, 9)),
    max_size=14,
)


@given(steps=STEPS)
@examples(max_examples=15)
def test_nothing_comes_from_nowhere_and_nothing_gets_lost(
    tmp_path_factory: pytest.TempPathFactory, empty_file: bytes, steps: list[tuple[str, int]]
) -> None:
    """Whatever is done, the shelf holds what was counted less what was used since; never less than none."""
    folder = tmp_path_factory.mktemp("stock")
    path = folder / "shop.sqlite3"
    path.write_bytes(empty_file)
    with open_store(path, clock=Clock()) as store, store.transaction():
        job = store.open_job(store.add_display({"label": "Kelp"}).id).id
        item = store.add_item({"name": "fuse", "quantity": 5, "minimum": 2}).id
        counted, used = 5, 0
        for what, number in steps:
            taken = store.reservations(job)
            one = taken[number % len(taken)] if taken else None
            try:
                if what in {"reserve", "order"}:
                    store.reserve(job, item, number, order=what == "order")
                elif what == "count":
                    store.edit_item(item, {"quantity": number}, version=store.item(item).version)
                    counted, used = number, 0
                elif one is not None and what == "use":
                    store.use(one.id, version=one.version)
                    used += one.quantity
                elif one is not None:
                    store.release(one.id, version=one.version)
                    used -= one.quantity if one.state == "used" else 0
            except InputError:
                pass
            now = store.item(item)
            waiting = sum(one.quantity for one in store.reservations(job) if one.state == "reserved")
            assert now.quantity == counted - used >= 0
            assert (now.reserved, now.free) == (waiting, now.quantity - waiting)
            assert [line.short for line in store.order_list()] == ([2 - now.free] if now.free < 2 else [])
    shutil.rmtree(folder)
