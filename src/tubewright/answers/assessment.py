"""What ``assess`` answers, as frozen values (public contract, format 1).

A figure is a :class:`Spread`; where it can't be given it is :class:`Unknown` with
the reason and what would settle it. :func:`to_json` writes the published body.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, cast

from tubewright.case import Gun, TreatmentKind

FORMAT: Final = 1

Decision: TypeAlias = (
    Literal["leave", "adjust", "find_fault_first", "swap_tube", "replace_display", "retire"] | TreatmentKind
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """A figure with its 10, 50 and 90 % points."""

    median: float
    p10: float
    p90: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknown:
    """A figure that could not be determined."""

    reason: str
    would_settle: str


Figure: TypeAlias = Spread | Unknown
"""A figure with its spread, or why there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GunAnswer:
    """Condition of one gun.

    ``relative_emission`` is 1 for a reference gun; ``emission_reserve`` is
    temperature-limited over space-charge-limited current at rated heater;
    ``state``, ``trend`` and ``leakage`` are in words.
    """

    gun: Gun
    relative_emission: Figure
    emission_reserve: Figure
    cutoff_v: Figure
    state: str
    trend: str
    leakage: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionAnswer:
    """One thing that could be done, and what it would bring.

    ``success`` is the chance that the picture then meets the owner's minimum;
    ``hours`` and ``years`` until it no longer does; ``cost`` includes bench time,
    parts and what a failure costs; ``why_not`` is set when it can't be chosen.
    """

    id: Decision
    name: str
    guns: tuple[Gun, ...]
    success: float | None
    hours: Figure
    years: Figure
    chance_of_keep_years: float | None
    cost: float | None
    cost_per_year: float | None
    risk_of_loss: float | None
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStep:
    """One step of the plan and the outcome that leads to it (``when``, in words)."""

    do: Decision
    guns: tuple[Gun, ...]
    when: str
    words: str
    chance_reached: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WouldChange:
    """A reading or test not yet taken that could change the decision.

    ``at`` says in words at which outcome the decision flips to ``flips_to``;
    ``value`` and ``unit`` give it as a number where there is one.
    """

    id: str
    name: str
    gun: Gun | None
    at: str
    value: float | None
    unit: str
    flips_to: Decision
    chance: float
    minutes: float
    worth: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """One thing to do now. ``confirm`` is what must be true before a hand goes in."""

    id: str
    words: str
    minutes: float | None
    hazard: str
    cautions: tuple[str, ...]
    confirm: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A fault that the findings point at."""

    id: str
    name: str
    probability: float
    of_the_tube: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """Something about the evidence that a person should know.

    ``kind`` is ``"impossible"`` (withholds the answer), ``"contradiction"`` or
    ``"doubt"`` (widen it) or ``"note"``.
    """

    kind: Literal["impossible", "contradiction", "doubt", "note"]
    words: str
    mend: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelNote:
    """Which model answered, from which seed, and how much of it is the shop's own experience."""

    version: str
    seed: int
    futures: int
    jobs_learned_from: int
    own_share: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """The whole answer of ``assess``."""

    decision: Decision
    headline: str
    confidence: float
    plan: tuple[PlanStep, ...]
    plan_success: float | None
    hard_stops: tuple[str, ...]
    guns: Mapping[Gun, GunAnswer]
    neutral_white_now: Figure
    neutral_white_after: Figure
    minimum_white: float
    keep_years: float
    hours_per_week: float
    currency: str
    options: tuple[OptionAnswer, ...]
    would_change: tuple[WouldChange, ...]
    suspects: tuple[Suspect, ...]
    remarks: tuple[Remark, ...]
    missing: tuple[str, ...]
    next_steps: tuple[NextStep, ...]
    model: ModelNote


def as_decision(name: str) -> Decision:
    """A decision by its published name."""
    return cast("Decision", name)


def to_json(answer: Assessment) -> dict[str, object]:
    """The published body of ``assess``; holds only what JSON can carry.

    Returns:
        A dictionary in the form of the contract; unknown figures are ``None``,
        with their reasons under ``unknown`` of the same object.
    """
    return {
        "format": FORMAT,
        "decision": answer.decision,
        "headline": answer.headline,
        "confidence": _plain(answer.confidence),
        "plan": [
            {
                "do": s.do,
                "guns": list(s.guns),
                "when": s.when,
                "words": s.words,
                "chance_reached": _plain(s.chance_reached),
            }
            for s in answer.plan
        ],
        "plan_success": _plain(answer.plan_success),
        "hard_stops": list(answer.hard_stops),
        "guns": {gun: _gun(g) for gun, g in answer.guns.items()},
        "neutral_white": _figures({"now": answer.neutral_white_now, "after": answer.neutral_white_after}),
        "wanted": {
            "minimum_white": answer.minimum_white,
            "keep_years": answer.keep_years,
            "hours_per_week": answer.hours_per_week,
        },
        "currency": answer.currency,
        "options": [_option(o) for o in answer.options],
        "would_change": [
            {
                "id": w.id,
                "name": w.name,
                "gun": w.gun,
                "at": w.at,
                "value": _plain(w.value),
                "unit": w.unit,
                "flips_to": w.flips_to,
                "chance": _plain(w.chance),
                "minutes": w.minutes,
                "worth": _plain(w.worth),
            }
            for w in answer.would_change
        ],
        "suspects": [
            {"id": s.id, "name": s.name, "probability": _plain(s.probability), "of_the_tube": s.of_the_tube}
            for s in answer.suspects
        ],
        "remarks": [{"kind": r.kind, "words": r.words, "mend": r.mend} for r in answer.remarks],
        "missing": list(answer.missing),
        "next_steps": [
            {
                "id": n.id,
                "words": n.words,
                "minutes": n.minutes,
                "hazard": n.hazard,
                "cautions": list(n.cautions),
                "confirm": list(n.confirm),
            }
            for n in answer.next_steps
        ],
        "model": {
            "version": answer.model.version,
            "seed": answer.model.seed,
            "futures": answer.model.futures,
            "jobs_learned_from": answer.model.jobs_learned_from,
            "own_share": _plain(answer.model.own_share),
            "words": answer.model.words,
        },
    }


def _plain(value: float | None) -> float | None:
    """Round to four significant digits; more would be false precision."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.4g}")


def _figures(figures: Mapping[str, Figure]) -> dict[str, object]:
    body: dict[str, object] = {}
    unknown: dict[str, dict[str, str]] = {}
    for name, figure in figures.items():
        if isinstance(figure, Unknown):
            body[name] = None
            unknown[name] = {"reason": figure.reason, "would_settle": figure.would_settle}
        else:
            body[name] = {"median": _plain(figure.median), "p10": _plain(figure.p10), "p90": _plain(figure.p90)}
    if unknown:
        body["unknown"] = unknown
    return body


def _gun(gun: GunAnswer) -> dict[str, object]:
    return {
        **_figures(
            {
                "relative_emission": gun.relative_emission,
                "emission_reserve": gun.emission_reserve,
                "cutoff_v": gun.cutoff_v,
            }
        ),
        "state": gun.state,
        "trend": gun.trend,
        "leakage": dict(gun.leakage),
    }


def _option(option: OptionAnswer) -> dict[str, object]:
    return {
        "id": option.id,
        "name": option.name,
        "guns": list(option.guns),
        "success": _plain(option.success),
        **_figures({"hours": option.hours, "years": option.years}),
        "chance_of_keep_years": _plain(option.chance_of_keep_years),
        "cost": _plain(option.cost),
        "cost_per_year": _plain(option.cost_per_year),
        "risk_of_loss": _plain(option.risk_of_loss),
        "why_not": option.why_not,
    }
