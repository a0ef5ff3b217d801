"""The papers about the work: two pages whatever was written, everything for the bench, read as a stranger would."""

from __future__ import annotations

import datetime as dt
import io
import json
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import pypdf
import pypdfium2
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.pictured import small_photo
from bench.proven import proven_job
from tubewright.bench.papers import body_of, compare_job
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import open_store
from tubewright.report.owner_care import CARE
from tubewright.report.paper_letters import STANDS_IN
from tubewright.report.sheet_bench import bench_pdf, bench_png
from tubewright.report.sheet_customer import RELEASE_CHECKS, customer_pdf, customer_png
from tubewright.report.sheet_parts import Picture, picture_data

KNOWLEDGE: Final = load_knowledge()
Body = dict[str, Any]


@pytest.fixture(scope="module")
def bodies(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Body]:
    """What both sheets say of a rich job and of a bare one."""
    found: dict[str, Body] = {}
    for name, asked in (("rich", {}), ("bare", {"pictures": False, "after": False, "owner": ""})):
        folder: Path = tmp_path_factory.mktemp(name)
        with open_store(folder / "shop.sqlite3") as store:
            job = proven_job(store, **asked)  # type: ignore[arg-type]  # by name
            compared = compare_job(store, KNOWLEDGE, job)
            found[name] = body_of(store, KNOWLEDGE, compared, "customer")
            found[f"{name} bench"] = body_of(store, KNOWLEDGE, compared, "bench")
    return found


@lru_cache(maxsize=1)
def photo() -> Picture:
    return Picture(data=small_photo(0), media_type="image/jpeg")


def pictures(body: Body) -> dict[str, Picture]:
    return {named["sha256"]: photo() for named in body["photos"].values() if named}


def read(pdf: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(pdf))


def words_of(pdf: bytes) -> str:
    text = "\n".join(page.extract_text() for page in read(pdf).pages)
    return " ".join(text.replace("\u200b", "").split())


def alternatives(reader: pypdf.PdfReader) -> list[str]:
    """Every alternative text in the structure tree."""
    found: list[str] = []

    def walk(node: Any) -> None:  # noqa: ANN401 - whatever a PDF holds
        node = node.get_object() if hasattr(node, "get_object") else node
        if isinstance(node, list):
            for one in node:
                walk(one)
        elif isinstance(node, dict):
            if "/Alt" in node:
                found.append(str(node["/Alt"]))
            if "/K" in node:
                walk(node["/K"])

    walk(reader.trailer["/Root"]["/StructTreeRoot"])  # type: ignore[index]  # pypdf's own values
    return found


def roles(reader: pypdf.PdfReader) -> set[str]:
    """Every role in the structure tree."""
    found: set[str] = set()

    def walk(node: Any) -> None:  # noqa: ANN401 - whatever a PDF holds
        node = node.get_object() if hasattr(node, "get_object") else node
        if isinstance(node, list):
            for one in node:
                walk(one)
        elif isinstance(node, dict):
            if "/S" in node:
                found.add(str(node["/S"]))
            if "/K" in node:
                walk(node["/K"])

    walk(reader.trailer["/Root"]["/StructTreeRoot"])  # type: ignore[index]  # pypdf's own values
    return found


def test_the_customers_sheet_says_what_its_reader_needs(bodies: dict[str, Body]) -> None:
    body = bodies["rich"]
    made = customer_pdf(body, pictures(body), number="C-0007")
    text = words_of(made.pdf)
    assert len(read(made.pdf).pages) == 2
    for wanted in (
        "Lantern Lane Tubes", "Port Quill", "Quillback Arcade, cabinet 3", "Ida Quill", "C-0007", "2 March 2026",
        "White up from", "at 6 hours a week", "hours of use", "Red looks tired", "The red cathode was cleaned",
        "Before, 2 March 2026", "After, 2 March 2026", "EHT right at zero beam", "Six months on the work.",
        "Not on the wear of the tube.", "Page 2 of 2",
    ):  # fmt: skip
        assert wanted in text, wanted
    for care, _ in CARE:
        assert care in text


def test_the_sheets_are_tagged_with_titles_headings_tables_and_words_for_pictures(bodies: dict[str, Body]) -> None:
    for name, make in (("rich", customer_pdf), ("rich bench", bench_pdf)):
        reader = read(make(bodies[name], pictures(bodies[name])).pdf)
        root: Any = reader.trailer["/Root"]
        assert root["/Lang"] == "en"
        assert root["/MarkInfo"]["/Marked"]
        assert reader.metadata is not None
        assert "Quillback Arcade, cabinet 3" in str(reader.metadata.title)
        assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/Figure", "/L"} <= roles(reader)
        said = alternatives(reader)
        assert any(one.startswith("Photograph of the screen before the work") for one in said)
        assert any(one.startswith("Emission of each gun and the white they make.") for one in said)
        assert any(one.startswith("Convergence after, away from green") for one in said)
        assert any(one.startswith("Shape before") for one in said)


def test_a_bare_job_makes_two_pages_that_promise_nothing(bodies: dict[str, Body]) -> None:
    body = bodies["bare"]
    made = customer_pdf(body, {})
    text = words_of(made.pdf)
    assert len(read(made.pdf).pages) == 2
    assert "No photographs were taken on this job." in text
    assert "is not known" in text
    assert "nothing is promised of its years" in text
    assert "better" not in text


def test_the_bench_sheet_holds_everything(bodies: dict[str, Body]) -> None:
    body = bodies["rich bench"]
    made = bench_pdf(body, pictures(body), number="W-0003")
    text = words_of(made.pdf)
    for wanted in (
        "W-0003", "Maren Osk", "Bench rig", "heater 6.3 V", "Leakage heater–cathode", "Two bursts of 3 s",
        "current rose and settled", "Four-pole rings", "0.125 turns, clockwise", "470 µF 35 V", "1.60 EUR",
        "anode drained twice", "Line loop made for broadcast", "ruled out", "worst error, mm", "reserved → used",
        "Versions: every change of this job", "before.jpg", "model 2, seed 1",
    ):  # fmt: skip
        assert wanted in text, wanted


def test_the_same_body_gives_the_same_bytes_and_bears_the_time_of_the_job(bodies: dict[str, Body]) -> None:
    for name, make in (("rich", customer_pdf), ("rich bench", bench_pdf)):
        body = bodies[name]
        again = json.loads(json.dumps(body))
        assert make(body, pictures(body)).pdf == make(again, pictures(body)).pdf
        reader = read(make(body, pictures(body)).pdf)
        assert reader.metadata is not None
        assert reader.metadata.creation_date == dt.datetime.fromisoformat(body["as_of"]).replace(microsecond=0)


def test_a_photograph_that_is_gone_or_none_leaves_its_place_empty(bodies: dict[str, Body]) -> None:
    body = bodies["rich"]
    sha = body["photos"]["before"]["sha256"]
    broken = {**pictures(body), sha: Picture(data=b"no picture", media_type="image/jpeg")}
    text = words_of(customer_pdf(body, broken).pdf)
    assert "No photograph before the work" in text
    assert "After, 2 March 2026" in text
    assert picture_data(None) is None
    assert picture_data(Picture(data=small_photo(0)[:500], media_type="image/jpeg")) is None


def test_letters_that_are_lacking_are_told_on_both_sheets(bodies: dict[str, Body]) -> None:
    for name, make in (("rich", customer_pdf), ("rich bench", bench_pdf)):
        body = {**bodies[name], "label": "佐藤 arcade", "owner_words": "Ελένη, Größe, Олена"}
        text = words_of(make(body, pictures(body)).pdf)
        assert f"{STANDS_IN}{STANDS_IN} arcade" in text
        assert f"{STANDS_IN} stands for a letter" in text
        assert "Ελένη, Größe, Олена" in text


HARD: Final = [
    "W" * 30,
    "W",
    "i",
    "Größe",
    "佐藤",
    "\n",
    "\n\n",
    "⸻" * 8,
    "q́" * 30,
    "हिन्दी",
    "tube and socket",
    "#panic()",
    "ﷺ",
    " ",
]


def texts(most: int) -> st.SearchStrategy[str]:
    return st.builds(
        lambda parts, times: (" ".join(parts) * times)[:most],
        st.lists(st.sampled_from(HARD), max_size=12),
        st.sampled_from([1, 1, 3, 40]),
    )


LISTS: Final = st.builds(
    lambda some, times: some * times, st.lists(texts(500), max_size=4), st.sampled_from([1, 1, 2, 30])
)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_the_customers_sheet_has_two_pages_whatever_was_written(bodies: dict[str, Body], data: st.DataObject) -> None:
    body: Body = json.loads(json.dumps(bodies["rich"]))
    for name, most in (("label", 400), ("owner", 400), ("tube", 400), ("headline", 600), ("owner_words", 4000)):
        body[name] = data.draw(texts(most), label=name)
    for name in ("came", "found", "done", "remains", "checks", "expect"):
        body[name] = data.draw(LISTS, label=name)
    body["warranty"] = data.draw(texts(4000), label="warranty")
    body["shop"] = {name: data.draw(texts(500), label=name) for name in ("name", "address", "contact")}
    if data.draw(st.booleans(), label="without photographs"):
        body["photos"] = {"before": None, "after": None}
    if data.draw(st.booleans(), label="without maps"):
        body["picture"].update(convergence=None, shape=None)
    made = customer_pdf(body, pictures(body), number=data.draw(texts(120), label="number"))
    assert len(read(made.pdf).pages) == 2


@settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_the_bench_sheet_takes_any_words(bodies: dict[str, Body], data: st.DataObject) -> None:
    body: Body = json.loads(json.dumps(bodies["rich bench"]))
    for name, most in (("label", 400), ("owner_words", 4000), ("closing_note", 4000), ("warranty", 4000)):
        body[name] = data.draw(texts(most), label=name)
    for table in body["tables"]:
        for row in table["rows"]:
            row[-1] = data.draw(texts(400))
    assert bench_pdf(body, pictures(body)).pdf.startswith(b"%PDF")


def test_nothing_is_cut_off_at_the_edges_of_the_paper(bodies: dict[str, Body]) -> None:
    """Drawn by another program: the margins are white on every page, also with words that have no blanks."""
    body = {**bodies["rich"], "owner_words": "W" * 900, "done": ["M" * 400] * 5, "label": "W" * 300}
    long = {**bodies["rich bench"], "owner_words": "W" * 900, "label": "W" * 300}
    for pdf in (
        customer_pdf(body, pictures(body)).pdf,
        customer_pdf(bodies["bare"], {}).pdf,
        bench_pdf(long, pictures(long)).pdf,
    ):
        document = pypdfium2.PdfDocument(pdf)
        try:
            for page in document:
                drawn = np.asarray(page.render(scale=1.0).to_pil().convert("L"))
                side = 26  # nine millimetres, in points
                assert drawn[:, :side].min() > 250
                assert drawn[:, -side:].min() > 250
                assert drawn[:20].min() > 250
                assert drawn[-16:].min() > 250
        finally:
            document.close()


def test_both_can_be_looked_at_as_pictures(bodies: dict[str, Body]) -> None:
    assert len(customer_png(bodies["bare"], {}, dots_per_inch=20)) == 2
    assert len(bench_png(bodies["bare bench"], {}, dots_per_inch=20)) >= 2


def test_what_the_owner_is_told_to_mind_comes_from_cautions_that_are_there() -> None:
    named = {caution for _, cautions in CARE for caution in cautions}
    assert named <= set(KNOWLEDGE.cautions)
    assert set(KNOWLEDGE.cautions) >= RELEASE_CHECKS
