"""Which pattern a lattice of spots is, of which raster, how it is turned, and which mark each spot is."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.blobs import Blobs
from tubewright.picture.lattice import Lattice
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import COLUMNS, ROWS, LatticeMarks

Pattern = Literal["survey", "survey_light"]

_TALL_OVER_SHORT_LN: Final = float(np.log(5 / 3))
"""By how much more light a tall mark gives, as a logarithm: their heights are as 5 to 3."""
_LEAST_COLOUR_SHARE: Final = 0.85
"""Share of spots whose colour must fit; chance alone gives a third."""
_SAMPLE: Final = 60
"""Spots by which a placement is first tried."""
_HOPELESS_SHARE: Final = 0.6
"""Of them: with fewer of the right colour it isn't tried in full. Four standard deviations below the least share."""
_LEAST_CERTAINTY: Final = 6.0
"""Standard deviations by which the heights must agree better than chance: once in a thousand million."""
_LEAST_AGREEMENT: Final = 0.40
"""Mean agreement of heights: 1 for all, 0 for chance."""
_TURNS: Final = tuple(np.array(m) for m in ([[1, 0], [0, 1]], [[0, -1], [1, 0]], [[-1, 0], [0, -1]], [[0, 1], [-1, 0]]))
_TRANSFORMS: Final = tuple(turn @ flip for turn in _TURNS for flip in (np.eye(2, dtype=int), np.diag([-1, 1])))
"""The eight ways in which a lattice can lie: four turns, each plain or mirrored."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Identity:
    """What the spots turned out to be.

    Attributes:
        pattern: The pattern.
        raster: The raster it was drawn on.
        spot: Index of each spot that is a mark, (m,).
        column: Its column, (m,).
        row: Its row, (m,).
        agreement_ratio: Mean agreement of the marks' heights with the pattern's: 1 for all, 0 for chance.
    """

    pattern: Pattern
    raster: Raster
    spot: NDArray[np.int64]
    column: NDArray[np.int64]
    row: NDArray[np.int64]
    agreement_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Table:
    """One pattern on one raster as arrays over the lattice."""

    pattern: Pattern
    raster: Raster
    gun: NDArray[np.int64]  # (ROWS, COLUMNS), -1 where there is no mark
    height: NDArray[np.float64]  # +1 tall, -1 short, 0 where there is none


def identify(
    blobs: Blobs,
    lattice: Lattice,
    patterns: Mapping[Pattern, Callable[[Raster], LatticeMarks]],
    rasters: Sequence[Raster],
) -> Identity | None:
    """Find the pattern, raster and placement whose colours and heights agree with the spots; ``None`` if none does."""
    tables = [_table(name, marks(raster), raster) for name, marks in patterns.items() for raster in _sizes(rasters)]
    gun = blobs.gun[lattice.spot]
    height = _heights(blobs.flux_ratio[lattice.spot], gun, lattice)
    best: tuple[float, _Table, NDArray[np.int64], NDArray[np.bool_]] | None = None
    for colours in {t.gun.tobytes(): t.gun for t in tables}.values():
        alike = [t for t in tables if np.array_equal(t.gun, colours)]
        codes = np.stack([t.height for t in alike])
        for node, inside in _placements(lattice, gun, colours):
            fits = inside & (colours[_safe(node[:, 1], ROWS), _safe(node[:, 0], COLUMNS)] == gun)
            found = int(fits.sum())
            agreement = codes[:, node[fits, 1], node[fits, 0]] @ height[fits] / found
            which = int(agreement.argmax())
            score = float(agreement[which]) * float(np.sqrt(found))
            if agreement[which] >= _LEAST_AGREEMENT and (best is None or score > best[0]):
                best = (score, alike[which], node, fits)
    if best is None or best[0] < _LEAST_CERTAINTY:
        return None
    score, table, node, fits = best
    return Identity(
        pattern=table.pattern,
        raster=table.raster,
        spot=lattice.spot[fits],
        column=node[fits, 0],
        row=node[fits, 1],
        agreement_ratio=score / float(np.sqrt(fits.sum())),
    )


def _sizes(rasters: Sequence[Raster]) -> list[Raster]:
    """One raster for each size: those of one size carry the same marks, and the first named stands for them."""
    first: dict[tuple[int, int, bool], Raster] = {}
    for raster in rasters:
        first.setdefault((raster.width_px, raster.height_px, raster.interlaced), raster)
    return list(first.values())


def _table(pattern: Pattern, marks: LatticeMarks, raster: Raster) -> _Table:
    gun = np.full((ROWS, COLUMNS), -1, dtype=np.int64)
    height = np.zeros((ROWS, COLUMNS))
    gun[marks.row, marks.column] = marks.gun
    height[marks.row, marks.column] = np.where(marks.tall, 1.0, -1.0)
    return _Table(pattern=pattern, raster=raster, gun=gun, height=height)


def _heights(flux: NDArray[np.float64], gun: NDArray[np.int64], lattice: Lattice) -> NDArray[np.float64]:
    """Soft guess for each spot whether it is tall (1) or short (-1), from its light against its neighbourhood's."""
    log_flux = np.log(np.maximum(flux, 1e-12))
    a = lattice.across - lattice.across.mean()
    b = lattice.along - lattice.along.mean()
    reach = max(float(np.abs(a).max()), float(np.abs(b).max()), 1.0)
    a, b = a / reach, b / reach
    basis = np.stack([a, b, a * b, a * a, b * b], axis=1)
    guns = (gun[:, None] == np.arange(3)).astype(float)
    basis = np.concatenate([basis, guns], axis=1)
    weight = np.ones(len(flux))
    left_over = log_flux
    for _ in range(4):
        fit = np.linalg.lstsq(basis * weight[:, None], log_flux * weight, rcond=None)[0]
        left_over = log_flux - basis @ fit
        weight = 1 / np.maximum(1, np.abs(left_over) / _TALL_OVER_SHORT_LN)
    # The middle between the two humps, not the mean: a patch need not have as many tall as short ones.
    for one in range(3):
        own = left_over[gun == one]
        if own.size >= 6:
            left_over[gun == one] -= _middle_of_two(own)
    return np.clip(left_over / (_TALL_OVER_SHORT_LN / 2), -1, 1)


def _middle_of_two(values: NDArray[np.float64]) -> float:
    """The middle between two humps that lie a known distance apart, by trying."""
    tries = np.linspace(values.min(), values.max(), 41)
    half = _TALL_OVER_SHORT_LN / 2
    off = np.abs(np.abs(values[:, None] - tries) - half)
    return float(tries[np.minimum(off, half).sum(axis=0).argmin()])


def _placements(
    lattice: Lattice, gun: NDArray[np.int64], colours: NDArray[np.int64]
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.bool_]]]:
    """Every way to lay the spots on the pattern in which the colours fit: nodes (m, 2) and which lie inside."""
    at = np.stack([lattice.across, lattice.along], axis=1)
    some = slice(None, None, max(1, len(at) // _SAMPLE))
    for transform in _TRANSFORMS:
        turned = at @ transform.T
        turned -= turned.min(axis=0)
        span = turned.max(axis=0)
        # Stray spots outside the pattern (a reflection) may hang over by two, or by as much as does not fit.
        over = [max(2, int(s) - size + 3) for s, size in zip(span, (COLUMNS, ROWS), strict=True)]
        for right in range(-over[0], max(COLUMNS - int(span[0]) + 1, 3)):
            for down in range(-over[1], max(ROWS - int(span[1]) + 1, 3)):
                node = turned + np.array([right, down])
                few = node[some]
                seen = colours[_safe(few[:, 1], ROWS), _safe(few[:, 0], COLUMNS)] == gun[some]
                if seen.mean() < _HOPELESS_SHARE:
                    continue
                inside = np.all((node >= 0) & (node < (COLUMNS, ROWS)), axis=1)
                fits = colours[_safe(node[:, 1], ROWS), _safe(node[:, 0], COLUMNS)] == gun
                if (fits & inside).mean() >= _LEAST_COLOUR_SHARE:
                    yield node, inside


def _safe(index: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    return np.clip(index, 0, count - 1)
