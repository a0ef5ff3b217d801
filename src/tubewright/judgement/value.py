"""What is worth knowing next: how each reading or test not yet taken could change the decision.

Every plan is a vector over the particles, so learning is a new weighing: for each
outcome of a test the particles are weighed by its likelihood and the best plan is
looked up again. What the test is worth is what the decision gains by it on average.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.case import GUNS, Case, Gun
from tubewright.judgement.complaint import Complaint
from tubewright.judgement.condition import Condition
from tubewright.judgement.next_tests import ProposedTest
from tubewright.judgement.policy import CHASSIS_GONE, Policy
from tubewright.judgement.readings import NormalisedReadings
from tubewright.knowledge.model import Knowledge
from tubewright.physics.cathode import emission_fraction, supply_ratio

Array = NDArray[np.float64]

FIND_FAULT = "find_fault_first"

_BINS = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """What one reading or test could change."""

    id: str
    name: str
    gun: Gun | None
    at: str
    value: float | None
    unit: str
    flips_to: str
    chance: float
    minutes: float
    worth: float


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
            return self.best(weight, elsewhere)[1]
        mine = np.array([first == decision for first in self.firsts])
        if not mine.any():
            return math.inf
        rework = 0.0 if decision in CHASSIS_GONE else self.rework * float(weight @ elsewhere)
        return float((self.losses[mine] @ weight).min()) + rework

    def settle(self, weight: Array, decision: str, elsewhere: Array | None = None) -> tuple[str, float, int]:
        """The best decision, unless the one held so far is as good for all that anybody would argue."""
        choice = self.best(weight, elsewhere)
        held = self.loss_of(decision, weight, self.elsewhere if elsewhere is None else elsewhere)
        if held - choice[1] <= self.tolerance * float(weight.sum()):
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
            if apart < choice[1]:
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
    if decision == FIND_FAULT and weighing.heard:
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


def what_would_change(
    case: Case,
    condition: Condition,
    normal: NormalisedReadings,
    complaint: Complaint,
    weighing: Weighing,
    decision: str,
    knowledge: Knowledge,
    *,
    limit: int = 8,
) -> tuple[Worth, ...]:
    """Readings and tests not yet taken that could flip the decision, the most worthwhile first."""
    weight = np.full(condition.particles, 1.0 / condition.particles)
    _, now, _ = weighing.best(weight)
    rate = weighing.look / max(complaint.look_minutes, 1e-9)
    found: list[Worth] = []
    for candidate in _candidates(case, condition, normal, knowledge):
        outcome_weight = candidate.likelihood * weight[None, :]
        choices = [weighing.settle(w, decision) for w in outcome_weight]
        found += _flip(candidate, outcome_weight.sum(axis=1), choices, decision, now)
    for test in complaint.tests:
        found += _fault_test(weighing, decision, test, now, weight)
    found += _unlooked(case, complaint, decision, now, weighing, knowledge)
    found.sort(key=lambda w: -(w.worth - w.minutes * rate))
    return tuple(found[:limit])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Candidate:
    """A reading to be taken: likelihood of each outcome, shape (outcomes, particles)."""

    id: str
    name: str
    gun: Gun | None
    minutes: float
    unit: str
    likelihood: Array
    words: tuple[str, ...]
    edges: Array | None


def _flip(
    candidate: _Candidate,
    chance: Array,
    choices: Sequence[tuple[str, float, int]],
    decision: str,
    now: float,
) -> Iterator[Worth]:
    flips = [i for i, choice in enumerate(choices) if choice[0] != decision and chance[i] > 1e-6]
    if not flips:
        return
    to: dict[str, float] = {}
    for i in flips:
        to[choices[i][0]] = to.get(choices[i][0], 0.0) + float(chance[i])
    flips_to = max(to, key=lambda name: to[name])
    mine = [i for i in flips if choices[i][0] == flips_to]
    share = float(sum(chance[i] for i in mine))
    if share < 0.01:
        return
    at, value = _where(candidate, mine, chance)
    yield Worth(
        id=candidate.id,
        name=candidate.name,
        gun=candidate.gun,
        at=at,
        value=value,
        unit=candidate.unit,
        flips_to=flips_to,
        chance=sum(to.values()),
        minutes=candidate.minutes,
        worth=max(0.0, now - sum(choice[1] for choice in choices)),
    )


def _where(candidate: _Candidate, mine: Sequence[int], chance: Array) -> tuple[str, float | None]:
    """At which outcome the decision flips, in words and as a number."""
    if candidate.edges is None:
        return " or ".join(candidate.words[i] for i in mine), None
    edges, last = candidate.edges, len(candidate.edges)
    if 0 in mine and last in mine:
        return "a reading far from what is expected", None
    if last in mine:
        low = float(edges[min(mine) - 1])
        return f"{low:.2f} or more", low
    if 0 in mine:
        high = float(edges[max(mine)])
        return f"under {high:.2f}", high
    likely = max(mine, key=lambda i: float(chance[i]))
    low, high = float(edges[likely - 1]), float(edges[likely])
    return f"between {low:.2f} and {high:.2f}", (low + high) / 2


def _candidates(
    case: Case, condition: Condition, normal: NormalisedReadings, knowledge: Knowledge
) -> Iterator[_Candidate]:
    for g, gun in enumerate(GUNS):
        readings = normal.guns[gun]
        if readings.full is None and not readings.pairs:
            yield _emission_reading(g, gun, condition, knowledge)
        elif not readings.pairs:
            yield _slump_reading(g, gun, condition, knowledge)
        cleaned = any(t.kind == "clean_contacts" for t in case.treatments) or any(
            t.id == "p_socket_clean" for t in case.tests
        )
        if condition.read[g] and not cleaned and condition.misread[:, g].mean() > 0.01:
            mended = np.where(
                condition.misread[:, g],
                knowledge.value("contacts_mend_misread"),
                knowledge.value("misread_response"),
            )
            yield _Candidate(
                id="p_socket_clean",
                name=f"{gun} read again after cleaning pins and contacts",
                gun=gun,
                minutes=knowledge.tests["p_socket_clean"].minutes,
                unit="",
                likelihood=np.stack([mended, 1 - mended]),
                words=("the reading changes", "the reading stays"),
                edges=None,
            )
    if case.tube.idle_years is None and any(condition.read):
        yield _idle_question(condition, knowledge)


def _emission_reading(g: int, gun: Gun, condition: Condition, knowledge: Knowledge) -> _Candidate:
    shown = np.log(np.maximum(condition.relative_emission[:, g], 1e-3))
    likelihood, edges = _binned(shown, math.hypot(knowledge.value("repeatability_one_box"), 0.05))
    return _Candidate(
        id="t_emission",
        name=f"emission of {gun} at rated heater",
        gun=gun,
        minutes=knowledge.tests["t_emission"].minutes,
        unit="rel",
        likelihood=likelihood,
        words=(),
        edges=np.exp(edges),
    )


def _slump_reading(g: int, gun: Gun, condition: Condition, knowledge: Knowledge) -> _Candidate:
    """The reading at ten per cent less heater over the one at rated heater."""
    supply = np.asarray(supply_ratio(0.9, 1.0, condition.work_function_ev), dtype=np.float64)
    reserve = condition.reserve[:, g]
    kept = emission_fraction(reserve * supply, condition.knee) / emission_fraction(reserve, condition.knee)
    likelihood, edges = _binned(np.log(kept), math.sqrt(2) * knowledge.value("repeatability_pair"))
    return _Candidate(
        id="t_slump",
        name=f"{gun} at 10 % less heater over the reading at rated heater",
        gun=gun,
        minutes=knowledge.tests["t_slump"].minutes,
        unit="ratio",
        likelihood=likelihood,
        words=(),
        edges=np.exp(edges),
    )


def _binned(expected: Array, sd: float) -> tuple[Array, Array]:
    """Likelihood of each bin of a noisy reading; bins hold about equal shares of what is expected."""
    edges = np.unique(np.quantile(expected, np.linspace(0, 1, _BINS + 1)[1:-1]))
    # Logistic in place of the normal distribution: within 0.01 of it at every point.
    below = 1 / (1 + np.exp(-1.702 * (edges[:, None] - expected[None, :]) / sd))
    cumulative = np.vstack([np.zeros_like(expected), below, np.ones_like(expected)])
    return np.diff(cumulative, axis=0), edges


def _idle_question(condition: Condition, knowledge: Knowledge) -> _Candidate:
    """Asking how long the display stood unused."""
    idle, used, blind = (knowledge.value(f"poison_share_{w}") for w in ("idle", "used", "unknown"))
    share = min(max((blind - used) / (idle - used), 0.01), 0.99)  # of tubes that stood long, by the same figures
    poisoned = condition.poisoned
    long = np.where(poisoned, share * idle / blind, share * (1 - idle) / (1 - blind))
    long = np.clip(long, 0.0, 1.0)
    return _Candidate(
        id="idle_years",
        name="ask how long it stood unused",
        gun=None,
        minutes=1.0,
        unit="",
        likelihood=np.stack([long, 1 - long]),
        words=(f"unused for {knowledge.value('poison_idle_years'):g} years or more", "in use until lately"),
        edges=None,
    )


def _fault_test(weighing: Weighing, decision: str, test: ProposedTest, now: float, weight: Array) -> Iterator[Worth]:
    """A test of the diagnosis: its outcomes move the chance that the complaint lies elsewhere."""
    flips: dict[str, float] = {}
    words: dict[str, list[str]] = {}
    after = 0.0
    now_elsewhere = sum(outcome.chance * outcome.elsewhere for outcome in test.outcomes)
    base = now_elsewhere / max(1 - now_elsewhere, 1e-9)
    for outcome in test.outcomes:
        # The diagnosis weighs sets of faults; what counts here is by how much an outcome moves the odds.
        odds = (outcome.elsewhere / max(1 - outcome.elsewhere, 1e-9)) / max(base, 1e-9)
        elsewhere = weighing.elsewhere * odds / (1 - weighing.elsewhere + weighing.elsewhere * odds)
        choice = weighing.settle(weight * outcome.chance, decision, elsewhere)
        after += choice[1]
        if choice[0] != decision:
            flips[choice[0]] = flips.get(choice[0], 0.0) + outcome.chance
            words.setdefault(choice[0], []).append(outcome.means)
    if flips:
        to = max(flips, key=lambda name: flips[name])
        yield Worth(
            id=test.id,
            name=test.name,
            gun=None,
            at=" or ".join(words[to][:2]),
            value=None,
            unit="",
            flips_to=to,
            chance=sum(flips.values()),
            minutes=test.minutes,
            worth=max(0.0, now - after),
        )


def _unlooked(
    case: Case, complaint: Complaint, decision: str, now: float, weighing: Weighing, knowledge: Knowledge
) -> Iterator[Worth]:
    """Looks and leakage readings not taken: rare finds that settle the matter at once."""
    give_up = [
        (float(weighing.losses[i].mean()), first)
        for i, first in enumerate(weighing.firsts)
        if first in {"swap_tube", "retire"}
    ]
    worst = min(give_up)[1] if give_up else "retire"
    read = {(r.kind, r.gun) for r in case.readings}
    rare = (
        ("v_getter", "look at the getter", case.tube.getter in {None, "unseen"}, "tube_air", "white", worst),
        (
            "t_leak_hk",
            "heater-cathode leakage, hot",
            not any(kind == "leakage_heater_cathode" for kind, _ in read),
            "tube_hk_short",
            "under 0.05 Mohm",
            "isolate_heater",
        ),
    )
    for name, words, unlooked, fault, at, flips_to in rare:
        chance = complaint.diagnosis.posteriors.get(fault, 0.0)
        worth = chance * max(now, weighing.rework)
        if unlooked and chance >= 0.01 and flips_to != decision and name in knowledge.tests:
            yield Worth(
                id=name,
                name=words,
                gun=None,
                at=at,
                value=None,
                unit="",
                flips_to=flips_to,
                chance=chance,
                minutes=knowledge.tests[name].minutes,
                worth=worth,
            )
