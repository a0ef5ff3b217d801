"""Who may import whom, and what a pure room must not touch; reads source, runs none of it."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Final

PACKAGE: Final = "tubewright"

OPEN_TO_ALL: Final = frozenset({"", "case", "errors", "experience", "quantity"})
"""Plain modules at the top that every room may import ("" is the package itself: its version)."""

ROOMS: Final[Mapping[str, frozenset[str]]] = {
    # room: what of ours it may import, by room or by module
    "": frozenset(),
    "case": frozenset(),
    "errors": frozenset(),
    "experience": frozenset(),
    "quantity": frozenset(),
    "physics": frozenset(),
    "picture": frozenset({"physics"}),
    "simulate": frozenset({"physics", "picture.patterns"}),
    "knowledge": frozenset(),
    "judgement": frozenset({"physics", "picture", "knowledge.model", "knowledge.chassis", "knowledge.parts"}),
    "answers": frozenset(
        {"physics", "picture", "judgement", "knowledge.model", "knowledge.chassis", "knowledge.parts"}
    ),
    "records": frozenset({"knowledge"}),
    "demo": frozenset({"knowledge", "records"}),
    "report": frozenset({"answers", "picture.patterns"}),  # the sheet of tags to print
    "files": frozenset({"answers", "knowledge.model", "picture.seen"}),  # a case is checked against the ids that exist
    "cli": frozenset({"*"}),
    "bench": frozenset({"*"}),
    "__main__": frozenset({"cli"}),
}

LIBRARIES: Final[Mapping[str, frozenset[str]]] = {
    # room: the libraries from outside it may import; rooms not named here choose for themselves
    "case": frozenset({"pydantic"}),
    "errors": frozenset(),
    "experience": frozenset(),
    "quantity": frozenset(),
    "physics": frozenset({"numpy"}),
    "picture": frozenset({"numpy", "scipy", "cv2", "threadpoolctl"}),
    "simulate": frozenset({"numpy", "scipy", "cv2"}),
    "judgement": frozenset({"numpy"}),
    "answers": frozenset({"numpy"}),
}

PURE: Final = frozenset({"physics", "picture", "judgement", "answers", "case", "errors", "experience", "quantity"})
"""Rooms whose answers follow from their arguments alone."""

WORLD_MODULES: Final[Mapping[str, frozenset[str]]] = {
    "files": frozenset({"fileinput", "glob", "io", "mmap", "pathlib", "pickle", "shelve", "shutil", "tempfile"}),
    "parsers of files": frozenset({"configparser", "csv", "sqlite3", "tomllib", "zipfile"}),
    "clocks and places": frozenset({"locale", "platform", "sched", "time", "zoneinfo"}),
    "chance": frozenset({"random", "secrets", "uuid"}),
    "the network": frozenset(
        {"asyncio", "ftplib", "http", "select", "smtplib", "socket", "ssl", "urllib", "webbrowser"}
    ),
    "the system": frozenset({"ctypes", "getpass", "os", "signal", "subprocess", "sys", "logging"}),
    "other processes": frozenset({"concurrent", "multiprocessing", "threading"}),
    "modules by name": frozenset({"builtins", "importlib", "runpy"}),
}
"""Modules of the standard library through which the world comes in."""

WORLD_NAMES: Final = frozenset({"open", "print", "input", "breakpoint", "exec", "eval", "compile", "__import__"})
CLOCK_METHODS: Final = frozenset({"now", "utcnow", "today"})
CLOCK_OWNERS: Final = frozenset({"datetime", "date", "dt"})
FILE_METHODS: Final = frozenset(
    {"read_text", "write_text", "read_bytes", "write_bytes"}
    | {"fromfile", "tofile", "loadtxt", "savetxt", "genfromtxt", "memmap", "savez", "savez_compressed"}
)
ARRAY_FILE_FUNCTIONS: Final = frozenset({"load", "save"})
NUMPY_NAMES: Final = frozenset({"np", "numpy"})
SEEDED_RANDOM: Final = frozenset({"default_rng", "Generator", "SeedSequence", "PCG64", "PCG64DXSM", "Philox", "SFC64"})


_STANDARD: Final = frozenset(sys.stdlib_module_names)


def module_names(source_root: Path) -> dict[str, Path]:
    """Every module of the package by its name within it ("judgement.life"; "" is the package)."""
    package = source_root / PACKAGE
    names = {}
    for path in sorted(package.rglob("*.py")):
        parts = list(path.relative_to(package).with_suffix("").parts)
        if parts[-1] == "__init__":
            parts.pop()
        names[".".join(parts)] = path
    return names


def room_of(module: str) -> str:
    """The room a module lies in."""
    return module.partition(".")[0]


def trespasses(module: str, source: str, *, modules: Iterable[str], is_package: bool = False) -> list[str]:
    """Everything in one module's source that crosses a border, one line each, with line numbers."""
    room = room_of(module)
    if room not in ROOMS:
        return [f"{module}: no room of this name; add it to tests/borders.py and docs/house.md with what it may import"]
    tree = ast.parse(source)
    known = set(modules)
    found = [
        (line, f"imports {PACKAGE}.{target}")
        for line, target in our_imports(tree, module, known, is_package=is_package)
        if not _may_import(room, target)
    ]
    allowed = LIBRARIES.get(room)
    for line, library in _foreign_imports(tree):
        world = next((world for world, names in WORLD_MODULES.items() if library in names), None)
        if room in PURE and world:
            found.append((line, f"imports {library}, but a pure room does not touch {world}"))
        elif allowed is not None and library not in allowed and library not in _STANDARD:
            found.append((line, f"imports {library}, which this room does without"))
    if room in PURE:
        found.extend(_worldly(tree))
    return [f"{module}:{line}: {what}" for line, what in sorted(found)]


def our_imports(tree: ast.AST, module: str, known: set[str], *, is_package: bool) -> Iterator[tuple[int, str]]:
    """Line and module (within the package) of every import of our own, wherever it stands in the file."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                head, _, rest = alias.name.partition(".")
                if head == PACKAGE:
                    yield node.lineno, rest
        elif isinstance(node, ast.ImportFrom):
            base = _base(node, module, is_package=is_package)
            if base is None:
                continue
            for alias in node.names:
                below = f"{base}.{alias.name}".lstrip(".")
                yield node.lineno, below if below in known else base


def _base(node: ast.ImportFrom, module: str, *, is_package: bool) -> str | None:
    """The module (within the package) that a ``from`` names, or ``None`` if it isn't ours."""
    if node.level == 0:
        head, _, rest = (node.module or "").partition(".")
        return rest if head == PACKAGE else None
    parts = module.split(".") if module else []
    parts = parts[: len(parts) - node.level + (1 if is_package else 0)]
    return ".".join([*parts, *([node.module] if node.module else [])])


def _foreign_imports(tree: ast.AST) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [node.module or ""]
        else:
            continue
        for name in names:
            head = name.partition(".")[0]
            if head != PACKAGE:
                yield node.lineno, head


def _may_import(room: str, target: str) -> bool:
    other = room_of(target)
    allowed = ROOMS[room]
    if other in OPEN_TO_ALL or other == room or "*" in allowed:
        return True
    return any(target == permit or target.startswith(f"{permit}.") for permit in allowed)


def _worldly(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Names by which a pure room would reach a file, a clock or chance without importing anything forbidden."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.expr):
            continue
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load) and node.id in WORLD_NAMES:
            yield node.lineno, f"uses {node.id}"
        elif isinstance(node, ast.Attribute):
            owner = _last_name(node.value)
            if node.attr in CLOCK_METHODS and owner in CLOCK_OWNERS:
                yield node.lineno, f"reads a clock: {owner}.{node.attr}"
            elif node.attr in FILE_METHODS or (node.attr in ARRAY_FILE_FUNCTIONS and owner in NUMPY_NAMES):
                yield node.lineno, f"touches a file: {node.attr}"
            elif owner == "random" and node.attr not in SEEDED_RANDOM:
                yield node.lineno, f"draws from global chance: random.{node.attr}"
        elif isinstance(node, ast.Call) and not node.args and not node.keywords:
            name = _last_name(node.func)
            if name in SEEDED_RANDOM - {"Generator"}:
                yield node.lineno, f"draws an unseeded generator: {name}()"


def _last_name(node: ast.AST) -> str:
    if isinstance(node, ast.Name):
        return node.id
    return node.attr if isinstance(node, ast.Attribute) else ""
