"""What would change the decision: each claim is put to the test by adding that very reading to the case."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import Any

import pytest

from answers.worked import (
    CAN_BE_REPLACED,
    GETTER_SEEN,
    NOTHING_TO_BE_HAD,
    answer,
    case,
    emission,
    judged,
    knowledge,
    names,
    read,
    with_more,
)
from tubewright.answers.assessment import Assessment, WouldChange
from tubewright.case import Case, Symptom

FINE = 20_000
"""Futures: decisions near a tie need a finer grain."""


def tube(level: float, others: float, hours_per_week: float, costs: Mapping[str, object], *, unit: str = "rel") -> Case:
    """Red in doubt because its slump was not taken."""
    scale = 600.0 if unit == "uA" else 1.0
    kept = (None, 0.9, 0.9) if others > level and unit == "rel" else ()
    return case(
        readings=emission((scale * level, scale * others, scale * others), kept, unit=unit),
        tube=GETTER_SEEN,
        use={"hours_per_week": hours_per_week, "minimum_white": 0.5},
        costs=costs,
    )


DOUBTFUL: dict[str, Case] = {
    f"{level} beside {others}, {hours} h a week, {name}": tube(level, others, hours, costs)
    for level in (0.2, 0.3, 0.4, 0.45, 0.5)
    for others in (level, 0.7)
    for hours in (4, 84)
    for name, costs in (("replaceable", CAN_BE_REPLACED), ("nothing to be had", NOTHING_TO_BE_HAD))
}
"""Tubes about which a reading more could matter: red in doubt, from dead to middling, at home and in hard service."""


@functools.cache
def judged_now(name: str) -> Assessment:
    return judged(DOUBTFUL[name], futures=FINE)


def claims(kind: str) -> list[tuple[str, WouldChange]]:
    """Everything said of one kind of reading, case by case."""
    return [
        (name, said)
        for name in DOUBTFUL
        for said in judged_now(name).would_change
        if said.id == kind and not said.at.startswith("between")
    ]


def claim(given: Assessment, name: str, gun: str | None = None) -> WouldChange:
    found = [w for w in given.would_change if w.id == name and (gun is None or w.gun == gun)]
    assert found, [(w.id, w.gun) for w in given.would_change]
    return found[0]


def with_slump(base: Case, gun: str, kept: float) -> Case:
    """The reading of one gun at ten per cent less heater that keeps this share."""
    full = next(r for r in base.readings if r.gun == gun and r.kind == "emission")
    taken: dict[str, Any] = full.model_dump(exclude_unset=True)
    taken.update(value=full.value * min(kept, 1.0), heater_v=0.9 * (full.heater_v or 6.3), minutes_on=13)
    return with_more(base, readings=[taken])


def beyond(said: WouldChange, far: float) -> tuple[float, float]:
    """A reading on the stated side of the value, and one on the other."""
    assert said.value is not None
    over, under = said.value * (1 + far), said.value * (1 - far)
    return (over, under) if said.at.endswith("or more") else (under, over)


def test_wherever_a_slump_is_said_to_matter_the_decision_moves_on_the_stated_side() -> None:
    told = [(name, said) for name, said in claims("t_slump") if said.value is not None and said.gun is not None]
    assert len({name for name, _ in told}) >= 4
    as_said, held = 0, 0
    for name, said in told:
        stated, other = beyond(said, 0.07)
        after = judged(with_slump(DOUBTFUL[name], str(said.gun), stated), futures=FINE).decision
        assert after != judged_now(name).decision, (name, said)
        as_said += after == said.flips_to
        held += judged(with_slump(DOUBTFUL[name], str(said.gun), other), futures=FINE).decision != said.flips_to
    # Where two steps are about as good the very name may differ; the side must not.
    assert as_said >= 0.5 * len(told)
    assert held >= 0.5 * len(told)


def test_how_long_it_stood_unused_moves_the_decision_as_said() -> None:
    told = claims("idle_years")
    assert told
    for name, said in told:
        assert said.at.startswith("unused")
        base, now = DOUBTFUL[name], judged_now(name).decision
        assert judged(with_more(base, tube={"idle_years": 8.0}), futures=FINE).decision != now, name
        assert judged(with_more(base, tube={"idle_years": 0.0}), futures=FINE).decision == now, name


def test_a_low_reading_that_cleaning_changes_moves_the_decision_and_one_that_stays_does_not() -> None:
    """One gun low beside two good ones: if cleaning changes it, contacts come next and no treatment of the cathode."""
    told = [
        (name, said)
        for name, said in claims("p_socket_clean")
        if said.at == "the reading changes" and said.gun == "red" and "beside 0.7" in name
    ]
    assert len(told) >= 3
    stayed = 0
    for name, _ in told:
        now = judged_now(name).decision
        after = {
            result: judged(
                with_more(DOUBTFUL[name], tests=[{"id": "p_socket_clean", "result": result}]), futures=FINE
            ).decision
            for result in ("changes", "no_change")
        }
        assert after["changes"] != now, name
        assert after["changes"] in {"clean_contacts", "find_fault_first"}, name
        stayed += after["no_change"] == now
    assert stayed >= 0.8 * len(told)


@pytest.mark.parametrize("name", ["v35_uneven_but_enough", "v39_purity_stain_fixed_to_glass"])
def test_a_test_of_the_diagnosis_flips_the_decision_as_said(name: str) -> None:
    base, tests = read(name), knowledge().tests
    told = [w for w in answer(name).would_change if w.id in tests and tests[w.id].results and w.id[:2] in {"o_", "x_"}]
    assert told
    for said in told:
        result = next(r.id for r in tests[said.id].results if r.means in said.at)
        after = judged(with_more(base, tests=[{"id": said.id, "result": result}]))
        assert after.decision == said.flips_to, said


@pytest.mark.parametrize("level", [0.4, 0.5])
def test_a_heater_leak_flips_the_decision_as_said(level: float) -> None:
    base = tube(level, 0.7, 4, CAN_BE_REPLACED)
    now = judged(base, futures=FINE)
    said = claim(now, "t_leak_hk")
    for mohm, decision in ((0.01, said.flips_to), (200.0, now.decision)):
        leak = {"gun": "red", "kind": "leakage_heater_cathode", "value": mohm, "unit": "Mohm"}
        assert judged(with_more(base, readings=[leak]), futures=FINE).decision == decision


@pytest.mark.parametrize("name", ["v40_only_a_dim_picture", "v48_line_on_an_unread_tube"])
def test_a_look_at_the_getter_flips_the_decision_as_said(name: str) -> None:
    """A tube that nobody has read and that stays dark may hold air; one can be replaced, the other not."""
    base = read(name).model_copy(update={"symptoms": (Symptom(id="no_raster_hv_ok"),)})
    said = claim(judged(base), "v_getter")
    assert said.at == "white"
    assert judged(with_more(base, tube={"getter": "white"})).decision == said.flips_to


@pytest.mark.parametrize("name", ["v40_only_a_dim_picture", "v48_line_on_an_unread_tube"])
def test_nobody_is_sent_to_look_for_air_in_a_tube_that_shows_a_picture(name: str) -> None:
    assert not [w for w in answer(name).would_change if w.id == "v_getter"]


@pytest.mark.parametrize("costs", [CAN_BE_REPLACED, NOTHING_TO_BE_HAD])
@pytest.mark.parametrize("others", [0.501, 0.71])
def test_reading_a_gun_not_read_so_far_moves_the_decision_on_the_stated_side(
    others: float, costs: Mapping[str, object]
) -> None:
    base = case(
        readings=emission((None, others, others)),
        use={"hours_per_week": 8.0, "minimum_white": 0.5},
        costs=costs,
        tube=GETTER_SEEN,
    )
    now = judged(base, futures=FINE)
    told = [w for w in now.would_change if w.id == "t_emission" and w.value is not None]
    assert told or costs is NOTHING_TO_BE_HAD
    for said in told:
        assert said.gun == "red"
        stated, other = beyond(said, 0.13)
        moved, held = (
            judged(with_more(base, readings=emission((value, None, None))), futures=FINE).decision
            for value in (stated, other)
        )
        assert moved != now.decision, said
        assert held != said.flips_to, said


@pytest.mark.parametrize("name", names())
def test_what_is_said_to_change_it_has_not_been_taken_and_would_change_it(name: str) -> None:
    given, known = answer(name), read(name)
    for w in given.would_change:
        assert w.flips_to != given.decision
        assert w.minutes > 0
        assert w.worth >= 0
        assert w.at
        assert (w.value is None) == (w.unit == "")
        if w.id == "t_slump":
            low = [r for r in known.readings if r.gun == w.gun and r.kind == "emission" and (r.heater_v or 6.3) < 6.0]
            assert not low or any(r.kind in {"contradiction", "impossible"} for r in given.remarks)
        if w.id == "v_getter":
            assert known.tube.getter in {None, "unseen"}
        if w.id == "t_leak_hk":
            assert not any(r.kind == "leakage_heater_cathode" for r in known.readings)


@pytest.mark.parametrize("name", names())
def test_the_most_worthwhile_comes_first(name: str) -> None:
    """Worth less the bench time it takes, in the owner's money."""
    given, known = answer(name), read(name)
    rate = known.costs.bench_rate_per_hour
    rate = (rate if rate is not None else knowledge().value("bench_rate_per_h")) / 60
    net = [w.worth - w.minutes * rate for w in given.would_change]
    assert net == sorted(net, reverse=True)


def test_a_settled_case_has_little_left_to_ask() -> None:
    """Strong guns, slump taken, nothing seen: no reading is worth its minutes."""
    given = answer("v01_strong_in_daily_service")
    assert all(w.worth < 2 for w in given.would_change)


def test_the_slump_is_not_asked_for_where_it_was_taken() -> None:
    base = tube(0.35, 0.7, 84, NOTHING_TO_BE_HAD)
    taken = with_slump(base, "red", 0.7)
    assert not [w for w in judged(taken).would_change if w.id == "t_slump" and w.gun == "red"]
