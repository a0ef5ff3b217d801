"""The sheet of tags is true to size: read back from the rendered page, tag by tag and bar by bar."""

from __future__ import annotations

import json
import re
from functools import lru_cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tubewright.picture.patterns.tags import STRIPS, TAG_MM, TAG_PITCH_MM, TAGS_PER_STRIP, draw_tag, strip_tags
from tubewright.report import tag_sheet
from tubewright.report.tag_sheet import (
    BAR_MM,
    PAPERS_MM,
    Paper,
    sheet_places,
    tag_outlines_mm,
    tag_sheet_pdf,
    tag_sheet_png,
)

PAPERS: list[Paper] = ["a4", "letter"]
CAUTIONS = ("The tube keeps its charge.", "The neck breaks easily.")
PPI = 300.0
MM_PER_PX = 25.4 / PPI


@lru_cache(maxsize=2)
def page(paper: Paper) -> NDArray[np.uint8]:
    """The page in grey as a printer without faults would make it."""
    data = tag_sheet_png(paper, cautions=CAUTIONS, dots_per_inch=PPI)
    return np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE), dtype=np.uint8)


def ink_mm(strip: NDArray[np.uint8]) -> float:
    """Length of ink in a row of pixels, edges counted by their grey."""
    return float((1 - strip.astype(float) / 255).sum()) * MM_PER_PX


@pytest.mark.parametrize("paper", PAPERS)
def test_every_tag_is_read_back_in_its_place_to_a_twentieth_of_a_millimetre(paper: Paper) -> None:
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), settings)
    corners, numbers, _ = detector.detectMarkers(page(paper))
    assert numbers is not None
    seen = {
        int(number): (np.asarray(at).reshape(4, 2) + 0.5) * MM_PER_PX
        for number, at in zip(numbers.ravel(), corners, strict=True)
    }
    assert sorted(seen) == list(range(STRIPS * TAGS_PER_STRIP))
    places = sheet_places(paper)
    for strip in range(STRIPS):
        for tag in strip_tags(strip):
            wanted = np.array(tag.corners_mm) + places.strips_mm[strip]
            assert np.abs(seen[tag.number] - wanted).max() < 0.05, tag.number
            sides = np.linalg.norm(np.diff(seen[tag.number], axis=0, append=seen[tag.number][:1]), axis=1)
            assert sides == pytest.approx([TAG_MM] * 4, abs=0.05)


@pytest.mark.parametrize("paper", PAPERS)
def test_both_bars_are_a_hundred_millimetres_long(paper: Paper) -> None:
    places, seen = sheet_places(paper), page(paper)
    for corner, turned in ((places.level_bar_mm, False), (places.upright_bar_mm, True)):
        picture = seen.T if turned else seen
        along, aside = (corner[1], corner[0]) if turned else corner
        rows = [round((aside + part * 2.4) / MM_PER_PX) for part in (0.25, 0.75)]
        span = slice(round((along - 1) / MM_PER_PX), round((along + BAR_MM + 1) / MM_PER_PX))
        first, second = (picture[row, span] for row in rows)
        # Pieces of ten millimetres that take turns: five in each row, one or the other everywhere.
        assert ink_mm(first) == pytest.approx(BAR_MM / 2, abs=0.05)
        assert ink_mm(second) == pytest.approx(BAR_MM / 2, abs=0.05)
        assert ink_mm(np.minimum(first, second)) == pytest.approx(BAR_MM, abs=0.1)
        inked = np.flatnonzero(np.minimum(first, second) < 128)
        assert (inked[-1] - inked[0] + 1) * MM_PER_PX == pytest.approx(BAR_MM, abs=MM_PER_PX)
        assert np.abs((span.start + inked[0]) * MM_PER_PX - along) < MM_PER_PX


@pytest.mark.parametrize("paper", PAPERS)
def test_the_page_is_as_large_as_the_paper_and_nothing_lies_outside_what_printers_reach(paper: Paper) -> None:
    width, height = PAPERS_MM[paper]
    pdf = tag_sheet_pdf(paper, cautions=CAUTIONS)
    boxes = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert [[float(side) * 25.4 / 72 for side in box] for box in boxes] == [pytest.approx([width, height], abs=0.01)]
    # Printers leave out the outermost five or six millimetres.
    inked = np.argwhere(page(paper) < 200) * MM_PER_PX
    assert inked.min() > 7
    assert (np.array([height, width]) - inked.max(axis=0)).min() > 7


@pytest.mark.parametrize("paper", PAPERS)
def test_white_stays_round_every_tag(paper: Paper) -> None:
    """Nearly two cells above and below; beside it the strip's number keeps three millimetres off."""
    places, seen = sheet_places(paper), page(paper).copy()

    def part(left: float, top: float, aside: float, above: float) -> tuple[slice, slice]:
        x, y = (left - aside, left + TAG_MM + aside), (top - above, top + TAG_MM + above)
        return slice(*(round(at / MM_PER_PX) for at in y)), slice(*(round(at / MM_PER_PX) for at in x))

    corners = [
        (left + tag.corners_mm[0][0], top + tag.corners_mm[0][1])
        for strip, (left, top) in enumerate(places.strips_mm)
        for tag in strip_tags(strip)
    ]
    for corner in corners:
        assert seen[part(*corner, 0.0, 0.0)].min() == 0
        seen[part(*corner, 0.15, 0.15)] = 255
    for corner in corners:
        assert seen[part(*corner, 3.0, 4.7)].min() == 255


@pytest.mark.parametrize("number", [0, 7, 23])
def test_the_outlines_of_a_tag_enclose_its_black_and_nothing_else(number: int) -> None:
    lines = tag_outlines_mm(number)
    filled = np.zeros((400, 400), np.uint8)
    shapes = [np.rint(np.array(line) * 20).astype(np.int32) for line in lines]
    for shape in shapes:
        one = np.zeros_like(filled)
        cv2.fillPoly(one, [shape], 1)
        filled ^= one
    cells = filled.reshape(8, 50, 8, 50)[:, 10:-10, :, 10:-10].mean(axis=(1, 3))
    assert (cells == (draw_tag(number, 1)[1:-1, 1:-1] == 0)).all()


def test_the_strips_lie_apart() -> None:
    for paper in PAPERS:
        tops = [y for _, y in sheet_places(paper).strips_mm]
        assert np.diff(tops).min() >= 33
        assert len({x for x, _ in sheet_places(paper).strips_mm}) == 1
    assert TAG_PITCH_MM - TAG_MM == 10


def test_the_same_sheet_gives_the_same_bytes_without_a_date() -> None:
    pdf = tag_sheet_pdf("a4", cautions=CAUTIONS)
    assert pdf == tag_sheet_pdf("a4", cautions=CAUTIONS)
    assert not re.search(rb"/Subtype\s*/Image", pdf), "areas and lines only"
    assert b"D:1970" in pdf or b"CreationDate" not in pdf
    fonts = {name.partition(b"+")[2] for name in re.findall(rb"/BaseFont\s*/([^\s/]+)", pdf)}
    assert fonts
    assert all(name.startswith((b"Libertinus", b"DejaVu")) for name in fonts), fonts


def test_the_cautions_stand_first_and_the_words_are_data() -> None:
    """What a sheet is told can't become part of its source."""
    hostile = '#read("/etc/passwd") ] #panic() "\\'
    calm = tag_sheet_png("a4", cautions=("short",))
    assert tag_sheet_png("a4", cautions=(hostile,)) != calm
    sheet = tag_sheet._sheet("a4", CAUTIONS)
    assert json.dumps(sheet["cautions"]) == json.dumps(list(CAUTIONS))
    order = tag_sheet._SOURCE
    assert order.index("sheet.cautions") < order.index("sheet.steps") < order.index("sheet.strips")
    steps = " ".join(sheet["steps"])
    for word in ("100 %", "ruler", "Cut", "bezel", "arrow"):
        assert word in steps


def test_long_cautions_leave_the_strips_on_the_page() -> None:
    """Only what is above the strips moves; more than the page holds is our own failure and told so."""
    long = ("A caution of the usual length, that goes over more than one line when it is set. " * 3,) * 3
    data = tag_sheet_png("letter", cautions=long, dots_per_inch=PPI)
    seen = np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE))
    top = round((sheet_places("letter").strips_mm[0][1] - 1) / MM_PER_PX)
    assert (seen[top:] == page("letter")[top:]).all()
