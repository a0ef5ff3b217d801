"""What became of each photograph, and how good they are together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tubewright.answers.measure_steps import Exposed, Shot
from tubewright.answers.measurement import PhotoNote, Quality
from tubewright.picture.seen import Photo, Sighting


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """Why a photograph is left out."""

    because: str
    better: str


def note_of(photo: Photo, look: Shot | Failed) -> PhotoNote:
    """What became of one photograph, before it is known what it is used for."""
    if isinstance(look, Failed):
        return PhotoNote(
            name=photo.name,
            pattern="",
            refused_because=look.because,
            shoot_better=look.better,
            warnings=photo.warnings,
        )
    return PhotoNote(name=photo.name, pattern=look.sighting.pattern, warnings=photo.warnings)


def warnings_of(note: PhotoNote, look: Shot | Failed | None) -> tuple[str, ...]:
    """Everything that lowers one photograph's worth, each once."""
    if not isinstance(look, Shot):
        return note.warnings
    of_tags = look.tags.warnings if look.tags is not None else ()
    return tuple(dict.fromkeys([*note.warnings, *look.exposed.warnings, *of_tags]))


def quality_of(exposures: Sequence[Exposed], shots: Sequence[Shot], notes: Sequence[PhotoNote]) -> Quality | None:
    """The worst of the photographs, and every warning once."""
    if not exposures:
        return None
    words: list[str] = []
    for note in notes:
        words += note.warnings
    for exposed in exposures:
        words += exposed.warnings
    for shot in shots:
        words += shot.tags.warnings if shot.tags is not None else ()
    order: tuple[Literal["good", "unknown", "dark", "bright", "refused"], ...] = (
        "good",
        "unknown",
        "dark",
        "bright",
        "refused",
    )
    return Quality(
        exposure=max((exposed.kind for exposed in exposures), key=order.index),
        exposure_s=exposures[0].exposure_s,
        fields_in_exposure_count=exposures[0].fields_in_exposure_count,
        clipped_pct=_worst(exposed.clipped_pct for exposed in exposures),
        banding_pct=_worst(exposed.banding_pct for exposed in exposures),
        sharpness_px=_worst(_blur_px(shot.sighting) for shot in shots),
        warnings=tuple(dict.fromkeys(words)),
    )


def _worst(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None and np.isfinite(value)]
    return max(known, default=None)


def _blur_px(sighting: Sighting) -> float | None:
    """Blur of a mark in the photograph, spot and camera together: standard deviation, the usual one."""
    marks = sighting.marks
    spread = np.nanmedian(marks.spread_x_px) if np.isfinite(marks.spread_x_px).any() else None
    one_map = next((one for one in sighting.maps if one is not None), None)
    if spread is None or one_map is None:
        return None
    middle = np.array([(sighting.raster.width_px - 1) / 2]), np.array([(sighting.raster.height_px - 1) / 2])
    x0, y0 = one_map(*middle)
    x1, y1 = one_map(middle[0] + 1, middle[1])
    return float(spread * np.hypot(x1 - x0, y1 - y0)[0])
