"""The drawings of a proof: both sides on one scale, arrows as long as they say, bars where their figures are."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measured import measurement
from tubewright.answers.assessment import Spread, Unknown
from tubewright.answers.measurement import Figure, Geometry, Unsupported
from tubewright.answers.proof_form import GunProof, Line, PictureProof, Proof
from tubewright.answers.proof_work import MapNode, TakenPicture
from tubewright.report.frame import to_svg
from tubewright.report.proof_charts import MOST_YEARS, chart_of, life_chart, light_chart
from tubewright.report.proof_figures import change_words, row_of
from tubewright.report.proof_maps import convergence_maps, shape_maps
from tubewright.report.sheet_parts import bars_data

AT: Final = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)


def taken(grid: tuple[MapNode, ...] = (), geometry: Geometry | Unsupported | None = None) -> TakenPicture:
    answer = measurement()
    if geometry is not None:
        answer = replace(answer, geometry=geometry)
    return TakenPicture(number=1, at=AT, headline="", measurement=answer, grid=grid)


def nodes(red: float, blue: float) -> tuple[MapNode, ...]:
    return tuple(
        MapNode(x_mm=x, y_mm=y, red_mm=(-red, 0.0), blue_mm=(0.0, blue))
        for x in (-150.0, 0.0, 150.0)
        for y in (-110.0, 0.0, 110.0)
    )


def pair(before: TakenPicture | None, after: TakenPicture | None) -> PictureProof:
    return PictureProof(before=before, after=after, unlike="", lines=())


def arrow_lengths(svg: str) -> list[float]:
    """Lengths of the whole lines (red), tips included."""
    found = []
    for line, tip in re.findall(r'<polyline points="([^"]+)"[^>]*?/><polygon points="([^" ]+) ', svg):
        start = [float(v) for v in line.split(" ")[0].split(",")]
        end = [float(v) for v in tip.split(",")]
        found.append(((end[0] - start[0]) ** 2 + (end[1] - start[1]) ** 2) ** 0.5)
    return found


# -- convergence ---------------------------------------------------------------------------------


def test_both_sides_are_drawn_on_one_scale() -> None:
    maps = convergence_maps(pair(taken(nodes(0.8, 0.3)), taken(nodes(0.4, 0.1))))
    assert maps is not None
    before, after = (arrow_lengths(maps.svg[side]) for side in ("before", "after"))
    assert len(before) == len(after) == 9
    assert [b / a for b, a in zip(before, after, strict=True)] == pytest.approx([2.0] * 9, rel=0.02)


def test_the_bar_is_as_long_as_it_says_beside_the_arrows() -> None:
    maps = convergence_maps(pair(taken(nodes(0.5, 0.2)), None))
    assert maps is not None
    said = re.search(r"the bar is ([\d.]+) mm of error", maps.key)
    assert said is not None
    bar = re.findall(r'<polyline points="([\d.]+),([\d.]+) ([\d.]+),\2"[^>]*stroke-width="1.5"', maps.svg["before"])
    long = float(bar[0][2]) - float(bar[0][0])
    assert arrow_lengths(maps.svg["before"])[0] / long == pytest.approx(0.5 / float(said[1]), rel=0.02)


def test_a_side_that_was_not_measured_says_so_and_none_gives_no_drawing() -> None:
    maps = convergence_maps(pair(None, taken(nodes(0.5, 0.2))))
    assert maps is not None
    assert "not measured before the work" in maps.svg["before"]
    assert maps.words["before"] == "Convergence was not measured before the work."
    assert convergence_maps(pair(None, None)) is None
    assert convergence_maps(pair(taken(), taken())) is None
    assert shape_maps(pair(None, None)) is None


@given(red=st.floats(0, 40), blue=st.floats(0, 40), first=st.floats(0, 1), second=st.floats(0, 1))
def test_no_arrow_reaches_out_of_its_drawing(red: float, blue: float, first: float, second: float) -> None:
    maps = convergence_maps(pair(taken(nodes(red, blue)), taken(nodes(first, second))))
    assert maps is not None
    if max(red, blue) > 8:  # nothing is magnified then, and such an error may leave the glass itself
        return
    for svg in maps.svg.values():
        frame = re.search(r'viewBox="0 0 (\d+) (\d+)"', svg)
        assert frame is not None
        for place in re.findall(r'points="([^"]+)"', svg):
            for point in place.split(" "):
                x, y = (float(v) for v in point.split(","))
                assert -1 <= x <= float(frame[1]) + 1
                assert -1 <= y <= float(frame[2]) + 1


def test_the_drawing_says_the_same_in_words() -> None:
    maps = convergence_maps(pair(taken(nodes(0.5, 0.2)), taken(nodes(0.5, 0.2))))
    assert maps is not None
    assert maps.words["before"] in maps.svg["before"]
    assert "red 0.20 mm in the middle" in maps.words["before"]


# -- shape ----------------------------------------------------------------------------------------


def shape(bow: float) -> Geometry:
    found = measurement().geometry
    assert isinstance(found, Geometry)
    nothing = Figure(value=0.0, sd=0.1)
    return replace(
        found,
        pincushion_pct={"top": nothing, "bottom": nothing, "left": Figure(value=bow, sd=0.1), "right": nothing},
        trapezoid_h_pct=nothing, trapezoid_v_pct=nothing, rotation_deg=nothing, parallelogram_deg=nothing,
        bow_vertical_axis_pct=nothing, bow_horizontal_axis_pct=nothing,
    )  # fmt: skip


def left_edge(svg: str) -> list[float]:
    """How far the left edge goes right, point by point from its upper end, in the drawing."""
    lines = re.findall(r'<polyline points="([^"]+)"[^>]*stroke-width="2"', svg)
    return [float(point.split(",")[0]) for point in lines[2].split(" ")]


@pytest.mark.parametrize(("bow", "inward"), [(3.0, True), (-3.0, False)])
def test_a_cushion_bends_inwards_and_a_barrel_outwards(bow: float, inward: bool) -> None:
    maps = shape_maps(pair(taken(geometry=shape(bow)), taken(geometry=shape(bow / 3))))
    assert maps is not None
    for side in ("before", "after"):
        edge = left_edge(maps.svg[side])
        assert (edge[10] > edge[0]) is inward
    first, second = (left_edge(maps.svg[s]) for s in ("before", "after"))
    assert (first[10] - first[0]) / (second[10] - second[0]) == pytest.approx(3.0, rel=0.03)


def test_what_is_not_known_of_the_shape_is_named() -> None:
    lost = replace(shape(1.0), rotation_deg=Unsupported(reason="the camera was tilted", would_settle="tags"))
    maps = shape_maps(pair(taken(geometry=lost), None))
    assert maps is not None
    assert "not known: tilt" in maps.words["before"]
    none = shape_maps(pair(taken(geometry=lost), taken(geometry=Unsupported(reason="no marks", would_settle="x"))))
    assert none is not None
    assert none.words["after"] == "Shape after: not known, no marks."


# -- bars -------------------------------------------------------------------------------------------


def line(name: str, before: Spread | Unknown, after: Spread | Unknown, unit: str = "ratio") -> Line:
    return Line(name=name, about=name, unit=unit, before=before, after=after, verdict="unknown", why="")


def spread(low: float, middle: float, high: float) -> Spread:
    return Spread(median=middle, p10=low, p90=high)


def made(years: Line, white: Line | None = None) -> Proof:
    guns = tuple(
        GunProof(
            gun=gun, state_before="", state_after="",
            lines=(line(f"{gun}.relative_emission", spread(0.3, 0.4, 0.5), spread(0.5, 0.6, 0.7)),),
        )
        for gun in ("red", "green", "blue")
    )  # fmt: skip
    return Proof(
        job=1, label="", owner="", place="", tube_label="", exchanged=False, state="open", opened_at=AT, as_of=AT,
        headline="", minimum_white_ratio=0.5, hours_per_week=6.0, hours_assumed=False, keep_years=5.0, guns=guns,
        shared=(), white=white or line("white", spread(0.3, 0.4, 0.5), spread(0.5, 0.6, 0.7)), years=years,
        hours=years, years_set_up=years, picture=pair(None, None), grey=(), came=(), found=(), done=(), remains=(),
        expect=(), checks=(), verdicts=(), model_version="2", seed=1,
    )  # fmt: skip


GONE: Final = Unknown(reason="nobody read it", would_settle="read it")


def test_bars_lie_where_their_figures_are() -> None:
    years = line("years", spread(1, 2, 4), spread(2, 5, 9), unit="years")
    drawn = light_chart(made(years))
    data = bars_data(drawn)
    assert drawn.top == 100.0
    assert [(bar["low"], bar["middle"], bar["high"]) for bar in data["bars"][:2]] == [
        pytest.approx((0.3, 0.4, 0.5)),
        pytest.approx((0.5, 0.6, 0.7)),
    ]
    assert data["wanted"] == pytest.approx(0.5)
    assert [tick["text"] for tick in data["ticks"]] == ["0", "20", "40", "60", "80", "100"]
    assert "white: before 40 (30 to 50) %, after 60 (50 to 70) %" in data["words"]


def test_what_is_not_known_is_no_bar_but_said() -> None:
    drawn = life_chart(made(line("years", GONE, spread(1, 2, 4), unit="years")))
    assert [bar.side for bar in drawn.bars] == ["after"]
    assert "before not known (nobody read it)" in drawn.words


def test_a_life_without_end_stays_on_the_axis() -> None:
    drawn = life_chart(made(line("years", spread(1, 30, 1e9), spread(2, float("inf"), float("inf")), unit="years")))
    assert drawn.top == MOST_YEARS
    data = bars_data(drawn)
    assert all(0 <= bar[name] <= 1 for bar in data["bars"] for name in ("low", "middle", "high"))
    assert data["bars"][0]["beyond"]


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_chart_of_the_page_says_the_same_and_can_be_drawn(theme: str) -> None:
    years = line("years", spread(1, 2, 4), GONE, unit="years")
    for drawn in (light_chart(made(years)), life_chart(made(years))):
        chart = chart_of(drawn, theme="dark" if theme == "dark" else "light", size="narrow")
        assert drawn.words in chart.alt
        assert "<svg" in to_svg(chart)


# -- rows -------------------------------------------------------------------------------------------


def test_rows_say_unit_doubt_and_reason() -> None:
    row = row_of(
        Line(
            name="red.emission", about="emission as read", unit="uA", unit_before="rel", before=spread(0.3, 0.33, 0.36),
            after=spread(530, 580, 630), verdict="unknown", why="read in rel, then in uA",
        )
    )  # fmt: skip
    assert row.about == "emission as read, µA"
    assert row.before == "0.33 (0.30 to 0.36)"
    assert row.change == "not known: read in rel, then in uA"
    picture = Line(
        name="x", about="worst error", unit="mm", before=spread(1.0, 1.0 + 0.128, 1.256), after=GONE, verdict="unknown",
        why="nobody read it", group="Convergence",
    )  # fmt: skip
    assert row_of(picture).cells == ("worst error, mm", "1.1 ± 0.1", "not known", "not known: nobody read it")
    assert change_words(replace(picture, verdict="same", why="")) == "no change beyond doubt"
