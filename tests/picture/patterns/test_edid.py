"""The EDID block: frozen bytes whose decoding is known, the decoder live, and every bit read back."""

from __future__ import annotations

import dataclasses
import re
from typing import Final

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from programs import need, output_of
from tubewright.errors import InputError, RefusedError
from tubewright.knowledge.load import load_knowledge
from tubewright.picture.patterns.edid import chromaticity_bytes, clock_step_hz, detailed_timing, edid, sent_often
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.rasters import library, what_is_wrong

RASTERS: Final = library(load_knowledge().rasters.values())
VGA: Final = RASTERS["dmt-640x480-60"]

# A block built by hand to the standard's rules and decoded as intended by edid-decode (2022-03-15): checksum 31.
WORKED_BLOCK: Final = bytes.fromhex(
    "00ffffffffffff005057010001000000011e01030e281e78eae691a3544a99260f505420000001010101010101010101010101010101d609"
    "80a020e02d101060a200902c11000018000000fd00323c0f2804000a202020202020000000fc00544553540a202020202020202000000010"
    "00000000000000000000000000000031"
)


def test_the_detailed_timing_is_the_worked_one() -> None:
    """Twice: 400 x 300 mm in the worked block, 280 x 210 mm in a second one, both accepted by the decoder."""
    assert detailed_timing(VGA, picture_mm=(400, 300))[0] == WORKED_BLOCK[54:72]
    assert detailed_timing(VGA, picture_mm=(280, 210))[0] == bytes.fromhex("d60980a020e02d101060a20018d210000018")


def test_the_chromaticities_are_the_worked_ones() -> None:
    """EBU phosphors and D65; the decoder shows 0.6396,0.3300 0.2900,0.5996 0.1503,0.0595 0.3125,0.3291."""
    found = chromaticity_bytes((0.64, 0.33), (0.29, 0.60), (0.15, 0.06), (0.3127, 0.3290))
    assert found == WORKED_BLOCK[25:35]


def test_the_worked_block_adds_up_and_so_does_ours() -> None:
    block = edid(VGA).block
    assert sum(WORKED_BLOCK) % 256 == sum(block) % 256 == 0
    assert block[8:10] == WORKED_BLOCK[8:10]  # TBW
    assert block[:8] == WORKED_BLOCK[:8]
    assert block[18:20] == bytes((1, 3))


def test_nothing_is_offered_but_the_one_raster() -> None:
    """A source that obeys never finds a second timing, and no formula to make one."""
    block = edid(RASTERS["525-60i"]).block
    assert block[35:38] == bytes(3)
    assert block[38:54] == b"\x01" * 16
    assert block[24] & 1 == 0  # no GTF
    assert block[24] & 2  # the first timing is preferred
    assert block[126] == 0


@pytest.mark.parametrize("name", sorted(RASTERS))
def test_the_decoder_accepts_every_raster(name: str) -> None:
    raster = RASTERS[name]
    text = output_of(need("edid-decode"), "--check", given=edid(raster).block)
    assert "EDID conformity: PASS" in text, text
    assert "Warnings:" not in text, text
    assert "Failures:" not in text, text
    found = re.search(r"DTD 1: +(\d+)x(\d+)(i?) +([\d.]+) Hz .*? ([\d.]+) kHz", text)
    assert found, text
    assert int(found[1]) % raster.width_px == 0
    assert int(found[2]) == raster.height_px
    assert bool(found[3]) == raster.interlaced
    assert float(found[4]) == pytest.approx(raster.field_hz, rel=5e-4)
    assert float(found[5]) * 1e3 == pytest.approx(raster.line_hz, rel=5e-4)


def test_the_rounding_of_the_clock_is_said() -> None:
    remarks = " ".join(edid(VGA).remarks)
    assert "25.175 MHz becomes 25.18 MHz" in remarks
    assert "31.4750 kHz instead of 31.4688 kHz" in remarks
    assert not any("steps of 10 kHz" in one for one in edid(RASTERS["525-60i"]).remarks)


def test_a_slow_clock_sends_each_dot_twice() -> None:
    found = edid(RASTERS["arcade-15k-320x240"])
    assert found.block[56] | (found.block[58] & 0xF0) << 4 == 640
    assert "each dot 2 times" in found.remarks[0]


@pytest.mark.parametrize(("clock_hz", "often"), [(13.5e6, 1), (6.052e6, 2), (4.842e6, 5), (1.5e6, 10), (0.9e6, 16)])
def test_dots_are_sent_as_often_as_the_clock_needs(clock_hz: float, often: int) -> None:
    raster = dataclasses.replace(RASTERS["arcade-15k-256x224"], pixel_clock_hz=clock_hz)
    assert sent_often(raster) == often
    assert clock_step_hz(raster) == 10_000 / often


def test_half_lines_are_said_where_they_are_lost() -> None:
    assert any("no half lines" in one for one in edid(RASTERS["625-50i"]).remarks)
    assert not any("half lines" in one for one in edid(RASTERS["525-60i"]).remarks)


def test_the_name_is_cut_and_cleaned() -> None:
    def name(label: str) -> bytes:
        return edid(VGA, label=label).block[95:108]

    assert name("Pier 7") == b"Pier 7\n      "
    assert name("Lantern arcade 3") == b"Lantern arcad"
    assert name("Küste\n\x1b[31m") == b"Kste[31m\n    "
    assert name("日本") == b"raster\n      "


def read_timing(d: bytes) -> dict[str, int | bool]:
    """A detailed timing read back, written from the layout and not from the code that packs it."""
    interlaced = bool(d[17] >> 7)
    return {
        "clock": d[0] + 256 * d[1],
        "width": d[2] + 256 * (d[4] // 16),
        "h_blank": d[3] + 256 * (d[4] % 16),
        "height": d[5] + 256 * (d[7] // 16),
        "v_blank": d[6] + 256 * (d[7] % 16),
        "h_front": d[8] + 256 * (d[11] // 64),
        "h_sync": d[9] + 256 * (d[11] // 16 % 4),
        "v_front": d[10] // 16 + 16 * (d[11] // 4 % 4),
        "v_sync": d[10] % 16 + 16 * (d[11] % 4),
        "width_mm": d[12] + 256 * (d[14] // 16),
        "height_mm": d[13] + 256 * (d[14] % 16),
        "interlaced": interlaced,
        "h_positive": bool(d[17] // 2 % 2),
        "v_positive": bool(d[17] // 4 % 2),
        "separate": d[17] // 8 % 4 == 3,
    }


ANY_RASTER: Final = st.builds(
    Raster,
    name=st.just("x"),
    width_px=st.integers(1, 5000),
    height_px=st.integers(1, 3000),
    pixel_clock_hz=st.floats(1e6, 9e8),
    h_front_px=st.integers(0, 1100),
    h_sync_px=st.integers(1, 1100),
    h_back_px=st.integers(1, 1100),
    v_front_lines=st.integers(0, 150),
    v_sync_lines=st.integers(1, 150),
    v_back_lines=st.integers(1, 500),
    interlaced=st.booleans(),
    h_sync_positive=st.booleans(),
    v_sync_positive=st.booleans(),
)


@given(raster=ANY_RASTER, size=st.tuples(st.integers(10, 2550), st.integers(10, 2550)))
def test_a_detailed_timing_reads_back_or_is_refused(raster: Raster, size: tuple[int, int]) -> None:
    assume(not what_is_wrong(raster))
    try:
        found = read_timing(detailed_timing(raster, picture_mm=size)[0])
    except RefusedError:
        fields = 2 if raster.interlaced else 1
        too_much = (
            max(raster.width_px, raster.h_total_px - raster.width_px) > 4095
            or max(raster.h_front_px, raster.h_sync_px) > 1023
            or max(raster.v_front_lines, raster.v_sync_lines) / fields > 63
            or raster.height_px / fields > 4095
            or raster.pixel_clock_hz > 655.35e6
        )
        assert too_much
        return
    fields = 2 if raster.interlaced else 1
    assert abs(int(found["clock"]) * 1e4 - raster.pixel_clock_hz) <= 5000.001
    assert found["width"] == raster.width_px
    assert found["h_blank"] == raster.h_front_px + raster.h_sync_px + raster.h_back_px
    assert (found["h_front"], found["h_sync"]) == (raster.h_front_px, raster.h_sync_px)
    assert int(found["height"]) * fields == raster.height_px
    # The reader adds half a line to each field of an interlaced raster.
    assert (int(found["height"]) + int(found["v_blank"])) * fields + fields - 1 == raster.v_total_lines
    assert abs(int(found["v_front"]) * fields - raster.v_front_lines) <= fields - 1
    assert abs(int(found["v_sync"]) * fields - raster.v_sync_lines) <= fields - 1
    assert (found["width_mm"], found["height_mm"]) == size
    assert (found["interlaced"], found["h_positive"], found["v_positive"], found["separate"]) == (
        raster.interlaced,
        raster.h_sync_positive,
        raster.v_sync_positive,
        True,
    )


@given(raster=ANY_RASTER)
def test_the_ranges_hold_the_raster_and_little_else(raster: Raster) -> None:
    try:
        block = edid(raster).block
    except RefusedError:
        return
    assert sum(block) % 256 == 0
    low_hz, high_hz, low_khz, high_khz, clock = block[77:82]
    stored = read_timing(block[54:72])
    line_khz = int(stored["clock"]) * 10 / (int(stored["width"]) + int(stored["h_blank"]))
    assert low_khz <= line_khz <= high_khz
    assert high_khz - low_khz <= 2 + line_khz * 0.002
    assert low_hz <= raster.field_hz * 1.0001
    assert high_hz >= raster.field_hz * 0.9999
    assert clock * 1000 >= int(stored["clock"]) - 1


@pytest.mark.parametrize(
    ("wish", "where"),
    [
        ({"picture_mm": (5, 300)}, "picture_mm"),
        ({"year": 1980}, "year"),
        ({"gamma_ratio": float("nan")}, "gamma_ratio"),
        ({"product": 70_000}, "product"),
        ({"serial": -1}, "serial"),
        ({"primaries_xy": ((1.2, 0.3), (0.3, 0.6), (0.15, 0.06))}, "primaries_xy"),
    ],
)
def test_what_no_field_holds_is_named(wish: dict[str, object], where: str) -> None:
    with pytest.raises(InputError) as caught:
        edid(VGA, **wish)  # type: ignore[arg-type]
    assert caught.value.faults[0].where == where


def test_a_raster_that_is_none_is_refused() -> None:
    with pytest.raises(RefusedError, match="even"):
        edid(dataclasses.replace(RASTERS["525-60i"], v_back_lines=32))
