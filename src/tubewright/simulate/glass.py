"""The glass in front of the picture, the plane round it, and what lies in that plane.

Space has its origin where the axis of the glass meets the plane of the
surroundings: x right, y down, z away from the viewer, millimetres. The glass is
a sphere that bulges towards the viewer and meets the plane on a circle.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from tubewright.picture.patterns import tags
from tubewright.simulate.display import Array, Fine

TEXTURE_PER_MM: Final = 10
"""Samples a millimetre at which a strip is drawn; its cells of 2.5 mm fall on whole ones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Glass:
    """The faceplate and the opening through which it is seen.

    Attributes:
        radius_mm: Radius of the sphere.
        rim_mm: Distance from the axis at which the glass lies in the plane of the surroundings.
        opening_width_mm: Opening in the surroundings.
        opening_height_mm: Its height.
        opening_corner_mm: Radius of its corners.
    """

    radius_mm: float = 1000.0
    rim_mm: float = 230.0
    opening_width_mm: float = 382.0
    opening_height_mm: float = 290.0
    opening_corner_mm: float = 25.0

    @property
    def centre_z_mm(self) -> float:
        """Depth of the sphere's centre behind the plane."""
        return float(np.sqrt(self.radius_mm**2 - self.rim_mm**2))

    def surface_z(self, x_mm: Array, y_mm: Array) -> Array:
        """Depth of the glass at places of the picture, mm; negative before the plane."""
        return np.asarray(self.centre_z_mm - np.sqrt(self.radius_mm**2 - x_mm**2 - y_mm**2))

    def struck(self, origin_mm: Array, direction: Array) -> tuple[Array, Array]:
        """Where rays, (..., 3), strike the glass: x and y, mm. A ray that misses it counts where it passes nearest."""
        to_centre = np.array([0.0, 0.0, self.centre_z_mm]) - origin_mm
        length2 = np.sum(direction**2, axis=-1)
        along = np.sum(direction * to_centre, axis=-1) / length2
        miss2 = np.sum(to_centre**2) - along**2 * length2
        reach = np.sqrt(np.maximum(self.radius_mm**2 - miss2, 0.0) / length2)
        hit = origin_mm + (along - reach)[..., None] * direction
        return hit[..., 0], hit[..., 1]

    def seen_share(self, x_mm: Fine, y_mm: Fine, edge_mm: float) -> Fine:
        """1 within the opening, 0 outside, with an edge of a given width."""
        corner = np.float32(self.opening_corner_mm)
        outside_x = np.maximum(np.abs(x_mm) - np.float32(self.opening_width_mm / 2) + corner, 0)
        outside_y = np.maximum(np.abs(y_mm) - np.float32(self.opening_height_mm / 2) + corner, 0)
        beyond = np.hypot(outside_x, outside_y) - corner
        return np.asarray(np.clip(np.float32(0.5) - beyond / np.float32(edge_mm), 0, 1), dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class TagStrip:
    """A strip of tags lying in the plane.

    Attributes:
        strip: Its number, 0 to 3.
        x_mm: Where its upper left corner lies.
        y_mm: The same downwards.
        turned_deg: Turned about that corner, clockwise.
        z_mm: Depth behind the plane (a strip that lies on something is negative).
    """

    strip: int
    x_mm: float
    y_mm: float
    turned_deg: float = 0.0
    z_mm: float = 0.0

    def in_space(self, on_strip_mm: Array) -> Array:
        """Places on the strip, (..., 2), as places in space, (..., 3)."""
        turn = np.radians(self.turned_deg)
        x, y = on_strip_mm[..., 0], on_strip_mm[..., 1]
        return np.stack(
            [
                self.x_mm + x * np.cos(turn) - y * np.sin(turn),
                self.y_mm + x * np.sin(turn) + y * np.cos(turn),
                np.full(x.shape, self.z_mm),
            ],
            axis=-1,
        )

    def struck(self, origin_mm: Array, direction: Array) -> Array:
        """Where rays, (..., 3), strike the strip's plane, as places on the strip, (..., 2)."""
        along = (self.z_mm - origin_mm[2]) / direction[..., 2]
        x = origin_mm[0] + along * direction[..., 0] - self.x_mm
        y = origin_mm[1] + along * direction[..., 1] - self.y_mm
        turn = np.radians(self.turned_deg)
        return np.stack([x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Glare:
    """A soft reflection in the glass: its middle, size and light, of a white paper's in the room."""

    x_mm: float
    y_mm: float
    radius_mm: float
    light_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What the room's light does. Shares are of the light of a fully lit white screen.

    Attributes:
        paper_share: Light of white paper lying beside the picture.
        colour_ratio: The room light's red, green and blue in the camera's channels.
        glass_ratio: Light of the unlit screen, of the paper's.
        surround_ratio: Light of the surroundings, of the paper's.
        ink_ratio: Light of the tags' black, of the paper's.
        glares: Reflections.
        halation_share: Share of the picture's light that the glass scatters over its neighbourhood.
        strips: Tags laid beside the picture.
    """

    paper_share: float = 0.35
    colour_ratio: tuple[float, float, float] = (1.05, 1.0, 0.9)
    glass_ratio: float = 0.06
    surround_ratio: float = 0.05
    ink_ratio: float = 0.05
    glares: tuple[Glare, ...] = ()
    halation_share: float = 0.0
    strips: tuple[TagStrip, ...] = field(default_factory=tuple)


def draw_strip(strip: int, ink_ratio: float) -> Fine:
    """A strip as light of the paper's, (rows, columns), ``TEXTURE_PER_MM`` a millimetre."""
    size = (round(tags.STRIP_HEIGHT_MM * TEXTURE_PER_MM), round(tags.STRIP_WIDTH_MM * TEXTURE_PER_MM))
    drawn = np.ones(size, np.float32)
    for tag in tags.strip_tags(strip):
        left, top = (round(c * TEXTURE_PER_MM) for c in tag.corners_mm[0])
        side = round(tags.TAG_MM * TEXTURE_PER_MM)
        cell = side // 8
        square = tags.draw_tag(tag.number, cell)[cell:-cell, cell:-cell] / np.float32(255)
        drawn[top : top + side, left : left + side] = ink_ratio + (1 - ink_ratio) * square
    return drawn
