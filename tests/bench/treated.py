"""A job with a weak blue gun that is worth treating, for the tests of the treatment pages."""

from __future__ import annotations

import datetime as dt
from typing import Any

from tubewright.records.store import Store


def worn_job(store: Store, now: dt.datetime, **tube: object) -> int:
    """A job whose readings, of the last hour, make the verdict treat blue; gives its number."""

    def ago(minutes: float) -> dt.datetime:
        return now - dt.timedelta(minutes=minutes)

    display = store.add_display({"label": "Lantern Hall, cabinet 3"}, owner="Ida Quill").id
    known = {"label": "A48XYZ00X01", "heater_v": 6.3, "getter": "silver", "service_hours": 20000.0, **tube}
    store.fit_tube(display, store.add_tube({k: v for k, v in known.items() if v is not None}).id, at=ago(2000))
    job = store.open_job(
        display,
        use={"hours_per_week": 10.0, "keep_years": 4.0, "minimum_white": 0.5},
        costs={
            "currency": "EUR",
            "bench_rate_per_hour": 45.0,
            "replacement_tube": 300.0,
            "replacement_display": 500.0,
            "parts_value": 20.0,
        },
    ).id
    box = {"unit": "uA", "reference": 1000.0, "instrument": "grey box", "g2_v": 300.0, "kind": "emission"}
    rows: list[dict[str, Any]] = [{"kind": "heater_voltage", "value": 6.3, "unit": "V", "at": ago(60)}]
    rows += [
        {"kind": kind, "value": value, "unit": "Mohm", "at": ago(50)}
        for kind, value in (
            ("leakage_heater_cathode", 60.0),
            ("leakage_cathode_grid1", 60.0),
            ("leakage_grid1_grid2", 200.0),
        )
    ]
    rows += [
        {**box, "gun": gun, "value": value + k, "heater_v": 6.3, "minutes_on": 10.0 + k, "at": ago(40 - k)}
        for gun, value in (("red", 700.0), ("green", 680.0), ("blue", 320.0))
        for k in (0, 5)
    ]
    rows.append({**box, "gun": "blue", "value": 190.0, "heater_v": 5.5, "minutes_on": 17.0, "at": ago(30)})
    store.add_readings(job, rows)
    return job
