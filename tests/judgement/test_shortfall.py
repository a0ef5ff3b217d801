"""What a photograph tells of a gun's reserve: how it moves the cloud, and what it must not do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from answers.worked import case, emission, knowledge
from measured import light, measurement
from tubewright.answers.assess import assess
from tubewright.case import Case, Gun, Reading
from tubewright.experience import NO_EXPERIENCE
from tubewright.judgement.condition import Condition, infer_condition
from tubewright.judgement.learning import learn
from tubewright.judgement.readings import GunReadings, Shortfall, normalise
from tubewright.judgement.seen_readings import readings_seen
from tubewright.judgement.shortfall import expected_shortfall, shortfall_likelihood
from tubewright.physics.cathode import emission_fraction
from tubewright.picture.results import Figure, Unsupported

KNEES = (1.0, 3.0)
SOFT = 0.5
LN = np.linspace(np.log(0.05), np.log(100), 200)
RED, GREEN = 0, 1


def seen(value: float, spread: float | None = 0.03, gun: Gun = "red", **more: object) -> dict[str, Any]:
    known = {} if spread is None else {"spread": spread}
    return {"gun": gun, "kind": "shortfall_seen", "value": value, "unit": "rel"} | known | more


def cloud(*readings: dict[str, Any], **more: object) -> Condition:
    k = knowledge()
    given: Case = case(readings=list(readings), **more)
    return infer_condition(
        given,
        normalise(given, k, NO_EXPERIENCE),
        k,
        learn(k, NO_EXPERIENCE),
        np.random.default_rng(1),
        particles=4000,
    )


def middle(c: Condition, gun: int = RED) -> float:
    return float(np.median(np.log(c.reserve[:, gun])))


def low_share(c: Condition, below: float = 1.5, gun: int = RED) -> float:
    return float((c.reserve[:, gun] < below).mean())


@pytest.mark.parametrize("knee", KNEES)
def test_the_likeliest_reserve_is_the_one_that_gives_the_shortfall(knee: float) -> None:
    """A gun of reserve 0.8 at 0.55 of its zero-bias current, by the blend itself."""
    ratio = 1 - float(emission_fraction(0.8 / 0.55, knee))
    likely = shortfall_likelihood(np.exp(LN), Shortfall(ratio=ratio, sd=0.01), knee, knowledge())
    # The drive share isn't known, so the peak is as wide as its spread.
    assert float(LN[likely.argmax()]) == pytest.approx(np.log(0.8), abs=0.35)


@pytest.mark.parametrize("knee", KNEES)
@pytest.mark.parametrize("ratio", [0.0, 0.1, 0.3, 0.7])
def test_no_photograph_excludes_a_strong_gun(knee: float, ratio: float) -> None:
    likely = shortfall_likelihood(np.exp(LN), Shortfall(ratio=ratio, sd=1e-6), knee, knowledge())
    assert likely[-1] >= 0.05 * likely.max()


def test_a_photograph_that_knows_nothing_tells_nothing() -> None:
    likely = shortfall_likelihood(np.exp(LN), Shortfall(ratio=0.4, sd=1.0), KNEES[0], knowledge())
    assert likely.max() / likely.min() < 1.35
    plain, told = cloud(), cloud(seen(0.4, 1.0))
    assert middle(told) == pytest.approx(middle(plain), abs=0.15)


def test_a_soft_knee_shows_less_than_the_blend_takes() -> None:
    """Most of a bend over the whole range passes for a lower gamma; the more reserve, the less is seen."""
    reserve = np.array([0.3, 1, 3, 10, 30, 100, 1000])
    shown, taken = expected_shortfall(reserve, SOFT), 1 - emission_fraction(reserve, SOFT)
    assert np.all(shown < taken)
    assert np.all(np.diff(shown) <= 0)
    assert expected_shortfall(reserve, 1.0) == pytest.approx(1 - emission_fraction(reserve, 1.0))
    # A good gun of a patchy cathode must not look worn: reserve_of_good_gun_patchy at half its current.
    assert shown[5] < 0.1 < taken[5]


def test_a_shortfall_lowers_the_reserve_and_a_deeper_one_lowers_it_more() -> None:
    none, some, more = cloud(seen(0.0)), cloud(seen(0.15)), cloud(seen(0.3))
    assert middle(more) < middle(some) < middle(none)
    assert middle(more) < middle(cloud())
    assert low_share(cloud(seen(0.45))) > 1.3 * low_share(cloud())


def test_a_wider_spread_moves_it_less() -> None:
    plain, sure, unsure, lost = cloud(), *(cloud(seen(0.3, sd)) for sd in (0.02, 0.2, 0.8))
    assert abs(middle(lost) - middle(plain)) < 0.12
    assert abs(middle(unsure) - middle(plain)) < abs(middle(sure) - middle(plain))


def test_none_seen_clears_the_gun_of_being_spent() -> None:
    plain, told = cloud(), cloud(seen(0.0, 0.03))
    assert low_share(told) < 0.35 * low_share(plain)
    assert np.std(np.log(told.reserve[:, RED])) < np.std(np.log(plain.reserve[:, RED]))


def test_it_tells_a_false_low_reading_from_a_worn_cathode() -> None:
    low = emission((0.3, 0.85, 0.9))
    plain = cloud(*low)
    assert cloud(*low, seen(0.0, 0.02)).spoilt[:, RED].mean() > 1.5 * plain.spoilt[:, RED].mean()
    assert cloud(*low, seen(0.5, 0.02)).spoilt[:, RED].mean() < plain.spoilt[:, RED].mean()


def test_an_emission_reading_with_its_slump_still_dominates() -> None:
    """A sound gun with a sound slump stays sound, whatever the video stage does to its top."""
    sound = emission((0.95, 0.95, 0.95), (0.98, 0.98, 0.98))
    plain, told = cloud(*sound), cloud(*sound, seen(0.4, 0.02))
    emitted = [float(np.median(c.relative_emission[:, RED])) for c in (plain, told)]
    assert emitted[1] == pytest.approx(emitted[0], abs=0.05)
    spent = emission((0.2, 0.2, 0.2), (0.5, 0.5, 0.5))
    assert np.median(cloud(*spent, seen(0.0, 0.02)).relative_emission[:, RED]) < 0.3


def test_it_is_no_emission_reading() -> None:
    c = cloud(seen(0.5))
    assert c.read == (False, False, False)
    given = case(readings=[seen(0.5)])
    assert not normalise(given, knowledge(), NO_EXPERIENCE).any_emission


@pytest.mark.parametrize("ratio", [0.0, 0.3, 0.9])
def test_a_photograph_alone_condemns_no_gun(ratio: float) -> None:
    alone = case(readings=[seen(ratio, 0.01, gun) for gun in ("red", "green", "blue")])
    answer, without = (assess(one, knowledge(), seed=1, futures=4000) for one in (alone, case()))
    assert answer.decision == without.decision == "find_fault_first"
    assert "no emission reading, no verdict" in answer.headline
    assert {gun.state for gun in answer.guns.values()} == {"not read"}


def test_a_measurement_offers_the_shortfall_of_each_gun_whose_law_it_found() -> None:
    found = readings_seen(measurement(**light()))
    assert [(r.gun, r.kind, r.value, r.spread) for r in found] == [
        ("red", "shortfall_seen", 0.0, 0.01),
        ("green", "shortfall_seen", 0.3, 0.01),
        ("blue", "shortfall_seen", 0.0, 0.01),
    ]
    assert readings_seen(measurement()) == ()
    tracking = light()["tracking"]
    guns = dict(tracking.guns)
    guns["red"] = Unsupported(reason="overexposed", would_settle="a shorter exposure")
    guns["blue"] = replace(guns["blue"], shortfall_ratio=Figure(value=-0.02, sd=0.00001))
    some = readings_seen(measurement(tracking=replace(tracking, guns=guns)))
    assert [(r.gun, r.value, r.spread) for r in some] == [("green", 0.3, 0.01), ("blue", 0.0, 0.001)]


def red(*readings: dict[str, Any]) -> GunReadings:
    return normalise(case(readings=list(readings)), knowledge(), NO_EXPERIENCE).guns["red"]


def test_the_surest_counts_and_one_without_a_spread_gets_the_usual() -> None:
    two = red(seen(0.3, 0.05, at="2026-05-01"), seen(0.2, 0.02, at="2026-05-02"))
    assert two.shortfall == Shortfall(ratio=0.2, sd=0.02)
    unsaid = red(seen(0.3, None)).shortfall
    assert unsaid == Shortfall(ratio=0.3, sd=knowledge().value("shortfall_spread_default"))
    assert red(seen(0.3, 0.05, gun="green")).shortfall is None


def test_what_was_seen_of_another_state_of_the_tube_is_left_out() -> None:
    after = emission((0.8, 0.8, 0.8), stage="after", at="2026-05-10")
    assert red(*after, seen(0.3, stage="before")).shortfall is None
    assert red(*after, seen(0.3, stage="after", at="2026-05-10")).shortfall is not None
    assert red(*after, seen(0.3, stage="after", at="2020-05-10")).shortfall is None


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (seen(1.2), "give it from 0 for none to 1"),
        (seen(0.2) | {"gun": None}, "needs its gun"),
        (seen(0.2) | {"unit": "percent"}, "does not measure"),
        (seen(0.2, 0.0), "greater than 0"),
        ({"gun": "red", "kind": "emission", "value": 1, "unit": "rel", "spread": 0.1}, "takes no spread"),
    ],
)
def test_a_case_refuses_what_makes_no_sense(wrong: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Reading.model_validate(wrong)
