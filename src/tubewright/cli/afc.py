"""``afc``: the horizontal AFC loop, from its parts to the curl and back, with its cautions first."""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tubewright.cli import settings
from tubewright.cli.afc_given import OPTIONS, maybe, measured_of, profile_of, readings_of, sent_of, size_of, whole
from tubewright.cli.door import emit, emit_json, tell
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from tubewright.answers.afc_setup import AfcSetup
    from tubewright.knowledge.model import Knowledge
    from tubewright.physics.afc.inverse import SeenCurl
    from tubewright.physics.afc.source import SyncSource
    from tubewright.report.describe import Block
    from tubewright.report.frame import Chart


class Source(enum.StrEnum):
    """Kind of field pulse."""

    standard = "standard"
    no_equalising = "no-equalising"
    line_serrations = "line-serrations"
    no_serrations = "no-serrations"
    exclusive_or = "exclusive-or"


class Curve(enum.StrEnum):
    """Detector's output over phase."""

    triangle = "triangle"
    sawtooth = "sawtooth"
    sine = "sine"


class WithoutEdge(enum.StrEnum):
    """What the detector does on a line without an edge."""

    rest = "rest"
    open = "open"


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(
        "afc",
        epilog="Example: tubewright afc --detector 2 --series 10k --damping 1k --capacitor 1uF --oscillator 300 "
        "--timing 262p --source no-serrations --change capacitor=0.47uF --change damping=3k3",
    )(afc)


def _part(flag: str, metavar: str, text: str) -> Any:  # noqa: ANN401 - Typer's own
    return typer.Option(flag, metavar=metavar, help=text)


def afc(
    *,
    chassis: Annotated[str, typer.Option("--chassis", metavar="ID", help="Take what is known from a profile.")] = "",
    detector: Annotated[str, _part("--detector", "V", "Detector's slope, volts a radian.")] = "",
    detector_ohm: Annotated[str, _part("--detector-ohm", "OHM", "Detector's output resistance.")] = "",
    series: Annotated[str, _part("--series", "OHM", "Resistor from detector to filter.")] = "",
    damping: Annotated[str, _part("--damping", "OHM", "Resistor in series with the loop capacitor.")] = "",
    capacitor: Annotated[str, _part("--capacitor", "F", "Loop capacitor: 0.47uF.")] = "",
    shunt: Annotated[str, _part("--shunt", "F", "Small capacitor beside both: 10nF.")] = "",
    oscillator: Annotated[str, _part("--oscillator", "HZ", "Oscillator's gain, hertz a volt.")] = "",
    free_run: Annotated[
        str, _part("--free-run", "HZ", "How far it runs from the line rate with sync killed; --free-run=-80 is slow.")
    ] = "",
    coupling: Annotated[str, _part("--coupling", "F", "Coupling capacitor of the sync separator.")] = "",
    leak: Annotated[str, _part("--leak", "OHM", "Leak resistor of the sync separator.")] = "",
    capacitor_leak: Annotated[str, _part("--capacitor-leak", "OHM", "Leak across an aged loop capacitor.")] = "",
    curve: Annotated[Curve, typer.Option(help="The detector's output over phase.")] = Curve.triangle,
    gated: Annotated[bool, typer.Option("--gated", help="Only edges near the flyback count.")] = False,
    without_edge: Annotated[
        WithoutEdge,
        typer.Option(help="On a line without an edge the detector gives nothing (rest), or lets go (open)."),
    ] = WithoutEdge.rest,
    weighs_pulse: Annotated[
        bool, typer.Option("--weighs-pulse", help="The detector weighs the whole pulse, not its first edge.")
    ] = False,
    flyback: Annotated[str, _part("--flyback", "US", "Width of the flyback pulse; 12 us unless given.")] = "",
    timing: Annotated[
        str, typer.Option(metavar="NAME", help="525-60, 625-50, 262p, 312p, or a raster of the library.")
    ] = "",
    source: Annotated[Source | None, typer.Option(help="What the field pulse does to the line pulses.")] = None,
    vertical_lines: Annotated[str, _part("--vertical-lines", "N", "Length of the field pulse, lines.")] = "",
    mid_line: Annotated[bool, typer.Option("--mid-line", help="The field pulse begins in mid-line.")] = False,
    line_pulse: Annotated[str, _part("--line-pulse", "US", "Width of the line pulses.")] = "",
    jitter: Annotated[str, _part("--jitter", "US", "RMS jitter of single sync edges.")] = "",
    mains_jitter: Annotated[str, _part("--mains-jitter", "US", "Sway of sync at mains rate, middle to peak.")] = "",
    mains: Annotated[str, _part("--mains", "HZ", "Mains frequency; 50 Hz unless given.")] = "",
    picture_mm: Annotated[
        tuple[float, float] | None, typer.Option("--picture-mm", metavar="W H", help="Width and height of the picture.")
    ] = None,
    change: Annotated[
        list[str] | None, typer.Option("--change", metavar="PART=VALUE", help="What if: capacitor=0.47uF; repeatable.")
    ] = None,
    best: Annotated[bool, typer.Option("--best", help="Look for the one change that does best.")] = False,
    stock: Annotated[
        list[str] | None,
        typer.Option("--stock", metavar="PART=VALUES", help='At hand: "capacitor=0.47uF 0.33uF"; else series E12.'),
    ] = None,
    sync_tried: Annotated[
        bool, typer.Option("--sync-tried", help="Sync with an edge on every line was tried, or can't be had.")
    ] = False,
    most_jitter: Annotated[str, _part("--most-jitter", "TIMES", "Most that line jitter may grow; 1.5.")] = "",
    least_hold: Annotated[str, _part("--least-hold", "PART", "Least of the hold range to keep; 80 %.")] = "",
    least_damping: Annotated[str, _part("--least-damping", "Z", "Least damping to keep; 0.4.")] = "",
    reading: Annotated[
        list[str] | None,
        typer.Option(
            "--reading", metavar="LINE=MM", help="A ruler reading, 12=3.5 or 30mm=-1.2 (left); three or more."
        ),
    ] = None,
    reading_sd: Annotated[str, _part("--reading-sd", "MM", "How well they were read; 0.5 mm.")] = "",
    measurement: Annotated[
        Path | None,
        typer.Option("--measurement", metavar="FILE", help="A curl that was measured: tubewright measure --json."),
    ] = None,
    gap: Annotated[str, _part("--gap", "N", "Lines without an edge, if known, for a measured curl.")] = "",
    draw: Annotated[Path | None, typer.Option("--draw", metavar="FILE.svg", help="Draw the displacement.")] = None,
    spice: Annotated[
        Path | None, typer.Option("--spice", metavar="FILE", help="Write the loop as a netlist for ngspice.")
    ] = None,
    shop: Annotated[
        str | None, typer.Option("--shop", metavar="PATH", help="The shop whose profiles are used.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
) -> None:
    """Reckon the horizontal AFC loop and the curl that it makes.

    From parts and source to millimetres on the picture; what a change does
    (--change); the one change that does best (--best); and from a measured curl
    back to the loop (--reading, --measurement).
    """
    from tubewright.answers.heater import renamed

    typed = {
        "detector_v_per_rad": detector,
        "detector_ohm": detector_ohm,
        "series_ohm": series,
        "damping_ohm": damping,
        "capacitor_uf": capacitor,
        "shunt_nf": shunt,
        "oscillator_hz_per_v": oscillator,
        "free_run_error_hz": free_run,
        "coupling_uf": coupling,
        "leak_ohm": leak,
        "capacitor_leak_ohm": capacitor_leak,
    }
    knowledge, profile = profile_of(chassis, shop)
    width_mm, height_mm = size_of(picture_mm, profile)
    _one_question(change=change, best=best, seen=bool(reading) or measurement is not None)
    measured, raster_name = measured_of(measurement, knowledge) if measurement is not None else (None, "")

    def question(*, parts_too: bool) -> tuple[SyncSource, AfcSetup | None]:
        from tubewright.answers.afc_setup import afc_setup, first_known
        from tubewright.answers.afc_typed import profile_parts, typed_parts

        sent = sent_of(
            knowledge,
            profile,
            timing=timing or raster_name,
            kind="" if source is None else source.value,
            vertical_lines=maybe(vertical_lines, "number", "--vertical-lines"),
            line_pulse_us=maybe(line_pulse, "microseconds", "--line-pulse"),
            mid_line=mid_line,
        )
        parts = {**profile_parts(profile), **typed_parts(typed, OPTIONS)}
        if not parts_too and not parts:
            return sent, None
        return sent, afc_setup(
            parts,
            sent,
            characteristic=curve.value,
            gated=gated,
            without_edge=without_edge.value,
            takes_pulse=weighs_pulse,
            flyback_us=first_known(
                maybe(flyback, "microseconds", "--flyback"), profile.retrace_us if profile else None
            ),
            picture_width_mm=width_mm,
            mains_hz=first_known(maybe(mains, "hertz", "--mains"), profile.mains_hz if profile else None),
            random_jitter_us=maybe(jitter, "microseconds", "--jitter") or 0.0,
            mains_jitter_us=maybe(mains_jitter, "microseconds", "--mains-jitter") or 0.0,
        )

    if reading or measured is not None:
        sent, setup = renamed(OPTIONS, lambda: question(parts_too=False))
        gap_lines = whole(gap, "--gap")
        seen = measured or renamed(OPTIONS, lambda: readings_of(reading or [], reading_sd, sent, height_mm))
        _answer_curl(knowledge, seen, sent, setup, width_mm, gap_lines, draw=draw, as_json=as_json)
        return
    _, setup = renamed(OPTIONS, lambda: question(parts_too=True))
    assert setup is not None  # noqa: S101 - parts were asked for
    if spice is not None:
        _write(spice, _netlist(setup))
    limits = {
        "jitter_ratio": maybe(most_jitter, "number", "--most-jitter"),
        "hold_ratio": maybe(least_hold, "fraction", "--least-hold"),
        "damping_ratio": maybe(least_damping, "number", "--least-damping"),
    }
    _answer(knowledge, setup, change, stock, limits, best=best, sync_tried=sync_tried, draw=draw, as_json=as_json)


def _one_question(*, change: list[str] | None, best: bool, seen: bool) -> None:
    asked = [
        name for name, there in (("--change", change), ("--best", best), ("--reading or --measurement", seen)) if there
    ]
    if len(asked) > 1:
        raise InputError(
            Fault(what=f"{' and '.join(asked)} are different questions", where="", mend="Ask one at a time.")
        )


def _answer(
    knowledge: Knowledge,
    setup: AfcSetup,
    change: list[str] | None,
    stock: list[str] | None,
    limits: Mapping[str, float | None],
    *,
    best: bool,
    sync_tried: bool,
    draw: Path | None,
    as_json: bool,
) -> None:
    from tubewright.answers import afc as answers
    from tubewright.answers.afc_json import answer_to_json
    from tubewright.answers.afc_typed import typed_changes, typed_stock
    from tubewright.answers.heater import renamed
    from tubewright.physics.afc.changes import Limits
    from tubewright.report.afc_charts import curl_chart
    from tubewright.report.afc_text import answer_blocks

    def reckon() -> answers.AfcAnswer:
        if change:
            return answers.what_if(setup, typed_changes(change, "--change"))
        if best:
            given = {name: value for name, value in limits.items() if value is not None}
            at_hand = typed_stock(stock, "--stock") if stock else None
            return answers.best_change(setup, stock=at_hand, limits=Limits(**given), sync_tried=sync_tried)
        return answers.predict_curl(setup)

    found = renamed({**OPTIONS, "change": "--change"}, reckon)
    if draw is not None:
        _draw(draw, curl_chart(found))
    _shown(
        knowledge,
        found.cautions,
        found.hazard,
        answer_blocks,
        found,
        body=answer_to_json(found) if as_json else None,
    )


def _answer_curl(
    knowledge: Knowledge,
    seen: SeenCurl,
    sent: SyncSource,
    setup: AfcSetup | None,
    width_mm: float | None,
    gap_lines: int | None,
    *,
    draw: Path | None,
    as_json: bool,
) -> None:
    from tubewright.answers.afc_curl import from_curl
    from tubewright.answers.afc_json import curl_to_json
    from tubewright.answers.afc_setup import ASSUMED_WIDTH_MM
    from tubewright.answers.heater import renamed
    from tubewright.report.afc_charts import seen_chart
    from tubewright.report.afc_text import curl_blocks

    if width_mm is None:
        tell(f"A picture {ASSUMED_WIDTH_MM:g} mm wide is assumed; give --picture-mm.")
    width = ASSUMED_WIDTH_MM if width_mm is None else width_mm
    found = renamed(OPTIONS, lambda: from_curl(seen, sent, picture_width_mm=width, gap_lines=gap_lines, setup=setup))
    if draw is not None:
        _draw(draw, seen_chart(found))
    _shown(knowledge, found.cautions, found.hazard, curl_blocks, found, body=curl_to_json(found) if as_json else None)


def _shown(
    knowledge: Knowledge,
    cautions: tuple[str, ...],
    hazard: str,
    told: Callable[[Any], list[Block]],
    answer: object,
    *,
    body: dict[str, Any] | None,
) -> None:
    """Print an answer, its cautions before it."""
    known = knowledge.cautions
    texts = tuple(known[name].text for name in cautions)
    confirm = tuple(known[name].confirm for name in cautions if known[name].confirm)
    if body is not None:
        emit_json({"cautions": list(texts), "confirm": list(confirm), **body})
        return
    from tubewright.report.describe import Step
    from tubewright.report.text import blocks_to_text

    first, *rest = told(answer)
    words = getattr(first, "text", "")
    step = Step(id="afc", cautions=texts, confirm=confirm, hazard=hazard, words=words, time="")
    emit(blocks_to_text([step, *rest], width=settings.columns(), colour=settings.colour()))


def _netlist(setup: AfcSetup) -> str:
    from tubewright.physics.afc.netlist import netlist

    return netlist(setup.parts, setup.source, setup.detector)


def _draw(path: Path, chart: Chart) -> None:
    from tubewright.report.frame import to_svg

    _write(path, to_svg(chart))


def _write(path: Path, text: str) -> None:
    """Write a new file, or say why not."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(
            Fault(what=f"can't be written: {error.strerror}", where=str(path), mend="Name another file.")
        ) from error
