"""Taking back all that was done leads to where it began, whatever was done."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from records.conftest import Clock
from tubewright.errors import ConflictError, Fault, InputError
from tubewright.records.exchange import export_shop
from tubewright.records.model import MeasurementRecord, ReadingRecord, Reservation
from tubewright.records.store import Store, open_store

RED = {"gun": "red", "kind": "emission", "unit": "rel"}
Step = tuple[str, float]
Thing = TypeVar("Thing")


def state(store: Store) -> dict[str, Any]:
    """All that the records hold, but for how often it was edited and the times that follow from that."""
    tables = export_shop(store)["tables"]
    for rows in tables.values():
        for row in rows:
            row.pop("version")
            row.pop("changed_at", None)
    # Derived columns are no part of a document; what follows from them is told here.
    tables["free"] = [{"uid": one.uid, "free": one.free} for one in store.all_items()]
    tables["order"] = [{"uid": one.item.uid, "short": one.short} for one in store.order_list()]
    return {name: sorted(rows, key=lambda row: row["uid"]) for name, rows in tables.items()}


def _some(things: Sequence[Thing], value: float) -> Thing:
    """One of some things; there must be some."""
    if not things:
        raise InputError(Fault(what="there is none", where="", mend=""))
    return things[int(value * len(things))]


def _take(store: Store, how: Callable[..., object], from_these: Sequence[Reservation], value: float) -> None:
    one = _some(from_these, value)
    how(one.id, version=one.version)


def _strike(store: Store, measurements: Sequence[MeasurementRecord]) -> None:
    if measurements:
        store.remove_measurement(measurements[-1].id, version=measurements[-1].version)


def act(store: Store, job: int, display: int, tubes: list[int], step: Step) -> None:
    """One thing that a person may do; some can't be done just now, and are refused."""
    what, value = step
    found = store.job(job)
    readings = found.readings
    first = readings[int(value * len(readings))] if readings else None

    def strike(one: ReadingRecord) -> None:
        store.remove_reading(one.id, version=one.version)

    def at_one_go() -> None:
        with store.together():
            fresh = store.add_tube({"label": f"fresh {value}"}).id
            store.fit_tube(display, fresh)
            store.edit_job(job, {"owner_words": f"dim {value}"}, version=store.job(job).job.version)
            store.add_symptom(job, {"id": "dim", "present": True})
            store.edit_job(job, {"owner_words": f"dark {value}"}, version=store.job(job).job.version)

    doings: dict[str, Callable[[], object]] = {
        "read": lambda: store.add_reading(job, RED | {"value": value}),
        "correct": lambda: first and store.edit_reading(first.id, RED | {"value": value}, version=first.version),
        "strike": lambda: strike(first) if first else None,
        "see": lambda: store.add_look(job, getter="silver", burn=value),
        "treat": lambda: store.add_treatment(job, {"kind": "clean", "gun": "red"}),
        "mend": lambda: store.add_repair(job, {"fault": "yoke_slipped", "outcome": "mended"}, note=f"{value}"),
        "not_mended": lambda: (
            found.repairs
            and store.edit_repair(
                found.repairs[0].id, {"fault": "yoke_slipped", "outcome": "excluded"}, version=found.repairs[0].version
            )
        ),
        "confirm": lambda: store.confirm(job, "repair", "yoke_slipped", cautions={"implosion": f"Goggles {value}."}),
        "fit": lambda: store.fit_tube(display, tubes[int(value * len(tubes))]),
        "take_out": lambda: store.take_out_tube(display),
        "wait": lambda: store.edit_job(job, {"waits_for": f"part {value}"}, version=found.job.version),
        "close": lambda: store.close_job(job),
        "reopen": lambda: store.reopen_job(job),
        "relabel": lambda: store.edit_display(
            display, {"label": f"Kelp {value}"}, version=store.display(display).version
        ),
        "at_one_go": at_one_go,
        "measure": lambda: store.save_measurement(
            job,
            photo_shas=["0" * 64],
            settings_json="{}",
            answer_json="{}",
            accepted=True,
            model_version="1",
            headline=f"{value}",
        ),
        "unmeasure": lambda: _strike(store, found.measurements),
        "move": lambda: store.add_move(
            job,
            {"control": "tilt", "amount": value, "unit": "turns"}
            | ({"after_measurement_id": found.measurements[-1].id} if found.measurements else {}),
        ),
        "put_back": lambda: (
            found.moves
            and store.edit_move(found.moves[-1].id, {"undone": value < 0.5}, version=found.moves[-1].version)
        ),
        "buy": lambda: store.add_items([{"name": f"part {value}", "quantity": int(4 * value), "cost": value}] * 2),
        "reserve": lambda: store.reserve(
            job, _some(store.all_items(), value).id, 1 + int(3 * value), order=value > 0.5
        ),
        "use": lambda: _take(store, store.use, found.reservations, value),
        "release": lambda: _take(store, store.release, found.reservations, value),
        "count": lambda: store.edit_item(
            _some(store.all_items(), value).id,
            {"quantity": int(9 * value), "minimum": int(5 * value)},
            version=_some(store.all_items(), value).version,
        ),
        "throw_out": lambda: store.remove_item(
            _some(store.all_items(), value).id, version=_some(store.all_items(), value).version
        ),
        "set": lambda: store.set_settings({"shop_name": f"Pier {value}", "tax_percent": f"{value:.2f}"}),
        "bill": lambda: store.add_paper(job, "bill", body_json=f'{{"total": {value}}}'),
        "verdict": lambda: store.save_verdict(
            job, case_json="{}", answer_json="{}", model_version="1", seed=1, decision="soak", headline=f"{value}"
        ),
    }
    try:
        doings[what]()
    except ConflictError:
        raise
    except InputError:
        return


STEPS = st.lists(
    st.tuples(
        st.sampled_from(
            [
                "read",
                "read",
                "correct",
                "strike",
                "see",
                "treat",
                "mend",
                "not_mended",
                "confirm",
                "fit",
                "take_out",
                "wait",
                "close",
                "reopen",
                "relabel",
                "verdict",
                "at_one_go",
                *("measure", "unmeasure", "move", "put_back"),
                *("buy", "buy", "reserve", "reserve", "use", "release", "count", "throw_out"),
                *("set", "bill"),
            ]
        ),
        st.floats(0, 0.99),
    ),
    min_size=1,
    max_size=9,
)


@given(steps=STEPS)
@examples(max_examples=15)
def test_taking_everything_back_leads_to_the_beginning(
    tmp_path_factory: pytest.TempPathFactory, empty_file: bytes, steps: list[Step]
) -> None:
    folder = tmp_path_factory.mktemp("undo")
    path = folder / "shop.sqlite3"
    path.write_bytes(empty_file)
    with open_store(path, clock=Clock()) as store, store.transaction():
        # One transaction spares a hundred waits for the disk; the steps are changes of their own all the same.
        display = store.add_display({"label": "Kelp"}).id
        tubes = [store.add_tube({"label": f"tube {number}"}).id for number in range(2)]
        job = store.open_job(display).id
        seen = []
        for step in steps:
            before = (state(store), len(store.history(size=10_000)))
            act(store, job, display, tubes, step)
            if len(store.history(size=10_000)) > before[1]:
                seen.append(before[0])
        for before_step in reversed(seen):
            store.undo()
            assert state(store) == before_step
    shutil.rmtree(folder)
