"""Quote and bill by page: drafted, typed beside, given out, printed again the same; and what is missing is named."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema_rs import Draft202012Validator
from pypdf import PdfReader

from bench.benches import Visitor, new_store
from bench.browsing import Fields, full_job
from tubewright.files.quote_schema import bill_schema, quote_schema
from tubewright.records.store import Store

SHOP = {
    "shop_name": "Lantern Works",
    "currency": "EUR",
    "bench_rate_per_hour": "45",
    "tax_name": "VAT",
    "tax_percent": "20",
    "quote_valid_days": "30",
    "number_prefix": "LW-",
    "terms_text": "Payment within fourteen days.",
    "warranty_text": "Six months on work and parts.",
}


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> Path:
    """A shop with such a job: made once, copied for each test."""
    folder = tmp_path_factory.mktemp("filled")
    with new_store(folder, empty) as store:
        fill(Visitor(store))
    return folder / "shop.sqlite3"


@pytest.fixture
def visitor(tmp_path: Path, filled: Path) -> Iterator[Visitor]:
    """Somebody in a shop of their own with that job, which is number 1."""
    with new_store(tmp_path, filled) as store:
        yield Visitor(store)


@pytest.fixture
def job() -> int:
    return 1


def fill(visitor: Visitor) -> None:
    """A job of a shop that has its settings, with a verdict, a treatment and a used part."""
    assert visitor.post("/settings", **SHOP).status_code == 303
    number = full_job(visitor)
    values: dict[str, object] = {
        "name": "100 µF 160 V", "sort": "part", "kind": "electrolytic", "quantity": 10, "minimum": 2, "cost": 1.4,
        "currency": "EUR",
    }  # fmt: skip
    item = visitor.store.add_item(values)
    held = visitor.store.reserve(number, item.id, 3)
    visitor.store.use(held.id, version=held.version)


def words_of(pdf: bytes) -> str:
    """The text of a PDF, as a search would find it."""
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


def test_the_quote_shows_options_with_prices_and_what_may_go_wrong(visitor: Visitor, job: int) -> None:
    page = visitor.get(f"/jobs/{job}/quote")
    assert page.status_code == 200
    assert "(recommended)" in page.text
    assert "What may go wrong" in page.text
    assert "100 µF 160 V" in page.text
    assert re.search(r"\d+\.\d\d EUR, VAT included", page.text)


def test_typed_lines_stay_while_the_page_is_left_and_go_into_every_price(visitor: Visitor, job: int) -> None:
    answer = visitor.post(f"/jobs/{job}/quote", words_1="Parcel", quantity_1="2", price_1="7.50", do="reckon")
    assert answer.status_code == 303
    page = visitor.get(f"/jobs/{job}/quote").text
    assert 'value="Parcel"' in page
    assert ">15.00<" in page
    assert visitor.store.papers(job) == ()


def test_a_wrong_line_is_told_at_its_field_and_nothing_is_lost(visitor: Visitor, job: int) -> None:
    answer = visitor.post(
        f"/jobs/{job}/quote", words_1="Parcel", quantity_1="many", price_1="", words_2="Drive", price_2="12"
    )
    assert answer.status_code == 422
    assert 'id="quantity_1-wrong"' in answer.text
    assert 'id="price_1-wrong"' in answer.text
    assert 'value="Drive"' in answer.text


def test_a_quote_given_out_is_numbered_and_printed_again_the_same(visitor: Visitor, job: int) -> None:
    assert visitor.post(f"/jobs/{job}/quote", words_1="Parcel", price_1="7.50", do="give").status_code == 303
    paper = visitor.store.papers(job)[0]
    assert paper.number == "LW-Q-0001"
    body = json.loads(paper.body_json)
    assert not list(Draft202012Validator(quote_schema()).iter_errors(body))
    first = visitor.get(f"/jobs/{job}/quote.pdf")
    assert first.headers["content-type"] == "application/pdf"
    # Whatever changes on the job and in the shop, the paper stays.
    visitor.post("/settings", **{**SHOP, "bench_rate_per_hour": "90", "shop_name": "Elsewhere"})
    again = visitor.get(f"/jobs/{job}/quote.pdf?paper={paper.id}")
    assert again.content == first.content
    said = words_of(first.content)
    for words in ("LW-Q-0001", "Lantern Works", "Parcel", "VAT, 20 %", "What may go wrong", "Payment within fourteen"):
        assert words in said, words
    assert "Draft" not in said
    # What was typed is done with.
    assert 'value="Parcel"' not in visitor.get(f"/jobs/{job}/quote").text


def test_a_draft_says_that_it_is_one(visitor: Visitor, job: int) -> None:
    said = words_of(visitor.get(f"/jobs/{job}/quote.pdf?draft=yes").content)
    assert "Draft, not given out" in said
    assert "LW-Q" not in said


def test_papers_are_tagged_and_at_most_two_pages(visitor: Visitor, job: int) -> None:
    visitor.post(f"/jobs/{job}/bill", words_1="Parcel", price_1="7.50", **everything_timed(visitor, job))
    for path in ("quote.pdf?draft=yes", "bill.pdf?draft=yes"):
        reader = PdfReader(io.BytesIO(visitor.get(f"/jobs/{job}/{path}").content))
        root: Any = reader.trailer["/Root"]
        assert root["/MarkInfo"]["/Marked"]
        assert root["/Lang"] == "en-GB"
        assert "/StructTreeRoot" in root
        assert reader.metadata is not None
        assert reader.metadata.title in {"Quote", "Bill"}
        assert len(reader.pages) <= 2
        assert b"pdfuaid:part" in root["/Metadata"].get_data()


def everything_timed(visitor: Visitor, job: int) -> dict[str, str]:
    """Minutes for every work of the log whose time nobody noted."""
    fields = Fields(visitor.get(f"/jobs/{job}/bill").text).inputs
    return {name: "30" for name, held in fields.items() if name.startswith("time_") and not held.get("value")}


def test_the_bill_asks_for_time_that_nobody_noted(visitor: Visitor, job: int) -> None:
    page = visitor.get(f"/jobs/{job}/bill").text
    assert "nobody noted it" in page
    assert "No sum while something is missing" in page
    refused = visitor.post(f"/jobs/{job}/bill", do="give")
    assert refused.status_code == 422
    assert "nobody noted it" in refused.text
    assert visitor.store.papers(job) == ()
    times = everything_timed(visitor, job)
    assert times
    assert visitor.post(f"/jobs/{job}/bill", do="give", **times).status_code == 303
    paper = visitor.store.papers(job)[0]
    assert paper.number == "LW-B-0001"
    body = json.loads(paper.body_json)
    assert not list(Draft202012Validator(bill_schema()).iter_errors(body))
    assert [line["amount"] for line in body["lines"]] == ["22.50", "4.20"]
    assert body["sum"]["total"] == "32.04"


def test_a_noted_time_follows_the_log_until_it_is_typed_over(visitor: Visitor, job: int) -> None:
    visitor.store.add_repair(job, {"fault": "rgb_lead_open", "outcome": "mended"}, minutes=40.0)
    times = everything_timed(visitor, job)
    repair = next(r for r in visitor.store.job(job).repairs if r.minutes == 40)
    field = f"time_repair-{repair.id}"
    visitor.post(f"/jobs/{job}/bill", do="reckon", **times, **{field: "40"})
    visitor.store.edit_repair(
        repair.id, {"fault": "rgb_lead_open", "outcome": "mended"}, version=repair.version, minutes=60.0
    )
    assert Fields(visitor.get(f"/jobs/{job}/bill").text).inputs[field]["value"] == "60"
    visitor.post(f"/jobs/{job}/bill", do="reckon", **times, **{field: "50"})
    assert "as typed" in visitor.get(f"/jobs/{job}/bill").text
    out = {f"out_repair-{repair.id}": "yes"}
    visitor.post(f"/jobs/{job}/bill", do="reckon", **times, **out)
    page = visitor.get(f"/jobs/{job}/bill").text
    assert "Mended" not in page.partition('id="h-sum"')[2]


def test_without_settings_the_page_leads_to_them(store: Store) -> None:
    visitor = Visitor(store)
    number = visitor.open_job()
    page = visitor.get(f"/jobs/{number}/quote").text
    assert 'href="/settings">Set up the shop' in page
    assert visitor.post(f"/jobs/{number}/quote", do="give").status_code == 422


def test_a_paper_of_another_job_is_not_shown(visitor: Visitor, job: int) -> None:
    visitor.post(f"/jobs/{job}/quote", do="give")
    other = visitor.open_job("Ferry hall")
    paper = visitor.store.papers(job)[0]
    assert visitor.get(f"/jobs/{other}/quote.pdf?paper={paper.id}").status_code == 404
    assert visitor.get("/jobs/999/quote").status_code == 404
    assert visitor.get("/jobs/999/bill.pdf").status_code == 404


def test_odd_letters_do_not_keep_a_paper_from_being_printed(visitor: Visitor, job: int) -> None:
    visitor.post(
        "/settings", **{**SHOP, "shop_name": "灯塔 #let x = 1 $ _a_ *b* @c <d> \\e", "terms_text": "[x](y) `z`"}
    )
    answer = visitor.get(f"/jobs/{job}/quote.pdf?draft=yes")
    assert answer.status_code == 200
    assert "#let x = 1 $ _a_ *b* @c <d> \\e" in words_of(answer.content)
