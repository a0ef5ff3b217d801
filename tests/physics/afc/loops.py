"""Loops that the tests reckon with: invented, of a size as sets have them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from tubewright.physics.afc.parts import AfcParts, Detector
from tubewright.physics.afc.source import SyncSource, progressive, standard_525, standard_625, with_vertical

SLOW = AfcParts(
    detector_v_per_rad=2.0,
    detector_ohm=2200.0,
    series_ohm=10e3,
    damping_ohm=1000.0,
    capacitor_uf=1.0,
    shunt_nf=10.0,
    oscillator_hz_per_v=300.0,
    free_run_error_hz=150.0,
)
QUICK = replace(SLOW, capacitor_uf=0.1, damping_ohm=3300.0)
MIDDLE = replace(SLOW, capacitor_uf=0.22, damping_ohm=2200.0)


def flat(lines: int = 3, *, mid_line: bool = False) -> SyncSource:
    """262 lines with a field pulse of so many lines that has no serrations."""
    return with_vertical(progressive(262), "flat", vertical_lines=lines, starts_mid_line=mid_line)


COMPARED: Final[Mapping[str, tuple[AfcParts, SyncSource, Detector]]] = {
    "quick, no serrations": (QUICK, flat(), Detector()),
    "middle, no serrations, six lines": (MIDDLE, flat(6), Detector()),
    "slow, no serrations, six lines": (SLOW, flat(6), Detector()),
    "without a shunt": (replace(QUICK, shunt_nf=0.0), flat(6), Detector()),
    "leaky, detector lets go": (
        replace(QUICK, capacitor_leak_ohm=50e3),
        flat(6),
        Detector(without_edge="open"),
    ),
    "525 lines, ungated": (MIDDLE, standard_525(), Detector()),
    "525 lines, ungated sine": (MIDDLE, standard_525(), Detector(characteristic="sine")),
    "625 lines, ungated sine": (MIDDLE, standard_625(), Detector(characteristic="sine")),
    "exclusive-or, slow oscillator": (
        replace(MIDDLE, free_run_error_hz=-200.0),
        progressive(262, vertical="inverted"),
        Detector(),
    ),
    "sawtooth": (MIDDLE, flat(), Detector(characteristic="sawtooth")),
    "a wrong edge in mid-line": (MIDDLE, flat(4, mid_line=True), Detector()),
    "the same, gated": (
        replace(MIDDLE, capacitor_uf=0.047, damping_ohm=4700.0, detector_v_per_rad=4.0),
        flat(4, mid_line=True),
        Detector(gated=True),
    ),
}
"""Loops that are run in both programs."""
