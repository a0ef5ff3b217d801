"""Rows of a job's tables as records, and the parts of a case that they hold."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any, Final, TypeVar

from sqlalchemy import ColumnElement, Connection, Row, Table, select

from tubewright import case
from tubewright.records.changes import Values
from tubewright.records.model import (
    ConfirmationRecord,
    GreyRoundRecord,
    Job,
    Look,
    MeasurementRecord,
    MoveRecord,
    ObservationRecord,
    PaperRecord,
    PhotoRecord,
    ReadingRecord,
    RepairRecord,
    SetupChoices,
    StockItem,
    TreatmentRecord,
    VerdictRecord,
)
from tubewright.records.tables import people, stock_items

USE_FIELDS: Final = tuple(case.Use.model_fields)
COST_FIELDS: Final = tuple(case.Costs.model_fields)
READING_FIELDS: Final = tuple(name for name in case.Reading.model_fields if name != "at")

_ITEM_COLUMNS: Final = tuple(column.name.removesuffix("_json") for column in stock_items.columns)

Record = TypeVar("Record")


def job_record(values: Mapping[str, Any]) -> Job:
    """A row of jobs as a record."""
    plain = (
        "id", "uid", "version", "display_id", "tube_id", "state", "waits_for", "owner_words", "closing_note",
        "idle_years", "opened_at", "closed_at", "changed_at", "decision", "headline",
    )  # fmt: skip
    return Job(
        **{name: values[name] for name in plain},
        use=case.Use(**{name: values[name] for name in USE_FIELDS}),
        costs=case.Costs(**{name: values[name] for name in COST_FIELDS}),
    )


def reading_record(values: Mapping[str, Any]) -> ReadingRecord:
    """A row of readings as a record."""
    return ReadingRecord(
        **_common(values),
        tube_id=values["tube_id"],
        reading=case.Reading(**{name: values[name] for name in READING_FIELDS}, at=values["taken_at"]),
        taken_at=values["taken_at"],
    )


def observation_record(values: Mapping[str, Any]) -> ObservationRecord:
    """A row of observations as a record."""
    record = {**_common(values), "tube_id": values["tube_id"], "at": values["at"]}
    if values["sort"] == "symptom":
        return ObservationRecord(**record, symptom=case_symptom(values))
    if values["sort"] == "test":
        return ObservationRecord(**record, test=case_test(values))
    seen = values["value"] if values["name"] == "burn" else values["result"]
    return ObservationRecord(**record, look=Look(name=values["name"], value=seen))


def case_symptom(values: Mapping[str, Any]) -> case.Symptom:
    """A row of observations as a symptom."""
    return case.Symptom(id=values["name"], present=values["present"])


def case_test(values: Mapping[str, Any]) -> case.TestResult:
    """A row of observations as a test result."""
    return case.TestResult(
        id=values["name"],
        result=values["result"],
        gun=values["gun"],
        value=values["value"],
        unit=values["unit"],
        nominal=values["nominal"],
    )


def treatment_record(values: Mapping[str, Any]) -> TreatmentRecord:
    """A row of treatments as a record."""
    return TreatmentRecord(
        **_common(values),
        tube_id=values["tube_id"],
        treatment=case.Treatment(gun=values["gun"], kind=values["kind"], outcome=values["outcome"], at=values["at"]),
        at=values["at"],
        note=values["note"],
        minutes=values["minutes"],
        seen=values["seen"],
        plan_step=values["plan_step"],
    )


def repair_record(values: Mapping[str, Any]) -> RepairRecord:
    """A row of repairs as a record."""
    return RepairRecord(
        **_common(values),
        repair=case_repair(values),
        at=values["at"],
        minutes=values["minutes"],
        note=values["note"],
    )


def case_repair(values: Mapping[str, Any]) -> case.Repair:
    """A row of repairs as the case holds it."""
    return case.Repair(fault=values["fault"], outcome=values["outcome"], at=values["at"])


def confirmation_record(values: Mapping[str, Any]) -> ConfirmationRecord:
    """A row of confirmations as a record."""
    plain = ("at", "step_sort", "step", "caution", "words")
    return ConfirmationRecord(**_common(values), **{name: values[name] for name in plain})


def verdict_record(values: Mapping[str, Any]) -> VerdictRecord:
    """A row of verdicts as a record."""
    plain = ("case_json", "answer_json", "model_version", "decision", "headline", "at")
    return VerdictRecord(**_common(values), **{name: values[name] for name in plain}, seed=int(values["seed"]))


def photo_record(values: Mapping[str, Any]) -> PhotoRecord:
    """A row of photos as a record."""
    plain = ("file_name", "sha256", "preview_sha256", "pattern", "raster", "stage", "taken_at", "note")
    return PhotoRecord(**_common(values), **{name: values[name] for name in plain})


def measurement_record(values: Mapping[str, Any]) -> MeasurementRecord:
    """A row of measurements as a record."""
    plain = ("stage", "accepted", "photos_json", "settings_json", "answer_json", "model_version", "overlay_sha256")
    return MeasurementRecord(
        **_common(values), **{name: values[name] for name in plain}, headline=values["headline"], at=values["at"]
    )


def move_record(values: Mapping[str, Any]) -> MoveRecord:
    """A row of control_moves as a record."""
    plain = (
        "at", "control", "part", "amount", "unit", "direction", "tabs_mm", "angle_deg", "after_measurement_id",
        "undone", "wrong_way", "at_stop", "note",
    )  # fmt: skip
    return MoveRecord(**_common(values), **{name: values[name] for name in plain})


def grey_round_record(values: Mapping[str, Any]) -> GreyRoundRecord:
    """A row of grey_rounds as a record."""
    plain = ("at", "readings_json", "turned_json", "retrace_seen", "white", "kind", "peak_cd_m2", "swing_v", "note")
    return GreyRoundRecord(**_common(values), **{name: values[name] for name in plain})


def setup_choices_record(values: Mapping[str, Any]) -> SetupChoices:
    """A row of setup_choices as a record."""
    plain = (
        "at", "tolerance", "opening_width_mm", "opening_height_mm", "at_once", "since_measurement_id", "on_since",
    )  # fmt: skip
    return SetupChoices(**_common(values), **{name: values[name] for name in plain})


def item_record(found: Row[Any]) -> StockItem:
    """A row of stock_items, all its columns in their order, as a record."""
    values = dict(zip(_ITEM_COLUMNS, found, strict=True))
    values["attributes"] = json.loads(values["attributes"])
    return StockItem(**values)


def paper_record(values: Mapping[str, Any]) -> PaperRecord:
    """A row of papers as a record."""
    plain = ("sort", "number", "at", "body_json", "sha256")
    return PaperRecord(**_common(values), **{name: values[name] for name in plain})


def _common(values: Mapping[str, Any]) -> Values:
    return {name: values[name] for name in ("id", "uid", "version", "job_id")} | {"person": values["person"] or ""}


def records_of(
    conn: Connection,
    table: Table,
    condition: ColumnElement[bool],
    make: Callable[[Mapping[str, Any]], Record],
) -> tuple[Record, ...]:
    """Rows with the name of who wrote them, oldest first."""
    when = table.c.taken_at if "taken_at" in table.c else table.c.at
    query = (
        select(table, people.c.name.label("person"))
        .select_from(table.outerjoin(people, people.c.id == table.c.person_id))
        .where(condition)
        .order_by(when, table.c.id)
    )
    return tuple(make(dict(values)) for values in conn.execute(query).mappings())
