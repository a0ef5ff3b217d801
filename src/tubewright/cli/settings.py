"""What the command line takes from its surroundings; nothing else reads them.

| variable | what it does |
|---|---|
| ``TUBEWRIGHT_SHOP`` | the shop's database, where ``--shop`` is not given |
| ``TUBEWRIGHT_LOG`` | the file that takes the details of our own failures |
| ``NO_COLOR`` | set to anything: no colour |
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path
from typing import Final

SHOP_VARIABLE: Final = "TUBEWRIGHT_SHOP"
LOG_VARIABLE: Final = "TUBEWRIGHT_LOG"
SHOP_FILE: Final = "shop.sqlite3"


def shop_path(given: str | None = None) -> Path | str:
    """Where the shop's records are: ``given``, else the environment, else the user's data folder.

    Text with ``://`` in it is the address of a database server and stays text.
    """
    named = given or os.environ.get(SHOP_VARIABLE, "")
    if not named:
        from platformdirs import user_data_path

        return user_data_path("tubewright", appauthor=False) / SHOP_FILE
    return named if "://" in named else Path(named).expanduser()


def log_path() -> Path:
    """The file for the details of our own failures."""
    named = os.environ.get(LOG_VARIABLE, "")
    if named:
        return Path(named).expanduser()
    from platformdirs import user_log_path

    return user_log_path("tubewright", appauthor=False) / "failures.log"


def columns() -> int:
    """Characters in a line of the terminal; 80 where there is none."""
    return shutil.get_terminal_size((80, 24)).columns


def colour() -> bool:
    """Whether the output is a terminal that shows bold print."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" or not sys.stdout.isatty():
        return False
    # Older Windows consoles print escape sequences as letters; the newer ones say who they are.
    return os.name != "nt" or bool(os.environ.get("WT_SESSION") or os.environ.get("TERM"))
