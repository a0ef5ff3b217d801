"""What a search may ask, and everything that is shown beside the question."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from tubewright.answers.diagnosed import Diagnosed
from tubewright.answers.trace import StepSort
from tubewright.judgement.workplace import Workplace
from tubewright.knowledge.model import NamedResult

EndReason = Literal["found", "nothing_known", "nothing_left", "closed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AskWords:
    """What does the owner say?"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choose:
    """Which of these symptoms is meant? ``words`` is what was said; empty where the commonest are offered.

    ``names`` says each of the offered as an owner and as a technician would.
    """

    words: str
    offered: tuple[str, ...]
    names: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A symptom to look for.

    ``probability_if_seen`` and ``probability_if_not`` are the faults by name that would then lead, with their
    probabilities; ``chance_seen`` is None where the answer tells nothing of the suspects.
    """

    id: str
    owner_says: str
    technician_says: str
    chance_seen: float | None
    minutes_saved: float
    probability_if_seen: tuple[tuple[str, float], ...]
    probability_if_not: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AskSymptoms:
    """Which of these are there? The most telling stands first."""

    looks: tuple[Look, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What one result of a test would mean: its chance, and the sentence that tells who then leads."""

    result: str
    chance: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeTest:
    """What does this test show?

    ``results`` are those to choose from, in the catalogue's order; ``follows`` what the test
    has shown already, where it is to go further. ``way`` are the steps to where it can begin.
    ``profile_nominal`` is what the display's chassis profile holds for right, in base units
    (V, A, ohm, Hz); None where it says nothing.
    """

    id: str
    name: str
    how: str
    minutes: float
    hazard: str
    way: tuple[str, ...]
    way_minutes: float
    follows: str
    profile_nominal: float | None
    results: tuple[NamedResult, ...]
    meanings: tuple[Meaning, ...]
    words: str
    after: Workplace

    @property
    def numeric(self) -> bool:
        """Whether a reading may be typed instead of a result."""
        return any(result.quantity != "none" for result in self.results)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenUp:
    """Open this suspect up and mend it: what did it come to? The fields are as in :class:`TakeTest`."""

    fault: str
    name: str
    repair: str
    probability: float
    minutes: float
    hazard: str
    way: tuple[str, ...]
    way_minutes: float
    words: str
    after: Workplace


@dataclass(frozen=True, slots=True, kw_only=True)
class Guard:
    """Is this condition met? It comes before the step named, one condition at a time.

    ``closing`` where it comes after it instead, before the set runs on or leaves.
    ``first`` tells that it is the first of its step; ``left`` counts it and those to come;
    ``lasts`` says for how long a yes holds.
    """

    sort: Literal["test", "repair"]
    step: str
    name: str
    hazard: str
    caution: str
    text: str
    confirm: str
    lasts: str
    closing: bool
    first: bool
    left: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TheEnd:
    """Nothing more to ask, and why: ``found`` is the fault it came to.

    ``hold`` are conditions, in words, without which the set neither runs on nor leaves.
    """

    reason: EndReason
    found: str = ""
    found_name: str = ""
    outcome: str = ""
    hold: tuple[str, ...] = ()


Question: TypeAlias = AskWords | Choose | AskSymptoms | TakeTest | OpenUp | Guard | TheEnd


@dataclass(frozen=True, slots=True, kw_only=True)
class Leader:
    """A leading fault.

    ``before_probability`` is its chance before the last answer; None where it was none of
    the suspects, and its chance now where there were none at all.
    """

    id: str
    name: str
    probability: float
    before_probability: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Other:
    """A step that could be chosen instead; ``why_not`` says why it isn't offered by itself, empty where it might be."""

    sort: StepSort
    id: str
    name: str
    minutes: float
    hazard: str
    why_not: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """All that is to be said in one state.

    ``at_once`` are cautions that come before everything else: what was seen does harm
    while it lasts.

    ``explained_by_found`` is empty, and ``left_over`` holds the names of present
    symptoms that no fault found so far shows, once a fault was found. ``closed`` are
    the conditions, in words, that nobody could confirm.
    """

    question: Question
    leading: tuple[Leader, ...]
    others: tuple[Other, ...]
    closed: tuple[str, ...]
    at_once: tuple[str, ...]
    left_over: tuple[str, ...]
    diagnosed: Diagnosed
    steps: int
    minutes: float
