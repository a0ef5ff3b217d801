"""Will the gain of a treatment hold, and how long to wait before the answer is worth having?

One pure function over readings with their minutes after the treatment; they come from a
file, or out of a case whose readings and treatments carry their times.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tubewright.answers.assessment import FORMAT, Figure, Spread, Unknown
from tubewright.case import Gun
from tubewright.errors import Fault, InputError
from tubewright.judgement import settling
from tubewright.judgement.settling import HoldClass, NextReading, Settling, WaitPoint
from tubewright.judgement.settling_laws import LAW_WORDS, LAWS, LawId
from tubewright.judgement.settling_mixture import TimedReading
from tubewright.judgement.settling_readings import Unsettled, too_few
from tubewright.knowledge.model import Hazard, Knowledge

__all__ = ["CLASS_WORDS", "CoursePoint", "Held", "LawAnswer", "TimedReading", "best_next", "hold", "span", "to_json"]

LAW_IDS: Final[tuple[LawId, ...]] = LAWS
"""Each law that is weighed."""

CLASS_WORDS: Final[dict[HoldClass, str]] = {
    "lasting": "it is likely to last",
    "months": "it will serve for months",
    "going_back": "it is already going back: do not repeat it higher, plan another tube",
}
"""Each class of hold in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LawAnswer:
    """How far one law is believed."""

    id: LawId
    name: str
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CoursePoint:
    """The expected course at one time: the middle 80 % and the median, in the unit of the readings."""

    minutes: float
    value_p10: float
    value_median: float
    value_p90: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What ``hold`` answers.

    Attributes:
        gun: Which gun, if it was said.
        unit: Of readings and resting value; "" if it wasn't said.
        rest: The value at rest: the next day, started cold.
        hold: That over the value 15 minutes after the treatment.
        hold_class: Its class; None while that is open.
        class_probability: Chance of each class.
        laws: Each law and how far it is believed.
        noise_ratio: Scatter of one reading; None if nothing was reckoned.
        worth_having: Whether the answer can be acted on.
        next_minutes: The best time of one further reading, since the treatment; None if none is needed.
        wait_minutes: When an answer worth having can be expected; None if now, or not before the next day.
        wait: What reading on is expected to bring.
        further: What a single further reading is expected to bring.
        course: The expected course until it is at rest.
        readings: What was reckoned with.
        left_out: What was not, and why.
        cautions, confirm, hazard: Of taking a reading; they come first wherever this is shown.
    """

    headline: str
    words: tuple[str, ...]
    gun: Gun | None
    unit: str
    rest: Figure
    hold: Figure
    hold_class: HoldClass | None
    class_probability: dict[HoldClass, float]
    laws: tuple[LawAnswer, ...]
    noise_ratio: float | None
    worth_having: bool
    next_minutes: float | None
    wait_minutes: float | None
    wait: tuple[WaitPoint, ...]
    further: tuple[NextReading, ...]
    course: tuple[CoursePoint, ...]
    readings: tuple[TimedReading, ...]
    left_out: tuple[str, ...]
    cautions: tuple[str, ...]
    confirm: tuple[str, ...]
    hazard: Hazard
    seed: int


def hold(
    readings: Sequence[TimedReading],
    knowledge: Knowledge,
    *,
    gun: Gun | None = None,
    left_out: Sequence[str] = (),
    trouble: Unsettled | None = None,
    seed: int = 1,
) -> Held:
    """Say whether a treatment holds.

    Args:
        readings: After one treatment of one gun, in one unit.
        knowledge: The constants.
        gun: Which gun, for the words.
        left_out: What was not taken into account, and why.
        trouble: Why there is nothing to reckon with, where that is known better than by counting.
        seed: Of the courses that are played out to see what further readings would bring.

    Raises:
        InputError: A value or time that can't be, or readings in several units.
    """
    _check(readings)
    given = tuple(sorted(readings, key=lambda one: one.minutes))
    unit = given[0].unit if given else ""
    why = trouble or too_few(given, knowledge)
    rng = np.random.default_rng(seed)
    fit = settling.fit_settling(given, knowledge) if given else None
    if fit is None or why is not None:
        further = settling.coming_times(fit.mixture) if fit else ()
        return _held(
            knowledge,
            headline=f"Not known yet: {why.reason if why else ''}.",
            words=(f"{why.would_settle[0].upper()}{why.would_settle[1:]}.",) if why else (),
            gun=gun,
            unit=unit,
            unknown=Unknown(reason=why.reason, would_settle=why.would_settle) if why else None,
            readings=given,
            left_out=tuple(left_out),
            next_minutes=further[0] if further else None,
            seed=seed,
        )
    # Whoever has an answer worth having need not wait for a better one.
    wait = () if fit.worth_having else settling.wait_points(fit, rng)
    single = () if fit.worth_having else settling.next_readings(fit, rng)
    rest, ratio = _spread(fit.rest_emission), _spread(fit.hold_ratio)
    surest = max(fit.class_probability, key=lambda name: fit.class_probability[name])
    until = None if fit.worth_having else _until(wait, knowledge)
    following = None if fit.worth_having else best_next(fit, single)
    minutes = np.unique(np.concatenate([[1.0], np.geomspace(2.0, knowledge.value("settling_rest_minutes"), 40)]))
    low, middle, high = settling.course_band(fit, minutes)
    return _held(
        knowledge,
        headline=_headline(fit, surest, following),
        words=_words(fit, unit, following, until, knowledge),
        gun=gun,
        unit=unit,
        rest=rest,
        ratio=ratio,
        fit=fit,
        hold_class=surest if fit.worth_having else None,
        readings=given,
        left_out=tuple(left_out),
        next_minutes=following,
        wait_minutes=until,
        wait=wait,
        further=single,
        course=tuple(
            CoursePoint(minutes=float(t), value_p10=float(a), value_median=float(b), value_p90=float(c))
            for t, a, b, c in zip(minutes, low, middle, high, strict=True)
        ),
        seed=seed,
    )


def best_next(fit: Settling, single: Sequence[NextReading]) -> float | None:
    """The time of one further reading that narrows the interval most for the waiting, which counts by its logarithm."""
    last = max(one.minutes for one in fit.mixture.readings)
    now = fit.hold_ratio.p90 - fit.hold_ratio.p10
    gains = [((now - one.width_ratio) / math.log(one.minutes / max(last, 1.0)), one.minutes) for one in single]
    return max(gains)[1] if gains else None


def to_json(answer: Held) -> dict[str, object]:
    """The published body of ``hold``; unknown figures are null beside their reason."""
    figures: dict[str, object] = {}
    unknown: dict[str, object] = {}
    for name, figure in (("rest", answer.rest), ("hold", answer.hold)):
        if isinstance(figure, Unknown):
            figures[name] = None
            unknown[name] = {"reason": figure.reason, "would_settle": figure.would_settle}
        else:
            figures[name] = {"median": _plain(figure.median), "p10": _plain(figure.p10), "p90": _plain(figure.p90)}
    return {
        "format": FORMAT,
        "cautions": list(answer.cautions),
        "confirm": list(answer.confirm),
        "hazard": answer.hazard,
        "headline": answer.headline,
        "words": list(answer.words),
        "gun": answer.gun,
        "unit": answer.unit,
        **figures,
        "unknown": unknown,
        "hold_class": answer.hold_class,
        "class_probability": {name: _plain(chance) for name, chance in answer.class_probability.items()},
        "laws": [{"id": one.id, "name": one.name, "weight": _plain(one.weight)} for one in answer.laws],
        "noise": _plain(answer.noise_ratio),
        "worth_having": answer.worth_having,
        "next_minutes": answer.next_minutes,
        "wait_minutes": answer.wait_minutes,
        "wait": [
            {
                "minutes": one.minutes,
                "width": _plain(one.width_ratio),
                "worth_probability": _plain(one.worth_probability),
            }
            for one in answer.wait
        ],
        "further": [{"minutes": one.minutes, "width": _plain(one.width_ratio)} for one in answer.further],
        "readings": [
            {"minutes": _plain(one.minutes), "value": one.value, "minutes_on": one.minutes_on}
            for one in answer.readings
        ],
        "left_out": list(answer.left_out),
        "seed": answer.seed,
    }


def span(minutes: float) -> str:
    """A time after a treatment in words.

    Example:
        >>> span(45), span(90), span(1440), span(600)
        ('45 minutes', '1.5 hours', '24 hours', '10 hours')
    """
    if minutes < 90:
        return f"{minutes:.0f} minutes"
    return f"{minutes / 60:.2g} hours"


def _held(
    knowledge: Knowledge,
    *,
    headline: str,
    words: tuple[str, ...],
    gun: Gun | None,
    unit: str,
    readings: tuple[TimedReading, ...],
    left_out: tuple[str, ...],
    seed: int,
    unknown: Unknown | None = None,
    rest: Spread | None = None,
    ratio: Spread | None = None,
    fit: Settling | None = None,
    hold_class: HoldClass | None = None,
    next_minutes: float | None = None,
    wait_minutes: float | None = None,
    wait: tuple[WaitPoint, ...] = (),
    further: tuple[NextReading, ...] = (),
    course: tuple[CoursePoint, ...] = (),
) -> Held:
    test = knowledge.tests["t_emission"]
    ids = list(dict.fromkeys([*knowledge.hazards[test.hazard].cautions, *test.cautions]))
    nothing = unknown or Unknown(reason="nothing was read", would_settle="read the gun after the treatment")
    return Held(
        headline=headline,
        words=words,
        gun=gun,
        unit=unit,
        rest=rest or nothing,
        hold=ratio or nothing,
        hold_class=hold_class,
        class_probability=dict(fit.class_probability) if fit else {},
        laws=tuple(
            sorted(
                (LawAnswer(id=law, name=LAW_WORDS[law], weight=fit.law_weight[law]) for law in LAWS),
                key=lambda one: -one.weight,
            )
        )
        if fit
        else (),
        noise_ratio=fit.noise_ratio if fit else None,
        worth_having=fit.worth_having if fit else False,
        next_minutes=next_minutes,
        wait_minutes=wait_minutes,
        wait=wait,
        further=further,
        course=course,
        readings=readings,
        left_out=left_out,
        cautions=tuple(knowledge.cautions[name].text for name in ids),
        confirm=tuple(knowledge.cautions[name].confirm for name in ids if knowledge.cautions[name].confirm),
        hazard=test.hazard,
        seed=seed,
    )


def _headline(fit: Settling, surest: HoldClass, following: float | None) -> str:
    figure = fit.hold_ratio
    between = f"{100 * figure.p10:.0f} to {100 * figure.p90:.0f} %"
    if fit.worth_having:
        said = CLASS_WORDS[surest]
        return (
            f"{said[0].upper()}{said[1:]}. Of the reading 15 minutes after the treatment about "
            f"{100 * figure.median:.0f} % stay until the next day (80 % of the chances: {between})."
        )
    again = f" Read again {span(following)} after the treatment." if following is not None else ""
    return f"Too early to say: the next day {between} of the reading 15 minutes after may be left.{again}"


def _words(
    fit: Settling, unit: str, following: float | None, until: float | None, knowledge: Knowledge
) -> tuple[str, ...]:
    rest, chances = fit.rest_emission, fit.class_probability
    lasting, months = (100 * knowledge.value(name) for name in ("hold_lasting", "hold_months"))
    said = [
        (
            f"Value at rest, the next day from cold: {rest.median:.3g}{f' {unit}' if unit else ''} "
            f"({rest.p10:.3g} to {rest.p90:.3g})."
        ),
        (
            f"Chances: {_percent(chances['lasting'])} that {lasting:.0f} % or more stay and it lasts, "
            f"{_percent(chances['months'])} for {months:.0f} to {lasting:.0f} % (months), "
            f"{_percent(chances['going_back'])} for less (it goes back)."
        ),
        f"One reading scatters by about {100 * fit.noise_ratio:.1f} %, as these show it.",
    ]
    if not fit.worth_having and following is not None:
        when = (
            f"An answer worth having can be expected {span(until)} after the treatment, read on the way."
            if until is not None
            else "Even the next day the answer may stay open; read then all the same."
        )
        said.append(f"The next reading tells most for the waiting at {span(following)}. {when}")
    if fit.worth_having:
        said.append("Prove it with a reading the next day, started cold, ten minutes after the heater is lit.")
    return tuple(said)


def _until(wait: Sequence[WaitPoint], knowledge: Knowledge) -> float | None:
    """The first time at which the answer is expected to be narrow enough, or likely to be worth having."""
    width, sure = knowledge.value("settling_worth_width_ratio"), knowledge.value("settling_wait_probability")
    return next((one.minutes for one in wait if one.width_ratio <= width or one.worth_probability >= sure), None)


def _check(readings: Sequence[TimedReading]) -> None:
    faults = [
        Fault(
            what="a reading, its time and its spread must be finite, the value above 0",
            where=f"reading at {one.minutes:g} min",
            mend="Check the figures.",
        )
        for one in readings
        if not (
            math.isfinite(one.value)
            and one.value > 0
            and math.isfinite(one.minutes)
            and one.minutes >= 0
            and (one.minutes_on is None or (math.isfinite(one.minutes_on) and one.minutes_on >= 0))
            and (one.spread_ratio is None or 0 < one.spread_ratio <= 1)
        )
    ]
    if len({one.unit for one in readings}) > 1:
        faults.append(Fault(what="the readings are in several units", where="", mend="Give one gun in one unit."))
    if faults:
        raise InputError(faults)


def _spread(figure: settling.Forecast) -> Spread:
    return Spread(median=figure.median, p10=figure.p10, p90=figure.p90)


def _percent(chance: float) -> str:
    if 0 < chance < 0.005:
        return "under 1 %"
    return "over 99 %" if 0.995 <= chance < 1 else f"{100 * chance:.0f} %"


def _plain(value: float | None) -> float | None:
    """Four significant digits; more would be false precision."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.4g}")
