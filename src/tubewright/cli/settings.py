"""What the command line takes from its surroundings; nothing else reads them.

| variable | what it does |
|---|---|
| ``TUBEWRIGHT_SHOP`` | the shop's database, where ``--shop`` is not given |
| ``TUBEWRIGHT_OWN`` | the shop's own file of faults, tests and chassis profiles |
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
OWN_VARIABLE: Final = "TUBEWRIGHT_OWN"
LOG_VARIABLE: Final = "TUBEWRIGHT_LOG"
SHOP_FILE: Final = "shop.sqlite3"
OWN_FILE: Final = "own.toml"


def shop_path(given: str | None = None) -> Path | str:
    """Where the shop's records are: ``given``, else the environment, else the user's data folder.

    Text with ``://`` in it is the address of a database server and stays text.
    """
    named = given or os.environ.get(SHOP_VARIABLE, "")
    if not named:
        return _data_folder() / SHOP_FILE
    return named if "://" in named else Path(named).expanduser()


def own_path(given: str | None = None) -> Path | None:
    """The shop's own file: as the environment says, else the one beside the shop's records, if there is one.

    Beside the address of a database server there is no place; the file lies in the user's data folder then.
    """
    named = os.environ.get(OWN_VARIABLE, "")
    if named:
        return Path(named).expanduser()
    beside = own_place(given)
    return beside if beside.exists() else None


def own_place(given: str | None = None) -> Path:
    """Where the shop's own file is looked for when the environment says nothing of it."""
    where = shop_path(given)
    return (where.parent if isinstance(where, Path) else _data_folder()) / OWN_FILE


def _data_folder() -> Path:
    from platformdirs import user_data_path

    return user_data_path("tubewright", appauthor=False)


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
