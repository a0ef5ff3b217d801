"""The published body of ``diagnose`` (public contract, format 1)."""

from __future__ import annotations

import math
from dataclasses import asdict

from tubewright.answers.assessment import FORMAT
from tubewright.answers.diagnosed import Diagnosed, NextTest, Pull, Separation


def body_of(answer: Diagnosed) -> dict[str, object]:
    """The published body of ``diagnose``; holds only what JSON can carry."""
    return {
        "format": FORMAT,
        "headline": answer.headline,
        "at_once": list(answer.at_once),
        "faults": [
            {
                "id": f.id,
                "name": f.name,
                "subsystem": f.subsystem,
                "of_the_tube": f.of_the_tube,
                "probability": _plain(f.probability),
                "standard_error": _plain(f.probability_sd),
                "general_probability": _plain(f.general_probability),
                "prior_probability": _plain(f.prior_probability),
                "state": f.state,
                "hazard": f.hazard,
                "cautions": list(f.cautions),
                "confirm": list(f.confirm),
                "repair": f.repair,
                "minutes": f.minutes,
                "parts": list(f.parts),
                "confirm_with": dict(f.confirm_with),
            }
            for f in answer.faults
        ],
        "explanations": [
            {"faults": [f.id for f in s.faults], "probability": _plain(s.probability)} for s in answer.explanations
        ],
        "explanations_cover": _plain(answer.explanations_cover),
        "blame": {
            "tube": _plain(answer.probability_tube),
            "elsewhere": _plain(answer.probability_elsewhere),
            "unknown": _plain(answer.probability_unknown),
        },
        "explains": [
            {
                "fault": e.fault,
                "for": [_pull(p) for p in e.speaks_for],
                "against": [_pull(p) for p in e.speaks_against],
                "words": e.words,
            }
            for e in answer.explains
        ],
        "findings": [
            {"finding": f.finding, "result": f.result, "kind": f.kind, "words": f.words} for f in answer.findings
        ],
        "unexplained": [{"id": u.id, "name": u.name, "probability": _plain(u.probability)} for u in answer.unexplained],
        "separates": None if answer.separates is None else _separation(answer.separates),
        "next_tests": [_next_test(t) for t in answer.next_tests],
        "advice": {
            "kind": answer.advice.kind,
            "fault": answer.advice.fault,
            "access_steps": list(answer.advice.access_steps),
            "expected_cost_left": _plain(answer.advice.expected_cost_left),
            "words": answer.advice.words,
        },
        "repairs": [
            {"fault": r.id, **{name: part for name, part in asdict(r).items() if name != "id"}} for r in answer.repairs
        ],
        "values": [
            {
                "test": v.test,
                "value": v.value,
                "unit": v.unit,
                "nominal": _plain(v.reference),
                "nominal_from": v.reference_from,
                "shares": {name: _plain(share) for name, share in v.shares.items()},
                "words": v.words,
            }
            for v in answer.values
        ],
        "remarks": [{"kind": r.kind, "words": r.words, "mend": r.mend} for r in answer.remarks],
        "asks": list(answer.asks),
        "stands": answer.stands,
        "learned": [
            {
                "fault": f.fault,
                "about": f.about,
                "ours": _plain(f.ours_probability),
                "general": _plain(f.general_probability),
                "jobs": f.jobs,
                "words": f.words,
            }
            for f in answer.learned
        ],
        "method": {
            "kind": answer.method.kind,
            "largest_standard_error": _plain(answer.method.largest_sd),
            "samples": answer.method.samples,
            "words": answer.method.words,
        },
        "model": {
            "version": answer.model.version,
            "seed": answer.model.seed,
            "jobs_learned_from": answer.model.jobs_learned_from,
            "words": answer.model.words,
        },
    }


def _pull(pull: Pull) -> dict[str, object]:
    return {**asdict(pull), "log_odds": _plain(pull.log_odds)}


def _separation(separation: Separation) -> dict[str, object]:
    return {
        "first": separation.first.id,
        "second": separation.second.id,
        "cautions": list(separation.cautions),
        "confirm": list(separation.confirm),
        "test": separation.test.id,
        "name": separation.test.name,
        "minutes": separation.minutes,
        "hazard": separation.hazard,
        "results": [
            {
                "result": r.result,
                "means": r.means,
                "chance": _plain(r.chance),
                "first": _plain(r.first_probability),
                "second": _plain(r.second_probability),
            }
            for r in separation.results
        ],
        "words": separation.words,
    }


def _next_test(test: NextTest) -> dict[str, object]:
    return {
        "id": test.id,
        "cautions": list(test.cautions),
        "confirm": list(test.confirm),
        "caution_ids": list(test.caution_ids),
        "name": test.name,
        "how": test.how,
        "minutes": test.minutes,
        "hazard": test.hazard,
        "running": test.running,
        "information_bits": _plain(test.information_bits),
        "expected_cost_left": _plain(test.expected_cost_left),
        "minutes_saved": _plain(test.minutes_saved),
        "follows": test.follows,
        "nominal": test.nominal_words,
        "access_minutes": test.access_minutes,
        "access_steps": list(test.access_steps),
        "words": test.words,
        "outcomes": [
            {
                "result": o.result,
                "means": o.means,
                "chance": _plain(o.chance),
                "leading": [{"id": fault, "probability": _plain(chance)} for fault, chance in o.leading],
                "words": o.words,
            }
            for o in test.outcomes
        ],
    }


def _plain(value: float | None) -> float | None:
    """Round to four significant digits; more would be false precision."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.4g}")
