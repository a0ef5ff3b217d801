"""What ``measure --json`` would say of a display on the simulated bench, with errors drawn as they are stated."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tubewright.simulate.display import Display
from tubewright.simulate.display_truth import convergence_truth, geometry_truth

if TYPE_CHECKING:
    from tubewright.simulate.controls import Bench

Body = dict[str, Any]
ZONES: Final = ("top_left", "top", "top_right", "left", "centre", "right", "bottom_left", "bottom", "bottom_right")
GUNS: Final = ("red", "green", "blue")
TENTH: Final = 1.2816
"""From a normal law's middle to its tenth part, in standard deviations."""


class Figures:
    """Writes the body of one photograph; ``exact`` leaves its errors out."""

    def __init__(self, bench: Bench, rng: np.random.Generator, *, exact: bool) -> None:
        self.bench, self.rng, self.share = bench, rng, 0.0 if exact else 1.0
        self.why: dict[str, dict[str, str]] = {}

    def known(self, value: float, sd: float) -> Body:
        """A figure with its spread, its error drawn from it."""
        value += self.share * float(self.rng.normal(0, sd))
        return {"median": value, "p10": value - TENTH * sd, "p90": value + TENTH * sd}

    def missing(self, path: str) -> None:
        """Say that a part is left out."""
        self.why[path] = {"reason": "the simulated bench leaves it out", "would_settle": "nothing"}

    def body(self) -> Body:
        """The whole body, in the published form."""
        bench, noise = self.bench, self.bench.noise
        display = bench.display()
        truth = geometry_truth(display)
        size = {"width_mm": display.width_mm, "height_mm": display.height_mm}
        for path in ("hum", "tracking", "wear", "geometry.glass_radius_mm", "geometry.camera_tilt_deg"):
            self.missing(path)
        for path in ("settle_lines", "overshoot"):
            self.missing(f"top_curl.{path}")
        bow = {
            edge: self.known(truth["pincushion_pct"][edge], noise.bow_pct)
            for edge in ("top", "bottom", "left", "right")
        }
        spot = math.hypot(bench.state.best_spot_mm, bench.gains["focus"] * bench.state.focus_turn * 2)
        return {
            "format": 1,
            "accepted": True,
            "refused_because": None,
            "quality": {
                "exposure": "good",
                "exposure_s": None,
                "fields_in_exposure": None,
                "sharpness": None,
                "clipping": None,
                "banding": None,
                "warnings": [],
                "notes": [],
                "photos": [],
            },
            "orientation": {"rotated_deg": 0.0, "mirrored": False},
            "scale": {
                "reference": "tags",
                "mm_per_px": self.known(0.2, 0.0004),
                **{name: self.known(value, noise.size_ratio * value) for name, value in size.items()},
            },
            "convergence": self.convergence(display),
            "geometry": {
                "pincushion_pct": bow,
                **{name: self.known(truth[name], noise.trapezoid_pct)
                   for name in ("trapezoid_h_pct", "trapezoid_v_pct")},
                **{name: self.known(truth[name], noise.rotation_deg) for name in ("rotation_deg", "parallelogram_deg")},
                **{name: self.known(truth[name], noise.bow_pct)
                   for name in ("bow_vertical_axis_pct", "bow_horizontal_axis_pct")},
                **{name: self.known(truth[name], noise.linearity_pct)
                   for name in ("linearity_h_pct", "linearity_v_pct")},
                "overscan_pct": self.overscan(display),
                "glass_radius_mm": None,
                "camera_tilt_deg": None,
            },
            "top_curl": {
                "amplitude_mm": self.known(bench.state.curl_mm, noise.curl_mm),
                "settle_lines": None,
                "overshoot": None,
            },
            "hum": None,
            "focus": {
                "spot_h_mm": {zone: self.known(spot, noise.spot_mm) for zone in ZONES},
                "spot_v_mm": {zone: self.known(spot * 0.95, noise.spot_mm) for zone in ZONES},
                "camera_blur": "taken_off",
            },
            "purity": self.purity(),
            "tracking": None,
            "wear": None,
            "unsupported": self.why,
            "model": {"version": "1", "pattern": "survey", "raster": None},
        }  # fmt: skip

    def overscan(self, display: Display) -> Body:
        """Hidden share by edge; an edge that stands in view hides nothing."""
        wide, tall = self.bench.opening_mm
        shape, sd = display.shape, self.bench.noise.overscan_pct
        edges = {
            "left": (display.width_mm / 2 - shape.shift_x_mm - wide / 2) / display.width_mm,
            "right": (display.width_mm / 2 + shape.shift_x_mm - wide / 2) / display.width_mm,
            "top": (display.height_mm / 2 - shape.shift_y_mm - tall / 2) / display.height_mm,
            "bottom": (display.height_mm / 2 + shape.shift_y_mm - tall / 2) / display.height_mm,
        }
        return {
            name: self.known(100 * share, sd) if share > 0 else self.known(0.0, 0.0) for name, share in edges.items()
        }

    def convergence(self, display: Display) -> Body:
        """Nine zones of both outer guns, which share green's error, and the worst place."""
        found, sd = convergence_truth(display), self.bench.noise.convergence_mm
        green = {zone: self.rng.normal(0, sd * math.sqrt(0.5), 2) for zone in ZONES}
        body: Body = {}
        for pair in ("red_minus_green", "blue_minus_green"):
            body[f"{pair}_mm"] = {
                zone: dict(
                    zip(
                        ("x", "y"),
                        np.array(found[pair]["middle"][zone])
                        + self.share * (self.rng.normal(0, sd * math.sqrt(0.5), 2) - green[zone]),
                        strict=True,
                    )
                )
                | {"sd": sd}
                for zone in ZONES
            }
        worst, zone = max((math.hypot(*found[pair]["at"][zone]), zone) for pair in found for zone in ZONES)
        return body | {"worst_mm": self.known(worst, 1.5 * sd), "worst_zone": zone, "fringes": "tags", "grid": []}

    def purity(self) -> Body:
        """Light astray by gun and zone."""
        shares, sd = self.bench.purity_share(), self.bench.noise.purity_share
        shift = {gun: {zone: self.known(share, sd) for zone, share in shares.items()} for gun in GUNS}
        return {
            "shift": shift,
            "worst": {gun: max(by.values(), key=lambda one: abs(one["median"])) for gun, by in shift.items()},
        }
