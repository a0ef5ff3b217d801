"""Every number written in the package has an entry that names its source, or is a matter of reckoning."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

import tubewright.physics.afc
from physics.test_constants import ENTRIES, PLAIN, fractions_in_functions, numbers_at_module_level

PACKAGE: Final = Path(tubewright.physics.afc.__file__).parent

TECHNICAL: Final = {
    "netlist:GATE_US": "how the switch of a netlist samples",
    "netlist:RAMP_US": "how the switch of a netlist samples",
    "netlist:SAME_RATIO": "rounding guard",
    "netlist:STEP_US": "step of the other program",
    "parts:TAYLOR_TERMS": "terms of a series: 0.5^15/15! is below rounding",
    "loop:SAME_DELAY_US": "half a nanosecond counts as the same time",
    "loop:MOST_FRAMES": "bound of a search",
    "loop:MOST_ROUNDS": "bound of a search",
    "loop:SETTLED_RAD": "a 40,000th of a millimetre: when to stop",
    "figures:CAPTURE_STEPS": "grid",
    "figures:CAPTURE_PHASES": "grid",
    "inverse:DRAWS": "size of a sample",
    "inverse:COURSES": "size of a sample",
    "inverse:WIDENED": "how the sample is drawn",
    "inverse:FROM_PRIOR": "how the sample is drawn",
    "inverse:STUDENT_FREEDOM": "how the sample is drawn",
    "inverse:_LN_STUDENT": "a law's constant, from its formula",
    "inverse:SEED": "so that one curl has one answer",
    "suspects:VALUES": "grid",
    "suspects:SET_STEPS": "grid",
    "suspects:FREE_STEPS": "grid",
}
POWERS: Final = {1e6, 1e-6, 2.0}


@pytest.mark.parametrize("path", sorted(PACKAGE.glob("*.py")), ids=lambda path: path.name)
def test_no_number_stands_without_an_entry(path: Path) -> None:
    registered = {entry["where"] for entry in ENTRIES}
    source = path.read_text(encoding="utf-8")
    bare = [f"{path.stem}:{name}" for name in numbers_at_module_level(source)]
    assert [w for w in bare if w not in TECHNICAL and f"tubewright.physics.afc.{w}" not in registered] == []
    assert [value for value in fractions_in_functions(source) if value not in PLAIN | POWERS | {0.1}] == []


def test_every_exception_is_still_there() -> None:
    for where in TECHNICAL:
        module, name = where.split(":")
        assert name in set(numbers_at_module_level((PACKAGE / f"{module}.py").read_text(encoding="utf-8"))), where
