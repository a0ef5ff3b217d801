"""Finding a symptom from the words people use, and the id somebody meant to type."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from difflib import SequenceMatcher, get_close_matches
from typing import Final

from tubewright.knowledge.model import Knowledge, Symptom

_WORD: Final = re.compile(r"[a-z0-9]+")
_EMPTY_WORDS: Final = """
a an and are as at be but by do does for from get gets go goes has have i if in is it its my of off on or so some
that the then there they this to too up very was when will with
"""
_EMPTY: Final = frozenset(_EMPTY_WORDS.split())
_MEANS: Final = {
    "monitor": "picture", "image": "picture", "screen": "picture", "display": "picture", "tv": "picture",
    "dim": "dark", "darker": "dark", "dull": "dark", "faint": "dark",
    "curve": "bend", "hook": "bend", "warp": "bend", "flag": "bend", "curl": "bend",
    "blur": "blurry", "fuzzy": "blurry", "soft": "blurry", "unsharp": "blurry",
    "color": "colour", "red": "colour", "green": "colour", "blue": "colour", "tint": "colour",
    "vertical": "upright", "horizontal": "across", "sideway": "across",
    "scroll": "roll", "jump": "bounce", "shake": "bounce", "wobble": "wobbly", "wave": "snake", "wavy": "snake",
    "stink": "smell", "burnt": "burn", "burning": "burn",
    "skinny": "narrow", "halo": "fringe", "echo": "ghost", "buzz": "hum",
    "dead": "nothing", "click": "tick", "crackle": "snap", "crack": "snap", "missing": "gone", "lost": "gone",
    "purple": "violet", "brighter": "bright", "brightness": "bright",
}  # fmt: skip
"""Words that people use for the same thing, each with the one that stands for both."""


def find_symptoms(knowledge: Knowledge, words: str, limit: int = 8) -> tuple[Symptom, ...]:
    """The symptoms that fit what somebody says, the best first.

    Words that few symptoms use count for more; a word also finds longer and
    misspelt forms of itself.

    Args:
        knowledge: Where the symptoms are.
        words: What the owner or the technician says, or part of an id.
        limit: At most so many.

    Returns:
        Symptoms in falling order of fit; none if no word is known.
    """
    asked = _stems(words)
    said = {symptom.id: _said(symptom) for symptom in knowledge.symptoms.values()}
    ranked = []
    vocabulary = {word for weights in said.values() for word in weights}
    rarity = {
        word: math.log(1 + len(said) / (1 + sum(word in weights for weights in said.values()))) for word in vocabulary
    }
    common = dict.fromkeys(said, 0.0)
    for fault in knowledge.faults.values():
        for name, chance in fault.shows.items():
            common[name] += fault.per_1000 * chance
    heard = {word: _alike(word, vocabulary) for word in asked}
    for symptom in knowledge.symptoms.values():
        weights = said[symptom.id]
        score = sum(
            max(
                (weights[word] * rarity[word] * fit for word, fit in heard[asked_word].items() if word in weights),
                default=0,
            )
            for asked_word in asked
        )
        if score > 0:
            # A short description that fits says more than a long one that holds the same words,
            # and of two that fit alike the common one is more likely meant.
            ranked.append(
                (-score / math.sqrt(3 + len(weights)) * (1 + 0.3 * math.log10(1 + common[symptom.id])), symptom.id)
            )
    return tuple(knowledge.symptoms[name] for _, name in sorted(ranked)[:limit])


def nearest(name: str, choices: Iterable[str], limit: int = 3) -> tuple[str, ...]:
    """The ids most like a mistyped one, the likeliest first; none if nothing comes near."""
    return tuple(get_close_matches(name, list(choices), n=limit, cutoff=0.6))


def _said(symptom: Symptom) -> dict[str, float]:
    """Each word of a symptom with its weight: a word of the id counts a little more."""
    weights: dict[str, float] = {}
    for text, weight in ((symptom.technician_says, 0.8), (symptom.owner_says, 1.0), (symptom.id, 1.2)):
        for word in _stems(text):
            weights[word] = max(weight, weights.get(word, 0))
    return weights


def _stems(text: str) -> list[str]:
    found = (_stem(word) for word in _WORD.findall(text.lower().replace("_", " ")) if word not in _EMPTY)
    return list(dict.fromkeys(_STEMS_MEAN.get(word, word) for word in found))


def _stem(word: str) -> str:
    for ending in ("ings", "ing", "ed", "es", "s"):
        if word.endswith(ending) and len(word) - len(ending) >= 3:
            word = word[: -len(ending)]
            # humming -> hum, but rolling -> roll
            return word[:-1] if word[-1] == word[-2] and word[-1] not in "lsz" else word
    return word


_STEMS_MEAN: Final = {_stem(word): _stem(meant) for word, meant in _MEANS.items()}
"""The words of one meaning, cut down to stems as every word is before it is looked up."""


def _alike(word: str, vocabulary: Iterable[str]) -> dict[str, float]:
    """Known words that may be meant, each with how well it fits, 0..1."""
    fits = {}
    for known in vocabulary:
        if known == word:
            fits[known] = 1.0
        elif min(len(known), len(word)) >= 4 and (known.startswith(word) or word.startswith(known)):
            fits[known] = 0.8
        elif len(word) >= 5 and SequenceMatcher(None, word, known).ratio() >= 0.84:
            fits[known] = 0.6
    return fits
