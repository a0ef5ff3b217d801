"""Answers on the AFC loop as plain JSON values."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import fields
from typing import Any, Final

from tubewright.answers.afc import AfcAnswer, LoopReport
from tubewright.answers.afc_curl import SUSPECT_WORDS, CurlAnswer
from tubewright.answers.afc_setup import AfcSetup
from tubewright.physics.afc.inverse import Between
from tubewright.physics.afc.parts import AfcParts

FORMAT: Final = 1

Body = dict[str, Any]

_FIGURES: Final = (
    "grade",
    "amplitude_mm",
    "amplitude_percent",
    "largest_mm",
    "settle_lines",
    "overshoot_ratio",
    "still_bent",
    "bend_mm",
    "natural_hz",
    "damping_ratio",
    "hold_hz",
    "capture_hz",
    "static_mm",
    "noise_bandwidth_hz",
    "jitter_ratio",
    "sync_mains_db",
    "sync_field_db",
    "oscillator_mains_db",
    "ripple_db",
    "line_jitter_mm",
    "mains_sway_mm",
)


def answer_to_json(answer: AfcAnswer) -> Body:
    """A prediction, a what-if or a best change; ``displacement_mm`` is by visible line of the frame."""
    after = answer.after
    return {
        "format": FORMAT,
        "headline": answer.headline,
        "setup": _setup(answer.setup),
        "before": _report(answer.before),
        "after": None if after is None else _report(after),
        "change": answer.change_words or None,
        "with_edges": None if answer.with_edges is None else _report(answer.with_edges, course=False),
        "changes": [
            {
                "part": one.part,
                "value": plain(one.value),
                "words": one.words,
                "costs": list(one.costs),
                **_report(one.report, course=False),
            }
            for one in answer.changes
        ],
        "advice": [{"id": one.id, "words": one.words, "why": one.why} for one in answer.advice],
        "assumed": list(answer.setup.assumed),
    }


def curl_to_json(answer: CurlAnswer) -> Body:
    """What a measured curl says; figures as median with the bounds of the middle 80 %."""
    loop = answer.loop
    return {
        "format": FORMAT,
        "headline": answer.headline,
        "loop": {
            name: _between(getattr(loop, name))
            for name in ("natural_hz", "damping_ratio", "gain_ratio", "free_run_error_hz", "gap_lines", "kick_us")
        },
        "untold": list(loop.untold),
        "only_together": ["gap_lines", "gain_ratio", "free_run_error_hz"] if loop.bound else [],
        "agreement_sd": plain(loop.agreement_sd),
        "effective_count": plain(loop.effective_count),
        "suspects": [
            {
                "id": one.id,
                "words": SUSPECT_WORDS[one.id],
                "probability": plain(one.probability),
                "part": one.part or None,
                "value": None if one.value is None else _between(one.value),
                "agreement_sd": plain(one.agreement_sd),
            }
            for one in answer.suspects
        ],
        "remarks": list(answer.remarks),
        "fitted_mm": _course(loop.fitted_mm),
    }


def plain(value: float) -> float | None:
    """A figure with six digits; what is no finite number is none."""
    return float(f"{value:.6g}") if math.isfinite(value) else None


def _between(one: Between) -> Body:
    return {name: plain(getattr(one, name)) for name in ("median", "p10", "p90")}


def _report(report: LoopReport, *, course: bool = True) -> Body:
    body: Body = {}
    for name in _FIGURES:
        value = getattr(report, name)
        body[name] = plain(value) if isinstance(value, float) else value
    body["parts"] = _parts(report.parts)
    if course:
        body["displacement_mm"] = _course(report.displacement_mm)
    return body


def _course(values: Iterable[float]) -> list[float]:
    """Displacements to a thousandth of a millimetre."""
    return [round(float(value), 3) + 0.0 for value in values]


def _parts(parts: AfcParts) -> Body:
    """The parts; null for what plays no part."""
    return {field.name: plain(getattr(parts, field.name)) for field in fields(parts)}


def _setup(setup: AfcSetup) -> Body:
    source, detector = setup.source, setup.detector
    return {
        "source": {
            "timing": source.name,
            "vertical": source.vertical,
            "line_hz": plain(source.line_hz),
            "field_hz": plain(source.field_hz),
            "interlaced": source.interlaced,
            "vertical_lines": source.vertical_half_lines / 2,
            "lines_without_edge": source.gap_lines,
            "line_pulse_us": plain(source.line_pulse_us),
        },
        "detector": {
            "characteristic": detector.characteristic,
            "gated": detector.gated,
            "without_edge": detector.without_edge,
            "takes_pulse": detector.takes_pulse,
        },
        "picture_width_mm": plain(setup.picture_width_mm),
        "mains_hz": plain(setup.mains_hz),
        "random_jitter_us": plain(setup.random_jitter_us),
        "mains_jitter_us": plain(setup.mains_jitter_us),
    }
