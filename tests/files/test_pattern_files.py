"""A pattern comes back from its file dot by dot, or isn't written at all."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from tubewright.errors import InputError
from tubewright.files import pattern_files
from tubewright.files.pattern_files import apng_bytes, png_bytes, video_plan, write_pattern
from tubewright.picture.patterns.catalogue import CATALOGUE
from tubewright.picture.patterns.raster import Raster

Pixels = NDArray[np.uint8]

RASTER = Raster(
    name="made",
    width_px=320,
    height_px=240,
    pixel_clock_hz=6.4e6,
    h_front_px=8,
    h_sync_px=32,
    h_back_px=40,
    v_front_lines=3,
    v_sync_lines=3,
    v_back_lines=16,
)


def noise(height: int, width: int, count: int, seed: int = 3) -> list[Pixels]:
    """Pictures that no rounding and no halved colour survives unseen."""
    rng = np.random.default_rng(seed)
    return [rng.integers(0, 256, (height, width, 3), dtype=np.uint8) for _ in range(count)]


def read_all(path: Path) -> tuple[list[Pixels], list[float]]:
    """Every picture of a PNG or APNG, and how long each stands, ms."""
    pictures, times = [], []
    with Image.open(path) as held:
        for place in range(getattr(held, "n_frames", 1)):
            held.seek(place)
            pictures.append(np.asarray(held.convert("RGB")))
            times.append(float(held.info.get("duration", 0)))
    return pictures, times


def read_video(path: Path) -> tuple[list[Pixels], float]:
    video = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    pictures = []
    while True:
        read, seen = video.read()
        if not read:
            break
        pictures.append(np.asarray(seen[..., ::-1], dtype=np.uint8))
    rate = float(video.get(cv2.CAP_PROP_FPS))
    video.release()
    return pictures, rate


@settings(max_examples=20)
@given(st.integers(1, 70), st.integers(1, 70), st.integers(0, 10**6))
def test_a_png_gives_every_dot_back(height: int, width: int, seed: int) -> None:
    (pixels,) = noise(height, width, 1, seed)
    read = Image.open(io.BytesIO(png_bytes(pixels)))
    assert read.mode == "RGB"
    assert (np.asarray(read) == pixels).all()
    # No gamma, profile or density that would make a viewer change or scale it.
    assert not read.info


@settings(max_examples=10)
@given(st.integers(1, 5), st.integers(1, 40), st.integers(1, 40), st.integers(0, 10**6))
def test_an_animated_png_gives_every_picture_back(count: int, height: int, width: int, seed: int) -> None:
    frames = noise(height, width, count, seed)
    held = Image.open(io.BytesIO(apng_bytes(frames, 0.5)))
    assert getattr(held, "n_frames", 1) == count
    for place, frame in enumerate(frames):
        held.seek(place)
        assert (np.asarray(held.convert("RGB")) == frame).all()
    if count > 1:
        assert held.info["duration"] == 500
        assert held.info["loop"] == 0, "it goes on for ever"


@pytest.mark.parametrize("name", list(CATALOGUE))
def test_every_pattern_comes_back_from_a_png_file(tmp_path: Path, name: str) -> None:
    frames = CATALOGUE[name].frames(RASTER)
    write_pattern(tmp_path / "p.png", frames, state_s=CATALOGUE[name].state_s, rate_hz=60)
    assert (read_all(tmp_path / "p.png")[0][0] == frames[0]).all()


def test_the_moving_pattern_comes_back_from_a_loop_with_its_times(tmp_path: Path) -> None:
    pattern = CATALOGUE["load"]
    frames = pattern.frames(RASTER)
    said = write_pattern(tmp_path / "p.apng", frames, state_s=pattern.state_s, rate_hz=RASTER.field_hz)
    pictures, times = read_all(tmp_path / "p.apng")
    assert len(pictures) == 2
    assert all((a == b).all() for a, b in zip(pictures, frames, strict=True))
    assert times == [1000, 1000]
    assert "loop" in said


def test_a_video_gives_every_dot_back_at_the_rate_of_the_raster(tmp_path: Path) -> None:
    frames = noise(64, 96, 2)
    write_pattern(tmp_path / "p.mkv", frames, state_s=0.5, rate_hz=59.94)
    pictures, rate = read_video(tmp_path / "p.mkv")
    assert rate == pytest.approx(59.94, rel=1e-3)
    stand, rounds = video_plan(2, state_s=0.5, rate_hz=59.94)
    assert len(pictures) == 2 * stand * rounds == 120
    for place, picture in enumerate(pictures):
        assert (picture == frames[place // stand % 2]).all(), place
    assert [file.name for file in tmp_path.iterdir()] == ["p.mkv"]


@given(st.integers(1, 3), st.floats(0.4, 5), st.floats(20, 120))
def test_a_video_never_changes_sooner_than_it_should(count: int, state_s: float, rate_hz: float) -> None:
    stand, rounds = video_plan(count, state_s=state_s, rate_hz=rate_hz)
    assert stand / rate_hz >= state_s - 1e-6
    assert (stand - 1) / rate_hz < state_s
    assert rounds >= 1


@pytest.mark.parametrize("size", [(241, 320), (240, 321)])
def test_a_video_that_would_lose_a_row_is_refused(tmp_path: Path, size: tuple[int, int]) -> None:
    with pytest.raises(InputError, match="even numbers"):
        write_pattern(tmp_path / "p.mkv", noise(*size, 1), state_s=0, rate_hz=60)
    assert not list(tmp_path.iterdir())


def test_a_video_that_came_back_changed_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another build of the library could write another codec: what isn't exact never takes the name."""
    (tmp_path / "p.mkv").write_bytes(b"what was there")
    real = cv2.VideoWriter.fourcc
    monkeypatch.setattr(cv2.VideoWriter, "fourcc", lambda *_: real(*"MJPG"))
    with pytest.raises(RuntimeError, match="came back changed"):
        write_pattern(tmp_path / "p.mkv", noise(64, 96, 1), state_s=0, rate_hz=30)
    assert [file.name for file in tmp_path.iterdir()] == ["p.mkv"]
    assert (tmp_path / "p.mkv").read_bytes() == b"what was there"


@pytest.mark.parametrize("name", ["p.jpg", "p.mp4", "p", "p.gif"])
def test_a_kind_of_file_that_would_lose_dots_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="keeps every dot") as found:
        write_pattern(tmp_path / name, noise(8, 8, 1), state_s=0, rate_hz=60)
    assert ".apng" in str(found.value)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("ending", pattern_files.ENDINGS)
def test_a_folder_that_is_not_there_is_told(tmp_path: Path, ending: str) -> None:
    with pytest.raises(InputError, match="can't be written"):
        write_pattern(tmp_path / "nowhere" / f"p{ending}", noise(8, 8, 1), state_s=0, rate_hz=60)


@pytest.mark.parametrize("ending", pattern_files.ENDINGS)
def test_a_folder_in_the_place_of_the_file_is_told(tmp_path: Path, ending: str) -> None:
    (tmp_path / f"p{ending}").mkdir()
    with pytest.raises(InputError, match="can't be written"):
        write_pattern(tmp_path / f"p{ending}", noise(8, 8, 1), state_s=0, rate_hz=10)
    assert [file.name for file in tmp_path.iterdir()] == [f"p{ending}"]
