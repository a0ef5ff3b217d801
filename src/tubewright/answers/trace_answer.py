"""What somebody typed at a question: an answer, or a wish of another kind.

Numbers choose from the list, figures with a unit are readings, letters are wishes.
Nothing is guessed: what can be read in two ways is sent back with the way to write it.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from tubewright.answers.trace import (
    Allowed,
    Barred,
    Found,
    Given,
    GoOn,
    Held,
    NoneOfThese,
    Opened,
    PutOff,
    Said,
    Seen,
    Stands,
    Wanted,
)
from tubewright.answers.trace_questions import (
    AskSymptoms,
    AskWords,
    Choose,
    Guard,
    OpenUp,
    Other,
    Question,
    Standing,
    TakeTest,
    TheEnd,
)
from tubewright.case import GUNS, Gun, RepairOutcome, TestResult
from tubewright.errors import Fault, InputError
from tubewright.judgement.ranges import nominal_of, result_of_value
from tubewright.judgement.workplace import PLACES, Workplace
from tubewright.knowledge.model import BenchTest, Knowledge
from tubewright.quantity import parse_quantity

WishName = Literal["back", "why", "ranking", "save", "quit", "help", "tell", "others", "place"]

WISHES: Final[dict[str, WishName]] = {
    "b": "back", "back": "back",
    "w": "why", "why": "why",
    "l": "ranking", "list": "ranking",
    "s": "save", "save": "save",
    "q": "quit", "quit": "quit",
    "h": "help", "help": "help",
    "t": "tell", "tell": "tell",
    "o": "others", "others": "others",
    "p": "place", "place": "place",
}  # fmt: skip
"""What a letter or word asks for; ``b 3`` goes back three answers, ``t whistles`` tells of a whistle."""

UNKNOWN: Final = frozenset({"?", "don't know", "dont know", "do not know", "unknown", "no idea"})
YES: Final = frozenset({"yes"})
NO: Final = frozenset({"no", "n", ""})
OUTCOMES: Final[tuple[RepairOutcome, ...]] = ("mended", "found", "excluded")
"""What opening a suspect up can come to, in the order in which it is asked."""

STANDINGS: Final[tuple[Workplace, ...]] = tuple(PLACES.values())
"""How a set may stand, in the order in which it is asked."""

Search: TypeAlias = Callable[[str], Sequence[str]]
"""Finds the ids of symptoms by words."""

_LONGEST: Final = 400
_OF: Final = re.compile(r"\s+(?:of|nominal|instead of)\s+|\s*/\s*", re.IGNORECASE)
_KINDS: Final = ("voltage", "resistance", "current", "capacitance", "khz", "fraction")
_OWN_UNIT: Final = re.compile(r"(?P<number>[0-9]+(?:[.,][0-9]+)?)\s*(?P<unit>[a-zA-Z]+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """Something other than an answer; ``rest`` is what stood after the letter."""

    name: WishName
    rest: str


def understand(
    text: str, standing: Standing, knowledge: Knowledge, *, search: Search, now: dt.datetime
) -> Given | Wish:
    """What was typed, as an answer to the question or as a wish.

    Args:
        text: One line.
        standing: Where the search stands.
        knowledge: The catalogue.
        search: Finds symptoms by words.
        now: The moment; it knows its zone.

    Returns:
        The answer, to be added to the state, or the wish.

    Raises:
        InputError: It can't be understood, with what could be typed instead.
    """
    typed = " ".join(text.split())
    if len(typed) > _LONGEST:
        raise _amiss("that is too long", "Say it in a sentence.")
    question = standing.question
    if isinstance(question, Guard):
        return _guarded(typed, question, now)
    wish = _wish(typed, question)
    if wish is not None:
        return wish
    if typed.lower() in UNKNOWN:
        return _unknown(question)
    return _answered(typed, question, knowledge, search, now)


def _answered(typed: str, question: Question, knowledge: Knowledge, search: Search, now: dt.datetime) -> Given:
    answer: Given
    match question:
        case AskWords():
            answer = said(typed, search)
        case Choose():
            answer = _chosen(typed, question)
        case AskSymptoms(looks=[look]):
            answer = Seen(marks=((look.id, _yes_or_no(typed)),))
        case AskSymptoms():
            answer = _seen(typed, question)
        case TakeTest():
            answer = _found(typed, question, knowledge.tests[question.id], now)
        case OpenUp():
            outcome = OUTCOMES[_number(typed, len(OUTCOMES)) - 1]
            answer = Opened(fault=question.fault, outcome=outcome, after=question.after, at=now)
        case TheEnd(reason="found") if typed.lower() in {"g", "go on"}:
            answer = GoOn()
        case _:
            raise _amiss(
                f"{typed!r} is nothing to do here",
                "Type t and what else there is to see, o for other steps, s to save, q to quit.",
            )
    return answer


def said(words: str, search: Search) -> Said:
    """What somebody says, with the symptoms that fit it.

    Raises:
        InputError: There are no words, or no symptom fits them.
    """
    if not words.strip():
        raise _amiss("nothing was said", "Say what is seen, heard or smelt, in plain words.")
    offered = tuple(search(words))
    if not offered:
        raise _amiss(f"nothing in the catalogue fits “{words[:60]}”", "Say it in other words, or type ? for a list.")
    return Said(words=words, offered=offered)


def choice_of_other(text: str, others: Sequence[Other]) -> Wanted:
    """The step that was chosen from a list of other steps.

    Raises:
        InputError: No such number.
    """
    number = _number(" ".join(text.split()), len(others))
    return Wanted(sort=others[number - 1].sort, id=others[number - 1].id)


def choice_of_place(text: str) -> Stands:
    """How the set stands, by its number in :data:`STANDINGS`.

    Raises:
        InputError: No such number.
    """
    return Stands(workplace=STANDINGS[_number(" ".join(text.split()), len(STANDINGS)) - 1])


def steps_back(rest: str) -> int:
    """How many answers to go back; one where nothing is said.

    Raises:
        InputError: It is no whole number above 0.
    """
    if not rest:
        return 1
    if rest.isascii() and rest.isdigit() and len(rest) < len("1000000") and int(rest) > 0:
        return int(rest)
    raise _amiss(f"{rest!r} is no number of answers", "Type b to go back one, or b 3 to go back three.")


def _wish(typed: str, question: Question) -> Wish | None:
    head, _, rest = typed.partition(" ")
    name = WISHES.get(head.lower())
    if name is None or (rest and name not in {"back", "tell", "save"}):
        return None  # "help, it smells" is what an owner says
    if isinstance(question, AskWords) and (len(head) > 1 and rest):
        return None
    return Wish(name=name, rest=rest)


def _guarded(typed: str, question: Guard, now: dt.datetime) -> Given | Wish:
    """Only a typed yes confirms; nothing and no bar the step, and every letter but n keeps its meaning."""
    word = typed.lower()
    if word in YES:
        return Allowed(step_sort=question.sort, step=question.step, caution=question.caution, at=now)
    if word in NO or word in UNKNOWN:
        refused = Held if question.closing else Barred
        return refused(step_sort=question.sort, step=question.step, caution=question.caution)
    wish = _wish(typed, question)
    if wish is not None:
        return wish
    raise _amiss(f"{typed!r} confirms nothing", "Type yes in full if it is so; Enter alone means no.")


def _unknown(question: Question) -> Given:
    match question:
        case AskWords() | Choose():
            return PutOff(sort="words", id="")
        case AskSymptoms(looks=looks):
            return Seen(marks=(), unknown=tuple(look.id for look in looks))
        case TakeTest(id=name):
            return PutOff(sort="test", id=name)
        case OpenUp(fault=name):
            return PutOff(sort="repair", id=name)
        case _:
            raise _amiss("there is nothing to be known here", "Type h for what can be typed.")


def _chosen(typed: str, question: Choose) -> Given:
    if typed.lower() in {"0", "none", "no"}:
        return NoneOfThese()
    marks = []
    for part in typed.replace(",", " ").split():
        number = _number(part, len(question.offered), none="0 if none of them is meant")
        marks.append((question.offered[number - 1], True))
    if not marks:
        raise _amiss("nothing was chosen", "Type the numbers that fit, such as 1 3, or 0 if none does.")
    return Seen(marks=tuple(dict.fromkeys(marks)))


def _seen(typed: str, question: AskSymptoms) -> Seen:
    """Those that are there by number, those nobody could say with a question mark; the others are not there."""
    looks = question.looks
    marks = {look.id: False for look in looks}
    unknown = []
    parts = typed.replace(",", " ").replace(" ?", "?").split()
    if typed.lower() in {"0", "none", "no"}:
        parts = []
    elif typed.lower() == "all":
        parts = [str(number) for number in range(1, len(looks) + 1)]
    elif not parts:
        raise _amiss("nothing was typed", f"Type the numbers of those that are there, such as 1 {len(looks)}, or 0.")
    for part in parts:
        number = _number(part.removesuffix("?"), len(looks), none="0 if none of them is there")
        name = looks[number - 1].id
        if part.endswith("?"):
            unknown.append(name)
            marks.pop(name, None)
        else:
            marks[name] = True
    return Seen(marks=tuple(marks.items()), unknown=tuple(dict.fromkeys(unknown)))


def _yes_or_no(typed: str) -> bool:
    word = typed.lower()
    if word in {"1", "yes", "y"}:
        return True
    if word in {"2", "0", "no", "n", "none"}:
        return False
    raise _amiss(f"{typed!r} is no answer", "Type 1 if it is so, 2 if it isn't, ? if you don't know.")


def _found(typed: str, question: TakeTest, test: BenchTest, now: dt.datetime) -> Given:
    gun, rest = _gun(typed)
    named = next((r.id for r in test.results if r.id == rest.lower().replace(" ", "_")), None)
    if rest.isascii() and rest.isdigit() and len(rest) < len("1000"):
        number = _number(rest, len(question.results) + 1, reading=question.numeric)
        if number > len(question.results):
            return PutOff(sort="test", id=question.id)
        named = question.results[number - 1].id
    if named is not None:
        result = TestResult(id=test.id, result=named, gun=gun)
    elif any(one.quantity != "none" for one in test.results):
        result = _reading(rest, test, gun, question.profile_nominal)
    else:
        raise _amiss(f"{typed!r} is no result of this test", f"Type a number from 1 to {len(question.results) + 1}.")
    return Found(result=result, after=question.after, at=now)


def _reading(typed: str, test: BenchTest, gun: Gun | None, of_chassis: float | None) -> TestResult:
    """A reading, and what is nominal where it was typed beside it: ``118 V of 127 V``."""
    parts = _OF.split(typed)
    if len(parts) > 2 or not all(parts):
        raise _amiss(f"{typed!r} is no reading", "Type it with its unit, such as 118 V, or 118 V of 127 V.")
    value, unit = _figure(parts[0], test)
    nominal = None
    if len(parts) == 2:
        # "118 of 127 V" means volts twice
        right = parts[1] if re.search(r"[^0-9.,\s]", parts[1]) else f"{parts[1]} {_suffix(parts[0])}"
        nominal, nominal_unit = _figure(right, test)
        if nominal_unit != unit or nominal <= 0:
            raise _amiss(f"{typed!r}: the two don't fit", "Give both in the same unit, what is right above nothing.")
    # whether the test can be read off such a figure is asked here, so that the message comes at once
    against = nominal_of(test, unit=unit, given=nominal, of_chassis=of_chassis).value
    named = result_of_value(test, value=value, unit=unit, nominal=against)
    if named is None:
        raise _amiss(f"{typed!r} lies in no range of this test", "Choose the result that fits by its number.")
    return TestResult(id=test.id, value=value, unit=unit, nominal=nominal, gun=gun)


def _figure(typed: str, test: BenchTest) -> tuple[float, str]:
    own = {result.unit for result in test.results if result.unit}
    found = _OWN_UNIT.fullmatch(typed)
    if found is not None and found["unit"] in own:
        return parse_quantity(found["number"], kind="number", where="").value, found["unit"]
    if not re.search(r"[^0-9.,\s]", typed):
        if own == {"ratio"}:
            return parse_quantity(typed, kind="number").value, "ratio"
        raise _amiss(f"{typed!r} has no unit", "Type a reading with its unit, such as 118 V; a number alone chooses.")
    for kind in _KINDS:
        try:
            quantity = parse_quantity(typed, kind=kind)
        except InputError:
            continue
        return quantity.value, quantity.unit or "ratio"
    raise _amiss(f"{typed!r} is no reading", "Type it with its unit, such as 118 V, 0.3 Mohm or 15.7 kHz.")


def _suffix(typed: str) -> str:
    return re.sub(r"^[0-9.,\s]+", "", typed)


def _gun(typed: str) -> tuple[Gun | None, str]:
    head, _, rest = typed.partition(" ")
    named = next((gun for gun in GUNS if gun == head.lower()), None)
    return (named, rest.strip()) if named is not None and rest.strip() else (None, typed)


def _number(typed: str, most: int, *, none: str = "", reading: bool = False) -> int:
    if typed.isascii() and typed.isdigit() and len(typed) < 6 and 1 <= int(typed) <= most:
        return int(typed)
    beside = f", or {none}" if none else ", or a reading with its unit, such as 118 V" if reading else ""
    span = f"a number from 1 to {most}" if most > 1 else "1"
    raise _amiss(f"{typed!r} is not on the list" if typed else "nothing was typed", f"Type {span}{beside}.")


def _amiss(what: str, mend: str) -> InputError:
    return InputError(Fault(what=what, where="", mend=mend))
