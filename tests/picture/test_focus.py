from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from picture.bar_scenes import Scene, photograph
from tubewright.picture.bars import track_bars
from tubewright.picture.focus import measure_focus
from tubewright.picture.results import ZONES, Figure, Unsupported
from tubewright.picture.seen import Sighting, TagViews

MM_X, MM_Y = Figure(value=380 / 320, sd=0.0), Figure(value=285 / 240, sd=0.0)
# Full width at half height of a Gaussian of standard deviation 1, to ten places: 2 sqrt(2 ln 2).
FWHM = 2.3548200450
SCENE = Scene(spot_x=0.6, spot_y=0.4, camera_px=0.8, tilt=0.0, radial=0.0)


def tags(edge_spread_px: float, count: int = 8) -> TagViews:
    none = np.zeros((count, 2))
    return TagViews(
        number=np.arange(count),
        strip=np.zeros(count, dtype=np.int64),
        corners_mm=np.zeros((count, 4, 2)),
        corners_px=np.zeros((count, 4, 2)),
        corner_sd_px=np.full(count, 0.02),
        red_minus_green_px=none,
        blue_minus_green_px=none,
        colour_sd_px=none,
        edge_spread_px=np.full(count, edge_spread_px),
        edge_spread_sd_px=np.full(count, 0.02),
    )


def sighting(**spread: float) -> Sighting:
    """A sighting whose marks' blur is changed from the scene's."""
    seen = photograph(SCENE)[1]
    marks = replace(seen.marks, **{name: np.full(seen.marks.gun.size, value) for name, value in spread.items()})
    return replace(seen, marks=marks)


def test_the_cameras_blur_comes_off_in_quadrature() -> None:
    focus = measure_focus(sighting(), tags(0.8), mm_per_px_x=MM_X, mm_per_line_y=MM_Y)
    assert focus.camera_blur == "taken_off"
    for zones, sd, mm in ((focus.spot_h_mm, 0.6, MM_X), (focus.spot_v_mm, 0.4, MM_Y)):
        assert set(zones) == set(ZONES)
        for figure in zones.values():
            assert isinstance(figure, Figure)
            assert figure.value == pytest.approx(FWHM * sd * mm.value, rel=0.01)
            assert 0 < figure.sd < 0.15


def test_without_tags_the_figure_holds_the_camera() -> None:
    focus = measure_focus(sighting(), None, mm_per_px_x=MM_X, mm_per_line_y=MM_Y)
    assert focus.camera_blur == "included"
    centre = focus.spot_h_mm["centre"]
    assert isinstance(centre, Figure)
    per_px = 0.8 * 1200 / 320
    assert centre.value == pytest.approx(FWHM * np.hypot(0.6, 0.8 / per_px) * MM_X.value, rel=0.01)


def test_a_spot_lost_in_the_cameras_blur_is_only_bounded() -> None:
    hidden = 0.81 / (0.8 * 1200 / 320)
    focus = measure_focus(sighting(spread_x_px=hidden), tags(0.8), mm_per_px_x=MM_X, mm_per_line_y=MM_Y)
    centre = focus.spot_h_mm["centre"]
    assert isinstance(centre, Unsupported)
    assert "below" in centre.reason
    assert isinstance(focus.spot_v_mm["centre"], Figure)


def test_zones_keep_apart() -> None:
    seen = sighting()
    marks = seen.marks
    corner = (marks.raster_x_px > 320 * 2 / 3) & (marks.raster_y_px < 80)
    wider = replace(seen, marks=replace(marks, spread_x_px=np.where(corner, 2.0, marks.spread_x_px)))
    before = measure_focus(seen, None, mm_per_px_x=MM_X, mm_per_line_y=MM_Y).spot_h_mm
    after = measure_focus(wider, None, mm_per_px_x=MM_X, mm_per_line_y=MM_Y).spot_h_mm
    changed = [zone for zone in ZONES if after[zone] != before[zone]]
    assert changed == ["top_right"]


def test_a_few_wild_marks_do_not_carry_a_zone() -> None:
    seen = sighting()
    spread = seen.marks.spread_x_px.copy()
    spread[::7] = 5.0
    spread[1::7] = np.nan
    wild = replace(seen, marks=replace(seen.marks, spread_x_px=spread))
    centre = measure_focus(wild, None, mm_per_px_x=MM_X, mm_per_line_y=MM_Y).spot_h_mm["centre"]
    calm = measure_focus(seen, None, mm_per_px_x=MM_X, mm_per_line_y=MM_Y).spot_h_mm["centre"]
    assert isinstance(centre, Figure)
    assert isinstance(calm, Figure)
    assert centre.value == pytest.approx(calm.value, rel=0.02)


def test_bars_stand_in_where_marks_do_not_tell() -> None:
    photo, _ = photograph(SCENE)
    blind = sighting(spread_x_px=np.nan)
    focus = measure_focus(blind, None, mm_per_px_x=MM_X, mm_per_line_y=MM_Y, tracks=track_bars(photo, blind))
    known = [figure for figure in focus.spot_h_mm.values() if isinstance(figure, Figure)]
    camera = 0.8 / (0.8 * 1200 / 320)
    assert len(known) >= 3
    for figure in known:
        assert figure.value == pytest.approx(FWHM * np.hypot(0.6, camera) * MM_X.value, rel=0.08)


def test_what_is_missing_is_named() -> None:
    seen = sighting()
    unscaled = measure_focus(seen, None, mm_per_px_x=None, mm_per_line_y=MM_Y)
    assert all(isinstance(figure, Unsupported) for figure in unscaled.spot_h_mm.values())
    assert isinstance(unscaled.spot_v_mm["centre"], Figure)
    blind = measure_focus(replace(seen, maps=(None, None, None)), None, mm_per_px_x=MM_X, mm_per_line_y=MM_Y)
    assert all(isinstance(figure, Unsupported) for figure in blind.spot_h_mm.values())
