"""The file of moves: what people write is understood, and what they miswrite is told in one go."""

from __future__ import annotations

from pathlib import Path

import pytest

from tubewright.answers.advise import RingSetting
from tubewright.errors import InputError
from tubewright.files.moves import read_moves
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE = load_knowledge()


def move(lines: str) -> str:
    return f"[[move]]\nafter = 1\n{lines}\n"


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ('amount = "1/8 turn"\ndirection = "clockwise"', 0.125),
        ('amount = "1/8 of a turn"\ndirection = "anticlockwise"', -0.125),
        ('amount = "0,25 turns"\ndirection = "Counter-Clockwise"', -0.25),
        ("amount = 0.5\ndirection = 'clockwise'", 0.5),
        ('amount = "0.2"\ndirection = "clockwise"', 0.2),
    ],
)
def test_an_amount_is_read_as_people_write_it(written: str, value: float) -> None:
    (found,) = read_moves(move(f'control = "h_size"\n{written}'), KNOWLEDGE).turned
    assert found.value == pytest.approx(value)
    assert found.unit == "turn"


def test_a_whole_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "moves.toml"
    path.write_text(
        'guns = "inline"\ncontrols = ["h_size", "four_pole_rings", "yoke_tilt_vertical"]\nminutes_on = 30\n'
        "degaussed = true\nopening_mm = [360, 270]\n"
        '[[setting]]\ncontrol = "four_pole_rings"\ntabs_mm = 4\n'
        + move('control = "four_pole_rings"\ntabs_mm = 6\nangle_deg = -20\nwrong_way = true')
        + move('control = "yoke_tilt_vertical"\namount = "1.5 mm"\ndirection = "down"\nat_stop = true')
        + move('control = "degauss"')
        + move('control = "h_size"\namount = 0.1\ndirection = "clockwise"\nundone = true'),
        encoding="utf-8",
    )
    found = read_moves(path, KNOWLEDGE)
    assert found.opening_mm == pytest.approx((360, 270))
    assert found.degaussed
    assert found.rings == {"four_pole_rings": RingSetting(tabs_mm=4)}
    rings, tilt, degauss, size = found.turned
    assert (rings.ring, rings.wrong_way) == (RingSetting(tabs_mm=6, angle_deg=-20), True)
    assert (tilt.value, tilt.unit, tilt.at_stop) == (-1.5, "mm", "negative")
    assert degauss.control == "degauss"
    assert size.undone


def test_all_faults_are_told_together_with_what_was_meant() -> None:
    text = (
        'guns = "in line"\nopening_mm = [0, 270]\nbright = 1\n'
        + move('control = "h_siz"\namount = 1\ndirection = "clockwise"')
        + move('control = "v_size"\namount = "2 mm"\ndirection = "sideways"\nundon = true')
        + move('control = "v_size"\namount = nan\ndirection = "clockwise"')
        + move('control = "v_size"\namount = -0.2\ndirection = "clockwise"')
        + move('control = "v_size"\namount = "1/0 turn"\ndirection = "clockwise"')
        + move('control = "v_size"\namount = 300\ndirection = "clockwise"')
        + '[[move]]\nafter = 0\ncontrol = "degauss"\n'
    )
    with pytest.raises(InputError) as raised:
        read_moves(text, KNOWLEDGE)
    told = "\n".join(str(fault) for fault in raised.value.faults)
    for part in (
        "in line",
        "more than zero",
        "bright means nothing",
        "Did you mean h_size",
        "goes by turn, not by mm",
        "sideways",
        "Did you mean undone",
        "nan is no number",
        "below zero",
        "more than any control goes",
        "no number of a photograph",
    ):
        assert part in told, part


@pytest.mark.parametrize(
    "text", ["[[move]", "move = 3", "[[move]]\nafter = true\ncontrol = 'degauss'", "controls = 'x'"]
)
def test_what_is_no_file_of_moves_is_told(text: str) -> None:
    with pytest.raises(InputError):
        read_moves(text, KNOWLEDGE)


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't be read"):
        read_moves(tmp_path / "none.toml", KNOWLEDGE)
