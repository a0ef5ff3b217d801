"""``grey`` as a person calls it: cautions first, readings and photographs, rounds, faults and exit codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import pytest

from cli_runs import Run
from measured import light, measurement
from tubewright.answers.measurement_json import to_json
from tubewright.records.store import open_store

EXAMPLE: Final = Path(__file__).parents[2] / "docs" / "examples" / "lantern-3-grey.csv"


@pytest.fixture
def readings(place: Path) -> str:
    (place / "grey.csv").write_bytes(EXAMPLE.read_bytes())
    return "grey.csv"


def test_cautions_come_before_the_answer(run: Run, readings: str) -> None:
    done = run("grey", readings)
    assert done.code == 0
    assert done.out.index("lethal" if "lethal" in done.out else "kill") < done.out.index("To be set")
    assert done.out.index("licence") < done.out.index("Drive green")
    assert "Steps of grey beside D65" in done.out
    assert "CIEDE2000" in done.out


def test_the_body_says_the_same(run: Run, readings: str) -> None:
    done = run("grey", readings, "--white", "9300k", "--for", "delta", "--json")
    assert done.code == 0
    body = json.loads(done.out)
    assert list(body)[:2] == ["cautions", "confirm"]
    assert body["target"]["white"] == "9300K"
    assert body["target"]["kind"] == "delta"
    assert body["state"] in {"turn", "done", "settled"}
    assert len(body["steps"]) == 11


@pytest.mark.parametrize("white", ["0.2838,0.2981", "0.2838, 0.2981", "0,2838;0,2981", "0,2838 0,2981"])
def test_a_white_of_the_shops_own(run: Run, readings: str, white: str) -> None:
    body = json.loads(run("grey", readings, "--white", white, "--json").out)
    assert body["target"]["xy"] == [0.2838, 0.2981]


def test_a_drawing_is_written(run: Run, readings: str, place: Path) -> None:
    assert run("grey", readings, "--draw", "grey.svg").code == 0
    drawing = (place / "grey.svg").read_text(encoding="utf-8")
    assert drawing.startswith("<svg")
    assert "CIEDE2000" in drawing
    assert run("grey", readings, "--draw", "grey.png").code == 2


def test_a_second_round_learns_what_a_turn_did(run: Run, readings: str, place: Path) -> None:
    first = run("grey", readings, "--json")
    (place / "first.json").write_text(first.out, encoding="utf-8")
    dimmer = []
    for line in EXAMPLE.read_text(encoding="utf-8").splitlines():
        cells = line.split(";")
        if len(cells) > 4 and cells[4].strip() == "white" and float(cells[0]) > 0:
            # Less green by a tenth, by hand: x up, y down, less light.
            x, y, luminance = (float(cell.replace(",", ".")) for cell in cells[1:4])
            room = 0.129
            green = 0.1 * 0.72 * (luminance - room)
            xyz = [x / y * luminance, luminance, (1 - x - y) / y * luminance]
            less = [green * 0.29 / 0.6, green, green * 0.11 / 0.6]
            left = [a - b for a, b in zip(xyz, less, strict=True)]
            cells[1:4] = [f"{left[0] / sum(left):.4f}", f"{left[1] / sum(left):.4f}", f"{left[1]:.3f}"]
        if "green" not in line:
            dimmer.append(";".join(cells))
    (place / "second.csv").write_text("\n".join(dimmer).replace(",", "."), encoding="utf-8")
    done = run("grey", "second.csv", "--before", "first.json", "--turned", "drive-green=-1/8", "--json")
    assert done.code == 0, done.err
    body = json.loads(done.out)
    assert body["error_before"]["white_du_v"] == pytest.approx(json.loads(first.out)["error"]["white_du_v"], rel=1e-3)
    assert body["gains"]["drive_green"]["per_turn"] > 0
    text = run("grey", "second.csv", "--before", readings, "--turned", "drive_green=-0.125").out
    assert "Before: worst" in text


def test_a_case_brings_its_white_and_its_guns(run: Run, readings: str, place: Path) -> None:
    (place / "case.toml").write_text('format = 1\n[tube]\ngun = "delta"\n[use]\nwhite_point = "9300K"\n', "utf-8")
    body = json.loads(run("grey", readings, "--case", "case.toml", "--json").out)
    assert body["target"]["white"] == "9300K"
    assert body["target"]["kind"] == "delta"


def test_a_photographs_tracking_is_told_as_relative(run: Run, place: Path) -> None:
    (place / "light.json").write_text(json.dumps(to_json(measurement(**light()))), encoding="utf-8")
    done = run("grey", "light.json")
    assert done.code == 0, done.err
    flat = " ".join(done.out.split())
    assert "compares the guns with each other only" in flat
    assert "The green gun flattens" in flat
    assert "cd/m2" not in flat
    assert run("grey", "light.json", "--swing", "60").code == 2
    (place / "plain.json").write_text(json.dumps(to_json(measurement())), encoding="utf-8")
    without = run("grey", "plain.json")
    assert without.code == 2
    assert "no tracking" in without.err


def test_volts_and_a_wished_peak(run: Run, readings: str) -> None:
    body = json.loads(run("grey", readings, "--swing", "60 V", "--peak", "50", "--json").out)
    assert any(one["cathode_v"] for one in body["moves"])
    assert body["limited_by"] is None


def test_too_few_readings_are_told_as_unknown(run: Run, place: Path) -> None:
    (place / "few.csv").write_text("20,0.31,0.33,2\n60,0.31,0.33,30\n100,0.31,0.33,95\n", encoding="utf-8")
    done = run("grey", "few.csv")
    assert done.code == 0
    assert "Not known:" in done.out
    assert "only 3 usable steps" in " ".join(done.out.split())


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("none.csv",), "can't be read"),
        (("grey.csv", "--white", "D50"), "--white"),
        (("grey.csv", "--white", "0.9,0.9"), "--white"),
        (("grey.csv", "--turned", "drive_green=1/8"), "--before"),
        (("grey.csv", "--before", "grey.csv", "--turned", "drive_gren=1/8"), "drive_green"),
        (("grey.csv", "--before", "grey.csv", "--turned", "drive_green=x"), "no number of turns"),
        (("grey.csv", "--before", "grey.csv", "--turned", "drive_green=1/0"), "no number of turns"),
        (("grey.csv", "--before", "grey.csv", "--turned", "drive_green=99"), "ten turns"),
        (("grey.csv", "--before", "other.json"), "--before"),
        (("other.json",), "no measurement"),
        (("broken.json",), "no JSON"),
        (("grey.csv", "--peak", "0"), "--peak"),
        (("grey.csv", "--swing", "nan"), "--swing"),
        (("bad.csv",), "bad.csv line 2 column 4 (Y)"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(
    run: Run, readings: str, place: Path, args: tuple[str, ...], said: str
) -> None:
    (place / "other.json").write_text('{"format": "something"}', encoding="utf-8")
    (place / "broken.json").write_text("{", encoding="utf-8")
    (place / "bad.csv").write_text("level,x,y,Y\n20,0.31,0.33,much\n", encoding="utf-8")
    done = run("grey", *args)
    assert done.code == 2
    assert said in done.err
    assert "Traceback" not in done.err


@pytest.fixture
def a_job(place: Path) -> str:
    with open_store(place / "shop.sqlite3") as store:
        return f"job:{store.open_job(store.add_display({'label': 'Lantern row 3'}).id).id}"


def test_a_job_keeps_its_rounds_and_answers_by_them(run: Run, readings: str, place: Path, a_job: str) -> None:
    shop = ("--shop", "shop.sqlite3")
    first = run("grey", readings, "--white", "9300K", "--keep", a_job, *shop, "--json")
    assert first.code == 0, first.err
    again = run("grey", a_job, *shop, "--json")
    assert json.loads(again.out) == json.loads(first.out)
    alone = run("grey", readings, "--white", "9300K", "--json")
    assert json.loads(alone.out)["moves"] == json.loads(first.out)["moves"], "a file says the same as a job"
    second = run("grey", readings, "--white", "9300K", "--keep", a_job, "--turned", "drive_red=-1/8", *shop)
    assert second.code == 0, second.err
    with open_store(place / "shop.sqlite3") as store:
        rounds = store.job(int(a_job.removeprefix("job:"))).grey_rounds
    assert [json.loads(one.turned_json) for one in rounds] == [{}, {"drive_red": -0.125}]


def test_a_job_without_a_reading_says_how_to_begin(run: Run, place: Path, a_job: str) -> None:
    done = run("grey", a_job, "--shop", "shop.sqlite3")
    assert done.code == 2
    assert f"--keep {a_job}" in done.err


@pytest.mark.parametrize(
    "more", [("--white", "D65"), ("--turned", "drive_red=1/8"), ("--peak", "100"), ("--keep", "job:1")]
)
def test_what_goes_with_readings_is_refused_with_a_job(
    run: Run, place: Path, a_job: str, more: tuple[str, str]
) -> None:
    done = run("grey", a_job, *more, "--shop", "shop.sqlite3")
    assert done.code == 2
    assert more[0] in done.err
