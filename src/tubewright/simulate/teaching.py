"""Scenes to learn on: one fault each, on displays of an invented pier."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Final

import numpy as np

from tubewright.errors import Fault, InputError
from tubewright.picture.patterns.raster import Raster
from tubewright.simulate.display import Burn, Curl, GunTruth, Mask, Misconvergence, Ripple, Shape, Spot, Stain
from tubewright.simulate.photograph import Scene
from tubewright.simulate.scenes import RASTERS, burnt_in, framed, plain_scene


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """A scene to learn on.

    Attributes:
        name: What the command line calls it.
        place: The display it is set on.
        shows: What is wrong, and what a measurement should find.
        pattern: What the display is fed, unless something else is asked for.
    """

    name: str
    place: str
    shows: str
    pattern: str
    _make: Callable[[Scene], Scene]

    def scene(
        self, *, megapixels: float = 12.0, raster: Raster | None = None, pattern: str | None = None, seed: int = 0
    ) -> Scene:
        """The scene itself; ``seed`` changes the sensor's noise and the hand that holds the phone, not the display."""
        plain = plain_scene(
            raster=raster or RASTERS["arcade-15k-320x240"], pattern=pattern or self.pattern, megapixels=megapixels
        )
        rng = np.random.default_rng(seed)
        camera = replace(
            plain.camera,
            up_deg=float(rng.normal(2, 2)),
            right_deg=float(rng.normal(0, 3)),
            roll_deg=float(rng.normal(0, 1)),
            k1_ratio=0.012,
            red_fringe_px=0.8 * plain.camera.width_px / 4000,
            blue_fringe_px=-0.6 * plain.camera.width_px / 4000,
            exposure_s=1 / 15,
            colour_halved=True,
        )
        spot = Spot(h_mm=1.0, v_mm=0.8, corner_growth_ratio=0.2)
        display = replace(plain.display, mask=Mask(kind="slots", pitch_mm=0.7), spot=spot)
        return framed(self._make(replace(plain, display=display, camera=camera, seed=seed)), 0.93)


def _display(**faults: Any) -> Callable[[Scene], Scene]:  # noqa: ANN401 - fields of Display
    return lambda scene: replace(scene, display=replace(scene.display, **faults))


def _camera(**faults: Any) -> Callable[[Scene], Scene]:  # noqa: ANN401 - fields of Camera
    return lambda scene: replace(scene, camera=replace(scene.camera, **faults))


def _fringes(scene: Scene) -> Scene:
    per_px = scene.camera.width_px / 4000
    return replace(scene, camera=replace(scene.camera, red_fringe_px=3.0 * per_px, blue_fringe_px=-3.0 * per_px))


def _moved(scene: Scene) -> Scene:
    per_px = scene.camera.width_px / 4000
    return replace(scene, camera=replace(scene.camera, motion_px=(12.0 * per_px, 7.0 * per_px)))


def _untagged(scene: Scene) -> Scene:
    return replace(scene, room=replace(scene.room, strips=()))


LESSONS: Final[Mapping[str, Lesson]] = MappingProxyType(
    {
        lesson.name: lesson
        for lesson in (
            Lesson(
                name="sound",
                place="Quillback Run, upright",
                shows="Nothing is wrong: every figure should come out near zero.",
                pattern="survey",
                _make=lambda scene: scene,
            ),
            Lesson(
                name="curl",
                place="Tidewheel, pier hall 5",
                shows="The top of the picture leans 3.2 mm to the right and has settled after some 45 lines.",
                pattern="survey",
                _make=_display(curl=Curl(amplitude_mm=3.2, decay_lines=15.0)),
            ),
            Lesson(
                name="swinging-curl",
                place="Moth Harbour, pier hall 8",
                shows="The top swings to the left by 2.4 mm and over to the other side before it settles.",
                pattern="survey",
                _make=_display(curl=Curl(amplitude_mm=-2.4, decay_lines=14.0, swing_lines=48.0)),
            ),
            Lesson(
                name="rings-turned",
                place="Nine Lanterns, pier hall 3",
                shows="Red and blue lie apart all over the picture: 0.7 mm to the sides, 0.4 mm up and down.",
                pattern="survey",
                _make=_display(misconvergence=Misconvergence(four_pole_mm=(0.35, -0.2), six_pole_mm=(0.1, 0.05))),
            ),
            Lesson(
                name="yoke-tilted",
                place="Ferrule Four, pier hall 1",
                shows="The middle converges; red and blue cross over towards the edges by 0.6 mm.",
                pattern="survey",
                _make=_display(misconvergence=Misconvergence(crossed_mm=(0.3, 0.25))),
            ),
            Lesson(
                name="out-of-shape",
                place="Saltpan Rally, upright",
                shows="The sides bend in by 1.5 and 2 %, the top is 2 % wider than the bottom, all is turned 1 degree.",
                pattern="survey",
                _make=_display(
                    shape=Shape(
                        pincushion_left_pct=1.5,
                        pincushion_right_pct=2.0,
                        trapezoid_h_pct=2.0,
                        rotation_deg=1.0,
                        linearity_v_tilt_pct=3.0,
                    )
                ),
            ),
            Lesson(
                name="hum",
                place="Brasswhistle Derby, sit-down",
                shows="The picture sways by 1.2 mm and gets darker and lighter by 8 % once over its height.",
                pattern="survey",
                _make=_display(ripple=Ripple(displacement_mm=1.2, brightness_pct=8.0, period_lines=240.0)),
            ),
            Lesson(
                name="soft",
                place="Kelp Cavern, upright",
                shows="The spot is 1.9 mm wide in the middle and twice that in the corners: focus is off.",
                pattern="survey",
                _make=_display(spot=Spot(h_mm=1.9, v_mm=1.5, corner_growth_ratio=1.0)),
            ),
            Lesson(
                name="spent-red",
                place="Lamplight Ferry, big upright",
                shows="The red gun flattens above half drive: its cathode has little more to give.",
                pattern="survey_light",
                _make=_display(guns=(GunTruth(reserve_ratio=0.9, strength_ratio=0.9), GunTruth(), GunTruth())),
            ),
            Lesson(
                name="stained",
                place="Cobble Court, small upright",
                shows="The lower left corner has changed colour: a quarter of each beam lands beside its own phosphor.",
                pattern="survey_light",
                _make=_display(stains=(Stain(x_mm=-140.0, y_mm=100.0, radius_mm=60.0, share=0.25),)),
            ),
            Lesson(
                name="burnt-in",
                place="Pell-Mell Pier, upright",
                shows="A score line and boxes have burnt in; the worst of them has lost 18 % of its light.",
                pattern="survey_light",
                _make=_display(
                    burn=Burn(shape_share=burnt_in(np.random.default_rng(5)), depth_ratio=(0.15, 0.18, 0.17))
                ),
            ),
            Lesson(
                name="fringes",
                place="Quillback Run, upright, through a poor lens",
                shows="The tube converges; the lens draws red and blue 3 px off green in the photograph's corners.",
                pattern="survey",
                _make=_fringes,
            ),
            Lesson(
                name="no-tags",
                place="Grebe and Gull, cocktail table",
                shows="No tags lie beside the picture: what a tilted phone can imitate is not told.",
                pattern="survey",
                _make=_untagged,
            ),
            Lesson(
                name="hasty",
                place="Quillback Run, upright, by a hasty hand",
                shows="The phone moved by 14 px while the shutter was open: shoot it again.",
                pattern="survey",
                _make=_moved,
            ),
            Lesson(
                name="too-bright",
                place="Quillback Run, upright, overexposed",
                shows="The marks are burnt out: expose less and shoot again.",
                pattern="survey",
                _make=_camera(white_level=4.0),
            ),
        )
    }
)


def find_lesson(name: str) -> Lesson:
    """The lesson of that name.

    Raises:
        InputError: There is none.
    """
    if name not in LESSONS:
        raise InputError(
            Fault(what=f"there is no scene {name[:40]!r}", where="--scene", mend=f"Take one of: {', '.join(LESSONS)}.")
        )
    return LESSONS[name]
