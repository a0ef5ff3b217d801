"""From the raster's own directions to the viewer's: a tube may stand on its side, or be seen in a mirror."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.results import (
    ZONES,
    Figure,
    Focus,
    Known,
    LineProfile,
    Purity,
    TopCurl,
    Wear,
    Zone,
)

Matrix = NDArray[np.float64]
"""From the raster's axes to the viewer's, (2, 2): each row and column holds one 1 or -1."""


def viewed_zone(zone: Zone, upright: Matrix) -> Zone:
    """The name that a viewer gives to a zone of the raster.

    Example:
        >>> viewed_zone("top_left", np.array([[0.0, -1.0], [1.0, 0.0]]))  # the tube turned clockwise
        'top_right'
    """
    index = ZONES.index(zone)
    across, down = np.rint(upright @ np.array([index % 3 - 1, index // 3 - 1])).astype(int)
    return ZONES[3 * (int(down) + 1) + int(across) + 1]


def viewed_focus(found: Focus, upright: Matrix) -> Focus:
    """The spot by the viewer's zones; its two widths stay along the lines and across them."""
    return replace(found, spot_h_mm=_viewed(found.spot_h_mm, upright), spot_v_mm=_viewed(found.spot_v_mm, upright))


def viewed_purity(found: Purity, upright: Matrix) -> Purity:
    """Purity by the viewer's zones."""
    return replace(found, shift_ratio={gun: _viewed(zones, upright) for gun, zones in found.shift_ratio.items()})


def viewed_wear(found: Wear, upright: Matrix) -> Wear:
    """Wear at the viewer's zone."""
    return replace(found, at_zone=None if found.at_zone is None else viewed_zone(found.at_zone, upright))


def viewed_curl(found: TopCurl, upright: Matrix) -> TopCurl:
    """The bend with its sign as the viewer sees it: to the right, or of a tube on its side downwards."""
    if float(upright[:, 0].sum()) > 0:  # lines run to the viewer's right, or down
        return found
    profile = found.profile
    if profile is not None:
        profile = LineProfile(
            line=profile.line,
            displacement_mm=-profile.displacement_mm,
            sd_mm=profile.sd_mm,
            fitted_mm=-profile.fitted_mm,
        )
    amplitude = found.amplitude_mm
    if isinstance(amplitude, Figure):
        amplitude = Figure(value=-amplitude.value, sd=amplitude.sd)
    return replace(found, amplitude_mm=amplitude, profile=profile)


def _viewed(zones: Mapping[Zone, Known], upright: Matrix) -> dict[Zone, Known]:
    return {viewed_zone(zone, upright): figure for zone, figure in zones.items()}
