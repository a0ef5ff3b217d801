"""Diagnosing a job of the shop: answers kept for a while, what the last change did, how the set stands.

Nothing here reckons a figure: it asks :mod:`tubewright.answers.diagnose` and lays two of its answers side by side.
"""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from fastapi import Request, Response

from tubewright.answers.diagnose import diagnose
from tubewright.answers.diagnosed import Diagnosed, FaultAnswer
from tubewright.bench import words
from tubewright.case import Case
from tubewright.errors import Fault, InputError
from tubewright.experience import Experience
from tubewright.judgement.workplace import PLACES, Workplace
from tubewright.knowledge.model import BenchTest, Knowledge

KEPT_ANSWERS: Final = 60
KEPT_JOBS: Final = 200
MOST_SHIFTS: Final = 3
STANDING_COOKIE: Final = "tubewright_standing"
MONTH_SECONDS: Final = 30 * 24 * 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How the set of a job stands now, and which tests are set aside; kept in the browser at this bench."""

    place: str = "closed"
    aside: tuple[str, ...] = ()

    @property
    def workplace(self) -> Workplace:
        """The same for the judgement."""
        return PLACES[self.place]

    def after(self, workplace: Workplace) -> Standing:
        """The standing once the set stands so; one that has no name of its own is named by its nearest."""
        return replace(self, place=_nearest(workplace))

    def without(self, test_id: str) -> Standing:
        """The standing with one more test set aside."""
        return replace(self, aside=tuple(dict.fromkeys([*self.aside, test_id])))

    def again(self, test_id: str) -> Standing:
        """The standing with a test proposable again."""
        return replace(self, aside=tuple(name for name in self.aside if name != test_id))


def _nearest(workplace: Workplace) -> str:
    exact = next((name for name, place in PLACES.items() if place == workplace), None)
    if exact is not None:
        return exact
    if workplace.running:
        return "open-running" if workplace.is_open else "running"
    if workplace.chassis_out:
        return "chassis"
    if workplace.tube_on_instrument:
        return "instrument"
    return "empty" if workplace.discharged else "open" if workplace.is_open else "closed"


def standing_of(request: Request, knowledge: Knowledge) -> Standing:
    """What this browser remembers of the job; anything odd counts as nothing remembered."""
    place, _, aside = request.cookies.get(STANDING_COOKIE, "").partition(".")
    named = tuple(name for name in aside.split(".") if name in knowledge.tests)
    return Standing(place=place if place in PLACES else "closed", aside=tuple(dict.fromkeys(named)))


def remember(answer: Response, job_id: int, standing: Standing) -> Response:
    """Let this browser remember how the set of this job stands."""
    answer.set_cookie(
        STANDING_COOKIE,
        ".".join((standing.place, *standing.aside)),
        max_age=MONTH_SECONDS,
        path=f"/jobs/{job_id}",
        httponly=True,
        samesite="lax",
    )
    return answer


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A fault with its chance now and before the last change, the latter None where it wasn't listed then."""

    it: FaultAnswer
    before_probability: float | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """What the last change did: what it was, and what moved, in words; ``gone`` names what is no longer suspected."""

    cause: str = ""
    words: str = ""
    gone: tuple[str, ...] = ()
    before: Mapping[str, float] = field(default_factory=dict)


class Diagnosing:
    """Keeps answers, and for every job the case before the last change, so that a page can show what shifted."""

    def __init__(self) -> None:
        self._answers: OrderedDict[tuple[Case, Workplace, tuple[str, ...]], tuple[Experience, Diagnosed]]
        self._answers = OrderedDict()
        self._cases: OrderedDict[int, tuple[Case | None, Case]] = OrderedDict()
        self._lock = threading.Lock()

    def answer(
        self, case: Case, knowledge: Knowledge, experience: Experience, standing: Standing = Standing()
    ) -> Diagnosed:
        """The diagnosis of a case, reckoned at most once.

        Raises:
            InputError: The case holds findings that are impossible together.
        """
        key = (case, standing.workplace, standing.aside)
        with self._lock:
            held = self._answers.get(key)
            if held is not None and held[0] is experience:
                self._answers.move_to_end(key)
                return held[1]
        told = _ask(case, knowledge, experience, standing)
        with self._lock:
            self._answers[key] = (experience, told)
            while len(self._answers) > KEPT_ANSWERS:
                self._answers.popitem(last=False)
        return told

    def before(self, job_id: int, case: Case) -> Case | None:
        """The case as it was before it last changed, as far as this bench has seen it."""
        with self._lock:
            earlier, now = self._cases.get(job_id, (None, case))
            if now != case:
                earlier = now
            self._cases[job_id] = (earlier, case)
            self._cases.move_to_end(job_id)
            while len(self._cases) > KEPT_JOBS:
                self._cases.popitem(last=False)
        return earlier


def _ask(case: Case, knowledge: Knowledge, experience: Experience, standing: Standing) -> Diagnosed:
    return diagnose(case, knowledge, experience, workplace=standing.workplace, set_aside=standing.aside)


def shift(before: Diagnosed, now: Diagnosed, cause: str) -> Shift:
    """What moved between two answers."""
    was = {f.id: f.probability for f in before.faults}
    moved = []
    for fault in now.faults:
        earlier = was.get(fault.id)
        if earlier is None or words.percent(earlier) != words.percent(fault.probability):
            by = abs(fault.probability - (earlier or 0.0))
            moved.append((by, f"{fault.name} {moved_words(earlier, fault.probability)}"))
    listed = {f.id for f in now.faults}
    gone = tuple(f.name for f in before.faults if f.id not in listed)
    moved.sort(key=lambda one: -one[0])
    said = "; ".join(text for _, text in moved[:MOST_SHIFTS])
    if not said:
        said = f"no longer suspected: {', '.join(gone[:MOST_SHIFTS])}" if gone else "nothing moved"
    return Shift(cause=cause, words=said, gone=gone, before=was)


def moved_words(before: float | None, now: float) -> str:
    """A chance and how it moved, such as ``12 % → 46 %``."""
    if before is None:
        return f"new, {words.percent(now)}"
    if words.percent(now) == words.percent(before):
        return f"{words.percent(now)}, about as before"
    return f"{words.percent(before)} → {words.percent(now)}"


def suspects(now: Diagnosed, moved: Shift | None) -> tuple[Suspect, ...]:
    """The suspects, each with its chance before the last change where there was one."""
    made = []
    for fault in now.faults:
        before = moved.before.get(fault.id) if moved is not None else None
        if moved is None:
            said = ""
        elif before is None:
            said = "not suspected before"
        elif words.percent(fault.probability) == words.percent(before):
            said = "about as before"
        else:
            said = f"{'up' if fault.probability > before else 'down'} from {words.percent(before)}"
        made.append(Suspect(it=fault, before_probability=before, words=said))
    return tuple(made)


def what_changed(before: Case, now: Case, knowledge: Knowledge) -> str:
    """What was entered, changed or struck out between two states of a job, in words."""
    parts: list[str] = []
    was = {s.id: s.present for s in before.symptoms}
    has = {s.id: s.present for s in now.symptoms}
    for name in dict.fromkeys([*has, *was]):
        if was.get(name) != has.get(name):
            known = knowledge.symptoms.get(name)
            said = (known.owner_says or known.technician_says).rstrip(".") if known else name
            parts.append(f"“{said}” {'not checked' if name not in has else 'present' if has[name] else 'absent'}")
    for sign, these, those in (("", now, before), ("without ", before, now)):
        left = list(those.tests)
        for result in these.tests:
            if result in left:
                left.remove(result)
                continue
            test = knowledge.tests.get(result.id)
            parts.append(f"{sign}{test.name if test else result.id}: {result_words(result, test)}")
    old = {(r.fault, r.outcome) for r in before.repairs}
    new = {(r.fault, r.outcome) for r in now.repairs}
    for fault, outcome in sorted(old ^ new):
        named = knowledge.faults[fault].name if fault in knowledge.faults else fault
        parts.append(f"{'' if (fault, outcome) in new else 'without '}{named} {words.REPAIR_OUTCOMES[outcome]}")
    if not parts:
        return "what is known of the display or its tube changed"
    more = f" and {len(parts) - 3} more" if len(parts) > 3 else ""
    return "; ".join(parts[:3]) + more


def result_words(result: object, test: BenchTest | None) -> str:
    """What a test showed, in words."""
    named = getattr(result, "result", None)
    if named is not None:
        return next((r.means for r in test.results if r.id == named), named) if test else str(named)
    nominal = getattr(result, "nominal", None)
    right = f", should be {words.number(nominal, 6)}" if nominal is not None else ""
    return f"{words.number(getattr(result, 'value', None), 6)} {getattr(result, 'unit', '') or ''}{right}".strip()


# -- figures of a test --------------------------------------------------------------------------

_PARTED: Final = re.compile(r"(?P<figure>[-+]?[0-9.,\s']*[0-9](?:[.,][0-9]*)?(?:[eE][-+]?\d+)?)\s*(?P<unit>[^\d\s].*)?")


def reads_figure(test: BenchTest) -> bool:
    """Whether a test's result can be read off a number."""
    return any(result.quantity != "none" for result in test.results)


def unit_of(test: BenchTest) -> str:
    """The unit in which a test is read, to stand in its field until somebody types another."""
    named = next((r.unit for r in test.results if r.quantity == "value" and r.unit), "")
    return named or words.TEST_UNITS.get(test.id, "")


def split_figure(typed: str) -> tuple[str, str]:
    """A figure and the unit typed behind it: ``107 V`` is ``107`` and ``V``; a text that is no figure stays whole."""
    found = _PARTED.fullmatch(typed.strip())
    if found is None or found["unit"] is None:
        return typed, ""
    return found["figure"].strip(), found["unit"].strip()


def choose_test(answer: Diagnosed, knowledge: Knowledge, wanted: str, aside: Collection[str]) -> str:
    """The test that the page shows: the one asked for, else the first that isn't set aside.

    Raises:
        InputError: The one asked for isn't in the catalogue.
    """
    if wanted:
        if wanted not in knowledge.tests:
            raise InputError(Fault(what="there is no such test", where="test", mend="Pick one from the list."))
        return wanted
    return next((test.id for test in answer.next_tests if test.id not in aside), "")
