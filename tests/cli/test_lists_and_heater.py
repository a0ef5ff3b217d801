"""What the program knows can be listed, and no step is listed without its cautions."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli_runs import Run
from tubewright.knowledge.load import load_knowledge


@pytest.mark.parametrize("what", ["symptoms", "tests", "faults", "treatments", "phosphors", "labels"])
def test_each_list_names_every_entry(run: Run, what: str) -> None:
    held = getattr(load_knowledge(), what)
    shown = run("list", what)
    assert shown.code == 0
    entries = json.loads(run("list", what, "--json").out)
    assert len(entries) == len(held)
    words = set(shown.out.split())
    for name in held:
        assert name in words


def test_symptoms_are_found_by_the_owners_words(run: Run) -> None:
    first = json.loads(run("list", "symptoms", "--search", "picture is dark", "--json").out)[0]
    assert first["id"] == "raster_dim_all"
    assert "Nothing fits" in run("list", "symptoms", "--search", "xyzzy").out


@pytest.mark.parametrize("what", ["tests", "treatments"])
def test_a_step_is_shown_with_its_cautions_before_it(run: Run, what: str) -> None:
    knowledge = load_knowledge()
    for name, entry in getattr(knowledge, what).items():
        if not entry.cautions:
            continue
        squeezed = " ".join(run("list", what, "--search", name).out.replace(" ! ", " ").replace("[ ]", "").split())
        step = squeezed.index(f"> {' '.join(entry.how.split())}")
        for caution in entry.cautions:
            assert squeezed.index(" ".join(knowledge.cautions[caution].text.split())) < step


@pytest.mark.parametrize("what", ["tests", "treatments"])
def test_json_carries_the_cautions_in_words(run: Run, what: str) -> None:
    for entry in json.loads(run("list", what, "--json").out):
        assert all(" " in caution for caution in entry["cautions"])
        assert entry["hazard"] == "H0" or entry["cautions"]


def test_every_number_is_listed_with_its_source(run: Run) -> None:
    knowledge = load_knowledge()
    everything = json.loads(run("sources", "--json").out)
    assert {constant["id"] for constant in everything["constants"]} == set(knowledge.constants)
    assert {source["key"] for source in everything["sources"]} == set(knowledge.sources)
    from_memory = json.loads(run("sources", "--kind", "from-memory", "--json").out)["constants"]
    assert {constant["kind"] for constant in from_memory} == {"from memory"}
    assert len(from_memory) == sum(constant.kind == "from memory" for constant in knowledge.constants.values())
    shown = set(run("sources").out.split())
    assert set(knowledge.constants) <= shown


@pytest.mark.parametrize(
    ("args", "body"),
    [
        (
            ["rms", "--height", "22.28", "--width", "12", "--line", "15.734"],
            {"rms_v": pytest.approx(6.30, abs=0.01), "average_meter_v": pytest.approx(4.87, abs=0.01)},
        ),
        (
            ["rms", "--height", "22.28V", "--width", "12", "--line", "15734 Hz", "--direct"],
            {"rms_v": pytest.approx(22.28 * (12 / 63.556 / 2) ** 0.5, rel=1e-4)},
        ),
        (
            ["resistor", "--source", "7.4", "--target", "6,3", "--current", "600mA"],
            {"resistance_ohm": pytest.approx(1.1 / 0.6, rel=1e-5), "dissipation_w": pytest.approx(0.66, rel=1e-5)},
        ),
        (
            ["turns", "--target", "6.3", "--trial", "4.2", "--trial-turns", "3"],
            {"exact_turns": pytest.approx(4.5), "whole_turns": 4, "whole_turns_v": pytest.approx(5.6)},
        ),
    ],
    ids=["rms", "rms_direct", "resistor", "turns"],
)
def test_the_arithmetic_of_a_heater(run: Run, args: list[str], body: dict[str, object]) -> None:
    ended = run("heater", *args, "--json")
    assert ended.code == 0, ended.err
    answer = json.loads(ended.out)
    assert {name: answer[name] for name in body} == body
    assert answer["cautions"]
    assert list(answer)[:2] == ["cautions", "confirm"]
    shown = run("heater", *args).out
    assert shown.index("  ! ") < shown.index("\n> ")


@pytest.mark.parametrize(
    "text", ["0,0\n1,0\n1.0000001,1\n2,1\n2.0000001,0\n", "time;volts\n0;0\n1;0\n1.0000001;1\n2;1\n"]
)
def test_a_sampled_waveform_is_measured(run: Run, place: Path, text: str) -> None:
    (place / "wave.csv").write_text(text, encoding="utf-8")
    ended = run("heater", "rms", "--samples", "wave.csv", "--direct", "--json")
    assert ended.code == 0, ended.err
    assert json.loads(ended.out)["rms_v"] == pytest.approx(0.5**0.5, rel=1e-4)
