"""Readings as people and instruments write them, and each fault with its line and column."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from tubewright.errors import InputError
from tubewright.files.colorimeter import MAX_BYTES, parse_colorimeter, read_colorimeter

EXAMPLE: Final = Path(__file__).parents[2] / "docs" / "examples" / "lantern-3-grey.csv"

SAME: Final = {
    "commas": "level,x,y,Y\n20,0.3127,0.3290,2.1\n100,0.3101,0.3162,98.5\n",
    "no headings": "20,0.3127,0.3290,2.1\n100,0.3101,0.3162,98.5\n",
    "spaces after commas": "level, x, y, Y\n20, 0.3127, 0.3290, 2.1\n100, 0.3101, 0.3162, 98.5\n",
    "semicolons, decimal commas": "level;x;y;Y\n20;0,3127;0,3290;2,1\n100;0,3101;0,3162;98,5\n",
    "tabs": "level\tx\ty\tY\n20\t0.3127\t0.3290\t2.1\n100\t0.3101\t0.3162\t98.5\n",
    "spaces": "20 0.3127 0.3290 2.1\n100 0.3101 0.3162 98.5\n",
    "spaces, decimal commas": "20 0,3127 0,3290 2,1\n100 0,3101 0,3162 98,5\n",
    "percent signs": "20 %;0,3127;0,3290;2,1\n100 %;0,3101;0,3162;98,5\n",
    "parts of one": "level,x,y,Y\n0.2,0.3127,0.3290,2.1\n1,0.3101,0.3162,98.5\n",
    "of 255": "level,x,y,Y\n51,0.3127,0.3290,2.1\n255,0.3101,0.3162,98.5\n",
    "another order": "x;y;Y (cd/m2);step\n0.3127;0.3290;2.1;20\n0.3101;0.3162;98.5;100\n",
    "more columns": "level,x,y,Y,CCT\n20,0.3127,0.3290,2.1,6500\n100,0.3101,0.3162,98.5,6700\n",
    "remarks and blank lines": "# a display\n\nlevel,x,y,Y\n20,0.3127,0.3290,2.1\n\n100,0.3101,0.3162,98.5\n",
    "byte order mark and old line ends": "\ufefflevel,x,y,Y\r\n20,0.3127,0.3290,2.1\r\n100,0.3101,0.3162,98.5\r\n",
    "an instrument's words": "IRE;x;y;Luminance [cd/m²]\n20;0,3127;0,3290;2,1\n100;0,3101;0,3162;98,5\n",
}


@pytest.mark.parametrize("text", SAME.values(), ids=SAME.keys())
def test_the_same_readings_however_they_are_written(text: str, tmp_path: Path) -> None:
    path = tmp_path / "grey.csv"
    path.write_bytes(text.encode("utf-8"))
    found = read_colorimeter(path)
    assert [one.level_ratio for one in found] == pytest.approx([0.2, 1.0])
    assert [one.place_xy for one in found] == [(0.3127, 0.3290), (0.3101, 0.3162)]
    assert [one.luminance_cd_m2 for one in found] == [2.1, 98.5]
    assert {one.shown for one in found} == {"white"}


def test_primaries_and_the_screen_switched_off() -> None:
    found = parse_colorimeter("red,0.64,0.33,20\nOff,0.3,0.3,0.1\n50,0.31,0.33,18\n100,0.31,0.33,95\n", "g.csv")
    assert [(one.shown, one.level_ratio) for one in found] == [
        ("red", 1.0), ("off", 0.0), ("white", 0.5), ("white", 1.0),
    ]  # fmt: skip
    assert found[0].where == "g.csv line 1"


def test_the_example_reads() -> None:
    found = read_colorimeter(EXAMPLE)
    assert len([one for one in found if one.shown == "white"]) == 11
    assert {one.shown for one in found} == {"white", "red", "green", "blue", "off"}
    assert found[0].minutes == 32


@pytest.mark.parametrize("black", ["0,0,0,0", "0,-,-,0.01", "0,nan,nan,0.0", "0,,,0"])
def test_black_may_have_no_chromaticity(black: str) -> None:
    found = parse_colorimeter(f"level,x,y,Y\n{black}\n100,0.31,0.33,95\n", "g.csv")
    assert found[0].luminance_cd_m2 <= 0.01


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        ("level,x,y,Y\n20,0.31,0.33,two\n", "g.csv line 2 column 4 (Y)", "two"),
        ("level,x,y,Y\n20,0.31,0.33,nan\n", "g.csv line 2 column 4 (Y)", "nan"),
        ("level,x,y,Y\n20,0.31,0.33,-1\n", "g.csv line 2 column 4 (Y)", "negative"),
        ("level,x,y,Y\n20,0.31,inf,5\n", "g.csv line 2 column 3 (y)", "inf"),
        ("level,x,y,Y\n20,0.81,0.33,5\n", "g.csv line 2 columns 2 and 3 (x, y)", "no chromaticity"),
        ("level,x,y,Y\n20,0.31,0,5\n", "g.csv line 2 columns 2 and 3 (x, y)", "no chromaticity"),
        ("level,x,y,Y\n20,31,0.33,5\n", "g.csv line 2 column 2 (x)", "more than"),
        ("level,x,y,Y\n300,0.31,0.33,5\n", "g.csv line 2 column 1 (level)", "more than"),
        ("level,x,y,Y\n120%,0.31,0.33,5\n", "g.csv line 2", "more than full"),
        ("level,x,y,Y\n,0.31,0.33,5\n", "g.csv line 2 column 1 (level)", "level is missing"),
        ("level,x,y,Y\n20,0.31,0.33\n", "g.csv line 2", "missing in this row"),
        ("level,x,y\n20,0.31,0.33\n", "g.csv line 1", "no column Y"),
        ("20,0,3127,0,3290,2,1,5\n30,0,3127,0,3290,2,1,5\n", "g.csv line 1", "decimal comma between commas"),
        ("level,x,y,Y,shown\n20,0.31,0.33,5,mauve\n", "g.csv line 2 column 5", "mauve"),
        ("", "g.csv", "nothing in it"),
        ("# only a remark\n", "g.csv", "nothing in it"),
        ("level,x,y,Y\n", "g.csv", "no reading"),
    ],
)
def test_each_fault_says_where(text: str, where: str, what: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_colorimeter(text, "g.csv")
    first = caught.value.faults[0]
    assert first.where == where
    assert what in first.what
    assert first.mend


def test_all_faults_are_told_together() -> None:
    with pytest.raises(InputError) as caught:
        parse_colorimeter("level,x,y,Y\n20,a,0.33,5\n30,0.31,b,5\n40,0.31,0.33,c\n", "g.csv")
    assert [one.where.partition(" column")[0] for one in caught.value.faults] == [f"g.csv line {n}" for n in (2, 3, 4)]


def test_what_is_no_such_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't be read"):
        read_colorimeter(tmp_path / "none.csv")
    (tmp_path / "picture.csv").write_bytes(b"\x89PNG\x00\x01\x02")
    with pytest.raises(InputError, match="not text"):
        read_colorimeter(tmp_path / "picture.csv")
    (tmp_path / "large.csv").write_bytes(b"1" * (MAX_BYTES + 1))
    with pytest.raises(InputError, match="larger than"):
        read_colorimeter(tmp_path / "large.csv")
    (tmp_path / "wide.csv").write_bytes("level,x,y,Y\n20,0.31,0.33,5\n".encode("utf-16"))
    assert len(read_colorimeter(tmp_path / "wide.csv")) == 1
