"""``simulate``: photographs of invented displays, each with its truth, to learn on and to try the measuring on."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli.door import emit, tell
from tubewright.cli.shop import known_anyway
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Callable

    from tubewright.picture.patterns.raster import Raster
    from tubewright.simulate.photograph import Scene


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("simulate", epilog="Example: tubewright simulate --out shots --count 3 --seed 7")(simulate)


def simulate(
    *,
    out: Annotated[Path | None, typer.Option(metavar="FOLDER", help="Where the files go; made if need be.")] = None,
    count: Annotated[int, typer.Option(min=1, max=9999, help="How many photographs.")] = 1,
    seed: Annotated[int, typer.Option(min=0, help="The same seed gives the same photographs.")] = 1,
    pattern: Annotated[str, typer.Option(metavar="NAME", help="What the displays show; else the survey.")] = "",
    raster: Annotated[str, typer.Option(metavar="NAME", help="Their raster; else one of several by chance.")] = "",
    megapixels: Annotated[float, typer.Option(min=0.3, max=50, help="Size of the photographs.")] = 12.0,
    scene: Annotated[str, typer.Option(metavar="NAME", help="A scene to learn on, in place of random ones.")] = "",
    show_list: Annotated[bool, typer.Option("--list", help="List the scenes to learn on.")] = False,
) -> None:
    """Write photographs of invented displays, each with its truth.

    Beside each JPEG stands a JSON file that says what a measurement should find.
    """
    if show_list:
        from tubewright.simulate.teaching import LESSONS

        for lesson in LESSONS.values():
            emit(f"{lesson.name}\n    {lesson.place}. {lesson.shows}")
        return
    if out is None:
        raise InputError(
            Fault(what="--out is missing", where="", mend="Name a folder for the photographs, or give --list.")
        )
    stem, scene_of = _scenes(scene, pattern, raster, megapixels, seed)
    names = [f"{stem}-{number:04d}" for number in range(1, count + 1)]
    _check_folder(out, names)
    written = 0
    try:
        with _progress(count) as step:
            for number, name in enumerate(names):
                _shoot(scene_of(number), out, name)
                written += 1
                step(name)
    except KeyboardInterrupt:
        tell(f"Stopped. {written} of {count} photographs are in {out}, whole.")
        raise typer.Abort from None
    tell(f"{written} {'photograph is' if written == 1 else 'photographs are'} in {out}, each with its truth beside it.")


def _scenes(
    scene: str, pattern: str, raster_name: str, megapixels: float, seed: int
) -> tuple[str, Callable[[int], Scene]]:
    """What the files are called, and the scene of each number from 0; what was typed is checked."""
    import numpy as np

    from tubewright.simulate.scenes import RASTERS, drive_of, random_scene
    from tubewright.simulate.teaching import find_lesson

    raster = _raster(raster_name) if raster_name else None
    if pattern:
        drive_of(pattern, raster or next(iter(RASTERS.values())))
    if scene:
        lesson = find_lesson(scene)
        return lesson.name, lambda number: lesson.scene(
            megapixels=megapixels, raster=raster, pattern=pattern or None, seed=seed + number
        )
    return "shot", lambda number: random_scene(
        np.random.default_rng([seed, number]), pattern=pattern or "survey", raster=raster, megapixels=megapixels
    )


def _raster(name: str) -> Raster:
    from tubewright.picture.patterns.rasters import find_raster, library

    return find_raster(library(known_anyway().rasters.values()), name)


def _check_folder(out: Path, names: list[str]) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            Fault(what="no folder can be made here", where=str(out), mend=f"Name another one ({error.strerror}).")
        ) from error
    for name in names:
        for ending in (".jpg", ".json"):
            if (out / f"{name}{ending}").exists():
                raise InputError(
                    Fault(
                        what="this file is already there", where=str(out / f"{name}{ending}"), mend="Name a new folder."
                    )
                )


def _shoot(scene: Scene, out: Path, name: str) -> None:
    """Photograph a scene and write both files; an interruption leaves a whole photograph with its truth, or none."""
    from tubewright.simulate.photograph import take

    shot = take(scene)
    truth = json.dumps(shot.truth.as_json(), allow_nan=False, separators=(",", ":"))
    _write(out / f"{name}.json", truth.encode())
    try:
        _write(out / f"{name}.jpg", shot.jpeg)
    except BaseException:
        (out / f"{name}.json").unlink(missing_ok=True)
        raise


def _write(path: Path, content: bytes) -> None:
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as error:
        raise InputError(
            Fault(
                what="this file can't be written",
                where=str(path),
                mend=f"Make room or name another folder ({error.strerror}).",
            )
        ) from error
    finally:
        beside.unlink(missing_ok=True)


@contextmanager
def _progress(count: int) -> Iterator[Callable[[str], None]]:
    """A bar on a terminal; elsewhere nothing."""
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True, disable=not Console(stderr=True).is_terminal) as bar:
        task = bar.add_task("Photographing", total=count)
        yield lambda name: bar.update(task, advance=1, description=name)
