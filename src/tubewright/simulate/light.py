"""What light reaches the camera's sensor: every pixel's ray is followed to the glass and to the beams behind it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from tubewright.simulate.beams import RasterLight, draw_beams
from tubewright.simulate.display import Array, Burn, Display, Fine, Mask
from tubewright.simulate.glass import TEXTURE_PER_MM, TagStrip, draw_strip

if TYPE_CHECKING:
    from tubewright.simulate.photograph import Scene

KNOT_STEP_PX: Final = 24
"""Between the pixels whose rays are followed exactly; splines between them err by less than 1e-4 px."""
STRIP_ROWS: Final = 192
"""Rows drawn at a time: their arrays stay within the processor's cache."""
SAMPLES_PER_PITCH: Final = 4
"""Samples across the mask's pitch; less would draw a false moiré."""
_TILE: Final = 24
"""Samples of the mask's pattern to a pitch."""
_PHASES: Final = 8192


def sensor_light(scene: Scene) -> NDArray[np.float32]:
    """Light in the three channels, (3, height, width), 1 = the sensor's limit; no noise, no clipping yet."""
    import cv2

    camera, room = scene.camera, scene.room
    shape = (camera.height_px, camera.width_px)
    picture = np.zeros((3, *shape), np.float32)
    around = np.full(shape, room.surround_ratio, np.float32)
    samples = _draw_picture(scene, picture, around)
    for strip in room.strips:
        _lay_strip(scene, strip, around)
    mix = np.array(camera.channels, float) * camera.white_level / sum(camera.channels[1])
    level = camera.white_level * room.paper_share
    blur2 = camera.blur_px**2
    _soften(around, blur2 - 1 / 16, camera.motion_px)
    mixed = np.empty_like(picture)
    for rows in _slices(shape[0], STRIP_ROWS):
        for channel in range(3):
            own = mixed[channel, rows]
            np.multiply(picture[0, rows], np.float32(mix[channel, 0]), out=own)
            own += picture[1, rows] * np.float32(mix[channel, 1])
            own += picture[2, rows] * np.float32(mix[channel, 2])
    del picture
    for channel in range(3):
        own = mixed[channel]
        if room.halation_share > 0:
            _scatter(own, room.halation_share, camera.focal_px / camera.distance_mm)
        _soften(own, blur2 - (1 - 1 / samples**2) / 12, camera.motion_px)
        cv2.scaleAdd(around, level * room.colour_ratio[channel], own, own)
        if camera.magnified(channel) != 1.0:
            mixed[channel] = _magnified(own, camera.magnified(channel), camera.centre_px)
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
        return np.floor(t) + (1 - np.exp(-rest / decay_ratio)) / (1 - np.exp(-1 / decay_ratio))

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


def _draw_picture(scene: Scene, picture: NDArray[np.float32], around: Fine) -> int:
    """Draw the phosphors' light and the room's light on the glass; gives the samples per pixel along either axis."""
    import cv2

    camera, display, glass, room = scene.camera, scene.display, scene.glass, scene.room
    box = _picture_box(scene)
    mm_per_px = camera.distance_mm / camera.focal_px
    mask = display.mask
    samples = 1 if mask.kind == "none" else int(np.clip(np.ceil(SAMPLES_PER_PITCH * mm_per_px / mask.pitch_mm), 1, 4))
    if box is None:
        return samples
    left, top, right, bottom = box
    beams = draw_beams(display)
    knots = _knots(scene, box)
    columns = (np.arange((right - left) * samples) + 0.5) / samples - 0.5 + left
    along = knots.at(columns)
    tile = _mask_tile(mask)
    timing = _timing(scene)
    for part in _slices(bottom - top, max(16, STRIP_ROWS // samples)):
        rows = (np.arange(part.start * samples, part.stop * samples) + 0.5) / samples - 0.5 + top
        maps = np.tensordot(_spline(knots.y, rows), along, axes=(1, 1)).transpose(1, 0, 2)
        x_mm, y_mm = maps[0], maps[1]
        lit = np.stack([_beam(beams, g, maps[2 + 2 * g], maps[3 + 2 * g], rows, timing) for g in range(3)])
        if display.stains:
            lit = _stained(display, lit, x_mm, y_mm)
        if tile is not None:
            lit *= _through(mask, tile, x_mm, y_mm)
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
    return samples


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
    axes = []
    for low, high in ((box[0], box[2]), (box[1], box[3])):
        count = int(np.ceil((high - low) / KNOT_STEP_PX)) + 3
        middle = (low + high - 1) / 2
        axes.append(middle + (np.arange(count) - (count - 1) / 2) * KNOT_STEP_PX)
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
    import cv2

    column, row = beams.grid_at(x_px, line)
    total: Fine | None = None
    for parity, planes in enumerate(beams.fields):
        light = cv2.remap(planes[gun], column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        if timing is not None:
            start = (timing.row_start(rows) - timing.field_phase[parity]).astype(np.float32)
            phase = start[:, None] - line * np.float32(timing.line_phase)
            phase -= np.floor(phase)
            light *= timing.weights[gun][np.minimum((phase * _PHASES).astype(np.int32), _PHASES - 1)]
        total = light if total is None else total + light
    assert total is not None
    return total.astype(np.float32, copy=False)


def _stained(display: Display, lit: NDArray[np.float32], x_mm: Fine, y_mm: Fine) -> NDArray[np.float32]:
    """Move light to the next gun's phosphor where the beams land beside their own."""
    share = np.zeros(x_mm.shape, np.float32)
    for stain in display.stains:
        far2 = (x_mm - np.float32(stain.x_mm)) ** 2 + (y_mm - np.float32(stain.y_mm)) ** 2
        share += np.float32(stain.share) * np.exp(far2 * np.float32(-0.5 / stain.radius_mm**2))
    onward, back = np.clip(share, 0, 1), np.clip(-share, 0, 1)
    return lit * (1 - onward - back) + np.roll(lit, 1, axis=0) * onward + np.roll(lit, -1, axis=0) * back


def _burn(display: Display, burn: Burn, lit: NDArray[np.float32], x_mm: Fine, y_mm: Fine) -> None:
    import cv2

    rows, columns = burn.shape.shape
    worn = cv2.remap(
        burn.shape,
        (x_mm / np.float32(display.width_mm) + np.float32(0.5)) * np.float32(columns) - np.float32(0.5),
        (y_mm / np.float32(display.height_mm) + np.float32(0.5)) * np.float32(rows) - np.float32(0.5),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    for gun in range(3):
        lit[gun] *= 1 - np.float32(burn.depth_ratio[gun]) * worn


def _mask_tile(mask: Mask) -> Fine | None:
    """One cell of the mask's pattern, which repeats, (rows, columns, 3): light through it, 1 on average."""
    if mask.kind == "none":
        return None
    columns = _TILE * 2
    rows = round(_TILE * 2 * 3**0.5) if mask.kind == "dots" else _TILE * 2
    y, x = np.mgrid[:rows, :columns].astype(float)
    x, y = x / columns, y / rows
    tile = np.empty((rows, columns, 3), np.float32)
    for gun in range(3):
        phase = x - (gun - 1) / 3
        if mask.kind == "dots":
            # Two dots to a cell that is sqrt(3) as high as wide: the lattice of equal triangles.
            near = np.full(x.shape, np.inf)
            for dx, dy in ((0.0, 0.0), (0.5, 0.5)):
                ax, ay = phase - dx, y - dy
                ax, ay = ax - np.round(ax), (ay - np.round(ay)) * 3**0.5
                near = np.minimum(near, np.hypot(ax, ay))
            radius = mask.lit_share / (2 * 3**0.5)
            light = _edge((radius - near) * columns)
        else:
            across = np.abs(phase - np.round(phase))
            light = _edge((mask.lit_share / 6 - across) * columns)
            if mask.kind == "slots":
                light = light * _edge((0.42 - np.abs(y - 0.5)) * rows)
        tile[:, :, gun] = light / light.mean()
    return tile


def _edge(beyond: Array) -> Array:
    """An edge three samples wide."""
    return np.clip(beyond / 3 + 0.5, 0, 1)


def _through(mask: Mask, tile: Fine, x_mm: Fine, y_mm: Fine) -> NDArray[np.float32]:
    """Light through the mask, (3, rows, columns)."""
    import cv2

    height = mask.pitch_mm * (3**0.5 if mask.kind == "dots" else 1.4)
    x = (x_mm - np.floor(x_mm.min())) * np.float32(tile.shape[1] / mask.pitch_mm)
    y = (y_mm - np.floor(y_mm.min())) * np.float32(tile.shape[0] / height)
    # Whole cells from the strip's own corner: places stay small enough for the interpolation.
    x += np.float32(np.floor(x_mm.min()) / mask.pitch_mm % 1 * tile.shape[1])
    y += np.float32(np.floor(y_mm.min()) / height % 1 * tile.shape[0])
    x %= np.float32(tile.shape[1])
    y %= np.float32(tile.shape[0])
    through = cv2.remap(tile, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return np.ascontiguousarray(through.transpose(2, 0, 1))


def _lay_strip(scene: Scene, strip: TagStrip, around: Fine) -> None:
    """Draw a strip of tags where the photograph shows it: four samples a pixel."""
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
    for dy in (-0.25, 0.25):
        to_y = _spline(knots_y, np.arange(top, bottom) + dy)
        for dx in (-0.25, 0.25):
            to_x = _spline(knots_x, np.arange(left, right) + dx)
            x, y = ((to_y @ on_strip[..., i].astype(np.float32) @ to_x.T) * TEXTURE_PER_MM + 0.5 for i in (0, 1))
            total += cv2.remap(padded, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            covered += cv2.remap(inside, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    region = around[top:bottom, left:right]
    region += (total / 4 - region) * (covered / 4)


def _soften(plane: Fine, variance_px2: float, motion_px: tuple[float, float]) -> None:
    """Blur a plane in place: a Gaussian, and the way of the image over the sensor."""
    import cv2

    if variance_px2 > 0.01:
        cv2.GaussianBlur(plane, (0, 0), float(np.sqrt(variance_px2)), dst=plane, borderType=cv2.BORDER_REPLICATE)
    if motion_px != (0.0, 0.0):
        reach = int(np.ceil(max(abs(m) for m in motion_px) / 2)) + 1
        kernel = np.zeros((2 * reach + 1, 2 * reach + 1))
        for t in (np.arange(400) + 0.5) / 400 - 0.5:
            x, y = motion_px[0] * t + reach, motion_px[1] * t + reach
            i, j = int(y), int(x)
            for di, wy in ((0, 1 - (y - i)), (1, y - i)):
                for dj, wx in ((0, 1 - (x - j)), (1, x - j)):
                    kernel[i + di, j + dj] += wy * wx / 400
        cv2.filter2D(plane, cv2.CV_32F, kernel.astype(np.float32), dst=plane, borderType=cv2.BORDER_REPLICATE)


def _scatter(plane: Fine, share: float, px_per_mm: float) -> None:
    """Spread a share of the light over some 15 mm, as thick glass does (estimate)."""
    import cv2

    coarse = max(1, round(4 * px_per_mm))
    small = cv2.resize(
        plane, (plane.shape[1] // coarse + 1, plane.shape[0] // coarse + 1), interpolation=cv2.INTER_AREA
    )
    small = cv2.GaussianBlur(small, (0, 0), 15 * px_per_mm / coarse)
    plane *= np.float32(1 - share)
    veil = cv2.resize(small, (plane.shape[1], plane.shape[0]), interpolation=cv2.INTER_LINEAR)
    cv2.scaleAdd(veil, share, plane, plane)


def _magnified(plane: Fine, factor: float, centre_px: Array) -> Fine:
    """A plane drawn larger about a centre: a windowed sinc of eight taps along either axis."""
    for axis, centre in ((1, centre_px[0]), (0, centre_px[1])):
        count = plane.shape[axis]
        at = centre + (np.arange(count) - centre) / factor
        base = np.floor(at).astype(int)
        taps = np.arange(-3, 5)
        offset = (at - base)[:, None] - taps
        weights = np.sinc(offset) * np.sinc(offset / 4)
        weights = (weights / weights.sum(axis=1, keepdims=True)).astype(np.float32)
        step = base - np.arange(count)
        reach = int(np.abs(step).max()) + 5
        pads = [(0, 0), (0, 0)]
        pads[axis] = (reach, reach)
        padded = np.pad(plane, pads, mode="edge")
        out = np.empty_like(plane)
        ends = np.concatenate([[0], np.nonzero(np.diff(step))[0] + 1, [count]])
        for start, stop in zip(ends[:-1], ends[1:], strict=True):
            shift = int(step[start]) + reach
            for rows in _slices(plane.shape[0], STRIP_ROWS) if axis == 1 else [slice(start, stop)]:
                columns = slice(start, stop) if axis == 1 else slice(None)
                total: Fine | None = None
                for k, tap in enumerate(taps):
                    if axis == 1:
                        part = padded[rows, start + shift + tap : stop + shift + tap] * weights[start:stop, k]
                    else:
                        part = padded[start + shift + tap : stop + shift + tap] * weights[start:stop, k, None]
                    total = part if total is None else np.add(total, part, out=total)
                out[rows, columns] = total
        plane = out
    return plane


def _slices(count: int, size: int) -> Iterator[slice]:
    for start in range(0, count, size):
        yield slice(start, min(count, start + size))
