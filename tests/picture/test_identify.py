"""Any part of a survey tells which it is, how it is turned, and which mark is which."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.picture.blobs import Blobs
from tubewright.picture.identify import Identity, identify
from tubewright.picture.lattice import join
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import LatticeMarks, survey_marks
from tubewright.picture.patterns.survey_light import light_marks


def raster(width_px: int, height_px: int) -> Raster:
    """A raster of a size; its times play no part here."""
    return Raster(
        name=f"{width_px}x{height_px}",
        width_px=width_px,
        height_px=height_px,
        pixel_clock_hz=6.7e6,
        h_front_px=10,
        h_sync_px=30,
        h_back_px=40,
        v_front_lines=3,
        v_sync_lines=3,
        v_back_lines=16,
    )


SIZES = [(256, 224), (320, 224), (320, 240), (384, 224), (384, 288), (512, 384), (640, 240), (640, 480), (800, 600)]
RASTERS = [raster(*size) for size in SIZES]


def seen(
    marks: LatticeMarks, *, quarters: int = 0, mirrored: bool = False, noise: float = 0.08, seed: int = 0
) -> tuple[Blobs, np.ndarray]:
    """Spots as a reader would find them, in a scrambled order, and which mark each is."""
    rng = np.random.default_rng(seed)
    x, y = (marks.column - 15) * 30.0, (marks.row - 11) * 30.0
    if mirrored:
        x = -x
    turn = np.radians(90 * quarters + 2)
    places = np.stack([np.cos(turn) * x - np.sin(turn) * y, np.sin(turn) * x + np.cos(turn) * y], axis=1) + 1500
    order = rng.permutation(len(x))
    vignetting = 1 - 0.3 * ((x / 450) ** 2 + (y / 330) ** 2) / 2
    strength = np.array([0.3, 1.0, 0.6])[marks.gun]
    flux = np.where(marks.tall, 5.0, 3.0) * vignetting * strength * np.exp(rng.normal(0, noise, len(x)))
    blobs = Blobs(
        x_px=places[order, 0],
        y_px=places[order, 1],
        gun=marks.gun[order],
        flux_ratio=flux[order],
        colour_ratio=np.eye(3)[marks.gun[order]],
        reduced_by_count=1,
    )
    return blobs, order


def read(blobs: Blobs, rasters: list[Raster] = RASTERS) -> Identity | None:
    lattice = join(blobs.x_px, blobs.y_px)
    assert lattice is not None
    return identify(blobs, lattice, {"survey": survey_marks, "survey_light": light_marks}, rasters)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarters", range(4))
@pytest.mark.parametrize("pattern", ["survey", "survey_light"])
def test_every_mark_is_named_however_the_picture_lies(pattern: str, quarters: int, mirrored: bool) -> None:
    layout = survey_marks if pattern == "survey" else light_marks
    marks = layout(RASTERS[2])
    blobs, order = seen(marks, quarters=quarters, mirrored=mirrored)
    identity = read(blobs)
    assert identity is not None
    assert (identity.pattern, identity.raster.name) == (pattern, "320x240")
    assert len(identity.spot) == len(marks.gun)
    np.testing.assert_array_equal(identity.column, marks.column[order][identity.spot])
    np.testing.assert_array_equal(identity.row, marks.row[order][identity.spot])


@pytest.mark.parametrize("size", SIZES)
def test_each_raster_is_told_from_all_others(size: tuple[int, int]) -> None:
    identity = read(seen(survey_marks(raster(*size)))[0])
    assert identity is not None
    assert (identity.raster.width_px, identity.raster.height_px) == size


@settings(max_examples=25, deadline=None)
@given(left=st.integers(0, 18), top=st.integers(0, 13), quarters=st.integers(0, 3), mirrored=st.booleans())
def test_a_sixth_of_the_picture_is_enough(left: int, top: int, quarters: int, mirrored: bool) -> None:
    """Half hidden is the promise; twelve columns by ten rows are a sixth."""
    marks = survey_marks(RASTERS[7])
    inside = (marks.column >= left) & (marks.column < left + 12) & (marks.row >= top) & (marks.row < top + 10)
    part = LatticeMarks(**{name: getattr(marks, name)[inside] for name in LatticeMarks.__slots__})
    blobs, order = seen(part, quarters=quarters, mirrored=mirrored)
    identity = read(blobs)
    assert identity is not None
    np.testing.assert_array_equal(identity.column, part.column[order][identity.spot])
    np.testing.assert_array_equal(identity.row, part.row[order][identity.spot])


def test_a_raster_that_nobody_knows_is_not_taken_for_another() -> None:
    assert read(seen(survey_marks(raster(344, 236)))[0]) is None


def test_other_colours_are_no_survey() -> None:
    blobs, _ = seen(survey_marks(RASTERS[2]))
    rng = np.random.default_rng(3)
    other = Blobs(
        x_px=blobs.x_px,
        y_px=blobs.y_px,
        gun=rng.permutation(blobs.gun),
        flux_ratio=blobs.flux_ratio,
        colour_ratio=blobs.colour_ratio,
        reduced_by_count=1,
    )
    assert read(other) is None
