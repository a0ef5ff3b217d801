"""What becomes of width and height: published worked figures, the laws' limits, and what can't be told."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.judgement.scan_change import (
    HEIGHT_SHARE,
    WIDTH_SHARE,
    ScanState,
    anode_size_ratio,
    coil_for,
    half_angle_rad,
    momentum_ratio,
    scan_change,
)

VOLTS = st.floats(5, 40)
MH = st.floats(0.1, 5)


# Worked figures of the collection: scan length goes as one over the root of the voltage, without relativity.
@pytest.mark.parametrize(("before", "after", "percent"), [(25, 24, 2.062), (25, 22.5, 5.409)])
def test_the_anode_voltage_alone_gives_the_worked_figures(before: float, after: float, percent: float) -> None:
    assert 100 * (anode_size_ratio(before, after) - 1) == pytest.approx(percent, abs=5e-4)
    change = scan_change(ScanState(eht_kv=before), ScanState(eht_kv=after))
    for size in (change.width, change.height):
        assert size is not None
        assert 100 * (size.ratio - 1) == pytest.approx(percent, abs=5e-4)


def test_relativity_agrees_with_the_electrons_momentum() -> None:
    """Independent form: pc = sqrt(T^2 + 2 T mc^2), with T in keV and mc^2 = 510.99895 keV (CODATA 2022)."""
    momentum = {kv: math.sqrt(kv**2 + 2 * kv * 510.99895) for kv in (24, 25)}
    assert momentum_ratio(25, 24) == pytest.approx(momentum[25] / momentum[24], rel=1e-9)
    assert 1.0206 < anode_size_ratio(25, 24) < momentum_ratio(25, 24) < 1.0212


def test_a_coil_in_series_takes_current_as_inductance_says() -> None:
    change = scan_change(ScanState(line_mh=1.0), ScanState(line_mh=1.0, width_coil_mh=0.1))
    assert change.width is not None
    assert change.width.ratio == pytest.approx(1 / 1.1)
    assert change.width.low_ratio == change.width.high_ratio == pytest.approx(1 / 1.1)
    assert change.height is not None
    assert change.height.ratio == 1


def test_another_line_yoke_spans_equal_form_and_equal_turns() -> None:
    change = scan_change(ScanState(line_mh=1.0), ScanState(line_mh=1.21))
    assert change.width is not None
    assert change.width.ratio == pytest.approx(1 / 1.1)
    assert change.width.low_ratio == pytest.approx(1 / 1.21)
    assert change.width.high_ratio == pytest.approx(1 / 1.1)
    assert change.retrace_high_ratio == pytest.approx(1.1)
    assert change.retrace_low_ratio == pytest.approx(math.sqrt(1.1))


def test_the_field_yoke_spans_a_given_current_and_a_given_voltage() -> None:
    change = scan_change(ScanState(field_mh=20, field_ohm=10), ScanState(field_mh=24.2, field_ohm=12.1))
    assert change.height is not None
    assert change.height.ratio == pytest.approx(1.1)
    assert (change.height.low_ratio, change.height.high_ratio) == pytest.approx((1 / 1.1, 1.1))
    by_ohms = scan_change(ScanState(field_ohm=10), ScanState(field_ohm=12.1))
    assert by_ohms.height == change.height


def test_measured_currents_speak_for_themselves() -> None:
    before = ScanState(line_current_a=4.0, field_current_a=1.0)
    change = scan_change(before, ScanState(line_current_a=4.4, field_current_a=0.9))
    assert change.width is not None
    assert change.height is not None
    assert (change.width.ratio, change.height.ratio) == pytest.approx((1.1, 0.9))
    assert change.width.low_ratio == change.width.high_ratio


def test_a_wider_angle_fills_less_and_needs_more_energy() -> None:
    before = ScanState(eht_kv=24, angle_deg=90)
    change = scan_change(before, ScanState(eht_kv=24, angle_deg=110))
    narrow, wide = (math.atan(0.8 * math.tan(math.radians(a) / 2)) for a in (90, 110))
    assert change.width is not None
    assert change.width.ratio == pytest.approx(math.sin(narrow) / math.sin(wide))
    assert change.energy_ratio == pytest.approx((math.sin(wide) / math.sin(narrow)) ** 2)


def test_a_flat_face_exaggerates_at_its_edge() -> None:
    """At 110 degrees a picture that is 1 % larger by sines is more so by tangents: d ln tan = d ln sin / cos^2."""
    change = scan_change(ScanState(eht_kv=25, angle_deg=110), ScanState(eht_kv=25 / 1.01**2, angle_deg=110))
    assert change.width is not None
    steeper = 1 / math.cos(half_angle_rad(110, WIDTH_SHARE)) ** 2
    assert change.width.ratio == pytest.approx(1.01, rel=1e-6)
    assert change.width.high_ratio == pytest.approx(1 + 0.01 * steeper, abs=1.5e-3)


def test_half_angles_of_four_by_three() -> None:
    """On a flat face at distance d: half diagonal d tan 45, of which 0.8 and 0.6."""
    assert math.degrees(half_angle_rad(90, WIDTH_SHARE)) == pytest.approx(38.660, abs=1e-3)
    assert math.degrees(half_angle_rad(90, HEIGHT_SHARE)) == pytest.approx(30.964, abs=1e-3)
    with pytest.raises(ValueError, match="between 0 and 180"):
        half_angle_rad(180, WIDTH_SHARE)


def test_what_only_one_side_knows_is_not_told() -> None:
    change = scan_change(ScanState(line_mh=1.2, field_mh=20), ScanState(field_mh=20))
    assert change.width is None
    assert change.drive_ratio is None
    assert change.supply_ratio is None
    assert change.height is not None
    assert change.untold == ("the line yoke's inductance is known on one side only",)
    change = scan_change(ScanState(eht_kv=24), ScanState())
    assert (change.width, change.height, change.energy_ratio) == (None, None, None)


@given(before=VOLTS, after=VOLTS, yoke=MH, other=MH)
def test_a_change_and_its_undoing_cancel(before: float, after: float, yoke: float, other: float) -> None:
    one, two = ScanState(eht_kv=before, line_mh=yoke), ScanState(eht_kv=after, line_mh=other)
    there, back = scan_change(one, two), scan_change(two, one)
    assert there.width is not None
    assert back.width is not None
    assert there.width.ratio * back.width.ratio == pytest.approx(1)
    assert there.width.low_ratio <= there.width.ratio <= there.width.high_ratio


@given(eht=VOLTS, ratio=st.floats(0.7, 1.3), bplus=st.floats(50, 200))
def test_the_supply_that_is_named_brings_the_width_back(eht: float, ratio: float, bplus: float) -> None:
    """B+ by the square, and the anode voltage with it: put in, the width is the old one."""
    before, yoke = ScanState(eht_kv=eht, line_mh=1.0, bplus_v=bplus), 1.0 / ratio**2
    changed = scan_change(before, replace(before, line_mh=yoke))
    assert changed.supply_ratio is not None
    mended = scan_change(
        before,
        replace(before, line_mh=yoke, eht_kv=eht * changed.supply_ratio, bplus_v=bplus * changed.supply_ratio),
    )
    assert mended.width is not None
    assert mended.width.ratio == pytest.approx(1)


@given(line=MH, ratio=st.floats(1.0, 1.5))
def test_the_coil_that_is_named_brings_the_width_back(line: float, ratio: float) -> None:
    coil = coil_for(ratio, line)
    change = scan_change(ScanState(line_mh=line), ScanState(line_mh=line, width_coil_mh=coil or None))
    assert change.width is not None
    assert change.width.ratio * ratio == pytest.approx(1)


def test_no_coil_makes_a_picture_wider() -> None:
    with pytest.raises(ValueError, match="no picture wider"):
        coil_for(0.9, 1.0)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_figures_that_cannot_be_are_refused(value: float) -> None:
    for name in ScanState.__dataclass_fields__:
        with pytest.raises(ValueError, match="above zero"):
            scan_change(ScanState(**{name: value}), ScanState())
