"""A kept verdict as an answer again: the published body read back into its types."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from tubewright.answers.assessment import (
    FORMAT,
    Assessment,
    Figure,
    GunAnswer,
    ModelNote,
    NextStep,
    OptionAnswer,
    PlanStep,
    Remark,
    Spread,
    Suspect,
    Unknown,
    WouldChange,
)
from tubewright.case import Gun
from tubewright.errors import Fault, InputError


def answer_from_json(text: str) -> Assessment:
    """The answer that :func:`tubewright.answers.assessment.to_json` wrote, figures as they were rounded there.

    Raises:
        InputError: The text is no such body; the record came from elsewhere or is damaged.
    """
    try:
        body = json.loads(text)
        return _answer(body)
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            Fault(
                what=f"this verdict can't be read back ({error})",
                where="verdict",
                mend="Judge the job again; its readings are all there.",
            )
        ) from error


def _answer(body: Mapping[str, Any]) -> Assessment:
    if body["format"] != FORMAT:
        raise ValueError(f"format {body['format']!r}")
    white, wanted, model = body["neutral_white"], body["wanted"], body["model"]
    return Assessment(
        decision=body["decision"],
        headline=body["headline"],
        confidence=body["confidence"],
        plan=tuple(PlanStep(**{**step, "guns": tuple(step["guns"])}) for step in body["plan"]),
        plan_success=body.get("plan_success"),
        hard_stops=tuple(body["hard_stops"]),
        guns={gun: _gun(gun, said) for gun, said in body["guns"].items()},
        neutral_white_now=_figure(white, "now"),
        neutral_white_after=_figure(white, "after"),
        minimum_white=wanted["minimum_white"],
        keep_years=wanted["keep_years"],
        hours_per_week=wanted["hours_per_week"],
        currency=body["currency"],
        options=tuple(_option(option) for option in body["options"]),
        would_change=tuple(WouldChange(**item) for item in body["would_change"]),
        suspects=tuple(Suspect(**item) for item in body["suspects"]),
        remarks=tuple(Remark(**item) for item in body["remarks"]),
        missing=tuple(body["missing"]),
        next_steps=tuple(_tuples(NextStep, step, ("cautions", "confirm")) for step in body["next_steps"]),
        model=ModelNote(**model),
    )


def _tuples(kind: type[NextStep], body: Mapping[str, Any], names: Sequence[str]) -> NextStep:
    return kind(**{**body, **{name: tuple(body[name]) for name in names}})


def _figure(body: Mapping[str, Any], name: str) -> Figure:
    value = body[name]
    return Unknown(**body["unknown"][name]) if value is None else Spread(**value)


def _gun(gun: Gun, body: Mapping[str, Any]) -> GunAnswer:
    return GunAnswer(
        gun=gun,
        relative_emission=_figure(body, "relative_emission"),
        emission_reserve=_figure(body, "emission_reserve"),
        cutoff_v=_figure(body, "cutoff_v"),
        state=body["state"],
        trend=body["trend"],
        leakage=body["leakage"],
    )


def _option(body: Mapping[str, Any]) -> OptionAnswer:
    plain = ("id", "name", "success", "chance_of_keep_years", "cost", "cost_per_year", "risk_of_loss", "why_not")
    return OptionAnswer(
        **{name: body[name] for name in plain},
        guns=tuple(body["guns"]),
        hours=_figure(body, "hours"),
        years=_figure(body, "years"),
    )
