"""Readings of any instrument on any scale become the same ratios to a good gun."""

from __future__ import annotations

import datetime as dt
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from answers.worked import case, cutoffs, emission, knowledge, with_more
from tubewright.case import GUNS, Case, Reading, Unit
from tubewright.experience import NO_EXPERIENCE, Experience, KnownGoodReading
from tubewright.judgement.readings import NormalisedReadings, current_readings, normalise
from tubewright.judgement.references import calibrate

LEVELS = (0.3, 0.6, 0.65)
LOFT = "the grey box"


def normal(
    given_case: Case, experience: Experience = NO_EXPERIENCE, without: frozenset[int] = frozenset()
) -> NormalisedReadings:
    return normalise(given_case, knowledge(), experience, without=without)


def ratios(normalised: NormalisedReadings) -> list[float]:
    found = [normalised.guns[gun].full for gun in GUNS]
    return [reading.ratio for reading in found if reading is not None]


def good_guns(count: int, spread: float, unit: Unit = "uA", middle: float = 500.0) -> Experience:
    """Readings on good guns, evenly spread about the middle in their logarithm."""
    steps = [spread * (2 * i / max(count - 1, 1) - 1) if count > 1 else 0.0 for i in range(count)]
    return Experience(
        known_good=tuple(
            KnownGoodReading(instrument=LOFT.upper(), value=middle * math.exp(s), unit=unit, cutoff_v=55.0)
            for s in steps
        )
    )


@pytest.mark.parametrize(
    ("unit", "factor", "reference"),
    [("uA", 420.0, 420.0), ("mA", 0.9, 0.9), ("percent", 100.0, 100.0), ("percent", 80.0, 80.0), ("div", 40.0, 40.0)],
)
def test_the_unit_of_the_instrument_does_not_matter(unit: str, factor: float, reference: float) -> None:
    plain = normal(case(readings=emission(LEVELS, (0.7, 0.9, 0.9), reference=1.0)))
    other = normal(
        case(readings=emission([factor * v for v in LEVELS], (0.7, 0.9, 0.9), unit=unit, reference=reference))
    )
    assert ratios(other) == pytest.approx(ratios(plain))
    assert other.scale_sd_ln == plain.scale_sd_ln
    for gun in GUNS:
        assert other.guns[gun].pairs[0].retention == pytest.approx(plain.guns[gun].pairs[0].retention)


@given(scale=st.floats(min_value=0.01, max_value=1000), level=st.floats(min_value=0.02, max_value=1.5))
def test_only_the_ratio_to_the_reference_counts(scale: float, level: float) -> None:
    one = case(readings=emission((scale * level, None, None), unit="uA", reference=scale))
    assert ratios(normal(one)) == pytest.approx([level])


def test_a_scale_without_a_reference_gun_is_coarse_and_says_so() -> None:
    percent = normal(case(readings=emission([100 * v for v in LEVELS], unit="percent")))
    divisions = normal(case(readings=emission([50 * v for v in LEVELS], unit="div", full_scale=50)))
    stated = normal(case(readings=emission(LEVELS, reference=1.0)))
    # A good gun stands a little under the end of such a scale, wherever that is.
    mark = knowledge().value("scale_good_mark")
    assert ratios(percent) == pytest.approx([v / mark for v in LEVELS])
    assert ratios(divisions) == pytest.approx(ratios(percent))
    assert 0.75 < mark < 1.0
    assert "coarse" in percent.scale_words
    assert "coarse" in divisions.scale_words
    assert percent.scale_sd_ln > 2 * stated.scale_sd_ln


def test_with_no_scale_at_all_only_the_guns_can_be_compared() -> None:
    found = normal(case(readings=emission((150, 600, 300), unit="uA")))
    assert "no reference" in found.scale_words
    red, green, blue = ratios(found)
    assert green == pytest.approx(4 * red)
    assert blue == pytest.approx(2 * red)
    assert found.scale_sd_ln > normal(case(readings=emission((20, 60, 70), unit="percent"))).scale_sd_ln


def test_readings_on_good_guns_replace_the_missing_reference() -> None:
    mine = case(readings=emission((150, 500, 450), unit="uA", instrument=LOFT))
    found = normal(mine, good_guns(6, 0.1))
    assert ratios(found) == pytest.approx((0.3, 1.0, 0.9), rel=0.01)
    assert found.scale_words == "calibrated by 6 of the shop's own readings on good guns"
    elsewhere = normal(case(readings=emission((150, 500, 450), unit="uA", instrument="another box")), good_guns(6, 0.1))
    assert "no reference" in elsewhere.scale_words


def test_good_guns_read_in_milliamperes_calibrate_a_reading_in_microamperes() -> None:
    mine = case(readings=emission((150, 500, 450), unit="uA", instrument=LOFT))
    assert ratios(normal(mine, good_guns(5, 0.1, "mA", 0.5))) == pytest.approx((0.3, 1.0, 0.9), rel=0.01)
    assert calibrate(LOFT, good_guns(5, 0.1, "percent").known_good, "uA") is None


def test_the_more_good_guns_the_better_the_scale_is_known() -> None:
    mine = case(readings=emission((150, 500, 450), unit="uA", instrument=LOFT))
    spreads = [normal(mine, good_guns(count, 0.1)).scale_sd_ln for count in (1, 2, 4, 8, 16)]
    assert spreads == sorted(spreads, reverse=True)
    assert spreads[-1] < spreads[0] / 2
    assert spreads[0] < normal(mine).scale_sd_ln


def test_what_is_stated_with_the_reading_goes_before_the_calibration() -> None:
    mine = case(readings=emission((150, 500, 450), unit="uA", instrument=LOFT, reference=1000.0))
    assert ratios(normal(mine, good_guns(6, 0.1))) == pytest.approx((0.15, 0.5, 0.45))


def test_repeating_a_steady_reading_narrows_it() -> None:
    once = normal(case(readings=emission(LEVELS))).guns["red"].full
    twice = normal(case(readings=[*emission(LEVELS), *emission(LEVELS, minutes_on=25)])).guns["red"].full
    assert once is not None
    assert twice is not None
    assert twice.sd_ln < once.sd_ln
    assert twice.sd_ln > once.sd_ln / 2
    assert twice.ratio == pytest.approx(once.ratio)


def test_repeating_helps_the_hand_but_not_the_instrument() -> None:
    often = [r for minute in range(10, 42) for r in emission(LEVELS, minutes_on=minute)]
    once, found = (normal(case(readings=r)).guns["red"].full for r in (emission(LEVELS), often))
    assert once is not None
    assert found is not None
    assert 0.5 * once.sd_ln < found.sd_ln < 0.9 * once.sd_ln


def test_the_finest_number_written_tells_the_step_of_the_scale() -> None:
    """Thirty divisions beside sixty may be rounded; beside 60.5 they are not."""

    def spread(*divisions: float) -> float:
        found = normal(case(readings=emission(divisions, unit="div", full_scale=100))).guns["red"].full
        assert found is not None
        return found.sd_ln

    assert spread(3, 60, 70) > 1.1 * spread(3, 60.5, 70)
    assert spread(3, 60.5, 70) == pytest.approx(spread(3.0, 61.5, 70))


def test_while_a_gun_is_still_moving_only_its_last_reading_counts() -> None:
    found = normal(case(readings=[*emission((0.3, 0.6, 0.6)), *emission((0.36, 0.61, 0.5), minutes_on=25)]))
    red, green, blue = (found.guns[gun] for gun in GUNS)
    assert red.full is not None
    assert red.full.ratio == pytest.approx(0.36)
    assert red.trend_percent == pytest.approx(20)
    assert green.full is not None
    assert green.full.ratio == pytest.approx(math.sqrt(0.6 * 0.61))
    assert blue.trend_percent == pytest.approx(-100 / 6)


def test_one_reading_has_no_trend() -> None:
    assert normal(case(readings=emission(LEVELS))).guns["red"].trend_percent is None


def test_a_cold_reading_is_wide() -> None:
    cold = normal(case(readings=emission(LEVELS, minutes_on=1))).guns["red"].full
    warm = normal(case(readings=emission(LEVELS, minutes_on=10))).guns["red"].full
    assert cold is not None
    assert warm is not None
    assert cold.sd_ln > 2 * warm.sd_ln


def test_the_slump_is_the_lower_reading_over_the_higher() -> None:
    pair = normal(case(readings=emission(LEVELS, (0.71, None, None)))).guns["red"].pairs
    assert len(pair) == 1
    assert pair[0].retention == pytest.approx(0.71)
    assert pair[0].low_heater_ratio == pytest.approx(0.9)
    assert pair[0].high_heater_ratio == pytest.approx(1.0)


def test_a_reduced_reading_alone_is_no_slump() -> None:
    found = normal(case(readings=emission(LEVELS, rated_v=5.6), tube={"heater_v": 6.3}))
    assert not found.any_emission
    assert all(not found.guns[gun].pairs for gun in GUNS)


def test_the_rated_heater_of_the_tube_decides_what_is_reduced() -> None:
    small = case(readings=emission(LEVELS, (0.9, 0.9, 0.9), rated_v=12.0), tube={"heater_v": 12.0})
    found = normal(small)
    assert found.any_emission
    assert not found.rated_heater_assumed
    assert found.guns["red"].pairs[0].low_heater_ratio == pytest.approx(0.9)
    assert normal(case(readings=emission(LEVELS))).rated_heater_assumed


def test_a_gun_with_a_higher_cutoff_reads_higher_by_its_power_one_and_a_half() -> None:
    found = normal(case(readings=[*emission(LEVELS, reference=1.0, reference_cutoff_v=50), *cutoffs((50, 40, 72))]))
    shares = [found.guns[gun].cutoff_share for gun in GUNS]
    assert shares == pytest.approx([1.0, 0.8**1.5, 1.44**1.5])


def test_cutoff_is_carried_over_to_the_grid_2_voltage_of_the_emission_reading() -> None:
    """Cutoff is proportional to grid 2: 60 V at 400 V is 45 V at 300 V."""
    readings = emission(LEVELS, reference=1.0, reference_cutoff_v=45.0, g2_v=300.0)
    found = normal(case(readings=[*readings, *cutoffs((60, 60, 60), g2_v=400.0)]))
    assert found.guns["red"].cutoff_share == pytest.approx(1.0)


def test_an_unknown_cutoff_widens_instead_of_correcting() -> None:
    found = normal(case(readings=emission((450, 480, 460), unit="uA", reference=500)))
    assert found.guns["red"].cutoff_share == 1.0
    assert found.guns["red"].cutoff_share_sd_ln > 0


def test_readings_after_a_treatment_replace_those_before_it_gun_by_gun() -> None:
    both = case(readings=[*emission(LEVELS, stage="before"), *emission((0.55, None, None), stage="after")])
    assert ratios(normal(both)) == pytest.approx((0.55, 0.6, 0.65))


@pytest.mark.parametrize(("days", "kept"), [(3, 2), (30, 1)])
def test_only_dated_readings_of_the_last_sitting_count(days: int, kept: int) -> None:
    last = dt.date(2024, 5, 20)
    readings = [
        Reading(gun="red", kind="emission", value=0.5, unit="rel", at=at)
        for at in (last - dt.timedelta(days=days), last)
    ]
    assert len(current_readings(readings, 7.0)) == kept


def test_undated_and_dated_and_timed_readings_may_be_mixed() -> None:
    readings = [
        Reading(gun="red", kind="emission", value=0.5, unit="rel"),
        Reading(gun="red", kind="emission", value=0.5, unit="rel", at=dt.date(2024, 5, 20)),
        Reading(gun="red", kind="emission", value=0.5, unit="rel", at=dt.datetime(2024, 5, 20, 9, tzinfo=dt.UTC)),
    ]
    assert len(current_readings(readings, 7.0)) == 3


def test_what_a_check_has_thrown_out_is_not_used() -> None:
    given_case = case(readings=emission(LEVELS))
    assert normal(given_case, without=frozenset({0})).guns["red"].full is None
    assert ratios(normal(given_case, without=frozenset({0}))) == pytest.approx((0.6, 0.65))


def test_a_reading_of_nothing_says_only_that_there_is_next_to_nothing() -> None:
    """Zero has no logarithm: it stands for anything too small to see, with a wide spread."""
    dark = normal(case(readings=emission((0.0, 0.6, 0.6)))).guns["red"].full
    lit = normal(case(readings=emission((0.3, 0.6, 0.6)))).guns["red"].full
    assert dark is not None
    assert lit is not None
    assert 0 < dark.ratio < 0.05
    assert dark.sd_ln > 3 * lit.sd_ln


def test_adding_a_reading_of_one_gun_leaves_the_others_alone() -> None:
    base = case(readings=emission(LEVELS, reference=1.0))
    more = with_more(base, readings=emission((0.31, None, None), reference=1.0, minutes_on=30))
    assert normal(more).guns["green"] == normal(base).guns["green"]
