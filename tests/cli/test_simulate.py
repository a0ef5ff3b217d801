"""Photographs of invented displays from the command line: whole files, the same by the same seed, or a clear word."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cli_runs import Ended, Run
from tubewright.simulate import photograph
from tubewright.simulate.photo_truth import truth_of
from tubewright.simulate.photograph import Photograph, Scene
from tubewright.simulate.teaching import LESSONS

SMALL = ("--megapixels", "0.3")


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_the_scenes_to_learn_on_are_listed(run: Run) -> None:
    shown = run("simulate", "--list")
    assert shown.code == 0
    for lesson in LESSONS.values():
        assert f"{lesson.name}\n" in shown.out
        assert lesson.shows in shown.out


def test_each_photograph_stands_beside_its_truth(run: Run, place: Path) -> None:
    ended = run("simulate", "--out", "shots", "--scene", "curl", "--count", "2", *SMALL)
    assert (ended.code, ended.out) == (0, "")
    assert "2 photographs are in shots" in ended.err
    assert names(place / "shots") == ["curl-0001.jpg", "curl-0001.json", "curl-0002.jpg", "curl-0002.json"]
    truth = json.loads((place / "shots" / "curl-0001.json").read_text(encoding="utf-8"))
    assert truth["curl"]["amplitude_mm"] == pytest.approx(3.2)
    assert truth["raster"] == "arcade-15k-320x240"
    mark = truth["marks"][0]
    assert set(mark) >= {"column", "row", "gun", "photo_px", "place_mm", "red_minus_green_mm"}
    with Image.open(place / "shots" / "curl-0001.jpg") as picture:
        assert picture.size == (632, 474)


def test_the_same_seed_gives_the_same_files_and_asks_for_what_was_named(run: Run, place: Path) -> None:
    asked = ("--pattern", "crosshatch", "--raster", "arcade-15k-256x224", *SMALL)
    for folder, seed in (("one", "5"), ("two", "5"), ("three", "6")):
        assert run("simulate", "--out", folder, "--seed", seed, *asked).code == 0
    one, two, three = ((place / folder / "shot-0001.jpg").read_bytes() for folder in ("one", "two", "three"))
    assert one == two != three
    truth = json.loads((place / "one" / "shot-0001.json").read_text(encoding="utf-8"))
    assert (truth["pattern"], truth["raster"]) == ("crosshatch", "arcade-15k-256x224")


@pytest.mark.parametrize(
    ("typed", "word"),
    [
        ((), "--out is missing"),
        (("--out", "shots", "--scene", "unheard-of"), "no scene 'unheard-of'"),
        (("--out", "shots", "--pattern", "unheard-of"), "no pattern 'unheard-of'"),
        (("--out", "shots", "--raster", "unheard-of"), "no raster is called 'unheard-of'"),
        (("--out", "pier.toml"), "no folder can be made here"),
    ],
)
def test_what_cannot_be_done_is_said_before_anything_is_written(
    run: Run, place: Path, typed: tuple[str, ...], word: str
) -> None:
    ended = run("simulate", *typed)
    assert ended.code == 2
    assert word in ended.err
    assert not list(place.glob("shots/*"))


def test_no_file_is_written_over(run: Run, place: Path) -> None:
    (place / "shots").mkdir()
    (place / "shots" / "shot-0002.json").write_text("mine", encoding="utf-8")
    ended = run("simulate", "--out", "shots", "--count", "3", *SMALL)
    assert ended.code == 2
    assert "already there" in ended.err
    assert names(place / "shots") == ["shot-0002.json"]


def stand_in(scene: Scene) -> Photograph:
    """A photograph that takes no time: a grey picture with the scene's own truth."""
    file = io.BytesIO()
    Image.fromarray(np.full((4, 4, 3), 90, np.uint8)).save(file, "JPEG")
    return Photograph(jpeg=file.getvalue(), truth=truth_of(scene))


def interrupted_at(run: Run, monkeypatch: pytest.MonkeyPatch, *, while_writing: str) -> Ended:
    """Stop at the second photograph: as its file of that ending is being written."""
    whole = Path.write_bytes

    def stops(path: Path, content: bytes) -> int:
        if "0002" in path.name and path.name.endswith(f"{while_writing}.part"):
            whole(path, content[: len(content) // 2])
            raise KeyboardInterrupt
        return whole(path, content)

    monkeypatch.setattr(photograph, "take", stand_in)
    monkeypatch.setattr(Path, "write_bytes", stops)
    return run("simulate", "--out", "shots", "--count", "3", *SMALL)


@pytest.mark.parametrize("ending", [".json", ".jpg"])
def test_stopping_it_leaves_whole_photographs_only(
    run: Run, place: Path, monkeypatch: pytest.MonkeyPatch, ending: str
) -> None:
    ended = interrupted_at(run, monkeypatch, while_writing=ending)
    assert ended.code == 1
    assert "1 of 3 photographs are in shots, whole" in ended.err
    assert names(place / "shots") == ["shot-0001.jpg", "shot-0001.json"]
