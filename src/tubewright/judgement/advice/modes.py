"""The error of a set-up as one vector of modes, and a measurement as an observation of it.

Convergence is written as nine zones times two outer guns times two axes, in a basis
that says what a control can do: red and blue parting (``opp``, half of red minus
blue) and red and blue together against green (``com``), each as a polynomial of the
place on the picture, u to the right and v down, 1 at the edges. The basis has as many
terms as there are zones, so that nothing measured is lost. The other modes are single
figures of geometry, size, landing, curl and focus, in the units that their names give.

Source of the terms: expansion of the fields of rings and yoke, two-dimensional
multipoles with the outer beams beside the axis (derived, textbook of colour tubes).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.landing import Landing, fit_landing
from tubewright.judgement.seen_checks import Measured
from tubewright.picture.results import (
    ZONES,
    Convergence,
    Figure,
    Focus,
    Geometry,
    Known,
    Scale,
    TopCurl,
    Unsupported,
    Zone,
)

Floats = NDArray[np.float64]
GunKind = Literal["inline", "delta"]

TERMS: Final = ("1", "u", "v", "uv", "uu", "vv", "uuv", "uvv", "uuvv")
PAIRS: Final = ("opp", "com")
AXES: Final = ("x", "y")
ZONE_UV: Final[Mapping[Zone, tuple[int, int]]] = {zone: (n % 3 - 1, n // 3 - 1) for n, zone in enumerate(ZONES)}
"""Which way from the middle a zone lies: right and down positive."""
ZONE_PLACE: Final = 2 / 3
"""Where the vector of an outer zone stands: the middle of its third."""

CONVERGENCE: Final = tuple(f"{pair}_{axis}_{term}" for pair in PAIRS for axis in AXES for term in TERMS)
SINGLE: Final = (
    "width_pct",
    "height_pct",
    "shift_x_mm",
    "shift_y_mm",
    "rotation_deg",
    "trapezoid_h_pct",
    "trapezoid_v_pct",
    "side_bow_pct",
    "end_bow_pct",
    "linearity_h_pct",
    "linearity_v_pct",
    "curl_mm",
    "defocus_mm",
)
GEOMETRY: Final = SINGLE[:-2]
LANDING: Final = ("landing_x", "landing_y", "landing_edge")
MODES: Final = (*CONVERGENCE, *SINGLE, *LANDING)
INDEX: Final[Mapping[str, int]] = {name: n for n, name in enumerate(MODES)}
FOLDED: Final = frozenset({"linearity_h_pct", "linearity_v_pct", "defocus_mm"})
"""Figures without a sign: which side of their best they stand on is told by what was turned."""
SPREAD_AT_FIRST: Final = 100.0
"""Standard deviation of a mode before anything was measured: as good as nothing known, in any of the units."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observation:
    """What one measurement says of the modes.

    Attributes:
        value: The figures observed, each in the unit of what it observes, (n,).
        rows: How they follow from the modes, (n, modes).
        cov: Their covariance, (n, n).
        folded: Which rows have no sign of their own.
        landing: The landing as the purity shows it, its sign open; or why not.
        singles: The single figures by mode, or why there is none.
    """

    value: Floats
    rows: Floats
    cov: Floats
    folded: tuple[int, ...]
    landing: Landing | Unsupported
    singles: Mapping[str, Known]


def terms_at(u: float, v: float) -> Floats:
    """The nine terms at a place, (9,)."""
    return np.array([1.0, u, v, u * v, u * u, v * v, u * u * v, u * v * v, (u * v) ** 2])


def gun_rows(gun: Literal["red", "blue"], axis: str, u: float, v: float) -> Floats:
    """How a gun's displacement against green at a place follows from the modes, (modes,)."""
    row = np.zeros(len(MODES))
    terms, sign = terms_at(u, v), 1.0 if gun == "red" else -1.0
    for pair, weight in (("opp", sign), ("com", 1.0)):
        first = INDEX[f"{pair}_{axis}_1"]
        row[first : first + len(TERMS)] = weight * terms
    return row


def zone_place(zone: Zone) -> tuple[float, float]:
    """Where a zone's vector stands, u and v."""
    u, v = ZONE_UV[zone]
    return u * ZONE_PLACE, v * ZONE_PLACE


class _Rows:
    """Gathers observed figures."""

    def __init__(self) -> None:
        self.values: list[float] = []
        self.rows: list[Floats] = []
        self.sds: list[float] = []
        self.folded: list[int] = []
        self.keys: list[tuple[str, str] | None] = []
        self.singles: dict[str, Known] = {}

    def add(self, value: float, sd: float, row: Floats, key: tuple[str, str] | None = None) -> None:
        self.values.append(value)
        self.sds.append(sd)
        self.rows.append(row)
        self.keys.append(key)

    def single(self, mode: str, known: Known) -> None:
        self.singles[mode] = known
        if isinstance(known, Unsupported):
            return
        row = np.zeros(len(MODES))
        row[INDEX[mode]] = 1.0
        if mode in FOLDED:
            self.folded.append(len(self.values))
        self.add(known.value, known.sd, row)


def observe(
    measured: Measured,
    *,
    gun: GunKind,
    overscan_aim_pct: float,
    sharp_spot_mm: float,
    opening_mm: tuple[float, float] | None = None,
) -> Observation:
    """A measurement as an observation of the modes.

    Args:
        measured: What was measured.
        gun: Arrangement of the guns: on a tube with guns in line the landing matters sideways only.
        overscan_aim_pct: Share of the raster to be hidden at each edge, %.
        sharp_spot_mm: Width of the spot at best focus, mm.
        opening_mm: Width and height of the opening before the picture, where somebody measured them.

    Returns:
        The observation; what is missing is named in it with its reason.
    """
    rows = _Rows()
    _convergence(measured.convergence, rows)
    _geometry(measured.geometry, measured.scale, rows, overscan_aim_pct, opening_mm)
    curl = measured.top_curl
    rows.single("curl_mm", curl.amplitude_mm if isinstance(curl, TopCurl) else curl)
    rows.single("defocus_mm", _defocus(measured.focus, sharp_spot_mm))
    landing = fit_landing(measured.purity, both_axes=gun == "delta")
    return Observation(
        value=np.array(rows.values),
        rows=np.array(rows.rows).reshape(len(rows.values), len(MODES)),
        cov=_covariance(rows),
        folded=tuple(rows.folded),
        landing=landing,
        singles=rows.singles,
    )


def _covariance(rows: _Rows) -> Floats:
    """Red and blue share green's own error in a zone: half of each one's variance."""
    sd = np.array(rows.sds)
    cov = np.diag(sd**2)
    at = {key: n for n, key in enumerate(rows.keys) if key is not None}
    for (gun, place), n in at.items():
        other = at.get(("blue", place)) if gun == "red" else None
        if other is not None:
            cov[n, other] = cov[other, n] = 0.5 * sd[n] * sd[other]
    return cov


def _convergence(found: Convergence | Unsupported, rows: _Rows) -> None:
    guns: tuple[Literal["red", "blue"], ...] = ("red", "blue")
    for gun in guns:
        if isinstance(found, Unsupported):
            continue
        field = found.red_minus_green if gun == "red" else found.blue_minus_green
        if isinstance(field, Unsupported):
            continue
        for zone, vector in field.items():
            for axis, value in (("x", vector.x_mm), ("y", vector.y_mm)):
                rows.add(value, max(vector.sd_mm, 1e-3), gun_rows(gun, axis, *zone_place(zone)), (gun, zone + axis))


def _geometry(
    found: Geometry | Unsupported,
    scale: Scale | Unsupported,
    rows: _Rows,
    aim_pct: float,
    opening_mm: tuple[float, float] | None,
) -> None:
    if isinstance(found, Unsupported):
        rows.singles |= dict.fromkeys(GEOMETRY, found)
        return
    rows.single("rotation_deg", found.rotation_deg)
    rows.single("trapezoid_h_pct", found.trapezoid_h_pct)
    rows.single("trapezoid_v_pct", found.trapezoid_v_pct)
    rows.single("linearity_h_pct", found.linearity_h_pct)
    rows.single("linearity_v_pct", found.linearity_v_pct)
    edges = {str(name): figure for name, figure in found.pincushion_pct.items()}
    rows.single("side_bow_pct", _mean(edges, "left", "right"))
    rows.single("end_bow_pct", _mean(edges, "top", "bottom"))
    hidden = {str(name): figure for name, figure in found.overscan_pct.items()}
    for size, shift, one, other, axis in (
        ("width_pct", "shift_x_mm", "left", "right", 0),
        ("height_pct", "shift_y_mm", "top", "bottom", 1),
    ):
        over = _oversize(hidden, scale, one, other, None if opening_mm is None else opening_mm[axis])
        # The aim is so much at both edges together.
        aimed = Figure(value=over.value - 2 * aim_pct, sd=over.sd) if isinstance(over, Figure) else over
        rows.single(size, aimed)
        rows.single(shift, _off_centre(hidden, scale, one, other, over))


def _oversize(
    hidden: Mapping[str, Known], scale: Scale | Unsupported, one: str, other: str, opening_mm: float | None
) -> Known:
    """By how much the picture is larger than its opening, % of the picture; negative where it doesn't fill it."""
    if opening_mm is not None:
        if isinstance(scale, Unsupported):
            return scale
        size = scale.width_mm if one == "left" else scale.height_mm
        return Figure(value=100 * (1 - opening_mm / size.value), sd=100 * opening_mm * size.sd / size.value**2)
    both = _mean(hidden, one, other)
    if isinstance(both, Unsupported):
        return both
    if any(isinstance(edge, Figure) and edge.value <= 0 for edge in (hidden[one], hidden[other])):
        return Unsupported(
            reason="an edge of the picture is in view, and nothing tells how far it is from that of its opening",
            would_settle="width and height of the opening by a ruler",
        )
    return Figure(value=2 * both.value, sd=2 * both.sd)


def _mean(figures: Mapping[str, Known], one: str, other: str) -> Known:
    first, second = figures.get(one, _UNSEEN), figures.get(other, _UNSEEN)
    if isinstance(first, Unsupported):
        return first
    if isinstance(second, Unsupported):
        return second
    return Figure(value=(first.value + second.value) / 2, sd=math.hypot(first.sd, second.sd) / 2)


def _off_centre(hidden: Mapping[str, Known], scale: Scale | Unsupported, one: str, other: str, over: Known) -> Known:
    """How far the picture stands to the right or too low: hidden at that edge beyond half of what it is too large."""
    if isinstance(scale, Unsupported):
        return scale
    if isinstance(over, Unsupported):
        return over
    edges = {name: figure for name in (one, other) if isinstance(figure := hidden.get(name, _UNSEEN), Figure)}
    if not edges:
        return _UNSEEN
    across = scale.width_mm.value if one == "left" else scale.height_mm.value
    hiding = {name: edge for name, edge in edges.items() if edge.value > 0}
    if len(hiding) == 2:
        sd = math.hypot(edges[one].sd, edges[other].sd)
        return Figure(value=(edges[other].value - edges[one].value) / 200 * across, sd=sd / 200 * across)
    if not hiding:
        return Unsupported(
            reason="no edge of the picture is hidden", would_settle="distances from picture to opening by a ruler"
        )
    # The other edge stands in view: only this one's marks tell, against half of what the picture is too large.
    ((name, edge),) = hiding.items()
    sign = -1.0 if name == one else 1.0
    value, sd = sign * (edge.value - over.value / 2), math.hypot(edge.sd, over.sd / 2)
    return Figure(value=value / 100 * across, sd=sd / 100 * across)


def _defocus(found: Focus | Unsupported, sharp_mm: float) -> Known:
    """What the middle's spot is wider than at its sharpest, as the part that adds in squares."""
    if isinstance(found, Unsupported):
        return found
    if found.camera_blur == "included":
        return Unsupported(
            reason="the camera's own blur is in the spot's width",
            would_settle="a photograph with the printed tags beside the picture",
        )
    sizes = [one.get("centre", _UNSEEN) for one in (found.spot_h_mm, found.spot_v_mm)]
    known = [one for one in sizes if isinstance(one, Figure)]
    if not known:
        return next((one for one in sizes if isinstance(one, Unsupported)), _UNSEEN)
    widest = max(known, key=lambda one: one.value)
    defocus = math.sqrt(max(widest.value**2 - sharp_mm**2, 0.0))
    return Figure(value=defocus, sd=widest.sd * widest.value / max(defocus, widest.sd, 0.2 * sharp_mm))


_UNSEEN: Final = Unsupported(
    reason="no photograph so far shows it",
    would_settle="a photograph of the whole picture with the edge of its opening",
)
