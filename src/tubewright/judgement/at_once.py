"""What can't wait for the next step: symptoms of a set that is doing harm as it stands."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from tubewright.knowledge.model import Knowledge

AT_ONCE_CAUTIONS: Final = {
    "horizontal_line": "bright_line",
    "vertical_line": "bright_line",
    "spot_at_switch_off": "bright_line",
    "multiple_images": "line_rate",
    "burning_smell": "fire",
    "heater_glow_bright": "heater_excess",
}
"""Cautions that can't wait once a symptom is seen: the set is doing harm now (common practice)."""


def cannot_wait(present: Iterable[str], knowledge: Knowledge) -> tuple[str, ...]:
    """What to do before anything else, in words; empty where nothing presses.

    Args:
        present: Ids of the symptoms that are there.
        knowledge: The catalogue; a caution that it lacks is passed over.
    """
    names = dict.fromkeys(AT_ONCE_CAUTIONS[name] for name in present if name in AT_ONCE_CAUTIONS)
    cautions = [knowledge.cautions[name] for name in names if name in knowledge.cautions]
    return tuple(f"{caution.text} {caution.confirm}" for caution in cautions)
