"""The pulses of a field are those of the standards, and those that boards are seen to send."""

from __future__ import annotations

import numpy as np
import pytest

from tubewright.physics.afc.source import (
    VERTICAL_KINDS,
    SyncSource,
    VerticalKind,
    progressive,
    pulse_counts,
    pulse_train,
    standard_525,
    standard_625,
    with_vertical,
)


@pytest.mark.parametrize(
    ("source", "counts"),
    [
        # 525 lines: 525 less 2 fields of 9 lines; arithmetic on BT.1700's field interval.
        (standard_525(), {"line": 507, "equalising": 24, "field": 12}),
        # 625 lines: as the pulses of a whole frame were counted in a public codec's test suite.
        (standard_625(), {"line": 610, "equalising": 20, "field": 10}),
    ],
    ids=lambda value: value.name if isinstance(value, SyncSource) else "",
)
def test_a_frame_has_the_pulses_of_its_standard(source: SyncSource, counts: dict[str, int]) -> None:
    assert pulse_counts(source) == counts


@pytest.mark.parametrize(
    ("source", "broad_us", "half_us"),
    # Widths as data sheets quote BT.1700; 27.1 there is rounded, exactly it is 27.08.
    [(standard_525(), 27.08, 31.7778), (standard_625(), 27.3, 32.0)],
)
def test_pulses_have_the_widths_of_their_standard(source: SyncSource, broad_us: float, half_us: float) -> None:
    train = pulse_train(source)
    widths = np.unique(np.round(train.width_us[train.present], 2))
    assert widths.tolist() == [2.35, 4.7, pytest.approx(broad_us, abs=0.01)]
    assert train.line_us / 2 == pytest.approx(half_us, abs=1e-4)
    # One field sync after the other, half a line off: that is what interlaces.
    first, second = train.field_slot
    assert second - first == source.half_lines
    assert np.all(np.diff(np.flatnonzero(train.width_us > 10)[: source.vertical_half_lines]) == 1)


def test_rates_are_the_published_ones() -> None:
    assert standard_525().line_hz == pytest.approx(15734.2657, abs=1e-4)
    assert standard_525().field_hz == pytest.approx(59.94006, abs=1e-5)
    assert standard_625().field_hz == 50.0
    assert progressive(262).field_hz == pytest.approx(60.0545, abs=1e-4)
    assert progressive(312, line_hz=15625.0).field_hz == pytest.approx(50.0801, abs=1e-4)


@pytest.mark.parametrize("lines", [1, 3, 6, 8])
def test_a_field_pulse_without_serrations_leaves_its_lines_out(lines: int) -> None:
    source = progressive(262, vertical="flat", vertical_lines=lines)
    train = pulse_train(source)
    assert np.flatnonzero(~train.present[0::2]).tolist() == list(range(1, lines + 1))
    assert train.width_us[0] == pytest.approx(lines * source.line_us)
    assert source.gap_lines == lines


def test_a_pulse_that_starts_in_mid_line_is_a_wrong_edge() -> None:
    train = pulse_train(with_vertical(progressive(262), "flat", vertical_lines=3, starts_mid_line=True))
    assert np.flatnonzero(train.present[1::2]).tolist() == [0]
    assert np.flatnonzero(~train.present[0::2]).tolist() == [1, 2, 3]


def test_exclusive_or_keeps_edges_but_a_pulse_width_late() -> None:
    train = pulse_train(progressive(262, vertical="inverted"))
    assert train.delay_us[:6:2].tolist() == [4.7, 4.7, 4.7]
    assert not np.any(train.delay_us[6:])
    # As sync comes back to normal a line pulse follows at once, so that one edge is lost.
    assert np.flatnonzero(~train.present[0::2]).tolist() == [3]


@pytest.mark.parametrize("kind", VERTICAL_KINDS)
@pytest.mark.parametrize("mid_line", [False, True])
@pytest.mark.parametrize("source", [standard_525(), standard_625(), progressive(262)], ids=lambda s: s.name)
def test_sync_lasts_as_long_as_its_pulses(source: SyncSource, kind: VerticalKind, mid_line: bool) -> None:
    train = pulse_train(with_vertical(source, kind, starts_mid_line=mid_line))
    low_us = train.low_share_ratio.sum() * train.line_us / 2
    assert low_us == pytest.approx(train.width_us.sum(), rel=1e-9)
    assert np.all(train.present == (train.width_us > 0))
    assert np.all(train.low_share_ratio <= 1)


@pytest.mark.parametrize("bad", [{"vertical_lines": 0}, {"vertical_lines": 30}, {"lines": 12}])
def test_a_field_without_room_is_refused(bad: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="no room"):
        progressive(**{"lines": 262, **bad})  # type: ignore[arg-type] # whole numbers only


def test_a_field_pulse_longer_than_the_blanking_is_refused() -> None:
    with pytest.raises(ValueError, match="until the picture begins"):
        with_vertical(standard_525(), "flat", vertical_lines=40)
