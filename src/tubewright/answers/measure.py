"""What does this photograph of a picture say: convergence, shape, curl, hum, focus, colours, wear?

One pure function. A bad photograph is an answer that says why and how to shoot
it better, not an error; a figure that can't be told is left out with its reason.
Several photographs of one picture are measured together: the shape from all at
once, every other part from each, joined by weight or taken from the best.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Final, Literal, TypeVar

from tubewright.answers.measure_course import IN_PIXELS, Course, settled
from tubewright.answers.measure_join import best_of, joined_curl, tells
from tubewright.answers.measure_quality import Failed, note_of, quality_of, warnings_of
from tubewright.answers.measure_steps import Exposed, PictureSteps, Shot, Wanted, mm_per_raster
from tubewright.answers.measure_view import viewed_curl, viewed_focus, viewed_purity, viewed_wear
from tubewright.answers.measurement import (
    Convergence,
    Focus,
    Geometry,
    Hum,
    Measurement,
    Photo,
    PhotoNote,
    Purity,
    Raster,
    Scale,
    TopCurl,
    Tracking,
    Unsupported,
    Wear,
    refused,
)
from tubewright.errors import Fault, InputError, RefusedError, TubewrightError
from tubewright.picture.seen import Sighting
from tubewright.picture.threads import one_thread

Progress = Callable[[str, float], None]
Pattern = Literal["survey", "survey_light"]
Got = TypeVar("Got")
Given = TypeVar("Given")

PATTERNS: Final[tuple[Pattern, ...]] = ("survey", "survey_light")

_NO_SURVEY: Final = Unsupported(
    reason="none of the photographs shows the survey",
    would_settle="a photograph of the survey: tubewright pattern draw survey",
)
_NO_LIGHT: Final = Unsupported(
    reason="none of the photographs shows the survey for light",
    would_settle="a photograph of the survey for light: tubewright pattern draw survey_light",
)
_NO_SCALE: Final = Unsupported(
    reason="nothing in the photographs says how large the picture is",
    would_settle="the printed tags beside the picture, or its width and height by a ruler",
)


class MeasuringCancelledError(TubewrightError):
    """Whoever asked for the measurement called it off."""

    exit_code = RefusedError.exit_code


@one_thread()
def measure(
    photos: Sequence[Photo],
    *,
    rasters: Sequence[Raster],
    pattern: Pattern | None = None,
    picture_mm: tuple[float, float] | None = None,
    diagonal_mm: float | None = None,
    glass_radius_mm: float | None = None,
    mount: Literal["horizontal", "vertical"] = "horizontal",
    with_tags: bool = True,
    unread: Sequence[PhotoNote] = (),
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
    steps: PictureSteps | None = None,
) -> Measurement:
    """Measure the picture that the photographs show.

    Args:
        photos: One or more photographs of one display, nothing on it changed between them.
        rasters: Rasters that the pattern may have been drawn on.
        pattern: The pattern that each photograph should show; any of ours without.
        picture_mm: Width and height of the lit picture by a ruler, as the viewer sees it.
        diagonal_mm: Diagonal of the tube.
        glass_radius_mm: Radius of the glass.
        mount: How the tube is mounted.
        with_tags: Whether to look for the printed tags.
        unread: What became of photographs that could not even be decoded; they are told of beside the others.
        progress: Told what is being done and the share that is done.
        cancelled: Asked between the steps; when it says so, no answer is given.
        steps: The steps of measuring; those of ``picture`` without.

    Returns:
        The measurement. ``accepted`` is false where no photograph could be measured.

    Raises:
        InputError: No photograph or no raster, or a length that is none.
        MeasuringCancelledError: ``cancelled`` said so.
    """
    _check([*photos, *unread], rasters, picture_mm, diagonal_mm, glass_radius_mm)
    run = _Run(steps or PictureSteps(), progress, cancelled)
    wanted = Wanted(picture_mm=picture_mm, diagonal_mm=diagonal_mm, glass_radius_mm=glass_radius_mm, mount=mount)
    looks = [
        run.look(n, photo, rasters, pattern, with_tags=with_tags, share=0.6 / len(photos))
        for n, photo in enumerate(photos)
    ]
    looks = _of_one_picture(looks)
    notes = [*(note_of(photo, look) for photo, look in zip(photos, looks, strict=True)), *unread]
    exposures = [e for e in run.exposures if e is not None]
    shots = [look for look in looks if isinstance(look, Shot)]
    if not shots:
        first = notes[0]
        return refused(first.refused_because, first.shoot_better, notes, quality_of(exposures, [], notes))
    survey = [shot for shot in shots if shot.sighting.pattern == "survey"]
    light = [shot for shot in shots if shot.sighting.pattern == "survey_light"]
    parts = _Parts()
    courses = run.courses(survey)
    run.shape([settled(shot, course) for shot, course in zip(survey, courses, strict=True)], wanted, parts)
    run.lines(survey, courses, wanted, parts)
    run.light(light, wanted, parts)
    run.tell("done", 1.0)
    leader = (survey or light)[0]
    parts.notes += _other_rasters(leader.sighting.raster, rasters)
    return Measurement(
        accepted=True,
        photos=tuple(
            replace(note, used_for=tuple(parts.used.get(n, ())), warnings=warnings_of(note, look))
            for n, (note, look) in enumerate(zip(notes, [*looks, *[None for _ in unread]], strict=True))
        ),
        quality=quality_of(exposures, shots, notes),
        pattern=leader.sighting.pattern,
        raster=leader.sighting.raster,
        rotated_deg=leader.sighting.rotated_deg,
        mirrored=leader.sighting.mirrored,
        drawn_on=leader.index,
        scale=parts.scale,
        convergence=parts.convergence,
        geometry=parts.geometry,
        top_curl=parts.top_curl,
        hum=parts.hum,
        focus=parts.focus,
        purity=parts.purity,
        tracking=parts.tracking,
        wear=parts.wear,
        notes=tuple(parts.notes),
    )


class _Parts:
    """The parts of the answer as they come, and which photograph went into which."""

    def __init__(self) -> None:
        self.scale: Scale | Unsupported = _NO_SCALE
        self.convergence: Convergence | Unsupported = _NO_SURVEY
        self.geometry: Geometry | Unsupported = _NO_SURVEY
        self.top_curl: TopCurl | Unsupported = _NO_SURVEY
        self.hum: Hum | Unsupported = _NO_SURVEY
        self.focus: Focus | Unsupported = _NO_SURVEY
        self.purity: Purity | Unsupported = _NO_LIGHT
        self.tracking: Tracking | Unsupported = _NO_LIGHT
        self.wear: Wear | Unsupported = _NO_LIGHT
        self.notes: list[str] = []
        self.used: dict[int, list[str]] = {}

    def uses(self, name: str, shots: Sequence[Shot]) -> None:
        """Remember what a part was made from, if it holds any figure."""
        if not tells(getattr(self, name)):
            return
        for shot in shots:
            self.used.setdefault(shot.index, []).append(name)


class _Run:
    """One run through the steps, with its progress and its way out."""

    def __init__(self, steps: PictureSteps, progress: Progress | None, cancelled: Callable[[], bool] | None) -> None:
        self._steps, self._progress, self._cancelled = steps, progress, cancelled
        self._share = 0.0
        self.exposures: list[Exposed | None] = []

    def tell(self, what: str, share: float) -> None:
        """Say what comes next; stop here if that is wished."""
        if self._cancelled is not None and self._cancelled():
            raise MeasuringCancelledError(
                Fault(what="the measurement was called off", where="", mend="Start it again when you like.")
            )
        self._share = max(self._share, min(share, 1.0))
        if self._progress is not None:
            self._progress(what, self._share)

    def look(
        self,
        index: int,
        photo: Photo,
        rasters: Sequence[Raster],
        pattern: Pattern | None,
        *,
        with_tags: bool,
        share: float,
    ) -> Shot | Failed:
        """Find the pattern in one photograph and judge how well it was taken."""
        start = index * share
        self.tell(f"looking for the pattern in {photo.name}", start)
        exposed: Exposed | None = None
        try:
            try:
                sighting = self._steps.find(photo, rasters, pattern)
            except RefusedError as error:
                self.exposures.append(exposed := self._steps.exposure(photo, rasters[0], None))
                fault = _fault(error)
                if exposed.refusal:  # which may well be why
                    return Failed(
                        because=f"{fault.what}, and {exposed.refusal[0]}", better=f"{exposed.refusal[1]} {fault.mend}"
                    )
                return _failed(error)
            self.tell(f"judging the light of {photo.name}", start + 0.6 * share)
            self.exposures.append(exposed := self._steps.exposure(photo, sighting.raster, sighting))
            if exposed.refusal:
                return Failed(because=exposed.refusal[0], better=exposed.refusal[1])
            tags = None
            if with_tags and sighting.pattern == "survey":
                self.tell(f"looking for tags in {photo.name}", start + 0.7 * share)
                tags = self._steps.tags(photo)
        except RefusedError as error:
            return _failed(error)
        except (ValueError, ArithmeticError) as error:
            return _reckoning_failed(error)
        return Shot(index=index, photo=photo, sighting=sighting, tags=tags, exposed=exposed)

    def shape(self, shots: Sequence[Shot], wanted: Wanted, parts: _Parts) -> None:
        """Size, convergence and geometry, from all photographs at once."""
        if not shots:
            return
        self.tell("solving camera, glass and picture", 0.7)
        found = self._try(lambda: self._steps.shape(shots, wanted, lambda done: self.tell("solving", 0.7 + 0.1 * done)))
        if isinstance(found, Unsupported):
            parts.scale = parts.convergence = parts.geometry = found
            return
        if not found.settled:
            why = Unsupported(
                reason="the places of the marks fit no camera and no glass",
                would_settle="another photograph: steady, sharp, the whole picture and the tags in view",
            )
            parts.scale = parts.convergence = parts.geometry = why
            return
        parts.scale = found.scale or _NO_SCALE
        parts.convergence, parts.geometry = found.convergence, found.geometry
        parts.notes += found.notes
        if found.misfit_ratio > 3:  # estimate: noise alone gives 1, an unusual lens or glass about 2
            parts.notes.append(
                f"the marks lie off the solved picture by {found.misfit_ratio:.1f} times their errors "
                f"({found.misfit_px:.2f} px); the spreads have grown to match"
            )
        parts.uses("convergence", shots)
        parts.uses("geometry", shots)

    def courses(self, shots: Sequence[Shot]) -> list[Course]:
        """What the lines of each photograph do as a whole, before anything is known in millimetres."""
        found = []
        for n, shot in enumerate(shots):
            self.tell(f"following the bars in {shot.photo.name}", 0.6 + 0.1 * n / len(shots))
            followed = self._try(partial(self._steps.course, shot))
            step = partial(self._steps.curl, raster=shot.sighting.raster, mm_per_px=IN_PIXELS)
            found.append(Course(followed=followed, curl_px=self._of(followed, step)))
        return found

    def lines(self, shots: Sequence[Shot], courses: Sequence[Course], wanted: Wanted, parts: _Parts) -> None:
        """Top curl, hum and the spot, by bars and marks."""
        if not shots:
            return
        scale = parts.scale if isinstance(parts.scale, Scale) else None
        raster = shots[0].sighting.raster
        along, across = mm_per_raster(scale, raster, wanted)
        upright = self._steps.upright(shots, wanted)
        followed = [course.followed for course in courses]
        curl, words, used = joined_curl([course.curl_mm(along) for course in courses])
        parts.top_curl = curl if isinstance(curl, Unsupported) else viewed_curl(curl, upright)
        self._join(parts, "top_curl", words, [shots[n] for n in used], len(shots))
        self.tell("looking for hum", 0.88)
        seen = [(shot, one) for shot, one in zip(shots, followed, strict=True) if not isinstance(one, Unsupported)]
        parts.hum = self._try(partial(self._steps.hum, seen, raster, along))
        if isinstance(parts.hum, Hum):
            parts.uses("hum", [shot for shot, _ in seen])
        self.tell("measuring the spot", 0.9)
        spots = [
            self._try(partial(self._steps.focus, shot, None if isinstance(one, Unsupported) else one, along, across))
            for shot, one in zip(shots, followed, strict=True)
        ]
        focus, at = best_of(spots)
        parts.focus = focus if isinstance(focus, Unsupported) else viewed_focus(focus, upright)
        self._take(parts, "focus", shots, at)

    def light(self, shots: Sequence[Shot], wanted: Wanted, parts: _Parts) -> None:
        """Purity, tracking and wear, each from the photograph that tells most of it."""
        if not shots:
            return
        upright = self._steps.upright(shots, wanted)
        lights = []
        for n, shot in enumerate(shots):
            self.tell(f"reading the fields of {shot.photo.name}", 0.92 + 0.06 * n / len(shots))
            lights.append(self._try(partial(self._steps.lights, shot)))
        self.tell("comparing the guns", 0.98)
        purity, at = best_of([self._of(light, self._steps.purity) for light in lights])
        parts.purity = purity if isinstance(purity, Unsupported) else viewed_purity(purity, upright)
        self._take(parts, "purity", shots, at)
        parts.tracking, at = best_of([self._of(light, self._steps.tracking) for light in lights])
        self._take(parts, "tracking", shots, at)
        wear, at = best_of([self._of(light, self._steps.wear) for light in lights])
        parts.wear = wear if isinstance(wear, Unsupported) else viewed_wear(wear, upright)
        self._take(parts, "wear", shots, at)

    def _of(self, given: Given | Unsupported, step: Callable[[Given], Got]) -> Got | Unsupported:
        """What a step makes of what another gave, or why that gave nothing."""
        return given if isinstance(given, Unsupported) else self._try(partial(step, given))

    def _take(self, parts: _Parts, name: str, shots: Sequence[Shot], at: int | None) -> None:
        if at is not None:
            words = f"{_WORDS[name]} from {shots[at].photo.name}, which tells most of it"
            self._join(parts, name, words if len(shots) > 1 else "", [shots[at]], len(shots))

    def _join(self, parts: _Parts, name: str, words: str, shots: Sequence[Shot], of: int) -> None:
        if words and of > 1:
            parts.notes.append(words)
        parts.uses(name, shots)

    def _try(self, step: Callable[[], Got]) -> Got | Unsupported:
        """What a step gives; a refusal, or figures that don't come out, is a reason."""
        try:
            return step()
        except RefusedError as error:
            fault = _fault(error)
            return Unsupported(reason=fault.what, would_settle=fault.mend)
        except (ValueError, ArithmeticError) as error:
            failed = _reckoning_failed(error)
            return Unsupported(reason=failed.because, would_settle=failed.better)


_WORDS: Final = {
    "focus": "the spot is",
    "purity": "purity is",
    "tracking": "the guns' laws are",
    "wear": "wear is",
}


def _check(
    photos: Sequence[object],
    rasters: Sequence[Raster],
    picture_mm: tuple[float, float] | None,
    diagonal_mm: float | None,
    glass_radius_mm: float | None,
) -> None:
    faults = []
    if not photos:
        faults.append(Fault(what="there is no photograph", where="photographs", mend="Give at least one."))
    if not rasters:
        faults.append(Fault(what="there is no raster to look for", where="raster", mend="Name one."))
    lengths: list[tuple[str, float | None]] = [("diagonal", diagonal_mm), ("glass_radius", glass_radius_mm)]
    if picture_mm is not None:
        lengths += [("picture", picture_mm[0]), ("picture", picture_mm[1])]
    faults += [
        Fault(what=f"{length:g} mm is no length of a screen", where=name, mend="Give millimetres, 10 to 10000.")
        for name, length in lengths
        if length is not None and not 10 <= length <= 10_000
    ]
    if faults:
        raise InputError(faults)


def _of_one_picture(looks: list[Shot | Failed]) -> list[Shot | Failed]:
    """All but the photographs that show another raster, or the picture the other way round, than the first."""
    first = next((look.sighting for look in looks if isinstance(look, Shot)), None)
    return [_same(look, first) if isinstance(look, Shot) and first is not None else look for look in looks]


def _same(shot: Shot, first: Sighting) -> Shot | Failed:
    mine, its = shot.sighting.raster, first.raster
    if (mine.width_px, mine.height_px, mine.interlaced) != (its.width_px, its.height_px, its.interlaced):
        return Failed(
            because=f"it shows the raster {mine.name}, the first photograph {its.name}",
            better="measure each raster by itself",
        )
    if shot.sighting.mirrored != first.mirrored:
        return Failed(because="it is mirrored, the first photograph is not", better="measure it by itself")
    return shot


def _other_rasters(seen: Raster, rasters: Sequence[Raster]) -> list[str]:
    """A pattern tells its raster by size alone; which of several it is matters to hum and to banding."""
    size = (seen.width_px, seen.height_px, seen.interlaced)
    others = [r.name for r in rasters if (r.width_px, r.height_px, r.interlaced) == size and r.name != seen.name]
    if not others:
        return []
    words = (
        f"the marks fit {seen.name} and as well {', '.join(others)}, which differ in time only; "
        "name the one that was shown (--raster) and hum and banding are judged by its rates"
    )
    return [words]


def _fault(error: RefusedError) -> Fault:
    return error.faults[0] if error.faults else Fault(what=str(error), where="", mend="Take another photograph.")


def _failed(error: RefusedError) -> Failed:
    fault = _fault(error)
    return Failed(because=fault.what, better=fault.mend)


def _reckoning_failed(error: Exception) -> Failed:
    said = str(error).partition("\n")[0][:120]
    return Failed(
        because=f"our reckoning failed on it ({type(error).__name__}: {said})",
        better="another photograph; and tell us, for this should not happen",
    )
