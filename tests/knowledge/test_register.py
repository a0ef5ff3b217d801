"""Every number that judgement and answers reckon with has an entry that names its source."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path
from typing import Final

import pytest

import tubewright
from tubewright.knowledge.load import load_knowledge

ROOT: Final = Path(tubewright.__file__).parent
ROOMS: Final = ("judgement", "answers")

TECHNICAL: Final[dict[str, str]] = {
    "_BINS": "how finely a reading not yet taken is divided",
    "X": "grid",
    "_WRONG_SETTINGS": "grid",
    "_NODES": "grid",
    "_WEAR_NODES": "grid",
    "_HALF_WIDTH_SPREADS": "grid",
    "MOST_SUSPECTS": "bound of a search",
    "MOST_SETS": "bound of a search",
    "_BEAM": "bound of a search",
    "_MOST_FAULTS": "bound of a search",
    "_NEGLIGIBLE": "bound of a search",
    "MOST_OPEN": "bound of a search",
    "_MOST_NUMBERS": "bound of a search",
    "_MOST_WORK": "bound of a search",
    "_RUNS": "size of the sample",
    "_EACH": "size of the sample",
    "_FEWEST": "size of the sample",
    "_MOST_LINKS": "size of the sample",
    "_SWEEP_AFTER": "size of the sample",
    "_LAST_SWEEPS": "size of the sample",
    "_CERTAIN": "guards a division",
    "_ALMOST": "keeps a logarithm finite",
    "_BASE_UNITS": "prefixes of SI units",
    "MOST_CLASHES": "length of a list",
    "MOST_LEADING": "length of a list",
    "MOST_NAMED": "length of a list",
    "PARTICLES": "size of the cloud",
    "FORMAT": "number of the contract",
    "HAZARD_FACTOR": "a table; each of its figures is an estimate, said beside it",
    "PARTS_PRICE": "a table; each of its figures is an estimate, said beside it",
    "FIRST_STEPS": "bound of a search",
    "SECOND_STEPS": "bound of a search",
    "MOST_WEIGHED": "bound of a search",
    "_SUSPECTS_OPENED": "bound of a search",
    "_NO_LESS": "keeps a logarithm finite",
    "WORTH_TELLING": "keeps rounding out of a list",
    "LEAST_SHOWN": "length of a list",
    "LEAST_SAVED": "half a minute: less isn't written",
    "_FACTORS": "prefixes of SI units",
    "IN_PIXELS": "the scale of raster pixels to themselves",
    "SHOWN": "length of a list",
    "AT_ONCE": "length of a list",
    "COMMONEST": "length of a list",
    "OFFERED_TESTS": "length of a list",
    "OFFERED_LOOKS": "length of a list",
    "OFFERED_SUSPECTS": "length of a list",
    "_LEAST_SHOWN": "length of a list",
    "_MOST_SHOWN": "length of a list",
    "_MOST_KEPT": "bound of a memory",
    "_LONGEST": "bound of what is typed",
    "MOST_MOVED": "bound of what is typed",
    "_MOST_TYPED": "bound of what is typed",
    "_SURE": "keeps a logarithm finite",
    "_TINY": "guards a division",
    "SURELY_SD": "the normal law's 95 %",
    "TENTH_SD": "the normal law's 10 %",
    "MONTHS_PER_YEAR": "definition of the month",
    "ZONE_UV": "where the nine zones lie",
    "ZONE_PLACE": "where the nine zones lie",
    "CORNERS": "which zones are corners",
    "EDGES": "which zones are edges",
    "GEOMETRY": "units of the figures",
    "RINGS": "poles of the ring magnets, which their names say",
    "ORDER": "order of the work, by number",
    "SIXTEENTHS": "how fractions of a turn are spoken",
    "SPREAD_AT_FIRST": "as good as nothing known",
    "_NO_CHANGE": "guards a division",
    "GRID": "step of a search",
    "COARSER": "step of a search",
    "SWEEPS": "rounds of a search, at most",
    "CLOSE": "when a search has ended",
    "MM_PER_IN": "definition of the inch",
    "MOST_BRANCHES": "bound of a search",
    "LEAST_WEIGHT": "bound of a search",
    "FEW": "which of two forms of the same sum is used",
}
"""Numbers that are no facts about the trade, each with its reason."""

KNOWLEDGE = load_knowledge()
WHERE: Final = {c.where: c for c in KNOWLEDGE.constants.values() if c.where}


def module_numbers() -> list[tuple[str, str]]:
    """Module and name of every module-level assignment in the rooms that holds a number."""
    found = []
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*.py")):
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
                    continue
                numbers = [
                    part
                    for part in ast.walk(node.value)
                    if isinstance(part, ast.Constant) and type(part.value) in {int, float}
                ]
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                if numbers:
                    module = ".".join(path.relative_to(ROOT.parent).with_suffix("").parts)
                    found += [(module, t.id) for t in targets if isinstance(t, ast.Name)]
    return found


@pytest.mark.parametrize(("module", "name"), module_numbers(), ids=lambda text: text)
def test_a_number_in_the_code_has_its_entry(module: str, name: str) -> None:
    assert name in TECHNICAL or f"{module}:{name}" in WHERE, f"{module}:{name} names no source"


@pytest.mark.parametrize("where", sorted(WHERE))
def test_an_entry_gives_the_value_in_force(where: str) -> None:
    module, name = where.split(":")
    assert getattr(importlib.import_module(module), name) == pytest.approx(WHERE[where].value, rel=1e-12)


def test_every_parameter_of_judgement_is_used() -> None:
    """A parameter nobody reads is a number without a purpose."""
    code = "".join(p.read_text(encoding="utf-8") for room in ROOMS for p in (ROOT / room).rglob("*.py"))
    path = ROOT / "knowledge" / "facts" / "judgement_parameters.toml"
    ids = [line.split('"')[1] for line in path.read_text(encoding="utf-8").splitlines() if line.startswith("id = ")]
    spelled = {f"poison_share_{word}" for word in ("idle", "used", "unknown")}
    assert [i for i in ids if f'"{i}"' not in code and i not in spelled] == []
