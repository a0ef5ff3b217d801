"""How a command ended: the types of the command line's fixtures."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a command ended."""

    code: int
    out: str
    err: str


Run = Callable[..., Ended]
