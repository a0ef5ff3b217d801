"""A heater's supply in figures and in words: what its pulses heat, and the resistor or turns for a target.

Every answer names its cautions by their ids. They come first wherever it is shown:
what it leads to is done beside thousands of volts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, TypeVar

from numpy.typing import ArrayLike

from tubewright.errors import Fault, InputError
from tubewright.physics import pulses
from tubewright.physics.pulses import PulseShape

SHAPES: Final[tuple[PulseShape, ...]] = ("half_sine", "rectangle", "triangle")
"""Of one pulse; the first is what a flyback's come close to."""

MEASURING_CAUTIONS: Final = ("local_rules", "anode_charge", "recharge", "mains_live", "hot_chassis", "eht_live")
"""Ids of the cautions that go with measuring at a running set."""

FITTING_CAUTIONS: Final = (
    "local_rules",
    "anode_charge",
    "recharge",
    "primary_reservoir",
    "heater_excess",
    "gate_power_off",
)
"""Ids of the cautions that go with changing what feeds the heater."""

_MEASURING_HAZARD: Final = "H3: flyback and extra-high tension near the hand"
_FITTING_HAZARD: Final = "H3: inside the set"

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterAnswer:
    """Figures by name (with their units in it), the same in words, and what must be heeded before."""

    figures: Mapping[str, float]
    words: str
    cautions: tuple[str, ...]
    hazard: str


def pulsed_supply(
    shape: PulseShape, *, height_v: float, width_us: float, line_khz: float, ac_coupled: bool
) -> HeaterAnswer:
    """The true RMS of pulses on a heater, and what an ordinary AC meter would wrongly show.

    Args:
        shape: Of one pulse.
        height_v: Foot to peak, V.
        width_us: At the foot, microseconds.
        line_khz: How often they repeat, kHz.
        ac_coupled: True at the winding; False where the pulses stand on ground, as behind a diode.

    Raises:
        InputError: A figure that is not above zero (named ``height``, ``width`` or
            ``line``), or pulses longer than their period.
    """
    _above_zero(height=height_v, width=width_us, line=line_khz)
    width_s, period_s = width_us * 1e-6, 1e-3 / line_khz
    if width_s > period_s:
        raise InputError(
            Fault(what="the pulse is longer than the line", where="width", mend="Check width and line rate.")
        )
    train = pulses.pulse_train(shape, height_v, width_s, period_s, ac_coupled=ac_coupled)
    true, shown = float(train.rms_v), float(train.average_meter_v)
    return HeaterAnswer(
        figures={
            "rms_v": true,
            "average_meter_v": shown,
            "mean_v": float(train.mean_v),
            "duty": float(train.duty),
        },
        words=f"True RMS: {true:.2f} V. An AC meter that averages would show {shown:.2f} V.",
        cautions=MEASURING_CAUTIONS,
        hazard=_MEASURING_HAZARD,
    )


def sampled_supply(volts: ArrayLike, times_s: ArrayLike | None, *, ac_coupled: bool) -> HeaterAnswer:
    """The true RMS of one whole period as it was sampled: ``(n,)`` volts at ``(n,)`` rising seconds.

    Without the seconds the samples are evenly spaced.

    Raises:
        InputError: Fewer than two samples, or times that don't rise or don't fit (named ``samples``).
    """
    try:
        true = float(pulses.rms(volts, times_s, ac_coupled=ac_coupled))
    except ValueError as error:
        raise InputError(Fault(what=str(error), where="samples", mend="Check the samples.")) from error
    return HeaterAnswer(
        figures={"rms_v": true},
        words=f"True RMS of the sampled waveform: {true:.2f} V.",
        cautions=MEASURING_CAUTIONS,
        hazard=_MEASURING_HAZARD,
    )


def dropping_resistor(*, source_v: float, target_v: float, current_a: float) -> HeaterAnswer:
    """The resistor in series that brings a supply down to a heater's voltage.

    Args:
        source_v: Supply under this load, V true RMS.
        target_v: Wanted at the heater, V true RMS.
        current_a: What the heater draws at the wanted voltage, A.

    Raises:
        InputError: A figure that is not above zero (named ``source``, ``target`` or
            ``current``), or a supply below the target.
    """
    _above_zero(source=source_v, target=target_v, current=current_a)
    if source_v < target_v:
        raise InputError(
            Fault(
                what="the supply is below the target, and no resistor raises a voltage",
                where="source",
                mend="Look at the feed first.",
            )
        )
    drop = pulses.series_resistor(source_v, target_v, current_a)
    ohm, heat, rating = float(drop.resistance_ohm), float(drop.dissipation_w), float(drop.rating_w)
    return HeaterAnswer(
        figures={"resistance_ohm": ohm, "dissipation_w": heat, "rating_w": rating},
        words=f"Series resistor: {ohm:.2g} ohm; it turns {heat:.2g} W into heat. "
        f"Choose one rated for {rating:.2g} W or more, flameproof, stood off the board. "
        "Check the heater with a true-RMS meter afterwards.",
        cautions=FITTING_CAUTIONS,
        hazard=_FITTING_HAZARD,
    )


def winding_turns(*, target_v: float, trial_v: float, trial_turns: float) -> HeaterAnswer:
    """The turns of a winding, from a trial winding on the same core.

    Args:
        target_v: Wanted at the heater, V true RMS.
        trial_v: Measured on the trial winding under load, V true RMS.
        trial_turns: Turns of that trial winding.

    Raises:
        InputError: A figure that is not above zero (named ``target``, ``trial`` or ``trial_turns``).
    """
    _above_zero(target=target_v, trial=trial_v, trial_turns=trial_turns)
    winding = pulses.turns_for_target(target_v, trial_v, trial_turns)
    whole, given, short = int(winding.whole_turns), float(winding.whole_turns_v), float(winding.short_by_v)
    # What two decimals would show as nothing isn't spoken of.
    missing = f", {short:.2f} V short of it" if round(short, 2) > 0 else ""
    return HeaterAnswer(
        figures={
            "exact_turns": float(winding.exact_turns),
            "whole_turns": whole,
            "whole_turns_v": given,
            "short_by_v": short,
        },
        words=f"Exactly {float(winding.exact_turns):.2f} turns; wind {whole}, which give {given:.2f} V{missing}. "
        "Never more on the first trial. Check the heater with a true-RMS meter.",
        cautions=FITTING_CAUTIONS,
        hazard=_FITTING_HAZARD,
    )


def renamed(names: Mapping[str, str], reckon: Callable[[], Result]) -> Result:
    """What ``reckon`` gives; its faults under the names that a door has for the figures."""
    try:
        return reckon()
    except InputError as error:
        raise InputError(
            Fault(what=f.what, where=names.get(f.where, f.where), mend=f.mend) for f in error.faults
        ) from error


def _above_zero(**figures: float) -> None:
    faults = [
        Fault(what="this must be more than zero", where=name, mend="Check the figure.")
        for name, value in figures.items()
        if not value > 0
    ]
    if faults:
        raise InputError(faults)
