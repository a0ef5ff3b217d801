"""A photograph's light, bands, blur and beats are judged before anything is measured on it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from tubewright.picture.exposure import Exposure, even_times, foreseen_band, judge_exposure
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import draw_survey
from tubewright.picture.seen import Photo

RASTER = Raster(
    name="any", width_px=640, height_px=480, pixel_clock_hz=25.175e6, h_front_px=16, h_sync_px=96, h_back_px=48,
    v_front_lines=10, v_sync_lines=2, v_back_lines=33,
)  # fmt: skip


@cache
def _drawn(level: float, seed: int) -> NDArray[np.float64]:
    import cv2

    drawn = cv2.resize(draw_survey(RASTER).astype(np.float64), (1280, 960), interpolation=cv2.INTER_NEAREST)
    light = np.asarray(cv2.GaussianBlur(drawn / 255 * level, (0, 0), 1.5), dtype=np.float64) + 0.002
    return light + np.random.default_rng(seed).normal(0, 0.002, light.shape)


def _light(level: float = 0.3, seed: int = 1) -> NDArray[np.float64]:
    """The survey as a sharp camera sees it, linear light, (960, 1280, 3)."""
    return _drawn(level, seed).copy()


def _photo(light: NDArray[np.float64], exposure_s: float | None = 1 / 30) -> Photo:
    light = np.clip(light, 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return Photo(pixels=np.rint(coded * 255).astype(np.uint8), exposure_s=exposure_s)


def _judged(light: NDArray[np.float64], *, exposure_s: float | None = 1 / 30, field_hz: float = 60.0) -> Exposure:
    return judge_exposure(_photo(light, exposure_s), field_hz=field_hz, interlaced=False, region=None)


@pytest.mark.parametrize(
    ("exposure_s", "field_hz", "fields", "share", "depth"),
    [
        # worked from "r = exposure times field rate; int(r) + 1 fields in the share r - int(r), step 1/(n+1)"
        (1 / 15, 59.94, 3.9960, 0.9960, 0.25),
        (1 / 30, 59.94, 1.9980, 0.9980, 0.50),
        (1 / 4, 59.94, 14.985, 0.985, 0.0667),
        (1 / 25, 50.0, 2.0, 0.0, 1 / 3),
        (1 / 15, 50.0, 3.3333, 0.3333, 0.25),
        (1 / 8, 50.0, 6.25, 0.25, 0.1429),
    ],
)
def test_bands_follow_from_exposure_and_field_rate(
    exposure_s: float, field_hz: float, fields: float, share: float, depth: float
) -> None:
    assert foreseen_band(exposure_s, field_hz) == pytest.approx((fields, share, depth), abs=5e-4)


def test_the_advised_times_hold_even_numbers_of_fields() -> None:
    assert even_times(59.94) == "1/30 s or 1/15 s"
    assert even_times(50.0).startswith("1/25 s")


def test_a_well_taken_photograph_is_good_and_has_no_warnings() -> None:
    judged = _judged(_light())
    assert judged.kind == "good"
    assert judged.refusal is None
    assert judged.warnings == ()
    assert judged.fields_in_exposure_count == pytest.approx(2)
    assert judged.blur_px == pytest.approx(1.5, abs=0.5)
    assert judged.motion_px is not None
    assert judged.motion_px < 4
    assert judged.banding_seen_ratio is not None
    assert judged.banding_seen_ratio < 0.08  # a step that moves no mark


def test_a_band_is_foreseen_seen_and_warned_of() -> None:
    light = _light()
    light[:600] *= 0.5
    judged = _judged(light, exposure_s=1 / 40)
    assert judged.banding_seen_ratio == pytest.approx(0.5, abs=0.12)
    assert any("lit once more" in warning and "1/30 s" in warning for warning in judged.warnings)
    across = _judged(np.ascontiguousarray(light.transpose(1, 0, 2)), exposure_s=1 / 40)
    assert across.banding_seen_ratio == pytest.approx(0.5, abs=0.15)


def test_a_foreseen_band_that_is_not_in_the_picture_is_not_warned_of() -> None:
    assert not any("lit once more" in warning for warning in _judged(_light(), exposure_s=1 / 40).warnings)


def test_an_odd_number_of_fields_is_warned_of_where_two_make_a_frame() -> None:
    photo = _photo(_light(), 1 / 20)
    assert any("odd and even" in w for w in judge_exposure(photo, field_hz=60, interlaced=True, region=None).warnings)
    assert judge_exposure(photo, field_hz=60, interlaced=False, region=None).warnings == ()


def test_less_than_half_a_field_is_refused() -> None:
    light = _light()
    light[530:] *= 0.02
    judged = _judged(light, exposure_s=1 / 250)
    assert judged.kind == "refused"
    assert judged.refusal is not None
    assert "1/30 s" in judged.refusal[1]


def test_an_unknown_exposure_time_is_said() -> None:
    judged = _judged(_light(), exposure_s=None)
    assert (judged.exposure_s, judged.fields_in_exposure_count, judged.band_share) == (None, None, None)
    assert any("exposure time" in warning for warning in judged.warnings)


def test_gross_over_and_under_exposure_are_refused_with_advice() -> None:
    bright, dark = _judged(_light(60.0)), _judged(_light() * 0.01)
    assert bright.refusal is not None
    assert "too bright" in bright.refusal[0]
    assert dark.refusal is not None
    assert "too dark" in dark.refusal[0]
    white = _judged(np.ones((960, 1280, 3)))
    assert white.refusal is not None
    assert "too bright" in white.refusal[0]
    for refusal in (bright.refusal, dark.refusal):
        assert len(refusal[1]) > 30


def test_some_clipping_and_some_darkness_are_only_warned_of() -> None:
    light = _light()
    light[..., 0] *= 3.6
    bright, dark = _judged(light), _judged(_light(0.025))
    assert (bright.kind, dark.kind) == ("bright", "dark")
    assert bright.refusal is None
    assert dark.refusal is None
    assert bright.clipped_share[0] > 0.1 > bright.clipped_share[1]
    assert any("red" in warning for warning in bright.warnings)
    assert any("dark" in warning for warning in dark.warnings)


@pytest.mark.parametrize("upright", [False, True])
def test_a_moved_camera_is_told_by_length_and_direction(upright: bool) -> None:
    import cv2

    def moved(length: int) -> Exposure:
        kernel = np.full((length, 1) if upright else (1, length), 1 / length)
        return _judged(np.asarray(cv2.filter2D(_light(), -1, kernel), dtype=np.float64))

    some, far = moved(9), moved(25)
    assert some.motion_px == pytest.approx(9, rel=0.35)
    assert some.motion_deg == (90 if upright else 0)
    assert some.refusal is None
    assert far.refusal is not None
    assert "moving camera" in far.refusal[0]


def test_a_photograph_out_of_focus_is_refused() -> None:
    import cv2

    judged = _judged(np.asarray(cv2.GaussianBlur(_light(), (0, 0), 11), dtype=np.float64))
    assert judged.refusal is not None
    assert "focus" in judged.refusal[0]


def test_a_beat_pattern_over_an_even_field_is_measured() -> None:
    y = np.arange(960)[:, None, None]
    even = np.full((960, 1280, 3), 0.3) + np.random.default_rng(2).normal(0, 0.003, (960, 1280, 3))
    calm, beating = _judged(even), _judged(even * (1 + 0.1 * np.sin(2 * np.pi * y / 40)))
    assert calm.moire_ratio is not None
    assert calm.moire_ratio < 0.01
    assert beating.moire_ratio == pytest.approx(0.1, rel=0.25)
    assert any("beat" in warning for warning in beating.warnings)
    assert _judged(_light()).moire_ratio is None  # marks on black tell nothing of it


def test_an_even_field_of_one_colour_is_no_fault() -> None:
    light = np.full((960, 1280, 3), 0.01) + np.random.default_rng(3).normal(0, 0.001, (960, 1280, 3))
    light[..., 1] += 0.3
    judged = _judged(light)
    assert (judged.kind, judged.refusal) == ("good", None)


def test_only_the_picture_s_own_place_is_judged() -> None:
    light = np.full((1200, 1600, 3), 0.002)
    light[150:1110, 200:1480] = _light()
    light[:120] = 1.0  # a lamp above the screen
    photo = _photo(light)
    judged = judge_exposure(photo, field_hz=60, interlaced=False, region=(200, 150, 1480, 1110))
    assert judged.kind == "good"
    assert max(judged.clipped_share) < 0.01


@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_breaks_on_what_is_no_picture(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for pixels in (
        np.zeros((600, 800, 3), dtype=np.uint8),
        np.full((600, 800, 3), 255, dtype=np.uint8),
        rng.integers(0, 256, (600, 800, 3), dtype=np.uint8),
        rng.integers(0, 65536, (40, 900, 3), dtype=np.uint16),
    ):
        judged = judge_exposure(Photo(pixels=pixels), field_hz=50, interlaced=True, region=(-5, -5, 9000, 3))
        assert all(np.isfinite(share) for share in judged.clipped_share)
