"""The grey scale of a job of the shop, at the terminal: its rounds answered, a new one kept."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from tubewright.cli.shop import number_of, open_shop
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tubewright.answers.greyscale import Control, GreyAnswer, GreyReading
    from tubewright.answers.greyscale_kept import Wish
    from tubewright.knowledge.model import Knowledge


def grey_of_job(named: str, knowledge: Knowledge, *, finer: bool, shop: str | None) -> GreyAnswer:
    """The answer to the newest reading of a job, by all that were taken before it.

    Args:
        named: ``job:7``.
        knowledge: Where the tolerances stand.
        finer: Whether to go on within the tolerances.
        shop: The shop's records as given on the command line.

    Raises:
        InputError: There is no such job, or nothing was read on it yet.
    """
    from tubewright.answers.greyscale import reserves_of
    from tubewright.answers.greyscale_kept import kept_course

    with open_shop(shop) as store:
        number = number_of(named, "job")
        job, case = store.job(number), store.case_of(number)
    if not job.grey_rounds:
        raise InputError(
            Fault(
                what="no grey steps were read on this job yet",
                where=named,
                mend=f"Keep the first reading: tubewright grey readings.csv --keep {named}",
            )
        )
    return kept_course(job.grey_rounds, knowledge, reserves=reserves_of(case, knowledge), finer=finer).now


def keep_round(
    named: str,
    readings: Sequence[GreyReading],
    turned: Mapping[Control, float],
    wish: Wish,
    *,
    retrace_seen: bool,
    shop: str | None,
) -> None:
    """Keep a reading of the grey steps with a job, and what was turned before it."""
    from tubewright.answers.greyscale_json import readings_json

    with open_shop(shop) as store:
        store.add_grey_round(
            number_of(named, "job"),
            {
                "readings_json": json.dumps(readings_json(readings)),
                "turned_json": json.dumps(dict(turned)),
                "retrace_seen": retrace_seen,
                "white": wish.white,
                "kind": wish.kind,
                "peak_cd_m2": wish.peak_cd_m2,
                "swing_v": wish.swing_v,
            },
        )
