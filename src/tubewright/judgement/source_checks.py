"""One thing looked at between a source and an input, and how it stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from tubewright.judgement.source_levels import Pad

Says: TypeAlias = Literal["fits", "mind", "add", "unknown", "no", "stop"]
Subject: TypeAlias = Literal[
    "line_rate", "field_rate", "colour", "sync_kind", "polarity", "serrations", "sync_level", "video_level",
    "termination", "coupling",
]  # fmt: skip
Kit: TypeAlias = Literal[
    "attenuator", "amplifier", "buffer", "inverter", "combiner", "sync_separator", "sync_adder", "decoder",
    "resistor", "less_load", "clamp", "other_raster",
]  # fmt: skip

VERDICTS: Final[tuple[Says, ...]] = ("stop", "no", "unknown", "add", "mind", "fits")
"""From the worst to the best; the whole is as its worst part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One thing looked at.

    Attributes:
        subject: What.
        says: How it stands.
        words: Figures and finding in a sentence or two.
        add: What to put between, if that mends it.
        pad: The attenuator, where one is added.
        level_v_pp: Level at the input as things stand.
        low_v_pp: That level at its weakest.
        high_v_pp: At its strongest.
        settle: What would settle it, where it is unknown.
    """

    subject: Subject
    says: Says
    words: str
    add: Kit | None = None
    pad: Pad | None = None
    level_v_pp: float | None = None
    low_v_pp: float | None = None
    high_v_pp: float | None = None
    settle: str = ""
