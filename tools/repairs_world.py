"""Displays that never were, with what is wrong with them, what their owners tell, and what tests on them show.

Two worlds. In the **true** one the catalogue's figures hold. In a **shifted** one
nobody's figures do: common faults may be rare, links and leaks and the weight of test
results are off by a stated factor, and tests come about in another way (each fault
that is there may push its own result; one of those pushed is seen).

Nothing here calls the judgement: the worlds are drawn from the catalogue's figures by
code of their own, so that a mistake in the one isn't hidden by the same mistake in the
other.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from tubewright.knowledge.model import BenchTest, Knowledge

TOLD: Final = 0.7
"""Chance that an owner tells of something that is there (estimate)."""
MOST_TOLD: Final = 8
ASKED: Final = 5
"""Symptoms looked for in vain at intake (estimate)."""
SHOWN: Final = 0.85
"""Chance that a test shows the fault that it speaks for most, when that is there."""
DARK: Final = frozenset(
    {"dead_no_power", "fuse_blows_instant", "no_raster_no_hv", "no_raster_hv_ok", "no_heater_glow", "pulses_tick"}
)
"""Symptoms of a set that shows no picture: whatever else is wrong with the picture isn't seen then."""
NONE_SEEN: Final = "none of its results"


@dataclass(frozen=True, slots=True, kw_only=True)
class Display:
    """One display: all faults in it, those the owner's complaint comes from, and what was told.

    ``causes`` holds for each told symptom the faults that bring it about; a symptom
    that something outside the catalogue brings about has none.
    """

    number: int
    faults: frozenset[str]
    present: tuple[str, ...]
    absent: tuple[str, ...]
    causes: Mapping[str, frozenset[str]]

    @property
    def blamed(self) -> frozenset[str]:
        """Faults that bring about something the owner complains of."""
        return frozenset(fault for found in self.causes.values() for fault in found)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownResult:
    """One result of a test, as this world weighs it."""

    id: str
    refines: str
    ratios: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """How often faults come and how they show."""

    name: str
    priors: Mapping[str, float]
    links: Mapping[str, Mapping[str, float]]
    leaks: Mapping[str, float]
    results: Mapping[str, Sequence[ShownResult]]
    on_screen: frozenset[str]
    pushes: bool = False
    seed: int = 0
    shift: float = field(default=0.0)

    def display(self, number: int) -> Display:
        """Display of that number: at least one fault, and one told symptom that a fault brings about."""
        rng = np.random.default_rng((self.seed, 1, number))
        ids = list(self.priors)
        chances = np.array([self.priors[fault] for fault in ids])
        while True:
            there = [fault for fault, on in zip(ids, rng.random(len(ids)) < chances, strict=True) if on]
            causes: dict[str, set[str]] = {}
            for fault in there:
                for symptom, link in self.links[fault].items():
                    if rng.random() < link:
                        causes.setdefault(symptom, set()).add(fault)
            for symptom, leak in self.leaks.items():
                if rng.random() < leak:
                    causes.setdefault(symptom, set())
            dark = not DARK.isdisjoint(causes)
            if dark:
                causes = {symptom: by for symptom, by in causes.items() if symptom not in self.on_screen}
            told = [symptom for symptom in causes if rng.random() < TOLD]
            rng.shuffle(told)
            told = told[:MOST_TOLD]
            if not any(causes[symptom] for symptom in told):
                continue
            quiet = [s for s in self.leaks if s not in causes and not (dark and s in self.on_screen)]
            asked = rng.choice(len(quiet), size=min(ASKED, len(quiet)), replace=False)
            return Display(
                number=number,
                faults=frozenset(there),
                present=tuple(told),
                absent=tuple(quiet[i] for i in asked),
                causes={symptom: frozenset(causes[symptom]) for symptom in told},
            )

    def result(self, display: Display, test: str, known: str = "") -> str:
        """What a test shows on a display: the same however often it is taken.

        Args:
            display: The display.
            test: Id of the test.
            known: The result already found, if the test is to narrow it down.

        Returns:
            Id of a result, or :data:`NONE_SEEN`.
        """
        index = list(self.results).index(test)
        rng = np.random.default_rng((self.seed, 2, display.number, index, len(known)))
        results = self.results[test]
        if known:
            offered = [r for r in results if r.refines == known and any(v > 1 for v in r.ratios.values())]
        else:
            offered = [r for r in results if not self._always_refined(r, results)]
        draw = self._pushed if self.pushes else self._weighed
        return draw(display.faults, offered, rng)

    @staticmethod
    def _always_refined(result: ShownResult, results: Sequence[ShownResult]) -> bool:
        """Whether one of its narrower results is always seen with it."""
        accused = {f for f, r in result.ratios.items() if r > 1}
        narrower = [r for r in results if r.refines == result.id]
        return bool(narrower) and accused <= {f for n in narrower for f, r in n.ratios.items() if r > 1}

    @staticmethod
    def _base_rates(offered: Sequence[ShownResult]) -> tuple[list[float], list[float]]:
        """How often each result comes with none of its faults there, and its leak."""
        leaks = [min(0.5, SHOWN / max(r.ratios.values())) if _accuses(r) else 1.0 for r in offered]
        abnormal = sum(leak for leak, r in zip(leaks, offered, strict=True) if _accuses(r))
        scale = min(1.0, 0.5 / abnormal) if abnormal else 1.0
        quiet = sum(not _accuses(r) for r in offered)
        rest = 1.0 - abnormal * scale
        return [leak * scale if _accuses(r) else rest / quiet for leak, r in zip(leaks, offered, strict=True)], leaks

    @classmethod
    def _with_none(cls, offered: Sequence[ShownResult]) -> list[ShownResult]:
        if all(_accuses(r) for r in offered):
            return [*offered, ShownResult(id=NONE_SEEN, refines="", ratios={})]
        return list(offered)

    @classmethod
    def _weighed(cls, there: frozenset[str], offered: Sequence[ShownResult], rng: np.random.Generator) -> str:
        """By the odds: a fault alone makes its result as many times more likely as the catalogue says."""
        offered = cls._with_none(offered)
        rates, leaks = cls._base_rates(offered)
        weights = []
        for rate, leak, r in zip(rates, leaks, offered, strict=True):
            weight = rate
            if _accuses(r):
                still = 1.0 - leak
                for fault in there:
                    ratio = r.ratios.get(fault, 1.0)
                    if ratio > 1:
                        still *= (1.0 - ratio * leak) / (1.0 - leak)
                weight *= (1.0 - still) / leak
            weight *= math.prod(min(r.ratios.get(fault, 1.0), 1.0) for fault in there)
            weights.append(weight)
        total = sum(weights)
        return offered[int(rng.choice(len(offered), p=[w / total for w in weights]))].id

    @classmethod
    def _pushed(cls, there: frozenset[str], offered: Sequence[ShownResult], rng: np.random.Generator) -> str:
        """Each fault that is there may push a result; one of those pushed is seen, else one comes by itself."""
        offered = cls._with_none(offered)
        rates, leaks = cls._base_rates(offered)
        pushed = []
        for leak, r in zip(leaks, offered, strict=True):
            for fault in sorted(there):
                ratio = r.ratios.get(fault, 1.0)
                if ratio > 1 and rng.random() < min(1.0, ratio * leak):
                    pushed.append(r.id)
        if pushed:
            return str(rng.choice(pushed))
        kept = [
            rate * math.prod(min(r.ratios.get(fault, 1.0), 1.0) for fault in there)
            for rate, r in zip(rates, offered, strict=True)
        ]
        return offered[int(rng.choice(len(offered), p=[k / sum(kept) for k in kept]))].id


def _accuses(result: ShownResult) -> bool:
    return any(ratio > 1 for ratio in result.ratios.values())


def _on_screen(knowledge: Knowledge) -> frozenset[str]:
    """Symptoms that need a picture to be seen: those of which photographs can be taken."""
    return frozenset(s.id for s in knowledge.symptoms.values() if s.photo != "none") - DARK - {"getter_white"}


def true_world(knowledge: Knowledge, seed: int) -> World:
    """The world in which every figure of the catalogue holds."""
    return World(
        name="true",
        priors={f.id: f.per_1000 / 1000 for f in knowledge.faults.values()},
        links={f.id: dict(f.shows) for f in knowledge.faults.values()},
        leaks={s.id: s.leak_probability for s in knowledge.symptoms.values()},
        results={t.id: _results(t) for t in knowledge.tests.values()},
        on_screen=_on_screen(knowledge),
        seed=seed,
    )


def shifted_world(knowledge: Knowledge, seed: int, shift: float = 2.0) -> World:
    """A world whose odds are off from the catalogue's by a random factor.

    Args:
        knowledge: The catalogue.
        seed: Chance.
        shift: The factor by which priors, links and leaks are typically off in their
            odds, up or down (one standard deviation of its logarithm); the factors of
            test results are raised to a power spread in the same measure.
    """
    rng = np.random.default_rng((seed, 3))
    spread = math.log(shift)

    def moved(chance: float) -> float:
        if not 0 < chance < 1:
            chance = min(max(chance, 0.0), 0.98)
        odds = chance / (1 - chance) * math.exp(rng.normal(0, spread))
        return odds / (1 + odds)

    return World(
        name="shifted",
        priors={f.id: moved(f.per_1000 / 1000) for f in knowledge.faults.values()},
        links={f.id: {s: moved(p) for s, p in f.shows.items()} for f in knowledge.faults.values()},
        leaks={s.id: moved(s.leak_probability) for s in knowledge.symptoms.values()},
        results={
            t.id: [
                ShownResult(
                    id=r.id,
                    refines=r.refines,
                    # A weight of 20 with a shift of 2 mostly lies between 10 and 40; none changes sides.
                    ratios={f: _weight(v, float(rng.normal(0, spread))) for f, v in r.ratios.items()},
                )
                for r in _results(t)
            ]
            for t in knowledge.tests.values()
        },
        on_screen=_on_screen(knowledge),
        pushes=True,
        seed=seed,
        shift=shift,
    )


def _weight(ratio: float, by: float) -> float:
    if ratio == 0:
        return 0.0
    moved = math.log(ratio) + (by if ratio > 1 else -by)
    if ratio > 1:
        return math.exp(max(moved, 0.05))
    return math.exp(min(moved, -0.05)) if ratio < 1 else 1.0


def _results(test: BenchTest) -> list[ShownResult]:
    return [ShownResult(id=r.id, refines=r.refines, ratios=dict(r.odds_ratios)) for r in test.results]
