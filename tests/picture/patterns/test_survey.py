"""The survey says who it is: every mark in its place, no two alike neighbourhoods, no turn that could be another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import (
    BAR_COLUMNS,
    COLUMNS,
    ROWS,
    draw_survey,
    mark_heights_px,
    mark_width_px,
    node_px,
    scramble,
    survey_bars,
    survey_marks,
)

PATCH = 5
"""Marks a side of the smallest patch that occurs only once, however it is turned; 4 is not always enough."""


def made(width_px: int, height_px: int, *, interlaced: bool = False) -> Raster:
    """A raster of that size; where its pulses lie doesn't matter here."""
    return Raster(
        name="made",
        width_px=width_px,
        height_px=height_px,
        pixel_clock_hz=1e7,
        h_front_px=8,
        h_sync_px=32,
        h_back_px=40,
        v_front_lines=3,
        v_sync_lines=3,
        v_back_lines=17,
        interlaced=interlaced,
    )


COMMON = [
    made(256, 224),
    made(256, 240),
    made(288, 224),
    made(320, 224),
    made(320, 240),
    made(336, 240),
    made(384, 224),
    made(384, 240),
    made(384, 288),
    made(496, 384),
    made(512, 224),
    made(512, 240),
    made(512, 384),
    made(512, 480),
    made(640, 240),
    made(640, 384),
    made(640, 400),
    made(640, 480),
    made(640, 480, interlaced=True),
    made(710, 240),
    made(710, 288),
    made(710, 480, interlaced=True),
    made(702, 576, interlaced=True),
    made(720, 240),
    made(720, 480, interlaced=True),
    made(720, 576, interlaced=True),
    made(768, 576, interlaced=True),
    made(800, 600),
    made(1024, 768),
    made(1024, 768, interlaced=True),
]
BY_SIZE = [f"{r.width_px}x{r.height_px}{'i' * r.interlaced}" for r in COMMON]

rasters = st.builds(made, st.integers(256, 2600), st.integers(200, 1200), interlaced=st.booleans())


def codes(raster: Raster) -> NDArray[np.int8]:
    """What each node of the lattice shows, (rows, columns): gun and height of a mark, or 9 for a bar."""
    marks = survey_marks(raster)
    grid = np.full((ROWS, COLUMNS), 9, dtype=np.int8)
    grid[marks.row, marks.column] = 2 * marks.gun + marks.tall
    return grid


def turns(grid: NDArray[np.int8]) -> Iterator[NDArray[np.int8]]:
    """The eight ways in which a picture can be turned and mirrored, upright first."""
    for mirrored in (grid, grid.T):
        for quarter in range(4):
            yield np.rot90(mirrored, quarter)


def patches(grid: NDArray[np.int8], side: int) -> Iterator[bytes]:
    for y in range(grid.shape[0] - side + 1):
        for x in range(grid.shape[1] - side + 1):
            yield grid[y : y + side, x : x + side].tobytes()


@settings(max_examples=15)
@given(rasters)
def test_every_mark_and_bar_is_drawn_where_it_says_and_nothing_else_is(r: Raster) -> None:
    pixels, marks, bars = draw_survey(r), survey_marks(r), survey_bars(r)
    left = marks.x_px - (marks.width_px - 1) / 2
    top = marks.y_px - (marks.height_px - 1) / 2
    assert (left == np.rint(left)).all(), "a mark is whole dots"
    assert (top == np.rint(top)).all()
    assert left.min() >= 0
    assert top.min() >= 0
    assert (left + marks.width_px).max() <= r.width_px
    assert (top + marks.height_px).max() <= r.height_px
    lit = 0
    for x, y, w, h, gun in zip(
        left.astype(int), top.astype(int), marks.width_px, marks.height_px, marks.gun, strict=True
    ):
        there = pixels[y : y + h, x : x + w]
        assert (there[..., gun] == 255).all()
        assert there.sum() == 255 * w * h, "this gun alone"
        lit += w * h
    for bar in bars:
        edge = int(bar.x_px - (bar.width_px - 1) / 2)
        assert (pixels[:, edge : edge + bar.width_px] == 255).all()
        lit += 3 * bar.width_px * r.height_px
    assert int(pixels.sum(dtype=np.int64)) == 255 * lit
    assert np.abs(marks.x_px - node_px(r.width_px, COLUMNS)[marks.column]).max() <= 0.5
    assert np.abs(marks.y_px - node_px(r.height_px, ROWS)[marks.row]).max() <= 0.5
    assert [bar.column for bar in bars] == list(BAR_COLUMNS)


@settings(max_examples=15)
@given(rasters)
def test_no_two_marks_touch(r: Raster) -> None:
    """At least as much dark between neighbours as half a mark, both ways."""
    marks = survey_marks(r)
    edges: list[tuple[float, float]] = []
    for row in range(ROWS):
        at = marks.row == row
        edges = [(x - w / 2, x + w / 2) for x, w in zip(marks.x_px[at], marks.width_px[at], strict=True)]
        edges += [(bar.x_px - bar.width_px / 2, bar.x_px + bar.width_px / 2) for bar in survey_bars(r)]
        edges.sort()
        assert min(b[0] - a[1] for a, b in pairwise(edges)) >= mark_width_px(r) / 2
    assert len(edges) == COLUMNS
    for column in set(range(COLUMNS)) - set(BAR_COLUMNS):
        at = marks.column == column
        y, h = marks.y_px[at], marks.height_px[at]
        assert (np.diff(y) - (h[1:] + h[:-1]) / 2).min() >= mark_heights_px(r)[0] / 2


@settings(max_examples=15)
@given(rasters)
def test_a_tall_mark_cannot_be_taken_for_a_short_one(r: Raster) -> None:
    short, tall = mark_heights_px(r)
    assert tall >= short + 2
    assert tall >= 1.5 * short


def test_every_row_has_marks_of_all_three_guns_and_every_three_rows_as_many_of_each() -> None:
    """The bars stand where one gun's turn would be: it has six in that row, the others ten, and they take turns."""
    marks = survey_marks(COMMON[4])
    counts = np.array([np.bincount(marks.gun[marks.row == row], minlength=3) for row in range(ROWS)])
    assert (np.sort(counts, axis=1) == [6, 10, 10]).all()
    for row in range(ROWS - 2):
        assert counts[row : row + 3].sum(axis=0).tolist() == [26, 26, 26]


@pytest.mark.parametrize("r", COMMON, ids=BY_SIZE)
def test_about_half_of_the_marks_are_tall(r: Raster) -> None:
    assert 0.42 < survey_marks(r).tall.mean() < 0.58


@pytest.mark.parametrize("r", COMMON, ids=BY_SIZE)
def test_a_patch_of_five_by_five_occurs_once_among_all_eight_turns(r: Raster) -> None:
    """So whatever corner is in view tells where it is and how it is turned, and whether it is mirrored."""
    seen = Counter(patch for turned in turns(codes(r)) for patch in patches(turned, PATCH))
    assert len(seen) == 8 * (ROWS - PATCH + 1) * (COLUMNS - PATCH + 1)
    assert max(seen.values()) == 1


def test_a_patch_of_four_by_four_is_nearly_always_enough() -> None:
    """Where it isn't, one more row or column of marks settles it."""
    again, all_of_them = 0, 0
    for r in COMMON:
        upright, *others = turns(codes(r))
        here = Counter(patches(upright, 4))
        elsewhere = {patch for turned in others for patch in patches(turned, 4)}
        again += sum(count for patch, count in here.items() if count > 1 or patch in elsewhere)
        all_of_them += sum(here.values())
    assert 0 < again / all_of_them < 0.015


@pytest.mark.parametrize("r", COMMON, ids=BY_SIZE)
def test_no_turn_of_the_whole_code_is_the_code(r: Raster) -> None:
    upright, *others = turns(codes(r))
    for turned in others:
        assert turned.shape != upright.shape or not (turned == upright).all()
        if turned.shape == upright.shape:
            # Far from it: more than a third of all nodes differ.
            assert (turned != upright).mean() > 0.33


def test_colours_alone_tell_all_turns_but_one_and_the_bars_tell_that() -> None:
    """Going right and going down the colours follow red, green, blue: only the mirror at the diagonal keeps both."""
    row, column = np.indices((12, 12))
    guns = ((row + column) % 3).astype(np.int8)
    alike = [
        place
        for place, turned in enumerate(turns(guns))
        if any((np.roll(turned, shift, axis=1) == guns).all() for shift in range(3))
    ]
    assert len(alike) == 2
    assert alike[0] == 0
    # The bars stand in columns, so that mirror would lay them down.
    grid = codes(COMMON[4])
    assert (grid[:, list(BAR_COLUMNS)] == 9).all()
    assert not (grid == 9).all(axis=1).any()


@settings(max_examples=25)
@given(rasters, rasters)
def test_two_rasters_have_two_scrambles(a: Raster, b: Raster) -> None:
    size = [(r.width_px, r.height_px, r.interlaced) for r in (a, b)]
    assume(size[0] != size[1])
    differ = (codes(a) != codes(b)).mean()
    # Of 598 fair coins; one pattern in a billion would be outside.
    assert 0.3 < differ * ROWS * COLUMNS / (ROWS * (COLUMNS - len(BAR_COLUMNS))) < 0.7


def test_two_patterns_have_two_scrambles_and_each_stays_what_it_is() -> None:
    r = COMMON[4]
    row, column = (a.ravel().astype(np.int64) for a in np.indices((ROWS, COLUMNS)))
    first, second = (scramble(seed, r, column, row) for seed in (1, 2))
    assert 0.4 < (first != second).mean() < 0.6
    # Photographs of years ago must still be read: the very first marks of one raster, written down.
    tall = survey_marks(r).tall
    assert "".join("ST"[int(t)] for t in tall[:26]) == FIRST_ROW_320X240


FIRST_ROW_320X240 = "STSTSSSSSSTSSTTTTTSTSSSSTS"
