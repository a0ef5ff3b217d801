"""Rasters on the command line: listed, shown, reckoned, fitted; cautions first; a file is written once and whole."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from cli_runs import Run
from programs import need, output_of
from tubewright.knowledge.load import load_knowledge

CAUTION = load_knowledge().cautions["line_rate"]


def test_every_raster_is_listed_with_its_source(run: Run) -> None:
    listed = json.loads(run("raster", "list", "--json").out)
    assert {one["name"] for one in listed} == set(load_knowledge().rasters)
    assert all(one["kind"] and one["source"] for one in listed)
    shown = run("raster", "list").out
    for one in listed:
        assert one["name"] in shown
    assert "31k" not in run("raster", "list", "--search", "15k").out
    assert "Nothing fits" in run("raster", "list", "--search", "xyzzy").out


@pytest.mark.parametrize(
    "args",
    [
        ["show", "525-60i"],
        ["formula", "cvt", "640", "480", "60"],
        ["fit", "320", "240", "60", "--like", "15k"],
    ],
    ids=lambda args: args[0],
)
def test_the_caution_comes_first(run: Run, args: list[str]) -> None:
    squeezed = " ".join(run("raster", *args).out.replace("  ! ", " ").replace("[ ]", "").split())
    assert squeezed.index(CAUTION.text) < squeezed.index(CAUTION.confirm) < squeezed.index("> ")
    assert squeezed.index("> ") < squeezed.index("line rate", squeezed.index("> "))
    body = json.loads(run("raster", *args, "--json").out)
    assert list(body)[:2] == ["cautions", "confirm"]
    assert body["cautions"] == [CAUTION.text]
    line = run("raster", *args, "--modeline")
    assert CAUTION.text in line.err
    assert line.out.startswith('Modeline "')
    assert line.out.count("\n") == 1


def test_a_raster_is_shown_in_time(run: Run) -> None:
    body = json.loads(run("raster", "show", "dmt-640x480-60", "--json").out)
    assert body["line"]["sync"] == {"px": 96, "us": pytest.approx(3.8133, abs=1e-4)}  # VESA DMT 0x04
    assert body["field"]["sync"] == {"lines": 2, "us": pytest.approx(63.56, abs=0.01)}
    assert body["line_hz"] == pytest.approx(31_469, abs=0.5)
    assert body["h_sync"] == body["v_sync"] == "negative"
    shown = run("raster", "show", "dmt-640x480-60").out
    for words in ("3.813", "63.555", "25.175", "656 752 800"):
        assert words in shown


def test_mounting_turns_the_size_only(run: Run) -> None:
    upright, lying = (
        json.loads(run("raster", "show", "arcade-15k-320x240", "--mount", mount, "--json").out)
        for mount in ("vertical", "horizontal")
    )
    assert upright["seen"] == {"width": 240, "height": 320}
    assert lying["seen"] == {"width": 320, "height": 240}
    assert upright["modeline"] == lying["modeline"]


def test_a_wish_for_an_upright_picture_is_turned_before_it_is_fitted(run: Run) -> None:
    body = json.loads(run("raster", "fit", "240", "320", "60", "--like", "15k", "--mount", "vertical", "--json").out)
    assert (body["width_px"], body["height_px"]) == (320, 240)
    assert body["seen"] == {"width": 240, "height": 320}
    assert body["fit"]["lacks"] == []


def test_dots_are_repeated(run: Run) -> None:
    body = json.loads(run("raster", "show", "arcade-15k-320x240", "--repeat", "4", "--json").out)
    assert body["width_px"] == 1280
    assert body["line_hz"] == pytest.approx(15_719, abs=1)


def test_what_cannot_be_met_is_said_and_what_was_assumed(run: Run) -> None:
    args = ["fit", "384", "288", "60", "--line-khz", "15.4", "16", "--retrace-us", "10.7", "--field-retrace-ms", "1.1"]
    ended = run("raster", *args, "--json")
    assert ended.code == 0
    body = json.loads(ended.out)
    assert [lack["what"] for lack in body["fit"]["lacks"]] == ["rate"]
    assert any("Assumed of the chassis, as common in class 15k" in remark for remark in body["remarks"])
    assert not any("line retrace" in remark for remark in body["remarks"])
    assert any("lines" in other["lacks"] for other in body["fit"]["others"])
    kept = json.loads(run("raster", *args, "--keep", "rate", "--json").out)
    assert kept["field_hz"] == pytest.approx(60, rel=1e-3)
    assert kept["height_px"] < 288


def test_every_limit_is_taken_from_the_command(run: Run) -> None:
    ended = run(
        *("raster", "fit", "300", "200", "55", "--line-khz", "14kHz", "14.5kHz", "--usual-khz", "14.2"),
        *("--retrace-us", "14", "--front-us", "2", "--sync-us", "5", "--back-us", "6", "--field-hz", "54", "56"),
        *("--field-retrace-ms", "2", "--field-sync-lines", "4", "--clock-mhz", "7", "--no-interlace", "--json"),
    )
    assert ended.code == 0, ended.err
    body = json.loads(ended.out)
    assert 14_000 <= body["line_hz"] <= 14_500
    line, field = body["line"], body["field"]
    assert line["blanking"]["us"] >= 14 - 1e-6
    assert line["front_porch"]["us"] >= 2 - 1e-6
    assert line["sync"]["us"] >= 5 - 1e-6
    assert line["back_porch"]["us"] >= 6 - 1e-6
    assert field["blanking"]["us"] >= 2000 - 1e-3
    assert field["sync"]["lines"] == 4
    assert not any("Assumed" in remark for remark in body["remarks"])


def test_edid_is_written_whole_and_never_over_anything(run: Run, place: Path) -> None:
    ended = run("raster", "show", "525-60i", "--edid", "pier.bin", "--label", "Pier 7", "--picture-mm", "380", "285")
    assert ended.code == 0, ended.err
    block = (place / "pier.bin").read_bytes()
    assert len(block) == 128
    assert sum(block) % 256 == 0
    assert b"Pier 7\n" in block
    assert "whole kHz" in ended.out
    again = run("raster", "show", "625-50i", "--edid", "pier.bin")
    assert again.code == 2
    assert "there already" in again.err
    assert (place / "pier.bin").read_bytes() == block
    assert run("raster", "show", "525-60i", "--edid", "none/pier.bin").code == 2


def test_edid_of_a_fit_stays_within_the_limits(run: Run, place: Path) -> None:
    """Rounded to EDID's steps, a raster at the edge of the range would leave it."""
    args = ["raster", "fit", "384", "288", "60", "--like", "15k", "--edid", "fit.bin", "--json"]
    body = json.loads(run(*args).out)
    assert not any("steps of 10 kHz" in remark for remark in body["edid"]["remarks"])
    text = output_of(need("edid-decode"), "--check", given=(place / "fit.bin").read_bytes())
    assert "EDID conformity: PASS" in text
    found = re.search(r"DTD 1: .* ([\d.]+) kHz", text)
    assert found is not None
    assert 15.4 <= float(found[1]) <= 16.0


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["show", "arcade-15k-320"], 2, "Nearest are arcade-15k-320x224"),
        (["show", "525-60i", "--repeat", "99"], 2, "--repeat"),
        (["show", "525-60i", "--repeat", "1.5"], 2, "whole number"),
        (["show", "525-60i", "--edid", "x.bin", "--picture-mm", "4", "3"], 2, "--picture-mm"),
        (["formula", "gtf", "320", "240", "60"], 3, "front porch of -16 dots"),
        (["formula", "cvt", "640", "480", "6"], 2, "RATE"),
        (["formula", "cvt", "wide", "480", "60"], 2, "W:"),
        (["formula", "cvt", "640", "480", "60", "--interlaced"], 2, "--rule"),
        (["fit", "320", "240", "60"], 2, "--line-khz"),
        (["fit", "320", "240", "60", "--line-khz", "16", "15"], 2, "--line-khz"),
        (["fit", "320", "240", "60", "--line-khz", "0", "0"], 2, "--line-khz"),
        (["fit", "320", "240", "60", "--line-khz", "15", "16", "--retrace-us", "11 V"], 2, "--retrace-us"),
        (["fit", "320", "240", "60", "--like", "15k", "--field-retrace-ms", "900"], 2, "--field-retrace-ms"),
        (
            ["fit", "320", "240", "60", "--line-khz", "15.7002", "15.7004", "--field-hz", "60", "60"],
            3,
            "no whole number of lines",
        ),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_what_is_wrong_is_said_where_it_was_typed(run: Run, args: list[str], code: int, words: str) -> None:
    ended = run("raster", *args)
    assert ended.code == code
    assert words in ended.err
    assert ended.out == ""


def test_the_formula_is_the_programs(run: Run) -> None:
    printed = output_of(need("cvt"), "800", "600", "60").splitlines()[1].split('"')[2].split()
    ours = run("raster", "formula", "cvt", "800", "600", "60", "--modeline").out.split('"')[2].split()
    assert float(printed[0]) == float(ours[0])
    assert printed[1:] == ours[1:]


def test_reduced_blanking_warns(run: Run) -> None:
    assert "flat panels" in run("raster", "formula", "cvt", "640", "480", "60", "--blanking", "reduced").out
