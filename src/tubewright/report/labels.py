"""Labels to print: a QR code that opens what it names, its code to be read by eye, name and attributes.

The code is drawn as one area without seams. What stands on a label goes to the
typesetter as data. Sheets are given in millimetres, because printers and label
papers differ; the usual ones are starting points from memory.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlsplit

from tubewright.answers.stock import Item, item_words
from tubewright.answers.stock_kinds import Kinds
from tubewright.errors import Fault, InputError
from tubewright.report.papers import Typeset, typeset, typeset_svg
from tubewright.report.tag_sheet import outlines

QUIET_MODULES: Final = 4
"""White round a code, in modules (ISO/IEC 18004:2015, 6.3.8)."""
LEAST_MODULE_MM: Final = 0.33
"""Narrowest module that is printed (from memory: four dots of a printer of 300 dots an inch)."""
LEAST_LABEL_MM: Final = 12.0
"""Lowest label (from memory: below it neither code nor words can be read)."""
_CODE_SHARE: Final = 0.5  # of the label's width at most, the rest is for words; our own layout
_PAD_MM: Final = 1.2  # kept free at the label's edge: printers and knives are some tenths off (estimate)
MOST_LABELS: Final = 500
_LONGEST_ADDRESS: Final = 200
_MOST_PAPER_MM: Final = 1500.0  # longer than any sheet that a bench prints on (estimate)


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What stands on one label: the address that its code opens, the code in letters, a name, lines below it."""

    address: str
    code: str
    name: str
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelSheet:
    """How labels lie on a sheet, from its upper left corner; the gaps are between neighbours."""

    paper_width_mm: float
    paper_height_mm: float
    label_width_mm: float
    label_height_mm: float
    columns: int
    rows: int
    left_mm: float
    top_mm: float
    gap_across_mm: float = 0.0
    gap_down_mm: float = 0.0


# Grids as label papers are sold; all of them from memory, so measure your own sheet.
SHEETS: Final[Mapping[str, tuple[str, LabelSheet]]] = {
    "a4-21": (
        "A4, 3 by 7 labels of 63.5 by 38.1 mm",
        LabelSheet(
            paper_width_mm=210.0, paper_height_mm=297.0, label_width_mm=63.5, label_height_mm=38.1, columns=3, rows=7,
            left_mm=7.25, top_mm=15.15, gap_across_mm=2.5,
        ),
    ),
    "a4-24": (
        "A4, 3 by 8 labels of 70 by 36 mm",
        LabelSheet(
            paper_width_mm=210.0, paper_height_mm=297.0, label_width_mm=70.0, label_height_mm=36.0, columns=3, rows=8,
            left_mm=0.0, top_mm=4.5,
        ),
    ),
    "letter-30": (
        "Letter, 3 by 10 labels of 66.7 by 25.4 mm",
        LabelSheet(
            paper_width_mm=215.9, paper_height_mm=279.4, label_width_mm=66.675, label_height_mm=25.4, columns=3,
            rows=10, left_mm=4.7625, top_mm=12.7, gap_across_mm=3.175,
        ),
    ),
    "roll-62": (
        "A roll, one label of 62 by 29 mm",
        LabelSheet(
            paper_width_mm=62.0, paper_height_mm=29.0, label_width_mm=62.0, label_height_mm=29.0, columns=1, rows=1,
            left_mm=0.0, top_mm=0.0,
        ),
    ),
}  # fmt: skip
"""Sheets to begin with, by id: name and grid. All from memory."""
USUAL_SHEET: Final = "a4-21"


def sheet_of(name: str, changes: Mapping[str, float | None]) -> LabelSheet:
    """One of :data:`SHEETS` with some of its sizes changed.

    Args:
        name: Its id.
        changes: Fields of :class:`LabelSheet`; None leaves one as it is.

    Raises:
        InputError: No such sheet, or labels that don't lie on the paper; every fault with its field.
    """
    if name not in SHEETS:
        what = f"there is no sheet {name[:20]!r}"
        raise InputError(Fault(what=what, where="sheet", mend=f"There are {', '.join(SHEETS)}."))
    given: dict[str, Any] = {key: value for key, value in changes.items() if value is not None}
    sheet = dataclasses.replace(SHEETS[name][1], **given)
    faults = [*_size_faults(sheet)]
    if not faults:
        faults = [*_place_faults(sheet)]
    if faults:
        raise InputError(faults)
    return sheet


def _size_faults(sheet: LabelSheet) -> Iterable[Fault]:
    for field in dataclasses.fields(sheet):
        value = getattr(sheet, field.name)
        may_be_zero = field.name.startswith(("left", "top", "gap"))
        if not (0 <= value <= _MOST_PAPER_MM) or (value == 0 and not may_be_zero):
            yield Fault(what=f"{value:g} can't be", where=field.name, mend="Measure the sheet with a ruler.")


def _place_faults(sheet: LabelSheet) -> Iterable[Fault]:
    slack = 0.5  # a grid in round figures may stand out by that much (estimate)
    across = sheet.columns * sheet.label_width_mm + (sheet.columns - 1) * sheet.gap_across_mm + sheet.left_mm
    down = sheet.rows * sheet.label_height_mm + (sheet.rows - 1) * sheet.gap_down_mm + sheet.top_mm
    if across > sheet.paper_width_mm + slack:
        what = f"the labels take {across:g} mm of a paper {sheet.paper_width_mm:g} mm wide"
        yield Fault(what=what, where="label_width_mm", mend="Make them narrower, or fewer in a row.")
    if down > sheet.paper_height_mm + slack:
        what = f"the labels take {down:g} mm of a paper {sheet.paper_height_mm:g} mm high"
        yield Fault(what=what, where="label_height_mm", mend="Make them lower, or fewer in a column.")
    if sheet.label_height_mm < LEAST_LABEL_MM:
        what = f"a label {sheet.label_height_mm:g} mm high holds no code that can be read"
        yield Fault(what=what, where="label_height_mm", mend=f"Take {LEAST_LABEL_MM:g} mm or more.")


def base_address(typed: str, *, where: str = "base") -> str:
    """The address of the bench as it goes into codes, without a slash at its end.

    Raises:
        InputError: It is no address that a phone could open.

    Example:
        >>> base_address("http://192.0.2.7:8765/")
        'http://192.0.2.7:8765'
    """
    text = typed.strip().rstrip("/")
    mend = "Write it as http://192.0.2.7:8765, with the address under which the phone reaches the bench."
    sound = len(text) <= _LONGEST_ADDRESS and text.isascii() and text.isprintable() and " " not in text
    try:
        parts = urlsplit(text if sound else "")
        sound = parts.scheme in {"http", "https"} and bool(parts.hostname) and (parts.port or 1) > 0
    except ValueError:
        sound = False
    if not sound or parts.query or parts.fragment or parts.username is not None:
        raise InputError(Fault(what=f"{text[:60]!r} is no address of a bench", where=where, mend=mend))
    return text


def reaches_phones(base: str) -> bool:
    """Whether a phone could open this address: what names the machine itself opens nothing there."""
    host = urlsplit(base).hostname or ""
    return host not in {"localhost", "::1"} and not re.fullmatch(r"127(\.[0-9]+){3}", host)


def item_label(item: Item, base: str, kinds: Kinds) -> Label:
    """The label of an item of the stock: its code opens ``/i/CODE``."""
    words = [one for one in item_words(item, kinds) if one.casefold() not in item.name.casefold()]
    lines = [", ".join(words)] if words else []
    lines += [item.place] if item.place else []
    return Label(address=f"{base}/i/{item.code}", code=item.code, name=item.name, lines=tuple(lines))


def qr_svg(text: str) -> tuple[str, int]:
    """A text as QR code (ISO/IEC 18004, correction level M): an SVG without its quiet zone, and its modules across.

    Raises:
        InputError: It is too long for a code.
    """
    import numpy as np
    import segno

    try:
        code = segno.make(text, error="m", micro=False, boost_error=False)
    except segno.DataOverflowError as error:
        raise InputError(Fault(what="this is too long for a code", where="base", mend="Shorten it.")) from error
    black = np.array([[bool(cell) for cell in row] for row in code.matrix])
    path = "".join("M" + "L".join(f"{x} {y}" for x, y in line) + "Z" for line in outlines(black))
    across = len(black)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {across} {across}" width="{across}" height="{across}">'
        f'<path d="{path}" fill="#000" fill-rule="evenodd"/></svg>'
    ), across


def labels_pdf(labels: Sequence[Label], sheet: LabelSheet, *, skip: int = 0, at: dt.datetime) -> Typeset:
    """Labels as PDF, one page for each sheet.

    Args:
        labels: In their order, row by row.
        sheet: Where they lie.
        skip: Places of the first sheet that are used already.
        at: The moment that the document bears.

    Raises:
        InputError: None, too many, or labels too small for their codes.
    """
    return typeset(_SOURCE, _data(labels, sheet, skip), at=at)


def labels_svg(labels: Sequence[Label], sheet: LabelSheet, *, skip: int = 0) -> list[str]:
    """The same sheets as drawings.

    Raises:
        InputError: As :func:`labels_pdf`.
    """
    return typeset_svg(_SOURCE, _data(labels, sheet, skip))


def _data(labels: Sequence[Label], sheet: LabelSheet, skip: int) -> dict[str, Any]:
    places = sheet.columns * sheet.rows
    if not labels:
        raise InputError(Fault(what="there is nothing to label", where="items", mend="Choose items."))
    if len(labels) > MOST_LABELS:
        what = f"these are {len(labels)} labels"
        raise InputError(Fault(what=what, where="items", mend=f"Print at most {MOST_LABELS} at once."))
    if not 0 <= skip < places:
        mend = f"Say a number from 0 to {places - 1}."
        raise InputError(Fault(what=f"a sheet has {places} places", where="skip", mend=mend))
    drawn = []
    for label in labels:
        svg, across = qr_svg(label.address)
        side = min(sheet.label_height_mm - 2 * _PAD_MM, _CODE_SHARE * sheet.label_width_mm)
        module = side / (across + 2 * QUIET_MODULES)
        if module < LEAST_MODULE_MM:
            need = LEAST_MODULE_MM * (across + 2 * QUIET_MODULES)
            raise InputError(
                Fault(
                    what=f"the code of {label.code} needs {need:.0f} mm, and the label leaves {side:.0f} mm for it",
                    where="label_height_mm",
                    mend=f"Take labels of {need + 2 * _PAD_MM:.0f} by {need / _CODE_SHARE:.0f} mm, or a shorter base.",
                )
            )
        drawn.append(
            {"svg": svg, "side": module * across, "quiet": module * QUIET_MODULES, "code": label.code,
             "name": label.name, "lines": list(label.lines), "address": label.address}
        )  # fmt: skip
    pages: list[list[dict[str, Any]]] = []
    for number, one in enumerate(drawn, start=skip):
        page, place = divmod(number, places)
        while len(pages) <= page:
            pages.append([])
        row, column = divmod(place, sheet.columns)
        x = sheet.left_mm + column * (sheet.label_width_mm + sheet.gap_across_mm)
        y = sheet.top_mm + row * (sheet.label_height_mm + sheet.gap_down_mm)
        pages[page].append({**one, "x": x, "y": y})
    return {
        "width": sheet.paper_width_mm,
        "height": sheet.paper_height_mm,
        "label": [sheet.label_width_mm, sheet.label_height_mm],
        "pad": _PAD_MM,
        "pages": pages,
    }


_SOURCE: Final = """
#let paper = json(bytes(sys.inputs.paper))
#let (wide, high) = paper.label.map(x => x * 1mm)
#let pad = paper.pad * 1mm
#set document(title: "Labels")
#set page(width: paper.width * 1mm, height: paper.height * 1mm, margin: 0mm)
#set text(font: "Libertinus Serif", lang: "en", hyphenate: false)
#set par(leading: 0.42em, spacing: 0.5em)
#let words(label, size) = {
  set text(size: size)
  par(text(size: 1.18em, weight: "bold", font: "DejaVu Sans Mono", label.code))
  par(text(weight: "bold", label.name))
  for line in label.lines { par(line) }
}
#let one(label) = {
  let square = (label.side + 2 * label.quiet) * 1mm
  let left = square + 0.6mm
  let room = (width: wide - pad - left, height: high - 2 * pad)
  place(dx: label.quiet * 1mm, dy: (high - label.side * 1mm) / 2,
    image(bytes(label.svg), format: "svg", width: label.side * 1mm, alt: "QR code of " + label.address))
  place(dx: left, dy: pad, context {
    let size = calc.min(10pt, high / 3.2)
    while size > 4.5pt and measure(block(width: room.width, words(label, size))).height > room.height {
      size -= 0.5pt
    }
    block(width: room.width, height: room.height, clip: true, align(horizon, words(label, size)))
  })
}
#for (number, page) in paper.pages.enumerate() {
  if number > 0 { pagebreak() }
  for label in page { place(dx: label.x * 1mm, dy: label.y * 1mm, block(width: wide, height: high, one(label))) }
}
"""
