"""CVT and GTF: frozen output of the reference programs, the standards' printed timings, and the programs live."""

from __future__ import annotations

import csv
import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programs import need, output_of
from tubewright.errors import InputError, RefusedError
from tubewright.picture.patterns.rasters import what_is_wrong
from tubewright.picture.patterns.timing_formulas import cvt, gtf
from tubewright.picture.patterns.timing_numbers import Blanking, FormulaTiming, cvt_numbers, gtf_numbers

TABLE: Final = Path(__file__).parents[2] / "reference" / "timing_formulas.csv"
FROZEN: Final = list(csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines()))

# Sizes of computers, of television and of arcade boards, and some of no known shape.
SIZES: Final = (
    (640, 480), (800, 600), (1024, 768), (1280, 1024), (1280, 768), (1280, 720), (720, 576), (720, 480), (320, 240),
    (384, 288), (512, 384), (256, 224), (384, 224), (1600, 1200), (1920, 1080), (400, 300), (640, 400), (1000, 333),
)  # fmt: skip
RATES: Final = (50.0, 57.0, 59.94, 60.0, 75.0, 85.0)
MODES: Final = [(w, h, r) for w, h in SIZES for r in RATES]


def edges(t: FormulaTiming) -> tuple[list[int], list[int]]:
    """Where each part of a line and of a field ends, as a mode line says it."""
    line = [t.width_px, t.h_front_px, t.h_sync_px, t.h_back_px]
    field = [t.height_lines, t.v_front_lines, t.v_sync_lines, t.v_back_lines]
    return [sum(line[: n + 1]) for n in range(4)], [sum(field[: n + 1]) for n in range(4)]


def by_program(program: str, width: int, height: int, rate: float) -> FormulaTiming:
    """What we give for a row of the table."""
    blanking: Blanking = "reduced" if program.endswith("-r") else "normal"
    if program == "gtf":
        return gtf_numbers(width, height, rate)
    rule = "xcvt" if program.startswith("cvt") else "1.2"
    return cvt_numbers(width, height, rate, blanking=blanking, rule=rule)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "row", FROZEN, ids=lambda row: f"{row['program']} {row['width']}x{row['height']} {row['rate']}"
)
def test_printed_timings_come_out_to_the_dot(row: dict[str, str]) -> None:
    timing = by_program(row["program"], int(row["width"]), int(row["height"]), float(row["rate"]))
    line, field = edges(timing)
    assert line == [int(n) for n in row["line"].split()]
    assert field == [int(n) for n in row["field"].split()]
    assert timing.pixel_clock_hz / 1e6 == pytest.approx(float(row["clock_mhz"]), abs=0.0051)
    assert timing.pixel_clock_hz / line[-1] / 1e3 == pytest.approx(float(row["line_khz"]), abs=0.0051)


def live_modeline(text: str) -> tuple[float, list[int], list[int], list[str]]:
    found = re.search(r'Modeline "[^"]*"\s+([\d.]+)\s+([-\d ]+?)\s+([-+]\w+) ([-+]\w+)', text)
    assert found, text
    numbers = [int(n) for n in found[2].split()]
    return float(found[1]), numbers[:4], numbers[4:], [found[3].lower(), found[4].lower()]


@pytest.mark.parametrize("program", ["cvt", "cvt -r", "gtf"])
def test_the_programs_of_the_system_give_the_same(program: str) -> None:
    command, *options = program.split()
    path = need(command)
    modes = [mode for mode in MODES if mode[2] == 60] if options else MODES

    def ask(mode: tuple[int, int, float]) -> str:
        return output_of(path, *options, *(f"{n:g}" for n in mode))

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(ask, modes))
    for mode, answer in zip(modes, answers, strict=True):
        clock_mhz, line, field, signs = live_modeline(answer)
        timing = by_program(program, *mode)
        assert (line, field) == edges(timing), mode
        # gtf reckons in single precision and prints two decimals.
        assert timing.pixel_clock_hz / 1e6 == pytest.approx(clock_mhz, abs=0.0051), mode
        assert signs == [
            f"{'+' if timing.h_sync_positive else '-'}hsync",
            f"{'+' if timing.v_sync_positive else '-'}vsync",
        ]


def live_numbers(text: str) -> tuple[int, ...]:
    """Clock in Hz, then line and field parts and borders, from edid-decode's long form."""
    clock = re.search(r"([\d.]+) MHz", text)
    assert clock, text

    def number(word: str) -> int:
        found = re.search(rf"{word}\s+(-?\d+)", text)
        return int(found[1]) if found else 0

    parts = ("Hfront", "Hsync", "Hback", "Hborder", "Vfront", "Vsync", "Vback", "Vborder")
    return (round(float(clock[1]) * 1e6), *map(number, parts))


@pytest.mark.parametrize("interlaced", [False, True])
@pytest.mark.parametrize("margins", [False, True])
@pytest.mark.parametrize("formula", ["cvt", "cvt,rb=1", "cvt,rb=2", "gtf"])
def test_the_standard_as_the_decoder_of_edid_reckons_it(formula: str, margins: bool, interlaced: bool) -> None:
    path = need("edid-decode")
    kind, _, reduced = formula.partition(",")
    if reduced == "rb=2" and margins:
        return  # the second reduced blanking has none
    modes = [mode for mode in MODES[::3] if mode[0] % 8 == 0]

    def ask(mode: tuple[int, int, float]) -> str:
        extra = (",interlaced" if interlaced else "") + (",overscan" if margins else "")
        question = f"w={mode[0]},h={mode[1]},fps={mode[2]:g}{extra}" + (f",{reduced}" if reduced else "")
        return output_of(path, f"--{kind}", question, "-L")

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(ask, [mode for mode in modes if not (interlaced and mode[1] % 2)]))
    blanking: Blanking = {"": "normal", "rb=1": "reduced", "rb=2": "reduced_2"}[reduced]  # type: ignore[assignment]
    for mode, answer in zip([m for m in modes if not (interlaced and m[1] % 2)], answers, strict=True):
        if kind == "gtf":
            t = gtf_numbers(*mode, interlaced=interlaced, margins=margins)
        else:
            t = cvt_numbers(*mode, blanking=blanking, interlaced=interlaced, margins=margins, rule="1.2")
        clock_hz, *parts = live_numbers(answer)
        assert parts == [
            *(t.h_front_px, t.h_sync_px, t.h_back_px, t.h_margin_px),
            *(t.v_front_lines, t.v_sync_lines, t.v_back_lines, t.v_margin_lines),
        ], mode
        # It loses a last bit now and then, and with it one step of 1 kHz.
        assert abs(t.pixel_clock_hz - clock_hz) <= (1000.5 if kind == "gtf" or reduced == "rb=2" else 0.5), mode


@pytest.mark.parametrize(("width", "height", "rate"), [(320, 240, 60), (384, 288, 50), (512, 384, 57), (400, 300, 60)])
def test_a_porch_of_nothing_or_less_is_refused_with_its_reason(width: int, height: int, rate: float) -> None:
    """The rows of the table whose sync begins inside the picture or where it ends."""
    with pytest.raises(RefusedError, match=r"front porch of (0|-[0-9]+) dots.*raster fit"):
        gtf(width, height, rate)


def test_interlaced_frames_are_odd() -> None:
    raster = cvt(640, 480, 60, interlaced=True, rule="1.2")
    assert (raster.v_front_lines, raster.v_sync_lines, raster.v_back_lines) == (6, 8, 15)
    assert raster.v_total_lines == 509
    assert raster.line_hz == pytest.approx(15_000)  # edid-decode --cvt w=640,h=480,fps=60,interlaced
    assert raster.field_hz == pytest.approx(58.939, abs=5e-4)


def test_the_two_readings_of_cvt_part_where_the_docs_say() -> None:
    program, standard = cvt(320, 240, 60), cvt(320, 240, 60, rule="1.2")
    assert (program.v_total_lines, program.h_sync_px) == (252, 24)
    assert (standard.v_total_lines, standard.h_sync_px) == (254, 32)
    assert cvt(320, 240, 60, rule="1.1").v_total_lines == 253


@pytest.mark.parametrize(
    ("wish", "where"),
    [
        ({"width_px": 8}, "width"),
        ({"height_px": 100_000}, "height"),
        ({"field_hz": 0.0}, "rate"),
        ({"field_hz": float("nan")}, "rate"),
        ({"height_px": 481, "interlaced": True, "rule": "1.2"}, "height"),
        ({"interlaced": True}, "rule"),
        ({"blanking": "reduced_2"}, "rule"),
        ({"blanking": "reduced_2", "rule": "1.1"}, "rule"),
        ({"blanking": "reduced", "field_hz": 75.0}, "rate"),
    ],
)
def test_a_wish_that_makes_no_sense_is_named(wish: dict[str, object], where: str) -> None:
    with pytest.raises(InputError) as caught:
        cvt(**{"width_px": 640, "height_px": 480, "field_hz": 60.0, **wish})  # type: ignore[arg-type]
    assert [fault.where for fault in caught.value.faults] == [where]


@given(
    width=st.integers(16, 2048),
    height=st.integers(8, 800).map(lambda half: 2 * half),
    rate=st.floats(24, 120),
    interlaced=st.booleans(),
    margins=st.booleans(),
)
def test_whatever_a_formula_gives_is_a_raster_near_the_rate(
    width: int, height: int, rate: float, interlaced: bool, margins: bool
) -> None:
    for make in (cvt, gtf):
        try:
            raster = (
                cvt(width, height, rate, interlaced=interlaced, margins=margins, rule="1.2")
                if make is cvt
                else gtf(width, height, rate, interlaced=interlaced, margins=margins)
            )
        except RefusedError:
            continue
        assert not what_is_wrong(raster)
        if make is gtf:
            assert raster.field_hz == pytest.approx(rate, rel=1e-9)
        else:
            # Rounded down to a clock step, and by at most the lines that a whole sync takes.
            assert raster.field_hz <= rate * 1.001
