"""How decisions are compared for one weighing of the particles.

Plans are vectors over the particles; a decision is what the best plan begins with,
or finding the fault first, which is worth its price where the complaint may lie
outside the tube: then each kind of particle gets the plan that is best for it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.complaint import Complaint
from tubewright.judgement.policy import CHASSIS_GONE, Policy
from tubewright.knowledge.model import Knowledge

Array = NDArray[np.float64]

FIND_FAULT = "find_fault_first"


LEFT_ALONE = frozenset({"leave", "adjust"})
"""First steps that do nothing to the tube: a fault elsewhere then brings the display back for certain."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighing:
    """How decisions are compared: plans, where the complaint lies, and what looking costs.

    ``enough`` tells which particles need nothing done to their guns; ``rework`` is
    lost when a display comes back because the wrong thing was done; ``look`` is the
    price of looking for a fault, worth considering from a chance of ``doubt``;
    ``read_tube`` the price of reading the tube where that is still to be done;
    ``tolerance`` a difference in loss that nobody would argue about; ``look_price``
    what a first step costs that is a look more than a treatment; ``trust`` what a
    contradiction in the evidence leaves of the confidence.
    """

    losses: Array
    firsts: tuple[str, ...]
    elsewhere: Array
    enough: NDArray[np.bool_]
    rework: float
    look: float
    doubt: float
    read_tube: float | None
    heard: bool
    tolerance: float
    look_price: Mapping[str, float]
    trust: float

    def best(self, weight: Array, elsewhere: Array | None = None) -> tuple[str, float, int]:
        """The best decision for one weighing of the particles.

        Args:
            weight: Weight of each particle, summing to the probability of the outcome.
            elsewhere: Chance per particle that the complaint lies elsewhere.

        Returns:
            Its name, its loss (in proportion to the weight), and the index of the plan
            that stands behind it.
        """
        e = self.elsewhere if elsewhere is None else elsewhere
        plain = self.losses @ weight
        total = plain + self._come_backs(weight, e)
        plan = int(np.argmin(total))
        choice = (self.firsts[plan], float(total[plan]), plan)
        looking = self._looking(weight, e)
        # Looking elsewhere must be worth more than nobody would argue about.
        if looking < choice[1] - self.tolerance * float(weight.sum()):
            choice = (FIND_FAULT, looking, int(np.argmin(plain)))
        reading = self._reading(weight)
        if reading < choice[1]:
            choice = (FIND_FAULT, reading, int(np.argmin(plain)))
        return choice

    def settle(self, weight: Array, decision: str, elsewhere: Array | None = None) -> tuple[str, float, int]:
        """The best decision, unless the one held so far is as good for all that anybody would argue."""
        choice = self.best(weight, elsewhere)
        held = self.loss_of(decision, weight, self.elsewhere if elsewhere is None else elsewhere)
        slack = 0.0 if decision == FIND_FAULT else self.tolerance
        if held - choice[1] <= slack * float(weight.sum()) + 1e-9:
            return decision, choice[1], choice[2]
        return choice

    def loss_of(self, decision: str, weight: Array, elsewhere: Array) -> float:
        """Loss of holding on to a decision under another weighing; infinite where no plan begins so."""
        if decision == FIND_FAULT:
            return min(self._looking(weight, elsewhere), self._reading(weight))
        mine = np.array([first == decision for first in self.firsts])
        if not mine.any():
            return math.inf
        return float((self.losses @ weight + self._come_backs(weight, elsewhere))[mine].min())

    def reads_tube_first(self, weight: Array) -> bool:
        """Whether reading the tube is what the finding begins with, rather than looking elsewhere."""
        if self.read_tube is None:
            return False
        return not self.heard or float(self.elsewhere @ weight) < 0.5 * float(weight.sum())

    def _come_backs(self, weight: Array, elsewhere: Array) -> Array:
        """Loss per plan when the display comes back with its complaint; shape (plans,).

        Guns that needed the work were not treated for nothing: only where they were
        good enough is a treatment the wrong thing.
        """
        alone = np.array([first in LEFT_ALONE for first in self.firsts])
        gone = np.array([first in CHASSIS_GONE for first in self.firsts])
        wasted = float(weight @ (elsewhere * self.enough))
        lost: Array = self.rework * np.where(alone, float(weight @ elsewhere), np.where(gone, 0.0, wasted))
        return lost

    def _looking(self, weight: Array, elsewhere: Array) -> float:
        """Loss of finding the fault first: then each side gets the plan that is best for it."""
        total = float(weight.sum())
        if not self.heard or float(weight @ elsewhere) < self.doubt * total:
            return math.inf
        plain, where_else = self.losses @ weight, self.losses @ (weight * elsewhere)
        return float(np.min(where_else) + np.min(plain - where_else)) + self.look * total

    def _reading(self, weight: Array) -> float:
        """Loss of reading the tube first: then each tube gets the plan that is best for it."""
        if self.read_tube is None:
            return math.inf
        return float(self.losses.min(axis=0) @ weight) + self.read_tube * float(weight.sum())


def weigh_plans(
    policy: Policy,
    complaint: Complaint,
    knowledge: Knowledge,
    rate_per_h: float,
    *,
    enough: NDArray[np.bool_],
    tube_unread: bool,
    tolerance: float,
) -> Weighing:
    """Set up the comparison of decisions."""
    return Weighing(
        losses=policy.losses,
        firsts=tuple(p.first for p in policy.plans),
        elsewhere=complaint.elsewhere,
        enough=enough,
        doubt=knowledge.value("doubt_worth_a_look"),
        rework=knowledge.value("come_back_hours") * rate_per_h,
        look=complaint.look_minutes / 60 * rate_per_h,
        read_tube=knowledge.tests["t_emission"].minutes / 60 * rate_per_h if tube_unread else None,
        heard=complaint.heard,
        tolerance=tolerance,
        look_price={p.first: p.steps[0].spend for p in policy.plans if p.steps and p.first == "clean_contacts"},
        trust=knowledge.value("trust_left_by_contradiction"),
    )


def confidence(weighing: Weighing, decision: str) -> float:
    """Chance that this decision is (about) the best for the tube that is really there.

    Args:
        weighing: The comparison.
        decision: What was decided.
    """
    share = 1.0 / weighing.losses.shape[1]
    stays = np.array([f not in CHASSIS_GONE for f in weighing.firsts])
    settled = weighing.losses.min(axis=0)
    even = np.full(weighing.losses.shape[1], share)
    if decision == FIND_FAULT and not weighing.reads_tube_first(even):
        return float(weighing.elsewhere.mean())
    if decision == FIND_FAULT:
        return 1.0  # reading the tube first is never wrong by more than its few minutes
    mine = np.array([f == decision for f in weighing.firsts])
    ours = weighing.losses[mine].min(axis=0)
    # A cheap look that then goes on rightly is no mistake, whatever it finds.
    agrees = (ours - settled) <= weighing.tolerance + weighing.look_price.get(decision, 0.0)
    here = 1.0 - weighing.elsewhere if stays[mine].any() else np.ones_like(weighing.elsewhere)
    return float((agrees * here).sum() * share)
