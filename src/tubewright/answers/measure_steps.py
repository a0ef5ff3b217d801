"""The steps of measuring, each the picture room's own; a test may put others in their place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

from tubewright.answers.measure_view import Matrix
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.results import (
    Convergence,
    Figure,
    Focus,
    Geometry,
    Hum,
    Purity,
    Scale,
    TopCurl,
    Tracking,
    Wear,
)
from tubewright.picture.seen import Photo, Sighting, TagViews

if TYPE_CHECKING:
    from tubewright.picture.bars import BarTracks, LineShifts
    from tubewright.picture.patches import PatchLights
    from tubewright.picture.start import View


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the person said of the display."""

    picture_mm: tuple[float, float] | None
    diagonal_mm: float | None
    glass_radius_mm: float | None
    mount: Literal["horizontal", "vertical"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposed:
    """How well a photograph was exposed.

    Attributes:
        kind: In a word.
        exposure_s: How long a row gathered light, if the file says.
        fields_in_exposure_count: Fields of the display in that time.
        clipped_pct: Share of the picture's pixels at the camera's limit.
        banding_pct: Swing of brightness between rows.
        warnings: What lowers its worth.
        refusal: Why it can't be measured and how to shoot it better, or nothing.
    """

    kind: Literal["good", "dark", "bright", "refused", "unknown"] = "unknown"
    exposure_s: float | None = None
    fields_in_exposure_count: float | None = None
    clipped_pct: float | None = None
    banding_pct: float | None = None
    warnings: tuple[str, ...] = ()
    refusal: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """A photograph in which a pattern was found."""

    index: int
    photo: Photo
    sighting: Sighting
    tags: TagViews | None
    exposed: Exposed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Followed:
    """The bars of one photograph, each for itself and what they have in common."""

    tracks: BarTracks
    shifts: LineShifts | None


class Solved(Protocol):
    """What the step that solves the shape gives."""

    @property
    def scale(self) -> Scale | None: ...  # noqa: D102
    @property
    def convergence(self) -> Convergence: ...  # noqa: D102
    @property
    def geometry(self) -> Geometry: ...  # noqa: D102
    @property
    def settled(self) -> bool: ...  # noqa: D102
    @property
    def misfit_ratio(self) -> float: ...  # noqa: D102
    @property
    def misfit_px(self) -> float: ...  # noqa: D102
    @property
    def notes(self) -> tuple[str, ...]: ...  # noqa: D102


class PictureSteps:
    """The steps as the picture room has them."""

    def find(
        self, photo: Photo, rasters: Sequence[Raster], pattern: Literal["survey", "survey_light"] | None
    ) -> Sighting:
        """Find the pattern."""
        from tubewright.picture.find import find_pattern

        return find_pattern(photo, rasters, pattern=pattern)

    def exposure(self, photo: Photo, raster: Raster, sighting: Sighting | None) -> Exposed:
        """How well it was exposed, judged within the picture where that was found."""
        from tubewright.picture.exposure import judge_exposure

        found = judge_exposure(
            photo, field_hz=raster.field_hz, interlaced=raster.interlaced, region=_box_of(photo, sighting)
        )
        return Exposed(
            kind=found.kind,
            exposure_s=found.exposure_s,
            fields_in_exposure_count=found.fields_in_exposure_count,
            clipped_pct=100 * max(found.clipped_share),
            banding_pct=None if found.banding_seen_ratio is None else 100 * found.banding_seen_ratio,
            warnings=(*photo.warnings, *found.warnings),
            refusal=found.refusal,
        )

    def tags(self, photo: Photo) -> TagViews | None:
        """Find the printed tags."""
        from tubewright.picture.tags import find_tags

        return find_tags(photo)

    def shape(self, shots: Sequence[Shot], wanted: Wanted, progress: Callable[[float], None]) -> Solved:
        """Solve camera, glass and picture."""
        from tubewright.picture.shape import measure_shape

        return measure_shape(
            [_view(shot) for shot in shots],
            picture_mm=wanted.picture_mm,
            diagonal_mm=wanted.diagonal_mm,
            glass_radius_mm=wanted.glass_radius_mm,
            mount=wanted.mount,
            progress=progress,
        )

    def upright(self, shots: Sequence[Shot], wanted: Wanted) -> Matrix:
        """How the raster stands before the viewer."""
        from tubewright.picture.start import upright_of

        return upright_of([_view(shot) for shot in shots], wanted.mount)[0]

    def course(self, shot: Shot) -> Followed:
        """Follow the bars, and tell what each line does as a whole."""
        from tubewright.picture.bars import common_shifts, track_bars

        tracks = track_bars(shot.photo, shot.sighting)
        return Followed(tracks=tracks, shifts=common_shifts(tracks))

    def curl(self, followed: Followed, raster: Raster, mm_per_px: Figure | None) -> TopCurl:
        """The bend at the top."""
        from tubewright.picture.curl import measure_top_curl

        return measure_top_curl(followed.shifts, raster, mm_per_px)

    def hum(self, courses: Sequence[tuple[Shot, Followed]], raster: Raster, mm_per_px: Figure | None) -> Hum:
        """What the mains does, from all photographs at once."""
        from tubewright.picture.hum import HumView, measure_hum

        views = [
            HumView(shifts=followed.shifts, mm_per_px_x=mm_per_px, exposure_s=shot.photo.exposure_s)
            for shot, followed in courses
            if followed.shifts is not None
        ]
        return measure_hum(views, raster)

    def focus(
        self, shot: Shot, followed: Followed | None, mm_per_px: Figure | None, mm_per_line: Figure | None
    ) -> Focus:
        """Width of the spot."""
        from tubewright.picture.focus import measure_focus

        return measure_focus(
            shot.sighting,
            shot.tags,
            mm_per_px_x=mm_per_px,
            mm_per_line_y=mm_per_line,
            tracks=None if followed is None else followed.tracks,
        )

    def purity(self, lights: PatchLights) -> Purity:
        """Colours of the single-gun fields."""
        from tubewright.picture.purity import measure_purity

        return measure_purity(lights)

    def wear(self, lights: PatchLights) -> Wear:
        """A burnt-in shape."""
        from tubewright.picture.wear import wear_from_patches

        return wear_from_patches(lights)

    def tracking(self, lights: PatchLights) -> Tracking:
        """The guns' laws."""
        from tubewright.picture.tracking import measure_tracking

        return measure_tracking(lights)

    def lights(self, shot: Shot) -> PatchLights:
        """Light of the patches of the survey for light."""
        from tubewright.picture.patches import read_patches

        return read_patches(shot.photo, shot.sighting)


def mm_per_raster(scale: Scale | None, raster: Raster, wanted: Wanted) -> tuple[Figure | None, Figure | None]:
    """Millimetres along a line per raster pixel, and across the lines per line.

    The lines of a tube on its side run up and down.
    """
    if scale is None:
        return None, None
    along, across = scale.width_mm, scale.height_mm
    if wanted.mount == "vertical":
        along, across = across, along
    return (
        Figure(value=along.value / raster.width_px, sd=along.sd / raster.width_px),
        Figure(value=across.value / raster.height_px, sd=across.sd / raster.height_px),
    )


def _view(shot: Shot) -> View:
    from tubewright.picture.start import View

    photo = shot.photo
    return View(
        size_px=(photo.pixels.shape[1], photo.pixels.shape[0]),
        focal_35mm=None if photo.focal_35mm is None else photo.focal_35mm * photo.zoomed_ratio,
        sighting=shot.sighting,
        tags=shot.tags,
        turned_deg=photo.turned_deg,
    )


def _box_of(photo: Photo, sighting: Sighting | None) -> tuple[int, int, int, int] | None:
    """Left, top, right and bottom of the part of a photograph that holds the marks."""
    if sighting is None:
        return None
    height, width = photo.pixels.shape[:2]
    x, y = sighting.marks.x_px, sighting.marks.y_px
    left, top = max(int(x.min()), 0), max(int(y.min()), 0)
    return left, top, min(int(x.max()) + 1, width), min(int(y.max()) + 1, height)
