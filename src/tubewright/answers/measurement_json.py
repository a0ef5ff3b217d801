"""The published body of ``measure``: JSON's own values, ``None`` beside a reason for what can't be told."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from tubewright.answers.measurement import (
    EDGES,
    FORMAT,
    GUNS,
    ZONES,
    Convergence,
    ConvergencePoints,
    Figure,
    Known,
    Measurement,
    Purity,
    Quality,
    Scale,
    Unsupported,
    Vector,
    Zone,
    convergence_grid,
)

Body = dict[str, object]
Name = TypeVar("Name", bound=str)

_NO_BOUND = Unsupported(reason="no bound of the reserve came out", would_settle="an emission reading")
_TOO_FEW = Unsupported(reason="too few marks were seen there", would_settle="a photograph of the whole picture")


@dataclass(slots=True)
class _Writer:
    """Writes figures, and remembers under which path each that is missing stands, with its reason."""

    unsupported: dict[str, dict[str, str]] = field(default_factory=dict)

    def missing(self, path: str, why: Unsupported) -> None:
        self.unsupported[path] = {"reason": why.reason, "would_settle": why.would_settle}

    def figure(self, path: str, known: Known | None) -> Body | None:
        """A figure with its spread."""
        if isinstance(known, Figure):
            if math.isfinite(known.value) and math.isfinite(known.sd):
                tenth = 1.2816 * known.sd  # a normal law keeps 80 % within this of its middle
                return {
                    "median": plain(known.value),
                    "p10": plain(known.value - tenth),
                    "p90": plain(known.value + tenth),
                }
            known = Unsupported(reason="the figure did not come out", would_settle="another photograph")
        self.missing(path, known or _TOO_FEW)
        return None

    def figures(self, path: str, known: Mapping[Name, Known]) -> Body:
        return {name: self.figure(f"{path}.{name}", one) for name, one in known.items()}

    def record(self, path: str, whole: object, names: Mapping[str, str]) -> Body | None:
        """A part of plain figures: published name to the name of its field; or nothing, with the reason."""
        if isinstance(whole, Unsupported):
            self.missing(path, whole)
            return None
        return {
            published: self.figure(f"{path}.{published}", getattr(whole, name)) for published, name in names.items()
        }


def to_json(answer: Measurement, *, points: bool = False) -> Body:
    """The published body of ``measure``; holds only what JSON can carry.

    Args:
        answer: The answer.
        points: Whether to add every mark.

    Returns:
        A dictionary in the form of the contract. A figure that the photographs can't support is ``None``, and its
        path stands in ``unsupported`` with the reason.
    """
    write = _Writer()
    body: Body = {
        "format": FORMAT,
        "accepted": answer.accepted,
        "refused_because": None if answer.accepted else _sentences(answer.refused_because, answer.shoot_better),
        "quality": _quality(answer),
        "orientation": {
            "rotated_deg": plain(answer.rotated_deg),
            "mirrored": answer.mirrored,
        },
        "scale": _scale(answer.scale, write),
        "convergence": _convergence(answer.convergence, write),
        "geometry": _geometry(answer, write),
        "top_curl": write.record(
            "top_curl",
            answer.top_curl,
            {"amplitude_mm": "amplitude_mm", "settle_lines": "settle_lines", "overshoot": "overshoot_ratio"},
        ),
        "hum": write.record(
            "hum",
            answer.hum,
            {name: name for name in ("displacement_mm", "brightness_pct", "period_lines")},
        ),
        "focus": _focus(answer, write),
        "purity": _purity(answer.purity, write),
        "tracking": _tracking(answer, write),
        "wear": _wear(answer, write),
        "unsupported": write.unsupported,
        "model": {
            "version": answer.model_version,
            "pattern": answer.pattern or None,
            "raster": answer.raster.name if answer.raster else None,
        },
    }
    if points:
        found = answer.convergence.points if isinstance(answer.convergence, Convergence) else None
        body["points"] = [] if found is None else _points(found)
    return body


def plain(value: float | None) -> float | None:
    """Round to five significant digits; more would be false precision."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.5g}")


def _sentences(*parts: str) -> str:
    return " ".join(f"{part.rstrip('.')}." for part in parts if part)


def _quality(answer: Measurement) -> Body:
    quality = answer.quality or Quality(
        exposure="unknown",
        exposure_s=None,
        fields_in_exposure_count=None,
        clipped_pct=None,
        banding_pct=None,
        sharpness_px=None,
        warnings=(),
    )
    return {
        "exposure": quality.exposure,
        "exposure_s": plain(quality.exposure_s),
        "fields_in_exposure": plain(quality.fields_in_exposure_count),
        "sharpness": plain(quality.sharpness_px),
        "clipping": plain(quality.clipped_pct),
        "banding": plain(quality.banding_pct),
        "warnings": list(quality.warnings),
        "notes": list(answer.notes),
        "photos": [
            {
                "name": photo.name,
                "pattern": photo.pattern or None,
                "refused_because": _sentences(photo.refused_because, photo.shoot_better) or None,
                "used_for": list(photo.used_for),
                "warnings": list(photo.warnings),
            }
            for photo in answer.photos
        ],
    }


def _scale(scale: Scale | Unsupported, write: _Writer) -> Body:
    if isinstance(scale, Unsupported):
        for name in ("mm_per_px", "width_mm", "height_mm"):
            write.missing(f"scale.{name}", scale)
        return {"mm_per_px": None, "reference": "none", "width_mm": None, "height_mm": None}
    return {
        "mm_per_px": write.figure("scale.mm_per_px", scale.mm_per_px),
        "reference": scale.reference,
        "width_mm": write.figure("scale.width_mm", scale.width_mm),
        "height_mm": write.figure("scale.height_mm", scale.height_mm),
    }


def _convergence(found: Convergence | Unsupported, write: _Writer) -> Body | None:
    if isinstance(found, Unsupported):
        write.missing("convergence", found)
        return None
    grid = [] if found.points is None else convergence_grid(found.points)
    return {
        "red_minus_green_mm": _zones("convergence.red_minus_green_mm", found.red_minus_green, write),
        "blue_minus_green_mm": _zones("convergence.blue_minus_green_mm", found.blue_minus_green, write),
        "worst_mm": write.figure("convergence.worst_mm", found.worst_mm),
        "worst_zone": found.worst_zone,
        "fringes": found.fringes,
        "grid": [
            {
                "x_mm": plain(node.x_mm),
                "y_mm": plain(node.y_mm),
                "red_minus_green_mm": _pair(node.red_minus_green_mm),
                "blue_minus_green_mm": _pair(node.blue_minus_green_mm),
            }
            for node in grid
        ],
    }


def _pair(pair: tuple[float, float] | None) -> Body | None:
    return None if pair is None else {"x": plain(pair[0]), "y": plain(pair[1])}


def _zones(path: str, zones: Mapping[Zone, Vector] | Unsupported, write: _Writer) -> Body | None:
    if isinstance(zones, Unsupported):
        write.missing(path, zones)
        return None
    body: Body = {}
    for zone in ZONES:
        vector = zones.get(zone)
        if vector is None or not all(math.isfinite(v) for v in (vector.x_mm, vector.y_mm, vector.sd_mm)):
            write.missing(f"{path}.{zone}", _TOO_FEW)
            body[zone] = None
        else:
            body[zone] = {"x": plain(vector.x_mm), "y": plain(vector.y_mm), "sd": plain(vector.sd_mm)}
    return body


def _geometry(answer: Measurement, write: _Writer) -> Body | None:
    found = answer.geometry
    if isinstance(found, Unsupported):
        write.missing("geometry", found)
        return None
    pincushion = {edge: found.pincushion_pct.get(edge, _TOO_FEW) for edge in EDGES}
    hidden = Unsupported(
        reason="neither tags nor a bezel show where the visible part ends",
        would_settle="look how much of the pattern's edge is hidden",
    )
    overscan = {edge: found.overscan_pct.get(edge, hidden) for edge in EDGES}
    single = (
        "trapezoid_h_pct",
        "trapezoid_v_pct",
        "rotation_deg",
        "parallelogram_deg",
        "bow_vertical_axis_pct",
        "bow_horizontal_axis_pct",
        "linearity_h_pct",
        "linearity_v_pct",
    )
    flat = Unsupported(
        reason="the camera's pose could not be solved", would_settle="the printed tags beside the picture"
    )
    return {
        "pincushion_pct": write.figures("geometry.pincushion_pct", pincushion),
        **{name: write.figure(f"geometry.{name}", getattr(found, name)) for name in single},
        "overscan_pct": write.figures("geometry.overscan_pct", overscan),
        "glass_radius_mm": write.figure("geometry.glass_radius_mm", found.glass_radius_mm or flat),
        "camera_tilt_deg": write.figure("geometry.camera_tilt_deg", found.camera_tilt_deg or flat),
    }


def _focus(answer: Measurement, write: _Writer) -> Body | None:
    found = answer.focus
    if isinstance(found, Unsupported):
        write.missing("focus", found)
        return None
    return {
        "spot_h_mm": write.figures("focus.spot_h_mm", {z: found.spot_h_mm.get(z, _TOO_FEW) for z in ZONES}),
        "spot_v_mm": write.figures("focus.spot_v_mm", {z: found.spot_v_mm.get(z, _TOO_FEW) for z in ZONES}),
        "camera_blur": found.camera_blur,
    }


def _purity(found: Purity | Unsupported, write: _Writer) -> Body | None:
    if isinstance(found, Unsupported):
        write.missing("purity", found)
        return None
    return {
        "shift": {
            gun: write.figures(
                f"purity.shift.{gun}", {z: found.shift_ratio.get(gun, {}).get(z, _TOO_FEW) for z in ZONES}
            )
            for gun in GUNS
        },
        "worst": write.figures("purity.worst", {gun: found.worst_ratio.get(gun, _TOO_FEW) for gun in GUNS}),
    }


def _tracking(answer: Measurement, write: _Writer) -> Body | None:
    found = answer.tracking
    if isinstance(found, Unsupported):
        write.missing("tracking", found)
        return None
    guns: Body = {}
    for gun in GUNS:
        path, law = f"tracking.guns.{gun}", found.guns.get(gun, _TOO_FEW)
        if isinstance(law, Unsupported):
            write.missing(path, law)
            guns[gun] = None
            continue
        straight = Unsupported(reason="the gun follows its law to full drive", would_settle="nothing; that is good")
        guns[gun] = {
            **{
                name: write.figure(f"{path}.{name}", getattr(law, f"{name}_ratio")) for name in ("gamma", "black_drive")
            },
            "bends_at": write.figure(f"{path}.bends_at", law.bends_at_ratio or straight),
            "shortfall": write.figure(f"{path}.shortfall", law.shortfall_ratio),
            "emission_reserve": write.figure(f"{path}.emission_reserve", law.emission_reserve),
            "reserve_at_least": plain(law.reserve_at_least),
            "strength": write.figure(f"{path}.strength", law.strength_ratio),
        }
        if plain(law.reserve_at_least) is None:
            write.missing(
                f"{path}.reserve_at_least",
                law.emission_reserve if isinstance(law.emission_reserve, Unsupported) else _NO_BOUND,
            )
    return {"guns": guns, "white_drift_du_v": write.figure("tracking.white_drift_du_v", found.white_drift_du_v)}


def _wear(answer: Measurement, write: _Writer) -> Body | None:
    found = answer.wear
    body = write.record("wear", found, {"depth": "depth_ratio", "area_pct": "area_pct"})
    if body is not None and not isinstance(found, Unsupported):
        body["at_zone"] = found.at_zone
    return body


def _points(points: ConvergencePoints) -> list[Body]:
    return [
        {
            "gun": GUNS[int(points.gun[n])],
            "column": int(points.column[n]),
            "row": int(points.row[n]),
            "x_mm": plain(float(points.at_mm[n, 0])),
            "y_mm": plain(float(points.at_mm[n, 1])),
            "dx_mm": plain(float(points.error_mm[n, 0])),
            "dy_mm": plain(float(points.error_mm[n, 1])),
            "sd_mm": plain(float(points.sd_mm[n])),
            "smooth_dx_mm": plain(float(points.smooth_mm[n, 0])),
            "smooth_dy_mm": plain(float(points.smooth_mm[n, 1])),
            "photo_x_px": plain(float(points.photo_px[n, 0])),
            "photo_y_px": plain(float(points.photo_px[n, 1])),
        }
        for n in range(points.gun.size)
    ]
