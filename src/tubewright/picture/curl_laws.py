"""Laws by which a curl settles, and the courses they draw down the lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """A law of curl: two shape numbers, and the odds of it.

    Attributes:
        low_ratio: Lower ends of the shape numbers, all of them without dimension.
        high_ratio: Upper ends. Of the decay's length both are set when the number of lines is known.
        odds_ratio: Odds against the other laws before looking.
    """

    name: str
    low_ratio: tuple[float, ...]
    high_ratio: tuple[float, ...]
    odds_ratio: float = 1.0

    def courses(self, shape: Floats, line: Floats) -> Floats:
        """Courses at lines (m,) of shapes (g, shape numbers): (m, terms, g), 1 or 0 at the first line.

        Waves and second decays are good to 2e-7 of the first line: far below any line's error.
        """
        n = line[:, None]
        lengths, which = np.unique(shape[:, 0], return_inverse=True)
        slow = np.exp(-n / np.exp(lengths))[:, which]
        if self.name == "decay":
            return slow[:, None]
        if self.name == "wave":
            turn = (n * (shape[:, 1] / np.exp(shape[:, 0]))).astype(np.float32)
            return np.stack([slow * np.cos(turn), slow * np.sin(turn)], axis=1)
        fast = (-n / np.exp(shape[:, 0] - shape[:, 1])).astype(np.float32)
        return np.stack([slow, np.exp(fast)], axis=1)


NOTHING: Final = Law(name="nothing", low_ratio=(), high_ratio=())
# Shape numbers: the decay's length in lines (as logarithm: any order of size is as likely), and the turn within one
# such length in radians (0 critical, 1 the well-damped 0.7, 6 rings for long) or the logarithm of slow over fast
# (overdamped: the less likely, for loops are made to be quick; the simplest law comes first. The odds are estimates).
LAWS: Final = (
    NOTHING,
    Law(name="decay", low_ratio=(0.0,), high_ratio=(0.0,)),
    Law(name="wave", low_ratio=(0.0, 0.05), high_ratio=(0.0, 6.0), odds_ratio=0.5),
    Law(name="decays", low_ratio=(0.0, 0.15), high_ratio=(0.0, 1.2), odds_ratio=0.1),
)
