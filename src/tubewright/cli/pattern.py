"""``pattern``: test patterns as files, true to the dot. ``tags``: the sheet of reference tags to print."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tubewright.cli import settings
from tubewright.cli.door import Door, emit, emit_json
from tubewright.cli.shop import known_anyway
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.knowledge.model import Knowledge
    from tubewright.picture.patterns.catalogue import Pattern
    from tubewright.picture.patterns.raster import Raster
    from tubewright.report.describe import Block

JsonOption = Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")]
RasterOption = Annotated[
    str, typer.Option("--raster", metavar="NAME", help="Raster to draw on; `tubewright raster list` names them.")
]


class PictureShape(enum.StrEnum):
    """Width to height of the picture on the glass, width along the lines."""

    four_three = "4:3"
    three_four = "3:4"
    five_four = "5:4"
    sixteen_nine = "16:9"


class LitGuns(enum.StrEnum):
    """Which guns stay lit."""

    all = "all"
    red = "red"
    green = "green"
    blue = "blue"
    red_green = "red_green"
    red_blue = "red_blue"
    green_blue = "green_blue"


class PaperSize(enum.StrEnum):
    """Paper in the printer."""

    a4 = "a4"
    letter = "letter"


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    group = typer.Typer(name="pattern", cls=Door, help="Draw test patterns at the exact raster.", no_args_is_help=True)
    group.command("list", epilog="Example: tubewright pattern list --raster arcade-15k-320x240")(list_)
    group.command(
        "draw", epilog="Example: tubewright pattern draw crosshatch --raster arcade-15k-320x240 --out crosshatch.png"
    )(draw)
    app.add_typer(group)
    app.command("tags", epilog="Example: tubewright tags --out tags.pdf --paper a4")(tags)


def list_(*, raster: RasterOption = "", as_json: JsonOption = False) -> None:
    """List the patterns and what each is for.

    With a raster also what holds for that one alone: levels, frequencies, how fast bars drift.
    """
    from tubewright.picture.patterns.catalogue import CATALOGUE
    from tubewright.report.describe import Column, Paragraph, Table

    known = _raster(raster) if raster else None
    if as_json:
        emit_json([_as_json(pattern, known) for pattern in CATALOGUE.values()])
        return
    table = Table(
        caption=f"{len(CATALOGUE)} patterns",
        columns=(Column(heading="Name"), Column(heading="What it is for"), Column(heading="What it shows")),
        rows=tuple((p.name, p.use, p.shows) for p in CATALOGUE.values()),
    )
    notes = [(p.title, p.note(known)) for p in CATALOGUE.values()] if known else []
    _emit([table, *(Paragraph(text=f"{title}: {note}") for title, note in notes if note)])


def draw(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Which pattern; `tubewright pattern list` names them.")],
    *,
    raster: RasterOption,
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="FILE", help="A new file: .png a picture, .apng a loop, .mkv a video; all lossless."
        ),
    ],
    shape: Annotated[
        PictureShape, typer.Option(help="Width to height of the picture on the glass, along and across the lines.")
    ] = PictureShape.four_three,
    guns: Annotated[LitGuns, typer.Option(help="Leave only these guns lit.")] = LitGuns.all,
    level: Annotated[str, typer.Option(metavar="PERCENT", help="Level of grey and split.")] = "50",
    as_json: JsonOption = False,
) -> None:
    """Draw a pattern to a file, dot by dot of the raster."""
    from tubewright.files.pattern_files import write_pattern
    from tubewright.knowledge.load import load_knowledge
    from tubewright.picture.patterns.catalogue import FEED_CAUTIONS, Drawing, find_pattern
    from tubewright.picture.patterns.trade_levels import SHAPES
    from tubewright.report.describe import Paragraph

    pattern, known = find_pattern(name), _raster(raster)
    level_pct = parse_quantity(level.strip().removesuffix("%").strip(), kind="number", where="--level").value
    chosen = next(one for one in SHAPES if one == shape.value)
    frames = pattern.frames(known, Drawing(shape=chosen, guns=guns.value, level_pct=level_pct))
    _must_be_new(out)
    said = write_pattern(out, frames, state_s=pattern.state_s, rate_hz=known.frame_hz)
    cautions = _cautions(load_knowledge(), FEED_CAUTIONS)
    if as_json:
        body = _as_json(pattern, known)
        emit_json({"cautions": cautions, "file": str(out), "written": said, "raster": known.name, **body})
        return
    lines = [*cautions, pattern.careful, f"{out}: {pattern.title}, {known.width_px} by {known.height_px} dots. {said}"]
    lines += [f"What it is for: {pattern.use}", f"What to look at: {pattern.look}", f"A fault: {pattern.fault}"]
    _emit([Paragraph(text=line) for line in (*lines, pattern.note(known)) if line])


def tags(
    *,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="A new file, a PDF.")],
    paper: Annotated[PaperSize, typer.Option(help="Paper in the printer.")] = PaperSize.a4,
    as_json: JsonOption = False,
) -> None:
    """Write the sheet of reference tags to print at 100 %.

    Laid beside the picture they give a photograph its scale and its plane.
    """
    from tubewright.files.pattern_files import write_whole
    from tubewright.knowledge.load import load_knowledge
    from tubewright.picture.patterns.catalogue import TAG_CAUTIONS
    from tubewright.report.describe import Paragraph
    from tubewright.report.tag_sheet import BAR_MM, PAPERS_MM, tag_sheet_pdf

    if out.suffix.lower() != ".pdf":
        raise InputError(Fault(what="the sheet is a PDF", where=str(out), mend="End the name in .pdf."))
    _must_be_new(out)
    size = next(one for one in PAPERS_MM if one == paper.value)
    cautions = _cautions(load_knowledge(), TAG_CAUTIONS)
    write_whole(out, tag_sheet_pdf(size, cautions=cautions))
    if as_json:
        emit_json({"cautions": cautions, "file": str(out), "paper": size, "scale_bar_mm": BAR_MM})
        return
    written = (
        f"{out}: print it at 100 % on {size.upper() if size == 'a4' else 'letter'} paper, then lay a ruler on its two "
        f"bars. Each must be {BAR_MM:g} mm long; if not, the sheet is of no use."
    )
    _emit([Paragraph(text=line) for line in (*cautions, written)])


def _raster(name: str) -> Raster:
    from tubewright.picture.patterns.rasters import find_raster, library

    return find_raster(library(known_anyway().rasters.values()), name)


def _cautions(knowledge: Knowledge, names: tuple[str, ...]) -> list[str]:
    return [knowledge.cautions[name].text for name in names]


def _must_be_new(file: Path) -> None:
    if file.exists():
        raise InputError(
            Fault(what="there is a file of that name already", where=str(file), mend="Choose another name.")
        )


def _as_json(pattern: Pattern, raster: Raster | None) -> dict[str, Any]:
    body: dict[str, Any] = {
        "name": pattern.name,
        "title": pattern.title,
        "shows": pattern.shows,
        "use": pattern.use,
        "look": pattern.look,
        "fault": pattern.fault,
        "careful": pattern.careful,
        "takes": sorted("level" if field == "level_pct" else field for field in pattern.takes),
        "moving": pattern.moving,
        "flashes_per_s": pattern.flashes_per_s,
    }
    return body if raster is None else {**body, "note": pattern.note(raster)}


def _emit(blocks: list[Block]) -> None:
    from tubewright.report.text import blocks_to_text

    emit(blocks_to_text(blocks, width=settings.columns(), colour=settings.colour()))
