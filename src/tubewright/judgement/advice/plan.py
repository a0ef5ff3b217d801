"""What to turn next: probes of controls whose direction is unknown, amounts for the others, or why to stop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.course import Course, RingSetting, idle, known, main_gain
from tubewright.judgement.advice.effects import ORDER, RINGS, ring_setting, ring_vector
from tubewright.judgement.advice.modes import INDEX, LANDING
from tubewright.judgement.advice.planned import Expected, Move, Plan, State
from tubewright.judgement.advice.solve import Problem, best_amounts, problem
from tubewright.judgement.advice.tolerances import WORDS
from tubewright.judgement.seen_words import ZONE_WORDS
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import ZONES, Unsupported

Floats = NDArray[np.float64]

WORTH: Final = 0.15
"""Share of the failing errors that a control touches which it must be able to take away to be worth trying."""
CLEAR_SD: Final = 2.0
"""Standard deviations by which an error must stand from nothing before a control is tried for it."""
BLIND: Final = 3.0
"""A component whose standard deviation is more tolerances than this isn't measured."""
PROBE_SHARE: Final = 0.5
"""Share of an error that a first small move should change."""
PROBE_SDS: Final = 5.0
"""And at least so many standard deviations of what is measured, or its direction stays open."""
PROBE_LEAST: Final = 1.0
PROBE_MOST: Final = 2.5
NEAR: Final = 0.5
"""Zones over this share of their tolerance count as failing where only the worst place lies beyond."""


@dataclass(frozen=True, slots=True)
class _Row:
    about: str
    unit: str
    tolerance: float


def _rows(course: Course) -> list[_Row]:
    """What each row of the book's weights is, in its order."""
    rows = [
        _Row(f"{gun} against green {way}, {ZONE_WORDS[zone]}", "mm", course.book.zone_mm[zone])
        for zone in ZONES
        for gun in ("red", "blue")
        for way in ("sideways", "up and down")
    ]
    rows += [_Row(*WORDS[mode], tolerance) for mode, tolerance in course.book.single.items()]
    about = ("even sideways", "even up and down", "growing to the edges")
    rows += [_Row(f"landing error {words}", "share", course.book.landing_ratio) for words in about]
    return rows


class _Planner:
    def __init__(self, course: Course, knowledge: Knowledge) -> None:
        self.course, self.knowledge = course, knowledge
        self.inputs, self.belief = course.effects.inputs, course.belief
        self.failing = tuple(one for one in course.now.held if one.within is False)
        self.impure = any(one.group == "purity" for one in self.failing)
        self.weights = course.book.weights()
        cov = np.einsum("cm,mn,cn->c", self.weights, self.belief.error_cov, self.weights)
        self.measured = np.sqrt(np.maximum(cov, 0)) < BLIND
        self.weights = np.where(self.measured[:, None], self.weights, 0.0)
        self.wanting = self._wanting()

    def _wanting(self) -> NDArray[np.bool_]:
        """Rows of the weights that belong to a failing figure, (components,)."""
        zones = {(one.gun, one.zone) for one in self.failing if one.group == "convergence" and one.gun}
        if not zones and any(one.group == "convergence" for one in self.failing):
            zones = {
                (one.gun, one.zone)
                for one in self.course.now.held
                if one.group == "convergence" and one.gun and (one.over_ratio or 0) > NEAR
            }
        groups = {one.group for one in self.failing}
        wanting = [(gun, zone) in zones for zone in ZONES for gun in ("red", "blue") for _ in range(2)]
        wanting += [mode in groups for mode in self.course.book.single]
        wanting += [self.impure] * len(LANDING)
        return np.asarray(np.array(wanting) & self.measured)

    def worth(self, number: int) -> float:
        """Of the failing errors that an input is for, the share that it could take away at best, 0..1."""
        main = [INDEX[name] for name in self.inputs[number].main]
        touched = self.wanting & (np.abs(self.weights[:, main]) > 0).any(axis=1)
        if not touched.any():
            return 0.0
        error, sd = self.belief.error[main], np.sqrt(np.diag(self.belief.error_cov)[main])
        if not (np.abs(error) > CLEAR_SD * sd).any():
            return 0.0
        now = self.weights[touched] @ self.belief.error
        gone = self.belief.error.copy()
        gone[main] = 0.0
        if self.inputs[number].control in {"convergence_strips", "dynamic_convergence"} or len(main) > 2:
            # Only along its own pattern.
            pattern = self.weights[touched] @ self.course.effects.patterns[:, :, number].T
            best = pattern @ np.linalg.lstsq(pattern, now, rcond=None)[0]
            return float(best @ best) / float(now @ now)
        then = self.weights[touched] @ gone
        return 1 - float(then @ then) / float(now @ now)

    def allowed(self) -> list[int]:
        """Inputs that may be turned in this round, by the order of work."""
        landing_waits = self.impure and self.course.now.degaussed == 0
        chosen = []
        for n, one in enumerate(self.inputs):
            if (landing_waits and any(name in LANDING for name in one.main)) or not self.worth(n) > WORTH:
                continue
            chosen.append(n)
        return self._coarse_first(chosen)

    @staticmethod
    def lands(order: int) -> bool:
        """Whether a place in the order of work is that of the purity rings or of the yoke along the neck."""
        return order in {ORDER["purity_rings"], ORDER["yoke_axial"]}

    def fine(self, number: int) -> bool:
        """Convergence that comes after purity."""
        one = self.inputs[number]
        return ORDER[one.control] > ORDER["six_pole_rings"] and one.main[0].startswith(("opp_", "com_"))

    def _coarse_first(self, chosen: list[int]) -> list[int]:
        """Strips, and the dynamic controls of a delta gun, wait until what acts everywhere has done its part."""
        coarse = [
            n
            for n in chosen
            if self.inputs[n].control not in {"convergence_strips", "dynamic_convergence"}
            and any(name.startswith(("opp_", "com_")) for name in self.inputs[n].main)
        ]
        if not coarse:
            return chosen
        return [n for n in chosen if self.inputs[n].control not in {"convergence_strips", "dynamic_convergence"}]

    def probes(self, allowed: list[int]) -> list[Move]:
        """First small moves of what isn't known yet."""
        moves: list[Move] = []
        mains: set[tuple[str, ...]] = {self.inputs[n].main for n in allowed if known(self.belief, n, self.knowledge)}
        for n in allowed:
            one = self.inputs[n]
            if self.is_idle(n):
                continue
            if known(self.belief, n, self.knowledge) or any(
                move.control == one.control and not one.part for move in moves
            ):
                continue
            if one.main in mains and one.control not in RINGS:
                continue  # another control for the same is known or being tried
            if one.control in RINGS:
                if not any(move.control == one.control for move in moves):
                    moves.append(self._ring_probe(one.control, n))
            else:
                moves.append(self._probe(n))
            mains.add(one.main)
        return moves

    def _probe_size(self, number: int) -> float:
        one = self.inputs[number]
        main = [INDEX[name] for name in one.main]
        gain = np.sqrt(self.belief.gain_second()[main, number])
        n = int(np.argmax(np.abs(self.belief.error[main]) * (gain > 0)))
        sd = float(np.sqrt(self.belief.error_cov[main[n], main[n]]))
        effect = max(PROBE_SHARE * abs(float(self.belief.error[main[n]])), PROBE_SDS * sd)
        usual = self.knowledge.constants[f"advice_probe_{one.unit}"].value
        return float(np.clip(effect / max(float(gain[n]), 1e-9), PROBE_LEAST * usual, PROBE_MOST * usual))

    def _probe(self, number: int) -> Move:
        one = self.inputs[number]
        size = self._probe_size(number)
        if "positive" in self.course.stops.get(one.key, ()):
            size = -size
        return Move(
            sort="probe", control=one.control, part=one.part, value=size, unit=one.unit, about=self._about([number])
        )

    def _ring_probe(self, control: str, number: int) -> Move:
        now = self.course.now.rings[control]
        size = self._probe_size(number)
        most = self.knowledge.value("advice_most_tabs_mm")
        tabs = now.tabs_mm + size if now.tabs_mm + size <= most else now.tabs_mm - size
        return Move(
            sort="probe",
            control=control,
            value=tabs - now.tabs_mm,
            unit="mm",
            ring=RingSetting(tabs_mm=tabs, angle_deg=now.angle_deg),
            ring_now=now,
            about=self._about([number]),
        )

    def aims(self, allowed: list[int], most: int) -> list[Move]:
        """Amounts for what is known, as many controls as asked, those that bring most."""
        posed = problem(self.belief, self.weights, self.knowledge.value("advice_hand_sd_ratio"))
        usable = [n for n in allowed if known(self.belief, n, self.knowledge)]
        low, high = self._bounds(usable)
        while True:
            amounts = best_amounts(posed, low, high)
            by_control: dict[str, list[int]] = {}
            for n in np.flatnonzero(amounts):
                # Each part of a control with many parts stands for itself; the two of a pair of rings are one.
                one = self.inputs[n]
                by_control.setdefault(one.control if one.control in RINGS else one.key, []).append(int(n))
            gains = {name: posed.gained(amounts, numbers) for name, numbers in by_control.items()}
            weak = [
                name
                for name, (better, doubt) in gains.items()
                if better <= doubt or self._too_small(amounts, by_control[name])
            ]
            if not weak and len(gains) > most:
                weak = [min(gains, key=lambda name: gains[name][0])]
            if not weak:
                return [self._aim(posed, amounts, numbers) for numbers in by_control.values()]
            worst = min(weak, key=lambda name: gains[name][0])
            low[by_control[worst]] = high[by_control[worst]] = 0.0

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
            stops = self.course.stops.get(one.key, ())
            low[n] = 0.0 if "negative" in stops else -most
            high[n] = 0.0 if "positive" in stops else most
            if one.control in RINGS:
                now = self._vector(one.control)
                part = now.real if one.part == "x" else now.imag
                side = widest / np.sqrt(2)  # a square within the circle that the widest tabs draw
                low[n], high[n] = max(-most, min(-side - part, 0.0)), min(most, max(side - part, 0.0))
                if stops:
                    # Tabs at their end: they can still be turned or closed, which the square doesn't say.
                    low[n], high[n] = max(low[n], -abs(part)), min(high[n], abs(part))
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
        row = _rows(self.course)[n]
        if row.unit == "share":
            return f"{row.about}, {100 * sizes[n] * row.tolerance:.0f} %"
        return f"{row.about}, {sizes[n] * row.tolerance:.2f} {row.unit}"

    def _expected(self, posed: Problem, amounts: Floats, numbers: list[int]) -> Expected:
        """The failing error that these inputs better most, before and after the whole round."""
        left = posed.error + posed.gain @ amounts
        own = posed.gain[:, numbers] @ amounts[numbers]
        better = (left - own) ** 2 - left**2
        n = int(np.argmax(np.where(self.wanting, better, -np.inf)))
        row = _rows(self.course)[n]
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

    def way_back(self) -> list[Move]:
        """The way back to the photograph that was best, if this one is clearly worse."""
        seen = [one for one in self.course.rounds if any(figure.within is not None for figure in one.held)]
        if not seen:
            return []
        best, now = min(seen, key=lambda one: one.excess_ratio), self.course.now
        # A photograph in which nothing can be read any more is worse than any other.
        if now in seen and now.excess_ratio <= 1.1 * best.excess_ratio + 0.1:
            return []
        moves: list[Move] = []
        for n, one in enumerate(self.inputs):
            if one.control in RINGS:
                if one.part == "x" and best.rings[one.control] != now.rings[one.control]:
                    then, stands = best.rings[one.control], now.rings[one.control]
                    by = then.tabs_mm - stands.tabs_mm
                    moves.append(
                        Move(sort="undo", control=one.control, value=by, unit="mm", ring=then, ring_now=stands)
                    )
                continue
            by = float(best.positions[n] - now.positions[n])
            if abs(by) > 1e-9:
                moves.append(Move(sort="undo", control=one.control, part=one.part, value=by, unit=one.unit))
        return moves

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
                    if self.course.stops.get(one.key) and self.worth(n) > WORTH
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
        most = self.knowledge.value("advice_most_tries")
        return tried >= most or any(idle(self.belief, n, self.knowledge) for n in parts)

    def idle(self) -> tuple[str, ...]:
        """Controls that were tried, do next to nothing, and whose error still stands."""
        tried = (n for n in range(len(self.inputs)) if self.is_idle(n) and self.worth(n) > WORTH)
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
    landing = course.observed.landing
    limit = knowledge.value("advice_magnetised_sd")
    patch = work.impure and not isinstance(landing, Unsupported) and landing.patch_sd > limit

    def ends(state: State, moves: list[Move]) -> Plan:
        place: Mapping[str, int] = {one.key: n for n, one in enumerate(work.inputs)}
        key = {move: (ORDER[move.control], place.get(f"{move.control}:{move.part}", 0)) for move in moves}
        return Plan(
            state=state,
            moves=tuple(sorted(moves, key=key.__getitem__)),
            failing=work.failing,
            unknown=unknown,
            patch=patch,
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
        return ends(settled, work.way_back() if settled == "unmeasured" else [])
    doubtful = knowledge.value("advice_doubt_chance")
    in_doubt = all((one.chance_within or 0) > doubtful for one in work.failing)
    if work.stalled():
        return ends("within_doubt", []) if in_doubt else ends("no_gain", work.way_back())
    moves: list[Move] = []
    again = patch and course.now.degaussed < 2
    if work.impure and "degauss" in course.setup.controls and (course.now.degaussed == 0 or again):
        moves.append(Move(sort="degauss", control="degauss"))
    allowed = work.allowed()
    room = course.setup.at_once - len(moves)
    probes = work.probes(allowed)
    # Rough static convergence comes before purity, all that is finer after it: rings or a yoke moved for the landing
    # move the convergence again.
    trying = any(work.lands(ORDER[move.control]) for move in probes)
    if work.impure and (trying or course.now.degaussed == 0):
        allowed = [n for n in allowed if not work.fine(n)]
    aims = work.aims(allowed, room) if room > 0 else []
    # Upstream first: what comes first in the order of work disturbs what comes after it.
    chosen = moves + sorted((*aims, *probes), key=lambda move: ORDER[move.control])[: max(room, 0)]
    if chosen:
        return ends("go_on", chosen)
    if in_doubt:
        return ends("within_doubt", [])
    return ends("out_of_reach", work.way_back())
