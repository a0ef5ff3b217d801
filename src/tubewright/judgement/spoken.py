"""A diagnosis in a technician's words: what speaks for what, how strongly, and what would tell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from tubewright.judgement.evidence import Clue
from tubewright.judgement.findings import Findings, ReadValue
from tubewright.knowledge.model import Knowledge

if TYPE_CHECKING:
    from tubewright.judgement.pulls import TellingTest

A_LITTLE: Final = 0.2231
"""Change of log odds under which a clue is not worth a word: a factor of 1.25 (from memory, estimate)."""
CLEARLY: Final = 0.6931
STRONGLY: Final = 1.6094
VERY_STRONGLY: Final = 2.9957
"""Changes of log odds from which a clue speaks clearly, strongly, very strongly: factors of 2, 5 and 20."""
SPOKEN_SHARE: Final = 0.9
"""Chance of one result behind a reading from which the others are not spoken of (from memory, estimate)."""


def strength(log_odds: float) -> str:
    """How strongly a clue speaks, in words; empty where it hardly does.

    Example:
        >>> strength(0.1), strength(-0.5), strength(1.0), strength(2.0), strength(-4.0)
        ('', 'a little', 'clearly', 'strongly', 'very strongly')
    """
    size = abs(log_odds)
    if size < A_LITTLE:
        return ""
    if size < CLEARLY:
        return "a little"
    if size < STRONGLY:
        return "clearly"
    return "strongly" if size < VERY_STRONGLY else "very strongly"


def clue_words(clue: Clue, findings: Findings, knowledge: Knowledge) -> str:
    """A clue as a technician would name it, without a full stop."""
    if clue.kind != "test":
        said = knowledge.symptoms[clue.id].owner_says.rstrip(".")
        return said if clue.kind == "symptom" else f"Not seen: {said[:1].lower()}{said[1:]}"
    test = knowledge.tests[clue.id]
    means = {result.id: result.means for result in test.results}
    found = list(dict.fromkeys(taken.result for taken in findings.results if taken.test == clue.id))
    refined = {result.refines for result in test.results if result.id in found}
    return f"{test.name}: {'; '.join(means[name] for name in found if name not in refined)}"


def clue_sentence(words: str, said: Sequence[tuple[str, float]]) -> str:
    """What one clue says of the leading faults, in one sentence.

    Args:
        words: The clue.
        said: Names of faults and how far the clue pulls at each.

    Example:
        >>> clue_sentence("Top bends", [("slow loop", 2.0), ("aged filter", 1.7), ("bad tube", -1.0)])
        'Top bends: speaks strongly for slow loop and aged filter, clearly against bad tube.'
    """
    parts: dict[tuple[str, bool], list[str]] = {}
    for name, log_odds in sorted(said, key=lambda pair: -abs(pair[1])):
        how = strength(log_odds)
        if how:
            parts.setdefault((how, log_odds > 0), []).append(name)
    if not parts:
        return f"{words}: says hardly anything of the leading faults."
    spoken = [f"{how} {'for' if favours else 'against'} {_listed(names)}" for (how, favours), names in parts.items()]
    return f"{words}: speaks {', '.join(spoken)}."


def fault_sentence(name: str, speaks_for: Sequence[tuple[str, float]], against: Sequence[tuple[str, float]]) -> str:
    """What speaks for and against one fault, in a sentence or two."""
    pros = "; ".join(f"{words} ({strength(pull)})" for words, pull in speaks_for)
    cons = "; ".join(f"{words} ({strength(pull)})" for words, pull in against)
    first = f"For {name}: {pros}." if pros else f"Nothing that was found speaks for {name} more than it would anyway."
    return f"{first} Against it: {cons}." if cons else f"{first} Nothing speaks against it."


def telling_sentence(telling: TellingTest, first: str, second: str, knowledge: Knowledge) -> str:
    """Which test would tell two faults apart, and what its main results would mean."""
    test = knowledge.tests[telling.test]
    meant = []
    now = sum(r.chance * (r.first_probability - r.second_probability) for r in telling.results)
    for result in telling.results:
        apart = result.first_probability - result.second_probability
        if abs(apart) >= 0.1 and abs(apart - now) >= 0.1:
            meant.append(f"{result.means}: rather {first if apart > 0 else second}")
    means = f" Results that would tell: {'; '.join(meant[:3])}." if meant else ""
    # How it is done is for the step itself, behind its cautions.
    return f"{test.name} would tell {first} and {second} apart best.{means}"


def value_sentence(read: ReadValue, knowledge: Knowledge) -> str:
    """What a reading was held against, and what it stands for."""
    test = knowledge.tests[read.test]
    means = {result.id: result.means for result in test.results}
    origin = {
        "case": "as the case says",
        "chassis": "as the profile of the chassis says",
        "usual": "as usual for such a set; its papers may say otherwise",
        "none": "",
    }[read.reference_from]
    of = f" of {read.reference:g} {read.unit} ({origin})" if read.reference is not None else ""
    gun = f", {read.gun}" if read.gun else ""
    head = f"{test.name}{gun}: {read.value:g} {read.unit}{of}"
    shares = [(means.get(name, "says nothing"), share) for name, share in read.shares if share >= 0.01]
    if len(shares) == 1 or shares[0][1] >= SPOKEN_SHARE:
        return f"{head}: {shares[0][0]}."
    near = " or ".join(f"{words} ({share:.0%})" for words, share in shares)
    return f"{head}: near a border, so it counts as {near}."


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
