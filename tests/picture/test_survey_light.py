"""The survey for light: marks by the survey's rules, patches that balance each other, on every size of raster."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from picture.light_scenes import raster_of
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import COLUMNS, ROWS, survey_marks
from tubewright.picture.patterns.survey_light import (
    BLACK,
    GUN_STEPS,
    WHITE,
    WHITE_STEPS,
    Patches,
    draw_survey_light,
    light_marks,
    light_patches,
)

SIZES = ((256, 224), (320, 240), (384, 288), (640, 480), (720, 576), (1024, 768))


@pytest.fixture(params=SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def raster(request: pytest.FixtureRequest) -> Raster:
    return raster_of(*request.param)


def current(patches: Patches) -> NDArray[np.float64]:
    """What each patch asks of the supply: the guns' currents added, at the usual gamma."""
    return np.asarray(((patches.drive / 255) ** 2.4).sum(axis=1))


def ninth(patches: Patches, raster: Raster) -> NDArray[np.int64]:
    """Which ninth of the screen each patch lies in."""
    across = np.minimum(3 * (patches.x_px + 0.5) // raster.width_px, 2)
    down = np.minimum(3 * (patches.y_px + 0.5) // raster.height_px, 2)
    return np.asarray(3 * down + across, dtype=np.int64)


def test_a_mark_lies_where_the_survey_has_one_of_the_same_colour(raster: Raster) -> None:
    first, second = survey_marks(raster), light_marks(raster)
    known = {
        (c, r): (x, y, g)
        for c, r, x, y, g in zip(first.column, first.row, first.x_px, first.y_px, first.gun, strict=True)
    }
    shared = 0
    for c, r, x, y, g in zip(second.column, second.row, second.x_px, second.y_px, second.gun, strict=True):
        if (c, r) in known and known[c, r][1] == y:  # a tall one may sit half a line off
            assert known[c, r] == (x, y, g)
            shared += 1
        assert g == (c + r) % 3
    assert shared > 60
    assert len(second.column) == 5 * ROWS + 5 * COLUMNS - 25


def test_its_scramble_is_its_own(raster: Raster) -> None:
    """Heights agree with the survey's no better than chance: the two can't be mistaken for one another."""
    first, second = survey_marks(raster), light_marks(raster)
    tall = dict(zip(zip(first.column, first.row, strict=True), first.tall, strict=True))
    agree = [
        tall[node] == t
        for *node_, t in zip(second.column, second.row, second.tall, strict=True)
        if (node := tuple(node_)) in tall
    ]
    assert abs(2 * np.mean(agree) - 1) < 4 / np.sqrt(len(agree))


def test_a_patch_is_far_larger_than_a_mark_and_a_pitch_from_the_nearest(raster: Raster) -> None:
    marks, patches = light_marks(raster), light_patches(raster)
    assert (patches.width_px * patches.height_px).min() >= 8 * (marks.width_px * marks.height_px).max()
    for dx, half, pitch in ((marks.x_px[:, None] - patches.x_px, patches.width_px / 2, raster.width_px / COLUMNS),):
        across = np.abs(dx) - half
        down = np.abs(marks.y_px[:, None] - patches.y_px) - patches.height_px / 2
        clear = np.maximum(across / pitch, down / (raster.height_px / ROWS))
        # A pitch from the middle of the mark, but for the rounding to whole pixels of either.
        assert clear.min() > 1 - 1.5 / min(pitch, raster.height_px / ROWS)


def test_the_patches_are_drawn_whole_and_lie_apart(raster: Raster) -> None:
    pixels, patches = draw_survey_light(raster), light_patches(raster)
    assert pixels.shape == (raster.height_px, raster.width_px, 3)
    taken = np.zeros(pixels.shape[:2], dtype=int)
    for x, y, w, h, drive in zip(
        patches.x_px, patches.y_px, patches.width_px, patches.height_px, patches.drive, strict=True
    ):
        left, top = round(x - (w - 1) / 2), round(y - (h - 1) / 2)
        assert left >= 0
        assert top >= 0
        inside = pixels[top : top + h, left : left + w]
        assert inside.shape[:2] == (h, w)
        assert (inside == drive).all()
        taken[top : top + h, left : left + w] += 1
    assert taken.max() == 1
    lit = (pixels.max(axis=2) > 0) & (taken == 0)
    marks = light_marks(raster)
    assert lit.sum() == (marks.width_px * marks.height_px).sum()


def test_each_ninth_has_every_full_field_and_a_black_one(raster: Raster) -> None:
    patches = light_patches(raster)
    zone, full = ninth(patches, raster), patches.drive.max(axis=1) == 255
    for gun in (0, 1, 2, WHITE):
        assert (np.bincount(zone[full & (patches.gun == gun)], minlength=9) > 0).all()
    assert (np.bincount(zone[patches.gun == BLACK], minlength=9) == 1).all()


def test_every_staircase_is_whole(raster: Raster) -> None:
    patches = light_patches(raster)
    for gun, steps in ((0, GUN_STEPS), (1, GUN_STEPS), (2, GUN_STEPS), (WHITE, WHITE_STEPS)):
        assert set(patches.drive[patches.gun == gun].max(axis=1)) | {0} == set(steps)
        assert len(steps) >= 10


def test_the_supply_sees_the_same_load_all_over(raster: Raster) -> None:
    load = current(light_patches(raster)).reshape(8, 12)
    lines, halves = load.sum(axis=1), (load[:, :6].sum(), load[:, 6:].sum())
    assert lines.std() / lines.mean() < 0.03
    assert abs(halves[0] - halves[1]) / sum(halves) < 0.01
    share = current(light_patches(raster)) * light_patches(raster).width_px * light_patches(raster).height_px
    assert share.sum() / (3 * raster.width_px * raster.height_px) < 0.10  # moderate: no beam limiter acts


def test_the_steps_have_no_trend_across_the_screen(raster: Raster) -> None:
    """Drive against every smooth shape of second order: shading can't be taken for the law, nor the law for it."""
    patches = light_patches(raster)
    x = (patches.x_px + 0.5) / raster.width_px * 2 - 1
    y = (patches.y_px + 0.5) / raster.height_px * 2 - 1
    for gun in (0, 1, 2, WHITE):
        step = (patches.gun == gun) & (patches.drive.max(axis=1) < 255)
        level = np.argsort(np.argsort(patches.drive[step].max(axis=1)))
        for shape in (x, y, x * x, y * y, x * y):
            assert abs(np.corrcoef(level, shape[step])[0, 1]) < 0.12


@pytest.mark.parametrize("size", SIZES)
def test_dark_steps_are_not_all_beside_full_ones_of_white(size: tuple[int, int]) -> None:
    """No dark step has more than one full white patch for a neighbour in its block."""
    patches = light_patches(raster_of(*size))
    white = (patches.gun == WHITE) & (patches.drive.max(axis=1) == 255)
    dark = (patches.gun != BLACK) & (patches.drive.max(axis=1) <= 112)
    order = np.arange(96)
    row, column = order // 12, order % 12
    near = (np.abs(row[:, None] - row) + np.abs(column[:, None] - column) == 1) & (row[:, None] // 2 == row // 2)
    near &= column[:, None] // 3 == column // 3
    assert (near[dark] & white).sum(axis=1).max() <= 1
