"""``heater``: the arithmetic of a heater's supply, with its cautions first."""

from __future__ import annotations

import enum
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from tubewright.cli import settings
from tubewright.cli.door import Door, emit, emit_json
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.answers.heater import HeaterAnswer

_OPTIONS: Final = {
    name: f"--{name.replace('_', '-')}"
    for name in ("height", "width", "line", "source", "target", "current", "trial", "trial_turns", "samples")
}
"""What the answers call a figure, and what the person typed."""

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
    from tubewright.answers import heater

    if samples is not None:
        from tubewright.files.samples import read_samples

        times_s, volts = read_samples(samples)
        _answer(lambda: heater.sampled_supply(volts, times_s, ac_coupled=not direct), as_json=as_json)
        return
    height_v, width_us = _number(height, "voltage", "--height"), _number(width, "number", "--width")
    line_khz = _number(line, "khz", "--line")
    name = next(one for one in heater.SHAPES if one == shape.name)
    _answer(
        lambda: heater.pulsed_supply(
            name, height_v=height_v, width_us=width_us, line_khz=line_khz, ac_coupled=not direct
        ),
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
    from tubewright.answers import heater

    source_v, target_v = _number(source, "voltage", "--source"), _number(target, "voltage", "--target")
    current_a = _number(current, "heater_current", "--current")
    _answer(
        lambda: heater.dropping_resistor(source_v=source_v, target_v=target_v, current_a=current_a), as_json=as_json
    )


def turns(
    *,
    target: Annotated[str, typer.Option(metavar="V", help="Wanted at the heater, V true RMS.")],
    trial: Annotated[str, typer.Option(metavar="V", help="Measured on a trial winding under load, V true RMS.")],
    trial_turns: Annotated[str, typer.Option(metavar="N", help="Turns of that trial winding.")],
    as_json: JsonOption = False,
) -> None:
    """Give the turns of a winding, from a trial winding."""
    from tubewright.answers import heater

    target_v, trial_v = _number(target, "voltage", "--target"), _number(trial, "voltage", "--trial")
    count = _number(trial_turns, "number", "--trial-turns")
    _answer(lambda: heater.winding_turns(target_v=target_v, trial_v=trial_v, trial_turns=count), as_json=as_json)


def _number(text: str, kind: str, option: str) -> float:
    if not text:
        raise InputError(Fault(what=f"{option} is missing", where="", mend=f"Add {option} and its figure."))
    return parse_quantity(text, kind=kind, where=option).value


def _answer(reckon: Callable[[], HeaterAnswer], *, as_json: bool) -> None:
    from tubewright.answers.heater import renamed
    from tubewright.knowledge.load import load_knowledge

    found = renamed(_OPTIONS, reckon)
    known = load_knowledge().cautions
    texts = tuple(known[name].text for name in found.cautions)
    confirm = tuple(known[name].confirm for name in found.cautions if known[name].confirm)
    if as_json:
        figures = {name: float(f"{value:.6g}") for name, value in found.figures.items()}
        emit_json({"cautions": list(texts), "confirm": list(confirm), **figures})
        return
    from tubewright.report.describe import Step
    from tubewright.report.text import blocks_to_text

    step = Step(id="heater", cautions=texts, confirm=confirm, hazard=found.hazard, words=found.words, time="")
    emit(blocks_to_text([step], width=settings.columns(), colour=settings.colour()))
