"""A raster as a mode line for the X display server."""

from __future__ import annotations

from tubewright.picture.patterns.raster import Raster


def modeline(raster: Raster) -> str:
    """The mode line: clock in MHz, then where each part of a line and of a frame ends.

    The server keeps whole kilohertz, so three decimals lose nothing more. Of an
    interlaced raster the lines are those of the whole frame, as the server wants
    them. Source: xorg.conf(5), section "Monitor".

    Example:
        >>> from tubewright.picture.patterns.timing_formulas import cvt
        >>> modeline(cvt(640, 480, 60))
        'Modeline "cvt-640x480-60" 23.750 640 664 720 800 480 483 487 500 -hsync +vsync'
    """
    h_sync = raster.width_px + raster.h_front_px
    v_sync = raster.height_px + raster.v_front_lines
    words = [
        f'Modeline "{raster.name}" {raster.pixel_clock_hz / 1e6:.3f}',
        f"{raster.width_px} {h_sync} {h_sync + raster.h_sync_px} {raster.h_total_px}",
        f"{raster.height_px} {v_sync} {v_sync + raster.v_sync_lines} {raster.v_total_lines}",
        *(["interlace"] if raster.interlaced else []),
        f"{'+' if raster.h_sync_positive else '-'}hsync {'+' if raster.v_sync_positive else '-'}vsync",
    ]
    return " ".join(words)


def modeline_remark(raster: Raster) -> str:
    """What the mode line can't hold of this raster, in words; "" if nothing."""
    khz = round(raster.pixel_clock_hz / 1e3)
    if abs(khz * 1e3 - raster.pixel_clock_hz) < 0.5:
        return ""
    line_hz = khz * 1e3 / raster.h_total_px
    return (
        f"The display server keeps the clock in whole kHz: {raster.pixel_clock_hz / 1e6:.6f} MHz becomes "
        f"{khz / 1e3:.3f} MHz, and the line rate {line_hz / 1e3:.4f} kHz instead of {raster.line_hz / 1e3:.4f} kHz."
    )
