"""``advise``: a job, or measurements and what was turned between them, in; what to turn next out, cautions first."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.door import emit, emit_json, tell
from tubewright.cli.shop import ShopOption, known, known_anyway, number_of, open_shop
from tubewright.errors import Fault, InputError, RefusedError

if TYPE_CHECKING:
    from tubewright.answers.advise import Setup
    from tubewright.answers.advise_job import Asked
    from tubewright.answers.advised import Advised
    from tubewright.answers.measurement import Measurement
    from tubewright.case import Case
    from tubewright.files.moves import Moves
    from tubewright.knowledge.model import Knowledge

MAX_MEASUREMENT_BYTES = 20_000_000


class ToleranceName(enum.StrEnum):
    """The sets of tolerances."""

    arcade = "arcade"
    delta = "delta"
    broadcast = "broadcast"


class GunsName(enum.StrEnum):
    """Arrangement of the guns."""

    inline = "inline"
    delta = "delta"


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("advise", epilog="Example: tubewright advise one.json two.json --moves moves.toml")(advise)


def advise(
    given: Annotated[
        list[str],
        typer.Argument(
            metavar="JOB|MEASUREMENT",
            help="job:7; or what measure --json wrote, one a round, in order, after a case file if there is one.",
        ),
    ],
    *,
    moves: Annotated[
        Path | None, typer.Option("--moves", metavar="FILE", help="What was turned between them (TOML).")
    ] = None,
    controls: Annotated[
        str, typer.Option("--controls", metavar="ID,ID", help="The controls it has; the usual ones where left out.")
    ] = "",
    chassis: Annotated[
        str, typer.Option("--chassis", metavar="ID", help="Take its controls from a chassis profile.")
    ] = "",
    guns: Annotated[GunsName | None, typer.Option(help="Guns in line or in a triangle.")] = None,
    tolerance: Annotated[
        ToleranceName | None, typer.Option(help="What is good enough; by its guns where left out.")
    ] = None,
    opening_mm: Annotated[
        tuple[float, float] | None,
        typer.Option("--opening-mm", metavar="W H", help="The opening before the picture by a ruler, mm."),
    ] = None,
    minutes_on: Annotated[
        float | None, typer.Option("--minutes-on", metavar="MIN", help="How long it has been on.")
    ] = None,
    at_once: Annotated[
        int | None, typer.Option("--at-once", min=1, max=20, help="Controls between two photographs, at most; else 10.")
    ] = None,
    since: Annotated[
        int | None, typer.Option("--since", metavar="NUMBER", help="Of a job: begin with this measurement.")
    ] = None,
    append: Annotated[
        bool, typer.Option("--append", help="Add the moves advised to the file of --moves, as if done just so.")
    ] = False,
    save: Annotated[
        bool, typer.Option("--save", help="Write the moves advised into the job, as if done just so.")
    ] = False,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the options typed here with the job, for its page and from now on.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
    shop: ShopOption = None,
) -> None:
    """Say what to turn next, which way and how far.

    Learns this display's own response from what was turned before. Cautions first. Of a job, what was chosen on its
    page holds where no option is typed.
    """
    if given[0].startswith("job:"):
        files = {"--moves": moves, "--controls": controls, "--chassis": chassis, "--guns": guns, "--append": append}
        _no_files(given[1:], [name for name, value in files.items() if value])
        from tubewright.answers.advise_job import Asked

        said = Asked(
            tolerance=None if tolerance is None else tolerance.value,
            opening_mm=opening_mm,
            minutes_on=minutes_on,
            at_once=at_once,
            since=since,
        )
        _of_job(given[0], said, save=save, keep=keep, as_json=as_json, shop=shop)
        return
    if save or keep or since is not None:
        name = "--save" if save else "--keep" if keep else "--since"
        raise InputError(Fault(what="this is for a job", where=name, mend="Name one: tubewright advise job:7."))
    _of_files(
        [Path(one) for one in given],
        moves=moves,
        controls=controls,
        chassis=chassis,
        guns=guns,
        tolerance=tolerance,
        opening_mm=opening_mm,
        minutes_on=minutes_on,
        at_once=10 if at_once is None else at_once,
        append=append,
        as_json=as_json,
        shop=shop,
    )


def _no_files(more: list[str], options: list[str]) -> None:
    """Refuse what belongs to files where a job was named."""
    faults = [
        Fault(what="a job has its own measurements", where=one, mend="Give the job alone, or files alone.")
        for one in more
    ]
    faults += [
        Fault(what="a job knows this itself", where=name, mend="Leave it out, or give files instead of the job.")
        for name in options
    ]
    if faults:
        raise InputError(faults)


def _of_job(named: str, said: Asked, *, save: bool, keep: bool, as_json: bool, shop: str | None) -> None:
    """Advice on a job of the shop."""
    from tubewright.answers.advise_job import Asked, checked
    from tubewright.answers.advise_stored import as_stored
    from tubewright.bench.setting_up import told_of
    from tubewright.bench.setup_choices import asked_of, options, to_keep, typed_over

    checked(said)
    number = number_of(named, "job")
    knowledge = known(shop)
    with open_shop(shop) as store:
        job = store.job(number)
        kept = asked_of(job)
        asked = typed_over(kept, said)
        told = told_of(store, knowledge, job, asked)
        values = _kept_values(to_keep(job, said)) if keep else {}
        answer = told.answer
        if answer is None:
            raise InputError(
                Fault(
                    what=f"job {number} has no measurement that could be read",
                    where=named,
                    mend="Photograph the survey on the job's page of its picture, or measure files instead.",
                )
            )
        if save and told.gathered.pending:
            raise InputError(
                Fault(
                    what="the job holds moves already that no photograph shows yet",
                    where="--save",
                    mend="Photograph and measure again; then there is other advice.",
                )
            )
        if save and answer.moves:
            with store.together():
                for move in answer.moves:
                    store.add_move(number, as_stored(move, told.gathered.photographs[-1]))
        if values:
            store.set_setup_choices(number, values)
    show(answer, as_json=as_json)
    if kept != Asked():
        tell(f"Chosen for job {number}, and reckoned with unless typed otherwise: {options(kept)}")
    if save:
        count = len(answer.moves)
        tell(f"Written into job {number}: {'one move' if count == 1 else f'{count} moves'}, as if done just so.")
    if answer.state == "not_warm":
        raise typer.Exit(RefusedError.exit_code)


def _kept_values(values: dict[str, object]) -> dict[str, object]:
    """What was typed to be kept, if anything was."""
    if not values:
        raise InputError(
            Fault(
                what="no option was typed that could be kept",
                where="--keep",
                mend="Type one, such as --tolerance broadcast --keep.",
            )
        )
    return values


def _of_files(
    paths: list[Path],
    *,
    moves: Path | None,
    controls: str,
    chassis: str,
    guns: GunsName | None,
    tolerance: ToleranceName | None,
    opening_mm: tuple[float, float] | None,
    minutes_on: float | None,
    at_once: int,
    append: bool,
    as_json: bool,
    shop: str | None,
) -> None:
    """Advice on measurements in files."""
    from tubewright.answers.advise import advise as judge
    from tubewright.files.moves import Moves, read_moves

    if append and moves is None:
        raise InputError(
            Fault(what="no file to add to", where="--append", mend="Name it: --moves moves.toml --append.")
        )
    case, paths = _case_of(paths, shop)
    if case is not None:
        chassis = chassis or case.display.chassis or ""
        guns = guns or (GunsName(case.tube.gun) if case.tube.gun else None)
    knowledge = known(shop) if chassis else known_anyway(shop)
    written = Moves() if moves is None or (append and not moves.exists()) else read_moves(moves, knowledge)
    setup = _setup(
        knowledge,
        written,
        controls=controls,
        chassis=chassis,
        guns=guns,
        tolerance=tolerance,
        opening_mm=opening_mm,
        minutes_on=minutes_on,
        at_once=at_once,
    )
    answer = judge([_measurement(path, knowledge) for path in paths], written.turned, setup, knowledge)
    if append and moves is not None and answer.moves:
        _append(moves, [move.entry for move in answer.moves])
    show(answer, as_json=as_json)
    if answer.state == "not_warm":
        raise typer.Exit(RefusedError.exit_code)


def show(answer: Advised, *, as_json: bool) -> None:
    """Print an answer."""
    if as_json:
        from tubewright.answers.advised import to_json

        emit_json(to_json(answer))
        return
    from tubewright.report.advise_text import advise_to_text

    emit(advise_to_text(answer, width=settings.columns(), colour=settings.colour()))


def _case_of(paths: list[Path], shop: str | None) -> tuple[Case | None, list[Path]]:
    """A case file before the measurements, if the first of them is one, and the measurements."""
    from tubewright.cli.asked import asked_case

    if paths[0].suffix != ".toml":
        return None, paths
    case = asked_case(str(paths[0]), shop)
    if len(paths) == 1:
        raise InputError(
            Fault(
                what="a case holds no measurement",
                where=str(paths[0]),
                mend="Give what measure --json wrote after it, or a job: tubewright advise job:7.",
            )
        )
    return case, paths[1:]


def _append(path: Path, entries: list[str]) -> None:
    from tubewright.cli.measure import write_whole

    try:
        before = path.read_text(encoding="utf-8") if path.exists() else ""
    except OSError as error:
        raise InputError(Fault(what="this file can't be read", where=str(path), mend="Name another place.")) from error
    write_whole(path, "\n".join(part.strip("\n") + "\n" for part in (before, *entries) if part.strip()).encode())


def _setup(
    knowledge: Knowledge,
    written: Moves,
    *,
    controls: str,
    chassis: str,
    guns: GunsName | None,
    tolerance: ToleranceName | None,
    opening_mm: tuple[float, float] | None,
    minutes_on: float | None,
    at_once: int,
) -> Setup:
    """What is set up: what was typed comes before the file of moves, and that before the profile."""
    from tubewright.answers.advise import Setup, usual_controls
    from tubewright.answers.profile import named_chassis

    profile = named_chassis(chassis, knowledge, where="--chassis")
    gun = guns.value if guns is not None else written.guns or "inline"
    typed = tuple(one.strip() for one in controls.split(",") if one.strip())
    named = typed or written.controls or (profile.adjustments if profile is not None else ())
    # A coil to degauss with belongs to the bench, not to the set.
    has = frozenset(named) | {"degauss"} if named else usual_controls("delta" if gun == "delta" else "inline")
    minutes = minutes_on if minutes_on is not None else written.minutes_on
    if minutes is not None and not 0 <= minutes < 1e6:
        raise InputError(Fault(what="this is no time", where="--minutes-on", mend="Give the minutes since switch-on."))
    opening = opening_mm or written.opening_mm
    if opening is not None and not all(10 < side < 5000 for side in opening):
        raise InputError(
            Fault(what="no picture has this size", where="--opening-mm", mend="Give width and height in mm.")
        )
    return Setup(
        gun="delta" if gun == "delta" else "inline",
        controls=has,
        tolerance=tolerance.value if tolerance is not None else "delta" if gun == "delta" else "arcade",
        warm=minutes is None or minutes >= knowledge.value("advice_warm_minutes"),
        degaussed=written.degaussed,
        at_once=at_once,
        rings=written.rings,
        opening_mm=opening,
    )


def _measurement(path: Path, knowledge: Knowledge) -> Measurement:
    from tubewright.files.measurements import measurement_from_json
    from tubewright.picture.patterns.rasters import library

    mend = "Give what measure --json wrote."
    try:
        if path.stat().st_size > MAX_MEASUREMENT_BYTES:
            raise InputError(Fault(what="the file is larger than 20 MB", where=str(path), mend=mend))
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(Fault(what="this file can't be read", where=str(path), mend=mend)) from error
    try:
        return measurement_from_json(text, library(knowledge.rasters.values()))
    except InputError as error:
        raise InputError(Fault(what="this is no measurement", where=str(path), mend=mend)) from error
