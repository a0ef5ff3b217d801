"""Rectifiers in ngspice: a netlist for each kind, run in batch, its measured figures handed back."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Final

import pytest

IDEAL: Final = "D(IS=1e-14 N=0.02)"
"""Some ten millivolts of drop at any current: as good as none."""

DIODES: Final = {
    "half_wave": "D1 a1 p DX\nRG b 0 1u",
    "full_wave": "D1 a1 p DX\nEB b2 0 0 a 1\nRB b2 b1 {source}\nD2 b1 p DX\nRG b 0 1u",
    "bridge": "D1 a1 p DX\nD2 b p DX\nD3 0 a1 DX\nD4 0 b DX\nRL1 a 0 10Meg\nRL2 b 0 10Meg",
}
RESERVOIR: Final = "RE p c {esr}\nC1 c 0 {reservoir} IC={start}"
DOUBLER: Final = (
    "D1 a1 p DX\nD2 0 a1 DX\n"
    "RE1 p c1 {esr}\nC1 c1 b {reservoir} IC={half}\nRE2 b c2 {esr}\nC2 c2 0 {reservoir} IC={half}"
)
FIGURES: Final = {
    "max_v": "MAX v(p)",
    "min_v": "MIN v(p)",
    "mean_v": "AVG v(p)",
    "supply_rms_a": "RMS i(VS)",
    "pulse_peak_a": "MAX i(VS)",
}


def netlist(
    rectifier: str,
    *,
    peak_v: float,
    mains_hz: float,
    reservoir_f: float,
    load_a: float = 0.0,
    load_ohm: float = 1e12,
    source_ohm: float = 1e-3,
    esr_ohm: float = 1e-4,
    diode: str = IDEAL,
    start_v: float,
    filter_ohm: float = 0.0,
    filter_f: float = 0.0,
) -> str:
    """The circuit, run for 0.8 s from a guess of its voltage and measured over its last two mains cycles."""
    cycle = 1 / mains_hz
    end = round(0.8 * mains_hz) * cycle
    parts = DOUBLER if rectifier == "doubler" else DIODES[rectifier] + "\n" + RESERVOIR
    given = {"source": source_ohm, "esr": esr_ohm, "reservoir": reservoir_f, "start": start_v, "half": start_v / 2}
    stage = filter_ohm > 0
    after = f"RF p q {filter_ohm}\nC9 q 0 {filter_f} IC={start_v}\n" if stage else ""
    load = "q" if stage else "p"
    asked = {**FIGURES, **({"out_max_v": "MAX v(q)", "out_min_v": "MIN v(q)"} if stage else {})}
    measures = "\n".join(
        f".meas tran {name} {what} from={end - 2 * cycle:.9g} to={end:.9g}" for name, what in asked.items()
    )
    return (
        f"* {rectifier}\nVS b a SIN(0 {-peak_v} {mains_hz})\nRS a a1 {source_ohm}\n"
        f"{parts.format(**given)}\n{after}RL {load} 0 {load_ohm}\nIL {load} 0 {load_a}\n.model DX {diode}\n"
        f".options reltol=1e-4 abstol=1e-9\n"
        f".tran {cycle / 1000:.9g} {end:.9g} {end - 2 * cycle:.9g} {cycle / 1500:.9g} uic\n{measures}\n.end\n"
    )


def run(text: str, folder: Path) -> dict[str, float]:
    """What ngspice measured; the test is left out where it isn't installed."""
    program = shutil.which("ngspice")
    if program is None:
        pytest.skip("ngspice is not installed (apt-get install ngspice); its figures are in rectifier_ngspice.csv")
    path = folder / "circuit.cir"
    path.write_text(text, encoding="ascii")
    done = subprocess.run([program, "-b", str(path)], capture_output=True, text=True, check=False, timeout=120)
    found = {
        name: float(value) for name, value in re.findall(r"^([a-z_]+)\s*=\s*([-+0-9.e]+)", done.stdout, re.MULTILINE)
    }
    assert set(FIGURES) <= set(found), done.stdout + done.stderr
    return found
