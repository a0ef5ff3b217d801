"""The seam between the program and its database: one class, methods by noun.

Everything that is acknowledged (a method returned) is on the disk. A value that
makes no sense raises :class:`~tubewright.errors.InputError` naming the field, a
record that isn't there :class:`~tubewright.errors.UnknownRecordError`, and an
edit of something that somebody else changed meanwhile
:class:`~tubewright.errors.ConflictError` saying what they changed. Parts of a
case may be given as their own types or as mappings (which are then checked).
``by`` is the id of the person at the bench; None means that nobody said.
"""

from __future__ import annotations

import datetime as dt
import threading
import uuid
from collections.abc import Callable, Mapping
from pathlib import Path

from tubewright import case
from tubewright.experience import Experience
from tubewright.records import board as _board
from tubewright.records import facts as _facts
from tubewright.records import jobs as _jobs
from tubewright.records import shop as _shop
from tubewright.records import undo as _undo
from tubewright.records import work as _work
from tubewright.records.greys import Greys
from tubewright.records.instruments import Instruments
from tubewright.records.model import (
    BoardRow,
    DisplayRecord,
    Fitting,
    HistoryRecord,
    Job,
    JobPage,
    JobState,
    ObservationRecord,
    Page,
    Person,
    TubeHistory,
    TubeRecord,
    VerdictRecord,
)
from tubewright.records.moves import Moves
from tubewright.records.one_job import OneJob
from tubewright.records.papers import Papers
from tubewright.records.phones import Phones
from tubewright.records.readings import Readings
from tubewright.records.repairs import Repairs
from tubewright.records.reserving import Reservations
from tubewright.records.settings import Settings
from tubewright.records.setup_choices import Choosing
from tubewright.records.stock import Stock
from tubewright.records.tables_out import TablesOut
from tubewright.records.transactions import utc_now
from tubewright.records.treated import Treated
from tubewright.records.treatments import Treatments
from tubewright.records.uploads import Uploads


def open_store(
    where: str | Path, *, clock: Callable[[], dt.datetime] = utc_now, new_uid: Callable[[], uuid.UUID] = uuid.uuid4
) -> Store:
    """A store ready for use: the folder made if need be, the schema brought up to date."""
    store = Store(where, clock=clock, new_uid=new_uid)
    store.migrate()
    return store


class Store(
    OneJob,
    Readings,
    Repairs,
    Treatments,
    Moves,
    Greys,
    Choosing,
    Stock,
    Reservations,
    Settings,
    Papers,
    Phones,
    Uploads,
    Treated,
    TablesOut,
    Instruments,
):
    """The shop's records in a SQLite file (a path) or a PostgreSQL database (a URL).

    Threads may share one store: readers run side by side, writers one after the other.
    """

    def __init__(
        self,
        where: str | Path,
        *,
        clock: Callable[[], dt.datetime] = utc_now,
        new_uid: Callable[[], uuid.UUID] = uuid.uuid4,
    ) -> None:
        super().__init__(where, clock=clock, new_uid=new_uid)
        self._learning = threading.Lock()
        self._learned: tuple[int, Experience] | None = None

    # -- people -----------------------------------------------------------------

    def people(self) -> tuple[Person, ...]:
        """Everybody at the bench, by name."""
        with self.database.read() as conn:
            return _shop.people_here(conn)

    def add_person(self, name: str, *, by: int | None = None) -> Person:
        """Add somebody; a name that is already there gives that person back."""
        return self.change(by, lambda change: _shop.add_person(change, name))

    # -- displays and tubes -------------------------------------------------------

    def displays(self, search: str = "", *, page: str | None = None, size: int = 25) -> Page[DisplayRecord]:
        """Displays by newest first; ``search`` is words or their beginnings (label, owner, place, tube)."""
        with self.database.read() as conn:
            return _board.show_displays(conn, search, page=page, size=size)

    def display(self, display_id: int) -> DisplayRecord:
        """One display."""
        with self.database.read() as conn:
            return _shop.display(conn, display_id)

    def add_display(
        self,
        display: case.Display | Mapping[str, object],
        *,
        owner: str = "",
        place: str = "",
        notes: str = "",
        by: int | None = None,
    ) -> DisplayRecord:
        """Take a display into the records; it needs a label."""
        return self.change(by, lambda change: _shop.add_display(change, display, owner=owner, place=place, notes=notes))

    def edit_display(
        self,
        display_id: int,
        display: case.Display | Mapping[str, object],
        *,
        version: int,
        owner: str | None = None,
        place: str | None = None,
        notes: str | None = None,
        by: int | None = None,
    ) -> DisplayRecord:
        """Replace what is known of a display; texts left None stay as they are."""
        return self.change(
            by,
            lambda change: _shop.edit_display(
                change, display_id, display, version=version, owner=owner, place=place, notes=notes
            ),
        )

    def tubes(self, search: str = "", *, page: str | None = None, size: int = 25) -> Page[TubeRecord]:
        """Tubes by newest first; ``search`` is words or their beginnings (label, notes)."""
        with self.database.read() as conn:
            return _board.show_tubes(conn, search, page=page, size=size)

    def tube(self, tube_id: int) -> TubeRecord:
        """One tube as it was entered; looks at the glass since then are in its history and case."""
        with self.database.read() as conn:
            return _shop.tube(conn, tube_id)

    def add_tube(self, tube: case.Tube | Mapping[str, object], *, notes: str = "", by: int | None = None) -> TubeRecord:
        """Take a tube into the records; ``idle_years`` is refused here, it belongs to a job."""
        return self.change(by, lambda change: _shop.add_tube(change, tube, notes=notes))

    def edit_tube(
        self,
        tube_id: int,
        tube: case.Tube | Mapping[str, object],
        *,
        version: int,
        notes: str | None = None,
        by: int | None = None,
    ) -> TubeRecord:
        """Replace what is known of a tube."""
        return self.change(by, lambda change: _shop.edit_tube(change, tube_id, tube, version=version, notes=notes))

    def fit_tube(
        self, display_id: int, tube_id: int, *, at: dt.datetime | None = None, by: int | None = None
    ) -> Fitting:
        """Put a tube into a display; it leaves the display it was in, and the old tube goes to the shelf."""
        return self.change(by, lambda change: _shop.fit_tube(change, display_id, tube_id, at=at))

    def take_out_tube(self, display_id: int, *, at: dt.datetime | None = None, by: int | None = None) -> Fitting:
        """Take the tube out of a display and leave it empty."""
        return self.change(by, lambda change: _shop.take_out_tube(change, display_id, at=at))

    def tube_history(self, tube_id: int) -> TubeHistory:
        """A tube over the years, whichever displays it sat in."""
        with self.database.read() as conn:
            return _jobs.tube_history(conn, tube_id)

    # -- jobs ---------------------------------------------------------------------

    def board(
        self, search: str = "", *, state: JobState | None = None, page: str | None = None, size: int = 25
    ) -> Page[BoardRow]:
        """The board, last changed first.

        Args:
            search: words or their beginnings, all of which must occur (display, owner,
                place, tube, what it waits for, owner's words); with a search and no
                state, closed jobs are found as well.
            state: only this state; None without a search means open and waiting.
            page: ``next_page`` of the page before.
            size: rows on a page.
        """
        with self.database.read() as conn:
            return _board.board(conn, search, state=state, page=page, size=size)

    def counts(self, *, at_most: int = 200) -> dict[JobState, int]:
        """How many jobs are in each state, counted no further than ``at_most``."""
        with self.database.read() as conn:
            return _board.counts(conn, at_most=at_most)

    def job(self, job_id: int) -> JobPage:
        """All of one job."""
        with self.database.read() as conn:
            return _jobs.job_page(conn, job_id)

    def jobs_of_display(self, display_id: int) -> tuple[Job, ...]:
        """Every job a display had, newest first."""
        with self.database.read() as conn:
            return _jobs.jobs_of_display(conn, display_id)

    def open_job(
        self,
        display_id: int,
        *,
        owner_words: str = "",
        use: case.Use | Mapping[str, object] | None = None,
        costs: case.Costs | Mapping[str, object] | None = None,
        idle_years: float | None = None,
        waits_for: str = "",
        by: int | None = None,
    ) -> Job:
        """Put a display on the bench; with ``waits_for`` it starts out waiting."""
        return self.change(
            by,
            lambda change: _jobs.open_job(
                change,
                display_id,
                owner_words=owner_words,
                use=use,
                costs=costs,
                idle_years=idle_years,
                waits_for=waits_for,
            ),
        )

    def edit_job(self, job_id: int, changes: Mapping[str, object], *, version: int, by: int | None = None) -> Job:
        """Change some of ``owner_words``, ``use``, ``costs``, ``idle_years``, ``waits_for``, ``closing_note``.

        ``use`` and ``costs`` are replaced whole. A job that isn't closed waits when
        ``waits_for`` has words in it, and is open when it is emptied.
        """
        return self.change(by, lambda change: _jobs.edit_job(change, job_id, changes, version=version))

    def close_job(self, job_id: int, *, note: str = "", version: int | None = None, by: int | None = None) -> Job:
        """Close a job; ``version`` guards against news that the person has not seen."""
        return self.change(by, lambda change: _jobs.close_job(change, job_id, note=note, version=version))

    def reopen_job(self, job_id: int, *, version: int | None = None, by: int | None = None) -> Job:
        """Take a closed job up again."""
        return self.change(by, lambda change: _jobs.reopen_job(change, job_id, version=version))

    # -- observations, verdicts -----------------------------------------

    def add_symptom(
        self, job_id: int, symptom: case.Symptom | Mapping[str, object], *, by: int | None = None
    ) -> ObservationRecord:
        """Note a symptom as present or absent; the latest word on a symptom counts."""
        return self.change(by, lambda change: _work.add_symptom(change, job_id, symptom))

    def add_test(
        self, job_id: int, test: case.TestResult | Mapping[str, object], *, by: int | None = None
    ) -> ObservationRecord:
        """Note the result of a bench test."""
        return self.change(by, lambda change: _work.add_test(change, job_id, test))

    def add_look(
        self,
        job_id: int,
        *,
        getter: str | None = None,
        neck: str | None = None,
        burn: float | None = None,
        by: int | None = None,
    ) -> tuple[ObservationRecord, ...]:
        """Note what the glass looks like now; the latest look counts over what the tube's record says."""
        return self.change(by, lambda change: _work.add_look(change, job_id, getter=getter, neck=neck, burn=burn))

    def add_observation(
        self, job_id: int, what: case.Symptom | case.TestResult, *, by: int | None = None
    ) -> ObservationRecord:
        """Note a symptom or a test result, whichever it is."""
        if isinstance(what, case.Symptom):
            return self.add_symptom(job_id, what, by=by)
        return self.add_test(job_id, what, by=by)

    def remove_observation(self, observation_id: int, *, version: int, by: int | None = None) -> None:
        """Strike an observation out; history keeps it."""
        self.change(by, lambda change: _work.remove_observation(change, observation_id, version=version))

    def save_verdict(
        self,
        job_id: int,
        *,
        case_json: str,
        answer_json: str,
        model_version: str,
        seed: int,
        decision: str,
        headline: str,
        by: int | None = None,
    ) -> VerdictRecord:
        """Keep a verdict with all that is needed to replay it."""
        return self.change(
            by,
            lambda change: _work.save_verdict(
                change,
                job_id,
                case_json=case_json,
                answer_json=answer_json,
                model_version=model_version,
                seed=seed,
                decision=decision,
                headline=headline,
            ),
        )

    # -- history --------------------------------------------------------------------

    def history(
        self, *, job_id: int | None = None, person_id: int | None = None, size: int = 50
    ) -> tuple[HistoryRecord, ...]:
        """The last changes, newest first, of a job or a person or all."""
        with self.database.read() as conn:
            return _undo.history(conn, job_id=job_id, person_id=person_id, size=size)

    def undo(self, *, by: int | None = None, history_id: int | None = None) -> tuple[HistoryRecord, ...]:
        """Take a change back by a new change; the history keeps both.

        Args:
            by: who takes it back.
            history_id: an entry of the change to take back (all rows changed
                together go back together); None means the last change of ``by``
                that is still in force.

        Returns:
            The entries of the change that was taken back.

        Raises:
            ConflictError: the row was changed again since, or other records hang on it.
            UnknownRecordError: there is nothing to take back.
        """
        return self.change(by, lambda change: _undo.undo(change, history_id))

    # -- facts for the judges -------------------------------------------------------

    def case_of(self, job_id: int) -> case.Case:
        """The job as a case: the tube that is in the display (at closing, if closed) and what this job found on it."""
        with self.database.read() as conn:
            return _facts.case_of(conn, job_id)

    def experience(self) -> Experience:
        """What the closed jobs have to teach, as facts; kept until something that bears on it changes."""
        with self._learning, self.database.read() as conn:
            if self._learned is not None:
                entry = _facts.still_true(conn, self._learned[0])
                if entry is not None:
                    self._learned = (entry, self._learned[1])
                    return self._learned[1]
            self._learned = (_facts.last_entry(conn), _facts.experience(conn))
            return self._learned[1]
