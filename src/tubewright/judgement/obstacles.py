"""What stands in the way: hard stops that end a tube, and shorts or gas that must go first.

A hard stop ends in another tube or in the parts bin, whatever the emission. An
obstacle forbids treatment of the cathode until it is out of the way, and names what
may remove it, in the order to try.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from tubewright.case import Case, Gun, Reading, ReadingKind, TreatmentKind
from tubewright.judgement.consistency import Consistency
from tubewright.judgement.readings import current_readings
from tubewright.knowledge.model import Knowledge


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One way to remove an obstacle, with its odds and its risk to the tube."""

    kind: TreatmentKind
    success: float
    loss: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """Something that makes the gun unusable until it is removed."""

    what: str
    gun: Gun | None
    words: str
    remedies: tuple[Remedy, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacles:
    """Everything that stands in the way of a treatment.

    ``certainty`` is the chance that the hard stops are true: what was looked at and
    proven, or what the diagnosis concludes.
    """

    hard_stops: tuple[str, ...]
    certainty: float
    to_remove: tuple[Obstacle, ...]


def find_obstacles(
    case: Case, consistency: Consistency, knowledge: Knowledge, posteriors: Mapping[str, float]
) -> Obstacles:
    """Look for hard stops and removable obstacles.

    Args:
        case: The case.
        consistency: What of it is not believed.
        knowledge: The trade's constants and treatments.
        posteriors: Chance of each fault from the diagnosis.
    """
    readings = current_readings(
        (r for i, r in enumerate(case.readings) if i not in consistency.discard), knowledge.value("sitting_days")
    )
    obstacles = (*_shorts(case, readings, knowledge), *_gas(case, readings, knowledge))
    stops = [*_visible(case, consistency), *_by_test(case)]
    stops += [o.words for o in obstacles if not o.remedies]
    stops += _spent(case, readings, knowledge)
    certainty = knowledge.value("proven_sure") if stops else 0.0
    if not stops:
        sure = knowledge.value("hard_stop_sure")
        concluded = {fault: posteriors.get(fault, 0.0) for fault in _HOPELESS}
        stops += [words for fault, words in _HOPELESS.items() if concluded[fault] >= sure]
        certainty = max(concluded.values())
    return Obstacles(hard_stops=tuple(stops), certainty=certainty, to_remove=tuple(o for o in obstacles if o.remedies))


def leakage_words(kind: ReadingKind, mohm: float, knowledge: Knowledge) -> str:
    """The class of one leakage reading, in words."""
    pair = _PAIRS[kind]
    if pair != "g1g2" and mohm < knowledge.value(f"leakage_{pair}_short_mohm"):
        return "short"
    if mohm < knowledge.value(f"leakage_{pair}_bad_mohm"):
        return "leaks"
    if mohm < knowledge.value(f"leakage_{pair}_good_mohm"):
        return "watch"
    return "sound"


_PAIRS: dict[ReadingKind, str] = {
    "leakage_heater_cathode": "hk",
    "leakage_cathode_grid1": "kg1",
    "leakage_grid1_grid2": "g1g2",
}


def _tried(case: Case, kind: TreatmentKind, gun: Gun | None) -> bool:
    """Whether a treatment has been tried on this gun without help."""
    return any(
        t.kind == kind and t.outcome in {"unchanged", "worse"} and (t.gun is None or gun is None or t.gun == gun)
        for t in case.treatments
    )


def _done(case: Case, kind: TreatmentKind, gun: Gun | None) -> bool:
    return any(
        t.kind == kind and t.outcome == "improved" and (t.gun is None or gun is None or t.gun == gun)
        for t in case.treatments
    )


def _remedies(
    case: Case, gun: Gun | None, knowledge: Knowledge, wanted: tuple[tuple[TreatmentKind, float], ...]
) -> tuple[Remedy, ...]:
    return tuple(
        Remedy(kind=kind, success=success, loss=knowledge.treatments[kind].risk_of_loss)
        for kind, success in wanted
        if not _tried(case, kind, gun)
    )


def _shorts(case: Case, readings: list[Reading], knowledge: Knowledge) -> Iterator[Obstacle]:
    worst: dict[tuple[ReadingKind, Gun | None], float] = {}
    for reading in readings:
        if reading.kind in _PAIRS:
            key = (reading.kind, reading.gun)
            worst[key] = min(worst.get(key, reading.value), reading.value)
    for (kind, gun), mohm in worst.items():
        words = leakage_words(kind, mohm, knowledge)
        name = f"{gun} gun" if gun else "tube"
        if kind == "leakage_heater_cathode" and (words == "short" or (words == "leaks" and _leak_is_seen(case))):
            if _done(case, "isolate_heater", gun):
                continue
            yield Obstacle(
                what="heater-cathode short" if words == "short" else "heater-cathode leakage",
                gun=gun,
                words=f"Heater and cathode of the {name} touch ({mohm:g} Mohm), and neither clearing nor an isolated "
                "heater feed helped."
                if _tried(case, "isolate_heater", gun)
                else f"Heater and cathode of the {name} {'touch' if words == 'short' else 'leak'} ({mohm:g} Mohm).",
                remedies=()
                if _tried(case, "isolate_heater", gun)
                else _remedies(
                    case,
                    gun,
                    knowledge,
                    (
                        ("isolate_heater", knowledge.treatments["isolate_heater"].odds_worn),
                        ("clear_short", knowledge.value("clear_short_hk")),
                    ),
                ),
            )
        elif kind == "leakage_cathode_grid1" and words == "short":
            remedies = _remedies(
                case, gun, knowledge, (("clear_short", knowledge.treatments["clear_short"].odds_worn),)
            )
            yield Obstacle(
                what="cathode-grid short",
                gun=gun,
                words=f"Cathode and grid 1 of the {name} are shorted ({mohm:g} Mohm)"
                + ("." if remedies else " and clearing did not help."),
                remedies=remedies,
            )
        elif kind == "leakage_grid1_grid2" and words == "leaks":
            remedies = _remedies(
                case,
                gun,
                knowledge,
                (
                    ("clean_contacts", knowledge.value("clean_contacts_g1g2")),
                    ("clear_short", knowledge.treatments["clear_short"].odds_worn),
                ),
            )
            yield Obstacle(
                what="grid 1 to grid 2 leakage",
                gun=gun,
                words=f"Grid 1 leaks to grid 2 ({mohm:g} Mohm)"
                + ("; base and socket dirt is the usual culprit." if remedies else ", and nothing cleared it."),
                remedies=remedies,
            )


def _leak_is_seen(case: Case) -> bool:
    seen = {s.id for s in case.symptoms if s.present}
    return bool(seen & {"tint_in_darks", "hum_bars", "colour_smear", "colour_full_on", "retrace_lines"})


def _gas(case: Case, readings: list[Reading], knowledge: Knowledge) -> Iterator[Obstacle]:
    values = [r.value for r in readings if r.kind == "gas"]
    if values and max(values) >= knowledge.value("gas_bad_ua"):
        remedies = (
            ()
            if _tried(case, "soak", None)
            else (
                Remedy(
                    kind="soak",
                    success=knowledge.value("soak_clears_gas"),
                    loss=knowledge.treatments["soak"].risk_of_loss,
                ),
            )
        )
        yield Obstacle(
            what="gas",
            gun=None,
            words=f"Gas current {max(values):g} uA"
            + ("; a long soak may bind a trace." if remedies else " after a long soak: the vacuum is failing."),
            remedies=remedies,
        )


def _visible(case: Case, consistency: Consistency) -> Iterator[str]:
    if case.tube.neck == "cracked":
        yield "The neck is cracked: the tube is unsafe and its vacuum is lost or soon will be."
    contradicted = any(o.about == "getter" for o in consistency.objections)
    white = case.tube.getter == "white" or any(s.id == "getter_white" and s.present for s in case.symptoms)
    if white and not contradicted:
        yield "The getter is white: air has got in, and no treatment brings a vacuum back."


SETTLING_TESTS = {
    ("p_heater_ohm", "open"): "The heater is open at the bare pins: nothing mends it.",
    ("v_neck_glass", "crack"): "The glass is cracked: the tube is unsafe.",
    ("v_neck_glass", "cracked"): "The glass is cracked: the tube is unsafe.",
    ("v_getter", "white"): "The getter is white: air has got in, and no treatment brings a vacuum back.",
}


_HOPELESS = {
    "tube_air": "Everything points to air in the tube: no treatment brings a vacuum back.",
    "tube_heater_open": "Everything points to an open heater: nothing mends it.",
    "tube_mask_damage": "Everything points to a bent or loose shadow mask: nothing mends it.",
}
"""Faults of the tube that end it, once the diagnosis is sure of them."""


def _by_test(case: Case) -> Iterator[str]:
    for test in case.tests:
        words = SETTLING_TESTS.get((test.id, test.result or ""))
        if words:
            yield words


def _spent(case: Case, readings: list[Reading], knowledge: Knowledge) -> list[str]:
    """Two or more guns still dead after a proper treatment."""
    treated = {
        t.gun for t in case.treatments if t.kind in {"clean", "activate"} and t.outcome in {"unchanged", "worse"}
    }
    dead = {
        r.gun
        for r in readings
        if r.kind == "emission"
        and r.gun is not None
        and (r.gun in treated or None in treated)
        and (r.value / (r.reference or {"percent": 100.0}.get(r.unit, 1.0))) < knowledge.value("emission_dead")
        and (r.reference is not None or r.unit in {"rel", "percent"})
    }
    if len(dead) >= 2:
        return [f"{len(dead)} guns stay dead after treatment: the cathodes are spent."]
    return []
