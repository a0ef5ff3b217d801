"""The page docs/cli.md says what the commands' own help says, and each help is worth reading."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from tubewright.cli import app
from tubewright.cli.reference import reference

PAGE = Path(__file__).parents[2] / "docs" / "cli.md"


def commands(command: Any, path: tuple[str, ...] = ("tubewright",)) -> Iterator[tuple[str, Any]]:  # noqa: ANN401 - Typer's own types move between its versions
    yield " ".join(path), command
    for name, inner in getattr(command, "commands", {}).items():
        yield from commands(inner, (*path, name))


ALL = dict(commands(typer.main.get_command(app)))


def test_the_page_is_up_to_date() -> None:
    assert PAGE.read_text(encoding="utf-8") == reference(), (
        "write it anew: python -m tubewright.cli.reference docs/cli.md"
    )


@pytest.mark.parametrize("name", ALL)
def test_a_command_says_in_one_line_what_it_does(name: str) -> None:
    said = inspect.cleandoc(ALL[name].help or "").splitlines()[0]
    assert said
    assert len(said) <= 72
    assert said[0].isupper()
    assert said[-1] in ".?"


@pytest.mark.parametrize("name", [name for name, command in ALL.items() if not getattr(command, "commands", None)])
def test_a_command_has_an_example_of_itself(name: str) -> None:
    example = str(ALL[name].epilog).removeprefix("Example: ")
    assert example.startswith(f"{name} ") or example == name


@pytest.mark.parametrize("name", ALL)
def test_every_option_has_its_help(name: str) -> None:
    for param in ALL[name].params:
        assert param.help, f"{name} {param.name}"


def test_the_short_help_of_no_command_is_cut_off() -> None:
    for block in re.findall(r"Commands:\n(.*?)\n\n", reference(), flags=re.DOTALL):
        assert "..." not in block


def test_examples_of_the_help_are_understood() -> None:
    """Each example's options exist; a misspelt one would end in a usage error."""
    for name, command in ALL.items():
        example = str(command.epilog or "")
        known = {option for param in command.params for option in param.opts}
        for option in re.findall(r"(--[a-z0-9-]+)", example):
            assert option in known, f"{name}: {option}"
