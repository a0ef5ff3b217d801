"""A survey found in a photograph: which one, of which raster, how it lies, and where each mark is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.errors import Fault, RefusedError
from tubewright.picture.blobs import MOST_BLOBS, Blobs, find_blobs, working_factor
from tubewright.picture.identify import Identity, Pattern, identify
from tubewright.picture.lattice import join
from tubewright.picture.locate import Located, locate
from tubewright.picture.maps import Fit, fit_maps
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import LatticeMarks, survey_marks
from tubewright.picture.patterns.survey_light import light_marks
from tubewright.picture.seen import Marks, Photo, Sighting

_LEAST_SD_PX: Final = 0.015
"""What a mosaic's and a file's own pattern may do to neighbouring marks alike, unseen in their scatter; measured on
simulated photographs without noise."""
_STRAY_RATIO: Final = 12.0
"""Times the usual departure from the smooth maps; ten standard deviations of a Gaussian (our choice)."""
_STRAY_PX: Final = 1.0
"""Below that a departure is kept, however small the others are (our choice)."""
_NEARLY_ALL: Final = 0.99
"""Share of marks found with which a second look isn't worth its time (our choice)."""
FEWEST_MARKS: Final = 60
"""With fewer in view (a tenth of the pattern) hardly a figure could be told: cropped beyond use (estimate)."""


def find_pattern(photo: Photo, rasters: Sequence[Raster], *, pattern: Pattern | None = None) -> Sighting:
    """Find a survey in a photograph and locate its marks.

    Args:
        photo: The photograph.
        rasters: Rasters that it may have been drawn on; of several of one size the first is named.
        pattern: The pattern that it should be; any of ours without.

    Raises:
        RefusedError: There is no survey to be seen, another one than was said, or too little of it.
    """
    layouts = _layouts()
    blobs, identity = _identified(photo, rasters)
    if pattern is not None and identity.pattern != pattern:
        raise _refusal(
            photo,
            f"this is the pattern {identity.pattern}, not {pattern}",
            f"Photograph {pattern}, or say --pattern {identity.pattern}.",
        )
    raster = identity.raster
    marks = layouts[identity.pattern](raster)
    if len(identity.spot) < FEWEST_MARKS:
        raise _refusal(
            photo,
            f"only {len(identity.spot)} of {len(marks.gun)} marks of the survey are in view",
            "Take in the whole picture, from a little further off.",
        )
    by_node = {(int(c), int(r)): n for n, (c, r) in enumerate(zip(marks.column, marks.row, strict=True))}
    index = np.array([by_node[int(c), int(r)] for c, r in zip(identity.column, identity.row, strict=True)])
    raster_px = np.stack([marks.x_px, marks.y_px], axis=1)
    rough = fit_maps(
        raster,
        gun=marks.gun[index],
        row=marks.row[index],
        raster_px=raster_px[index],
        photo_px=np.stack([blobs.x_px, blobs.y_px], axis=1)[identity.spot],
    )
    found, fit = _placed_marks(photo, marks, raster, rough)
    good = found.good
    if int(good.sum()) < FEWEST_MARKS:
        raise _refusal(
            photo,
            f"only {int(good.sum())} of {len(marks.gun)} marks are clear enough to be placed",
            "Hold the camera still, focus on the picture, and keep lamps from mirroring in the glass.",
        )
    rotated_deg, mirrored = _placed(fit)
    return Sighting(
        pattern=identity.pattern,
        raster=raster,
        rotated_deg=rotated_deg,
        mirrored=mirrored,
        marks=_marks(marks, found, fit),
        missing=int((~good).sum()),
        maps=fit.maps,
        sensor_to_gun=_unmixing(blobs, identity),
    )


def _layouts() -> dict[Pattern, Callable[[Raster], LatticeMarks]]:
    return {"survey": survey_marks, "survey_light": light_marks}


def _identified(photo: Photo, rasters: Sequence[Raster]) -> tuple[Blobs, Identity]:
    """Search coarsely, then finely: a small picture in a large frame needs the finer look."""
    factor = working_factor(photo)
    seen = 0
    for by in dict.fromkeys((factor, max(1, factor // 2))):
        blobs = find_blobs(photo, by)
        seen = max(seen, len(blobs.gun))
        if len(blobs.gun) > MOST_BLOBS:
            continue
        lattice = join(blobs.x_px, blobs.y_px)
        if lattice is None:
            continue
        identity = identify(blobs, lattice, _layouts(), rasters)
        if identity is not None:
            return blobs, identity
    what = "no survey is to be seen" if seen < FEWEST_MARKS else "what is to be seen is none of our surveys"
    raise _refusal(
        photo,
        what,
        "Show the survey on the display (tubewright pattern), dim the room, and photograph the whole picture sharp "
        "and not over-exposed.",
    )


def _placed_marks(photo: Photo, marks: LatticeMarks, raster: Raster, rough: Fit) -> tuple[Located, Fit]:
    """Every mark placed, strays left out, and the maps through them.

    Where marks are missing a second look goes by the better maps: the coarse search may have
    lost a corner, beyond which its own maps run wild.
    """
    raster_px = np.stack([marks.x_px, marks.y_px], axis=1)
    fit = rough
    for _ in range(2):
        found = locate(photo, marks, fit)
        good = found.good
        astray = np.zeros(len(good), dtype=bool)
        for last in (False, False, True):
            good &= ~astray
            if int(good.sum()) < FEWEST_MARKS:
                return found, fit
            fit = fit_maps(
                raster,
                gun=marks.gun[good],
                row=marks.row[good],
                raster_px=raster_px[good],
                photo_px=found.photo_px[good],
                sd_px=found.sd_px[good],
            )
            astray[good] = _astray(fit, found.sd_px[good])
            if last or not astray.any():
                break
        if good.mean() > _NEARLY_ALL:
            break
    return found, fit


def _astray(fit: Fit, sd_px: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Marks that lie where no picture could put them, beside others that don't: a reflection, a finger, a dead spot."""
    off = np.hypot(*fit.left_over_px.T)
    usual = np.median(off / sd_px) * sd_px
    # Against the maps without the mark itself, which in a corner follow it.
    off = off / np.maximum(1 - fit.held_ratio, 0.02)
    return np.asarray((off > _STRAY_RATIO * usual) & (off > _STRAY_PX))


def _refusal(photo: Photo, what: str, mend: str) -> RefusedError:
    return RefusedError(Fault(what=what, where=photo.name, mend=mend))


def _marks(marks: LatticeMarks, found: Located, fit: Fit) -> Marks:
    """The good marks; the scatter about the smooth maps says how far the fit's own errors can be believed."""
    good = found.good
    sd = found.sd_px[good].copy()
    gun = marks.gun[good]
    for one in range(3):
        own = gun == one
        if own.sum() >= 12:
            ratio = np.abs(fit.left_over_px[own]) / sd[own, None]
            # Of a Gaussian the median of the absolute values is 0.6745 standard deviations, and 95 % stay below 1.96;
            # where the two differ the tails are long, and the larger scale is the honest one.
            sd[own] *= max(float(np.median(ratio)) / 0.6745, float(np.quantile(ratio, 0.95)) / 1.96, 0.2)
    sd = np.hypot(sd, _LEAST_SD_PX)
    return Marks(
        column=marks.column[good],
        row=marks.row[good],
        gun=gun,
        raster_x_px=marks.x_px[good],
        raster_y_px=marks.y_px[good],
        x_px=found.photo_px[good, 0],
        y_px=found.photo_px[good, 1],
        sd_px=sd,
        spread_x_px=found.spread_x_px[good],
        spread_y_px=found.spread_y_px[good],
        spread_sd_px=found.spread_sd_px[good],
        light=found.light[good],
    )


def _placed(fit: Fit) -> tuple[float, bool]:
    """How the raster lies in the photograph: degrees clockwise from upright, and whether it is mirrored."""
    to_photo = next(one for one in fit.maps if one is not None)
    raster = to_photo.raster
    x, y = np.array([raster.width_px / 2] * 4), np.array([raster.height_px / 2] * 4)
    px, py = to_photo(x + np.array([1.0, -1, 0, 0]), y + np.array([0.0, 0, 1, -1]))
    right = np.array([px[0] - px[1], py[0] - py[1]])
    down = np.array([px[2] - px[3], py[2] - py[3]])
    angle = float(np.degrees(np.arctan2(down[1], down[0]))) - 90
    return (angle + 180) % 360 - 180, bool(right[0] * down[1] - right[1] * down[0] < 0)


def _unmixing(blobs: Blobs, identity: Identity) -> NDArray[np.float64]:
    """Light of each gun from light in each channel: the inverse of the marks' usual colours, each own channel 1."""
    colours = np.eye(3)
    for gun in range(3):
        own = identity.spot[blobs.gun[identity.spot] == gun]
        if own.size >= 12:
            colours[:, gun] = np.median(blobs.colour_ratio[own], axis=0)
    if abs(np.linalg.det(colours)) < 0.05:
        return np.eye(3)
    return np.asarray(np.linalg.inv(colours))
