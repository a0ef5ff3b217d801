"""What ``measure`` answers, as frozen values (public contract, format 1).

A figure is a :class:`Figure` with its standard deviation; where the photograph
can't support it, it is :class:`Unsupported` with the reason and what would settle
it. :mod:`tubewright.answers.measurement_json` writes the published body.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from tubewright.answers.drawn import GridNode, Outline, convergence_grid, outline_of
from tubewright.judgement.seen_checks import Check, GunKind, checks
from tubewright.judgement.seen_findings import SeenFinding, findings
from tubewright.judgement.seen_readings import readings_seen
from tubewright.judgement.seen_words import ZONE_WORDS, decimals, directed, length, said, signed
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.results import (
    GUNS,
    ZONES,
    Convergence,
    ConvergencePoints,
    Edge,
    Figure,
    Focus,
    Geometry,
    GunLaw,
    GunName,
    Hum,
    Known,
    LineProfile,
    Purity,
    Scale,
    TopCurl,
    Tracking,
    Unsupported,
    Vector,
    Wear,
    Zone,
)
from tubewright.picture.seen import Photo

__all__ = [
    "EDGES",
    "GUNS",
    "ZONES",
    "ZONE_WORDS",
    "Check",
    "Convergence",
    "ConvergencePoints",
    "Edge",
    "Figure",
    "Focus",
    "Geometry",
    "GridNode",
    "GunKind",
    "GunLaw",
    "GunName",
    "Hum",
    "Known",
    "LineProfile",
    "Measurement",
    "Outline",
    "Photo",
    "PhotoNote",
    "Purity",
    "Quality",
    "Raster",
    "Scale",
    "SeenFinding",
    "TopCurl",
    "Tracking",
    "Unsupported",
    "Vector",
    "Wear",
    "Zone",
    "checks",
    "convergence_grid",
    "decimals",
    "directed",
    "findings",
    "length",
    "outline_of",
    "readings_seen",
    "refused",
    "said",
    "signed",
]

FORMAT: Final = 1
MODEL_VERSION: Final = "1"
"""Changes whenever the same photograph may get another answer."""

EDGES: Final[tuple[Edge, ...]] = ("top", "bottom", "left", "right")


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """How good the photographs are.

    Attributes:
        exposure: In words: ``good``, ``dark``, ``bright`` or ``refused``; the worst of the photographs.
        exposure_s: How long a row gathered light, if the file says, of the first photograph.
        fields_in_exposure: Fields of the display in that time; ``None`` if the file doesn't say it.
        clipped_pct: Share of the picture's pixels at the camera's limit, the worst of the photographs.
        banding_pct: Swing of brightness by rows that were lit by unequal parts of fields; the worst.
        sharpness_px: Standard deviation of the blur in the photograph, in its pixels; the worst.
        warnings: In words, each once.
    """

    exposure: Literal["good", "dark", "bright", "refused", "unknown"]
    exposure_s: float | None
    fields_in_exposure_count: float | None
    clipped_pct: float | None
    banding_pct: float | None
    sharpness_px: float | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoNote:
    """What became of one photograph.

    Attributes:
        name: What it is called.
        pattern: What it shows: ``survey``, ``survey_light`` or "" if that wasn't found.
        refused_because: Why it was left out; "" if it was used.
        shoot_better: How to take it better; "" if it was used.
        used_for: The parts of the answer that it went into.
        warnings: What lowers its worth.
    """

    name: str
    pattern: Literal["survey", "survey_light", ""]
    refused_because: str = ""
    shoot_better: str = ""
    used_for: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """The whole answer of ``measure``.

    Attributes:
        accepted: Something could be measured.
        refused_because: Why nothing could; "" if accepted.
        shoot_better: How to take the photograph better; "" if accepted.
        photos: What became of each photograph, in the order given.
        quality: How good they are; ``None`` if none could be judged.
        pattern: What the photograph shows that the figures of orientation are of; "" if refused.
        raster: The raster that the pattern was drawn on.
        rotated_deg: How far the picture's own upright is turned, clockwise positive.
        mirrored: It is seen in a mirror.
        drawn_on: Index of the photograph in whose pixels places are given.
        scale: Size of the picture.
        convergence: Where the guns meet.
        geometry: Shape of the picture.
        top_curl: The bend at its top.
        hum: What the mains does to it.
        focus: Width of the spot.
        purity: Colours of the single-gun fields.
        tracking: The guns' laws.
        wear: A burnt-in shape.
    """

    accepted: bool
    refused_because: str = ""
    shoot_better: str = ""
    photos: tuple[PhotoNote, ...] = ()
    quality: Quality | None = None
    pattern: Literal["survey", "survey_light", ""] = ""
    raster: Raster | None = None
    rotated_deg: float | None = None
    mirrored: bool | None = None
    drawn_on: int = 0
    scale: Scale | Unsupported
    convergence: Convergence | Unsupported
    geometry: Geometry | Unsupported
    top_curl: TopCurl | Unsupported
    hum: Hum | Unsupported
    focus: Focus | Unsupported
    purity: Purity | Unsupported
    tracking: Tracking | Unsupported
    wear: Wear | Unsupported
    model_version: str = MODEL_VERSION
    notes: tuple[str, ...] = field(default=())


def refused(because: str, shoot_better: str, photos: Sequence[PhotoNote], quality: Quality | None) -> Measurement:
    """The answer when nothing could be measured."""
    reason = Unsupported(reason="nothing was measured", would_settle=shoot_better)
    return Measurement(
        accepted=False,
        refused_because=because,
        shoot_better=shoot_better,
        photos=tuple(photos),
        quality=quality,
        scale=reason,
        convergence=reason,
        geometry=reason,
        top_curl=reason,
        hum=reason,
        focus=reason,
        purity=reason,
        tracking=reason,
        wear=reason,
    )
