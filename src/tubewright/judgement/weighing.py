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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighing:
    """How decisions are compared: plans, where the complaint lies, and what looking costs.

    ``rework`` is lost when the wrong thing is treated; ``look`` the price of looking
    for the fault; ``read_tube`` the price of reading the tube where that is
    still to be done; ``tolerance`` a difference in loss that nobody would argue about;
    ``look_price`` what a first step costs that is a look more than a treatment.
    """

    losses: Array
    firsts: tuple[str, ...]
    elsewhere: Array
    rework: float
    look: float
    read_tube: float | None
    heard: bool
    tolerance: float
    look_price: Mapping[str, float]

    def loss_of(self, decision: str, weight: Array, elsewhere: Array) -> float:
        """Loss of holding on to a decision under another weighing; infinite where no plan begins so."""
        if decision == FIND_FAULT:
            return self._loss_of_looking(weight, elsewhere)
        mine = np.array([first == decision for first in self.firsts])
        if not mine.any():
            return math.inf
        rework = 0.0 if decision in CHASSIS_GONE else self.rework * float(weight @ elsewhere)
        return float((self.losses[mine] @ weight).min()) + rework

    def reads_tube_first(self, weight: Array) -> bool:
        """Whether reading the tube is what the finding begins with, rather than looking elsewhere."""
        if self.read_tube is None:
            return False
        return not self.heard or float(self.elsewhere @ weight) < 0.5 * float(weight.sum())

    def _loss_of_looking(self, weight: Array, elsewhere: Array) -> float:
        """Loss of finding the fault, or reading the tube, first; infinite where there is neither to do."""
        total = float(weight.sum())
        ways = []
        if self.heard:
            plain, where_else = self.losses @ weight, self.losses @ (weight * elsewhere)
            ways.append(float(np.min(where_else) + np.min(plain - where_else)) + self.look * total)
        if self.read_tube is not None:
            ways.append(float(self.losses.min(axis=0) @ weight) + self.read_tube * total)
        return min(ways, default=math.inf)

    def settle(self, weight: Array, decision: str, elsewhere: Array | None = None) -> tuple[str, float, int]:
        """The best decision, unless the one held so far is as good for all that anybody would argue."""
        choice = self.best(weight, elsewhere)
        held = self.loss_of(decision, weight, self.elsewhere if elsewhere is None else elsewhere)
        slack = 0.0 if decision == FIND_FAULT else self.tolerance
        if held - choice[1] <= slack * float(weight.sum()) + 1e-9:
            return decision, choice[1], choice[2]
        return choice

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
        where_else = self.losses @ (weight * e)
        stays = np.array([first not in CHASSIS_GONE for first in self.firsts])
        total = plain + np.where(stays, self.rework * float(weight @ e), 0.0)
        plan = int(np.argmin(total))
        choice = (self.firsts[plan], float(total[plan]), plan)
        if self.heard:
            apart = float(np.min(where_else) + np.min(plain - where_else)) + self.look * float(weight.sum())
            # Looking elsewhere must be worth more than nobody would argue about: a doubt is no finding.
            if apart < choice[1] - self.tolerance * float(weight.sum()):
                choice = (FIND_FAULT, apart, int(np.argmin(plain)))
        if self.read_tube is not None:
            clear = float(self.losses.min(axis=0) @ weight) + self.read_tube * float(weight.sum())
            if clear < choice[1]:
                choice = (FIND_FAULT, clear, int(np.argmin(plain)))
        return choice


def weigh_plans(
    policy: Policy,
    complaint: Complaint,
    knowledge: Knowledge,
    rate_per_h: float,
    *,
    tube_unread: bool,
    tolerance: float,
) -> Weighing:
    """Set up the comparison of decisions."""
    return Weighing(
        losses=policy.losses,
        firsts=tuple(p.first for p in policy.plans),
        elsewhere=complaint.elsewhere,
        rework=knowledge.value("come_back_hours") * rate_per_h,
        look=complaint.look_minutes / 60 * rate_per_h,
        read_tube=knowledge.tests["t_emission"].minutes / 60 * rate_per_h if tube_unread else None,
        heard=complaint.heard,
        tolerance=tolerance,
        look_price={p.first: p.steps[0].spend for p in policy.plans if p.steps and p.first == "clean_contacts"},
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
    mine = np.array([f == decision for f in weighing.firsts])
    if decision == FIND_FAULT or not mine.any():
        blind = weighing.losses[int(np.argmin(weighing.losses.mean(axis=1)))]
        return float(((blind - settled) > (weighing.read_tube or 0.0)).sum() * share)
    ours = weighing.losses[mine].min(axis=0)
    # A cheap look that then goes on rightly is no mistake, whatever it finds.
    agrees = (ours - settled) <= weighing.tolerance + weighing.look_price.get(decision, 0.0)
    here = 1.0 - weighing.elsewhere if stays[mine].any() else np.ones_like(weighing.elsewhere)
    return float((agrees * here).sum() * share)
