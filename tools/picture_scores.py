"""How far a measurement of a simulated photograph is off its truth; used by soak_pictures.py.

The truth comes from ``simulate``, which shares no formula with ``picture``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tubewright.answers.measurement import Measurement
from tubewright.picture.results import Figure, Unsupported
from tubewright.picture.seen import Sighting
from tubewright.simulate.photo_truth import Truth

GUNS = ("red", "green", "blue")


@dataclass(frozen=True, slots=True)
class Miss:
    """One figure: by how much it is off, and what it said of its own spread (0: it said nothing)."""

    what: str
    off: float
    sd: float


def place_misses(sighting: Sighting, truth: Truth) -> Iterator[Miss]:
    """Places of marks, pixels, per gun."""
    index = {(int(c), int(r)): n for n, (c, r) in enumerate(zip(truth.marks.column, truth.marks.row, strict=True))}
    marks = sighting.marks
    order = [index[int(c), int(r)] for c, r in zip(marks.column, marks.row, strict=True)]
    off = np.stack([marks.x_px, marks.y_px], axis=1) - truth.marks.photo_px[order]
    for n, gun in enumerate(marks.gun):
        for axis in (0, 1):
            yield Miss(f"place {GUNS[gun]}, px", float(off[n, axis]), float(marks.sd_px[n]))


def place_bounds(sighting: Sighting, truth: Truth) -> dict[str, float]:
    """Cramér-Rao bound of a mark's place per gun, pixels: photon and reading noise, mosaic's own samples only.

    Before demosaicing and JPEG; the shadow mask, whose dots place themselves and not the mark, is left out of it.
    """
    camera, marks = truth.scene.camera, sighting.marks
    green = sighting.maps[1] or next(m for m in sighting.maps if m is not None)
    width, height = sighting.raster.width_px, sighting.raster.height_px
    x, y = green(np.array([0.0, width - 1.0, 0.0]), np.array([height / 2, height / 2, 0.0]))
    scale_px = float(np.hypot(x[1] - x[0], y[1] - y[0])) / (width - 1)
    full, read = camera.full_electron_count or np.inf, camera.read_electron_count
    bounds = {}
    for gun in range(3):
        own = marks.gun == gun
        if not own.any():
            continue
        light, blur_x, blur_y = (float(np.median(a[own])) for a in (marks.light, marks.spread_x_px, marks.spread_y_px))
        information = 0.0
        wide, tall = _box_sizes(sighting)
        for lines in tall:
            u, v = (np.arange(-4, side + 4, 1 / scale_px) - side / 2 + 0.5 / scale_px for side in (wide, lines))
            across, along = _soft_box(u, wide, blur_x), _soft_box(v, lines, blur_y)
            model = light * np.outer(along, across)
            noise = model / full + (read / full) ** 2 + 1e-12
            slope = np.gradient(model, axis=1) if scale_px else model
            information += float((slope**2 / noise).sum()) / len(tall)
        share = {"none": 1.0}.get(camera.mosaic, 0.5 if gun == 1 else 0.25)
        bounds[f"place {GUNS[gun]}, px"] = 1 / np.sqrt(information * share)
    return bounds


def _box_sizes(sighting: Sighting) -> tuple[int, tuple[int, int]]:
    from tubewright.picture.patterns.survey import mark_heights_px, mark_width_px

    return mark_width_px(sighting.raster), mark_heights_px(sighting.raster)


def _soft_box(at: np.ndarray, side: float, blur: float) -> np.ndarray:
    from scipy.special import ndtr

    s = max(blur, 0.05)
    return np.asarray(ndtr((at + side / 2) / s) - ndtr((at - side / 2) / s))


def answer_misses(answer: Measurement, truth: Truth) -> Iterator[Miss]:
    """Everything that the answer gives a value for and the truth knows."""
    yield from _convergence(answer, truth)
    yield from _geometry(answer, truth)
    yield from _lines(answer, truth)
    yield from _light(answer, truth)


def _convergence(answer: Measurement, truth: Truth) -> Iterator[Miss]:
    found = answer.convergence
    if isinstance(found, Unsupported) or found.points is None:
        return
    points, marks = found.points, truth.marks
    index = {(int(c), int(r)): n for n, (c, r) in enumerate(zip(marks.column, marks.row, strict=True))}
    order = [index[int(c), int(r)] for c, r in zip(points.column, points.row, strict=True)]
    true = np.where((points.gun == 0)[:, None], marks.red_minus_green_mm[order], marks.blue_minus_green_mm[order])
    for n in range(len(points.gun)):
        for axis in (0, 1):
            off = float(points.error_mm[n, axis] - true[n, axis])
            yield Miss("convergence at marks, mm", off, float(points.sd_mm[n]))
            yield Miss("smooth convergence at marks, mm", float(points.smooth_mm[n, axis] - true[n, axis]), 0.0)


def _geometry(answer: Measurement, truth: Truth) -> Iterator[Miss]:
    found = answer.geometry
    if isinstance(found, Unsupported):
        return
    for edge, known in found.pincushion_pct.items():
        if isinstance(known, Figure):
            yield Miss("pincushion, %", known.value - truth.geometry["pincushion_pct"][edge], known.sd)
    for name in ("trapezoid_h_pct", "trapezoid_v_pct", "bow_vertical_axis_pct", "bow_horizontal_axis_pct"):
        known = getattr(found, name)
        if isinstance(known, Figure):
            yield Miss(f"{name.split('_')[0]}, %", known.value - truth.geometry[name], known.sd)
    for name in ("linearity_h_pct", "linearity_v_pct"):
        known = getattr(found, name)
        if isinstance(known, Figure):
            yield Miss("linearity, %", known.value - truth.geometry[name], known.sd)
    if isinstance(found.parallelogram_deg, Figure):
        yield Miss(
            "parallelogram, deg",
            found.parallelogram_deg.value - truth.geometry["parallelogram_deg"],
            found.parallelogram_deg.sd,
        )


def _lines(answer: Measurement, truth: Truth) -> Iterator[Miss]:
    curl = answer.top_curl
    if not isinstance(curl, Unsupported):
        if isinstance(curl.amplitude_mm, Figure):
            yield Miss("curl, mm", curl.amplitude_mm.value - truth.curl["amplitude_mm"], curl.amplitude_mm.sd)
        if isinstance(curl.settle_lines, Figure) and truth.curl["settle_lines"] > 0:
            true = truth.curl["settle_lines"]
            yield Miss("settling, share", curl.settle_lines.value / true - 1, curl.settle_lines.sd / true)
    hum = answer.hum
    if not isinstance(hum, Unsupported) and isinstance(hum.displacement_mm, Figure):
        yield Miss("hum, mm", hum.displacement_mm.value - truth.hum["displacement_mm"], hum.displacement_mm.sd)
    focus = answer.focus
    if not isinstance(focus, Unsupported):
        for way, zones in (("h_mm", focus.spot_h_mm), ("v_mm", focus.spot_v_mm)):
            known = zones.get("centre")
            if isinstance(known, Figure):
                yield Miss(f"spot {way[0]} in the middle, mm", known.value - truth.spot["centre"][way], known.sd)


def _light(answer: Measurement, truth: Truth) -> Iterator[Miss]:
    if not isinstance(answer.tracking, Unsupported):
        for gun, law in answer.tracking.guns.items():
            true = truth.laws[gun]
            if isinstance(law, Unsupported):
                continue
            for name in ("gamma_ratio", "black_drive_ratio", "shortfall_ratio"):
                known = getattr(law, name)
                if isinstance(known, Figure) and true[name] is not None:
                    yield Miss(
                        f"{name.removesuffix('_ratio')} of a gun", known.value - float(true[name] or 0), known.sd
                    )
            if isinstance(law.emission_reserve, Figure) and true["emission_reserve"]:
                ratio = law.emission_reserve.value / float(true["emission_reserve"])
                yield Miss(
                    "reserve of a gun, share", ratio - 1, law.emission_reserve.sd / float(true["emission_reserve"])
                )
    if not isinstance(answer.wear, Unsupported) and isinstance(answer.wear.depth_ratio, Figure):
        yield Miss(
            "depth of wear", answer.wear.depth_ratio.value - max(truth.wear["depth_ratio"]), answer.wear.depth_ratio.sd
        )
