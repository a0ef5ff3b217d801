"""What every answer about a supply is made of: figures, words, what is unknown, cautions, and courses to draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from tubewright.answers.assessment import Unknown
from tubewright.errors import Fault, InputError
from tubewright.physics.rectifier import Rectifier
from tubewright.physics.supply_constants import SILICON_DROP_V

MEASURING_CAUTIONS: Final = ("local_rules", "mains_live", "hot_chassis", "primary_reservoir")
"""Ids of the cautions that go before measuring at a running supply."""

FITTING_CAUTIONS: Final = (
    "local_rules",
    "gate_power_off",
    "primary_reservoir",
    "anode_charge",
    "recharge",
    "gate_bplus_first",
    "fire",
)
"""Ids of the cautions that go before changing a part of a supply."""

HAZARD: Final = "H2: mains, raw supply and B+"


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """A capacitor-input supply: ``secondary_v_rms`` of the winding, or of one half of it with a middle tap.

    The load is a current (a regulator's) or a resistance. In a doubler ``reservoir_uf`` is each of the two.
    """

    rectifier: Rectifier
    secondary_v_rms: float
    mains_hz: float
    reservoir_uf: float
    load_a: float | None = None
    load_ohm: float | None = None
    source_ohm: float = 0.0
    esr_ohm: float = 0.0
    diode_v: float = SILICON_DROP_V


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """One mains cycle of a supply, to draw."""

    name: str
    time_ms: tuple[float, ...]
    output_v: tuple[float, ...]
    pulse_a: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyAnswer:
    """One answer: figures by name (with their units in it; None where not known), the same in words, what to heed."""

    question: str
    headline: str
    words: tuple[str, ...]
    figures: Mapping[str, float | None]
    unknown: tuple[Unknown, ...] = ()
    cautions: tuple[str, ...] = MEASURING_CAUTIONS
    hazard: str = HAZARD
    courses: tuple[Course, ...] = ()


def to_json(answer: SupplyAnswer, *, cautions: tuple[str, ...], confirm: tuple[str, ...]) -> dict[str, Any]:
    """The published body of an answer; the cautions come in words."""
    return {
        "cautions": list(cautions),
        "confirm": list(confirm),
        "hazard": answer.hazard,
        "question": answer.question,
        "headline": answer.headline,
        "words": list(answer.words),
        "figures": {
            name: None if value is None or not isfinite(value) else float(f"{value:.6g}")
            for name, value in answer.figures.items()
        },
        "unknown": [{"reason": one.reason, "would_settle": one.would_settle} for one in answer.unknown],
    }


def check(*, zero: tuple[str, ...] = (), **figures: float | None) -> None:
    """Every figure that is given is a number above zero, or at zero where ``zero`` names it.

    Raises:
        InputError: All that aren't, each by its name.
    """
    faults = [
        Fault(
            what="this must be zero or more" if name in zero else "this must be a number above zero",
            where=name,
            mend="Check the figure.",
        )
        for name, value in figures.items()
        if value is not None and not (isfinite(value) and (value > 0 or (name in zero and value == 0)))
    ]
    if faults:
        raise InputError(faults)


def check_supply(supply: Supply) -> None:
    """A supply that can be reckoned with: every figure sensible, and one kind of load.

    Raises:
        InputError: Faults at ``secondary``, ``hz``, ``reservoir``, ``load``, ``load_ohm``,
            ``source_ohm``, ``esr`` and ``diode``.
    """
    check(
        zero=("source_ohm", "esr", "diode"),
        secondary=supply.secondary_v_rms,
        hz=supply.mains_hz,
        reservoir=supply.reservoir_uf,
        load=supply.load_a,
        load_ohm=supply.load_ohm,
        source_ohm=supply.source_ohm,
        esr=supply.esr_ohm,
        diode=supply.diode_v,
    )
    if (supply.load_a is None) == (supply.load_ohm is None):
        raise InputError(
            Fault(
                what="a supply has one load here: a current or a resistance",
                where="load",
                mend="Give the current that is drawn, or the resistance instead.",
            )
        )
