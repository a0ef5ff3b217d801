"""What a measured picture offers to the diagnosis as readings: how far each gun falls behind its own law."""

from __future__ import annotations

from tubewright.case import Reading
from tubewright.judgement.seen_checks import Measured
from tubewright.picture.results import Figure, GunLaw, Unsupported


def readings_seen(measured: Measured) -> tuple[Reading, ...]:
    """The shortfalls of a measurement as readings for a case, one for each gun whose law was found.

    A shortfall below nothing is noise and is written as none. Nothing is said of when
    it was seen or of a treatment: whoever writes the readings down knows.

    Args:
        measured: What was measured.
    """
    if isinstance(measured.tracking, Unsupported):
        return ()
    least = 1e-3  # three places are written, and a spread is never none
    return tuple(
        Reading(
            gun=gun,
            kind="shortfall_seen",
            value=round(min(max(law.shortfall_ratio.value, 0.0), 1.0), 3),
            unit="rel",
            spread=round(min(max(law.shortfall_ratio.sd, least), 1.0), 3),
        )
        for gun, law in measured.tracking.guns.items()
        if isinstance(law, GunLaw) and isinstance(law.shortfall_ratio, Figure)
    )
