from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from picture.bar_scenes import Scene, make_raster, photograph, place_in_photo
from tubewright.picture.bars import common_shifts, track_bars
from tubewright.picture.patterns.survey import survey_bars
from tubewright.picture.strips import level_plane

Floats = NDArray[np.float64]


def bent_away(seen: Floats, true: Floats, line: Floats) -> Floats:
    """Difference of two courses but for what geometry may do: a polynomial of fourth degree, fitted below the top."""
    left = seen - true
    below = line > 30
    return np.asarray(left - np.polyval(np.polyfit(line[below], left[below], 4), line))


@pytest.mark.parametrize(
    ("shift", "within_px"),
    [
        (lambda n: 0 * n, 0.01),
        (lambda n: 6.7 * np.exp(-n / 8), 0.12),  # 8 mm on 19 inches, 320 pixels wide: most is the scene's lens
        (lambda n: -4 * np.exp(-n / 10) * np.cos(n / 6), 0.08),
    ],
    ids=["straight", "long", "swinging"],
)
def test_the_bars_are_followed_through_a_curl_that_the_smooth_map_has_half_swallowed(
    shift: Callable[[Floats], Floats], within_px: float
) -> None:
    photo, sighting = photograph(Scene(shift=shift))
    shifts = common_shifts(track_bars(photo, sighting))
    assert shifts is not None
    assert shifts.first == 0
    assert shifts.line.size == 240
    left = bent_away(shifts.shift_px, shift(shifts.line), shifts.line)
    # The first two lines hold their neighbours' light, which is reckoned with in curl.
    assert np.abs(left[2:]).max() < within_px
    assert np.std(left[60:]) < 3 * np.median(shifts.shift_sd_px)


def test_a_jump_of_several_pixels_between_lines_is_not_lost() -> None:
    def shift(n: Floats) -> Floats:
        return np.asarray(-6.7 * np.exp(-n / 3) * (np.cos(n / 2) - np.sin(n / 2)))

    photo, sighting = photograph(Scene(shift=shift))
    shifts = common_shifts(track_bars(photo, sighting))
    assert shifts is not None
    left = bent_away(shifts.shift_px, shift(shifts.line), shifts.line)
    assert shifts.line[0] == 0
    assert np.abs(left[:6]).max() < 0.9  # of steps of 4.8 pixels


def test_lines_behind_the_rim_are_not_counted() -> None:
    photo, sighting = photograph(Scene(hidden_lines=7))
    shifts = common_shifts(track_bars(photo, sighting))
    assert shifts is not None
    assert shifts.first in {6, 7}
    assert shifts.line[0] == 0


def test_light_by_line_is_that_of_the_picture() -> None:
    def brightness(n: Floats) -> Floats:
        return np.asarray(1 + 0.05 * np.sin(2 * np.pi * n / 130))

    photo, sighting = photograph(Scene(brightness=brightness))
    shifts = common_shifts(track_bars(photo, sighting))
    assert shifts is not None
    inner = slice(5, -5)
    true = brightness(shifts.line)
    ratio = shifts.light_ratio[inner] / true[inner]
    assert np.std(ratio) < 0.01


def test_the_spot_is_seen_in_the_bars_width() -> None:
    scene = Scene(spot_x=0.7)
    photo, sighting = photograph(scene)
    tracks = track_bars(photo, sighting)
    camera = scene.camera_px / (0.8 * 1200 / 320)
    # The renderer's own cells (a fifth wide, read by straight lines) and the photograph's add a little.
    assert np.nanmedian(tracks.spread_x_px) == pytest.approx(np.hypot(0.7, camera), rel=0.06)


def test_without_a_gun_there_are_no_tracks() -> None:
    photo, sighting = photograph(Scene())
    blind = replace(sighting, maps=(None, None, None))
    tracks = track_bars(photo, blind)
    assert tracks.gun.size == 0
    assert common_shifts(tracks) is None


def test_a_single_bar_does_not_tell_what_is_common() -> None:
    photo, sighting = photograph(Scene())
    tracks = track_bars(photo, sighting)
    alone = np.where((tracks.bar == 2)[:, None], tracks.x_px, np.nan)
    assert common_shifts(replace(tracks, x_px=alone)) is None


def test_perspective_comes_off_whole() -> None:
    """Without lens or bow the plane is the raster, moved to its middle: any camera pose is a homography."""
    raster = make_raster()
    scene = Scene(tilt=0.08, roll_deg=5.0, radial=0.0, map_degree=7)
    _, sighting = photograph(replace(scene, photo_size=(400, 300)))
    small = replace(scene, photo_size=(400, 300))
    one = sighting.maps[1]
    assert one is not None
    plane = level_plane(one)
    x = np.array([bar.x_px for bar in survey_bars(raster)])
    y = np.linspace(0, 239, 5)
    seen_x, seen_y = plane(*place_in_photo(small, x, y))
    np.testing.assert_allclose(seen_x, x - 159.5, atol=0.02)
    np.testing.assert_allclose(seen_y, y - 119.5, atol=0.02)
