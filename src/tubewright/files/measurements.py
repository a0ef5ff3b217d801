"""A kept measurement as an answer again: the published body read back into its types.

What the body leaves out stays out: the single marks, the curl line by line. Both
are in the drawing that is kept beside it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final

from tubewright.answers.measurement import (
    EDGES,
    FORMAT,
    GUNS,
    ZONES,
    Convergence,
    Figure,
    Focus,
    Geometry,
    GunLaw,
    Hum,
    Known,
    Measurement,
    PhotoNote,
    Purity,
    Quality,
    Raster,
    Scale,
    TopCurl,
    Tracking,
    Unsupported,
    Vector,
    Wear,
    Zone,
)
from tubewright.errors import Fault, InputError

_TENTH: Final = 1.2816
"""From the middle of a normal law to its tenth part, in standard deviations; as the body was written with."""


def measurement_from_json(text: str, rasters: Mapping[str, Raster]) -> Measurement:
    """The answer that :func:`tubewright.answers.measurement_json.to_json` wrote, figures as they were rounded there.

    Args:
        text: The body.
        rasters: Those that are known by name; one that isn't any more is left out.

    Raises:
        InputError: The text is no such body; the record came from elsewhere or is damaged.
    """
    try:
        return _Reader(json.loads(text), rasters).whole()
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            Fault(
                what=f"this measurement can't be read back ({type(error).__name__}: {error})",
                where="measurement",
                mend="Measure again: the photographs are kept.",
            )
        ) from error


class _Reader:
    """Reads parts of the body, and the reason for each that is missing."""

    def __init__(self, body: Mapping[str, Any], rasters: Mapping[str, Raster]) -> None:
        if body["format"] != FORMAT:
            raise ValueError(f"format {body['format']!r}")
        self.body, self.rasters = body, rasters
        self.reasons: Mapping[str, Any] = body["unsupported"]

    def whole(self) -> Measurement:
        body, quality = self.body, self.body["quality"]
        return Measurement(
            accepted=bool(body["accepted"]),
            refused_because=str(body["refused_because"] or ""),
            photos=tuple(
                PhotoNote(
                    name=note["name"],
                    pattern=note["pattern"] or "",
                    refused_because=note["refused_because"] or "",
                    used_for=tuple(note["used_for"]),
                    warnings=tuple(note["warnings"]),
                )
                for note in quality["photos"]
            ),
            quality=Quality(
                exposure=quality["exposure"],
                exposure_s=quality["exposure_s"],
                fields_in_exposure_count=quality["fields_in_exposure"],
                clipped_pct=quality["clipping"],
                banding_pct=quality["banding"],
                sharpness_px=quality["sharpness"],
                warnings=tuple(quality["warnings"]),
            ),
            pattern=body["model"]["pattern"] or "",
            raster=self.rasters.get(body["model"]["raster"] or ""),
            rotated_deg=body["orientation"]["rotated_deg"],
            mirrored=body["orientation"]["mirrored"],
            scale=self.scale(),
            convergence=self.convergence(),
            geometry=self.geometry(),
            top_curl=self.part("top_curl") or TopCurl(
                amplitude_mm=self.figure("top_curl.amplitude_mm"),
                settle_lines=self.figure("top_curl.settle_lines"),
                overshoot_ratio=self.figure("top_curl.overshoot"),
                profile=None,
            ),
            hum=self.part("hum") or Hum(
                displacement_mm=self.figure("hum.displacement_mm"),
                brightness_pct=self.figure("hum.brightness_pct"),
                period_lines=self.figure("hum.period_lines"),
            ),
            focus=self.part("focus") or Focus(
                spot_h_mm={zone: self.figure(f"focus.spot_h_mm.{zone}") for zone in ZONES},
                spot_v_mm={zone: self.figure(f"focus.spot_v_mm.{zone}") for zone in ZONES},
                camera_blur=body["focus"]["camera_blur"],
            ),
            purity=self.part("purity") or Purity(
                shift_ratio={
                    gun: {zone: self.figure(f"purity.shift.{gun}.{zone}") for zone in ZONES} for gun in GUNS
                },
                worst_ratio={gun: self.figure(f"purity.worst.{gun}") for gun in GUNS},
            ),
            tracking=self.part("tracking") or Tracking(
                guns={gun: self.part(f"tracking.guns.{gun}") or self.law(gun) for gun in GUNS},
                white_drift_du_v=self.figure("tracking.white_drift_du_v"),
            ),
            wear=self.part("wear") or Wear(
                depth_ratio=self.figure("wear.depth"),
                area_pct=self.figure("wear.area_pct"),
                at_zone=body["wear"]["at_zone"],
            ),
            model_version=str(body["model"]["version"]),
            notes=tuple(quality["notes"]),
        )  # fmt: skip

    def at(self, path: str) -> Any:  # noqa: ANN401 - whatever JSON holds
        """What stands at a path of the body."""
        found: Any = self.body
        for name in path.split("."):
            found = found[name]
        return found

    def part(self, path: str) -> Unsupported | None:
        """Why a part is missing, or nothing if it is there."""
        return self.reason(path) if self.at(path) is None else None

    def reason(self, path: str) -> Unsupported:
        return Unsupported(**self.reasons[path])

    def figure(self, path: str) -> Known:
        found = self.at(path)
        if found is None:
            return self.reason(path)
        spread = (float(found["p90"]) - float(found["p10"])) / (2 * _TENTH)
        return Figure(value=float(found["median"]), sd=spread)

    def scale(self) -> Scale | Unsupported:
        found = self.body["scale"]
        sizes = {name: self.figure(f"scale.{name}") for name in ("width_mm", "height_mm", "mm_per_px")}
        missing = next((one for one in sizes.values() if isinstance(one, Unsupported)), None)
        if missing is not None:
            return missing
        known = {name: one for name, one in sizes.items() if isinstance(one, Figure)}
        return Scale(**known, reference=found["reference"])

    def convergence(self) -> Convergence | Unsupported:
        missing = self.part("convergence")
        if missing is not None:
            return missing
        found = self.body["convergence"]
        return Convergence(
            red_minus_green=self.zones("convergence.red_minus_green_mm"),
            blue_minus_green=self.zones("convergence.blue_minus_green_mm"),
            worst_mm=self.figure("convergence.worst_mm"),
            worst_zone=found["worst_zone"],
            points=None,
            fringes=found["fringes"],
        )

    def zones(self, path: str) -> Mapping[Zone, Vector] | Unsupported:
        missing = self.part(path)
        if missing is not None:
            return missing
        found = self.at(path)
        return {
            zone: Vector(x_mm=float(found[zone]["x"]), y_mm=float(found[zone]["y"]), sd_mm=float(found[zone]["sd"]))
            for zone in ZONES
            if found[zone] is not None
        }

    def geometry(self) -> Geometry | Unsupported:
        missing = self.part("geometry")
        if missing is not None:
            return missing

        def one(name: str) -> Known:
            return self.figure(f"geometry.{name}")

        return Geometry(
            pincushion_pct={edge: one(f"pincushion_pct.{edge}") for edge in EDGES},
            trapezoid_h_pct=one("trapezoid_h_pct"),
            trapezoid_v_pct=one("trapezoid_v_pct"),
            rotation_deg=one("rotation_deg"),
            parallelogram_deg=one("parallelogram_deg"),
            bow_vertical_axis_pct=one("bow_vertical_axis_pct"),
            bow_horizontal_axis_pct=one("bow_horizontal_axis_pct"),
            linearity_h_pct=one("linearity_h_pct"),
            linearity_v_pct=one("linearity_v_pct"),
            overscan_pct={edge: one(f"overscan_pct.{edge}") for edge in EDGES},
            glass_radius_mm=one("glass_radius_mm"),
            camera_tilt_deg=one("camera_tilt_deg"),
        )

    def law(self, gun: str) -> GunLaw:
        path = f"tracking.guns.{gun}"
        bends = self.figure(f"{path}.bends_at")
        return GunLaw(
            gamma_ratio=self.figure(f"{path}.gamma"),
            black_drive_ratio=self.figure(f"{path}.black_drive"),
            bends_at_ratio=bends,
            shortfall_ratio=self.figure(f"{path}.shortfall"),
            emission_reserve=self.figure(f"{path}.emission_reserve"),
            strength_ratio=self.figure(f"{path}.strength"),
            reserve_at_least=self.at(f"{path}.reserve_at_least"),
        )
