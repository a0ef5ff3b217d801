"""The grey scale of a job as its records keep it: rounds read back, and answered in a row."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from tubewright.answers.greyscale import CONTROLS, DISPLAY_KINDS, DisplayKind, GreyTarget, grey_target
from tubewright.answers.greyscale_course import GreyCourse, GreyRound, grey_course
from tubewright.answers.greyscale_json import listed, number, reading_from_json
from tubewright.answers.greyscale_typed import typed_white
from tubewright.errors import Fault, InputError
from tubewright.knowledge.model import Knowledge


class Kept(Protocol):
    """A round as the records keep it: JSON text of the readings and of the turns before them, and what was wished."""

    @property
    def readings_json(self) -> str:
        """The readings, as a JSON list."""

    @property
    def turned_json(self) -> str:
        """Turns by control since the round before, as a JSON object."""

    @property
    def retrace_seen(self) -> bool:
        """Whether retrace lines were seen."""

    @property
    def white(self) -> str:
        """The white, by name or by x and y."""

    @property
    def kind(self) -> str:
        """Whose tolerances hold."""

    @property
    def peak_cd_m2(self) -> float | None:
        """Peak white wished."""

    @property
    def swing_v(self) -> float | None:
        """Cathode volts from black to full white."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What a grey scale is set to.

    Attributes:
        white: By name, or x and y with a comma between.
        kind: Whose tolerances hold.
        peak_cd_m2: Peak white wished.
        swing_v: Cathode volts from black to full white.
    """

    white: str
    kind: DisplayKind
    peak_cd_m2: float | None = None
    swing_v: float | None = None


def display_kind(text: str) -> DisplayKind:
    """A kind of display from its name; in-line where it is none of them."""
    return next((one for one in DISPLAY_KINDS if one == text), "inline")


def wish_of(last: Kept) -> Wish:
    """What the last round was read for: the next one goes on with it."""
    return Wish(white=last.white, kind=display_kind(last.kind), peak_cd_m2=last.peak_cd_m2, swing_v=last.swing_v)


def target_of(wish: Wish, knowledge: Knowledge) -> GreyTarget:
    """The white with its tolerances.

    Raises:
        InputError: No tube makes this white (named ``white``).
    """
    return grey_target(typed_white(wish.white, "white"), wish.kind, knowledge)


def kept_course(
    rounds: Sequence[Kept], knowledge: Knowledge, *, reserves: Mapping[str, float] | None = None, finer: bool = False
) -> GreyCourse:
    """Every round of a job answered, by what was wished with the last of them.

    Args:
        rounds: Oldest first.
        knowledge: Where the tolerances stand.
        reserves: Emission reserve of each gun, the least that is likely.
        finer: Whether to go on within the tolerances.

    Raises:
        InputError: No round yet, or one that was not kept by us.
    """
    read = [kept_round(one.readings_json, one.turned_json, retrace_seen=one.retrace_seen) for one in rounds]
    wish = wish_of(rounds[-1]) if rounds else Wish(white="D65", kind="inline")
    return grey_course(
        read,
        target_of(wish, knowledge),
        reserves=reserves,
        wanted_peak_cd_m2=wish.peak_cd_m2,
        swing_v=wish.swing_v,
        finer=finer,
    )


def kept_round(readings: str, turned: str, *, retrace_seen: bool) -> GreyRound:
    """A round as a job kept it.

    Args:
        readings: JSON text of :func:`~tubewright.answers.greyscale_json.readings_json`.
        turned: JSON text of turns by control.
        retrace_seen: Whether retrace lines were seen.

    Raises:
        InputError: It was not written by us.
    """
    try:
        turns = json.loads(turned)
        return GreyRound(
            readings=tuple(reading_from_json(one) for one in listed(json.loads(readings))),
            turned={name: number(turns[name]) for name in CONTROLS if turns.get(name) is not None},
            retrace_seen=retrace_seen,
        )
    except (KeyError, TypeError, ValueError, AttributeError, StopIteration) as error:
        raise InputError(
            Fault(what="this round was not kept by us", where="grey", mend="Strike it out, and read again.")
        ) from error
