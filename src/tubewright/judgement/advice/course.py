"""The course of a set-up so far: photographs, what was turned between them, and what that has taught."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.effects import RINGS, Effects, effects_of, ring_vector
from tubewright.judgement.advice.modes import INDEX, LANDING, GunKind, Observation, observe
from tubewright.judgement.advice.response import Belief, first_belief, forgotten, loosened, moved, seen, surprise
from tubewright.judgement.advice.tolerances import Book, Held, Tolerance, book_of, held
from tubewright.judgement.seen_checks import Measured
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import Unsupported

Floats = NDArray[np.float64]
Stop = Literal["", "positive", "negative"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RingSetting:
    """How a pair of rings stands.

    Attributes:
        tabs_mm: How far the tabs of the two stand apart.
        angle_deg: Where the middle between them points, clockwise as seen from behind; where it stood at first is 0.
    """

    tabs_mm: float
    angle_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """What a hand did to one control.

    Attributes:
        after: After which photograph, counted from 1.
        control: Id of the control.
        part: Which part of it; "" where it has one.
        value: By how much, in ``unit``; positive as the control's words say. Of rings and of degaussing: not used.
        unit: turn, mm, deg or cm.
        ring: How the pair of rings stands since; ``None`` for other controls.
        wrong_way: It went the other way than written: the amount counts with the other sign.
        undone: It was put back before the next photograph.
        at_stop: The control has met its end on that side.
    """

    after: int
    control: str
    part: str = ""
    value: float = 0.0
    unit: str = "turn"
    ring: RingSetting | None = None
    wrong_way: bool = False
    undone: bool = False
    at_stop: Stop = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What is set up, and how.

    Attributes:
        gun: Arrangement of the guns.
        controls: Ids of the controls that it has.
        tolerance: The set of tolerances it is held to.
        warm: It has warmed up.
        degaussed: It was degaussed in its place this session, before the first photograph.
        at_once: So many controls at most between two photographs.
        rings: How each pair of rings stood at the first photograph, where somebody looked.
        opening_mm: Width and height of the opening that the picture is to fill, by a ruler; ``None`` if nobody did.
    """

    gun: GunKind = "inline"
    controls: Collection[str]
    tolerance: Tolerance = "arcade"
    warm: bool = True
    degaussed: bool = False
    at_once: int = 6
    rings: Mapping[str, RingSetting] = field(default_factory=dict)
    opening_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Round:
    """One photograph, and what stood when it was taken.

    Attributes:
        held: Its figures against their tolerances.
        excess_ratio: Root of the sum of squares of what lies beyond tolerance, in tolerances.
        positions: Where each input stood against the first photograph, in its unit, (inputs,).
        rings: How each pair of rings stood.
        degaussed: How often it had been degaussed, by then.
        aimed: All that was turned before it had known directions.
        turned: Something was turned before it.
        touched: Groups of figures that this was for.
    """

    held: tuple[Held, ...]
    excess_ratio: float
    positions: NDArray[np.float64]
    rings: Mapping[str, RingSetting]
    degaussed: int
    aimed: bool
    turned: bool
    touched: frozenset[str]

    def excess_of(self, groups: Collection[str]) -> float:
        """What lies beyond tolerance in some groups of figures."""
        return excess([one for one in self.held if one.group in groups])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """Everything so far.

    Attributes:
        setup: What is set up.
        book: Its tolerances.
        effects: Its controls.
        rounds: Photograph by photograph.
        belief: What is known now.
        observed: What the last photograph said.
        stops: Which inputs have met an end, by key.
        reversed: Moves that must have gone the other way, by what the photograph after them shows.
    """

    setup: Setup
    book: Book
    effects: Effects
    rounds: tuple[Round, ...]
    belief: Belief
    observed: Observation
    stops: Mapping[str, Collection[Stop]]
    reversed: tuple[Turned, ...] = ()

    @property
    def now(self) -> Round:
        """The last photograph."""
        return self.rounds[-1]

    def tries(self, number: int) -> int:
        """How often an input was moved."""
        stood = [one.positions[number] for one in self.rounds]
        return sum(before != now for before, now in pairwise(stood))


def follow(measured: Sequence[Measured], turned: Sequence[Turned], setup: Setup, knowledge: Knowledge) -> Course:
    """Go through a set-up from its first photograph.

    Args:
        measured: One measurement for each photograph or set of them, in order; at least one.
        turned: What was done between them.
        setup: What is set up.
        knowledge: The facts.

    Returns:
        What is known after the last photograph.
    """
    effects = effects_of(setup.controls, knowledge)
    usual = RingSetting(tabs_mm=knowledge.value("advice_usual_tabs_mm"))
    rings = {name: setup.rings.get(name, usual) for name in RINGS if name in setup.controls}
    positions = np.zeros(len(effects.inputs))
    belief = first_belief(effects)
    observed: Observation | None = None
    degaussed, rounds, stops = int(setup.degaussed), list[Round](), dict[str, set[Stop]]()
    backwards: list[Turned] = []
    for number, one in enumerate(measured):
        amounts, did, tried = np.zeros(len(effects.inputs)), False, False
        for move in turned:
            if move.after != number:
                continue
            did = True
            if move.control == "degauss":
                if not move.undone:
                    degaussed += 1
                    belief = _degaussed(belief, observed, knowledge)
                continue
            step, rings = _step(effects, move, rings)
            amounts += step
            for n in np.flatnonzero(step):
                tried |= not known(belief, int(n), knowledge)
                if move.at_stop:
                    stops.setdefault(effects.inputs[n].key, set()).add(move.at_stop)
                elif stops.get(effects.inputs[n].key):
                    stops[effects.inputs[n].key].discard("negative" if step[n] > 0 else "positive")
            if move.at_stop and not step.any():
                for named in effects.inputs:
                    if named.control == move.control and named.part in {move.part, "x", "y"}:
                        stops.setdefault(named.key, set()).add(move.at_stop)
        book = book_of(setup.tolerance, knowledge, one.scale)
        observed = observe(
            one,
            gun=setup.gun,
            overscan_aim_pct=book.overscan_aim_pct,
            sharp_spot_mm=book.spot_mm * knowledge.value("advice_sharp_ratio"),
            opening_mm=setup.opening_mm,
        )
        if did:
            amounts, turned_back = _as_it_went(belief, amounts, observed, knowledge)
            backwards += [
                move
                for move in turned
                if move.after == number and any(effects.inputs[n].key == _key(move) for n in turned_back)
            ]
            belief = after_move(belief, amounts, knowledge)
        positions = positions + amounts
        belief = seen(belief, observed)
        figures = held(one, observed.singles, book)
        rounds.append(
            Round(
                held=figures,
                excess_ratio=excess(figures),
                positions=positions,
                rings=rings,
                degaussed=degaussed,
                aimed=did and bool(amounts.any()) and not tried,
                turned=did,
                touched=frozenset(_group(mode) for n in np.flatnonzero(amounts) for mode in effects.inputs[n].main),
            )
        )
    if observed is None:
        raise ValueError("no measurement")
    return Course(
        setup=setup,
        book=book,
        effects=effects,
        rounds=tuple(rounds),
        belief=belief,
        observed=observed,
        stops=stops,
        reversed=tuple(backwards),
    )


def after_move(belief: Belief, amounts: Floats, knowledge: Knowledge) -> Belief:
    """The belief after a hand moved the inputs by about these amounts, and before a photograph."""
    return moved(
        belief,
        amounts,
        _hand_sd(belief.effects, amounts, knowledge),
        drift_sd=knowledge.value("advice_field_mm_sd"),
        side_ratio=knowledge.value("advice_side_effect_ratio"),
    )


def _degaussed(belief: Belief, before: Observation | None, knowledge: Knowledge) -> Belief:
    """The belief after a degaussing: a patch hides what rings and yoke do, and it is gone."""
    if before is None or isinstance(before.landing, Unsupported):
        return forgotten(belief, LANDING)
    if before.landing.patch_sd > knowledge.value("advice_magnetised_sd"):
        return forgotten(belief, LANDING)
    return loosened(belief, LANDING, knowledge.value("advice_degauss_sd_ratio"))


def _as_it_went(
    belief: Belief, amounts: Floats, observed: Observation, knowledge: Knowledge
) -> tuple[Floats, tuple[int, ...]]:
    """The amounts, with one of known direction the other way round if the photograph leaves no other reading.

    Rings are left out: a pair turned the wrong way doesn't move the beams the opposite way.
    """
    odds = knowledge.value("advice_wrong_way_odds")
    straight = surprise(after_move(belief, amounts, knowledge), observed)
    found: tuple[float, int] | None = None
    for n in np.flatnonzero(amounts):
        if belief.effects.inputs[n].control in RINGS or not known(belief, int(n), knowledge):
            continue
        other = amounts.copy()
        other[n] = -other[n]
        better = straight - surprise(after_move(belief, other, knowledge), observed)
        if better > 2 * math.log(odds) and (found is None or better > found[0]):
            found = better, int(n)
    if found is None:
        return amounts, ()
    amounts = amounts.copy()
    amounts[found[1]] *= -1
    return amounts, (found[1],)


def _group(mode: str) -> str:
    """The group of figures that a mode belongs to."""
    if mode.startswith(("opp_", "com_")):
        return "convergence"
    return "purity" if mode in LANDING else mode


def _key(move: Turned) -> str:
    return f"{move.control}:{move.part}" if move.part else move.control


def excess(figures: Sequence[Held]) -> float:
    """Root of the sum of squares of what lies beyond tolerance, in tolerances."""
    over = [one.over_ratio for one in figures if one.over_ratio is not None]
    return math.sqrt(sum(max(ratio - 1, 0.0) ** 2 for ratio in over))


def known(belief: Belief, number: int, knowledge: Knowledge) -> bool:
    """Whether the direction of an input is known: its main effect stands well off nothing.

    The two inputs of a pair of rings share one gain: what is known of the one is known of the other.
    """
    control, inputs = belief.effects.inputs[number].control, belief.effects.inputs
    parts = [n for n, one in enumerate(inputs) if one.control == control] if control in RINGS else [number]
    return max(main_gain(belief, n)[0] for n in parts) > knowledge.value("advice_known_sd")


def idle(belief: Belief, number: int, knowledge: Knowledge) -> bool:
    """Whether an input was tried and does next to nothing: surely far less than such a control should."""
    effects, modes = belief.effects, [INDEX[name] for name in belief.effects.inputs[number].main]
    patterns = effects.patterns[:, modes, number]
    before = np.sqrt((patterns**2).T @ effects.sd**2)
    now = np.sqrt(belief.gain_second()[modes, number])
    return bool((now < knowledge.value("advice_idle_ratio") * before).all())


def main_gain(belief: Belief, number: int) -> tuple[float, float]:
    """The strongest main effect of an input in its standard deviations, and that deviation as a share of it.

    For rings the two inputs share one gain, size and turn; its whole counts.
    """
    effects, modes = belief.effects, [INDEX[name] for name in belief.effects.inputs[number].main]
    column = belief.gain[modes, number]
    patterns = effects.patterns[:, modes, number]
    cov = patterns.T @ belief.gain_cov @ patterns
    sd = np.sqrt(np.maximum(np.diag(cov), 1e-18))
    if effects.inputs[number].control in RINGS:
        size, doubt = float(np.hypot(*column)), float(np.sqrt(np.trace(cov) / 2))
        return size / doubt, doubt / max(size, 1e-12)
    best = int(np.argmax(np.abs(column) / sd))
    size = abs(float(column[best]))
    return size / float(sd[best]), float(sd[best]) / max(size, 1e-12)


_NO_CHANGE: Final = 1e-9


def _step(effects: Effects, move: Turned, rings: Mapping[str, RingSetting]) -> tuple[Floats, dict[str, RingSetting]]:
    """By how much a move moved each input, and how the rings stand since."""
    step, after = np.zeros(len(effects.inputs)), dict(rings)
    if move.undone:
        return step, after
    if move.ring is not None and move.control in rings:
        was, now = rings[move.control], move.ring
        if move.wrong_way:
            now = replace(now, angle_deg=2 * was.angle_deg - now.angle_deg)
        after[move.control] = now
        by = ring_vector(move.control, now.tabs_mm, now.angle_deg) - ring_vector(
            move.control, was.tabs_mm, was.angle_deg
        )
        step[effects.column(f"{move.control}:x")] = by.real
        step[effects.column(f"{move.control}:y")] = by.imag
        step[np.abs(step) < _NO_CHANGE] = 0.0
        return step, after
    key = _key(move)
    if any(one.key == key for one in effects.inputs):
        step[effects.column(key)] = -move.value if move.wrong_way else move.value
    return step, after


def _hand_sd(effects: Effects, amounts: Floats, knowledge: Knowledge) -> Floats:
    """How closely a hand met the amounts, (inputs,)."""
    ratio = knowledge.value("advice_hand_sd_ratio")
    least = np.array([knowledge.constants[f"advice_hand_sd_{one.unit}"].value for one in effects.inputs])
    return np.where(amounts != 0, np.hypot(ratio * amounts, least), 0.0)
