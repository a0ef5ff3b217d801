"""``label``: what the type printed on a tube says, and what it never tells."""

from __future__ import annotations

from typing import Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.door import emit, emit_json
from tubewright.cli.shop import known_anyway
from tubewright.errors import Fault, InputError


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("label", epilog='Example: tubewright label "M34AFA63X03"')(label)


def label(
    text: Annotated[str, typer.Argument(metavar="LABEL", help="As printed on the tube; quote it if it has spaces.")],
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
) -> None:
    """Read the type label of a picture tube.

    By the registration bodies' grammars, in every way it can be read. A label that fits none ends with exit
    code 2, the nearest grammar and what doesn't fit.
    """
    from tubewright.answers.label import answer_label, label_json

    try:
        decoded = answer_label(text, known_anyway())
    except InputError as error:
        raise InputError(Fault(what=one.what, where="", mend=one.mend) for one in error.faults) from error
    if as_json:
        emit_json(label_json(decoded))
        return
    from tubewright.report.label_text import label_to_text

    emit(label_to_text(decoded, width=settings.columns(), colour=settings.colour()))
