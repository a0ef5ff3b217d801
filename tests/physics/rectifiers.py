"""The rectifiers that are held against ngspice: each a circuit, what our model takes for its diodes, and how close."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from physics.supply_spice import IDEAL
from tubewright.physics.rectifier import Rectifier, RectifierState, capacitor_input

SILICON: Final = "D(IS=1e-9 N=1)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """A rectifier and its parts; ``diode_v`` is what a diode of the model drops at the middle of its pulse."""

    rectifier: Rectifier
    parts: Mapping[str, float]
    diode: str = IDEAL
    diode_v: float = 0.0
    # Relative, of the voltages and of the currents; of the ripple.
    close: float = 0.002
    ripple_close: float = 0.006
    current_close: float = 0.01
    figures: tuple[str, ...] = field(
        default=("min_v", "max_v", "mean_v", "ripple_pp_v", "supply_rms_a", "pulse_peak_a")
    )

    def state(self) -> RectifierState:
        """What our model says."""
        parts: dict[str, Any] = {"source_ohm": 1e-3, "esr_ohm": 1e-4, **self.parts}
        return capacitor_input(self.rectifier, diode_v=self.diode_v, **parts)


VOLTAGES: Final = ("min_v", "max_v", "mean_v", "ripple_pp_v")
CIRCUITS: Final[Mapping[str, Circuit]] = {
    # The pulse of a stiff source ends in a jump that depends on the simulator's step, so its peak is left out.
    "stiff bridge, 170 V": Circuit(
        rectifier="bridge",
        parts={"peak_v": 170, "mains_hz": 60, "reservoir_f": 470e-6, "load_a": 0.5, "source_ohm": 0.01},
        figures=(*VOLTAGES, "supply_rms_a"),
    ),
    # Of a winding with a middle tap ngspice measures one half.
    "full wave, 15 V": Circuit(
        rectifier="full_wave",
        parts={"peak_v": 15, "mains_hz": 60, "reservoir_f": 1e-3, "load_ohm": 100},
        figures=VOLTAGES,
    ),
    "silicon bridge, 24 V": Circuit(
        rectifier="bridge",
        parts={"peak_v": 33.941125, "mains_hz": 50, "reservoir_f": 4700e-6, "load_ohm": 33, "source_ohm": 0.5},
        diode=SILICON,
        diode_v=0.57,
        current_close=0.02,
    ),
    "half wave, 100 V": Circuit(
        rectifier="half_wave",
        parts={"peak_v": 100, "mains_hz": 60, "reservoir_f": 83.3e-6, "load_ohm": 1e4},
        figures=VOLTAGES,
    ),
    "half wave with resistances": Circuit(
        rectifier="half_wave",
        parts={
            "peak_v": 170,
            "mains_hz": 50,
            "reservoir_f": 100e-6,
            "load_a": 0.2,
            "source_ohm": 5,
            "esr_ohm": 1.5,
        },
    ),
    "full wave with resistances": Circuit(
        rectifier="full_wave",
        parts={"peak_v": 40, "mains_hz": 50, "reservoir_f": 1e-3, "load_a": 1, "source_ohm": 2, "esr_ohm": 0.3},
        figures=(*VOLTAGES, "diode_rms_a", "pulse_peak_a"),
    ),
    "bridge on the mains": Circuit(
        rectifier="bridge",
        parts={"peak_v": 325, "mains_hz": 50, "reservoir_f": 100e-6, "load_a": 0.4, "source_ohm": 3, "esr_ohm": 1},
    ),
    "doubler, constant current": Circuit(
        rectifier="doubler",
        parts={"peak_v": 163, "mains_hz": 60, "reservoir_f": 220e-6, "load_a": 0.3, "source_ohm": 2, "esr_ohm": 0.3},
    ),
    "doubler, resistor": Circuit(
        rectifier="doubler",
        parts={"peak_v": 163, "mains_hz": 60, "reservoir_f": 220e-6, "load_ohm": 1e3, "source_ohm": 2, "esr_ohm": 0.3},
    ),
    "doubler, resistor, much ripple": Circuit(
        rectifier="doubler",
        parts={"peak_v": 163, "mains_hz": 60, "reservoir_f": 47e-6, "load_ohm": 1e3, "source_ohm": 2, "esr_ohm": 0.3},
        close=0.006,
        ripple_close=0.02,
        current_close=0.02,
    ),
}
