"""Setting up a job of the shop: its records put together for the advice, the same for the page and the command.

Nothing here reckons a figure: it reads the store and asks :mod:`tubewright.answers.advise`.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, TypeVar, cast

from tubewright.answers.advise import Earlier, GunKind, advise
from tubewright.answers.advise_job import Asked, JobSetup, Taken, job_setup
from tubewright.answers.advise_stored import in_words
from tubewright.answers.advised import Advised, Done, OfJob
from tubewright.answers.measurement import Measurement
from tubewright.bench.measuring import settings_from_json
from tubewright.files.measurements import measurement_from_json
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.model import Knowledge
from tubewright.picture.patterns.rasters import library
from tubewright.records.model import JobPage
from tubewright.records.store import Store

KEPT_ANSWERS: Final = 40
NO_SAYING: Final = Asked()

Key = tuple[object, ...]
Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """The set-up of a job and the advice on it; ``answer`` is None while nothing was measured."""

    gathered: JobSetup
    answer: Advised | None

    @property
    def newest(self) -> Measurement | None:
        """The last photograph's measurement."""
        last = self.gathered.measured[-1] if self.gathered.measured else None
        return last if isinstance(last, Measurement) else None


class SettingUp:
    """Keeps advice that was reckoned: a page and its drawings ask for the same."""

    def __init__(self) -> None:
        self._answers: OrderedDict[Key, object] = OrderedDict()
        self._lock = threading.Lock()

    def told(self, store: Store, knowledge: Knowledge, job: JobPage, asked: Asked = NO_SAYING) -> Told:
        """The advice on a job, reckoned once for the same records; raises as :func:`told_of`."""
        before = _before(store, job)
        key: Key = ("advice", id(knowledge), asked, _mark(job), *map(_mark, before))
        return self.kept(key, lambda: _told(knowledge, job, before, asked))

    def kept(self, key: Key, reckon: Callable[[], Answer]) -> Answer:
        """What was reckoned for a key, or is reckoned now and kept; the key's first word tells whose it is."""
        with self._lock:
            if key in self._answers:
                self._answers.move_to_end(key)
                return cast("Answer", self._answers[key])
        answer = reckon()
        with self._lock:
            self._answers[key] = answer
            while len(self._answers) > KEPT_ANSWERS:
                self._answers.popitem(last=False)
        return answer


def _mark(job: JobPage) -> Key:
    return (
        job.job.id,
        job.job.tube_id,
        tuple((one.id, one.version) for one in job.measurements),
        tuple((one.id, one.version) for one in job.moves),
        tuple((one.id, one.version) for one in job.repairs),
        job.display.version,
        None if job.tube is None else job.tube.version,
    )


def told_of(store: Store, knowledge: Knowledge, job: JobPage, asked: Asked = NO_SAYING) -> Told:
    """The advice on a job, with what earlier jobs on its display taught.

    Raises:
        InputError: What was said beside it makes no sense, or a measurement can't be read.
        RefusedError: As :func:`tubewright.answers.advise.advise`.
    """
    return _told(knowledge, job, _before(store, job), asked)


def _told(knowledge: Knowledge, job: JobPage, before: tuple[JobPage, ...], asked: Asked) -> Told:
    since, notes = _since(job, asked)
    asked = replace(asked, since=since)
    earlier: list[Earlier] = []
    taught: list[int] = []
    for one in (*before, *_earlier_today(job, since)):
        then = _gathered(knowledge, one, NO_SAYING, earlier)
        if len(then.measured) > 1 and then.turned:
            earlier.append(
                Earlier(
                    measured=then.measured,
                    turned=then.turned,
                    setup=then.setup,
                    rings=then.rings,
                    same_tube=one.job.tube_id == job.job.tube_id,
                )
            )
            taught.append(one.job.id)
    gathered = _gathered(knowledge, job, asked, earlier)
    answer = None
    if gathered.measured:
        answer = advise(gathered.measured, gathered.turned, gathered.setup, knowledge, earlier=gathered.earlier)
        answer = replace(
            answer,
            notes=(*answer.notes, *gathered.notes, *notes),
            job=OfJob(
                number=job.job.id,
                photographs=gathered.photographs,
                pending=tuple(
                    Done(
                        move=one.id,
                        control=one.control,
                        name=knowledge.controls[one.control].name,
                        words=in_words(one),
                    )
                    for one in job.moves
                    if one.id in gathered.pending
                ),
                earlier=tuple(taught),
            ),
        )
    return Told(gathered=gathered, answer=answer)


def _since(job: JobPage, asked: Asked) -> tuple[int | None, tuple[str, ...]]:
    """The measurement that the session begins with: as said, else the first after what was last mended."""
    mended = max((one.at for one in job.repairs if one.repair.outcome == "mended"), default=None)
    if asked.since is not None or mended is None or not job.measurements:
        return asked.since, ()
    after = [one.id for one in job.measurements if one.at > mended and one.accepted]
    if not after:
        return None, ("Something was mended since the last photograph: photograph again before anything is turned.",)
    if after[0] == next((one.id for one in job.measurements if one.accepted), None):
        return None, ()
    return after[0], ("Begun with the first photograph after the last repair: what was before it shows another set.",)


def _earlier_today(job: JobPage, since: int | None) -> tuple[JobPage, ...]:
    """The job up to where this session begins, as one that taught of the same controls."""
    if since is None:
        return ()
    kept = {one.id for one in job.measurements if one.id < since}
    moves = tuple(one for one in job.moves if one.after_measurement_id is None or one.after_measurement_id in kept)
    measured = tuple(one for one in job.measurements if one.id in kept)
    return (replace(job, measurements=measured, moves=moves),) if measured else ()


def _before(store: Store, job: JobPage) -> tuple[JobPage, ...]:
    """Earlier jobs on the same display in which something was turned, oldest first."""
    numbers = {number for number, _ in store.moves_of_display(job.display.id)} - {job.job.id}
    pages = [store.job(number) for number in numbers]
    pages = [one for one in pages if (one.job.opened_at, one.job.id) < (job.job.opened_at, job.job.id)]
    return tuple(sorted(pages, key=lambda one: (one.job.opened_at, one.job.id)))


def _gathered(knowledge: Knowledge, job: JobPage, asked: Asked, earlier: list[Earlier]) -> JobSetup:
    known = library(knowledge.rasters.values())
    taken = [
        Taken(id=one.id, accepted=one.accepted, measured=measurement_from_json(one.answer_json, known))
        for one in job.measurements
    ]
    return job_setup(
        taken,
        job.moves,
        gun=gun_of(job),
        chassis=chassis_of(knowledge, job),
        asked=asked,
        knowledge=knowledge,
        earlier=earlier,
    )


def gun_of(job: JobPage) -> GunKind:
    """How the guns stand: as the tube says, else as the last measurement was told."""
    said: object = None if job.tube is None else job.tube.tube.gun
    for one in reversed(job.measurements):
        said = said or settings_from_json(one.settings_json).get("gun")
    return "delta" if said == "delta" else "inline"


def chassis_of(knowledge: Knowledge, job: JobPage) -> Chassis | None:
    """The profile of its chassis, if it is named and known."""
    name = job.display.display.chassis
    return knowledge.chassis.get(name) if name else None
