"""The reference tags: strips to print, cut out and lay beside the picture.

Four strips a sheet, each a row of square tags in black on white. A strip is one
stiff piece: the places of its tags on it are known to a tenth of a millimetre,
wherever it is laid. The tags are AprilTags of the open family 36h11 (Olson,
ICRA 2011; Wang and Olson, IROS 2016), which OpenCV reads; tag 6 k + n is the
n-th of strip k. Lengths in millimetres, x along the strip and y down, (0, 0) the
strip's upper left corner.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

FAMILY: Final = "36h11"
STRIPS: Final = 4
TAGS_PER_STRIP: Final = 6
TAG_MM: Final = 20.0
"""Side of a tag's black square."""
TAG_PITCH_MM: Final = 30.0
STRIP_WIDTH_MM: Final = 180.0
STRIP_HEIGHT_MM: Final = 30.0
_MARGIN_MM: Final = 5.0
"""White round each tag: two of its cells, as the family wants at least one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """One tag on its strip: its number, strip, and the corners of its black square.

    ``corners_mm`` is ((x, y), ...) from the upper left corner clockwise, as OpenCV gives them.
    """

    number: int
    strip: int
    corners_mm: tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]


def strip_tags(strip: int) -> tuple[Tag, ...]:
    """The tags of a strip (0 to 3), from left to right."""
    tags = []
    for place in range(TAGS_PER_STRIP):
        left, top = _MARGIN_MM + TAG_PITCH_MM * place, _MARGIN_MM
        right, bottom = left + TAG_MM, top + TAG_MM
        corners = ((left, top), (right, top), (right, bottom), (left, bottom))
        tags.append(Tag(number=strip * TAGS_PER_STRIP + place, strip=strip, corners_mm=corners))
    return tuple(tags)


def draw_tag(number: int, cell_px: int) -> NDArray[np.uint8]:
    """A tag's black square with its cells, (10 cells, 10 cells): 8 of the tag and a white border of one.

    Values 0 (black) and 255.
    """
    import cv2

    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    square = cv2.aruco.generateImageMarker(family, number, 8 * cell_px, borderBits=1)
    return np.pad(np.asarray(square, dtype=np.uint8), cell_px, constant_values=255)
