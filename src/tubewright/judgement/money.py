"""What things cost this owner, and what a display that works is worth to them."""

from __future__ import annotations

from dataclasses import dataclass

from tubewright.case import Case
from tubewright.knowledge.model import Knowledge


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """Prices in the owner's currency; ``None`` where a thing can't be had.

    ``worth`` is what a working display is worth over the years wanted;
    ``fallback`` the cheapest way to have one when this tube is lost.
    """

    rate_per_h: float
    swap_tube: float | None
    replace_display: float | None
    retire: float
    worth: float
    fallback: float
    parts_value: float
    assumed: tuple[str, ...]


def prices_of(case: Case, knowledge: Knowledge) -> Prices:
    """Prices of a case, with the trade's where the owner gave none."""
    costs = case.costs
    assumed: list[str] = []
    rate = costs.bench_rate_per_hour
    if rate is None:
        rate = knowledge.value("bench_rate_per_h")
        assumed.append(f"bench rate per hour (assumed {rate:g})")
    parts = costs.parts_value or 0.0
    swap = None
    if costs.replacement_tube is not None:
        swap = costs.replacement_tube + knowledge.value("swap_hours") * rate
    display = None
    if costs.replacement_display is not None:
        display = costs.replacement_display + knowledge.value("replace_hours") * rate - parts
        worth = knowledge.value("wanted_display_factor") * costs.replacement_display
    else:
        worth = knowledge.value("irreplaceable_hours") * max(rate, knowledge.value("bench_rate_per_h"))
        assumed.append(f"price of another display (a working one is taken to be worth {worth:.0f})")
    if costs.replacement_tube is None:
        assumed.append("price of another tube (none can be had, it is taken)")
    retire = knowledge.value("retire_hours") * rate - parts
    return Prices(
        rate_per_h=rate,
        swap_tube=swap,
        replace_display=display,
        retire=retire,
        worth=worth,
        fallback=min(p for p in (swap, display, worth) if p is not None),
        parts_value=parts,
        assumed=tuple(assumed),
    )
