"""A measurement made up by hand, as the steps of measuring give it: for tests of what is done with one."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tubewright.answers.measurement import Measurement, PhotoNote, Quality
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import survey_marks
from tubewright.picture.results import (
    GUNS,
    ZONES,
    Convergence,
    ConvergencePoints,
    Figure,
    Focus,
    Geometry,
    GunLaw,
    Hum,
    LineProfile,
    Purity,
    Scale,
    TopCurl,
    Tracking,
    Unsupported,
    Vector,
    Wear,
    Zone,
)
from tubewright.picture.seen import Photo

WIDTH_MM: Final = 366.0
HEIGHT_MM: Final = 274.0
PX_PER_MM: Final = 3.0
MARGIN_PX: Final = 51.0

RASTER: Final = Raster(
    name="made-up 640x480",
    width_px=640,
    height_px=480,
    pixel_clock_hz=25_175_000.0,
    h_front_px=16,
    h_sync_px=96,
    h_back_px=48,
    v_front_lines=10,
    v_sync_lines=2,
    v_back_lines=33,
)


def field_mm(gun: int, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """A made-up error of convergence, (n, 2): blue grows to the lower right corner, red is 0.2 mm left everywhere."""
    s, t = x_mm / (WIDTH_MM / 2), y_mm / (HEIGHT_MM / 2)
    if gun == 0:
        return np.column_stack([np.full_like(s, -0.2), 0.1 * t])
    grows = np.clip(s, 0, None) * np.clip(t, 0, None)
    return np.column_stack([0.1 + 2.6 * grows, 0.3 * grows])


def points() -> ConvergencePoints:
    """The marks of the outer guns with that error."""
    marks = survey_marks(RASTER)
    outer = (marks.gun == 0) | (marks.gun == 2)
    gun = marks.gun[outer]
    at = np.column_stack(
        [
            ((marks.x_px[outer] + 0.5) / RASTER.width_px - 0.5) * WIDTH_MM,
            ((marks.y_px[outer] + 0.5) / RASTER.height_px - 0.5) * HEIGHT_MM,
        ]
    )
    smooth = np.where((gun == 0)[:, None], field_mm(0, *at.T), field_mm(2, *at.T))
    noise = np.random.default_rng(5).normal(0, 0.02, smooth.shape)
    return ConvergencePoints(
        gun=gun,
        column=marks.column[outer],
        row=marks.row[outer],
        at_mm=at,
        error_mm=smooth + noise,
        sd_mm=np.full(gun.size, 0.02),
        smooth_mm=smooth,
        photo_px=(at + np.array([WIDTH_MM, HEIGHT_MM]) / 2) * PX_PER_MM + MARGIN_PX,
    )


def zone_vectors(gun: int) -> dict[Zone, Vector]:
    """The error in the middle of each zone."""
    vectors = {}
    for n, zone in enumerate(ZONES):
        x, y = (n % 3 - 1) * WIDTH_MM / 3, (n // 3 - 1) * HEIGHT_MM / 3
        dx, dy = field_mm(gun, np.array([x]), np.array([y]))[0]
        vectors[zone] = Vector(x_mm=float(dx), y_mm=float(dy), sd_mm=0.015)
    return vectors


def convergence() -> Convergence:
    """Blue off at the lower right corner."""
    return Convergence(
        red_minus_green=zone_vectors(0),
        blue_minus_green=zone_vectors(2),
        worst_mm=Figure(value=2.5, sd=0.03),
        worst_zone="bottom_right",
        points=points(),
        fringes="tags",
    )


def geometry() -> Geometry:
    """A side pincushion of 3 %, and a trapezoid that tilt could imitate."""
    tilt = Unsupported(reason="a tilted camera looks the same", would_settle="the printed tags beside the picture")
    return Geometry(
        pincushion_pct={
            "left": Figure(value=3.0, sd=0.1),
            "right": Figure(value=2.8, sd=0.1),
            "top": Figure(value=0.2, sd=0.1),
            "bottom": Figure(value=-0.1, sd=0.1),
        },
        trapezoid_h_pct=tilt,
        trapezoid_v_pct=tilt,
        rotation_deg=Figure(value=0.05, sd=0.03),
        parallelogram_deg=Figure(value=0.02, sd=0.05),
        bow_vertical_axis_pct=Figure(value=0.1, sd=0.05),
        bow_horizontal_axis_pct=Figure(value=0.0, sd=0.05),
        linearity_h_pct=Figure(value=13.0, sd=2.0),
        linearity_v_pct=Figure(value=3.0, sd=0.6),
    )


def top_curl() -> TopCurl:
    """3.2 mm to the right, settled in 18 lines."""
    line = np.arange(480, dtype=np.float64)
    fitted = 3.2 * np.exp(-line / 6.0)
    return TopCurl(
        amplitude_mm=Figure(value=3.2, sd=0.06),
        settle_lines=Figure(value=18.0, sd=0.9),
        overshoot_ratio=Figure(value=0.0, sd=0.02),
        profile=LineProfile(
            line=line,
            displacement_mm=fitted + np.random.default_rng(6).normal(0, 0.05, line.size),
            sd_mm=np.full(line.size, 0.05),
            fitted_mm=fitted,
        ),
    )


def measurement(**changes: Any) -> Measurement:  # noqa: ANN401 - any field of a measurement
    """A measurement of one photograph of the survey with tags; fields may be put in place of the made-up ones."""
    no_light = Unsupported(reason="the survey carries no fields", would_settle="a photograph of the survey of light")
    spot = {zone: Figure(value=0.6 if zone == "centre" else 0.7, sd=0.02) for zone in ZONES}
    parts: dict[str, Any] = {
        "accepted": True,
        "photos": (PhotoNote(name="pier.jpg", pattern="survey", used_for=("convergence", "geometry")),),
        "quality": Quality(
            exposure="good",
            exposure_s=1 / 15,
            fields_in_exposure_count=4.0,
            clipped_pct=0.2,
            banding_pct=0.4,
            sharpness_px=1.4,
            warnings=("the camera is held at 22 degrees to the glass",),
        ),
        "pattern": "survey",
        "raster": RASTER,
        "rotated_deg": 1.5,
        "mirrored": False,
        "scale": Scale(
            width_mm=Figure(value=WIDTH_MM, sd=0.3),
            height_mm=Figure(value=HEIGHT_MM, sd=0.3),
            mm_per_px=Figure(value=1 / PX_PER_MM, sd=0.0003),
            reference="tags",
        ),
        "convergence": convergence(),
        "geometry": geometry(),
        "top_curl": top_curl(),
        "hum": Hum(
            displacement_mm=Figure(value=0.05, sd=0.04),
            brightness_pct=Figure(value=0.4, sd=0.2),
            period_lines=Unsupported(reason="no hum was found", would_settle="nothing; that is good"),
        ),
        "focus": Focus(spot_h_mm=spot, spot_v_mm=spot, camera_blur="taken_off"),
        "purity": no_light,
        "tracking": no_light,
        "wear": no_light,
    }
    return Measurement(**{**parts, **changes})


def light() -> dict[str, Any]:
    """The parts that the survey of light gives: green weak and flattening, a stain at the left, a burnt-in shape."""

    def law(strength: float, shortfall: float) -> GunLaw:
        return GunLaw(
            gamma_ratio=Figure(value=2.3, sd=0.03),
            black_drive_ratio=Figure(value=0.02, sd=0.004),
            bends_at_ratio=Figure(value=0.7, sd=0.03) if shortfall else None,
            shortfall_ratio=Figure(value=shortfall, sd=0.01),
            emission_reserve=Figure(value=1.3, sd=0.2),
            strength_ratio=Figure(value=strength, sd=0.03),
        )

    shift = {gun: {zone: Figure(value=0.005, sd=0.003) for zone in ZONES} for gun in GUNS}
    shift["red"]["left"] = Figure(value=0.12, sd=0.01)
    return {
        "purity": Purity(
            shift_ratio=shift,
            worst_ratio={gun: max(shift[gun].values(), key=lambda figure: figure.value) for gun in GUNS},
        ),
        "tracking": Tracking(
            guns={"red": law(1.0, 0.0), "green": law(0.4, 0.3), "blue": law(0.95, 0.0)},
            white_drift_du_v=Figure(value=0.03, sd=0.002),
        ),
        "wear": Wear(
            depth_ratio=Figure(value=0.09, sd=0.006), area_pct=Figure(value=6.0, sd=0.5), at_zone="bottom_left"
        ),
    }


def photo() -> Photo:
    """A photograph of the survey, as large as the places of :func:`points` say, plain and dark."""
    from tubewright.picture.patterns.survey import draw_survey

    width, height = round(WIDTH_MM * PX_PER_MM), round(HEIGHT_MM * PX_PER_MM)
    drawn = draw_survey(RASTER)
    rows = np.arange(height) * RASTER.height_px // height
    columns = np.arange(width) * RASTER.width_px // width
    margin = round(MARGIN_PX)
    pixels = np.full((height + 2 * margin, width + 2 * margin, 3), 12, dtype=np.uint8)
    pixels[margin:-margin, margin:-margin] = np.maximum(drawn[rows][:, columns], 12)
    return Photo(pixels=pixels, name="pier.jpg")
