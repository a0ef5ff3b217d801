"""Tables read back as they were: by a CSV reader, by Arrow, and past a spreadsheet's formulas."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterator

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.csv as arrow_csv  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.files.tables_out import ColumnKind, guarded_cell, plain_cell, table_pieces, unit_of, write_table

COLUMNS: dict[str, ColumnKind] = {
    "id": "integer",
    "note": "text",
    "heater_v": "real",
    "accepted": "boolean",
    "taken_at": "time",
    "body_json": "json",
}
MOMENT = dt.datetime(2026, 3, 1, 10, 30, 0, 123456, tzinfo=dt.UTC)
ROWS: list[dict[str, object]] = [
    {"id": 1, "note": "plain", "heater_v": 6.3, "accepted": True, "taken_at": MOMENT, "body_json": '{"a": 1}'},
    {
        "id": 2,
        "note": 'says "no", twice\r\nthen',
        "heater_v": 0.1 + 0.2,
        "accepted": False,
        "taken_at": None,
        "body_json": None,
    },
    {"id": 3, "note": "", "heater_v": None, "accepted": None, "taken_at": MOMENT, "body_json": "[]"},
    {"id": 4, "note": "=2+2", "heater_v": -1e-9, "accepted": True, "taken_at": MOMENT, "body_json": "{}"},
    {"id": 5, "note": None, "heater_v": 1e300, "accepted": True, "taken_at": MOMENT, "body_json": "{}"},
]


def written(form: str, rows: list[dict[str, object]] | None = None) -> bytes:
    out = io.BytesIO()
    count = write_table(out, COLUMNS, ROWS if rows is None else rows, form="csv" if form == "csv" else "parquet")
    assert count == len(ROWS if rows is None else rows)
    return out.getvalue()


def test_csv_is_read_back_by_the_standard_reader() -> None:
    text = written("csv").decode()
    lines = list(csv.DictReader(io.StringIO(text, newline="")))
    assert list(lines[0]) == list(COLUMNS)
    assert text.startswith("id,note,heater_v,accepted,taken_at,body_json\r\n")
    for row, line in zip(ROWS, lines, strict=True):
        assert int(line["id"]) == row["id"]
        assert plain_cell(line["note"]) == (row["note"] or "")
        assert (float(line["heater_v"]) if line["heater_v"] else None) == row["heater_v"]
        assert {"true": True, "false": False, "": None}[line["accepted"]] is row["accepted"]
        assert (dt.datetime.fromisoformat(line["taken_at"]) if line["taken_at"] else None) == row["taken_at"]


def test_csv_tells_an_empty_text_from_none() -> None:
    read = arrow_csv.read_csv(
        io.BytesIO(written("csv")),
        parse_options=arrow_csv.ParseOptions(newlines_in_values=True),
        convert_options=arrow_csv.ConvertOptions(
            column_types={"note": pa.string()},
            strings_can_be_null=True,
            quoted_strings_can_be_null=False,
            null_values=[""],
        ),
    )
    assert read["note"].to_pylist()[2] == ""
    assert read["note"].to_pylist()[4] is None


@pytest.mark.parametrize("text", ["=1+1", "+31 6", "-3", "@cmd", "\tx", "\rx", "\nx", "'quoted", "''"])
def test_no_text_cell_opens_as_a_formula_and_none_is_lost(text: str) -> None:
    assert guarded_cell(text).startswith("'")
    assert plain_cell(guarded_cell(text)) == text


@given(
    st.lists(
        st.one_of(st.none(), st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"))), max_size=20
    )
)
def test_every_text_comes_back_as_it_was(notes: list[str | None]) -> None:
    rows = [{**ROWS[0], "id": n, "note": note} for n, note in enumerate(notes)]
    lines = list(csv.DictReader(io.StringIO(written("csv", rows).decode(), newline="")))
    assert [plain_cell(line["note"]) for line in lines] == [note or "" for note in notes]
    table = pq.read_table(io.BytesIO(written("parquet", rows)))
    assert table["note"].to_pylist() == notes


def test_a_figure_below_nothing_stays_a_figure() -> None:
    line = written("csv").decode().splitlines()[-2]
    assert ",-1e-09," in line


def test_parquet_keeps_what_each_column_is() -> None:
    table = pq.read_table(io.BytesIO(written("parquet")))
    assert table.to_pylist() == ROWS
    types = {field.name: str(field.type) for field in table.schema}
    assert types == {
        "id": "int64",
        "note": "string",
        "heater_v": "double",
        "accepted": "bool",
        "taken_at": "timestamp[us, tz=UTC]",
        "body_json": "string",
    }
    assert table.schema.field("heater_v").metadata[b"unit"] == b"V"
    assert table.schema.field("body_json").metadata[b"holds"] == b"json"
    assert not table.schema.field("id").nullable


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_an_empty_table_has_its_head(form: str) -> None:
    data = written(form, [])
    if form == "csv":
        assert data == b"id,note,heater_v,accepted,taken_at,body_json\r\n"
    else:
        assert pq.read_table(io.BytesIO(data)).num_rows == 0


@pytest.mark.parametrize(
    ("column", "unit"),
    [
        ("heater_v", "V"), ("g2_v", "V"), ("minutes_on", "min"), ("minutes", "min"), ("service_hours", "h"),
        ("hours_per_week", "h/week"), ("scan_khz", "kHz"), ("diagonal_in", "in"), ("tabs_mm", "mm"), ("angle_deg", "°"),
        ("idle_years", "years"), ("peak_cd_m2", "cd/m²"), ("value", ""), ("quantity", ""), ("bench_rate_per_hour", ""),
        ("restorations", ""), ("job_id", ""), ("in", ""),
    ],
)  # fmt: skip
def test_a_column_tells_its_unit_by_its_name(column: str, unit: str) -> None:
    assert unit_of(column) == unit


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_who_stops_asking_stops_the_writing(form: str) -> None:
    taken = 0

    def rows() -> Iterator[dict[str, object]]:
        nonlocal taken
        for number in range(1_000_000):
            taken += 1
            yield {**ROWS[0], "id": number}

    pieces = table_pieces(io.BytesIO(), COLUMNS, rows(), form="csv" if form == "csv" else "parquet")
    next(pieces)
    pieces.close()  # type: ignore[attr-defined] # a generator in truth
    assert taken <= 50_000


def test_progress_is_told_batch_by_batch() -> None:
    told: list[int] = []
    rows = [{**ROWS[0], "id": number} for number in range(12_000)]
    write_table(io.BytesIO(), COLUMNS, rows, form="csv", progress=told.append)
    assert told == [5000, 10_000, 12_000]
