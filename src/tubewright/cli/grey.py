"""``grey``: a grey scale from a colorimeter or from a photograph's tracking, and what to turn."""

from __future__ import annotations

import enum
import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from tubewright.cli import settings
from tubewright.cli.asked import asked_case
from tubewright.cli.door import emit, emit_json
from tubewright.cli.shop import ShopOption, known_anyway
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.answers.greyscale import Control, Gain, GreyAnswer, GreyReading, GreyTarget
    from tubewright.answers.measurement import Tracking
    from tubewright.knowledge.model import Knowledge

_LARGEST_BYTES: Final = 5_000_000
_OPTIONS: Final = {"white": "--white", "readings": "READINGS", "tracking": "READINGS", "before": "--before"}


class Sort(enum.StrEnum):
    """Kinds of display, by the tolerances that are usual for them."""

    inline = "inline"
    delta = "delta"
    broadcast = "broadcast"


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(
        "grey",
        epilog="Example: tubewright grey docs/examples/lantern-3-grey.csv --white 9300K --draw grey.svg",
    )(grey)


def grey(
    readings: Annotated[
        Path,
        typer.Argument(
            metavar="READINGS",
            help="CSV of level, x, y, Y; a measurement of the survey for light (its --json); or job:7, what it has.",
        ),
    ],
    *,
    white: Annotated[
        str, typer.Option(metavar="WHITE", help="D65, 9300K, 9300K+27MPCD, or x,y; the case's or D65 if not said.")
    ] = "",
    sort: Annotated[Sort | None, typer.Option("--for", help="Whose tolerances hold; inline if not said.")] = None,
    before: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Readings before the last turns, or this command's --json then.")
    ] = None,
    turned: Annotated[
        list[str] | None,
        typer.Option(
            "--turned", metavar="CONTROL=TURNS", help="What was turned since: cutoff_red=1/8, -1/4 anticlockwise."
        ),
    ] = None,
    peak: Annotated[str, typer.Option(metavar="CD_M2", help="Peak white that is wished, cd/m2.")] = "",
    swing: Annotated[
        str, typer.Option(metavar="V", help="Cathode volts from black to full white: cutoffs are then told in volts.")
    ] = "",
    retrace_lines: Annotated[
        bool, typer.Option("--retrace-lines", help="Retrace lines are seen on a dark picture.")
    ] = False,
    finer: Annotated[
        bool, typer.Option("--finer", help="Go on within the tolerances, as far as a turn gains a fifth.")
    ] = False,
    case: Annotated[
        str, typer.Option(metavar="CASE", help="A case file or job:7: its white, gun and emission reserves.")
    ] = "",
    keep: Annotated[
        str,
        typer.Option("--keep", metavar="JOB", help="Keep readings and turns with job:7, and go by all of its."),
    ] = "",
    draw: Annotated[Path | None, typer.Option("--draw", metavar="FILE", help="Draw it into an SVG file, too.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
    shop: ShopOption = None,
) -> None:
    """Set a grey scale: what to turn, how far.

    How far each step is from its white, and what cutoffs, drives and screen would bring. From xyY of
    grey steps; or, the guns against each other only, from a photograph's tracking.
    """
    from tubewright.answers.greyscale import WHITE_NAMES, set_grey
    from tubewright.answers.greyscale_kept import Wish
    from tubewright.answers.heater import renamed
    from tubewright.cli.grey_job import grey_of_job, keep_round
    from tubewright.files.colorimeter import read_colorimeter

    knowledge = known_anyway(shop)
    turns = _turned(turned or [])
    wanted = _above_zero(peak, "--peak", kind="number", example="100")
    swing_v = _above_zero(swing, "--swing", kind="voltage", example="60")
    given: dict[str, object] = {
        "--keep": keep,
        "--case": case,
        "--before": before,
        "--turned": turned,
        "--white": white,
        "--for": sort,
    }
    given |= {"--peak": peak, "--swing": swing, "--retrace-lines": retrace_lines}
    if str(readings).startswith("job:"):
        _refuse_all(
            [name for name, there in given.items() if there], "this goes with readings, and the job has its own"
        )
        answer = grey_of_job(str(readings), knowledge, finer=finer, shop=shop)
    elif _is_json(readings):
        only_readings = ("--before", "--turned", "--peak", "--swing", "--keep")
        _refuse_all([name for name in only_readings if given[name]], "this needs a colorimeter's readings")
        target, _ = _target(white, sort, case, knowledge, shop)
        answer = _seen(_tracking(readings, knowledge), target, retrace_lines=retrace_lines, finer=finer)
    elif keep:
        _refuse_all([name for name in ("--before", "--case") if given[name]], "the job's own stand for this")
        target, _ = _target(white, sort, keep, knowledge, shop)
        x, y = target.white_xy
        wish = Wish(
            white=target.name if target.name in WHITE_NAMES else f"{x:.6g},{y:.6g}",
            kind=target.kind,
            peak_cd_m2=wanted,
            swing_v=swing_v,
        )
        keep_round(keep, read_colorimeter(readings), turns, wish, retrace_seen=retrace_lines, shop=shop)
        answer = grey_of_job(keep, knowledge, finer=finer, shop=shop)
    else:
        target, reserves = _target(white, sort, case, knowledge, shop)
        read = read_colorimeter(readings)
        earlier, gains = _earlier(before)
        if turns and not earlier:
            raise InputError(
                Fault(what="there is nothing to compare with", where="--turned", mend="Give --before as well.")
            )
        answer = renamed(
            _OPTIONS,
            lambda: set_grey(
                read,
                target,
                before=earlier,
                turned=turns,
                gains=gains,
                reserves=reserves,
                wanted_peak_cd_m2=wanted,
                swing_v=swing_v,
                retrace_seen=retrace_lines,
                finer=finer,
            ),
        )
    if draw is not None:
        _draw(answer, draw)
    _show(answer, knowledge, as_json=as_json)


def _above_zero(typed: str, where: str, *, kind: str, example: str) -> float | None:
    if not typed:
        return None
    value = parse_quantity(typed, kind=kind, where=where).value
    if value <= 0:
        raise InputError(Fault(what="this must be more than zero", where=where, mend=f"Type {example}."))
    return value


def _refuse_all(names: list[str], what: str) -> None:
    if names:
        raise InputError([Fault(what=what, where=name, mend="Leave it out.") for name in names])


def _seen(tracking: Tracking, target: GreyTarget, *, retrace_lines: bool, finer: bool) -> GreyAnswer:
    from tubewright.answers.greyscale import grey_from_tracking
    from tubewright.answers.heater import renamed

    return renamed(_OPTIONS, lambda: grey_from_tracking(tracking, target, retrace_seen=retrace_lines, finer=finer))


def _show(answer: GreyAnswer, knowledge: Knowledge, *, as_json: bool) -> None:
    known = knowledge.cautions
    texts = tuple(known[name].text for name in answer.cautions)
    confirm = tuple(known[name].confirm for name in answer.cautions if known[name].confirm)
    if as_json:
        from tubewright.answers.greyscale_json import grey_json

        emit_json({"cautions": list(texts), "confirm": list(confirm), **grey_json(answer)})
        return
    from tubewright.report.grey_text import grey_blocks
    from tubewright.report.text import blocks_to_text

    blocks = grey_blocks(answer, cautions=texts, confirm=confirm)
    emit(blocks_to_text(blocks, width=settings.columns(), colour=settings.colour()))


def _target(
    white: str, sort: Sort | None, path: str, knowledge: Knowledge, shop: str | None
) -> tuple[GreyTarget, dict[str, float]]:
    """The white with its tolerances, and the guns' reserves; what isn't typed comes from the case."""
    from tubewright.answers.greyscale import DISPLAY_KINDS, grey_target, reserves_of
    from tubewright.answers.greyscale_typed import typed_white
    from tubewright.answers.heater import renamed

    reserves: dict[str, float] = {}
    kind = next(one for one in DISPLAY_KINDS if one == (sort or Sort.inline).value)
    if path:
        case = asked_case(path, shop)
        white = white or case.use.white_point or ""
        if sort is None and case.tube.gun is not None:
            kind = case.tube.gun
        reserves = reserves_of(case, knowledge)
    wish = typed_white(white or "D65", "--white")
    return renamed(_OPTIONS, lambda: grey_target(wish, kind, knowledge)), reserves


def _turned(typed: list[str]) -> dict[Control, float]:
    """What was turned, by control, in turns."""
    from tubewright.answers.greyscale import CONTROLS
    from tubewright.answers.greyscale_typed import typed_turns

    found: dict[Control, float] = {}
    for one in typed:
        name, _, amount = one.partition("=")
        control = next((known for known in CONTROLS if known == name.strip().lower().replace("-", "_")), None)
        if control is None:
            from difflib import get_close_matches

            near = get_close_matches(name.strip().lower(), CONTROLS, n=3, cutoff=0.4) or CONTROLS
            raise InputError(
                Fault(what=f"no control is called “{name[:40]}”", where="--turned", mend=f"Write {', '.join(near)}.")
            )
        turns = typed_turns(amount, "--turned", example=f"{control}=1/8")
        found[control] = found.get(control, 0.0) + turns
    return found


def _earlier(path: Path | None) -> tuple[tuple[GreyReading, ...], dict[Control, Gain]]:
    if path is None:
        return (), {}
    if not _is_json(path):
        from tubewright.files.colorimeter import read_colorimeter

        return read_colorimeter(path), {}
    from tubewright.answers.greyscale_json import earlier_round
    from tubewright.answers.heater import renamed

    body = _json(path)
    return renamed(_OPTIONS, lambda: earlier_round(body))


def _is_json(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(200).lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{")
    except OSError as error:
        raise InputError(
            Fault(what=f"the file can't be read ({error.strerror})", where=str(path), mend="Check its name.")
        ) from error


def _json(path: Path) -> object:
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise InputError(Fault(what="the file is too large", where=path.name, mend="Give what --json wrote."))
        body: object = json.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(
            Fault(what="this is no JSON that can be read", where=path.name, mend="Give what --json wrote.")
        ) from error
    return body


def _tracking(path: Path, knowledge: Knowledge) -> Tracking:
    from tubewright.answers.measurement import Unsupported
    from tubewright.files.measurements import measurement_from_json
    from tubewright.picture.patterns.rasters import library

    body = _json(path)
    if isinstance(body, dict) and str(body.get("format", "")).startswith("greyscale"):
        raise InputError(
            Fault(
                what="this is an answer, not readings", where=path.name, mend="Give it as --before, with new readings."
            )
        )
    try:
        measured = measurement_from_json(path.read_text(encoding="utf-8-sig"), library(knowledge.rasters.values()))
    except InputError as error:
        raise InputError(
            Fault(
                what="this is no measurement",
                where=path.name,
                mend="Give what measure --json wrote, or a CSV of readings.",
            )
        ) from error
    if isinstance(measured.tracking, Unsupported):
        raise InputError(
            Fault(
                what=f"this measurement has no tracking: {measured.tracking.reason}",
                where=path.name,
                mend="Photograph the survey for light, or read steps of grey with a colorimeter.",
            )
        )
    return measured.tracking


def _draw(answer: GreyAnswer, path: Path) -> None:
    from tubewright.report.frame import to_svg
    from tubewright.report.grey_charts import grey_chart

    if path.suffix.lower() != ".svg":
        raise InputError(Fault(what="this is no SVG file", where="--draw", mend="Name a file that ends in .svg."))
    try:
        path.write_text(to_svg(grey_chart(answer)), encoding="utf-8")
    except OSError as error:
        raise InputError(
            Fault(what=f"can't be written: {error.strerror}", where=str(path), mend="Name another file.")
        ) from error
