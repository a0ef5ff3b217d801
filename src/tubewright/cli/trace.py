"""``trace``: the search for a fault in the terminal, one question at a time."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from tubewright.cli.shop import ShopOption, experience, known, number_of, open_shop
from tubewright.errors import Fault, InputError, TubewrightError

if TYPE_CHECKING:
    from tubewright.answers.trace import Allowed, Given, Search
    from tubewright.answers.trace_answer import Wish
    from tubewright.answers.trace_questions import Standing
    from tubewright.answers.trace_reckon import Tracer
    from tubewright.cli.trace_keep import Keeper
    from tubewright.cli.trace_screen import Screen

REFUSED: Final = 3
INTERRUPTED: Final = 130
"""Exit code after Ctrl-C, as shells have it (128 and the number of the signal)."""
OFFERED: Final = 8
"""Symptoms offered for what somebody says."""


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("trace", epilog="Example: tubewright trace job:7 --person Mira")(trace)


def trace(
    case: Annotated[
        str, typer.Argument(metavar="[CASE]", help="A TOML or JSON file, or job:7; nothing starts from what is said.")
    ] = "",
    *,
    person: Annotated[str | None, typer.Option("--person", metavar="NAME", help="Who is at the bench (jobs).")] = None,
    save: Annotated[
        Path | None, typer.Option("--save", metavar="FILE", help="The case file to write (without a job).")
    ] = None,
    answers: Annotated[
        Path | None, typer.Option("--answers", metavar="FILE", help="Play the answers in a file, one a line.")
    ] = None,
    general: Annotated[bool, typer.Option("--general", help="Leave out what this shop's own jobs taught.")] = False,
    seed: Annotated[int, typer.Option(min=0, max=2**32 - 1, help="Where the random numbers start.")] = 1,
    shop: ShopOption = None,
) -> None:
    """Search for the fault, one question at a time.

    Each step that can hurt opens only when its conditions are confirmed. Type h for
    help. With --answers it ends with 3 if a condition was not confirmed.
    """
    from tubewright.answers.trace_reckon import Tracer
    from tubewright.cli.trace_screen import Screen, answers_in
    from tubewright.experience import NO_EXPERIENCE

    of_job = case.startswith("job:")
    if person is not None and not of_job:
        raise typer.BadParameter("only a job keeps who confirmed: give CASE as job:7", param_hint="--person")
    if save is not None and of_job:
        raise typer.BadParameter("a job is saved in the shop; leave --save out", param_hint="--save")
    if case == "-":
        raise typer.BadParameter("standard input is for the answers; name a file", param_hint="CASE")
    screen = Screen(None if answers is None else answers_in(_text_of(answers)))
    if save is not None and screen.scripted and save.exists():
        raise InputError(Fault(what="it is there already", where=str(save), mend="Name another file, or move it away."))
    tracer = Tracer(known(shop), NO_EXPERIENCE if general else experience(shop), seed=seed)
    if of_job:
        _trace_job(number_of(case, "job"), tracer, screen, person, shop)
    else:
        _trace_file(case, tracer, screen, save, shop)


def _trace_file(named: str, tracer: Tracer, screen: Screen, file: Path | None, shop: str | None) -> None:
    from tubewright.answers.trace import Search
    from tubewright.case import Case
    from tubewright.cli.asked import asked_case
    from tubewright.cli.trace_keep import FileKeeper

    start = asked_case(named, shop) if named else Case(format=1)
    _Session(tracer, screen, FileKeeper(file, named, screen), Search(start=start)).run()


def _trace_job(job: int, tracer: Tracer, screen: Screen, person: str | None, shop: str | None) -> None:
    from tubewright.answers.trace import Allowed, Search
    from tubewright.cli.trace_keep import JobKeeper

    with open_shop(shop) as store:
        words = store.job(job).job.owner_words
        confirmed = tuple(
            Allowed(step_sort=one.step_sort, step=one.step, caution=one.caution, at=one.at)
            for one in store.confirmations(job)
        )
        search = Search(start=store.case_of(job), confirmed=confirmed)
        session = _Session(tracer, screen, JobKeeper(store, job, person, screen), search)
        if words:
            screen.say(f"The owner said: {words}")
            session.hear(words)
        session.run()


class _Session:
    """One search from its first question to the way out."""

    def __init__(self, tracer: Tracer, screen: Screen, keeper: Keeper, search: Search) -> None:
        self.tracer = tracer
        self.screen = screen
        self.keeper = keeper
        self.search = search

    def hear(self, words: str) -> None:
        """Begin with what the owner said, where nothing is known yet and it fits something."""
        from tubewright.answers.trace import Said
        from tubewright.answers.trace_questions import AskWords

        offered = self._symptoms(words)
        if offered and isinstance(self.tracer.standing(self.search, _now()).question, AskWords):
            self.search = self.search.with_given(Said(words=words, offered=offered))

    def run(self) -> None:
        """Ask until somebody quits, or the answers end.

        Raises:
            InputError: A line of a file of answers can't be understood; nothing more is played.
            Exit: A condition was not confirmed in a played session, or somebody broke off.
        """
        from tubewright.answers.trace import refusals

        try:
            self._ask()
        except EOFError:
            self._rescue()
        except KeyboardInterrupt:
            self._rescue()
            raise typer.Exit(INTERRUPTED) from None
        if self.screen.scripted and refusals(self.search):
            self.screen.say("A condition was not confirmed, so a step stayed closed.")
            raise typer.Exit(REFUSED)

    def _ask(self) -> None:
        from tubewright.answers.trace_answer import Wish, understand
        from tubewright.report.trace_text import standing_text

        shown: Standing | None = None
        while True:
            standing = self.tracer.standing(self.search, _now())
            if standing is not shown and standing != shown:
                self.screen.show(standing_text(standing, width=self.screen.width))
                shown = standing
            typed = self.screen.ask()
            try:
                got = understand(typed, standing, self.tracer.knowledge, search=self._symptoms, now=_now())
                if not isinstance(got, Wish):
                    self._give(got)
                elif got.name == "quit":
                    if self._quit():
                        return
                elif self._do(got, standing):
                    shown = None
            except TubewrightError as error:
                self._amiss(error)

    def _give(self, given: Given) -> None:
        """Take an answer, unless it is impossible together with the others."""
        from tubewright.answers.trace import Allowed, Opened

        after = self.search.with_given(given)
        standing = self.tracer.standing(after, _now())
        self.search = after
        if isinstance(given, Allowed):
            self._confirmed(given, standing)
        if isinstance(given, Opened) and given.outcome != "excluded":
            self.screen.say("Type s to save it.")

    def _confirmed(self, given: Allowed, standing: Standing) -> None:
        """Keep the conditions of a step once they are all confirmed: they belong together."""
        from tubewright.answers.trace import last_group
        from tubewright.answers.trace_questions import Guard

        question = standing.question
        if isinstance(question, Guard) and (question.sort, question.step) == (given.step_sort, given.step):
            return
        group = last_group(self.search)
        cautions = self.tracer.knowledge.cautions
        self.keeper.confirmed(group, {one.caution: cautions[one.caution].confirm for one in group})

    def _do(self, wish: Wish, standing: Standing) -> bool:
        """What was wished for; tells whether the question is to be shown anew."""
        from tubewright.answers.trace_answer import said, steps_back
        from tubewright.report import trace_text

        width = self.screen.width
        match wish.name:
            case "back":
                before = self.search
                self.search = before.back(steps_back(wish.rest))
                self.keeper.taken_back(before.given[len(self.search.given) :])
                if before == self.search:
                    self.screen.say("There is nothing to take back.")
                return before != self.search
            case "why":
                self.screen.show(trace_text.why_text(standing, width=width))
            case "ranking":
                self.screen.show(trace_text.ranking_text(standing, width=width))
            case "help":
                self.screen.show(trace_text.help_text(width=width))
            case "save":
                self.screen.say(self.keeper.save(self.search, wish.rest))
            case "tell":
                self._give(said(wish.rest, self._symptoms))
            case "others":
                self._choose_other(standing)
            case "place":
                self._say_place()
            case _:
                pass
        return wish.name in {"others", "place"}

    def _choose_other(self, standing: Standing) -> None:
        from tubewright.answers.trace_answer import choice_of_other
        from tubewright.report.trace_text import others_text

        self.screen.show(others_text(standing.others, width=self.screen.width))
        if standing.others:
            typed = self.screen.ask()
            if typed.strip():
                self._give(choice_of_other(typed, standing.others))

    def _say_place(self) -> None:
        from tubewright.answers.trace_answer import choice_of_place
        from tubewright.report.trace_text import places_text

        self.screen.show(places_text(width=self.screen.width))
        typed = self.screen.ask()
        if typed.strip():
            self._give(choice_of_place(typed))

    def _quit(self) -> bool:
        """Whether to leave; what isn't saved is asked for first."""
        if not self.keeper.unsaved(self.search):
            return True
        self.screen.say("Not all of it is saved. Save it? Enter or yes saves, no leaves it, b goes back to the search.")
        typed = self.screen.ask().strip().lower()
        if typed in {"b", "back"}:
            return False
        if typed not in {"no", "n"}:
            self.screen.say(self.keeper.save(self.search))
            return not self.keeper.unsaved(self.search)
        return True

    def _rescue(self) -> None:
        if self.keeper.unsaved(self.search):
            self.screen.say(self.keeper.rescue(self.search))

    def _amiss(self, error: TubewrightError) -> None:
        if self.screen.scripted:
            where = f"answers, line {self.screen.line}"
            kept = [Fault(what=fault.what, where=where, mend=fault.mend) for fault in error.faults]
            raise InputError(kept) from error
        for fault in error.faults:
            self.screen.say(str(fault))

    def _symptoms(self, words: str) -> tuple[str, ...]:
        """Symptoms that fit what somebody says: the best of each complaint in it, then the others."""
        from tubewright.knowledge.search import find_complaints, find_symptoms

        complaints = find_complaints(self.tracer.knowledge, words)
        first = [complaint.symptoms[0].id for complaint in complaints]
        rest = [symptom.id for complaint in complaints for symptom in complaint.symptoms[1:]]
        more = [symptom.id for symptom in find_symptoms(self.tracer.knowledge, words, limit=OFFERED)]
        return tuple(dict.fromkeys([*first, *rest, *more]))[:OFFERED]


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


def _text_of(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "it is not UTF-8 text"
        raise InputError(
            Fault(what=f"the answers can't be read ({reason})", where=str(file), mend="Name a text file.")
        ) from error
