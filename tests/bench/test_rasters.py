"""The page of rasters gives what the command line gives: figures, mode line, EDID; cautions first, faults at fields."""

from __future__ import annotations

import html
import re
from urllib.parse import unquote

import pytest

from bench.benches import Visitor
from programs import need, output_of
from tubewright.knowledge.load import load_knowledge

CAUTION = load_knowledge().cautions["line_rate"]
ADDRESSES = (
    "/rasters",
    "/rasters?work=name&name=625-50i&mount=vertical",
    "/rasters?work=formula&formula=1.2&f_width=640&f_height=480&f_rate=60&interlaced=on",
    "/rasters?work=fit&width=320&height=240&rate=60&like=15k",
)


@pytest.mark.parametrize("address", ADDRESSES)
def test_the_caution_stands_before_everything(visitor: Visitor, address: str) -> None:
    answer = visitor.get(address)
    assert answer.status_code == 200
    text = html.unescape(answer.text)
    assert text.index(CAUTION.text) < text.index(CAUTION.confirm) < text.index("<form", text.index("<main"))
    if "work" in address:
        assert text.index(CAUTION.confirm) < text.index('id="found"') < text.index("Modeline")


def test_every_raster_can_be_chosen_and_shown(visitor: Visitor) -> None:
    offered = re.findall(r'<option value="([^"]+)"', visitor.get("/rasters").text.partition('id="name"')[2])
    names = set(load_knowledge().rasters)
    assert names <= set(offered)
    for name in sorted(names):
        text = visitor.get(f"/rasters?work=name&name={name}").text
        assert f"Modeline &#34;{name}&#34;" in text
        assert text.count('role="img" aria-label="') == 2


def test_the_drawing_says_in_words_what_it_shows(visitor: Visitor) -> None:
    text = visitor.get("/rasters?work=name&name=dmt-640x480-60").text
    assert 'aria-label="One line in time: sync 3.813 µs, back porch 1.907 µs, picture 25.422 µs' in text
    assert "800 dots by 525 lines, of which 640 by 480 are picture, 73 % of the time" in text
    assert "style=" not in text.partition("<main")[2]  # the policy would drop it


def test_upright_is_said_of_a_display_on_its_side(visitor: Visitor) -> None:
    text = visitor.get("/rasters?work=name&name=arcade-15k-320x240&mount=vertical").text
    assert "seen upright as 240 x 320" in text
    fitted = visitor.get("/rasters?work=fit&width=240&height=320&rate=60&like=15k&fit_mount=vertical").text
    assert "fit-320x240-60" in fitted


def test_what_cannot_be_met_is_said(visitor: Visitor) -> None:
    text = html.unescape(visitor.get("/rasters?work=fit&width=384&height=288&rate=60&like=15k").text)
    assert "60 Hz can't be met: 288 lines and 1.1 ms of field blanking" in text
    assert "Or: 384 x 248 at 60.00 Hz" in text
    assert "Assumed of the chassis, as common in class 15k" in text


def test_edid_is_taken_away_as_the_page_promises(visitor: Visitor) -> None:
    page = visitor.get("/rasters?work=fit&width=320&height=240&rate=60&line_low=15.2&line_high=16.2").text
    link = re.search(r'href="(/rasters/raster\.bin\?[^"]+)"', page)
    assert link is not None
    answer = visitor.get(html.unescape(link[1]))
    assert answer.headers["content-type"] == "application/octet-stream"
    assert re.fullmatch(r'attachment; filename="[\w.-]+\.edid\.bin"', unquote(answer.headers["content-disposition"]))
    assert len(answer.content) == 128
    assert "EDID conformity: PASS" in output_of(need("edid-decode"), "--check", given=answer.content)


def test_a_raster_that_edid_cannot_hold_has_still_its_mode_line(visitor: Visitor) -> None:
    text = visitor.get("/rasters?work=formula&formula=1.2&f_width=5000&f_height=480&f_rate=60").text
    assert "a detailed timing holds at most 4095" in text
    assert "Modeline" in text
    assert "raster.bin" not in text
    assert (
        visitor.get("/rasters/raster.bin?work=formula&formula=1.2&f_width=5000&f_height=480&f_rate=60").status_code
        >= 400
    )


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("work=name&name=arcade-16k", "Nearest are arcade-15k"),
        ("work=formula&formula=cvt&f_width=1&f_height=a&f_rate=", "is not a whole number"),
        ("work=formula&formula=xcvt&f_width=4&f_height=480&f_rate=60", "4 dots of width is not a picture"),
        ("work=formula&formula=xcvt&f_width=640&f_height=480&f_rate=60&interlaced=on", "Take rule 1.2"),
        ("work=formula&formula=gtf&f_width=320&f_height=240&f_rate=60", "front porch of -16 dots"),
        ("work=fit&width=320&height=240&rate=60", "nothing is known of the display's line rate"),
        ("work=fit&width=320&height=240&rate=60&line_low=16&line_high=15", "the line rates don't make a range"),
        ("work=fit&width=320&height=240&rate=60&like=15k&retrace=70", "nothing of a line is left"),
        ("work=fit&width=9&height=240&rate=60&like=15k", "9 dots of width is not a picture"),
        ("work=fit&rate=60&like=99k", "not one of the choices"),
    ],
)
def test_a_wish_that_cannot_be_is_answered_in_words_and_kept(visitor: Visitor, query: str, words: str) -> None:
    answer = visitor.get(f"/rasters?{query}")
    text = html.unescape(answer.text)
    assert answer.status_code == 422
    assert words in text
    assert 'role="alert"' in text
    assert 'id="found"' not in text
    for field, typed in re.findall(r"((?:f_)?width)=(\d+)", query):
        assert re.search(rf'id="{field}"[^>]* value="{typed}"', text)


def test_an_address_that_leads_nowhere_is_no_failure_of_ours(visitor: Visitor) -> None:
    for address in ("/rasters?work=magic", "/rasters/raster.bin", "/rasters/raster.bin?work=name&name=none"):
        answer = visitor.get(address)
        assert 400 <= answer.status_code < 500, address
        assert "Traceback" not in answer.text
