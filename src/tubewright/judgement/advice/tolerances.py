"""The tolerances a set-up is held to, and a measurement checked against them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.modes import INDEX, MODES, gun_rows, zone_place
from tubewright.judgement.seen_checks import CORNERS, Measured
from tubewright.judgement.seen_words import ZONE_WORDS
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import ZONES, Convergence, Figure, Known, Purity, Scale, Unsupported, Zone

Floats = NDArray[np.float64]
Tolerance = Literal["arcade", "delta", "broadcast"]
TOLERANCES: Final[tuple[Tolerance, ...]] = get_args(Tolerance)

MM_PER_IN: Final = 25.4
GLASS_OVER_PICTURE: Final = 1.05
"""A tube is named by its glass; the picture is about a twentieth shorter (common practice)."""

WORDS: Final[Mapping[str, tuple[str, str]]] = {
    # mode: what it is, and the unit it is told in
    "width_pct": ("width, over the aim", "%"),
    "height_pct": ("height, over the aim", "%"),
    "shift_x_mm": ("picture to the right of the middle", "mm"),
    "shift_y_mm": ("picture below the middle", "mm"),
    "rotation_deg": ("tilt of the picture, clockwise", "degrees"),
    "trapezoid_h_pct": ("top wider than bottom", "%"),
    "trapezoid_v_pct": ("left taller than right", "%"),
    "side_bow_pct": ("inward bow of the sides", "%"),
    "end_bow_pct": ("inward bow of top and bottom", "%"),
    "linearity_h_pct": ("widest over narrowest column, less one", "%"),
    "linearity_v_pct": ("tallest over lowest row, less one", "%"),
    "curl_mm": ("sideways bend of the first lines", "mm"),
    "defocus_mm": ("blur beyond the sharpest spot", "mm"),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Book:
    """Tolerances by mode and zone, those in millimetres scaled to the picture.

    Attributes:
        name: Which set.
        zone_mm: Length of a misconvergence that is let pass, by zone.
        single: By mode, in its unit.
        landing_ratio: Purity that is let pass.
        spot_mm: Width of the spot that is let pass.
        overscan_aim_pct: Share of the raster to be hidden at each edge.
    """

    name: Tolerance
    zone_mm: Mapping[Zone, float]
    single: Mapping[str, float]
    landing_ratio: float
    spot_mm: float
    overscan_aim_pct: float

    def weights(self) -> Floats:
        """Every component over its tolerance, from the modes: (components, modes)."""
        rows = []
        guns: tuple[Literal["red", "blue"], ...] = ("red", "blue")
        for zone in ZONES:
            for gun in guns:
                rows += [gun_rows(gun, axis, *zone_place(zone)) / self.zone_mm[zone] for axis in ("x", "y")]
        for name, tolerance in (*self.single.items(), *((name, self.landing_ratio) for name in _LANDING)):
            row = np.zeros(len(MODES))
            row[INDEX[name]] = 1 / tolerance
            rows.append(row)
        return np.array(rows)


_LANDING: Final = ("landing_x", "landing_y", "landing_edge")


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One measured figure held against its tolerance.

    Attributes:
        about: What it is.
        found: The figure, or why there is none.
        tolerance_ratio: What is let pass, as a size, in ``unit``.
        unit: Of both.
        group: What kind of figure: convergence, purity, or the mode's name.
        zone: Where; ``None`` for the whole picture.
        gun: Whose; "" for all.
    """

    about: str
    found: Known
    tolerance_ratio: float
    unit: str
    group: str
    zone: Zone | None = None
    gun: str = ""

    @property
    def over_ratio(self) -> float | None:
        """The figure over its tolerance, as a size; ``None`` without one."""
        return abs(self.found.value) / self.tolerance_ratio if isinstance(self.found, Figure) else None

    @property
    def within(self) -> bool | None:
        """Whether it is within its tolerance; ``None`` where it isn't known."""
        return None if self.over_ratio is None else self.over_ratio <= 1

    @property
    def chance_within(self) -> float | None:
        """The chance that the true figure is, by a normal law about the measured one."""
        if isinstance(self.found, Unsupported):
            return None
        value, sd = self.found.value, max(self.found.sd, 1e-9) * math.sqrt(2)
        return 0.5 * (math.erf((self.tolerance_ratio - value) / sd) + math.erf((self.tolerance_ratio + value) / sd))


def book_of(name: Tolerance, knowledge: Knowledge, scale: Scale | Unsupported | None = None) -> Book:
    """The tolerances of a set, those in millimetres scaled by the picture's size where it is known."""
    factor = 1.0
    if isinstance(scale, Scale):
        named_in = math.hypot(scale.width_mm.value, scale.height_mm.value) / MM_PER_IN * GLASS_OVER_PICTURE
        factor = named_in / min(
            max(named_in, knowledge.value("target_smallest_in")), knowledge.value("target_largest_in")
        )

    def take(what: str) -> float:
        names = {
            "arcade": (f"target_{what}",),
            "delta": (f"target_{what.removesuffix('_mm')}_delta_mm", f"target_{what}"),
            "broadcast": (f"target_broadcast_{what}", f"target_{what}"),
        }[name]
        found = next(knowledge.constants[one].value for one in names if one in knowledge.constants)
        return found * factor if what.endswith("_mm") else found

    centre, edge, corner = (take(f"convergence_{where}_mm") for where in ("centre", "edge", "corner"))
    spot = take("spot_mm")
    sharp = spot * knowledge.value("advice_sharp_ratio")
    size = 2 * take("overscan_pct")
    bow, trapezoid, line, centred = take("bow_pct"), take("trapezoid_pct"), take("linearity_pct"), take("centre_mm")
    return Book(
        name=name,
        zone_mm={zone: centre if zone == "centre" else corner if zone in CORNERS else edge for zone in ZONES},
        single={
            "width_pct": size,
            "height_pct": size,
            "shift_x_mm": centred,
            "shift_y_mm": centred,
            "rotation_deg": take("tilt_deg"),
            "trapezoid_h_pct": trapezoid,
            "trapezoid_v_pct": trapezoid,
            "side_bow_pct": bow,
            "end_bow_pct": bow,
            "linearity_h_pct": line,
            "linearity_v_pct": line,
            "curl_mm": take("curl_mm"),
            "defocus_mm": math.sqrt(spot**2 - sharp**2),
        },
        landing_ratio=take("purity_ratio"),
        spot_mm=spot,
        overscan_aim_pct=take("overscan_aim_pct"),
    )


def held(measured: Measured, singles: Mapping[str, Known], book: Book) -> tuple[Held, ...]:
    """Every figure of a measurement against its tolerance.

    Args:
        measured: What was measured.
        singles: Its single figures by mode, as an observation gives them.
        book: The tolerances.
    """
    return (
        *_convergence(measured.convergence, book),
        *_purity(measured.purity, book),
        *(
            Held(about=words, found=singles[mode], tolerance_ratio=book.single[mode], unit=unit, group=mode)
            for mode, (words, unit) in WORDS.items()
        ),
    )


def _convergence(found: Convergence | Unsupported, book: Book) -> Iterator[Held]:
    unit, group = "mm", "convergence"
    for gun in ("red", "blue"):
        field = found if isinstance(found, Unsupported) else getattr(found, f"{gun}_minus_green")
        if isinstance(field, Unsupported):
            yield Held(about=f"{gun} against green", found=field, tolerance_ratio=1.0, unit=unit, group=group, gun=gun)
            continue
        for zone in ZONES:
            vector = field.get(zone)
            figure: Known = (
                Unsupported(reason="too few marks were seen there", would_settle="a photograph of the whole picture")
                if vector is None
                else Figure(value=math.hypot(vector.x_mm, vector.y_mm), sd=vector.sd_mm)
            )
            yield Held(
                about=f"{gun} against green, {ZONE_WORDS[zone]}",
                found=figure,
                tolerance_ratio=book.zone_mm[zone],
                unit=unit,
                group=group,
                zone=zone,
                gun=gun,
            )
    if isinstance(found, Convergence) and found.worst_zone is not None:
        # The vector of a zone stands in its middle; towards the glass's rim it may be worse.
        zone = found.worst_zone
        yield Held(
            about=f"worst misconvergence, {ZONE_WORDS[zone]}",
            found=found.worst_mm,
            tolerance_ratio=book.zone_mm[zone],
            unit=unit,
            group=group,
            zone=zone,
        )


def _purity(found: Purity | Unsupported, book: Book) -> Iterator[Held]:
    for gun in ("red", "green", "blue"):
        if isinstance(found, Unsupported):
            yield Held(about=f"purity of {gun}", found=found, tolerance_ratio=1.0, unit="share", group="purity")
            continue
        for zone, figure in ((zone, known) for name, by in found.shift_ratio.items() if name == gun
                             for zone, known in by.items()):  # fmt: skip
            yield Held(
                about=f"other light in the field of {gun}, {ZONE_WORDS[zone]}",
                found=figure,
                tolerance_ratio=book.landing_ratio,
                unit="share",
                group="purity",
                zone=zone,
                gun=gun,
            )
