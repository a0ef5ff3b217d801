"""A chassis profile by the id that somebody typed."""

from __future__ import annotations

from difflib import get_close_matches

from tubewright.errors import Fault, InputError
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.model import Knowledge


def named_chassis(chassis_id: str, knowledge: Knowledge, *, where: str) -> Chassis | None:
    """The profile of that id; ``None`` for "".

    Args:
        chassis_id: As typed.
        knowledge: With the shop's own profiles.
        where: The option or field, for the message.

    Raises:
        InputError: There is no such profile; the nearest names are offered.
    """
    if not chassis_id:
        return None
    found = knowledge.chassis.get(chassis_id)
    if found is not None:
        return found
    near = get_close_matches(chassis_id, list(knowledge.chassis), n=3, cutoff=0.6)
    if near:
        mend = f"Nearest are {', '.join(near)}."
    elif knowledge.chassis:
        mend = f"There are {', '.join(sorted(knowledge.chassis)[:8])}."
    else:
        mend = "There is no profile yet; the shop's own file holds them."
    raise InputError(Fault(what=f"no chassis profile is called “{chassis_id[:40]}”", where=where, mend=mend))
