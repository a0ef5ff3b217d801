"""Measuring in the background: one photograph set after the other, told step by step, called off at a wish.

A task lives in the memory of the running bench alone. What comes of it, a
measurement or a refusal, goes into the records; the photographs were there
before. So when the bench stops, nothing is lost but the waiting.
"""

from __future__ import annotations

import json
import logging
import secrets
import threading
from collections import OrderedDict, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from tubewright.answers.measurement import Measurement, Photo, PhotoNote
from tubewright.errors import Fault, RefusedError, TubewrightError
from tubewright.knowledge.model import Knowledge
from tubewright.records.store import Store

log = logging.getLogger("tubewright.bench")

State = Literal["waiting", "measuring", "done", "failed", "cancelled"]
Measure = Callable[..., Measurement]

MOST_WAITING: Final = 8
"""Sets of photographs that may wait: a minute or two of work for one computer (estimate)."""
MOST_REMEMBERED: Final = 60
"""Finished tasks whose page still leads on to what came of them."""
_READ_SHARE: Final = 0.15
_MEASURED_SHARE: Final = 0.92
"""Of the bar: how far it is when all are read, and when all is measured (estimate)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What was said beside the photographs; kept with the measurement."""

    raster: str = ""
    picture_width_mm: float | None = None
    picture_height_mm: float | None = None
    diagonal_mm: float | None = None
    glass_radius_mm: float | None = None
    mount: Literal["horizontal", "vertical"] = "horizontal"
    gun: Literal["inline", "delta"] = "inline"

    def as_json(self, photos: Sequence[Source]) -> str:
        """The settings as text, with what each photograph was called."""
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return json.dumps({**values, "photos": [photo.name for photo in photos]}, ensure_ascii=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A photograph of the records: what it is called, and the hash that it is kept under."""

    name: str
    sha256: str


@dataclass(slots=True, kw_only=True)
class Task:
    """One set of photographs on its way to a measurement.

    Attributes:
        id: Names it in addresses; not to be guessed, and gone when the bench stops.
        state: How far it is.
        words: What is being done, or why it failed.
        share_ratio: Part of the work that is done, 0 to 1.
        measurement_id: The record that came of it.
    """

    id: str
    job_id: int
    photos: tuple[Source, ...]
    settings: Settings
    stage: str | None
    by: int | None
    unread: tuple[PhotoNote, ...] = ()
    state: State = "waiting"
    words: str = "waiting for its turn"
    share_ratio: float = 0.0
    measurement_id: int | None = None
    stop: threading.Event = field(default_factory=threading.Event)

    @property
    def over(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in {"done", "failed", "cancelled"}


class Measuring:
    """The line of tasks and the one worker that takes them in turn.

    Args:
        store: Where photographs come from and measurements go.
        knowledge: Rasters that a pattern may have been drawn on.
        measure: Measures photographs; the program's own unless a test brings another.
    """

    def __init__(self, store: Store, knowledge: Knowledge, *, measure: Measure | None = None) -> None:
        self._store, self._knowledge = store, knowledge
        self._measure = measure or _measure
        self._tasks: OrderedDict[str, Task] = OrderedDict()
        self._line: deque[Task] = deque()
        self._change = threading.Condition()
        self._worker: threading.Thread | None = None
        self._closed = False

    def start(
        self,
        job_id: int,
        photos: Sequence[Source],
        settings: Settings,
        *,
        stage: str | None,
        by: int | None,
        unread: Sequence[PhotoNote] = (),
    ) -> Task:
        """Put photographs into the line.

        Raises:
            RefusedError: The line is full.
        """
        task = Task(
            id=secrets.token_hex(8),
            job_id=job_id,
            photos=tuple(photos),
            settings=settings,
            stage=stage,
            by=by,
            unread=tuple(unread),
        )
        with self._change:
            if len(self._line) >= MOST_WAITING or self._closed:
                raise RefusedError(
                    Fault(
                        what=f"{MOST_WAITING} measurements are waiting already",
                        where="",
                        mend="The photographs are kept: measure them when those are done.",
                    )
                )
            self._tasks[task.id] = task
            self._line.append(task)
            for name in [name for name, one in self._tasks.items() if one.over][: -MOST_REMEMBERED or None]:
                del self._tasks[name]
            if self._worker is None:
                # A daemon: stopping the bench doesn't wait for figures that nobody will see.
                self._worker = threading.Thread(target=self._work, name="measuring", daemon=True)
                self._worker.start()
            self._change.notify_all()
        return task

    def find(self, job_id: int, name: str) -> Task | None:
        """The task of a job by its name, as long as it is remembered."""
        with self._change:
            task = self._tasks.get(name)
        return task if task is not None and task.job_id == job_id else None

    def of_job(self, job_id: int) -> list[Task]:
        """The tasks of a job that are not over, oldest first."""
        with self._change:
            return [task for task in self._tasks.values() if task.job_id == job_id and not task.over]

    def ahead_of(self, task: Task) -> int:
        """How many stand before it in the line."""
        with self._change:
            return self._line.index(task) if task in self._line else 0

    def cancel(self, task: Task) -> None:
        """Call a task off: at once if it waits, at its next step if it is being measured."""
        with self._change:
            task.stop.set()
            if task in self._line:
                self._line.remove(task)
                task.state, task.words = "cancelled", "called off"
            elif not task.over:
                task.words = "stopping at the next step"
            self._change.notify_all()

    def wait(self, task: Task, timeout_s: float) -> bool:
        """Wait until a task is over; whether it is."""
        with self._change:
            return self._change.wait_for(lambda: task.over, timeout_s)

    def close(self, timeout_s: float = 5.0) -> int:
        """Call all off and let the worker go; gives how many were not finished."""
        with self._change:
            self._closed = True
            left = [task for task in self._tasks.values() if not task.over]
            for task in left:
                task.stop.set()
            self._line.clear()
            self._change.notify_all()
        if self._worker is not None:
            self._worker.join(timeout_s)
        return len(left)

    def _work(self) -> None:
        while True:
            with self._change:
                self._change.wait_for(lambda: self._line or self._closed)
                if self._closed:
                    return
                task = self._line.popleft()
                task.state = "measuring"
            state, words = self._one(task)
            with self._change:
                task.words = words
                task.state = state
                self._change.notify_all()

    def _one(self, task: Task) -> tuple[State, str]:
        """Measure one set to its end, whatever that is."""
        from tubewright.answers.measure import MeasuringCancelledError

        try:
            task.measurement_id = self._to_the_end(task)
        except MeasuringCancelledError:
            return "cancelled", "called off"
        except TubewrightError as error:
            said = " ".join(f"{fault.what[:1].upper()}{fault.what[1:]}. {fault.mend}" for fault in error.faults)
            return "failed", said or "It could not be measured."
        except Exception:
            if self._closed:  # the records were shut under it
                return "cancelled", "called off"
            log.exception("measuring for job %s failed", task.job_id)
            return "failed", "Something went wrong on our side, and it is in the log. The photographs are kept."
        return "done", "measured"

    def _to_the_end(self, task: Task) -> int:
        from tubewright.answers.measure import MeasuringCancelledError
        from tubewright.answers.measurement_json import to_json
        from tubewright.picture.patterns.rasters import find_raster, library
        from tubewright.report.measure_summary import summary
        from tubewright.report.overlay import draw_overlay

        def go_on(words: str, share: float) -> None:
            if task.stop.is_set():
                raise MeasuringCancelledError(Fault(what="the measurement was called off", where="", mend=""))
            task.words, task.share_ratio = words, max(task.share_ratio, min(share, 1.0))

        photos, unread = self._read(task, go_on)
        known = library(self._knowledge.rasters.values())
        asked = task.settings
        wide, high = asked.picture_width_mm, asked.picture_height_mm
        answer = self._measure(
            photos,
            rasters=[find_raster(known, asked.raster)] if asked.raster else list(known.values()),
            picture_mm=(wide, high) if wide is not None and high is not None else None,
            diagonal_mm=asked.diagonal_mm,
            glass_radius_mm=asked.glass_radius_mm,
            mount=asked.mount,
            unread=unread,
            progress=lambda words, share: go_on(words, _READ_SHARE + share * (_MEASURED_SHARE - _READ_SHARE)),
            cancelled=task.stop.is_set,
        )
        go_on("drawing the result", _MEASURED_SHARE)
        overlay = draw_overlay(answer, photos[answer.drawn_on]).svg.encode() if answer.accepted else None
        go_on("keeping it", 0.98)
        record = self._store.save_measurement(
            task.job_id,
            photo_shas=[photo.sha256 for photo in task.photos],
            settings_json=asked.as_json(task.photos),
            answer_json=json.dumps(to_json(answer), ensure_ascii=False, separators=(",", ":")),
            accepted=answer.accepted,
            model_version=answer.model_version,
            headline=summary(answer),
            stage=task.stage,
            overlay=("image/svg+xml", overlay) if overlay is not None else None,
            by=task.by,
        )
        task.share_ratio = 1.0
        return record.id

    def _read(self, task: Task, go_on: Callable[[str, float], None]) -> tuple[list[Photo], list[PhotoNote]]:
        """The photographs decoded, and why some of them can't be."""
        from tubewright.files.photos import read_photo

        read: list[Photo] = []
        unread = list(task.unread)
        for n, source in enumerate(task.photos):
            go_on(f"reading {source.name}", _READ_SHARE * n / len(task.photos))
            try:
                read.append(read_photo(self._store.file(source.sha256).data, name=source.name))
            except RefusedError as error:
                fault = error.faults[0]
                unread.append(
                    PhotoNote(name=source.name, pattern="", refused_because=fault.what, shoot_better=fault.mend)
                )
        return read, unread


def settings_from_json(text: str) -> Mapping[str, object]:
    """The settings that a measurement was made with; nothing of them where they can't be read."""
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _measure(photos: Sequence[Photo], **asked: object) -> Measurement:
    from tubewright.answers.measure import measure

    return measure(photos, **asked)  # type: ignore[arg-type]  # as they were put together above
