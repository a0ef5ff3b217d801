"""The smooth maps: what they can follow they give back, what rows do together they keep apart."""

from __future__ import annotations

import numpy as np

from picture.test_identify import raster
from tubewright.picture.maps import fit_maps
from tubewright.picture.patterns.survey import survey_marks

RASTER = raster(320, 240)
MARKS = survey_marks(RASTER)
DRAWN = np.stack([MARKS.x_px, MARKS.y_px], axis=1)


def _bent(at: np.ndarray, gun: np.ndarray) -> np.ndarray:
    """A cubic shape with a departure of the outer guns, photograph pixels."""
    x, y = (at - [160, 120]) @ np.diag([1 / 160, 1 / 120]).T[:, 0], (at[:, 1] - 120) / 120
    outer = np.array([1.0, 0.0, -0.7])[gun]
    u = 2000 + 1500 * x * (1 + 0.02 * y * y) + 20 * y + outer * (3 + 2 * x * y)
    v = 1500 + 1100 * y * (1 + 0.03 * x * x) - 15 * x + outer * (x * x - 1)
    return np.stack([u, v], axis=1)


def test_a_cubic_shape_is_followed_to_the_last_digit() -> None:
    fit = fit_maps(RASTER, gun=MARKS.gun, row=MARKS.row, raster_px=DRAWN, photo_px=_bent(DRAWN, MARKS.gun))
    assert np.abs(fit.left_over_px).max() < 1e-4
    assert np.abs(fit.row_shift_px).max() < 1e-4
    for gun in range(3):
        to_photo = fit.maps[gun]
        assert to_photo is not None
        at = np.array([[10.0, 20.0], [300.5, 200.25]])
        found = np.stack(to_photo(at[:, 0], at[:, 1]), axis=1)
        np.testing.assert_allclose(found, _bent(at, np.full(2, gun)), atol=1e-3)


def test_strays_are_forgiven() -> None:
    photo = _bent(DRAWN, MARKS.gun)
    photo[::29] += 60
    fit = fit_maps(RASTER, gun=MARKS.gun, row=MARKS.row, raster_px=DRAWN, photo_px=photo)
    left = np.hypot(*fit.left_over_px.T)
    assert np.median(left) < 0.5
    assert np.all(left[::29] > 40)


def test_a_shift_of_rows_is_kept_out_of_the_smooth_shape() -> None:
    """A top curl of four lines is no polynomial; it belongs to its rows."""
    shift = 2.0 * np.exp(-np.arange(23) / 0.8)
    curled = DRAWN + np.stack([shift[MARKS.row], np.zeros(len(DRAWN))], axis=1)
    fit = fit_maps(RASTER, gun=MARKS.gun, row=MARKS.row, raster_px=DRAWN, photo_px=_bent(curled, MARKS.gun))
    x, _ = fit.predict(1, DRAWN[:, 0], DRAWN[:, 1], MARKS.row)
    green = MARKS.gun == 1
    assert np.abs((x - _bent(curled, MARKS.gun)[:, 0])[green]).max() < 0.5


def test_a_gun_that_is_dark_has_no_map() -> None:
    lit = MARKS.gun != 0
    fit = fit_maps(
        RASTER, gun=MARKS.gun[lit], row=MARKS.row[lit], raster_px=DRAWN[lit], photo_px=_bent(DRAWN, MARKS.gun)[lit]
    )
    assert fit.maps[0] is None
    assert fit.maps[1] is not None
    assert fit.maps[2] is not None
