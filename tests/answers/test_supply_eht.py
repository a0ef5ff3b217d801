"""The guard of the anode voltage: what it lets pass, what it refuses, and that it never calls anything safe."""

from __future__ import annotations

import dataclasses
import doctest
import re
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.answers import eht
from tubewright.answers.assessment import Spread, Unknown
from tubewright.answers.eht import ChangeWanted, LineStage, guard_change, weigh_change
from tubewright.errors import InputError, RefusedError

STAGE: Final = LineStage(
    bplus_v=110.0, scan_khz=1e3 / 63.5556, tuning_nf=6.8, yoke_mh=1.5, eht_kv=22.0, eht_limit_kv=27.5
)


def spread(figure: object) -> Spread:
    assert isinstance(figure, Spread)
    return figure


def test_the_examples_in_the_docstring_hold() -> None:
    assert doctest.testmod(eht, optionflags=doctest.ELLIPSIS).failed == 0


def test_the_worked_stage() -> None:
    """110 V, 1.5 mH and 6.8 nF: 10.033 us and 1031.7 V; with a tenth less tuning 9.5185 us and 1090.9 V."""
    found = weigh_change(STAGE, ChangeWanted(tuning_nf=6.12))
    assert found.retrace_before_us == pytest.approx(10.0334, rel=1e-5)
    assert found.retrace_after_us == pytest.approx(9.5185, rel=1e-4)
    assert found.peak_before_v == pytest.approx(1031.71, rel=1e-4)
    assert found.peak_after_v == pytest.approx(1090.92, rel=1e-4)
    assert found.effect == "raises"
    ratio = spread(found.ratio)
    assert ratio.p10 <= 1.0574 <= ratio.p90
    assert ratio.p10 < ratio.median < ratio.p90


@pytest.mark.parametrize("nanofarads", [6.7, 6.12, 3.0, 0.1])
def test_a_smaller_tuning_capacitor_is_refused_however_much_room_there_is(nanofarads: float) -> None:
    roomy = dataclasses.replace(STAGE, eht_limit_kv=60.0, eht_kv=10.0)
    with pytest.raises(RefusedError, match="like for like") as refused:
        guard_change(roomy, ChangeWanted(tuning_nf=nanofarads))
    assert refused.value.exit_code == 3


def test_the_tuning_may_go_back_to_what_it_was_designed_with() -> None:
    wrong = dataclasses.replace(STAGE, tuning_nf=8.2, design_tuning_nf=6.8, eht_kv=21.0)
    assert guard_change(wrong, ChangeWanted(tuning_nf=6.8)).effect == "raises"
    with pytest.raises(RefusedError):
        guard_change(wrong, ChangeWanted(tuning_nf=6.2))
    with pytest.raises(RefusedError):
        guard_change(dataclasses.replace(wrong, eht_kv=26.5), ChangeWanted(tuning_nf=6.8))


@pytest.mark.parametrize(
    ("stage", "change", "said"),
    [
        ({"eht_limit_kv": None}, {"bplus_v": 111.0}, "its rating isn't known"),
        ({"eht_kv": None}, {"bplus_v": 111.0}, "was not measured"),
        ({}, {"bplus_v": 140.0}, "beyond its rating of 27.5 kV"),
        ({"eht_kv": 26.0}, {"scan_khz": 15.0}, "beyond its rating"),
        ({"eht_kv": 27.0}, {"yoke_mh": 1.3}, "beyond its rating"),
        ({"eht_kv": 27.0, "width_coil_mh": 0.2}, {"width_coil_mh": 0.05}, "beyond its rating"),
        ({"scan_khz": None}, {"yoke_mh": 1.3}, "can't be told"),
        ({"eht_kv": 28.0}, {"yoke_mh": 1.5}, "above its rating already"),
        ({"eht_kv": 29.0}, {"bplus_v": 109.0}, "above its rating already"),
        ({}, {"protection": True}, "never altered, defeated or bypassed"),
        ({}, {"bplus_v": 100.0, "protection": True}, "never altered, defeated or bypassed"),
    ],
)
def test_what_is_refused_and_why(stage: dict[str, float | None], change: dict[str, float], said: str) -> None:
    wanted = ChangeWanted(**change)  # type: ignore[arg-type] # protection is no figure
    with pytest.raises(RefusedError, match=re.escape(said)):
        guard_change(dataclasses.replace(STAGE, **stage), wanted)


@pytest.mark.parametrize(
    ("change", "effect"),
    [
        ({"bplus_v": 115.0}, "raises"),
        ({"bplus_v": 100.0}, "lowers"),
        ({"bplus_v": 110.0}, "keeps"),
        ({"scan_khz": 16.5}, "lowers"),
        ({"scan_khz": 15.6}, "raises"),
        ({"yoke_mh": 1.6}, "lowers"),
        ({"tuning_nf": 7.5}, "lowers"),
    ],
)
def test_what_passes_says_which_way_it_goes(change: dict[str, float], effect: str) -> None:
    found = guard_change(STAGE, ChangeWanted(**change))  # type: ignore[arg-type] # figures by name
    assert found.effect == effect
    assert isinstance(found.after_kv, Spread)


def test_bplus_moves_the_anode_voltage_in_proportion() -> None:
    found = guard_change(LineStage(bplus_v=107, eht_kv=21.4, eht_limit_kv=27.5), ChangeWanted(bplus_v=120))
    assert spread(found.ratio).median == pytest.approx(120 / 107)
    after = spread(found.after_kv)
    assert after.median == pytest.approx(24.0)
    # The meter's own doubt is carried.
    assert (after.p10, after.p90) == pytest.approx((22.8, 25.2))


def test_going_back_to_the_design_passes_where_the_design_lies_within_the_rating() -> None:
    """B+ has sunk and nobody has a probe: the papers say what a right B+ gives."""
    stage = LineStage(bplus_v=107, eht_limit_kv=27.5, design_bplus_v=120, design_eht_kv=24.0)
    found = guard_change(stage, ChangeWanted(bplus_v=120))
    assert found.effect == "raises"
    assert isinstance(found.after_kv, Unknown)
    for bplus in (122.0, 130.0):
        with pytest.raises(RefusedError):
            guard_change(stage, ChangeWanted(bplus_v=bplus))
    with pytest.raises(RefusedError):
        guard_change(dataclasses.replace(stage, design_eht_kv=28.0), ChangeWanted(bplus_v=120))


def test_two_changes_against_each_other_are_weighed_together() -> None:
    found = weigh_change(STAGE, ChangeWanted(bplus_v=115.0, tuning_nf=8.0))
    assert found.effect == "lowers"
    blind = LineStage(bplus_v=110.0, tuning_nf=6.8, eht_kv=22.0, eht_limit_kv=27.5)
    unknown = weigh_change(blind, ChangeWanted(bplus_v=115.0, tuning_nf=8.0))
    assert unknown.effect == "unknown"
    assert unknown.refused


@pytest.mark.parametrize(
    ("stage", "change", "where"),
    [
        ({}, {}, ""),
        ({"bplus_v": None}, {"bplus_v": 100.0}, "bplus"),
        ({"width_coil_mh": None}, {"width_coil_mh": 0.1}, "width_coil"),
        ({"eht_kv": -1.0}, {"bplus_v": 100.0}, "eht"),
        ({"retrace_us": 80.0}, {"bplus_v": 100.0}, "retrace"),
        ({}, {"bplus_v": 0.0}, "new_bplus"),
        ({}, {"tuning_nf": float("nan")}, "new_tuning"),
        ({"scan_khz": float("inf")}, {"bplus_v": 100.0}, "line"),
    ],
)
def test_nonsense_is_named_at_its_field(stage: dict[str, float | None], change: dict[str, float], where: str) -> None:
    with pytest.raises(InputError) as wrong:
        weigh_change(
            dataclasses.replace(STAGE, **stage),
            ChangeWanted(**change),  # type: ignore[arg-type]
        )
    assert where in {fault.where for fault in wrong.value.faults}


figure = st.floats(0.5, 200)
maybe = st.none() | figure


@given(st.builds(LineStage, bplus_v=figure, scan_khz=maybe, tuning_nf=maybe, eht_kv=maybe, yoke_mh=maybe), figure)
def test_without_a_rating_nothing_that_raises_is_ever_let_pass(stage: LineStage, bplus_v: float) -> None:
    change = ChangeWanted(bplus_v=bplus_v)
    if bplus_v > stage.bplus_v * (1 + 1e-9):  # type: ignore[operator] # it is given
        with pytest.raises(RefusedError):
            guard_change(stage, change)
    else:
        assert guard_change(stage, change).effect in ("lowers", "keeps")


@given(
    st.builds(
        LineStage,
        bplus_v=st.floats(50, 150),
        scan_khz=st.floats(15, 32),
        retrace_us=st.floats(4, 14),
        tuning_nf=st.floats(2, 15),
        yoke_mh=st.floats(0.2, 3),
        eht_kv=st.floats(10, 30),
        eht_limit_kv=st.floats(10, 32),
    ),
    st.floats(50, 150),
    st.floats(15, 32),
    st.floats(0.2, 3),
)
def test_what_passes_never_ends_above_the_rating(stage: LineStage, bplus_v: float, khz: float, yoke_mh: float) -> None:
    found = weigh_change(stage, ChangeWanted(bplus_v=bplus_v, scan_khz=khz, yoke_mh=yoke_mh))
    if found.refused or not isinstance(found.after_kv, Spread):
        return
    limit = stage.eht_limit_kv
    assert limit is not None
    assert found.effect in ("lowers", "keeps") or found.after_kv.p90 <= limit


def test_words_never_call_it_safe_and_always_quote_the_regulation() -> None:
    for change in (ChangeWanted(bplus_v=100.0), ChangeWanted(tuning_nf=7.5), ChangeWanted(bplus_v=115.0)):
        words = " ".join(guard_change(STAGE, change).words)
        assert not re.search(r"\bsafe(ly)?\b|harmless|no danger", words, re.IGNORECASE)
        assert "21 CFR 1020.10" in words
        assert "from memory" in words
        assert "no permission" in words
    cautions = guard_change(STAGE, ChangeWanted(scan_khz=16.5)).cautions
    assert {"x_rays", "holddown", "tuning_capacitor", "eht_live", "line_rate"} <= set(cautions)
