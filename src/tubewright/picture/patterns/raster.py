"""A raster: how many dots and lines, and when each part of a line and of a field takes place."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Raster:
    """Complete timing of a raster, in the order in which it happens.

    A line is active dots, front porch, sync, back porch; a field the same in
    lines. Of an interlaced raster the lines are those of a whole frame, and
    ``v_total_lines`` is odd.

    Attributes:
        name: What the library, the command line and a survey call it.
        width_px: Active dots of a line.
        height_px: Active lines of a frame.
        pixel_clock_hz: Dots a second.
        h_front_px: Front porch, dots.
        h_sync_px: Line sync, dots.
        h_back_px: Back porch, dots.
        v_front_lines: Front porch of a frame, lines.
        v_sync_lines: Field sync, lines.
        v_back_lines: Back porch of a frame, lines.
        interlaced: Two fields make a frame.
        h_sync_positive: Line sync is high while it lasts.
        v_sync_positive: The same of field sync.
    """

    name: str
    width_px: int
    height_px: int
    pixel_clock_hz: float
    h_front_px: int
    h_sync_px: int
    h_back_px: int
    v_front_lines: int
    v_sync_lines: int
    v_back_lines: int
    interlaced: bool = False
    h_sync_positive: bool = False
    v_sync_positive: bool = False

    @property
    def h_total_px(self) -> int:
        """Dots of a whole line."""
        return self.width_px + self.h_front_px + self.h_sync_px + self.h_back_px

    @property
    def v_total_lines(self) -> int:
        """Lines of a whole frame."""
        return self.height_px + self.v_front_lines + self.v_sync_lines + self.v_back_lines

    @property
    def line_hz(self) -> float:
        """Line rate."""
        return self.pixel_clock_hz / self.h_total_px

    @property
    def frame_hz(self) -> float:
        """Whole frames a second."""
        return self.line_hz / self.v_total_lines

    @property
    def field_hz(self) -> float:
        """Fields a second: how often the beam starts at the top."""
        return self.frame_hz * (2 if self.interlaced else 1)
