"""The reservoir and the filter that a wished ripple needs, with what that asks of diodes, winding and switch."""

from __future__ import annotations

import dataclasses
from math import isfinite, isnan
from typing import Final

from tubewright.answers.assessment import Unknown
from tubewright.answers.supply import MAINS_HIGH_RATIO, course_of, parts_of, state_of
from tubewright.answers.supply_form import FITTING_CAUTIONS, Supply, SupplyAnswer, check
from tubewright.errors import Fault, InputError, RefusedError
from tubewright.physics.preferred_values import E6_TOLERANCE_PERCENT, at_or_above
from tubewright.physics.rectifier import RectifierState
from tubewright.physics.supply_filter import filter_for_ripple_f, filtered_output, inrush, reservoir_for_ripple_f

MOST_OF_ORIGINAL_RATIO: Final = 1.3

VOLTAGE_CLASSES: Final = "6.3 10 16 25 35 50 63 80 100 160 200 250 350 400 450"
"""Rated voltages in which electrolytics are commonly made, V."""


def filter_value(
    supply: Supply,
    *,
    wanted_pp_v: float,
    fitted_uf: float | None = None,
    diode_surge_a: float | None = None,
    diode_repeat_a: float | None = None,
    filter_ohm: float | None = None,
) -> SupplyAnswer:
    """The reservoir, or the second capacitor behind a resistor, that a wanted ripple needs.

    Args:
        supply: The supply as it is; its ``reservoir_uf`` is kept where a second stage is asked for.
        wanted_pp_v: Ripple wanted at the load, V peak to peak.
        fitted_uf: What the set was designed with, µF; None takes the supply's own.
        diode_surge_a: What one diode stands once, A (from its papers); None where not known.
        diode_repeat_a: What one diode stands in every cycle, peak A; None where not known.
        filter_ohm: A resistor behind the reservoir, ohm: then the second capacitor is reckoned.

    Raises:
        InputError: Figures that make no sense (``wanted``, ``fitted``, ``surge``, ``repeat``, ``filter_ohm``).
        RefusedError: No capacitor does it, or the one that would asks more of the diodes than
            they stand.
    """
    check(wanted=wanted_pp_v, fitted=fitted_uf, surge=diode_surge_a, repeat=diode_repeat_a, filter_ohm=filter_ohm)
    state = state_of(supply)
    if filter_ohm is not None:
        return _second_stage(supply, state, wanted_pp_v, filter_ohm)
    parts = {name: value for name, value in parts_of(supply).items() if name != "reservoir_f"}
    least = float(reservoir_for_ripple_f(wanted_pp_v, supply.rectifier, **parts)) * 1e6
    if isnan(least):
        raise RefusedError(
            Fault(
                what=f"no reservoir brings the ripple down to {wanted_pp_v:g} V here",
                where="wanted",
                mend="Its series resistance alone makes more, or the source can't carry the load. "
                "Ask for a resistor and a second capacitor, or for a part with less series resistance.",
            )
        )
    tolerance = E6_TOLERANCE_PERCENT / 100
    chosen_uf = float(at_or_above(least / (1 - tolerance), "E6"))
    chosen = dataclasses.replace(supply, reservoir_uf=chosen_uf)
    weak, strong = (dataclasses.replace(supply, reservoir_uf=chosen_uf * (1 + sign * tolerance)) for sign in (-1, 1))
    then, at_least, at_most = state_of(chosen), state_of(weak), state_of(strong)
    was_uf = fitted_uf if fitted_uf is not None else supply.reservoir_uf
    first = inrush(
        float(at_most.open_v) / (2 if supply.rectifier == "doubler" else 1),
        strong.reservoir_uf * 1e-6,
        supply.source_ohm,
        supply.esr_ohm,
    )
    surge, square = float(first.peak_a), float(first.square_a2_s)
    pulse = float(at_most.pulse_peak_a)
    _stands(pulse, surge, diode_repeat_a, diode_surge_a)
    rated = _voltage_class(_each_v(supply, then) * MAINS_HIGH_RATIO)
    figures: dict[str, float | None] = {
        "least_uf": least,
        "chosen_uf": chosen_uf,
        "voltage_class_v": rated,
        "ripple_pp_v": float(then.ripple_pp_v),
        "ripple_worst_pp_v": float(at_least.ripple_pp_v),
        "capacitor_rms_a": float(at_most.capacitor_rms_a),
        "pulse_peak_a": pulse,
        "pulse_before_a": float(state.pulse_peak_a),
        "inrush_peak_a": surge if isfinite(surge) else None,
        "inrush_square_a2_s": square if isfinite(square) else None,
        "of_original_ratio": chosen_uf / was_uf,
    }
    words = [
        (
            f"At least {least:.4g} µF{_each(supply)}; with a tolerance of {E6_TOLERANCE_PERCENT} % the next "
            f"preferred value (E6) "
            f"that is sure to do is {chosen_uf:g} µF: {then.ripple_pp_v:.3g} V of ripple, "
            f"{at_least.ripple_pp_v:.3g} V if it is "
            "at the low end."
        ),
        f"Rated for {rated:g} V or more" if rated else "Rated for more volts than electrolytics are commonly made for",
        (
            f"Its ripple current: {at_most.capacitor_rms_a:.3g} A RMS at {at_most.ripple_hz:g} Hz; a part for less "
            "runs hot."
        ),
        f"It asks {pulse:.3g} A of the diodes in each pulse, where {state.pulse_peak_a:.3g} A flow now, and "
        + (f"up to {surge:.3g} A at switching on." if isfinite(surge) else "at switching on what can't be told."),
    ]
    words[1] += f": without a load and at high mains it stands at {_each_v(supply, then) * MAINS_HIGH_RATIO:.4g} V."
    if chosen_uf > MOST_OF_ORIGINAL_RATIO * was_uf:
        words.append(
            f"That is {chosen_uf / was_uf:.2g} times what stands in the set ({was_uf:g} µF). More than "
            f"{MOST_OF_ORIGINAL_RATIO:g} times is not taken for granted: bigger is harder on diodes, winding, "
            "switch and fuse."
        )
    unknown = []
    if diode_surge_a is None or diode_repeat_a is None:
        unknown.append(
            Unknown(
                reason="whether the diodes stand it: their surge and repetitive peak ratings aren't known",
                would_settle="the type on the diodes and its data sheet; before that, fit no more than was there",
            )
        )
    if supply.source_ohm == 0:
        unknown.append(
            Unknown(
                reason="the first pulse at switching on: no resistance of the source is known",
                would_settle="the winding's resistance, its primary's carried over, and any surge resistor",
            )
        )
    if supply.esr_ohm == 0:
        unknown.append(
            Unknown(
                reason="what the part's own series resistance adds to the ripple",
                would_settle="an ESR meter on the new part, or its data sheet",
            )
        )
    return SupplyAnswer(
        question="filter",
        headline=f"For {wanted_pp_v:g} V of ripple: {chosen_uf:g} µF{_each(supply)}, {rated:g} V."
        if rated
        else f"For {wanted_pp_v:g} V of ripple: {chosen_uf:g} µF{_each(supply)}.",
        words=tuple(words),
        figures=figures,
        unknown=tuple(unknown),
        cautions=FITTING_CAUTIONS,
        courses=(course_of(supply, "now"), course_of(chosen, "after")),
    )


def _stands(pulse: float, surge: float, repeat_a: float | None, surge_a: float | None) -> None:
    faults = []
    if repeat_a is not None and pulse > repeat_a:
        faults.append(
            Fault(
                what=f"each pulse would reach {pulse:.3g} A, and the diodes stand {repeat_a:g} A",
                where="repeat",
                mend="Take a resistor and a second capacitor behind the reservoir instead.",
            )
        )
    if surge_a is not None and surge > surge_a:
        how = f"reach {surge:.3g} A" if isfinite(surge) else "be held back by nothing that is known"
        faults.append(
            Fault(
                what=f"the first pulse would {how}, and the diodes stand {surge_a:g} A",
                where="surge",
                mend="Give the source's resistance if it has more, or take a resistor and a second capacitor instead.",
            )
        )
    if faults:
        raise RefusedError(faults)


def _second_stage(supply: Supply, state: RectifierState, wanted_pp_v: float, ohm: float) -> SupplyAnswer:
    """The second capacitor, the reservoir staying as it is."""
    ripple = float(state.ripple_pp_v)
    if ripple <= wanted_pp_v:
        raise InputError(
            Fault(what=f"the ripple is {ripple:.3g} V already", where="wanted", mend="Ask for less, or leave it.")
        )
    amps = float(state.load_mean_a)
    least = float(filter_for_ripple_f(ripple, wanted_pp_v, float(state.ripple_hz), ohm)) * 1e6
    tolerance = E6_TOLERANCE_PERCENT / 100
    chosen = float(at_or_above(least / (1 - tolerance), "E6"))
    parts = {name: value for name, value in parts_of(supply).items() if name not in ("load_a", "load_ohm")}
    behind = filtered_output(supply.rectifier, filter_ohm=ohm, filter_f=chosen * 1e-6, load_a=amps, **parts)
    if float(behind.mean_v) <= 0:
        raise InputError(
            Fault(what="the resistor would take all of the voltage", where="filter_ohm", mend="Check it and the load.")
        )
    rated = _voltage_class(float(state.open_v) * MAINS_HIGH_RATIO)
    # The ripple current is what the resistor lets through: ripple over its resistance.
    current = float(state.ripple_rms_v) / ohm
    return SupplyAnswer(
        question="filter",
        headline=f"For {wanted_pp_v:g} V of ripple behind {ohm:g} ohm: {chosen:g} µF"
        + (f", {rated:g} V." if rated else "."),
        words=(
            (
                f"At least {least:.4g} µF; the next preferred value (E6) that is sure to do is {chosen:g} µF, which "
                f"leaves "
                f"{behind.ripple_pp_v:.3g} V of {ripple:.3g} V."
            ),
            (
                f"The resistor drops {behind.drop_v:.3g} V, so that {behind.mean_v:.4g} V are left, and turns "
                f"{behind.resistor_w:.2g} W into heat: one of twice that, flameproof. Diodes and winding see no "
                "more than now."
            ),
            f"Ripple current of the second capacitor: {current:.2g} A RMS."
            + (f" Rated for {rated:g} V or more." if rated else ""),
        ),
        figures={
            "least_uf": least,
            "chosen_uf": chosen,
            "voltage_class_v": rated,
            "ripple_pp_v": float(behind.ripple_pp_v),
            "filter_drop_v": float(behind.drop_v),
            "filter_resistor_w": float(behind.resistor_w),
            "filtered_mean_v": float(behind.mean_v),
            "capacitor_rms_a": current,
        },
        cautions=FITTING_CAUTIONS,
    )


def _each_v(supply: Supply, state: RectifierState) -> float:
    """The voltage that one capacitor stands at without a load."""
    return float(state.open_v) / (2 if supply.rectifier == "doubler" else 1)


def _each(supply: Supply) -> str:
    return " each" if supply.rectifier == "doubler" else ""


def _voltage_class(volts: float) -> float | None:
    """The least rated voltage that is not below; None where there is none."""
    return next((rated for rated in map(float, VOLTAGE_CLASSES.split()) if rated >= volts), None)
