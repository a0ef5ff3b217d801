"""A tube's records as the picture of its years; the figures come from the judgement's own reader."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from tubewright.bench import words
from tubewright.bench.pages import Bench
from tubewright.case import GUNS, Case
from tubewright.experience import Experience
from tubewright.judgement.readings import normalise
from tubewright.knowledge.model import Knowledge
from tubewright.records import model
from tubewright.report.years import EmissionPoint, Event, Stay, TubeHistory


@dataclass(frozen=True, slots=True, kw_only=True)
class YearEvent:
    """Something done to the tube, for the numbered list under the picture."""

    at: dt.datetime
    words: str


def events_of(history: model.TubeHistory) -> tuple[YearEvent, ...]:
    """Treatments of the tube, oldest first; the picture numbers them alike."""
    return tuple(YearEvent(at=t.at, words=_treatment(t)) for t in history.treatments)


def history_for(history: model.TubeHistory, bench: Bench) -> tuple[TubeHistory, str]:
    """What the picture shows, and a line on readings that can't be put into it."""
    # Only what calibrates instruments is needed; all that the closed jobs teach would take long to gather.
    good = tuple(one.reading for one in bench.store.known_good())
    points = _points(history, bench.knowledge, Experience(known_good=good))
    emission_days = {r.taken_at.date() for r in history.readings if r.reading.kind == "emission"}
    missing = len(emission_days - {p.at.date() for p in points})
    left_out = (
        f"Readings of {missing} {'day are' if missing == 1 else 'days are'} not drawn: they were taken at reduced "
        "heater, or nothing says what a good gun shows on that instrument."
        if missing
        else ""
    )
    drawn = TubeHistory(
        label=history.tube.tube.label or f"tube {history.tube.id}",
        today=bench.store.clock().date(),
        points=points,
        stays=tuple(
            Stay(
                display=f.display_label or f"display {f.display_id}",
                since=f.since.date(),
                until=f.until.date() if f.until else None,
            )
            for f in history.fittings
        ),
        events=tuple(Event(at=e.at, words=e.words) for e in events_of(history)),
    )
    return drawn, left_out


def _points(history: model.TubeHistory, knowledge: Knowledge, experience: Experience) -> tuple[EmissionPoint, ...]:
    """One point per gun and sitting; a sitting is one day, before or after a treatment."""
    sittings: dict[tuple[dt.date, str], list[model.ReadingRecord]] = {}
    for record in history.readings:
        key = (record.taken_at.date(), record.reading.stage or "")
        sittings.setdefault(key, []).append(record)
    points = []
    for taken in sittings.values():
        at = min(r.taken_at for r in taken)
        found = normalise(_case(history, taken), knowledge, experience)
        for gun in GUNS:
            full = found.guns[gun].full
            if full is not None and _has_scale(taken, gun, experience):
                points.append(EmissionPoint(at=at, gun=gun, relative=full.ratio))
    return tuple(sorted(points, key=lambda p: p.at))


def _case(history: model.TubeHistory, taken: Sequence[model.ReadingRecord]) -> Case:
    return Case(format=1, tube=history.tube.tube, readings=tuple(r.reading for r in taken))


def _has_scale(taken: Sequence[model.ReadingRecord], gun: str, experience: Experience) -> bool:
    """Whether what a good gun shows is known; a guessed scale is fit for a spread, not for a line over years."""
    calibrated = {k.instrument for k in experience.known_good}
    mine = [r.reading for r in taken if r.reading.kind == "emission" and r.reading.gun == gun]
    return any(r.unit == "rel" or r.reference is not None or r.instrument in calibrated for r in mine)


def _treatment(record: model.TreatmentRecord) -> str:
    gun = f", {record.treatment.gun} gun" if record.treatment.gun else ""
    outcome = words.OUTCOMES.get(record.treatment.outcome or "", "not judged yet")
    return f"{words.decision(record.treatment.kind)}{gun}: {outcome}"
