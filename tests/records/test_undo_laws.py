"""Taking back all that was done leads to where it began, whatever was done."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from records.conftest import Clock
from tubewright.errors import ConflictError, InputError
from tubewright.records.exchange import export_shop
from tubewright.records.model import ReadingRecord
from tubewright.records.store import Store, open_store

RED = {"gun": "red", "kind": "emission", "unit": "rel"}
Step = tuple[str, float]


def state(store: Store) -> dict[str, Any]:
    """All that the records hold, but for how often it was edited and the times that follow from that."""
    tables = export_shop(store)["tables"]
    for rows in tables.values():
        for row in rows:
            row.pop("version")
            row.pop("changed_at", None)
    return {name: sorted(rows, key=lambda row: row["uid"]) for name, rows in tables.items()}


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
            ]
        ),
        st.floats(0, 0.99),
    ),
    min_size=1,
    max_size=8,
)


@given(steps=STEPS)
@examples(max_examples=20)
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
