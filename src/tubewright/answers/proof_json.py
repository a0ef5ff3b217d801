"""The published body of ``proof``."""

from __future__ import annotations

import math
from typing import Any

from tubewright.answers.assessment import Figure, Unknown
from tubewright.answers.proof_form import FORMAT, Line, Proof
from tubewright.answers.proof_work import TakenPicture


def to_json(made: Proof) -> dict[str, Any]:
    """The answer as plain values; a figure that isn't known is null and has its reason beside it."""
    return {
        "format": FORMAT,
        "job": made.job,
        "label": made.label,
        "as_of": made.as_of.isoformat(),
        "exchanged": made.exchanged,
        "headline": made.headline,
        "wanted": {
            "minimum_white": made.minimum_white_ratio,
            "keep_years": made.keep_years,
            "hours_per_week": made.hours_per_week,
            "hours_per_week_assumed": made.hours_assumed,
        },
        "guns": {
            one.gun: {
                "figures": [_line(line) for line in one.lines],
                "state_before": one.state_before,
                "state_after": one.state_after or None,
            }
            for one in made.guns
        },
        "shared": [_line(line) for line in made.shared],
        "white": _line(made.white),
        "years": _line(made.years),
        "hours": _line(made.hours),
        "years_set_up": _line(made.years_set_up),
        "picture": {
            "before": _taken(made.picture.before),
            "after": _taken(made.picture.after),
            "unlike": made.picture.unlike,
            "figures": [_line(line) for line in made.picture.lines],
        },
        "grey": [_line(line) for line in made.grey],
        "came": list(made.came),
        "found": list(made.found),
        "done": list(made.done),
        "remains": list(made.remains),
        "expect": list(made.expect),
        "checks": [
            {
                "step_sort": one.step_sort,
                "step": one.step,
                "caution": one.caution,
                "words": one.words,
                "at": one.at.isoformat(),
                "person": one.person,
            }
            for one in made.checks
        ],
        "verdicts": [
            {
                "number": one.number,
                "at": one.at.isoformat(),
                "decision": one.decision,
                "headline": one.headline,
                "model_version": one.model_version,
                "seed": one.seed,
            }
            for one in made.verdicts
        ],
        "model": {"version": made.model_version, "seed": made.seed},
    }


def _line(line: Line) -> dict[str, Any]:
    body: dict[str, Any] = {
        "name": line.name,
        "group": line.group,
        "about": line.about,
        "unit": line.unit,
        "before": _figure(line.before),
        "after": _figure(line.after),
        "verdict": line.verdict,
    }
    if line.why:
        body["why"] = line.why
    if line.unit_before and line.unit_before != line.unit:
        body["unit_before"] = line.unit_before
    unknown = {
        side: {"reason": figure.reason, "would_settle": figure.would_settle}
        for side, figure in (("before", line.before), ("after", line.after))
        if isinstance(figure, Unknown)
    }
    return {**body, "unknown": unknown} if unknown else body


def _figure(figure: Figure) -> dict[str, float | None] | None:
    if isinstance(figure, Unknown):
        return None
    return {name: _plain(getattr(figure, name)) for name in ("median", "p10", "p90")}


def _plain(value: float) -> float | None:
    """Four significant digits; nothing that JSON can't carry."""
    return float(f"{value:.4g}") if math.isfinite(value) else None


def _taken(one: TakenPicture | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {"measurement": one.number, "at": one.at.isoformat(), "headline": one.headline}
