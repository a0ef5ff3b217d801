"""The overlay stands on its own, says by how much its arrows are magnified, and puts them where they belong."""

from __future__ import annotations

import base64
import io
import math
import re
from dataclasses import replace
from functools import cache
from typing import Final
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from measured import convergence, field_mm, geometry, measurement, photo, points, top_curl
from tubewright.answers.measurement import Measurement, Photo
from tubewright.picture.results import ZONES, Figure, Unsupported, Vector
from tubewright.report.overlay import WIDTH_PX, Overlay, draw_overlay
from tubewright.report.overlay_parts import BLUE, RED, STEPS, magnification

SVG: Final = "{http://www.w3.org/2000/svg}"
SMALL: Final = (80, 60)
WHY: Final = Unsupported(reason="it was not seen", would_settle="another photograph")
PLAIN: Final = photo()


def drawn(answer: Measurement | None = None, on: Photo = PLAIN) -> tuple[Overlay, ET.Element]:
    """An overlay and its parsed SVG."""
    overlay = draw_overlay(answer or measurement(), on)
    return overlay, ET.fromstring(overlay.svg)  # noqa: S314 - our own


@cache
def usual() -> tuple[Overlay, ET.Element]:
    """The overlay of the usual measurement, drawn once."""
    return drawn()


def texts(root: ET.Element) -> list[str]:
    """All that is written in it."""
    return [element.text or "" for element in root.iter(f"{SVG}text")]


def picture_in(root: ET.Element) -> Image.Image:
    """The photograph inside."""
    (image,) = root.iter(f"{SVG}image")
    return Image.open(io.BytesIO(base64.b64decode(image.get("href", "").partition(",")[2])))


def looks_apart(one: ET.Element, other: ET.Element) -> float:
    """Mean difference between two photographs inside, looked at from afar."""
    near, far = (np.asarray(picture_in(root).resize(SMALL, Image.Resampling.BOX), dtype=float) for root in (one, other))
    return float(np.abs(near - far).mean())


def test_it_loads_nothing_from_elsewhere() -> None:
    overlay, root = usual()
    assert "://" not in overlay.svg.replace("http://www.w3.org/2000/svg", "")
    assert "<script" not in overlay.svg
    assert root.get("role") == "img"
    assert root.find(f"{SVG}desc") is not None


def test_the_words_hold_the_figures() -> None:
    overlay, root = usual()
    desc = root.find(f"{SVG}desc")
    assert desc is not None
    assert desc.text == overlay.alt
    assert "20 times as long as they are" in overlay.alt
    assert "Blue away from green, mm by zone: top left 0.10" in overlay.alt
    assert "Converged within 0.20 mm in the middle" in overlay.alt


def test_the_magnification_stands_in_the_picture_with_a_scale() -> None:
    _, root = usual()
    written = texts(root)
    assert "Arrows x20" in written
    assert any(text.endswith("mm of error as drawn") for text in written)
    assert "50 mm on the screen" in written


@pytest.mark.parametrize(
    ("longest", "room", "factor"), [(2.5, 55.0, 20), (0.01, 55.0, 200), (100.0, 50.0, 1), (0.0, 50.0, 1)]
)
def test_arrows_grow_in_steps_an_eye_can_divide_by(longest: float, room: float, factor: int) -> None:
    assert magnification(longest, room) == factor
    assert factor in STEPS


def test_an_arrow_is_as_long_as_its_error_magnified() -> None:
    _, root = usual()
    rings = [
        (float(c.get("cx", "")), float(c.get("cy", ""))) for c in root.iter(f"{SVG}circle") if c.get("stroke") == BLUE
    ]
    starts = [(float(c.get("cx", "")), float(c.get("cy", ""))) for c in root.iter(f"{SVG}circle") if c.get("r") == "2"]
    assert len(starts) == 63
    # One of the rings is the key's own; the longest of the others is at the lower right corner.
    ring = max(rings[:-1], key=lambda place: place[0] + place[1])
    start = max(starts, key=lambda place: place[0] + place[1])
    at = points().at_mm.max(axis=0)
    error = field_mm(2, at[:1], at[1:])[0]
    nodes_apart = max(x for x, _ in starts) - min(x for x, _ in starts)
    per_mm = nodes_apart / (at[0] - points().at_mm[:, 0].min())
    assert math.dist(start, ring) == pytest.approx(20 * math.hypot(*error) * per_mm, rel=0.05)


def test_red_and_blue_differ_in_more_than_colour() -> None:
    overlay, root = usual()
    broken = [line for line in root.iter(f"{SVG}polyline") if line.get("stroke") == BLUE]
    whole = [line for line in root.iter(f"{SVG}polyline") if line.get("stroke") == RED]
    assert broken
    assert whole
    assert all(line.get("stroke-dasharray") for line in broken)
    assert not any(line.get("stroke-dasharray") for line in whole)
    assert any(p.get("fill") == RED for p in root.iter(f"{SVG}polygon"))
    assert "R: red against green" in texts(root)
    assert "B: blue against green" in texts(root)
    assert overlay.svg.count(">R</text>") == 9


def test_all_nine_zones_are_tabled() -> None:
    written = texts(usual()[1])
    for zone in ("top left", "top", "top right", "left", "middle", "right", "bottom left", "bottom", "bottom right"):
        assert zone in written
    assert "+1.26, +0.13 ±0.01" in written


def test_no_spread_is_written_as_nought() -> None:
    sure = {zone: Vector(x_mm=0.0, y_mm=0.0, sd_mm=0.002) for zone in ZONES}
    answer = measurement(convergence=replace(convergence(), red_minus_green=sure))
    written = texts(drawn(answer)[1])
    assert "0.00, 0.00 ±0.01" in written
    assert not any("±0.00" in words for words in written)


def test_the_curl_is_plotted_beside() -> None:
    written = texts(usual()[1])
    assert "3.20 mm ± 0.06" in written
    assert "settled after 18 lines" in written


@pytest.mark.parametrize(
    "changes",
    [
        {"convergence": WHY},
        {"geometry": WHY},
        {"top_curl": WHY},
        {"top_curl": replace(top_curl(), amplitude_mm=WHY, settle_lines=WHY, overshoot_ratio=WHY, profile=None)},
        {"convergence": replace(convergence(), red_minus_green=WHY, points=None)},
        {"convergence": WHY, "geometry": WHY, "top_curl": WHY, "scale": WHY, "focus": WHY, "raster": None},
    ],
    ids=str,
)
def test_what_is_missing_is_said_not_drawn(changes: dict[str, object]) -> None:
    _, root = drawn(measurement(**changes))
    assert any("known" in text.lower() for text in texts(root))
    assert float(root.get("width", "0")) == WIDTH_PX


def turned(answer: Measurement, on: Photo, quarters: int) -> tuple[Measurement, Photo]:
    """The same picture in a photograph that was turned by quarters of a turn against the clock."""
    pixels = on.pixels.astype(np.uint8)
    place = points().photo_px
    for _ in range(quarters):
        width = pixels.shape[1]
        pixels = np.ascontiguousarray(np.rot90(pixels), dtype=np.uint8)
        place = np.column_stack([place[:, 1], width - 1 - place[:, 0]])
    found = replace(convergence(), points=replace(points(), photo_px=place))
    return replace(answer, convergence=found), replace(on, pixels=pixels)


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_a_turned_photograph_is_drawn_upright(quarters: int) -> None:
    _, upright = usual()
    _, other = drawn(*turned(measurement(), PLAIN, quarters))
    assert texts(other) == texts(upright)
    assert looks_apart(other, upright) < 2
    for ours, its in zip(upright.iter(f"{SVG}circle"), other.iter(f"{SVG}circle"), strict=True):
        assert float(ours.get("cx", "")) == pytest.approx(float(its.get("cx", "")), abs=1.5)
        assert float(ours.get("cy", "")) == pytest.approx(float(its.get("cy", "")), abs=1.5)


def test_a_mirrored_photograph_is_drawn_as_the_viewer_sees_it() -> None:
    place = points().photo_px.copy()
    place[:, 0] = PLAIN.pixels.shape[1] - 1 - place[:, 0]
    found = replace(convergence(), points=replace(points(), photo_px=place))
    flipped = replace(PLAIN, pixels=np.ascontiguousarray(PLAIN.pixels[:, ::-1], dtype=np.uint8))
    _, mirrored = drawn(measurement(convergence=found, mirrored=True), flipped)
    _, upright = usual()
    assert looks_apart(mirrored, upright) < 2
    assert looks_apart(drawn(measurement(convergence=found), PLAIN)[1], upright) > 5  # as a wrong one would


def test_a_raw_photograph_is_shown_bright_enough() -> None:
    raw = (PLAIN.pixels.astype(np.uint16) * 40).astype(np.uint16)  # a sixth of the range, as dim rooms give
    _, root = drawn(on=Photo(pixels=raw, coding="linear", name="pier.dng"))
    assert np.asarray(picture_in(root)).max() > 200


def test_the_png_is_a_picture_of_that_size() -> None:
    overlay, root = usual()
    picture = Image.open(io.BytesIO(overlay.png()))
    assert picture.size == (WIDTH_PX, round(float(root.get("height", "0"))))
    pixels = np.asarray(picture.convert("RGB"))
    assert pixels[:, :900].std() > 10  # the photograph is in it, not a blank


def test_the_same_measurement_draws_the_same_bytes() -> None:
    assert drawn()[0].svg == usual()[0].svg


def test_a_hostile_name_stays_text() -> None:
    why = Unsupported(reason="<script>alert(1)</script>", would_settle='"quotes" & more')
    overlay, root = drawn(measurement(top_curl=why, geometry=why))
    assert "<script>" not in overlay.svg
    assert any("<script>" in text for text in texts(root))


def test_a_bow_is_drawn_magnified_and_says_so() -> None:
    at = points().at_mm.copy()
    at[:, 0] *= 1 + 0.02 * (at[:, 1] / 137.0) ** 2
    found = replace(convergence(), points=replace(points(), at_mm=at))
    bowed = replace(geometry(), pincushion_pct={"left": Figure(value=1.0, sd=0.1)})
    _, root = drawn(measurement(convergence=found, geometry=bowed))
    shape = next(text for text in texts(root) if text.startswith("Shape:"))
    assert int(re.search(r"x(\d+)", shape)[1]) in STEPS  # type: ignore[index]  # it is there
