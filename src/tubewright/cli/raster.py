"""``raster``: rasters by name, by formula, and fitted to a chassis; as times, as a mode line, as EDID."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.door import Door, emit, emit_json
from tubewright.cli.raster_given import give, number, scaled, typed, whole
from tubewright.cli.shop import known_anyway
from tubewright.errors import Fault, RefusedError

if TYPE_CHECKING:
    from tubewright.answers.raster import RasterAnswer
    from tubewright.picture.patterns.fit import Fit


class Mount(enum.StrEnum):
    """How a display, and so its tube, is mounted."""

    horizontal = "horizontal"
    vertical = "vertical"


class Formula(enum.StrEnum):
    """Formulas for timing."""

    cvt = "cvt"
    gtf = "gtf"


class Rule(enum.StrEnum):
    """Whose reading of CVT."""

    xcvt = "xcvt"
    cvt_1_1 = "1.1"
    cvt_1_2 = "1.2"


class Blank(enum.StrEnum):
    """How much of a line is left dark by CVT."""

    normal = "normal"
    reduced = "reduced"
    reduced_2 = "reduced-2"


class Like(enum.StrEnum):
    """Classes of chassis by line rate."""

    k15 = "15k"
    k24 = "24k"
    k31 = "31k"


class Keep(enum.StrEnum):
    """What gives way last."""

    lines = "lines"
    rate = "rate"


JsonOption = Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")]
MountOption = Annotated[Mount, typer.Option(help="How the display is mounted: sizes are then as seen upright.")]
ModelineOption = Annotated[
    bool,
    typer.Option("--modeline", help="Print only the mode line for the X display server; cautions to standard error."),
]
EdidOption = Annotated[
    Path | None, typer.Option("--edid", metavar="FILE", help="Write 128 bytes of EDID 1.3 to a new file.")
]
RepeatOption = Annotated[
    str, typer.Option("--repeat", metavar="N", help="Send each dot N times, for a source without so slow a clock.")
]
SizeOption = Annotated[
    tuple[str, str],
    typer.Option("--picture-mm", metavar="W H", help="Size of the picture along and across the lines, for EDID."),
]
LabelOption = Annotated[
    str, typer.Option("--label", metavar="TEXT", help="Name of the display, for EDID; 13 characters.")
]
Width = Annotated[str, typer.Argument(metavar="W", help="Dots across the picture.")]
Height = Annotated[str, typer.Argument(metavar="H", help="Lines down the picture.")]
Rate = Annotated[str, typer.Argument(metavar="RATE", help="Fields a second, Hz.")]


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    group = typer.Typer(
        name="raster",
        cls=Door,
        help="Find, reckon or fit a raster: times, mode line, EDID.",
        no_args_is_help=True,
    )
    group.command("list", epilog="Example: tubewright raster list --search 15k")(list_)
    group.command("show", epilog="Example: tubewright raster show arcade-15k-320x240 --mount vertical")(show)
    group.command("formula", epilog="Example: tubewright raster formula cvt 640 480 60")(formula)
    group.command("fit", epilog="Example: tubewright raster fit 320 240 60 --line-khz 15.2 16.2 --retrace-us 11")(fit)
    app.add_typer(group)


def list_(
    *,
    search: Annotated[str, typer.Option("--search", metavar="WORDS", help="Only those that fit these words.")] = "",
    mount: MountOption = Mount.horizontal,
    as_json: JsonOption = False,
) -> None:
    """List the rasters that have a name, with their source."""
    from tubewright.answers.raster import describe_raster, raster_json
    from tubewright.picture.patterns.rasters import library
    from tubewright.report.describe import Column, Paragraph, Table
    from tubewright.report.text import blocks_to_text

    knowledge = known_anyway()
    words = search.lower().split()
    answers = [
        describe_raster(raster, mounting=mount.value, facts=knowledge.rasters[name])
        for name, raster in library(knowledge.rasters.values()).items()
        if all(
            word in f"{name} {knowledge.rasters[name].name} {knowledge.rasters[name].kind}".lower() for word in words
        )
    ]
    if as_json:
        emit_json([raster_json(answer) for answer in answers])
        return
    if not answers:
        emit("Nothing fits these words. Leave --search out to see them all.")
        return
    table = Table(
        caption=f"{len(answers)} rasters" + (", sizes as seen upright" if mount is Mount.vertical else ""),
        columns=(
            Column(heading="Name"),
            Column(heading="Picture"),
            Column(heading="Line, kHz", figures=True),
            Column(heading="Field, Hz", figures=True),
            Column(heading="Where from"),
        ),
        rows=tuple(
            (
                a.raster.name,
                f"{a.seen[0]} x {a.seen[1]}{' i' if a.raster.interlaced else ''}",
                f"{a.times.line_khz:.3f}",
                f"{a.times.field_hz:.2f}",
                f"{a.facts.kind}, {a.facts.source}" if a.facts else "",
            )
            for a in answers
        ),
    )
    caution = Paragraph(text=knowledge.cautions["line_rate"].text, strong=True)
    emit(blocks_to_text([caution, Paragraph(text=""), table], width=settings.columns(), colour=settings.colour()))


def show(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Which raster; `tubewright raster list` names them.")],
    *,
    mount: MountOption = Mount.horizontal,
    repeat: RepeatOption = "1",
    modeline: ModelineOption = False,
    edid: EdidOption = None,
    picture_mm: SizeOption = ("400", "300"),
    label: LabelOption = "",
    as_json: JsonOption = False,
) -> None:
    """Show a raster in time: µs, dots and lines; its mode line; its EDID."""
    from tubewright.answers.raster import describe_raster
    from tubewright.picture.patterns.rasters import find_raster, library, repeated

    known = known_anyway().rasters

    def work() -> RasterAnswer:
        raster = find_raster(library(known.values()), name)
        wide = repeated(raster, whole(repeat, "--repeat"))
        return describe_raster(wide, mounting=mount.value, facts=known[raster.name])

    give(typed(work), modeline=modeline, edid=edid, picture_mm=picture_mm, label=label, as_json=as_json)


def formula(
    which: Annotated[Formula, typer.Argument(metavar="cvt|gtf", help="Which formula.")],
    width: Width,
    height: Height,
    rate: Rate,
    *,
    rule: Annotated[
        Rule, typer.Option(help="CVT as the program cvt has it, or by the standard's version.")
    ] = Rule.xcvt,
    blanking: Annotated[Blank, typer.Option(help="CVT: the reduced ones leave a tube no time for its retrace.")] = (
        Blank.normal
    ),
    interlaced: Annotated[
        bool, typer.Option("--interlaced", help="Two fields a frame; CVT by rule 1.1 or 1.2.")
    ] = False,
    margins: Annotated[
        bool, typer.Option("--margins", help="Leave 1.8 % free on each side; CVT by rule 1.1 or 1.2.")
    ] = False,
    modeline: ModelineOption = False,
    edid: EdidOption = None,
    picture_mm: SizeOption = ("400", "300"),
    label: LabelOption = "",
    as_json: JsonOption = False,
) -> None:
    """Reckon a raster by VESA CVT or GTF.

    Both were made for computer displays above some 30 kHz; for a given chassis use fit.
    """
    from tubewright.answers.raster import describe_raster
    from tubewright.picture.patterns import timing_formulas

    def work() -> RasterAnswer:
        wish = (whole(width, "W"), whole(height, "H"), number(rate, "RATE"))
        if which is Formula.gtf:
            raster = timing_formulas.gtf(*wish, interlaced=interlaced, margins=margins)
            return describe_raster(raster)
        kind = timing_formulas.BLANKINGS[blanking.value.replace("-", "_")]
        raster = timing_formulas.cvt(*wish, blanking=kind, interlaced=interlaced, margins=margins, rule=rule.value)
        remarks = (
            ("Reduced blanking is for flat panels: a tube's retrace takes longer than this leaves.",)
            if blanking is not Blank.normal
            else ()
        )
        return describe_raster(raster, remarks=remarks)

    give(typed(work), modeline=modeline, edid=edid, picture_mm=picture_mm, label=label, as_json=as_json)


def fit(
    width: Width,
    height: Height,
    rate: Rate,
    *,
    like: Annotated[Like | None, typer.Option(help="Class of the chassis, for what else isn't given.")] = None,
    line_khz: Annotated[
        tuple[str, str], typer.Option("--line-khz", metavar="LOW HIGH", help="Line rates the chassis takes, kHz.")
    ] = ("", ""),
    usual_khz: Annotated[str, typer.Option("--usual-khz", metavar="KHZ", help="Line rate it was made for.")] = "",
    retrace_us: Annotated[
        str, typer.Option("--retrace-us", metavar="US", help="Least time without picture in a line, µs.")
    ] = "",
    front_us: Annotated[str, typer.Option("--front-us", metavar="US", help="Least front porch of a line, µs.")] = "",
    sync_us: Annotated[str, typer.Option("--sync-us", metavar="US", help="Least line sync, µs.")] = "",
    back_us: Annotated[str, typer.Option("--back-us", metavar="US", help="Least back porch of a line, µs.")] = "",
    field_hz: Annotated[
        tuple[str, str], typer.Option("--field-hz", metavar="LOW HIGH", help="Field rates it locks to, Hz.")
    ] = ("", ""),
    field_retrace_ms: Annotated[
        str, typer.Option("--field-retrace-ms", metavar="MS", help="Least time without picture in a field, ms.")
    ] = "",
    field_sync_lines: Annotated[str, typer.Option("--field-sync-lines", metavar="N", help="Lines of field sync.")] = "",
    clock_mhz: Annotated[str, typer.Option("--clock-mhz", metavar="MHZ", help="Fastest clock of the source.")] = "",
    interlace: Annotated[bool, typer.Option("--interlace/--no-interlace", help="Whether it may be interlaced.")] = True,
    keep: Annotated[Keep, typer.Option(help="What gives way last where not all fits.")] = Keep.lines,
    mount: MountOption = Mount.horizontal,
    repeat: RepeatOption = "1",
    modeline: ModelineOption = False,
    edid: EdidOption = None,
    picture_mm: SizeOption = ("400", "300"),
    label: LabelOption = "",
    as_json: JsonOption = False,
) -> None:
    """Fit a picture into a chassis, and say what can't be met.

    W and H are as seen upright: on a display mounted vertically H runs along the lines.
    """
    from tubewright.answers.raster import chassis_of, describe_raster, fit_wish
    from tubewright.picture.patterns.rasters import repeated

    def work() -> tuple[RasterAnswer, Fit]:
        limits = {
            "line_low_hz": scaled(line_khz[0], "--line-khz", 1e3),
            "line_high_hz": scaled(line_khz[1], "--line-khz", 1e3),
            "line_usual_hz": scaled(usual_khz, "--usual-khz", 1e3),
            "line_blanking_s": scaled(retrace_us, "--retrace-us", 1e-6),
            "line_front_s": scaled(front_us, "--front-us", 1e-6),
            "line_sync_s": scaled(sync_us, "--sync-us", 1e-6),
            "line_back_s": scaled(back_us, "--back-us", 1e-6),
            "field_low_hz": scaled(field_hz[0], "--field-hz", 1),
            "field_high_hz": scaled(field_hz[1], "--field-hz", 1),
            "field_blanking_s": scaled(field_retrace_ms, "--field-retrace-ms", 1e-3),
            "field_sync_lines": whole(field_sync_lines, "--field-sync-lines") if field_sync_lines else None,
            "clock_high_hz": scaled(clock_mhz, "--clock-mhz", 1e6),
            "interlace": interlace,
        }
        chassis, assumed = chassis_of(like.value if like else "", limits)
        wish = [whole(width, "W"), whole(height, "H")]
        if mount is Mount.vertical:
            wish.reverse()
        found = fit_wish((wish[0], wish[1], number(rate, "RATE")), chassis, keep=keep.value, for_edid=edid is not None)
        if found.raster is None:
            raise RefusedError(
                Fault(what=found.words[0].rstrip("."), where="", mend="Widen the limits, if the chassis allows it.")
            )
        raster = repeated(found.raster, whole(repeat, "--repeat"))
        return describe_raster(raster, mounting=mount.value, remarks=(*found.words, *assumed)), found

    answer, found = typed(work)
    give(answer, modeline=modeline, edid=edid, picture_mm=picture_mm, label=label, as_json=as_json, found=found)
