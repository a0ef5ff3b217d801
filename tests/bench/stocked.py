"""A bench with a stock: the example's items, a tube of the records, a job on the board."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from bench.benches import Visitor
from tubewright.bench.stock_import import take_in
from tubewright.case import GUNS, Reading
from tubewright.files.stock_csv import read_stock
from tubewright.knowledge.load import load_knowledge
from tubewright.records.model import StockItem

EXAMPLES: Final = Path(__file__).parents[2] / "docs" / "examples"


def fill_stock(visitor: Visitor) -> dict[str, StockItem]:
    """Put the example's stock on the shelf; gives each item by the beginning of its name."""
    held = read_stock(EXAMPLES / "stock.csv", load_knowledge(), this_year=2026)
    take_in(visitor.store, held, update=False, name="stock.csv")
    return {item.name.partition(",")[0]: item for item in visitor.store.all_items()}


def shelve_tube(visitor: Visitor, **attributes: object) -> StockItem:
    """A tube in stock that is a tube of the records, read on some job before."""
    job = visitor.open_job("Old cabinet", tube_label="M46QAA02X01", heater_v="6.3")
    page = visitor.store.job(job)
    assert page.tube is not None
    read = zip(GUNS, (0.8, 0.75, 0.7), strict=True)
    readings = [Reading(gun=gun, kind="emission", value=value, unit="rel", heater_v=6.3) for gun, value in read]
    visitor.store.add_readings(job, readings)
    visitor.store.take_out_tube(page.display.id)
    visitor.store.close_job(job, version=visitor.store.job(job).job.version)
    return visitor.store.add_item(
        {
            "sort": "tube", "kind": "tube", "name": "M46QAA02X01", "quantity": 1, "tube_id": page.tube.id,
            "place": "rack 3", "attributes": {"label": "M46QAA02X01", "neck_mm": 29.1, **attributes},
        }
    )  # fmt: skip
