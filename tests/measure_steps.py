"""Steps of measuring that give made-up results: what ``measure`` does with them is seen without a photograph."""

# ruff: noqa: ARG002, ANN401 - a step that makes its result up uses nothing, and gives whatever a test asks for
from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

import measured
from tubewright.answers.measure_steps import Exposed, PictureSteps, Shot, Wanted
from tubewright.errors import Fault, RefusedError
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import survey_marks
from tubewright.picture.results import Convergence, Geometry, Scale
from tubewright.picture.seen import Marks, Photo, RasterMap, Sighting

OTHER_RASTER = replace(measured.RASTER, name="made-up 320x240", width_px=320, height_px=240)


def photo(name: str) -> Photo:
    """A photograph whose name says what is on it."""
    return Photo(pixels=np.zeros((600, 800, 3), dtype=np.uint8), name=name)


def sighting(*, light: bool = False, raster: Raster = measured.RASTER, mirrored: bool = False) -> Sighting:
    """The survey seen upright at 1.25 pixels of the photograph to a raster pixel, every mark a pixel blurred."""
    marks = survey_marks(raster)
    zeros, ones = np.zeros(marks.gun.size), np.ones(marks.gun.size)
    x = np.array([[500.0, 0.0], [400.0, 0.0]])
    y = np.array([[400.0, 300.0], [0.0, 0.0]])
    one_map = RasterMap(x_coefficients=x, y_coefficients=y, raster=raster)
    return Sighting(
        pattern="survey_light" if light else "survey",
        raster=raster,
        rotated_deg=-2.0,
        mirrored=mirrored,
        marks=Marks(
            column=marks.column,
            row=marks.row,
            gun=marks.gun,
            raster_x_px=marks.x_px,
            raster_y_px=marks.y_px,
            x_px=zeros,
            y_px=zeros,
            sd_px=ones,
            spread_x_px=ones,
            spread_y_px=ones,
            spread_sd_px=ones,
            light=ones,
        ),
        missing=0,
        maps=(one_map, one_map, one_map),
    )


@dataclass
class MadeUpShape:
    """What the step that solves the shape gives."""

    scale: Scale | None
    convergence: Convergence
    geometry: Geometry
    settled: bool = True
    misfit_ratio: float = 1.0
    misfit_px: float = 0.02
    notes: tuple[str, ...] = ("the glass is taken to be a sphere",)


def made_up_shape(**changes: Any) -> MadeUpShape:
    """The usual shape; fields may be put in place of its own."""
    scale = measured.measurement().scale
    assert isinstance(scale, Scale)
    usual = MadeUpShape(scale=scale, convergence=measured.convergence(), geometry=measured.geometry())
    return replace(usual, **changes)


def refuse(what: str) -> RefusedError:
    """A refusal of a photograph."""
    return RefusedError(Fault(what=what, where="photo", mend="Do it better."))


@dataclass
class MadeUpSteps(PictureSteps):
    """Each photograph gives what its name says: none, light, other, mirrored, dark, broken; else a survey.

    ``changes`` puts results of a step in place of the usual ones, or raises them; ``calls`` keeps the order.
    """

    changes: dict[str, Any] = field(default_factory=dict)
    calls: list[str] = field(default_factory=list)

    def _give(self, step: str, usual: Any) -> Any:
        self.calls.append(step)
        given = self.changes.get(step, usual)
        if isinstance(given, Exception):
            raise given
        return given(self.calls.count(step) - 1) if callable(given) else given

    def find(self, photo: Photo, rasters: Sequence[Raster], pattern: str | None) -> Sighting:
        self.calls.append("find")
        if "none" in photo.name:
            raise refuse("no survey is to be seen")
        if "broken" in photo.name:
            raise ValueError("array must not contain infs or NaNs")
        return sighting(
            light="light" in photo.name,
            raster=OTHER_RASTER if "other" in photo.name else measured.RASTER,
            mirrored="mirrored" in photo.name,
        )

    def exposure(self, photo: Photo, raster: Raster, seen: Sighting | None) -> Exposed:
        self.calls.append("exposure")
        if "dark" in photo.name:
            return Exposed(kind="refused", refusal=("it is far too dark", "expose longer."))
        return Exposed(kind="good", exposure_s=0.05, clipped_pct=1.0, warnings=("held at an angle",))

    def tags(self, photo: Photo) -> Any:
        return self._give("tags", None)

    def shape(self, shots: Sequence[Shot], wanted: Wanted, progress: Callable[[float], None]) -> Any:
        progress(0.5)
        return self._give("shape", made_up_shape())

    def course(self, shot: Shot) -> Any:
        return self._give("course", "a course")

    def upright(self, shots: Sequence[Shot], wanted: Wanted) -> Any:
        return self._give("upright", np.eye(2))

    def curl(self, followed: Any, raster: Raster, mm_per_px: Any) -> Any:
        return self._give("curl", measured.top_curl())

    def hum(self, courses: Any, raster: Raster, mm_per_px: Any) -> Any:
        return self._give("hum", measured.measurement().hum)

    def focus(self, shot: Shot, followed: Any, mm_per_px: Any, mm_per_line: Any) -> Any:
        return self._give("focus", measured.measurement().focus)

    def lights(self, shot: Shot) -> Any:
        return self._give("lights", "lights")

    def purity(self, lights: Any) -> Any:
        return self._give("purity", measured.light()["purity"])

    def tracking(self, lights: Any) -> Any:
        return self._give("tracking", measured.light()["tracking"])

    def wear(self, lights: Any) -> Any:
        return self._give("wear", measured.light()["wear"])
