"""An order list as CSV, for a spreadsheet or a shop's form."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from typing import Final

from tubewright.answers.recap import OrderLine

HEADINGS: Final = (
    "count",
    "kind",
    "value_uF",
    "voltage_V",
    "temperature_C",
    "safety_class",
    "ripple_A_at_least",
    "ESR_ohm_at_most",
    "pitch_mm",
    "height_mm_at_most",
    "refs",
)
_FORMULA_STARTS: Final = ("=", "+", "-", "@")


def order_csv(lines: Iterable[OrderLine], kinds: Mapping[str, str]) -> str:
    """An order list: separated by commas, points in figures, one line for equal parts.

    Args:
        lines: What to order.
        kinds: Names of kinds by id.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEADINGS)
    for line in lines:
        cells = [str(line.count), kinds.get(line.kind, line.kind), _shown(line.capacitance_uf), _shown(line.rated_v)]
        cells += [_shown(line.temperature_c), line.safety_class, _shown(line.least_ripple_a), _shown(line.most_esr_ohm)]
        cells += [_shown(line.pitch_mm), _shown(line.most_height_mm), " ".join(line.refs)]
        writer.writerow([_unarmed(cell) for cell in cells])
    return out.getvalue()


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _unarmed(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if cell.startswith(_FORMULA_STARTS) else cell
