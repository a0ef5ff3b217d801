"""``supply``: ripple, filter, headroom and hum bars; the anode's charge and the guard of its voltage."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.door import Door, emit, emit_json
from tubewright.cli.shop import known_anyway
from tubewright.errors import Fault, InputError, RefusedError, TubewrightError

if TYPE_CHECKING:
    from tubewright.answers.supply_asked import Question
    from tubewright.answers.supply_form import SupplyAnswer

JsonOption = Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")]
DrawOption = Annotated[Path | None, typer.Option("--draw", metavar="FILE", help="Draw it into an SVG file, too.")]
ChassisOption = Annotated[
    str, typer.Option("--chassis", metavar="ID", help="Take what is not given from this chassis profile.")
]
RectifierOption = Annotated[
    str,
    typer.Option("--rectifier", metavar="KIND", help="bridge, full_wave, half_wave or doubler; else bridge."),
]
SecondaryOption = Annotated[
    str, typer.Option("--secondary", metavar="V", help="Winding (one half of it with a middle tap), V RMS, no load.")
]
HzOption = Annotated[str, typer.Option("--hz", metavar="HZ", help="Mains frequency, Hz.")]
SourceOption = Annotated[
    str, typer.Option("--source-ohm", metavar="OHM", help="Resistance of winding and surge resistor, ohm.")
]
ReservoirOption = Annotated[
    str, typer.Option("--reservoir", metavar="UF", help="Reservoir capacitor, uF; each of the two in a doubler.")
]
EsrOption = Annotated[str, typer.Option("--esr", metavar="OHM", help="Its series resistance, ohm.")]
LoadOption = Annotated[str, typer.Option("--load", metavar="A", help="Direct current drawn, A.")]
LoadOhmOption = Annotated[str, typer.Option("--load-ohm", metavar="OHM", help="A load resistance instead, ohm.")]
DiodeOption = Annotated[str, typer.Option("--diode", metavar="V", help="Drop of one diode, V; 0.8 if not said.")]
FieldOption = Annotated[str, typer.Option("--field", metavar="HZ", help="Field rate of the picture, Hz.")]


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    group = typer.Typer(
        name="supply",
        cls=Door,
        help="Reckon a supply, the anode's charge and its guard.",
        no_args_is_help=True,
    )
    group.command(
        "ripple",
        epilog="Example: tubewright supply ripple --secondary 115 --hz 50 --source-ohm 2 --reservoir 220uF --load 0.6",
    )(ripple)
    group.command(
        "filter",
        epilog="Example: tubewright supply filter --secondary 115 --hz 50 --source-ohm 2 --reservoir 220uF --load 0.6 "
        "--wanted 12",
    )(filter_)
    group.command(
        "headroom",
        epilog="Example: tubewright supply headroom --secondary 115 --hz 50 --source-ohm 2 --reservoir 330uF "
        "--load 0.6 --output 130 --dropout 3 --mains 230",
    )(headroom)
    group.command("hum", epilog="Example: tubewright supply hum --field 60.6 --hz 60 --bars 1 --seconds 1.7")(hum)
    group.command("anode", epilog="Example: tubewright supply anode --capacitance 2nF --eht 25 --drain 10M")(anode)
    group.command("eht", epilog="Example: tubewright supply eht --bplus 107 --eht 21.4 --limit 27.5 --new-bplus 120")(
        eht
    )
    app.add_typer(group)


def ripple(
    *,
    rectifier: RectifierOption = "",
    secondary: SecondaryOption = "",
    hz: HzOption = "",
    source_ohm: SourceOption = "",
    reservoir: ReservoirOption = "",
    esr: EsrOption = "",
    load: LoadOption = "",
    load_ohm: LoadOhmOption = "",
    diode: DiodeOption = "",
    filter_ohm: Annotated[str, typer.Option(metavar="OHM", help="A resistor behind the reservoir, ohm.")] = "",
    filter_: Annotated[str, typer.Option("--filter", metavar="UF", help="The capacitor behind it, uF.")] = "",
    new_reservoir: Annotated[str, typer.Option(metavar="UF", help="Compare with this reservoir, uF.")] = "",
    new_esr: Annotated[str, typer.Option(metavar="OHM", help="Compare with this series resistance, ohm.")] = "",
    new_source_ohm: Annotated[str, typer.Option(metavar="OHM", help="Compare with this source, ohm.")] = "",
    width: Annotated[
        str, typer.Option(metavar="MM", help="Width of the picture, mm: says how far its edges sway.")
    ] = "",
    field: FieldOption = "",
    chassis: ChassisOption = "",
    draw: DrawOption = None,
    as_json: JsonOption = False,
) -> None:
    """Give a supply's ripple and what it does.

    The currents in its parts, too, and what of it is seen in the picture.
    """
    typed = {
        **_raw(rectifier, secondary, hz, source_ohm, reservoir, esr, load, load_ohm, diode),
        "filter_ohm": filter_ohm,
        "filter": filter_,
        "width": width,
        "field": field,
        "new_reservoir": new_reservoir,
        "new_esr": new_esr,
        "new_source_ohm": new_source_ohm,
    }
    _answer("ripple", typed, chassis=chassis, draw=draw, as_json=as_json)


def filter_(
    *,
    rectifier: RectifierOption = "",
    secondary: SecondaryOption = "",
    hz: HzOption = "",
    source_ohm: SourceOption = "",
    reservoir: ReservoirOption = "",
    esr: EsrOption = "",
    load: LoadOption = "",
    load_ohm: LoadOhmOption = "",
    diode: DiodeOption = "",
    wanted: Annotated[str, typer.Option(metavar="V", help="Ripple that is still good, V peak to peak.")] = "",
    fitted: Annotated[str, typer.Option(metavar="UF", help="What the set was designed with, uF.")] = "",
    stage_ohm: Annotated[
        str, typer.Option(metavar="OHM", help="Put this resistor and a second capacitor behind the reservoir instead.")
    ] = "",
    surge: Annotated[str, typer.Option(metavar="A", help="What a diode stands once, A, from its papers.")] = "",
    repeat: Annotated[str, typer.Option(metavar="A", help="What it stands in every cycle, peak A.")] = "",
    chassis: ChassisOption = "",
    draw: DrawOption = None,
    as_json: JsonOption = False,
) -> None:
    """Give the capacitor that a wanted ripple needs.

    And what it asks of diodes, winding and switch: bigger is not better by itself.
    """
    typed = {
        **_raw(rectifier, secondary, hz, source_ohm, reservoir, esr, load, load_ohm, diode),
        "wanted": wanted,
        "fitted": fitted,
        "stage_ohm": stage_ohm,
        "surge": surge,
        "repeat": repeat,
    }
    _answer("filter", typed, chassis=chassis, draw=draw, as_json=as_json)


def headroom(
    *,
    rectifier: RectifierOption = "",
    secondary: SecondaryOption = "",
    hz: HzOption = "",
    source_ohm: SourceOption = "",
    reservoir: ReservoirOption = "",
    esr: EsrOption = "",
    load: LoadOption = "",
    diode: DiodeOption = "",
    output: Annotated[str, typer.Option(metavar="V", help="What the regulator should give, V.")] = "",
    dropout: Annotated[str, typer.Option(metavar="V", help="The least it needs above that, V.")] = "",
    mains: Annotated[str, typer.Option(metavar="V", help="Nominal mains, V RMS, to say limits in volts.")] = "",
    chassis: ChassisOption = "",
    draw: DrawOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say whether the valleys leave a regulator room.

    At low, nominal and high mains; and from which mains and which load on ripple comes through.
    """
    typed = {
        **_raw(rectifier, secondary, hz, source_ohm, reservoir, esr, load, "", diode),
        "output": output,
        "dropout": dropout,
        "mains": mains,
    }
    _answer("headroom", typed, chassis=chassis, draw=draw, as_json=as_json)


def hum(
    *,
    field: FieldOption = "",
    hz: HzOption = "",
    bars: Annotated[str, typer.Option(metavar="N", help="Bars on the screen at once: says where they come from.")] = "",
    seconds: Annotated[str, typer.Option(metavar="S", help="Time of one bar across the screen, s.")] = "",
    way: Annotated[str, typer.Option(metavar="WAY", help="Which way they move: down or up.")] = "",
    standing: Annotated[bool, typer.Option("--standing", help="They stand still.")] = False,
    chassis: ChassisOption = "",
    as_json: JsonOption = False,
) -> None:
    """Say where hum bars come from.

    Without any seen: what they would look like at these rates.
    """
    typed = {"field": field, "hz": hz, "bars": bars, "seconds": seconds, "way": way}
    _answer("hum", {**typed, "standing": "yes" if standing else ""}, chassis=chassis, as_json=as_json)


def anode(
    *,
    capacitance: Annotated[
        str, typer.Option(metavar="NF", help="Between anode and outer coating, nF; 1 to 2.5 is usual.")
    ] = "",
    eht: Annotated[str, typer.Option(metavar="KV", help="What it was charged to, kV.")] = "",
    drain: Annotated[str, typer.Option(metavar="OHM", help="Resistor of the discharge tool, ohm.")] = "",
    down_to: Annotated[
        str, typer.Option(metavar="V", help="Say the time down to this voltage, V; 50 if not said.")
    ] = "",
    resistor_v: Annotated[
        str, typer.Option(metavar="V", help="Voltage that one resistor of the tool is made for.")
    ] = "",
    as_json: JsonOption = False,
) -> None:
    """Say what charge a picture tube holds.

    How it drains, too, and what comes back. A caution, never a permission: drain, prove, drain again, prove.
    """
    typed = {"capacitance": capacitance, "eht": eht, "drain": drain, "down_to": down_to, "resistor_v": resistor_v}
    _answer("anode", typed, as_json=as_json)


def eht(
    *,
    bplus: Annotated[str, typer.Option(metavar="V", help="B+ as measured, V.")] = "",
    line: Annotated[str, typer.Option(metavar="KHZ", help="Line rate, kHz.")] = "",
    retrace: Annotated[str, typer.Option(metavar="US", help="Flyback pulse on the scope, base to base, us.")] = "",
    tuning: Annotated[str, typer.Option(metavar="NF", help="Retrace tuning capacitance, nF.")] = "",
    yoke: Annotated[str, typer.Option(metavar="MH", help="Line yoke, mH.")] = "",
    width_coil: Annotated[str, typer.Option(metavar="MH", help="Width coil in series with it, mH.")] = "",
    eht: Annotated[str, typer.Option("--eht", metavar="KV", help="Anode voltage measured at zero beam, kV.")] = "",
    limit: Annotated[str, typer.Option(metavar="KV", help="Its rating, from the set's papers, kV.")] = "",
    design_eht: Annotated[str, typer.Option(metavar="KV", help="What it should be in a set that is right, kV.")] = "",
    design_bplus: Annotated[str, typer.Option(metavar="V", help="What B+ should be, V.")] = "",
    design_tuning: Annotated[str, typer.Option(metavar="NF", help="What the tuning should be, nF.")] = "",
    new_bplus: Annotated[str, typer.Option(metavar="V", help="The change: B+ set to this, V.")] = "",
    new_line: Annotated[str, typer.Option(metavar="KHZ", help="The change: this line rate, kHz.")] = "",
    new_tuning: Annotated[str, typer.Option(metavar="NF", help="The change: this tuning capacitance, nF.")] = "",
    new_yoke: Annotated[str, typer.Option(metavar="MH", help="The change: this yoke, mH.")] = "",
    new_width_coil: Annotated[str, typer.Option(metavar="MH", help="The change: the width coil at this, mH.")] = "",
    chassis: ChassisOption = "",
    as_json: JsonOption = False,
) -> None:
    """Guard the anode voltage against a change.

    Says whether the change would raise it, and refuses what goes beyond its rating.
    Ends with exit code 3 where the change must not be recommended.
    """
    typed = {
        "bplus": bplus,
        "line": line,
        "retrace": retrace,
        "tuning": tuning,
        "yoke": yoke,
        "width_coil": width_coil,
        "eht": eht,
        "limit": limit,
        "design_eht": design_eht,
        "design_bplus": design_bplus,
        "design_tuning": design_tuning,
        "new_bplus": new_bplus,
        "new_line": new_line,
        "new_tuning": new_tuning,
        "new_yoke": new_yoke,
        "new_width_coil": new_width_coil,
    }
    _answer("eht", typed, chassis=chassis, as_json=as_json)


def _raw(
    rectifier: str,
    secondary: str,
    hz: str,
    source_ohm: str,
    reservoir: str,
    esr: str,
    load: str,
    load_ohm: str,
    diode: str,
) -> dict[str, str]:
    return {
        "rectifier": rectifier,
        "secondary": secondary,
        "hz": hz,
        "source_ohm": source_ohm,
        "reservoir": reservoir,
        "esr": esr,
        "load": load,
        "load_ohm": load_ohm,
        "diode": diode,
    }


def _answer(
    question: Question, typed: dict[str, str], *, chassis: str = "", draw: Path | None = None, as_json: bool
) -> None:
    from tubewright.answers.supply_asked import answer, profile_of, with_profile
    from tubewright.answers.supply_form import to_json

    knowledge = known_anyway()
    try:
        asked, filled = with_profile(question, typed, profile_of(knowledge.chassis, chassis))
        found = answer(question, asked)
    except RefusedError as error:
        raise RefusedError(_as_options(error)) from error
    except InputError as error:
        raise InputError(_as_options(error)) from error
    cautions = tuple(knowledge.cautions[name].text for name in found.cautions)
    confirm = tuple(c for name in found.cautions if (c := knowledge.cautions[name].confirm))
    if draw is not None:
        _drawn(found, draw)
    if as_json:
        emit_json({**to_json(found, cautions=cautions, confirm=confirm), "from_chassis": filled})
        return
    from tubewright.report.supply_text import supply_to_text

    words = tuple(f"{_option(name)} {value}" for name, value in filled.items())
    emit(
        supply_to_text(
            found,
            cautions=cautions,
            confirm=confirm,
            filled=words,
            width=settings.columns(),
            colour=settings.colour(),
        )
    )


def _drawn(found: SupplyAnswer, place: Path) -> None:
    from tubewright.report.frame import to_svg
    from tubewright.report.supply_charts import has_chart, ripple_chart

    if not has_chart(found):
        raise InputError(Fault(what="there is nothing to draw here", where="--draw", mend="Leave it out."))
    drawn = to_svg(ripple_chart(found))
    try:
        place.write_text(drawn, encoding="utf-8")
    except OSError as error:
        what = f"{place} can't be written: {error.strerror}"
        raise InputError(Fault(what=what, where="--draw", mend="Name another file.")) from error


def _option(field: str) -> str:
    return f"--{field.replace('_', '-')}"


def _as_options(error: TubewrightError) -> tuple[Fault, ...]:
    """The faults with the options' names in place of the fields'."""
    return tuple(
        Fault(what=fault.what, where=_option(fault.where) if fault.where else "", mend=fault.mend)
        for fault in error.faults
    )
