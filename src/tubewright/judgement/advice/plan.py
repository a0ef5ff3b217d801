"""What to turn next: probes of controls whose direction is unknown, amounts for the others, or why to stop."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.back import way_back
from tubewright.judgement.advice.course import Course
from tubewright.judgement.advice.doubts import faint, idle, known, main_gain
from tubewright.judgement.advice.effects import ORDER, RINGS, ring_setting, ring_vector
from tubewright.judgement.advice.hand import RingSetting
from tubewright.judgement.advice.modes import INDEX, LANDING
from tubewright.judgement.advice.planned import Expected, Move, Plan, State
from tubewright.judgement.advice.probing import probe_sizes
from tubewright.judgement.advice.solve import Problem, best_amounts, problem
from tubewright.judgement.advice.wanted import Wanted, rows_of
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import Unsupported

Floats = NDArray[np.float64]


class _Planner:
    def __init__(self, course: Course, knowledge: Knowledge) -> None:
        self.course, self.knowledge = course, knowledge
        self.inputs, self.belief = course.effects.inputs, course.belief
        lost = [n for n in range(len(self.inputs)) if self.is_idle(n)]
        self.asked, self.wanted = Wanted(course, knowledge), Wanted(course, knowledge, without=lost)
        self.failing, self.impure = self.wanted.failing, self.wanted.impure
        self.weights, self.wanting = self.wanted.weights, self.wanted.wanting
        landing = course.observed.landing
        seen = not isinstance(landing, Unsupported) and landing.patch_sd > knowledge.value("advice_magnetised_sd")
        self.patch = self.impure and seen

    def allowed(self) -> list[int]:
        """Inputs that may be turned in this round."""
        # What is magnetised would be blamed on rings and yoke.
        waits = self.patch and self.course.now.degaussed == 0 and "degauss" in self.course.setup.controls
        return [
            n
            for n, one in enumerate(self.inputs)
            if self.wanted.needed[n] > 0 and not (waits and any(name in LANDING for name in one.main))
        ]

    def probes(self, allowed: list[int], aims: list[Move]) -> list[Move]:
        """Small moves of what isn't known yet, each as large as it takes to be told."""
        chosen: list[int] = []
        for n in allowed:
            one = self.inputs[n]
            if known(self.belief, n, self.knowledge):
                continue
            if one.control in RINGS and any(self.inputs[k].control == one.control for k in chosen):
                continue  # the two of a pair share their gain: one tells of both
            chosen.append(n)
        others = np.zeros(len(self.inputs))
        for move in aims:
            self._put(others, move)
        tried = [n for n in chosen if self.course.tries(n)]
        sizes = probe_sizes(
            self.belief,
            self.course.observed,
            chosen,
            others,
            self.knowledge,
            tried=tried,
            readable_mm=self.course.readable_mm,
            shrink_ratio=0.5**self.course.unread,
        )
        return [
            self._ring_probe(self.inputs[n].control, n, sizes[n])
            if self.inputs[n].control in RINGS
            else self._probe(n, sizes[n])
            for n in chosen
        ]

    def _put(self, amounts: Floats, move: Move) -> None:
        """Write a move into the amounts by input."""
        if move.ring is None or move.ring_now is None:
            key = f"{move.control}:{move.part}" if move.part else move.control
            amounts[self.course.effects.column(key)] = move.value
            return
        by = ring_vector(move.control, move.ring.tabs_mm, move.ring.angle_deg)
        by -= ring_vector(move.control, move.ring_now.tabs_mm, move.ring_now.angle_deg)
        for part, value in (("x", by.real), ("y", by.imag)):
            amounts[self.course.effects.column(f"{move.control}:{part}")] = value

    def _probe(self, number: int, size: float) -> Move:
        one = self.inputs[number]
        main = [INDEX[name] for name in one.main]
        # Where an earlier try leans one way, this one goes the way that would mend.
        lean = float(self.belief.gain[main, number] @ self.belief.error[main])
        if lean > 0:
            size = -size
        if ("positive" if size > 0 else "negative") in self.course.stops.get(one.key, ()):
            size = -size
        return Move(
            sort="probe", control=one.control, part=one.part, value=size, unit=one.unit, about=self._about([number])
        )

    def _ring_probe(self, control: str, number: int, size: float) -> Move:
        now = self.course.now.rings[control]
        most = self.knowledge.value("advice_most_tabs_mm")
        main = [INDEX[name] for name in self.inputs[self.course.effects.column(f"{control}:x")].main]
        gain = complex(*self.belief.gain[main, self.course.effects.column(f"{control}:x")])
        if abs(gain) > 0:
            by = -complex(*self.belief.error[main]) / gain
            tabs, angle = ring_setting(control, self._vector(control) + size * by / abs(by), now.angle_deg)
        else:
            tabs, angle = now.tabs_mm + size, now.angle_deg
        if tabs > most:
            tabs, angle = max(now.tabs_mm - size, 0.0), now.angle_deg
        return Move(
            sort="probe",
            control=control,
            value=tabs - now.tabs_mm,
            unit="mm",
            ring=RingSetting(tabs_mm=tabs, angle_deg=angle),
            ring_now=now,
            about=self._about([number]),
        )

    def aims(self, allowed: list[int], most: int, *, bold: bool = False) -> list[Move]:
        """Amounts for what is known, as many controls as asked, those that bring most.

        What a move is expected to win must exceed the doubt of that. Where nothing does, and the work would end,
        a ``bold`` one is content with winning: the photograph after it lessens the doubt.
        """
        posed = problem(self.belief, self.weights, self.knowledge.value("advice_hand_sd_ratio"))
        usable = [n for n in allowed if known(self.belief, n, self.knowledge)]
        low, high = self._bounds(usable)
        while True:
            amounts = self._within_reach(best_amounts(posed, low, high))
            by_control: dict[str, list[int]] = {}
            for n in np.flatnonzero(amounts):
                # Each part of a control with many parts stands for itself; the two of a pair of rings are one.
                one = self.inputs[n]
                by_control.setdefault(one.control if one.control in RINGS else one.key, []).append(int(n))
            gains = {name: posed.gained(amounts, numbers) for name, numbers in by_control.items()}
            weak = [
                name
                for name, (better, doubt) in gains.items()
                if better <= (0.0 if bold else doubt) or self._too_small(amounts, by_control[name])
            ]
            if not weak and len(gains) > most:
                weak = [min(gains, key=lambda name: gains[name][0])]
            if not weak:
                return [self._aim(posed, amounts, numbers) for numbers in by_control.values()]
            worst = min(weak, key=lambda name: gains[name][0])
            low[by_control[worst]] = high[by_control[worst]] = 0.0

    def _within_reach(self, amounts: Floats) -> Floats:
        """The amounts, with no ring's tabs opened further than they go."""
        amounts = amounts.copy()
        for control in {one.control for one in self.inputs} & set(RINGS):
            x, y = (self.course.effects.column(f"{control}:{part}") for part in ("x", "y"))
            now = self._vector(control)
            widest = self.knowledge.value("advice_most_tabs_mm")
            if self.course.stops.get(f"{control}:x") or self.course.stops.get(f"{control}:y"):
                widest = abs(now)  # it can still be turned or closed
            then = now + complex(amounts[x], amounts[y])
            if abs(then) > max(widest, abs(now)):
                by = then * max(widest, abs(now)) / abs(then) - now
                amounts[x], amounts[y] = by.real, by.imag
        return amounts

    def _too_small(self, amounts: Floats, numbers: list[int]) -> bool:
        """Smaller than a hand can do."""
        unit = self.inputs[numbers[0]].unit
        least = self.knowledge.constants[f"advice_hand_sd_{unit}"].value
        return float(np.linalg.norm(amounts[numbers])) < least / 2

    def _bounds(self, usable: list[int]) -> tuple[Floats, Floats]:
        low, high = np.zeros(len(self.inputs)), np.zeros(len(self.inputs))
        widest = self.knowledge.value("advice_most_tabs_mm")
        for n in usable:
            one = self.inputs[n]
            most = self.knowledge.constants[f"advice_most_{one.unit}"].value
            stops = () if one.control in RINGS else self.course.stops.get(one.key, ())
            low[n] = 0.0 if "negative" in stops else -most
            high[n] = 0.0 if "positive" in stops else most
            if one.control in RINGS:
                now = self._vector(one.control)
                part = now.real if one.part == "x" else now.imag
                low[n], high[n] = max(-most, -widest - part), min(most, widest - part)
        return low, high

    def _vector(self, control: str) -> complex:
        now = self.course.now.rings[control]
        return ring_vector(control, now.tabs_mm, now.angle_deg)

    def _aim(self, posed: Problem, amounts: Floats, numbers: list[int]) -> Move:
        one = self.inputs[numbers[0]]
        doubt = main_gain(self.belief, numbers[0])[1]
        expected = self._expected(posed, amounts, numbers)
        if one.control not in RINGS:
            value = float(amounts[numbers[0]])
            return Move(
                sort="aim",
                control=one.control,
                part=one.part,
                value=value,
                value_sd=abs(value) * doubt,
                unit=one.unit,
                expected=expected,
                about=self._about(numbers),
            )
        by = complex(*(float(amounts[self.course.effects.column(f"{one.control}:{part}")]) for part in ("x", "y")))
        now = self.course.now.rings[one.control]
        tabs, angle = ring_setting(one.control, self._vector(one.control) + by, now.angle_deg)
        return Move(
            sort="aim",
            control=one.control,
            value=tabs - now.tabs_mm,
            value_sd=abs(by) * doubt,
            unit="mm",
            ring=RingSetting(tabs_mm=tabs, angle_deg=angle),
            ring_now=now,
            expected=expected,
            about=self._about(numbers),
        )

    def _about(self, numbers: list[int]) -> str:
        """The failing error that inputs are for, the largest in tolerances."""
        main = [INDEX[name] for n in numbers for name in self.inputs[n].main]
        touched = self.wanting & (np.abs(self.weights[:, main]) > 0).any(axis=1)
        sizes = np.where(touched, np.abs(self.weights @ self.belief.error), -1.0)
        n = int(np.argmax(sizes))
        row = rows_of(self.course)[n]
        if row.unit == "share":
            return f"{row.about}, {100 * sizes[n] * row.tolerance:.0f} %"
        return f"{row.about}, {sizes[n] * row.tolerance:.2f} {row.unit}"

    def _expected(self, posed: Problem, amounts: Floats, numbers: list[int]) -> Expected:
        """The failing error that these inputs better most, before and after the whole round."""
        left = posed.error + posed.gain @ amounts
        own = posed.gain[:, numbers] @ amounts[numbers]
        better = (left - own) ** 2 - left**2
        n = int(np.argmax(np.where(self.wanting, better, -np.inf)))
        row = rows_of(self.course)[n]
        spread = np.einsum("ik,i->k", posed.unsure[:, n, :], amounts)
        sd = np.sqrt(posed.error_cov[n, n] + spread @ spread)
        scale = row.tolerance
        return Expected(
            about=row.about,
            unit=row.unit,
            before_ratio=abs(float(posed.error[n])) * scale,
            after_ratio=abs(float(left[n])) * scale,
            after_sd=float(sd) * scale,
        )

    def stalled(self) -> bool:
        """The last loops with known directions improved what they were for by too little each."""
        least = 1 - self.knowledge.value("advice_least_gain_ratio")
        loops = [
            now.excess_of(now.touched) <= least * before.excess_of(now.touched)
            for before, now in zip(self.course.rounds, self.course.rounds[1:], strict=False)
            if now.aimed
        ]
        count = int(self.knowledge.value("advice_least_loops"))
        return len(loops) >= count and not any(loops[-count:])

    def stuck(self) -> tuple[str, ...]:
        """Controls at an end whose error still stands."""
        return tuple(
            sorted(
                {
                    one.control
                    for n, one in enumerate(self.inputs)
                    if self.course.stops.get(one.key) and self.asked.needed[n] > 0
                }
            )
        )

    def is_idle(self, number: int) -> bool:
        """Whether an input was tried and does nothing that shows."""
        one = self.inputs[number]
        parts = [
            n
            for n, other in enumerate(self.inputs)
            if n == number or (one.control in RINGS and other.control == one.control)
        ]
        tried = max(self.course.tries(n) for n in parts)
        if tried == 0 or any(known(self.belief, n, self.knowledge) for n in parts):
            return False
        if any(idle(self.belief, n, self.knowledge) for n in parts):
            return True
        # Not seen to do anything in several tries; unless it clearly does, and only its direction is open.
        most = self.knowledge.value("advice_most_tries")
        return tried >= most and all(faint(self.belief, n, self.knowledge) for n in parts)

    def idle(self) -> tuple[str, ...]:
        """Controls that were tried, do next to nothing, and whose error still stands."""
        tried = (n for n in range(len(self.inputs)) if self.is_idle(n) and self.asked.needed[n] > 0)
        return tuple(sorted({self.inputs[n].control for n in tried}))


def plan(course: Course, knowledge: Knowledge) -> Plan:
    """What to do next on a display.

    Args:
        course: Everything so far.
        knowledge: The facts.

    Returns:
        The plan. Without moves its state says why: done, no gain any more, out of reach of these controls, not warm.
    """
    work = _Planner(course, knowledge)
    unknown = tuple(one for one in course.now.held if one.within is None)

    def ends(state: State, moves: list[Move]) -> Plan:
        place: Mapping[str, int] = {one.key: n for n, one in enumerate(work.inputs)}
        key = {move: (ORDER[move.control], place.get(f"{move.control}:{move.part}", 0)) for move in moves}
        return Plan(
            state=state,
            moves=tuple(sorted(moves, key=key.__getitem__)),
            failing=work.failing,
            unknown=unknown,
            patch=work.patch,
            stuck=work.stuck(),
            idle=work.idle(),
        )

    settled: State | None = (
        "not_warm"
        if not course.setup.warm
        else "unmeasured"
        if len(unknown) == len(course.now.held)
        else None
        if work.failing
        else "done"
    )
    if settled is not None:
        return ends(settled, way_back(course) if settled == "unmeasured" else [])
    doubtful = knowledge.value("advice_doubt_chance")
    in_doubt = all((one.chance_within or 0) > doubtful for one in work.failing)
    if work.stalled():
        return ends("within_doubt", []) if in_doubt else ends("no_gain", way_back(course))
    moves: list[Move] = []
    again = work.patch and course.now.degaussed < 2
    if work.impure and "degauss" in course.setup.controls and (course.now.degaussed == 0 or again):
        moves.append(Move(sort="degauss", control="degauss"))
    allowed = work.allowed()
    room = course.setup.at_once - len(moves)
    aims = work.aims(allowed, room) if room > 0 else []
    probes = work.probes(allowed, aims)
    # Upstream first: what comes first in the order of work disturbs what comes after it.
    chosen = moves + sorted((*aims, *probes), key=lambda move: ORDER[move.control])[: max(room, 0)]
    if chosen:
        return ends("go_on", chosen)
    if in_doubt:
        return ends("within_doubt", [])
    if bold := work.aims(allowed, room, bold=True):
        return ends("go_on", bold)
    return ends("out_of_reach", way_back(course))
