"""A session on the simulated bench: one display, its photographs, and what a hand did."""

from __future__ import annotations

import json
from dataclasses import replace

from tubewright.files.measurements import measurement_from_json
from tubewright.judgement.advice.course import Course, RingSetting, Setup, Turned, follow
from tubewright.judgement.advice.plan import plan
from tubewright.judgement.advice.planned import Plan
from tubewright.knowledge.load import load_knowledge
from tubewright.simulate.controls import Bench, State

KNOWLEDGE = load_knowledge()


def bench_with(seed: int = 1, **state: object) -> Bench:
    """A display in perfect order but for what is given."""
    bench = Bench(seed, calm=True)
    bench.state = replace(State(), **state)  # type: ignore[arg-type]
    return bench


def setup_of(bench: Bench, **changes: object) -> Setup:
    """What a person says of it, but for what is changed."""
    rings = {name: RingSetting(tabs_mm=ring.tabs_mm) for name, ring in bench.rings.items()}
    base = Setup(controls=bench.controls, rings=rings, opening_mm=bench.opening_mm)
    return replace(base, **changes)  # type: ignore[arg-type]


class Session:
    """One display, its photographs, and what a hand did."""

    def __init__(self, bench: Bench, **changes: object) -> None:
        self.bench, self.setup = bench, setup_of(bench, **changes)
        self.measured = [measurement_from_json(json.dumps(bench.measured()), {})]
        self.turned: list[Turned] = []

    def course(self) -> Course:
        """Everything so far."""
        return follow(self.measured, self.turned, self.setup, KNOWLEDGE)

    def plan(self) -> Plan:
        """What comes next."""
        return plan(self.course(), KNOWLEDGE)

    def photograph(self) -> None:
        """Take the next one."""
        self.measured.append(measurement_from_json(json.dumps(self.bench.measured()), {}))

    def turn(self, control: str, value: float, **said: object) -> None:
        """Write a move down."""
        unit = "mm" if control.startswith("yoke") else "turn"
        move = Turned(after=len(self.measured), control=control, value=value, unit=unit)
        self.turned.append(replace(move, **said))  # type: ignore[arg-type]

    def obey(self, found: Plan) -> None:
        """Make the moves just so, and photograph."""
        for move in found.moves:
            if move.control == "degauss":
                self.bench.degauss()
                self.turn("degauss", 0.0)
            elif move.ring is not None:
                self.bench.set_ring(move.control, move.ring.tabs_mm, move.ring.angle_deg, steady=True)
                self.turn(move.control, 0.0, ring=move.ring)
            else:
                self.bench.turn(move.control, move.value, steady=True)
                self.turn(move.control, move.value)
        self.photograph()

    def finish(self, most: int = 8) -> Plan:
        """Obey until there is nothing more to do."""
        found = self.plan()
        for _ in range(most):
            if not found.moves:
                break
            self.obey(found)
            found = self.plan()
        return found


def controls(found: Plan) -> list[str]:
    """Ids of what is to be moved, in order."""
    return [move.control for move in found.moves]
