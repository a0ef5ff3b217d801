"""Readings that contradict each other or nature: named, and kept out of the answer.

A remark says what can't be right and how to settle it. Readings listed in
``discard`` are not believed; ``doubt`` widens the chance that the rest is misread;
``settled_by`` names the test that settles it; ``withhold`` says that no tube decision
may be built on these readings at all; ``about`` names the fact they contradict.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from tubewright.case import GUNS, Case, Gun, Reading
from tubewright.knowledge.model import Knowledge
from tubewright.physics.cathode import retention_floor

RemarkKind = Literal["impossible", "contradiction", "doubt", "note"]

_LIT_PICTURE = ("raster_too_bright", "retrace_lines", "blooming", "colour_full_on", "spot_at_switch_off")
"""Symptoms that only a tube with beam current can show."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Objection:
    """One thing wrong with the evidence, and what it costs the evidence."""

    kind: RemarkKind
    words: str
    mend: str
    discard: frozenset[int] = frozenset()
    doubt: float = 1.0
    withhold: bool = False
    settled_by: str = ""
    about: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Consistency:
    """Every objection, and their sum."""

    objections: tuple[Objection, ...]

    @property
    def discard(self) -> frozenset[int]:
        """Indices of readings that are not believed."""
        return frozenset().union(*(o.discard for o in self.objections))

    @property
    def doubt(self) -> float:
        """Factor on the odds that a low reading is false."""
        factor = 1.0
        for objection in self.objections:
            factor *= objection.doubt
        return factor

    @property
    def withhold(self) -> bool:
        """Whether the readings can carry no decision."""
        return any(o.withhold for o in self.objections)


def check(case: Case, knowledge: Knowledge) -> Consistency:
    """Look for what can't be right in a case."""
    return Consistency(
        objections=(
            *_zero_cutoff(case),
            *_off_scale(case, knowledge),
            *_slumps(case, knowledge),
            *_all_rise(case, knowledge),
            *_dead_but_bright(case, knowledge),
            *_all_dark(case, knowledge),
            *_starved(case, knowledge),
            *_getter(case, knowledge),
            *_cold(case, knowledge),
            *_heater(case, knowledge),
            *_no_heater_current(case, knowledge),
            *_cutoff_spread(case, knowledge),
        )
    )


def _by_gun(case: Case, kind: str) -> dict[Gun, list[tuple[int, Reading]]]:
    found: dict[Gun, list[tuple[int, Reading]]] = {}
    for index, reading in enumerate(case.readings):
        if reading.kind == kind and reading.gun is not None:
            found.setdefault(reading.gun, []).append((index, reading))
    return found


def _rough_level(reading: Reading) -> float | None:
    """The reading as a fraction of a good gun's, where it can be had without reckoning."""
    if reading.reference:
        return reading.value / reading.reference
    if reading.unit == "rel":
        return reading.value
    if reading.unit == "percent":
        return reading.value / 100.0
    if reading.unit == "div" and reading.full_scale:
        return reading.value / reading.full_scale
    return None


def _zero_cutoff(case: Case) -> Iterator[Objection]:
    for gun, readings in _by_gun(case, "cutoff").items():
        zero = frozenset(i for i, r in readings if r.value == 0)
        if zero:
            yield Objection(
                kind="impossible",
                words=f"A cutoff of zero on {gun}: no gun cuts off at zero bias.",
                mend="Check that the cathode and grid 1 leads make contact, then read the cutoff again.",
                discard=zero,
                doubt=1.5,
            )


def _off_scale(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    for index, reading in enumerate(case.readings):
        if reading.full_scale is not None and reading.value > reading.full_scale:
            yield Objection(
                kind="impossible",
                words=f"Reading {index + 1} ({reading.value:g} {reading.unit}) lies beyond its full scale of "
                f"{reading.full_scale:g}.",
                mend="Read it again on a higher range, or correct the full scale.",
                discard=frozenset({index}),
            )
        level = _rough_level(reading) if reading.kind == "emission" else None
        if level is not None and level > knowledge.value("emission_believable"):
            yield Objection(
                kind="doubt",
                words=f"Emission {level:.2g} times that of the reference gun ({reading.gun}) is more than tubes "
                "of one type differ.",
                mend="Check the reference, the range and the unit.",
                doubt=1.2,
            )


def _slumps(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    rated_v = case.tube.heater_v or knowledge.value("usual_heater_v")
    for gun, readings in _by_gun(case, "emission").items():
        for stage in ("before", "after", None):
            mine = [(i, r) for i, r in readings if r.stage == stage and r.value >= 0]
            full = [(i, r) for i, r in mine if (r.heater_v or rated_v) / rated_v >= knowledge.value("full_heater_from")]
            low = [(i, r) for i, r in mine if (r.heater_v or rated_v) / rated_v < knowledge.value("full_heater_from")]
            for index, reduced in low:
                comparable = [r for _, r in full if r.unit == reduced.unit and r.value > 0]
                if comparable:
                    yield from _one_slump(gun, index, reduced, comparable[-1], rated_v, knowledge)


def _all_rise(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    """More than one gun that rises on less heater: nothing read in this sitting is settled."""
    rising = [o for o in _slumps(case, knowledge) if o.kind == "impossible"]
    guns = {case.readings[i].gun for o in rising for i in o.discard}
    if len(guns) > 1:
        yield Objection(
            kind="contradiction",
            words=f"{len(guns)} guns rise as the heater falls: nothing read in this sitting had settled.",
            mend="Prove the heater's feed and the contacts, warm up for ten minutes, and read all guns again.",
            discard=frozenset(i for i, r in enumerate(case.readings) if r.kind == "emission"),
            withhold=True,
            settled_by="t_heater_vi",
        )


def _one_slump(
    gun: Gun, index: int, reduced: Reading, full: Reading, rated_v: float, knowledge: Knowledge
) -> Iterator[Objection]:
    volts = reduced.heater_v or rated_v
    kept = reduced.value / full.value
    noise = 2 * knowledge.value("repeatability_pair")
    floor = float(retention_floor(volts, full.heater_v or rated_v))
    if kept > 1 + noise:
        yield Objection(
            kind="impossible",
            words=f"Emission of {gun} rises from {full.value:g} to {reduced.value:g} {full.unit} as the heater falls "
            f"to {volts:g} V: a cooler cathode can't give more.",
            mend="Wait two minutes after each change of the heater and read both again; a gun still warming up or a "
            "bad contact looks like this.",
            discard=frozenset({index}),
            doubt=2.0,
        )
    elif kept < floor * (1 - 0.5 * noise):
        yield Objection(
            kind="contradiction",
            words=f"At {volts:g} V {gun} keeps {kept:.2f} of its reading; even a spent cathode keeps {floor:.2f}. "
            "The heater was lower than written, or off.",
            mend="Measure the heater at the socket with a true RMS meter and take the reduced reading again.",
            discard=frozenset({index}),
        )


def _dead_but_bright(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    levels: dict[Gun, list[tuple[int, float]]] = {}
    for gun, readings in _by_gun(case, "emission").items():
        levels[gun] = [(i, level) for i, r in readings if (level := _rough_level(r)) is not None]
    dead = all(levels.get(gun) and max(v for _, v in levels[gun]) < knowledge.value("emission_dead") for gun in GUNS)
    seen = [s.id for s in case.symptoms if s.present and s.id in _LIT_PICTURE]
    denied = [s.id for s in case.symptoms if not s.present and s.id == "raster_dim_all"]
    if dead and (seen or denied):
        sign = "the picture is not dim" if not seen else f"the display shows {seen[0].replace('_', ' ')}"
        yield Objection(
            kind="impossible",
            words=f"All three guns read as dead, yet {sign}: a tube without emission makes no picture.",
            mend="The instrument, its adapter or the socket is at fault: check heater glow, pins and range, and read "
            "all three guns again.",
            discard=frozenset(i for gun in GUNS for i, _ in levels[gun]),
            withhold=True,
        )


def _all_dark(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    """Three readings of nothing on a tube that has no reason to be so spent."""
    levels = {
        gun: [(i, level) for i, r in readings if (level := _rough_level(r)) is not None]
        for gun, readings in _by_gun(case, "emission").items()
    }
    dark = all(
        levels.get(gun) and max(v for _, v in levels[gun]) < knowledge.value("reading_of_nothing") for gun in GUNS
    )
    old = (case.tube.service_hours or 0) >= knowledge.value("hours_that_spend")
    lit = any(r.kind == "heater_current" and r.value > 0 for r in case.readings)
    if dark and not old and not case.tube.restorations and not lit:
        yield Objection(
            kind="doubt",
            words="All three guns read next to nothing, and nothing known of the tube explains it.",
            mend="Prove that the heater draws its current, that pins and socket make contact and that the getter is "
            "not white before the cathodes are blamed.",
            discard=frozenset(i for gun in GUNS for i, _ in levels[gun]),
            withhold=True,
            settled_by="t_heater_vi",
        )


def _starved(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    """Low guns under a heater that is seen to glow dimly: the heater comes before the cathodes."""
    seen = {s.id for s in case.symptoms if s.present}
    proven = any(r.kind in {"heater_current", "heater_voltage"} for r in case.readings) or any(
        t.id in {"d_heater_rms", "t_heater_vi"} for t in case.tests
    )
    levels = {
        gun: [(i, level) for i, r in readings if (level := _rough_level(r)) is not None]
        for gun, readings in _by_gun(case, "emission").items()
    }
    low = len(levels) == len(GUNS) and all(
        found and max(v for _, v in found) < knowledge.value("emission_weak") for found in levels.values()
    )
    if low and not proven and seen & {"heater_glow_dim", "no_heater_glow"}:
        yield Objection(
            kind="doubt",
            words="The heater hardly glows, and all three guns read low: a starved heater, or air in the tube, reads "
            "like spent cathodes.",
            mend="Measure the heater's voltage and current, and look at the getter, before the cathodes are blamed.",
            discard=frozenset(i for found in levels.values() for i, _ in found),
            withhold=True,
            settled_by="t_heater_vi",
        )


def _getter(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    if case.tube.getter != "white":
        return
    alive = [
        gun
        for gun, readings in _by_gun(case, "emission").items()
        if any((_rough_level(r) or 0.0) >= knowledge.value("emission_weak") for _, r in readings)
    ]
    if alive:
        yield Objection(
            kind="contradiction",
            words=f"The getter is said to be white, yet {' and '.join(alive)} give emission: a tube full of air gives "
            "none.",
            mend="Look at the getter again in good light: a thin or grey mirror is not a white one.",
            about="getter",
        )


def _cold(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    least = knowledge.value("warm_minutes_least")
    emission = [(i, r) for i, r in enumerate(case.readings) if r.kind == "emission"]
    cold = [(i, r) for i, r in emission if r.minutes_on is not None and r.minutes_on < least]
    if not cold or len(cold) < len(emission):
        return
    levels = [level for _, r in cold if (level := _rough_level(r)) is not None]
    # A cold gun only gains by warming up: a good reading stands, a low one says nothing.
    low = not levels or min(levels) < knowledge.value("emission_good")
    yield Objection(
        kind="doubt",
        words=f"The emission was read less than {least:g} minutes after switching on.",
        mend="Read it again at 10 minutes.",
        discard=frozenset(i for i, _ in cold) if low else frozenset(),
        withhold=low,
        settled_by="t_emission" if low else "",
    )


def _heater(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    rated_v = case.tube.heater_v or knowledge.value("usual_heater_v")
    limit = knowledge.value("heater_never_above")
    for reading in case.readings:
        if reading.kind == "emission" and reading.heater_v is not None and reading.heater_v > limit * rated_v:
            yield Objection(
                kind="doubt",
                words=f"{reading.heater_v:g} V on a {rated_v:g} V heater would harm it.",
                mend="Check the heater voltage written with the reading; don't repeat it.",
            )
            return


def _no_heater_current(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    values = [(i, r) for i, r in enumerate(case.readings) if r.kind == "heater_current"]
    dead = knowledge.value("heater_current_none_a")
    if values and all(r.value * (1e-3 if r.unit == "mA" else 1.0) < dead for _, r in values):
        yield Objection(
            kind="contradiction",
            words="No heater current flows, so what the guns read says nothing of their cathodes.",
            mend="Prove socket, pins and base solder first; then measure the heater at the bare pins: only that "
            "tells an open heater.",
            discard=frozenset(i for i, r in enumerate(case.readings) if r.kind in {"emission", "cutoff"}),
            withhold=True,
            settled_by="p_heater_ohm",
        )


def _cutoff_spread(case: Case, knowledge: Knowledge) -> Iterator[Objection]:
    read = _by_gun(case, "cutoff")
    at_g2 = [r.g2_v for rs in read.values() for _, r in rs]
    common = max(set(at_g2), key=at_g2.count, default=None)
    values = {gun: [r.value for _, r in rs if r.value > 0 and r.g2_v == common] for gun, rs in read.items()}
    cutoffs = {gun: sum(v) / len(v) for gun, v in values.items() if v}
    if len(cutoffs) < 2:
        return
    spread = max(cutoffs.values()) / min(cutoffs.values())
    if spread > knowledge.value("cutoff_spread_struggle"):
        low = min(cutoffs, key=lambda gun: cutoffs[gun])
        yield Objection(
            kind="doubt",
            words=f"The cutoffs differ by a factor of {spread:.2f} ({low} is lowest): more than one tube's guns do.",
            mend="Exclude leakage and a wrong pin before believing the readings.",
            doubt=1.5,
        )
