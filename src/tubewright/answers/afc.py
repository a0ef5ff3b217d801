"""The horizontal AFC loop in figures and in words: the curl it makes, what a change does, what to try first.

Advice keeps an order: sync fed properly, then the free-running frequency, then one part.
Where a source leaves lines out around the field pulse, no part of the loop is proposed
until that was tried. Every answer names its cautions by their ids; they come first
wherever it is shown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tubewright.answers.afc_setup import KIND_WORDS, PART_WORDS, AfcSetup, check_holds, loop_parts
from tubewright.answers.afc_words import amount, curl_words, signed_mm
from tubewright.errors import Fault, InputError
from tubewright.physics.afc.changes import Limits, Part, Predicted, predict, try_changes
from tubewright.physics.afc.figures import capture_hz
from tubewright.physics.afc.parts import AfcParts
from tubewright.physics.afc.separator import separated
from tubewright.physics.afc.source import VerticalKind, pulse_train, with_vertical

AFC_CAUTIONS: Final = (
    "local_rules",
    "anode_charge",
    "recharge",
    "primary_reservoir",
    "hot_chassis",
    "tuning_capacitor",
    "gate_power_off",
)
"""Ids of the cautions that go with work on the loop: it stands beside the line output stage."""

AFC_HAZARD: Final = "H3: inside the set, beside the line output stage"

EXCELLENT_PERCENT: Final = 0.3
ACCEPTABLE_PERCENT: Final = 1.0
FAILED_PERCENT: Final = 2.0
FREE_RUN_MOST_HZ: Final = 100.0
FREE_RUN_SET_HZ: Final = 50.0

Grade: TypeAlias = Literal["excellent", "acceptable", "poor", "failed"]
AdviceId: TypeAlias = Literal["feed_sync", "set_free_run", "check_separator", "change_part", "leave"]

_WITH_EDGES: Final[Mapping[bool, VerticalKind]] = {True: "standard", False: "line_serrations"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoopReport:
    """One loop on one source: its curl on the picture and its figures.

    Attributes:
        parts: The loop.
        grade: How its most displaced line would be judged.
        amplitude_mm: Displacement of that line from the settled ones, to the right positive.
        amplitude_percent: Its size over the picture's width.
        largest_mm: Displacement of the most displaced line, which a swing may put further down.
        settle_lines: Lines of the frame until it stays within 5 % of that.
        overshoot_ratio: Largest swing to the other side over the amplitude.
        still_bent: Whether the bend lasts into what was taken for settled.
        bend_mm: Mean displacement over the visible lines, either way.
        line: Numbers of the visible lines of the frame, (lines,).
        displacement_mm: Of each from the settled ones, (lines,).
        natural_hz: Natural frequency, textbook.
        damping_ratio: Damping, textbook.
        hold_hz: Free-running error up to which a locked loop holds.
        capture_hz: Free-running error up to which it locks by itself; None where not asked for.
        static_mm: Where the free-running error puts the whole picture.
        noise_bandwidth_hz: One-sided noise bandwidth.
        jitter_ratio: RMS line jitter over RMS jitter of single sync edges.
        sync_mains_db: How much of a sway of sync at mains rate the picture follows.
        sync_field_db: The same at field rate.
        oscillator_mains_db: How much is left of a sway of the oscillator at mains rate.
        ripple_db: How much of the detector's output at line rate reaches the oscillator.
        line_jitter_mm: RMS line jitter with the source's random jitter.
        mains_sway_mm: Sway of the picture with the source's mains jitter, from middle to peak.
    """

    parts: AfcParts
    grade: Grade
    amplitude_mm: float
    amplitude_percent: float
    largest_mm: float
    settle_lines: float
    overshoot_ratio: float
    still_bent: bool
    bend_mm: float
    line: NDArray[np.int64]
    displacement_mm: NDArray[np.float64]
    natural_hz: float
    damping_ratio: float
    hold_hz: float
    capture_hz: float | None
    static_mm: float
    noise_bandwidth_hz: float
    jitter_ratio: float
    sync_mains_db: float
    sync_field_db: float
    oscillator_mains_db: float
    ripple_db: float
    line_jitter_mm: float
    mains_sway_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One thing to do, with why."""

    id: AdviceId
    words: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChangeTried:
    """One part at another value, with what it would do.

    Attributes:
        part: The part's field name.
        value: In the unit of that name.
        words: Part and value as people say them.
        costs: What it would take too much of; empty when within the limits.
        report: The loop with it.
    """

    part: str
    value: float
    unit: str
    words: str
    costs: tuple[str, ...]
    report: LoopReport


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AfcAnswer:
    """What was asked of a loop.

    Attributes:
        setup: The question.
        before: The loop as it is.
        after: The loop with the change that was asked for or found best; None where there is none.
        change_words: That change in words, "" for none.
        with_edges: The loop as it is on a source with an edge on every line; None where the source has them.
        changes: All single changes that were tried, in the order of the parts.
        advice: What to do, first things first.
        headline: The answer in a sentence.
        cautions: Ids.
    """

    setup: AfcSetup
    before: LoopReport
    after: LoopReport | None = None
    change_words: str = ""
    with_edges: LoopReport | None = None
    changes: tuple[ChangeTried, ...] = ()
    advice: tuple[Advice, ...] = ()
    headline: str = ""
    cautions: tuple[str, ...] = AFC_CAUTIONS
    hazard: str = AFC_HAZARD


def predict_curl(setup: AfcSetup, *, capture: bool = True) -> AfcAnswer:
    """The curl that a loop makes, its figures, and what to do first; ``capture`` with its capture range."""
    before = _report(setup, setup.parts, capture=capture)
    edges = _with_edges(setup)
    return AfcAnswer(
        setup=setup,
        before=before,
        with_edges=edges,
        advice=_advice(setup, before, edges),
        headline=_headline(before),
    )


def what_if(setup: AfcSetup, changed: Mapping[str, float | None], *, capture: bool = True) -> AfcAnswer:
    """The loop as it is beside the loop with other parts.

    Args:
        setup: The loop as it is.
        changed: Figures by the names of the parts; those left out, or None, stay.
        capture: Whether to reckon the capture ranges, too, which takes most of the time.

    Raises:
        InputError: Nothing is changed, or parts that the circuit can't do with.
    """
    wanted = {name: value for name, value in changed.items() if value is not None}
    fitted = {name: float(getattr(setup.parts, name)) for name in PART_WORDS}
    different = {name: value for name, value in wanted.items() if value != fitted[name]}
    if not different:
        raise InputError(
            Fault(what="no part is given another value", where="change", mend="Give at least one part a new value.")
        )
    known = {name: value for name, value in {**fitted, **different}.items() if np.isfinite(value) or name in different}
    parts, _ = loop_parts(known)
    check_holds(setup, parts)
    before, after = (_report(setup, one, capture=capture) for one in (setup.parts, parts))
    edges = _with_edges(setup)
    words = ", ".join(f"{PART_WORDS[name]} {amount(name, value)}" for name, value in different.items())
    return AfcAnswer(
        setup=setup,
        before=before,
        after=after,
        change_words=words,
        with_edges=edges,
        advice=_advice(setup, before, edges),
        headline=f"With {words}: {_change_headline(before, after)}",
    )


def best_change(
    setup: AfcSetup,
    *,
    stock: Mapping[Part, Sequence[float]] | None = None,
    limits: Limits | None = None,
    sync_tried: bool = False,
    capture: bool = True,
) -> AfcAnswer:
    """The one change of a part that does best, within limits; or what comes before any change.

    Args:
        setup: The loop as it is.
        stock: Values at hand by part; preferred values of E12 unless given.
        limits: What a change may cost.
        sync_tried: Whether a source with an edge on every line was tried, or can't be had; without that, no
            change is proposed for a source that leaves lines out.
        capture: Whether to reckon the capture ranges, too.
    """
    before = _report(setup, setup.parts, capture=capture)
    edges = _with_edges(setup)
    held_back = edges is not None and not sync_tried
    tried = try_changes(
        setup.parts,
        setup.source,
        picture_width_mm=setup.picture_width_mm,
        mains_hz=setup.mains_hz,
        detector=setup.detector,
        stock=stock,
        limits=limits,
    )
    changes = tuple(
        ChangeTried(
            part=change.part,
            value=change.value,
            unit=change.unit,
            words=f"{PART_WORDS[change.part]} {amount(change.part, change.value)}",
            costs=change.costs,
            report=_of(setup, tried.predicted, change.number),
        )
        for change in tried.changes
        if np.isfinite(tried.predicted.figures.jitter_ratio[change.number])
        and np.isfinite(tried.predicted.curl.amplitude_mm[change.number])
    )
    found = None
    if tried.best is not None and before.grade != "excellent" and not held_back:
        best = tried.best
        found = next((one for one in changes if (one.part, one.value) == (best.part, best.value)), None)
    after = None if found is None else _report(setup, found.report.parts, capture=capture)
    if held_back:
        headline = (
            "No part is to be changed yet: this source leaves lines without an edge around the field pulse. "
            "Feed sync properly first."
        )
    elif found is None or after is None:
        headline = (
            "Leave the loop as it is: its curl is excellent already."
            if before.grade == "excellent"
            else "No single change within reach and limits makes the curl clearly less."
        )
    else:
        headline = f"Best single change: {found.words} ({_from(setup, found)}): {_change_headline(before, after)}"
    return AfcAnswer(
        setup=setup,
        before=before,
        after=after,
        change_words="" if found is None else found.words,
        with_edges=edges,
        changes=() if held_back else changes,
        advice=_advice(setup, before, edges, found, sync_tried=sync_tried),
        headline=headline,
    )


def _from(setup: AfcSetup, change: ChangeTried) -> str:
    return f"now {amount(change.part, float(getattr(setup.parts, change.part)))}"


def _with_edges(setup: AfcSetup) -> LoopReport | None:
    """The same loop on a source that has an edge on every line; None if its own has."""
    if not setup.source.gap_lines:
        return None
    kind = _WITH_EDGES[setup.source.interlaced]
    return _report(replace(setup, source=with_vertical(setup.source, kind)), setup.parts)


def _report(setup: AfcSetup, parts: AfcParts, *, capture: bool = False) -> LoopReport:
    found = predict(
        [parts],
        setup.source,
        picture_width_mm=setup.picture_width_mm,
        mains_hz=setup.mains_hz,
        detector=setup.detector,
    )
    report = _of(setup, found, 0)
    if not capture:
        return report
    return replace(report, capture_hz=capture_hz(parts, line_hz=setup.source.line_hz, detector=setup.detector))


def _of(setup: AfcSetup, found: Predicted, number: int) -> LoopReport:
    curl, figures = found.curl, found.figures
    amplitude = float(curl.amplitude_mm[number])
    percent = 100 * abs(amplitude) / setup.picture_width_mm
    course = curl.displacement_mm[number]
    largest = float(course[int(np.argmax(np.abs(course)))])
    per_us = setup.picture_width_mm / setup.source.active_us
    follows = 10 ** (float(figures.sync_mains_db[number]) / 20)
    return LoopReport(
        parts=found.parts[number],
        grade=grade(100 * abs(largest) / setup.picture_width_mm),
        amplitude_mm=amplitude,
        amplitude_percent=percent,
        largest_mm=largest,
        settle_lines=float(curl.settle_lines[number]),
        overshoot_ratio=float(curl.overshoot_ratio[number]),
        still_bent=bool(curl.still_bent[number]),
        bend_mm=float(found.bend_mm[number]),
        line=np.arange(curl.displacement_mm.shape[1], dtype=np.int64),
        displacement_mm=curl.displacement_mm[number],
        natural_hz=float(figures.natural_hz[number]),
        damping_ratio=float(figures.damping_ratio[number]),
        hold_hz=float(figures.hold_hz[number]),
        capture_hz=None,
        static_mm=float(figures.static_us[number]) * per_us,
        noise_bandwidth_hz=float(figures.noise_bandwidth_hz[number]),
        jitter_ratio=float(figures.jitter_ratio[number]),
        sync_mains_db=float(figures.sync_mains_db[number]),
        sync_field_db=float(figures.sync_field_db[number]),
        oscillator_mains_db=float(figures.oscillator_mains_db[number]),
        ripple_db=float(figures.ripple_db[number]),
        line_jitter_mm=float(figures.jitter_ratio[number]) * setup.random_jitter_us * per_us,
        mains_sway_mm=follows * setup.mains_jitter_us * per_us,
    )


def grade(percent: float) -> Grade:
    """How a bend that reaches so many percent of the width to the side is judged."""
    if percent <= EXCELLENT_PERCENT:
        return "excellent"
    if percent <= ACCEPTABLE_PERCENT:
        return "acceptable"
    return "poor" if percent <= FAILED_PERCENT else "failed"


def _headline(before: LoopReport) -> str:
    return f"{curl_words(before)} That is {before.grade}."


def _change_headline(before: LoopReport, after: LoopReport) -> str:
    return (
        f"the first line goes from {signed_mm(before.amplitude_mm)} to {signed_mm(after.amplitude_mm)}, "
        f"settled after {_settles(after)} instead of {_settles(before)}, damping from "
        f"{before.damping_ratio:.2f} to {after.damping_ratio:.2f}, line jitter "
        f"{after.jitter_ratio / before.jitter_ratio:.2f} times, hold range "
        f"{100 * after.hold_hz / before.hold_hz:.0f} %."
    )


def _settles(report: LoopReport) -> str:
    return "more than the picture has" if report.still_bent else f"{report.settle_lines:.0f} lines"


def _advice(
    setup: AfcSetup,
    before: LoopReport,
    edges: LoopReport | None,
    change: ChangeTried | None = None,
    *,
    sync_tried: bool = False,
) -> tuple[Advice, ...]:
    """What to do, first things first."""
    found = []
    if edges is not None:
        found.append(
            Advice(
                id="feed_sync",
                words="You have tried to feed sync with an edge on every line; keep to that wherever it can be had."
                if sync_tried
                else "Feed line and field sync separately, or combine them so that line edges of one polarity go on "
                "through the field pulse. Change no part of the loop before that was tried.",
                why=f"The source has a {KIND_WORDS[setup.source.vertical]}: {setup.source.gap_lines:g} lines bring no "
                f"edge in their place. With an edge on every line the same loop would put the first line at "
                f"{signed_mm(edges.amplitude_mm)} instead of {signed_mm(before.amplitude_mm)}.",
            )
        )
    lost, late = _separation(setup)
    if lost:
        found.append(
            Advice(
                id="check_separator",
                words="Look at the sync separator's output around the field pulse; check its coupling capacitor and "
                "leak resistor against the diagram.",
                why=f"With this coupling {lost} pulses a frame don't get through after the field pulse"
                + (f", and edges come up to {late:.2f} us late." if late else "."),
            )
        )
    off = abs(setup.parts.free_run_error_hz)
    if off > FREE_RUN_MOST_HZ:
        sign = 1 if setup.parts.free_run_error_hz > 0 else -1
        better = _report(setup, replace(setup.parts, free_run_error_hz=sign * FREE_RUN_SET_HZ))
        found.append(
            Advice(
                id="set_free_run",
                words=f"Set the free-running frequency with sync killed, to within {FREE_RUN_SET_HZ:g} to "
                f"{FREE_RUN_MOST_HZ:g} Hz of the line rate, before any part is changed.",
                why=f"It runs {off:.0f} Hz off. At {FREE_RUN_SET_HZ:g} Hz the first line would lie at "
                f"{signed_mm(better.amplitude_mm)}. A curl from this cause changes sides as the hold control turns.",
            )
        )
    if change is not None:
        found.append(
            Advice(
                id="change_part",
                words=f"Change one part only: {change.words} ({_from(setup, change)}). Note the old value, keep the "
                "original, then check lock from cold, lock range, noise, and the picture's place.",
                why=f"Of the changes within reach it leaves the least bend: {change.report.bend_mm:.2f} mm on average "
                f"instead of {before.bend_mm:.2f} mm.",
            )
        )
    elif not found:
        why = f"The bend reaches {signed_mm(before.largest_mm)}, which is {before.grade}."
        found.append(Advice(id="leave", words="Nothing here has to come before the loop's own parts.", why=why))
    return tuple(found)


def _separation(setup: AfcSetup) -> tuple[int, float]:
    """Pulses of a frame that the separator loses, and how late its edges come at most."""
    train = pulse_train(setup.source)
    constant = np.array([setup.parts.coupling_uf * 1e-6 * setup.parts.leak_ohm])
    seen, late = separated(train, constant)
    delay = np.where(seen[0], late[0] - train.delay_us, 0.0)
    return int(np.sum(train.present & ~seen[0])), float(delay.max())
