"""Where a search is kept: in a job of the shop, or in a case file. Nothing that was given is lost on the way out."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

from tubewright.answers.trace import Allowed, Found, Given, Opened, Search, Seen, case_of, news
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from tubewright.cli.trace_screen import Screen
    from tubewright.records.store import Store

USUAL_FILE: Final = "trace.toml"
_MOST_FILES: Final = 1000
_LOOKED_BACK: Final = 1000


class Keeper(Protocol):
    """What the session asks of the place where it is kept."""

    def unsaved(self, search: Search) -> bool:
        """Whether something given isn't kept yet."""

    def save(self, search: Search, named: str = "") -> str:
        """Keep everything; returns what to say.

        Raises:
            InputError: It can't be kept there.
        """

    def rescue(self, search: Search) -> str:
        """Keep everything without asking anybody; returns what to say."""

    def confirmed(self, group: tuple[Allowed, ...], words: Mapping[str, str]) -> None:
        """Keep that the conditions of a step were confirmed."""

    def taken_back(self, given: tuple[Given, ...]) -> None:
        """Take back what was kept at once of these answers."""


class FileKeeper:
    """A case file, written when it is asked for and on the way out."""

    def __init__(self, file: Path | None, case: str, screen: Screen) -> None:
        self.file = file
        self.screen = screen
        self.usual = file or Path(f"{Path(case).stem}-traced.toml" if case and case != "-" else USUAL_FILE)
        self._mine: set[Path] = set()
        self._kept: Search | None = None

    def unsaved(self, search: Search) -> bool:
        """Whether there is news that the file doesn't hold."""
        if self._kept is None:
            return news(search)
        return case_of(self._kept) != case_of(search)

    def save(self, search: Search, named: str = "") -> str:
        """Write the case; a file that is there already only after a typed yes."""
        file = Path(named) if named else self.usual
        if file.exists() and file not in self._mine:
            self.screen.say(f"{file} is there already. Type yes to write over it, or another name; Enter leaves it.")
            answer = self.screen.ask().strip()
            if not answer or answer.lower() in {"no", "n"}:
                return "Nothing was written."
            if answer.lower() != "yes":
                return self.save(search, answer)
        self._write(file, search)
        return f"Saved in {file}."

    def rescue(self, search: Search) -> str:
        """Write the case to the usual file, or to the next one that is free."""
        file = self.usual
        for number in range(2, _MOST_FILES):
            if file in self._mine or not file.exists():
                break
            file = self.usual.with_stem(f"{self.usual.stem}-{number}")
        self._write(file, search)
        return f"What was given is in {file}."

    def confirmed(self, group: tuple[Allowed, ...], words: Mapping[str, str]) -> None:
        """A case holds no confirmations; they count for this search alone."""

    def taken_back(self, given: tuple[Given, ...]) -> None:
        """Nothing was kept at once."""

    def _write(self, file: Path, search: Search) -> None:
        from tubewright.files import write_case

        text = write_case(case_of(search))
        try:
            # Whether the file is new is asked of the system itself: another program may have made it meanwhile.
            with file.open("w" if file in self._mine or file.exists() else "x", encoding="utf-8") as out:
                out.write(text)
        except OSError as error:
            reason = error.strerror or str(error)
            raise InputError(
                Fault(what=f"it can't be written ({reason})", where=str(file), mend="Save under another name: s NAME.")
            ) from error
        self._mine.add(file)
        self._kept = search


class JobKeeper:
    """A job of the shop: findings are written when it is asked for, confirmations at once."""

    def __init__(self, store: Store, job: int, person: str | None, screen: Screen) -> None:
        self.store = store
        self.job = job
        self.screen = screen
        self._who: int | None = None
        self._named = False
        self._written: list[tuple[Given, list[tuple[str, int, int]]]] = []
        self._confirmed: dict[Allowed, int] = {}
        if person is not None:
            self._who, self._named = self._known(person), True

    def unsaved(self, search: Search) -> bool:
        """Whether the job lacks some of what was given, or holds what was taken back."""
        return _kept(search.given) != [given for given, _ in self._written]

    def save(self, search: Search, named: str = "") -> str:
        """Write what is new into the job, and strike out what was taken back."""
        if named:
            raise InputError(
                Fault(what=f"this search belongs to job {self.job}", where="", mend="Type s alone to save it there.")
            )
        wanted = _kept(search.given)
        same = 0
        while same < min(len(wanted), len(self._written)) and wanted[same] == self._written[same][0]:
            same += 1
        while len(self._written) > same:
            _, rows = self._written[-1]
            self._strike(rows)
            self._written.pop()
        for given in wanted[same:]:
            self._written.append((given, self._write(given)))
        return f"Written into job {self.job}."

    def rescue(self, search: Search) -> str:
        """As :meth:`save`; there is nothing to ask."""
        return self.save(search)

    def confirmed(self, group: tuple[Allowed, ...], words: Mapping[str, str]) -> None:
        """Keep who confirmed the conditions of a step, and when."""
        fresh = [one for one in group if one not in self._confirmed]
        if not fresh:
            return
        kept = self.store.confirm(
            self.job,
            fresh[0].step_sort,
            fresh[0].step,
            cautions={one.caution: words[one.caution] for one in fresh},
            by=self._person(),
        )
        rows = {record.caution: record.id for record in kept}
        self._confirmed |= {one: rows[one.caution] for one in fresh}

    def taken_back(self, given: tuple[Given, ...]) -> None:
        """Take back confirmations, so that the step is closed again for everybody; the history keeps both."""
        rows = {self._confirmed[one] for one in given if isinstance(one, Allowed) and one in self._confirmed}
        changes: dict[str, int] = {}
        for entry in self.store.history(job_id=self.job, size=_LOOKED_BACK) if rows else ():
            if entry.table == "confirmations" and entry.action == "insert" and entry.row_id in rows:
                changes[entry.change] = entry.id
        for entry_id in changes.values():
            # What was confirmed at one go goes at one go.
            gone = {one.row_id for one in self.store.undo(history_id=entry_id, by=self._who)}
            self._confirmed = {one: row for one, row in self._confirmed.items() if row not in gone}

    def _write(self, given: Given) -> list[tuple[str, int, int]]:
        from tubewright.case import Repair, Symptom

        match given:
            case Seen(marks=marks):
                noted = [
                    self.store.add_symptom(self.job, Symptom(id=name, present=present), by=self._who)
                    for name, present in marks
                ]
                return [("observation", one.id, one.version) for one in noted]
            case Found(result=result):
                one = self.store.add_test(self.job, result, by=self._who)
                return [("observation", one.id, one.version)]
            case Opened(fault=fault, outcome=outcome):
                repair = self.store.add_repair(self.job, Repair(fault=fault, outcome=outcome), by=self._who)
                return [("repair", repair.id, repair.version)]
            case _:
                return []

    def _strike(self, rows: list[tuple[str, int, int]]) -> None:
        for sort, row, version in reversed(rows):
            if sort == "repair":
                self.store.remove_repair(row, version=version, by=self._who)
            else:
                self.store.remove_observation(row, version=version, by=self._who)

    def _person(self) -> int | None:
        """Who is at the bench; asked for once."""
        if self._named:
            return self._who
        people = self.store.people()
        names = ", ".join(person.name for person in people)
        self.screen.say(f"Who confirms this? {f'Known here: {names}.' if names else 'Nobody is known here yet.'}")
        self._who = self._asked(self.screen.ask().strip())
        self._named = True
        return self._who

    def _asked(self, name: str) -> int:
        while True:
            try:
                if name:
                    return self._known(name)
                self.screen.say("A confirmation needs a name.")
            except InputError as error:
                if self.screen.scripted:
                    raise
                self.screen.say(f"{error.faults[0].what}. Type it once more to add it, or another name.")
            again = self.screen.ask().strip()
            if again and again == name:
                return self.store.add_person(name).id
            name = again

    def _known(self, name: str) -> int:
        from tubewright.knowledge.search import nearest

        people = {person.name.casefold(): person for person in self.store.people() if person.active}
        found = people.get(name.strip().casefold())
        if found is not None:
            return found.id
        near = [people[one].name for one in nearest(name.casefold(), people)]
        raise InputError(
            Fault(
                what=f"nobody called {name!r} works here",
                where="--person",
                mend=f"Did you mean {' or '.join(near)}?" if near else "Add them on the bench's page of people.",
            )
        )


def _kept(given: tuple[Given, ...]) -> list[Given]:
    """The answers that belong into a job."""
    return [one for one in given if isinstance(one, Seen | Found | Opened)]
