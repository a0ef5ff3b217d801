"""What the page of a job's set-up shows, gathered from the advice, the records and what was chosen.

Nothing here reckons a figure.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode

from tubewright.answers.advise import RINGS, unit_of, ways
from tubewright.answers.advise_guard import WAYS, RoundGuard, Way, round_guard, shut_controls
from tubewright.answers.advise_stored import in_words, part_id
from tubewright.answers.advised import Advised, AdvisedMove, Learned, Remaining
from tubewright.bench.pages import Bench
from tubewright.bench.setting_up import Told
from tubewright.knowledge.model import Knowledge
from tubewright.records.model import JobPage, MeasurementRecord, MoveRecord
from tubewright.report.advise_text import ORIGINS, gain_sentence

TOLERANCE_WORDS: Final[Mapping[str, str]] = {
    "arcade": "arcade display, guns in line",
    "delta": "delta gun",
    "broadcast": "broadcast type",
}
STANDING_WORDS: Final[Mapping[str, str]] = {
    "now": "now",
    "waits": "waits its turn",
    "within": "within tolerance",
    "unknown": "not known",
    "yours": "yours to see",
    "not_needed": "not needed",
    "absent": "nothing here turns it",
}
NEXT: Final[Mapping[str, tuple[tuple[str, str], ...]]] = {
    # what to do in each state: words, and where they lead (below the job, or from the top with a slash)
    "not_warm": (("Let it run with a picture on it, then photograph it again.", "photos"),),
    "go_on": (),
    "done": (
        ("Set the grey scale, if it isn't set yet.", "setup/grey"),
        ("Fix clamp, rings and wedges so that nothing creeps; then write the proof.", "proof"),
    ),
    "within_doubt": (
        ("Photograph once more from a stand, with the printed tags beside the glass, and it is sure.", "photos"),
        ("Or take it as done, and set the grey scale.", "setup/grey"),
    ),
    "no_gain": (("What is left is a fault, not an adjustment: go on with the diagnosis.", "diagnosis"),),
    "out_of_reach": (
        ("What is left speaks for a fault, or for a control that this display lacks: see the diagnosis.", "diagnosis"),
        ("Parts and strips from stock are on the job's list of parts.", "parts"),
    ),
    "unmeasured": (("Photograph again; see there how to shoot.", "photos"),),
}


# -- moves -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownMove:
    """An advised move as the page shows it.

    Attributes:
        it: The move.
        key: Names it on the page.
        seen: Tells whether the advice is still the one that was seen.
        shut: Its conditions are not confirmed.
        done: What was written down of it since the photograph; ``None`` while nothing was.
        before: The error that it is for, now, in words.
        after: And after the round.
    """

    it: AdvisedMove
    key: str
    seen: str
    shut: bool
    done: MoveRecord | None
    before: str = ""
    after: str = ""

    @property
    def ring(self) -> bool:
        """Whether it is a pair of rings."""
        return self.it.control in RINGS

    @property
    def ways(self) -> tuple[str, str]:
        """The control's two ways."""
        return ways(self.it.control)

    @property
    def unit(self) -> str:
        """In what it is moved, in words."""
        return {"turn": "turns", "deg": "degrees"}.get(unit_of(self.it.control), unit_of(self.it.control))


def seen_mark(move: AdvisedMove) -> str:
    """A short name of an advised move, amounts and all."""
    return hashlib.sha256(f"{move.entry}{move.amount}".encode()).hexdigest()[:12]


def shown_moves(bench: Bench, job: JobPage, told: Told) -> tuple[ShownMove, ...]:
    """The advised moves with what became of them."""
    if told.answer is None:
        return ()
    done = {(one.control, one.part): one for one in job.moves if one.id in told.gathered.pending}
    shut = shut_controls(
        [move.control for move in told.answer.moves],
        job.confirmations,
        now=bench.store.clock(),
        ran_at=ran_at(job),
        knowledge=bench.knowledge,
    )
    found = []
    for move in told.answer.moves:
        record = done.get((move.control, part_id(move.part)))
        before, after = _expected(move)
        found.append(
            ShownMove(
                it=move,
                key=f"{move.control}-{part_id(move.part)}" if move.part else move.control,
                seen=seen_mark(move),
                shut=move.control in shut and record is None,
                done=record,
                before=before,
                after=after,
            )
        )
    return tuple(found)


def _expected(move: AdvisedMove) -> tuple[str, str]:
    found = move.expected
    if found is None:
        return "", ""
    unit = "%" if found.unit == "share" else found.unit
    times, places = (100.0, 0) if found.unit == "share" else (1.0, {"mm": 2, "%": 1, "degrees": 2}.get(unit, 2))
    return (
        f"{times * found.before_ratio:.{places}f}",
        f"{times * found.after_ratio:.{places}f} ± {times * found.after_sd:.{places}f} {unit}",
    )


def ran_at(job: JobPage) -> dt.datetime | None:
    """When the set was last run to be photographed, as the records tell."""
    moments = [one.at for one in job.measurements] + [one.taken_at for one in job.photos]
    return max(moments, default=None)


def guards_of(bench: Bench, job: JobPage, controls: Sequence[str], ran: dt.datetime | None) -> dict[Way, RoundGuard]:
    """What controls ask to be confirmed, by the way they are turned.

    Args:
        bench: The bench.
        job: The job, for what was confirmed on it.
        controls: Ids of those that are shut.
        ran: When the set was last run.
    """
    if not controls:
        return {}
    now = bench.store.clock()
    return {
        way: round_guard(controls, job.confirmations, now=now, ran_at=ran, way=way, knowledge=bench.knowledge)
        for way in WAYS
    }


def minded(bench: Bench, job: JobPage, controls: Sequence[str], ran: dt.datetime | None) -> dict[str, Any]:
    """The cautions of controls that are open, in words, and who confirmed what of them."""
    rounds = list(guards_of(bench, job, controls, ran).values())
    # By the way that is confirmed; where that is some of each, by both.
    opened = [one for one in rounds if not one.left] or rounds
    conditions = {one.caution: one for each in opened for one in each.conditions}
    given = {one.caution: one for one in job.confirmations if one.caution in conditions and one.step in controls}
    return {
        "minded": tuple(one.warning for one in conditions.values()),
        "confirmed": tuple(sorted(given.values(), key=lambda one: one.at)),
    }


# -- figures -----------------------------------------------------------------------------------

_DECIMALS: Final = {"mm": 2, "%": 1, "degrees": 2, "share": 1}


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownFigure:
    """A figure held against its tolerance, as words."""

    about: str
    value: str
    tolerance: str
    says: str


def shown_figure(one: Remaining) -> ShownFigure:
    """A measured figure in words; shares as percents."""
    times = 100.0 if one.unit == "share" else 1.0
    unit, places = ("%" if one.unit == "share" else one.unit), _DECIMALS.get(one.unit, 2)
    says = "within" if one.within else f"{one.value / one.tolerance_ratio:.1f} times that"
    if not one.within and one.chance_within > 0.1:
        says += ", in doubt"
    elif one.within and one.chance_within < 0.9:
        says += ", barely"
    return ShownFigure(
        about=one.about,
        value=f"{times * one.value:.{places}f} ± {times * one.value_sd:.{places}f} {unit}",
        tolerance=f"{times * one.tolerance_ratio:.{places}f} {unit}",
        says=says,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """All figures of an answer: beyond, within, and not known with the reasons."""

    beyond: tuple[ShownFigure, ...]
    within: tuple[ShownFigure, ...]
    unknown: tuple[tuple[str, str, str], ...]


def figures_of(answer: Advised) -> Figures:
    """The figures, the worst first; what is unknown for one reason stands together."""
    order = sorted(answer.remaining, key=lambda one: -one.value / one.tolerance_ratio)
    reasons: dict[tuple[str, str], list[str]] = {}
    for one in answer.unknown:
        reasons.setdefault((one.reason, one.would_settle), []).append(one.about)
    return Figures(
        beyond=tuple(shown_figure(one) for one in order if not one.within),
        within=tuple(shown_figure(one) for one in order if one.within),
        unknown=tuple((", ".join(abouts), reason, settle) for (reason, settle), abouts in reasons.items()),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownGain:
    """What a control was seen to do, in one sentence, and where that was learned."""

    words: str
    learned: str


def shown_gain(one: Learned) -> ShownGain:
    """One gain as a sentence."""
    return ShownGain(
        words=gain_sentence(one),
        learned=ORIGINS[one.origin],
    )


# -- rounds ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownTurn:
    """A move of the job's log."""

    record: MoveRecord
    name: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownRound:
    """A photograph of the session, its worst error, and what was turned after it; none before the first."""

    number: int
    measurement: MeasurementRecord | None
    worst: str
    turns: tuple[ShownTurn, ...]


def shown_turn(move: MoveRecord, knowledge: Knowledge) -> ShownTurn:
    """A stored move with its control's name."""
    control = knowledge.controls.get(move.control)
    return ShownTurn(record=move, name=control.name if control else move.control, words=in_words(move))


def rounds_of(job: JobPage, told: Told, knowledge: Knowledge) -> tuple[ShownRound, ...]:
    """The log of a job: its photographs with the moves after each, oldest first."""
    used = told.gathered.photographs
    worst = told.answer.worst_ratio if told.answer is not None else ()
    after: dict[int, list[ShownTurn]] = {}
    order = [one.id for one in job.measurements]
    for move in job.moves:
        at = order.index(move.after_measurement_id) if move.after_measurement_id in order else -1
        place = max((used.index(one) + 1 for one in order[: at + 1] if one in used), default=0)
        after.setdefault(place, []).append(shown_turn(move, knowledge))
    by_id = {one.id: one for one in job.measurements}
    first = [ShownRound(number=0, measurement=None, worst="", turns=tuple(after[0]))] if 0 in after else []
    return (
        *first,
        *(
            ShownRound(
                number=n,
                measurement=by_id[name],
                worst="nothing measured" if value is None else f"{value:.1f} times what is let pass",
                turns=tuple(after.get(n, ())),
            )
            for n, (name, value) in enumerate(zip(used, worst, strict=False), start=1)
        ),
    )


_AT_THE_BENCH: Final = (
    # what a terminal is told, and what the page says instead
    ("tubewright diagnose takes it from here", "The diagnosis takes it from here"),
    ("write wrong_way = true", "say so at that move"),
)


def notes_of(answer: Advised) -> tuple[str, ...]:
    """What else there is to say, as the page says it."""
    told = []
    for note in answer.notes:
        for terminal, instead in _AT_THE_BENCH:
            note = note.replace(terminal, instead)  # noqa: PLW2901 - each in turn
        told.append(note)
    return tuple(told)


def curl_link(job: JobPage, told: Told) -> str:
    """Where a top curl beyond tolerance leads: the reckoning of the loop, filled from the measurement."""
    answer = told.answer
    if answer is None or not any(one.group == "curl_mm" and not one.within for one in answer.remaining):
        return ""
    asked = {"measurement": str(told.gathered.photographs[-1])}
    if job.display.display.chassis:
        asked["chassis"] = job.display.display.chassis
    return f"/reckon/afc?{urlencode(asked)}"
