"""The cloud of tubes that fit the readings: what it makes of level, slump, cutoff and repetition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from answers.worked import case, cutoffs, emission, knowledge
from tubewright.case import Case
from tubewright.experience import NO_EXPERIENCE
from tubewright.judgement.condition import Condition, infer_condition, predicted_log_ratio
from tubewright.judgement.learning import learn
from tubewright.judgement.prior import poison_share
from tubewright.judgement.readings import normalise
from tubewright.physics.cathode import emission_fraction

RED = 0
SLUMP_OF_WEAR = (0.66, 0.9, 0.9)


def cloud(given_case: Case, *, seed: int = 1, misread_odds: float = 1.0, particles: int = 2000) -> Condition:
    k = knowledge()
    return infer_condition(
        given_case,
        normalise(given_case, k, NO_EXPERIENCE),
        k,
        learn(k, NO_EXPERIENCE),
        np.random.default_rng(seed),
        particles=particles,
        misread_odds=misread_odds,
    )


def median(values: NDArray[np.float64]) -> float:
    return float(np.median(values))


def width(values: NDArray[np.float64]) -> float:
    """The middle 80 % of the logarithm."""
    low, high = np.quantile(np.log(values), (0.1, 0.9))
    return float(high - low)


def white(c: Condition) -> float:
    """Weakest gun; enough for the laws, whatever the white point."""
    return median(c.relative_emission.min(axis=1))


def test_the_same_seed_gives_the_same_cloud_and_another_a_like_one() -> None:
    given_case = case(readings=emission((0.33, 0.6, 0.62), SLUMP_OF_WEAR))
    one, again, other = cloud(given_case), cloud(given_case), cloud(given_case, seed=2)
    assert np.array_equal(one.relative_emission, again.relative_emission)
    assert np.array_equal(one.wear_time_h, again.wear_time_h)
    assert not np.array_equal(one.reserve, other.reserve)
    assert median(one.reserve[:, RED]) == pytest.approx(median(other.reserve[:, RED]), rel=0.1)


def test_every_particle_is_a_possible_tube() -> None:
    c = cloud(case(readings=emission((0.33, 0.6, 0.62), SLUMP_OF_WEAR)))
    assert c.particles == 2000
    for values in (c.relative_emission, c.reserve, c.gain, c.wear_time_h):
        assert np.all(np.isfinite(values))
        assert np.all(values > 0)
    expected = c.gain * emission_fraction(c.reserve, c.knee[:, None]) / c.good_fraction[:, None]
    assert np.allclose(c.relative_emission, expected)
    assert c.read == (True, True, True)


def test_a_gun_that_was_not_read_is_not_said_to_be_read() -> None:
    assert cloud(case(readings=emission((0.5, None, 0.6)))).read == (True, False, True)
    assert cloud(case()).read == (False, False, False)


@given(level=st.floats(min_value=0.12, max_value=0.9))
@settings(max_examples=15)
def test_three_guns_read_alike_are_believed_about_as_read(level: float) -> None:
    c = cloud(case(readings=emission((level,) * 3, (0.5 + 0.45 * level,) * 3)), particles=600)
    assert median(c.relative_emission) == pytest.approx(level, rel=0.2)


@given(low=st.floats(min_value=0.08, max_value=0.85), step=st.floats(min_value=0.06, max_value=0.4))
@settings(max_examples=15)
def test_better_emission_never_gives_a_worse_white(low: float, step: float) -> None:
    better = min(low + step, 1.0)
    worse = cloud(case(readings=emission((low,) * 3)), particles=600)
    improved = cloud(case(readings=emission((better,) * 3)), particles=600)
    assert white(improved) >= white(worse) - 0.01


@given(low=st.integers(min_value=100, max_value=600), step=st.integers(min_value=50, max_value=300))
@settings(max_examples=15)
def test_one_worn_gun_read_better_never_gives_a_worse_white(low: int, step: int) -> None:
    """Where the slump says that it is the cathode; a low reading without one may be a contact."""
    worse, improved = (
        cloud(
            case(readings=emission((red, 700, 700), (0.6, 0.9, 0.9), unit="uA", reference=1000, reference_cutoff_v=58)),
            particles=600,
        )
        for red in (low, low + step)
    )
    assert white(improved) >= white(worse) - 0.01


def test_a_reading_taken_twice_narrows() -> None:
    once = emission((0.4, 0.6, 0.62), SLUMP_OF_WEAR)
    twice = [*once, *emission((0.4, 0.6, 0.62), minutes_on=25)]
    assert width(cloud(case(readings=twice)).relative_emission[:, RED]) < width(
        cloud(case(readings=once)).relative_emission[:, RED]
    )


@pytest.mark.parametrize(("level", "kept"), [(0.33, 0.66), (0.55, 0.82), (0.8, 0.92)])
def test_a_missing_slump_widens_the_reserve(level: float, kept: float) -> None:
    guessed = width(cloud(case(readings=emission((level,) * 3))).reserve[:, RED])
    known = width(cloud(case(readings=emission((level,) * 3, (kept,) * 3))).reserve[:, RED])
    assert known < 0.9 * guessed


def test_a_better_slump_means_more_reserve() -> None:
    medians = [
        median(
            cloud(
                case(readings=emission((400, 700, 700), (kept, 0.9, 0.9), unit="uA", reference=1000)), particles=4000
            ).reserve[:, RED]
        )
        for kept in (0.5, 0.6, 0.7, 0.8, 0.9)
    ]
    assert medians == sorted(medians)
    assert medians[-1] > 3 * medians[0]


def test_a_low_gun_that_does_not_slump_is_suspected_of_being_misread() -> None:
    """The slump separates a worn cathode from a low reading of another cause."""
    slumps = cloud(case(readings=emission((0.25, 0.7, 0.7), (0.6, 0.9, 0.9)))).misread[:, RED].mean()
    holds = cloud(case(readings=emission((0.25, 0.7, 0.7), (0.92, 0.9, 0.9)))).misread[:, RED].mean()
    assert slumps < 0.04
    assert holds > 0.3


def test_tests_of_the_socket_move_the_doubt_in_a_low_reading() -> None:
    low = case(readings=emission((0.25, 0.7, 0.7)))
    shares = [cloud(low, misread_odds=odds).misread[:, RED].mean() for odds in (0.1, 1.0, 10.0)]
    assert shares == sorted(shares)
    assert shares[2] > shares[0] + 0.2


def test_a_coarse_scale_leaves_the_level_wide() -> None:
    """Strong guns, where what is known of tubes in general adds least to the readings."""
    coarse = cloud(case(readings=emission((95, 95, 97), unit="percent")))
    stated = cloud(case(readings=emission((95, 95, 97), unit="percent", reference=100)))
    assert width(coarse.relative_emission[:, 1]) > 1.15 * width(stated.relative_emission[:, 1])


def test_the_balance_of_the_guns_does_not_hang_on_the_scale() -> None:
    coarse = cloud(case(readings=emission((33, 60, 62), SLUMP_OF_WEAR, unit="percent")))
    balance = coarse.relative_emission[:, 0] / coarse.relative_emission[:, 1]
    assert median(balance) == pytest.approx(33 / 60, rel=0.25)


def test_an_unread_gun_keeps_to_what_is_known_of_its_tube() -> None:
    """Guns of one tube share their past: two worn ones speak for a worn third, with a wide spread."""
    worn = cloud(case(readings=emission((None, 0.3, 0.3), (None, 0.6, 0.6))))
    strong = cloud(case(readings=emission((None, 0.95, 0.95), (None, 0.94, 0.94))))
    assert median(worn.reserve[:, RED]) < 0.5 * median(strong.reserve[:, RED])
    # Beside weak guns it is as likely weak as not; beside strong ones hardly ever.
    assert 0.3 < (worn.relative_emission[:, RED] < 0.4).mean() < 0.8
    assert (strong.relative_emission[:, RED] < 0.4).mean() < 0.1
    assert width(worn.relative_emission[:, RED]) > 2 * width(worn.relative_emission[:, 1])


def test_service_hours_speak_where_readings_are_silent() -> None:
    young = cloud(case(tube={"service_hours": 1000.0}))
    old = cloud(case(tube={"service_hours": 40_000.0}))
    assert median(young.relative_emission) > 1.5 * median(old.relative_emission)


def test_long_idleness_makes_poison_likely() -> None:
    weak = emission((0.35, 0.34, 0.36), (0.7, 0.7, 0.7))
    share = {years: cloud(case(readings=weak, tube={"idle_years": years})).poisoned.mean() for years in (0.0, 10.0)}
    assert share[10.0] > share[0.0] + 0.2
    k = knowledge()
    shares = [poison_share(case(tube=tube), k) for tube in ({"idle_years": 0.1}, {}, {"idle_years": 5.0})]
    assert shares == sorted(shares)


def test_evenly_weak_guns_speak_for_poison_and_one_weak_gun_alone_does_not() -> None:
    """Idleness takes its share from all three guns of a tube alike."""
    idle = {"idle_years": 10.0}
    even = cloud(case(readings=emission((0.351, 0.341, 0.361), (0.71, 0.7, 0.71)), tube=idle)).poisoned.mean()
    single = cloud(case(readings=emission((0.351, 0.701, 0.721), (0.71, 0.9, 0.9)), tube=idle)).poisoned.mean()
    strong = cloud(case(readings=emission((0.901, 0.881, 0.921), (0.94, 0.94, 0.94)), tube=idle)).poisoned.mean()
    share = knowledge().value("poison_share_idle")
    assert even > share + 0.05
    assert single < even - 0.1
    assert strong < share - 0.2


def test_poison_weakens_all_three_guns_of_a_tube() -> None:
    c = cloud(case(tube={"idle_years": 10.0}))
    poisoned, sound = c.reserve[c.poisoned], c.reserve[~c.poisoned]
    for gun in range(3):
        assert median(poisoned[:, gun]) < 0.5 * median(sound[:, gun])
    assert np.corrcoef(np.log(poisoned), rowvar=False)[0, 1] > 0.7


def test_three_guns_low_together_that_hold_their_emission_are_taken_for_a_wrong_setting() -> None:
    """Half the grid 2 voltage makes three good guns read a third; then all are false, and the tube is good."""
    wrong = cloud(case(readings=emission((0.301, 0.311, 0.302), (0.92, 0.92, 0.92))))
    worn = cloud(case(readings=emission((0.301, 0.311, 0.302), (0.62, 0.62, 0.62))))
    assert wrong.misread.all(axis=1).mean() > 0.9
    assert median(wrong.relative_emission) > 0.6
    assert worn.misread.all(axis=1).mean() < 0.1
    assert median(worn.relative_emission) < 0.4


def test_a_wrong_setting_spoils_no_gun_alone() -> None:
    """Beside two good guns, a low one that holds its emission is a matter of its own contact."""
    c = cloud(case(readings=emission((0.251, 0.701, 0.702), (0.92, 0.9, 0.9))))
    assert c.misread[:, RED].mean() > 0.3
    assert c.misread[:, 1].mean() < 0.1
    assert c.misread[:, 2].mean() < 0.1


def test_a_gun_that_keeps_more_than_its_level_explains_speaks_for_a_patchy_cathode() -> None:
    """At 0.66 an even cathode keeps about 0.76 at ten per cent less heater, a patchy one about 0.86."""
    patchy = [
        (cloud(case(readings=emission((0.66,) * 3, (kept,) * 3))).knee == knowledge().value("knee_patchy")).mean()
        for kept in (0.76, 0.80, 0.86)
    ]
    assert patchy == sorted(patchy)
    assert patchy[-1] > patchy[0] + 0.1


def test_a_round_number_is_not_a_vaguer_reading_than_its_neighbour() -> None:
    """0.50 and 0.5 are the same number in a file, so it can't be told what was written."""
    for round_, fine in ((0.2, 0.201), (0.5, 0.501), (1.0, 1.001), (0.3, 0.301)):
        widths = [
            width(
                cloud(case(readings=emission((level, 0.71, 0.72), (0.751, 0.91, 0.91)))).relative_emission[:, RED],
            )
            for level in (round_, fine)
        ]
        assert widths[0] == pytest.approx(widths[1], rel=0.15)


def test_few_hours_and_little_emission_after_idling_point_to_poison_not_wear() -> None:
    weak = emission((0.35, 0.34, 0.36), (0.7, 0.7, 0.7))
    few = cloud(case(readings=weak, tube={"idle_years": 10.0, "service_hours": 2000.0})).poisoned.mean()
    many = cloud(case(readings=weak, tube={"idle_years": 10.0, "service_hours": 40_000.0})).poisoned.mean()
    assert few > many


def ratio_of_correction(reserve: float) -> float:
    """How much a cutoff of 60 V in place of 50 V raises what a gun of this reserve shows."""
    base = emission((0.5, 0.5, 0.5), reference=1.0, reference_cutoff_v=50)
    k = knowledge()
    plain, higher = (
        normalise(case(readings=[*base, *cutoffs((volts,) * 3)]), k, NO_EXPERIENCE).guns["red"] for volts in (50, 60)
    )
    shown = [
        float(predicted_log_ratio(np.array(reserve), readings, 1.0, 1.35, 0.92, 6.3, 6.3))
        for readings in (plain, higher)
    ]
    return float(np.exp(shown[1] - shown[0]))


def test_the_cutoff_correction_acts_fully_at_high_reserve_and_hardly_at_a_spent_cathode() -> None:
    full = 1.2**1.5
    assert ratio_of_correction(1000.0) == pytest.approx(full, rel=0.01)
    assert ratio_of_correction(0.01) == pytest.approx(1.0, abs=0.01)
    steps = [ratio_of_correction(r) for r in (0.01, 0.1, 1.0, 10.0, 1000.0)]
    assert steps == sorted(steps)


def test_allowing_for_a_low_cutoff_lifts_a_strong_gun_more_than_a_spent_one() -> None:
    def lifted(level: float, kept: float) -> float:
        base = emission((level,) * 3, (kept,) * 3, reference=1.0, reference_cutoff_v=58)
        low, same = (
            median(cloud(case(readings=[*base, *cutoffs((volts,) * 3)])).relative_emission[:, RED])
            for volts in (45, 58)
        )
        return low / same

    strong, spent = lifted(0.6, 0.93), lifted(0.15, 0.5)
    # The full correction is 1.46; the shared scale takes up the rest of it.
    assert strong > 1.1
    assert 1.0 < spent < 1.06
    assert strong > spent + 0.05


def test_readings_that_no_law_explains_fall_back_on_what_is_known_without_them() -> None:
    """A retention that nothing explains must not end in a crash or in empty arrays."""
    c = cloud(case(readings=emission((1.7, 0.02, 1.7), (0.2, 0.99, 0.2))))
    assert np.all(np.isfinite(c.relative_emission))
    assert c.particles == 2000
