"""What a person would write down of a simulated tube: a case, with all that goes wrong on the way.

Testers differ in gain, scale_exponent and scale; their heater supply is off by a few
percent and the base adds a contact; a person reads to five or eight percent and
rounds to the marks; half of them skip the reduced-heater reading, some the
cutoffs, some the reference; one note in a few dozen is plainly wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from tubewright.case import GUNS, Case, Costs, Display, Reading, Symptom, TestResult, Tube, Unit, Use
from tubewright.simulate.tube_truth import (
    REFERENCE_CUTOFF_V,
    REFERENCE_G2_V,
    TINT_RATIO,
    Array,
    SimulatedTube,
    gun_current,
    heater_ratio_in_set,
    reference_current,
    relative_emission_truth,
    ring_supply,
    tracking_truth,
    usable,
    white_in_set_truth,
    zero_bias_demand,
)

REFERENCE_UA: Final = 3.0 * REFERENCE_CUTOFF_V**1.5  # from memory: zero-bias current of a good gun, 3 uA per V^1.5
Scale = Literal["uA", "mA", "percent", "div"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """One tube tester with its hidden faults, and what its owner knows of it.

    ``share`` is the part of the zero-bias current that this box's circuit lets
    through, ``scale_exponent`` the power its scale follows (1 is straight),
    ``heater_ratio_true`` the true heater voltage over what its meter shows.
    ``reference`` is what known-good guns read on it, in its unit, if its owner
    has noted that; ``reference_cutoff_v`` their cutoff.
    """

    name: str
    unit: Scale
    full_scale: float
    step_share: float
    share: float
    scale_exponent: float
    full_scale_ua: float
    g2_v: float
    g2_written_v: float
    heater_ratio_true: float
    reading_sd: float
    reference: float | None
    reference_cutoff_v: float | None
    writes_rel: bool


def draw_box(rng: np.random.Generator) -> Box:
    """A tester somebody owns. Source of the spreads: from memory (estimate)."""
    unit: Scale = ("uA", "mA", "percent", "div")[int(rng.choice(4, p=[0.35, 0.1, 0.35, 0.2]))]
    full_scale = {"uA": 2000.0, "mA": 2.0, "percent": 100.0, "div": float(rng.choice([10.0, 50.0]))}[unit]
    step_share = {"uA": 0.005, "mA": 0.01, "percent": 0.01, "div": 0.02}[unit]  # of full scale, as finely as one reads
    g2 = float(rng.choice([250.0, 300.0, 350.0]))
    box = Box(
        name=f"box {rng.integers(1, 30)}",
        unit=unit,
        full_scale=full_scale,
        step_share=step_share,
        share=float(np.clip(rng.normal(0.8, 0.12), 0.4, 1.0)),
        scale_exponent=float(np.clip(rng.normal(1.0, 0.07), 0.85, 1.2)),
        full_scale_ua=2000.0
        if unit in {"uA", "mA"}
        else float(rng.uniform(1100.0, 1700.0) * (g2 / REFERENCE_G2_V) ** 1.5),  # made so that new tubes fit the scale
        g2_v=g2 * float(np.exp(0.03 * rng.standard_normal())),
        g2_written_v=g2,
        heater_ratio_true=float(np.exp(0.015 * rng.standard_normal())),
        reading_sd=float(rng.uniform(0.04, 0.08)),
        reference=None,
        reference_cutoff_v=None,
        writes_rel=bool(rng.random() < 0.25),
    )
    if rng.random() < 0.75:
        box = _with_reference(box, rng, cutoff_too=bool(rng.random() < 0.8))
    return box


def bench_visit(
    tube: SimulatedTube,
    rng: np.random.Generator,
    *,
    box: Box | None = None,
    pins_cleaned: bool | None = None,
    set_measured: bool = False,
) -> Case:
    """One bench visit to a tube, as the case that a person would write.

    Args:
        tube: The tube with its truth.
        rng: Where chance comes from; the same state gives the same case.
        box: The tester; one is drawn if none is given. Give the same box again to re-read after a treatment.
        pins_cleaned: Whether base and socket were cleaned before reading; half of the people do so unasked.
        set_measured: Whether the voltages in the set are certainly measured, as after a hunt for a fault there.

    Returns:
        A valid case; most of its fields may be missing.
    """
    box = draw_box(rng) if box is None else box
    clean = bool(rng.random() < 0.5) if pins_cleaned is None else pins_cleaned
    owner = tube.owner
    return Case(
        format=1,
        display=Display(label="Salt Wharf arcade", diagonal_in=float(rng.choice([14, 19, 20, 25])), scan_khz=15.7),
        tube=_tube_notes(tube, rng),
        use=Use(
            hours_per_week=owner.hours_per_week,
            keep_years=owner.keep_years,
            minimum_white=owner.minimum_white,
            white_point=owner.white_point,
        ),
        costs=Costs(
            currency="EUR",
            bench_rate_per_hour=owner.bench_rate_per_hour,
            replacement_tube=owner.replacement_tube_price,
            replacement_display=owner.replacement_display_price,
            parts_value=owner.parts_worth,
        ),
        readings=_readings(tube, box, rng, clean=clean),
        symptoms=_symptoms(tube, rng),
        tests=_tests(tube, rng, clean=clean, set_measured=set_measured),
    )


def shown(tube: SimulatedTube, box: Box, *, heater_ratio: float, minutes_on: float, clean: bool = True) -> Array:
    """What the box's needle points at for each gun before a person reads it, in its unit, (3,)."""
    supply = ring_supply(tube, heater_ratio=heater_ratio)
    current = gun_current(supply, zero_bias_demand(tube.cutoff_v, box.g2_v), tube.knee) / reference_current()
    if tube.elsewhere == "socket_dirty" and not clean:
        current[tube.elsewhere_gun] *= tube.elsewhere_left_share
    # Worn and poisoned cathodes come up slower: minutes rather than seconds. From memory (estimate).
    slowness_min = 1.2 + 0.5 * np.minimum(tube.wear_log + tube.poison_log, 6.0)
    warm = 1.0 - 0.5 * np.exp(-minutes_on / slowness_min)
    return _needle(current * warm, box)


def _needle(current: Array, box: Box) -> Array:
    part = np.maximum(current, 0.0) * box.share * REFERENCE_UA / box.full_scale_ua
    return np.asarray(np.minimum(part**box.scale_exponent, 1.0) * box.full_scale, dtype=np.float64)


def _with_reference(box: Box, rng: np.random.Generator, *, cutoff_too: bool) -> Box:
    """Five guns known to be good, read by the same person on the same box; their medians."""
    cutoff = REFERENCE_CUTOFF_V * np.exp(0.10 * rng.standard_normal(5))
    current = np.exp(0.08 * rng.standard_normal(5)) * zero_bias_demand(cutoff, box.g2_v)
    marks = _needle(current, box) * np.exp(box.reading_sd * rng.standard_normal(5))
    fields = {name: getattr(box, name) for name in Box.__slots__}
    fields["reference"] = _rounded(float(np.median(marks)), box.full_scale * box.step_share)
    fields["reference_cutoff_v"] = (
        float(np.round(np.median(cutoff) * box.g2_v / REFERENCE_G2_V)) if cutoff_too else None
    )
    return Box(**fields)


def _readings(tube: SimulatedTube, box: Box, rng: np.random.Generator, *, clean: bool) -> tuple[Reading, ...]:
    contact = 1.0 - abs(rng.normal(0.0, 0.008))  # contact resistance at the base; from memory (estimate)
    minutes = float(rng.choice([3.0, 5.0, 10.0, 15.0], p=[0.1, 0.45, 0.3, 0.15]))
    minutes_noted = rng.random() < 0.7
    heater_noted = rng.random() < 0.8
    cutoffs = _cutoffs(tube, box, rng)
    absent = {int(rng.integers(3))} if rng.random() < 0.04 else set()
    swap = rng.permutation(3) if rng.random() < 0.012 else np.arange(3)
    rel = box.writes_rel and box.reference is not None and box.reference_cutoff_v is not None and None not in cutoffs

    out: list[Reading] = []

    def take(heater_written_v: float, minutes_on: float) -> None:
        ratio = heater_written_v / tube.heater_v * box.heater_ratio_true * contact
        marks = shown(tube, box, heater_ratio=ratio, minutes_on=minutes_on, clean=clean)
        marks = marks * np.exp(box.reading_sd * rng.standard_normal(3))
        written_v = heater_written_v
        if heater_written_v != tube.heater_v and rng.random() < 0.03:
            written_v = round(heater_written_v + 0.4, 1)  # the wrong one of two notes
        for place, gun in enumerate(GUNS):
            if place in absent:
                continue
            value = _rounded(float(min(marks[swap[place]], box.full_scale)), box.full_scale * box.step_share)
            if rng.random() < 0.003:
                value = value / 10.0  # a slipped decimal point
            unit: Unit = box.unit
            reference, reference_cutoff = box.reference, box.reference_cutoff_v
            cutoff = cutoffs[place]
            if rel and cutoff is not None and box.reference is not None and box.reference_cutoff_v is not None:
                value = round(value / box.reference * (box.reference_cutoff_v / cutoff) ** 1.5, 2)
                unit, reference, reference_cutoff = "rel", 1.0, None
            out.append(
                Reading(
                    gun=gun,
                    kind="emission",
                    value=value,
                    unit=unit,
                    reference=reference,
                    reference_cutoff_v=reference_cutoff,
                    full_scale=box.full_scale if unit in {"percent", "div"} else None,
                    g2_v=box.g2_written_v,
                    heater_v=written_v if heater_noted or heater_written_v != tube.heater_v else None,
                    minutes_on=minutes_on if minutes_noted else None,
                    instrument=box.name,
                )
            )

    take(tube.heater_v, minutes)
    if rng.random() < 0.25:
        minutes_noted = True
        take(tube.heater_v, minutes + 10.0)
    if rng.random() < 0.55:
        take(round(tube.heater_v * float(rng.choice([0.90, 0.873, 0.85])), 1), minutes + 12.0)
    for place, gun in enumerate(GUNS):
        cutoff = cutoffs[place]
        if cutoff is not None:
            out.append(Reading(gun=gun, kind="cutoff", value=cutoff, unit="V", g2_v=box.g2_written_v))
    out.extend(_leakage_readings(tube, rng))
    out.extend(_heater_readings(tube, rng))
    return tuple(out)


def _cutoffs(tube: SimulatedTube, box: Box, rng: np.random.Generator) -> list[float | None]:
    """Cutoffs as read, V; all missing where the person doesn't read them, one where the gun is dead."""
    if rng.random() < 0.4:
        return [None, None, None]
    true = tube.cutoff_v * box.g2_v / REFERENCE_G2_V * np.exp(0.03 * rng.standard_normal(3))
    step = float(rng.choice([1.0, 2.0, 5.0], p=[0.6, 0.25, 0.15]))
    return [None if tube.lost[g] else _rounded(float(true[g]), step) for g in range(3)]


def _leakage_readings(tube: SimulatedTube, rng: np.random.Generator) -> list[Reading]:
    out: list[Reading] = []
    suspicious = bool((tube.leak_heater_cathode_mohm < 1).any() or (tube.leak_cathode_grid1_mohm < 1).any())
    if rng.random() < (0.9 if suspicious else 0.4):
        read = np.exp(0.15 * rng.standard_normal((2, 3)))
        for place, gun in enumerate(GUNS):
            hk = min(float(tube.leak_heater_cathode_mohm[place] * read[0, place]), 100.0)
            kg = min(float(tube.leak_cathode_grid1_mohm[place] * read[1, place]), 100.0)
            out.append(Reading(gun=gun, kind="leakage_heater_cathode", value=float(f"{hk:.2g}"), unit="Mohm"))
            out.append(Reading(gun=gun, kind="leakage_cathode_grid1", value=float(f"{kg:.2g}"), unit="Mohm"))
        out.append(
            Reading(
                kind="leakage_grid1_grid2", value=float(f"{min(tube.leak_grid1_grid2_mohm, 200.0):.2g}"), unit="Mohm"
            )
        )
    if rng.random() < (0.6 if tube.gas_ua > 1.0 else 0.15):
        out.append(
            Reading(kind="gas", value=round(float(tube.gas_ua * np.exp(0.2 * rng.standard_normal())), 2), unit="uA")
        )
    return out


def _heater_readings(tube: SimulatedTube, rng: np.random.Generator) -> list[Reading]:
    dead = bool(tube.lost.all())
    if rng.random() > (0.95 if dead else 0.3):
        return []
    current = 0.65 * float(np.exp(0.05 * rng.standard_normal())) * 6.3 / tube.heater_v
    if tube.stop == "heater_open":
        current = 0.0
    elif tube.stop == "air":
        current *= 1.14  # gas cools the heater, so that it draws more; from memory (estimate)
    return [Reading(kind="heater_current", value=round(current, 2), unit="A", heater_v=tube.heater_v)]


def _tube_notes(tube: SimulatedTube, rng: np.random.Generator) -> Tube:
    getter: Literal["silver", "white", "unseen"] | None = None
    if rng.random() < (0.95 if tube.stop == "air" else 0.7):
        getter = "white" if tube.stop == "air" else ("silver" if rng.random() < 0.9 else "unseen")
    hours_guess = tube.service_hours * float(np.exp(0.4 * rng.standard_normal()))
    return Tube(
        label=None,
        gun="inline",
        heater_v=tube.heater_v if rng.random() < 0.9 else None,
        service_hours=float(f"{hours_guess:.1g}") if rng.random() < 0.35 else None,
        idle_years=float(round(tube.idle_years)) if rng.random() < (0.75 if tube.idle_years > 1 else 0.4) else None,
        restorations=tube.restorations if rng.random() < 0.65 else None,
        burn=round(tube.burn, 2) if rng.random() < 0.5 else None,
        getter=getter,
        neck="cracked" if tube.stop == "neck_cracked" else ("sound" if rng.random() < 0.6 else None),
    )


def _symptoms(tube: SimulatedTube, rng: np.random.Generator) -> tuple[Symptom, ...]:
    """What is seen of the tube in its set. Source of the chances: from memory (estimate)."""
    seen: dict[str, float] = {}
    white = white_in_set_truth(tube)
    dead = bool(tube.lost.all())
    heater = heater_ratio_in_set(tube)
    full_on = bool((tube.leak_heater_cathode_mohm < 0.05).any() or (tube.leak_cathode_grid1_mohm < 0.05).any())
    emission = gun_current(ring_supply(tube, heater_ratio=heater), 1.0, tube.knee)
    tracking = tracking_truth(tube)
    if dead:
        seen |= {"no_raster_hv_ok": 0.9, "no_heater_glow": 0.7 if tube.stop == "heater_open" else 0.0}
        seen |= {"getter_white": 0.9 if tube.stop == "air" else 0.0}
    elif full_on:
        seen |= {"colour_full_on": 0.8, "retrace_lines": 0.6}
    else:
        even = tracking > 0.6
        seen["raster_dim_all"] = (0.75 if white < 0.45 else 0.3 if white < 0.6 else 0.02) if even else 0.1
        seen["colour_weak"] = 0.01 if even else 0.75
        seen["tint_in_brights"] = 0.6 if not even else 0.4 if tracking < TINT_RATIO else 0.03
        seen["highlight_silvery"] = 0.4 if emission.max() < 0.45 else 0.02
        seen["slow_picture_warmup"] = 0.6 if emission.min() < 0.4 or heater < 0.9 else 0.04
        seen["heater_glow_dim"] = 0.7 if heater < 0.9 else 0.01
        seen["colour_drift_minutes"] = 0.4 if tube.gas_ua > 1.0 or not even else 0.01
        seen["neck_violet_glow"] = 0.5 if tube.gas_ua > 1.0 else 0.0
        seen["colour_intermittent"] = 0.5 if tube.elsewhere == "socket_dirty" else 0.005
        seen["width_narrow"] = 0.6 if tube.elsewhere == "bplus_low" else 0.005
        seen["purity_blotch"] = 0.95 if tube.stop == "mask_bent" else 0.005
        seen["tint_in_darks"] = 0.5 if (tube.leak_heater_cathode_mohm < 1).any() else 0.01
    seen["burn_in_ghost"] = 0.9 if tube.burn > 0.15 else 0.2 if tube.burn > 0.03 else 0.0
    out = []
    for identity, chance in seen.items():
        present = rng.random() < chance
        if present or rng.random() < 0.05:  # what is absent is seldom worth a note
            out.append(Symptom(id=identity, present=bool(present)))
    return tuple(out)


def _tests(tube: SimulatedTube, rng: np.random.Generator, *, clean: bool, set_measured: bool) -> tuple[TestResult, ...]:
    """The measurements in the set that some people take, and what they tried; voltages read to a few percent."""
    out = []
    thorough = 1.0 if set_measured else 0.45 if tube.elsewhere != "none" else 0.2
    if rng.random() < thorough:
        heater = tube.heater_v * heater_ratio_in_set(tube) * float(np.exp(0.02 * rng.standard_normal()))
        out.append(TestResult(id="d_heater_rms", value=round(heater, 1), unit="V", nominal=tube.heater_v))
    if rng.random() < thorough:
        g2 = 400.0 * float(np.exp(0.08 * rng.standard_normal()))
        g2 *= tube.elsewhere_left_share if tube.elsewhere == "g2_low" else 1.0
        out.append(TestResult(id="d_g2", value=_rounded(g2, 5.0), unit="V", nominal=400.0))
    if rng.random() < thorough:
        bplus = 120.0 * float(np.exp(0.004 * rng.standard_normal()))
        bplus *= tube.elsewhere_left_share if tube.elsewhere == "bplus_low" else 1.0
        out.append(TestResult(id="d_bplus", value=float(round(bplus)), unit="V", nominal=120.0))
    if clean and rng.random() < 0.6:
        changed = tube.elsewhere == "socket_dirty"
        out.append(TestResult(id="p_socket_clean", result="changes" if changed else "no_change"))
    if tube.elsewhere == "video_channel_weak" and rng.random() < 0.35:
        out.append(TestResult(id="x_gun_swap", result="moves_with_drive", gun=GUNS[tube.elsewhere_gun]))
    emission = relative_emission_truth(tube)
    one_low = emission.min() < 0.6 * emission.max() and tube.elsewhere == "none"
    if one_low and usable(tube) and rng.random() < 0.2:
        out.append(TestResult(id="x_gun_swap", result="stays_on_gun", gun=GUNS[int(emission.argmin())]))
    return tuple(out)


def _rounded(value: float, step: float) -> float:
    return float(f"{round(value / step) * step:.6g}")
