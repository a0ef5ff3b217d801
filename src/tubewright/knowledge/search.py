"""Finding a symptom from the words people use, and the id somebody meant to type."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher, get_close_matches
from functools import lru_cache
from typing import Final

from tubewright.knowledge.model import Knowledge, Symptom

_WORD: Final = re.compile(r"[a-z0-9]+")
_EMPTY_WORDS: Final = """
a about again also an and any are as at be because been bit but by can cant could do does doesn doesnt don dont even
ever for from get gets give go goes got had has have he hello her here hi his how i if im in is isn isnt it its just
keep keeps kind like lot m me much my no not now of off ok on or our out over please s she so some somebody
something sometimes t than that the their then there these they thing this to too up us use ve very was we went were
what when where which while who why will with won wont would you your
"""
_EMPTY: Final = frozenset(_EMPTY_WORDS.split())
_FAINT_WORDS: Final = "all no not off out over up on too much doesn doesnt dont wont isnt cant when keeps sometimes"
_FAINT: Final = dict.fromkeys(_FAINT_WORDS.split(), 0.55)
"""Words that say little alone but tell "no red" from "red": what they count, where 1 is a word of its own."""
_MEANS: Final = {
    "monitor": "picture", "image": "picture", "screen": "picture", "display": "picture", "tv": "picture",
    "cabinet": "set", "machine": "set", "telly": "set", "television": "set", "unit": "set",
    "dim": "dark", "darker": "dark", "dull": "dark", "faint": "dark", "dimmer": "dark",
    "curve": "bend", "hook": "bend", "warp": "bend", "flag": "bend", "curl": "bend", "bent": "bend", "lean": "bend",
    "skew": "bend", "bow": "bend", "bulge": "bend",
    "blur": "blurry", "fuzzy": "blurry", "soft": "blurry", "unsharp": "blurry",
    "color": "colour", "colur": "colour", "red": "colour", "green": "colour", "blue": "colour",
    "tint": "colour", "coloured": "tinge", "colored": "tinge", "discoloured": "tinge", "discolored": "tinge",
    "vertical": "upright", "horizontal": "across", "sideway": "across",
    "scroll": "roll", "jump": "bounce", "shake": "bounce", "shaky": "bounce", "wobble": "wobbly", "wave": "snake",
    "wavy": "snake", "jitter": "bounce", "jittery": "bounce",
    "stink": "smell", "burnt": "burn", "burning": "burn", "smoking": "smoke",
    "skinny": "narrow", "thin": "narrow", "halo": "fringe", "echo": "ghost", "buzz": "hum", "drone": "hum",
    "dead": "nothing", "click": "tick", "crackle": "snap", "crack": "snap", "pop": "blow", "blew": "blow",
    "blown": "blow", "missing": "gone", "lost": "gone", "vanish": "gone", "disappear": "gone", "lack": "gone",
    "purple": "violet", "brighter": "bright", "brightness": "bright", "hot": "warm", "heat": "warm", "warmed": "warm",
    "fade": "weak", "faded": "weak", "pale": "weak", "whine": "whistle", "squeal": "whistle", "shrill": "whistle",
    "squeak": "whistle", "bang": "knock", "hit": "knock", "bump": "knock", "tap": "knock", "slap": "knock",
    "squish": "squash", "compress": "squash", "squeeze": "squash", "squashed": "squash", "shrunk": "shrink",
    "tilt": "crooked", "slant": "diagonal", "letter": "text", "writing": "text", "blotch": "patch", "stain": "patch",
    "die": "cut", "quit": "cut", "flick": "flicker", "blink": "flicker", "start": "switch",
    "tear": "torn", "rip": "torn", "trail": "smear", "streak": "smear", "smudge": "smear", "drag": "smear",
    "bigger": "grow", "larger": "grow", "expand": "grow", "swell": "grow", "spot": "dot", "sound": "noise",
    "arc": "spark", "half": "half", "swapped": "swap", "exchange": "swap",
}  # fmt: skip
"""Words that people use for the same thing, each with the one that stands for both."""

MOST_COMPLAINTS: Final = 6
"""Complaints taken out of one sentence."""
_BETWEEN: Final = re.compile(
    r"[.,;:!?\n/+&]+|\b(?:and also|and then|and|also|but|plus|then|as well as|besides|although|though)\b"
)
_SPLIT_GAIN: Final = 0.95
"""How much better the parts of a sentence must fit on the whole than it does itself, to be taken as complaints."""
_PAIRS: Final = re.compile(
    r"\b(?P<one>up|left|top|on|in|over|back|now|red|green|blue|black|again|more|side) and "
    r"(?P<two>down|right|bottom|off|out|over|forth|then|red|green|blue|white|again|more|side)\b"
)
"""Words that belong together though "and" stands between them."""
_HALF_FIT: Final = 0.45
"""Part of the best fit of a whole sentence below which a part of it says nothing of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Complaint:
    """One thing somebody complains of, in their words, and the symptoms it may mean, best first."""

    words: str
    symptoms: tuple[Symptom, ...]


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
    ranked = _fits(knowledge, words)
    return tuple(knowledge.symptoms[name] for _, name in ranked[:limit])


def find_complaints(knowledge: Knowledge, words: str, limit: int = 3) -> tuple[Complaint, ...]:
    """What somebody complains of, taken apart where one sentence holds several complaints.

    Args:
        knowledge: Where the symptoms are.
        words: A sentence or more: "No red, and it goes off when hot".
        limit: At most so many symptoms for each.

    Returns:
        The complaints in their order; a part that no symptom fits is left out, and one
        whose best symptom another part has named already adds none of its own.
    """
    joined = _PAIRS.sub(r"\g<one> \g<two>", words.lower())
    parts = [part.strip() for part in _BETWEEN.split(joined)]
    found: list[tuple[str, list[tuple[float, str]]]] = []
    for part in parts:
        ranked = _fits(knowledge, part) if part else []
        if ranked:
            found.append((part, ranked))
    whole = _fits(knowledge, words)
    if not whole:
        return ()
    best = whole[0][0]
    telling = [(part, ranked) for part, ranked in found if ranked[0][0] <= _HALF_FIT * best]
    firsts = {ranked[0][1] for _, ranked in telling}
    mean = sum(ranked[0][0] for _, ranked in telling) / max(1, len(telling))
    if len(firsts) < 2 or mean > _SPLIT_GAIN * best:
        # One complaint: its sentence says more than its parts ("red and blue are swapped").
        return (Complaint(words=words.strip(), symptoms=tuple(knowledge.symptoms[name] for _, name in whole[:limit])),)
    complaints: list[Complaint] = []
    named: set[str] = set()
    for part, ranked in telling[:MOST_COMPLAINTS]:
        if ranked[0][1] in named:
            continue
        kept = [name for _, name in ranked[:limit]]
        named.add(kept[0])
        complaints.append(Complaint(words=part, symptoms=tuple(knowledge.symptoms[name] for name in kept)))
    return tuple(complaints)


def nearest(name: str, choices: Iterable[str], limit: int = 3) -> tuple[str, ...]:
    """The ids most like a mistyped one, the likeliest first; none if nothing comes near."""
    return tuple(get_close_matches(name, list(choices), n=limit, cutoff=0.6))


def _fits(knowledge: Knowledge, words: str) -> list[tuple[float, str]]:
    """Every symptom that fits at all, the best first; how well it fits is given below 0, so that less is better."""
    book = _book(tuple(knowledge.symptoms.values()))
    asked = _stems(words)
    if not any(weight == 1 for weight in asked.values()) and not any(word in book.rarity for word in asked):
        return []
    heard = {word: _alike(word, book.rarity) for word in asked}
    common = dict.fromkeys(knowledge.symptoms, 0.0)
    for fault in knowledge.faults.values():
        for name, chance in fault.shows.items():
            if name in common:
                common[name] += fault.per_1000 * chance
    # A word of the question that nothing knows weighs as a rare one: it was meant to say something.
    asked_size = math.sqrt(
        sum((weight * max((book.rarity[w] for w in heard[word]), default=1.5)) ** 2 for word, weight in asked.items())
    )
    ranked = []
    for symptom in knowledge.symptoms.values():
        score = max((_fit(asked, heard, phrase, book.rarity) for phrase in book.phrases[symptom.id]), default=0.0)
        whole = _fit(asked, heard, book.whole[symptom.id], book.rarity)
        score = (score + 0.5 * whole) / max(asked_size, 1e-9)
        if score > 0:
            # Of two that fit alike the common one is more likely meant.
            ranked.append((-score * (1 + 0.06 * math.log10(1 + common[symptom.id])), symptom.id))
    return sorted(ranked)


@dataclass(frozen=True, slots=True)
class _Phrase:
    """The words of one saying with their weights, and how much it says in all."""

    weights: Mapping[str, float]
    size: float


@dataclass(frozen=True, slots=True)
class _Book:
    """What is said of all symptoms: phrase by phrase, all of one symptom together, and how rare each word is."""

    phrases: Mapping[str, tuple[_Phrase, ...]]
    whole: Mapping[str, _Phrase]
    rarity: Mapping[str, float]


@lru_cache(maxsize=4)
def _book(symptoms: tuple[Symptom, ...]) -> _Book:
    """The sayings of all symptoms, made ready once."""
    texts = {
        s.id: [(s.owner_says, 1.0), (s.technician_says, 0.85), (s.id, 1.1), *((text, 1.0) for text in s.also_said)]
        for s in symptoms
    }
    said = {name: [(_stems(text), weight) for text, weight in given] for name, given in texts.items()}
    counts: dict[str, int] = {}
    for given in said.values():
        for word in {word for stems, _ in given for word in stems}:
            counts[word] = counts.get(word, 0) + 1
    rarity = {word: math.log(1 + len(said) / count) for word, count in counts.items()}

    def phrase(stems: Mapping[str, float], weight: float) -> _Phrase:
        size = math.sqrt(sum((count * rarity[word]) ** 2 for word, count in stems.items()))
        return _Phrase({word: count * weight for word, count in stems.items()}, size)

    together = {
        name: {
            word: max(stems.get(word, 0.0) * weight for stems, weight in given) for stems, _ in given for word in stems
        }
        for name, given in said.items()
    }
    return _Book(
        {name: tuple(phrase(stems, weight) for stems, weight in given) for name, given in said.items()},
        {name: phrase(stems, 1.0) for name, stems in together.items()},
        rarity,
    )


def _fit(
    asked: Mapping[str, float],
    heard: Mapping[str, Mapping[str, float]],
    phrase: _Phrase,
    rarity: Mapping[str, float],
) -> float:
    """How much of what was asked this saying holds, less for a long saying that says much else."""
    score = 0.0
    for word, weight in asked.items():
        score += max(
            (
                # A common word doesn't become telling by being like a rare one.
                fit * weight * phrase.weights[known] * min(rarity[known], rarity.get(word, math.inf)) ** 2
                for known, fit in heard[word].items()
                if known in phrase.weights
            ),
            default=0.0,
        )
    return score / (_SOFTLY + phrase.size)


_SOFTLY: Final = 2.0
"""How gently the length of a saying counts, in the size of about one rare word."""


def _stems(text: str) -> dict[str, float]:
    """The words of a text without their endings, each with its weight; words without meaning are left out."""
    found: dict[str, float] = {}
    for word in _WORD.findall(text.lower().replace("'", "").replace("\u2019", "").replace("_", " ")):
        if word in _FAINT:
            found.setdefault(_NEGATION.get(word, word), _FAINT[word])
        elif word not in _EMPTY:
            stem = _STEMS_MEAN.get(_stem(word), _stem(word))
            found[_STEMS_MEAN.get(word, stem)] = 1.0
    return found


_NEGATION: Final = {"not": "no", "doesn": "no", "doesnt": "no", "dont": "no", "wont": "no", "isnt": "no", "cant": "no"}


def _stem(word: str) -> str:
    if word.endswith("ies") and len(word) > 4:
        return f"{word[:-3]}y"
    for ending in ("ings", "ing", "ed", "es", "s"):
        if ending == "es" and not word.endswith(("ses", "xes", "zes", "ches", "shes", "oes")):
            continue
        if word.endswith(ending) and len(word) - len(ending) >= 3:
            word = word[: -len(ending)]
            # humming -> hum, but rolling -> roll
            if word[-1] == word[-2] and word[-1] not in "lsz":
                word = word[:-1]
            break
    # squeeze, squeezed and squeezing meet
    return word[:-1] if word.endswith("e") and len(word) > 4 else word


_STEMS_MEAN: Final = {_stem(word): _stem(meant) for word, meant in _MEANS.items() if not word.endswith("ed")} | {
    word: _stem(meant) for word, meant in _MEANS.items()
}
"""The words of one meaning, cut down to stems as every word is before it is looked up."""


def _alike(word: str, vocabulary: Iterable[str]) -> dict[str, float]:
    """Known words that may be meant, each with how well it fits, 0..1."""
    fits = {}
    for known in vocabulary:
        if known == word:
            fits[known] = 1.0
        elif min(len(known), len(word)) >= 4 and (known.startswith(word) or word.startswith(known)):
            fits[known] = 0.8
        elif min(len(known), len(word)) == 3 and {known, known[:-1]} & {word, word[:-1]}:
            fits[known] = 0.6
        elif len(word) >= 4 and len(known) >= 4 and abs(len(word) - len(known)) <= 3:
            pair = SequenceMatcher(None, word, known)
            # The cheap bounds first: most words are nowhere near.
            if pair.real_quick_ratio() >= 0.8 and pair.quick_ratio() >= 0.8 and pair.ratio() >= 0.8:
                fits[known] = 0.6
    return fits
