"""Labels: every code is read back from the drawn sheet and opens what it names; sizes are the user's own."""

from __future__ import annotations

import datetime as dt
import io
from functools import lru_cache
from typing import Final
from xml.etree import ElementTree as ET

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tubewright.answers.stock import Item
from tubewright.answers.stock_kinds import kinds
from tubewright.errors import InputError
from tubewright.knowledge.load import load_knowledge
from tubewright.report.labels import (
    QUIET_MODULES,
    SHEETS,
    Label,
    LabelSheet,
    base_address,
    item_label,
    labels_pdf,
    labels_svg,
    qr_svg,
    reaches_phones,
    sheet_of,
)

AT: Final = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)
BASE: Final = "http://192.0.2.107:8765"
PPI: Final = 200.0


def label(number: int, base: str = BASE) -> Label:
    return Label(
        address=f"{base}/i/C0DE{number:03d}",
        code=f"C0DE{number:03d}",
        name=f"47 µF 50 V, low-ESR aluminium electrolytic, number {number}",
        lines=("ripple 0.25 A, leads 5 mm apart", "drawer A3"),
    )


@lru_cache(maxsize=4)
def printed(sheet: str, count: int, skip: int = 0) -> tuple[bytes, tuple[NDArray[np.uint8], ...]]:
    """The PDF, and its pages as a printer draws them."""
    pdf = labels_pdf([label(n) for n in range(count)], SHEETS[sheet][1], skip=skip, at=AT).pdf
    document = pypdfium2.PdfDocument(pdf)
    pages = tuple(np.asarray(page.render(scale=PPI / 72, grayscale=True).to_numpy()).squeeze() for page in document)
    document.close()
    return pdf, pages


def place(page: NDArray[np.uint8], sheet: LabelSheet, number: int) -> NDArray[np.uint8]:
    """One label cut out of a page."""
    row, column = divmod(number, sheet.columns)
    x = sheet.left_mm + column * (sheet.label_width_mm + sheet.gap_across_mm)
    y = sheet.top_mm + row * (sheet.label_height_mm + sheet.gap_down_mm)
    px = PPI / 25.4
    return page[
        round(y * px) : round((y + sheet.label_height_mm) * px), round(x * px) : round((x + sheet.label_width_mm) * px)
    ]


def decoded(picture: NDArray[np.uint8]) -> str:
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(np.ascontiguousarray(picture))
    return text


@pytest.mark.parametrize("name", SHEETS)
def test_each_code_on_the_sheet_opens_its_own_item(name: str) -> None:
    sheet = SHEETS[name][1]
    count = min(sheet.columns * sheet.rows, 7)
    _, (page, *_) = printed(name, count)
    for number in range(count):
        assert decoded(place(page, sheet, number)) == label(number).address


def test_used_places_stay_empty_and_the_rest_goes_on_the_next_sheet() -> None:
    sheet = SHEETS["a4-21"][1]
    _, pages = printed("a4-21", 6, 18)
    assert len(pages) == 2
    assert place(pages[0], sheet, 17).min() > 200
    assert [decoded(place(pages[0], sheet, 18 + n)) for n in range(3)] == [label(n).address for n in range(3)]
    assert [decoded(place(pages[1], sheet, n)) for n in range(3)] == [label(3 + n).address for n in range(3)]


def test_the_pdf_is_true_to_size_and_its_words_can_be_searched() -> None:
    pdf, _ = printed("a4-21", 7)
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    box = reader.pages[0].mediabox
    assert [float(side) * 25.4 / 72 for side in (box.width, box.height)] == pytest.approx([210, 297], abs=0.1)
    text = reader.pages[0].extract_text()
    for words in ("C0DE003", "47 µF 50 V", "drawer A3"):
        assert words in text
    assert pdf == labels_pdf([label(n) for n in range(7)], SHEETS["a4-21"][1], at=AT).pdf, (
        "the same labels, the same bytes"
    )


def test_white_stays_round_every_code() -> None:
    sheet = SHEETS["a4-21"][1]
    _, (page, *_) = printed("a4-21", 7)
    one = place(page, sheet, 4)
    _, corners = cv2.QRCodeDetector().detect(one)
    (left, top), (right, bottom) = corners[0].min(axis=0), corners[0].max(axis=0)
    module = (right - left) / qr_svg(label(4).address)[1]
    quiet = QUIET_MODULES * module
    for strip in (
        one[round(top - quiet) + 1 : round(top) - 1, round(left) : round(right)],
        one[round(bottom) + 2 : round(bottom + quiet) - 1, round(left) : round(right)],
        one[round(top) : round(bottom), round(right) + 2 : round(right + quiet) - 1],
    ):
        assert strip.size
        assert strip.min() > 200


def test_sizes_of_the_users_own_are_taken() -> None:
    sheet = sheet_of("a4-21", {"columns": 2, "label_width_mm": 80.0, "left_mm": 10.0, "gap_across_mm": None})
    assert (sheet.columns, sheet.label_width_mm, sheet.left_mm, sheet.gap_across_mm) == (2, 80, 10, 2.5)
    drawn = labels_svg([label(1), label(2)], sheet)
    root = ET.fromstring(drawn[0])  # noqa: S314 - our own drawing
    assert [float(root.get(name, "0").removesuffix("pt")) for name in ("width", "height")] == pytest.approx(
        [210 / 25.4 * 72, 297 / 25.4 * 72], abs=0.1
    )


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"label_width_mm": 90.0}, "label_width_mm"),
        ({"rows": 9}, "label_height_mm"),
        ({"label_height_mm": 8.0}, "label_height_mm"),
        ({"label_height_mm": 0.0}, "label_height_mm"),
        ({"columns": 0}, "columns"),
        ({"paper_width_mm": 1e9}, "paper_width_mm"),
        ({"left_mm": float("nan")}, "left_mm"),
    ],
)
def test_sizes_that_cannot_be_are_told_at_their_field(changes: dict[str, float], field: str) -> None:
    with pytest.raises(InputError) as told:
        sheet_of("a4-21", changes)
    assert field in {fault.where for fault in told.value.faults}


def test_what_cannot_be_printed_is_told() -> None:
    sheet = SHEETS["a4-21"][1]
    for labels, skip, says in (
        ([], 0, "nothing to label"),
        ([label(1)] * 501, 0, "501 labels"),
        ([label(1)], 21, "21 places"),
    ):
        with pytest.raises(InputError, match=says):
            labels_svg(labels, sheet, skip=skip)
    small = sheet_of("a4-21", {"label_height_mm": 13.0, "label_width_mm": 20.0})
    with pytest.raises(InputError, match=r"the code of C0DE001 needs 1\d mm, and the label leaves 10 mm"):
        labels_svg([label(1)], small)
    with pytest.raises(InputError, match="too long for a code"):
        qr_svg("x" * 3000)
    with pytest.raises(InputError, match="there is no sheet"):
        sheet_of("b5", {})


@pytest.mark.parametrize(
    ("typed", "base"),
    [
        ("http://192.0.2.7:8765", "http://192.0.2.7:8765"),
        (" https://bench.example/ ", "https://bench.example"),
        ("http://[2001:db8::7]:8765", "http://[2001:db8::7]:8765"),
    ],
)
def test_an_address_is_taken_as_it_is_reached(typed: str, base: str) -> None:
    assert base_address(typed) == base


@pytest.mark.parametrize(
    "typed",
    ["", "bench", "ftp://a", "http://", "http://a b", "http://a?x=1", "http://a#b", "http://u:p@a", "http://a:99999",
     "javascript:alert(1)", "http://é", "http://" + "a" * 300, "http://a\nb"],
)  # fmt: skip
def test_what_no_phone_could_open_is_refused(typed: str) -> None:
    with pytest.raises(InputError, match="is no address of a bench"):
        base_address(typed)


def test_an_address_of_the_machine_to_itself_is_known() -> None:
    assert reaches_phones("http://192.0.2.7:8765")
    assert not any(reaches_phones(f"http://{host}:8765") for host in ("127.0.0.1", "localhost", "[::1]", "127.1.2.3"))


def test_an_item_says_on_its_label_what_its_name_leaves_out() -> None:
    item = Item(
        id=1, code="01ABX7Q", sort="part", kind="electrolytic_low_esr",
        name="47 µF 50 V, low-ESR aluminium electrolytic",
        attributes={"capacitance_uf": 47.0, "voltage_v": 50.0, "ripple_a": 0.25}, place="drawer A3",
    )  # fmt: skip
    made = item_label(item, BASE, kinds(load_knowledge()))
    assert made == Label(
        address=f"{BASE}/i/01ABX7Q", code="01ABX7Q", name=item.name, lines=("ripple 0.25 A", "drawer A3")
    )


def test_letters_that_the_typeface_lacks_are_stood_in_for() -> None:
    odd = Label(address=f"{BASE}/i/1", code="1", name="漢字", lines=("x" * 200, "</svg>#{1+1}"))
    done = labels_pdf([odd], SHEETS["a4-21"][1], at=AT)
    assert done.stood_in_for == 2
    assert "#{1+1}" in pypdf.PdfReader(io.BytesIO(done.pdf)).pages[0].extract_text()


@settings(max_examples=25)
@given(st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=60))
def test_any_address_is_read_back_from_its_code(path: str) -> None:
    text = f"http://192.0.2.7/{path}"
    svg, across = qr_svg(text)
    root = ET.fromstring(svg)  # noqa: S314 - our own drawing
    (shape,) = root
    scale = 8
    picture = np.full(((across + 8) * scale, (across + 8) * scale), 255, np.uint8)
    filled = np.zeros_like(picture)
    for line in str(shape.get("d")).removesuffix("Z").split("Z"):
        points = [[int(float(n) * scale) + 4 * scale for n in point.split()] for point in line[1:].split("L")]
        one = np.zeros_like(picture)
        cv2.fillPoly(one, [np.array(points, np.int32)], 1)
        filled ^= one
    picture[filled == 1] = 0
    assert decoded(picture) == text
