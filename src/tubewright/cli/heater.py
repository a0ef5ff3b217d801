"""``heater``: the arithmetic of a heater's supply, with its cautions first."""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Final, TypeVar

import typer

from tubewright.cli import settings
from tubewright.cli.door import Door, emit, emit_json
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

Result = TypeVar("Result")

_MEASURING: Final = ("local_rules", "anode_charge", "recharge", "mains_live", "hot_chassis", "eht_live")
_FITTING: Final = ("local_rules", "anode_charge", "recharge", "primary_reservoir", "heater_excess", "gate_power_off")
"""Ids of the cautions that go with measuring at a running set, and with changing it."""

_OPTIONS: Final = {
    "source_rms_v": "--source",
    "target_rms_v": "--target",
    "trial_rms_v": "--trial",
    "trial_turns": "--trial-turns",
    "current_a": "--current",
    "height_v": "--height",
    "width_s": "--width",
    "period_s": "one period of --line",
}
"""What the physics calls a figure, and what the person typed."""

JsonOption = Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")]


class Shape(enum.StrEnum):
    """Shape of one pulse."""

    half_sine = "half-sine"
    rectangle = "rectangle"
    triangle = "triangle"


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    group = typer.Typer(
        name="heater",
        cls=Door,
        help="Reckon a heater's supply, with its cautions first.",
        no_args_is_help=True,
    )
    group.command("rms", epilog="Example: tubewright heater rms --height 22.3 --width 12 --line 15.7")(rms)
    group.command("resistor", epilog="Example: tubewright heater resistor --source 7.4 --target 6.3 --current 0.6")(
        resistor
    )
    group.command("turns", epilog="Example: tubewright heater turns --target 6.3 --trial 4.2 --trial-turns 3")(turns)
    app.add_typer(group)


def rms(
    *,
    height: Annotated[str, typer.Option(metavar="V", help="Pulse height on the scope, foot to peak, V.")] = "",
    width: Annotated[str, typer.Option(metavar="US", help="Pulse width at the foot, microseconds.")] = "",
    line: Annotated[str, typer.Option(metavar="KHZ", help="How often it repeats: the line rate, kHz.")] = "",
    shape: Annotated[Shape, typer.Option(help="Shape of the pulse; a flyback's is close to a half sine.")] = (
        Shape.half_sine
    ),
    direct: Annotated[bool, typer.Option("--direct", help="The pulses stand on ground, as behind a diode.")] = False,
    samples: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A CSV file of one whole period instead: seconds, volts.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Give the true RMS of pulses on a heater.

    And what an ordinary AC meter would wrongly show.
    """
    from tubewright.physics import pulses

    if samples is not None:
        from tubewright.files.samples import read_samples

        times_s, volts = read_samples(samples)
        value = _reckon(lambda: float(pulses.rms(volts, times_s, ac_coupled=not direct)))
        _answer(_MEASURING, {"rms_v": value}, f"True RMS of the sampled waveform: {value:.2f} V.", as_json=as_json)
        return
    height_v = _number(height, "voltage", "--height")
    width_s = _number(width, "number", "--width") * 1e-6
    period_s = 1e-3 / _number(line, "khz", "--line", more_than_zero=True)
    name: pulses.PulseShape = (
        "half_sine" if shape is Shape.half_sine else "rectangle" if shape is Shape.rectangle else "triangle"
    )
    train = _reckon(lambda: pulses.pulse_train(name, height_v, width_s, period_s, ac_coupled=not direct))
    true, shown = float(train.rms_v), float(train.average_meter_v)
    _answer(
        _MEASURING,
        {"rms_v": true, "average_meter_v": shown, "mean_v": float(train.mean_v), "duty": float(train.duty)},
        f"True RMS: {true:.2f} V. An AC meter that averages would show {shown:.2f} V.",
        as_json=as_json,
    )


def resistor(
    *,
    source: Annotated[str, typer.Option(metavar="V", help="Supply under load, V true RMS.")],
    target: Annotated[str, typer.Option(metavar="V", help="Wanted at the heater, V true RMS.")],
    current: Annotated[str, typer.Option(metavar="A", help="What the heater draws at the wanted voltage, A.")],
    as_json: JsonOption = False,
) -> None:
    """Give the resistor that brings a supply down to a heater."""
    from tubewright.physics import pulses

    source_v, target_v = _number(source, "voltage", "--source"), _number(target, "voltage", "--target")
    current_a = _number(current, "heater_current", "--current")
    drop = _reckon(lambda: pulses.series_resistor(source_v, target_v, current_a))
    ohm, heat, rating = float(drop.resistance_ohm), float(drop.dissipation_w), float(drop.rating_w)
    words = (
        f"Series resistor: {ohm:.2g} ohm; it turns {heat:.2g} W into heat. "
        f"Choose one rated for {rating:.2g} W or more, "
        "flameproof, stood off the board. Check the heater with a true-RMS meter afterwards."
    )
    _answer(_FITTING, {"resistance_ohm": ohm, "dissipation_w": heat, "rating_w": rating}, words, as_json=as_json)


def turns(
    *,
    target: Annotated[str, typer.Option(metavar="V", help="Wanted at the heater, V true RMS.")],
    trial: Annotated[str, typer.Option(metavar="V", help="Measured on a trial winding under load, V true RMS.")],
    trial_turns: Annotated[str, typer.Option(metavar="N", help="Turns of that trial winding.")],
    as_json: JsonOption = False,
) -> None:
    """Give the turns of a winding, from a trial winding."""
    from tubewright.physics import pulses

    target_v, trial_v = _number(target, "voltage", "--target"), _number(trial, "voltage", "--trial")
    count = _number(trial_turns, "number", "--trial-turns")
    winding = _reckon(lambda: pulses.turns_for_target(target_v, trial_v, count))
    whole, given = int(winding.whole_turns), float(winding.whole_turns_v)
    short = float(winding.short_by_v)
    missing = f", {short:.2f} V short of it" if short >= 0.005 else ""
    words = (
        f"Exactly {float(winding.exact_turns):.2f} turns; wind {whole}, which give {given:.2f} V{missing}. "
        "Never more on the first trial. Check the heater with a true-RMS meter."
    )
    body = {
        "exact_turns": float(winding.exact_turns),
        "whole_turns": whole,
        "whole_turns_v": given,
        "short_by_v": short,
    }
    _answer(_FITTING, body, words, as_json=as_json)


def _number(text: str, kind: str, option: str, *, more_than_zero: bool = False) -> float:
    if not text:
        raise InputError(Fault(what=f"{option} is missing", where="", mend=f"Add {option} and its figure."))
    value = parse_quantity(text, kind=kind, where=option).value
    if more_than_zero and value <= 0:
        raise InputError(Fault(what="it must be more than zero", where=option, mend="Check the figure."))
    return value


def _reckon(work: Callable[[], Result]) -> Result:
    try:
        return work()
    except ValueError as error:
        what = str(error)
        for name, option in _OPTIONS.items():
            what = what.replace(name, option)
        raise InputError(Fault(what=what, where="heater", mend="Check the figures and their units.")) from error


def _answer(cautions: tuple[str, ...], body: Mapping[str, float], words: str, *, as_json: bool) -> None:
    from tubewright.knowledge.load import load_knowledge

    known = load_knowledge().cautions
    texts = tuple(known[name].text for name in cautions)
    confirm = tuple(known[name].confirm for name in cautions if known[name].confirm)
    if as_json:
        emit_json(
            {"cautions": list(texts), "confirm": list(confirm), **{k: float(f"{v:.6g}") for k, v in body.items()}}
        )
        return
    from tubewright.report.describe import Step
    from tubewright.report.text import blocks_to_text

    hazard = "H3: flyback and extra-high tension near the hand" if cautions is _MEASURING else "H3: inside the set"
    step = Step(id="heater", cautions=texts, confirm=confirm, hazard=hazard, words=words, time="")
    emit(blocks_to_text([step], width=settings.columns(), colour=settings.colour()))
