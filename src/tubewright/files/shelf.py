"""An item of the stock, and a tube of the records, as a tube on a shelf that donors are matched from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from tubewright.answers.donor import Tube
from tubewright.answers.stock import Item
from tubewright.errors import InputError
from tubewright.files.tube_fields import TUBE_FIELDS, value_of

_AS_TYPED: Final = frozenset({"pins", "emission"})


def item_fields(item: Item) -> dict[str, Any]:
    """What the stock knows of a tube, by the fields of a tube on a shelf list; what can't be read is left out."""
    fields: dict[str, Any] = {}
    for name, value in item.attributes.items():
        if name not in TUBE_FIELDS:
            continue
        if name not in _AS_TYPED:
            fields[name] = value
            continue
        try:
            fields[name] = value_of(name, value, name)
        except InputError:  # typed elsewhere by other rules; it then isn't known
            continue
    if "label" not in fields and item.name:
        fields["label"] = item.name
    return fields


def shelf_tube(tube_id: str, *held: Mapping[str, Any], place: str = "", price: float | None = None) -> Tube:
    """A tube on a shelf; where several know something of it, the first does.

    Args:
        tube_id: What it is called.
        held: Fields of :class:`tubewright.answers.donor.Tube`, the most trusted first.
        place: Where it lies.
        price: What it costs.
    """
    merged: dict[str, Any] = {}
    for one in reversed(held):
        merged |= {name: value for name, value in one.items() if value is not None and value != ""}
    return Tube(id=tube_id, place=place, price=price, **{k: v for k, v in merged.items() if k in TUBE_FIELDS})
