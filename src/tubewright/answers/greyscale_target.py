"""The white that is wished, by name or by place, and the tolerances that go with a kind of display."""

from __future__ import annotations

from math import isfinite
from typing import Final

import numpy as np

from tubewright.errors import Fault, InputError
from tubewright.judgement.greyscale import DisplayKind, GreyTarget
from tubewright.knowledge.model import Knowledge
from tubewright.physics.colour import TYPICAL_PRIMARIES_XY, WHITES_XY, luminance_shares

WHITE_NAMES: Final = tuple(WHITES_XY)
"""Whites that have a name; any other is given by its x and y."""


def grey_target(white: str | tuple[float, float], kind: DisplayKind, knowledge: Knowledge) -> GreyTarget:
    """The white that is wished, with the tolerances usual for a display of this kind.

    Args:
        white: One of :data:`WHITE_NAMES`, or its x and y.
        kind: In-line gun, delta gun, or a broadcast display.
        knowledge: Where the tolerances stand.

    Raises:
        InputError: No white of this name, or no chromaticity (named ``white``).
    """
    if isinstance(white, str):
        if white not in WHITES_XY:
            raise InputError(
                Fault(
                    what=f"no white is called “{white[:40]}”",
                    where="white",
                    mend=f"Name {', '.join(WHITE_NAMES)}, or give x and y: 0.283,0.298.",
                )
            )
        name, place = white, (float(WHITES_XY[white][0]), float(WHITES_XY[white][1]))
    else:
        name, place = f"{white[0]:.4g}, {white[1]:.4g}", white
        possible = all(isfinite(part) for part in place) and place[1] > 0
        if not possible or np.any(luminance_shares(TYPICAL_PRIMARIES_XY, place) <= 0):
            raise InputError(
                Fault(
                    what=f"no tube makes a white at {name}",
                    where="white",
                    mend="Give x and y of a white, such as 0.3127,0.3290.",
                )
            )
    return GreyTarget(
        name=name,
        white_xy=place,
        kind=kind,
        white_du_v=knowledge.value(f"grey_white_{kind}_du_v"),
        drift_du_v=knowledge.value(f"grey_drift_{kind}_du_v"),
        peak_low_cd_m2=knowledge.value(f"grey_peak_low_{kind}_cd_m2"),
        peak_high_cd_m2=knowledge.value(f"grey_peak_high_{kind}_cd_m2"),
    )
