"""What a case says of its chassis and of the faults that were found, mended or ruled out."""

from __future__ import annotations

import dataclasses

import pytest
from jsonschema_rs import Draft202012Validator

from tubewright.errors import InputError
from tubewright.files import case_schema, read_case, write_case
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.load import load_knowledge

KNOWN = dataclasses.replace(load_knowledge(), chassis={"hull_19": Chassis(id="hull_19", name="Hull 19")})
CASE = """\
format = 1
[display]
chassis = "hull_19"
[[repairs]]
fault = "source_fault_only"
outcome = "excluded"
[[repairs]]
fault = "afc_filter_aged"
outcome = "mended"
at = 2026-11-25
"""


def faults_in(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_case(text.encode(), "pier.toml", knowledge=KNOWN)
    return [str(fault) for fault in caught.value.faults]


def test_it_is_read_written_and_within_the_schema() -> None:
    case = read_case(CASE.encode(), "pier.toml", knowledge=KNOWN)
    assert case.display.chassis == "hull_19"
    assert [(one.fault, one.outcome) for one in case.repairs] == [
        ("source_fault_only", "excluded"),
        ("afc_filter_aged", "mended"),
    ]
    assert read_case(write_case(case).encode()) == case
    schema = Draft202012Validator(case_schema())
    assert schema.is_valid(case.model_dump(mode="json"))
    assert not schema.is_valid({"format": 1, "repairs": [{"fault": "afc_filter_aged"}]})


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("hull_19", "hull_91", "line 3, display.chassis: 'hull_91' is not a chassis I know. Did you mean hull_19?"),
        ("hull_19", "Hull 19", "'Hull 19' is not an id"),
        ("afc_filter_aged", "afc_filter_agd", "line 8, repairs[1].fault: 'afc_filter_agd' is not a fault I know."),
        ('"mended"', '"cured"', "line 9, repairs[1].outcome"),
        ("afc_filter_aged", "source_fault_only", "repairs[1]: source_fault_only is both excluded and found"),
        ("2026-11-25", "5", "5 is not a date"),
        ('outcome = "excluded"', "", "repairs[0].outcome: outcome is missing"),
        ('outcome = "excluded"', 'outcome = "excluded"\nminutes = 5', "minutes: unknown field"),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_its_line(old: str, new: str, says: str) -> None:
    assert any(says in fault for fault in faults_in(CASE.replace(old, new))), faults_in(CASE.replace(old, new))


def test_an_own_file_is_spoken_of_where_a_profile_is_missing() -> None:
    (fault,) = faults_in(CASE.replace("hull_19", "zzz"))
    assert "`tubewright list chassis` shows them all. Profiles stand in your own file" in fault


def test_of_two_words_with_their_times_neither_is_a_mistake() -> None:
    text = CASE.replace("afc_filter_aged", "source_fault_only").replace(
        'outcome = "excluded"', 'outcome = "excluded"\nat = 2026-11-24'
    )
    assert len(read_case(text.encode(), knowledge=KNOWN).repairs) == 2
