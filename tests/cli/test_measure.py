"""``measure`` reads photographs, prints or draws the answer, and ends with the promised codes."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from jsonschema_rs import Draft202012Validator
from PIL import Image

from cli_runs import Run
from measure_steps import MadeUpSteps
from tubewright.cli.measure import write_whole
from tubewright.errors import InputError
from tubewright.files.measure_schema import measure_schema

Shoot = Callable[[str], str]


@pytest.fixture
def shoot(place: Path, monkeypatch: pytest.MonkeyPatch) -> Shoot:
    """Put a photograph there; what is on it, its name says (see measure_steps)."""
    monkeypatch.setattr("tubewright.answers.measure.PictureSteps", MadeUpSteps)
    noise = np.random.default_rng(3).integers(0, 60, (700, 900, 3), dtype=np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(noise).save(buffer, "JPEG", quality=60)

    def put(name: str) -> str:
        (place / name).write_bytes(buffer.getvalue())
        return name

    return put


def test_a_photograph_is_answered_for_eyes(run: Run, shoot: Shoot) -> None:
    ended = run("measure", shoot("survey.jpg"))
    assert (ended.code, ended.err) == (0, "")
    assert ended.out.startswith("WHAT WAS FOUND\nConverged within 0.20 mm in the middle")
    assert max(len(line) for line in ended.out.splitlines()) <= 80
    assert "\x1b" not in ended.out


def test_the_json_answer_keeps_the_published_schema(run: Run, shoot: Shoot) -> None:
    ended = run("measure", shoot("survey.jpg"), shoot("light.jpg"), "--json", "--points")
    assert ended.code == 0
    body = json.loads(ended.out)
    assert [error.message for error in Draft202012Validator(measure_schema()).iter_errors(body)] == []
    assert body["accepted"] is True
    assert len(body["points"]) > 300
    assert "points" not in json.loads(run("measure", "survey.jpg", "--json").out)
    assert json.loads(run("schema", "measure").out) == measure_schema()


def test_a_refusal_ends_with_3_and_still_prints_its_json(run: Run, shoot: Shoot) -> None:
    ended = run("measure", shoot("none.jpg"), "--json")
    assert ended.code == 3
    body = json.loads(ended.out)
    assert body["accepted"] is False
    assert "no survey is to be seen" in body["refused_because"]
    assert "Do it better" in body["refused_because"]


def test_a_refusal_in_words_goes_to_standard_error(run: Run, shoot: Shoot) -> None:
    ended = run("measure", shoot("dark.jpg"), "--overlay", "over.svg")
    assert (ended.code, ended.out) == (3, "")
    assert "It is far too dark." in ended.err
    assert "Expose longer." in ended.err
    assert not Path("over.svg").exists()


def test_what_is_no_photograph_is_refused_and_does_not_spoil_the_others(run: Run, shoot: Shoot, place: Path) -> None:
    (place / "song.jpg").write_bytes(b"ID3" + bytes(3000))
    alone = run("measure", "song.jpg", "--json")
    assert alone.code == 3
    assert json.loads(alone.out)["accepted"] is False
    beside = run("measure", shoot("survey.jpg"), "song.jpg", "--json")
    assert beside.code == 0
    photos = json.loads(beside.out)["quality"]["photos"]
    assert [photo["refused_because"] is None for photo in photos] == [True, False]


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["nowhere.jpg"], "nowhere.jpg"),
        (["survey.jpg", "--raster", "arcade-15k-320x24"], "arcade-15k-320x240"),
        (["survey.jpg", "--overlay", "over.pdf"], "End it in .svg or .png"),
        (["survey.jpg", "--overlay", "nowhere/over.svg"], "in a folder that exists"),
        (["survey.jpg", "--picture-mm", "0", "200"], "--picture-mm"),
        (["survey.jpg", "--glass-radius-mm", "-3"], "--glass-radius-mm"),
        (["survey.jpg", "--diagonal-in", "large"], "--diagonal-in"),
        (["survey.jpg", "--pattern", "crosshatch"], "survey_light"),
        (["survey.jpg", "--mount", "tilted"], "vertical"),
        (["survey.jpg", "--tags", "sheet"], "strips"),
        ([], "PHOTO"),
    ],
    ids=" ".join,
)
def test_wrong_input_ends_with_2_and_says_how_to_mend_it(
    run: Run, shoot: Shoot, args: list[str] | str, says: str
) -> None:
    shoot("survey.jpg")
    ended = run("measure", *args)
    assert ended.code == 2
    assert says in " ".join(ended.err.split())
    assert ended.out == ""
    assert "Traceback" not in ended.err


def test_what_was_said_of_the_display_reaches_the_answer(
    run: Run, shoot: Shoot, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[dict[str, Any]] = []

    def spy(photos: object, **options: object) -> object:
        calls.append(options)
        raise InputError(())

    monkeypatch.setattr("tubewright.answers.measure.measure", spy)
    shoot("survey.jpg")
    run(
        *("measure", "survey.jpg", "--picture-mm", "366", "274", "--diagonal-in", "48cm", "--glass-radius-mm", "900"),
        *("--mount", "vertical", "--raster", "arcade-15k-320x240", "--pattern", "survey", "--no-tags"),
    )
    run("measure", "survey.jpg", "--tags", "none")
    run("measure", "survey.jpg", "--tags", "strips")
    asked, without, with_tags = calls
    assert asked["picture_mm"] == (366.0, 274.0)
    assert asked["diagonal_mm"] == pytest.approx(480.0)
    assert asked["glass_radius_mm"] == 900.0
    assert asked["mount"] == "vertical"
    assert asked["pattern"] == "survey"
    assert [raster.name for raster in asked["rasters"]] == ["arcade-15k-320x240"]
    assert [call["with_tags"] for call in calls] == [False, False, True]
    assert without["pattern"] is None
    assert len(with_tags["rasters"]) > 10


@pytest.mark.parametrize("name", ["over.svg", "over.png", "OVER.PNG"])
def test_the_overlay_is_written(run: Run, shoot: Shoot, place: Path, name: str) -> None:
    ended = run("measure", shoot("survey.jpg"), "--overlay", name)
    assert ended.code == 0
    content = (place / name).read_bytes()
    if name.lower().endswith("png"):
        assert Image.open(io.BytesIO(content)).size[0] > 1000
    else:
        assert ET.fromstring(content).tag.endswith("svg")  # noqa: S314 - our own
    assert not list(place.glob(".*"))


@pytest.mark.parametrize("stop", [KeyboardInterrupt, OSError("No space left on device")])
def test_a_file_is_written_whole_or_not_at_all(
    place: Path, monkeypatch: pytest.MonkeyPatch, stop: BaseException | type[BaseException]
) -> None:
    (place / "over.svg").write_text("as it was", encoding="utf-8")

    def fail(*_: object) -> None:
        raise stop

    monkeypatch.setattr("tubewright.cli.measure.Path.replace", fail)
    with pytest.raises((KeyboardInterrupt, InputError)):
        write_whole(place / "over.svg", b"half")
    assert (place / "over.svg").read_text(encoding="utf-8") == "as it was"
    assert [path.name for path in place.iterdir() if path.name.startswith(".")] == []


def test_a_new_file_can_be_read_by_whoever_may_read_any_new_file(place: Path) -> None:
    write_whole(place / "over.svg", b"whole")
    (place / "other").write_bytes(b"")
    assert (place / "over.svg").stat().st_mode == (place / "other").stat().st_mode


def test_calling_it_off_leaves_nothing(run: Run, shoot: Shoot, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("tubewright.report.overlay.draw_overlay", stop)
    shoot("survey.jpg")
    ended = run("measure", "survey.jpg", "--overlay", "over.svg")
    assert ended.code not in {0, 2, 3}
    assert ended.out == ""
    assert not (place / "over.svg").exists()


def test_what_changed_since_an_earlier_measurement_is_told(run: Run, shoot: Shoot, place: Path) -> None:
    earlier = json.loads(run("measure", shoot("survey.jpg"), "--json").out)
    zone = earlier["convergence"]["red_minus_green_mm"]["centre"]
    zone["x"] += 2.0
    (place / "earlier.json").write_text(json.dumps(earlier), encoding="utf-8")
    ended = run("measure", "survey.jpg", "--before", "earlier.json")
    assert ended.code == 0
    assert "red from green, middle, mm" in ended.out
    assert "1 of " in ended.out
    body = json.loads(run("measure", "survey.jpg", "--before", "earlier.json", "--json").out)
    assert [error.message for error in Draft202012Validator(measure_schema()).iter_errors(body)] == []
    changed = [one for one in body["changes"] if one["verdict"] == "smaller"]
    assert [one["figure"] for one in changed] == ["red from green, middle"]


@pytest.mark.parametrize(
    ("text", "words"), [("{", "no measurement"), ("[1]", "no measurement"), (None, "can't be read")]
)
def test_what_is_no_earlier_measurement_is_said_so(
    run: Run, shoot: Shoot, place: Path, text: str | None, words: str
) -> None:
    if text is not None:
        (place / "earlier.json").write_text(text, encoding="utf-8")
    ended = run("measure", shoot("survey.jpg"), "--before", "earlier.json")
    assert ended.code == 2
    assert words in ended.err
