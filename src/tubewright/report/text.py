"""A description as text for a terminal: a headline, tables, steps.

It reads the same without colour, and on a narrow terminal tables become lists.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final, Literal

from tubewright.report.describe import Block, Description, Listing, Paragraph, Step, Table

if TYPE_CHECKING:
    from rich.console import Console

NARROWEST: Final = 24
WIDEST: Final = 118
"""Longer lines are hard to read, however wide the window is."""

_BETWEEN: Final = 3
"""Characters between two columns of a table."""


def to_text(description: Description, *, width: int = 80, colour: bool = False) -> str:
    """The description as text.

    Args:
        description: What :func:`tubewright.report.describe.describe` gave.
        width: Characters in a line.
        colour: Whether to add escape sequences for bold print; nothing depends on them.

    Returns:
        Lines that end in a line break each, none longer than ``width`` where
        its words allow.
    """
    console = _console(width, colour=colour)
    _line(console, description.headline, "bold")
    for stop in description.stops:
        if stop.rstrip(".") in description.headline:
            continue  # the headline opens with it
        _line(console, f"Stop: {stop}", "bold")
    _line(console, f"{description.decision_words}. {description.sure}")
    for section in description.sections:
        console.print()
        _line(console, section.title.upper(), "bold")
        for block in section.blocks:
            _block(console, block)
    return _printed(console)


def blocks_to_text(blocks: Iterable[Block], *, width: int = 80, colour: bool = False) -> str:
    """Single blocks as text, set as they are in a whole description."""
    console = _console(width, colour=colour)
    for block in blocks:
        _block(console, block)
    return _printed(console)


def printable(text: str) -> str:
    """Text without anything that a terminal would obey."""
    return "".join(char if char.isprintable() else " " if char in "\t\n" else "\ufffd" for char in text)


def _console(width: int, *, colour: bool) -> Console:
    from rich.console import Console

    return Console(
        file=io.StringIO(),
        width=max(NARROWEST, min(width, WIDEST)),
        color_system="standard" if colour else None,
        force_terminal=colour,
        legacy_windows=False,
        no_color=not colour,
        highlight=False,
        markup=False,
        emoji=False,
    )


def _printed(console: Console) -> str:
    file = console.file
    text = file.getvalue() if isinstance(file, io.StringIO) else ""
    lines = "\n".join(line.rstrip() for line in text.splitlines())
    return re.sub(r"\n{3,}", "\n\n", lines).strip("\n") + "\n"


def _line(console: Console, text: str, style: str = "", indent: int = 0) -> None:
    from rich.padding import Padding
    from rich.text import Text

    console.print(Padding(Text(printable(text), style=style), (0, 0, 0, indent)))


def _point(console: Console, text: str, mark: str = "-", indent: int = 2, style: str = "") -> None:
    """One point of a list, its further lines set in under the first."""
    from rich.table import Table as Grid
    from rich.text import Text

    grid = Grid.grid(padding=(0, 1, 0, 0))
    grid.add_column(width=indent + len(mark))
    grid.add_column(ratio=1)
    grid.add_row(Text(" " * indent + mark), Text(printable(text), style=style))
    console.print(grid)


def _block(console: Console, block: Block) -> None:
    if isinstance(block, Paragraph):
        _line(console, block.text, "bold" if block.strong else "")
    elif isinstance(block, Listing):
        for item in block.items:
            _point(console, item)
    elif isinstance(block, Step):
        _step(console, block)
    elif console.width < _narrowest(block):
        _table_as_list(console, block)
    else:
        _table(console, block)


def _step(console: Console, step: Step) -> None:
    """Cautions, then what to confirm, and only then what to do."""
    if step.hazard:
        _line(console, f"Hazard {step.hazard}.")
    for caution in step.cautions:
        _point(console, caution, "!", style="bold")
    if step.confirm:
        _line(console, "Confirm first:")
        for guard in step.confirm:
            _point(console, guard, "[ ]")
    _point(console, f"{step.words} ({step.time})" if step.time else step.words, ">", indent=0, style="bold")


def _longest_word(block: Table, number: int) -> int:
    cells = (block.columns[number].heading, *(row[number] for row in block.rows))
    return max((len(word) for cell in cells for word in cell.split()), default=1)


def _narrowest(block: Table) -> int:
    """The least width at which no word of a table has to be broken, with some air for its text."""
    wide = 0
    for number, column in enumerate(block.columns):
        # A column of sentences that is only as wide as its longest word is a ladder, not text.
        air = 0 if column.figures or number == 0 else min(18, max((len(row[number]) for row in block.rows), default=0))
        wide += max(_longest_word(block, number), air) + _BETWEEN
    return wide


def _widths(block: Table, room: int) -> list[int]:
    """A width for each column: its longest word at least, and the rest by what its longest cell would like."""
    numbers = range(len(block.columns))
    least = [_longest_word(block, number) for number in numbers]
    # A figure and its range stay on one line where there is room.
    whole = [
        max(low, *(len(row[number]) for row in block.rows)) if block.columns[number].figures else low
        for number, low in zip(numbers, least, strict=True)
    ]
    if sum(whole) <= room:
        least = whole
    heading_lines = 2
    wish = [
        max(
            least[number],
            -(-len(block.columns[number].heading) // heading_lines),
            *(len(row[number]) for row in block.rows),
        )
        for number in numbers
    ]
    spare = room - sum(least)
    wanted = sum(wish) - sum(least)
    if wanted <= spare:
        return wish
    return [low + max(0, (high - low) * spare // wanted) for low, high in zip(least, wish, strict=True)]


def _table(console: Console, block: Table) -> None:
    from rich import box
    from rich.table import Table as Grid
    from rich.text import Text

    grid = Grid(box=box.SIMPLE_HEAD, pad_edge=False)
    widths = _widths(block, console.width - _BETWEEN * len(block.columns))
    for column, width in zip(block.columns, widths, strict=True):
        justify: Literal["right", "left"] = "right" if column.figures else "left"
        grid.add_column(Text(column.heading, justify=justify), justify=justify, vertical="top", width=width)
    for row in block.rows:
        grid.add_row(*(Text(printable(cell)) for cell in row))
    _line(console, block.caption)
    console.print(grid)


def _table_as_list(console: Console, block: Table) -> None:
    _line(console, block.caption)
    for row in block.rows:
        _point(console, f"{block.columns[0].heading}: {row[0]}", style="bold")
        for column, cell in zip(block.columns[1:], row[1:], strict=True):
            if cell:
                _point(console, f"{column.heading}: {cell}", " ", indent=3)
