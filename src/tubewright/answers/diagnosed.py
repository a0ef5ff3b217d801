"""What ``diagnose`` answers, as frozen values (public contract, format 1).

:func:`to_json` writes the published body. Whatever leads a hand into the machine
(a fault to mend, a test to take) carries its cautions and what to confirm first;
whoever shows it shows those before it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from tubewright.answers.assessment import Remark

Method = Literal["exact", "sampled"]
RepairState = Literal["found", "mended", "excluded"]
FindingKind = Literal["symptom", "no_symptom", "test"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultAnswer:
    """A fault that something seen speaks for.

    ``probability`` is after all findings, ``general_probability`` the same by the
    trade's general figures alone (equal where the shop's own jobs taught nothing),
    ``prior_probability`` before any finding. ``probability_sd`` is the standard error of the
    first; 0 where it is exact. ``confirm_with`` are tests that settle it, with what
    they then show. ``cautions`` and ``confirm`` belong to the repair and come before it.
    """

    id: str
    name: str
    subsystem: str
    of_the_tube: bool
    probability: float
    probability_sd: float
    general_probability: float
    prior_probability: float
    state: Literal["suspected", "excluded"]
    hazard: str
    repair: str
    minutes: float
    parts: tuple[str, ...]
    cautions: tuple[str, ...]
    confirm: tuple[str, ...]
    confirm_with: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """Something of the catalogue by id and in words."""

    id: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAnswer:
    """A set of faults that together explain what was seen; empty if nothing known does."""

    faults: tuple[Named, ...]
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pull:
    """How far one finding speaks for a fault (above 0) or against it (below 0).

    ``log_odds`` is how much lower the natural logarithm of the fault's odds would be
    without the finding. ``result`` is empty but for a test.
    """

    finding: str
    result: str
    kind: FindingKind
    name: str
    log_odds: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultExplained:
    """What speaks for and against one leading fault, the weightiest first."""

    fault: str
    name: str
    speaks_for: tuple[Pull, ...]
    speaks_against: tuple[Pull, ...]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingExplained:
    """What one finding says of the leading faults, in one sentence."""

    finding: str
    result: str
    kind: FindingKind
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Unexplained:
    """A finding that most likely no fault of the catalogue causes."""

    id: str
    name: str
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeparatingResult:
    """One result of the test that separates the first two, and what each would then be."""

    result: str
    means: str
    chance: float
    first_probability: float
    second_probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """The test that would move the first two faults farthest apart."""

    first: Named
    second: Named
    test: Named
    minutes: float
    hazard: str
    cautions: tuple[str, ...]
    confirm: tuple[str, ...]
    results: tuple[SeparatingResult, ...]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeAnswer:
    """One way a test could turn out, how likely, and which faults would then lead."""

    result: str
    means: str
    chance: float
    leading: tuple[tuple[str, float], ...]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NextTest:
    """A test worth doing next; ``cautions`` and ``confirm`` come before it.

    ``follows`` is what the same test has shown already, where it goes further.
    ``nominal_words`` says what the reading is held against, where that is known.
    ``access_steps`` are the way to it as the set stands now, ``access_minutes`` what
    they take; ``words`` says why it stands where it stands.
    """

    id: str
    name: str
    how: str
    minutes: float
    hazard: str
    running: bool
    information_bits: float
    expected_cost_left: float
    minutes_saved: float
    caution_ids: tuple[str, ...]
    cautions: tuple[str, ...]
    confirm: tuple[str, ...]
    follows: str
    nominal_words: str
    access_minutes: float
    access_steps: tuple[str, ...]
    words: str
    outcomes: tuple[OutcomeAnswer, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Whether to test first or to open a suspect up, and why.

    ``fault`` is the suspect, with the way to it in ``access_steps``; empty if there is
    none. ``expected_cost_left`` are the minutes' worth of work ahead without any further
    test.
    """

    kind: Literal["test", "repair", "nothing"]
    words: str
    fault: str
    access_steps: tuple[str, ...]
    expected_cost_left: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairAnswer:
    """A fault that the search has already settled.

    One that is ``found`` is still to be mended: ``repair`` says how, and ``cautions`` and
    ``confirm`` come before it.
    """

    id: str
    name: str
    state: RepairState
    words: str
    hazard: str
    cautions: tuple[str, ...]
    confirm: tuple[str, ...]
    repair: str
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueAnswer:
    """A number that was read, and how likely each result of its test is the true one.

    ``reference`` is what is nominal, in ``unit``; None where the test needs none.
    ``shares`` are the chances of the results by id; "" is the share that says nothing.
    """

    test: str
    name: str
    value: float
    unit: str
    reference: float | None
    reference_from: str
    shares: Mapping[str, float]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedFigure:
    """A figure that the shop's own jobs have moved: ours beside the general one."""

    fault: str
    name: str
    about: str
    words: str
    ours_probability: float
    general_probability: float
    jobs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reckoned:
    """How it was reckoned: exactly, or by sampling with the largest standard error of a chance."""

    kind: Method
    largest_sd: float
    samples: int
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagnosisNote:
    """Which model answered, from which seed, and what the shop's own jobs had to do with it."""

    version: str
    seed: int
    jobs_learned_from: int
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosed:
    """The whole answer of ``diagnose``.

    ``at_once`` can't wait for the next step: the set is doing harm as it stands.
    ``asks`` is what to find out first where hardly anything is known yet; ``stands`` is how the
    set is taken to stand, from which the way to each step is reckoned.
    ``explanations_cover`` is the share of all explanations that ``explanations`` were
    chosen from. ``explained_words`` says one sentence per finding.
    """

    headline: str
    at_once: tuple[str, ...]
    faults: tuple[FaultAnswer, ...]
    explanations: tuple[SetAnswer, ...]
    explanations_cover: float
    probability_tube: float
    probability_elsewhere: float
    probability_unknown: float
    explains: tuple[FaultExplained, ...]
    findings: tuple[FindingExplained, ...]
    unexplained: tuple[Unexplained, ...]
    separates: Separation | None
    next_tests: tuple[NextTest, ...]
    advice: Advice
    repairs: tuple[RepairAnswer, ...]
    values: tuple[ValueAnswer, ...]
    remarks: tuple[Remark, ...]
    asks: tuple[str, ...]
    stands: str
    learned: tuple[LearnedFigure, ...]
    method: Reckoned
    model: DiagnosisNote


def to_json(answer: Diagnosed) -> dict[str, object]:
    """The published body of ``diagnose``; holds only what JSON can carry."""
    from tubewright.answers.diagnosed_json import body_of

    return body_of(answer)
