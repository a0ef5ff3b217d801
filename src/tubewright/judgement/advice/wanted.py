"""Which controls the evidence asks for: whose own error, with everything else put right, would stay in the way."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.course import Course
from tubewright.judgement.advice.doubts import known
from tubewright.judgement.advice.effects import RINGS
from tubewright.judgement.advice.modes import INDEX, LANDING, MODES
from tubewright.judgement.advice.tolerances import WORDS, Held
from tubewright.judgement.seen_words import ZONE_WORDS
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import ZONES

Floats = NDArray[np.float64]

CLEAR_SD: Final = 3.0
"""Standard deviations by which an error must stand from nothing before a control is tried for it."""
BLIND: Final = 3.0
"""A component whose standard deviation is more tolerances than this isn't measured."""
NEAR: Final = 0.5
"""Share of its tolerance from which an error counts where others of its kind are beyond theirs."""
PART: Final = 0.5
"""Of the gains on what an input is for, those of at least this share of the largest make its pattern."""
FINE: Final = frozenset({"convergence_strips", "dynamic_convergence"})
"""What acts in one place; it waits until what acts everywhere has done its part."""


@dataclass(frozen=True, slots=True)
class Row:
    """What a row of the book's weights is."""

    about: str
    unit: str
    tolerance: float


def rows_of(course: Course) -> list[Row]:
    """What each row of the book's weights is, in its order."""
    rows = [
        Row(f"{gun} against green {way}, {ZONE_WORDS[zone]}", "mm", course.book.zone_mm[zone])
        for zone in ZONES
        for gun in ("red", "blue")
        for way in ("sideways", "up and down")
    ]
    rows += [Row(*WORDS[mode], tolerance) for mode, tolerance in course.book.single.items()]
    about = ("even sideways", "even up and down", "growing to the edges")
    rows += [Row(f"landing error {words}", "share", course.book.landing_ratio) for words in about]
    return rows


class Wanted:
    """The errors that fail, in components over their tolerances, and what of them belongs to which input.

    Attributes:
        failing: Figures beyond their tolerance.
        impure: Purity is among them.
        weights: Components over their tolerances from the modes, those not measured left out, (components, modes).
        wanting: Components of a kind that fails, (components,).
        needed: Per input, the errors in tolerances that would stay if all but it were put right; 0 where it isn't
            asked for, (inputs,).
    """

    def __init__(self, course: Course, knowledge: Knowledge, without: Collection[int] = ()) -> None:
        self.course, self.knowledge = course, knowledge
        self.failing: tuple[Held, ...] = tuple(one for one in course.now.held if one.within is False)
        self.impure = any(one.group == "purity" for one in self.failing)
        weights = course.book.weights()
        cov = np.einsum("cm,mn,cn->c", weights, course.belief.error_cov, weights)
        measured = np.sqrt(np.maximum(cov, 0)) < BLIND
        self.weights: Floats = np.where(measured[:, None], weights, 0.0)
        groups = {one.group for one in self.failing}
        kinds = ["convergence"] * (4 * len(ZONES)) + list(course.book.single) + ["purity"] * len(LANDING)
        self.wanting: NDArray[np.bool_] = np.array([kind in groups for kind in kinds]) & measured
        self.needed = self._needed(frozenset(without))

    def _clear(self, modes: Sequence[int]) -> bool:
        error, sd = self.course.belief.error[modes], np.sqrt(np.diag(self.course.belief.error_cov)[modes])
        return bool((np.abs(error) > CLEAR_SD * sd).any())

    def _candidates(self, without: Collection[int]) -> list[int]:
        """Inputs whose own error is clear; of several controls for the same, one that is known, or the first."""
        belief, inputs = self.course.belief, self.course.effects.inputs
        by_main: dict[tuple[str, ...], list[int]] = {}
        for n, one in enumerate(inputs):
            main = [INDEX[name] for name in one.main]
            touched = self.wanting & (np.abs(self.weights[:, main]) > 0).any(axis=1)
            if n not in without and touched.any() and self._clear(main):
                by_main.setdefault(one.main, []).append(n)
        chosen = []
        for numbers in by_main.values():
            first = next((n for n in numbers if known(belief, n, self.knowledge)), numbers[0])
            chosen += [n for n in numbers if inputs[n].control == inputs[first].control]
        return sorted(chosen)

    def _patterns(self, number: int) -> Floats:
        """What an input does to the modes that it is for, one row per independent way, (ways, modes)."""
        effects = self.course.effects
        main = [INDEX[name] for name in effects.inputs[number].main]
        size = np.abs(effects.patterns[:, main, number]).max(axis=1) * effects.sd
        strong = size >= PART * size.max()
        rows = np.zeros((int(strong.sum()), len(MODES)))
        rows[:, main] = effects.patterns[np.ix_(strong, main, [number])][:, :, 0]
        return rows

    def shares(self, numbers: Sequence[int]) -> Floats:
        """The part of the errors that belongs to each of some inputs, (inputs, modes).

        Controls whose patterns overlap share their errors as least squares would.
        """
        effects, error = self.course.effects, self.course.belief.error
        found = np.zeros((len(effects.inputs), len(MODES)))
        # The two of a pair of rings do the same.
        alone = [n for n in numbers if effects.inputs[n].control not in RINGS or effects.inputs[n].part == "x"]
        if not alone:
            return found
        ways = [self._patterns(n) for n in alone]
        stack = np.concatenate(ways)
        touched = np.abs(stack).any(axis=0)
        amounts = np.linalg.lstsq(stack[:, touched].T, error[touched], rcond=None)[0]
        at = 0
        for n, own in zip(alone, ways, strict=True):
            for k in numbers:
                if effects.inputs[k].key == effects.inputs[n].key or self._paired(k, n):
                    found[k] = amounts[at : at + len(own)] @ own
            at += len(own)
        return found

    def _paired(self, one: int, other: int) -> bool:
        inputs = self.course.effects.inputs
        return inputs[one].control == inputs[other].control and inputs[one].control in RINGS

    def _sizes(self, errors: Floats) -> Floats:
        """Errors over their tolerances by component; both axes of a zone's vector have its length."""
        left = np.abs(self.weights @ errors)
        pairs = left[: 4 * len(ZONES)].reshape(-1, 2)
        left[: 4 * len(ZONES)] = np.repeat(np.hypot(pairs[:, 0], pairs[:, 1]), 2)
        return np.asarray(left)

    def _needed(self, without: Collection[int]) -> Floats:
        inputs, error = self.course.effects.inputs, self.course.belief.error
        found = np.zeros(len(inputs))
        candidates = self._candidates(without)
        coarse = [n for n in candidates if inputs[n].control not in FINE]
        for numbers in (coarse, candidates):
            shares = self.shares(numbers)
            rest = error - self._all(shares, numbers)
            for n in numbers:
                found[n] = self._stays(shares[n], rest)
            if any(found[n] > 0 and inputs[n].main[0].startswith(("opp_", "com_")) for n in numbers):
                break
        return found

    def _all(self, shares: Floats, numbers: Sequence[int]) -> Floats:
        """The errors that belong to any of some inputs; the two of a pair of rings have the same."""
        seen: set[str] = set()
        total = np.zeros(len(MODES))
        for n in numbers:
            one = self.course.effects.inputs[n]
            if one.control in RINGS and one.control in seen:
                continue
            seen.add(one.control)
            total += shares[n]
        return total

    def _stays(self, own: Floats, rest: Floats) -> float:
        """The largest error that would stay where an input's own part does if all but it were put right."""
        left, mended = self._sizes(rest + own), self._sizes(rest)
        inside = self.wanting & (self._sizes(own) > 0)
        worst = float(left[inside & (left > mended)].max(initial=0.0))
        helps = float(left[inside] @ left[inside]) > float(mended[inside] @ mended[inside])
        return worst if helps and worst > NEAR else 0.0
