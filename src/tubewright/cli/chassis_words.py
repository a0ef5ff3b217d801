"""Chassis profiles in words, field by field with their units."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from tubewright.knowledge.chassis import Chassis
    from tubewright.knowledge.model import Knowledge
    from tubewright.report.describe import Block

FEW: Final = 2
"""So many profiles are shown in full; of more, only the names."""

NONE_YET: Final = (
    "There is no chassis profile here. Write those of the sets you meet into your own file: "
    "`tubewright own example` shows how."
)

UNITS: Final[Mapping[str, str]] = {
    # the end of a field's name: the unit as it is written
    "v_per_rad": "V/rad", "hz_per_v": "Hz/V", "v_rms": "V RMS", "v_pp": "V peak to peak", "khz": "kHz", "hz": "Hz",
    "kv": "kV", "v": "V", "us": "µs", "nf": "nF", "uf": "µF", "mh": "mH", "mm": "mm", "ohm": "ohm", "a": "A",
}  # fmt: skip

NAMES: Final[Mapping[str, str]] = {
    # what the field's name alone doesn't say in the trade's words
    "scan": "line rate", "field": "field rate", "bplus": "B+", "eht": "EHT", "eht limit": "highest EHT",
    "retrace": "line flyback pulse", "tuning": "retrace tuning", "yoke": "line yoke",
    "reservoir esr": "reservoir's ESR", "secondary": "fed to the rectifier", "source": "in the way of the rectifier",
    "oscillator": "oscillator's gain", "free run error": "free-running error", "leak": "leak at the separator",
    "coupling": "coupling to the separator", "level low": "low up to", "level high": "high from",
    "video": "picture, peak white over black", "video termination": "picture's termination",
}  # fmt: skip

_PARTS: Final = {"afc": "Line loop (AFC)", "supply": "Supply", "sync_input": "Sync input"}
_TOLD_APART: Final = frozenset({"id", "name", "like", "rails", "nominals", "adjustments", "source", *_PARTS})


def chassis_blocks(knowledge: Knowledge, found: Sequence[Chassis]) -> list[Block]:
    """Profiles as blocks of a report: few of them in full, many by name."""
    from tubewright.report.describe import Column, Paragraph, Table

    if not found:
        fits = "No profile fits these words." if knowledge.chassis else NONE_YET
        return [Paragraph(text=fits)]
    if len(found) <= FEW:
        return [block for one in found for block in _in_full(knowledge, one)]
    rows = tuple((one.id, one.name, one.like, "" if one.scan_khz is None else f"{one.scan_khz:g}") for one in found)
    headings = (Column(heading="Id"), Column(heading="Chassis"), Column(heading="Like"))
    table = Table(
        caption=f"{len(found)} chassis profiles",
        columns=(*headings, Column(heading="Line, kHz", figures=True)),
        rows=rows,
    )
    return [table, Paragraph(text="All that is known of one: `tubewright list chassis --search ID`.")]


def _in_full(knowledge: Knowledge, one: Chassis) -> Iterator[Block]:
    from tubewright.report.describe import Column, Listing, Paragraph, Table

    yield Paragraph(text=f"{one.id}: {one.name}", strong=True)
    if one.like:
        yield Paragraph(text=f"Like {one.like}, but for what its own entry says.")
    rows = [*_rows(one, "")]
    for name, title in _PARTS.items():
        part = getattr(one, name)
        if part is not None:
            rows += _rows(part, f"{title}: ")
    rows += [(f"Rail {name}", f"{value:g}", "V") for name, value in one.rails.items()]
    if rows:
        columns = (Column(heading="What"), Column(heading="Value", figures=True), Column(heading="Unit"))
        yield Table(caption="What is right in it", columns=columns, rows=tuple(rows))
    if one.nominals:
        yield Paragraph(text="What tests should read, in V, A, ohm or Hz:")
        yield Listing(
            items=tuple(f"{name} ({knowledge.tests[name].name}): {value:g}" for name, value in one.nominals.items())
        )
    if one.adjustments:
        names = ", ".join(f"{name} ({knowledge.controls[name].name})" for name in one.adjustments)
        yield Paragraph(text=f"Controls it has: {names}")
    yield Paragraph(text=f"From: {one.source or 'not said'}")
    yield Paragraph(text="")


def _rows(held: Any, before: str) -> Iterator[tuple[str, str, str]]:  # noqa: ANN401 - a profile or a part of one
    for field in dataclasses.fields(held):
        value = getattr(held, field.name)
        if field.name in _TOLD_APART or value is None:
            continue
        ending = next((end for end in UNITS if field.name.endswith(f"_{end}")), "")
        plain = field.name.removesuffix(f"_{ending}") if ending else field.name
        plain = plain.replace("_", " ")
        shown = value.replace("_", " ") if isinstance(value, str) else f"{value:g}"
        yield f"{before}{NAMES.get(plain, plain)}", shown, UNITS.get(ending, "")
