"""What ``treat`` answers, as frozen values, and its published form."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from tubewright.answers.assessment import FORMAT
from tubewright.case import GUNS, Gun, Outcome, TreatmentKind
from tubewright.judgement.treatment_plan import Advice, State
from tubewright.judgement.treatment_stop import Rule
from tubewright.knowledge.model import Hazard

STATE_WORDS: Final[dict[State, str]] = {
    "done": "done",
    "next": "next",
    "wait": "next, after waiting",
    "later": "later",
    "shut": "shut",
    "not_needed": "not needed",
}
"""Each state of a step in words."""

RULE_WORDS: Final[dict[Rule, str]] = {
    "hard_stop": "the tube must not be treated",
    "lost": "a gun was lost",
    "leak": "a short or leak",
    "budget": "the restorations that a tube stands are spent",
    "not_holding": "the gain does not hold",
    "falling": "it got worse",
    "no_gain": "no further gain",
    "target": "the aim is reached",
    "matched": "the guns match and give what is wanted",
}
"""Each rule that stops, in a few words."""

ADVICE_WORDS: Final[dict[Advice, str]] = {
    "go_on": "go on",
    "wait": "wait",
    "stop": "stop",
    "leave": "leave it alone",
}
"""Each advice in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedAnswer:
    """One thing that must be known before the step: whether the case proves it, by what, and what to do."""

    id: str
    name: str
    met: bool
    words: str
    mend: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionAnswer:
    """One caution's condition of the step: what is confirmed, for how long, and whether it was."""

    caution: str
    warning: str
    words: str
    lasts: str
    met: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StepAnswer:
    """One step of the plan, and why it is in its state."""

    kind: TreatmentKind
    name: str
    gun: Gun | None
    rung: float
    state: State
    words: str
    rounds_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NextTreatment:
    """The step that is next: cautions first, then what must be known and confirmed, and only when open what to do.

    ``how`` is empty while the step stays shut. ``closing`` is confirmed after it.
    """

    kind: TreatmentKind
    name: str
    gun: Gun | None
    hazard: Hazard
    cautions: tuple[str, ...]
    conditions: tuple[ConditionAnswer, ...]
    needs: tuple[NeedAnswer, ...]
    open: bool
    how: str
    aim: str
    stop_when: str
    gain_probability: float
    risk_of_loss: float
    minutes: float
    unattended_hours: float
    after: str
    closing: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundAnswer:
    """One treatment that was done, with what each gun gave before and after it.

    ``entered`` is the outcome as it was written down, ``judged`` what the readings say of
    ``gun_meant``; either is None where nobody wrote one, or nothing tells yet.
    """

    kind: TreatmentKind
    name: str
    gun: Gun | None
    gun_meant: Gun | None
    at: dt.datetime | None
    entered: Outcome | None
    judged: Outcome | None
    before_emission: Mapping[Gun, float]
    after_emission: Mapping[Gun, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class StopAnswer:
    """One reason to stop, with its figures."""

    rule: Rule
    gun: Gun | None
    words: str
    figures: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class GunTreated:
    """What holds for one gun; ``emission`` is None where it was not read."""

    gun: Gun
    advice: Advice
    emission: float | None
    target_low_emission: float
    target_high_emission: float
    needed_emission: float
    spent_count: float
    most_count: float
    history_known: bool
    words: str
    hold: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Treated:
    """The whole answer of ``treat``; ``wait_minutes`` is None where nothing is waited for or no time is known."""

    headline: str
    advice: Advice
    verdict: str
    decision: str
    guns: Mapping[Gun, GunTreated]
    steps: tuple[StepAnswer, ...]
    rounds: tuple[RoundAnswer, ...]
    next: NextTreatment | None
    stops: tuple[StopAnswer, ...]
    wait: str
    wait_minutes: float | None
    read_again: tuple[Gun, ...]
    at: dt.datetime
    seed: int


def to_json(answer: Treated) -> dict[str, object]:
    """The published body of ``treat``; the cautions of the next step stand first."""
    step = answer.next
    return {
        "format": FORMAT,
        "cautions": list(step.cautions) if step else [],
        "headline": answer.headline,
        "advice": answer.advice,
        "verdict": {"decision": answer.decision, "headline": answer.verdict},
        "next": _next(step) if step else None,
        "wait": {"words": answer.wait, "minutes": _plain(answer.wait_minutes), "read_again": list(answer.read_again)}
        if answer.wait
        else None,
        "stops": [
            {
                "rule": one.rule,
                "gun": one.gun,
                "words": one.words,
                "figures": {name: _plain(value) for name, value in one.figures.items()},
            }
            for one in answer.stops
        ],
        "guns": {gun: _gun(answer.guns[gun]) for gun in GUNS if gun in answer.guns},
        "steps": [
            {
                "kind": one.kind,
                "name": one.name,
                "gun": one.gun,
                "rung": one.rung,
                "state": one.state,
                "words": one.words,
                "rounds": one.rounds_count,
            }
            for one in answer.steps
        ],
        "rounds": [_round(one) for one in answer.rounds],
        "at": answer.at.isoformat(timespec="seconds"),
        "seed": answer.seed,
    }


def _round(one: RoundAnswer) -> dict[str, object]:
    return {
        "kind": one.kind,
        "name": one.name,
        "gun": one.gun,
        "at": one.at.isoformat(timespec="seconds") if one.at else None,
        "outcome": one.entered,
        "judged": one.judged,
        "judged_gun": one.gun_meant,
        "before": {gun: _plain(value) for gun, value in one.before_emission.items()},
        "after": {gun: _plain(value) for gun, value in one.after_emission.items()},
    }


def _next(step: NextTreatment) -> dict[str, object]:
    return {
        "kind": step.kind,
        "name": step.name,
        "gun": step.gun,
        "hazard": step.hazard,
        "conditions": [
            {
                "caution": one.caution,
                "warning": one.warning,
                "words": one.words,
                "lasts": one.lasts,
                "met": one.met,
            }
            for one in step.conditions
        ],
        "needs": [
            {"id": one.id, "name": one.name, "met": one.met, "words": one.words, "mend": one.mend} for one in step.needs
        ],
        "open": step.open,
        "how": step.how or None,
        "aim": step.aim,
        "stop_when": step.stop_when,
        "gain_probability": _plain(step.gain_probability),
        "risk_of_loss": _plain(step.risk_of_loss),
        "minutes": step.minutes,
        "unattended_hours": step.unattended_hours,
        "after": step.after,
        "closing": list(step.closing),
    }


def _gun(gun: GunTreated) -> dict[str, object]:
    return {
        "advice": gun.advice,
        "emission": _plain(gun.emission),
        "target": [gun.target_low_emission, gun.target_high_emission],
        "needed": _plain(gun.needed_emission),
        "restorations": {"spent": gun.spent_count, "most": gun.most_count, "history_known": gun.history_known},
        "words": gun.words,
        "hold": gun.hold,
    }


def _plain(value: float | None) -> float | None:
    """Four significant digits; more would be false precision."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.4g}")
