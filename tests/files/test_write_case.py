"""What is written is read back as the same case."""

from __future__ import annotations

import datetime as dt

from hypothesis import given, settings
from hypothesis import strategies as st

from samples import SAMPLE_CASE
from tubewright.case import GUNS, PER_GUN, UNITS_OF, Case
from tubewright.files import read_case, write_case

EARLIEST = dt.datetime.fromisoformat("0002-01-01T00:00:00")

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=60)
positive = st.floats(1e-3, 29, allow_nan=False)
amount = st.floats(0, 1e5, allow_nan=False)
fraction = st.floats(0, 1, allow_nan=False)
offsets = st.integers(-23 * 3600, 23 * 3600).map(lambda s: dt.timezone(dt.timedelta(seconds=s)))
when = st.one_of(st.dates(), st.datetimes(timezones=st.one_of(st.none(), offsets), min_value=EARLIEST))
identifiers = st.from_regex(r"[a-z][a-z0-9_]{0,20}", fullmatch=True)


def maybe(**fields: st.SearchStrategy[object]) -> st.SearchStrategy[dict[str, object]]:
    return st.fixed_dictionaries({}, optional=fields)


@st.composite
def readings(draw: st.DrawFn) -> dict[str, object]:
    kind = draw(st.sampled_from(sorted(UNITS_OF)))
    entry: dict[str, object] = {
        "kind": kind,
        "unit": draw(st.sampled_from(UNITS_OF[kind])),
        "value": draw(st.floats(0, 1 if kind == "shortfall_seen" else 1e9)),
        **draw(maybe(reference=positive, heater_v=positive, minutes_on=amount, instrument=texts, at=when)),
    }
    if kind == "shortfall_seen":
        entry |= draw(maybe(spread=st.floats(1e-3, 1)))
    if kind in PER_GUN or draw(st.booleans()):
        entry["gun"] = draw(st.sampled_from(GUNS))
    return entry


cases: st.SearchStrategy[dict[str, object]] = st.fixed_dictionaries(
    {"format": st.just(1)},
    optional={
        "display": maybe(
            chassis=identifiers, label=texts, diagonal_in=positive, mount=st.sampled_from(["horizontal", "vertical"])
        ),
        "tube": maybe(label=texts, heater_v=positive, service_hours=st.floats(0, 5e5), burn=fraction),
        "use": maybe(hours_per_week=positive, minimum_white=fraction),
        "costs": maybe(currency=st.just("EUR"), replacement_tube=amount),
        "readings": st.lists(
            readings(), max_size=4, unique_by=lambda reading: (str(reading["kind"]), str(reading.get("gun")))
        ),
        "symptoms": st.lists(
            st.fixed_dictionaries({"id": identifiers, "present": st.booleans()}),
            max_size=3,
            unique_by=lambda s: str(s["id"]),
        ),
        "tests": st.lists(
            st.fixed_dictionaries({"id": identifiers, "result": identifiers})
            | st.fixed_dictionaries({"id": identifiers, "value": st.floats(-1e6, 1e6), "unit": texts}),
            max_size=3,
        ),
        "treatments": st.lists(
            st.fixed_dictionaries({"kind": st.sampled_from(["soak", "clean"])}, optional={"at": when}), max_size=3
        ),
        "repairs": st.lists(
            st.fixed_dictionaries(
                {"fault": identifiers, "outcome": st.sampled_from(["found", "mended", "excluded"])},
                optional={"at": when},
            ),
            max_size=3,
            unique_by=lambda repair: str(repair["fault"]),
        ),
    },
)


@settings(max_examples=120, deadline=None)
@given(cases)
def test_a_case_survives_being_written_and_read(data: dict[str, object]) -> None:
    case = Case.model_validate(data)
    assert read_case(write_case(case).encode(), "again.toml") == case


def test_the_written_case_reads_like_one_written_by_hand() -> None:
    text = write_case(read_case(SAMPLE_CASE.encode()))
    assert text.startswith("format = 1\n")
    assert "hours_per_week = 6\n" in text
    assert "[[readings]]\n" in text
    assert "null" not in text
