"""The case that a command was asked about: a file, standard input, or a job of the shop."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from tubewright.cli.shop import known, number_of, open_shop

if TYPE_CHECKING:
    from tubewright.case import Case


def asked_case(named: str, shop: str | None) -> Case:
    """Read the case that was named.

    Args:
        named: A TOML or JSON file, ``-`` for standard input, or ``job:7``.
        shop: The shop's records as given on the command line.

    Raises:
        InputError: It can't be read, or holds faults; all of them together.
    """
    if named.startswith("job:"):
        number = number_of(named, "job")
        with open_shop(shop) as store:
            return store.case_of(number)
    from tubewright.files import MAX_CASE_BYTES, read_case
    from tubewright.judgement.ranges import result_of_value

    typed = named == "-"
    return read_case(
        sys.stdin.buffer.read(MAX_CASE_BYTES + 1) if typed else Path(named),
        "standard input" if typed else "",
        knowledge=known(shop),
        reads_off=result_of_value,
    )
