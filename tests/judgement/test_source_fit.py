"""A source is held against an input: rates, sync, levels, terminations; and what is proposed does what it says."""

from __future__ import annotations

import dataclasses
import itertools
from typing import Any, Final

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.answers.source import SourceAnswer, answer_source, display_side, source_side
from tubewright.errors import InputError
from tubewright.judgement.source_checks import Check
from tubewright.judgement.source_levels import DisplaySide, Polarity, SourceSide, combining_gate, design_pad
from tubewright.knowledge.chassis import Chassis, SyncInput
from tubewright.knowledge.load import load_knowledge
from tubewright.physics.preferred_values import is_preferred

KNOWLEDGE: Final = load_knowledge()
LEVELS: Final = KNOWLEDGE.level_standards
# A computer at 31.5 kHz and a display that is made for it.
SOURCE: Final = source_side(standard=LEVELS["vsis"], raster=KNOWLEDGE.rasters["dmt-640x480-60"])
DISPLAY: Final = display_side(KNOWLEDGE, standard=LEVELS["vsis"], line_khz=31.469)


def answer(source: dict[str, Any] | None = None, display: dict[str, Any] | None = None) -> SourceAnswer:
    """The answer with some fields of either side changed."""
    return answer_source(
        dataclasses.replace(SOURCE, **source or {}), dataclasses.replace(DISPLAY, **display or {}), KNOWLEDGE
    )


def check(found: SourceAnswer, subject: str) -> Check:
    return next(one for one in found.fit.checks if one.subject == subject)


def test_a_source_at_the_display_made_for_it_fits() -> None:
    found = answer()
    assert found.fit.says == "fits", [(c.subject, c.words) for c in found.fit.checks if c.says != "fits"]
    assert not found.add
    assert found.cautions[1] == "line_rate"
    assert check(found, "video_level").level_v_pp == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("line_hz", "says"),
    [
        (31_469, "fits"),
        (31_600, "fits"),
        (31_900, "mind"),
        (32_300, "no"),
        (30_700, "no"),
        (33_200, "stop"),
        (29_000, "stop"),
        (15_734, "stop"),
    ],
)
def test_a_line_rate_far_off_stops_everything(line_hz: float, says: str) -> None:
    found = answer({"line_hz": line_hz})
    assert check(found, "line_rate").says == says
    assert found.fit.says == says
    assert ("Switch off now" in check(found, "line_rate").words) == (says == "stop")
    assert ("switch off now" in found.words) == (says == "stop")


def test_nothing_known_is_said_to_be_unknown_with_what_would_settle_it() -> None:
    found = answer_source(SourceSide(), DisplaySide(), KNOWLEDGE)
    assert found.fit.says == "unknown"
    assert all(one.settle for one in found.fit.checks if one.says == "unknown")
    assert {one.subject for one in found.fit.checks} >= {"line_rate", "field_rate", "sync_kind", "video_level"}


@pytest.mark.parametrize(
    ("source", "display", "subject", "says", "add"),
    [
        ({"field_hz": 75.0}, {}, "field_rate", "no", "other_raster"),
        ({"colour": "encoded"}, {}, "colour", "add", "decoder"),
        ({"colour": "digital"}, {}, "colour", "mind", None),
        ({}, {"sync": "composite"}, "sync_kind", "add", "combiner"),
        ({}, {"sync": "on_green"}, "sync_kind", "add", "sync_adder"),
        ({"sync": "composite"}, {}, "sync_kind", "add", "sync_separator"),
        ({"sync": "on_green"}, {"sync": "composite"}, "sync_kind", "add", "sync_separator"),
        ({"line_polarity": "positive"}, {"polarity": "negative"}, "polarity", "add", "inverter"),
        ({}, {"polarity": "negative"}, "polarity", "fits", None),
        ({"line_polarity": "either"}, {"polarity": "negative"}, "polarity", "unknown", None),
        ({"line_polarity": None}, {"polarity": "negative"}, "polarity", "unknown", None),
        ({"sync": "composite", "serrated": False}, {"sync": "composite"}, "serrations", "add", "combiner"),
        ({"sync": "composite", "serrated": True}, {"sync": "composite"}, "serrations", "fits", None),
        ({"sync": "composite", "serrated": None}, {"sync": "composite"}, "serrations", "unknown", None),
        ({"sync_low_v_pp": 0.3, "sync_high_v_pp": 0.3}, {}, "sync_level", "add", "buffer"),
        ({"sync_low_v_pp": 4.0, "sync_high_v_pp": 5.0}, {"high_v": 0.2, "sync_ohm": 75.0},
         "sync_level", "add", "attenuator"),
        ({"sync_low_v_pp": 0.05, "sync_high_v_pp": 0.05}, {"high_v": 0.2}, "sync_level", "add", "amplifier"),
        ({"sync_low_v_pp": 1.9, "sync_high_v_pp": 30.0}, {}, "sync_level", "add", "buffer"),
        ({}, {"video_v_pp": 3.0, "video_ohm": 1000.0}, "video_level", "add", "amplifier"),
        ({"video_v_pp": 1.5}, {}, "video_level", "add", "attenuator"),
        ({"video_v_pp": None}, {}, "video_level", "unknown", None),
        ({}, {"video_ohm": 10_000.0}, "termination", "add", "resistor"),
        ({}, {"more_loads": 1}, "termination", "add", "less_load"),
        ({}, {}, "termination", "fits", None),
        ({"coupling_uf": 220.0}, {"clamps": False}, "coupling", "add", "clamp"),
        ({"coupling_uf": 220.0}, {}, "coupling", "unknown", None),
        ({"coupling_uf": 220.0}, {"clamps": True}, "coupling", "fits", None),
    ],
)  # fmt: skip
def test_what_to_put_between(
    source: dict[str, Any], display: dict[str, Any], subject: str, says: str, add: str | None
) -> None:
    found = check(answer(source, display), subject)
    assert (found.says, found.add) == (says, add), found.words


def test_wrong_terminations_come_with_their_levels() -> None:
    missing, doubled = answer(display={"video_ohm": 10_000.0}), answer(display={"more_loads": 1})
    assert check(missing, "termination").level_v_pp == pytest.approx(1.3896, rel=1e-4)
    assert "Fit 75 ohm" in check(missing, "termination").words
    assert check(doubled, "termination").level_v_pp == pytest.approx(0.46667, rel=1e-4)
    # The level itself is right once the line is: no attenuator is proposed on top.
    for found in (missing, doubled):
        assert check(found, "video_level").says == "mind"
        assert {"gate_power_off", "anode_charge"} <= set(found.cautions)


def test_an_amplifier_ends_the_line_so_no_resistor_is_asked_for() -> None:
    found = answer(display={"video_v_pp": 3.0, "video_ohm": 1000.0})
    assert "gain 4.3" in check(found, "video_level").words
    assert "12.6 MHz" in check(found, "video_level").words
    assert all(one.subject != "termination" for one in found.fit.checks)


def test_the_low_of_a_logic_input_is_spoken_of() -> None:
    assert "low must lie at 0.8 V" in check(answer(display={"low_v": 0.8}), "sync_level").words
    assert "low must" not in check(answer(), "sync_level").words


def test_a_chassis_profile_fills_the_display() -> None:
    chassis = Chassis(
        id="l19",
        name="Larkspur",
        scan_khz=15.7,
        field_hz=60,
        sync_input=SyncInput(
            kind="composite", polarity="negative", level_low_v=0.8, level_high_v=2.0, termination_ohm=4700,
            video_v_pp=3.0, video_termination_ohm=1000,
        ),
    )  # fmt: skip
    display = display_side(KNOWLEDGE, chassis=chassis, given={"video_v_pp": 2.0})
    assert (display.sync, display.high_v, display.video_v_pp, display.line_low_hz) == ("composite", 2.0, 2.0, 15_700)
    assert display.field_low_hz == pytest.approx(54)


@pytest.mark.parametrize(
    ("fields", "where"),
    [
        ({"line_hz": 0.0}, "line_hz"),
        ({"video_v_pp": -1.0}, "video_v_pp"),
        ({"sync_low_v_pp": float("nan")}, "sync_low_v_pp"),
        ({"sync_source_ohm": float("inf")}, "sync_source_ohm"),
        ({"sync_low_v_pp": 6.0}, "sync_high_v_pp"),
    ],
)
def test_figures_without_sense_are_named(fields: dict[str, Any], where: str) -> None:
    with pytest.raises(InputError) as caught:
        answer(fields)
    assert [fault.where for fault in caught.value.faults] == [where]


# --- the combiner -----------------------------------------------------------------------

SIDES: Final[tuple[Polarity, ...]] = ("negative", "positive")


@pytest.mark.parametrize(("line", "field", "wanted"), list(itertools.product(SIDES, SIDES, SIDES)))
def test_the_combining_gate_keeps_an_edge_in_every_line_but_one(
    line: Polarity, field: Polarity, wanted: Polarity
) -> None:
    """Line and field sync drawn as voltages, put through the gate's truth table, edges counted line by line."""
    steps, lines, pulse = 100, 12, 8
    at = np.arange(steps * lines)
    line_pulse, field_pulse = at % steps < pulse, (at >= 4 * steps) & (at < 7 * steps)
    volts = [np.where(of == "negative", ~pulses, pulses) for of, pulses in ((line, line_pulse), (field, field_pulse))]
    out = volts[0] ^ volts[1]
    if combining_gate(line, field, wanted) == "XNOR":
        out = ~out
    sync = ~out if wanted == "negative" else out
    # Outside the field pulse: line pulses of the right sense.
    assert sync[2 * steps]
    assert not sync[2 * steps + pulse]
    rising = np.flatnonzero(np.diff(sync.astype(int)) == 1)
    per_line = np.histogram(rising, bins=np.arange(lines + 1) * steps - steps // 2)[0]
    assert [n for n in range(1, lines) if per_line[n] != 1] == [7]  # as the field pulse ends
    late = {int(place) % steps for place in rising if 4 * steps < place < 7 * steps - 1}
    assert late == {pulse - 1}
    # What a plain AND or OR of the pulses does: no edge within the field pulse.
    flat = line_pulse | field_pulse
    assert not np.any(np.diff(flat[4 * steps + 1 : 7 * steps - 1].astype(int)))


# --- pads -------------------------------------------------------------------------------


def solved(emf: float, source: float, series: float, shunt: float | None, load: float) -> float:
    """The level at the input by nodal analysis."""
    across = 1 / load + (1 / shunt if shunt else 0)
    matrix = np.array([[1 / source + 1 / series, -1 / series], [-1 / series, 1 / series + across]])
    return float(np.linalg.solve(matrix, np.array([emf / source, 0]))[1])


@given(
    emf=st.floats(0.5, 10),
    spread=st.floats(1, 1.5),
    source=st.sampled_from([37.5, 75.0, 150.0, 470.0]),
    wants=st.sampled_from([75.0, 1000.0, 2200.0]),
    load=st.sampled_from([75.0, 470.0, 1000.0, 10_000.0]),
    share=st.floats(0.05, 0.9),
)
def test_a_pad_gives_what_it_says(
    emf: float, spread: float, source: float, wants: float, load: float, share: float
) -> None:
    target = share * emf * spread**0.5 * load / (source + load)
    found = design_pad(emf, emf * spread, source_ohm=source, wants_ohm=wants, load_ohm=load, target_v_pp=target)
    if found is None:
        return
    assert bool(is_preferred(found.series_ohm, "E24"))
    assert found.shunt_ohm is None or bool(is_preferred(found.shunt_ohm, "E24"))
    middle = emf * (1 + spread) / 2
    level = solved(middle, source, found.series_ohm, found.shunt_ohm, load)
    assert found.level_v_pp == pytest.approx(level, rel=1e-9)
    assert found.level_v_pp == pytest.approx(target, rel=0.2)
    assert found.low_v_pp < found.level_v_pp < found.high_v_pp
    exact = solved(middle, source, found.exact_series_ohm, found.exact_shunt_ohm, load)
    assert exact == pytest.approx(target, rel=1e-6)
    # Any mix of the parts' tolerances stays within the stated ends.
    rng = np.random.default_rng(5)
    for a, b, c in rng.uniform(-1, 1, (20, 3)):
        shunt = None if found.shunt_ohm is None else found.shunt_ohm * (1 + 0.05 * b)
        mixed = solved(emf * spread ** ((c + 1) / 2), source, found.series_ohm * (1 + 0.05 * a), shunt, load)
        assert found.low_v_pp * (1 - 1e-9) <= mixed <= found.high_v_pp * (1 + 1e-9)


def test_a_pad_that_would_have_to_amplify_is_none() -> None:
    assert design_pad(1.4, 1.4, source_ohm=75, wants_ohm=75, load_ohm=75, target_v_pp=0.9) is None


def test_the_attenuator_proposed_for_sync_lands_within_the_window() -> None:
    for high_v, load, swing in itertools.product((0.15, 0.2, 0.3), (75.0, 1000.0), (2.0, 3.5, 5.0)):
        fields = {"sync_low_v_pp": swing, "sync_high_v_pp": swing * 1.1}
        found = check(answer(fields, {"high_v": high_v, "sync_ohm": load}), "sync_level")
        if found.pad is not None:
            assert found.pad.low_v_pp >= high_v
            assert found.pad.high_v_pp <= 4 * high_v
