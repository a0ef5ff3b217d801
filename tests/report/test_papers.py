"""Papers are set from data: the same bytes, searchable, tagged, and no letter vanishes without a word."""

from __future__ import annotations

import datetime as dt
import io
from typing import Any

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.report.paper_letters import STANDS_IN, can_set, settable
from tubewright.report.papers import picture_svg, shortened, typeset, typeset_png, unset_words

AT = dt.datetime(2026, 3, 4, 10, 30, tzinfo=dt.UTC)
SOURCE = """#let d = json(bytes(sys.inputs.paper))
#set document(title: "A paper", date: auto)
#set text(font: "Libertinus Serif", lang: "en")
= A paper
#d.words

#d.unset
"""


def words_of(pdf: bytes) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


def test_the_same_data_gives_the_same_bytes_and_other_data_others() -> None:
    first, again, other = (typeset(SOURCE, {"words": w}, at=AT).pdf for w in ("pier", "pier", "mill"))
    assert first == again
    assert first != other


def test_it_is_tagged_dated_and_says_its_language() -> None:
    reader = pypdf.PdfReader(io.BytesIO(typeset(SOURCE, {"words": "pier"}, at=AT).pdf))
    root: Any = reader.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    assert reader.metadata is not None
    assert reader.metadata.title == "A paper"
    assert reader.metadata.creation_date == AT
    declared = reader.xmp_metadata
    assert declared is not None
    xmp = declared.stream.get_data().decode()
    assert "<pdfuaid:part>1</pdfuaid:part>" in xmp
    assert "<pdfaid:part>2</pdfaid:part>" in xmp
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in xmp


@pytest.mark.parametrize(
    "name", ["Jürgen Größel", "Ελένη Παππά", "Олена Шевченко", "Łukasz Ďaďo", "Nguyễn Ánh", "½ Ω ±"]
)
def test_names_in_letters_of_europe_and_beyond_are_set_as_they_are(name: str) -> None:
    made = typeset(SOURCE, {"words": name}, at=AT)
    assert made.stood_in_for == 0
    assert name in words_of(made.pdf)


def test_letters_that_are_lacking_are_stood_in_for_and_told() -> None:
    made = typeset(SOURCE, {"words": "Sato 佐藤, 😀"}, at=AT)
    assert made.stood_in_for == 3
    text = words_of(made.pdf)
    assert f"Sato {STANDS_IN}{STANDS_IN}" in text
    assert "stands for a letter that this paper's typeface lacks" in " ".join(text.split())
    assert unset_words(0) == ""


def test_a_mark_that_no_typeface_can_put_on_its_letter_is_told_too() -> None:
    made = typeset(SOURCE, {"words": "x\u1ab0\u0f71 中\u0301"}, at=AT)
    assert made.stood_in_for >= 1
    assert "stands for" in words_of(made.pdf)


def test_what_somebody_typed_is_never_read_as_source() -> None:
    typed = '#panic("no") $x$ *bold* ] #image("/etc/passwd") <svg onload=x>'
    assert typed.replace(" ", "") in words_of(typeset(SOURCE, {"words": typed}, at=AT).pdf).replace(" ", "").replace(
        "\n", ""
    )


def test_signs_that_steer_direction_are_taken_out() -> None:
    assert settable("pay\u202e 100\u2069 ok\x07.") == ("pay 100 ok .", 0)
    assert settable("one\r\ntwo\rthree") == ("one\ntwo\nthree", 0)


def test_pages_are_drawn_and_pictures_travel_with_the_data() -> None:
    tiny = bytes.fromhex("ffd8ffe000104a46494600010100000100010000")
    assert picture_svg(tiny, "image/jpeg", 4, 3).startswith('<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 3"')
    pages = typeset_png(SOURCE, {"words": "pier"}, dots_per_inch=20)
    assert [page[:4] for page in pages] == [b"\x89PNG"]


@given(text=st.text(max_size=300), most=st.integers(10, 80))
def test_a_shortened_text_is_never_longer_and_says_that_it_was_cut(text: str, most: int) -> None:
    short = shortened(text, most)
    assert len(short) <= most
    whole = " ".join(text.split())
    assert short == whole if len(whole) <= most else short.endswith("…")


@settings(max_examples=40, deadline=None)
@given(text=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=60))
def test_any_text_can_be_set(text: str) -> None:
    made = typeset(SOURCE, {"words": text}, at=AT)
    lost = sum(not can_set(letter) for letter in settable(text)[0] if letter != "\n")
    assert lost == 0
    assert made.pdf.startswith(b"%PDF")
