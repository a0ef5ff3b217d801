"""The loop agrees with a circuit simulator on the same network, which shares none of its arithmetic."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
import pytest
from numpy.typing import NDArray

from physics.afc.loops import COMPARED
from physics.afc.spice import PROGRAM, spice_phase
from physics.tables import table
from tubewright.physics.afc.loop import run
from tubewright.physics.afc.netlist import netlist
from tubewright.physics.afc.parts import Detector

TABLE: Final = table("afc_spice.csv")
WITHIN: Final = 0.02
"""Of the largest displacement: what the issue promises."""


def ours(name: str, lines: int) -> NDArray[np.float64]:
    parts, source, detector = COMPARED[name]
    return run([parts], source, detector, most_frames=1).phase_rad[0, :lines]


@pytest.mark.parametrize("name", COMPARED)
def test_phase_at_each_line_is_that_of_the_reference_table(name: str) -> None:
    rows = [row for row in TABLE if row["case"] == name]
    assert rows
    at = [int(row["line"]) for row in rows]
    theirs = np.array([float(row["phase_rad"]) for row in rows])
    found = ours(name, max(at) + 1)[at]
    kick = np.abs(theirs - theirs[0]).max()
    assert kick > 0.01
    assert np.abs(found - theirs).max() <= WITHIN * kick


@pytest.mark.skipif(PROGRAM is None, reason="needs ngspice (Debian: apt install ngspice)")
@pytest.mark.parametrize("name", ["quick, no serrations", "leaky, detector lets go", "525 lines, ungated sine"])
def test_the_program_itself_says_the_same(name: str, tmp_path: Path) -> None:
    parts, source, detector = COMPARED[name]
    theirs = spice_phase(tmp_path, parts, source, detector, lines=80)
    found = ours(name, 80)
    assert np.abs(found - theirs).max() <= WITHIN * np.abs(theirs - theirs[0]).max()
    rows = [row for row in TABLE if row["case"] == name]
    # The table is what that program gave; versions differ by less than this.
    assert [theirs[int(row["line"])] for row in rows] == pytest.approx([float(r["phase_rad"]) for r in rows], abs=1e-3)


def test_a_netlist_names_every_part_of_the_network() -> None:
    parts, source, _ = COMPARED["leaky, detector lets go"]
    text = netlist(parts, source, Detector(without_edge="open"), lines=5)
    for row in ("Rsource out node 12200", "Rdamp node cap 3300", "Cbig cap 0 0.1u", "Cshunt node 0 10n"):
        assert row in text
    assert "Rleak cap 0 50000" in text


def test_a_loop_that_cannot_hold_has_no_netlist() -> None:
    from dataclasses import replace

    parts, source, detector = COMPARED["sawtooth"]
    with pytest.raises(ValueError, match="can't hold"):
        netlist(replace(parts, free_run_error_hz=1e5), source, detector)
