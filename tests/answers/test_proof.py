"""Before and after: what changed beyond doubt, and nothing better than it is known."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema_rs import Draft202012Validator

from measured import light, measurement
from tubewright.answers.assessment import Spread, Unknown
from tubewright.answers.measurement import Figure, GunLaw, Measurement, Tracking
from tubewright.answers.proof import compared, compared_known, proof
from tubewright.answers.proof_form import Line, Proof
from tubewright.answers.proof_json import to_json
from tubewright.answers.proof_work import (
    DoneMove,
    DoneRepair,
    DoneTreatment,
    GreyTaken,
    NotedSymptom,
    TakenPicture,
    UsedPart,
    Work,
    case_after,
    case_before,
    sides_of,
    unread_guns,
)
from tubewright.case import GUNS, Case, Gun, Outcome, Reading, TreatmentKind, Tube
from tubewright.files.proof_schema import proof_schema
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
MORNING: Final = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
Tell = dict[str, Any]


def at(minutes: float) -> dt.datetime:
    return MORNING + dt.timedelta(minutes=minutes)


def read(minutes: float, *levels: float, **more: object) -> list[Reading]:
    usual: Tell = {"kind": "emission", "unit": "rel", "heater_v": 6.3, "minutes_on": 15.0, "instrument": "Bench rig"}
    return [
        Reading.model_validate({**usual, **more, "gun": gun, "value": value, "at": at(minutes)})
        for gun, value in zip(GUNS, levels, strict=False)
    ]


def treated(
    minutes: float,
    gun: Gun | None = "red",
    outcome: Outcome | None = "improved",
    kind: TreatmentKind = "clean",
) -> DoneTreatment:
    return DoneTreatment(kind=kind, name="Clean the cathode", gun=gun, outcome=outcome, at=at(minutes))


def work(readings: list[Reading], **more: object) -> Work:
    return Work(
        job=7,
        label="Pier arcade, machine 7",
        case=Case(
            format=1,
            tube=Tube(heater_v=6.3),
            use={"hours_per_week": 6.0, "keep_years": 5.0, "minimum_white": 0.5},  # type: ignore[arg-type]
            readings=tuple(readings),
        ),
        opened_at=MORNING,
        changed_at=at(600),
        **more,  # type: ignore[arg-type]  # fields of a job by their names
    )


def made(one: Work) -> Proof:
    return proof(one, KNOWLEDGE, futures=2000)


def line(one: Proof, gun: str, name: str) -> Line:
    return next(found for part in one.guns if part.gun == gun for found in part.lines if found.name == f"{gun}.{name}")


LOW, HIGH = (0.33, 0.62, 0.60), (0.58, 0.62, 0.60)
USUAL: Final = work([*read(0, *LOW), *read(60, *HIGH)], treatments=(treated(30),))


# -- which side a reading lies on ------------------------------------------------------------------


def test_readings_are_cut_at_the_treatment_of_their_gun() -> None:
    sides = sides_of(USUAL.case.readings, USUAL)
    assert [r.value for r in sides.before] == list(LOW)
    assert [r.value for r in sides.after] == list(HIGH)  # red's treatment may touch the others, too
    own = work([*read(0, *LOW), *read(60, *HIGH)], treatments=(treated(30), treated(90, "green")))
    assert [(r.gun, r.value) for r in sides_of(own.case.readings, own).after] == [("red", 0.58)]


def test_what_somebody_marked_counts_before_any_clock() -> None:
    one = work([*read(50, 0.3, stage="before"), *read(10, 0.5, stage="after")], treatments=(treated(30),))
    sides = sides_of(one.case.readings, one)
    assert [r.value for r in sides.before] == [0.3]
    assert [r.value for r in sides.after] == [0.5]


def test_a_reading_between_two_treatments_is_on_neither_side() -> None:
    one = work([*read(0, 0.3), *read(40, 0.4), *read(90, 0.5)], treatments=(treated(30), treated(60)))
    sides = sides_of(one.case.readings, one)
    assert [r.value for r in sides.before] == [0.3]
    assert [r.value for r in sides.after] == [0.5]


def test_without_a_treatment_the_mended_fault_cuts_and_without_that_nothing_does() -> None:
    mended = DoneRepair(fault="tube_worn_one", name="One cathode worn", outcome="mended", at=at(30))
    readings = [*read(0, *LOW), *read(60, *LOW)]
    assert len(sides_of(readings, work(readings, repairs=(mended,))).after) == 3
    assert sides_of(readings, work(readings)).after == ()
    found = replace(mended, outcome="found")
    assert sides_of(readings, work(readings, repairs=(found,))).after == ()


def test_the_case_of_before_knows_nothing_of_the_work() -> None:
    one = replace(
        USUAL,
        repairs=(DoneRepair(fault="tube_worn_one", name="worn", outcome="mended", at=at(40)),),
        symptoms=(
            NotedSymptom(id="colour_weak", words="One colour is weak.", present=True, at=at(1)),
            NotedSymptom(id="colour_weak", words="One colour is weak.", present=False, at=at(70)),
            NotedSymptom(id="hum_bars", words="It hums.", present=True, at=at(80)),
        ),
    )
    before, after = case_before(one), case_after(one)
    assert (before.treatments, before.repairs) == ((), ())
    assert [(s.id, s.present) for s in before.symptoms] == [("colour_weak", True)]
    assert {(r.gun, r.value) for r in before.readings if r.kind == "emission"} >= {("red", 0.33)}
    assert {r.value for r in after.readings if r.gun == "red"} == {0.58}
    once = replace(one, case=one.case.model_copy(update={"readings": (*read(0, *LOW), *read(60, 0.58))}))
    assert {r.value for r in case_after(once).readings} == {0.58, 0.62, 0.60}  # green and blue as they were read first


# -- better, worse, no change, not known ---------------------------------------------------------------


def test_a_treated_gun_that_gained_is_better_and_the_others_are_as_they_were() -> None:
    answer = made(USUAL)
    assert line(answer, "red", "emission").verdict == "better"
    assert line(answer, "red", "relative_emission").verdict == "better"
    assert line(answer, "green", "emission").verdict == "same"
    once = made(work([*read(0, *LOW), *read(60, 0.58)], treatments=(treated(30),)))
    assert line(once, "green", "emission").verdict == "unknown"
    assert line(once, "green", "emission").why == "not read again; nothing was done to this gun"
    assert once.white.verdict == "better"
    assert answer.white.verdict == "better"
    assert answer.headline.startswith("White up from ")


@pytest.mark.parametrize(("after", "verdict"), [(0.34, "same"), (0.38, "same"), (0.44, "better"), (0.25, "worse")])
def test_less_than_repeating_a_reading_brings_is_no_change(after: float, verdict: str) -> None:
    """One person on one instrument repeats within 6.5 %: twice that, times the root of two, is 18 %."""
    answer = made(work([*read(0, *LOW), *read(60, after, *LOW[1:])], treatments=(treated(30),)))
    assert line(answer, "red", "emission").verdict == verdict


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"instrument": "Other box"}, "read on another instrument"),
        ({"g2_v": 250.0}, "read at another grid 2 voltage (300 V, then 250 V)"),
        ({"unit": "uA"}, "read in rel, then in uA"),
    ],
)
def test_readings_taken_in_another_way_are_not_held_against_each_other(changed: Tell, why: str) -> None:
    one = work([*read(0, *LOW, g2_v=300.0), *read(60, *HIGH, **{"g2_v": 300.0, **changed})], treatments=(treated(30),))
    found = line(made(one), "red", "emission")
    assert (found.verdict, found.why) == ("unknown", why)


def test_a_treated_gun_that_was_not_read_again_leaves_white_and_life_unknown() -> None:
    one = work(read(0, *LOW), treatments=(treated(30),))
    assert unread_guns(one) == ("red",)
    answer = made(one)
    for found in (answer.white, answer.years, answer.hours, line(answer, "red", "relative_emission")):
        assert isinstance(found.after, Unknown)
        assert "not read again" in found.after.reason
        assert found.verdict == "unknown"
    assert "is not known" in answer.headline
    assert any("nothing is promised" in words for words in answer.expect)
    assert "Not read again after the work: red." in answer.remains
    assert isinstance(answer.white.before, Spread)


def test_without_any_reading_nothing_is_claimed() -> None:
    answer = made(work([]))
    for found in (answer.white, answer.years, answer.hours):
        assert isinstance(found.before, Unknown)
        assert isinstance(found.after, Unknown)
    assert answer.done == ()


def test_only_the_white_wanted_and_the_hours_said_are_called_so() -> None:
    assert not made(USUAL).hours_assumed
    unsaid = replace(USUAL, case=USUAL.case.model_copy(update={"use": Case(format=1).use}))
    answer = made(unsaid)
    assert answer.hours_assumed
    assert any("nobody said how many" in words for words in answer.expect)


def test_leakages_count_by_class_and_factor() -> None:
    def leak(minutes: float, value: float) -> Reading:
        return Reading(gun="red", kind="leakage_heater_cathode", value=value, unit="Mohm", at=at(minutes))

    def verdict(before: float, after: float) -> Line:
        one = work([*read(0, *LOW), leak(0, before), leak(60, after)], treatments=(treated(30),))
        return line(made(one), "red", "leakage_heater_cathode")

    assert verdict(0.4, 45.0).verdict == "better"
    assert (verdict(0.4, 45.0).words_before, verdict(0.4, 45.0).words_after) == ("leaks", "sound")
    assert verdict(30.0, 300.0).verdict == "same"  # both sound: ten times as much means nothing
    assert verdict(0.5, 0.8).verdict == "same"
    assert verdict(45.0, 0.4).verdict == "worse"
    assert verdict(0.0, 45.0).verdict == "better"


def test_an_exchanged_tube_is_told_and_its_own_readings_are_the_after() -> None:
    one = replace(
        work(read(60, 0.9, 0.88, 0.91)), came_with=(Tube(heater_v=6.3), tuple(read(0, *LOW))), tube_label="A48"
    )
    answer = made(one)
    assert answer.exchanged
    assert line(answer, "red", "emission").verdict == "better"
    assert answer.white.verdict == "better"
    assert answer.done[0] == "Another picture tube was put in (A48)."
    unread = made(replace(one, case=one.case.model_copy(update={"readings": ()})))
    assert isinstance(unread.white.after, Unknown)


# -- the picture ------------------------------------------------------------------------------------------


def taken(answer: Measurement, number: int) -> TakenPicture:
    return TakenPicture(number=number, at=at(number), headline="", measurement=answer)


def test_a_picture_measured_once_is_unknown_on_the_other_side() -> None:
    answer = made(replace(USUAL, pictures={"before": taken(measurement(), 1)}))
    assert answer.picture.lines
    assert {found.verdict for found in answer.picture.lines} == {"unknown"}
    assert {found.why for found in answer.picture.lines} >= {"the picture was not measured after the work"}
    assert "The picture was not measured after the work." in answer.remains


def test_the_same_picture_twice_shows_no_change() -> None:
    answer = made(replace(USUAL, pictures={"before": taken(measurement(), 1), "after": taken(measurement(), 2)}))
    assert {found.verdict for found in answer.picture.lines} <= {"same", "unknown"}
    assert any(found.verdict == "same" for found in answer.picture.lines)


def test_an_error_that_only_changed_sides_is_no_better() -> None:
    assert verdict_of(-0.5, 0.5) == "same"
    assert verdict_of(-0.5, 0.1) == "better"
    assert verdict_of(0.1, -0.5) == "worse"


def verdict_of(before: float, after: float, sd: float = 0.05) -> str:
    figures = [Spread(median=v, p10=v - 1.2816 * sd, p90=v + 1.2816 * sd) for v in (before, after)]
    return compared_known("x", "x", "mm", *figures, better="smaller").verdict


def test_stronger_guns_are_better_and_drift_of_grey_is_worse() -> None:
    first = measurement(**light())
    assert isinstance(first.tracking, Tracking)
    laws = {
        gun: replace(law, strength_ratio=Figure(value=0.2, sd=0.02))
        for gun, law in first.tracking.guns.items()
        if isinstance(law, GunLaw)
    }
    weak = replace(first, tracking=replace(first.tracking, guns=laws, white_drift_du_v=Figure(value=0.05, sd=0.002)))
    answer = made(replace(USUAL, pictures={"before": taken(first, 1), "after": taken(weak, 2)}))
    found = {one.about: one.verdict for one in answer.picture.lines}
    assert found["red: light against the strongest gun's"] == "worse"
    assert found["drift of grey from dark to bright"] == "worse"
    assert any("Worse than it came" in words for words in answer.remains)


def test_figures_in_lines_are_not_compared_across_rasters() -> None:
    first = measurement()
    assert first.raster is not None
    other = replace(first, raster=replace(first.raster, name="another"))
    answer = made(replace(USUAL, pictures={"before": taken(first, 1), "after": taken(other, 2)}))
    found = next(one for one in answer.picture.lines if one.unit == "lines")
    assert (found.verdict, found.why) == ("unknown", "shown on rasters of other line counts")
    assert "figures in lines" in answer.picture.unlike


def test_the_grey_scale_counts_beyond_what_reading_it_twice_brings() -> None:
    def grey(worst: float) -> GreyTaken:
        return GreyTaken(at=None, worst_delta_e=worst, mean_delta_e=worst / 2, drift_du_v=0.002)

    answer = made(replace(USUAL, grey={"before": grey(9.0), "after": grey(2.0)}))
    assert [found.verdict for found in answer.grey] == ["better", "better", "same"]
    once = made(replace(USUAL, grey={"before": grey(9.0)}))
    assert {found.verdict for found in once.grey} == {"unknown"}


# -- words -----------------------------------------------------------------------------------------------


def test_what_was_done_is_said_in_plain_words_in_the_order_of_the_work() -> None:
    one = replace(
        USUAL,
        treatments=(treated(30, outcome="unchanged"), treated(50, gun=None, kind="soak", outcome=None)),
        repairs=(DoneRepair(fault="flyback", name="Flyback shorted", outcome="mended", at=at(20)),),
        moves=(
            DoneMove(control="focus", name="Focus", words="a little", at=at(70)),
            DoneMove(control="h_size", name="Horizontal size", words="back", at=at(71), undone=True),
        ),
        parts=(
            UsedPart(name="470 µF 35 V", code="ABC", quantity=2, state="used"),
            UsedPart(name="fuse", code="DEF", quantity=1, state="released"),
        ),
    )
    assert made(one).done == (
        "Mended: Flyback shorted.",
        "The red cathode was cleaned with a small current: it changed nothing.",
        "The cathodes were kept at their normal heat for some hours.",
        "Set up anew: focus.",
        "Parts fitted: 2 × 470 µF 35 V.",
    )


def test_what_remains_is_not_left_out() -> None:
    one = replace(
        USUAL,
        treatments=(treated(30, outcome="lost"),),
        repairs=(DoneRepair(fault="x", name="Yoke rubbed through", outcome="found", at=at(20)),),
        symptoms=(
            NotedSymptom(id="colour_weak", words="One colour is weak.", present=True, at=at(1)),
            NotedSymptom(id="hum_bars", words="It hums.", present=True, at=at(90)),
        ),
        moves=(DoneMove(control="focus", name="Focus", words="", at=at(70), at_stop=True),),
    )
    remains = made(one).remains
    assert "Found and not mended: Yoke rubbed through." in remains
    assert "One colour is weak (not looked at again after the work)." in remains
    assert "It hums (seen after the work)." in remains
    assert "The red gun: the gun was lost by it." in remains
    assert "Focus: at the end of its travel." in remains


def test_a_fresh_gain_is_not_promised_to_last() -> None:
    assert any("Whether that gain lasts is not known yet" in words for words in made(USUAL).expect)


# -- the form -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pictures", [False, True])
def test_the_published_body_fits_its_schema(pictures: bool) -> None:
    one = USUAL
    if pictures:
        one = replace(one, pictures={"before": taken(measurement(), 1), "after": taken(measurement(), 2)})
    body = to_json(made(one))
    json.dumps(body, allow_nan=False)
    assert [error.message for error in Draft202012Validator(proof_schema()).iter_errors(body)] == []


def test_the_same_job_gives_the_same_answer() -> None:
    assert to_json(made(USUAL)) == to_json(made(USUAL))


@given(before=st.floats(0.1, 10), after=st.floats(0.1, 10), first=st.floats(0.001, 2), second=st.floats(0.001, 2))
def test_better_is_never_said_within_the_doubt(before: float, after: float, first: float, second: float) -> None:
    figures = [
        Spread(median=v, p10=v - 1.2816 * sd, p90=v + 1.2816 * sd) for v, sd in ((before, first), (after, second))
    ]
    found = compared("x", "x", "", *figures, better="larger").verdict
    doubt = 1.96 * (first**2 + second**2) ** 0.5
    if abs(after - before) < 0.999 * doubt:
        assert found == "same"
    elif abs(after - before) > 1.001 * doubt:
        assert found == ("better" if after > before else "worse")
