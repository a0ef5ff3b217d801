"""``proof``: a job before and after the work, and its papers."""

from __future__ import annotations

import enum
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.door import emit, emit_json, tell
from tubewright.cli.shop import ShopOption, known, number_of, open_shop
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from tubewright.answers.proof_work import Side
    from tubewright.bench.papers import Chosen
    from tubewright.records.model_stock import PaperRecord
    from tubewright.records.store import Store


class SheetName(enum.StrEnum):
    """A paper about the work."""

    customer = "customer"
    bench = "bench"


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("proof", epilog="Example: tubewright proof job:7 --pdf customer --to sheet.pdf")(proof)


def proof(
    job: Annotated[str, typer.Argument(metavar="JOB", help="A job of the shop: job:7.")],
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
    pdf: Annotated[SheetName | None, typer.Option(help="Write a sheet as PDF instead.")] = None,
    to: Annotated[Path | None, typer.Option(metavar="FILE", help="Where the PDF goes; - for standard output.")] = None,
    keep: Annotated[bool, typer.Option("--keep", help="Give the sheet out: keep it under a number.")] = False,
    paper: Annotated[
        str, typer.Option(metavar="NUMBER", help="Print a sheet again that was given out, such as C-0001.")
    ] = "",
    before: Annotated[int | None, typer.Option(metavar="N", help="Measurement to take as before.")] = None,
    after: Annotated[int | None, typer.Option(metavar="N", help="Measurement to take as after.")] = None,
    before_photo: Annotated[int | None, typer.Option(metavar="N", help="Photograph to show as before.")] = None,
    after_photo: Annotated[int | None, typer.Option(metavar="N", help="Photograph to show as after.")] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Write over a file that is there.")] = False,
    shop: ShopOption = None,
) -> None:
    """Hold a display as it came against the display as it goes.

    Better or worse is said only beyond doubt; what was not taken again is not
    known, with the reason.
    """
    from tubewright.bench.papers import NOTHING_CHOSEN, body_of, compare_job, give_out, print_again, set_sheet

    number = number_of(job, "job")
    if (pdf is None and not paper) and (to is not None or keep):
        raise InputError(
            Fault(what="there is no sheet named to write", where="--pdf", mend="Add --pdf customer or --pdf bench.")
        )
    if (pdf is not None or paper) and to is None:
        raise InputError(Fault(what="a PDF needs a file", where="--to", mend="Add --to sheet.pdf, or --to -."))
    if paper and (pdf is not None or keep):
        raise InputError(
            Fault(what="a sheet that was given out is printed as it is", where="--paper", mend="Leave the rest away.")
        )
    chosen = _chosen(before, after, before_photo, after_photo) or NOTHING_CHOSEN
    with open_shop(shop) as store:
        if to is not None:
            _may_write(to, overwrite=overwrite)
        if paper:
            _write(to, print_again(store, _paper(store, number, paper)), overwrite=overwrite)
            return
        knowledge = known(shop)
        if pdf is not None:
            if keep:
                given = give_out(store, knowledge, number, pdf.value, chosen=chosen)
                made = print_again(store, given)
                tell(f"Given out as {given.number}.")
            else:
                compared = compare_job(store, knowledge, number, chosen=chosen)
                made = set_sheet(store, body_of(store, knowledge, compared, pdf.value, chosen=chosen))
            _write(to, made, overwrite=overwrite)
            return
        answer = compare_job(store, knowledge, number, chosen=chosen).proof
    if as_json:
        from tubewright.answers.proof_json import to_json

        emit_json(to_json(answer))
        return
    from tubewright.report.proof_text import proof_to_text

    emit(proof_to_text(answer, width=settings.columns(), colour=settings.colour()))


def _chosen(before: int | None, after: int | None, before_photo: int | None, after_photo: int | None) -> Chosen | None:
    from tubewright.bench.papers import Chosen

    measurements: dict[Side, int] = {}
    photos: dict[Side, int] = {}
    pairs: tuple[tuple[Side, int | None, int | None], ...] = (
        ("before", before, before_photo),
        ("after", after, after_photo),
    )
    for side, measured, photo in pairs:
        if measured is not None:
            measurements[side] = measured
        if photo is not None:
            photos[side] = photo
    return Chosen(measurements=measurements, photos=photos) if measurements or photos else None


def _paper(store: Store, job: int, number: str) -> PaperRecord:
    papers = [p for p in store.papers(job) if p.sort in {"customer", "bench"}]
    found = next((p for p in papers if p.number == number), None)
    if found is None:
        named = ", ".join(p.number for p in papers)
        raise InputError(
            Fault(
                what=f"job {job} has no sheet {number!r}",
                where="--paper",
                mend=f"It has {named}." if named else "None was given out: --pdf customer --keep.",
            )
        )
    return found


def _may_write(to: Path, *, overwrite: bool) -> None:
    """Before anything is given out: whether its file can be written."""
    if str(to) == "-":
        return
    if to.exists() and not overwrite:
        raise InputError(Fault(what="it is there already", where=str(to), mend="Name another, or add --overwrite."))
    if not to.parent.is_dir() or not os.access(to.parent, os.W_OK):
        raise InputError(Fault(what="there is no such folder to write in", where=str(to), mend="Name another file."))


def _write(to: Path | None, pdf: bytes, *, overwrite: bool) -> None:
    if to is None:
        return
    if str(to) == "-":
        import sys

        sys.stdout.buffer.write(pdf)
        return
    try:
        with to.open("wb" if overwrite else "xb") as file:
            file.write(pdf)
    except OSError as error:
        raise InputError(
            Fault(what=f"it can't be written ({error.strerror or error})", where=str(to), mend="Name another file.")
        ) from error
    tell(f"Written: {to}")
