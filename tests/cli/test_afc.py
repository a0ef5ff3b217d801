"""``tubewright afc``: predicted, changed, found best, and back from a curl; cautions first, faults in plain words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli_runs import Run
from measured import measurement
from tubewright.answers.measurement_json import to_json
from tubewright.knowledge.load import load_knowledge

PARTS = (
    *("--detector", "2", "--series", "10k", "--damping", "1k", "--capacitor", "1 µF", "--oscillator", "300"),
    *("--free-run", "90", "--timing", "262p"),
)
BENT = (*PARTS, "--source", "no-serrations")
PROFILE = """
[[chassis]]
id = "larkspur-19"
name = "Larkspur L19"
scan_khz = 15.7
field_hz = 60
mains_hz = 60
picture_width_mm = 365
picture_height_mm = 272
source = "a good one"
[chassis.afc]
detector_v_per_rad = 2.0
series_ohm = 10000
damping_ohm = 1000
capacitor_uf = 0.47
oscillator_hz_per_v = 300
free_run_error_hz = 60
"""


def squeezed(text: str) -> str:
    return " ".join(text.split())


def test_cautions_come_before_the_answer(run: Run) -> None:
    ended = run("afc", *BENT)
    assert ended.code == 0, ended.err
    text = squeezed(ended.out.replace(" ! ", " "))
    for name in ("anode_charge", "tuning_capacitor", "gate_power_off"):
        assert text.index(squeezed(load_knowledge().cautions[name].text)) < text.index("> The first visible line")
    assert text.index("Confirm first") < text.index("Feed line and field sync separately")


def test_json_carries_cautions_and_every_line(run: Run) -> None:
    body = json.loads(run("afc", *BENT, "--json").out)
    assert body["cautions"][0].startswith("Local codes")
    assert body["confirm"]
    assert len(body["before"]["displacement_mm"]) == 240
    assert body["setup"]["source"]["lines_without_edge"] == 3
    assert body["before"]["displacement_mm"][0] == pytest.approx(body["before"]["amplitude_mm"], abs=1e-3)


def test_what_if_and_its_drawing(run: Run, place: Path) -> None:
    ended = run("afc", *BENT, "--change", "capacitor=0.47uF", "--change", "damping=3k3", "--draw", "curl.svg")
    assert "With loop capacitor 0.47 uF, damping resistor 3.3 kohm" in squeezed(ended.out)
    assert (place / "curl.svg").read_text(encoding="utf-8").startswith("<svg")


def test_the_best_change_waits_for_sync(run: Run) -> None:
    bent = (*BENT, "--free-run", "250", "--vertical-lines", "6", "--best", "--json")
    held = json.loads(run("afc", *bent).out)
    assert held["after"] is None
    assert held["advice"][0]["id"] == "feed_sync"
    tried = json.loads(run("afc", *bent, "--sync-tried", "--stock", "damping=1k5 2k2").out)
    assert tried["change"] == "damping resistor 1.5 kohm"
    limited = json.loads(run("afc", *bent, "--sync-tried", "--most-jitter", "0.2", "--least-hold", "90 %").out)
    assert limited["change"] is None


def test_three_readings_lead_back_to_the_loop(run: Run) -> None:
    ruler = ("--reading", "0=4", "--reading", "12=2.4", "--reading", "40=-0.4", "--timing", "262p")
    ended = run("afc", *ruler, "--picture-mm", "365", "272")
    assert ended.code == 0, ended.err
    assert "natural frequency of" in squeezed(ended.out)
    body = json.loads(run("afc", *PARTS, *ruler, "--gap", "3", "--picture-mm", "365", "272", "--json").out)
    assert body["loop"]["gap_lines"]["median"] == 3
    assert body["suspects"]
    heights = ("--reading", "0mm=4", "--reading", "14mm=2.4", "--reading", "45mm=-0.4")
    assert run("afc", *heights, "--picture-mm", "365", "272", "--reading-sd", "0.3 mm").code == 0


def test_a_measurements_file_leads_back_to_the_loop(run: Run, place: Path) -> None:
    (place / "curl.json").write_text(json.dumps(to_json(measurement())), encoding="utf-8")
    ended = run("afc", "--measurement", "curl.json", "--picture-mm", "365", "272", "--draw", "seen.svg")
    assert ended.code == 0, ended.err
    assert "natural frequency of" in squeezed(ended.out)
    assert (place / "seen.svg").exists()


def test_a_profile_gives_the_parts(run: Run, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (place / "mine.toml").write_text(PROFILE, encoding="utf-8")
    monkeypatch.setenv("TUBEWRIGHT_OWN", str(place / "mine.toml"))
    body = json.loads(run("afc", "--chassis", "larkspur-19", "--source", "no-serrations", "--json").out)
    assert body["before"]["parts"]["capacitor_uf"] == 0.47
    assert body["setup"]["picture_width_mm"] == 365
    typed = json.loads(run("afc", "--chassis", "larkspur-19", "--capacitor", "1uF", "--json").out)
    assert typed["before"]["parts"]["capacitor_uf"] == 1.0
    near = run("afc", "--chassis", "larkspur-20")
    assert (near.code, near.out) == (2, "")
    assert "larkspur-19" in near.err


def test_a_netlist_is_written(run: Run, place: Path) -> None:
    assert run("afc", *BENT, "--spice", "loop.cir").code == 0
    assert "Rsource out node 10000" in (place / "loop.cir").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "--capacitor: the loop capacitor is not given"),
        ((*PARTS, "--series", "0"), "--series: the series resistor is zero"),
        ((*PARTS, "--capacitor", "0.47"), "--capacitor"),
        ((*PARTS, "--free-run", "5000"), "--free-run: the oscillator runs 5000 Hz off"),
        ((*PARTS, "--free-run=-5000"), "never locks"),
        ((*PARTS, "--timing", "526"), "526"),
        ((*PARTS, "--vertical-lines", "80"), "--vertical-lines"),
        ((*PARTS, "--line-pulse", "40us"), "--line-pulse"),
        ((*PARTS, "--change", "tuning=6.8nF"), "--change"),
        ((*PARTS, "--change", "capacitor=1uF"), "--change: no part is given another value"),
        ((*PARTS, "--change", "capacitor=2uF", "--best"), "different questions"),
        ((*PARTS, "--best", "--stock", "series=1k"), "--stock"),
        (("--reading", "0=4", "--reading", "9=2"), "--reading: 2 readings are too few"),
        (("--reading", "0=4", "--reading", "9=2", "--reading", "30mm=1"), "height"),
        (("--reading", "0=4", "--reading", "9=2", "--reading", "30=1", "--gap", "99"), "--gap"),
        (("--measurement", "nowhere.json"), "nowhere.json"),
        ((*PARTS, "--draw", "no/such/folder.svg"), "folder.svg"),
        ((*PARTS, "--picture-mm", "0", "0"), "--picture-mm"),
    ],
)
def test_a_fault_is_told_in_plain_words(run: Run, args: tuple[str, ...], says: str) -> None:
    ended = run("afc", *args)
    assert (ended.code, ended.out) == (2, ""), ended.out
    assert says in ended.err
    assert "Traceback" not in ended.err


def test_a_damaged_measurement_is_told(run: Run, place: Path) -> None:
    (place / "bad.json").write_text("{}", encoding="utf-8")
    assert run("afc", "--measurement", "bad.json").code == 2


def test_every_kind_of_source_is_taken(run: Run) -> None:
    for kind in ("standard", "no-equalising", "line-serrations", "no-serrations", "exclusive-or"):
        assert run("afc", *PARTS, "--source", kind, "--json").code == 0, kind
