"""Photographs piece by piece, over a connection that may break at any time; and a fresh token for what waited.

A phone begins an upload under a key of its own, sends piece after piece, and asks
where it stands whenever it doesn't know. The server takes a piece only where the
last one ended, so nothing is stored twice or in the wrong place. When all is there
its SHA-256 must be what the phone announced, and what it is its content says.
"""

from __future__ import annotations

import datetime as dt
import hmac
import json
import re
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import JSONResponse

from tubewright.bench import uploads
from tubewright.bench.pages import Bench
from tubewright.bench.routes.job import Id, TheBench
from tubewright.errors import ConflictError, Fault, InputError, RefusedError, TubewrightError, UnknownRecordError
from tubewright.records.model import Pairing, UploadRecord
from tubewright.records.pictures import LARGEST_FILE_BYTES, STAGES

router = APIRouter(include_in_schema=False)

PIECE_BYTES: Final = 262_144
"""What the script sends at once: a second or so over a poor connection, so that little is lost (estimate)."""
STALE_DAYS: Final = 7.0
"""An upload that nobody went on with for so long is dropped (estimate: a phone left at home over a holiday)."""
KEY_HEADER: Final = "tubewright-key"
_KEY: Final = re.compile(r"^[0-9a-f]{32}$")
_SHA: Final = re.compile(r"^[0-9a-f]{64}$")
_LONGEST_NOTE: Final = 400


async def body_of(request: Request) -> bytes:
    """The body as it came; the guard has bounded it."""
    return await request.body()


TheBody = Annotated[bytes, Depends(body_of)]


@router.get("/token")
def token(request: Request) -> Response:
    """The token of this session's forms, for what was typed before the bench was started anew."""
    return JSONResponse({"token": request.state.form_token})


@router.post("/uploads")
def begin(request: Request, bench: TheBench, body: TheBody) -> Response:
    """Begin an upload, or find the one with this key again."""
    try:
        sent = _fields(body)
        key, name, size, sha = sent.get("key"), sent.get("name"), sent.get("size"), sent.get("sha256")
        job_id = sent.get("job")
        faults = []
        if not (isinstance(key, str) and _KEY.match(key)):
            faults.append(Fault(what="the key is no 32 hexadecimal digits", where="key", mend="Make one at random."))
        if not (isinstance(size, int) and not isinstance(size, bool) and 0 < size <= LARGEST_FILE_BYTES):
            most = LARGEST_FILE_BYTES // uploads.MIB
            mend = "Send the phone's JPEG or HEIC." if size else "Take it again."
            faults.append(Fault(what=f"a photograph has 1 byte to {most} MiB", where="size", mend=mend))
        if not (isinstance(sha, str) and _SHA.match(sha)):
            faults.append(Fault(what="the sha256 is missing", where="sha256", mend="Send it in hexadecimal."))
        if not (isinstance(job_id, int) and not isinstance(job_id, bool) and 0 < job_id < 2**31):
            faults.append(Fault(what="the job is missing", where="job", mend="Send its number."))
        if faults:
            raise InputError(faults)
        assert isinstance(key, str)  # noqa: S101 - the faults above
        assert isinstance(size, int)  # noqa: S101
        assert isinstance(sha, str)  # noqa: S101
        assert isinstance(job_id, int)  # noqa: S101
        phone: Pairing | None = request.state.phone
        if bench.store.upload_by_key(key) is None:
            bench.store.drop_stale_uploads(bench.store.clock() - dt.timedelta(days=STALE_DAYS))
        called = uploads.plain_name(name if isinstance(name, str) else "")
        found = bench.store.begin_upload(key, job_id, called, size, sha, phone.id if phone is not None else None)
    except TubewrightError as error:
        return _wrong(error)
    return JSONResponse(_stands(found))


@router.get("/uploads/{upload_id}")
def where(request: Request, bench: TheBench, upload_id: Id) -> Response:
    """Where an upload stands."""
    try:
        return JSONResponse(_stands(_mine(request, bench, upload_id)))
    except TubewrightError as error:
        return _wrong(error)


@router.post("/uploads/{upload_id}")
def piece(request: Request, bench: TheBench, body: TheBody, upload_id: Id) -> Response:
    """Take a piece that begins where the last one ended; another is refused with where that is."""
    try:
        found = _mine(request, bench, upload_id)
        said = request.query_params.get("offset", "")
        if not (said.isascii() and said.isdigit() and len(said) < 12):
            raise InputError(Fault(what="the offset is missing", where="offset", mend="Send it in the address."))
        if found.state != "open" or int(said) != found.received or not body or len(body) > found.size - int(said):
            # No failure: a piece came twice because its answer was lost, or the phone is behind.
            return JSONResponse(_stands(found), status_code=200 if found.state == "done" else 409)
        return JSONResponse(_stands(bench.store.take_chunk(upload_id, int(said), body)))
    except ConflictError:
        return JSONResponse(_stands(_mine(request, bench, upload_id)), status_code=409)
    except TubewrightError as error:
        return _wrong(error)


@router.post("/uploads/{upload_id}/finish")
def finish(request: Request, bench: TheBench, body: TheBody, upload_id: Id) -> Response:
    """All has come: look at it, and keep it as a photograph of its job, once."""
    try:
        found = _mine(request, bench, upload_id)
        if found.state == "done":
            return JSONResponse(_stands(found))
        if found.state != "open" or found.received != found.size:
            return JSONResponse(_stands(found), status_code=409)
        sent = _fields(body)
        stage, note = sent.get("stage"), sent.get("note")
        data = bench.store.finish_upload(upload_id)
        try:
            kept = uploads.look_at(data, found.file_name)
        except (InputError, RefusedError) as error:
            # It will not be another file by being sent again.
            bench.store.close_upload(upload_id, None)
            return _wrong(error)

        def work() -> str:
            photo = bench.store.add_photo(
                found.job_id,
                data,
                media_type=kept.media_type,
                file_name=found.file_name,
                preview=kept.preview,
                stage=stage if stage in STAGES else None,
                note=note.strip()[:_LONGEST_NOTE] if isinstance(note, str) else "",
                by=bench.by(request),
            )
            bench.store.close_upload(upload_id, photo.id)
            return json.dumps({"photo": photo.id})

        bench.store.once(f"photo-{found.key}", "/uploads/finish", work, pairing_id=found.pairing_id)
        return JSONResponse(_stands(_mine(request, bench, upload_id)))
    except ConflictError:
        # Damaged on its way: it begins anew.
        return JSONResponse(_stands(_mine(request, bench, upload_id)), status_code=409)
    except TubewrightError as error:
        return _wrong(error)


def _fields(body: bytes) -> dict[str, Any]:
    try:
        found = json.loads(body.decode("utf-8") or "{}")
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise InputError(Fault(what="this is no JSON object", where="", mend="Send one."))
    return found


def _mine(request: Request, bench: Bench, upload_id: int) -> UploadRecord:
    """An upload, for who has its key: the numbers can be guessed, the keys can't.

    Raises:
        UnknownRecordError: There is none of this number and key.
    """
    key = request.headers.get(KEY_HEADER, "")
    found = bench.store.upload_by_key(key) if _KEY.match(key) else None
    if found is None or found.id != upload_id or not hmac.compare_digest(found.key, key):
        raise UnknownRecordError(Fault(what="there is no such upload", where="upload", mend="Begin it."))
    return found


def _stands(found: UploadRecord) -> dict[str, object]:
    return {
        "id": found.id,
        "state": found.state,
        "received": found.received,
        "size": found.size,
        "photo": found.photo_id,
        "piece": PIECE_BYTES,
    }


def _wrong(error: TubewrightError) -> Response:
    status = {UnknownRecordError: 404, ConflictError: 409, RefusedError: 422, InputError: 422}.get(type(error), 422)
    faults = [{"what": f.what, "where": f.where, "mend": f.mend} for f in error.faults]
    return JSONResponse({"faults": faults}, status_code=status)
