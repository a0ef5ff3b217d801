"""Whether a source fits a display's input, and what has to stand between them.

Each look at one thing gives a :class:`Check`. What isn't known is said to be unknown
with what would settle it; a line rate that is far off stops everything.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final, TypeAlias

from tubewright.judgement import source_amounts, source_rates
from tubewright.judgement.source_checks import VERDICTS, Check, Says
from tubewright.judgement.source_levels import DisplaySide, SourceSide
from tubewright.knowledge.model import Knowledge


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFit:
    """The whole: as its worst part, with every check in the order of looking."""

    says: Says
    checks: tuple[Check, ...]


def judge_source(source: SourceSide, display: DisplaySide, knowledge: Knowledge) -> SourceFit:
    """Whether a source fits an input.

    Args:
        source: What the source gives.
        display: What the input wants.
        knowledge: The figures that fits are judged with.
    """
    checks = tuple(check for look in _LOOKS for check in look(source, display, knowledge))
    worst = min((VERDICTS.index(check.says) for check in checks), default=len(VERDICTS) - 1)
    return SourceFit(says=VERDICTS[worst], checks=checks)


_Look: TypeAlias = Callable[[SourceSide, DisplaySide, Knowledge], Iterator[Check]]
_LOOKS: Final[tuple[_Look, ...]] = (
    source_rates.line_rate,
    source_rates.field_rate,
    source_rates.colour,
    source_rates.sync_kind,
    source_rates.polarity,
    source_rates.serrations,
    source_amounts.sync_level,
    source_amounts.video_level,
    source_amounts.termination,
    source_amounts.coupling,
)
