"""What is worth knowing next: how each reading or test not yet taken could change the decision.

Every plan is a vector over the particles, so learning is a new weighing: for each
outcome of a test the particles are weighed by its likelihood and the best plan is
looked up again. What the test is worth is what the decision gains by it on average.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.case import GUNS, Case, Gun
from tubewright.judgement.complaint import Complaint
from tubewright.judgement.condition import Condition
from tubewright.judgement.learning import normal_cdf
from tubewright.judgement.next_tests import ProposedTest
from tubewright.judgement.obstacles import SETTLING_TESTS
from tubewright.judgement.options import GIVE_UP
from tubewright.judgement.policy import Policy
from tubewright.judgement.readings import NormalisedReadings
from tubewright.judgement.situation import LADDER
from tubewright.judgement.weighing import FIND_FAULT, LEFT_ALONE, Weighing
from tubewright.knowledge.model import Knowledge
from tubewright.physics.cathode import emission_fraction, supply_ratio

Array = NDArray[np.float64]

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
class Standing:
    """Where a judgement stands before anything more is learned."""

    case: Case
    condition: Condition
    normal: NormalisedReadings
    complaint: Complaint
    policy: Policy
    weighing: Weighing
    decision: str
    obstructed: bool

    @property
    def giving_up(self) -> tuple[float, str]:
        """The cheapest way on without this tube, and its loss."""
        ends = self.policy.options.ends
        return min((float(ends[end].mean()), end) for end in GIVE_UP if end in ends)


def what_would_change(at: Standing, knowledge: Knowledge, *, limit: int = 8) -> tuple[Worth, ...]:
    """Readings and tests not yet taken that could flip the decision, the most worthwhile first."""
    weighing = at.weighing
    weight = np.full(at.condition.particles, 1.0 / at.condition.particles)
    _, now, _ = weighing.best(weight)
    rate = weighing.look / max(at.complaint.look_minutes, 1e-9)
    found: list[Worth] = []
    for candidate in _candidates(at, knowledge):
        outcome_weight = candidate.likelihood * weight[None, :]
        choices = [weighing.settle(w, at.decision) for w in outcome_weight]
        if candidate.id == "p_socket_clean" and candidate.gun is not None:
            shown = outcome_weight[0] @ at.condition.misread[:, GUNS.index(candidate.gun)] / outcome_weight[0].sum()
            # As the plans have it: a reading that is likely false is proven first.
            proof = "clean_contacts" if shown >= knowledge.value("misread_needs_proof") else at.decision
            choices[0] = (proof, choices[0][1], choices[0][2])
        found += _flip(candidate, outcome_weight.sum(axis=1), choices, at.decision, now)
    for test in at.complaint.tests:
        found += _fault_test(at, test, now, weight)
    found += _unread(at, weight, knowledge)
    found += _unlooked(at, now, knowledge)
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
    # The outcomes that lie together about the likeliest of them.
    start = end = max(mine, key=lambda i: float(chance[i]))
    while start - 1 in mine:
        start -= 1
    while end + 1 in mine:
        end += 1
    edges = [float(edge) for edge in candidate.edges]
    if start == 0 and end == len(edges):
        return "whatever it reads", None
    if end == len(edges):
        return f"{edges[start - 1]:.2f} or more", edges[start - 1]
    if start == 0:
        return f"under {edges[end]:.2f}", edges[end]
    return f"between {edges[start - 1]:.2f} and {edges[end]:.2f}", (edges[start - 1] + edges[end]) / 2


def _candidates(at: Standing, knowledge: Knowledge) -> Iterator[_Candidate]:
    condition = at.condition
    cleaned = any(t.kind == "clean_contacts" for t in at.case.treatments) or any(
        t.id == "p_socket_clean" for t in at.case.tests
    )
    weak = at.policy.options.weak
    for g, gun in enumerate(GUNS):
        readings = at.normal.guns[gun]
        if readings.full is not None and not readings.pairs:
            yield _slump_reading(g, gun, condition, knowledge)
        doubted = condition.read[g] and g in weak and condition.spoilt[:, g].mean() > 0.01
        if doubted and not cleaned and not at.obstructed and at.decision != FIND_FAULT:
            yield _cleaning(g, gun, condition, knowledge)
    if at.case.tube.idle_years is None and any(condition.read):
        yield _idle_question(condition, knowledge)


def _cleaning(g: int, gun: Gun, condition: Condition, knowledge: Knowledge) -> _Candidate:
    """The reading again after cleaning; it changes where this gun's own contact spoilt it."""
    changes = np.where(
        condition.spoilt[:, g], knowledge.value("contacts_mend_misread"), knowledge.value("misread_response")
    )
    return _Candidate(
        id="p_socket_clean",
        name="read again after cleaning pins and contacts",
        gun=gun,
        minutes=knowledge.tests["p_socket_clean"].minutes,
        unit="",
        likelihood=np.stack([changes, 1 - changes]),
        words=("the reading changes", "the reading stays"),
        edges=None,
    )


def _slump_reading(g: int, gun: Gun, condition: Condition, knowledge: Knowledge) -> _Candidate:
    """The reading at ten per cent less heater over the one at rated heater."""
    supply = np.asarray(
        supply_ratio(knowledge.value("slump_heater_ratio"), 1.0, condition.work_function_ev), dtype=np.float64
    )
    reserve = condition.reserve[:, g]
    kept = emission_fraction(reserve * supply, condition.knee) / emission_fraction(reserve, condition.knee)
    likelihood, edges = _binned(np.log(kept), math.sqrt(2) * knowledge.value("repeatability_pair"))
    return _Candidate(
        id="t_slump",
        name="reading at 10 % less heater over the one at rated heater",
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
    below = normal_cdf((edges[:, None] - expected[None, :]) / sd)
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


def _fault_test(at: Standing, test: ProposedTest, now: float, weight: Array) -> Iterator[Worth]:
    """A test of the diagnosis: its outcomes move the chance that the complaint lies elsewhere."""
    flips: dict[str, float] = {}
    words: dict[str, list[str]] = {}
    after = 0.0
    now_elsewhere = sum(outcome.chance * outcome.elsewhere for outcome in test.outcomes)
    base = now_elsewhere / max(1 - now_elsewhere, 1e-9)
    for outcome in test.outcomes:
        # The diagnosis weighs sets of faults; what counts here is by how much an outcome moves the odds.
        odds = (outcome.elsewhere / max(1 - outcome.elsewhere, 1e-9)) / max(base, 1e-9)
        elsewhere = at.weighing.elsewhere * odds / (1 - at.weighing.elsewhere + at.weighing.elsewhere * odds)
        choice = at.weighing.settle(weight * outcome.chance, at.decision, elsewhere)
        if (test.id, outcome.result) in SETTLING_TESTS:  # it ends the tube, whatever the plans say
            choice = (at.giving_up[1], choice[1], choice[2])
        after += choice[1]
        if choice[0] != at.decision:
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


def _unread(at: Standing, weight: Array, knowledge: Knowledge) -> Iterator[Worth]:
    """Guns not read beside guns that were: one that reads too low asks for the ladder.

    The plans at hand were made without treating it, so the step is named, not looked
    up. With no gun read at all, reading the tube is the decision itself.
    """
    tried = {t.kind for t in at.case.treatments}
    ladder = [kind for kind in LADDER[1:] if kind not in tried]
    if at.decision not in LEFT_ALONE or not any(at.condition.read) or not ladder:
        return
    lost, _ = at.giving_up
    left = at.weighing.losses[at.weighing.firsts.index(at.decision)]
    for g, gun in enumerate(GUNS):
        if at.condition.read[g]:
            continue
        need = float(at.policy.options.needed[g])
        low = at.condition.relative_emission[:, g] < need
        chance = float(weight @ low)
        if chance >= 0.01:
            yield Worth(
                id="t_emission",
                name="emission at rated heater",
                gun=gun,
                at=f"under {need:.2f}",
                value=need,
                unit="rel",
                flips_to=ladder[0],
                chance=chance,
                minutes=knowledge.tests["t_emission"].minutes,
                worth=float(weight @ (low * np.maximum(left - lost, 0.0))),
            )


def _unlooked(at: Standing, now: float, knowledge: Knowledge) -> Iterator[Worth]:
    """Looks and leakage readings not taken: rare finds that settle the matter at once."""
    lost, worst = at.giving_up
    isolate = knowledge.treatments["isolate_heater"]
    per_minute = at.weighing.look / max(at.complaint.look_minutes, 1e-9)
    helped = isolate.attended_minutes * per_minute + isolate.odds_worn * now + (1 - isolate.odds_worn) * lost
    emission = np.median(at.condition.relative_emission, axis=0)
    alive = any(at.condition.read[g] and emission[g] >= knowledge.value("emission_weak") for g in range(3))
    unseen = at.case.tube.getter in {None, "unseen"} and not alive
    unread = not any(r.kind == "leakage_heater_cathode" for r in at.case.readings) and not at.obstructed
    rare = (
        ("v_getter", "look at the getter", unseen, "tube_air", "white", worst),
        (
            "t_leak_hk",
            "heater-cathode leakage, hot",
            unread,
            "tube_hk_short",
            "under 0.05 Mohm",
            "isolate_heater" if helped < lost else worst,
        ),
    )
    for name, words, open_, fault, outcome, flips_to in rare:
        chance = at.complaint.diagnosis.posteriors.get(fault, 0.0)
        if open_ and chance >= 0.005 and flips_to != at.decision:
            yield Worth(
                id=name,
                name=words,
                gun=None,
                at=outcome,
                value=None,
                unit="",
                flips_to=flips_to,
                chance=chance,
                minutes=knowledge.tests[name].minutes,
                worth=chance * max(now, at.weighing.rework),
            )
