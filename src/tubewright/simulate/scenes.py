"""Scenes to photograph: plain ones."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns import survey
from tubewright.picture.patterns.raster import Raster
from tubewright.simulate.camera import Camera
from tubewright.simulate.display import Display
from tubewright.simulate.glass import Glass, Room, TagStrip
from tubewright.simulate.photograph import Scene

RASTERS: Final = {
    raster.name: raster
    for raster in (
        # 15.7 kHz class: 262 lines (525-line rate without interlace), 320 of 408 dots; common practice
        Raster(
            name="line15",
            width_px=320,
            height_px=240,
            pixel_clock_hz=6.419580e6,
            h_front_px=14,
            h_sync_px=30,
            h_back_px=44,
            v_front_lines=3,
            v_sync_lines=3,
            v_back_lines=16,
        ),
        # 31.5 kHz class: VESA DMT 0x04, borders counted with the porches
        Raster(
            name="line31",
            width_px=640,
            height_px=480,
            pixel_clock_hz=25.175e6,
            h_front_px=16,
            h_sync_px=96,
            h_back_px=48,
            v_front_lines=10,
            v_sync_lines=2,
            v_back_lines=33,
        ),
    )
}


def plain_scene(
    *,
    raster: Raster | None = None,
    drive: NDArray[np.uint8] | None = None,
    pattern: str = "survey",
    megapixels: float = 12.0,
    tags: bool = True,
) -> Scene:
    """A faultless display before a camera that stands straight in front; the survey, unless something else is fed."""
    raster = raster or RASTERS["line31"]
    drive = survey.draw_survey(raster) if drive is None else drive
    display = Display(raster=raster, drive=drive, pattern=pattern)
    glass = Glass()
    strips = strips_round(glass) if tags else ()
    return Scene(
        display=display,
        glass=glass,
        room=replace(Room(), strips=strips),
        camera=camera_of(megapixels, strips=bool(tags)),
    )


def camera_of(megapixels: float, *, strips: bool = True) -> Camera:
    """A camera of 4 : 3 that has the picture, and the tags if they lie there, in its frame."""
    width = round((megapixels * 1e6 * 4 / 3) ** 0.5 / 8) * 8
    return Camera(width_px=width, height_px=width * 3 // 4, distance_mm=500.0 if strips else 440.0)


def strips_round(glass: Glass) -> tuple[TagStrip, ...]:
    """Tags above, below and to the right of the opening, not quite straight, as a hand lays them."""
    half_w, half_h = glass.opening_width_mm / 2, glass.opening_height_mm / 2
    return (
        TagStrip(strip=0, x_mm=-95.0, y_mm=-half_h - 42.0, turned_deg=0.8),
        TagStrip(strip=1, x_mm=-80.0, y_mm=half_h + 9.0, turned_deg=-0.6),
        TagStrip(strip=2, x_mm=half_w + 42.0, y_mm=-88.0, turned_deg=90.7),
    )
