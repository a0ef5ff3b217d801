"""How every command ends: what is printed where, and with which exit code.

| code | meaning |
|---|---|
| 0 | answered |
| 1 | our own failure; the details are in a log |
| 2 | the input is wrong; the message says what, where and how to mend it |
| 3 | refused: a guard forbids the step |
"""

from __future__ import annotations

import datetime as dt
import json
import sys
import traceback
from typing import Any, Final, NoReturn

import typer
from typer.core import TyperGroup

from tubewright.cli import settings
from tubewright.errors import TubewrightError

# Typer carries its own copy of the class in some versions and imports it in others.
_UsageTrouble: Final[type[BaseException]] = next(
    kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException"
)


class Door(TyperGroup):
    """A group of commands behind which errors become messages and exit codes."""

    def invoke(self, ctx: Any) -> Any:  # noqa: ANN401 - as Typer's own signature
        """Run the command that was called."""
        try:
            return super().invoke(ctx)
        except TubewrightError as error:
            _tell(error)
            raise typer.Exit(error.exit_code) from error
        except (typer.Exit, typer.Abort, EOFError, BrokenPipeError):
            raise
        except Exception as error:
            if isinstance(error, _UsageTrouble):
                raise
            _own_failure(error)


def emit(text: str) -> None:
    """Print text as it is."""
    typer.echo(text.removesuffix("\n"))


def emit_json(body: object) -> None:
    """Print a value as JSON."""
    typer.echo(json.dumps(body, ensure_ascii=False, indent=2, allow_nan=False))


def tell(words: str) -> None:
    """Say something to the person that is not part of the answer."""
    typer.echo(printable(words), err=True)


def printable(text: str) -> str:
    """Text without anything that a terminal would obey, on one line."""
    return "".join(char if char.isprintable() else " " if char in "\t\n" else "?" for char in text)


def speak_utf8() -> None:
    """Let both outputs take any character, also on a Windows console or into a pipe."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(encoding="utf-8", errors="backslashreplace")


def _tell(error: TubewrightError) -> None:
    for fault in error.faults:
        tell(f"tubewright: {fault}")


def _own_failure(error: Exception) -> NoReturn:
    log = settings.log_path()
    stamp = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    details = "".join(traceback.format_exception(error))
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        with log.open("a", encoding="utf-8", errors="backslashreplace") as file:
            file.write(f"{stamp} {' '.join(sys.argv)}\n{details}\n")
        where = f"The details are in {log}."
    except OSError:
        where = f"The details could not be written to {log}."
    cause = str(error).partition("\n")[0][:200]
    tell(f"tubewright: this is our own failure, not yours: {type(error).__name__}: {cause}. {where}")
    raise typer.Exit(1) from error
