"""From the phase at each line to millimetres on a picture, and to the figures of a top curl.

The figures mean what they mean where a photograph is measured: the amplitude is how far
the first visible line lies from where the settled lines would put it, to the right
positive; lines to settle are lines of the frame; the overshoot is the largest swing to
the other side over the amplitude.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from tubewright.physics._arrays import FloatArray
from tubewright.physics.afc.loop import LoopRun
from tubewright.physics.afc.source import SyncSource

SETTLED_RATIO: Final = 0.05
NOTHING_MM: Final = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PredictedCurl:
    """The curl of several loops on one source and one picture.

    Attributes:
        after_lines: Where the visible lines lie, in lines of a field since the field pulse began, (lines,).
        displacement_mm: Of each visible line of the frame from the settled ones, (batch, lines).
        amplitude_mm: Of the first visible line, (batch,).
        settle_lines: Lines of the frame until it stays within 5 % of that, (batch,); as many as the picture has
            where it never does.
        overshoot_ratio: The largest swing to the other side over the amplitude, (batch,).
        still_bent: Whether the bend lasts into the lines that were taken for settled, (batch,).
    """

    after_lines: FloatArray
    displacement_mm: FloatArray
    amplitude_mm: FloatArray
    settle_lines: FloatArray
    overshoot_ratio: FloatArray
    still_bent: np.ndarray[tuple[int], np.dtype[np.bool_]]


def mm_per_rad(source: SyncSource, picture_width_mm: float) -> float:
    """Millimetres on the picture that a radian of line phase makes."""
    return picture_width_mm * source.line_us / source.active_us / (2 * np.pi)


def predicted_curl(run: LoopRun, source: SyncSource, picture_width_mm: float) -> PredictedCurl:
    """The curl that a run makes on a picture.

    Args:
        run: From :func:`tubewright.physics.afc.loop.run`.
        source: The same source.
        picture_width_mm: Width that the active part of a line spans.

    Raises:
        ValueError: A width that is not above zero.
    """
    if not picture_width_mm > 0:
        raise ValueError("picture_width_mm must be above zero")
    lines = np.flatnonzero(run.visible >= 0)
    lines = lines[np.argsort(run.after_lines[lines], kind="stable")]
    course = run.phase_rad[:, lines] * mm_per_rad(source, picture_width_mm)
    tail = max(1, course.shape[1] // 4)
    course = course - course[:, -tail:].mean(axis=1, keepdims=True)
    amplitude = course[:, 0]
    settle, swing = settling(course)
    none = np.abs(amplitude) < NOTHING_MM
    return PredictedCurl(
        after_lines=run.after_lines[lines],
        displacement_mm=course,
        amplitude_mm=amplitude,
        settle_lines=np.where(none, 0.0, settle),
        overshoot_ratio=np.where(none, 0.0, swing),
        still_bent=~none & (settle >= course.shape[1] - tail),
    )


def settling(course_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lines until each course, (batch, lines), has settled, and its largest swing to the other side as a ratio."""
    first = np.where(course_mm[:, :1] == 0, np.inf, course_mm[:, :1])
    relative = course_mm / first
    away = np.abs(relative) > SETTLED_RATIO
    lines = course_mm.shape[1]
    last = np.where(away.any(axis=1), lines - 1 - np.argmax(away[:, ::-1], axis=1), 0)
    after = np.minimum(last + 1, lines - 1)
    row = np.arange(len(course_mm))
    here, there = np.abs(relative[row, last]), np.abs(relative[row, after])
    share = (here - SETTLED_RATIO) / np.maximum(here - there, 1e-9)
    return last + np.where(after > last, np.clip(share, 0, 1), 0.0), np.maximum(-relative.min(axis=1), 0.0)
