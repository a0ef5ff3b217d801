"""The shop's own file while the bench is open: looked at for a change, read again, its mistakes told."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tubewright.bench.diagnosing import Diagnosing
from tubewright.bench.dueing import Dues
from tubewright.bench.papers import Comparisons
from tubewright.bench.setting_up import SettingUp
from tubewright.bench.treating import Holds
from tubewright.errors import Fault, InputError
from tubewright.knowledge.load import load_knowledge

if TYPE_CHECKING:
    from fastapi import FastAPI
    from starlette.types import ASGIApp, Receive, Scope, Send

    from tubewright.bench.pages import Bench
    from tubewright.knowledge.model import Knowledge

LOOK_EVERY_S: Final = 1.0
"""A file is looked at no more often than this, however many pages are asked for."""
TRIES: Final = 3
"""Readings of a file that changes while it is read; the next look reads on."""

Mark = tuple[tuple[str, int, int], ...]
"""Name, time of change and size of each file that belongs to it; empty where there is none."""


def mark_of(path: Path) -> Mark:
    """By what a change is noticed; a folder is all of its TOML files."""
    try:
        paths = sorted(path.glob("*.toml")) if path.is_dir() else [path]
        return tuple((str(one), found.st_mtime_ns, found.st_size) for one in paths for found in [one.stat()])
    except OSError:
        # Gone, or between an editor's taking away and putting back: the next look tells.
        return ()


class OwnFile:
    """Watches the shop's own file and hands its bench what it says.

    A sound file counts from the next page on. While it has mistakes, what it said before
    holds, and every page tells of them.
    """

    def __init__(
        self, app: FastAPI, path: Path, *, optional: bool = False, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        """Watch a file.

        Args:
            app: The application whose bench goes by it; what it knows now is taken to be from the file.
            path: The file, or a folder of such files.
            optional: Whether it may be missing: without it, what is built in counts.
            clock_s: Seconds that never run backwards.
        """
        self._app, self._path, self._optional, self._clock_s = app, path, optional, clock_s
        self._reading = threading.Lock()
        # Not yet looked at: it may have changed since what is known now was read.
        self._seen: Mark | None = None
        self._looked_s = clock_s()

    @property
    def due(self) -> bool:
        """Whether the last look is long enough ago."""
        return self._clock_s() - self._looked_s >= LOOK_EVERY_S

    def look(self) -> bool:
        """Read the file if it has changed; gives whether what is known, or what is wrong with it, is another now.

        Whoever comes while it is being read goes on with what was known before.
        """
        if not self.due or not self._reading.acquire(blocking=False):
            return False
        try:
            self._looked_s = self._clock_s()
            return self._read_changed()
        finally:
            self._reading.release()

    def _read_changed(self) -> bool:
        mark = mark_of(self._path)
        if mark == self._seen:
            return False
        for _ in range(TRIES):
            before = mark
            told = self._read(before)
            mark = mark_of(self._path)
            if mark == before:
                break
        # As it was when it was read: a change since is found by the next look.
        self._seen = before
        bench: Bench = self._app.state.bench
        if isinstance(told, tuple):
            bench.own_mistakes, bench.own_before = told, bench.knowledge is not load_knowledge()
            return True
        bench.own_mistakes, bench.own_before = (), False
        if told is bench.knowledge:
            return False
        bench.knowledge = told
        self._forget()
        return True

    def _read(self, mark: Mark) -> Knowledge | tuple[Fault, ...]:
        if not mark and self._optional:
            return load_knowledge()
        try:
            return load_knowledge(self._path)
        except InputError as error:
            return error.faults

    def _forget(self) -> None:
        """Let go of answers that rest on what was known before."""
        state = self._app.state
        state.diagnosing = Diagnosing()
        state.holds = Holds()
        state.dues = Dues(state.holds)
        state.setting_up = SettingUp()
        state.comparisons = Comparisons()


class Watching:
    """ASGI middleware that lets the shop's own file be looked at before a page is drawn."""

    def __init__(self, app: ASGIApp, *, own: OwnFile) -> None:
        self.app, self.own = app, own

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Look, then pass the request on."""
        if scope["type"] == "http" and not scope["path"].startswith("/static/") and self.own.due:
            await asyncio.to_thread(self.own.look)
        await self.app(scope, receive, send)


def watch(app: FastAPI, own: Path | None, place: Path | None = None) -> OwnFile | None:
    """Watch the shop's own file for as long as the application lives.

    Args:
        app: Has been made with what the file says, and is not served yet.
        own: The file, as it was found or named; ``None`` while there is none.
        place: Where one is looked for unless another was named; a file that appears there is read.
    """
    path = own or place  # a file that was named comes first
    if path is None:
        return None
    found = OwnFile(app, path, optional=path == place)
    app.add_middleware(Watching, own=found)
    return found
