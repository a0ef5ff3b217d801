"""Scenes and truths as plain data, for JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

_LARGEST_ARRAY = 5000
"""Arrays with more entries (what the display is fed, a burnt-in shape) are told by their size only."""


def plain(value: object) -> Any:  # noqa: ANN401 - whatever JSON holds
    """A value as JSON holds it; floats to nine digits."""
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, Mapping):
        return {str(name): plain(inner) for name, inner in value.items()}
    if isinstance(value, np.ndarray):
        value = value.tolist() if value.size <= _LARGEST_ARRAY else {"size": list(value.shape)}
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    if isinstance(value, (float, np.floating)):
        return float(f"{float(value):.9g}")
    return int(value) if isinstance(value, np.integer) else value
