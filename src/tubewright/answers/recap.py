"""A board's part list answered: what to replace first, what to leave, what never to touch, and the order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tubewright.errors import Fault, InputError
from tubewright.judgement.capacitor_buy import Buy, OrderLine
from tubewright.judgement.capacitor_part import CapacitorPart, capacitance_words
from tubewright.judgement.capacitor_wear import BoardPart, Life, Setting
from tubewright.judgement.recap import DO_WORDS, Advice, Do, Group, Recap, chance_words, plan_recap, rails_of
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.model import Knowledge

__all__ = [
    "DO_WORDS",
    "Advice",
    "BoardPart",
    "CapacitorPart",
    "Do",
    "Group",
    "Life",
    "OrderLine",
    "Recap",
    "RecapAnswer",
    "Setting",
    "answer_recap",
    "buy_words",
    "capacitance_words",
    "fault_json",
    "life_json",
    "life_words",
    "part_words",
    "recap_json",
]

FORMAT = 1  # number of the published form


@dataclass(frozen=True, slots=True, kw_only=True)
class RecapAnswer:
    """The plan for a board with what it was made under.

    Attributes:
        recap: the plan.
        setting: air, hours and age that held for the whole board.
        chassis: the profile that was held against it, or None.
        blanket: whether everything that dries is replaced.
        summary: how many of each, in one sentence.
        limits: what such a list does and doesn't do.
        kinds: names of kinds by id.
        places: names of places by id.
    """

    recap: Recap
    setting: Setting
    chassis: Chassis | None
    blanket: bool
    summary: str
    limits: tuple[str, ...]
    kinds: Mapping[str, str]
    places: Mapping[str, str]


def answer_recap(
    parts: Sequence[BoardPart],
    knowledge: Knowledge,
    setting: Setting,
    *,
    chassis: Chassis | None = None,
    blanket: bool = False,
) -> RecapAnswer:
    """What to do about a board.

    Args:
        parts: Its capacitors.
        knowledge: What the trade knows.
        setting: Air in the set, hours a week, age of the parts, each if it is known.
        chassis: The profile of the set, if there is one.
        blanket: Replace everything that dries, worn or not.

    Raises:
        InputError: No part at all, or a rail that the profile doesn't have.
    """
    if not parts:
        raise InputError(Fault(what="there is no capacitor in the list", where="", mend="Give one line for each."))
    _check_rails(parts, chassis)
    recap = plan_recap(parts, knowledge, setting, chassis=chassis, blanket=blanket)
    return RecapAnswer(
        recap=recap,
        setting=setting,
        chassis=chassis,
        blanket=blanket,
        summary=_summary(recap),
        limits=_limits(knowledge),
        kinds={kind.id: kind.name for kind in knowledge.capacitor_kinds.values()},
        places={place.id: place.name for place in knowledge.capacitor_places.values()},
    )


def _check_rails(parts: Sequence[BoardPart], chassis: Chassis | None) -> None:
    if chassis is None:
        return
    rails = rails_of(chassis)
    faults = [
        Fault(
            what=f"the profile {chassis.id} has no rail {part.rail!r}",
            where=f"line {part.line}, column rail",
            mend=f"Name one of {', '.join(rails)}." if rails else "Leave it empty: the profile has no rails.",
        )
        for part in parts
        if part.rail and part.rail.casefold() not in rails
    ]
    if faults:
        raise InputError(faults)


def _summary(recap: Recap) -> str:
    counts = dict.fromkeys(DO_WORDS, 0)
    for group in recap.groups:
        for advice in group.advices:
            counts[advice.do] += 1
    total = sum(counts.values())
    named = [f"{count} to {DO_WORDS[do]}" for do, count in counts.items() if count]
    return f"{total} capacitor{'' if total == 1 else 's'}: {', '.join(named)}."


def _limits(knowledge: Knowledge) -> tuple[str, ...]:
    def percent(name: str) -> str:
        low, high = (100 * knowledge.value(f"recap_fault_{name}_share_{end}") for end in ("low", "high"))
        return f"{low:.0f} to {high:.0f} %"

    diagnosis = (
        "Replacing capacitors is maintenance, not diagnosis. By our estimate "
        f"{percent('left')} of blanket recaps leave the fault that the set came in with, and {percent('added')} "
        "add one: a part the wrong way round, a lifted pad, a wrong value."
    )
    care = (
        "Photograph the board and map value, voltage and polarity to each reference before the first joint is opened. "
        "Keep the old parts in order until the set has run in."
    )
    chances = (
        "Chances of wear come from the ten-degree rule with a wide spread. A measured value and ESR count for more."
    )
    return diagnosis, care, chances


def part_words(part: CapacitorPart, kinds: Mapping[str, str]) -> str:
    """A part as one would say it: ``100 µF 25 V, low-ESR aluminium electrolytic, 105 C``."""
    size = capacitance_words(part.capacitance_uf) if part.capacitance_uf is not None else "value not known"
    volts = f" {part.rated_v:g} V" if part.rated_v is not None else ""
    words = [f"{size}{volts}", kinds.get(part.kind, "kind not known")]
    if part.temperature_c is not None:
        words.append(f"{part.temperature_c:g} C")
    if part.safety_class:
        words.append(f"class {part.safety_class}")
    return ", ".join(words)


def buy_words(buy: Buy, kinds: Mapping[str, str]) -> str:
    """A part to order, with the least it must be."""
    spec = buy.spec
    words = [part_words(spec, kinds)]
    if spec.ripple_a is not None:
        words.append(f"ripple {spec.ripple_a:g} A or more")
    if spec.esr_ohm is not None:
        words.append(f"ESR {spec.esr_ohm:g} ohm or less")
    return ", ".join(words)


def fault_json(fault: Fault) -> dict[str, str]:
    """A mistake in the list, as JSON has it."""
    return {"what": fault.what, "where": fault.where, "mend": fault.mend}


def recap_json(answer: RecapAnswer, cautions: Sequence[str], faults: Sequence[Fault] = ()) -> dict[str, Any]:
    """The answer as JSON has it.

    Args:
        answer: The plan.
        cautions: The texts of its cautions.
        faults: Lines of the list that could not be read.
    """
    recap = answer.recap
    return {
        "format": FORMAT,
        "cautions": list(cautions),
        "alarms": list(recap.alarms),
        "summary": answer.summary,
        "setting": {
            "air_c": answer.setting.air_c,
            "hours_per_week": answer.setting.hours_per_week,
            "age_years": answer.setting.age_years,
            "voltage_exponent": answer.setting.voltage_exponent,
            "chassis": answer.chassis.id if answer.chassis else None,
            "blanket": answer.blanket,
        },
        "first": [advice.part.ref for advice in recap.ranked],
        "groups": [
            {
                "stage": group.stage or None,
                "name": group.name,
                "parts": [_advice_json(advice, answer.kinds) for advice in group.advices],
                "then": group.test,
                "tests": list(group.tests),
            }
            for group in recap.groups
        ],
        "order": [_line_json(line) for line in recap.order],
        "limits": list(answer.limits),
        "faults": [fault_json(fault) for fault in faults],
    }


def _advice_json(advice: Advice, kinds: Mapping[str, str]) -> dict[str, Any]:
    part = advice.part
    return {
        "ref": part.ref,
        "line": part.line,
        "part": part_words(part.part, kinds),
        "place": part.place or None,
        "do": advice.do,
        "rank": advice.rank or None,
        "reasons": list(advice.reasons),
        "stands_at_v": advice.stands_at_v,
        "life": None if advice.life is None else life_json(advice.life),
        "buy": None if advice.buy is None else _spec_json(advice.buy.spec),
        "minds": list(advice.minds),
    }


def life_words(life: Life) -> tuple[str, ...]:
    """A life in a few sentences."""
    between = f"between {_whole(life.p10_hours)} and {_whole(life.p90_hours)} h with 80 % chance"
    words = [f"At {life.runs_c:.0f} C: some {_whole(life.median_hours)} h, {between}."]
    if life.worn_probability is not None and life.used_hours is not None:
        words.append(
            f"Of them about {_whole(life.used_hours)} h are run: used up with a chance of "
            f"{chance_words(life.worn_probability)}."
        )
    if life.past_claim:
        words.append("It is past the age up to which anybody stands for a life: the seal ages by itself. Measure it.")
    elif life.median_years is not None and life.p10_years is not None and life.p90_years is not None:
        words.append(
            f"Left: {life.median_years:.1f} years, between {life.p10_years:.1f} and {life.p90_years:.1f}; "
            "no claim goes further, because seals age."
        )
    else:
        words.append("What is left of it is not known without its age and the hours a week.")
    if life.assumed:
        words.append(f"Assumed: {', '.join(life.assumed)}.")
    return tuple(words)


def _whole(hours: float) -> str:
    """Hours to two figures, thousands apart."""
    return f"{float(f'{hours:.2g}'):,.0f}".replace(",", " ")


def life_json(life: Life) -> dict[str, Any]:
    """A life as JSON has it."""
    years: dict[str, Any] | None = None
    if life.median_years is not None and life.p10_years is not None and life.p90_years is not None:
        years = {
            "median": _rounded(life.median_years),
            "p10": _rounded(life.p10_years),
            "p90": _rounded(life.p90_years),
        }
    return {
        "runs_c": _rounded(life.runs_c),
        "hours": {
            "median": _rounded(life.median_hours),
            "p10": _rounded(life.p10_hours),
            "p90": _rounded(life.p90_hours),
        },
        "used_hours": None if life.used_hours is None else _rounded(life.used_hours),
        "worn_probability": None if life.worn_probability is None else _rounded(life.worn_probability),
        "years_left": years,
        "years_left_because": None if years else "its age is not given",
        "past_claim": life.past_claim,
        "assumed": list(life.assumed),
    }


def _spec_json(spec: CapacitorPart) -> dict[str, Any]:
    return {
        "kind": spec.kind,
        "capacitance_uf": spec.capacitance_uf,
        "rated_v": spec.rated_v,
        "temperature_c": spec.temperature_c,
        "least_ripple_a": spec.ripple_a,
        "most_esr_ohm": spec.esr_ohm,
        "safety_class": spec.safety_class or None,
        "pitch_mm": spec.pitch_mm,
        "most_height_mm": spec.height_mm,
    }


def _line_json(line: OrderLine) -> dict[str, Any]:
    return {
        "count": line.count,
        "kind": line.kind,
        "capacitance_uf": line.capacitance_uf,
        "rated_v": line.rated_v,
        "temperature_c": line.temperature_c,
        "safety_class": line.safety_class or None,
        "least_ripple_a": line.least_ripple_a,
        "most_esr_ohm": line.most_esr_ohm,
        "pitch_mm": line.pitch_mm,
        "most_height_mm": line.most_height_mm,
        "refs": list(line.refs),
    }


def _rounded(value: float) -> float:
    return float(f"{value:.4g}")
