"""Prompting and printing for ``trace``: lines in, from a person or a file of answers, and text out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import typer

from tubewright.cli import settings
from tubewright.cli.door import printable

PROMPT: Final = "> "


class Screen:
    """The terminal, or a file of answers played before it."""

    def __init__(self, answers: Sequence[tuple[int, str]] | None = None) -> None:
        self._answers = None if answers is None else iter(answers)
        self.scripted = answers is not None
        self.line = 0
        """The line of the file of answers that was read last."""

    @property
    def width(self) -> int:
        """Characters in a line."""
        return settings.columns()

    def show(self, text: str) -> None:
        """Print lines, with an empty one before them."""
        typer.echo("\n" + text.removesuffix("\n"))

    def say(self, words: str) -> None:
        """Print a message, set to the width."""
        from tubewright.report.trace_text import words_text

        typer.echo(words_text(words, width=self.width).removesuffix("\n"))

    def ask(self) -> str:
        """One line, as it was typed.

        Raises:
            EOFError: There are no more.
        """
        if self._answers is None:
            return input(PROMPT)
        try:
            self.line, text = next(self._answers)
        except StopIteration:
            raise EOFError from None
        typer.echo(PROMPT + printable(text))
        return text


def answers_in(text: str) -> tuple[tuple[int, str], ...]:
    """The answers of a file, one a line, with their line numbers; a line that begins with # says nothing."""
    lines = text.splitlines()
    return tuple((number, line.strip()) for number, line in enumerate(lines, start=1) if not line.startswith("#"))
