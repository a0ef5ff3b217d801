"""A job of the shop as one file and back: what goes into the archive, gathered from the records."""

from __future__ import annotations

import datetime as dt
import io
import itertools
from collections.abc import Iterator, Mapping
from typing import IO, TYPE_CHECKING, Any, Final

from tubewright.errors import Fault, InputError, TubewrightError
from tubewright.files.archive import READINGS, JobArchive, Part, read_archive, write_archive
from tubewright.records.model import JobPage, PaperRecord
from tubewright.records.store import Store

if TYPE_CHECKING:
    from tubewright.files.tables_out import ColumnKind
    from tubewright.knowledge.model import Knowledge

ENDINGS: Final = {
    "image/jpeg": "jpg", "image/heic": "heic", "image/x-adobe-dng": "dng", "image/png": "png", "image/tiff": "tif",
    "image/svg+xml": "svg",
}  # fmt: skip
SHARED: Final = frozenset({"people", "instruments", "displays", "tubes", "tube_fittings", "known_good", "stock_items"})
"""Tables whose rows a job shares with others: they lie in the order in which a shop came to know them, which says
nothing of the job. The rows of the job itself stay in theirs."""
_READINGS: Final[Mapping[str, ColumnKind]] = {
    "taken_at": "time", "person": "text", "gun": "text", "kind": "text", "value": "real", "unit": "text",
    "spread": "real", "reference": "real", "reference_cutoff_v": "real", "full_scale": "real", "g2_v": "real",
    "heater_v": "real", "minutes_on": "real", "instrument": "text", "stage": "text",
}  # fmt: skip
"""Columns of ``readings.csv``: what a reading is, and when and by whom it was taken."""


def archive_name(job: JobPage) -> str:
    """What to call the file."""
    return f"tubewright-job-{job.job.id}.zip"


def write_job(store: Store, knowledge: Knowledge, job_id: int, to: IO[bytes]) -> tuple[str, ...]:
    """Write a job as one file; the same job gives the same bytes.

    Args:
        store: The shop's records.
        knowledge: What the papers are made with.
        job_id: Which job.
        to: Where to.

    Returns:
        What could not be packed, and why, in words.

    Raises:
        UnknownRecordError: There is no such job.
    """
    archive = still(store.job_archive(job_id))
    page = store.job(job_id)
    left_out: list[str] = []
    parts = itertools.chain(
        [Part(name=READINGS, data=readings_csv(page))],
        files_of(store, archive),
        _papers(store, page, left_out),
        _sheets(store, knowledge, page, left_out),
    )
    write_archive(to, archive, parts, left_out=left_out)
    return tuple(left_out)


def still(archive: Mapping[str, Any]) -> dict[str, Any]:
    """What the records say of a job, without what belongs to the asking and to this shop alone.

    ``exported_at`` is when the job last changed, so that an archive of an unchanged job stays the
    same file; and that a job was taken in is history of the shop that took it, not of the job.
    """
    changed = max((str(row["changed_at"]) for row in archive["tables"]["jobs"]), default=str(archive["exported_at"]))
    history = [entry for entry in archive.get("history", ()) if entry["action"] != "import"]
    tables = {
        name: sorted(rows, key=lambda row: str(row["uid"])) if name in SHARED else rows
        for name, rows in archive["tables"].items()
    }
    # A paper keeps its number wherever it goes; its place in the count is one shop's own.
    tables["papers"] = [{**row, "counter": None} for row in tables["papers"]]
    return {**archive, "exported_at": changed, "history": history, "tables": tables}


def readings_csv(page: JobPage) -> bytes:
    """The readings of a job as CSV, oldest first."""
    from tubewright.files.tables_out import write_table

    rows = (
        {
            **{name: getattr(one.reading, name, None) for name in _READINGS},
            "taken_at": one.taken_at.astimezone(dt.UTC),
            "person": one.person or None,
        }
        for one in page.readings
    )
    out = io.BytesIO()
    write_table(out, _READINGS, rows, form="csv")
    return out.getvalue()


def files_of(store: Store, archive: Mapping[str, Any]) -> Iterator[Part]:
    """Photographs in their original bytes, their small pictures, and what was drawn on measurements."""
    tables = archive["tables"]
    folders: dict[str, str] = {}
    for photo in tables["photos"]:
        folders.setdefault(photo["sha256"], "photographs")
        if photo["preview_sha256"]:
            folders.setdefault(photo["preview_sha256"], "previews")
    for measurement in tables["measurements"]:
        if measurement["overlay_sha256"]:
            folders.setdefault(measurement["overlay_sha256"], "overlays")
    for sha256, facts in sorted(archive["files"].items()):
        ending = ENDINGS[facts["media_type"]]
        yield Part(name=f"{folders.get(sha256, 'files')}/{sha256}.{ending}", data=store.photo_bytes(sha256))


def _papers(store: Store, page: JobPage, left_out: list[str]) -> Iterator[Part]:
    """Every paper that was given out, as it was."""
    taken: set[str] = set()
    for paper in store.papers(page.job.id):
        called = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in paper.number)
        if called in taken:
            called = f"{called}-{paper.id}"  # two shops may have given out one number
        taken.add(called)
        try:
            data = paper_file(store, paper)
        except TubewrightError as error:
            left_out.append(f"the paper {paper.number}: {error.faults[0].what}")
            continue
        yield Part(name=f"papers/{paper.sort}-{called}.pdf", data=data)


def paper_file(store: Store, paper: PaperRecord) -> bytes:
    """A paper that was given out, as PDF, whatever its sort.

    Raises:
        InputError: It can't be printed again.
    """
    if paper.sort in {"quote", "bill"}:
        from tubewright.bench.quoting import paper_pdf

        return paper_pdf(paper)
    from tubewright.bench.papers import print_again

    return print_again(store, paper)


def _sheets(store: Store, knowledge: Knowledge, page: JobPage, left_out: list[str]) -> Iterator[Part]:
    """The customer's sheet and the bench's, as the job stands."""
    from tubewright.bench.papers import SHEETS, body_of, compare_job, set_sheet

    try:
        compared = compare_job(store, knowledge, page.job.id)
    except TubewrightError as error:
        left_out.append(f"the sheets for customer and bench: {error.faults[0].what}")
        return
    for sheet in SHEETS:
        try:
            data = set_sheet(store, body_of(store, knowledge, compared, sheet))
        except TubewrightError as error:
            left_out.append(f"the {sheet} sheet: {error.faults[0].what}")
            continue
        yield Part(name=f"sheets/{sheet}.pdf", data=data)


def take_in(store: Store, file: IO[bytes], name: str, *, by: int | None = None) -> int:
    """Take a job in that another shop wrote; gives its number here. All of it or nothing.

    Raises:
        ConflictError: The job is here already; its number is named.
        InputError: It is no such archive, or not whole.
    """
    read = read_archive(file, name)
    _check_files(read, name)
    return store.take_in_job(read.job, read.photos, by=by)


def _check_files(read: JobArchive, name: str) -> None:
    listed = read.job.get("files")
    named = set(listed) if isinstance(listed, dict) else set()
    extra = sorted(set(read.photos) - named)
    if extra:
        raise InputError(
            Fault(
                what=f"nothing in its job speaks of the photograph {extra[0][:12]}…",
                where=name,
                mend="Nothing was taken in. Choose a file that tubewright archive wrote.",
            )
        )
