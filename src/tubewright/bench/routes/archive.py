"""Carrying things away and in: a job as one file, all tables as one zip, a job from another shop."""

from __future__ import annotations

import re
import tempfile
import zipfile
from collections.abc import Iterator
from typing import IO, Annotated, Final, Literal, cast

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import StreamingResponse

from tubewright.bench import archiving
from tubewright.bench.pages import Bench, StaleFormError, bench_of, go, page, wrong
from tubewright.bench.routes.job import Id
from tubewright.bench.uploads import MIB, MOST_UPLOAD_BYTES
from tubewright.errors import ConflictError, Fault, InputError, TubewrightError

router = APIRouter(include_in_schema=False)
TheBench = Annotated[Bench, Depends(bench_of)]
_IN_MEMORY_BYTES: Final = 8 * MIB
_PIECE: Final = 2**18
_ZIP: Final = "application/zip"


@router.get("/jobs/{job_id}/archive.zip")
def job_archive(bench: TheBench, job_id: Id) -> Response:
    """A job as one file: records, readings, photographs, papers."""
    job = bench.store.job(job_id)
    file: IO[bytes] = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY_BYTES)  # noqa: SIM115 - closed when it was sent
    try:
        archiving.write_job(bench.store, bench.knowledge, job_id, file)
    except BaseException:
        file.close()
        raise
    size = file.tell()
    file.seek(0)
    headers = {"content-disposition": f'attachment; filename="{archiving.archive_name(job)}"'}
    return StreamingResponse(_sent(file), media_type=_ZIP, headers={**headers, "content-length": str(size)})


def _sent(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        while piece := file.read(_PIECE):
            yield piece


class _Pipe:
    """Takes what a zip writes and gives it away piece by piece, so that nothing is held as a whole."""

    def __init__(self) -> None:
        self._held: list[bytes] = []
        self._size = 0

    def write(self, data: bytes) -> int:
        self._held.append(bytes(data))
        self._size += len(data)
        return len(data)

    def flush(self) -> None:
        """There is nothing below."""

    def taken(self) -> bytes:
        data = b"".join(self._held)
        self._held.clear()
        self._size = 0
        return data


@router.get("/settings/tables.zip")
def tables(request: Request, bench: TheBench) -> Response:
    """All tables as one zip; it is sent while it is made, and ends where the browser stops taking it."""
    form: Literal["csv", "parquet"] = "parquet" if request.query_params.get("format") == "parquet" else "csv"
    headers = {"content-disposition": f'attachment; filename="tubewright-tables-{form}.zip"'}
    return StreamingResponse(_tables(bench, form), media_type=_ZIP, headers=headers)


def _tables(bench: Bench, form: Literal["csv", "parquet"]) -> Iterator[bytes]:
    from tubewright.files.tables_out import table_pieces

    pipe = _Pipe()
    moment = bench.store.clock().astimezone()
    stamp = (moment.year, moment.month, moment.day, moment.hour, moment.minute, moment.second)
    with zipfile.ZipFile(cast("IO[bytes]", pipe), "w", allowZip64=True) as packed:  # it only writes
        for name in bench.store.table_names():
            entry = zipfile.ZipInfo(f"{name}.{form}", date_time=stamp)
            entry.compress_type = zipfile.ZIP_DEFLATED if form == "csv" else zipfile.ZIP_STORED
            entry.external_attr = 0o644 << 16
            columns, rows = bench.store.table_columns(name), bench.store.table_rows(name)
            with packed.open(entry, "w", force_zip64=True) as opened:
                for _ in table_pieces(opened, columns, rows, form=form):
                    yield pipe.taken()
            yield pipe.taken()
    yield pipe.taken()


@router.get("/take-in")
def ask(request: Request) -> Response:
    """The form that takes in a job of another shop."""
    return _ask(request)


def _ask(request: Request, *, status: int = 200, **more: object) -> Response:
    context = {"most_mib": MOST_UPLOAD_BYTES // MIB, "here_already": None, **more}
    return page(request, "take_in.html", status=status, **context)


@router.post("/take-in")
def take_in(request: Request, bench: TheBench) -> Response:
    """Take a job in, all of it or nothing."""
    form, uploads = request.state.form, request.state.uploads
    if request.state.stale_form:
        if uploads:
            fault = Fault(
                what="this page was open since before the bench was started",
                where="archive",
                mend="Choose the file once more and send it.",
            )
            return _ask(request, status=403, **wrong({"archive": fault}, [fault], form))
        raise StaleFormError(form)
    if not uploads:
        fault = Fault(what="no file was chosen", where="archive", mend="Choose the zip that the other shop wrote.")
        return _ask(request, status=422, **wrong({"archive": fault}, [fault], form))
    try:
        number = archiving.take_in(bench.store, uploads[0].file, uploads[0].name, by=bench.by(request))
    except ConflictError as error:
        there = re.search(r"job (\d+)", error.faults[0].where)
        shown = wrong({"archive": error.faults[0]}, error.faults, form)
        return _ask(request, status=409, here_already=there[1] if there else None, **shown)
    except InputError as error:
        return _ask(request, status=422, **wrong({"archive": error.faults[0]}, error.faults, form))
    except TubewrightError:
        raise
    return go(request, f"/jobs/{number}", said="taken_in", job_id=number)
