"""Runs a loop in ngspice and reads the phase at each line back."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.physics.afc.netlist import OUT, netlist
from tubewright.physics.afc.parts import AfcParts, Detector
from tubewright.physics.afc.source import SyncSource

PROGRAM: Final = shutil.which("ngspice")


def spice_phase(
    folder: Path, parts: AfcParts, source: SyncSource, detector: Detector, *, lines: int
) -> NDArray[np.float64]:
    """Phase at the first ``lines`` lines of a field, radians, (lines,)."""
    assert PROGRAM is not None
    (folder / "loop.cir").write_text(netlist(parts, source, detector, lines=lines), encoding="utf-8")
    done = subprocess.run(
        [PROGRAM, "-b", "loop.cir"], cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )
    assert (folder / OUT).exists(), done.stdout + done.stderr
    time_s, phase = np.loadtxt(folder / OUT).T
    at = (np.arange(lines) + 1) * source.line_us * 1e-6
    return np.asarray(np.interp(at, time_s, phase), dtype=np.float64)
