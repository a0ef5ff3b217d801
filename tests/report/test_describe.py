"""One description holds all that the answer says, and no step stands without its cautions."""

from __future__ import annotations

import dataclasses
import re
from typing import get_args

import pytest

from samples import sample_answer
from tubewright.answers.assessment import Decision, Unknown
from tubewright.report.describe import (
    DECISION_WORDS,
    Block,
    Listing,
    Paragraph,
    SectionId,
    Step,
    Table,
    describe,
)
from tubewright.report.text import to_text


def words_of(block: Block) -> str:
    if isinstance(block, Paragraph):
        return block.text
    if isinstance(block, Listing):
        return "\n".join(block.items)
    if isinstance(block, Table):
        return "\n".join(
            [block.caption, *(c.heading for c in block.columns), *(cell for row in block.rows for cell in row)]
        )
    return "\n".join([*block.cautions, *block.confirm, block.words, block.time])


def all_words(section_id: SectionId) -> str:
    section = describe(sample_answer()).section(section_id)
    assert section is not None
    return "\n".join(words_of(block) for block in section.blocks)


def test_every_decision_has_its_words() -> None:
    kinds = {word for part in get_args(Decision) for word in (get_args(part) or (part,))}
    assert set(DECISION_WORDS) == kinds


@pytest.mark.parametrize(
    ("section", "parts"),
    [
        ("next_steps", "Run the heater at 6.3 V for 12 hours|Mains and B+ are lethal.|15 min"),
        ("plan", "red stays under 0.45|Clean red.|70"),
        ("condition", "worn|50 (40 to 60)|Emission, %|read the cutoff at a stated G2|wanted: 50 %"),
        (
            "options",
            "Cost, EUR|55|about 6 years (1½ to 9)|no price given|Lasts 5 years, %|, chosen|about 60 % of cases",
        ),
        ("would_change", "reduced-heater reading (red)|under 0.60|Swap the tube|20|8 min"),
        ("suspects", "one cathode worn|90|the tube"),
        ("remarks", "All readings agree."),
        ("missing", "cutoff of each gun at a stated G2"),
        ("model", "All prior.|1000 futures from seed 1"),
    ],
)
def test_a_section_says_what_the_answer_says(section: SectionId, parts: str) -> None:
    said = all_words(section)
    for part in parts.split("|"):
        assert part in said


def test_a_column_in_which_nothing_is_known_is_left_out_but_its_reason_is_given() -> None:
    section = describe(sample_answer()).section("condition")
    assert section is not None
    table = next(block for block in section.blocks if isinstance(block, Table))
    assert "Cutoff, V" not in [column.heading for column in table.columns]
    assert "Cutoff (red, green and blue): not known (no cutoff reading)" in all_words("condition")


def test_a_reason_that_names_its_gun_is_said_once_for_all_of_them() -> None:
    sample = sample_answer()
    guns = {
        gun: dataclasses.replace(
            held,
            relative_emission=Unknown(reason=f"no reading of {gun}", would_settle=f"read {gun}"),
            emission_reserve=Unknown(reason=f"no reading of {gun}", would_settle=f"read {gun}"),
        )
        for gun, held in sample.guns.items()
    }
    section = describe(dataclasses.replace(sample, guns=guns)).section("condition")
    assert section is not None
    said = [item for block in section.blocks if isinstance(block, Listing) for item in block.items]
    assert said[0] == (
        "Emission and emission reserve: not known (no reading of red, green and blue). "
        "To settle it: read red, green and blue."
    )
    assert len(said) == 2


def test_sections_without_content_are_left_out() -> None:
    bare = dataclasses.replace(sample_answer(), suspects=(), remarks=(), missing=(), next_steps=(), plan=())
    found = {section.id for section in describe(bare).sections}
    assert found == {"condition", "options", "would_change", "model"}


def test_white_that_is_not_known_is_said_with_its_reason() -> None:
    unknown = Unknown(reason="no reading of blue", would_settle="read blue")
    answer = dataclasses.replace(sample_answer(), neutral_white_now=unknown, neutral_white_after=unknown)
    section = describe(answer).section("condition")
    assert section is not None
    assert any("no reading of blue" in words_of(block) for block in section.blocks)


@pytest.mark.parametrize("width", [24, 40, 60, 80, 100, 118])
def test_cautions_come_before_the_step_at_any_width(width: int) -> None:
    text = to_text(describe(sample_answer()), width=width).replace("\n", " ")
    squeezed = " ".join(text.split())
    caution, guard, step = (
        squeezed.index(words) for words in ("Mains and B+ are", "Isolation transformer", "Run the heater at 6.3 V for")
    )
    assert caution < guard < step


@pytest.mark.parametrize("width", [24, 40, 60, 80, 100, 118])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    text = to_text(describe(sample_answer()), width=width)
    assert max(len(line) for line in text.splitlines()) <= width


@pytest.mark.parametrize("width", [24, 50, 80, 118])
def test_no_word_is_lost_or_broken_at_any_width(width: int) -> None:
    """Every word of the description stands whole in the text."""
    description = describe(sample_answer())
    text = "|".join(to_text(description, width=width).split())
    for section in description.sections:
        for block in section.blocks:
            for word in words_of(block).split():
                assert len(word) > width - 8 or word in text


def test_colour_is_only_an_extra() -> None:
    description = describe(sample_answer())
    plain, coloured = to_text(description, width=80), to_text(description, width=80, colour=True)
    assert "\x1b" not in plain
    assert "\x1b[" in coloured
    bare = re.sub(r"\x1b\[[0-9;]*m", "", coloured)
    assert bare.split() == plain.split()


def test_text_that_a_terminal_would_obey_is_disarmed() -> None:
    answer = dataclasses.replace(sample_answer(), headline="red \x1b[2J gun [bold]x[/bold] :warning:")
    text = to_text(describe(answer), width=80)
    assert "\x1b" not in text
    assert "[bold]x[/bold] :warning:" in text


def test_a_hard_stop_stands_directly_under_the_headline() -> None:
    answer = dataclasses.replace(sample_answer(), hard_stops=("The getter is white: the vacuum is gone.",))
    lines = to_text(describe(answer), width=100).splitlines()
    assert lines[1] == "Stop: The getter is white: the vacuum is gone."


def test_a_hard_stop_that_the_headline_gives_is_not_said_twice() -> None:
    stop = "The getter is white: the vacuum is gone."
    answer = dataclasses.replace(sample_answer(), headline=f"{stop} So: retire the tube.", hard_stops=(stop,))
    text = to_text(describe(answer), width=100)
    assert text.count("The getter is white") == 1
    assert describe(answer).stops == (stop,)


def test_a_step_holds_its_cautions_as_data() -> None:
    section = describe(sample_answer()).section("next_steps")
    assert section is not None
    (step,) = section.blocks
    assert isinstance(step, Step)
    assert step.cautions == ("Mains and B+ are lethal.",)
    assert step.confirm == ("Isolation transformer in use.",)
