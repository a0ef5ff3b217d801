"""The door for the terminal: ``tubewright`` and ``python -m tubewright``."""

from __future__ import annotations

from tubewright.cli.app import app, main

__all__ = ["app", "main"]
