"""The family of errors that Tubewright raises on purpose.

    TubewrightError              what was wrong, where, and how to mend it
    ├── InputError               the input is wrong; carries every fault found    (exit 2)
    │   ├── UnknownRecordError   a display, tube, job ... that the shop doesn't hold
    │   └── ConflictError        somebody else changed the record in the meantime
    └── RefusedError             the input is sound, but the step must not be done (exit 3)

A caller chooses by the branch: mend the input and try again, or stop. Anything
else that escapes is our own failure (exit 1).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong with an input, in words for the person who typed it."""

    what: str
    where: str
    mend: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}. {self.mend}" if self.where else f"{self.what}. {self.mend}"


class TubewrightError(Exception):
    """Base of the family; carries one or more faults."""

    exit_code = 1

    def __init__(self, faults: Fault | Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class InputError(TubewrightError):
    """The input is wrong. All faults that could be found are reported together."""

    exit_code = 2


class UnknownRecordError(InputError):
    """A record was asked for that the shop does not hold."""


class ConflictError(InputError):
    """The record was changed by somebody else since it was read."""


class RefusedError(TubewrightError):
    """The step is refused: a guard forbids it, or the evidence can't support it."""

    exit_code = 3
