"""Wear: a shape burnt into the screen, as light that a flat field lacks against its smooth surroundings.

A plain field, photographed by itself, shows it in full detail. The survey for light
alone shows it only as coarse as its patches lie: what is wider than two of them.
Either way the slow fall of light to the corners (lens, glass, scanning) is a smooth
surface that is fitted so that a lack of light hardly pulls it down; wear that is as
smooth as that surface can't be seen.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patches import PatchLights, zone_of
from tubewright.picture.results import ZONES, Figure, Unsupported, Wear, Zone
from tubewright.picture.sampling import linear_table
from tubewright.picture.seen import Photo, Sighting

Array = NDArray[np.float64]

# Estimates, tried on drawn fields.
_GRID_ACROSS: Final = 200
_GRID_DOWN: Final = 150
_EDGE_SHARE: Final = 0.06
"""Of the field at each side that is left out: curved edges, blur, the dark rim."""
_ORDER: Final = 4
_BAND_ORDER: Final = 9
_SMOOTH_CELLS: Final = 2.5
"""Standard deviation of the smoothing in cells: a hundredth of the picture's width."""
_SURE_SDS: Final = 5.0
_LEAST_DEPTH: Final = 0.03
_BRIGHTER_TIMES: Final = 2.0
_FIELD_HZ: Final = 60.0  # common practice: where the raster isn't known
_FIELDS_OFF: Final = 0.03
"""By how much an exposure may miss a whole number of fields without a band that counts."""
_LIT_SHARE: Final = 0.25
_LEAST_FIELD_SHARE: Final = 0.05
_MOST_CLIPPED_SHARE: Final = 0.02
_LEAST_LIGHT: Final = 0.02
_PATCH_SURE_SDS: Final = 6.0
_PATCH_LEAST_DEPTH: Final = 0.05
_FEWEST_PATCHES: Final = 30
_PATCH_REACH: Final = 2.2
"""Standard deviation in pitches of the lattice over which patches are taken together: about their distance."""


def measure_wear(photo: Photo, sighting: Sighting | None = None) -> Wear:
    """Depth, extent and place of a burnt-in shape, from a photograph of a plain field.

    Args:
        photo: A field of white or of one gun over the whole screen, the whole picture in view.
        sighting: Where the raster lies in this very photograph, if that is known; without, the field's own four
            edges are found.
    """
    corners = _field_corners(photo) if sighting is None else None
    if sighting is None and corners is None:
        return _unsupported(
            "no plain field with four edges is seen",
            "a photograph of a white field with the whole picture and a dark rim in view",
        )
    light, clipped = _grid(photo, sighting, corners)
    level = light.mean(axis=(0, 1))
    channel = int(level.argmax())
    if clipped[channel] > _MOST_CLIPPED_SHARE:
        return _unsupported("the field is overexposed in the photograph", "a photograph with less exposure")
    if level[channel] < _LEAST_LIGHT:
        return _unsupported("the field is too dark in the photograph", "a photograph with more exposure")
    band = _band(photo, sighting)
    wear = _from_map(light[..., channel])
    if band is not None and not (isinstance(wear.depth_ratio, Figure) and wear.depth_ratio.value > 2 * band):
        return _unsupported(
            f"the shutter cuts through a field: bands of {100 * band:.0f} % can hide wear and look like it",
            "an exposure of whole fields (1/30 s, 1/15 s at 60 Hz; 1/25 s at 50 Hz), or of a second and more",
        )
    return wear


def _band(photo: Photo, sighting: Sighting | None) -> float | None:
    """Contrast of the bands that the exposure leaves, as a share of the light; ``None`` for none to speak of.

    A row of the sensor sees a line lit once a field: so many times, or once more. Without an exposure in the file,
    nothing is known and the field itself must show it.
    """
    if photo.exposure_s is None:
        return None
    fields = photo.exposure_s * (_FIELD_HZ if sighting is None else sighting.raster.field_hz)
    contrast = 1 / max(fields, 1.0)
    if contrast < _LEAST_DEPTH or (fields > 0.5 and abs(fields - round(fields)) < _FIELDS_OFF):
        return None
    return contrast


def wear_from_patches(lights: PatchLights) -> Wear:
    """The same from the survey for light: coarse, for what is wider than two patches.

    All patches at full drive are used, each against the smooth surface of its own gun's light.
    """
    u = (lights.patches.x_px + 0.5) / lights.raster.width_px * 2 - 1
    v = (lights.patches.y_px + 0.5) / lights.raster.height_px * 2 - 1
    total = _whole_light(lights)
    clear = lights.clipped_share.max(axis=1) <= _MOST_CLIPPED_SHARE
    bright = np.array([np.median(total[lights.full(g)]) if lights.full(g).any() else 0.0 for g in range(4)])
    full = np.logical_or.reduce([lights.full(g) & (bright[g] > 3 * lights.floor_share) for g in range(4)])
    place = np.flatnonzero(full & clear)
    if len(place) < _FEWEST_PATCHES:
        return _unsupported("too few full patches could be read", "a photograph with less exposure, everything in view")
    ln = np.log(np.maximum(total[place], 1e-3 * total[place].max()))
    u, v, gun = u[place], v[place], lights.patches.gun[place][:, None] == np.arange(4)
    # One shading for all, and of each gun's light a level and a slope of its own.
    own = np.concatenate([gun, gun[:, :3] * u[:, None], gun[:, :3] * v[:, None]], axis=1)
    shapes = np.concatenate([np.stack([u, v, u * u, u * v, v * v], axis=1), own], axis=1)
    lack = ln - shapes @ _lenient_fit(shapes, ln)
    # Hum and a shutter that rolls make whole lines brighter and darker: what a row of patches shares is not wear.
    for height in np.unique(lights.patches.y_px[place]):
        row = lights.patches.y_px[place] == height
        lack[row] -= np.median(lack[row])
    from scipy.spatial import distance

    x, y = lights.patches.x_px / lights.raster.width_px * 31, lights.patches.y_px / lights.raster.height_px * 23
    apart = distance.cdist(np.stack([x, y], axis=1), np.stack([x[place], y[place]], axis=1))
    weight = np.exp(-(apart**2) / (2 * _PATCH_REACH**2))
    local = weight @ lack / weight.sum(axis=1)
    alone = 1.4826 * float(np.median(np.abs(lack - np.median(lack))))
    sd = alone * np.sqrt((weight**2).sum(axis=1)) / weight.sum(axis=1)
    # What a neighbourhood of this many patches lacks by chance somewhere on the screen is not wear.
    worst = int((local / sd).argmin())
    depth, depth_sd = float(-np.expm1(local[worst])), float(sd[worst])
    if depth < max(_PATCH_SURE_SDS * depth_sd, _PATCH_LEAST_DEPTH):
        seen = max(_PATCH_SURE_SDS * float(np.median(sd)), _PATCH_LEAST_DEPTH)
        return _unsupported(
            f"no shape deeper than {100 * seen:.0f} % and wider than two patches is seen; a finer one can't be",
            "a photograph of a plain white field",
        )
    lost = -np.expm1(local) > depth / 2
    area = 100 * float(lost.mean())
    return Wear(
        depth_ratio=Figure(value=depth, sd=float(np.hypot(depth_sd, 0.3 * depth))),
        area_pct=Figure(value=area, sd=max(0.5 * area, 100 / len(lost))),
        at_zone=zone_of(float(lights.patches.x_px[worst]), float(lights.patches.y_px[worst]), lights.raster),
    )


def _whole_light(lights: PatchLights) -> Array:
    """Light of all three phosphors together, each counted in its own full light: a beam that lands wrong loses none."""
    mixing = np.eye(3)
    for gun in range(3):
        full = lights.full(gun)
        if full.any():
            mixing[:, gun] = np.median(lights.light_share[full], axis=0)
    if np.linalg.cond(mixing) > 1e4:
        return np.asarray(lights.light_share.max(axis=1))
    return np.asarray((lights.light_share @ np.linalg.inv(mixing).T).sum(axis=1))


def _unsupported(reason: str, would_settle: str) -> Wear:
    why = Unsupported(reason=reason, would_settle=would_settle)
    return Wear(depth_ratio=why, area_pct=why, at_zone=None)


def _lenient_fit(shapes: Array, values: Array) -> Array:
    """Fit to which what lies well below counts for little, what lies above for a good deal."""
    weight = np.ones(len(values))
    for step in range(32):
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(shapes * root[:, None], values * root, rcond=None)[0]
        off = values - shapes @ fit
        scale = max(1.4826 * float(np.median(np.abs(off))), 1e-6)
        below = np.clip(-off / (3.0 * scale), 0, None)
        above = np.clip(off / (6.0 * scale), 0, None)
        if step < 24:  # the upper third first, by the sum of distances: wear only darkens
            weight = np.where(off > 0, 2.0, 1.0) / np.maximum(np.abs(off), 0.1 * scale)
        else:  # then Tukey's biweight, sharper on the side where light is lacking
            weight = np.clip(1 - np.maximum(below, above) ** 2, 0, None) ** 2 + 1e-6
    return np.asarray(fit)


def _field_corners(photo: Photo) -> Array | None:
    """Corners of the lit field from the upper left clockwise, (4, 2) in the photograph; ``None`` without a field."""
    import cv2

    step = max(1, round(max(photo.pixels.shape[:2]) / 800))
    light = linear_table(photo)[photo.pixels[::step, ::step]].max(axis=2)
    light = cv2.GaussianBlur(light, (0, 0), 3)
    high, low = np.percentile(light, 95), np.percentile(light, 2)
    lit = (light > low + _LIT_SHARE * (high - low)).astype(np.uint8)
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(lit)
    if count < 2 or high - low < 0.5 * high:
        return None
    largest = 1 + int(boxes[1:, cv2.CC_STAT_AREA].argmax())
    if boxes[largest, cv2.CC_STAT_AREA] < _LEAST_FIELD_SHARE * lit.size:
        return None
    outlines, _ = cv2.findContours((labels == largest).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(max(outlines, key=len))
    around = cv2.arcLength(hull, True)
    for share in (0.02, 0.03, 0.05, 0.08):
        corners = cv2.approxPolyDP(hull, share * around, True)[:, 0, :].astype(np.float64)
        if len(corners) == 4:
            break
    else:
        return None
    height, width = light.shape
    edge = (corners < 3).any(axis=1) | (corners[:, 0] > width - 4) | (corners[:, 1] > height - 4)
    if edge.any() or cv2.contourArea(corners.astype(np.float32)) < 0.8 * boxes[largest, cv2.CC_STAT_AREA]:
        return None
    angle = np.arctan2(*(corners - corners.mean(axis=0)).T[::-1])
    return np.asarray(corners[angle.argsort()] * step)


def _grid(photo: Photo, sighting: Sighting | None, corners: Array | None) -> tuple[Array, Array]:
    """Mean light over a grid of cells on the field (down, across, 3), and each channel's share of clipped pixels.

    Every pixel counts, each in the cell it lies in: the mask's texture and the noise average out, nothing is missed.
    """
    import cv2

    s = np.linspace(_EDGE_SHARE, 1 - _EDGE_SHARE, _GRID_ACROSS + 1)
    t = np.linspace(_EDGE_SHARE, 1 - _EDGE_SHARE, _GRID_DOWN + 1)
    u, v = np.meshgrid(s, t)
    if sighting is not None:
        one = sighting.maps[1] or next(m for m in sighting.maps if m is not None)
        x, y = one(u * sighting.raster.width_px - 0.5, v * sighting.raster.height_px - 0.5)
    else:
        unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
        to_photo = cv2.getPerspectiveTransform(unit, np.asarray(corners, dtype=np.float32))
        x, y = cv2.perspectiveTransform(np.stack([u, v], axis=-1).reshape(1, -1, 2), to_photo)[0].T
        x, y = x.reshape(u.shape), y.reshape(u.shape)
    cell_px = max(1, int(np.ceil(max(np.abs(np.diff(x, axis=1)).max(), np.abs(np.diff(y, axis=0)).max()))))
    fine = (_GRID_ACROSS * cell_px, _GRID_DOWN * cell_px)
    # A map with a node at each cell's corner, spread evenly over its pixels.
    inner = (np.arange(fine[0]) + 0.5) / cell_px, (np.arange(fine[1]) + 0.5) / cell_px
    at = np.meshgrid(inner[0].astype(np.float32), inner[1].astype(np.float32))
    fine_x = cv2.remap(x.astype(np.float32), *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    fine_y = cv2.remap(y.astype(np.float32), *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    drawn = cv2.remap(photo.pixels, fine_x, fine_y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    clipped = (drawn >= int(np.iinfo(photo.pixels.dtype).max) * 0.995).mean(axis=(0, 1))
    table = linear_table(photo)
    cells = [
        cv2.resize(table[drawn[..., c]], (_GRID_ACROSS, _GRID_DOWN), interpolation=cv2.INTER_AREA) for c in range(3)
    ]
    return np.stack(cells, axis=-1).astype(np.float64), clipped


def _from_map(light: Array) -> Wear:
    import cv2

    ln = np.log(np.maximum(light, 1e-4))
    # Black level and room light are a part of the field here; they dilute a loss a little, never deepen it.
    blurred = cv2.GaussianBlur(ln, (0, 0), _SMOOTH_CELLS, borderType=cv2.BORDER_REFLECT)
    smooth = np.asarray(blurred, dtype=np.float64)
    v, u = np.meshgrid(np.linspace(-1, 1, ln.shape[0]), np.linspace(-1, 1, ln.shape[1]), indexing="ij")
    powers = [(i, j) for i in range(_ORDER + 1) for j in range(_ORDER + 1 - i)]
    # Along one direction only it may wave more: hum and a shutter that rolls make bands.
    powers += [(0, k) for k in range(_ORDER + 1, _BAND_ORDER + 1)] + [
        (k, 0) for k in range(_ORDER + 1, _BAND_ORDER + 1)
    ]
    series = [np.polynomial.chebyshev.chebvander(a, _BAND_ORDER) for a in (u, v)]
    shapes = np.stack([series[0][..., i] * series[1][..., j] for i, j in powers], axis=-1)
    thin = (slice(None, None, 3), slice(None, None, 3))
    fit = _lenient_fit(shapes[thin].reshape(-1, shapes.shape[-1]), smooth[thin].ravel())
    lack = smooth - shapes @ fit
    sd = 1.4826 * float(np.median(np.abs(lack - np.median(lack))))
    lack -= float(np.median(lack[lack > -2 * sd]))
    # At the rim the smoothing has only half its cells to work with, and the surface nothing to hold it.
    rim = round(2.5 * _SMOOTH_CELLS)
    inner = np.full(lack.shape, np.inf)
    inner[rim:-rim, rim:-rim] = lack[rim:-rim, rim:-rim]
    worst = np.unravel_index(int(inner.argmin()), lack.shape)
    depth = float(-np.expm1(lack[worst]))
    # Moire and bands brighten as much as they darken, wear only darkens.
    brighter = float(np.quantile(lack[rim:-rim, rim:-rim], 0.99))
    least = max(_SURE_SDS * sd, _BRIGHTER_TIMES * brighter, _LEAST_DEPTH)
    if depth < least:
        return _unsupported(
            f"no shape deeper than {100 * least:.1f} % stands out from the field",
            "nothing, if that is fine enough; else a photograph without moire, bands and reflections",
        )
    lost = -np.expm1(lack) > depth / 2
    whole = (1 - 2 * _EDGE_SHARE) ** 2
    across = _EDGE_SHARE + (1 - 2 * _EDGE_SHARE) * (int(worst[1]) + 0.5) / lack.shape[1]
    down = _EDGE_SHARE + (1 - 2 * _EDGE_SHARE) * (int(worst[0]) + 0.5) / lack.shape[0]
    area = 100 * whole * float(lost.mean())
    zone: Zone = ZONES[3 * min(int(3 * down), 2) + min(int(3 * across), 2)]
    return Wear(
        depth_ratio=Figure(value=depth, sd=float(np.hypot(sd, 0.2 * depth))),
        area_pct=Figure(value=area, sd=max(0.2 * area, 0.1)),
        at_zone=zone,
    )
