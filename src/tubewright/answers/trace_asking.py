"""Which symptom is most worth asking for: weighed as tests are, at the half minute that a look takes.

The chance of seeing a symptom under each set of faults is the network's own, so a yes
or no changes the diagnosis by just what is reckoned with here.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import numpy as np

from tubewright.judgement.evidence import Evidence
from tubewright.judgement.explanations import LikelySets
from tubewright.judgement.network import Floats
from tubewright.judgement.repair_course import Course
from tubewright.judgement.screens import NO_PICTURE, of_the_picture
from tubewright.knowledge.model import FaultCause, Knowledge

ASK_MINUTES: Final = 0.5
"""Minutes for a look or a question to the owner (from memory, estimate)."""
LEAST_SAVED_MINUTES: Final = 1.0
"""Minutes that a question must be expected to save to be worth putting (from memory, estimate)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """A symptom worth looking for.

    ``minutes_saved`` is what the answer is expected to save of the work ahead,
    ``information_bits`` what it tells of which faults are there. ``probability_if_seen`` and
    ``probability_if_not`` are the faults that would then lead, with their probabilities.
    """

    id: str
    chance_seen: float
    minutes_saved: float
    information_bits: float
    probability_if_seen: tuple[tuple[str, float], ...]
    probability_if_not: tuple[tuple[str, float], ...]

    @property
    def worth_per_minute(self) -> float:
        """Minutes saved for each minute that the asking takes."""
        return self.minutes_saved / ASK_MINUTES


def senseless(present: Collection[str], knowledge: Knowledge) -> frozenset[str]:
    """Symptoms that nobody asks for beside those that are there.

    Those of the picture where the screen stays dark, and those of a dark screen where
    there is a picture.
    """
    screen = of_the_picture(knowledge)
    dark = NO_PICTURE & set(present)
    return (screen if dark else frozenset()) | (NO_PICTURE if screen & set(present) else frozenset())


def telling_symptoms(
    evidence: Evidence, sets: LikelySets, course: Course, knowledge: Knowledge, *, known: Collection[str]
) -> tuple[Telling, ...]:
    """Symptoms worth asking for, the most telling first.

    Args:
        evidence: The findings, weighed.
        sets: The likely sets of faults of that evidence.
        course: The same sets with the work ahead.
        knowledge: The catalogue.
        known: Symptoms that are answered or put off.

    Returns:
        Those that save at least :data:`LEAST_SAVED_MINUTES`.
    """
    suspects = [knowledge.faults[evidence.fault_ids[i]] for i in sets.faults]
    open_ones = sorted({name for fault in suspects for name in fault.shows} - set(known))
    if not suspects or not open_ones:
        return ()
    shown = np.array([[fault.shows.get(name, 0.0) for name in open_ones] for fault in suspects], dtype=np.float64)
    leaks = _backgrounds(evidence, sets, knowledge, open_ones)
    with np.errstate(divide="ignore"):
        hidden = np.exp(course.numbers @ np.maximum(np.log1p(-shown), _SURE)) * (1.0 - leaks)
    seen = 1.0 - hidden  # (sets, symptoms)
    likely = np.stack([seen, hidden])  # (2, sets, symptoms)
    joint = likely * course.chances[np.newaxis, :, np.newaxis]
    chance = joint.sum(axis=1)  # (2, symptoms)
    after = joint / np.maximum(chance, _TINY)[:, np.newaxis, :]
    left = course.left(course.chances[np.newaxis, :], np.zeros((1, len(suspects)), dtype=np.bool_), _here(1))[0]
    then = np.stack([_left(course, after[way].T, len(suspects)) for way in (0, 1)])
    saved = left - np.sum(chance * then, axis=0)
    bits = _entropy(course.chances[np.newaxis, :])[0] - sum(chance[way] * _entropy(after[way].T) for way in (0, 1))
    order = [i for i in np.argsort(-saved, kind="stable").tolist() if saved[i] >= LEAST_SAVED_MINUTES]
    return tuple(
        Telling(
            id=open_ones[i],
            chance_seen=float(chance[0, i]),
            minutes_saved=float(saved[i]),
            information_bits=max(0.0, float(bits[i])),
            probability_if_seen=_leading(course, after[0][:, i], suspects),
            probability_if_not=_leading(course, after[1][:, i], suspects),
        )
        for i in order
    )


def _backgrounds(evidence: Evidence, sets: LikelySets, knowledge: Knowledge, symptoms: list[str]) -> Floats:
    """Chance of each symptom without any suspect: its leak, and the faults that nothing speaks for yet."""
    shown = np.array(
        [[knowledge.faults[fault].shows.get(name, 0.0) for name in symptoms] for fault in evidence.fault_ids],
        dtype=np.float64,
    )
    odds = evidence.priors * evidence.still
    chance = odds / np.maximum(odds + 1.0 - evidence.priors, _TINY)
    chance[sets.faults] = 0.0
    leaks = np.array([knowledge.symptoms[name].leak_probability for name in symptoms], dtype=np.float64)
    without: Floats = 1.0 - (1.0 - leaks) * np.prod(1.0 - chance[:, np.newaxis] * shown, axis=0)
    return without


_SURE: Final = -700.0
_TINY: Final = 1e-300
_LEAST_SHOWN: Final = 0.05
_MOST_SHOWN: Final = 3


def _here(rows: int) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    return np.zeros(rows, dtype=np.intp)


def _left(course: Course, beliefs: Floats, suspects: int) -> Floats:
    return course.left(beliefs, np.zeros((len(beliefs), suspects), dtype=np.bool_), _here(len(beliefs)))


def _entropy(beliefs: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(beliefs > 0, beliefs * np.log2(beliefs), 0.0)
    answer: Floats = -terms.sum(axis=1)
    return answer


def _leading(course: Course, beliefs: Floats, suspects: list[FaultCause]) -> tuple[tuple[str, float], ...]:
    marginals = beliefs @ course.numbers
    order = np.argsort(-marginals, kind="stable")[:_MOST_SHOWN]
    return tuple((suspects[i].id, float(marginals[i])) for i in order if marginals[i] >= _LEAST_SHOWN)
