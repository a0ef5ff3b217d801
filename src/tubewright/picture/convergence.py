"""Convergence: where red and blue lie against green, by zone and at every mark.

A zone is a ninth of the picture (three by three, as the viewer sees it); its
vector is that of the smooth field in the middle of the ninth, 1/6, 1/2 or 5/6 of
the width and of the height from the upper left. What happens further out stands
in the points and in the worst.

The vector at a mark is the place where the mark was found minus the place where
green's picture would have it, both on the picture in mm; marks of green lie
elsewhere in the lattice, so green's place is that of the common shape, which all
marks of all three guns fix together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.bundle import GREEN, Bundle
from tubewright.picture.fringes import SEPARATED_BELOW, SPECTRUM_RATIO, terms_at
from tubewright.picture.results import (
    GUNS,
    ZONES,
    Convergence,
    ConvergencePoints,
    Figure,
    Unsupported,
    Vector,
    Zone,
)
from tubewright.picture.solve import Posterior

Floats = NDArray[np.float64]

ZONE_UV: Final[Mapping[Zone, tuple[float, float]]] = {
    zone: ((place % 3 - 1) * 2 / 3, (place // 3 - 1) * 2 / 3) for place, zone in enumerate(ZONES)
}
"""Middles of the zones, -1 to 1 from edge to edge of the active raster."""

FEWEST_MARKS: Final = 40
"""Marks of a gun below which its field isn't reported: a fifth of the survey's; our choice."""
_OUTER: Final = (0, 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lattice:
    """Which marks the parts of a bundle are: their columns and rows of the lattice, one array a part."""

    columns: tuple[NDArray[np.int64], ...]
    rows: tuple[NDArray[np.int64], ...]


def zone_at(uv_ratio: tuple[float, float]) -> Zone:
    """The zone that a place lies in."""
    column, row = (min(max(int((c + 1) * 1.5), 0), 2) for c in uv_ratio)
    return ZONES[3 * row + column]


def fringes_separated(bundle: Bundle, after: Posterior, before: Floats) -> bool:
    """Whether the lens's share is known over the marks, against how unsure it was ``before`` (four terms)."""
    for lit in bundle.lit:
        if lit.gun == GREEN:
            continue
        shot = bundle.shots[lit.shot]
        terms = terms_at(shot.size_px, lit.photo_px, shot.turned_deg).reshape(2 * len(lit.photo_px), -1)
        name = f"lens {shot.camera} {GUNS[lit.gun]}"
        now = after.sd(terms, bundle.columns(name))
        if np.sqrt(np.mean(now**2)) > SEPARATED_BELOW * np.sqrt(np.mean((terms * before) ** 2) * terms.shape[1]):
            return False
    return True


def convergence_of(
    bundle: Bundle,
    after: Posterior,
    lattice: Lattice,
    *,
    scale_sd_ratio: float | None,
    by_tags: bool,
    separated: bool,
) -> Convergence:
    """The convergence of a solved bundle.

    Args:
        bundle: The photographs.
        after: Its solution.
        lattice: Which marks are which.
        scale_sd_ratio: Doubt of the scale that the posterior doesn't hold (the printer's), as a share; ``None`` where
            there is no scale.
        by_tags: Tags carry the lens's colour.
        separated: The lens is told from the tube.
    """
    fringes: Literal["tags", "two_shots", "not_separated"]
    fringes = "tags" if by_tags and separated else "two_shots" if separated else "not_separated"
    refused = _refused(bundle, scaled=scale_sd_ratio is not None)
    given = [gun for gun in _OUTER if gun not in refused]
    zones: dict[int, Mapping[Zone, Vector] | Unsupported] = dict(refused)
    doubt = _Doubt(bundle, after, scale_sd_ratio or 0.0, SPECTRUM_RATIO if by_tags else 0.0)
    for gun in given:
        places = np.array([ZONE_UV[zone] for zone in ZONES])
        error, sd = doubt.smooth(places, gun)
        zones[gun] = {
            zone: Vector(x_mm=float(e[0]), y_mm=float(e[1]), sd_mm=float(s))
            for zone, e, s in zip(ZONES, error, sd, strict=True)
        }
    if not given:
        why = next(iter(refused.values()))
        return Convergence(
            red_minus_green=zones[0],
            blue_minus_green=zones[2],
            worst_mm=why,
            worst_zone=None,
            points=None,
            fringes=fringes,
        )
    points, uv, smooth_sd = _points(bundle, after, lattice, doubt, given)
    worst_mm, worst_zone = _worst(zones, points, uv, smooth_sd)
    return Convergence(
        red_minus_green=zones[0],
        blue_minus_green=zones[2],
        worst_mm=worst_mm,
        worst_zone=worst_zone,
        points=points,
        fringes=fringes,
    )


def _worst(
    zones: Mapping[int, Mapping[Zone, Vector] | Unsupported], points: ConvergencePoints, uv: Floats, sd_mm: Floats
) -> tuple[Figure, Zone]:
    """The longest displacement and its zone: that of a zone's middle, unless some mark surely has a longer one.

    The longest of hundreds of figures near nought is noise; a mark must stand out by two standard deviations.
    """
    middles = [
        (float(np.hypot(vector.x_mm, vector.y_mm)), vector.sd_mm, zone)
        for told in zones.values()
        if not isinstance(told, Unsupported)
        for zone, vector in told.items()
    ]
    length, sd, zone = max(middles)
    lengths = np.linalg.norm(points.smooth_mm, axis=1)
    surely = np.where(lengths - 2 * sd_mm > length, lengths, 0.0)
    at = int(np.argmax(surely))
    if surely[at] > 0:
        return Figure(value=float(lengths[at]), sd=float(sd_mm[at])), zone_at((float(uv[at, 0]), float(uv[at, 1])))
    return Figure(value=length, sd=sd), zone


def _refused(bundle: Bundle, *, scaled: bool) -> dict[int, Unsupported]:
    """Guns whose convergence can't be told, and why."""
    if not scaled:
        why = Unsupported(
            reason="nothing in the photograph or beside it tells how large the picture is",
            would_settle="lay reference tags beside the picture, or measure its width and height",
        )
        return dict.fromkeys(_OUTER, why)
    lit = [sum(len(part.which) for part in bundle.lit if part.gun == gun) for gun in range(3)]
    refused = {}
    for gun in _OUTER:
        for needed in (gun, GREEN):
            if lit[needed] < FEWEST_MARKS:
                refused[gun] = Unsupported(
                    reason=f"the {GUNS[needed]} gun shows {lit[needed]} marks, too few to tell where its picture lies",
                    would_settle=f"a longer exposure, or see why the {GUNS[needed]} gun is dark",
                )
    return refused


class _Doubt:
    """The smooth error fields with all that makes them unsure."""

    def __init__(self, bundle: Bundle, after: Posterior, scale_sd_ratio: float, spectrum_ratio: float) -> None:
        self.bundle = bundle
        self.after = after
        self.scale_sd_ratio = scale_sd_ratio
        self.spectrum_ratio = spectrum_ratio

    def smooth(self, uv_ratio: Floats, gun: int) -> tuple[Floats, Floats]:
        """Displacement at places (n, 2) and its standard deviation along the less sure axis, (n,)."""
        picture = self.bundle.picture
        assert picture is not None  # noqa: S101 - there are marks, so there is a picture
        columns = self.bundle.columns(f"error {GUNS[gun]}")
        x, y = picture.error.at(*uv_ratio.T)
        own = self.after.value[columns]
        error = np.column_stack([x @ own, y @ own])
        sd = np.maximum(self.after.sd(x, columns), self.after.sd(y, columns))
        return error, np.sqrt(sd**2 + self.common(uv_ratio, gun, error) ** 2)

    def common(self, uv_ratio: Floats, gun: int, error: Floats) -> Floats:
        """Standard deviation by what the posterior doesn't know of: the printer's scale, the phosphor's spectrum."""
        length = np.linalg.norm(error, axis=1)
        shot = self.bundle.lit[0].shot
        place = self.bundle.surface(uv_ratio, GREEN, None).at(self.after.value)
        at_px, slopes = self.bundle.place_slopes(self.after.value, shot, place)
        lens = np.linalg.solve(slopes, self.bundle.lens(self.after.value, shot, gun, at_px)[:, :, None])
        strayed = np.linalg.norm(lens[:, :, 0], axis=1)
        return np.asarray(np.hypot(self.scale_sd_ratio * length, self.spectrum_ratio * strayed))


def _points(
    bundle: Bundle, after: Posterior, lattice: Lattice, doubt: _Doubt, guns: list[int]
) -> tuple[ConvergencePoints, Floats, Floats]:
    """The vector at every mark; marks seen in several photographs are averaged by their weights."""
    found: dict[tuple[int, int, int], list[tuple[Floats, float, float, Floats]]] = {}
    uv_of: dict[tuple[int, int, int], Floats] = {}
    for part, lit in enumerate(bundle.lit):
        if lit.gun not in guns:
            continue
        off_mm, noise_mm, expected_mm = _measured(bundle, after, part)
        for k in range(len(lit.which)):
            key = (lit.gun, int(lattice.rows[part][k]), int(lattice.columns[part][k]))
            found.setdefault(key, []).append((off_mm[k], float(noise_mm[k]), float(expected_mm[k]), lit.photo_px[k]))
            uv_of.setdefault(key, lit.uv_ratio[k])
    keys = sorted(found)
    uv = np.array([uv_of[key] for key in keys])
    gun = np.array([key[0] for key in keys], dtype=np.int64)
    off, own_sd = np.empty((len(keys), 2)), np.empty(len(keys))
    for k, key in enumerate(keys):
        weight = np.array([1 / noise**2 for _, noise, _, _ in found[key]])
        off[k] = weight @ np.array([o for o, _, _, _ in found[key]]) / weight.sum()
        # Noise averages out over the photographs; what is unsure in green's place is unsure in all of them alike.
        common_sd = weight @ np.array([sd for _, _, sd, _ in found[key]]) / weight.sum()
        own_sd[k] = np.hypot(weight.sum() ** -0.5, common_sd)
    smooth, smooth_sd, common = np.empty_like(off), np.empty(len(keys)), np.empty(len(keys))
    for one in guns:
        its = gun == one
        smooth[its], smooth_sd[its] = doubt.smooth(uv[its], one)
        common[its] = doubt.common(uv[its], one, smooth[its])
    shape = bundle.surface(uv, bundle.picture.reference if bundle.picture else GREEN, None)
    points = ConvergencePoints(
        gun=gun,
        column=np.array([key[2] for key in keys], dtype=np.int64),
        row=np.array([key[1] for key in keys], dtype=np.int64),
        at_mm=shape.at(after.value),
        error_mm=smooth + off,
        sd_mm=np.hypot(own_sd, common),
        smooth_mm=smooth,
        photo_px=np.array([found[key][0][3] for key in keys]),
    )
    return points, uv, smooth_sd


def _measured(bundle: Bundle, after: Posterior, part: int) -> tuple[Floats, Floats, Floats]:
    """Of one part's marks, mm: how far off the smooth field (n, 2); noise; how unsure green's place is."""
    lit = bundle.lit[part]
    rows = bundle.mark_rows(after.value, part)
    surface = bundle.surface_of(part)
    _, slopes = bundle.place_slopes(after.value, lit.shot, surface.at(after.value))
    mm_per_px = np.linalg.inv(slopes)
    off = np.einsum("nij,nj->ni", mm_per_px, rows.off.reshape(-1, 2))
    # What is unsure in the place that green would have: all but the gun's own field.
    else_ = ~np.isin(rows.columns, bundle.columns(f"error {GUNS[lit.gun]}"))
    in_px = after.spread(rows.slopes[:, else_], rows.columns[else_]).reshape(len(off), 2, -1)
    in_mm = np.einsum("nij,njp->nip", mm_per_px, in_px)
    # Both for the less sure of the two axes.
    expected = np.sqrt(np.max(np.sum(in_mm**2, axis=2), axis=1))
    noise = np.hypot(lit.error_px, after.noise.get("marks", 0.0))
    per_px = np.sqrt(np.max(np.sum(mm_per_px**2, axis=2), axis=1))
    return off, noise * per_px, expected
