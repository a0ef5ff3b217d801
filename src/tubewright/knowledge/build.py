"""From checked entries to the types that the rest of the house uses."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from tubewright.knowledge.chassis import Control, SetupStep
from tubewright.knowledge.facts_text import Entry
from tubewright.knowledge.further import woven
from tubewright.knowledge.model import (
    HANDS_IN,
    BenchTest,
    Caution,
    Constant,
    FaultCause,
    HazardClass,
    Knowledge,
    LabelGrammar,
    LabelLetter,
    LabelPhosphor,
    LabelSize,
    NamedResult,
    PhosphorSet,
    RasterFacts,
    Source,
    Symptom,
    TreatmentFacts,
)
from tubewright.knowledge.parts import CapacitorKind, CapacitorLoss, CapacitorPlace, CapacitorStage, LevelStandard
from tubewright.knowledge.profiles import chassis_of
from tubewright.knowledge.shapes import SUBSYSTEMS


def assemble(entries: Iterable[Entry]) -> Knowledge:
    """The knowledge that these entries hold; their shapes and links have been checked."""
    by_table: dict[str, list[Entry]] = {}
    for entry in woven(entries):
        by_table.setdefault(entry.table, []).append(entry)

    def of(table: str) -> list[Entry]:
        return by_table.get(table, [])

    hazards = {
        entry.id: HazardClass(**{**entry.values, "cautions": tuple(entry.values.get("cautions", ()))})
        for entry in of("hazard")
    }
    faults = {entry.id: _fault(entry, hazards) for entry in of("fault")}
    groups = {entry.id: tuple(entry.values["faults"]) for entry in of("group")}
    for subsystem in SUBSYSTEMS:
        groups[subsystem] = tuple(fault.id for fault in faults.values() if fault.subsystem == subsystem)
    for entry in of("fault"):
        for group in entry.values.get("groups", ()):
            groups[group] = (*groups[group], entry.id)
    holds = {entry.id: entry for entry in of("hold")}
    tests = {entry.id: _test(entry, faults, groups, hazards) for entry in of("test")}
    return Knowledge(
        sources={entry.id: Source(**{"edition": "", "year": None, **entry.values}) for entry in of("source")},
        constants={
            entry.id: Constant(**{"locator": "", **entry.values, "value": float(entry.values["value"])})
            for entry in of("constant")
        },
        cautions={entry.id: _caution(entry, holds.get(entry.id)) for entry in of("caution")},
        hazards=hazards,
        symptoms={entry.id: _symptom(entry) for entry in of("symptom")},
        faults=faults,
        tests=tests,
        treatments={entry.id: _treatment(entry, hazards) for entry in of("treatment")},
        controls={
            entry.id: Control(**{**entry.values, "cautions": _cautions(entry.values, hazards)})
            for entry in of("control")
        },
        setup_steps={
            entry.id: SetupStep(**{**_tupled(entry.values), "place": entry.values["place"]})
            for entry in of("setup_step")
        },
        chassis=chassis_of({entry.id: entry for entry in of("chassis")}, tests),
        phosphors={
            entry.id: PhosphorSet(
                **{**entry.values, "primaries_xy": tuple((float(x), float(y)) for x, y in entry.values["primaries_xy"])}
            )
            for entry in of("phosphor")
        },
        labels={entry.id: LabelGrammar(**entry.values) for entry in of("label")},
        label_letters={entry.id: LabelLetter(**entry.values) for entry in of("label_letter")},
        label_phosphors={entry.id: LabelPhosphor(**entry.values) for entry in of("label_phosphor")},
        label_sizes={entry.id: LabelSize(**entry.values) for entry in of("label_size")},
        capacitor_kinds={entry.id: _capacitor_kind(entry) for entry in of("capacitor_kind")},
        capacitor_places={entry.id: _capacitor_place(entry) for entry in of("capacitor_place")},
        capacitor_stages={
            entry.id: CapacitorStage(**{"tests": (), **_tupled(entry.values)}) for entry in of("capacitor_stage")
        },
        capacitor_losses={entry.id: CapacitorLoss(**_tupled(entry.values)) for entry in of("capacitor_loss")},
        level_standards={
            entry.id: LevelStandard(**{"note": "", **_tupled(entry.values)}) for entry in of("level_standard")
        },
        rasters={
            entry.id: RasterFacts(**{**entry.values, "pixel_clock_hz": float(entry.values["pixel_clock_hz"])})
            for entry in of("raster")
        },
    )


def _caution(entry: Entry, hold: Entry | None) -> Caution:
    if hold is None:
        return Caution(**entry.values)
    values = hold.values
    minutes = values.get("minutes")
    return Caution(
        **entry.values,
        holds=values["holds"],
        holds_minutes=None if minutes is None else float(minutes),
        undone_by=tuple(values.get("undone_by", ())),
        asked=values.get("asked", "before"),
    )


def _symptom(entry: Entry) -> Symptom:
    return Symptom(**{**entry.values, "also_said": tuple(entry.values.get("also_said", ()))})


def _fault(entry: Entry, hazards: Mapping[str, HazardClass]) -> FaultCause:
    values = entry.values
    # What harms nobody is judged or accepted, not mended by hand.
    hands_in = () if values["hazard"] == "H0" else HANDS_IN
    own = tuple(values.get("cautions", ()))
    return FaultCause(
        **{
            **{name: value for name, value in values.items() if name != "groups"},
            "per_1000": float(values["per_1000"]),
            "shows": {symptom: float(chance) for symptom, chance in values["shows"].items()},
            "minutes": float(values["minutes"]),
            "parts": tuple(values["parts"]),
            "cautions": _cautions({**values, "cautions": (*hands_in, *own)}, hazards),
            "treatments": tuple(values.get("treatments", ())),
        }
    )


def _test(
    entry: Entry,
    faults: Mapping[str, FaultCause],
    groups: Mapping[str, tuple[str, ...]],
    hazards: Mapping[str, HazardClass],
) -> BenchTest:
    values = entry.values
    refinements: dict[str, set[str]] = {}
    for result in entry.inner:
        refinements.setdefault(result.values.get("refines", ""), set()).add(result.id)
    citing = {fault.id: fault.confirmed_by[entry.id] for fault in faults.values() if entry.id in fault.confirmed_by}
    return BenchTest(
        **{
            **values,
            "minutes": float(values["minutes"]),
            "cautions": _cautions(values, hazards),
            "results": tuple(
                _result(result, citing, {result.id} | refinements.get(result.id, set()), groups)
                for result in entry.inner
            ),
        }
    )


def _result(
    entry: Entry, citing: Mapping[str, str], same: set[str], groups: Mapping[str, tuple[str, ...]]
) -> NamedResult:
    values = dict(entry.values)
    ratios: dict[str, float] = {}
    # From the widest statement to the narrowest: the later one wins.
    for group, ratio in values.pop("groups", {}).items():
        ratios.update(dict.fromkeys(groups[group], float(ratio)))
    for_citing, for_confirming = values.pop("citing", None), values.pop("confirming", None)
    if for_citing is not None:
        ratios.update(dict.fromkeys(citing, float(for_citing)))
    if for_confirming is not None:
        ratios.update({fault: float(for_confirming) for fault, result in citing.items() if result in same})
    ratios.update({fault: float(ratio) for fault, ratio in values.pop("odds", {}).items()})
    for bound in ("at_least", "below"):
        if bound in values:
            values[bound] = float(values[bound])
    return NamedResult(**values, odds_ratios=ratios)


def _treatment(entry: Entry, hazards: Mapping[str, HazardClass]) -> TreatmentFacts:
    values: dict[str, Any] = {
        name: float(value) if isinstance(value, int) else value for name, value in entry.values.items()
    }
    kind_id = values.pop("id")
    return TreatmentFacts(**{**values, "kind_id": kind_id, "cautions": _cautions(entry.values, hazards)})


def _cautions(values: Mapping[str, object], hazards: Mapping[str, HazardClass]) -> tuple[str, ...]:
    """The cautions of a step's hazard class, then its own, each once."""
    own = values.get("cautions", ())
    assert isinstance(own, list | tuple)  # noqa: S101  the shape has been checked
    return tuple(dict.fromkeys((*hazards[str(values["hazard"])].cautions, *own)))


def _tupled(values: Mapping[str, Any]) -> dict[str, Any]:
    """The values with lists as tuples, and whole numbers as floats but for what counts."""
    out: dict[str, Any] = {}
    for name, value in values.items():
        if isinstance(value, list):
            out[name] = tuple(float(item) if isinstance(item, int) else item for item in value)
        elif isinstance(value, int) and not isinstance(value, bool) and name not in {"grade", "turn"}:
            out[name] = float(value)
        else:
            out[name] = value
    return out


def _capacitor_kind(entry: Entry) -> CapacitorKind:
    left_out: dict[str, Any] = dict.fromkeys(("dries", "low_esr", "low_leakage", "pulse", "safety"), False)
    return CapacitorKind(**{**left_out, "rated_v": (), "usual_life_hours": 0.0, **_tupled(entry.values)})


def _capacitor_place(entry: Entry) -> CapacitorPlace:
    flags = ("needs_low_esr", "needs_low_leakage", "same_kind", "untouchable", "safety")
    left_out: dict[str, Any] = dict.fromkeys(flags, False)
    return CapacitorPlace(**{**left_out, "least_c": 0.0, "cautions": (), **_tupled(entry.values)})
