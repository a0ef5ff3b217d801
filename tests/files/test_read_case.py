"""A case is read as it was written, and everything wrong with it is said at once."""

from __future__ import annotations

import dataclasses
import json
import time
import tomllib
from pathlib import Path
from typing import Any

import pytest

from samples import SAMPLE_CASE
from tubewright.case import Case
from tubewright.errors import Fault, InputError
from tubewright.files import MAX_CASE_BYTES, read_case
from tubewright.judgement.ranges import result_of_value
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import BenchTest, Knowledge, NamedResult, Symptom

BAD: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parents[1] / "reference" / "bad_cases.toml").read_text(encoding="utf-8")
)["bad"]


def faults_in(source: bytes | str | Path, name: str = "pier.toml", knowledge: Knowledge | None = None) -> list[str]:
    raw = source.encode() if isinstance(source, str) else source
    with pytest.raises(InputError) as caught:
        read_case(raw, name, knowledge=knowledge)
    return [str(fault) for fault in caught.value.faults]


def small_knowledge() -> Knowledge:
    symptom = Symptom(
        id="raster_dim_all",
        owner_says="",
        technician_says="",
        photo="none",
        leak_probability=0.01,
        kind="from memory",
        source="x",
    )
    test = BenchTest(
        id="d_bplus",
        name="B+",
        how="",
        minutes=5,
        hazard="H2",
        running=True,
        results=tuple(NamedResult(id=name, means="", odds_ratios={}) for name in ("low", "right", "high")),
        cautions=(),
        kind="from memory",
        source="x",
    )
    return Knowledge(
        sources={},
        constants={},
        cautions={},
        hazards={},
        symptoms={"raster_dim_all": symptom},
        faults={},
        tests={"d_bplus": test},
        treatments={},
        phosphors={},
        labels={},
    )


@pytest.mark.parametrize("bad", BAD, ids=lambda bad: bad["name"])
def test_each_fault_is_said_once_with_its_line_its_field_and_its_mend(bad: dict[str, Any]) -> None:
    found = faults_in(bad["toml"])
    assert len(found) == 1, found
    for part in bad["says"]:
        assert part in found[0]
    assert found[0].startswith(f"pier.toml line {bad['line']}" if bad["line"] else "pier.toml")


@pytest.mark.parametrize(
    "bad", [bad for bad in BAD if "this is not TOML" not in bad["says"]], ids=lambda bad: bad["name"]
)
def test_the_same_case_as_json_has_the_same_fault(bad: dict[str, Any]) -> None:
    data = tomllib.loads(bad["toml"])
    found = faults_in(json.dumps(data, indent=1), "pier.json")
    assert len(found) == 1, found
    # TOML and JSON name some things differently (the duplicate's line); the field is the same.
    assert bad["says"][0] in found[0]
    assert not bad["line"] or " line " in found[0]


def test_all_faults_are_reported_together_in_the_order_of_the_file() -> None:
    text = """\
format = 2
[tube]
gun = 'inlin'
burn = 8
[[readings]]
gun = 'red'
kind = 'cutoff'
value = -3
unit = 'uA'
[[readings]]
gun = 'red'
kind = 'cutoff'
value = 50
unit = 'V'
[[readings]]
gun = 'red'
kind = 'cutoff'
value = 51
unit = 'V'
[[symptoms]]
id = 'raster_dim_al'
"""
    found = faults_in(text, knowledge=small_knowledge())
    lines = [int(fault.split(" line ")[1].partition(",")[0]) for fault in found]
    assert lines == [1, 3, 4, 8, 9, 15, 21]


def test_the_sample_reads_alike_from_toml_json_and_a_file(tmp_path: Path) -> None:
    case = read_case(SAMPLE_CASE.encode())
    assert case.display.label == "Pier arcade, machine 7"
    assert case.readings[1].heater_v == 5.5
    assert read_case(json.dumps(tomllib.loads(SAMPLE_CASE)).encode()) == case
    file = tmp_path / "pier.toml"
    file.write_bytes(b"\xef\xbb\xbf" + SAMPLE_CASE.replace("\n", "\r\n").encode())
    assert read_case(file) == case


def test_a_case_may_say_nothing_but_its_format() -> None:
    assert read_case(b"format = 1") == Case(format=1)


def test_a_symptom_is_not_both_present_and_absent() -> None:
    (found,) = faults_in("format = 1\n[[symptoms]]\nid = 'a'\n[[symptoms]]\nid = 'a'\npresent = false\n")
    assert found.startswith("pier.toml line 4, symptoms[1]: a is both present and absent")
    assert "on line 2" in found
    read_case(b"format = 1\n[[symptoms]]\nid = 'a'\n[[symptoms]]\nid = 'a'\n")


def test_a_number_that_a_test_cannot_be_read_off_is_met_at_its_line() -> None:
    def refuses(
        test: BenchTest, /, *, value: float, unit: str, nominal: float | None, of_chassis: float | None
    ) -> object:
        if nominal is None:
            raise InputError(Fault(what=f"{test.id} lacks what is nominal", where="value", mend="Add nominal"))
        return (value, unit)

    text = b"format = 1\n[[tests]]\nid = 'd_bplus'\nvalue = 107\nunit = 'V'\n"
    with pytest.raises(InputError) as caught:
        read_case(text, "pier.toml", knowledge=small_knowledge(), reads_off=refuses)
    assert str(caught.value) == "pier.toml line 4, tests[0].value: d_bplus lacks what is nominal. Add nominal."
    read_case(text + b"nominal = 120\n", knowledge=small_knowledge(), reads_off=refuses)


def test_unknown_ids_are_met_with_the_nearest_known() -> None:
    known = small_knowledge()
    read_case(b"format = 1\n[[symptoms]]\nid = 'raster_dim_all'", knowledge=known)
    (symptom,) = faults_in("format = 1\n[[symptoms]]\nid = 'raster_dim'\n", knowledge=known)
    assert "line 3" in symptom
    assert "Did you mean raster_dim_all?" in symptom
    assert "tubewright list symptoms" in symptom
    (test,) = faults_in("format = 1\n[[tests]]\nid = 'd_bplas'\nresult = 'low'\n", knowledge=known)
    assert "Did you mean d_bplus?" in test
    (result,) = faults_in("format = 1\n[[tests]]\nid = 'd_bplus'\nresult = 'lo'\n", knowledge=known)
    assert "tests[0].result" in result
    assert "Its results are: low, right, high" in result


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "it is empty"),
        (b" \n\t\n", "it is empty"),
        (b"format = 1\n\xff\xfe\xfa", "line 2: it is not UTF-8"),
        (b"\xff\xfef\x00o\x00", "UTF-16"),
        (b"[" * 100_000 + b"]" * 100_000, "not TOML"),
        (b"a = " + b"[" * 50_000 + b"]" * 50_000, "nested too deeply"),
        (b"format = " + b"9" * 10_000, "absurd length"),
        (b"a" * (MAX_CASE_BYTES + 1), "2 MB at most"),
    ],
    ids=["empty", "blank", "bytes", "utf16", "brackets", "deep", "digits", "large"],
)
def test_what_is_no_case_gets_one_clear_message(raw: bytes, says: str) -> None:
    (found,) = faults_in(raw)
    assert says in found


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b'{"format": 1,\n "use": }', "pier.json line 2: this is not JSON"),
        (b"[1, 2]", "not a set of named fields"),
        (b'{"format": 1,\n "tube": {"burn": 0.1,\n "burn": 0.2}}', "pier.json line 3, tube.burn: burn stands twice"),
        (b'{"a":' * 50_000, "nested too deeply"),
        (b'{"format": 1, "tube": {"heater_v": NaN}}', "not a number"),
        (b'{"format": 1, "tube": {"heater_v": 1e999}}', "not a number"),
    ],
    ids=["syntax", "list", "twice", "deep", "nan", "overflow"],
)
def test_what_is_no_case_in_json_gets_one_clear_message(raw: bytes, says: str) -> None:
    (found,) = faults_in(raw, "pier.json")
    assert says in found


def test_ten_megabytes_of_garbage_end_quickly(tmp_path: Path) -> None:
    file = tmp_path / "garbage.toml"
    file.write_bytes(bytes(range(256)) * 40_000)
    start = time.perf_counter()
    with pytest.raises(InputError, match=r"garbage\.toml: it has 10\.2 MB, and a case has 2 MB at most"):
        read_case(file)
    # Reading and refusing takes milliseconds; the limit leaves room for a busy machine.
    assert time.perf_counter() - start < 2


def test_a_file_that_is_not_there_or_a_folder_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_case(tmp_path / "none.toml")
    with pytest.raises(InputError, match=r"folder|can't be read"):
        read_case(tmp_path)


def test_a_message_holds_nothing_that_a_terminal_would_obey() -> None:
    (found,) = faults_in('format = 1\n[tube]\ngetter = "\\u001b[2Jwhite\\u0007"\n')
    assert found.isprintable()


def test_a_fault_never_repeats_a_long_text() -> None:
    (found,) = faults_in(f"format = 1\n[tube]\nheater_v = '{'x' * 5000}'\n")
    assert len(found) < 300


def test_a_list_too_long_is_one_fault_however_bad_its_entries() -> None:
    (found,) = faults_in("format = 1\n" + "[[readings]]\nvalue = -1\n" * 2001)
    assert "there are 2001 readings, and a case holds 2000 at most" in found


def test_of_very_many_faults_the_first_are_told_and_the_rest_counted() -> None:
    found = faults_in("format = 1\n" + "".join(f"k{number} = 1\n" for number in range(250)))
    assert len(found) == 101
    assert "pier.toml line 2, k0: unknown field" in found[0]
    assert found[-1] == "pier.toml: there are 150 more faults like these. Mend these first."


def test_a_name_of_a_field_is_tamed_as_well() -> None:
    (found,) = faults_in('format = 1\n["\\u001b[31m' + "x" * 5000 + '"]\na = 1\n')
    assert found.isprintable()
    assert len(found) < 300


def test_what_is_nominal_may_stand_in_the_profile(tmp_path: Path) -> None:
    """A reading without its nominal value is taken where the display's chassis profile gives it, and only there."""
    known = dataclasses.replace(
        load_knowledge(), chassis={"pier_19": Chassis(id="pier_19", name="Pier 19", bplus_v=127.0)}
    )
    text = 'format = 1\n[display]\nchassis = "{}"\n[[tests]]\nid = "{}"\nvalue = 118\nunit = "V"\n'
    path = tmp_path / "case.toml"
    path.write_text(text.format("pier_19", "d_bplus"), encoding="utf-8")
    assert read_case(path, knowledge=known, reads_off=result_of_value).tests[0].value == 118
    path.write_text(text.format("pier_19", "d_g2"), encoding="utf-8")
    with pytest.raises(InputError, match="nominal"):
        read_case(path, knowledge=known, reads_off=result_of_value)
