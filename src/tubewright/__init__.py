"""Tubewright: is this picture tube worth saving, and what is the next safe step?"""

from __future__ import annotations

__version__ = "0.1.0"
