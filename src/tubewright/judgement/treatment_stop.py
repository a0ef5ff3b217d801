"""When to stop treating a gun: each rule with its words and its figures.

A stop is final for the plan: nothing stronger, and nothing again, follows it. What was
gained is left alone; what was not gained is not chased.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from tubewright.case import GUNS, Case, Gun, ReadingKind
from tubewright.judgement.obstacles import leakage_words
from tubewright.judgement.treatment_course import Course, Leakage, Round
from tubewright.knowledge.model import Knowledge

Rule: TypeAlias = Literal[
    "hard_stop", "lost", "leak", "budget", "not_holding", "falling", "no_gain", "target", "matched"
]

GOOD_ENOUGH: frozenset[Rule] = frozenset({"target", "matched"})
"""Rules that stop because the aim is reached."""

_PAIR_NAMES: dict[ReadingKind, str] = {
    "leakage_heater_cathode": "heater to cathode",
    "leakage_cathode_grid1": "cathode to grid 1",
    "leakage_grid1_grid2": "grid 1 to grid 2",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One reason to stop: for one gun, or for the whole tube (``gun`` None); ``figures`` are those in the words."""

    rule: Rule
    gun: Gun | None
    words: str
    figures: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldWord:
    """What is known of a gain's holding: the value at rest over that 15 minutes after, and how sure it goes back."""

    hold_ratio: float
    going_back_probability: float
    measured: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Restorations of one gun: spent in its life, and the most a tube stands; ``known`` says whether its past is."""

    spent_count: float
    most_count: float
    known: bool


def budget_of(case: Case, course: Course, gun: Gun, knowledge: Knowledge) -> Budget:
    """How much of the restorations in a tube's life one gun has had; a strong activation counts as two."""
    spent = float(case.tube.restorations or 0) + sum(
        knowledge.treatments[one.kind].counts_as for one in course.of(gun) if one.kind in {"clean", "activate"}
    )
    # Two to four in a life: the middle, and one above it.
    return Budget(
        spent_count=spent,
        most_count=knowledge.value("treatments_in_a_life") + 1,
        known=case.tube.restorations is not None,
    )


def stops_of(
    case: Case,
    course: Course,
    knowledge: Knowledge,
    *,
    needed: Mapping[Gun, float],
    normalised: Mapping[Gun, float],
    holds: Mapping[Gun, HoldWord],
    hard_stops: Sequence[str] = (),
) -> tuple[Stop, ...]:
    """Every rule that stops a gun or the tube now.

    Args:
        case: The case.
        course: What has been done and read.
        knowledge: The constants.
        needed: Relative emission that each gun must have for the owner's white.
        normalised: Relative emission with the cutoff allowed for, of guns that were read.
        holds: What is known of the last gain's holding.
        hard_stops: What ends the tube, from its verdict.
    """
    found = [Stop(rule="hard_stop", gun=None, words=words, figures={}) for words in hard_stops]
    found += _leaks(case, course, knowledge)
    for gun in GUNS:
        found += _lost(course, gun)
        found += _spent(case, course, gun, knowledge)
        found += _going_back(gun, holds, knowledge)
        found += _no_gain(course, gun, knowledge)
        found += _reached(course, gun, knowledge, needed, normalised)
    return tuple(found)


def strained(one: Round, knowledge: Knowledge) -> bool:
    """Whether a round strained the gun: it counts against what a tube stands."""
    return knowledge.treatments[one.kind].counts_as > 0


def without_gain(one: Round, gun: Gun, knowledge: Knowledge) -> bool | None:
    """Whether a round brought nothing: by its readings, else by the outcome entered; None if neither tells."""
    gain = one.gain_emission(gun)
    if gain is not None:
        # Readings are written to the hundredth: half of one is no difference.
        return gain < knowledge.value("treatment_gain_least") - 0.005
    if one.outcome is None or (one.named is not None and one.named != gun):
        return None
    return one.outcome != "improved"


def _leaks(case: Case, course: Course, knowledge: Knowledge) -> list[Stop]:
    isolated = {t.gun for t in case.treatments if t.kind == "isolate_heater" and t.outcome == "improved"}
    found = []
    for kind, name in _PAIR_NAMES.items():
        for gun in (*GUNS, None):
            mine = [one for one in course.leakages if one.kind == kind and one.gun == gun]
            if not mine:
                continue
            worst = _now(mine)
            state = leakage_words(kind, worst.value_mohm, knowledge)
            if state not in {"short", "leaks"}:
                continue
            if kind == "leakage_heater_cathode" and isolated & {gun, None}:
                continue  # the heater floats with the cathode now
            earlier = [one for one in mine if one.rounds_before < worst.rounds_before]
            sound = bool(earlier) and leakage_words(kind, _now(earlier).value_mohm, knowledge) in {"sound", "watch"}
            whose = f" of the {gun} gun" if gun else ""
            what = "is shorted" if state == "short" else "leaks"
            after = course.rounds[worst.rounds_before - 1].kind if sound and worst.rounds_before else None
            since = f"It appeared after {_said(after)}" if after else "It is not cleared"
            found.append(
                Stop(
                    rule="leak",
                    gun=gun,
                    words=f"{name[0].upper()}{name[1:]}{whose} {what} ({worst.value_mohm:g} Mohm). {since}: "
                    "nothing is treated past it.",
                    figures={"leakage_mohm": worst.value_mohm},
                )
            )
    return found


def _now(leakages: Sequence[Leakage]) -> Leakage:
    """The worst of the readings since the last treatment before the latest of them."""
    last = max(one.rounds_before for one in leakages)
    return min((one for one in leakages if one.rounds_before == last), key=lambda one: one.value_mohm)


def _lost(course: Course, gun: Gun) -> list[Stop]:
    lost = [one for one in course.of(gun) if one.outcome == "lost" and one.named in {gun, None}]
    return [
        Stop(rule="lost", gun=gun, words=f"The {gun} gun was lost by {_said(one.kind)}.", figures={})
        for one in lost[-1:]
    ]


def _spent(case: Case, course: Course, gun: Gun, knowledge: Knowledge) -> list[Stop]:
    budget = budget_of(case, course, gun, knowledge)
    if budget.spent_count < budget.most_count:
        return []
    return [
        Stop(
            rule="budget",
            gun=gun,
            words=f"The {gun} gun has had {budget.spent_count:g} restorations, a strong activation counted as two; "
            f"a tube stands 2 to {budget.most_count:g} in its life.",
            figures={"spent_count": budget.spent_count, "most_count": budget.most_count},
        )
    ]


def _going_back(gun: Gun, holds: Mapping[Gun, HoldWord], knowledge: Knowledge) -> list[Stop]:
    word = holds.get(gun)
    if word is None or word.going_back_probability < knowledge.value("treatment_going_back_probability"):
        return []
    how = "stayed until the next day" if word.measured else "is all that is expected to stay until the next day"
    return [
        Stop(
            rule="not_holding",
            gun=gun,
            words=f"The gain of the {gun} gun goes back: {100 * word.hold_ratio:.0f} % of the reading 15 minutes after "
            f"{how}, and under {100 * knowledge.value('hold_months'):.0f} % nothing is repeated higher. "
            "Plan another tube.",
            figures={"hold_ratio": word.hold_ratio, "going_back_probability": word.going_back_probability},
        )
    ]


def _no_gain(course: Course, gun: Gun, knowledge: Knowledge) -> list[Stop]:
    hard = [
        one for one in course.of(gun) if strained(one, knowledge) and (one.named in {gun, None} or len(one.guns) > 1)
    ]
    if not hard:
        return []
    least = knowledge.value("treatment_gain_least")
    last = hard[-1]
    gain = last.gain_emission(gun)
    if (gain is not None and gain <= -least) or (gain is None and last.outcome == "worse" and last.named == gun):
        figures = {} if gain is None else {"gain_emission": gain}
        fell = "" if gain is None else f" ({last.before[gun].emission:.2f} to {last.after[gun].emission:.2f})"
        return [
            Stop(
                rule="falling",
                gun=gun,
                words=f"{_said(last.kind).capitalize()} made the {gun} gun worse{fell}: nothing more is asked of it.",
                figures=figures,
            )
        ]
    rounds = int(knowledge.value("treatment_rounds_without_gain"))
    if len(hard) < rounds or not all(without_gain(one, gun, knowledge) for one in hard[-rounds:]):
        return []
    gains = [one.gain_emission(gun) for one in hard[-rounds:]]
    said = " and ".join("no gain" if one is None else f"{one:+.2f}" for one in gains)
    return [
        Stop(
            rule="no_gain",
            gun=gun,
            words=f"Two rounds without gain on the {gun} gun ({said}; less than {least:.2f} counts as none).",
            figures={f"gain_{i + 1}_emission": one for i, one in enumerate(gains) if one is not None},
        )
    ]


def _reached(
    course: Course,
    gun: Gun,
    knowledge: Knowledge,
    needed: Mapping[Gun, float],
    normalised: Mapping[Gun, float],
) -> list[Stop]:
    if gun not in course.now:
        return []
    low, high = knowledge.value("emission_good"), knowledge.value("treatment_target_high")
    shown = course.now[gun].emission
    level = max(shown, normalised.get(gun, shown))
    if level >= low:
        return [
            Stop(
                rule="target",
                gun=gun,
                words=f"The {gun} gun stands at {level:.2f} by all that was read: the aim is {low:.2f} to {high:.2f}, "
                "never the most it could give. It has only something to lose.",
                figures={"emission": level, "target_low_emission": low, "target_high_emission": high},
            )
        ]
    others = [course.now[one].emission for one in GUNS if one in course.now]
    balance = min(others) / max(others) if max(others) > 0 else 0.0
    if len(others) == len(GUNS) and balance >= knowledge.value("balance_good") and shown >= needed.get(gun, 1.0):
        return [
            Stop(
                rule="matched",
                gun=gun,
                words=f"The guns match within {balance:.2f} and the {gun} gun gives what is wanted of it "
                f"({shown:.2f} of {needed[gun]:.2f}): leave it there.",
                figures={"balance_ratio": balance, "emission": shown, "needed_emission": needed[gun]},
            )
        ]
    return []


def _said(kind: str) -> str:
    return {
        "clean_contacts": "cleaning the contacts",
        "soak": "the soak",
        "run_in": "the run-in",
        "short_boost": "the short boost",
        "clean": "low-current cleaning",
        "activate": "the activation",
        "clear_short": "clearing the short",
        "isolate_heater": "isolating the heater",
        "boost_heater": "raising the heater",
    }[kind]
