"""What the lines of a photograph do as a whole: told in raster pixels first, for the shape to leave it out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from tubewright.answers.measure_steps import Shot
from tubewright.picture.results import Figure, Known, TopCurl, Unsupported

if TYPE_CHECKING:
    from tubewright.answers.measure_steps import Followed

IN_PIXELS: Final = Figure(value=1.0, sd=0.0)
"""The scale of a picture measured in its own raster pixels."""

_NO_SCALE: Final = Unsupported(
    reason="nothing in the photograph gives a scale in millimetres",
    would_settle="the printed tags beside the picture, or its size measured with a ruler",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The lines of one photograph: where each goes, and the curl they start with, its lengths in raster pixels."""

    followed: Followed | Unsupported
    curl_px: TopCurl | Unsupported

    def curl_mm(self, mm_per_px: Figure | None) -> TopCurl | Unsupported:
        """The curl in millimetres."""
        curl = self.curl_px
        if isinstance(curl, Unsupported):
            return curl
        if mm_per_px is None:
            return TopCurl(
                amplitude_mm=_NO_SCALE,
                settle_lines=curl.settle_lines,
                overshoot_ratio=curl.overshoot_ratio,
                profile=None,
            )
        scale, profile = mm_per_px.value, curl.profile
        if profile is not None:
            profile = replace(
                profile,
                displacement_mm=profile.displacement_mm * scale,
                sd_mm=profile.sd_mm * scale,
                fitted_mm=profile.fitted_mm * scale,
            )
        return replace(curl, amplitude_mm=_times(curl.amplitude_mm, mm_per_px), profile=profile)


def _times(known: Known, scale: Figure) -> Known:
    if isinstance(known, Unsupported):
        return known
    return Figure(value=known.value * scale.value, sd=float(np.hypot(known.sd * scale.value, known.value * scale.sd)))


def settled(shot: Shot, course: Course) -> Shot:
    """The photograph with its marks drawn where the curled lines put them.

    The shape of the picture is that of its settled lines (docs/measure.md). Of a mark on a
    line that lies to the side by so much, the raster drew the place beside it, as far as
    the shape is concerned. The bars tell this line by line, far better than marks ten lines apart.
    """
    curl = course.curl_px
    if isinstance(curl, Unsupported) or curl.profile is None or isinstance(curl.settle_lines, Unsupported):
        return shot
    marks = shot.sighting.marks
    aside_px = np.interp(marks.raster_y_px, curl.profile.line, curl.profile.fitted_mm)
    straight = replace(marks, raster_x_px=marks.raster_x_px + aside_px)
    return replace(shot, sighting=replace(shot.sighting, marks=straight))
