"""What the tests of quotes and bills ask for."""

from __future__ import annotations

import dataclasses
import datetime as dt
from decimal import Decimal
from typing import Any, Final

from samples import sample_answer
from tubewright.answers.assessment import Assessment, OptionAnswer, PlanStep, Spread, Unknown
from tubewright.answers.quote import Asked
from tubewright.answers.quote_lines import Header
from tubewright.answers.quote_terms import ShopTerms
from tubewright.case import Costs

DAY: Final = dt.date(2026, 3, 1)
TERMS: Final = ShopTerms(
    name="Lantern Works",
    address="14 Mole Road\nHarbour End",
    contact="bench@lantern.example",
    currency="EUR",
    rate_per_hour=Decimal(45),
    tax_name="VAT",
    tax_percent=Decimal(20),
    warranty="Six months on work and parts.",
    terms="Payment within fourteen days.",
    valid_days=30,
)
COSTS: Final = Costs(replacement_tube=180.0, replacement_display=450.0, parts_value=20.0)


def an_option(name: str, **more: object) -> OptionAnswer:
    """An option that can be chosen."""
    values: dict[str, Any] = {
        "name": name,
        "guns": (),
        "success": 0.6,
        "hours": Spread(median=600, p10=200, p90=1500),
        "years": Spread(median=4.1, p10=1.6, p90=8.3),
        "chance_of_keep_years": 0.4,
        "cost": 30.0,
        "cost_per_year": 8.0,
        "risk_of_loss": 0.04,
        **more,
    }
    return OptionAnswer(id=name, **values)  # type: ignore[arg-type] # the tests name options by text


def a_step(name: str, chance: float) -> PlanStep:
    """A step of a plan."""
    return PlanStep(do=name, guns=("red",), when="", words="", chance_reached=chance)  # type: ignore[arg-type]


NONE: Final = Unknown(reason="the display is retired", would_settle="nothing")


def a_verdict(decision: str = "soak", **more: object) -> Assessment:
    """A verdict with a ladder of treatments, and every way out of it."""
    values: dict[str, Any] = {
        "decision": decision,
        "plan": (a_step("soak", 1.0), a_step("run_in", 0.8), a_step("clean", 0.35), a_step("swap_tube", 0.2)),
        "plan_success": 0.7,
        "options": (
            an_option("leave", success=0.0, risk_of_loss=0.0),
            an_option("adjust", success=0.02, risk_of_loss=0.0),
            an_option("soak", guns=("red",), success=0.2, risk_of_loss=0.0),
            an_option("run_in", guns=("red",), risk_of_loss=0.0),
            an_option("clean", guns=("red",)),
            an_option("activate", guns=("red",), why_not="too strong for this tube"),
            an_option("swap_tube", risk_of_loss=0.0),
            an_option("replace_display", risk_of_loss=0.0),
            an_option("retire", success=None, hours=NONE, years=NONE, risk_of_loss=None),
        ),
        **more,
    }
    return dataclasses.replace(sample_answer(), **values)


def asked(**more: object) -> Asked:
    """What a quote is asked with."""
    values: dict[str, Any] = {
        "header": Header(job=7, display="Pier arcade, machine 7", tube="A48XYZ00X01", customer="Ida Quill"),
        "terms": TERMS,
        "costs": COSTS,
        "day": DAY,
        **more,
    }
    return Asked(**values)
