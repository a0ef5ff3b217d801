"""The measurement in words says what was found first, in plain words, and hides nothing that is missing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from measured import convergence, geometry, light, measurement, top_curl
from tubewright.answers.measurement import Measurement, PhotoNote, checks, findings, refused
from tubewright.knowledge.load import load_knowledge
from tubewright.picture.results import ZONES, Figure, Unsupported, Vector
from tubewright.report.measure_summary import summary
from tubewright.report.measure_text import describe_measurement, measurement_to_text

KNOWLEDGE = load_knowledge()
CAUTION = "The glass may implode"


def text_of(answer: Measurement, width: int = 80) -> str:
    """What a terminal shows."""
    return measurement_to_text(
        answer, checks(answer, KNOWLEDGE), findings(answer, KNOWLEDGE), cautions=(CAUTION,), width=width
    )


def test_the_first_sentence_is_the_answer() -> None:
    assert summary(measurement()) == (
        "Converged within 0.20 mm in the middle, 2.50 mm at the bottom right (blue too far right). "
        "The top bends 3.20 mm to the right and settles in 18 lines."
    )
    first = text_of(measurement()).splitlines()
    assert first[0] == "WHAT WAS FOUND"
    assert first[1].startswith("Converged within 0.20 mm in the middle")


@pytest.mark.parametrize(
    ("x_mm", "y_mm", "way"),
    [
        (2.0, 0.1, "blue too far right"),
        (-2.0, 0.1, "blue too far left"),
        (0.1, 2.0, "blue too far down"),
        (0.0, -2.0, "blue too far up"),
        (-1.5, 1.6, "blue too far down and left"),
    ],
)
def test_the_way_is_said_as_the_viewer_sees_it(x_mm: float, y_mm: float, way: str) -> None:
    still = dict.fromkeys(ZONES, Vector(x_mm=0.0, y_mm=0.0, sd_mm=0.02))
    off = {**still, "left": Vector(x_mm=x_mm, y_mm=y_mm, sd_mm=0.02)}
    found = replace(
        convergence(),
        red_minus_green=still,
        blue_minus_green=off,
        worst_mm=Figure(value=2.0, sd=0.02),
        worst_zone="left",
        points=None,
    )
    assert way in summary(measurement(convergence=found))


@pytest.mark.parametrize(
    ("x_mm", "worst", "words"),
    [
        (0.0, 0.008, "Converged within 0.01 mm everywhere."),
        (0.001, 0.002, "Converged within 0.01 mm everywhere."),
        (0.0, 0.3, "Converged within 0.01 mm in the middle, 0.30 mm at the left"),
        (0.2, 0.03, "Converged within 0.20 mm in the middle"),
    ],
)
def test_what_nobody_would_mend_is_not_spelt_out(x_mm: float, worst: float, words: str) -> None:
    still = dict.fromkeys(ZONES, Vector(x_mm=x_mm, y_mm=0.0, sd_mm=0.004))
    found = replace(
        convergence(),
        red_minus_green=still,
        blue_minus_green=still,
        worst_mm=Figure(value=worst, sd=0.004),
        worst_zone="left",
        points=None,
    )
    assert summary(measurement(convergence=found)).startswith(words)


def test_light_alone_is_summed_up_too() -> None:
    why = Unsupported(reason="none shows the survey", would_settle="the survey")
    survey = dict.fromkeys(("scale", "convergence", "geometry", "top_curl", "hum", "focus"), why)
    assert summary(measurement(**light(), **survey)) == (
        "Other light in the field of red is 12 % at the left, at most; green is the weakest gun, with 40 % of the "
        "strongest one's light. A burnt-in shape takes 9 % of the light at the bottom left."
    )


def test_a_rounded_nought_has_no_sign() -> None:
    text = text_of(measurement(geometry=replace(geometry(), rotation_deg=Figure(value=-0.001, sd=0.03))))
    assert "-0.00" not in text
    assert "turned by 0.0° clockwise" in " ".join(text_of(measurement(rotated_deg=-0.01)).split())


def test_without_a_scale_no_table_of_unknowns_is_drawn() -> None:
    why = Unsupported(reason="nothing gives a scale", would_settle="the printed tags")
    found = replace(convergence(), red_minus_green=why, blue_minus_green=why, worst_mm=why, points=None)
    text = text_of(measurement(scale=why, convergence=found))
    assert "CONVERGENCE" not in text
    assert "Nothing gives a scale" in text


def test_no_curl_is_said_as_none() -> None:
    found = replace(top_curl(), amplitude_mm=Figure(value=0.02, sd=0.05))
    assert "No top curl is seen." in summary(measurement(top_curl=found))


def test_every_zone_has_its_row() -> None:
    lines = text_of(measurement()).splitlines()
    row = next(line for line in lines if line.strip().startswith("bottom right "))
    assert row.split() == ["bottom", "right", "-0.20", "+0.07", "+1.26", "+0.13", "0.01"]
    for zone in ("top left", "top right", "middle", "bottom left"):
        assert any(line.strip().startswith(zone) for line in lines), zone


def test_what_is_beyond_is_told_and_what_is_open_too() -> None:
    text = text_of(measurement())
    assert "The left edge bows inward by 3.0 % ± 0.1" in text
    assert "Worst error of convergence, bottom right: 2.50 mm ± 0.03" in text
    column = next(line for line in text.splitlines() if "widest over narrowest" in line)
    assert column.rstrip().endswith("open")
    assert "in-line gun" in text


def test_light_in_words() -> None:
    text = text_of(measurement(**light()))
    for words in ("A shape burnt in, 9 % of the light lost", "Light of green over the strongest gun's: 40 % ± 3"):
        assert words in text


def test_what_can_not_be_told_has_its_reason_after_the_cautions() -> None:
    text = " ".join(text_of(measurement()).split())
    assert "A tilted camera looks the same. What would settle it: The printed tags beside the picture." in text
    assert text.index(CAUTION) < text.index("The printed tags beside the picture")


def test_cautions_are_not_shouted_where_no_tags_are_proposed() -> None:
    known = Figure(value=0.1, sd=0.05)
    shape = replace(geometry(), trapezoid_h_pct=known, trapezoid_v_pct=known)
    whole = measurement(**light(), geometry=shape)
    assert CAUTION not in text_of(whole)


def test_unseparated_fringes_are_said() -> None:
    text = text_of(measurement(convergence=replace(convergence(), fringes="not_separated")))
    assert "could not be told from the tube's errors" in text


def test_a_refusal_is_short_and_says_how_to_do_better() -> None:
    notes = [PhotoNote(name="a.jpg", pattern="", refused_because="it is blurred", shoot_better="Hold it still")]
    text = text_of(refused("it is blurred", "Hold it still", notes, None))
    assert text == "NOT MEASURED\nIt is blurred.\nHold it still.\n"


def test_each_photograph_says_what_became_of_it() -> None:
    notes = (
        PhotoNote(name="a.jpg", pattern="survey", used_for=("convergence",)),
        PhotoNote(name="b.jpg", pattern="", refused_because="it is blurred", shoot_better="Hold it still"),
    )
    text = text_of(measurement(photos=notes))
    assert "a.jpg: the survey; used for convergence" in text
    assert "b.jpg: left out. It is blurred. Hold it still." in text
    assert "Left out: b.jpg" in text


@pytest.mark.parametrize("width", [40, 80, 118])
@pytest.mark.parametrize("with_light", [False, True])
def test_no_line_is_longer_than_the_terminal(width: int, with_light: bool) -> None:
    text = text_of(measurement(**(light() if with_light else {})), width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert "\x1b" not in text


def test_nothing_is_empty_when_all_is_missing() -> None:
    why = Unsupported(reason="it was not seen", would_settle="another photograph")
    parts = ("scale", "convergence", "geometry", "top_curl", "hum", "focus", "purity", "tracking", "wear")
    answer = measurement(**dict.fromkeys(parts, why))
    assert all(part.blocks for part in describe_measurement(answer, checks(answer, KNOWLEDGE)))
    assert "Nothing that a picture is judged by could be measured." in " ".join(text_of(answer).split())


def test_each_gun_has_its_law_and_its_reserve_in_words() -> None:
    parts = light()
    guns = dict(parts["tracking"].guns)
    straight = Unsupported(reason="the gun doesn't bend up to full drive", would_settle="an emission reading")
    guns["red"] = replace(guns["red"], emission_reserve=straight, reserve_at_least=1.58)
    guns["blue"] = Unsupported(reason="blue is overexposed", would_settle="expose less")
    parts["tracking"] = replace(parts["tracking"], guns=guns)
    text = text_of(measurement(**parts), width=120)
    assert "EACH GUN'S LIGHT" in text
    rows = {line.split()[0]: " ".join(line.split()[1:]) for line in text.splitlines() if " 2.30 " in line}
    assert rows["red"] == "2.30 2 % – 0 % over 1.5 100 %"  # a bound is rounded down
    assert rows["green"] == "2.30 2 % 70 % 30 % 1.3 ± 0.2 40 %"
    assert "The law of blue: Blue is overexposed." in " ".join(text.split())


def test_a_reserve_of_which_nothing_is_known_is_said_so() -> None:
    parts = light()
    law = replace(
        parts["tracking"].guns["red"],
        emission_reserve=Unsupported(reason="too dark", would_settle="expose more"),
        reserve_at_least=None,
    )
    parts["tracking"] = replace(parts["tracking"], guns={"red": law})
    lines = text_of(measurement(**parts), width=120).splitlines()
    row = next(line for line in lines if line.split()[:2] == ["red", "2.30"])
    assert row.split()[-4:] == ["not", "known", "100", "%"]


def test_what_a_case_can_take_over_is_said_with_its_spread() -> None:
    words = " ".join(measurement_to_text(measurement(**light())).split())
    assert "value and spread of shortfall_seen: red 0.00 ± 0.01, green 0.30 ± 0.01, blue 0.00 ± 0.01." in words
    assert "shortfall_seen" not in measurement_to_text(measurement())
