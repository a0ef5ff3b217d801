"""Writes readings and says so on standard output; made to be killed (see test_kill).

For each line on standard input it starts a process that writes until it is
killed: imports are paid once, the writer is a process of its own all the same.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from tubewright import case
from tubewright.records.store import Store


def write(path: Path, job_id: int, first: int, count: int) -> None:
    """Write ``count`` readings whose values tell their number, naming each once it is acknowledged."""
    store = Store(path)
    for number in range(first, first + count):
        store.add_reading(job_id, case.Reading(kind="gas", value=float(number), unit="uA"))
        os.write(1, f"{number}\n".encode())


def main() -> None:
    """Serve lines of ``job first count``."""
    path = Path(sys.argv[1])
    for line in sys.stdin:
        job_id, first, count = map(int, line.split())
        child = os.fork()
        if child == 0:
            write(path, job_id, first, count)
            os._exit(0)
        os.write(1, f"pid {child}\n".encode())
        os.waitpid(child, 0)
        os.write(1, b"gone\n")


if __name__ == "__main__":
    main()
