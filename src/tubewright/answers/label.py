"""What a tube's type label says: every reading with its grammar, and what a label never tells."""

from __future__ import annotations

import dataclasses
from typing import Any

from tubewright.errors import Fault, InputError
from tubewright.judgement.tube_labels import (
    NEVER_TOLD,
    LabelDecoded,
    LabelMiss,
    LabelPart,
    LabelReading,
    decode_label,
    tidy_label,
)
from tubewright.knowledge.model import Knowledge

__all__ = [
    "NEVER_TOLD",
    "LabelDecoded",
    "LabelMiss",
    "LabelPart",
    "LabelReading",
    "answer_label",
    "label_json",
]


def answer_label(text: str, knowledge: Knowledge) -> LabelDecoded:
    """Every reading of a label.

    Args:
        text: As printed on the tube.
        knowledge: Holds the grammars.

    Raises:
        InputError: No grammar fits; the faults name the nearest ones and what doesn't fit.
    """
    if not tidy_label(text):
        mend = "Type what is printed on the tube, such as M34AFA63X03."
        raise InputError(Fault(what="there is no label here", where="label", mend=mend))
    decoded = decode_label(text, knowledge)
    if decoded.readings:
        return decoded
    shown = "".join(char if char.isprintable() else "?" for char in text)[:40]
    nearest = [miss for miss in decoded.misses if miss.fits]
    if not nearest:
        forms = ", ".join(miss.example for miss in decoded.misses)
        mend = f"A registered type looks like one of these: {forms}. A maker's own number tells nothing here."
        raise InputError(Fault(what=f"“{shown}” begins like no registered form", where="label", mend=mend))
    raise InputError(
        Fault(
            what=f"“{shown}” fits no registered form. {miss.words}",
            where="label",
            mend=f"Read it again on the tube; such a label looks like {miss.example}. Nothing is guessed from it.",
        )
        for miss in nearest
    )


def label_json(decoded: LabelDecoded) -> dict[str, Any]:
    """The published form of a decoded label."""
    return {
        "label": decoded.asked,
        "readings": [_plain(reading) for reading in decoded.readings],
        "never_told": list(decoded.never_told),
    }


def _plain(reading: LabelReading) -> dict[str, Any]:
    body: dict[str, Any] = {
        field.name: getattr(reading, field.name) for field in dataclasses.fields(reading) if field.name != "parts"
    }
    body["equivalents"] = dict(reading.equivalents)
    body["remarks"] = list(reading.remarks)
    body["parts"] = [
        {"part": part.name, "text": part.text, "means": part.means, "kind": part.kind} for part in reading.parts
    ]
    for name in ("use", "family", "picture", "phosphor", "light", "neck"):
        body[name] = body[name] or None
    return body
