"""``measure``: photographs of a picture in, millimetres out; as text, JSON, and drawn over the photograph."""

from __future__ import annotations

import enum
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from tubewright.cli import settings
from tubewright.cli.door import emit, emit_json, printable
from tubewright.cli.raster import Mount
from tubewright.cli.shop import known_anyway
from tubewright.errors import Fault, InputError, RefusedError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.answers.measure import Progress
    from tubewright.answers.measurement import Measurement, Photo, PhotoNote, Raster
    from tubewright.knowledge.model import Knowledge

TAG_CAUTIONS: Final = ("anode_charge", "implosion")
"""What to mind where strips are laid beside the glass."""
MM_PER_INCH: Final = 25.4

_OPTIONS: Final = {"picture": "--picture-mm", "diagonal": "--diagonal-in", "glass_radius": "--glass-radius-mm"}
"""What the answer calls a length, and what the person typed."""


class SurveyName(enum.StrEnum):
    """The patterns that can be measured."""

    survey = "survey"
    survey_light = "survey_light"


class TagSheet(enum.StrEnum):
    """The sheets of reference tags."""

    strips = "strips"
    none = "none"


class GunKind(enum.StrEnum):
    """Arrangement of the guns."""

    inline = "inline"
    delta = "delta"


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(
        "measure",
        epilog="Example: tubewright measure screen.jpg --diagonal-in 19 --overlay screen.svg",
    )(measure)


def measure(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO", help="Photographs of one display: JPEG, HEIC or DNG.")
    ],
    *,
    pattern: Annotated[
        SurveyName | None, typer.Option(help="The pattern they must show; either survey where it is left out.")
    ] = None,
    raster: Annotated[
        str, typer.Option(metavar="NAME", help="The raster it was drawn on; told by its marks where left out.")
    ] = "",
    picture_mm: Annotated[
        tuple[float, float] | None,
        typer.Option("--picture-mm", metavar="W H", help="Width and height of the lit picture by a ruler, mm."),
    ] = None,
    diagonal_in: Annotated[
        str, typer.Option("--diagonal-in", metavar="IN", help="Diagonal of the tube, inches (or 48cm).")
    ] = "",
    glass_radius_mm: Annotated[
        float | None, typer.Option("--glass-radius-mm", metavar="MM", help="Radius of the glass, mm, if known.")
    ] = None,
    mount: Annotated[Mount, typer.Option(help="How the tube is mounted.")] = Mount.horizontal,
    gun: Annotated[GunKind, typer.Option(help="Guns in line or in a triangle: which targets hold.")] = GunKind.inline,
    tags: Annotated[
        TagSheet, typer.Option(help="The sheet of reference tags beside the picture, if any is seen.")
    ] = TagSheet.strips,
    no_tags: Annotated[bool, typer.Option("--no-tags", help="Look for no tags; the same as --tags none.")] = False,
    points: Annotated[bool, typer.Option("--points", help="Add every mark to the JSON.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
    before: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="An earlier measurement (its --json): say what changed since."),
    ] = None,
    overlay: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Draw the result over the photograph: .svg or .png; replaces the file."),
    ] = None,
) -> None:
    """Measure a picture from photographs of a survey.

    Convergence, shape, top curl, hum and focus from the survey; purity, tracking and wear from the survey for light.
    """
    _check_overlay(overlay)
    knowledge = _knowledge()
    earlier = None if before is None else _earlier(before, knowledge)
    rasters = _rasters(knowledge, raster)
    diagonal_mm = (
        parse_quantity(diagonal_in, kind="inches", where="--diagonal-in").value * MM_PER_INCH if diagonal_in else None
    )
    read, unread = _read(photos)
    with _progress() as progress:
        answer = _answer(
            read,
            unread=unread,
            rasters=rasters,
            pattern=pattern,
            picture_mm=picture_mm,
            diagonal_mm=diagonal_mm,
            glass_radius_mm=glass_radius_mm,
            mount=mount,
            with_tags=not no_tags and tags is TagSheet.strips,
            progress=progress,
        )
    if overlay is not None and answer.accepted:
        _draw(answer, read[answer.drawn_on], overlay)
    show(answer, knowledge, gun=gun, points=points, as_json=as_json, earlier=earlier)
    if not answer.accepted:
        raise typer.Exit(RefusedError.exit_code)


def show(
    answer: Measurement,
    knowledge: Knowledge,
    *,
    gun: GunKind,
    points: bool,
    as_json: bool,
    earlier: Measurement | None = None,
) -> None:
    """Print a measurement and what changed since an earlier one; a refusal goes to standard error, or into the JSON."""
    from tubewright.answers.measure_change import changes
    from tubewright.report.measure_change_text import changes_to_json, changes_to_text

    changed = () if earlier is None or not answer.accepted else changes(earlier, answer)
    if as_json:
        from tubewright.answers.measurement_json import to_json

        emit_json(to_json(answer, points=points) | ({"changes": changes_to_json(changed)} if changed else {}))
        return
    from tubewright.answers.measurement import checks, findings
    from tubewright.report.measure_text import measurement_to_text

    text = measurement_to_text(
        answer,
        checks(answer, knowledge, gun=gun.value),
        findings(answer, knowledge, gun=gun.value),
        cautions=tuple(knowledge.cautions[name].text for name in TAG_CAUTIONS),
        width=settings.columns(),
        colour=settings.colour() and answer.accepted,
    )
    if answer.accepted:
        emit(text)
        if changed:
            emit("\n" + changes_to_text(changed, width=settings.columns(), colour=settings.colour()))
    else:
        typer.echo(text.removesuffix("\n"), err=True)


def _earlier(path: Path, knowledge: Knowledge) -> Measurement:
    """A measurement that was written with ``--json``."""
    from tubewright.files.measurements import measurement_from_json
    from tubewright.picture.patterns.rasters import library

    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            Fault(what="this file can't be read", where=str(path), mend="Give what measure --json wrote.")
        ) from error
    try:
        return measurement_from_json(text, library(knowledge.rasters.values()))
    except InputError as error:
        raise InputError(
            Fault(what="this is no measurement", where=str(path), mend="Give what measure --json wrote.")
        ) from error


def _knowledge() -> Knowledge:
    return known_anyway()


def _rasters(knowledge: Knowledge, name: str) -> Sequence[Raster]:
    """The raster that was named, or all that are known."""
    from tubewright.picture.patterns.rasters import find_raster, library

    known = library(knowledge.rasters.values())
    return [find_raster(known, name)] if name else list(known.values())


def _read(paths: Sequence[Path]) -> tuple[list[Photo], list[PhotoNote]]:
    """The photographs, and why some of them are none. A path that can't be read at all is the caller's mistake."""
    from tubewright.answers.measurement import PhotoNote
    from tubewright.files.photos import read_photo

    read: list[Photo] = []
    unread: list[PhotoNote] = []
    faults: list[Fault] = []
    for path in paths:
        try:
            read.append(read_photo(path))
        except InputError as error:
            faults += error.faults
        except RefusedError as error:
            fault = error.faults[0]
            unread.append(PhotoNote(name=path.name, pattern="", refused_because=fault.what, shoot_better=fault.mend))
    if faults:
        raise InputError(faults)
    return read, unread


def _answer(photos: Sequence[Photo], **asked: object) -> Measurement:
    from tubewright.answers.measure import measure as reckon

    try:
        return reckon(photos, **asked)  # type: ignore[arg-type]  # as measure() has just put them together
    except InputError as error:
        raise InputError(
            Fault(what=f.what, where=_OPTIONS.get(f.where, f.where), mend=f.mend) for f in error.faults
        ) from error


def _check_overlay(path: Path | None) -> None:
    """Find out before a minute of work whether its result can be written."""
    if path is None:
        return
    if path.suffix.lower() not in {".svg", ".png"}:
        raise InputError(
            Fault(
                what=f"{path.suffix or 'no ending'} is no kind of overlay",
                where="--overlay",
                mend="End it in .svg or .png.",
            )
        )
    if path.is_dir() or not path.absolute().parent.is_dir():
        raise InputError(
            Fault(what=f"{path} can't be written", where="--overlay", mend="Name a file in a folder that exists.")
        )


def _draw(answer: Measurement, photo: Photo, path: Path) -> None:
    from tubewright.report.overlay import draw_overlay

    drawn = draw_overlay(answer, photo)
    write_whole(path, drawn.png() if path.suffix.lower() == ".png" else drawn.svg.encode())


def write_whole(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, also when the process is stopped half-way.

    Raises:
        InputError: It can't be written there.
    """
    import tempfile

    unfinished: Path | None = None
    try:
        with tempfile.NamedTemporaryFile(dir=path.absolute().parent, prefix=f".{path.name}.", delete=False) as file:
            unfinished = Path(file.name)
            file.write(content)
        os.chmod(unfinished, 0o666 & ~_umask())  # noqa: PTH101  as any new file, not as a secret one
        unfinished.replace(path)
        unfinished = None
    except OSError as error:
        raise InputError(
            Fault(what=f"can't be written: {error.strerror or error}", where=str(path), mend="Name another place.")
        ) from error
    finally:
        if unfinished is not None:
            unfinished.unlink(missing_ok=True)


def _umask() -> int:
    """What the system takes away from the rights of a new file; it can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


@contextmanager
def _progress() -> Iterator[Progress | None]:
    """A line that says what is being done, where somebody watches standard error."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn
    from rich.progress import Progress as Bar

    with Bar(
        BarColumn(bar_width=24),
        TextColumn("{task.description}", markup=False),
        console=Console(stderr=True),
        transient=True,
    ) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda what, share: bar.update(task, completed=share, description=printable(what))
