"""The four edges of a square tag: where they lie in each channel, how blurred they are, how sure that is.

Each side of the black square is sampled along and across: rows along the side,
columns across it, outward positive, in linear light. A blurred straight edge
between two evenly lit areas is, across the side,

    light(d) = black + step * Phi((d - place) / spread)

with Phi the normal distribution function; the side's light may change along it.
Because the rows lie evenly about the side's middle, the mean of all rows gives
place and spread, and their first moment gives the turn, each by a small fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.tag_colours import colour_shift, rounding_px

Array = NDArray[np.float64]

USED_SHARE: Final = 0.8
"""Share of a side that is fitted: near its ends the edge is a corner."""
REACH_CELLS: Final = 0.8
"""How far across a side is looked, in cells: the black frame is one cell wide."""
COLUMNS: Final = 41
"""Samples across a side."""
_CELLS: Final = 8
_BILINEAR_VARIANCE_PX2: Final = 1 / 6
"""What reading between pixels adds to a blur: the mean of f (1 - f) over all places f between two pixels."""
_ROUNDS: Final = 12
_CLEAR_OF_CELLS: Final = 2.3
"""Spreads from the number's cells within which their blur is felt: 1 % of the step is left at 2.3 (normal tables)."""
_ROWS_A_BLOCK: Final = 12  # longer than the noise of a mosaic, about that of colour at half resolution (tried)
_FEWEST_BLOCKS: Final = 4
_MOST_BLOCKS: Final = 8
_LEAST_SPREAD_PX: Final = 0.25
_SETTLED_PX: Final = 0.7
"""Corners are fitted from here as well as from nearer (tried)."""
_TONE_SHARE: Final = 0.06
"""Of an edge's spread, by which all four sides lie too far out or in where the camera's own tone curve is not the one
that its file tells: bends of a tenth of the scale, in trials. The tag's middle stays in place."""
_ALIKE_PX: Final = 0.015
"""What a compressed file does alike to a whole side, which the scatter along the side doesn't show (tried)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Square:
    """A tag's black square as its edges tell it, corners in the order in which they were given.

    Attributes:
        corners_px: (4, 2), in green.
        corner_sd_px: Standard error of a corner along either axis.
        shift_px: Displacement against green, (2, 2): red, blue; x, y.
        shift_sd_px: Its standard error along either axis, (2,).
        spread_px: Standard deviation of the blur of each side, (4,), in green.
        spread_sd_px: Standard error of the mean spread.
    """

    corners_px: Array
    corner_sd_px: float
    shift_px: Array
    shift_sd_px: Array
    spread_px: Array
    spread_sd_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sides:
    """Where the four sides are sampled: side k runs from corner k to corner k + 1, clockwise."""

    middles: Array
    normals: Array
    halves: Array
    reach_px: float
    frame_px: float
    along: Array
    across_px: Array

    def places(self) -> tuple[Array, Array]:
        """Where to look, x and y, (4, rows, columns)."""
        tangents = np.stack([-self.normals[:, 1], self.normals[:, 0]], axis=1)
        steps = self.along[None, :] * self.halves[:, None] * USED_SHARE
        at = (
            self.middles[:, None, None, :]
            + tangents[:, None, None, :] * steps[:, :, None, None]
            + self.normals[:, None, None, :] * self.across_px[None, None, :, None]
        )
        return at[..., 0], at[..., 1]


def _sides(corners: Array) -> _Sides:
    following = np.roll(corners, -1, axis=0)
    along = following - corners
    lengths = np.hypot(along[:, 0], along[:, 1])
    normals = np.stack([along[:, 1], -along[:, 0]], axis=1) / lengths[:, None]  # clockwise, y down: outward
    rows = int(np.clip(round(USED_SHARE * lengths.mean()), 8, 400))
    reach = REACH_CELLS * lengths.min() / _CELLS
    return _Sides(
        middles=(corners + following) / 2,
        normals=normals,
        halves=lengths / 2,
        reach_px=float(reach),
        frame_px=float(lengths.min() / _CELLS),
        along=(np.arange(rows) + 0.5) * 2 / rows - 1,
        across_px=np.linspace(-reach, reach, COLUMNS),
    )


def _sample(light: NDArray[np.float32], sides: _Sides) -> Array:
    """Light at the sampled places, (4, rows, columns)."""
    import cv2

    x, y = sides.places()
    rows, columns = x.shape[1:]
    flat = cv2.remap(
        light,
        x.reshape(-1, columns).astype(np.float32),
        y.reshape(-1, columns).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(flat, dtype=np.float64).reshape(4, rows, columns)


def settle(light: NDArray[np.float32], corners: Array, rounds: int = 2) -> Array | None:
    """Corners brought from a few pixels off to a few tenths, by the area under each side's profile.

    Args:
        light: The green channel of a crop of the photograph, linear light, (height, width).
        corners: (4, 2), clockwise, in pixels of the crop.
        rounds: How often to look again at the new place.

    Returns:
        The corners, or ``None`` where there is no dark square on light ground.
    """
    for _ in range(rounds):
        sides = _sides(corners)
        if sides.reach_px < 1.5:
            return None
        patch = _sample(light, sides)
        tail = COLUMNS // 8
        low, high = patch[:, :, :tail].mean(axis=(1, 2)), patch[:, :, -tail:].mean(axis=(1, 2))
        step = high - low
        if np.any(step <= 0.3 * np.maximum(high, 1e-9)):
            return None
        share = np.clip((patch - low[:, None, None]) / step[:, None, None], -0.2, 1.2)
        place = sides.reach_px * (1 - 2 * share.mean(axis=2))
        turn = (place * sides.along).mean(axis=1) / (sides.along**2).mean()
        moved = _corners(sides, np.median(place, axis=1), turn)
        if moved is None or np.abs(moved - corners).max() > 2 * sides.reach_px:
            return None
        near = np.abs(moved - corners).max() < _SETTLED_PX
        corners = moved
        if near:
            break
    return corners


def fit_square(
    light: NDArray[np.float32], coded: NDArray[np.float32], corners: Array, *, compressed: bool
) -> Square | None:
    """A square's corners, colour displacements and blur from its four edges.

    Args:
        light: The green channel of a crop of the photograph, linear light, (height, width).
        coded: The same crop as coded, all channels, 0 to 1, (height, width, 3).
        corners: (4, 2), clockwise, within a pixel or so, in pixels of the crop.
        compressed: The file may have rounded its colours.

    Returns:
        What the edges tell, or ``None`` where they are no edges.
    """
    sides = _sides(corners)
    green = _sample(light, sides)
    edges = _fit_profile(green.mean(axis=1), sides)
    if edges is None:
        return None
    blocks = int(np.clip(len(sides.along) // _ROWS_A_BLOCK, _FEWEST_BLOCKS, _MOST_BLOCKS))
    along = _block_means(sides.along[None, :, None], blocks)[0, :, 0]
    slip = _slip(_block_means(green, blocks), edges, sides.across_px)
    turn, place_var, turn_var = _line(slip[0], along)
    exact = _corners(sides, edges.place, turn)
    if exact is None or np.abs(exact - corners).max() > sides.reach_px:
        return None
    colours = colour_shift(coded, exact, compressed=compressed)
    if colours is None:
        return None
    spread = np.sqrt(np.maximum(edges.spread**2 - _BILINEAR_VARIANCE_PX2, _LEAST_SPREAD_PX**2))
    alike = 0.0
    if compressed:
        # Green is made from brightness and colour, so what is lost of colour reaches it too.
        lost = max(rounding_px(shift, _CELLS * sides.frame_px) for shift in colours[0])
        alike = float(np.sqrt(_ALIKE_PX**2 + lost**2 + (_TONE_SHARE * spread.mean()) ** 2))
    _, spread_var, _ = _line(slip[1], along)
    return Square(
        corners_px=exact,
        corner_sd_px=float(np.sqrt(_corner_sd(sides.normals, place_var, turn_var) ** 2 + alike**2)),
        shift_px=colours[0],
        shift_sd_px=colours[1],
        spread_px=spread,
        spread_sd_px=float(np.sqrt(spread_var.sum()) / 4 * np.mean(edges.spread / spread)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Edges:
    """The fitted profiles of the four sides, each (4,), and the columns that hold only the edge, (4, columns)."""

    low: Array
    step: Array
    place: Array
    spread: Array
    used: Array

    def error(self, profile: Array, across: Array) -> Array:
        """What profiles (4, columns) have over the fitted ones, in the used columns."""
        from scipy.special import ndtr

        z = (across[None, :] - self.place[:, None]) / self.spread[:, None]
        return np.asarray((profile - self.low[:, None] - self.step[:, None] * ndtr(z)) * self.used)

    def inverse(self, across: Array) -> Array:
        """What turns a profile's error into changes of low, step, place and spread, (4, 4, columns)."""
        from scipy.special import ndtr

        z = (across[None, :] - self.place[:, None]) / self.spread[:, None]
        steepness = (self.step / self.spread)[:, None] * np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
        slopes = np.stack([np.ones_like(z), ndtr(z), -steepness, -z * steepness], axis=2)
        return np.asarray(np.linalg.pinv(slopes * self.used[..., None]))


def _clear_px(sides: _Sides, spread: Array) -> Array:
    """How far inside the square the cells of the number leave an edge alone, (4,)."""
    return np.maximum(sides.frame_px - _CLEAR_OF_CELLS * spread, 0.45 * sides.frame_px)


def _fit_profile(profile: Array, sides: _Sides) -> _Edges | None:
    """Edges from their mean profiles (4, columns), by least squares."""
    across = sides.across_px
    tail = COLUMNS // 8
    low = profile[:, :tail].mean(axis=1)
    step = profile[:, -tail:].mean(axis=1) - low
    if np.any(step <= 0):
        return None
    rise = np.maximum(np.gradient(profile, across, axis=1).max(axis=1), 1e-9)
    spread = np.clip(step / rise / np.sqrt(2 * np.pi), 0.6, sides.reach_px / 2)
    place = np.zeros_like(low)
    for _ in range(_ROUNDS):
        used = (across[None, :] >= place[:, None] - _clear_px(sides, spread)[:, None]).astype(np.float64)
        edges = _Edges(low=low, step=step, place=place, spread=spread, used=used)
        change = np.einsum("nkj,nj->nk", edges.inverse(across), edges.error(profile, across))
        low, step = low + change[:, 0], step + change[:, 1]
        place = place + np.clip(change[:, 2], -spread, spread)
        spread = np.clip(spread + np.clip(change[:, 3], -0.4 * spread, 0.4 * spread), 0.3, sides.reach_px)
        if np.any(np.abs(place) > sides.reach_px) or np.any(step <= 0):
            return None
        if np.abs(change[:, 2:]).max() < 1e-4:
            break
    return _Edges(low=low, step=step, place=place, spread=spread, used=used)


def _slip(blocks: Array, edges: _Edges, across: Array) -> tuple[Array, Array]:
    """By how much each block of a side departs from the side's profile in place and in spread, each (4, blocks)."""
    inverse = edges.inverse(across)[:, 2:]
    error = np.stack([edges.error(blocks[:, k], across) for k in range(blocks.shape[1])], axis=1)
    found = np.einsum("nkj,nbj->knb", inverse, error)
    return found[0], found[1]


def _block_means(patch: Array, blocks: int) -> Array:
    """Means over blocks of neighbouring rows, (sides, blocks, ...)."""
    edges = np.linspace(0, patch.shape[1], blocks + 1).round().astype(int)
    sums = np.add.reduceat(patch, edges[:-1], axis=1)
    counts = np.diff(edges).reshape((1, blocks) + (1,) * (patch.ndim - 2))
    return np.asarray(sums / counts)


def _line(values: Array, along: Array) -> tuple[Array, Array, Array]:
    """Slope of values over their place along a side, and the variances of their mean and of the slope, each (4,).

    The scatter of the blocks about their line is pooled over the four sides: it holds
    whatever noise the photograph has, white or not, as long as it is not longer than
    a block. As few blocks tell it, the variance is that of Student's distribution.
    """
    weight = (along**2).sum()
    slope = (values * along).sum(axis=1) / weight
    rest = values - values.mean(axis=1)[:, None] - slope[:, None] * along
    freedom = values.shape[0] * (len(along) - 2)
    scatter = (rest**2).sum() / (freedom - 2)
    even = np.full(len(values), scatter)
    return slope, even / len(along), even / weight


def _corners(sides: _Sides, place: Array, turn: Array) -> Array | None:
    """Where neighbouring sides meet, each moved outward by its place and turned by its slope."""
    tangents = np.stack([-sides.normals[:, 1], sides.normals[:, 0]], axis=1)
    points = sides.middles + place[:, None] * sides.normals
    ahead = tangents + (turn / (sides.halves * USED_SHARE))[:, None] * sides.normals
    normals = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)
    offsets = (normals * points).sum(axis=1)
    corners = np.empty((4, 2))
    for k in range(4):
        pair = normals[[k - 1, k]]
        if abs(np.linalg.det(pair)) < 0.1:
            return None
        corners[k] = np.linalg.solve(pair, offsets[[k - 1, k]])
    return corners


def _corner_sd(normals: Array, place_var: Array, turn_var: Array) -> float:
    """Standard error of a corner along either axis, over the four corners."""
    at_end = place_var + turn_var / USED_SHARE**2
    total = 0.0
    for k in range(4):
        inverse = np.linalg.inv(normals[[k - 1, k]])
        total += float(np.trace(inverse @ np.diag(at_end[[k - 1, k]]) @ inverse.T)) / 2
    return float(np.sqrt(total / 4))
