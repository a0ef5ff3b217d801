"""The tags are where they say, keep apart, and are read by an independent reader."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tubewright.picture.patterns.tags import (
    FAMILY,
    STRIP_HEIGHT_MM,
    STRIP_WIDTH_MM,
    STRIPS,
    TAG_MM,
    TAG_PITCH_MM,
    TAGS_PER_STRIP,
    Tag,
    draw_tag,
    strip_tags,
)

ALL = [tag for strip in range(STRIPS) for tag in strip_tags(strip)]


def test_every_tag_of_the_sheet_has_its_own_number() -> None:
    assert [tag.number for tag in ALL] == list(range(STRIPS * TAGS_PER_STRIP))
    assert [tag.strip for tag in ALL] == [number // TAGS_PER_STRIP for number in range(len(ALL))]


@pytest.mark.parametrize("tag", ALL, ids=lambda tag: f"tag {tag.number}")
def test_a_tag_is_a_square_of_twenty_millimetres_clockwise_from_its_upper_left(tag: Tag) -> None:
    corners = np.array(tag.corners_mm)
    sides = np.roll(corners, -1, axis=0) - corners
    assert sides.tolist() == [[TAG_MM, 0], [0, TAG_MM], [-TAG_MM, 0], [0, -TAG_MM]]
    # Two cells of white all round, on the strip itself.
    cell = TAG_MM / 8
    assert corners.min() >= 2 * cell
    assert corners[:, 0].max() <= STRIP_WIDTH_MM - 2 * cell
    assert corners[:, 1].max() <= STRIP_HEIGHT_MM - 2 * cell


@pytest.mark.parametrize("strip", range(STRIPS))
def test_tags_stand_in_a_row_with_four_cells_of_white_between_them(strip: int) -> None:
    lefts = [tag.corners_mm[0][0] for tag in strip_tags(strip)]
    assert np.diff(lefts).tolist() == [TAG_PITCH_MM] * (TAGS_PER_STRIP - 1)
    assert TAG_PITCH_MM - TAG_MM == 4 * TAG_MM / 8
    assert len({tag.corners_mm[0][1] for tag in strip_tags(strip)}) == 1
    # The row is in the middle of the strip, so a strip laid upside down has its tags in the same places.
    assert lefts[0] + TAG_MM + lefts[-1] == STRIP_WIDTH_MM
    assert 2 * strip_tags(strip)[0].corners_mm[0][1] + TAG_MM == STRIP_HEIGHT_MM


@pytest.mark.parametrize("number", [tag.number for tag in ALL])
def test_a_tag_is_read_back_by_the_open_reader_with_its_corners(number: int) -> None:
    cell = 8
    square = draw_tag(number, cell)
    assert square.shape == (10 * cell, 10 * cell)
    assert set(np.unique(square)) == {0, 255}
    assert (square[:cell] == 255).all(), "its white border"
    assert (square[cell : 2 * cell, cell:-cell] == 0).all(), "its black border"
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_APRILTAG_{FAMILY}"))
    corners, numbers, _ = cv2.aruco.ArucoDetector(family, settings).detectMarkers(
        np.pad(square, 20, constant_values=255)
    )
    assert numbers is not None
    assert numbers.ravel().tolist() == [number]
    start, end = 20 + cell - 0.5, 20 + 9 * cell - 0.5
    assert np.abs(np.reshape(corners[0], (4, 2)) - [[start, start], [end, start], [end, end], [start, end]]).max() < 0.6


def test_tags_differ_in_many_cells_however_they_are_turned() -> None:
    """36h11: at least eleven of the 36 cells differ between any two (Olson, ICRA 2011), whichever way up each lies."""
    cells = [draw_tag(tag.number, 1)[2:-2, 2:-2] > 0 for tag in ALL]
    assert cells[0].shape == (6, 6)
    least = min(
        int((np.rot90(a, turn) != b).sum())
        for i, a in enumerate(cells)
        for j, b in enumerate(cells)
        for turn in range(4)
        if i != j or turn
    )
    assert least >= 11
