"""Photographs of printed strips drawn for tests, from nothing but the published layout of the sheet.

Every channel is drawn over again where its own lateral colour puts it: the strip's
black and white cells are looked up for several places in each pixel, in linear
light; then blur, noise behind a mosaic, the curve of sRGB and a JPEG.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tubewright.picture.patterns.tags import STRIP_HEIGHT_MM, STRIP_WIDTH_MM, TAGS_PER_STRIP, draw_tag, strip_tags


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What is photographed, and how."""

    strips: dict[int, NDArray[np.float64]]
    """By strip: the homography from millimetres to pixels, (3, 3)."""
    size: tuple[int, int] = (900, 1200)
    paper: float = 0.06
    ink: float = 0.006
    dark: float = 0.003
    blur_px: tuple[float, float, float] = (0.9, 0.9, 0.9)
    motion_px: float = 0.0
    """Length of a movement of the camera along x."""
    noise: float = 0.003
    """Standard deviation at the paper's light, behind the mosaic."""
    magnify: tuple[float, float] = (0.0, 0.0)
    """Lateral colour: by how much red and blue lie farther from the picture's middle, as a share."""
    mosaic: bool = True
    quality: int | None = 92
    subsampling: int = 2
    fine: int = 4
    """Places looked up in each pixel, along either side."""
    seed: int = 1
    backdrop: NDArray[np.float64] | None = field(default=None)


def laid(
    x_px: float, y_px: float, scale_px_mm: float, turn_deg: float, tilt: tuple[float, float] = (0, 0)
) -> NDArray[np.float64]:
    """A homography that lays a strip with its middle at a place, turned and seen at a slant (per metre of strip)."""
    turn = np.radians(turn_deg)
    centre = np.array([[1, 0, -STRIP_WIDTH_MM / 2], [0, 1, -STRIP_HEIGHT_MM / 2], [0, 0, 1.0]])
    c, s = scale_px_mm * np.cos(turn), scale_px_mm * np.sin(turn)
    place = np.array([[c, -s, x_px], [s, c, y_px], [0, 0, 1.0]])
    slant = np.array([[1, 0, 0], [0, 1, 0], [tilt[0] / 1000, tilt[1] / 1000, 1.0]])
    return np.asarray(place @ slant @ centre)


def true_corners(scene: Scene, number: int, channel: int = 1) -> NDArray[np.float64]:
    """Where a tag's corners lie in the photograph, (4, 2), in one channel."""
    tag = strip_tags(number // TAGS_PER_STRIP)[number % TAGS_PER_STRIP]
    mm = np.array(tag.corners_mm)
    at = np.column_stack([mm, np.ones(4)]) @ scene.strips[tag.strip].T
    middle = (np.array(scene.size[::-1]) - 1) / 2
    grown = 1 + (scene.magnify[0], 0.0, scene.magnify[1])[channel]
    return np.asarray(middle + grown * (at[:, :2] / at[:, 2:] - middle))


def light_of(scene: Scene) -> NDArray[np.float64]:
    """The scene in linear light, without blur or noise, (height, width, 3)."""
    height, width = scene.size
    fine = scene.fine
    light = np.full((height, width, 3), scene.dark) if scene.backdrop is None else scene.backdrop.copy()
    for strip, lay in scene.strips.items():
        card = _card(strip)
        outline = np.array([(0, 0), (STRIP_WIDTH_MM, 0), (STRIP_WIDTH_MM, STRIP_HEIGHT_MM), (0, STRIP_HEIGHT_MM)])
        at = np.column_stack([outline, np.ones(4)]) @ lay.T
        at = at[:, :2] / at[:, 2:]
        for channel, grown in enumerate((scene.magnify[0], 0.0, scene.magnify[1])):
            middle = (np.array([width, height]) - 1) / 2
            seen = middle + (1 + grown) * (at - middle)
            left, top = np.clip(np.floor(seen.min(axis=0)).astype(int) - 1, 0, (width, height))
            right, bottom = np.clip(np.ceil(seen.max(axis=0)).astype(int) + 2, 0, (width, height))
            look_x = left - 0.5 + (np.arange((right - left) * fine) + 0.5) / fine
            look_y = top - 0.5 + (np.arange((bottom - top) * fine) + 0.5) / fine
            x = middle[0] + (look_x - middle[0]) / (1 + grown)
            y = middle[1] + (look_y - middle[1]) / (1 + grown)
            back = np.linalg.inv(lay)
            w = back[2, 0] * x[None, :] + back[2, 1] * y[:, None] + back[2, 2]
            mm_x = (back[0, 0] * x[None, :] + back[0, 1] * y[:, None] + back[0, 2]) / w
            mm_y = (back[1, 0] * x[None, :] + back[1, 1] * y[:, None] + back[1, 2]) / w
            on = (mm_x >= 0) & (mm_x < STRIP_WIDTH_MM) & (mm_y >= 0) & (mm_y < STRIP_HEIGHT_MM)
            column = np.clip(mm_x / 2.5, 0, card.shape[1] - 1).astype(np.intp)
            row = np.clip(mm_y / 2.5, 0, card.shape[0] - 1).astype(np.intp)
            value = np.where(card[row, column], scene.paper, scene.ink)
            box = light[top:bottom, left:right, channel]
            under = np.repeat(np.repeat(box, fine, axis=0), fine, axis=1)
            box[:] = np.where(on, value, under).reshape(bottom - top, fine, right - left, fine).mean(axis=(1, 3))
    return light


def photographed(scene: Scene) -> NDArray[np.uint8]:
    """The photograph's pixels, (height, width, 3)."""
    import cv2

    rng = np.random.default_rng(scene.seed)
    light = light_of(scene)
    for channel in range(3):
        light[..., channel] = cv2.GaussianBlur(light[..., channel], (0, 0), scene.blur_px[channel])
    if scene.motion_px:
        length = int(2 * scene.motion_px) | 1
        light = np.asarray(cv2.filter2D(light, -1, np.full((1, length), 1 / length)), dtype=np.float64)
    light += rng.normal(0, scene.noise, light.shape) * np.sqrt((light + 0.01) / (scene.paper + 0.01))
    if scene.mosaic:
        light = _mosaicked(light)
    light = np.clip(light, 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    pixels: NDArray[np.uint8] = np.rint(coded * 255).astype(np.uint8)
    if scene.quality is None:
        return pixels
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=scene.quality, subsampling=scene.subsampling)
    return np.asarray(Image.open(out).convert("RGB"), dtype=np.uint8)


def _card(strip: int) -> NDArray[np.bool_]:
    """A strip in squares of 2.5 mm, true where it is white."""
    card = np.ones((12, 72), dtype=np.bool_)
    for tag in strip_tags(strip):
        left, top = (round(value / 2.5) for value in tag.corners_mm[0])
        card[top : top + 8, left : left + 8] = draw_tag(tag.number, 1)[1:-1, 1:-1] > 127
    return card


def _mosaicked(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Through a red-green-green-blue mosaic and back by straight interpolation in each channel."""
    import cv2

    kernels = {1: np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4, 0: np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4}
    result = np.empty_like(light)
    for channel, places in ((0, ((0, 0),)), (1, ((0, 1), (1, 0))), (2, ((1, 1),))):
        kept = np.zeros(light.shape[:2])
        for row, column in places:
            kept[row::2, column::2] = light[row::2, column::2, channel]
        result[..., channel] = np.asarray(
            cv2.filter2D(kept, -1, kernels[channel % 2], borderType=cv2.BORDER_REFLECT_101)
        )
    return result
