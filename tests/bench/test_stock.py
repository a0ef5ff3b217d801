"""The pages of the stock: typed, counted, reserved, used, ordered, labelled; conflicts and mistakes lose nothing."""

from __future__ import annotations

import csv
import html
import io
import re
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np
import pypdf
import pytest
from jsonschema_rs import Draft202012Validator

from bench.benches import ORIGIN, Visitor
from bench.browsing import Fields
from bench.stocked import EXAMPLES, fill_stock, shelve_tube
from tubewright.files.stock_schema import SCHEMAS
from tubewright.knowledge.load import load_knowledge

if TYPE_CHECKING:
    from httpx2 import Response

BOARD: Final = (EXAMPLES / "larkspur-19.csv").read_text(encoding="utf-8")
CAUTIONS: Final = load_knowledge().cautions


def plain(answer: Response) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())


def send(visitor: Visitor, path: str, data: bytes | None = None, **fields: str) -> Response:
    """Send a form that takes a file, with one or without."""
    return visitor.client.post(
        path,
        data={**fields, "form_token": visitor.token()},
        files=[("file", ("list.csv", data or b"") if data is not None else ("", b""))],
        headers={"origin": ORIGIN},
        follow_redirects=False,
    )


def test_an_empty_stock_says_how_to_begin(visitor: Visitor) -> None:
    said = plain(visitor.get("/stock"))
    assert "Nothing in stock yet" in said
    assert "Nothing is to be ordered" in plain(visitor.get("/stock/order"))


def test_a_part_typed_in_a_few_words_is_found_by_them(visitor: Visitor) -> None:
    answer = visitor.post("/stock/new", what="47u 50V 105C low esr", quantity="20", place="drawer A3")
    assert answer.status_code == 303
    page = visitor.get(answer.headers["location"])
    said = plain(page)
    assert "Saved in the stock." in said
    for words in ("47 µF 50 V, low-ESR aluminium electrolytic, 105 C", "Rated voltage 50 V", "drawer A3"):
        assert words in said
    for q, fits in (("47 50", True), ("a3", True), ("tantalum", False)):
        assert ("low-ESR aluminium" in plain(visitor.get(f"/stock?q={q}"))) is fits, q
    assert "Undo" in page.text
    change = re.search(r'name="change" value="(\d+)"', page.text)
    assert change is not None
    visitor.post("/undo", change=change[1], back="/stock")
    assert "Nothing in stock yet" in plain(visitor.get("/stock"))


def test_fields_are_those_of_the_kind_and_mistakes_stand_beside_them(visitor: Visitor) -> None:
    form = Fields(visitor.get("/stock/new?kind=film_polypropylene").text)
    assert {"capacitance_uf", "pulse_v_per_us", "safety_class", "quantity"} <= set(form.inputs)
    assert "neck_mm" not in form.inputs
    assert "neck_mm" in Fields(visitor.get("/stock/new?kind=tube").text).inputs
    answer = visitor.post(
        "/stock/new", kind="film_polypropylene", capacitance_uf="330", voltage_v="400 V", quantity="few"
    )
    assert answer.status_code == 422
    said = plain(answer)
    assert "2 things need mending" in said
    assert 'aria-describedby="capacitance_uf-hint capacitance_uf-wrong"' in answer.text
    assert 'value="400 V"' in answer.text, "what was typed stays"
    assert not visitor.store.all_items()
    assert visitor.post("/stock/new", what="gibberish").status_code == 422
    assert visitor.post("/stock/new", kind="tube", label="Q1", tube="99").status_code == 422


def test_an_item_is_changed_and_its_history_tells(visitor: Visitor) -> None:
    item = fill_stock(visitor)["47 µF 50 V"]
    page = visitor.get(f"/stock/{item.id}/edit").text
    fields = {name: html.unescape(held.get("value") or "") for name, held in Fields(page).inputs.items()}
    kept = {name: value for name, value in fields.items() if name not in {"form_token", "theme", "back"}}
    kept |= {"kind": "electrolytic_low_esr", "polar": "yes"}
    answer = visitor.post(f"/stock/{item.id}/edit", **{**kept, "voltage_v": "63", "quantity": "12"})
    assert answer.status_code == 303, plain(answer)
    now = visitor.store.item(item.id)
    assert (now.attributes["voltage_v"], now.attributes["polar"], now.quantity) == (63, True, 12)
    assert now.attributes["ripple_a"] == item.attributes["ripple_a"], "what was not touched is as it was"
    assert now.name.startswith("47 µF 63 V")
    said = plain(visitor.get(f"/stock/{item.id}"))
    assert "quantity: 20 → 12" in said
    assert "rated voltage: 50 V → 63 V" in said
    late = visitor.post(f"/stock/{item.id}/edit", **{**kept, "place": "elsewhere"})
    assert late.status_code == 409
    assert "Somebody else changed this" in plain(late)
    assert visitor.store.item(item.id).place == "drawer A3"


def test_counting_is_one_field_and_a_late_count_overwrites_nothing(visitor: Visitor) -> None:
    item = fill_stock(visitor)["10 µF 63 V"]
    path = f"/stock/{item.id}/count"
    assert visitor.post(path, quantity="4", version=str(item.version)).status_code == 303
    assert visitor.store.item(item.id).quantity == 4
    late = visitor.post(path, quantity="9", version=str(item.version))
    assert late.status_code == 409
    assert "there are 4 by the records now" in plain(late)
    assert visitor.post(path, quantity="x", version="1").status_code == 422
    assert visitor.post(path, quantity="", version="1").status_code == 422


def test_an_item_is_struck_out_unless_a_job_has_to_know_it(visitor: Visitor) -> None:
    items = fill_stock(visitor)
    job = visitor.open_job()
    cap, fuse = items["10 µF 63 V"], items["fuse"]
    visitor.store.reserve(job, fuse.id)
    strike = {"strike": "yes", "kind": "fuse"}
    assert visitor.post(f"/stock/{cap.id}/edit", version=str(cap.version), **strike).status_code == 303
    kept = visitor.post(f"/stock/{fuse.id}/edit", version=str(visitor.store.item(fuse.id).version), **strike)
    assert kept.status_code in {409, 422}
    assert len(visitor.store.all_items()) == 9


def test_a_label_leads_to_its_item_however_it_is_typed(visitor: Visitor) -> None:
    item = fill_stock(visitor)["fuse"]
    for code in (item.code, item.code.lower()):
        answer = visitor.client.get(f"/i/{code}", follow_redirects=False)
        assert (answer.status_code, answer.headers["location"]) == (303, f"/stock/{item.id}")
    assert visitor.get("/i/ZZZZZZZ").status_code == 404
    assert visitor.get("/i/" + "x" * 300).status_code == 404


def test_a_tube_in_stock_shows_its_readings_and_what_its_label_says(visitor: Visitor) -> None:
    item = shelve_tube(visitor)
    said = plain(visitor.get(f"/stock/{item.id}"))
    assert "red emission" in said
    assert "46 cm viewable" in said
    assert "A label never tells heater" in said
    assert f'href="/tubes/{item.tube_id}"' in visitor.get(f"/stock/{item.id}").text
    assert "46 cm viewable" in plain(visitor.get(f"/tubes/{item.tube_id}"))


# --- lists -----------------------------------------------------------------------------------


def test_a_list_comes_in_and_goes_out(visitor: Visitor) -> None:
    answer = send(visitor, "/stock/import", (EXAMPLES / "stock.csv").read_bytes())
    assert answer.status_code == 303
    out = visitor.get("/stock/export.csv")
    assert out.headers["content-disposition"] == 'attachment; filename="stock.csv"'
    assert len(list(csv.DictReader(io.StringIO(out.text)))) == 10
    refused = send(visitor, "/stock/import", out.content)
    assert refused.status_code == 422
    assert plain(refused).count("the stock holds") == 10
    again = send(visitor, "/stock/import", out.content, update="on")
    assert again.status_code == 303
    assert visitor.get("/stock/export.csv").content == out.content
    strange = out.text.replace(visitor.store.all_items()[0].code, "ABCDEFG")
    told = send(visitor, "/stock/import", None, list=strange, update="on")
    assert told.status_code == 200
    assert "Print its label anew" in plain(told)


def test_mistakes_of_a_list_come_together_and_it_stays_in_its_field(visitor: Visitor) -> None:
    answer = send(visitor, "/stock/import", None, list="kind;quantity\nfuse;x\nelko;1\nblob;1\n")
    assert answer.status_code == 422
    said = plain(answer)
    assert "List line 2, quantity: “x” is no whole number" in said
    assert "List line 4, kind: no kind of item is called “blob”" in said
    assert "blob;1" in answer.text
    assert not visitor.store.all_items()
    assert send(visitor, "/stock/import", None).status_code == 422
    assert "larger than 1 MB" in plain(send(visitor, "/stock/import", b"x" * 1_000_001))
    assert send(visitor, "/stock/import", b"\x00\xff" * 80).status_code == 422


# --- a job's parts ----------------------------------------------------------------------------


def test_a_job_reserves_uses_and_gives_back(visitor: Visitor) -> None:
    items = fill_stock(visitor)
    job = visitor.open_job()
    found = visitor.get(f"/jobs/{job}/parts?q=220").text
    assert f'name="item" value="{items["220 µF 400 V"].id}"' in found
    cap = str(items["220 µF 400 V"].id)
    assert visitor.post(f"/jobs/{job}/parts/reserve", item=cap, pieces="2").status_code == 303
    few = visitor.post(f"/jobs/{job}/parts/reserve", item=cap, pieces="1", q="220")
    assert few.status_code == 422
    assert "none is free" in plain(few).replace("None", "none")
    assert visitor.post(f"/jobs/{job}/parts/reserve", item=cap, pieces="1", order="on").status_code == 303
    first, second = visitor.store.reservations(job)
    used = visitor.post(f"/jobs/{job}/parts/{first.id}/use", version=str(first.version))
    page = visitor.get(used.headers["location"])
    said = plain(page)
    assert "Used; it is off the stock and in the cost." in said
    assert "Used: 5.80 EUR. Reserved: 2.90 EUR." in said
    assert visitor.store.item(int(cap)).quantity == 0
    late = visitor.post(f"/jobs/{job}/parts/{first.id}/release", version=str(first.version))
    assert late.status_code == 409
    change = re.search(r'name="change" value="(\d+)"', page.text)
    assert change is not None
    visitor.post("/undo", change=change[1], back=f"/jobs/{job}/parts")
    assert visitor.store.item(int(cap)).quantity == 2
    assert visitor.post(f"/jobs/{job}/parts/{second.id}/release", version=str(second.version)).status_code == 303
    other = visitor.open_job("Another")
    assert visitor.post(f"/jobs/{other}/parts/{first.id}/use", version="1").status_code == 404
    assert visitor.post(f"/jobs/{job}/parts/reserve", item="").status_code == 422
    assert f"/jobs/{job}/parts" in visitor.get(f"/jobs/{job}/repairs").text


def test_what_is_reserved_from_the_items_page_shows_on_both(visitor: Visitor) -> None:
    fuse = fill_stock(visitor)["fuse"]
    job = visitor.open_job()
    assert visitor.post(f"/stock/{fuse.id}/reserve", job=str(job), pieces="12").status_code == 422
    assert visitor.post(f"/stock/{fuse.id}/reserve", job="", pieces="1").status_code == 422
    assert visitor.post(f"/stock/{fuse.id}/reserve", job=str(job), pieces="12", order="on").status_code == 303
    assert "10, 12 reserved; 7 to order" in plain(visitor.get(f"/stock/{fuse.id}"))
    assert "12 reserved" in plain(visitor.get(f"/jobs/{job}/parts"))
    said = plain(visitor.get("/stock/order"))
    assert f"job {job}" in said
    (row,) = csv.DictReader(io.StringIO(visitor.get("/stock/order.csv").text))
    assert (row["count"], row["for_jobs"], row["supplier"]) == ("7", str(job), "Harbour Parts")
    assert "fuse" in plain(visitor.get("/stock?show=short"))
    assert "10 µF" not in plain(visitor.get("/stock?show=short"))


def test_a_boards_list_is_served_cautions_first_and_taken_in_one_touch(visitor: Visitor) -> None:
    fill_stock(visitor)
    job = visitor.open_job()
    assert send(visitor, f"/jobs/{job}/parts/recap", None).status_code == 422
    assert send(visitor, f"/jobs/{job}/parts/recap", None, board=BOARD, air="hot").status_code == 422
    answer = send(visitor, f"/jobs/{job}/parts/recap", BOARD.encode(), hours_per_week="20")
    assert answer.status_code == 200
    text = html.unescape(answer.text)
    assert text.index(CAUTIONS["local_rules"].text) < text.index(CAUTIONS["gate_power_off"].confirm)
    assert text.index(CAUTIONS["gate_power_off"].confirm) < text.index("parts from the stock")
    assert "C911" in text
    rows = re.findall(r'<th scope="row">(C\d+)</th>', answer.text)
    assert "C911" in rows
    assert "C401" not in rows, "never altered, never offered"
    assert not visitor.store.reservations(job)
    form = answer.text.partition(f'action="/jobs/{job}/parts/recap/take"')[2].partition("</form>")[0]
    carried = {name: html.unescape(value) for name, value in re.findall(r'name="(\w+)" value="([^"]*)"', form)}
    headline = re.search(r"(\d+) of (\d+) parts from the stock, (\d+) to order", text)
    assert headline is not None
    del carried["form_token"]
    only = visitor.post(f"/jobs/{job}/parts/recap/take", **{**carried, "order": "no"})
    assert only.status_code == 303
    assert sum(one.quantity for one in visitor.store.reservations(job)) == int(headline[1])
    visitor.store.undo()
    assert not visitor.store.reservations(job), "one touch, one change to take back"
    carried.pop("order", None)
    assert visitor.post(f"/jobs/{job}/parts/recap/take", **carried).status_code == 303
    taken = visitor.store.reservations(job)
    assert sum(one.quantity for one in taken) == int(headline[1]) + int(headline[3])
    assert all(one.note.startswith("for C") for one in taken)
    assert all(job in line.for_jobs for line in visitor.store.order_list())
    assert "C911" in plain(visitor.get(f"/jobs/{job}/parts"))


# --- labels ------------------------------------------------------------------------------------


def test_the_label_of_an_item_opens_it(visitor: Visitor) -> None:
    item = fill_stock(visitor)["fuse"]
    query = f"item={item.id}&base=http%3A%2F%2F192.0.2.7%3A8765&sheet=roll-62"
    page = visitor.get(f"/stock/labels?{query}")
    assert page.status_code == 200
    assert "One label on one sheet" in plain(page)
    assert "No phone reaches" not in plain(page)
    pdf = visitor.get(f"/stock/labels.pdf?{query}")
    assert pdf.headers["content-type"] == "application/pdf"
    assert item.code in pypdf.PdfReader(io.BytesIO(pdf.content)).pages[0].extract_text()
    drawing = visitor.get(f"/stock/labels.svg?{query}")
    assert drawing.headers["content-type"] == "image/svg+xml"
    assert "sandbox" in drawing.headers["content-security-policy"]
    address = _scanned(pdf.content)
    assert address == f"http://192.0.2.7:8765/i/{item.code}"
    answer = visitor.client.get(address.removeprefix("http://192.0.2.7:8765"), follow_redirects=False)
    assert answer.headers["location"] == f"/stock/{item.id}"


def _scanned(pdf: bytes) -> str:
    import pypdfium2

    page = pypdfium2.PdfDocument(pdf)[0]
    picture = np.ascontiguousarray(page.render(scale=4, grayscale=True).to_numpy().squeeze())
    return cv2.QRCodeDetector().detectAndDecode(picture)[0]


def test_the_address_is_that_of_the_network_where_there_is_one(visitor: Visitor) -> None:
    fill_stock(visitor)
    alone = visitor.get("/stock/labels")
    assert f'value="{ORIGIN}"' in alone.text
    assert "No phone reaches this address" in plain(alone)
    visitor.app.state.lan_address = "http://192.0.2.9:8765"
    assert 'value="http://192.0.2.9:8765"' in visitor.get("/stock/labels").text


def test_jobs_and_displays_have_labels_and_no_owner_stands_on_them(visitor: Visitor) -> None:
    job = visitor.open_job(owner="Ida Quill", tube_label="M46QAA01X01")
    pdf = visitor.get(f"/stock/labels.pdf?job={job}&display=1&base=http://192.0.2.7:8765").content
    text = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
    assert f"JOB {job}" in text
    assert "DISPLAY 1" in text
    assert "Pier arcade" in text
    assert "Ida" not in text


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("item=1&base=ftp://a", "is no address of a bench"),
        ("item=1&label_width_mm=90", "the labels take"),
        ("item=1&label_width_mm=x", "is not a length"),
        ("item=1&sheet=b5", "there is no sheet"),
        ("item=1&skip=99", "a sheet has 21 places"),
        ("item=x", "is no number of a record"),
    ],
)
def test_labels_that_cannot_be_are_told(visitor: Visitor, query: str, words: str) -> None:
    fill_stock(visitor)
    answer = visitor.get(f"/stock/labels?{query}")
    assert answer.status_code == 422
    assert words.casefold() in plain(answer).casefold()
    assert visitor.get(f"/stock/labels.pdf?{query}").status_code == 422


def test_what_is_not_there_is_said_so(visitor: Visitor) -> None:
    for path in ("/stock/99", "/stock/99/edit", "/stock/labels?item=99", "/jobs/99/parts", "/donor?job=99"):
        assert visitor.get(path).status_code == 404, path


def test_programs_get_the_same_bodies_as_the_command(visitor: Visitor) -> None:
    fuse = fill_stock(visitor)["fuse"]
    job = visitor.open_job()
    visitor.store.reserve(job, fuse.id, 12, order=True)
    for path, schema in (
        ("/api/stock", "stock"), ("/api/stock/order", "stock-order"), (f"/api/jobs/{job}/parts", "stock-parts"),
    ):  # fmt: skip
        body = visitor.get(path).json()
        assert not [error.message for error in Draft202012Validator(SCHEMAS[schema]()).iter_errors(body)], path
    assert body["parts"][0]["quantity"] == 12
    assert visitor.get("/api/jobs/99/parts").status_code == 404


def test_the_history_tells_of_the_stock_in_words(visitor: Visitor) -> None:
    fuse = fill_stock(visitor)["fuse"]
    job = visitor.open_job()
    visitor.store.reserve(job, fuse.id, 2)
    said = plain(visitor.get("/history"))
    assert "Reservation added" in said
    assert "10 stock items added" in said
    assert "attributes_json" not in said
