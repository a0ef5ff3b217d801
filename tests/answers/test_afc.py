"""Answers on the AFC loop: sync first, then the free-running frequency, then one part; and back from a curl."""

from __future__ import annotations

import json
import math
from functools import partial

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.answers.afc import AfcAnswer, best_change, grade, predict_curl, what_if
from tubewright.answers.afc_curl import from_curl, line_at, seen_from_measurement, seen_from_readings
from tubewright.answers.afc_json import answer_to_json, curl_to_json
from tubewright.answers.afc_setup import (
    PART_WORDS,
    SOURCE_KINDS,
    TIMINGS,
    AfcSetup,
    afc_setup,
    loop_parts,
    part_names,
    profile_source,
    sync_source,
)
from tubewright.answers.afc_typed import (
    PART_NAMES,
    profile_parts,
    typed_changes,
    typed_part,
    typed_readings,
    typed_stock,
)
from tubewright.answers.afc_words import amount, curl_words, signed_mm, typed_amount
from tubewright.answers.measurement import Figure, TopCurl, Unsupported
from tubewright.errors import InputError
from tubewright.knowledge.chassis import Chassis, LoopParts
from tubewright.knowledge.load import load_knowledge
from tubewright.physics.afc.changes import Limits
from tubewright.report.afc_charts import curl_chart, seen_chart
from tubewright.report.afc_text import answer_blocks, curl_blocks
from tubewright.report.frame import to_svg
from tubewright.report.text import blocks_to_text

PARTS: dict[str, float | None] = {
    "detector_v_per_rad": 2.0,
    "series_ohm": 10e3,
    "damping_ohm": 1000.0,
    "capacitor_uf": 0.47,
    "oscillator_hz_per_v": 300.0,
    "free_run_error_hz": 60.0,
}


# The capture range takes most of the time and is asked for once.
best, predict = partial(best_change, capture=False), partial(predict_curl, capture=False)


def setup(kind: str = "no-serrations", **more: float) -> AfcSetup:
    return afc_setup({**PARTS, **more}, sync_source("262p", kind, vertical_lines=6), picture_width_mm=370, mains_hz=50)


def ids(answer: AfcAnswer) -> list[str]:
    return [one.id for one in answer.advice]


def faults_of(error: pytest.ExceptionInfo[InputError]) -> dict[str, str]:
    return {fault.where: fault.what for fault in error.value.faults}


# -- what comes first ------------------------------------------------------------------------


def test_without_serrations_sync_comes_first_and_no_part_is_proposed() -> None:
    """Worked case C09: never the loop capacitor where the cause is the source."""
    answer = best(setup())
    assert ids(answer)[0] == "feed_sync"
    assert answer.after is None
    assert answer.changes == ()
    assert "change_part" not in ids(answer)
    assert "Feed sync properly first" in answer.headline
    assert answer.with_edges is not None
    assert abs(answer.with_edges.amplitude_mm) < 0.01 < abs(answer.before.amplitude_mm)


def test_once_sync_was_tried_one_change_of_sensible_size_is_proposed() -> None:
    answer = best(setup(), sync_tried=True)
    assert ids(answer)[0] == "feed_sync"
    assert ids(answer)[-1] == "change_part"
    assert answer.after is not None
    assert answer.after.bend_mm < 0.9 * answer.before.bend_mm
    changed = [n for n in part_names() if getattr(answer.after.parts, n) != getattr(answer.before.parts, n)]
    assert len(changed) == 1
    assert all(change.value > 0.45 * 0.47 for change in answer.changes if change.part == "capacitor_uf")
    assert "keep the original" in answer.advice[-1].words


def test_exclusive_or_is_told_to_be_fed_better_too() -> None:
    assert ids(predict(setup("exclusive-or")))[0] == "feed_sync"


@pytest.mark.parametrize(("error_hz", "said"), [(150.0, True), (-150.0, True), (90.0, False)])
def test_a_far_off_oscillator_is_set_before_any_part(error_hz: float, said: bool) -> None:
    answer = best(setup(free_run_error_hz=error_hz), sync_tried=True)
    assert ("set_free_run" in ids(answer)) is said
    if said and "change_part" in ids(answer):
        assert ids(answer).index("set_free_run") < ids(answer).index("change_part")


def test_a_separator_that_loses_pulses_is_named() -> None:
    answer = predict(setup(coupling_uf=0.001, leak_ohm=150e3))
    assert "check_separator" in ids(answer)
    assert "check_separator" not in ids(predict(setup(coupling_uf=1.0, leak_ohm=150e3)))


def test_a_straight_top_is_left_alone() -> None:
    answer = best(setup("line-serrations"))
    assert answer.before.grade == "excellent"
    assert answer.after is None
    assert ids(answer) == ["leave"]
    assert "Leave the loop" in answer.headline


def test_limits_are_kept() -> None:
    strict = best(setup(), sync_tried=True, limits=Limits(jitter_ratio=0.1))
    assert strict.after is None
    assert "No single change" in strict.headline
    assert all(change.costs for change in strict.changes)


def test_only_stock_is_proposed() -> None:
    answer = best(setup(), sync_tried=True, stock={"capacitor_uf": (0.33,), "damping_ohm": (), "shunt_nf": ()})
    assert [change.value for change in answer.changes] == [0.33]


def test_cautions_go_with_every_answer_and_are_known() -> None:
    answer = predict(setup())
    known = load_knowledge().cautions
    assert {"anode_charge", "gate_power_off", "tuning_capacitor", "local_rules"} <= set(answer.cautions)
    assert set(answer.cautions) <= set(known)


# -- what if ---------------------------------------------------------------------------------


def test_what_if_shows_before_and_after() -> None:
    answer = what_if(setup(capacitor_uf=1.0), {"capacitor_uf": 0.47, "damping_ohm": 3300.0})
    assert answer.after is not None
    assert (answer.after.parts.capacitor_uf, answer.after.parts.damping_ohm) == (0.47, 3300.0)
    assert answer.before.parts.capacitor_uf == 1.0
    assert "loop capacitor 0.47 uF, damping resistor 3.3 kohm" in answer.headline
    assert answer.after.damping_ratio > answer.before.damping_ratio
    assert answer.after.capture_hz is not None


def test_what_if_of_nothing_is_refused() -> None:
    with pytest.raises(InputError) as error:
        what_if(setup(), {"capacitor_uf": 0.47, "damping_ohm": None})
    assert "change" in faults_of(error)


def test_what_if_of_a_loop_that_cannot_hold_is_refused() -> None:
    with pytest.raises(InputError) as error:
        what_if(setup(), {"free_run_error_hz": 4000.0})
    assert "never locks" in faults_of(error)["free_run_error_hz"]


def test_a_change_back_is_as_before() -> None:
    there = what_if(setup(), {"capacitor_uf": 0.33})
    back = what_if(setup(capacitor_uf=0.33), {"capacitor_uf": 0.47})
    assert there.after is not None
    assert back.after is not None
    assert back.after.amplitude_mm == pytest.approx(there.before.amplitude_mm)


# -- what is asked ---------------------------------------------------------------------------


def test_all_that_is_missing_is_named_at_once() -> None:
    with pytest.raises(InputError) as error:
        loop_parts({})
    assert set(faults_of(error)) == {
        "detector_v_per_rad",
        "series_ohm",
        "damping_ohm",
        "capacitor_uf",
        "oscillator_hz_per_v",
    }


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("series_ohm", 0.0, "zero"),
        ("damping_ohm", -5.0, "negative"),
        ("capacitor_uf", math.nan, "finite"),
        ("shunt_nf", -1.0, "negative"),
        ("oscillator_hz_per_v", math.inf, "finite"),
        ("free_run_error_hz", 9000.0, "never locks"),
        ("free_run_error_hz", math.nan, "finite"),
    ],
)
def test_a_figure_that_makes_no_sense_is_named(name: str, value: float, says: str) -> None:
    with pytest.raises(InputError) as error:
        setup(**{name: value})  # type: ignore[arg-type] # figures only
    assert says in faults_of(error)[name]


@pytest.mark.parametrize("field", ["picture_width_mm", "mains_hz", "flyback_us"])
def test_a_size_or_rate_of_nothing_is_named(field: str) -> None:
    with pytest.raises(InputError) as error:
        afc_setup(PARTS, sync_source("262p"), **{field: 0.0})  # type: ignore[arg-type] # one of three numbers
    assert field in faults_of(error)


def test_a_loop_that_swings_up_by_itself_is_refused() -> None:
    with pytest.raises(InputError, match="swings up by itself"):
        setup(detector_v_per_rad=200.0, capacitor_uf=0.1, shunt_nf=100.0, damping_ohm=3300.0)


def test_what_was_not_given_is_said_to_be_assumed() -> None:
    bare = {name: value for name, value in PARTS.items() if name != "free_run_error_hz"}
    said = " ".join(afc_setup({**bare, "coupling_uf": 0.1}, sync_source("262p")).assumed)
    for word in ("free-running", "shunt", "output resistance", "coupling", "370 mm", "50 Hz"):
        assert word in said
    everything = {**PARTS, "detector_ohm": 0.0, "shunt_nf": 0.0, "coupling_uf": 0.1, "leak_ohm": 1e6}
    assert afc_setup(everything, sync_source("262p"), picture_width_mm=300, mains_hz=60).assumed == ()


@pytest.mark.parametrize("timing", TIMINGS)
@pytest.mark.parametrize("kind", ["", *SOURCE_KINDS])
def test_every_timing_goes_with_every_kind(timing: str, kind: str) -> None:
    found = afc_setup(PARTS, sync_source(timing, kind))
    assert math.isfinite(predict(found).before.amplitude_mm)


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"timing": "526"}, "timing"),
        ({"kind": "serrate"}, "kind"),
        ({"vertical_lines": 0.0}, "vertical_lines"),
        ({"vertical_lines": 99.0}, "vertical_lines"),
        ({"line_pulse_us": 40.0}, "line_pulse_us"),
    ],
)
def test_a_source_that_there_is_not_is_named(wrong: dict[str, object], where: str) -> None:
    with pytest.raises(InputError) as error:
        sync_source(**wrong)  # type: ignore[arg-type] # one wrong at a time
    assert where in faults_of(error)


@pytest.mark.parametrize(
    ("scan_khz", "field_hz", "name"),
    [
        (15.7, 60.0, "525-60"),
        (15.6, 50.0, "625-50"),
        (None, 50.0, "625-50"),
        (24.8, 60.0, "413p"),
        (31.5, None, "526p"),
    ],
)
def test_a_profiles_rates_choose_the_timing(scan_khz: float | None, field_hz: float | None, name: str) -> None:
    found = profile_source(Chassis(id="a", name="A", scan_khz=scan_khz, field_hz=field_hz))
    assert found is not None
    assert found.name == name
    assert math.isfinite(predict(afc_setup(PARTS, found)).before.amplitude_mm)
    assert profile_source(Chassis(id="a", name="A")) is None


def test_a_profiles_parts_are_taken() -> None:
    profile = Chassis(id="a", name="A", afc=LoopParts(series_ohm=4700.0))
    assert profile_parts(profile)["series_ohm"] == 4700.0
    assert profile_parts(None) == profile_parts(Chassis(id="b", name="B")) == {}
    assert set(profile_parts(profile)) <= set(PART_WORDS) == set(PART_NAMES.values()) == set(part_names())


# -- as it is typed --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("capacitor_uf", "0.47 µF", 0.47),
        ("capacitor_uf", "470n", 0.47),
        ("damping_ohm", "3k3", 3300.0),
        ("series_ohm", "3.3 k", 3300.0),
        ("shunt_nf", "4n7", 4.7),
        ("shunt_nf", "0.01uF", 10.0),
        ("free_run_error_hz", "-80", -80.0),
        ("free_run_error_hz", "−80 Hz", -80.0),
        ("free_run_error_hz", "+80 Hz", 80.0),
        ("oscillator_hz_per_v", "300", 300.0),
    ],
)
def test_parts_are_read_as_people_type_them(name: str, text: str, value: float) -> None:
    assert typed_part(name, text, "there") == pytest.approx(value)


@settings(max_examples=60)
@given(name=st.sampled_from(sorted(PART_WORDS)), value=st.floats(1e-3, 1e6).map(lambda v: float(f"{v:.4g}")))
def test_what_a_form_shows_is_read_back(name: str, value: float) -> None:
    assert typed_part(name, typed_amount(name, value), "there") == pytest.approx(value, rel=1e-5)


def test_changes_and_stock_are_read() -> None:
    assert typed_changes(["capacitor=0.47 uF", "free-run=-20"], "x") == {"capacitor_uf": 0.47, "free_run_error_hz": -20}
    assert typed_stock(["capacitor=0.47uF 330n, 0.22uF", "damping="], "x") == {
        "capacitor_uf": (0.47, 0.33, 0.22),
        "damping_ohm": (),
    }


@pytest.mark.parametrize("text", ["capacitor", "capacitr=3u", "capacitor=", "capacitor=soon", "=3"])
def test_a_change_that_makes_no_sense_is_named(text: str) -> None:
    with pytest.raises(InputError):
        typed_changes([text], "--change")


def test_the_tuning_capacitor_is_no_part_of_the_loop() -> None:
    with pytest.raises(InputError, match="names no part"):
        typed_changes(["tuning=6.8nF"], "--change")
    with pytest.raises(InputError, match="no change is proposed"):
        typed_stock(["series=10k"], "--stock")


def test_readings_are_taken_by_line_or_by_height() -> None:
    source = sync_source("262p")
    found = typed_readings(["0=4.2", "28mm=-1.5", "12=2 mm"], source, 280.0, "x")
    assert found == [(0.0, 4.2), (pytest.approx(24.0), -1.5), (12.0, 2.0)]
    assert line_at(140.0, 280.0, sync_source("525-60")) == pytest.approx(241.0)


@pytest.mark.parametrize(
    ("texts", "height", "says"),
    [
        (["0"], 280.0, "no reading"),
        (["30mm=2"], None, "height"),
        (["900=2"], 280.0, "below the picture"),
        (["x=2"], 280.0, "length"),
    ],
)
def test_a_reading_that_makes_no_sense_is_named(texts: list[str], height: float | None, says: str) -> None:
    with pytest.raises(InputError, match=says):
        typed_readings(texts, sync_source("262p"), height, "x")


# -- from a curl -----------------------------------------------------------------------------

READ = [(0.0, 4.0), (12.0, 2.4), (40.0, -0.4)]


def test_three_readings_give_a_loop_and_what_they_cannot_tell() -> None:
    answer = from_curl(seen_from_readings(READ), sync_source("262p"), picture_width_mm=370)
    assert answer.loop.natural_hz.p10 < answer.loop.natural_hz.median < answer.loop.natural_hz.p90
    assert answer.suspects == ()
    assert "natural frequency" in answer.headline
    assert any("can't be told apart" in remark for remark in answer.remarks)


def test_known_parts_are_suspected() -> None:
    asked = setup(capacitor_uf=1.0)
    answer = from_curl(seen_from_readings(READ), asked.source, picture_width_mm=370, setup=asked)
    assert sum(one.probability for one in answer.suspects) == pytest.approx(1)
    assert "likeliest" in answer.headline or "No single part" in answer.headline


def test_a_photographs_curl_is_taken_with_its_spreads() -> None:
    top = TopCurl(
        amplitude_mm=Figure(value=4.0, sd=0.1),
        settle_lines=Figure(value=44.0, sd=2.0),
        overshoot_ratio=Figure(value=0.27, sd=0.02),
        profile=None,
    )
    seen = seen_from_measurement(top)
    assert seen.amplitude_mm is not None
    assert (seen.amplitude_mm.value, seen.amplitude_mm.sd) == (4.0, 0.1)
    assert from_curl(seen, sync_source("262p"), picture_width_mm=370, gap_lines=3).loop.gap_lines.median == 3


@pytest.mark.parametrize("missing", ["amplitude_mm", "settle_lines"])
def test_a_photograph_that_gives_no_curl_says_why(missing: str) -> None:
    figures = {
        name: Figure(value=4.0, sd=0.1)
        for name in ("amplitude_mm", "settle_lines", "overshoot_ratio")
        if name != missing
    }
    why = Unsupported(reason="no curl stands out", would_settle="a sharper photograph")
    with pytest.raises(InputError, match="no curl stands out"):
        seen_from_measurement(TopCurl(**{**figures, missing: why}, profile=None))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        (READ[:2], "too few"),
        ([(0, 1), (0, 2), (5, 3)], "same line"),
        ([(0, 0), (5, 0), (9, 0)], "nothing is bent"),
        ([(0, math.nan), (5, 1), (9, 0)], "makes no sense"),
    ],
)
def test_readings_that_cannot_be_reckoned_with_are_refused(readings: list[tuple[float, float]], says: str) -> None:
    with pytest.raises(InputError, match=says):
        seen_from_readings(readings)


@pytest.mark.parametrize("wrong", [{"picture_width_mm": 0.0}, {"gap_lines": 0}, {"gap_lines": 12}])
def test_a_width_or_gap_that_makes_no_sense_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(InputError):
        from_curl(seen_from_readings(READ), sync_source("262p"), **{"picture_width_mm": 370, **wrong})  # type: ignore[arg-type]


# -- as it is shown --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("percent", "word"), [(0.3, "excellent"), (0.31, "acceptable"), (1.0, "acceptable"), (2.0, "poor"), (2.1, "failed")]
)
def test_a_first_line_is_judged_by_the_published_targets(percent: float, word: str) -> None:
    assert grade(percent) == word


def test_the_body_is_plain_json() -> None:
    asked = setup(free_run_error_hz=150.0)
    answers = [predict(asked), what_if(asked, {"damping_ohm": 1500.0}), best(asked, sync_tried=True)]
    for answer in answers:
        body = json.loads(json.dumps(answer_to_json(answer), allow_nan=False))
        assert body["format"] == 1
        assert len(body["before"]["displacement_mm"]) == 240
        assert body["before"]["parts"]["coupling_uf"] is None
        assert [one["id"] for one in body["advice"]] == ids(answer)
    seen = from_curl(seen_from_readings(READ), asked.source, picture_width_mm=370, setup=asked)
    body = json.loads(json.dumps(curl_to_json(seen), allow_nan=False))
    assert set(body["loop"]["natural_hz"]) == {"median", "p10", "p90"}


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_drawings_say_in_words_what_they_show(theme: str) -> None:
    asked = setup()
    before_after = curl_chart(what_if(asked, {"damping_ohm": 1500.0}), theme=theme)  # type: ignore[arg-type]
    assert "As it is: The first visible line lies" in before_after.alt
    assert "With damping resistor 1.5 kohm" in before_after.alt
    seen = seen_chart(from_curl(seen_from_readings(READ), asked.source, picture_width_mm=370), theme=theme)  # type: ignore[arg-type]
    assert "measured 4.00 mm to the right at line 0" in seen.alt
    for chart in (before_after, seen):
        assert to_svg(chart).startswith("<svg")


def test_text_names_all_that_matters() -> None:
    asked = setup(free_run_error_hz=150.0)
    text = " ".join(blocks_to_text(answer_blocks(best(asked, sync_tried=True)), width=100).split())
    for word in ("Feed", "free-running", "damping", "hold range", "capture range", "jitter", "Single changes"):
        assert word.lower() in text.lower()
    seen = from_curl(seen_from_readings(READ), asked.source, picture_width_mm=370, setup=asked)
    assert "likeliest off" in blocks_to_text(curl_blocks(seen), width=100)


def test_jitter_of_the_source_is_told_in_millimetres() -> None:
    asked = afc_setup(
        PARTS, sync_source("262p"), picture_width_mm=370, mains_hz=50, random_jitter_us=0.1, mains_jitter_us=0.2
    )
    report = predict(asked).before
    assert report.line_jitter_mm == pytest.approx(report.jitter_ratio * 0.1 * 370 / 48)
    assert report.mains_sway_mm == pytest.approx(10 ** (report.sync_mains_db / 20) * 0.2 * 370 / 48)
    assert "RMS off" in blocks_to_text(answer_blocks(predict(asked)))


@pytest.mark.parametrize(
    ("part", "value", "words"),
    [
        ("capacitor_uf", 0.47, "0.47 uF"),
        ("capacitor_uf", 0.047, "47 nF"),
        ("damping_ohm", 3300.0, "3.3 kohm"),
        ("leak_ohm", 1e6, "1 Mohm"),
        ("shunt_nf", 0.47, "470 pF"),
        ("free_run_error_hz", -80.0, "-80 Hz"),
        ("oscillator_hz_per_v", 300.0, "300 Hz a volt"),
    ],
)
def test_a_part_is_said_with_its_unit(part: str, value: float, words: str) -> None:
    assert amount(part, value) == words


def test_a_displacement_is_said_with_its_side() -> None:
    assert signed_mm(-1.5) == "1.50 mm to the left"
    assert signed_mm(0.001) == "0.00 mm"
    assert "hundredth" in curl_words(predict(setup("line-serrations")).before)
