"""How worn one capacitor of a board is: by what was measured and seen, and by heat, ripple and hours.

What is measured decides. Where nothing is, the ten-degree rule gives a life with a wide
spread, and the hours run so far give the chance that it is over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal, TypeAlias

from tubewright.judgement.capacitor_part import CapacitorPart, capacitance_words
from tubewright.knowledge.model import Knowledge
from tubewright.knowledge.parts import CapacitorKind
from tubewright.physics import capacitor_life

Evidence: TypeAlias = Literal["worn", "sound", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardPart:
    """One line of a board's part list; None, "" and False stand for not said.

    Attributes:
        line: in the file.
        ref: as printed on the board.
        part: what it is.
        place: id of a place.
        stage: id of a stage, where the place's own isn't meant.
        near_hot: it stands beside something hot.
        runs_c: temperature measured at the part, degrees Celsius.
        flowing_a: ripple current that flows, RMS.
        measured_uf: capacitance measured.
        measured_esr_ohm: ESR measured.
        leakage_ratio: leakage measured over that of a new part.
        bulging: bulged, leaking, cracked or burnt.
        age_years: since it was made.
        used_hours: hours it has run.
        stands_at_v: direct voltage measured or known there.
        rail: the name of the rail it stands on, as the chassis profile calls it.
        notes: as typed.
    """

    line: int
    ref: str
    part: CapacitorPart
    place: str = ""
    stage: str = ""
    near_hot: bool = False
    runs_c: float | None = None
    flowing_a: float | None = None
    measured_uf: float | None = None
    measured_esr_ohm: float | None = None
    leakage_ratio: float | None = None
    bulging: bool = False
    age_years: float | None = None
    used_hours: float | None = None
    stands_at_v: float | None = None
    rail: str = ""
    notes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What holds for the whole board.

    Attributes:
        air_c: air inside the running set; None takes what is common.
        hours_per_week: use, past and to come; None takes what is common, with a wide spread.
        age_years: of parts whose own age isn't given.
        voltage_exponent: of the voltage's part in the life; 0 leaves it out.
    """

    air_c: float | None = None
    hours_per_week: float | None = None
    age_years: float | None = None
    voltage_exponent: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """The life of a drying part in its place: the middle and the range that holds it with 80 % chance.

    ``years_*`` are the years left, never beyond the age at which claims end;
    ``past_claim`` says that this age is reached, ``worn_probability`` how likely the life
    is used up already. Without an age these are None.
    """

    runs_c: float
    rated_c: float
    median_hours: float
    p10_hours: float
    p90_hours: float
    used_hours: float | None
    worn_probability: float | None
    median_years: float | None
    p10_years: float | None
    p90_years: float | None
    past_claim: bool
    assumed: tuple[str, ...]


def weeks_per_year() -> float:
    """Of the Gregorian calendar."""
    return 365.2425 / 7


def life_of(part: BoardPart, setting: Setting, knowledge: Knowledge) -> Life | None:
    """The life of a part that dries; ``None`` for one that doesn't, or of unknown kind."""
    kind = part.part.kind_in(knowledge)
    if kind is None or not kind.dries:
        return None
    value = knowledge.value
    assumed: list[str] = []
    rated_c = part.part.temperature_c
    if rated_c is None:
        rated_c = kind.usual_c
        assumed.append(f"a {rated_c:g} C part")
    rated_hours = part.part.life_hours
    if rated_hours is None:
        rated_hours = kind.usual_life_hours
        assumed.append(f"{rated_hours:g} h rated")
    runs_c, heat_sd_k = _surroundings(part, setting, knowledge, assumed)
    rise_k, ripple_ratio = _ripple(part, knowledge)
    exponent = setting.voltage_exponent
    at_ratio = 1.0
    if exponent > 0 and part.stands_at_v and part.part.rated_v:
        at_ratio = part.stands_at_v / part.part.rated_v
    middle = value("capacitor_life_beyond_ratio") * float(
        capacitor_life.life_hours(
            rated_hours,
            rated_c=rated_c,
            ambient_c=runs_c,
            ripple_ratio=ripple_ratio,
            rated_rise_k=rise_k,
            voltage_ratio=at_ratio,
            voltage_exponent=exponent,
        )
    )
    sd_ln = float(capacitor_life.life_log_sd(part_log_sd=value("capacitor_life_log_sd"), temperature_sd_k=heat_sd_k))
    return _with_use(part, setting, knowledge, assumed, runs_c=runs_c, rated_c=rated_c, middle=middle, sd_ln=sd_ln)


def _surroundings(part: BoardPart, setting: Setting, knowledge: Knowledge, assumed: list[str]) -> tuple[float, float]:
    """Temperature beside the part, and how sure it is."""
    value = knowledge.value
    if part.runs_c is not None:
        return part.runs_c, value("capacitor_measured_sd_k")
    air = setting.air_c
    if air is None:
        air = value("capacitor_set_air_c")
        assumed.append(f"{air:g} C of air in the set")
    rise = knowledge.capacitor_places[part.place].rise_k if part.place else 0.0
    hot = value("capacitor_near_hot_k") if part.near_hot else 0.0
    return air + rise + hot, value("capacitor_temperature_sd_k")


def _ripple(part: BoardPart, knowledge: Knowledge) -> tuple[float, float]:
    """Rise of the core at rated ripple, and the ripple flowing over the rated one."""
    rise = knowledge.value("capacitor_ripple_rise_k")
    flowing, rated = part.flowing_a, part.part.ripple_a
    if flowing is not None and rated:
        return rise, flowing / rated
    idle = bool(part.place) and knowledge.capacitor_places[part.place].ripple == "none"
    return rise, 0.0 if idle else 1.0


def _with_use(
    part: BoardPart,
    setting: Setting,
    knowledge: Knowledge,
    assumed: list[str],
    *,
    runs_c: float,
    rated_c: float,
    middle: float,
    sd_ln: float,
) -> Life:
    value = knowledge.value
    age = part.age_years if part.age_years is not None else setting.age_years
    per_week = setting.hours_per_week
    used, used_sd = part.used_hours, 0.0
    if per_week is None:
        per_week = value("capacitor_hours_per_week")
        if used is None and age is not None:
            assumed.append(f"{per_week:g} hours a week")
            used_sd = value("capacitor_hours_log_sd")
    if used is None and age is not None:
        used = age * weeks_per_year() * per_week
    z = NormalDist().inv_cdf(0.9)
    points = [middle * math.exp(step * sd_ln) for step in (0.0, -z, z)]
    worn: float | None = None
    years: list[float | None] = [None, None, None]
    claim = value("capacitor_claim_years")
    if used is not None:
        worn = _chance_below(used, middle, math.hypot(sd_ln, used_sd))
    if used is not None and age is not None:
        spread = math.exp(z * used_sd)
        years = [
            float(
                capacitor_life.years_left(
                    life,
                    used_hours=hours,
                    hours_per_year=per_week * weeks_per_year(),
                    age_years=age,
                    claim_years=claim,
                )
            )
            for life, hours in zip(points, (used, used * spread, used / spread), strict=True)
        ]
    return Life(
        runs_c=runs_c,
        rated_c=rated_c,
        median_hours=points[0],
        p10_hours=points[1],
        p90_hours=points[2],
        used_hours=used,
        worn_probability=worn,
        median_years=years[0],
        p10_years=years[1],
        p90_years=years[2],
        past_claim=age is not None and age >= claim,
        assumed=tuple(assumed),
    )


def _chance_below(used: float, middle: float, sd_ln: float) -> float:
    """Chance that the life was shorter than the hours run, lives spread log-normally."""
    if used <= 0:
        return 0.0
    return NormalDist().cdf((math.log(used) - math.log(middle)) / sd_ln)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What measurements and eyes say of a part: ``worn`` if any does, ``sound`` if value and ESR both are."""

    says: Evidence
    reasons: tuple[str, ...]


def measured(part: BoardPart, knowledge: Knowledge) -> Measured:
    """What was measured and seen of a part, held against what it should be."""
    kind = part.part.kind_in(knowledge)
    bad: list[str] = []
    good: list[str] = []
    if part.bulging:
        bad.append("bulged, leaking or cracked")
    _weigh_value(part, kind, knowledge, bad, good)
    if kind is not None and kind.family == "electrolytic":
        _weigh_esr(part, knowledge, bad, good)
    if part.leakage_ratio is not None:
        most = knowledge.value("capacitor_leakage_worn_ratio")
        words = f"leakage {part.leakage_ratio:.2g} times that of a new part"
        (bad if part.leakage_ratio > most else good).append(words)
    if bad:
        return Measured(says="worn", reasons=tuple(bad))
    asked = 2 if kind is not None and kind.family == "electrolytic" else 1
    return Measured(says="sound" if len(good) >= asked else "none", reasons=tuple(good))


def _weigh_value(
    part: BoardPart, kind: CapacitorKind | None, knowledge: Knowledge, bad: list[str], good: list[str]
) -> None:
    printed, found = part.part.capacitance_uf, part.measured_uf
    if printed is None or found is None or kind is None:
        return
    ratio = found / printed
    words = f"{capacitance_words(found)} measured of {capacitance_words(printed)}, {100 * ratio:.0f} %"
    value = knowledge.value
    if kind.family == "electrolytic":
        if ratio > value("capacitor_value_over_ratio"):
            bad.append(f"{words}: it leaks, or the meter was misled in circuit")
        else:
            (bad if ratio < value("capacitor_value_worn_ratio") else good).append(words)
        return
    # Ceramics of class 2 lose value by nature; only what keeps its value is judged by its tolerance.
    off = max(value("capacitor_film_off_ratio"), (part.part.tolerance_percent or 0.0) / 100)
    if kind.grade > 1:
        (bad if abs(ratio - 1) > off else good).append(words)
    else:
        (bad if ratio < value("capacitor_value_worn_ratio") else good).append(words)


def _weigh_esr(part: BoardPart, knowledge: Knowledge, bad: list[str], good: list[str]) -> None:
    found, fresh = part.measured_esr_ohm, part.part.esr_ohm
    if found is None:
        return
    if fresh is not None:
        ratio = found / fresh
        words = f"ESR {found:.3g} ohm, {ratio:.2g} times that of a new part"
        (bad if ratio > knowledge.value("capacitor_esr_worn_ratio") else good).append(words)
        return
    limit = highest_new_esr_ohm(part.part, knowledge)
    # An ESR meter works at 100 kHz, where a sound part shows less than at 120 Hz: above that limit it is surely
    # worn; below it, nothing is known without the figure of a new part.
    if limit is not None and found > limit:
        bad.append(f"ESR {found:.3g} ohm, above the {limit:.2g} ohm that a new part may have at 120 Hz")


def highest_new_esr_ohm(part: CapacitorPart, knowledge: Knowledge) -> float | None:
    """The highest ESR that a new general-purpose part may have at 120 Hz: its loss over its reactance.

    ``None`` where the value or the voltage is not known.
    """
    if part.capacitance_uf is None or part.rated_v is None:
        return None
    rows = sorted(knowledge.capacitor_losses.values(), key=lambda row: row.up_to_v)
    row = next((row for row in rows if row.up_to_v >= part.rated_v), None)
    if row is None:
        return None
    return row.loss_ratio / (2 * math.pi * 120 * part.capacitance_uf * 1e-6)
