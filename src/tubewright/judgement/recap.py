"""A board's capacitors: what to replace first and why, what to leave, what never to touch, and the order.

Ranked by evidence, then by the chance that heat, ripple and hours have used the part up.
Replaced in groups by stage, with power and a test after each: then a fault that comes in
with a group is known to sit in it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from tubewright.judgement.capacitor_buy import Buy, OrderLine, order, what_to_buy
from tubewright.judgement.capacitor_part import capacitance_words
from tubewright.judgement.capacitor_wear import BoardPart, Life, Measured, Setting, life_of, measured
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.model import Knowledge

Do: TypeAlias = Literal["first", "replace", "look", "leave", "never"]

DO_WORDS: Final[Mapping[Do, str]] = {
    "first": "replace first",
    "replace": "replace with its group",
    "look": "find out first",
    "leave": "leave",
    "never": "never alter",
}

NO_STAGE: Final = ""
"""Of parts whose place isn't given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What to do about one part.

    Attributes:
        part: the line of the list.
        do: what to do.
        reasons: why, in words, the strongest first.
        rank: 1 for what is replaced first; 0 for what isn't replaced.
        life: what the ageing rule says, where it says anything.
        stands_at_v: direct voltage there, as given or by the profile.
        buy: what to order.
        minds: what to mind.
    """

    part: BoardPart
    do: Do
    reasons: tuple[str, ...]
    rank: int
    life: Life | None
    stands_at_v: float | None
    buy: Buy | None
    minds: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The parts of one stage, in the order of replacing, and what to do after it."""

    stage: str
    name: str
    advices: tuple[Advice, ...]
    test: str
    tests: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recap:
    """What to do about a whole board.

    ``alarms`` come before everything else: what must be cleared before the set runs again.
    """

    groups: tuple[Group, ...]
    ranked: tuple[Advice, ...]
    order: tuple[OrderLine, ...]
    alarms: tuple[str, ...]
    cautions: tuple[str, ...]


HAND_CAUTIONS: Final = (
    "local_rules",
    "anode_charge",
    "recharge",
    "primary_reservoir",
    "gate_power_off",
    "fumes",
)
"""Ids of the cautions that go with unsoldering anything in a set."""


def plan_recap(
    parts: Sequence[BoardPart],
    knowledge: Knowledge,
    setting: Setting,
    *,
    chassis: Chassis | None = None,
    blanket: bool = False,
) -> Recap:
    """What to do about every part of a board.

    Args:
        parts: The list, each line by itself.
        knowledge: Kinds, places, stages, figures.
        setting: Air, hours and age for the whole board.
        chassis: The set's profile: its rails and tuning capacitance are held against the list.
        blanket: Replace everything that dries, worn or not.

    Raises:
        KeyError: An id that is not in the knowledge; a door checks it first.
    """
    advices = [_advise(part, knowledge, setting, chassis, blanket=blanket) for part in parts]
    replaced = sorted((a for a in advices if a.do in {"first", "replace"}), key=_urgency)
    ranks = {id(advice.part): number for number, advice in enumerate(replaced, start=1)}
    ranked = [_with_rank(advice, ranks.get(id(advice.part), 0)) for advice in advices]
    groups = _groups(ranked, knowledge)
    return Recap(
        groups=groups,
        ranked=tuple(sorted((a for a in ranked if a.rank), key=lambda advice: advice.rank)),
        order=order((a.part.ref, a.buy) for a in ranked if a.buy is not None),
        alarms=_alarms(parts, knowledge, chassis),
        cautions=_cautions(ranked, groups, knowledge),
    )


def _with_rank(advice: Advice, rank: int) -> Advice:
    return Advice(
        part=advice.part,
        do=advice.do,
        reasons=advice.reasons,
        rank=rank,
        life=advice.life,
        stands_at_v=advice.stands_at_v,
        buy=advice.buy,
        minds=advice.minds,
    )


def _urgency(advice: Advice) -> tuple[int, float, float, int]:
    """Sort key: measured wear first, then the chance of wear, then heat, then the order of the list."""
    worn = advice.life.worn_probability if advice.life is not None else None
    runs_c = advice.life.runs_c if advice.life is not None else 0.0
    return (0 if advice.do == "first" else 1, -(worn or 0.0), -runs_c, advice.part.line)


def _advise(
    part: BoardPart, knowledge: Knowledge, setting: Setting, chassis: Chassis | None, *, blanket: bool
) -> Advice:
    life, found = life_of(part, setting, knowledge), measured(part, knowledge)
    at_v = stands_at(part, chassis)
    do, reasons = _what_to_do(part, knowledge, setting, life, found, at_v, blanket=blanket)
    buy: Buy | None = None
    minds: tuple[str, ...] = ()
    if do in {"first", "replace"}:
        wanted = what_to_buy(part.part, part.place, knowledge, stands_at_v=at_v, near_hot=part.near_hot)
        if isinstance(wanted, Buy):
            buy, minds = wanted, wanted.minds
        else:
            # Worn, but nothing that can be named may stand there: a person has to look.
            do, minds = "look", tuple(objection.words for objection in wanted)
    if not part.place and do in {"first", "replace"}:
        minds = ("Its place is not known: judged as the strictest that such a part usually has.", *minds)
    return Advice(part=part, do=do, reasons=reasons, rank=0, life=life, stands_at_v=at_v, buy=buy, minds=tuple(minds))


def _what_to_do(
    part: BoardPart,
    knowledge: Knowledge,
    setting: Setting,
    life: Life | None,
    found: Measured,
    at_v: float | None,
    *,
    blanket: bool,
) -> tuple[Do, tuple[str, ...]]:
    kind = part.part.kind_in(knowledge)
    place = knowledge.capacitor_places[part.place] if part.place else None
    if place is not None and place.untouchable:
        reasons = [f"{place.rule} {place.why}"]
        if found.says == "worn":
            reasons.insert(0, f"{_listed(found.reasons)}: don't run the set; fit the identical part only")
        return "never", tuple(reasons)
    if kind is None:
        return "look", ("its kind is not known: look at it, or at the drawing",)
    under = part.part.rated_v is not None and at_v is not None and part.part.rated_v < at_v
    if found.says == "worn" or under or kind.family == "paper":
        reasons = list(found.reasons) if found.says == "worn" else []
        if under:
            reasons.append(f"rated {part.part.rated_v:g} V where {at_v:g} V stand")
        if kind.family == "paper":
            reasons.append("paper and wax parts leak with age, all of them")
        return "first", tuple(reasons)
    if not kind.dries:
        measures = ("measures as it should",) if found.says == "sound" else ()
        return "leave", (*measures, f"{kind.name} doesn't dry out")
    return _by_age(part, knowledge, setting, life, found, blanket=blanket)


def _by_age(
    part: BoardPart, knowledge: Knowledge, setting: Setting, life: Life | None, found: Measured, *, blanket: bool
) -> tuple[Do, tuple[str, ...]]:
    """Of a part that dries and of which no measurement says that it is worn."""
    age = part.age_years if part.age_years is not None else setting.age_years
    worn = None if life is None else life.worn_probability
    reasons = _stress(part, life)
    old = age is not None and age >= knowledge.value("capacitor_replace_years")
    if found.says == "sound" and not blanket:
        more = "; its seal is past the age that any maker stands for: measure again in a year" if old else ""
        return "leave", (f"measures as it should ({_listed(found.reasons)}){more}", *reasons)
    if old:
        reasons = (*reasons, f"{age:g} years old")
    if old or (worn is not None and worn >= knowledge.value("capacitor_likely_worn")):
        return "replace", reasons
    if blanket:
        return "replace", (*reasons, "wanted: all that dries")
    if worn is None:
        return "look", ("neither its age nor a measurement is given: measure value and ESR", *reasons)
    return "leave", reasons


def _stress(part: BoardPart, life: Life | None) -> tuple[str, ...]:
    """Heat, ripple and hours in words."""
    if life is None:
        return ()
    words = []
    if life.worn_probability is not None and life.used_hours is not None:
        words.append(
            f"about {_hours(life.used_hours)} run of some {_hours(life.median_hours)} expected at "
            f"{life.runs_c:.0f} C: used up with a chance of {chance_words(life.worn_probability)}"
        )
    else:
        words.append(f"some {_hours(life.median_hours)} expected at {life.runs_c:.0f} C")
    if part.near_hot:
        words.append("stands beside something hot")
    if part.flowing_a is not None and part.part.ripple_a and part.flowing_a > part.part.ripple_a:
        words.append(f"carries {part.flowing_a:g} A of ripple, rated {part.part.ripple_a:g} A")
    return tuple(words)


def _hours(hours: float) -> str:
    """Hours to two figures, thousands apart: no more is known of them."""
    return f"{float(f'{hours:.2g}'):,.0f} h".replace(",", " ")


def chance_words(chance: float) -> str:
    """A chance in percent; never a certainty that a rule of thumb doesn't have."""
    if chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def _listed(words: Sequence[str]) -> str:
    return "; ".join(words)


def stands_at(part: BoardPart, chassis: Chassis | None) -> float | None:
    """Direct voltage at a part: as given, else that of its rail in the profile, else ``None``."""
    if part.stands_at_v is not None:
        return part.stands_at_v
    return None if chassis is None else rails_of(chassis).get(part.rail.casefold()) if part.rail else None


def rails_of(chassis: Chassis) -> dict[str, float]:
    """The rails of a profile by their names in lower case, B+ and the video supply among them."""
    named = {name.casefold(): volts for name, volts in chassis.rails.items()}
    for name, volts in (("b+", chassis.bplus_v), ("video", chassis.video_supply_v)):
        if volts is not None:
            named.setdefault(name, volts)
    return named


def _alarms(parts: Sequence[BoardPart], knowledge: Knowledge, chassis: Chassis | None) -> tuple[str, ...]:
    """What must be cleared before the set runs: a tuning capacitance that isn't what it should be."""
    words = []
    tuning = [part for part in parts if part.place and knowledge.capacitor_places[part.place].untouchable]
    off = knowledge.value("capacitor_film_off_ratio")
    for part in tuning:
        printed, found = part.part.capacitance_uf, part.measured_uf
        if printed is not None and found is not None and abs(found / printed - 1) > off:
            words.append(
                f"{part.ref} sets the anode voltage and measures {capacitance_words(found)} of "
                f"{capacitance_words(printed)}. Don't run the set until the identical part is in."
            )
    wanted_nf = None if chassis is None else chassis.tuning_nf
    fitted = [part.part.capacitance_uf for part in tuning]
    if wanted_nf is not None and fitted and all(value is not None for value in fitted):
        total_nf = 1000 * sum(value for value in fitted if value is not None)
        if abs(total_nf / wanted_nf - 1) > off:
            refs = ", ".join(part.ref for part in tuning)
            words.append(
                f"The profile says {wanted_nf:g} nF of retrace tuning in all; the list has {total_nf:.3g} nF ({refs}). "
                "Find out which is right before the set runs."
            )
    return tuple(words)


def _groups(advices: Sequence[Advice], knowledge: Knowledge) -> tuple[Group, ...]:
    by_stage: dict[str, list[Advice]] = {}
    for advice in advices:
        by_stage.setdefault(stage_of(advice.part, knowledge), []).append(advice)
    stages = sorted(knowledge.capacitor_stages.values(), key=lambda stage: stage.turn)
    out = [
        Group(
            stage=stage.id,
            name=stage.name,
            advices=_in_order(by_stage[stage.id]),
            test=stage.test,
            tests=stage.tests,
            cautions=stage.cautions,
        )
        for stage in stages
        if stage.id in by_stage
    ]
    if NO_STAGE in by_stage:
        out.append(
            Group(
                stage=NO_STAGE,
                name="Place not known",
                advices=_in_order(by_stage[NO_STAGE]),
                test="Map each of them to its stage first, then replace it with that group.",
                tests=(),
                cautions=("mains_live", "gate_bplus_first"),
            )
        )
    return tuple(out)


def stage_of(part: BoardPart, knowledge: Knowledge) -> str:
    """The stage a part belongs to: as given, else that of its place, else none."""
    return part.stage or (knowledge.capacitor_places[part.place].stage if part.place else NO_STAGE)


def _in_order(advices: Sequence[Advice]) -> tuple[Advice, ...]:
    turn: dict[Do, int] = {"first": 0, "replace": 1, "look": 2, "leave": 3, "never": 4}
    return tuple(sorted(advices, key=lambda advice: (turn[advice.do], advice.rank, advice.part.line)))


def _cautions(advices: Sequence[Advice], groups: Sequence[Group], knowledge: Knowledge) -> tuple[str, ...]:
    places = [knowledge.capacitor_places[advice.part.place] for advice in advices if advice.part.place]
    paper = any(
        kind is not None and kind.family == "paper" for kind in (a.part.part.kind_in(knowledge) for a in advices)
    )
    named = [*HAND_CAUTIONS]
    named += [caution for place in places for caution in place.cautions]
    named += [caution for group in groups for caution in group.cautions]
    return tuple(dict.fromkeys([*named, *(["oil_capacitor"] if paper else []), "fire"]))
