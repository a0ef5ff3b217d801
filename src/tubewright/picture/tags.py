"""Finding the printed tags in a photograph: their corners, the lens's colour fringes, the camera's blur.

Paper beside a bright screen in a dark room is dim, so squares are looked for in
the logarithm of light, at a reduced size; each dark square on light ground is then
settled on its edges at full size, and only then read.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.errors import Fault, RefusedError
from tubewright.picture.patterns.tags import STRIPS, TAGS_PER_STRIP, draw_tag, strip_tags
from tubewright.picture.sampling import linear_table
from tubewright.picture.seen import Photo, TagViews
from tubewright.picture.tag_edges import Square, fit_square, settle

Array = NDArray[np.float64]

SEARCH_LONG_SIDE_PX: Final = 1400
"""Long side of the reduced copy in which squares are looked for: a tag of 40 px on 4000 then has 13 (tried)."""
SMALLEST_SIDE_PX: Final = 30
"""Shorter sides have cells of less than four pixels, which can't be read reliably (tried)."""
MOST_WRONG_CELLS: Final = 3
"""Cells of 36 that may be read wrongly: any two tags of the family differ in 11 or more (Olson, ICRA 2011)."""
_THRESHOLD_WINDOW_PX: Final = 23
_THRESHOLD_STEP: Final = 7
_FLOOR: Final = 4.0  # in steps of 255: below it a dark is as dark as any (estimate)
_LEAST_CONTRAST: Final = 20  # in steps of the logarithm: a ratio of about 1.4 in coded value (estimate)
_CELLS: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Found:
    number: int
    mirrored: bool
    square: Square


def find_tags(photo: Photo) -> TagViews | None:
    """The tags of the sheet that can be seen and measured in a photograph.

    A number that is seen twice is left out, as nobody can say which is which; so is
    a tag seen in a mirror beside others that are not.

    Returns:
        What was found, in the order of the numbers; ``None`` where there is none.

    Raises:
        RefusedError: Every tag is mirrored: the photograph was taken through a mirror
            or was mirrored by the camera, and left and right would be wrong in everything.
    """
    found = [tag for candidate in _squares(photo) if (tag := _read(photo, candidate)) is not None]
    found = _without_doubles(found)
    warnings = []
    straight = [tag for tag in found if not tag.mirrored]
    if found and not straight:
        raise RefusedError(
            Fault(
                what="the photograph is mirrored: its tags read backwards",
                where=photo.name,
                mend="Shoot straight at the screen, not by way of a mirror, with the camera's mirroring switched off.",
            )
        )
    if len(straight) < len(found):
        warnings.append("Tags that are seen as a reflection were left out.")
    numbers = [tag.number for tag in straight]
    twice = sorted({number for number in numbers if numbers.count(number) > 1})
    if twice:
        said = ", ".join(str(number) for number in twice)
        warnings.append(f"Tags seen more than once were left out: {said}. Use one printed sheet only.")
    kept = sorted((tag for tag in straight if tag.number not in twice), key=lambda tag: tag.number)
    return _views(kept, tuple(warnings)) if kept else None


def camera_motion(views: TagViews) -> tuple[float, float]:
    """How far the camera moved during the exposure, as the edges of still paper tell: pixels, and direction.

    The blur of all tags together is one ellipse; an even movement lengthens its square along one direction by
    length^2 / 12.

    Returns:
        Length in pixels, and direction in degrees, from x towards y, 0..180.
    """
    along = views.corners_px[:, 1] - views.corners_px[:, 0]
    down = views.corners_px[:, 3] - views.corners_px[:, 0]
    rows, squares = [], []
    for side, spread in ((along, views.edge_spread_xy_px[:, 0]), (down, views.edge_spread_xy_px[:, 1])):
        x, y = (side / np.hypot(side[:, 0], side[:, 1])[:, None]).T
        rows.append(np.stack([x**2, 2 * x * y, y**2], axis=1))
        squares.append(spread**2)
    # where all strips lie alike, the term that they can't tell stays nothing
    xx, xy, yy = np.linalg.lstsq(np.concatenate(rows), np.concatenate(squares), rcond=1e-3)[0]
    values, ways = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    length = np.sqrt(12 * max(values[1] - values[0], 0.0))
    return float(length), float(np.degrees(np.arctan2(ways[1, 1], ways[0, 1])) % 180)


def _views(tags: list[_Found], warnings: tuple[str, ...]) -> TagViews:
    known = {tag.number: tag for strip in range(STRIPS) for tag in strip_tags(strip)}
    squares = [tag.square for tag in tags]
    return TagViews(
        number=np.array([tag.number for tag in tags], dtype=np.int64),
        strip=np.array([known[tag.number].strip for tag in tags], dtype=np.int64),
        corners_mm=np.array([known[tag.number].corners_mm for tag in tags], dtype=np.float64),
        corners_px=np.stack([square.corners_px for square in squares]),
        corner_sd_px=np.array([square.corner_sd_px for square in squares]),
        red_minus_green_px=np.stack([square.shift_px[0] for square in squares]),
        blue_minus_green_px=np.stack([square.shift_px[1] for square in squares]),
        colour_sd_px=np.stack([square.shift_sd_px for square in squares]),
        edge_spread_px=np.array([np.sqrt((square.spread_px**2).mean()) for square in squares]),
        edge_spread_sd_px=np.array([square.spread_sd_px for square in squares]),
        edge_spread_xy_px=np.stack(
            # sides 0 and 2 are top and bottom: their blur is along y
            [np.sqrt([(square.spread_px[1::2] ** 2).mean(), (square.spread_px[::2] ** 2).mean()]) for square in squares]
        ),
        warnings=warnings,
    )


def _without_doubles(found: list[_Found]) -> list[_Found]:
    """The same square found by way of two outlines counts once."""
    kept: list[_Found] = []
    for tag in found:
        middle = tag.square.corners_px.mean(axis=0)
        side = float(np.ptp(tag.square.corners_px, axis=0).max())
        if not any(
            other.number == tag.number and np.hypot(*(other.square.corners_px.mean(axis=0) - middle)) < side / 2
            for other in kept
        ):
            kept.append(tag)
    return kept


# -- looking for squares --------------------------------------------------------------------------------------------


def _squares(photo: Photo) -> list[Array]:
    """Corners of dark four-sided shapes on light ground, clockwise, (4, 2), to about a pixel of the reduced copy."""
    import cv2

    grey, factor = _reduced_log(photo)
    dark = cv2.adaptiveThreshold(
        grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, _THRESHOLD_WINDOW_PX, _THRESHOLD_STEP
    )
    outlines, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    shortest, longest = 4 * max(SMALLEST_SIDE_PX / factor, 9), 2 * max(grey.shape)
    fours: list[tuple[Array, Array]] = []
    for outline in outlines:
        if not 0.7 * shortest <= len(outline) <= longest:  # an outline has a point per step, straight or slanting
            continue
        if cv2.contourArea(outline, oriented=True) > 0:  # the outline of a hole
            continue
        around = cv2.arcLength(outline, closed=True)
        rough = cv2.approxPolyDP(outline, 0.05 * around, closed=True)
        if around >= shortest and len(rough) == 4 and cv2.contourArea(rough) >= 0.03 * around**2:
            fours.append((rough[::-1, 0, :].astype(np.float64), outline[:, 0, :].astype(np.float64)))
    if not fours:
        return []
    lit = _dark_on_light(grey, np.stack([rough for rough, _ in fours]))
    found = [_straightened(outline, rough) for (rough, outline), on in zip(fours, lit, strict=True) if on]
    return [corners * factor + (factor - 1) / 2 for corners in found if corners is not None]


def _reduced_log(photo: Photo) -> tuple[NDArray[np.uint8], int]:
    """The logarithm of a photograph's coded light as 8 bits, reduced by a whole factor."""
    import cv2

    pixels = photo.pixels
    factor = max(1, round(max(pixels.shape[:2]) / SEARCH_LONG_SIDE_PX))
    height, width = (side // factor for side in pixels.shape[:2])
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)[: height * factor, : width * factor]
    small = np.asarray(cv2.resize(grey, (width, height), interpolation=cv2.INTER_AREA) if factor > 1 else grey)
    if photo.pixels.dtype == np.uint8 and photo.coding == "srgb":
        coded = np.arange(256.0)
        return np.asarray(cv2.LUT(small, _log(coded))), factor
    share = small.astype(np.float64) / np.iinfo(photo.pixels.dtype).max
    return _log(255 * (np.sqrt(share) if photo.coding == "linear" else share)), factor


def _log(coded: Array) -> NDArray[np.uint8]:
    return np.asarray(np.rint(255 * np.log1p(coded / _FLOOR) / np.log1p(255 / _FLOOR)), dtype=np.uint8)


def _straightened(outline: Array, rough: Array) -> Array | None:
    """The corners where straight lines through an outline's four sides meet, clockwise as seen."""
    points, normals = [], []
    for k in range(4):
        start, end = rough[k], rough[(k + 1) % 4]
        length = float(np.hypot(*(end - start)))
        if length < 6:
            return None
        ahead = (end - start) / length
        along = (outline - start) @ ahead
        off = (outline - start) @ np.array([-ahead[1], ahead[0]])
        near = (along > 0.15 * length) & (along < 0.85 * length) & (np.abs(off) < 0.12 * length + 1)
        if near.sum() < 4:
            return None
        middle = outline[near].mean(axis=0)
        spread = outline[near] - middle
        turn = 0.5 * np.arctan2(
            2 * (spread[:, 0] * spread[:, 1]).mean(), (spread[:, 0] ** 2 - spread[:, 1] ** 2).mean()
        )
        points.append(middle)
        normals.append((-np.sin(turn), np.cos(turn)))
    corners = np.empty((4, 2))
    for k in range(4):
        pair = np.array([normals[k - 1], normals[k]])
        if abs(np.linalg.det(pair)) < 0.3:
            return None
        corners[k] = np.linalg.solve(pair, [normals[k - 1] @ points[k - 1], normals[k] @ points[k]])
    return corners


def _dark_on_light(grey: NDArray[np.uint8], corners: Array) -> NDArray[np.bool_]:
    """Whether every side of each shape (n, 4, 2) has dark inside and light outside, (n,)."""
    middle = corners.mean(axis=1)[:, None, None, :]
    following = np.roll(corners, -1, axis=1)
    share = np.array([0.25, 0.5, 0.75])[:, None]
    side = corners[:, :, None, :] + (following - corners)[:, :, None, :] * share
    places = np.stack([middle + (side - middle) * (1 + cells / _CELLS) for cells in (-1.2, 1.8)])
    x, y = (np.rint(places[..., axis]).astype(int) for axis in (0, 1))
    height, width = grey.shape
    within = ((x >= 0) & (y >= 0) & (x < width) & (y < height)).all(axis=(0, 2, 3))
    values = np.median(grey[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)].astype(np.float64), axis=3)
    return np.asarray(within & (values[1] - values[0] > _LEAST_CONTRAST).all(axis=1))


# -- reading one square ---------------------------------------------------------------------------------------------


def _read(photo: Photo, corners: Array) -> _Found | None:
    side = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    if side.min() < SMALLEST_SIDE_PX - 4:
        return None
    margin = 1.2 * side.max() / _CELLS + 4
    height, width = photo.pixels.shape[:2]
    left, top = np.floor(np.maximum(corners.min(axis=0) - margin, 0)).astype(int)
    right, bottom = np.ceil(np.minimum(corners.max(axis=0) + margin, (width - 1, height - 1))).astype(int) + 1
    crop = photo.pixels[top:bottom, left:right]
    light, coded = _light_and_coded(photo, crop)
    corner = np.array([left, top], dtype=np.float64)
    settled = settle(light, corners - corner)
    if settled is None:
        return None
    told = _number(light, settled)
    if told is None:
        return None
    number, mirrored, turns = told
    ordered = np.roll(settled, turns, axis=0)
    square = fit_square(light, coded, ordered, compressed=photo.coding == "srgb")
    if square is None:
        return None
    moved = Square(
        corners_px=square.corners_px + corner,
        corner_sd_px=square.corner_sd_px,
        shift_px=square.shift_px,
        shift_sd_px=square.shift_sd_px,
        spread_px=square.spread_px,
        spread_sd_px=square.spread_sd_px,
    )
    return _Found(number=number, mirrored=mirrored, square=moved)


def _light_and_coded(
    photo: Photo, crop: NDArray[np.uint8] | NDArray[np.uint16]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Linear light in green, (height, width), and coded values of all channels, 0 to 1, (height, width, 3)."""
    coded = np.asarray(crop, dtype=np.float32) / np.float32(np.iinfo(crop.dtype).max)
    light = linear_table(photo)[crop[..., 1]]
    return np.ascontiguousarray(light, dtype=np.float32), coded


def _number(light: NDArray[np.float32], corners: Array) -> tuple[int, bool, int] | None:
    """A square's number, whether it is mirrored, and by how many places its corners are to be rolled."""
    import cv2

    unit = np.array([[0, 0], [_CELLS, 0], [_CELLS, _CELLS], [0, _CELLS]], dtype=np.float32)
    to_photo = cv2.getPerspectiveTransform(unit, corners.astype(np.float32))
    # three by three places within each cell, and a ring of white half a cell outside
    cell = np.arange(-1, _CELLS + 1)
    at = (cell[:, None] + np.array([0.3, 0.5, 0.7])).ravel()
    x, y = np.meshgrid(at, at)
    places = cv2.perspectiveTransform(np.stack([x.ravel(), y.ravel()], axis=1)[:, None].astype(np.float32), to_photo)
    seen = cv2.remap(light, places[:, :, 0], places[:, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    cells = np.asarray(seen, dtype=np.float64).reshape(_CELLS + 2, 3, _CELLS + 2, 3).mean(axis=(1, 3))
    frame = np.concatenate([cells[1, 1:-1], cells[-2, 1:-1], cells[2:-2, 1], cells[2:-2, -2]])
    paper = np.concatenate([cells[0], cells[-1], cells[1:-1, 0], cells[1:-1, -1]])
    black, white = np.median(frame), np.median(paper)
    if white <= 1.3 * black or (frame > (black + white) / 2).sum() > 1 or (paper < (black + white) / 2).sum() > 3:
        return None
    # between the ink and the paper in ratio: blur and stray light lift the ink more than they lower the paper
    bits = cells[2:-2, 2:-2] > np.sqrt(max(black, 1e-6) * white) / 2 + (black + white) / 4
    codes = _codes()
    wrong = (codes != bits).sum(axis=(3, 4))
    mirrored, number, turns = (int(v) for v in np.unravel_index(int(wrong.argmin()), wrong.shape))
    if wrong[mirrored, number, turns] > MOST_WRONG_CELLS:
        return None
    return number, bool(mirrored), turns


@cache
def _codes() -> NDArray[np.bool_]:
    """The inner cells of every tag of the sheet, (straight and mirrored, numbers, quarter turns, 6, 6)."""
    plain = [draw_tag(number, 1)[2:-2, 2:-2] > 127 for number in range(STRIPS * TAGS_PER_STRIP)]
    return np.array(
        [
            [[np.rot90(way, turns) for turns in range(4)] for way in ways]
            for ways in (plain, [p[:, ::-1] for p in plain])
        ]
    )
