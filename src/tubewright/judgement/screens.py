"""What a lit screen says of a dark one: symptoms that can't be seen on one set at one time.

The network knows of no such bounds; each symptom comes on its own there. But whoever
complains of a dim picture has a picture, and needn't say that the set isn't dead.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from tubewright.knowledge.model import Knowledge

NO_PICTURE: Final = frozenset(
    {"dead_no_power", "fuse_blows_instant", "pulses_tick", "no_raster_no_hv", "no_raster_hv_ok", "no_heater_glow"}
)
"""Symptoms of a set without a picture: who has seen one of these has seen nothing on the screen (from memory)."""
OFF_THE_SCREEN: Final = frozenset({"getter_white"})
"""Symptoms that a photograph shows, but of the tube and not of the picture."""
ON_THE_SCREEN: Final = frozenset({"measurable", "hint"})
"""Photographs that a symptom shows in: those of the screen, taken while there is a picture."""


def of_the_picture(knowledge: Knowledge) -> frozenset[str]:
    """Symptoms that are seen on a lit screen."""
    shown = {symptom.id for symptom in knowledge.symptoms.values() if symptom.photo in ON_THE_SCREEN}
    return frozenset(shown - NO_PICTURE - OFF_THE_SCREEN)


def bound_to_be_absent(present: Collection[str], knowledge: Knowledge) -> tuple[str, ...]:
    """Symptoms of a dark screen that can't be there now, since there is a picture.

    Nothing is said where a dark screen is among what is present: the two were then seen
    at different times.
    """
    seen = set(present)
    if seen & NO_PICTURE or not seen & of_the_picture(knowledge):
        return ()
    return tuple(name for name in knowledge.symptoms if name in NO_PICTURE)
