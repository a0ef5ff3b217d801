"""The answer of ``advise``: its body, its cautions, its words, and what it refuses."""

from __future__ import annotations

import json
from typing import Any

import pytest
from jsonschema_rs import Draft202012Validator

from tubewright.answers.advise import RingSetting, Setup, Turned, advise, unit_of, usual_controls, ways
from tubewright.answers.advised import Advised, to_json
from tubewright.answers.measurement import Measurement
from tubewright.errors import InputError, RefusedError
from tubewright.files.advise_schema import advise_schema
from tubewright.files.measurements import measurement_from_json
from tubewright.knowledge.load import load_knowledge
from tubewright.report.advise_text import advise_to_text
from tubewright.simulate.controls import Bench

KNOWLEDGE = load_knowledge()
VALID = Draft202012Validator(advise_schema())


def measurement(bench: Bench) -> Measurement:
    return measurement_from_json(json.dumps(bench.measured()), {})


def setup(bench: Bench, **changes: Any) -> Setup:  # noqa: ANN401 - fields of Setup
    return Setup(**{"controls": bench.controls, "opening_mm": bench.opening_mm} | changes)


def answer(seed: int = 0, **changes: Any) -> Advised:  # noqa: ANN401 - fields of Setup
    bench = Bench(seed)
    return advise([measurement(bench)], [], setup(bench, **changes), KNOWLEDGE)


@pytest.mark.parametrize("seed", range(4))
def test_the_body_keeps_to_its_schema(seed: int) -> None:
    body = json.loads(json.dumps(to_json(answer(seed)), allow_nan=False))
    VALID.validate(body)
    assert body["moves"]
    assert not body["within_tolerance"]


def test_a_move_that_leads_a_hand_inside_carries_its_cautions_and_they_stand_first() -> None:
    found = answer()
    inside = [move for move in found.moves if move.hazard == "H3"]
    assert inside
    for move in inside:
        for caution in ("local_rules", "eht_live", "implosion", "mains_live", "hot_parts"):
            assert KNOWLEDGE.cautions[caution].text in move.cautions
        assert move.confirm
    assert set(found.cautions) == {text for move in found.moves for text in move.cautions}
    text = " ".join(advise_to_text(found).split())
    first = min(text.index(move.name) for move in found.moves)
    assert all(text.index(caution) < first for caution in found.cautions)
    assert "bypass" not in text.lower()
    assert "defeat" not in text.lower()


def test_the_first_move_is_a_little_and_later_ones_have_amounts() -> None:
    bench = Bench(2, calm=True)
    what = setup(bench, rings={name: RingSetting(tabs_mm=ring.tabs_mm) for name, ring in bench.rings.items()})
    measured = [measurement(bench)]
    first = advise(measured, [], what, KNOWLEDGE)
    assert all("then photograph again" in move.amount for move in first.moves)
    assert all(move.expected is None for move in first.moves)
    turned = []
    for move in first.moves:
        if move.tabs_mm is not None and move.angle_deg is not None:
            bench.set_ring(move.control, move.tabs_mm, move.angle_deg)
            ring = RingSetting(tabs_mm=move.tabs_mm, angle_deg=move.angle_deg)
            turned.append(Turned(after=1, control=move.control, ring=ring))
        elif move.value is not None:
            bench.turn(move.control, move.value)
            turned.append(Turned(after=1, control=move.control, value=move.value, unit=move.unit))
    second = advise([*measured, measurement(bench)], turned, what, KNOWLEDGE)
    aimed = [move for move in second.moves if move.sort == "aim"]
    assert aimed
    for move in aimed:
        assert "photograph again" not in move.amount
        assert move.expected is not None
        assert move.expected.after_ratio < move.expected.before_ratio


def test_cold_nothing_is_advised() -> None:
    found = answer(warm=False)
    assert found.state == "not_warm"
    assert found.moves == ()
    assert any("20 minutes" in note for note in found.notes)


def test_what_is_left_is_a_map_of_every_measured_error() -> None:
    found = answer()
    zones = {(one.gun, one.zone) for one in found.remaining if one.group == "convergence" and one.gun}
    assert len(zones) == 18
    assert all(one.within == (one.value <= one.tolerance_ratio) for one in found.remaining)


@pytest.mark.parametrize("tolerance", ["arcade", "delta", "broadcast"])
def test_broadcast_tolerances_are_the_narrowest(tolerance: Any) -> None:  # noqa: ANN401
    def allowed(name: Any) -> dict[str, float]:  # noqa: ANN401
        return {one.about: one.tolerance_ratio for one in answer(tolerance=name).remaining}

    broadcast, other = allowed("broadcast"), allowed(tolerance)
    assert all(broadcast[about] <= other[about] for about in broadcast.keys() & other.keys())


def test_faults_of_the_input_come_together_with_the_nearest_names() -> None:
    bench = Bench(0)
    turned = [Turned(after=1, control="v_size", value=0.1), Turned(after=1, control="h_siz", value=0.1)]
    with pytest.raises(InputError) as raised:
        advise([measurement(bench)], turned, setup(bench, controls=(*bench.controls, "static_red", "knob")), KNOWLEDGE)
    text = " ".join(str(fault) for fault in raised.value.faults)
    assert "no control is called knob" in text
    assert "delta gun" in text
    assert "no measurement follows" in text
    assert "h_size" in text


def test_without_a_measurement_or_with_a_refused_one_nothing_is_said() -> None:
    with pytest.raises(InputError):
        advise([], [], Setup(controls=usual_controls("inline")), KNOWLEDGE)
    body = Bench(0).measured() | {"accepted": False, "refused_because": "Too dark."}
    refused = measurement_from_json(json.dumps(body), {})
    with pytest.raises(RefusedError):
        advise([refused], [], Setup(controls=usual_controls("inline")), KNOWLEDGE)


def test_every_control_of_a_display_has_a_unit_and_two_ways() -> None:
    for gun in ("inline", "delta"):
        for control in usual_controls("delta" if gun == "delta" else "inline"):
            assert unit_of(control) in {"turn", "mm", "deg", "cm"}
            assert len(set(ways(control))) == 2


def test_a_part_that_a_control_lacks_is_told_with_those_that_it_has() -> None:
    bench = Bench(0)
    turned = [Turned(after=1, control="convergence_strips", value=1.0, unit="cm")]
    what = setup(bench, controls=(*bench.controls, "convergence_strips"))
    with pytest.raises(InputError, match="top_left; top_right"):
        advise([measurement(bench)] * 2, turned, what, KNOWLEDGE)


def test_what_is_turned_without_being_reckoned_with_is_said() -> None:
    bench = Bench(0)
    what = setup(bench, controls=(*bench.controls, "screen_g2"))
    found = advise([measurement(bench)] * 2, [Turned(after=1, control="screen_g2", value=0.1)], what, KNOWLEDGE)
    assert any("Screen" in note and "not reckoned" in note for note in found.notes)
