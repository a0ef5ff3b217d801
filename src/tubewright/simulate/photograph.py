"""Takes photographs of displays that never were, each with its truth.

from tubewright.simulate.photograph import take
from tubewright.simulate.scenes import plain_scene

shot = take(plain_scene(megapixels=12))
shot.jpeg                       # the file's bytes, with EXIF
shot.truth.marks.photo_px       # where each mark truly is, (n, 2)
shot.truth.as_json()            # everything, as plain data
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tubewright.simulate.camera import Camera
from tubewright.simulate.display import Display
from tubewright.simulate.glass import Glass, Room
from tubewright.simulate.photo_truth import Truth, truth_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """Everything that makes a photograph; the same scene gives the same bytes.

    Attributes:
        display: The display and what it is fed.
        glass: Its faceplate.
        room: Light and tags beside it.
        camera: The camera.
        seed: Of the sensor's noise.
    """

    display: Display
    glass: Glass = field(default_factory=Glass)
    room: Room = field(default_factory=Room)
    camera: Camera = field(default_factory=Camera)
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photograph:
    """A photograph: the file's bytes, and the truth behind it."""

    jpeg: bytes
    truth: Truth


def take(scene: Scene) -> Photograph:
    """Photograph a scene."""
    from tubewright.simulate.sensor import jpeg

    return Photograph(jpeg=jpeg(expose(scene), scene.camera), truth=truth_of(scene))


def expose(scene: Scene) -> NDArray[np.uint8]:
    """The camera's upright picture before it is stored, (height, width, 3), red, green, blue."""
    from tubewright.simulate.light import sensor_light
    from tubewright.simulate.sensor import develop

    return develop(sensor_light(scene), scene.camera, np.random.default_rng(scene.seed))
