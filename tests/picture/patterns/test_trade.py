"""The trade's patterns are exact to the dot: strokes, symmetry, levels, middle, and a circle round on the glass."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.errors import InputError
from tubewright.picture.patterns import trade
from tubewright.picture.patterns.catalogue import (
    CATALOGUE,
    FLASHES_LIMIT_PER_S,
    GUNS,
    LARGEST_PX,
    SMALLEST_PX,
    Drawing,
    find_pattern,
)
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.trade_levels import (
    LATTICES,
    OVERSCAN_PCT,
    SHAPES,
    Shape,
    bar_codes,
    bar_luma_ire,
    burst_mhz,
    burst_periods_px,
    code_of,
    crawl_s,
    dot_aspect_ratio,
    thin_dots,
    thin_lines,
)

TRADE = [name for name in CATALOGUE if not name.startswith("survey")]


def made(width_px: int, height_px: int, *, interlaced: bool = False, clock_hz: float = 6.4e6) -> Raster:
    """A raster of that size; where its pulses lie doesn't matter here."""
    return Raster(
        name="made",
        width_px=width_px,
        height_px=height_px,
        pixel_clock_hz=clock_hz,
        h_front_px=8,
        h_sync_px=32,
        h_back_px=40,
        v_front_lines=3,
        v_sync_lines=3,
        v_back_lines=16 + (height_px + 1) % 2 if interlaced else 16,
        interlaced=interlaced,
    )


rasters = st.builds(made, st.integers(160, 2600), st.integers(120, 1100), interlaced=st.booleans())
shapes = st.sampled_from(sorted(SHAPES))


def runs(lit: object) -> list[tuple[int, int]]:
    """Start and length of every run of lit dots in a row of them."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], np.asarray(lit, dtype=np.int8), [0]))))
    return [(int(a), int(b - a)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


@settings(max_examples=12)
@given(rasters, st.sampled_from(TRADE), shapes, st.sampled_from(sorted(GUNS)))
def test_every_pattern_fills_the_raster_and_keeps_to_its_guns(r: Raster, name: str, shape: Shape, guns: str) -> None:
    pattern = CATALOGUE[name]
    frames = pattern.frames(r, Drawing(shape=shape, guns=guns))
    assert len(frames) == (2 if pattern.moving else 1)
    for pixels in frames:
        assert pixels.shape == (r.height_px, r.width_px, 3)
        assert pixels.dtype == np.uint8
        if "guns" in pattern.takes:
            assert not pixels[..., [gun for gun in range(3) if gun not in GUNS[guns]]].any()


@settings(max_examples=12)
@given(rasters, shapes)
def test_crosshatch_has_its_lines_of_one_thickness_in_place_and_mirrored(r: Raster, shape: Shape) -> None:
    pixels = trade.crosshatch(r, shape)
    assert (pixels == pixels[:, ::-1]).all()
    assert (pixels == pixels[::-1]).all()
    assert set(np.unique(pixels)) == {0, 255}
    columns, rows = LATTICES[shape]
    lit = pixels[..., 0] > 0
    row_clear = next(y for y in range(r.height_px) if not pixels[y].all())
    column_clear = next(x for x in range(r.width_px) if not pixels[:, x].all())
    for seen, size, count, thick in (
        (runs(lit[row_clear]), r.width_px, columns, thin_dots(r, shape)),
        (runs(lit[:, column_clear]), r.height_px, rows, thin_lines(r)),
    ):
        assert [length for _, length in seen] == [thick] * count
        middles = np.array([start + thick / 2 for start, _ in seen])
        assert np.abs(middles - (np.arange(count) + 0.5) * size / count).max() <= 0.5


@settings(max_examples=12)
@given(rasters, shapes)
def test_strokes_are_as_thick_on_the_glass_both_ways(r: Raster, shape: Shape) -> None:
    across, down = thin_dots(r, shape) * dot_aspect_ratio(r, shape), thin_lines(r)
    # To half a dot; a stroke can't be thinner than one dot.
    assert abs(across - down) <= 0.5 * dot_aspect_ratio(r, shape) + 1e-9 or thin_dots(r, shape) == 1
    assert down == (2 if r.interlaced else 1)


@pytest.mark.parametrize("shape", sorted(SHAPES))
def test_the_squares_of_the_crosshatch_are_squares_on_the_glass(shape: Shape) -> None:
    columns, rows = LATTICES[shape]
    across, down = SHAPES[shape]
    assert across / columns == pytest.approx(down / rows, rel=1e-12)
    assert columns % 2 == rows % 2 == 0


@settings(max_examples=10)
@given(rasters, shapes)
def test_dots_stand_where_the_lines_cross_and_apart(r: Raster, shape: Shape) -> None:
    pixels = trade.dots(r, shape)
    assert (pixels == pixels[:, ::-1]).all()
    assert (pixels == pixels[::-1]).all()
    columns, rows = LATTICES[shape]
    lit = pixels[..., 1] > 0
    across, down = runs(np.any(lit, axis=0)), runs(np.any(lit, axis=1))
    assert (len(across), len(down)) == (columns, rows)
    assert {length for _, length in down} == {2}
    assert len({length for _, length in across}) == 1
    assert lit.sum() == columns * rows * 2 * across[0][1]
    for seen, size, count in ((across, r.width_px, columns), (down, r.height_px, rows)):
        middles = np.array([start + length / 2 for start, length in seen])
        assert np.abs(middles - (np.arange(count) + 0.5) * size / count).max() <= 0.5


@settings(max_examples=12)
@given(rasters, shapes)
def test_the_cross_is_in_the_exact_middle_and_the_circle_is_round_on_the_glass(r: Raster, shape: Shape) -> None:
    pixels = trade.centre(r, shape)
    assert (pixels == pixels[:, ::-1]).all()
    assert (pixels == pixels[::-1]).all()
    lit = pixels[..., 0] > 0
    top, side = runs(lit[0]), runs(lit[:, 0])
    assert [2 * start + length for start, length in top] == [r.width_px]
    assert [2 * start + length for start, length in side] == [r.height_px]
    assert top[0][1] - thin_dots(r, shape) in {0, 1}
    assert side[0][1] - thin_lines(r) in {0, 1}
    # Without the cross only the circle is left; its radius in every direction, as it lies on the glass.
    lit[:, top[0][0] : top[0][0] + top[0][1]] = False
    lit[side[0][0] : side[0][0] + side[0][1]] = False
    y, x = np.nonzero(lit)
    aspect = dot_aspect_ratio(r, shape)
    across, down = (x - (r.width_px - 1) / 2) * aspect, y - (r.height_px - 1) / 2
    radius = np.hypot(across, down)
    thick = max(thin_lines(r), 1.0, aspect)
    assert np.abs(radius - trade.circle_radius_lines(r, shape)).max() <= thick / 2 + 1e-9
    # No gap wider than the cross that was cut away: every direction of a quarter is covered.
    quarter = np.sort(np.degrees(np.arctan2(down, across))[(across > 0) & (down > 0)])
    step = np.degrees(1.5 * max(1.0, aspect) / radius.mean())
    assert np.diff(quarter).max() <= step


@pytest.mark.parametrize(
    ("width", "height", "interlaced", "shape"),
    [
        (320, 240, False, "4:3"),
        (2560, 240, False, "4:3"),
        (720, 576, True, "4:3"),
        (256, 224, False, "4:3"),
        (1280, 1024, False, "4:3"),
        (480, 640, False, "3:4"),
        (240, 320, False, "3:4"),
        (854, 480, False, "16:9"),
    ],
)
def test_a_ruler_finds_the_circle_as_wide_as_high(width: int, height: int, interlaced: bool, shape: Shape) -> None:
    """Width and height on the glass, in pitches of lines, differ by no more than a dot; turned, it stays round."""
    r = made(width, height, interlaced=interlaced)
    lit = trade.centre(r, shape)[..., 0] > 0
    middle_y, middle_x = height // 2, width // 2
    # Beside the cross's own strokes, a little above and to the left of the middle.
    beside_y, beside_x = middle_y - 4, middle_x - 2 - 2 * thin_dots(r, shape)
    across, down = np.flatnonzero(lit[beside_y]), np.flatnonzero(lit[:, beside_x])
    aspect = dot_aspect_ratio(r, shape)
    wide = (across[-1] - across[0] + 1) * aspect
    high = down[-1] - down[0] + 1
    assert abs(wide - high) <= 2 * max(1, aspect) + 1
    assert high == pytest.approx(2 * trade.circle_radius_lines(r, shape), abs=3)


@settings(max_examples=12)
@given(rasters)
def test_the_window_is_half_each_way_and_in_the_exact_middle(r: Raster) -> None:
    pixels = trade.window(r)
    assert (pixels == pixels[::-1, ::-1]).all()
    assert (pixels == pixels[:, ::-1]).all()
    rows, columns = np.nonzero(pixels[..., 0])
    high, wide = np.ptp(rows) + 1, np.ptp(columns) + 1
    assert pixels[..., 0].sum() == 255 * high * wide
    assert 0 <= high - r.height_px // 2 <= 1
    assert 0 <= wide - r.width_px // 2 <= 1


@settings(max_examples=12)
@given(rasters)
def test_steps_are_even_in_level_and_width(r: Raster) -> None:
    pixels = trade.staircase(r)
    assert (pixels[..., 0] == pixels[..., 1]).all()
    assert (pixels[..., 0] == pixels[..., 2]).all()
    above, below = pixels[0, :, 0], pixels[-1, :, 0]
    assert (above == below[::-1]).all()
    levels, counts = np.unique(above, return_counts=True)
    # Round half up of 255 k / 10, by whole numbers.
    assert levels.tolist() == [(2 * 255 * k + 10) // 20 for k in range(11)]
    assert (np.diff(above.astype(int)) >= 0).all()
    assert np.ptp(counts) <= 1
    assert (pixels[: r.height_px // 2] == pixels[0]).all()
    assert (pixels[r.height_px // 2 :] == pixels[-1]).all()


@settings(max_examples=10)
@given(rasters)
def test_stripes_near_black_have_their_codes_and_stand_apart(r: Raster) -> None:
    row = trade.pulses(r)[r.height_px // 2, :, 0]
    seen = [(int(row[start]), length) for start, length in runs(row > 0)]
    assert [code for code, _ in seen] == [3, 5, 10, 20, 255]  # 1, 2, 4 and 8 % of 255, and white
    for code, length in seen[:-1]:
        assert abs(length - r.width_px / 16) <= 1, code
    assert row[0] == row[-1] == 0


@settings(max_examples=10)
@given(rasters, st.sampled_from([(75, 75), (100, 75), (100, 100)]))
def test_bars_stand_in_order_and_equally_wide(r: Raster, levels: tuple[int, int]) -> None:
    pixels = trade.bars(r, *levels)
    assert (pixels == pixels[0]).all()
    changes = np.flatnonzero((np.diff(pixels[0].astype(int), axis=0) != 0).any(axis=1)) + 1
    edges = np.concatenate(([0], changes, [r.width_px]))
    assert len(edges) == 9
    assert np.ptp(np.diff(edges)) <= 1
    seen = pixels[0, edges[:-1]]
    high, white = round(levels[1] * 2.55 - 0.01), round(levels[0] * 2.55 - 0.01)
    wanted = [
        (white, white, white),
        (high, high, 0),
        (0, high, high),
        (0, high, 0),
        (high, 0, high),
        (high, 0, 0),
        (0, 0, high),
        (0, 0, 0),
    ]
    assert [tuple(int(v) for v in bar) for bar in seen] == wanted


def test_luma_of_the_bars_is_as_published() -> None:
    """75 % bars with 7.5 IRE of setup: 77, 69, 56, 48, 36, 28, 15 IRE as printed in handbooks; computed to 0.01."""
    luma = bar_luma_ire(75, 75, setup_ire=7.5)
    assert luma[:7] == pytest.approx([76.88, 68.97, 56.13, 48.22, 36.15, 28.24, 15.41], abs=0.006)
    assert [round(v) for v in luma[:7]] == [77, 69, 56, 48, 36, 28, 15]
    assert luma[7] == pytest.approx(7.5)
    # Of full bars without setup the luma is the sum of the shares of BT.601.
    assert bar_luma_ire(100, 100)[[0, 1, 3, 5, 6]] == pytest.approx([100, 88.6, 58.7, 29.9, 11.4])
    assert bar_codes(100, 75)[0].tolist() == [255, 255, 255]
    assert bar_codes(100, 75)[1].tolist() == [191, 191, 0]


@settings(max_examples=12)
@given(rasters)
def test_bursts_are_whole_periods_up_to_the_limit_of_the_raster(r: Raster) -> None:
    periods = burst_periods_px(r)
    assert len(periods) == 6
    assert periods[-1] == 2
    assert list(periods) == sorted(set(periods), reverse=True)
    assert all(period % 2 == 0 for period in periods)
    mhz = burst_mhz(r)
    assert mhz[-1] * 1e6 == r.pixel_clock_hz / 2  # Nyquist
    assert max(mhz) == mhz[-1]
    row = trade.multiburst(r)[0, :, 0]
    assert set(np.unique(row)) == {0, 128, 255}
    on_grey = [(start, length) for start, length in runs(row != 128)]
    # The flag may touch nothing: it ends where the first burst's grey begins.
    assert len(on_grey) == 7
    for (start, length), period in zip(on_grey[1:], periods, strict=True):
        burst = row[start : start + length]
        assert length % period == 0
        assert (burst.reshape(-1, period)[:, : period // 2] == 255).all()
        assert (burst.reshape(-1, period)[:, period // 2 :] == 0).all()


@settings(max_examples=12)
@given(rasters, shapes)
def test_frames_of_the_overscan_lie_two_percent_apart_on_all_four_sides(r: Raster, shape: Shape) -> None:
    pixels = trade.overscan(r, shape)
    assert (pixels == pixels[:, ::-1]).all()
    assert (pixels == pixels[::-1]).all()
    across, down = pixels[r.height_px // 2], pixels[:, r.width_px // 2]
    colours = [(255, 255, 255), (255, 255, 0), (0, 255, 255), (0, 255, 0), (255, 0, 255), (255, 255, 255)]
    for line, size, thick in ((across, r.width_px, thin_dots(r, shape)), (down, r.height_px, thin_lines(r))):
        for percent, colour in zip(OVERSCAN_PCT, colours, strict=True):
            start = int(size * percent / 100 + 0.5)
            if size / 50 >= thick + 1:
                assert (line[start : start + thick] == colour).all()
            assert abs(start - size * percent / 100) <= 0.5
    assert (pixels[0] == 255).all()
    assert (pixels[:, 0] == 255).all()


@settings(max_examples=8)
@given(rasters, st.floats(0, 100))
def test_the_split_has_its_edge_in_the_middle(r: Raster, level: float) -> None:
    pixels = trade.split(r, level)
    middle = (r.width_px + 1) // 2
    assert (pixels[:, :middle] == code_of(level)).all()
    assert len(np.unique(pixels[:, middle:])) == 1
    assert pixels[0, -1, 0] <= code_of(10)


@settings(max_examples=8)
@given(rasters, shapes)
def test_the_load_changes_by_half_the_picture_and_its_frame_stays(r: Raster, shape: Shape) -> None:
    light, heavy = trade.load(r, shape)
    assert (heavy >= light).all(), "what is to be watched is lit in both"
    upper = slice(0, r.height_px // 2)
    assert (light[upper] == heavy[upper]).all()
    share = (heavy[..., 0] > light[..., 0]).mean()
    assert 0.3 < share < 0.5
    assert (light == light[:, ::-1]).all()
    assert (light == light[::-1]).all()


@settings(max_examples=8)
@given(rasters)
def test_each_gun_has_its_band(r: Raster) -> None:
    pixels = trade.guns(r)
    for place, lit in enumerate([(1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 1)]):
        row = pixels[int((place + 0.5) * r.height_px / 4)]
        for gun in range(3):
            seen = np.unique(row[:, gun]).tolist()
            assert seen == ([26, 51, 77, 102, 128, 153, 179, 204, 230, 255] if lit[gun] else [0])


@given(st.floats(0, 100))
def test_a_code_is_the_nearest_to_its_level(level: float) -> None:
    assert abs(code_of(level) - 2.55 * level) <= 0.5 + 1e-9
    assert (code_of(0), code_of(50), code_of(100)) == (0, 128, 255)


def test_a_hum_bar_drifts_by_the_difference_of_the_rates() -> None:
    """At 60.6 fields a second on 60 Hz mains: one picture in 1.7 s (handbook figure)."""
    r = made(320, 240, clock_hz=400 * 262 * 60.6)
    assert r.field_hz == pytest.approx(60.6)
    assert crawl_s(r, 60) == pytest.approx(1.7, abs=0.04)
    assert crawl_s(r, 60.6) is None
    note = CATALOGUE["split"].note(r)
    assert "1.7 s on 60 Hz" in note
    assert "too fast to follow on 50 Hz" in note


# --- the catalogue ------------------------------------------------------------------


@pytest.mark.parametrize("name", list(CATALOGUE))
def test_a_pattern_says_what_it_is_for_what_to_look_at_and_what_a_fault_looks_like(name: str) -> None:
    pattern = CATALOGUE[name]
    assert pattern.name == name
    for text in (pattern.title, pattern.shows, pattern.use, pattern.look, pattern.fault):
        assert text[0].isupper()
    assert pattern.shows.endswith(".")
    assert pattern.takes <= {"shape", "level_pct", "guns"}


def test_what_a_pattern_says_it_takes_changes_it_and_nothing_else_does() -> None:
    r = made(640, 240)
    other = {"shape": Drawing(shape="3:4"), "level_pct": Drawing(level_pct=20), "guns": Drawing(guns="red_green")}
    for pattern in CATALOGUE.values():
        usual = pattern.frames(r)
        for field, drawing in other.items():
            changed = any((a != b).any() for a, b in zip(usual, pattern.frames(r, drawing), strict=True))
            assert changed == (field in pattern.takes), (pattern.name, field)


def test_nothing_flashes_more_often_than_is_safe_and_what_flashes_says_so() -> None:
    moving = [pattern for pattern in CATALOGUE.values() if pattern.moving]
    assert [pattern.name for pattern in moving] == ["load"]
    for pattern in moving:
        assert 0 < pattern.flashes_per_s <= FLASHES_LIMIT_PER_S / 3
        assert "flash" in pattern.careful


def test_patterns_differ_from_each_other() -> None:
    r = made(320, 240)
    seen = {frame.tobytes() for pattern in CATALOGUE.values() for frame in pattern.frames(r)}
    assert len(seen) == sum(len(pattern.frames(r)) for pattern in CATALOGUE.values())


@pytest.mark.parametrize("size", [(159, 240), (320, 119), (LARGEST_PX[0] + 1, 240), (320, 100_000), (0, 0)])
def test_a_raster_beyond_the_bounds_is_refused(size: tuple[int, int]) -> None:
    with pytest.raises(InputError, match="can't carry") as found:
        CATALOGUE["crosshatch"].frames(made(*size))
    assert str(SMALLEST_PX[0]) in str(found.value)


def test_all_that_is_wrong_with_a_drawing_is_told_at_once() -> None:
    drawing = Drawing(shape="2:1", guns="pink", level_pct=float("nan"))  # type: ignore[arg-type]
    with pytest.raises(InputError) as found:
        CATALOGUE["grey"].frames(made(320, 240), drawing)
    assert [fault.where for fault in found.value.faults] == ["shape", "guns", "level"]


def test_an_unknown_pattern_is_told_with_those_there_are() -> None:
    with pytest.raises(InputError, match="crosshatch"):
        find_pattern("crosshatsch")
