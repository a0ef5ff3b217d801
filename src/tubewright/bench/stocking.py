"""From the records to what the answers reckon with: items, reservations, the shelf of donor tubes.

Both doors go through here, so that a page and a command are answered alike.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from tubewright.answers.donor import SetFigures, Tube
from tubewright.answers.shelf import emission_of, measured_figures, record_fields
from tubewright.answers.stock import Item, Taken, ToOrder
from tubewright.answers.stock_kinds import ATTRIBUTES, CAPACITOR_KIND, exact_kind, kinds, stored_kind
from tubewright.answers.stock_recap import RecapFromStock, order_attributes
from tubewright.experience import Experience
from tubewright.files.shelf import item_fields, shelf_tube
from tubewright.files.stock_fields import made_name
from tubewright.files.tubes import set_figures
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.model import Knowledge
from tubewright.records.model import JobPage, OrderLine, Reservation, StockItem
from tubewright.records.store import Store


def item_of(record: StockItem) -> Item:
    """An item of the records as the answers take it."""
    return Item(
        id=record.id,
        code=record.code,
        sort=record.sort,
        kind=exact_kind(record.kind, record.attributes),
        name=record.name,
        attributes={name: record.attributes[name] for name in _in_order(record.attributes)},
        quantity=record.quantity,
        reserved=record.reserved,
        minimum=record.minimum,
        place=record.place,
        cost=record.cost,
        currency=record.currency,
        supplier=record.supplier,
        tube_id=record.tube_id,
        notes=record.notes,
    )


def _in_order(attributes: Mapping[str, object]) -> list[str]:
    """Names of attributes as people read them, those that aren't known last."""
    known = [name for name in ATTRIBUTES if name in attributes]
    return known + [name for name in attributes if name not in ATTRIBUTES and name != CAPACITOR_KIND]


def items_of(records: Iterable[StockItem]) -> list[Item]:
    """Items of the records as the answers take them."""
    return [item_of(record) for record in records]


def taken_of(records: Iterable[Reservation]) -> list[Taken]:
    """Reservations of the records as the answers take them."""
    return [
        Taken(
            id=one.id,
            item_id=one.item_id,
            item_code=one.item_code,
            item_name=one.item_name,
            job_id=one.job_id,
            quantity=one.quantity,
            state=one.state,
            cost=one.cost,
            currency=one.currency,
            at=one.at,
            person=one.person,
            note=one.note,
        )
        for one in records
    ]


def order_of(lines: Iterable[OrderLine]) -> list[ToOrder]:
    """The order list as the answers take it."""
    return [ToOrder(item=item_of(line.item), count=line.short, for_jobs=line.for_jobs) for line in lines]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecapTaken:
    """What was done about a recap list: pieces reserved, pieces ordered, items that are new in the stock."""

    reserved: int
    ordered: int
    new_items: int


def take_recap(
    store: Store, job_id: int, found: RecapFromStock, knowledge: Knowledge, *, order: bool = True, by: int | None = None
) -> RecapTaken:
    """Reserve what the stock has for a recap list, and put the rest on the order list; all in one change.

    Args:
        store: The shop's records.
        job_id: The job they are for.
        found: How the stock serves the list, as just worked out.
        knowledge: Holds the names of kinds.
        order: Whether to order the rest; what is ordered is reserved as well.
        by: Who does it.
    """
    reserved = ordered = 0
    with store.together():
        for key, refs in found.service.taken.items():
            store.reserve(job_id, key, len(refs), note=note_of(refs), by=by)
            reserved += len(refs)
        for key, refs in found.service.again.items() if order else ():
            store.reserve(job_id, key, len(refs), order=True, note=note_of(refs), by=by)
            ordered += len(refs)
        for line in found.service.new if order else ():
            kind, attributes = kinds(knowledge)[line.kind], order_attributes(line)
            values = {
                "sort": "part",
                "name": made_name(line.kind, attributes, knowledge),
                "kind": stored_kind(kind, knowledge),
                "attributes": attributes | {CAPACITOR_KIND: kind.id},
                "quantity": 0,
                "notes": "The least that a recap list asked for; correct it by the part that comes.",
            }
            item = store.add_item(values, by=by)
            store.reserve(job_id, item.id, line.count, order=True, note=note_of(line.refs), by=by)
            ordered += line.count
    return RecapTaken(reserved=reserved, ordered=ordered, new_items=len(found.service.new) if order else 0)


_LONGEST_NOTE: Final = 380


def note_of(refs: Sequence[str]) -> str:
    """For which parts of a board something was reserved."""
    text = f"for {' '.join(refs)}"
    return text if len(text) <= _LONGEST_NOTE else f"{text[:_LONGEST_NOTE].rpartition(' ')[0]} ..."


# --- the shelf of donors ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class StockShelf:
    """The tubes that could be donors, where each of them stands in the records, and those that are spoken for."""

    tubes: tuple[Tube, ...]
    addresses: dict[str, str]
    spoken_for: tuple[str, ...]


def stock_shelf(
    store: Store, knowledge: Knowledge, *, but_tube: int | None = None, for_job: int | None = None
) -> StockShelf:
    """The tubes in stock and those of the records that sit in no display.

    Args:
        store: The shop's records.
        knowledge: The trade's constants.
        but_tube: The tube of the records that is to be replaced.
        for_job: The job that looks; what it reserved itself is not spoken for.
    """
    experience = calibrated(store)
    tubes: list[Tube] = []
    addresses: dict[str, str] = {}
    spoken_for = []
    linked: set[int] = set()
    for item in items_of(store.all_items()):
        if item.sort != "tube":
            continue
        if item.tube_id is not None:
            linked.add(item.tube_id)
        if item.quantity < 1 or (item.tube_id is not None and item.tube_id == but_tube):
            continue
        if item.free < 1 and not _reserved_by(store, item, for_job):
            spoken_for.append(f"{item.name} ({item.code})")
            continue
        known = {} if item.tube_id is None else record_known(store, item.tube_id, knowledge, experience)
        typed = item_fields(item)
        # What the records read is newer than what was typed when it was put on the shelf; its label was typed for this.
        tubes.append(shelf_tube(item.code, known, typed, place=item.place, price=item.cost))
        addresses[item.code] = f"/stock/{item.id}"
    for record_id in _on_the_shelf(store):
        if record_id in linked or record_id == but_tube:
            continue
        named = f"tube:{record_id}"
        tubes.append(shelf_tube(named, record_known(store, record_id, knowledge, experience)))
        addresses[named] = f"/tubes/{record_id}"
    return StockShelf(tubes=tuple(tubes), addresses=addresses, spoken_for=tuple(spoken_for))


def calibrated(store: Store) -> Experience:
    """What calibrates the shop's instruments; the rest of its experience isn't needed for emission."""
    return Experience(known_good=tuple(one.reading for one in store.known_good()))


def _reserved_by(store: Store, item: Item, job_id: int | None) -> bool:
    held = store.reservations_of_item(item.id) if job_id is not None else ()
    return any(one.job_id == job_id and one.state == "reserved" for one in held)


def _on_the_shelf(store: Store) -> list[int]:
    found: list[int] = []
    page: str | None = None
    while True:
        rows = store.tubes(page=page, size=200)
        found += [row.id for row in rows.rows if row.display_id is None]
        page = rows.next_page
        if page is None:
            return found


def record_known(store: Store, tube_id: int, knowledge: Knowledge, experience: Experience) -> dict[str, Any]:
    """What the records know of a tube, by the fields of a tube on a shelf list."""
    history = store.tube_history(tube_id)
    readings = [one.reading.model_copy(update={"at": one.taken_at}) for one in history.readings]
    looks: dict[str, object] = {one.look.name: one.look.value for one in history.observations if one.look is not None}
    tube = history.tube.tube
    return record_fields(tube, emission_of(tube, readings, knowledge, experience), looks)


def kept_with(store: Store, tube_id: int) -> StockItem | None:
    """The item of the stock that says more of a tube of the records, if there is one."""
    return next((one for one in store.all_items() if one.tube_id == tube_id), None)


def wanted_tube(store: Store, tube_id: int | None, knowledge: Knowledge, *, named: str) -> Tube:
    """The tube that is to be replaced, with all that records and stock know of it."""
    if tube_id is None:
        return Tube(id=named)
    kept = kept_with(store, tube_id)
    typed = {} if kept is None else item_fields(item_of(kept))
    return shelf_tube(named, record_known(store, tube_id, knowledge, calibrated(store)), typed)


def figures_for(job: JobPage | None, chassis: Chassis | None, typed: dict[str, Any] | None = None) -> SetFigures:
    """What is known of the set: what was typed, then what the job's tests measured, then the chassis profile."""
    measured = {} if job is None else measured_figures([o.test for o in job.observations if o.test is not None])
    return set_figures(typed or {}, measured, profile_figures(chassis))


def profile_figures(profile: Chassis | None) -> dict[str, Any]:
    """What a chassis profile says of the set."""
    if profile is None:
        return {}
    names = ("eht_kv", "eht_limit_kv", "bplus_v", "scan_khz", "retrace_us", "tuning_nf")
    sizes = ("picture_width_mm", "picture_height_mm")
    return {name: getattr(profile, name) for name in (*names, *sizes)} | {"heater_source_v": profile.heater_v}
