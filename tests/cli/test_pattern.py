"""Patterns and tags from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import typer
from PIL import Image
from typer.testing import CliRunner

from cli_runs import Ended, Run
from tubewright.cli import pattern
from tubewright.cli.door import Door
from tubewright.knowledge.load import load_knowledge
from tubewright.picture.patterns.catalogue import CATALOGUE, GUNS, Drawing
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.rasters import library
from tubewright.picture.patterns.trade_levels import SHAPES
from tubewright.report.tag_sheet import PAPERS_MM

NAME = "arcade-15k-320x240"


@pytest.fixture
def run(place: Path) -> Run:
    """The commands of this group, with the door that all commands have."""
    app = typer.Typer(cls=Door, rich_markup_mode=None)
    pattern.add(app)

    def call(*args: str, typed: bytes | None = None) -> Ended:
        result = CliRunner().invoke(app, list(args), input=typed)
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
        return Ended(code=result.exit_code, out=result.stdout, err=result.stderr)

    return call


@pytest.fixture(scope="module")
def raster() -> Raster:
    return library(load_knowledge().rasters.values())[NAME]


def test_choices_are_those_that_there_are() -> None:
    assert {one.value for one in pattern.PictureShape} == set(SHAPES)
    assert {one.value for one in pattern.LitGuns} == set(GUNS)
    assert {one.value for one in pattern.PaperSize} == set(PAPERS_MM)


def test_the_list_names_every_pattern_and_its_use(run: Run) -> None:
    done = run("pattern", "list")
    assert done.code == 0
    words = " ".join(done.out.split())
    for name in CATALOGUE:
        assert name in words


def test_the_list_for_a_raster_tells_its_frequencies(run: Run, raster: Raster) -> None:
    done = run("pattern", "list", "--raster", NAME, "--json")
    entries = {entry["name"]: entry for entry in json.loads(done.out)}
    assert list(entries) == list(CATALOGUE)
    assert f"{raster.pixel_clock_hz / 2e6:.3g}. The last" in entries["multiburst"]["note"]
    assert entries["load"]["flashes_per_s"] == 0.5
    assert entries["grey"]["takes"] == ["guns", "level"]
    assert "MHz" in run("pattern", "list", "--raster", NAME).out


def test_a_pattern_is_drawn_at_the_exact_raster(run: Run, place: Path, raster: Raster) -> None:
    done = run("pattern", "draw", "crosshatch", "--raster", NAME, "--out", "c.png")
    assert (done.code, done.err) == (0, "")
    seen = np.asarray(Image.open(place / "c.png"))
    assert (seen == CATALOGUE["crosshatch"].frames(raster)[0]).all()
    assert "320 by 240" in done.out


def test_what_is_asked_for_is_drawn(run: Run, place: Path, raster: Raster) -> None:
    asked = ("--shape", "3:4", "--guns", "red_blue", "--level", "20 %")
    for name in ("centre", "grey"):
        assert run("pattern", "draw", name, "--raster", NAME, "--out", f"{name}.png", *asked).code == 0
        wanted = CATALOGUE[name].frames(raster, Drawing(shape="3:4", guns="red_blue", level_pct=20))[0]
        assert (np.asarray(Image.open(place / f"{name}.png")) == wanted).all()


def test_a_loop_and_a_video_are_written_by_their_ending(run: Run, place: Path) -> None:
    for name in ("load.apng", "load.mkv"):
        done = run("pattern", "draw", "load", "--raster", NAME, "--out", name, "--json")
        assert done.code == 0
        assert json.loads(done.out)["file"] == name
    with Image.open(place / "load.apng") as loop:
        assert getattr(loop, "n_frames", 1) == 2
    assert (place / "load.mkv").read_bytes()[:4] == b"\x1a\x45\xdf\xa3"  # EBML, RFC 8794


def test_what_can_hurt_comes_before_what_was_written(run: Run, place: Path) -> None:
    """A wrong line rate kills an output stage; a flashing pattern troubles people."""
    done = run("pattern", "draw", "load", "--raster", NAME, "--out", "l.png")
    words = " ".join(done.out.split())
    caution = load_knowledge().cautions["line_rate"].text
    assert words.startswith(caution)
    assert words.index("flashes once") < words.index("l.png")
    assert json.loads(run("pattern", "draw", "red", "--raster", NAME, "--out", "r.png", "--json").out)["cautions"] == [
        caution
    ]


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("draw", "crosshacht", "--raster", NAME, "--out", "c.png"), "crosshatch"),
        (("draw", "crosshatch", "--raster", "arcade", "--out", "c.png"), "arcade-15k"),
        (("draw", "crosshatch", "--raster", NAME, "--out", "c.jpg"), ".png"),
        (("draw", "crosshatch", "--raster", NAME, "--out", "gone/c.png"), "folder"),
        (("draw", "grey", "--raster", NAME, "--out", "c.png", "--level", "120"), "0 to 100"),
        (("draw", "grey", "--raster", NAME, "--out", "c.png", "--level", "much"), "--level"),
        (("draw", "grey", "--raster", NAME, "--out", "c.png", "--guns", "pink"), "pink"),
        (("draw", "grey", "--raster", NAME, "--out", "pier.toml"), "already"),
    ],
)
def test_what_is_wrong_is_told_with_the_way_to_mend_it(run: Run, place: Path, args: tuple[str, ...], said: str) -> None:
    before = sorted(place.iterdir())
    done = run("pattern", *args)
    assert (done.code, done.out) == (2, "")
    assert said in done.err
    assert sorted(place.iterdir()) == before


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_the_sheet_of_tags_is_written_with_its_cautions(run: Run, place: Path, paper: str) -> None:
    done = run("tags", "--out", "tags.pdf", "--paper", paper)
    assert done.code == 0
    assert (place / "tags.pdf").read_bytes().startswith(b"%PDF")
    words = " ".join(done.out.split())
    assert words.startswith(load_knowledge().cautions["anode_charge"].text)
    assert "100 mm" in words
    body = json.loads(run("tags", "--out", "again.pdf", "--paper", paper, "--json").out)
    assert body["paper"] == paper
    assert len(body["cautions"]) == 2


@pytest.mark.parametrize(
    ("args", "said"), [(("--out", "t.png"), ".pdf"), (("--out", "no/t.pdf"), "folder"), ((), "--out")]
)
def test_a_sheet_that_cannot_be_written_is_told(run: Run, args: tuple[str, ...], said: str) -> None:
    done = run("tags", *args)
    assert done.code == 2
    assert said in done.err


def test_the_docs_name_every_pattern_ending_and_paper() -> None:
    from tubewright.files.pattern_files import ENDINGS

    page = (Path(__file__).parents[2] / "docs" / "patterns.md").read_text(encoding="utf-8")
    for word in (*CATALOGUE, *ENDINGS):
        assert f"`{word}`" in page, word
