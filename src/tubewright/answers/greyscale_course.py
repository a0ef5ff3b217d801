"""The grey scale of one display over its rounds: each reading of the steps answered with what was learned before it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tubewright.answers.greyscale import Control, Gain, GreyAnswer, GreyReading, GreyTarget, set_grey
from tubewright.errors import Fault, InputError
from tubewright.judgement.greyscale import GreyError


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyRound:
    """One reading of the grey steps, and what was turned since the round before.

    Attributes:
        readings: White steps, with the primaries and the screen switched off where they were read.
        turned: Turns of each control since the round before, clockwise above 0.
        retrace_seen: Whether retrace lines were seen on a dark picture.
    """

    readings: tuple[GreyReading, ...]
    turned: Mapping[Control, float] = field(default_factory=dict)
    retrace_seen: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyCourse:
    """All rounds answered, oldest first.

    Attributes:
        answers: One for each round; the last says what to turn now.
    """

    answers: tuple[GreyAnswer, ...]

    @property
    def now(self) -> GreyAnswer:
        """The answer to the newest round."""
        return self.answers[-1]

    @property
    def errors(self) -> tuple[GreyError | None, ...]:
        """Tracking error of each round; None where it couldn't be told."""
        return tuple(one.error for one in self.answers)


def grey_course(
    rounds: Sequence[GreyRound],
    target: GreyTarget,
    *,
    reserves: Mapping[str, float] | None = None,
    wanted_peak_cd_m2: float | None = None,
    swing_v: float | None = None,
    finer: bool = False,
) -> GreyCourse:
    """Answer each round with the readings before it and with what its display has taught until then.

    Args:
        rounds: Oldest first.
        target: The white and its tolerances.
        reserves: Emission reserve of each gun, the least that is likely.
        wanted_peak_cd_m2: Peak white wished; else as bright as no gun need be raised for.
        swing_v: Cathode volts from black to full white.
        finer: Whether to go on within the tolerances, as long as a turn gains a fifth.

    Raises:
        InputError: No round, or a round without any reading of white.
    """
    if not rounds:
        raise InputError(
            Fault(what="nothing was read yet", where="readings", mend="Read ten steps of grey, 10 to 100 %.")
        )
    answers: list[GreyAnswer] = []
    gains: Mapping[Control, Gain] = {}
    before: tuple[GreyReading, ...] = ()
    for one in rounds:
        answer = set_grey(
            one.readings,
            target,
            before=before,
            turned=one.turned if before else {},
            gains=gains,
            reserves=reserves,
            wanted_peak_cd_m2=wanted_peak_cd_m2,
            swing_v=swing_v,
            retrace_seen=one.retrace_seen,
            finer=finer,
        )
        answers.append(answer)
        gains, before = answer.gains, one.readings
    return GreyCourse(answers=tuple(answers))
