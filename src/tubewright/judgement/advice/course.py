"""The course of a set-up so far: photographs, what was turned between them, and what that has taught."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.branches import Branch, each, merged, seen
from tubewright.judgement.advice.doubts import known
from tubewright.judgement.advice.effects import RINGS, CarriedGain, Effects, effects_of
from tubewright.judgement.advice.hand import RingSetting, Stop, Turned, after_move, step_of
from tubewright.judgement.advice.landing import Landing
from tubewright.judgement.advice.modes import INDEX, LANDING, GunKind, Observation, observe
from tubewright.judgement.advice.response import (
    Belief,
    first_belief,
    forgotten,
    loosened,
    reopened,
    strange_modes,
    surprise,
)
from tubewright.judgement.advice.tolerances import Book, Held, Tolerance, book_of, held
from tubewright.judgement.seen_checks import Measured
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import Figure, Scale

__all__ = ["Course", "RingSetting", "Round", "Setup", "Stop", "Turned", "excess", "follow", "known"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What is set up, and how.

    Attributes:
        gun: Arrangement of the guns.
        controls: Ids of the controls that it has.
        tolerance: The set of tolerances it is held to.
        warm: It has warmed up.
        degaussed: It was degaussed in its place this session, before the first photograph.
        at_once: So many controls at most between two photographs. As many as a list on the bench bears: each look
            costs more than a turn, and effects are told apart by where on the picture they show.
        rings: How each pair of rings stood at the first photograph, where somebody looked.
        opening_mm: Width and height of the opening that the picture is to fill, by a ruler; ``None`` if nobody did.
        prior_gains: What earlier sessions on the same display taught of its gains, by name.
    """

    gun: GunKind = "inline"
    controls: Collection[str]
    tolerance: Tolerance = "arcade"
    warm: bool = True
    degaussed: bool = False
    at_once: int = 10
    rings: Mapping[str, RingSetting] = field(default_factory=dict)
    opening_mm: tuple[float, float] | None = None
    prior_gains: Mapping[str, CarriedGain] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Round:
    """One photograph, and what stood when it was taken.

    Attributes:
        held: Its figures against their tolerances.
        excess_ratio: Root of the sum of squares of what lies beyond tolerance, in tolerances.
        positions: Where each input stood against the first photograph, in its unit, (inputs,).
        rings: How each pair of rings stood.
        degaussed: How often it had been degaussed, by then.
        aimed: All that was turned before it had known directions, and should have improved what it was for.
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
        reversed: Moves that must have gone the other way, by what the photographs after them show.
        readable_mm: How far red or blue may stand from green for a photograph of this picture to be read.
        contradicted: Controls of which one move must have gone the other way, and nothing tells which one.
    """

    setup: Setup
    book: Book
    effects: Effects
    rounds: tuple[Round, ...]
    belief: Belief
    observed: Observation
    stops: Mapping[str, Collection[Stop]]
    reversed: tuple[Turned, ...] = ()
    contradicted: tuple[str, ...] = ()
    readable_mm: float = math.inf

    @property
    def unread(self) -> int:
        """So many photographs could not be read."""
        return sum(all(figure.within is None for figure in one.held) for one in self.rounds)

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

    Where a photograph is stranger than it could be, something isn't as written: a move that went the other way, or
    a gain of an earlier session that doesn't hold. The single such change that makes all photographs together likely
    is taken, then the next, as long as one is likelier by the odds that are asked for.

    Args:
        measured: One measurement for each photograph or set of them, in order; at least one.
        turned: What was done between them.
        setup: What is set up.
        knowledge: The facts.

    Returns:
        What is known after the last photograph.

    Raises:
        ValueError: No measurement.
    """
    if not measured:
        raise ValueError("no measurement")
    looks = [_Look(one, setup, knowledge) for one in measured]

    def walked(doubted: _Doubted) -> _Walk:
        walk = _Walk(turned, setup, knowledge, doubted)
        for number, look in enumerate(looks):
            walk.photograph(number, look)
        return walk

    doubted = _Doubted()
    walk = walked(doubted)
    if not walk.strange:
        return walk.course()
    least = 2 * math.log(knowledge.value("advice_wrong_way_odds"))
    while True:
        others = [walked(one) for one in walk.doubts()]
        better = [other for other in others if walk.surprise - other.surprise > least]
        if not better:
            return walk.course()
        best = min(better, key=lambda one: one.surprise)
        key = best.doubted.last
        rivals = [one for one in better if one.doubted.last == key and one.surprise - best.surprise < least / 2]
        moves = [one for one in turned if one.key == key and not one.undone]
        if len(rivals) == len(moves) == 2 and key not in RINGS:
            # They contradict each other, and there is no third that tells which went wrong: its direction is open.
            best = walked(replace(walk.doubted, open=walk.doubted.open | {key}, last=key))
        walk = best


@dataclass(frozen=True, slots=True, kw_only=True)
class _Doubted:
    """What is taken otherwise than it was written.

    ``backwards`` are places of moves that went the other way, ``strange`` inputs whose carried gains don't hold,
    ``open`` inputs whose moves contradict each other; ``last`` is the input that was doubted last.
    """

    backwards: frozenset[int] = frozenset()
    strange: frozenset[str] = frozenset()
    open: frozenset[str] = frozenset()
    last: str = ""


class _Look:
    """One photograph as an observation."""

    def __init__(self, measured: Measured, setup: Setup, knowledge: Knowledge) -> None:
        self.measured = measured
        self.book = book_of(setup.tolerance, knowledge, measured.scale)
        self.observed = observe(
            measured,
            gun=setup.gun,
            overscan_aim_pct=self.book.overscan_aim_pct,
            sharp_spot_mm=self.book.spot_mm * knowledge.value("advice_sharp_ratio"),
            opening_mm=setup.opening_mm,
        )
        self.figures = held(measured, self.observed.singles, self.book)


class _Walk:
    """Goes from photograph to photograph, and minds how strange each was after what had been turned."""

    def __init__(self, turned: Sequence[Turned], setup: Setup, knowledge: Knowledge, doubted: _Doubted) -> None:
        self.turned, self.setup, self.knowledge, self.doubted = turned, setup, knowledge, doubted
        gone = doubted.strange | doubted.open
        self.carried = {name: gain for name, gain in setup.prior_gains.items() if _key_of(name) not in gone}
        self.effects = effects_of(setup.controls, knowledge, self.carried)
        usual = RingSetting(tabs_mm=knowledge.value("advice_usual_tabs_mm"))
        self.rings = {name: setup.rings.get(name, usual) for name in RINGS if name in setup.controls}
        self.positions = np.zeros(len(self.effects.inputs))
        self.branches: tuple[Branch, ...] = (Branch(weight=1.0, belief=first_belief(self.effects)),)
        self.degaussed = int(setup.degaussed)
        self.rounds: list[Round] = []
        self.stops: dict[str, set[Stop]] = {}
        self.look: _Look | None = None
        self.width_mm = math.inf
        self.surprise, self.strange = 0.0, frozenset[int]()

    @property
    def belief(self) -> Belief:
        """What is known, all branches together."""
        return merged(self.branches)

    def doubts(self) -> list[_Doubted]:
        """Each single thing that could be taken otherwise and has to do with what was strange."""
        found = []
        inputs = [one for one in self.effects.inputs if {INDEX[name] for name in one.main} & self.strange]
        near = {one.control if one.control in RINGS else one.key for one in inputs}
        for n, move in enumerate(self.turned):
            other = move.value if move.ring is None else move.ring.angle_deg
            if move.key in near - self.doubted.open and not move.undone and other:
                found.append(replace(self.doubted, backwards=self.doubted.backwards ^ {n}, last=move.key))
        moved = {move.key for move in self.turned}
        carried = sorted({_key_of(name) for name in self.carried} & moved & near)
        return found + [replace(self.doubted, strange=self.doubted.strange | {key}, last=key) for key in carried]

    def photograph(self, number: int, look: _Look) -> None:
        """Take a photograph in, after what was turned before it."""
        moves = [n for n, move in enumerate(self.turned) if move.after == number]
        for n in moves:
            if self.turned[n].control == "degauss" and not self.turned[n].undone:
                self.degaussed += 1
                self.branches = each(self.branches, self._degaussed)
        turned = [n for n in moves if self.turned[n].control != "degauss"]
        amounts, rings = self._amounts(turned)
        numbers = [int(k) for k in np.flatnonzero(amounts)]
        aimed = bool(numbers) and all(known(self.belief, k, self.knowledge) for k in numbers)
        aimed = aimed and self._promises(amounts, look.book)
        if turned:
            self.branches = each(self.branches, lambda one: after_move(one, amounts, self.knowledge))
            self.surprise += surprise(self.belief, look.observed)
            limit = self.knowledge.value("advice_strange_sd")
            self.strange |= strange_modes(self.belief, look.observed, limit)
        self._meet_ends(turned, amounts)
        if isinstance(look.measured.scale, Scale):
            self.width_mm = look.measured.scale.width_mm.value
        self.rings, self.positions, self.look = rings, self.positions + amounts, look
        self.branches = seen(self.branches, look.observed)
        if any(self.effects.inputs[k].key in self.doubted.open for k in numbers):
            self.branches = each(self.branches, lambda one: reopened(one, self.doubted.open))
        self.rounds.append(
            Round(
                held=look.figures,
                excess_ratio=excess(look.figures),
                positions=self.positions,
                rings=rings,
                degaussed=self.degaussed,
                aimed=aimed,
                turned=bool(moves),
                touched=frozenset(group_of(mode) for k in numbers for mode in self.effects.inputs[k].main),
            )
        )

    def _degaussed(self, belief: Belief) -> Belief:
        """The belief after a degaussing: a patch hides what rings and yoke do, and it is gone."""
        landing = None if self.look is None else self.look.observed.landing
        if not isinstance(landing, Landing) or landing.patch_sd > self.knowledge.value("advice_magnetised_sd"):
            return forgotten(belief, LANDING)
        return loosened(belief, LANDING, self.knowledge.value("advice_degauss_sd_ratio"))

    def _readable_mm(self) -> float:
        """How far red or blue may stand from green: as is usual, or a little beyond what was read here already."""
        read = [
            figure.found.value
            for one in self.rounds
            for figure in one.held
            if figure.group == "convergence" and isinstance(figure.found, Figure)
        ]
        usual = self.knowledge.value("advice_readable_ratio") * self.width_mm
        return max(usual, self.knowledge.value("advice_read_beyond_ratio") * max(read, default=0.0))

    def _promises(self, amounts: Floats, book: Book) -> bool:
        """Whether moves should better what they are for, by what is known before them."""
        inputs, weights = self.effects.inputs, book.weights()
        main = sorted({INDEX[name] for k in np.flatnonzero(amounts) for name in inputs[k].main})
        before = self.belief.error
        after = before + self.belief.gain @ amounts
        now, then = weights[:, main] @ before[main], weights[:, main] @ after[main]
        return bool(then @ then < now @ now)

    def _amounts(self, moves: Sequence[int]) -> tuple[Floats, dict[str, RingSetting]]:
        """By how much the inputs were moved, and how the rings stand since."""
        amounts, rings = np.zeros(len(self.effects.inputs)), self.rings
        for n in moves:
            step, rings = step_of(self.effects, self._as_it_went(n), rings)
            amounts = amounts + step
        return amounts, rings

    def _as_it_went(self, place: int) -> Turned:
        move = self.turned[place]
        return replace(move, wrong_way=not move.wrong_way) if place in self.doubted.backwards else move

    def _meet_ends(self, moves: Sequence[int], amounts: Floats) -> None:
        """Note which inputs have met an end, and which have left it."""
        for n in moves:
            move, inputs = self.turned[n], self.effects.inputs
            own = [
                k for k, one in enumerate(inputs) if one.control == move.control and one.part in {move.part, "x", "y"}
            ]
            if move.at_stop:
                moved = [k for k in own if amounts[k]] or own
                for k in moved:
                    self.stops.setdefault(inputs[k].key, set()).add(move.at_stop)
                continue
            for k in own:
                if amounts[k] and self.stops.get(inputs[k].key):
                    self.stops[inputs[k].key].discard("negative" if amounts[k] > 0 else "positive")

    def course(self) -> Course:
        """Everything so far."""
        if self.look is None:
            raise ValueError("no measurement")
        return Course(
            setup=self.setup,
            book=self.look.book,
            effects=self.effects,
            rounds=tuple(self.rounds),
            belief=self.belief,
            observed=self.look.observed,
            stops=self.stops,
            reversed=tuple(self.turned[n] for n in sorted(self.doubted.backwards)),
            readable_mm=self._readable_mm(),
            contradicted=tuple(sorted({key.partition(":")[0] for key in self.doubted.open})),
        )


def _key_of(gain: str) -> str:
    """The input that a gain's name belongs to; rings have one name for both of theirs."""
    return gain.partition(">")[0]


def group_of(mode: str) -> str:
    """The group of figures that a mode belongs to."""
    if mode.startswith(("opp_", "com_")):
        return "convergence"
    return "purity" if mode in LANDING else mode


def excess(figures: Sequence[Held]) -> float:
    """Root of the sum of squares of what lies beyond tolerance, in tolerances."""
    over = [one.over_ratio for one in figures if one.over_ratio is not None]
    return math.sqrt(sum(max(ratio - 1, 0.0) ** 2 for ratio in over))
