"""The course of a set-up so far: photographs, what was turned between them, and what that has taught."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.doubts import known
from tubewright.judgement.advice.effects import RINGS, CarriedGain, Effects, effects_of
from tubewright.judgement.advice.hand import RingSetting, Stop, Turned, after_move, step_of
from tubewright.judgement.advice.modes import LANDING, GunKind, Observation, observe
from tubewright.judgement.advice.response import Belief, first_belief, forgotten, loosened, seen, surprise
from tubewright.judgement.advice.tolerances import Book, Held, Tolerance, book_of, held
from tubewright.judgement.seen_checks import Measured
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import Unsupported

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
        at_once: So many controls at most between two photographs.
        rings: How each pair of rings stood at the first photograph, where somebody looked.
        opening_mm: Width and height of the opening that the picture is to fill, by a ruler; ``None`` if nobody did.
        prior_gains: What earlier sessions on the same display taught of its gains, by name.
    """

    gun: GunKind = "inline"
    controls: Collection[str]
    tolerance: Tolerance = "arcade"
    warm: bool = True
    degaussed: bool = False
    at_once: int = 6
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

    A photograph may show that a move went the other way than written. If later ones contradict that, the earlier
    move must have been the wrong one, and everything is gone through anew with that.

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
    backwards: frozenset[int] = frozenset()
    settled: frozenset[str] = frozenset()
    strange: frozenset[str] = frozenset()
    while True:
        walk = _Walk(turned, setup, knowledge, backwards, settled, strange)
        for number, one in enumerate(measured):
            doubted = walk.photograph(number, one)
            if doubted is not None:
                break
        else:
            return walk.course()
        # Once for each control at most: what was told by the majority of its moves stays so.
        backwards, settled = walk.majority(doubted), settled | {doubted}
        strange |= {doubted} if walk.is_carried(doubted) else frozenset()


class _Walk:
    """Goes from photograph to photograph.

    ``backwards`` are places of moves in ``turned`` that are taken to have gone the other way from the outset,
    ``settled`` the controls for which that was decided, ``strange`` those whose carried gains are not believed.
    """

    def __init__(
        self,
        turned: Sequence[Turned],
        setup: Setup,
        knowledge: Knowledge,
        backwards: frozenset[int],
        settled: frozenset[str],
        strange: frozenset[str],
    ) -> None:
        self.turned, self.setup, self.knowledge = turned, setup, knowledge
        self.backwards, self.settled = set(backwards), settled
        self.carried = {name: gain for name, gain in setup.prior_gains.items() if _key_of(name) not in strange}
        self.effects = effects_of(setup.controls, knowledge, self.carried)
        usual = RingSetting(tabs_mm=knowledge.value("advice_usual_tabs_mm"))
        self.rings = {name: setup.rings.get(name, usual) for name in RINGS if name in setup.controls}
        self.positions = np.zeros(len(self.effects.inputs))
        self.belief = first_belief(self.effects)
        self.degaussed = int(setup.degaussed)
        self.rounds: list[Round] = []
        self.stops: dict[str, set[Stop]] = {}
        self.observed: Observation | None = None
        self.book: Book | None = None
        self.number = 0
        # So many moves agree with the direction an input is taken to have, less those that don't; an earlier session
        # counts as one.
        self.votes: Counter[str] = Counter({_key_of(name): 1 for name in self.carried})

    def is_carried(self, key: str) -> bool:
        """Whether what is known of an input comes from an earlier session."""
        return any(_key_of(name) == key for name in self.carried)

    def majority(self, key: str) -> frozenset[int]:
        """The moves taken to have gone the other way, with those of one input the other way round."""
        own = {n for n, one in enumerate(self.turned) if one.key == key and one.after < self.number and not one.undone}
        others = self.backwards - own
        return frozenset(others if self.is_carried(key) else others | (own - self.backwards))

    def photograph(self, number: int, measured: Measured) -> str | None:
        """Take a photograph in, after what was turned before it.

        Returns:
            An input whose moves contradict what was taken of it before; ``None`` if there is none.
        """
        moves = [n for n, move in enumerate(self.turned) if move.after == number]
        self.number = number
        book = book_of(self.setup.tolerance, self.knowledge, measured.scale)
        observed = observe(
            measured,
            gun=self.setup.gun,
            overscan_aim_pct=book.overscan_aim_pct,
            sharp_spot_mm=book.spot_mm * self.knowledge.value("advice_sharp_ratio"),
            opening_mm=self.setup.opening_mm,
        )
        for n in moves:
            if self.turned[n].control == "degauss" and not self.turned[n].undone:
                self.degaussed += 1
                self.belief = _degaussed(self.belief, self.observed, self.knowledge)
        moves = [n for n in moves if self.turned[n].control != "degauss"]
        amounts, rings = self._amounts(moves)
        tried = any(not known(self.belief, int(k), self.knowledge) for k in np.flatnonzero(amounts))
        if moves:
            other = self._other_way(moves, amounts, observed)
            if other is not None:
                key = self.turned[other].key
                if self.votes[key] <= 0 and key not in RINGS:
                    return key
                self.votes[key] -= 2
                self.backwards ^= {other}
                amounts, rings = self._amounts(moves)
            self.votes.update({self.turned[n].key for n in moves})
            self.belief = after_move(self.belief, amounts, self.knowledge)
        self._meet_ends(moves, amounts)
        self.rings, self.positions = rings, self.positions + amounts
        self.belief = seen(self.belief, observed)
        self.observed, self.book = observed, book
        figures = held(measured, observed.singles, book)
        did = any(move.after == number for move in self.turned)
        groups = {_group(mode) for n in np.flatnonzero(amounts) for mode in self.effects.inputs[n].main}
        self.rounds.append(
            Round(
                held=figures,
                excess_ratio=excess(figures),
                positions=self.positions,
                rings=rings,
                degaussed=self.degaussed,
                aimed=did and bool(amounts.any()) and not tried,
                turned=did,
                touched=frozenset(groups),
            )
        )
        return None

    def _amounts(self, moves: Sequence[int]) -> tuple[Floats, dict[str, RingSetting]]:
        """By how much the inputs were moved, and how the rings stand since."""
        amounts, rings = np.zeros(len(self.effects.inputs)), self.rings
        for n in moves:
            step, rings = step_of(self.effects, self._as_it_went(n), rings)
            amounts = amounts + step
        return amounts, rings

    def _as_it_went(self, place: int) -> Turned:
        move = self.turned[place]
        return replace(move, wrong_way=not move.wrong_way) if place in self.backwards else move

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

    def _other_way(self, moves: Sequence[int], amounts: Floats, observed: Observation) -> int | None:
        """A move of known direction that must have gone the other way: the photograph leaves no other reading."""
        odds = self.knowledge.value("advice_wrong_way_odds")
        straight = surprise(after_move(self.belief, amounts, self.knowledge), observed)
        found: tuple[float, int] | None = None
        for n in moves:
            move = self.turned[n]
            own = [k for k, one in enumerate(self.effects.inputs) if one.control == move.control and amounts[k]]
            if move.key in self.settled or not any(known(self.belief, k, self.knowledge) for k in own):
                continue
            self.backwards ^= {n}
            other, _ = self._amounts(moves)
            self.backwards ^= {n}
            if np.array_equal(other, amounts):
                continue
            better = straight - surprise(after_move(self.belief, other, self.knowledge), observed)
            if better > 2 * math.log(odds) and (found is None or better > found[0]):
                found = better, n
        return None if found is None else found[1]

    def course(self) -> Course:
        """Everything so far."""
        if self.observed is None or self.book is None:
            raise ValueError("no measurement")
        return Course(
            setup=self.setup,
            book=self.book,
            effects=self.effects,
            rounds=tuple(self.rounds),
            belief=self.belief,
            observed=self.observed,
            stops=self.stops,
            reversed=tuple(self.turned[n] for n in sorted(self.backwards)),
        )


def _key_of(gain: str) -> str:
    """The input that a gain's name belongs to; rings have one name for both of theirs."""
    return gain.partition(">")[0]


def _degaussed(belief: Belief, before: Observation | None, knowledge: Knowledge) -> Belief:
    """The belief after a degaussing: a patch hides what rings and yoke do, and it is gone."""
    if before is None or isinstance(before.landing, Unsupported):
        return forgotten(belief, LANDING)
    if before.landing.patch_sd > knowledge.value("advice_magnetised_sd"):
        return forgotten(belief, LANDING)
    return loosened(belief, LANDING, knowledge.value("advice_degauss_sd_ratio"))


def _group(mode: str) -> str:
    """The group of figures that a mode belongs to."""
    if mode.startswith(("opp_", "com_")):
        return "convergence"
    return "purity" if mode in LANDING else mode


def excess(figures: Sequence[Held]) -> float:
    """Root of the sum of squares of what lies beyond tolerance, in tolerances."""
    over = [one.over_ratio for one in figures if one.over_ratio is not None]
    return math.sqrt(sum(max(ratio - 1, 0.0) ** 2 for ratio in over))
