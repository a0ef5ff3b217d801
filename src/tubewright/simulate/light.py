"""What light reaches the camera's sensor: every pixel's ray is followed to the glass and to the beams behind it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from tubewright.simulate.beams import RasterLight, draw_beams, read_between
from tubewright.simulate.display import CELL_MM, Array, Burn, Display, Fine
from tubewright.simulate.glass import TEXTURE_PER_MM, TagStrip, draw_strip
from tubewright.simulate.lens import STRIP_ROWS, magnified, scatter, slices, soften
from tubewright.simulate.mask import GATHERED_SAMPLES, mask_tile

if TYPE_CHECKING:
    from tubewright.simulate.photograph import Scene

KNOT_STEP_PX: Final = 24
"""Between the pixels whose rays are followed exactly; splines between them err by less than 1e-4 px."""
CELL_PX: Final = 0.6
"""Cells of the fine picture may be this large where the photograph itself is coarse."""
SAMPLES_PER_PITCH: Final = 2.2
"""Samples across the mask's pitch; less would draw a false moiré."""
SAMPLES_PER_SPOT: Final = 3.0
"""Samples across the spot's width at half height, where there is a mask: the light on it has a slope, and no more."""
_PHASES: Final = 8192


def sensor_light(scene: Scene) -> NDArray[np.float32]:
    """Light in the three channels, (3, height, width), 1 = the sensor's limit; no noise, no clipping yet."""
    import cv2

    camera, room = scene.camera, scene.room
    shape = (camera.height_px, camera.width_px)
    picture = np.zeros((3, *shape), np.float32)
    around = np.full(shape, room.surround_ratio, np.float32)
    done_px2 = _draw_picture(scene, picture, around)
    # As many samples a pixel as the strips have texels: their edges lie where they should.
    texels = TEXTURE_PER_MM * camera.distance_mm / camera.focal_px
    fine = int(np.clip(np.ceil(1.2 * texels), 2, 6))
    for strip in room.strips:
        _lay_strip(scene, strip, around, fine)
    mix = np.array(camera.channel_share, float) * camera.white_level / sum(camera.channel_share[1])
    level = camera.white_level * room.paper_share
    blur2 = camera.blur_px**2
    soften(around, blur2 - (1 - 1 / fine**2) / 12, camera.motion_px)
    mixed = np.empty_like(picture)
    for rows in slices(shape[0], STRIP_ROWS):
        for channel in range(3):
            own = mixed[channel, rows]
            np.multiply(picture[0, rows], np.float32(mix[channel, 0]), out=own)
            own += picture[1, rows] * np.float32(mix[channel, 1])
            own += picture[2, rows] * np.float32(mix[channel, 2])
    del picture
    for channel in range(3):
        own = mixed[channel]
        if room.halation_share > 0:
            scatter(own, room.halation_share, camera.focal_px / camera.distance_mm)
        soften(own, blur2 - done_px2, camera.motion_px)
        cv2.scaleAdd(around, level * room.colour_ratio[channel], own, own)
        if camera.magnified(channel) != 1.0:
            mixed[channel] = magnified(own, camera.magnified(channel), camera.centre_px)
    if camera.vignetting_ratio:
        x = (np.arange(shape[1]) - (shape[1] - 1) / 2) / camera.half_diagonal_px
        y = (np.arange(shape[0]) - (shape[0] - 1) / 2) / camera.half_diagonal_px
        mixed *= (1 - camera.vignetting_ratio * (x[None, :] ** 2 + y[:, None] ** 2)).astype(np.float32)
    return mixed


def field_weights(exposure_ratio: float, decay_ratio: float) -> Fine:
    """Light of an exposure over what an even glow would give, by the phase at which it begins.

    The phase, 0..1 in steps of 1/8192, is the time from the beam's last passage
    to the exposure's start, in periods; ``exposure_ratio`` and ``decay_ratio`` are
    the exposure and the afterglow's time constant in periods.
    """
    phase = (np.arange(_PHASES) + 0.5) / _PHASES

    def gathered(t: Array) -> Array:
        rest = t - np.floor(t)
        return np.asarray(np.floor(t) + (1 - np.exp(-rest / decay_ratio)) / (1 - np.exp(-1 / decay_ratio)))

    return ((gathered(phase + exposure_ratio) - gathered(phase)) / exposure_ratio).astype(np.float32)


@dataclass(frozen=True, slots=True)
class _Knots:
    """Smooth maps from pixels, known at knots: splines between them."""

    x: Array
    y: Array
    values: NDArray[np.float32]  # (maps, y, x)

    def at(self, x_px: Array) -> NDArray[np.float32]:
        """The maps' splines along x at columns: (maps, y knots, columns)."""
        return np.asarray(self.values @ _spline(self.x, x_px).T)


def _spline(knots: Array, at: Array) -> NDArray[np.float32]:
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(knots, np.eye(knots.size))(at), dtype=np.float32)


def _draw_picture(scene: Scene, picture: NDArray[np.float32], around: Fine) -> float:
    """Draw the phosphors' light and the room's on the glass; gives the variance of the blur already in it, px^2."""
    import cv2

    camera, display, glass, room = scene.camera, scene.display, scene.glass, scene.room
    box = _picture_box(scene)
    mm_per_px = camera.distance_mm / camera.focal_px
    mask = display.mask
    samples = 1
    if mask.kind != "none":
        spot_mm = min(display.spot.h_mm, display.spot.v_mm)
        wanted = max(SAMPLES_PER_PITCH / mask.pitch_mm, SAMPLES_PER_SPOT / spot_mm) * mm_per_px
        samples = int(np.clip(np.ceil(wanted), 1, 4))
    gathered_mm = 0.0 if mask.kind == "none" else GATHERED_SAMPLES * mm_per_px / samples
    if box is None:
        return 0.0
    left, top, right, bottom = box
    beams = draw_beams(display, max(CELL_MM, CELL_PX * mm_per_px / samples), gathered_mm)
    knots = _knots(scene, box)
    columns = (np.arange((right - left) * samples) + 0.5) / samples - 0.5 + left
    along = knots.at(columns)
    tile = mask_tile(mask, mm_per_px / samples)
    timing = _timing(scene)
    for part in slices(bottom - top, max(16, STRIP_ROWS // samples)):
        # A row more above and below: the mask wants the slope of the light.
        rows = (np.arange(part.start * samples - 1, part.stop * samples + 1) + 0.5) / samples - 0.5 + top
        maps = np.tensordot(_spline(knots.y, rows), along, axes=(1, 1)).transpose(1, 0, 2)
        x_mm, y_mm = maps[0], maps[1]
        lit = np.stack([_beam(beams, g, maps[2 + 2 * g], maps[3 + 2 * g], rows, timing) for g in range(3)])
        if display.stains:
            lit = _stained(display, lit, x_mm, y_mm)
        if tile is not None:
            lit = tile.light(lit, x_mm, y_mm)
        lit, x_mm, y_mm = np.ascontiguousarray(lit[:, 1:-1]), x_mm[1:-1], y_mm[1:-1]
        if display.burn is not None:
            _burn(display, display.burn, lit, x_mm, y_mm)
        seen = glass.seen_share(x_mm, y_mm, mm_per_px)
        lit *= seen
        own = np.full(x_mm.shape, room.glass_ratio, np.float32)
        for glare in room.glares:
            far2 = (x_mm - np.float32(glare.x_mm)) ** 2 + (y_mm - np.float32(glare.y_mm)) ** 2
            own += np.float32(glare.light_ratio) * np.exp(far2 * np.float32(-0.5 / glare.radius_mm**2))
        own = room.surround_ratio + seen * (own - np.float32(room.surround_ratio))
        size = (right - left, part.stop - part.start)
        place = (slice(top + part.start, top + part.stop), slice(left, right))
        for g in range(3):
            picture[g][place] = lit[g] if samples == 1 else cv2.resize(lit[g], size, interpolation=cv2.INTER_AREA)
        around[place] = own if samples == 1 else cv2.resize(own, size, interpolation=cv2.INTER_AREA)
    return (gathered_mm / mm_per_px) ** 2 + (1 - 1 / samples**2) / 12


def _picture_box(scene: Scene) -> tuple[int, int, int, int] | None:
    """Left, top, right, bottom of the pixels that may show the opening, or ``None`` where none does."""
    glass, camera = scene.glass, scene.camera
    s = np.linspace(-1, 1, 33)
    half_w, half_h = glass.opening_width_mm / 2 + 2, glass.opening_height_mm / 2 + 2
    x = np.concatenate([s * half_w, s * half_w, np.full(33, half_w), np.full(33, -half_w)])
    y = np.concatenate([np.full(33, half_h), np.full(33, -half_h), s * half_h, s * half_h])
    px = camera.drawn(np.stack([x, y, glass.surface_z(x, y)], axis=-1))
    left, top = np.floor(px.min(axis=0)).astype(int) - 2
    right, bottom = np.ceil(px.max(axis=0)).astype(int) + 3
    left, top = max(0, left), max(0, top)
    right, bottom = min(camera.width_px, right), min(camera.height_px, bottom)
    return (left, top, right, bottom) if right > left and bottom > top else None


def _knots(scene: Scene, box: tuple[int, int, int, int]) -> _Knots:
    """Follow the rays at the knots: place on the glass, and where on the raster each gun is sent there."""
    camera, display = scene.camera, scene.display
    axes: list[Array] = []
    for low, high in ((box[0], box[2]), (box[1], box[3])):
        count = int(np.ceil((high - low) / KNOT_STEP_PX)) + 3
        middle = (low + high - 1) / 2
        axes.append(np.asarray(middle + (np.arange(count) - (count - 1) / 2) * KNOT_STEP_PX, dtype=float))
    x, y = np.meshgrid(axes[0], axes[1])
    x_mm, y_mm = scene.glass.struck(camera.lens_mm, camera.rays(x, y))
    maps = [x_mm, y_mm]
    for gun in range(3):
        u, v = display.origin(gun, x_mm, y_mm)
        maps += [(u + 1) / 2 * display.raster.width_px - 0.5, (v + 1) / 2 * display.raster.height_px - 0.5]
    return _Knots(axes[0], axes[1], np.stack(maps).astype(np.float32))


@dataclass(frozen=True, slots=True)
class _Timing:
    """Exposure of camera rows against beam passages, all in periods of the frame that lights a line."""

    weights: tuple[Fine, ...]  # by gun
    row_start: Callable[[Array], Array]
    line_phase: float
    field_phase: tuple[float, ...]


def _timing(scene: Scene) -> _Timing | None:
    camera, raster = scene.camera, scene.display.raster
    if camera.exposure_s is None:
        return None
    period_s = 1 / raster.frame_hz
    exposure = camera.exposure_s / period_s
    per_row = camera.readout_s / period_s / max(1, camera.height_px - 1)
    blank = (raster.v_sync_lines + raster.v_back_lines) / raster.v_total_lines
    return _Timing(
        weights=tuple(field_weights(exposure, decay / period_s) for decay in scene.display.decay_s),
        row_start=lambda row: camera.start_s / period_s + per_row * row,
        line_phase=1 / raster.v_total_lines / (2 if raster.interlaced else 1),
        field_phase=(blank / 2, blank / 2 + 0.5) if raster.interlaced else (blank,),
    )


def _beam(beams: RasterLight, gun: int, x_px: Fine, line: Fine, rows: Array, timing: _Timing | None) -> Fine:
    """One gun's light at places of the raster, seen by camera rows."""
    column, row = beams.grid_at(x_px, line)
    total = np.zeros(x_px.shape, np.float32)
    for parity, planes in enumerate(beams.fields):
        light = read_between(planes[gun], column, row)
        if timing is not None:
            start = (timing.row_start(rows) - timing.field_phase[parity]).astype(np.float32)
            phase = start[:, None] - line * np.float32(timing.line_phase)
            phase -= np.floor(phase)
            light = light * timing.weights[gun][np.minimum((phase * _PHASES).astype(np.int32), _PHASES - 1)]
        total += light
    return total


def _stained(display: Display, lit: NDArray[np.float32], x_mm: Fine, y_mm: Fine) -> NDArray[np.float32]:
    """Move light to the next gun's phosphor where the beams land beside their own."""
    share = np.zeros(x_mm.shape, np.float32)
    for stain in display.stains:
        far2 = (x_mm - np.float32(stain.x_mm)) ** 2 + (y_mm - np.float32(stain.y_mm)) ** 2
        share += np.float32(stain.share) * np.exp(far2 * np.float32(-0.5 / stain.radius_mm**2))
    onward, back = np.clip(share, 0, 1), np.clip(-share, 0, 1)
    moved = lit * (1 - onward - back) + np.roll(lit, 1, axis=0) * onward + np.roll(lit, -1, axis=0) * back
    return np.asarray(moved, dtype=np.float32)


def _burn(display: Display, burn: Burn, lit: NDArray[np.float32], x_mm: Fine, y_mm: Fine) -> None:
    import cv2

    rows, columns = burn.shape_share.shape
    worn = cv2.remap(
        burn.shape_share,
        (x_mm / np.float32(display.width_mm) + np.float32(0.5)) * np.float32(columns) - np.float32(0.5),
        (y_mm / np.float32(display.height_mm) + np.float32(0.5)) * np.float32(rows) - np.float32(0.5),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    for gun in range(3):
        lit[gun] *= 1 - np.float32(burn.depth_ratio[gun]) * worn


def _lay_strip(scene: Scene, strip: TagStrip, around: Fine, fine: int) -> None:
    """Draw a strip of tags where the photograph shows it, ``fine`` by ``fine`` samples a pixel."""
    import cv2

    from tubewright.picture.patterns import tags

    camera = scene.camera
    texture = draw_strip(strip.strip, scene.room.ink_ratio)
    s = np.linspace(0, 1, 17)
    edge = np.concatenate([np.stack([s, 0 * s], 1), np.stack([s, 0 * s + 1], 1), np.stack([0 * s, s], 1)])
    edge = np.concatenate([edge, np.stack([0 * s + 1, s], 1)]) * [tags.STRIP_WIDTH_MM, tags.STRIP_HEIGHT_MM]
    px = camera.drawn(strip.in_space(edge))
    left, top = np.maximum(np.floor(px.min(axis=0)).astype(int) - 2, 0)
    right, bottom = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 3, [camera.width_px, camera.height_px])
    if right <= left or bottom <= top:
        return
    knots_x = np.arange(left - KNOT_STEP_PX, right + 2 * KNOT_STEP_PX, KNOT_STEP_PX, dtype=float)
    knots_y = np.arange(top - KNOT_STEP_PX, bottom + 2 * KNOT_STEP_PX, KNOT_STEP_PX, dtype=float)
    on_strip = strip.struck(camera.lens_mm, camera.rays(*np.meshgrid(knots_x, knots_y)))
    total = np.zeros((bottom - top, right - left), np.float32)
    covered = np.zeros_like(total)
    padded = cv2.copyMakeBorder(texture, 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    inside = np.pad(np.ones_like(texture), 1)
    within = (np.arange(fine) + 0.5) / fine - 0.5
    for dy in within:
        to_y = _spline(knots_y, np.arange(top, bottom) + dy)
        for dx in within:
            to_x = _spline(knots_x, np.arange(left, right) + dx)
            x, y = ((to_y @ on_strip[..., i].astype(np.float32) @ to_x.T) * TEXTURE_PER_MM + 0.5 for i in (0, 1))
            total += cv2.remap(padded, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            covered += cv2.remap(inside, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    region = around[top:bottom, left:right]
    region += (total / fine**2 - region) * (covered / fine**2)
