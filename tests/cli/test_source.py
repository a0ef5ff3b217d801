"""The command source says whether a source fits, cautions first, and a mistake is told with its option."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import pytest

from cli_runs import Run
from tubewright.knowledge.load import load_knowledge

ARCADE: Final = ("--levels", "vsis", "--raster", "arcade-15k-320x240", "--input", "game-board", "--display-khz", "15.7")
PROFILE: Final = """
[[chassis]]
id = "larkspur-19"
name = "Larkspur L19"
scan_khz = 15.7
field_hz = 60
source = "a good one"
[chassis.sync_input]
kind = "composite"
polarity = "negative"
level_low_v = 0.8
level_high_v = 2.0
termination_ohm = 4700
video_v_pp = 3.0
video_termination_ohm = 1000
"""


def test_a_fit_is_shown_cautions_first(run: Run) -> None:
    ended = run("source", "fit", *ARCADE)
    assert ended.code == 0, ended.err
    text = " ".join(ended.out.split())
    caution = load_knowledge().cautions["line_rate"]
    assert text.index(" ".join(caution.text.split())[:40]) < text.index("Confirm first") < text.index("> It fits with")
    assert "XNOR" in text
    assert "Needed: sync combiner" in text


def test_a_source_of_twice_the_line_rate_is_stopped(run: Run) -> None:
    args = ["--levels", "vsis", "--raster", "dmt-640x480-60", "--input", "game-board", "--display-khz", "15.7"]
    body = json.loads(run("source", "fit", *args, "--json").out)
    assert body["says"] == "stop"
    assert list(body)[:2] == ["cautions", "confirm"]
    assert body["checks"][0]["subject"] == "line_rate"
    assert "Switch off now" in body["checks"][0]["words"]


def test_a_chassis_profile_and_single_figures_fill_the_sides(
    run: Run, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (place / "own.toml").write_text(PROFILE, encoding="utf-8")
    monkeypatch.setenv("TUBEWRIGHT_OWN", str(place / "own.toml"))
    args = ("--sync", "composite", "--polarity", "positive", "--sync-v", "4", "--sync-behind", "100", "--serrations")
    more = ("--line-khz", "15.7", "--field-hz", "60", "--video-v", "3", "--video-behind", "150", "--video-at", "1k")
    body = json.loads(run("source", "fit", *args, *more, "--chassis", "larkspur-19", "--json").out)
    says = {check["subject"]: (check["says"], check["add"]) for check in body["checks"]}
    assert says["polarity"] == ("add", "inverter")
    assert says["serrations"] == ("fits", None)
    assert says["video_level"] == ("fits", None)
    assert body["display"]["high_v"] == 2.0


def test_an_attenuator_in_preferred_values(run: Run) -> None:
    body = json.loads(run("source", "pad", "--level", "1.4", "--target", "0.7", "--json").out)
    # Halving on a 75 ohm line: 37.5 in series and 75 across; E24 has 36 or 39, and 75.
    assert body["exact_series_ohm"] == 37.5
    assert body["exact_shunt_ohm"] == 75
    assert body["series_ohm"] in {36, 39}
    assert body["low_v_pp"] < 0.7 < body["high_v_pp"]
    assert "series E24" in run("source", "pad", "--level", "1.4", "--target", "0.7").out


def test_every_level_is_listed_with_its_source(run: Run) -> None:
    held = load_knowledge().level_standards
    assert {one["id"] for one in json.loads(run("source", "levels", "--json").out)} == set(held)
    shown = run("source", "levels").out
    assert all(name in shown for name in held)


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("fit", "--levels", "vsisi"), "--levels: no levels are called “vsisi”. Nearest are vsis"),
        (("fit", "--raster", "arcade-15k-320x241"), "Nearest are arcade-15k"),
        (("fit", "--chassis", "none"), "--chassis"),
        (("fit", "--line-khz", "0"), "--line-khz: this must be more than zero"),
        (("fit", "--video-v", "lots"), "--video-v"),
        (("pad", "--level", "0.7", "--target", "1"), "--target: the source gives 0.7 V there"),
        (("pad", "--level", "0", "--target", "1"), "--level: this must be more than zero"),
    ],
)
def test_mistakes_name_their_option(run: Run, args: tuple[str, ...], words: str) -> None:
    ended = run("source", *args)
    assert ended.code == 2
    assert words in ended.err
