"""The house is in order: locks, package contents, names, and what the docs say of the rooms."""

from __future__ import annotations

import ast
import os
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest

from borders import LIBRARIES, OPEN_TO_ALL, PURE, ROOMS, module_names
from tubewright.knowledge.load import load_knowledge
from units import WITHOUT_UNIT, carries_unit

ROOT: Final = Path(__file__).parents[1]
SOURCE: Final = ROOT / "src"
PACKAGE: Final = SOURCE / "tubewright"
PROJECT: Final[dict[str, Any]] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LOCKS: Final = ("requirements.lock", "requirements-test.lock")
PIN: Final = re.compile(r"^([a-z0-9][a-z0-9-]*)==(\S+)", re.MULTILINE)


def pins(lock: str) -> set[tuple[str, str]]:
    """Name and version of everything a lock installs."""
    return set(PIN.findall((ROOT / lock).read_text(encoding="utf-8")))


def wanted(*extras: str) -> set[str]:
    """Names of what pyproject.toml asks for, our own extras followed."""
    optional = PROJECT["project"]["optional-dependencies"]
    names: set[str] = set()
    lines = list(PROJECT["project"]["dependencies"]) + [line for extra in extras for line in optional[extra]]
    for line in lines:
        found = re.match(r"([A-Za-z0-9_.-]+)(?:\[([a-z,]+)\])?", line)
        assert found, line
        name, inner = found.groups()
        if name == "tubewright":
            names |= wanted(*inner.split(","))
        else:
            names.add(re.sub(r"[-_.]+", "-", name).lower())
    return names


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_names_no_address(lock: str) -> None:
    text = (ROOT / lock).read_text(encoding="utf-8")
    for sign in ("://", "--index", "--extra-index", "--find-links", "--trusted-host", "file:", "@"):
        assert sign not in text, sign


@pytest.mark.parametrize("lock", LOCKS)
def test_every_line_of_a_lock_is_a_pin_with_hashes_or_a_hash(lock: str) -> None:
    entries = (ROOT / lock).read_text(encoding="utf-8").replace("\\\n", " ").splitlines()
    assert entries
    for entry in entries:
        assert PIN.match(entry), entry
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", entry), entry


@pytest.mark.parametrize(
    ("lock", "extras"), [("requirements.lock", ()), ("requirements-test.lock", ("test", "postgres"))]
)
def test_a_lock_holds_what_the_project_asks_for(lock: str, extras: tuple[str, ...]) -> None:
    missing = wanted(*extras) - {name for name, _ in pins(lock)}
    assert not missing, f"run make lock: {sorted(missing)}"


def test_the_tests_run_on_what_the_bench_runs_on() -> None:
    assert pins("requirements.lock") <= pins("requirements-test.lock")


def test_references_for_tests_are_not_installed_with_the_program() -> None:
    names = {name for name, _ in pins("requirements.lock")}
    assert not names & {"colour-science", "photutils", "scikit-image", "pillow-heif", "pytest", "playwright", "mkdocs"}


def test_everything_beside_the_code_goes_into_the_package() -> None:
    """A page or a facts file left out of the wheel is missed only on somebody else's machine."""
    patterns = PROJECT["tool"]["setuptools"]["package-data"]["tubewright"]
    packed = {path for pattern in patterns for path in PACKAGE.glob(pattern)}
    left_out = [
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*")
        if path.is_file() and path.suffix not in {".py", ".pyc"} and path not in packed
    ]
    assert not left_out


def test_every_module_lies_in_a_package() -> None:
    """A folder without __init__.py is left out of the wheel with all its modules."""
    strays = [
        path.relative_to(SOURCE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if not all(
            (folder / "__init__.py").exists()
            for folder in [path.parent, *path.parent.parents]
            if folder.is_relative_to(PACKAGE)
        )
    ]
    assert not strays


def test_no_module_outgrows_a_head() -> None:
    """About 400 lines is the aim; past 450 a module is surely two."""
    long = {
        path.relative_to(ROOT).as_posix(): count
        for folder in ("src", "tools")
        for path in (ROOT / folder).rglob("*.py")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 450
    }
    assert not long


def numbers_asked_for() -> dict[str, set[str]]:
    """Every number of the trade's knowledge that some module names, and the modules that do."""
    found: dict[str, set[str]] = {}
    for module, path in module_names(SOURCE).items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            match node:
                case ast.Call(func=ast.Attribute(attr="value"), args=[ast.Constant(value=str(name))]):
                    found.setdefault(name, set()).add(module)
    return found


def test_every_number_asked_for_is_known() -> None:
    """A misspelt or renamed one would be met only by whoever has that kind of tube on the bench."""
    asked = numbers_asked_for()
    assert len(asked) > 50, "the search finds nothing: it is broken"
    unknown = {name: modules for name, modules in asked.items() if name not in load_knowledge().constants}
    assert not unknown


def float_fields() -> Iterator[tuple[str, str, str, tuple[str, ...]]]:
    """Module, class and name of every float (or array of floats) in a public dataclass, and its sister fields."""
    for module, path in module_names(SOURCE).items():
        if any(part.startswith("_") for part in module.split(".")):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ClassDef) or node.name.startswith("_"):
                continue
            if not any("dataclass" in ast.unparse(decorator) for decorator in node.decorator_list):
                continue
            fields = {
                field.target.id: ast.unparse(field.annotation)
                for field in node.body
                if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name)
            }
            for name, kind in fields.items():
                if re.search(r"\bfloat(64|32)?\b|\bFloats?\b", kind) and not re.search("Callable|Mapping|dict", kind):
                    yield module, node.name, name, tuple(fields)


def test_a_number_in_a_public_dataclass_says_its_unit() -> None:
    fields = list(float_fields())
    assert len(fields) > 50, "the search finds nothing: it is broken"
    nameless = [
        f"{module}.{owner}:{name}"
        for module, owner, name, siblings in fields
        if not name.startswith("_") and not carries_unit(owner, name, siblings)
    ]
    assert not nameless, "give it a unit, or a reason in tests/units.py: " + ", ".join(nameless)


@pytest.mark.parametrize("name", ["cutoff", "heater", "time", "value", "current_amps", "v", "level", "a_grid"])
def test_a_name_without_a_unit_is_seen(name: str) -> None:
    assert not carries_unit("Made", name)


@pytest.mark.parametrize("name", ["cutoff_v", "heater_current_a", "service_hours", "retention_ratio", "success"])
def test_a_name_with_a_unit_is_let_pass(name: str) -> None:
    assert carries_unit("Made", name)


def test_a_value_beside_its_unit_needs_no_other() -> None:
    assert carries_unit("Made", "value", ("value", "unit"))
    assert not carries_unit("Made", "value", ("value", "source"))


def test_every_exception_from_the_rule_is_still_needed_and_has_a_reason() -> None:
    there = {f"{owner}:{name}" for _, owner, name, _ in float_fields()}
    for entry, reason in WITHOUT_UNIT.items():
        assert reason
        assert any(field.startswith(entry) for field in there), f"{entry} is gone from the code"


def test_the_docs_draw_the_same_borders_as_the_test() -> None:
    """docs/house.md has a row for each room, with just what it may import."""
    rows = {}
    for line in (ROOT / "docs" / "house.md").read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 3 and cells[0].startswith("`"):
            for room in re.findall(r"`([a-z_]+)`", cells[0]):
                rows[room] = frozenset(re.findall(r"`([a-z._]+)`", cells[2])) or cells[2]
    assert set(rows) == set(ROOMS) - {""}
    for room, allowed in ROOMS.items():
        if room and allowed and allowed != {"*"}:
            assert rows[room] == allowed, room
        elif allowed == {"*"}:
            assert rows[room] == "everything", room
    assert set(LIBRARIES) >= PURE
    assert set(ROOMS) >= OPEN_TO_ALL


def test_the_build_machine_says_the_same_words_as_a_person() -> None:
    script = ROOT / ".ci" / "run"
    assert "make test" in script.read_text(encoding="utf-8")
    if os.name == "posix":
        assert os.access(script, os.X_OK)
