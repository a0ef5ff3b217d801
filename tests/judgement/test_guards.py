"""A step opens only when what it needs has been confirmed, and for as long as that holds."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.errors import InputError, RefusedError
from tubewright.judgement.guards import (
    Condition,
    GuardedStep,
    StepSort,
    for_how_long,
    guarded,
    open_closing,
    open_conditions,
    require_open,
)
from tubewright.knowledge.load import load_knowledge

NOON: Final = dt.datetime(2031, 6, 1, 12, 0, tzinfo=dt.UTC)
KNOWN: Final = load_knowledge()


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A confirmation, as many minutes before noon."""

    caution: str
    step: str
    step_sort: StepSort = "test"
    minutes_ago: float = 0

    @property
    def at(self) -> dt.datetime:
        return NOON - dt.timedelta(minutes=self.minutes_ago)


def said_all(step: GuardedStep, minutes_ago: float = 0) -> list[Said]:
    return [
        Said(caution=one.caution, step=step.id, step_sort=step.sort, minutes_ago=minutes_ago) for one in step.conditions
    ]


def left(step: GuardedStep, *said: Said) -> set[str]:
    return {one.caution for one in open_conditions(step, said, NOON)}


BPLUS: Final = guarded(KNOWN, "test", "d_bplus")
GETTER: Final = guarded(KNOWN, "test", "v_getter")
FLYBACK: Final = guarded(KNOWN, "repair", "fb_shorted_turns")


def test_nothing_confirmed_leaves_everything_open() -> None:
    assert left(BPLUS) == {one.caution for one in BPLUS.conditions}
    assert {"local_rules", "mains_live", "hot_chassis"} <= left(BPLUS)
    assert all(one.words == KNOWN.cautions[one.caution].confirm for one in BPLUS.conditions)


def test_all_confirmed_opens_it_and_one_missing_keeps_it_shut() -> None:
    said = said_all(BPLUS, 1)
    assert left(BPLUS, *said) == set()
    require_open(BPLUS, said, NOON)
    for missing in said:
        assert left(BPLUS, *(one for one in said if one is not missing)) == {missing.caution}


def test_a_step_that_endangers_nobody_is_open() -> None:
    harmless = [guarded(KNOWN, "test", name) for name, test in KNOWN.tests.items() if not test.cautions]
    assert all(not open_conditions(step, (), NOON) for step in harmless)


def test_the_rules_of_the_place_hold_for_the_job_and_one_hand_for_this_step() -> None:
    elsewhere = [Said(caution=one.caution, step="d_rails", minutes_ago=5) for one in BPLUS.conditions]
    assert "local_rules" not in left(BPLUS, *elsewhere)
    assert "hot_chassis" not in left(BPLUS, *elsewhere)
    assert "mains_live" in left(BPLUS, *elsewhere)
    last_month = [Said(caution="local_rules", step="d_rails", minutes_ago=40_000)]
    assert "local_rules" not in left(BPLUS, *last_month)


@pytest.mark.parametrize(("minutes_ago", "shut"), [(9.9, False), (10.0, False), (10.1, True)])
def test_the_second_draining_lasts_ten_minutes(minutes_ago: float, shut: bool) -> None:
    (recharge,) = [one for one in FLYBACK.conditions if one.caution == "recharge"]
    assert (recharge.holds, recharge.minutes) == ("step", 10)
    assert ("recharge" in left(FLYBACK, *said_all(FLYBACK, minutes_ago))) is shut


def test_a_set_that_ran_since_has_its_charge_again() -> None:
    drained = Said(caution="anode_charge", step="v_anode_area", minutes_ago=20)
    assert "anode_charge" not in left(FLYBACK, drained)
    for powered in ("mains_live", "eht_live", "low_voltage_live", "eyes_only"):
        ran = Said(caution=powered, step="d_bplus", minutes_ago=10)
        assert "anode_charge" in left(FLYBACK, drained, ran), powered
        before = Said(caution=powered, step="d_bplus", minutes_ago=30)
        assert "anode_charge" not in left(FLYBACK, drained, before), powered


def test_what_was_confirmed_at_one_go_for_another_powered_step_is_spent() -> None:
    together = [Said(caution=name, step="d_eht", minutes_ago=5) for name in ("anode_charge", "eht_live", "local_rules")]
    assert "anode_charge" in left(FLYBACK, *together)
    for_this = said_all(FLYBACK, 5)
    assert "anode_charge" not in left(FLYBACK, *for_this)


def test_what_was_confirmed_for_a_step_is_spent_once_it_is_done() -> None:
    said = said_all(BPLUS, 5)
    done = {("test", "d_bplus"): NOON - dt.timedelta(minutes=3)}
    kept = {
        one.caution for one in open_conditions(BPLUS, said, NOON, cast("dict[tuple[StepSort, str], dt.datetime]", done))
    }
    assert kept == {one.caution for one in BPLUS.conditions if one.holds == "step"}
    assert "mains_live" in kept


def test_a_word_from_the_future_counts_for_nothing() -> None:
    assert left(BPLUS, *said_all(BPLUS, -1)) == {one.caution for one in BPLUS.conditions}


def test_a_refusal_says_what_must_be_confirmed_and_how() -> None:
    with pytest.raises(RefusedError) as caught:
        require_open(FLYBACK, (), NOON)
    assert caught.value.exit_code == 3
    text = str(caught.value)
    for condition in FLYBACK.conditions:
        assert condition.words in text
        assert condition.warning in text
    assert "Flyback winding shorted" in text
    assert "holds for this step only, for 10 minutes at most, unless the set has run since" in text
    assert caught.value.faults[-1].mend.startswith("Local codes and licensed practice come before")


def test_what_comes_after_a_repair_is_not_asked_before_it() -> None:
    after = {one.caution for one in FLYBACK.closing}
    assert after >= {"gate_eht_before_release", "gate_bplus_first", "fire"}
    assert not after & {one.caution for one in FLYBACK.conditions}
    burn_in = guarded(KNOWN, "test", "x_burnin")
    assert "fire" in {one.caution for one in burn_in.conditions}
    assert burn_in.closing == ()


def test_a_repair_is_closed_by_words_given_after_it() -> None:
    done = NOON - dt.timedelta(minutes=30)
    words = [Said(caution=one.caution, step=FLYBACK.id, step_sort="repair", minutes_ago=10) for one in FLYBACK.closing]
    early = [Said(caution=one.caution, step=FLYBACK.id, step_sort="repair", minutes_ago=31) for one in FLYBACK.closing]
    other = [Said(caution=one.caution, step="fb_core_loose", step_sort="repair") for one in FLYBACK.closing]
    assert open_closing(FLYBACK, done, words, NOON) == ()
    assert open_closing(FLYBACK, done, early, NOON) == FLYBACK.closing
    assert open_closing(FLYBACK, done, other, NOON) == FLYBACK.closing
    assert open_closing(FLYBACK, done, words[1:], NOON) == FLYBACK.closing[:1]


@pytest.mark.parametrize(
    ("sort", "step", "says"),
    [
        ("test", "d_bpuls", "d_bplus"),
        ("repair", "fb_shorted_turn", "fb_shorted_turns"),
        ("treatment", "cleann", "clean"),
        ("test", "qqqq", "tubewright list"),
        ("dance", "d_bplus", "test, repair, treatment"),
    ],
)
def test_a_step_that_is_not_known_is_said_so(sort: str, step: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        guarded(KNOWN, cast("StepSort", sort), step)


def test_every_step_on_live_or_charged_parts_asks_for_something() -> None:
    """No step of H1 to H4, and none on a running set, opens without a word; a repair asks for power off."""
    for name, test in KNOWN.tests.items():
        if test.hazard != "H0" or test.running:
            assert guarded(KNOWN, "test", name).conditions, name
    for name, fault in KNOWN.faults.items():
        if fault.hazard != "H0":
            asked = {one.caution for one in guarded(KNOWN, "repair", name).conditions}
            assert {"gate_power_off", "anode_charge", "primary_reservoir"} <= asked, name
    for name in KNOWN.treatments:
        if KNOWN.treatments[name].hazard != "H0":
            assert guarded(KNOWN, "treatment", name).conditions, name


def test_every_running_step_undoes_what_a_cold_set_was_found_to_be() -> None:
    undoing = set(KNOWN.cautions["anode_charge"].undone_by)
    for name, test in KNOWN.tests.items():
        if test.running:
            assert undoing & set(test.cautions), name
    for name in undoing:
        # A condition that held on would not be confirmed again, and so not tell that the set ran again.
        assert KNOWN.cautions[name].holds == "step", name


def test_every_caution_of_ours_says_for_how_long_its_word_holds() -> None:
    for caution in KNOWN.cautions.values():
        assert caution.holds == "job" or caution.holds_minutes, caution.id


@pytest.mark.parametrize(
    ("holds", "minutes", "says"),
    [
        ("job", None, "that holds for the rest of the job"),
        ("minutes", 60.0, "that holds for 60 minutes"),
        ("step", 15.0, "that holds for this step only, for 15 minutes at most"),
    ],
)
def test_how_long_in_words(holds: str, minutes: float | None, says: str) -> None:
    one = Condition(caution="c", warning="w", words="x", holds=holds, minutes=minutes)  # type: ignore[arg-type]
    assert for_how_long(one) == says


@given(
    st.lists(
        st.builds(
            Said,
            caution=st.sampled_from(sorted({one.caution for one in (*BPLUS.conditions, *FLYBACK.conditions)})),
            step=st.sampled_from(["d_bplus", "fb_shorted_turns", "v_getter"]),
            step_sort=st.sampled_from(["test", "repair"]),
            minutes_ago=st.integers(-5, 300),
        ),
        max_size=12,
    ),
    st.randoms(use_true_random=False),
)
def test_order_doesn_t_matter_and_time_only_shuts(said: list[Said], rng: object) -> None:
    shuffled = list(said)
    rng.shuffle(shuffled)  # type: ignore[attr-defined]
    for step in (BPLUS, FLYBACK, GETTER):
        now = {one.caution for one in open_conditions(step, said, NOON)}
        assert now == {one.caution for one in open_conditions(step, shuffled, NOON)}
        past = [one for one in said if one.minutes_ago >= 0]
        later = {one.caution for one in open_conditions(step, past, NOON + dt.timedelta(minutes=7))}
        assert now <= later
