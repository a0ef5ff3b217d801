"""The rooms keep their borders: imports, the world outside, and names that carry their unit."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Final

import pytest

from borders import PURE, ROOMS, module_names, room_of, trespasses

SOURCE: Final = Path(__file__).parents[1] / "src"
MODULES: Final = module_names(SOURCE)


@pytest.mark.parametrize("module", MODULES, ids=lambda name: name or "tubewright")
def test_a_module_stays_within_its_rooms_borders(module: str) -> None:
    path = MODULES[module]
    found = trespasses(module, path.read_text(encoding="utf-8"), modules=MODULES, is_package=path.name == "__init__.py")
    assert not found, "\n".join(found)


def test_every_pure_room_is_a_room() -> None:
    assert set(ROOMS) >= PURE


def test_the_records_and_the_judgement_are_strangers() -> None:
    """Not even by a detour: nothing that records imports, at any depth, is a judgement or an answer."""
    reached = _reach("records")
    assert not {room_of(name) for name in reached} & {"judgement", "answers", "simulate", "bench", "cli"}


def test_the_judgement_never_meets_the_simulator() -> None:
    reached = _reach("judgement") | _reach("answers")
    assert not {room_of(name) for name in reached} & {"simulate", "records", "bench", "cli", "files", "report"}


def test_the_walk_follows_imports() -> None:
    """Without this the two tests above could pass by seeing nothing."""
    assert "case" in _reach("answers")


def _reach(room: str) -> set[str]:
    """Every module that loads because a module of this room does."""
    from borders import our_imports

    todo = [name for name in MODULES if room_of(name) == room]
    start, seen = set(todo), set(todo)
    while todo:
        name = todo.pop()
        path = MODULES[name]
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for _, target in our_imports(tree, name, set(MODULES), is_package=path.name == "__init__.py"):
            if target in MODULES and target not in seen:
                seen.add(target)
                todo.append(target)
    return seen - start


KNOWN: Final = ("", "judgement", "judgement.life", "answers.assessment", "records.store", "knowledge.load", "demo")

WRONG: Final = {
    "records computing a judgement": ("records.store", "from tubewright.judgement import life"),
    "records reading an answer": ("records.store", "from tubewright.answers.assessment import Assessment"),
    "a judgement that reads the database": ("judgement.life", "import tubewright.records.store"),
    "the same from a function": ("judgement.life", "def f():\n    from tubewright import demo"),
    "the same by a relative import": ("judgement.life", "from ..records import store"),
    "the same up from the package itself": ("judgement", "from ..records.store import Store"),
    "the same for types only": ("judgement.life", "if TYPE_CHECKING:\n    from tubewright.records.store import Store"),
    "a judgement that loads its own knowledge": ("judgement.life", "from tubewright.knowledge.load import load"),
    "a judgement that asks the simulator": ("judgement.life", "from tubewright.simulate import tubes"),
    "an answer that asks the simulator": ("answers.assess", "from tubewright.simulate import tubes"),
    "physics that imports a judgement": ("physics.gun", "import tubewright.judgement.life"),
    "a simulator that shares the estimator": ("simulate.tubes", "from tubewright.judgement import life"),
    "a case that reads a file": ("case", "from tubewright.files import cases"),
    "a report that opens the database": ("report.text", "from tubewright.records import store"),
    "scipy in the judgement": ("judgement.life", "import scipy.stats"),
    "a web framework in physics": ("physics.gun", "from fastapi import FastAPI"),
    "a room nobody has named": ("utils", "x = 1"),
    "open": ("physics.gun", "text = open('x').read()"),
    "print": ("judgement.life", "print('hello')"),
    "print under another name": ("judgement.life", "say = print"),
    "a clock": ("judgement.life", "import time"),
    "a clock from its module": ("answers.assess", "from time import monotonic"),
    "today's date": ("case", "import datetime as dt\nx = dt.datetime.now()"),
    "today's date, shorter": ("answers.assess", "from datetime import date\nx = date.today"),
    "the environment": ("physics.gun", "import os\nx = os.environ['HOME']"),
    "the environment, by name": ("physics.gun", "from os import environ"),
    "a socket": ("picture.locate", "import socket"),
    "a database": ("judgement.life", "import sqlite3"),
    "a path": ("judgement.life", "from pathlib import Path"),
    "a file through an array": ("physics.gun", "import numpy as np\nx = np.load('x.npy')"),
    "a file through a handed-in path": ("judgement.life", "def f(path):\n    return path.read_text()"),
    "an import by name": ("judgement.life", "import importlib"),
    "global chance": ("judgement.life", "import random"),
    "global chance in an array": ("judgement.life", "import numpy as np\nx = np.random.normal()"),
    "a seed for everybody": ("judgement.life", "import numpy as np\nnp.random.seed(1)"),
    "a generator without a seed": ("judgement.life", "import numpy as np\nrng = np.random.default_rng()"),
}


@pytest.mark.parametrize(("module", "source"), WRONG.values(), ids=WRONG.keys())
def test_the_guard_sees(module: str, source: str) -> None:
    """Each planted trespass is found: a guard that never barks guards nothing."""
    assert trespasses(module, source, modules=KNOWN, is_package=module == "judgement")


RIGHT: Final = {
    "knowledge as types": ("judgement.life", "from tubewright.knowledge.model import Knowledge"),
    "a neighbour in the same room": ("judgement", "from .life import futures"),
    "the case and the errors": ("physics.gun", "from tubewright.case import Gun\nfrom tubewright.errors import Fault"),
    "the version": ("judgement.life", "from tubewright import __version__"),
    "a seeded generator": ("judgement.life", "import numpy as np\nrng = np.random.default_rng(7)"),
    "a generator handed in": ("judgement.life", "def f(rng: np.random.Generator):\n    return rng.normal()"),
    "a date as a type": ("case", "import datetime as dt\nat: dt.datetime"),
    "a file in a room for files": ("files.cases", "from pathlib import Path\nx = open('x')"),
    "anything behind a door": ("cli.bench", "from tubewright.bench import app\nfrom tubewright.simulate import tubes"),
    "a method that only sounds like one of ours": ("judgement.life", "x = table.load(3)"),
}


@pytest.mark.parametrize(("module", "source"), RIGHT.values(), ids=RIGHT.keys())
def test_the_guard_lets_pass(module: str, source: str) -> None:
    assert trespasses(module, source, modules=KNOWN, is_package=module == "judgement") == []
