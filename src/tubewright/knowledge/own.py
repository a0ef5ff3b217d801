"""A shop's own file: which facts it may hold, and what stands in where it says nothing of a source."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from tubewright.errors import Fault
from tubewright.knowledge.facts_text import Entry, FactsFile
from tubewright.knowledge.shapes import SHAPES, SOURCE_KINDS

MAY_HOLD: Final = (
    "source",
    "caution",
    "hold",
    "symptom",
    "group",
    "fault",
    "test",
    "result",
    "link",
    "chassis",
    "raster",
    "label",
    "phosphor",
)
"""Tables of a shop's own file. What the program reckons with (constants, hazard classes, treatments) is not a shop's
to change: its experience does that, job by job."""

OWN_SOURCE: Final = "own"
OWN_KIND: Final = "from memory"


def prepared(entries: Iterable[Entry], faults: list[Fault]) -> list[Entry]:
    """The entries with their source filled in where a shop's own file names none.

    Args:
        entries: All entries, of our files and the shop's.
        faults: Receives what a shop's file may not hold.
    """
    kept = []
    needed: FactsFile | None = None
    defined = False
    for entry in entries:
        defined |= entry.table == "source" and entry.id == OWN_SOURCE
        if not entry.file.own:
            kept.append(entry)
            continue
        if entry.table not in MAY_HOLD:
            may = ", ".join(f"[[{name}]]" for name in MAY_HOLD)
            faults.append(entry.fault("this is not a shop's to add", f"Use one of {may}"))
            continue
        shape = SHAPES[entry.table]
        if "kind" in shape and shape["kind"].one_of == SOURCE_KINDS:
            entry.values.setdefault("kind", OWN_KIND)
            entry.values.setdefault("source", OWN_SOURCE)
            if entry.values["source"] == OWN_SOURCE:
                needed = entry.file
        kept.append(entry)
    if needed is not None and not defined:
        title = {"key": OWN_SOURCE, "title": f"The shop's own file, {needed.name}"}
        kept.append(Entry(file=needed, table="source", number=0, values=title))
    return kept
