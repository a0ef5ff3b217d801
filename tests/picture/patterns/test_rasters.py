"""The library of rasters against the printed numbers of the standards, and what a raster is in time."""

from __future__ import annotations

import dataclasses
import re
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programs import need, output_of
from tubewright.errors import InputError
from tubewright.knowledge.load import load_knowledge
from tubewright.picture.patterns.modeline import modeline, modeline_remark
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.rasters import (
    find_raster,
    library,
    nearest_names,
    repeated,
    seen_size,
    times,
    what_is_wrong,
)

KNOWN: Final = load_knowledge().rasters
RASTERS: Final = library(KNOWN.values())

# Line rate in Hz, field rate in Hz, dots and lines in all: ITU-R BT.1700 and SMPTE 170M (line rate 4.5 MHz/286,
# field rate 60/1.001), BT.601 (858 and 864 dots of 13.5 MHz), VESA DMT and CTA-861 as edid-decode prints them.
PRINTED: Final = {
    "525-60i": (4.5e6 / 286, 60 / 1.001, 858, 525),
    "525-60i-640": (4.5e6 / 286, 60 / 1.001, 780, 525),
    "525-262p": (4.5e6 / 286, 60.054449, 858, 262),
    "525-263p": (4.5e6 / 286, 59.826105, 858, 263),
    "625-50i": (15_625, 50, 864, 625),
    "625-50i-768": (15_625, 50, 944, 625),
    "625-312p": (15_625, 50.080128, 864, 312),
    "625-313p": (15_625, 49.920128, 864, 313),
    "dmt-640x480-60": (31_469, 59.940476, 800, 525),
    "dmt-640x480-75": (37_500, 75, 840, 500),
    "dmt-800x600-56": (35_156, 56.25, 1024, 625),
    "dmt-800x600-60": (37_879, 60.316541, 1056, 628),
    "dmt-1024x768i-87": (35_522, 86.957532, 1264, 817),
    "dmt-1024x768-60": (48_363, 60.003840, 1344, 806),
    "cta-720x480i-60": (15_734, 59.940060, 858, 525),
    "cta-720x240-60": (15_734, 60.054449, 858, 262),
    "cta-720x576i-50": (15_625, 50, 864, 625),
}


@pytest.mark.parametrize("name", PRINTED)
def test_rates_and_totals_are_those_printed(name: str) -> None:
    line_hz, field_hz, dots, lines = PRINTED[name]
    raster = RASTERS[name]
    assert (raster.h_total_px, raster.v_total_lines) == (dots, lines)
    assert raster.line_hz == pytest.approx(line_hz, abs=0.5)
    assert raster.field_hz == pytest.approx(field_hz, abs=1e-5)


def test_every_published_raster_is_checked_here() -> None:
    published = {name for name, record in KNOWN.items() if record.kind == "published"}
    assert published <= set(PRINTED)


# Microseconds: front porch, sync, back porch, and tolerance of each: SMPTE 170M by the tables of decoder data sheets
# (1.5, 4.7, 4.7; +/-0.1 each); 625 lines by BT.470 system I (1.65 +/-0.1, 4.7 +/-0.1, 5.7).
@pytest.mark.parametrize(
    ("name", "front", "sync", "back", "blanking"),
    [("525-60i", 1.5, 4.7, 4.7, 10.9), ("625-50i", 1.65, 4.7, 5.7, 12.05)],
)
def test_television_lines_have_the_published_porches(
    name: str, front: float, sync: float, back: float, blanking: float
) -> None:
    line = {part.name: part.time_us for part in times(RASTERS[name]).line}
    assert line["front_porch"] == pytest.approx(front, abs=0.1)
    assert line["sync"] == pytest.approx(sync, abs=0.1)
    assert line["back_porch"] == pytest.approx(back, abs=0.1)
    assert line["blanking"] == pytest.approx(blanking, abs=0.2)


def test_field_sync_of_television_lasts_as_long_as_its_broad_pulses() -> None:
    """3 lines of 525 and two and a half of 625 (half lines: six and five broad pulses)."""
    for name, lines in (("525-60i", 3.0), ("625-50i", 2.5)):
        sync = next(part for part in times(RASTERS[name]).field if part.name == "sync")
        assert sync.count == lines


def test_dmt_0x04_in_time() -> None:
    """VESA DMT: dot 39.722 ns, line 31.7776 us, front 0.6356, sync 3.8133, back 1.9067 us, field sync 63.56 us."""
    found = times(RASTERS["dmt-640x480-60"])
    line, field = ({part.name: part.time_us for part in parts} for parts in (found.line, found.field))
    assert found.dot_us == pytest.approx(0.039722, abs=1e-6)
    assert line["total"] == pytest.approx(31.7776, abs=1e-4)
    assert line["front_porch"] == pytest.approx(0.6356, abs=1e-4)
    assert line["sync"] == pytest.approx(3.8133, abs=1e-4)
    assert line["back_porch"] == pytest.approx(1.9067, abs=1e-4)
    assert field["sync"] == pytest.approx(63.56, abs=0.01)
    assert field["total"] == pytest.approx(16_683.2, abs=0.1)


@pytest.mark.parametrize("name", sorted(RASTERS))
def test_the_parts_of_a_raster_fill_it(name: str) -> None:
    found = times(RASTERS[name])
    for parts, period_us in ((found.line, 1e3 / found.line_khz), (found.field, 1e6 / found.field_hz)):
        lengths = {part.name: part.time_us for part in parts}
        whole = lengths["active"] + lengths["front_porch"] + lengths["sync"] + lengths["back_porch"]
        assert whole == pytest.approx(lengths["total"])
        assert lengths["active"] + lengths["blanking"] == pytest.approx(lengths["total"])
        assert lengths["total"] == pytest.approx(period_us)


_LIVE: Final = {
    "dmt-640x480-60": ("--dmt", "0x04", 1),
    "dmt-640x480-75": ("--dmt", "0x06", 1),
    "dmt-800x600-56": ("--dmt", "0x08", 1),
    "dmt-800x600-60": ("--dmt", "0x09", 1),
    "dmt-1024x768i-87": ("--dmt", "0x0f", 1),
    "dmt-1024x768-60": ("--dmt", "0x10", 1),
    "cta-720x480i-60": ("--vic", "6", 2),
    "cta-720x240-60": ("--vic", "8", 2),
    "cta-720x576i-50": ("--vic", "21", 2),
}
"""What the decoder calls it, and how often it sends each dot."""


@pytest.mark.parametrize("name", _LIVE)
def test_published_timings_are_the_decoders(name: str) -> None:
    option, number, sent = _LIVE[name]
    text = output_of(need("edid-decode"), option, number, "-L")
    raster = repeated(RASTERS[name], sent)
    fields = 2 if raster.interlaced else 1

    def number_of(word: str) -> int:
        found = re.search(rf"{word}\s+(\d+)", text)
        return int(found[1]) if found else 0

    # A border that isn't addressed counts as porch here.
    h_border, v_border = number_of("Hborder"), number_of("Vborder")
    assert number_of("Hfront") + h_border == raster.h_front_px
    assert number_of("Hsync") == raster.h_sync_px
    assert number_of("Hback") + h_border == raster.h_back_px
    assert (number_of("Vfront") + v_border) * fields == raster.v_front_lines
    assert number_of("Vsync") * fields == raster.v_sync_lines
    assert (number_of("Vback") + v_border) * fields + fields - 1 == raster.v_back_lines
    assert [sign == "P" for sign in re.findall(r"pol ([PN])", text)[:2]] == [
        raster.h_sync_positive,
        raster.v_sync_positive,
    ]
    rates = re.search(r"(\d+)x(\d+)(i?) +([\d.]+) Hz .*? ([\d.]+) kHz +([\d.]+) MHz", text)
    assert rates, text
    assert (int(rates[1]), int(rates[2]), bool(rates[3])) == (raster.width_px, raster.height_px, raster.interlaced)
    assert raster.field_hz == pytest.approx(float(rates[4]), abs=1e-5)
    assert raster.pixel_clock_hz / 1e6 == pytest.approx(float(rates[6]), abs=1e-6)


def test_every_published_timing_of_a_standard_can_be_compared() -> None:
    assert set(_LIVE) == {name for name in RASTERS if name.startswith(("dmt-", "cta-"))}


def test_the_arcade_classes_are_there_and_within_their_line_rates() -> None:
    ranges = {"15k": (15.4, 16.0), "24k": (24, 25.2), "31k": (31, 32)}
    sizes: dict[str, set[tuple[int, int]]] = {name: set() for name in ranges}
    for name, raster in RASTERS.items():
        if name.startswith("arcade-"):
            kind = name.split("-")[1]
            low, high = ranges[kind]
            assert low <= raster.line_hz / 1e3 <= high, name
            assert KNOWN[name].kind == "estimate"
            sizes[kind].add((raster.width_px, raster.height_px))
    assert sizes["15k"] >= {(256, 224), (320, 224), (320, 240), (384, 224), (384, 288)}
    assert (512, 384) in sizes["24k"]
    assert (640, 480) in sizes["31k"]


def test_mounting_turns_what_is_seen_and_nothing_else() -> None:
    raster = RASTERS["arcade-15k-320x240"]
    assert seen_size(raster, "horizontal") == (320, 240)
    assert seen_size(raster, "vertical") == (240, 320)


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("dmt-640x480", "dmt-640x480-60"),
        ("320x240", "arcade-15k-320x240"),
        ("525-60", "525-60i"),
        ("arcade-15k-320x241", "arcade-15k-320x240"),
        ("zzz", "-"),
        ("", "-"),
    ],
)
def test_a_name_that_is_none_offers_the_nearest(typed: str, offered: str) -> None:
    with pytest.raises(InputError, match=re.escape(offered)) as caught:
        find_raster(RASTERS, typed)
    assert len(nearest_names(RASTERS, typed)) == 3
    assert "raster list" in caught.value.faults[0].mend


def test_a_name_is_found_however_it_is_typed() -> None:
    assert find_raster(RASTERS, " DMT-640x480-60 ").name == "dmt-640x480-60"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"h_sync_px": 0}, "sync of a line is 0"),
        ({"width_px": -1}, "width is -1"),
        ({"v_back_lines": 0}, "back porch of a field is 0"),
        ({"pixel_clock_hz": 0.0}, "clock is 0"),
        ({"pixel_clock_hz": float("nan")}, "clock is nan"),
        ({"interlaced": True, "v_back_lines": 34}, "even"),
        ({"interlaced": True, "height_px": 479, "v_back_lines": 34}, "don't make two fields"),
    ],
)
def test_what_is_no_raster_is_named(change: dict[str, object], words: str) -> None:
    wrong = dataclasses.replace(RASTERS["dmt-640x480-60"], **change)  # type: ignore[arg-type]
    assert re.search(words, what_is_wrong(wrong)), what_is_wrong(wrong)
    with pytest.raises(InputError, match="raster x"):
        library([dataclasses.replace(KNOWN["dmt-640x480-60"], id="x", **change)])  # type: ignore[arg-type]


@given(name=st.sampled_from(sorted(RASTERS)), count=st.integers(1, 16))
def test_dots_sent_again_change_nothing_in_time(name: str, count: int) -> None:
    raster = RASTERS[name]
    wide = repeated(raster, count)
    assert wide.line_hz == pytest.approx(raster.line_hz)
    assert wide.field_hz == pytest.approx(raster.field_hz)
    for one, other in zip(times(raster).line, times(wide).line, strict=True):
        assert one.time_us == pytest.approx(other.time_us)


def test_dots_are_not_sent_without_end() -> None:
    with pytest.raises(InputError, match="17 times"):
        repeated(RASTERS["525-60i"], 17)


# -- mode lines -------------------------------------------------------------------------------


def test_mode_lines() -> None:
    """By hand from the standard's numbers."""
    assert modeline(RASTERS["dmt-640x480-60"]) == (
        'Modeline "dmt-640x480-60" 25.175 640 656 752 800 480 490 492 525 -hsync -vsync'
    )
    assert modeline(RASTERS["625-50i"]) == (
        'Modeline "625-50i" 13.500 702 724 787 864 576 581 586 625 interlace -hsync -vsync'
    )


def test_a_mode_line_says_what_it_rounds() -> None:
    assert modeline_remark(RASTERS["dmt-640x480-60"]) == ""
    assert "12.272727 MHz becomes 12.273 MHz" in modeline_remark(RASTERS["525-60i-640"])


@given(
    st.builds(
        Raster,
        name=st.just("x"),
        width_px=st.integers(1, 4000),
        height_px=st.integers(1, 2000),
        pixel_clock_hz=st.floats(1e6, 3e8),
        h_front_px=st.integers(0, 500),
        h_sync_px=st.integers(1, 500),
        h_back_px=st.integers(1, 500),
        v_front_lines=st.integers(0, 50),
        v_sync_lines=st.integers(1, 50),
        v_back_lines=st.integers(1, 50),
    )
)
def test_a_mode_line_reads_back(raster: Raster) -> None:
    clock, *numbers = modeline(raster).split('"')[2].split()[:9]
    a, b, c, d, e, f, g, h = map(int, numbers)
    assert (a, b - a, c - b, d - c) == (raster.width_px, raster.h_front_px, raster.h_sync_px, raster.h_back_px)
    assert (e, f - e, g - f, h - g) == (
        raster.height_px,
        raster.v_front_lines,
        raster.v_sync_lines,
        raster.v_back_lines,
    )
    assert float(clock) * 1e6 == pytest.approx(raster.pixel_clock_hz, abs=500)
