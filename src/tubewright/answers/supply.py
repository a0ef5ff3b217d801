"""A raw supply in figures and in words: its ripple and what that does to the picture, and a regulator's headroom."""

from __future__ import annotations

from math import isfinite, isnan, sqrt
from typing import Any, Final

import numpy as np

from tubewright.answers.assessment import Unknown
from tubewright.answers.supply_form import Course, Supply, SupplyAnswer, check, check_supply
from tubewright.errors import Fault, InputError
from tubewright.physics.rectifier import (
    RectifierState,
    capacitor_input,
    first_order_ripple_v,
    rectifier_course,
)
from tubewright.physics.regulator import headroom, least_mains_ratio, most_load_a
from tubewright.physics.ripple_picture import edge_sway_mm, hum_bars
from tubewright.physics.supply_filter import filtered_output, inrush

MAINS_LOW_RATIO: Final = 0.9
MAINS_HIGH_RATIO: Final = 1.1


def parts_of(supply: Supply) -> dict[str, Any]:
    """A supply as the laws of :mod:`tubewright.physics.rectifier` take it."""
    return {
        "peak_v": supply.secondary_v_rms * sqrt(2),
        "mains_hz": supply.mains_hz,
        "reservoir_f": supply.reservoir_uf * 1e-6,
        "load_a": supply.load_a or 0.0,
        "load_ohm": supply.load_ohm or np.inf,
        "source_ohm": supply.source_ohm,
        "esr_ohm": supply.esr_ohm,
        "diode_v": supply.diode_v,
    }


def state_of(supply: Supply) -> RectifierState:
    """The steady state of a supply.

    Raises:
        InputError: A figure that makes no sense, or a load that the supply can't carry.
    """
    check_supply(supply)
    state = capacitor_input(supply.rectifier, **parts_of(supply))
    if isnan(float(state.mean_v)):
        raise InputError(
            Fault(
                what="this supply can't carry this load: its output would fall to nothing between the crests",
                where="load" if supply.load_a is not None else "load_ohm",
                mend="Check load, reservoir and source resistance.",
            )
        )
    return state


def course_of(supply: Supply, name: str) -> Course:
    """One mains cycle of a supply, to draw."""
    course = rectifier_course(supply.rectifier, **parts_of(supply), points=360)
    return Course(
        name=name,
        time_ms=tuple(float(part) * 1e3 for part in course.time_s),
        output_v=tuple(float(part) for part in course.output_v),
        pulse_a=tuple(float(part) for part in course.pulse_a),
    )


def ripple(
    supply: Supply,
    *,
    after: Supply | None = None,
    picture_width_mm: float | None = None,
    field_hz: float | None = None,
    filter_ohm: float | None = None,
    filter_uf: float | None = None,
) -> SupplyAnswer:
    """The ripple of a supply, the currents in its parts, and what it does to the picture.

    Args:
        supply: As it is.
        after: As it would be after a change, for comparison; None for none.
        picture_width_mm: Width of the picture, mm; None leaves the sway out.
        field_hz: Field rate, Hz; None leaves the bars out.
        filter_ohm: A resistor behind the reservoir, ohm; None for none.
        filter_uf: The capacitor behind it, µF.

    Raises:
        InputError: Figures that make no sense (see :func:`~tubewright.answers.supply_form.check_supply`; and
            ``width``, ``field``, ``filter_ohm``, ``filter``), or a load that the supply can't carry.
    """
    check(width=picture_width_mm, field=field_hz, filter_ohm=filter_ohm, filter=filter_uf)
    if (filter_ohm is None) != (filter_uf is None):
        where = "filter_ohm" if filter_ohm is None else "filter"
        raise InputError(Fault(what="a filter has a resistor and a capacitor", where=where, mend="Give both."))
    state = state_of(supply)
    figures, words, unknown = _figures(supply, state), _words(supply, state), []
    at_load_pp_v, at_load_v = float(state.ripple_pp_v), float(state.mean_v)
    if filter_ohm is not None and filter_uf is not None:
        at_load_pp_v, at_load_v = _filtered(supply, state, filter_ohm, filter_uf, figures, words)
    courses = [course_of(supply, "now")]
    if after is not None:
        then = state_of(after)
        courses.append(course_of(after, "after"))
        figures |= {f"after_{name}": value for name, value in _figures(after, then).items()}
        words.append(
            f"After the change: ripple {then.ripple_pp_v:.3g} V in place of {state.ripple_pp_v:.3g} V peak to peak, "
            f"valleys at {then.min_v:.4g} V in place of {state.min_v:.4g} V, diode pulse "
            f"{then.pulse_peak_a:.3g} A in "
            f"place of {state.pulse_peak_a:.3g} A, ripple current {then.capacitor_rms_a:.3g} A in place of "
            f"{state.capacitor_rms_a:.3g} A RMS."
        )
    if picture_width_mm is not None:
        sway = float(edge_sway_mm(min(at_load_pp_v, at_load_v), at_load_v, picture_width_mm))
        figures["edge_sway_mm"] = sway
        words.append(
            f"If the line stage is fed with it directly, each side edge moves in and out by {sway:.2g} mm on a "
            "picture "
            f"{picture_width_mm:g} mm wide, the two against each other. A regulator with headroom takes nearly "
            "all of it away."
        )
        unknown.append(
            Unknown(
                reason="how far whole lines move sideways: it hangs on how the line oscillator takes the ripple",
                would_settle="a photograph of a grid, measured line by line, or the loop's own parts reckoned through",
            )
        )
        unknown.append(
            Unknown(
                reason="how much the light follows: it hangs on which supply the ripple reaches (video, grid 2)",
                would_settle="ripple on the video supply and on grid 2, on a scope",
            )
        )
    if field_hz is not None:
        bars = hum_bars(float(state.ripple_hz), field_hz)
        figures |= {"bars_count": float(bars.bars_count), "screen_s": float(bars.screen_s)}
        words.append(
            f"On the picture: {_bars_in_words(float(bars.bars_count), float(bars.screen_s), float(bars.beat_hz))}."
        )
    return SupplyAnswer(
        question="ripple",
        headline=f"Ripple {state.ripple_pp_v:.3g} V peak to peak at {state.ripple_hz:g} Hz, "
        f"on {state.mean_v:.4g} V, valleys at {state.min_v:.4g} V.",
        words=tuple(words),
        figures=figures,
        unknown=tuple(unknown),
        courses=tuple(courses),
    )


def regulator_headroom(
    supply: Supply, *, output_v: float, dropout_v: float, mains_v: float | None = None
) -> SupplyAnswer:
    """Whether the valleys leave a regulator room, at low, nominal and high mains; and where they cease to.

    Args:
        supply: The raw supply at nominal mains; its load must be a current.
        output_v: What the regulator should give, V.
        dropout_v: The least it needs above its output, V.
        mains_v: Nominal mains, V RMS, to say limits in volts.

    Raises:
        InputError: Figures that make no sense (``output``, ``dropout``, ``mains``), a load given as
            a resistance, or one that the supply can't carry.
    """
    check(zero=("dropout",), output=output_v, dropout=dropout_v, mains=mains_v)
    if supply.load_a is None:
        raise InputError(
            Fault(what="a regulator draws a current", where="load", mend="Give the load as a current, such as 0.8 A.")
        )
    state_of(supply)
    parts = {name: value for name, value in parts_of(supply).items() if name not in ("load_a", "load_ohm")}
    wanted: dict[str, Any] = {"output_v": output_v, "dropout_v": dropout_v, **parts}
    ratios = np.array([MAINS_LOW_RATIO, 1.0, MAINS_HIGH_RATIO])
    left = headroom(supply.rectifier, load_a=supply.load_a, mains_ratio=ratios, **wanted)
    least = float(least_mains_ratio(supply.rectifier, load_a=supply.load_a, **wanted))
    most = float(most_load_a(supply.rectifier, **wanted))
    figures: dict[str, float | None] = {}
    words = []
    for i, name in enumerate(("low", "nominal", "high")):
        spare = float(left.spare_v[i])
        figures |= {
            f"{name}_mains_ratio": float(ratios[i]),
            f"{name}_valley_v": float(left.valley_v[i]),
            f"{name}_spare_v": spare,
            f"{name}_dip_v": float(left.dip_v[i]),
            f"{name}_input_max_v": float(left.input_max_v[i]),
            f"{name}_regulator_w": float(left.regulator_w[i]),
        }
        at = f"At {name} mains ({_mains(float(ratios[i]), mains_v)})"
        if isnan(spare):
            words.append(f"{at}: the supply can't carry the load.")
        elif spare >= 0:
            words.append(
                f"{at}: valleys at {left.valley_v[i]:.4g} V leave {spare:.3g} V to spare; it turns "
                f"{left.regulator_w[i]:.3g} W into heat."
            )
        else:
            words.append(
                f"{at}: valleys at {left.valley_v[i]:.4g} V are {-spare:.3g} V too low; ripple comes through, "
                f"{-spare:.3g} V deep, at {_ripple_hz(supply):g} Hz."
            )
    figures |= {"least_mains_ratio": None if isnan(least) else least, "most_load_a": None if isnan(most) else most}
    if isnan(least):
        words.append("No mains makes this work: output and drop-out ask for more than the winding gives.")
    else:
        words.append(f"Ripple comes through below {_mains(least, mains_v)} of mains.")
    if isnan(most):
        words.append("At nominal mains not even the least load leaves room.")
    else:
        words.append(f"At nominal mains ripple comes through above {most:.3g} A of load.")
    at_low, at_nominal = float(left.spare_v[0]), float(left.spare_v[1])
    return SupplyAnswer(
        question="headroom",
        headline=(
            f"The regulator holds from {_mains(least, mains_v)} of mains upwards"
            if at_low >= 0
            else "The regulator lets ripple through" + (" at low mains" if at_nominal >= 0 else " at nominal mains")
        )
        + ".",
        words=(
            *words,
            (
                "A worn reservoir, a worn series resistance or a heavier load lowers the valleys first; look there "
                "before "
                "the regulator's own parts."
            ),
        ),
        figures=figures,
        unknown=(
            Unknown(
                reason="how much ripple the regulator passes while it has room",
                would_settle="its output on a scope, at the load",
            ),
        ),
        courses=(course_of(supply, "raw"),),
    )


_SHOWN: Final = (
    *("min_v", "max_v", "mean_v", "ripple_pp_v", "ripple_rms_v", "open_v", "ripple_hz", "conduction_deg"),
    *("load_mean_a", "pulse_peak_a", "supply_rms_a", "diode_mean_a", "diode_rms_a", "capacitor_rms_a"),
    "diode_reverse_v",
)


def _figures(supply: Supply, state: RectifierState) -> dict[str, float | None]:
    figures: dict[str, float | None] = {name: float(getattr(state, name)) for name in _SHOWN}
    drops = state.open_v / (2 if supply.rectifier == "doubler" else 1)
    first = inrush(float(drops), supply.reservoir_uf * 1e-6, supply.source_ohm, supply.esr_ohm)
    peak, square = float(first.peak_a), float(first.square_a2_s)
    figures |= {
        "inrush_peak_a": peak if isfinite(peak) else None,
        "inrush_square_a2_s": square if isfinite(square) else None,
        "first_order_ripple_pp_v": float(
            first_order_ripple_v(float(state.load_mean_a), float(state.ripple_hz), supply.reservoir_uf * 1e-6)
        ),
    }
    return figures


def _words(supply: Supply, state: RectifierState) -> list[str]:
    first = inrush(
        float(state.open_v) / (2 if supply.rectifier == "doubler" else 1),
        supply.reservoir_uf * 1e-6,
        supply.source_ohm,
        supply.esr_ohm,
    )
    peak = float(first.peak_a)
    began = (
        f"Switched on at a crest, the first pulse may reach {peak:.3g} A."
        if isfinite(peak)
        else "With no resistance known, the first pulse at switching on can't be told."
    )
    return [
        (
            f"Output: {state.min_v:.4g} to {state.max_v:.4g} V, mean {state.mean_v:.4g} V at "
            f"{state.load_mean_a:.3g} A; ripple "
            f"{state.ripple_pp_v:.3g} V peak to peak, {state.ripple_rms_v:.3g} V RMS. Without a load it rises to "
            f"{state.open_v:.4g} V."
        ),
        (
            f"The diodes conduct for {state.conduction_deg:.0f}° of 360°, with peaks of "
            f"{state.pulse_peak_a:.3g} A; a diode "
            f"carries {state.diode_mean_a:.3g} A mean, {state.diode_rms_a:.3g} A RMS, and must hold off "
            f"{state.diode_reverse_v:.4g} V. {began}"
        ),
        (
            f"Ripple current in {'each' if supply.rectifier == 'doubler' else 'the'} reservoir: "
            f"{state.capacitor_rms_a:.3g} A RMS."
        ),
    ]


def _filtered(
    supply: Supply,
    state: RectifierState,
    ohm: float,
    microfarads: float,
    figures: dict[str, float | None],
    words: list[str],
) -> tuple[float, float]:
    """Ripple and mean behind a resistor and a capacitor; figures and words are added."""
    parts = {name: value for name, value in parts_of(supply).items() if name not in ("load_a", "load_ohm")}
    amps = float(state.load_mean_a)
    behind = filtered_output(supply.rectifier, filter_ohm=ohm, filter_f=microfarads * 1e-6, load_a=amps, **parts)
    left, volts = float(behind.ripple_pp_v), float(behind.mean_v)
    figures |= {
        "filtered_mean_v": volts,
        "filtered_ripple_pp_v": left,
        "filter_drop_v": float(behind.drop_v),
        "filter_resistor_w": float(behind.resistor_w),
    }
    if volts <= 0:
        raise InputError(
            Fault(what="the resistor would take all of the voltage", where="filter_ohm", mend="Check it and the load.")
        )
    words.append(
        f"Behind {ohm:g} ohm and {microfarads:g} µF: {left:.3g} V of ripple on {volts:.4g} V. The resistor drops "
        f"{behind.drop_v:.3g} V and turns {behind.resistor_w:.2g} W into heat."
    )
    return left, volts


def _bars_in_words(count: float, screen_s: float, beat_hz: float) -> str:
    from tubewright.answers.supply_hum import bars_in_words

    return bars_in_words(count, screen_s, beat_hz)


def _mains(ratio: float, mains_v: float | None) -> str:
    return f"{100 * ratio:.0f} %" + (f", {ratio * mains_v:.0f} V" if mains_v is not None else "")


def _ripple_hz(supply: Supply) -> float:
    return supply.mains_hz * (1 if supply.rectifier == "half_wave" else 2)
