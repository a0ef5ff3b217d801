"""``measure`` goes through its steps, refuses in words, and never gives a figure that a step did not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from jsonschema_rs import Draft202012Validator

import measured
from measure_steps import MadeUpSteps, made_up_shape, photo, refuse
from tubewright.answers.measure import MeasuringCancelledError, measure
from tubewright.answers.measure_join import best_of, weighted
from tubewright.answers.measure_steps import Wanted, mm_per_raster
from tubewright.answers.measure_view import Matrix, viewed_zone
from tubewright.answers.measurement import Measurement, PhotoNote
from tubewright.answers.measurement_json import to_json
from tubewright.errors import InputError, RefusedError
from tubewright.files.measure_schema import measure_schema
from tubewright.picture.results import (
    ZONES,
    Convergence,
    Figure,
    Focus,
    Geometry,
    Known,
    Purity,
    Scale,
    TopCurl,
    Unsupported,
    Wear,
    Zone,
)

SCHEMA = Draft202012Validator(measure_schema())


def asked(*names: str, steps: MadeUpSteps | None = None, **options: Any) -> Measurement:  # noqa: ANN401 - as measure() takes them
    """The answer for photographs of these names."""
    answer = measure(
        [photo(name) for name in names], rasters=[measured.RASTER], steps=steps or MadeUpSteps(), **options
    )
    assert [error.message for error in SCHEMA.iter_errors(to_json(answer))] == []
    return answer


def test_a_survey_gives_all_that_it_carries() -> None:
    answer = asked("survey.jpg")
    assert answer.accepted
    assert answer.pattern == "survey"
    assert answer.raster == measured.RASTER
    assert (answer.rotated_deg, answer.mirrored) == (-2.0, False)
    assert isinstance(answer.scale, Scale)
    assert isinstance(answer.convergence, Convergence)
    assert isinstance(answer.geometry, Geometry)
    assert isinstance(answer.focus, Focus)
    for part in (answer.purity, answer.tracking, answer.wear):
        assert isinstance(part, Unsupported)
        assert "survey_light" in part.would_settle
    (note,) = answer.photos
    assert note.used_for == ("convergence", "geometry", "top_curl", "hum", "focus")
    assert "the glass is taken to be a sphere" in answer.notes


def test_the_survey_for_light_gives_light_alone() -> None:
    answer = asked("light.jpg")
    assert answer.accepted
    assert isinstance(answer.wear, Wear)
    for part in (answer.convergence, answer.geometry, answer.top_curl, answer.hum, answer.focus):
        assert isinstance(part, Unsupported)
        assert "survey" in part.would_settle
    assert answer.photos[0].used_for == ("purity", "tracking", "wear")


def test_both_surveys_together_give_everything() -> None:
    answer = asked("light.jpg", "survey.jpg")
    assert answer.pattern == "survey"
    assert answer.drawn_on == 1
    assert not any(isinstance(getattr(answer, part), Unsupported) for part in ("convergence", "wear", "hum"))


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("none.jpg", "no survey is to be seen"),
        ("dark.jpg", "far too dark"),
        ("none-dark.jpg", "no survey is to be seen, and it is far too dark"),
        ("broken.jpg", "our reckoning failed"),
    ],
)
def test_a_bad_photograph_is_an_answer_not_an_error(name: str, says: str) -> None:
    answer = asked(name)
    assert not answer.accepted
    assert says in answer.refused_because
    assert answer.shoot_better
    body = to_json(answer)
    assert body["accepted"] is False
    for part in ("convergence", "geometry", "top_curl", "hum", "focus", "purity", "tracking", "wear"):
        assert body[part] is None


def test_good_photographs_are_measured_beside_bad_ones() -> None:
    answer = asked("none.jpg", "survey-1.jpg", "dark.jpg", "survey-2.jpg")
    assert answer.accepted
    assert [bool(note.refused_because) for note in answer.photos] == [True, False, True, False]
    assert answer.drawn_on == 1
    assert answer.quality is not None
    assert answer.quality.exposure == "refused"


def test_a_photograph_that_is_none_is_told_of_beside_the_others() -> None:
    note = PhotoNote(name="song.mp3", pattern="", refused_because="it is no photograph", shoot_better="Send one.")
    answer = asked("survey.jpg", unread=[note])
    assert answer.accepted
    assert answer.photos[-1] == note
    alone = asked(unread=[note])
    assert not alone.accepted
    assert alone.refused_because == "it is no photograph"


@pytest.mark.parametrize(("name", "says"), [("other.jpg", "raster"), ("mirrored.jpg", "mirrored")])
def test_another_picture_than_the_first_is_left_out(name: str, says: str) -> None:
    answer = asked("survey.jpg", name)
    assert answer.accepted
    assert says in answer.photos[1].refused_because


@pytest.mark.parametrize("step", ["shape", "course", "curl", "hum", "focus"])
def test_a_step_that_refuses_takes_only_its_own_figures_with_it(step: str) -> None:
    answer = asked("survey.jpg", steps=MadeUpSteps(changes={step: refuse("it can't be told")}))
    assert answer.accepted
    parts = {"shape": answer.convergence, "course": answer.top_curl, "curl": answer.top_curl}
    part = parts.get(step) or getattr(answer, step)
    assert isinstance(part, Unsupported)
    assert part.reason == "it can't be told"
    untouched = answer.focus if step != "focus" else answer.hum
    assert not isinstance(untouched, Unsupported)


@pytest.mark.parametrize("step", ["shape", "course", "curl", "hum", "focus", "lights", "purity", "tracking", "wear"])
def test_sums_that_do_not_come_out_are_a_reason_too(step: str) -> None:
    steps = MadeUpSteps(changes={step: np.linalg.LinAlgError("Singular matrix")})
    answer = asked("survey.jpg", "light.jpg", steps=steps)
    assert answer.accepted
    reasons = [part.reason for name in measured_parts() if isinstance(part := getattr(answer, name), Unsupported)]
    assert any("Singular matrix" in reason for reason in reasons)


def measured_parts() -> tuple[str, ...]:
    """The parts of an answer that may be missing."""
    return ("scale", "convergence", "geometry", "top_curl", "hum", "focus", "purity", "tracking", "wear")


def test_a_mistake_of_ours_is_not_taken_for_a_bad_photograph() -> None:
    with pytest.raises(TypeError):
        asked("survey.jpg", steps=MadeUpSteps(changes={"hum": TypeError("no such argument")}))


def test_a_solution_that_never_settled_gives_no_figure() -> None:
    shape = made_up_shape(settled=False)
    answer = asked("survey.jpg", steps=MadeUpSteps(changes={"shape": shape}))
    for part in (answer.scale, answer.convergence, answer.geometry):
        assert isinstance(part, Unsupported)


def test_a_photograph_is_not_said_to_be_used_for_what_it_did_not_tell() -> None:
    why = Unsupported(reason="nothing gives a scale", would_settle="tags")
    silent = TopCurl(amplitude_mm=why, settle_lines=why, overshoot_ratio=why, profile=None)
    answer = asked("survey.jpg", steps=MadeUpSteps(changes={"curl": silent}))
    assert "top_curl" not in answer.photos[0].used_for
    assert "focus" in answer.photos[0].used_for


def test_a_poor_fit_is_said() -> None:
    shape = made_up_shape(scale=None, misfit_ratio=7.0)
    answer = asked("survey.jpg", steps=MadeUpSteps(changes={"shape": shape}))
    assert any("7.0 times their errors" in note for note in answer.notes)
    assert isinstance(answer.scale, Unsupported)


def test_rasters_of_one_size_are_named() -> None:
    twin = replace(measured.RASTER, name="made-up twin", pixel_clock_hz=12e6)
    answer = measure([photo("survey.jpg")], rasters=[measured.RASTER, twin], steps=MadeUpSteps())
    assert any("made-up twin" in note for note in answer.notes)
    assert not any("fit" in note for note in asked("survey.jpg").notes)


def test_tags_are_looked_for_unless_told_not_to() -> None:
    with_tags, without = MadeUpSteps(), MadeUpSteps()
    asked("survey.jpg", steps=with_tags)
    asked("survey.jpg", steps=without, with_tags=False)
    assert "tags" in with_tags.calls
    assert "tags" not in without.calls


def test_progress_only_rises_and_ends_at_the_end() -> None:
    told: list[tuple[str, float]] = []
    asked("survey.jpg", "light.jpg", "survey-2.jpg", progress=lambda what, share: told.append((what, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert shares[0] == 0
    assert shares[-1] == 1
    assert all(what for what, _ in told)


@pytest.mark.parametrize("after", [0, 1, 3, 5, 8])
def test_it_can_be_called_off_between_any_steps(after: int) -> None:
    calls = iter(range(1000))
    with pytest.raises(MeasuringCancelledError):
        asked("survey.jpg", "light.jpg", cancelled=lambda: next(calls) >= after)
    assert MeasuringCancelledError.exit_code == RefusedError.exit_code


@pytest.mark.parametrize(
    ("names", "options", "where"),
    [
        ((), {}, "photographs"),
        (("a.jpg",), {"rasters": []}, "raster"),
        (("a.jpg",), {"picture_mm": (0.0, 200.0)}, "picture"),
        (("a.jpg",), {"picture_mm": (300.0, float("nan"))}, "picture"),
        (("a.jpg",), {"diagonal_mm": -1.0}, "diagonal"),
        (("a.jpg",), {"glass_radius_mm": float("inf")}, "glass_radius"),
    ],
)
def test_what_can_be_mended_is_the_callers(names: tuple[str, ...], options: dict[str, Any], where: str) -> None:
    with pytest.raises(InputError) as caught:
        measure([photo(name) for name in names], **{"rasters": [measured.RASTER], "steps": MadeUpSteps(), **options})
    assert caught.value.faults[0].where == where


def test_the_blur_is_given_in_pixels_of_the_photograph() -> None:
    quality = asked("survey.jpg").quality
    assert quality is not None
    # A raster pixel of blur, 400 / 320 pixels of the photograph each.
    assert quality.sharpness_px == pytest.approx(1.25)


# --- as the viewer sees it --------------------------------------------------------

CLOCKWISE = np.array([[0.0, -1.0], [1.0, 0.0]])
AGAINST = np.array([[0.0, 1.0], [-1.0, 0.0]])
MIRRORED = np.diag([-1.0, 1.0])


@pytest.mark.parametrize(
    ("upright", "zones"),
    [
        (np.eye(2), ("top_left", "top", "right", "centre", "bottom_left")),
        (CLOCKWISE, ("top_right", "right", "bottom", "centre", "top_left")),
        (AGAINST, ("bottom_left", "left", "top", "centre", "bottom_right")),
        (MIRRORED, ("top_right", "top", "left", "centre", "bottom_right")),
    ],
    ids=["upright", "clockwise", "against", "mirrored"],
)
def test_zones_are_named_as_the_viewer_sees_them(upright: Matrix, zones: tuple[str, ...]) -> None:
    raster_zones: tuple[Zone, ...] = ("top_left", "top", "right", "centre", "bottom_left")
    assert tuple(viewed_zone(zone, upright) for zone in raster_zones) == zones
    assert {viewed_zone(zone, upright) for zone in ZONES} == set(ZONES)


def test_a_tube_on_its_side_is_described_as_it_stands() -> None:
    steps = MadeUpSteps(changes={"upright": CLOCKWISE})
    answer = asked("light.jpg", "survey.jpg", steps=steps, mount="vertical")
    usual = measured.light()
    assert isinstance(answer.wear, Wear)
    assert (usual["wear"].at_zone, answer.wear.at_zone) == ("bottom_left", "top_left")
    assert isinstance(answer.purity, Purity)
    assert answer.purity.shift_ratio["red"]["top"] == usual["purity"].shift_ratio["red"]["left"]


def test_what_bends_left_in_a_mirror_bends_right() -> None:
    straight = asked("survey.jpg").top_curl
    mirrored = asked("survey.jpg", steps=MadeUpSteps(changes={"upright": MIRRORED})).top_curl
    assert isinstance(straight, TopCurl)
    assert isinstance(mirrored, TopCurl)
    assert isinstance(straight.amplitude_mm, Figure)
    assert isinstance(mirrored.amplitude_mm, Figure)
    assert mirrored.amplitude_mm.value == -straight.amplitude_mm.value
    assert straight.profile is not None
    assert mirrored.profile is not None
    assert np.array_equal(mirrored.profile.fitted_mm, -straight.profile.fitted_mm)


def test_millimetres_of_a_tube_on_its_side_run_along_its_lines() -> None:
    scale = measured.measurement().scale
    assert isinstance(scale, Scale)
    wanted = Wanted(picture_mm=None, diagonal_mm=None, glass_radius_mm=None, mount="vertical")
    along, across = mm_per_raster(scale, measured.RASTER, wanted)
    assert along is not None
    assert across is not None
    assert along.value == pytest.approx(measured.HEIGHT_MM / 640)
    assert across.value == pytest.approx(measured.WIDTH_MM / 480)
    assert mm_per_raster(None, measured.RASTER, wanted) == (None, None)


# --- several photographs of one picture --------------------------------------------


def curls(*amplitudes: Known) -> MadeUpSteps:
    """Steps that see these curls, one a photograph, in raster pixels."""
    return MadeUpSteps(changes={"curl": lambda n: replace(measured.top_curl(), amplitude_mm=amplitudes[n])})


def mm_per_px(answer: Measurement) -> Figure:
    """Millimetres per raster pixel along the line."""
    assert isinstance(answer.scale, Scale)
    assert answer.raster is not None
    width, count = answer.scale.width_mm, answer.raster.width_px
    return Figure(value=width.value / count, sd=width.sd / count)


def test_curls_are_joined_by_weight_and_the_answer_says_so() -> None:
    answer = asked("a.jpg", "b.jpg", steps=curls(Figure(value=3.0, sd=0.1), Figure(value=3.2, sd=0.2)))
    assert isinstance(answer.top_curl, TopCurl)
    assert isinstance(answer.top_curl.amplitude_mm, Figure)
    # Weights 100 and 25: (300 + 80) / 125; the scale's own error is small beside these.
    scale = mm_per_px(answer).value
    assert answer.top_curl.amplitude_mm.value / scale == pytest.approx(3.04, abs=0.01)
    assert answer.top_curl.amplitude_mm.sd / scale == pytest.approx(0.0894, rel=0.1)
    assert "the top curl is the mean of 2 photographs by weight" in answer.notes


def test_a_curl_that_one_photograph_could_not_tell_comes_from_the_other() -> None:
    why = Unsupported(reason="the top is hidden", would_settle="another photograph")
    answer = asked("a.jpg", "b.jpg", steps=curls(why, Figure(value=3.2, sd=0.2)))
    assert isinstance(answer.top_curl, TopCurl)
    scale = mm_per_px(answer)
    expected = Figure(value=3.2 * scale.value, sd=float(np.hypot(0.2 * scale.value, 3.2 * scale.sd)))
    assert answer.top_curl.amplitude_mm == expected
    assert "top_curl" not in answer.photos[0].used_for
    assert "top_curl" in answer.photos[1].used_for


def test_figures_that_disagree_widen_the_spread() -> None:
    joined = weighted([Figure(value=1.0, sd=0.1), Figure(value=2.0, sd=0.1)])
    assert isinstance(joined, Figure)
    # chi-square 50 on one degree of freedom: the spread of 0.0707 grows by its root to 0.5.
    assert joined.sd == pytest.approx(0.5)
    assert joined.value == pytest.approx(1.5)


def test_the_spot_comes_from_the_photograph_that_tells_most_of_it() -> None:
    good = measured.measurement().focus
    assert isinstance(good, Focus)
    why = Unsupported(reason="blurred", would_settle="hold still")
    worse = replace(good, spot_h_mm=dict.fromkeys(good.spot_h_mm, why))
    steps = MadeUpSteps(changes={"focus": lambda n: (worse, good)[n]})
    answer = asked("a.jpg", "b.jpg", steps=steps)
    assert answer.focus == good
    assert any("b.jpg" in note for note in answer.notes)
    assert "focus" not in answer.photos[0].used_for


def test_among_equals_the_smaller_spread_wins() -> None:
    def wear(sd: float) -> Wear:
        return Wear(depth_ratio=Figure(value=0.1, sd=sd), area_pct=Figure(value=5.0, sd=sd), at_zone="top")

    best, at = best_of([wear(0.3), wear(0.1), wear(0.2)])
    assert at == 1
    assert best == wear(0.1)
    why = Unsupported(reason="r", would_settle="w")
    assert best_of([why, why]) == (why, None)
