"""A search for a fault as lines for a terminal: short at every step, whole on request.

Plain text that reads the same in 40 columns, without colour and aloud. What leads a
hand into the machine comes only after its conditions, which are asked one by one.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from typing import Final

from tubewright.answers.trace_answer import STANDINGS
from tubewright.answers.trace_questions import (
    AskSymptoms,
    AskWords,
    Choose,
    Guard,
    Leader,
    Look,
    OpenUp,
    Other,
    Question,
    Standing,
    TakeTest,
    TheEnd,
)
from tubewright.report import wording
from tubewright.report.diagnose_text import hazard_words
from tubewright.report.text import printable

NARROWEST: Final = 24
WIDEST: Final = 100
MOST_EXPLAINED: Final = 2
"""Leading faults of which it is said what speaks for and against them, when somebody asks why."""

LEAST_CHANGE: Final = 0.02
"""Change of a chance that is worth a word."""

HINT: Final = "? don't know, b back, w why, h help"

HELP: Final = (
    ("number", "choose from the list; several with spaces where several may be true"),
    ("118 V", "a reading with its unit; 118 V of 127 V says what is right; red 0.3 Mohm names the gun"),
    ("?", "don't know, or not now: it isn't asked again unless you choose it"),
    ("b", "back one answer; b 3 goes back three"),
    ("w", "why this is asked, and what each answer would mean"),
    ("l", "the whole ranking"),
    ("t WORDS", "tell of something else that is seen, heard or smelt"),
    ("o", "other steps to choose from, with those put off"),
    ("p", "say how the set stands now: closed, open, chassis out"),
    ("s", "save; s FILE names the file"),
    ("q", "quit; asks first if something isn't saved"),
    ("h", "this help"),
)
"""What can be typed at any question, and what it does."""

OUTCOME_WORDS: Final = (
    "mended: it was this, and it is cured",
    "found: it is this, not mended yet",
    "looked: it isn't this",
)


def standing_text(standing: Standing, *, width: int = 80) -> str:
    """One step: the leading faults and the question."""
    page = _Page(width)
    question = standing.question
    for words in standing.at_once:
        page.say(f"AT ONCE: {words}")
    if not isinstance(question, AskWords | Choose) and not (isinstance(question, Guard) and not question.first):
        page.lines += _ranking(page, standing.leading)
    _ask(page, question, standing)
    return page.text()


def why_text(standing: Standing, *, width: int = 80) -> str:
    """Why this is asked: what speaks for and against the leading fault, and what each answer would mean."""
    page = _Page(width)
    answer = standing.diagnosed
    for explained in answer.explains[:MOST_EXPLAINED]:
        page.say(explained.words)
    if not answer.explains:
        page.say(answer.headline)
    if answer.unexplained:
        page.say(f"Not explained yet: {wording.listed([item.name for item in answer.unexplained])}.")
    _meaning(page, standing.question)
    return page.text()


def ranking_text(standing: Standing, *, width: int = 80) -> str:
    """Every fault that something speaks for, with its chance, and where the blame lies."""
    page = _Page(width)
    answer = standing.diagnosed
    if not answer.faults:
        page.say("Nothing seen so far speaks for any fault.")
        return page.text()
    for place, fault in enumerate(answer.faults, start=1):
        state = " (ruled out)" if fault.state == "excluded" else ""
        page.point(f"{place}.", f"{fault.name}: {wording.chance(fault.probability)}{state}")
    tube, elsewhere = wording.chance(answer.probability_tube), wording.chance(answer.probability_elsewhere)
    page.say(
        f"Chance that the tube is to blame for some of it: {tube}; something else: {elsewhere}; "
        f"nothing in the catalogue: {wording.chance(answer.probability_unknown)}."
    )
    for repair in answer.repairs:
        page.say(repair.words)
    return page.text()


def others_text(others: Iterable[Other], *, width: int = 80) -> str:
    """Other steps by number; nothing is done by choosing one, its conditions still come first."""
    page = _Page(width)
    sorts = {"symptom": "look", "test": "test", "repair": "open up"}
    listed = list(others)
    if not listed:
        page.say("There is no other step worth offering.")
        return page.text()
    for place, other in enumerate(listed, start=1):
        hazard = "" if other.hazard == "H0" else f", {other.hazard}"
        why_not = f"; {other.why_not}" if other.why_not else ""
        minutes = wording.minutes(other.minutes)
        page.point(f"{place}.", f"{sorts[other.sort]}: {other.name} ({minutes}{hazard}{why_not})")
    page.say("A number chooses, Enter leaves all as it is.")
    return page.text()


def places_text(*, width: int = 80) -> str:
    """How the set may stand, by number."""
    page = _Page(width)
    page.say("How does the set stand now?")
    for place, workplace in enumerate(STANDINGS, start=1):
        page.point(f"{place}.", workplace.words)
    page.say("A number chooses, Enter leaves all as it is.")
    return page.text()


def help_text(*, width: int = 80) -> str:
    """What can be typed."""
    page = _Page(width)
    for typed, does in HELP:
        page.point(f"{typed}:", does)
    return page.text()


def words_text(words: str, *, width: int = 80) -> str:
    """A message in lines of that width."""
    page = _Page(width)
    page.say(words)
    return page.text()


class _Page:
    """Lines of a given width."""

    def __init__(self, width: int) -> None:
        self.width = max(NARROWEST, min(width, WIDEST))
        self.lines: list[str] = []

    def say(self, words: str) -> None:
        self.lines += textwrap.wrap(printable(words), self.width) or [""]

    def point(self, mark: str, words: str) -> None:
        head = f"  {mark} "
        wrapped = textwrap.wrap(
            printable(words), self.width, initial_indent=head, subsequent_indent=" " * min(len(head), 6)
        )
        self.lines += wrapped or [head.rstrip()]

    def text(self) -> str:
        return "\n".join(self.lines) + "\n"


def _ranking(page: _Page, leading: Iterable[Leader]) -> Iterator[str]:
    lines = _Page(page.width)
    for place, one in enumerate(leading, start=1):
        lines.point(f"{place}.", f"{one.name}: {wording.chance(one.probability)}{_change(one)}")
    yield from lines.lines


def _change(one: Leader) -> str:
    """How a chance moved since the last answer, where it moved enough to matter."""
    now = wording.chance(one.probability)
    if one.before_probability is None:
        return " (new)"
    before = wording.chance(one.before_probability)
    if before == now or abs(one.probability - one.before_probability) < LEAST_CHANGE:
        return ""
    return f" ({'up' if one.probability > one.before_probability else 'down'} from {before})"


def _ask(page: _Page, question: Question, standing: Standing) -> None:
    match question:
        case AskWords():
            page.say("What does the owner say? Type it in plain words: what is seen, heard or smelt.")
            page.say("? for a list to choose from, h help, q quit")
        case Choose():
            page.say(f"Which of these is meant by “{question.words}”?" if question.words else "Which of these is it?")
            for place, (owner, technician) in enumerate(question.names, start=1):
                page.point(f"{place}.", f"{owner.rstrip('.')} ({technician.rstrip('.')})")
            page.say("Type the numbers that fit, such as 1 3; 0 for none; b back")
        case AskSymptoms(looks=[look]):
            page.say(f"LOOK: {look.owner_says} ({look.technician_says.rstrip('.')})")
            page.point("1.", "yes, it is so")
            page.point("2.", "no")
            page.say(HINT)
        case AskSymptoms():
            page.say("LOOK: which of these are there?")
            for place, look in enumerate(question.looks, start=1):
                page.point(f"{place}.", look.owner_says)
            page.say("Numbers of those that are there, 0 for none, 2? where you can't say; w why, h help")
        case Guard():
            _guard(page, question)
        case TakeTest():
            _take(page, question)
        case OpenUp():
            _open(page, question, standing)
        case TheEnd():
            _end(page, question, standing)


def _guard(page: _Page, question: Guard) -> None:
    step = f"{'the repair of' if question.sort == 'repair' else 'the test'} “{question.name}”"
    hazard = hazard_words(question.hazard)
    when = f"After {step}, before the set runs on or leaves" if question.closing else f"Before {step}"
    page.say(f"{when}{f' ({hazard})' if hazard else ''}, {_conditions(question.left)} to confirm:")
    page.point("!", question.text)
    page.say(f"Confirm: {question.confirm}")
    no = "the set is held" if question.closing else "the step stays closed"
    page.say(f"Type yes if it is so; {question.lasts}. Enter alone means no: {no}.")


def _conditions(count: int) -> str:
    return "1 condition" if count == 1 else f"{count} conditions"


def _take(page: _Page, question: TakeTest) -> None:
    hazard = hazard_words(question.hazard)
    page.say(f"TEST: {question.name} ({wording.minutes(question.minutes)}{f'; {hazard}' if hazard else ''})")
    _way(page, question.way, question.way_minutes)
    right = question.profile_nominal
    page.say(question.how + (f" The profile of this chassis says {wording.rounded(right, 4)}." if right else ""))
    if question.follows:
        page.say(f"So far: {question.follows}. Does it go further?")
    for place, result in enumerate(question.results, start=1):
        page.point(f"{place}.", result.means)
    page.point(f"{len(question.results) + 1}.", "no more than that" if question.follows else "none of these")
    page.say(f"{'A number, or a reading such as 118 V. ' if question.numeric else ''}{HINT}")


def _open(page: _Page, question: OpenUp, standing: Standing) -> None:
    hazard = hazard_words(question.hazard)
    beside = f"{wording.minutes(question.minutes)}{f'; {hazard}' if hazard else ''}"
    page.say(f"OPEN UP: {question.name}, {wording.chance(question.probability)} ({beside})")
    _way(page, question.way, question.way_minutes)
    page.say(question.repair)
    _unexplained(page, standing)
    page.say("What did it come to?")
    for place, words in enumerate(OUTCOME_WORDS, start=1):
        page.point(f"{place}.", words)
    page.say(HINT)


def _way(page: _Page, way: tuple[str, ...], minutes: float) -> None:
    if way:
        page.say(f"First: {'; '.join(way)} ({wording.minutes(minutes)}).")


def _end(page: _Page, question: TheEnd, standing: Standing) -> None:
    if question.reason == "found":
        verb = "Found and mended" if question.outcome == "mended" else "Found, to be mended"
        page.say(f"{verb}: {question.found_name}.")
        if standing.left_over:
            page.say(f"It doesn't explain: {wording.listed(list(standing.left_over))}. Type g to search on for that.")
        else:
            page.say("It explains all that was seen.")
    elif question.reason == "nothing_known":
        page.say("Nothing is known yet, so there is nothing to go by. Type t and what is seen, heard or smelt.")
    elif question.reason == "closed":
        page.say("Every step that is left needs what nobody could confirm here:")
        for confirm in standing.closed:
            page.point("!", confirm)
        page.say("Leave it at that, or type o to choose a step: its conditions are then asked again.")
    else:
        page.say("No step is left that is worth its time. Type t to tell more, o for steps that were put off.")
        _unexplained(page, standing)
    for words in question.hold:
        page.point("!", f"Hold the set until this is so: {words}")
    page.say(f"So far {_spent(standing)}. s save, b back, q quit, h help")


def _spent(standing: Standing) -> str:
    count = standing.steps
    return f"{count} {'answer' if count == 1 else 'answers'}, about {wording.minutes(standing.minutes)} of work"


def _unexplained(page: _Page, standing: Standing) -> None:
    if standing.diagnosed.unexplained:
        names = wording.listed([item.name for item in standing.diagnosed.unexplained])
        page.say(f"Not explained by anything in the catalogue: {names}.")


def _meaning(page: _Page, question: Question) -> None:
    match question:
        case AskSymptoms(looks=looks):
            for look in looks:
                _look_means(page, look)
        case TakeTest():
            page.say(question.words)
            for meaning in question.meanings:
                page.point("-", f"{meaning.words} (chance {wording.chance(meaning.chance)})")
        case OpenUp():
            page.say(question.words or "It is the likeliest suspect that isn't put off or closed.")
        case Guard():
            page.say("A step that can hurt opens only when each of its conditions is confirmed.")
        case _:
            page.say("What is said first decides where to look.")


def _look_means(page: _Page, look: Look) -> None:
    page.say(f"{look.technician_says.rstrip('.')}:")
    if look.chance_seen is None:
        page.point("-", "it says nothing of what is suspected now")
        return
    page.point("yes", f"({wording.chance(look.chance_seen)}): {_then(look.probability_if_seen)}")
    page.point("no", f"({wording.chance(1 - look.chance_seen)}): {_then(look.probability_if_not)}")


def _then(leading: tuple[tuple[str, float], ...]) -> str:
    said = [f"{name} {wording.chance(chance)}" for name, chance in leading]
    return f"then {'; '.join(said)}" if said else "then none of the suspects stands out"
