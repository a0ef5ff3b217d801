"""Every number that the laws of supply, anode and retrace rest on, with its source.

Each has an entry in ``knowledge/facts/physics_constants_supply.toml``; a test compares the two.
"""

from __future__ import annotations

from typing import Final

SILICON_DROP_V: Final = 0.8  # common practice: one silicon diode at its charging pulse

# Dielectric absorption: share of the charging voltage that comes back after a discharge.
RECOVERY_LOWEST_RATIO: Final = 0.0005  # published (wima-da): polypropylene, the best common dielectric
RECOVERY_HIGHEST_RATIO: Final = 0.15  # from memory, as commonly tabulated: wet aluminium electrolytic, the worst
