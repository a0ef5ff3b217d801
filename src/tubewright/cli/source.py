"""``source``: is this source fit for this input, an attenuator, and the standard levels."""

from __future__ import annotations

import dataclasses
import enum
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Final, TypeVar

import typer

from tubewright.cli import settings
from tubewright.cli.door import Door, emit, emit_json
from tubewright.cli.shop import known
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.knowledge.model import Knowledge, RasterFacts
    from tubewright.knowledge.parts import LevelStandard
    from tubewright.report.describe import Block

Entry = TypeVar("Entry")

JsonOption = Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")]


class Sync(enum.StrEnum):
    """How sync travels."""

    separate = "separate"
    composite = "composite"
    on_green = "on-green"


class Polarity(enum.StrEnum):
    """Which way sync pulses stand."""

    negative = "negative"
    positive = "positive"
    either = "either"


_OPTIONS: Final = {
    # what the answer calls a figure, and what the person typed
    "sync_low_v_pp": "--sync-v",
    "sync_high_v_pp": "--sync-v",
    "video_v_pp": "--video-v or --display-video-v",
    "coupling_uf": "--coupling",
    "line_hz": "--line-khz",
    "field_hz": "--field-hz",
    "low_v": "--display-sync-v",
    "high_v": "--display-sync-v",
    "sync_ohm": "--display-sync-ohm",
    "video_ohm": "--display-video-ohm",
    "line_low_hz": "--display-khz",
    "line_high_hz": "--display-khz",
    "field_low_hz": "--display-hz",
    "field_high_hz": "--display-hz",
    "more_loads": "--more-loads",
    "level": "--level",
    "target": "--target",
    "source_ohm": "--behind",
    "line_ohm": "--wants",
    "load": "--load",
}


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    group = typer.Typer(
        name="source",
        cls=Door,
        help="Is a source fit for an input: rates, sync, levels.",
        no_args_is_help=True,
    )
    group.command(
        "fit",
        epilog="Example: tubewright source fit --levels vsis --raster arcade-15k-320x240 --chassis larkspur-19",
    )(fit)
    group.command(
        "pad", epilog="Example: tubewright source pad --level 3 --target 0.7 --behind 150 --wants 1000 --load 75"
    )(pad)
    group.command("levels", epilog="Example: tubewright source levels")(levels)
    app.add_typer(group)


def fit(
    *,
    levels: Annotated[str, typer.Option(metavar="ID", help="Source: levels by name (tubewright source levels).")] = "",
    raster: Annotated[str, typer.Option(metavar="NAME", help="Source: raster by name (tubewright raster list).")] = "",
    sync: Annotated[Sync | None, typer.Option(help="Source: how it gives sync.")] = None,
    polarity: Annotated[Polarity | None, typer.Option(help="Source: polarity of line or composite sync.")] = None,
    field_polarity: Annotated[Polarity | None, typer.Option(help="Source: polarity of field sync.")] = None,
    sync_v: Annotated[str, typer.Option(metavar="V", help="Source: swing of sync.")] = "",
    sync_behind: Annotated[str, typer.Option(metavar="OHM", help="Source: resistance behind its sync.")] = "",
    video_v: Annotated[str, typer.Option(metavar="V", help="Source: black to white.")] = "",
    video_behind: Annotated[str, typer.Option(metavar="OHM", help="Source: resistance behind its colours.")] = "",
    video_at: Annotated[str, typer.Option(metavar="OHM", help="Source: load at which --video-v was measured.")] = "",
    serrations: Annotated[
        bool | None, typer.Option("--serrations/--no-serrations", help="Source: line edges within the field pulse.")
    ] = None,
    coupling: Annotated[str, typer.Option(metavar="UF", help="Source: capacitor in series with its colours.")] = "",
    line_khz: Annotated[str, typer.Option(metavar="KHZ", help="Source: line rate.")] = "",
    field_hz: Annotated[str, typer.Option(metavar="HZ", help="Source: field rate.")] = "",
    chassis: Annotated[str, typer.Option(metavar="ID", help="Display: its profile.")] = "",
    made_for: Annotated[
        str, typer.Option("--input", metavar="ID", help="Display: levels that its input was made for.")
    ] = "",
    display_sync: Annotated[Sync | None, typer.Option(help="Display: how it takes sync.")] = None,
    display_polarity: Annotated[Polarity | None, typer.Option(help="Display: polarity of sync it takes.")] = None,
    display_sync_v: Annotated[str, typer.Option(metavar="V", help="Display: least swing of sync it takes.")] = "",
    display_sync_ohm: Annotated[str, typer.Option(metavar="OHM", help="Display: its sync input.")] = "",
    display_video_v: Annotated[str, typer.Option(metavar="V", help="Display: black to white that it wants.")] = "",
    display_video_ohm: Annotated[str, typer.Option(metavar="OHM", help="Display: its colour inputs to ground.")] = "",
    display_khz: Annotated[str, typer.Option(metavar="KHZ", help="Display: line rate it was made for.")] = "",
    display_hz: Annotated[str, typer.Option(metavar="HZ", help="Display: field rate it was made for.")] = "",
    clamps: Annotated[
        bool | None, typer.Option("--clamps/--no-clamps", help="Display: sets black anew behind a capacitor.")
    ] = None,
    more_loads: Annotated[int, typer.Option(min=0, max=8, metavar="N", help="Further 75 ohm inputs on the lines.")] = 0,
    as_json: JsonOption = False,
) -> None:
    """Say whether a source fits an input, and what to put between.

    Name levels, raster, chassis and input as far as you know them; single figures count for more than names.
    """
    from tubewright.answers import source as answers
    from tubewright.answers.profile import named_chassis

    knowledge = known()
    theirs, ours = _standard(levels, "--levels", knowledge), _standard(made_for, "--input", knowledge)
    swing = _figure(sync_v, "voltage", "--sync-v")
    line = _figure(line_khz, "khz", "--line-khz")
    given: dict[str, Any] = {
        "sync": _plain(sync),
        "line_polarity": _plain(polarity),
        "field_polarity": _plain(field_polarity),
        "sync_low_v_pp": swing,
        "sync_high_v_pp": swing,
        "sync_source_ohm": _figure(sync_behind, "resistance", "--sync-behind"),
        "video_v_pp": _figure(video_v, "voltage", "--video-v"),
        "video_source_ohm": _figure(video_behind, "resistance", "--video-behind"),
        "video_load_ohm": _figure(video_at, "resistance", "--video-at"),
        "serrated": serrations,
        "coupling_uf": _figure(coupling, "capacitance", "--coupling", "uF"),
        "line_hz": None if line is None else 1000 * line,
        "field_hz": _figure(field_hz, "number", "--field-hz"),
    }
    source = answers.source_side(standard=theirs, raster=_raster(raster, knowledge), given=given)
    wanted: dict[str, Any] = {
        "sync": _plain(display_sync),
        "polarity": _plain(display_polarity),
        "high_v": _figure(display_sync_v, "voltage", "--display-sync-v"),
        "sync_ohm": _figure(display_sync_ohm, "resistance", "--display-sync-ohm"),
        "video_v_pp": _figure(display_video_v, "voltage", "--display-video-v"),
        "video_ohm": _figure(display_video_ohm, "resistance", "--display-video-ohm"),
        "clamps": clamps,
        "more_loads": more_loads,
    }
    display = answers.display_side(
        knowledge,
        standard=ours,
        chassis=named_chassis(chassis, knowledge, where="--chassis"),
        line_khz=_figure(display_khz, "khz", "--display-khz"),
        field_hz=_figure(display_hz, "number", "--display-hz"),
        given=wanted,
    )
    standards = tuple(dict.fromkeys(one for one in (theirs, ours) if one is not None))
    try:
        answer = answers.answer_source(source, display, knowledge, standards=standards)
    except InputError as error:
        raise _renamed(error) from error
    texts = [knowledge.cautions[name].text for name in answer.cautions]
    confirm = [knowledge.cautions[name].confirm for name in answer.cautions if knowledge.cautions[name].confirm]
    if as_json:
        emit_json({"cautions": texts, "confirm": confirm, **answers.source_json(answer)})
        return
    from tubewright.report.source_text import source_blocks

    _emit(source_blocks(answer, texts, confirm))


def pad(
    *,
    level: Annotated[str, typer.Option(metavar="V", help="What the source gives at --wants.")],
    target: Annotated[str, typer.Option(metavar="V", help="Wanted at the input.")],
    behind: Annotated[str, typer.Option(metavar="OHM", help="Resistance behind the source.")] = "75",
    wants: Annotated[str, typer.Option(metavar="OHM", help="What the source wants to see.")] = "75",
    load: Annotated[str, typer.Option(metavar="OHM", help="The input to ground.")] = "75",
    as_json: JsonOption = False,
) -> None:
    """Give the resistors of an attenuator, in preferred values."""
    from tubewright.answers import source as answers

    knowledge = known()
    target_v = parse_quantity(target, kind="voltage", where="--target").value
    try:
        found = answers.pad(
            level_v_pp=parse_quantity(level, kind="voltage", where="--level").value,
            target_v_pp=target_v,
            source_ohm=parse_quantity(behind, kind="resistance", where="--behind").value,
            wants_ohm=parse_quantity(wants, kind="resistance", where="--wants").value,
            load_ohm=parse_quantity(load, kind="resistance", where="--load").value,
            share=knowledge.value("source_level_share"),
        )
    except InputError as error:
        raise _renamed(error) from error
    if as_json:
        emit_json(answers.pad_json(found))
        return
    from tubewright.report.source_text import pad_table

    _emit([pad_table(found, target_v)])


def levels(*, as_json: JsonOption = False) -> None:
    """List the levels that have a name, with their sources."""
    knowledge = known()
    if as_json:
        emit_json([dataclasses.asdict(one) for one in knowledge.level_standards.values()])
        return
    from tubewright.answers.source import level_rows
    from tubewright.report.source_text import levels_table

    _emit([levels_table(level_rows(knowledge))])


def _standard(name: str, option: str, knowledge: Knowledge) -> LevelStandard | None:
    return _named(name, option, knowledge.level_standards, "no levels are called", "tubewright source levels")


def _raster(name: str, knowledge: Knowledge) -> RasterFacts | None:
    return _named(name, "--raster", knowledge.rasters, "no raster is called", "tubewright raster list")


def _named(name: str, option: str, held: Mapping[str, Entry], what: str, where: str) -> Entry | None:
    if not name:
        return None
    if name in held:
        return held[name]
    from difflib import get_close_matches

    near = get_close_matches(name, list(held), n=3, cutoff=0.5)
    mend = f"Nearest are {', '.join(near)}." if near else f"`{where}` names them."
    raise InputError(Fault(what=f"{what} “{name[:40]}”", where=option, mend=mend))


def _figure(text: str, kind: str, option: str, default_unit: str | None = None) -> float | None:
    return parse_quantity(text, kind=kind, default_unit=default_unit, where=option).value if text else None


def _plain(chosen: enum.StrEnum | None) -> str | None:
    return None if chosen is None else chosen.value.replace("-", "_")


def _renamed(error: InputError) -> InputError:
    return InputError(
        Fault(what=one.what, where=_OPTIONS.get(one.where, one.where), mend=one.mend) for one in error.faults
    )


def _emit(blocks: list[Block]) -> None:
    from tubewright.report.text import blocks_to_text

    emit(blocks_to_text(blocks, width=settings.columns(), colour=settings.colour()))
