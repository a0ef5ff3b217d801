"""What a repair still costs, from here to the last fault found: the worth of a test is what it saves of that.

At every moment there are two kinds of step: take a test, or open a suspect up. A test
costs its minutes and the way to it. Opening the wrong suspect costs part of its
minutes and, where the repair is a replacement, the risk of a part bought for nothing.
Which step is best depends on all that may follow, and that can't be gone through in
full. So it is looked ahead two steps: each promising first step with each of its
outcomes, then each promising second one with its outcomes. From there on no test is
reckoned with: the suspects are opened one after the other, in order of probability
over cost, each tried out in the running set, until the last fault that is there has
been found. That can always be done, so the figure is never too low for the model at
hand, and the step chosen never does worse by it than opening everything at once
(the improvement by rollout of Bertsekas and Tsitsiklis, Neuro-Dynamic Programming,
1996, section 2.3, from memory).

What two steps can't show is a third test that needs both. Reckoning with cheaper ways
to the end, as a price for each bit that is still open, or a share of what opening all
would lose, made simulated repairs no shorter, and soon longer (docs/repairs.md).

The minutes for mending what is truly at fault come in any case and in any order, so
they take no part in the choice; they are added to what is said of the work ahead.

Costs are minutes' worth of work: hazardous minutes count for more, and parts count as
the minutes that the shop must work for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.network import Floats
from tubewright.judgement.outcomes import OutcomeTable
from tubewright.judgement.workplace import (
    HAZARD_FACTOR,
    RUNNING_FACTOR,
    Access,
    Workplace,
    needs_of_repair,
    needs_of_test,
    reach,
    there_and_back,
)
from tubewright.knowledge.model import BenchTest, FaultCause, Needs, PartsClass

WRONG_SHARE: Final = 0.5
"""Share of a fault's find-and-mend minutes spent on learning that it is not the one (from memory, estimate)."""
SETTLING_MINUTES: Final = 1.0
"""Minutes to fetch and put away whatever the test needs (from memory, estimate)."""
PARTS_PRICE: Final[dict[PartsClass, float]] = {"c0": 0.0, "c1": 3.0, "c2": 12.0, "c3": 40.0, "c4": 100.0, "c5": 200.0}
"""Middle price of each class of parts, in the currency of the bench rate (from memory, estimate)."""
PARTS_RISK: Final = 0.5
"""Chance that a part fitted to the wrong suspect is spent for nothing (from memory, estimate)."""
BENCH_RATE_PER_HOUR: Final = 60.0
"""What the shop earns in an hour, where nothing else is said (from memory, estimate)."""

FIRST_STEPS: Final = 10
SECOND_STEPS: Final = 8
MOST_WEIGHED: Final = 160
_SUSPECTS_OPENED: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """A test or the opening of a suspect, by its place in the table or among the suspects.

    ``own_minutes`` is its own cost with the way to it; ``left_minutes`` the expected cost after it,
    mending included; ``deep`` tells whether two steps were looked ahead.
    """

    sort: Literal["test", "repair"]
    place: int
    access: Access
    own_minutes: float
    left_minutes: float
    deep: bool

    @property
    def total(self) -> float:
        """Own cost and what is left after it."""
        return self.own_minutes + self.left_minutes


def wasted(fault: FaultCause, rate_per_hour: float) -> float:
    """Minutes' worth lost on opening a suspect that isn't the one, without the way to it."""
    parts = min((PARTS_PRICE[part] for part in fault.parts), default=0.0)
    return WRONG_SHARE * max(fault.minutes, 1.0) * HAZARD_FACTOR[fault.hazard] + PARTS_RISK * parts / rate_per_hour * 60


def effort(test: BenchTest) -> float:
    """Minutes' worth of one test, without the way to it."""
    inside = needs_of_test(test) == "running_open"
    return (test.minutes + SETTLING_MINUTES) * HAZARD_FACTOR[test.hazard] * (RUNNING_FACTOR if inside else 1.0)


_TRIED_OUT: Final = Workplace(cover_open=True, running=True)


class Course:
    """All steps that could come next, and what the rest of the repair would cost after each."""

    def __init__(
        self,
        *,
        members: NDArray[np.bool_],
        chances: Floats,
        faults: Sequence[FaultCause],
        table: OutcomeTable,
        workplace: Workplace,
        rate_per_hour: float = BENCH_RATE_PER_HOUR,
    ) -> None:
        self.table = table
        self.faults = faults
        self.mend = np.array([max(fault.minutes, 1.0) for fault in faults])
        self.wrong = np.array([wasted(fault, rate_per_hour) for fault in faults])
        self._lay_out_places(workplace)
        self.all_members, self.all_chances = members, chances
        kept = slice(0, MOST_WEIGHED)  # the sets come best first
        self.chances = chances[kept] / chances[kept].sum()
        self.numbers = members[kept].astype(np.float64)
        self.members = members[kept]
        self._lay_out_members()
        told = table.likelihood[kept]
        opened = [np.column_stack([self.numbers[:, f], 1.0 - self.numbers[:, f]]) for f in range(len(faults))]
        # Every column is one outcome of one step: first those of the tests, then those of the openings.
        self.columns = np.hstack([told, *opened])
        counts = [entry.past - entry.first for entry in table.tests] + [2] * len(faults)
        self.step_of_column = np.repeat(np.arange(len(counts)), counts)
        self.first_column = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.intp)
        self.column_counts = np.array(counts, dtype=np.intp)
        self.suspect_of_step = np.concatenate([np.full(len(table.tests), -1), np.arange(len(faults))]).astype(np.intp)
        self.steps = self._look_ahead()

    # -- laying out -------------------------------------------------------------

    def _lay_out_places(self, workplace: Workplace) -> None:
        """Every way the set may come to stand, and what each step costs from each of them."""
        needs: list[tuple[Needs, bool]] = [(needs_of_test(entry.test), False) for entry in self.table.tests]
        needs += [(needs_of_repair(fault), True) for fault in self.faults]
        kinds = list(dict.fromkeys(needs))
        places = {workplace: 0}
        ways: list[list[Access]] = []
        waiting = [workplace]
        while waiting:
            here = waiting.pop(0)
            row = [there_and_back(here, kind) if repair else reach(here, kind) for kind, repair in kinds]
            ways.append(row)
            for way in row:
                if way.after not in places:
                    places[way.after] = len(places)
                    waiting.append(way.after)
        kind_of_step = np.array([kinds.index(need) for need in needs], dtype=np.intp)
        self.ways = ways
        self.kind_of_step = kind_of_step
        own = np.array([effort(entry.test) for entry in self.table.tests] + [0.0] * len(self.faults))
        way_cost = np.array([[way.effort_minutes for way in row] for row in ways])
        lands = np.array([[places[way.after] for way in row] for row in ways], dtype=np.intp)
        self.way_cost = way_cost[:, kind_of_step]
        # A suspect opened later is reached from the running set in which the one before was tried out.
        self.trip = np.array(
            [there_and_back(_TRIED_OUT, needs_of_repair(fault)).effort_minutes for fault in self.faults]
        )
        self.own_cost = own + self.way_cost  # (places, steps)
        self.lands = lands[:, kind_of_step]

    def _lay_out_members(self) -> None:
        """Members of each set as a list of places, filled up with a suspect that doesn't exist."""
        counts = self.members.sum(axis=1)
        most = max(1, int(counts.max(initial=0)))
        nobody = len(self.faults)
        self.listed = np.full((len(self.members), most), nobody, dtype=np.intp)
        for row, member in enumerate(self.members):
            there = np.flatnonzero(member)
            self.listed[row, : len(there)] = there
        self.empty = counts == 0

    # -- what is left -----------------------------------------------------------

    def left(self, beliefs: Floats, opened: NDArray[np.bool_], place: NDArray[np.intp]) -> Floats:
        """What is lost on wrong suspects if all are opened in the best order, until the last fault is found.

        Mending and the ways to what is truly at fault are left out, but for what the first
        way takes more or less from how the set stands than from a running one.

        Args:
            beliefs: Probabilities of the sets, shape (rows, sets).
            opened: Suspects that are settled and cost nothing more, shape (rows, suspects).
            place: How the set stands, shape (rows,).

        Returns:
            Minutes' worth, shape (rows,).
        """
        rows, count = len(beliefs), len(self.faults)
        marginals = beliefs @ self.numbers
        loss_if_wrong = self.wrong + self.trip
        wrong = np.where(opened, 0.0, loss_if_wrong)
        keys = np.where(opened, np.inf, marginals / loss_if_wrong)
        order = np.argsort(-keys, axis=1, kind="stable")
        rank = np.empty((rows, count + 1), dtype=np.intp)
        np.put_along_axis(rank[:, :count], order, np.broadcast_to(np.arange(count), (rows, count)), axis=1)
        rank[:, count] = -1
        # The search goes on to the last fault that is there; where it is outside the catalogue, past all suspects.
        last = rank[:, self.listed[:, 0]]
        for column in range(1, self.listed.shape[1]):
            np.maximum(last, rank[:, self.listed[:, column]], out=last)
        last[:, self.empty] = count
        flat = last + (np.arange(rows) * (count + 1))[:, np.newaxis]
        ended = np.bincount(flat.ravel(), weights=beliefs.ravel(), minlength=rows * (count + 1))
        reached = np.cumsum(ended.reshape(rows, count + 1)[:, ::-1], axis=1)[:, ::-1][:, :count]
        true_chance = np.take_along_axis(np.where(opened, 0.0, marginals), order, axis=1)
        loss = np.take_along_axis(wrong, order, axis=1)
        cost: Floats = np.sum((reached - true_chance) * loss * (loss > 0), axis=1)
        # The first that must be opened is reached from how the set stands now.
        settled = opened.sum(axis=1)
        first = np.minimum(settled, count - 1)
        suspect = order[np.arange(rows), first]
        way = self.way_cost[place, len(self.table.tests) + suspect] - self.trip[suspect]
        cost += np.where(settled < count, reached[np.arange(rows), first] * way, 0.0)
        return cost

    @property
    def mending(self) -> float:
        """Expected minutes for mending what is truly at fault, with the ways there."""
        return float(self.chances @ self.numbers @ (self.mend + self.trip))

    # -- looking ahead ----------------------------------------------------------

    def _look_ahead(self) -> list[Step]:
        """Every step, best first: those worth a second look by two steps ahead, then the others by one."""
        count = len(self.column_counts)
        chance, after = self._after(self.chances[np.newaxis, :], np.arange(self.columns.shape[1]))
        chance, after = chance[0], after[0]
        step = self.step_of_column
        opened = self._opened(step, np.zeros((1, len(self.faults)), dtype=np.bool_))[0]
        lands = self.lands[0, step]
        leaf = self.left(after, opened, lands)
        marginals = self.chances @ self.numbers
        own = self.own_cost[0].copy()
        # The way to a suspect that is the right one is counted as part of its mending, as if from a running set.
        own[len(self.table.tests) :] += (1.0 - marginals) * self.wrong - marginals * self.trip
        shallow = np.bincount(step, weights=chance * leaf, minlength=count)
        order = np.argsort(own + shallow, kind="stable")
        self.now = float((own + shallow)[order[0]]) + self.mending
        """Cost of the rest of the repair if only one more step is chosen and then all suspects are opened."""
        first = order[:FIRST_STEPS]
        second = self._second(order, marginals)
        rows = np.flatnonzero(np.isin(step, first) & (chance > 0))
        better = self._best_second(after[rows], opened[rows], lands[rows], step[rows], second)
        leaf[rows] = np.minimum(leaf[rows], better)
        deep = np.bincount(step, weights=chance * leaf, minlength=count)
        looked = np.isin(np.arange(count), first)
        found = [self._step(int(i), float(own[i]), float(deep[i]), deep=bool(looked[i])) for i in range(count)]
        return sorted(found, key=lambda s: (not s.deep, s.total))

    def _second(self, order: NDArray[np.intp], marginals: Floats) -> NDArray[np.intp]:
        """Steps that may come second: the promising tests, and the likeliest suspects."""
        tests = order[order < len(self.table.tests)][:SECOND_STEPS]
        suspects = np.argsort(-marginals, kind="stable")[:_SUSPECTS_OPENED] + len(self.table.tests)
        return np.concatenate([tests, suspects]).astype(np.intp)

    def _best_second(
        self,
        beliefs: Floats,
        opened: NDArray[np.bool_],
        place: NDArray[np.intp],
        taken: NDArray[np.intp],
        second: NDArray[np.intp],
    ) -> Floats:
        """Cost of the best second step and what follows it, for each row of beliefs."""
        rows = len(beliefs)
        columns = np.concatenate(
            [np.arange(self.first_column[i], self.first_column[i] + self.column_counts[i]) for i in second]
        )
        at = np.repeat(np.arange(len(second)), self.column_counts[second])  # which second step a column is of
        chance, after = self._after(beliefs, columns)  # (rows, columns), (rows, columns, sets)
        steps = second[at]
        settled = self._opened(steps, opened)
        lands = self.lands[place[:, np.newaxis], steps[np.newaxis, :]]
        worth = chance > 1e-9
        leaf = np.zeros(chance.shape)
        leaf[worth] = self.left(after[worth], settled[worth], lands[worth])
        total = self.own_cost[place[:, np.newaxis], second[np.newaxis, :]].copy()
        suspects = self.suspect_of_step[second]
        marginals = beliefs @ self.numbers
        guess = np.where(
            suspects >= 0,
            (1.0 - marginals[:, suspects]) * self.wrong[suspects] - marginals[:, suspects] * self.trip[suspects],
            0.0,
        )
        total += guess
        weighted = chance * leaf
        starts = np.concatenate([[0], np.cumsum(self.column_counts[second])[:-1]]).astype(np.intp)
        total += np.add.reduceat(weighted, starts, axis=1)
        # The same test twice tells nothing new; a suspect once opened is known.
        total[second[np.newaxis, :] == taken[:, np.newaxis]] = np.inf
        best: Floats = total.min(axis=1) if rows else np.zeros(0)
        return best

    def _after(self, beliefs: Floats, columns: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Chance of each outcome, and the beliefs after it; shapes (rows, columns) and (rows, columns, sets)."""
        likely = self.columns[:, columns].T
        joint = beliefs[:, np.newaxis, :] * likely[np.newaxis, :, :]
        chance = joint.sum(axis=2)
        joint /= np.maximum(chance, 1e-300)[:, :, np.newaxis]
        return chance, joint

    def _opened(self, steps: NDArray[np.intp], before: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Suspects settled after each step; shape (rows, steps, suspects)."""
        suspects = self.suspect_of_step[steps]
        new = suspects[:, np.newaxis] == np.arange(len(self.faults))[np.newaxis, :]
        answer: NDArray[np.bool_] = before[:, np.newaxis, :] | new[np.newaxis, :, :]
        return answer

    def _step(self, index: int, own: float, left: float, *, deep: bool) -> Step:
        tests = len(self.table.tests)
        return Step(
            sort="test" if index < tests else "repair",
            place=index if index < tests else index - tests,
            access=self.ways[0][int(self.kind_of_step[index])],
            own_minutes=own,
            left_minutes=left + self.mending,
            deep=deep,
        )
