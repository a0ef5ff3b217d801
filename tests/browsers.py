"""Finds the Chromium that the browser tests and the guide's pictures are made with.

``python tests/browsers.py`` prints its path, or fails when there is none.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path
from typing import Final

COMMANDS: Final = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
PLACES: Final = (
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "C:/Program Files/Google/Chrome/Application/chrome.exe",
    "C:/Program Files (x86)/Microsoft/Edge/Application/msedge.exe",
)
HOW: Final = "no Chromium found: install one, or name it in TUBEWRIGHT_CHROMIUM"

ARGUMENTS: Final = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
"""What a browser is started with: quiet, offline, and able to run in a container."""


def chromium_path() -> str | None:
    """Path of a Chromium to drive, or ``None``; TUBEWRIGHT_CHROMIUM goes first."""
    named = os.environ.get("TUBEWRIGHT_CHROMIUM")
    if named:
        return named if Path(named).exists() else None
    for command in COMMANDS:
        if found := shutil.which(command):
            return found
    return next((place for place in PLACES if Path(place).exists()), None)


if __name__ == "__main__":
    sys.exit(0 if (path := chromium_path()) and sys.stdout.write(f"{path}\n") else HOW)
