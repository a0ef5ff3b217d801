"""Fitting a wish into a chassis: the limits hold, what is lacking is said, and nothing nearer was overlooked."""

from __future__ import annotations

import dataclasses
import math
from typing import Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.errors import InputError
from tubewright.picture.patterns.chassis import CHASSIS_CLASSES, Chassis, limits_broken
from tubewright.picture.patterns.fit import Fit, fit
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.rasters import what_is_wrong

FIFTEEN: Final = CHASSIS_CLASSES["15k"]

CHASSIS: Final = st.builds(
    lambda low, span, usual, blank, front, sync, back, field, rate, clock, interlace: Chassis(
        line_low_hz=low,
        line_high_hz=low * span,
        line_usual_hz=usual,
        line_blanking_s=blank / low,
        line_front_s=front / low,
        line_sync_s=sync / low,
        line_back_s=back / low,
        field_low_hz=rate[0],
        field_high_hz=rate[0] * rate[1],
        field_blanking_s=field,
        clock_high_hz=clock,
        interlace=interlace,
    ),
    low=st.floats(8e3, 70e3),
    span=st.floats(1.0, 2.5),
    usual=st.one_of(st.none(), st.just(15_734.0)),
    blank=st.floats(0.0, 0.3),
    front=st.floats(0.0, 0.05),
    sync=st.floats(0.0, 0.1),
    back=st.floats(0.0, 0.12),
    field=st.floats(0.0, 3e-3),
    rate=st.tuples(st.floats(40, 80), st.floats(1.0, 1.5)),
    clock=st.one_of(st.none(), st.floats(2e6, 1e8)),
    interlace=st.booleans(),
)
WISH: Final = {
    "width": st.integers(64, 1300),
    "height": st.integers(64, 1100),
    "rate": st.floats(40, 100),
    "keep": st.sampled_from(["lines", "rate"]),
    "step": st.sampled_from([0.0, 1000.0, 10_000.0, 250_000.0]),
    "cell": st.sampled_from([1, 4, 8]),
}


def outside(r: Raster, c: Chassis) -> list[str]:
    """The limits that a raster breaks, reckoned apart from the code that fits it: times from the dots up."""
    dot_s = 1 / r.pixel_clock_hz
    line_s = dot_s * (r.width_px + r.h_front_px + r.h_sync_px + r.h_back_px)
    frame_s = line_s * (r.height_px + r.v_front_lines + r.v_sync_lines + r.v_back_lines)
    field_s = frame_s / 2 if r.interlaced else frame_s
    per_field = 2 if r.interlaced else 1
    near = 1 + 1e-8
    checks = {
        "line rate": c.line_low_hz / near <= 1 / line_s <= c.line_high_hz * near,
        "field rate": c.field_low_hz / near <= 1 / field_s <= c.field_high_hz * near,
        "line blanking": (line_s - r.width_px * dot_s) * near >= c.line_blanking_s,
        "front": r.h_front_px * dot_s * near >= c.line_front_s,
        "sync": r.h_sync_px * dot_s * near >= c.line_sync_s,
        "back": r.h_back_px * dot_s * near >= c.line_back_s,
        "field blanking": (field_s - r.height_px / per_field * line_s) * near >= c.field_blanking_s - 1e-12,
        "field front": r.v_front_lines >= c.field_front_lines * per_field,
        "field sync": r.v_sync_lines >= c.field_sync_lines * per_field,
        "clock": c.clock_high_hz is None or r.pixel_clock_hz <= c.clock_high_hz * near,
        "interlace": c.interlace or not r.interlaced,
    }
    return [name for name, kept in checks.items() if not kept]


def asked(chassis: Chassis, width: int, height: int, rate: float, keep: str, step: float, cell: int) -> Fit:
    return fit(width, height, rate, chassis, keep=keep, clock_step_hz=step, cell_px=cell)  # type: ignore[arg-type]


@settings(max_examples=150)
@given(chassis=CHASSIS, **WISH)
def test_limits_hold_and_what_is_lacking_is_said(
    chassis: Chassis, width: int, height: int, rate: float, keep: str, step: float, cell: int
) -> None:
    found = asked(chassis, width, height, rate, keep, step, cell)
    offered = [(option.raster, option.lacks) for option in found.others]
    if found.raster is None:
        assert [lack.what for lack in found.lacks] == ["all"]
        assert found.words
        assert not offered
    else:
        offered.append((found.raster, found.lacks))
    for raster, lacks in offered:
        assert not outside(raster, chassis)
        assert not limits_broken(raster, chassis)
        assert not what_is_wrong(raster)
        assert all(part % cell == 0 for part in (raster.h_front_px, raster.h_sync_px, raster.h_back_px))
        said = {lack.what for lack in lacks}
        assert ("dots" in said) == (raster.width_px < width)
        assert ("lines" in said) == (raster.height_px < height)
        assert ("progressive" in said) == raster.interlaced
        assert ("rate" in said) == (abs(raster.field_hz / rate - 1) > 5e-4)
        assert raster.width_px <= width
        assert raster.height_px <= height + 1
        for lack in lacks:
            assert lack.limit
            assert "can't be met" in lack.words
            assert lack.given in lack.words


@settings(max_examples=150)
@given(chassis=CHASSIS, **WISH)
def test_no_shortfall_without_need(
    chassis: Chassis, width: int, height: int, rate: float, keep: str, step: float, cell: int
) -> None:
    """If all of the wish fits with room to spare, by trying every total, all of it is given."""
    if not chassis.field_low_hz <= rate <= chassis.field_high_hz:
        return
    for total in range(height + 5, math.floor(chassis.line_high_hz / rate) + 1):
        line_hz = rate * total
        if line_hz < chassis.line_low_hz or (total - height) / line_hz < chassis.field_blanking_s:
            continue
        parts_s = chassis.line_front_s + chassis.line_sync_s + chassis.line_back_s
        # Room for each part to be rounded up to a cell, and for the clock's steps.
        share = max(parts_s, chassis.line_blanking_s) * line_hz
        dots = (width + 4 * cell) / (1 - share) if share < 1 else math.inf
        if dots * line_hz < (chassis.clock_high_hz or math.inf) * 0.99 and dots * line_hz < 1e9:
            assert asked(chassis, width, height, rate, keep, 0.0, cell).lacks == ()
            return


@settings(max_examples=60)
@given(chassis=CHASSIS, **WISH)
def test_more_can_be_had_of_a_wider_chassis(
    chassis: Chassis, width: int, height: int, rate: float, keep: str, step: float, cell: int
) -> None:
    wider = dataclasses.replace(
        chassis,
        line_high_hz=min(chassis.line_high_hz * 1.5, 200e3),
        field_high_hz=max(rate, chassis.field_high_hz),
        field_low_hz=min(rate, chassis.field_low_hz),
    )
    narrow, wide = (asked(one, width, height, rate, keep, 0.0, cell) for one in (chassis, wider))
    if not narrow.lacks:
        assert not wide.lacks
    if narrow.raster is not None:
        assert wide.raster is not None


def one(fitted: Fit) -> Raster:
    assert fitted.raster is not None
    return fitted.raster


def test_the_common_wish_fits_whole() -> None:
    """262 lines, 240 of them seen, at 60 Hz: what 15 kHz boards commonly give."""
    found = fit(320, 240, 60, FIFTEEN)
    assert found.lacks == ()
    assert one(found).v_total_lines == 262
    assert found.words[0].startswith("Everything asked for fits")


def test_lines_are_kept_at_a_lower_rate() -> None:
    """288 lines and 1.1 ms at 16 kHz at most: (1 - 288/N)/1.1 ms and 16 kHz/N meet near 306 lines, 52.3 Hz."""
    found = fit(384, 288, 60, FIFTEEN)
    assert [lack.what for lack in found.lacks] == ["rate"]
    assert one(found).height_px == 288
    assert one(found).field_hz == pytest.approx(52.29, abs=0.02)
    assert "18.54 kHz" in found.lacks[0].words
    assert found.lacks[0].limit == "line rate"


def test_the_rate_is_kept_with_fewer_lines() -> None:
    """16 kHz / 60 Hz is 266 lines, less 1.1 ms of them (17.6): 248."""
    found = fit(384, 288, 60, FIFTEEN, keep="rate")
    assert [lack.what for lack in found.lacks] == ["lines"]
    assert one(found).height_px == 248
    assert one(found).field_hz == pytest.approx(60, rel=1e-4)


def test_twice_the_lines_are_interlaced() -> None:
    found = fit(640, 480, 60, FIFTEEN)
    assert [lack.what for lack in found.lacks] == ["progressive"]
    assert one(found).interlaced
    assert one(found).v_total_lines % 2 == 1
    assert not one(fit(640, 480, 60, dataclasses.replace(FIFTEEN, interlace=False))).interlaced


def test_interlace_is_no_way_out_for_a_picture_that_would_be_half_as_high() -> None:
    found = fit(384, 288, 60, FIFTEEN, keep="rate")
    assert not any(option.raster.interlaced for option in found.others)


def test_a_slow_clock_takes_dots() -> None:
    found = fit(640, 240, 60, dataclasses.replace(FIFTEEN, clock_high_hz=8e6))
    assert [lack.what for lack in found.lacks] == ["dots"]
    raster = one(found)
    # 8 MHz for 63.6 us less 10.7 us.
    assert raster.width_px == pytest.approx(8 * (1e6 / raster.line_hz - 10.7), abs=2)
    assert found.lacks[0].limit == "clock"


def test_a_rate_outside_the_field_lock_is_said() -> None:
    found = fit(320, 240, 85, FIFTEEN)
    assert found.lacks[0].limit == "field rate"
    assert one(found).field_hz <= 63


def test_nothing_at_all_is_said_with_its_reason() -> None:
    none = Chassis(line_low_hz=15_700.2, line_high_hz=15_700.4, field_low_hz=60, field_high_hz=60)
    found = fit(320, 240, 60, none)
    assert found.raster is None
    assert "no whole number of lines" in found.words[0]


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"line_low_hz": 16_500.0}, "line_hz"),
        ({"line_high_hz": float("nan")}, "line_hz"),
        ({"field_low_hz": 70.0}, "field_hz"),
        ({"line_blanking_s": -1e-6}, "line_blanking_s"),
        ({"line_sync_s": 80e-6}, "line_blanking_s"),
        ({"field_blanking_s": 0.02}, "field_blanking_s"),
        ({"field_sync_lines": 0}, "field_sync_lines"),
        ({"clock_high_hz": 10.0}, "clock_high_hz"),
    ],
)
def test_limits_that_contradict_each_other_are_named(change: dict[str, object], where: str) -> None:
    with pytest.raises(InputError) as caught:
        fit(320, 240, 60, dataclasses.replace(FIFTEEN, **change))  # type: ignore[arg-type]
    assert [fault.where for fault in caught.value.faults] == [where]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"pixel_clock_hz": 12.1e6}, "line rate is 31"),
        ({"v_back_lines": 80}, "field rate is 48"),
        ({"h_sync_px": 5}, "line sync is 0.8"),
        ({"h_front_px": 1}, "front porch is 0.1"),
        ({"interlaced": True}, "interlaced"),
    ],
)
def test_every_limit_that_a_raster_breaks_is_named(change: dict[str, object], words: str) -> None:
    fitted = one(fit(320, 240, 60, FIFTEEN))
    chassis = dataclasses.replace(FIFTEEN, interlace=False, field_low_hz=49)
    broken = dataclasses.replace(fitted, **change)  # type: ignore[arg-type]
    assert any(words in said for said in limits_broken(broken, chassis)), limits_broken(broken, chassis)
