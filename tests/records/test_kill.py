"""Nothing acknowledged is lost when the writer is killed in the middle of its work."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from records import writer
from tubewright.records.store import open_store

ROUNDS = 20
WRITES = 200


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is a POSIX signal")
def test_every_acknowledged_write_survives_a_kill(tmp_path: Path) -> None:
    """Twenty times over, a writer of 200 readings is killed somewhere in the middle."""
    path = tmp_path / "shop.sqlite3"
    with open_store(path) as store:
        job = store.open_job(store.add_display({"label": "Kelp Cavern"}).id).id
    rng = random.Random(11)  # noqa: S311 - when to strike
    acknowledged: set[float] = set()
    cut_short = 0
    program = Path(writer.__file__)
    with subprocess.Popen(
        [sys.executable, program, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as server:
        assert server.stdin is not None
        assert server.stdout is not None
        for turn in range(ROUNDS):
            server.stdin.write(f"{job} {turn * 1000} {WRITES}\n")
            server.stdin.flush()
            after = rng.randrange(1, WRITES // 2)
            pid, count = 0, 0
            # What the writer said before it died stays in the pipe, up to our own "gone".
            while (line := server.stdout.readline().strip()) != "gone":
                if line.startswith("pid "):
                    pid = int(line.split()[1])
                else:
                    acknowledged.add(float(line))
                    count += 1
                if count == after and pid:
                    os.kill(pid, signal.SIGKILL)
                    after = -1
            cut_short += count < WRITES
            with closing(sqlite3.connect(path)) as conn:
                assert conn.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
                assert conn.execute("PRAGMA foreign_key_check").fetchall() == []
                kept = {value for (value,) in conn.execute("SELECT value FROM readings")}
                entries = conn.execute("SELECT count(*) FROM history WHERE table_name = 'readings'").fetchone()[0]
            assert acknowledged <= kept
            assert entries == len(kept), "a reading and its history are written together or not at all"
        server.stdin.close()
    assert cut_short == ROUNDS
    with open_store(path) as store:
        assert {one.reading.value for one in store.job(job).readings} == kept


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is a POSIX signal")
def test_every_acknowledged_piece_of_a_file_survives_a_kill(tmp_path: Path) -> None:
    """Whoever sends a file is killed in the middle, time and again, until all of it is there."""
    path = tmp_path / "shop.sqlite3"
    with open_store(path) as store:
        job = store.open_job(store.add_display({"label": "Kelp Cavern"}).id).id
    rng = random.Random(12)  # noqa: S311 - when to strike
    acknowledged = 0
    rounds = 0
    program = Path(writer.__file__)
    with subprocess.Popen(
        [sys.executable, program, path, "pieces"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as server:
        assert server.stdin is not None
        assert server.stdout is not None
        while acknowledged < WRITES * writer.PIECE:
            rounds += 1
            server.stdin.write(f"{job} 3 {WRITES}\n")
            server.stdin.flush()
            after = rng.randrange(1, WRITES // 5)
            pid, count = 0, 0
            while (line := server.stdout.readline().strip()) != "gone":
                if line.startswith("pid "):
                    pid = int(line.split()[1])
                else:
                    assert int(line) > acknowledged, "it goes on from where it stood"
                    acknowledged = int(line)
                    count += 1
                if count == after and pid:
                    os.kill(pid, signal.SIGKILL)
                    after = -1
            with closing(sqlite3.connect(path)) as conn:
                received = conn.execute("SELECT received FROM uploads").fetchone()[0]
                kept = conn.execute("SELECT coalesce(sum(length(data)), 0) FROM upload_chunks").fetchone()[0]
            assert acknowledged <= received == kept
            acknowledged = received
        server.stdin.close()
    assert rounds > 5
    with open_store(path) as store:
        upload = store.upload_by_key("photo-000003")
        assert upload is not None
        assert store.finish_upload(upload.id) == writer.bytes_of(3, WRITES * writer.PIECE)
