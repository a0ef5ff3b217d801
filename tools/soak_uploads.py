"""Sends photographs and readings over a connection that breaks at random points, and counts what arrives.

    python tools/soak_uploads.py [--uploads 200] [--readings 200] [--seed 1] [--quick]

A bench is served as phones are served, and a line between closes every connection after
a random number of bytes, in either direction: within a request, within an answer, or just
after the last byte of a request, when it was done but nobody hears of it. Besides, the
phone dies now and then and begins anew with what it keeps on itself (its key and the
file), and the bench is started anew with other tokens. Each photograph must be there
once, byte by byte; each reading once.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import hashlib
import http.client
import io
import json
import random
import re
import secrets
import socket
import sys
import tempfile
import threading
import time
import urllib.parse
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import uvicorn

from tubewright.bench.app import create_app
from tubewright.bench.lan import sending
from tubewright.bench.lan.gate import Network
from tubewright.bench.lan.listening import config_of
from tubewright.bench.lan.pairing import PHONE_COOKIE, digest, new_secret, new_session
from tubewright.case import Display, Tube
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge
from tubewright.records.store import Store, open_store

PHONE: Final = "192.168.77.20"
PIECE_BYTES: Final = 24_000
MEAN_LIFE_BYTES: Final = 60_000
"""Bytes after which a connection breaks on the mean: two pieces or so."""
MOST_TRIES: Final = 4_000


class Died(Exception):  # noqa: N818 - no error: the battery is empty
    """The phone stops in the middle of whatever it does."""


@dataclass
class Counts:
    """What happened on the way."""

    cut: Counter[str] = field(default_factory=Counter)
    asked: int = 0
    died: int = 0
    restarts: int = 0
    lost_answers: int = 0


class FromAfar:
    """The application as a phone meets it: connections seem to come from the network to the line's port."""

    def __init__(self, app: Any, port: int) -> None:  # noqa: ANN401 - any ASGI application
        self.app, self.port = app, port

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:  # noqa: ANN401
        """Hand the request on with other ends."""
        await self.app({**scope, "client": (PHONE, 40000), "server": ("127.0.0.1", self.port)}, receive, send)


class Line:
    """Passes connections on to the bench, and breaks them."""

    def __init__(self, rng: random.Random, counts: Counts) -> None:
        self.rng, self.counts = rng, counts
        self.behind = 0
        self.door = socket.socket()
        self.door.bind(("127.0.0.1", 0))
        self.door.listen(64)
        self.port = int(self.door.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                here, _ = self.door.accept()
            except OSError:
                return
            threading.Thread(target=self._pass, args=(here,), daemon=True).start()

    def _pass(self, here: socket.socket) -> None:
        try:
            there = socket.create_connection(("127.0.0.1", self.behind), timeout=10)
        except OSError:
            here.close()
            return
        lives = {
            "to the bench": int(self.rng.expovariate(1 / MEAN_LIFE_BYTES)),
            # Answers are short: some break before their first byte, when all is done but nobody hears of it.
            "to the phone": int(self.rng.expovariate(1 / 1_500)) if self.rng.random() < 0.5 else 10**9,
        }
        ends = [here, there]
        back = threading.Thread(target=self._pump, args=(there, here, "to the phone", lives, ends), daemon=True)
        back.start()
        self._pump(here, there, "to the bench", lives, ends)
        back.join(30)

    def _pump(
        self, source: socket.socket, sink: socket.socket, way: str, lives: dict[str, int], ends: list[socket.socket]
    ) -> None:
        try:
            while part := source.recv(16_384):
                left = lives[way]
                sink.sendall(part[:left])
                lives[way] = left - len(part)
                if lives[way] <= 0:
                    self.counts.cut[way] += 1
                    break
        except OSError:
            pass
        for end in ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()


class Bench:
    """The bench behind the line; can be started anew over the same records."""

    def __init__(self, store: Store, knowledge: Knowledge, line: Line) -> None:
        self.store, self.knowledge, self.line = store, knowledge, line
        self.server: uvicorn.Server | None = None
        self.start()

    def start(self) -> None:
        """Serve, with tokens that nobody knows yet."""
        network = Network(address="127.0.0.1", port=self.line.port)
        app = create_app(self.store, self.knowledge, network=network)
        config = config_of(FromAfar(app, self.line.port))
        config.host, config.port = "127.0.0.1", 0
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()
        while not self.server.started:
            time.sleep(0.005)
        self.line.behind = int(self.server.servers[0].sockets[0].getsockname()[1])

    def stop(self) -> None:
        """End, whatever is under way."""
        if self.server is not None:
            self.server.should_exit = self.server.force_exit = True
        self.thread.join(10)


class Phone:
    """What the scripts of a page do, with what the phone keeps: its cookies, and a key and a file for each upload."""

    def __init__(self, line: Line, session: str, counts: Counts, rng: random.Random) -> None:
        self.line, self.counts, self.rng = line, counts, rng
        self.cookies = {PHONE_COOKIE: session}
        self.token = ""

    def ask(
        self, method: str, path: str, body: bytes | None = None, kind: str = "", key: str = ""
    ) -> tuple[int, bytes]:
        """One request on a connection of its own; OSError or HTTPException when it broke."""
        self.counts.asked += 1
        port = self.line.port
        headers = {
            "Host": f"127.0.0.1:{port}",
            "Origin": f"http://127.0.0.1:{port}",
            "Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items()),
            "Tubewright-Token": self.token,
        }
        if key:
            headers["Tubewright-Key"] = key
        if kind:
            headers["Content-Type"] = kind
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        try:
            line.request(method, path, body, headers)
            self._live_on()
            answer = line.getresponse()
            said = answer.read()
            for cookie in answer.headers.get_all("set-cookie") or ():
                name, _, value = cookie.partition(";")[0].partition("=")
                self.cookies[name] = value
        finally:
            line.close()
        return answer.status, said

    def _live_on(self) -> None:
        if self.rng.random() < 0.02:
            self.counts.died += 1
            raise Died

    def keep_asking(self, method: str, path: str, body: bytes | None = None, kind: str = "", key: str = "") -> Any:  # noqa: ANN401
        """The same until there is a sound answer, with a fresh token where the old one counts no more."""
        for _ in range(MOST_TRIES):
            try:
                if not self.token:
                    status, said = self.ask("GET", "/token")
                    self.token = json.loads(said)["token"] if status == 200 else ""
                    continue
                status, said = self.ask(method, path, body, kind, key)
                found = json.loads(said)
            except (OSError, http.client.HTTPException, ValueError):
                self.counts.lost_answers += 1
                # After a lost answer to a piece nobody knows where it stands: ask.
                if key and body is not None and kind == "application/octet-stream":
                    method, body, kind, path = "GET", None, "", path.partition("?")[0]
                continue
            if found.get("stale"):
                self.token = ""
                continue
            return status, found
        raise AssertionError(f"no answer to {method} {path}")

    def upload(self, job: int, key: str, name: str, data: bytes) -> int:
        """Send a photograph from wherever it stands; gives its number."""
        begins = {
            "key": key, "job": job, "name": name, "size": len(data), "sha256": hashlib.sha256(data).hexdigest(),
        }  # fmt: skip
        _, at = self.keep_asking("POST", "/uploads", json.dumps(begins).encode(), "application/json")
        while at["state"] == "open":
            if at["received"] == at["size"]:
                path = f"/uploads/{at['id']}/finish"
                _, at = self.keep_asking("POST", path, b'{"stage": "before"}', "application/json", key)
                continue
            part = data[at["received"] : at["received"] + at["piece"]]
            path = f"/uploads/{at['id']}?offset={at['received']}"
            _, at = self.keep_asking("POST", path, part, "application/octet-stream", key)
        if at["photo"] is None:
            raise AssertionError(f"not taken: {at}")
        return int(at["photo"])

    def read(self, job: int, key: str, value: str) -> None:
        """Send a typed reading under its key until it is known to be stored."""
        for _ in range(MOST_TRIES):
            try:
                if not self.token:
                    _, said = self.ask("GET", "/token")
                    self.token = json.loads(said)["token"]
                fields = {"red_cutoff": value, "once_key": key, "once_waited_s": "0.5", "form_token": self.token}
                body = urllib.parse.urlencode(fields).encode()
                status, _ = self.ask("POST", f"/jobs/{job}/readings", body, "application/x-www-form-urlencoded")
            except (OSError, http.client.HTTPException, ValueError):
                self.counts.lost_answers += 1
                continue
            except Died:
                continue
            if status == 303:
                return
            if status == 403:
                self.token = ""
            else:
                raise AssertionError(f"{status} for a reading")
        raise AssertionError("no answer to a reading")


def photograph(rng: random.Random) -> bytes:
    """A JPEG of coloured noise, 30 to 250 kB."""
    from PIL import Image

    coarse = Image.frombytes("RGB", (40, 30), rng.randbytes(40 * 30 * 3))
    wide = rng.randrange(900, 2600)
    out = io.BytesIO()
    coarse.resize((wide, wide * 3 // 4)).save(out, "JPEG", quality=rng.randrange(50, 92))
    return out.getvalue()


@contextlib.contextmanager
def shop(folder: Path) -> Iterator[tuple[Store, int]]:
    """Records with one open job."""
    with open_store(folder / "shop.sqlite3") as store:
        display = store.add_display(Display(label="Pier arcade, machine 7"))
        tube = store.add_tube(Tube(label="A48XYZ00X01", heater_v=6.3))
        store.fit_tube(display.id, tube.id)
        yield store, store.open_job(display.id).id


def play(*, uploads: int, readings: int, seed: int) -> tuple[Counts, list[str], str]:
    """Send all of it; gives what happened, what is wrong, and a line on what arrived."""
    rng = random.Random(seed)  # noqa: S311 - chance of a game, not a secret
    counts = Counts()
    line = Line(random.Random(rng.random()), counts)  # noqa: S311
    sending_piece, sending.PIECE_BYTES = sending.PIECE_BYTES, PIECE_BYTES  # type: ignore[misc] # smaller, to break more often
    try:
        with tempfile.TemporaryDirectory() as folder, shop(Path(folder)) as (store, job):
            bench = Bench(store, load_knowledge(), line)
            try:
                return counts, *_play(bench, line, counts, rng, job, uploads=uploads, readings=readings)
            finally:
                line.door.close()
                bench.stop()
    finally:
        sending.PIECE_BYTES = sending_piece  # type: ignore[misc]


def _play(
    bench: Bench, line: Line, counts: Counts, rng: random.Random, job: int, *, uploads: int, readings: int
) -> tuple[list[str], str]:
    store = bench.store
    secret, session = new_secret(), new_session()
    store.add_pairing("", digest(secret), store.clock() + dt.timedelta(minutes=5))
    if store.use_pairing(digest(secret), digest(session), "Soak") is None:
        raise AssertionError("not paired")
    sent: dict[str, int] = {}
    phone = Phone(line, session, counts, rng)
    for number in range(uploads):
        data, key = photograph(rng), secrets.token_hex(16)
        while True:
            if rng.random() < 0.1:
                bench.stop()
                bench.start()
                counts.restarts += 1
            try:
                found = phone.upload(job, key, f"{number}.jpg", data)
                break
            except Died:
                # Another page of the same phone: it knows its cookies, the key and the file, nothing else.
                again = Phone(line, session, counts, rng)
                again.cookies, phone = phone.cookies, again
        sent[hashlib.sha256(data).hexdigest()] = found
    values = [f"{20 + number / 10:.1f}" for number in range(readings)]
    for value in values:
        phone.read(job, secrets.token_hex(16), value)
    held = store.job(job)
    wrong = []
    kept = Counter(photo.sha256 for photo in held.photos)
    for sha in sent:
        if kept[sha] != 1:
            wrong.append(f"photograph {sha[:12]} is there {kept[sha]} times")
        elif hashlib.sha256(store.file(sha).data).hexdigest() != sha:
            wrong.append(f"photograph {sha[:12]} is not what was sent")
    if len(held.photos) != len(sent):
        wrong.append(f"{len(held.photos)} photographs instead of {len(sent)}")
    read = Counter(f"{r.reading.value:.1f}" for r in held.readings)
    wrong += [f"reading {value} is there {read[value]} times" for value in values if read[value] != 1]
    if sum(read.values()) != len(values):
        wrong.append(f"{sum(read.values())} readings instead of {len(values)}")
    whole = sum(kept[sha] == 1 for sha in sent)
    once = sum(read[value] == 1 for value in values)
    return wrong, f"{whole} of {uploads} photographs arrived once and whole; {once} of {readings} readings stored once"


def main() -> None:
    """Play, print, and end with 1 if anything came twice, not at all, or damaged."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--uploads", type=int, default=200)
    parser.add_argument("--readings", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="10 of each")
    given = parser.parse_args()
    few = {name: 10 if given.quick else int(getattr(given, name)) for name in ("uploads", "readings")}
    began = time.monotonic()
    counts, wrong, words = play(**few, seed=given.seed)
    cuts = ", ".join(f"{n} {re.sub('^to', 'on the way to', way)}" for way, n in sorted(counts.cut.items()))
    print(f"{counts.asked} requests, cut off: {cuts}; {counts.lost_answers} without an answer")
    print(f"the phone died {counts.died} times, the bench was started anew {counts.restarts} times")
    print(f"{words}; {time.monotonic() - began:.0f} s")
    for line in wrong:
        print(f"BROKEN: {line}")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
