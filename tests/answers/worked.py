"""Cases for the tests of answers and judgement, and one knowledge for all of them."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from tubewright.answers.assess import assess
from tubewright.answers.assessment import Assessment
from tubewright.answers.reckoning import Reckoning, reckon
from tubewright.case import GUNS, Case
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge

CASES: Final = Path(__file__).parents[1] / "cases"
FEW: Final = 4000
"""Futures where the answer needs no finer grain."""

CAN_BE_REPLACED: Final = {
    "currency": "EUR",
    "bench_rate_per_hour": 45,
    "replacement_tube": 180,
    "replacement_display": 450,
    "parts_value": 20,
}
NOTHING_TO_BE_HAD: Final = {"currency": "EUR", "bench_rate_per_hour": 45, "parts_value": 20}
GETTER_SEEN: Final = {"getter": "silver", "restorations": 0}


@functools.cache
def knowledge() -> Knowledge:
    return load_knowledge()


def names() -> list[str]:
    return sorted(path.stem for path in CASES.glob("*.toml"))


@functools.cache
def read(name: str) -> Case:
    return Case.model_validate(tomllib.loads((CASES / f"{name}.toml").read_text(encoding="utf-8")))


@functools.cache
def answer(name: str, seed: int = 1, futures: int = FEW) -> Assessment:
    return assess(read(name), knowledge(), seed=seed, futures=futures)


def emission(
    values: Sequence[float | None],
    kept: Sequence[float | None] = (),
    *,
    unit: str = "rel",
    rated_v: float = 6.3,
    **more: object,
) -> list[dict[str, Any]]:
    """Readings of red, green, blue at rated heater; ``kept`` is the share left at ten per cent less."""
    full = [
        {"gun": gun, "kind": "emission", "value": value, "unit": unit, "heater_v": rated_v, "minutes_on": 10} | more
        for gun, value in zip(GUNS, values, strict=True)
        if value is not None
    ]
    low = [
        {"gun": gun, "kind": "emission", "value": value * share, "unit": unit, "heater_v": 0.9 * rated_v}
        | {"minutes_on": 13}
        | {key: worth for key, worth in more.items() if key != "minutes_on"}
        for gun, value, share in zip(GUNS, values, kept or (None,) * 3, strict=True)
        if value is not None and share is not None
    ]
    return full + low


def cutoffs(volts: Sequence[float], g2_v: float = 300.0) -> list[dict[str, Any]]:
    return [
        {"gun": gun, "kind": "cutoff", "value": value, "unit": "V", "g2_v": g2_v}
        for gun, value in zip(GUNS, volts, strict=True)
    ]


def case(**parts: object) -> Case:
    return Case.model_validate({"format": 1, **parts})


def with_more(given: Case, **parts: object) -> Case:
    """The same case with readings, tests, treatments or symptoms added, or fields of a part set."""
    body = given.model_dump(exclude_unset=True)
    for key, more in parts.items():
        body[key] = {**body.get(key, {}), **more} if isinstance(more, dict) else [*body.get(key, []), *_list(more)]
    return Case.model_validate(body)


def _list(more: object) -> list[object]:
    assert isinstance(more, list)
    return more


def judged(given: Case, seed: int = 1, futures: int = FEW) -> Assessment:
    return assess(given, knowledge(), seed=seed, futures=futures)


def reckoned(given: Case, seed: int = 1, futures: int = FEW) -> Reckoning:
    return reckon(given, knowledge(), seed=seed, futures=futures)
