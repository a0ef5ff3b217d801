"""What goes with a step: cautions of repairs, for how long a word holds, treatments that mend, controls."""

from __future__ import annotations

import re
from typing import Final

from tubewright.knowledge.load import load_knowledge

KNOWN: Final = load_knowledge()


def test_what_can_raise_the_eht_is_checked_before_the_set_leaves() -> None:
    """Tuning capacitors, the protection, the regulator and the line stage: gate G4 of the bench."""
    for name in (
        *("tuning_cap_open", "tuning_cap_short", "ew_modulator_cap", "holddown_false", "series_reg_short"),
        *("reg_sense_drift", "bplus_set_wrong", "hot_short", "fb_shorted_turns", "eht_soft"),
    ):
        assert "gate_eht_before_release" in KNOWN.faults[name].cautions, name
    for fault in KNOWN.faults.values():
        told = f"{fault.name} {fault.repair}".lower()
        if "tuning capacitor" in told and fault.subsystem == "horizontal_eht" and "retrace" in told:
            assert {"tuning_capacitor", "x_rays"} <= set(fault.cautions), fault.id
        if "protection trips" in told:
            assert "holddown" in fault.cautions, fault.id


def test_the_supply_is_watched_after_its_repair() -> None:
    for name in ("bridge_diode_short", "reservoir_cap_short", "mains_filter_cap_short", "smps_switch_short"):
        assert "fire" in KNOWN.faults[name].cautions, name


def test_the_second_draining_lasts_no_longer_than_its_own_words_say() -> None:
    recharge = KNOWN.cautions["recharge"]
    assert recharge.holds == "step"
    assert "again before any later reach-in" in recharge.confirm
    spoken = re.search(r"(\d+)-(\d+) minutes", recharge.confirm)
    assert spoken is not None
    assert recharge.holds_minutes is not None
    assert recharge.holds_minutes <= int(spoken[2])


def test_power_off_is_undone_by_every_kind_of_running_set() -> None:
    live = {"eyes_only", "low_voltage_live", "mains_live", "eht_live"}
    for name in ("anode_charge", "recharge", "primary_reservoir", "gate_power_off", "hot_parts"):
        assert set(KNOWN.cautions[name].undone_by) == live, name


def test_what_can_only_be_known_afterwards_is_asked_afterwards() -> None:
    assert {name for name, one in KNOWN.cautions.items() if one.asked == "after"} == {
        *("x_rays", "holddown", "gate_eht_before_release")
    }
    assert {name for name, one in KNOWN.cautions.items() if one.asked == "after_repair"} == {
        *("tuning_capacitor", "gate_bplus_first", "fire")
    }


def test_treatments_that_mend_a_fault_go_from_mild_to_strong() -> None:
    mending = {name: fault.treatments for name, fault in KNOWN.faults.items() if fault.treatments}
    assert {"tube_worn_all", "tube_worn_one", "tube_idle_poisoned", "tube_hk_short", "tube_kg1_short"} <= set(mending)
    for name, treatments in mending.items():
        rungs = [KNOWN.treatments[one].rung for one in treatments]
        assert rungs == sorted(rungs), name
    assert set().union(*mending.values()) == set(KNOWN.treatments)  # none that mends nothing


def test_a_test_that_a_photograph_stands_for_is_done_at_the_screen() -> None:
    supplied = {name for name, test in KNOWN.tests.items() if test.from_photo != "none"}
    assert {"o_pattern_photo", "o_primary_fields", "o_grey_steps"} <= supplied
    for name in supplied:
        assert KNOWN.tests[name].hazard == "H0", name


def test_every_control_says_what_it_moves_and_warns_where_it_must() -> None:
    assert len(KNOWN.controls) >= 30
    for control in KNOWN.controls.values():
        assert control.moves.endswith(".")
        assert control.disturbs.endswith(".")
        assert control.hazard == "H0" or control.cautions, control.id
    assert "x_rays" in KNOWN.controls["bplus"].cautions
    assert "strong_magnet" in KNOWN.controls["degauss"].cautions
    names = [control.name for control in KNOWN.controls.values()]
    assert len(set(names)) == len(names)


def test_no_caution_and_no_control_tells_how_to_defeat_a_protection() -> None:
    for text in [one.text + one.confirm for one in KNOWN.cautions.values()] + [
        fault.repair for fault in KNOWN.faults.values()
    ]:
        for word in re.findall(r"[^.;]*\b(?:defeat|bypass)\w*[^.;]*", text.lower()):
            assert "never" in word or "not" in word, word
