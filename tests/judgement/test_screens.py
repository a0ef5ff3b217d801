"""A lit screen and a dark one don't go together."""

from __future__ import annotations

import pytest

from tubewright.case import Case
from tubewright.judgement.diagnosis import diagnose_findings
from tubewright.judgement.findings import gather_findings
from tubewright.judgement.screens import NO_PICTURE, bound_to_be_absent, of_the_picture
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE = load_knowledge()


def test_every_symptom_of_a_dark_screen_is_in_the_catalogue() -> None:
    assert set(KNOWLEDGE.symptoms) >= NO_PICTURE
    assert not NO_PICTURE & of_the_picture(KNOWLEDGE)


@pytest.mark.parametrize("dark", sorted(NO_PICTURE))
def test_who_sees_both_saw_them_at_different_times(dark: str) -> None:
    assert bound_to_be_absent(["raster_dim_all", dark], KNOWLEDGE) == ()


@pytest.mark.parametrize("elsewhere", ["burning_smell", "mains_buzz", "getter_white", "corona_hiss"])
def test_what_is_not_on_the_screen_says_nothing_of_it(elsewhere: str) -> None:
    assert bound_to_be_absent([elsewhere], KNOWLEDGE) == ()


def test_a_picture_speaks_against_what_would_leave_none() -> None:
    """The same as having looked for a dead set in vain, without having to say so."""
    seen = {"format": 1, "symptoms": [{"id": "raster_dim_all"}]}
    said = {"format": 1, "symptoms": [{"id": "raster_dim_all"}, *({"id": s, "present": False} for s in NO_PICTURE)]}
    quiet, outspoken = (
        diagnose_findings(gather_findings(Case.model_validate(given), KNOWLEDGE), KNOWLEDGE).posteriors
        for given in (seen, said)
    )
    assert quiet == pytest.approx(outspoken, rel=1e-12)
    assert quiet["hot_short"] < 0.3 * KNOWLEDGE.faults["hot_short"].per_1000 / 1000
