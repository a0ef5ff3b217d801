"""Readings of a grey scale, each with what was turned before it and what was wished for."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from tubewright.errors import Fault, InputError
from tubewright.records import checks
from tubewright.records.changes import Change, Values
from tubewright.records.model import GreyRoundRecord
from tubewright.records.rows import grey_round_record, records_of
from tubewright.records.tables import grey_rounds, jobs
from tubewright.records.transactions import Transactions

LARGEST_JSON: Final = 400_000  # from memory: estimate; a thousand readings
MOST_CD_M2: Final = 100_000.0  # from memory: estimate; far above any tube
MOST_SWING_V: Final = 1_000.0  # from memory: estimate; far above any video amplifier

_Above = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
_Long = Annotated[str, Field(min_length=2, max_length=LARGEST_JSON, strict=True)]


class GreyRoundInput(BaseModel):
    """A reading of the grey steps as it is written down.

    ``readings_json`` is a JSON list, ``turned_json`` a JSON object of turns by control; what is in them
    is the answers' business.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    readings_json: _Long
    turned_json: _Long = "{}"
    retrace_seen: Annotated[bool, Field(strict=True)] = False
    white: Annotated[str, Field(min_length=1, max_length=40, strict=True)]
    kind: Literal["inline", "delta", "broadcast"] = "inline"
    peak_cd_m2: Annotated[_Above, Field(le=MOST_CD_M2)] | None = None
    swing_v: Annotated[_Above, Field(le=MOST_SWING_V)] | None = None
    note: str = ""


class Greys(Transactions):
    """The part of the store that keeps readings of grey scales."""

    def add_grey_round(
        self, job_id: int, given: GreyRoundInput | Mapping[str, object], *, by: int | None = None
    ) -> GreyRoundRecord:
        """Keep one reading of the grey steps with its job, now.

        Raises:
            InputError: a field makes no sense.
        """

        def work(change: Change) -> GreyRoundRecord:
            change.row(jobs, job_id)
            checked = checks.part(GreyRoundInput, given)
            _check_json(checked)
            values = checked.model_dump() | {"note": checks.words(checked.note, "note")}
            fresh = change.insert(grey_rounds, {"job_id": job_id, "person_id": change.by, "at": change.now, **values})
            return records_of(change.conn, grey_rounds, grey_rounds.c.id == fresh, grey_round_record)[0]

        return self.change(by, work)

    def remove_grey_round(self, round_id: int, *, version: int, by: int | None = None) -> None:
        """Strike a reading of the grey steps out; history keeps it."""
        self.change(by, lambda change: change.delete(grey_rounds, round_id, version=version))


def _check_json(checked: GreyRoundInput, where: str = "") -> None:
    for name, document, kind in (
        ("readings_json", checked.readings_json, list),
        ("turned_json", checked.turned_json, dict),
    ):
        try:
            sound = isinstance(json.loads(document), kind)
        except (ValueError, RecursionError):
            sound = False
        if not sound:
            raise InputError(
                Fault(what="this is not what is kept here", where=f"{where}{name}", mend="Read the steps again")
            )


def check_grey_round(values: Values, where: str) -> None:
    """Check a row of grey readings from elsewhere as if it had been typed.

    Raises:
        InputError: with its faults.
    """
    known = {name: values[name] for name in GreyRoundInput.model_fields if name in values}
    _check_json(checks.part(GreyRoundInput, known, where), f"{where}.")
    checks.words(values["note"], f"{where}.note")
