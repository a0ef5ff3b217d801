"""The answers on supply and anode: figures, words that agree with them, refusals, and what is said to be unknown."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import re
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chassis_made_up import LARKSPUR
from tubewright.answers import supply_asked
from tubewright.answers.anode import anode_charge
from tubewright.answers.supply import regulator_headroom, ripple
from tubewright.answers.supply_asked import FIELDS, Question, answer, from_chassis, profile_of, with_profile
from tubewright.answers.supply_filter import filter_value
from tubewright.answers.supply_form import Supply, SupplyAnswer, to_json
from tubewright.answers.supply_hum import bars_seen, source_of_bars
from tubewright.errors import InputError, RefusedError, TubewrightError
from tubewright.knowledge.load import load_knowledge

BRIDGE: Final = Supply(
    rectifier="bridge",
    secondary_v_rms=115.0,
    mains_hz=50.0,
    reservoir_uf=220.0,
    load_a=0.6,
    source_ohm=2.0,
    esr_ohm=0.3,
)


def figure(found: SupplyAnswer, name: str) -> float:
    value = found.figures[name]
    assert value is not None
    return value


def where(error: pytest.ExceptionInfo[TubewrightError]) -> set[str]:
    return {fault.where for fault in error.value.faults}


# Ripple ---------------------------------------------------------------------------------


def test_ripple_in_figures_and_words() -> None:
    found = ripple(BRIDGE, picture_width_mm=360.0, field_hz=50.08)
    pp, mean = figure(found, "ripple_pp_v"), figure(found, "mean_v")
    assert f"{pp:.3g} V peak to peak at 100 Hz" in found.headline
    # A width of sqrt(B+): each edge moves by a quarter of the relative ripple.
    assert figure(found, "edge_sway_mm") == pytest.approx(360 / 4 * pp / mean, rel=0.01)
    assert figure(found, "bars_count") == 2
    assert figure(found, "screen_s") == pytest.approx(12.5)
    assert figure(found, "first_order_ripple_pp_v") > pp
    assert figure(found, "inrush_peak_a") == pytest.approx((115 * 2**0.5 - 1.6) / 2.3)
    assert any("line oscillator" in one.reason for one in found.unknown)


def test_a_change_is_shown_beside_what_is() -> None:
    found = ripple(BRIDGE, after=dataclasses.replace(BRIDGE, reservoir_uf=330.0))
    assert figure(found, "after_ripple_pp_v") < figure(found, "ripple_pp_v")
    assert figure(found, "after_pulse_peak_a") > figure(found, "pulse_peak_a")
    assert [course.name for course in found.courses] == ["now", "after"]
    assert max(found.courses[0].output_v) == pytest.approx(figure(found, "max_v"), rel=1e-3)


def test_a_stiff_source_says_that_the_first_pulse_is_unknown() -> None:
    found = ripple(dataclasses.replace(BRIDGE, source_ohm=0.0, esr_ohm=0.0))
    assert found.figures["inrush_peak_a"] is None
    assert "can't be told" in " ".join(found.words)
    json.dumps(to_json(found, cautions=(), confirm=()), allow_nan=False)


def test_a_filter_behind_it() -> None:
    found = ripple(BRIDGE, filter_ohm=22.0, filter_uf=220.0, picture_width_mm=360.0)
    assert figure(found, "filtered_ripple_pp_v") < figure(found, "ripple_pp_v") / 2
    assert figure(found, "filter_drop_v") == pytest.approx(13.2)
    assert figure(found, "edge_sway_mm") < 5


@pytest.mark.parametrize(
    ("change", "at"),
    [
        ({"secondary_v_rms": -1.0}, "secondary"),
        ({"mains_hz": float("nan")}, "hz"),
        ({"reservoir_uf": float("inf")}, "reservoir"),
        ({"load_a": 0.0}, "load"),
        ({"load_a": None}, "load"),
        ({"load_ohm": 100.0}, "load"),
        ({"esr_ohm": -0.1}, "esr"),
        ({"load_a": 500.0}, "load"),
    ],
)
def test_a_supply_that_makes_no_sense(change: dict[str, float], at: str) -> None:
    with pytest.raises(InputError) as wrong:
        ripple(dataclasses.replace(BRIDGE, **change))  # type: ignore[arg-type] # figures by name
    assert at in where(wrong)


# Filter ------------------------------------------------------------------------------------


def test_the_value_is_sure_to_do_at_the_low_end_of_its_tolerance() -> None:
    found = filter_value(BRIDGE, wanted_pp_v=12.0)
    assert figure(found, "chosen_uf") in (470, 680, 1000)
    assert figure(found, "chosen_uf") * 0.8 >= figure(found, "least_uf")
    assert figure(found, "ripple_worst_pp_v") <= 12.0
    # 161 V without a load, a tenth more at high mains.
    assert figure(found, "voltage_class_v") == 200
    assert figure(found, "pulse_peak_a") > figure(found, "pulse_before_a")
    assert any("surge" in one.reason for one in found.unknown)
    assert {"fire", "gate_power_off"} <= set(found.cautions)


def test_bigger_is_not_taken_for_granted() -> None:
    assert any("bigger is harder" in words for words in filter_value(BRIDGE, wanted_pp_v=5.0).words)
    small = filter_value(BRIDGE, wanted_pp_v=12.0, fitted_uf=680.0)
    assert not any("bigger is harder" in words for words in small.words)


def test_a_value_that_the_diodes_do_not_stand_is_refused() -> None:
    with pytest.raises(RefusedError, match="each pulse would reach") as refused:
        filter_value(BRIDGE, wanted_pp_v=5.0, diode_repeat_a=3.0, diode_surge_a=30.0)
    assert where(refused) == {"repeat", "surge"}
    stands = filter_value(BRIDGE, wanted_pp_v=5.0, diode_repeat_a=10.0, diode_surge_a=100.0)
    assert not any("surge" in one.reason for one in stands.unknown)


def test_what_no_value_can_do_is_refused_with_the_reason() -> None:
    with pytest.raises(RefusedError, match="series resistance alone"):
        filter_value(BRIDGE, wanted_pp_v=0.5)


def test_a_second_stage_keeps_the_reservoir() -> None:
    found = filter_value(BRIDGE, wanted_pp_v=1.0, filter_ohm=22.0)
    assert figure(found, "ripple_pp_v") <= 1.0
    assert figure(found, "filter_resistor_w") == pytest.approx(22 * 0.6**2)
    with pytest.raises(InputError, match="already"):
        filter_value(BRIDGE, wanted_pp_v=50.0, filter_ohm=22.0)
    with pytest.raises(InputError, match="all of the voltage"):
        filter_value(BRIDGE, wanted_pp_v=1.0, filter_ohm=1000.0)


def test_a_doubler_is_told_for_each_of_its_two() -> None:
    found = filter_value(dataclasses.replace(BRIDGE, rectifier="doubler"), wanted_pp_v=12.0)
    assert "each" in found.headline
    assert figure(found, "voltage_class_v") == 200


# Headroom --------------------------------------------------------------------------------------


def test_headroom_at_three_mains() -> None:
    found = regulator_headroom(BRIDGE, output_v=130.0, dropout_v=5.0, mains_v=230.0)
    assert figure(found, "low_spare_v") < 0 < figure(found, "nominal_spare_v") < figure(found, "high_spare_v")
    assert figure(found, "low_dip_v") == -figure(found, "low_spare_v")
    assert "at low mains" in found.headline
    least = figure(found, "least_mains_ratio")
    assert f"below {100 * least:.0f} %, {230 * least:.0f} V of mains" in " ".join(found.words)
    assert figure(found, "most_load_a") > 0.6


def test_headroom_that_holds_and_headroom_that_never_does() -> None:
    holds = regulator_headroom(BRIDGE, output_v=100.0, dropout_v=3.0)
    assert holds.headline.startswith("The regulator holds from")
    never = regulator_headroom(BRIDGE, output_v=200.0, dropout_v=3.0)
    assert "at nominal mains" in never.headline
    assert never.figures["most_load_a"] is None
    with pytest.raises(InputError) as wrong:
        regulator_headroom(dataclasses.replace(BRIDGE, load_a=None, load_ohm=250.0), output_v=100.0, dropout_v=3.0)
    assert where(wrong) == {"load"}


# Hum -------------------------------------------------------------------------------------------


def test_bars_at_the_rates_of_the_trade() -> None:
    found = bars_seen(field_hz=60.6, mains_hz=60.0)
    assert figure(found, "mains_screen_s") == pytest.approx(1.667, abs=0.001)
    assert figure(found, "twice_bars_count") == 2
    assert "one bar, moving down, 1.7 s" in found.headline


@pytest.mark.parametrize(
    ("bars", "field", "mains", "seconds", "way", "says"),
    [
        (1, 60.6, 60.0, 1.7, "down", "at mains rate"),
        (1, 60.6, 60.0, 1.7, "unknown", "at mains rate"),
        (2, 60.6, 60.0, 1.5, "down", "at twice mains rate"),
        (2, 50.08, 50.0, 12.0, "down", "at twice mains rate"),
        (1, 59.4, 60.0, 1.7, "up", "at mains rate"),
        (2, 60.05, 50.0, 9.0, "unknown", "neither"),
        (3, 60.6, 60.0, 1.7, "down", "neither"),
        (1, 60.6, 60.0, 0.3, "down", "neither"),
    ],
)
def test_bars_are_traced(bars: int, field: float, mains: float, seconds: float, way: str, says: str) -> None:
    direction = next(one for one in ("down", "up", "unknown") if one == way)
    found = source_of_bars(bars=bars, field_hz=field, mains_hz=mains, screen_s=seconds, direction=direction)
    assert says in found.headline


def test_bars_that_run_the_wrong_way_are_not_of_the_mains() -> None:
    found = source_of_bars(bars=1, field_hz=62.0, mains_hz=60.0, screen_s=0.5, direction="up")
    assert "neither" in found.headline


def test_bars_that_stand() -> None:
    same = source_of_bars(bars=1, field_hz=60.0, mains_hz=60.0, standing=True)
    assert "one rate" in same.headline
    assert same.unknown
    field = source_of_bars(bars=1, field_hz=57.5, mains_hz=50.0, standing=True)
    assert "belong to the field" in field.headline
    untimed = source_of_bars(bars=2, field_hz=60.0, mains_hz=60.0)
    assert "only their speed tells" in untimed.headline
    assert "seconds" in untimed.unknown[0].would_settle
    with pytest.raises(InputError):
        source_of_bars(bars=1, field_hz=60.0, mains_hz=60.0, standing=True, screen_s=3.0)


@given(st.sampled_from([1, 2]), st.floats(49.5, 50.5), st.floats(48, 53), st.floats(0.9, 1.1))
def test_true_bars_timed_by_eye_are_always_traced(count: int, mains: float, field: float, by_eye: float) -> None:
    beat = field - mains
    if abs(beat) < 0.05:
        return
    found = source_of_bars(
        bars=count,
        field_hz=field,
        mains_hz=50.0,
        screen_s=by_eye / abs(beat),
        direction="down" if beat > 0 else "up",
    )
    assert ("twice mains" if count == 2 else "at mains rate") in found.headline


# Anode -------------------------------------------------------------------------------------------


def test_the_charge_as_worked() -> None:
    found = anode_charge(capacitance_nf=2.0, eht_kv=25.0, drain_ohm=1e9)
    assert figure(found, "energy_j") == pytest.approx(0.625)
    assert figure(found, "charge_uc") == pytest.approx(50.0)
    assert figure(found, "energy_over_limit_ratio") == pytest.approx(1.8, abs=0.02)
    assert figure(found, "time_constant_s") == pytest.approx(2.0)
    small = anode_charge(capacitance_nf=1.5, eht_kv=19.0, drain_ohm=1e9)
    assert figure(small, "discharge_s") == pytest.approx(8.910, abs=0.001)


@given(st.floats(0.1, 5), st.floats(0.5, 35), st.none() | st.floats(1e3, 1e10))
def test_it_never_gives_leave(nanofarads: float, kilovolts: float, ohm: float | None) -> None:
    found = anode_charge(capacitance_nf=nanofarads, eht_kv=kilovolts, drain_ohm=ohm)
    said = " ".join([found.headline, *found.words])
    assert not re.search(r"\bsafe(ly)?\b|harmless|no danger|may touch|is empty", said, re.IGNORECASE)
    assert found.words[-1].endswith("drain it again, prove it again.")
    assert found.headline.endswith("Drain, prove, drain again, prove.")
    assert {"anode_charge", "recharge"} <= set(found.cautions)
    assert figure(found, "recovery_high_v") > figure(found, "recovery_low_v") > 0
    assert len(found.unknown) == 2


def test_the_tool_is_looked_at_too() -> None:
    found = anode_charge(capacitance_nf=2.0, eht_kv=25.0, drain_ohm=10e6, resistor_v=3500.0)
    assert figure(found, "resistors_count") == 8
    hard = anode_charge(capacitance_nf=2.0, eht_kv=25.0, drain_ohm=100.0)
    assert any("hard discharge" in words for words in hard.words)
    assert not any("hard discharge" in words for words in found.words)


@pytest.mark.parametrize(
    ("given", "at"), [((0.0, 25.0), "capacitance"), ((2.0, 250.0), "eht"), ((2000.0, 25.0), "capacitance")]
)
def test_a_tube_that_cannot_be(given: tuple[float, float], at: str) -> None:
    with pytest.raises(InputError) as wrong:
        anode_charge(capacitance_nf=given[0], eht_kv=given[1])
    assert where(wrong) == {at}


# As typed ------------------------------------------------------------------------------------------

TYPED: Final = {"rectifier": "bridge", "secondary": "115", "hz": "50 Hz", "reservoir": "220", "load": "600mA"}


def test_what_is_typed_is_read_with_its_units() -> None:
    found = answer("ripple", {**TYPED, "source_ohm": "2R", "esr": "300 mohm", "width": "36 cm"})
    assert figure(found, "ripple_pp_v") == pytest.approx(figure(ripple(BRIDGE), "ripple_pp_v"))
    assert "360 mm wide" in " ".join(found.words)
    charge = answer("anode", {"capacitance": "2000pF", "eht": "25", "drain": "1G"})
    assert figure(charge, "energy_j") == pytest.approx(0.625)


def test_all_faults_are_told_together() -> None:
    with pytest.raises(InputError) as wrong:
        answer("ripple", {"rectifier": "star", "secondary": "x", "reservoir": "-2", "load_ohm": "1", "load": "1"})
    assert where(wrong) == {"rectifier", "secondary", "reservoir", "load_ohm", "hz"}


@given(
    st.sampled_from(list(FIELDS)),
    st.dictionaries(
        st.sampled_from(sorted({name for names in FIELDS.values() for name in names})), st.text(max_size=8)
    ),
)
def test_any_text_is_answered_or_refused_never_a_crash(question: Question, typed: dict[str, str]) -> None:
    with contextlib.suppress(TubewrightError):
        found = answer(question, typed)
        json.dumps(to_json(found, cautions=(), confirm=()), allow_nan=False)


def test_a_profile_fills_what_was_not_typed() -> None:
    typed, filled = with_profile("ripple", {"reservoir": "100uF"}, LARKSPUR)
    assert typed["reservoir"] == "100uF"
    assert "reservoir" not in filled
    assert filled["secondary"] == "115 V"
    assert figure(answer("ripple", typed), "ripple_hz") == 120
    _, guarded = with_profile("eht", {}, LARKSPUR)
    assert not {"bplus", "eht", "retrace", "tuning"} & set(guarded)
    assert guarded["limit"] == "27.5 kV"
    assert with_profile("headroom", {"load_ohm": "250"}, LARKSPUR)[0].get("load") is None
    assert from_chassis(None) == {}


def test_every_field_of_a_profile_is_read_by_some_question() -> None:
    known = {name for names in FIELDS.values() for name in names}
    assert set(from_chassis(LARKSPUR)) <= known
    assert set(supply_asked.FIELDS) == {"ripple", "filter", "headroom", "hum", "anode", "eht"}


def test_an_unknown_profile_names_the_nearest() -> None:
    with pytest.raises(InputError, match="larkspur_19"):
        profile_of({LARKSPUR.id: LARKSPUR}, "larkspur19")
    with pytest.raises(InputError, match="none yet"):
        profile_of({}, "x")
    assert profile_of({}, "") is None


def test_every_caution_is_in_the_catalogue() -> None:
    known = load_knowledge().cautions
    answers = [
        ripple(BRIDGE),
        filter_value(BRIDGE, wanted_pp_v=12.0),
        anode_charge(capacitance_nf=2.0, eht_kv=25.0),
        bars_seen(field_hz=60.0, mains_hz=50.0),
        answer("eht", {"bplus": "120", "new_bplus": "110"}),
    ]
    for found in answers:
        assert found.cautions[0] == "local_rules"
        assert set(found.cautions) <= set(known)
