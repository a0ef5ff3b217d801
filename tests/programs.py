"""The reference programs of the system, run where they are; a test without its program is left out."""

from __future__ import annotations

import shutil
import subprocess
from typing import Final

import pytest

PACKAGES: Final = {"cvt": "xcvt", "gtf": "xserver-xorg-core", "edid-decode": "edid-decode"}
"""Debian's package for each."""


def need(program: str) -> str:
    """The program's path; leaves the test out where there is none."""
    found = shutil.which(program)
    if found is None:
        pytest.skip(f"no {program} to compare with: apt install {PACKAGES[program]}")
    return found


def output_of(*command: str, given: bytes = b"") -> str:
    """What a program prints, whatever its exit code."""
    done = subprocess.run(command, input=given, capture_output=True, check=False, timeout=60)
    return done.stdout.decode("utf-8", "replace")
