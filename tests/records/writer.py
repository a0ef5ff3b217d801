"""Writes readings, or a file in pieces, and says so on standard output; made to be killed (see test_kill).

For each line on standard input it starts a process that writes until it is
killed: imports are paid once, the writer is a process of its own all the same.
"""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path

from tubewright import case
from tubewright.records.store import Store

PIECE = 512


def write(path: Path, job_id: int, first: int, count: int) -> None:
    """Write ``count`` readings whose values tell their number, naming each once it is acknowledged."""
    store = Store(path)
    for number in range(first, first + count):
        store.add_reading(job_id, case.Reading(kind="gas", value=float(number), unit="uA"))
        os.write(1, f"{number}\n".encode())


def bytes_of(number: int, size: int) -> bytes:
    """What the file of a number holds."""
    return bytes((number * 7 + place * 31 + place // 251) % 256 for place in range(size))


def send(path: Path, job_id: int, number: int, pieces: int) -> None:
    """Send a file of some pieces from where it stands, naming how many bytes are acknowledged after each."""
    store = Store(path)
    data = bytes_of(number, pieces * PIECE)
    upload = store.begin_upload(f"photo-{number:06d}", job_id, "a.jpg", len(data), hashlib.sha256(data).hexdigest())
    while upload.received < upload.size:
        upload = store.take_chunk(upload.id, upload.received, data[upload.received : upload.received + PIECE])
        os.write(1, f"{upload.received}\n".encode())


def main() -> None:
    """Serve lines of ``job first count``: of readings, or of pieces if the second argument says so."""
    path = Path(sys.argv[1])
    work = send if sys.argv[2:] == ["pieces"] else write
    for line in sys.stdin:
        job_id, first, count = map(int, line.split())
        child = os.fork()
        if child == 0:
            work(path, job_id, first, count)
            os._exit(0)
        os.write(1, f"pid {child}\n".encode())
        os.waitpid(child, 0)
        os.write(1, b"gone\n")


if __name__ == "__main__":
    main()
