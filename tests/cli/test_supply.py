"""``supply`` as a person calls it: cautions first, figures as typed, drawings, profiles, refusals with their codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import pytest

from cli_runs import Run
from tubewright.knowledge.load import load_knowledge

RAW: Final = ("--secondary", "115", "--hz", "50", "--source-ohm", "2", "--reservoir", "220uF", "--load", "0.6")
EVERY: Final = {
    "ripple": RAW,
    "filter": (*RAW, "--wanted", "12"),
    "headroom": (*RAW, "--output", "130", "--dropout", "3"),
    "hum": ("--field", "60.6", "--hz", "60", "--bars", "1", "--seconds", "1.7"),
    "anode": ("--capacitance", "2nF", "--eht", "25", "--drain", "10M"),
    "eht": ("--bplus", "107", "--eht", "21.4", "--limit", "27.5", "--new-bplus", "120"),
}
OWN: Final = """
[[chassis]]
id = "larkspur_19"
name = "Larkspur 19"
mains_hz = 60.0
field_hz = 60.05
bplus_v = 120.0
picture_width_mm = 360.0
eht_kv = 24.0
eht_limit_kv = 27.5
source = "a good one on the bench"
[chassis.supply]
rectifier = "bridge"
secondary_v_rms = 115.0
source_ohm = 2.0
reservoir_uf = 330.0
load_a = 0.6
"""


@pytest.mark.parametrize("question", EVERY)
def test_cautions_stand_before_the_answer(run: Run, question: str) -> None:
    shown = run("supply", question, *EVERY[question])
    assert shown.code == 0, shown.err
    squeezed = " ".join(shown.out.replace(" ! ", " ").split())
    rule = load_knowledge().cautions["local_rules"].text
    assert squeezed.index(rule) < squeezed.index("> ")


@pytest.mark.parametrize("question", EVERY)
def test_json_carries_the_same(run: Run, question: str) -> None:
    body = json.loads(run("supply", question, *EVERY[question], "--json").out)
    assert body["question"] == question
    assert body["cautions"][0] == load_knowledge().cautions["local_rules"].text
    assert body["confirm"]
    assert body["headline"]
    assert body["figures"]
    assert body["from_chassis"] == {}


def test_the_figures_are_those_of_the_answers(run: Run) -> None:
    body = json.loads(run("supply", "ripple", *RAW, "--width", "36cm", "--new-reservoir", "330u", "--json").out)
    assert body["figures"]["ripple_pp_v"] == pytest.approx(21.1, rel=0.01)
    assert body["figures"]["after_ripple_pp_v"] == pytest.approx(14.3, rel=0.01)
    assert body["figures"]["edge_sway_mm"] > 1
    charge = json.loads(run("supply", "anode", *EVERY["anode"], "--json").out)
    assert charge["figures"]["energy_j"] == pytest.approx(0.625)


def test_it_can_be_drawn(run: Run, place: Path) -> None:
    assert run("supply", "ripple", *RAW, "--draw", "ripple.svg").code == 0
    assert (place / "ripple.svg").read_text(encoding="utf-8").startswith("<svg")
    away = run("supply", "ripple", *RAW, "--draw", "nowhere/ripple.svg")
    assert (away.code, away.out) == (2, "")
    assert "can't be written" in away.err


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--limit", "27.5", "--new-bplus", "140"), "beyond its rating of 27.5 kV"),
        (("--new-bplus", "120"), "its rating isn't known"),
        (("--limit", "60", "--tuning", "6.8", "--new-tuning", "6.1"), "like for like"),
    ],
)
def test_the_guard_refuses_with_exit_code_3(run: Run, more: tuple[str, ...], said: str) -> None:
    refused = run("supply", "eht", "--bplus", "107", "--eht", "21.4", *more)
    assert (refused.code, refused.out) == (3, "")
    assert said in refused.err


def test_faults_name_the_options_all_at_once(run: Run) -> None:
    wrong = run("supply", "ripple", "--secondary", "x", "--hz", "50", "--reservoir", "-1", "--load", "1")
    assert (wrong.code, wrong.out) == (2, "")
    assert "--secondary: " in wrong.err
    assert "--reservoir: " in wrong.err
    gone = run("supply", "ripple", *RAW[:-2], "--load", "500")
    assert gone.code == 2
    assert "can't carry this load" in gone.err


def test_a_profile_fills_what_is_not_given(run: Run, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (place / "own.toml").write_text(OWN, encoding="utf-8")
    monkeypatch.setenv("TUBEWRIGHT_OWN", str(place / "own.toml"))
    shown = run("supply", "ripple", "--chassis", "larkspur_19")
    assert shown.code == 0, shown.err
    assert "From the chassis profile: --rectifier bridge, --secondary 115 V" in " ".join(shown.out.split())
    body = json.loads(run("supply", "ripple", "--chassis", "larkspur_19", "--reservoir", "100uF", "--json").out)
    assert "reservoir" not in body["from_chassis"]
    missing = run("supply", "eht", "--chassis", "larkspur_19", "--new-bplus", "120")
    assert missing.code == 2
    assert "--bplus" in missing.err
    unknown = run("supply", "ripple", "--chassis", "larkspur")
    assert unknown.code == 2
    assert "larkspur_19" in unknown.err
