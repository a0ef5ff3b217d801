"""Every number written in the physics room has an entry that names its source, and the entry agrees."""

from __future__ import annotations

import ast
import importlib
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
import scipy.constants

import tubewright.physics
from tubewright.physics import constants

ROOM: Final = Path(tubewright.physics.__file__).parent
FACTS: Final = ROOM.parent / "knowledge" / "facts"
REGISTERS: Final = {
    path.name: tomllib.loads(path.read_text(encoding="utf-8")) for path in sorted(FACTS.glob("physics_constants*.toml"))
}
ENTRIES: Final[list[dict[str, Any]]] = [entry for register in REGISTERS.values() for entry in register["constant"]]
KINDS: Final = {"published", "common practice", "from memory"}

PLAIN: Final = frozenset({0.0, 0.5, 0.9, 1.0, 1e-9})
"""Fractions that are arithmetic, the tenths in a name (t50, t90), or a rounding guard: no facts."""


@cache
def bibliography() -> frozenset[str]:
    found = (tomllib.loads(path.read_text(encoding="utf-8")) for path in FACTS.glob("*.toml"))
    return frozenset(source["key"] for file in found for source in file.get("source", []))


def numbers_at_module_level(source: str) -> Iterator[str]:
    """Names assigned, outside any function or class, from an expression with a number written in it."""
    for node in ast.parse(source).body:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        if any(is_number(part) for part in ast.walk(node.value)):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            yield from (target.id for target in targets if isinstance(target, ast.Name))


def is_number(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, int | float) and not isinstance(node.value, bool)


def fractions_in_functions(source: str) -> Iterator[float]:
    """Fractions written inside functions and as defaults, where no entry could name them."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef):
            for part in ast.walk(node):
                if is_number(part) and isinstance(part, ast.Constant) and isinstance(part.value, float):
                    yield part.value


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: str(entry["id"]))
def test_entry_gives_the_value_in_force(entry: dict[str, Any]) -> None:
    module, _, name = entry["where"].partition(":")
    assert getattr(importlib.import_module(module), name) == entry["value"]
    assert entry["kind"] in KINDS
    assert entry["source"] in bibliography()
    assert all(entry[field].strip() for field in ("unit", "locator", "means"))


@pytest.mark.parametrize("path", sorted(ROOM.glob("*.py")), ids=lambda path: path.name)
def test_no_number_stands_without_an_entry(path: Path) -> None:
    registered = {entry["where"] for entry in ENTRIES}
    source = path.read_text(encoding="utf-8")
    bare = [f"tubewright.physics.{path.stem}:{name}" for name in numbers_at_module_level(source)]
    assert [where for where in bare if where not in registered] == []
    assert [value for value in fractions_in_functions(source) if value not in PLAIN] == []


def test_the_search_for_bare_numbers_finds_them() -> None:
    sample = "A = 3\nB: float = 2.0 * A\nC = {'k': [0.1]}\nD = 'x'\nE = True\ndef f(g=0.25):\n    return g * 1.7\n"
    assert list(numbers_at_module_level(sample)) == ["A", "B", "C"]
    assert sorted(fractions_in_functions(sample)) == [0.25, 1.7]


def test_every_constant_is_registered_once() -> None:
    names = sorted(f"tubewright.physics.constants:{name}" for name in vars(constants) if name.isupper())
    places = [entry["where"] for entry in ENTRIES]
    assert sorted(place for place in places if place.startswith("tubewright.physics.constants:")) == names
    assert len(set(places)) == len({entry["id"] for entry in ENTRIES}) == len(ENTRIES)


@pytest.mark.parametrize("name", REGISTERS)
def test_sources_of_a_register_are_all_cited(name: str) -> None:
    register = REGISTERS[name]
    cited = {entry["source"] for entry in register["constant"]}
    assert {source["key"] for source in register.get("source", [])} <= cited


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (constants.ELEMENTARY_CHARGE_C, "elementary charge"),
        (constants.BOLTZMANN_J_PER_K, "Boltzmann constant"),
        (constants.BOLTZMANN_EV_PER_K, "Boltzmann constant in eV/K"),
        (constants.PLANCK_J_S, "Planck constant"),
        (constants.ELECTRON_MASS_KG, "electron mass"),
        (constants.VACUUM_PERMITTIVITY_F_PER_M, "vacuum electric permittivity"),
    ],
)
def test_nature_agrees_with_codata(ours: float, theirs: str) -> None:
    # Adjustments since 2018 differ from each other by less than this.
    assert ours == pytest.approx(scipy.constants.physical_constants[theirs][0], rel=2e-9)


def test_derived_constants_agree_with_published_figures() -> None:
    found = (constants.RICHARDSON_A_M2_K2, constants.CHILD_LANGMUIR_A_V1_5, 1050 * constants.BOLTZMANN_EV_PER_K)
    assert found == pytest.approx((1.201732e6, 2.333952e-6, 0.0904820), rel=1e-6)


def test_sine_form_factor_is_that_of_a_sine() -> None:
    turn = np.sin(np.linspace(0, 2 * np.pi, 200_001))
    form_factor = np.sqrt(np.mean(turn**2)) / np.mean(np.abs(turn))
    assert form_factor == pytest.approx(constants.SINE_FORM_FACTOR, rel=1e-4)
