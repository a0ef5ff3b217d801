"""A job with work on it from beginning to end, for the tests of the proof and of its papers."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import lru_cache
from typing import Final

from bench.pictured import add_measurement
from measured import measurement, points, top_curl
from tubewright import case
from tubewright.answers.measurement import EDGES, Convergence, Figure, Geometry, Measurement, Vector, Zone
from tubewright.records.store import Store

BEGUN: Final = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
BEFORE: Final = (0.33, 0.62, 0.60)
AFTER: Final = (0.58, 0.61, 0.60)


@lru_cache
def set_up() -> Measurement:
    """The hand-made picture after it was set up: less than a third of its errors of convergence, of bow and of curl."""
    whole = measurement(top_curl=replace(top_curl(), amplitude_mm=Figure(value=0.3, sd=0.06)))
    marks, found, shape = points(), whole.convergence, whole.geometry
    assert isinstance(found, Convergence)
    assert isinstance(shape, Geometry)

    def smaller(field: object) -> dict[Zone, Vector]:
        assert isinstance(field, dict)
        return {zone: replace(v, x_mm=0.3 * v.x_mm, y_mm=0.3 * v.y_mm) for zone, v in field.items()}

    assert isinstance(found.worst_mm, Figure)
    bows = dict.fromkeys(EDGES, Figure(value=0.3, sd=0.17))
    return replace(
        whole,
        convergence=replace(
            found,
            red_minus_green=smaller(found.red_minus_green),
            blue_minus_green=smaller(found.blue_minus_green),
            worst_mm=Figure(value=0.3 * found.worst_mm.value, sd=found.worst_mm.sd),
            points=replace(marks, error_mm=0.3 * marks.error_mm, smooth_mm=0.3 * marks.smooth_mm),
        ),
        geometry=replace(shape, pincushion_pct=bows),
    )


def proven_job(store: Store, *, pictures: bool = True, after: bool = True, owner: str = "Ida Quill") -> int:
    """A job from its first reading to its last; without pictures, or left before anything was read again."""
    now = [BEGUN]
    dated = store.with_clock(lambda: now[0])

    def later(minutes: float) -> None:
        now[0] += dt.timedelta(minutes=minutes)

    by = dated.add_person("Maren Osk").id
    display = dated.add_display(
        {"label": "Quillback Arcade, cabinet 3", "diagonal_in": 19.0, "scan_khz": 15.7, "mount": "horizontal"},
        owner=owner,
        place="Pier 2",
    ).id
    tube = dated.add_tube({"label": "A48XYZ00X01", "heater_v": 6.3, "gun": "inline", "service_hours": 22_000.0}).id
    dated.fit_tube(display, tube)
    job = dated.open_job(
        display,
        owner_words="Red looks tired, faces are green, and the top bends over.",
        use={"hours_per_week": 6.0, "keep_years": 5.0, "minimum_white": 0.5},
        costs={"currency": "EUR", "bench_rate_per_hour": 45.0, "replacement_tube": 180.0},
        by=by,
    ).id
    for name in ("colour_weak", "top_curl"):
        dated.add_symptom(job, {"id": name, "present": True}, by=by)
    later(15)
    _read(dated, job, BEFORE, 2.5, "before", by)
    if pictures:
        add_measurement(dated, job, stage="before")
    later(30)
    dated.confirm(job, "treatment", "clean", cautions={"gate_power_off": "Unplugged; anode drained twice."}, by=by)
    dated.add_treatment(
        job, {"gun": "red", "kind": "clean", "outcome": "improved"},
        note="Two bursts of 3 s", minutes=1.0, seen="current rose and settled", by=by,
    )  # fmt: skip
    later(20)
    dated.add_repair(job, {"fault": "sync_no_serration", "outcome": "mended"}, minutes=15.0, by=by)
    dated.add_repair(job, {"fault": "afc_too_slow", "outcome": "excluded"}, by=by)
    dated.add_move(
        job, {"control": "four_pole_rings", "amount": 0.125, "unit": "turns", "direction": "clockwise"}, by=by
    )
    item = dated.add_item(
        {"sort": "part", "name": "470 µF 35 V", "kind": "electrolytic", "quantity": 5, "cost": 0.8, "currency": "EUR"},
        by=by,
    )
    held = dated.reserve(job, item.id, 2, by=by)
    dated.use(held.id, version=held.version, by=by)
    if after:
        later(15)
        _read(dated, job, AFTER, 45.0, "after", by)
        dated.add_symptom(job, {"id": "top_curl", "present": False}, by=by)
        if pictures:
            later(20)
            add_measurement(dated, job, stage="after", answer=set_up())
    dated.confirm(
        job, "repair", "sync_no_serration", cautions={"gate_eht_before_release": "EHT right at zero beam."}, by=by
    )
    dated.set_settings(
        {
            "shop_name": "Lantern Lane Tubes",
            "shop_address": "4 Lantern Lane\nPort Quill",
            "warranty_text": "Six months on the work.\nNot on the wear of the tube.",
        },
        by=by,
    )
    return job


def _read(store: Store, job: int, emission: tuple[float, ...], leakage: float, stage: str, by: int) -> None:
    rows: list[dict[str, object]] = []
    for gun, value in zip(case.GUNS, emission, strict=True):
        usual = {"gun": gun, "stage": stage, "instrument": "Bench rig", "g2_v": 300.0}
        rows.append({**usual, "kind": "emission", "value": value, "unit": "rel", "heater_v": 6.3, "minutes_on": 15.0})
        rows.append({**usual, "kind": "cutoff", "value": 51.0, "unit": "V"})
    rows.append({"gun": "red", "kind": "leakage_heater_cathode", "value": leakage, "unit": "Mohm", "stage": stage})
    store.add_readings(job, rows, by=by)
