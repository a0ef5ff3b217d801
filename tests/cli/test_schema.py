"""Every answer in JSON fits the schema that ``tubewright schema`` prints for it, and nothing less does."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest
from jsonschema_rs import Draft202012Validator

from cli_runs import Run
from measured import light, measurement
from tubewright.answers.measurement_json import to_json
from tubewright.cli.assess import Contract
from tubewright.demo.load import load_demo
from tubewright.files import read_case
from tubewright.records.store import open_store

EXAMPLES: Final = Path(__file__).parents[2] / "docs" / "examples"
FINISHED: Final = "Bell Buoy"
"""The job of the demo shop that was photographed, set up, read and paid."""

COMMANDS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("assess", ("assess", "{examples}/pier-7.toml", "--futures", "2000")),
    ("diagnose", ("diagnose", "{examples}/lantern-3.toml")),
    ("advise", ("advise", "{job}")),
    ("grey", ("grey", "{examples}/lantern-3-grey.csv", "--swing", "60")),
    ("grey", ("grey", "{job}")),
    ("grey", ("grey", "light.json")),
    ("proof", ("proof", "{job}")),
    ("quote", ("quote", "{job}")),
    ("bill", ("bill", "{job}")),
    ("settings", ("settings", "show")),
    ("treat", ("treat", "{job}")),
    ("hold", ("hold", "held.csv")),
    ("due", ("due", "--ahead", "400")),
    ("label", ("label", "M34AFA63X03")),
    ("donor", ("donor", "{job}")),
    ("scan", ("scan", "--eht", "25", "--new-eht", "24")),
    ("stock", ("stock", "list")),
    ("stock-item", ("stock", "show", "{item}")),
    ("stock-reservation", ("stock", "reserve", "{item}", "--job", "{open}")),
    ("stock-parts", ("stock", "job", "{job}")),
    ("stock-order", ("stock", "order")),
    ("stock-recap", ("stock", "recap", "{examples}/larkspur-19.csv")),
)
ELSEWHERE: Final = {"case": "tests/files/test_schemas.py", "measure": "tests/cli/test_measure.py"}
WITHOUT_SHOP: Final = frozenset({"label", "scan"})


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """The demo shop in a file, and what commands name in it."""
    where = tmp_path_factory.mktemp("demo") / "demo.sqlite3"
    with open_store(where) as store:
        load_demo(store, store.clock())
        (finished,) = store.board(FINISHED, state="closed").rows
        opened = store.board(state="open").rows[0]
        item = next(one for one in store.all_items() if one.sort == "part" and one.free > 0)
        yield {
            "shop": str(where),
            "job": f"job:{finished.job_id}",
            "open": str(opened.job_id),
            "item": item.code,
            "examples": str(EXAMPLES),
        }


def answer(run: Run, place: Path, shop: dict[str, str], arguments: tuple[str, ...]) -> Any:  # noqa: ANN401 - any JSON
    """What a command writes with ``--json``."""
    (place / "light.json").write_text(json.dumps(to_json(measurement(**light()))), encoding="utf-8")
    (place / "held.csv").write_text("minutes,value\n5,600\n15,590\n40,575\n", encoding="utf-8")
    named = [one.format_map(shop) for one in arguments]
    where = [] if arguments[0] in WITHOUT_SHOP else ["--shop", shop["shop"]]
    done = run(*named, "--json", *where)
    assert done.code == 0, done.err
    return json.loads(done.out)


@pytest.mark.parametrize(("which", "arguments"), COMMANDS, ids=lambda it: it if isinstance(it, str) else "_".join(it))
def test_what_a_command_writes_fits_its_schema(
    run: Run, place: Path, shop: dict[str, str], which: str, arguments: tuple[str, ...]
) -> None:
    schema = json.loads(run("schema", which).out)
    Draft202012Validator(schema)
    body = answer(run, place, shop, arguments)
    assert [error.message for error in Draft202012Validator(schema).iter_errors(body)] == []
    assert schema["additionalProperties"] is False
    assert set(schema["required"]) <= set(body)
    assert not Draft202012Validator(schema).is_valid(body | {"more": 1}), "what isn't told is not let in"
    for name in schema["required"]:
        less = copy.copy(body)
        del less[name]
        assert not Draft202012Validator(schema).is_valid(less), name


def test_every_schema_has_a_body_that_is_held_against_it(run: Run) -> None:
    assert {which for which, _ in COMMANDS} | set(ELSEWHERE) == {one.value for one in Contract}
    for one in Contract:
        schema = json.loads(run("schema", one.value).out)
        assert re.fullmatch(rf"urn:tubewright:schema:{one.value}:[\w-]+", schema["$id"]), one
        assert schema["title"].startswith("Tubewright ")


def test_an_example_of_a_case_fits_its_schema(run: Run) -> None:
    schema = json.loads(run("schema", "case").out)
    for path in sorted(EXAMPLES.glob("*.toml")):
        body = read_case(path).model_dump(mode="json", exclude_none=True)
        assert [error.message for error in Draft202012Validator(schema).iter_errors(body)] == [], path


@pytest.mark.parametrize(
    "spoil",
    [
        {"state": "perfect"},
        {"moves": [{"control": "cutoff_red"}]},
        {"error": {"within": "yes"}},
        {"readings": [{"shown": "purple", "level": 1, "x": 0.3, "y": 0.3, "Y": 90, "minutes": None}]},
        {"guns": {"violet": {}}},
        {"format": "greyscale-2"},
    ],
    ids=lambda spoil: next(iter(spoil)),
)
def test_what_is_no_grey_scale_does_not_fit(
    run: Run, place: Path, shop: dict[str, str], spoil: dict[str, object]
) -> None:
    schema = json.loads(run("schema", "grey").out)
    body = answer(run, place, shop, ("grey", "{examples}/lantern-3-grey.csv"))
    assert not Draft202012Validator(schema).is_valid(body | spoil)
