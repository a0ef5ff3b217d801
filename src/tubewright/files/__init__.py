"""Opening and saving cases, and the published schemas of both ends."""

from __future__ import annotations

from tubewright.files.cases import MAX_CASE_BYTES, read_case, write_case
from tubewright.files.check import check_case
from tubewright.files.explain import FieldFault
from tubewright.files.schemas import assess_schema, case_schema

__all__ = [
    "MAX_CASE_BYTES",
    "FieldFault",
    "assess_schema",
    "case_schema",
    "check_case",
    "read_case",
    "write_case",
]
