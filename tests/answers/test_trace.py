"""The search for a fault as a machine of states: it never fails, goes back exactly, and finds the veteran's fault."""

from __future__ import annotations

import contextlib
import datetime as dt
import functools
from collections.abc import Callable
from typing import Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from answers.tracing import NOW, at_its_word, played
from answers.worked import knowledge, read
from tubewright.answers.diagnose import diagnose
from tubewright.answers.trace import (
    Allowed,
    Barred,
    Found,
    Held,
    NoneOfThese,
    Opened,
    PutOff,
    Search,
    Seen,
    case_of,
    news,
    refusals,
)
from tubewright.answers.trace_answer import (
    STANDINGS,
    WISHES,
    Wish,
    choice_of_other,
    choice_of_place,
    steps_back,
    understand,
)
from tubewright.answers.trace_asking import senseless
from tubewright.answers.trace_beside import NOT_CONFIRMED, PUT_OFF
from tubewright.answers.trace_questions import (
    AskSymptoms,
    AskWords,
    Choose,
    Guard,
    OpenUp,
    Standing,
    TakeTest,
    TheEnd,
)
from tubewright.answers.trace_reckon import Tracer
from tubewright.case import Case
from tubewright.errors import InputError
from tubewright.judgement.screens import NO_PICTURE
from tubewright.judgement.workplace import Workplace
from tubewright.knowledge.search import find_symptoms
from tubewright.report.trace_text import help_text, others_text, places_text, ranking_text, standing_text, why_text

VETERAN: Final = {
    "c01": ("v_dry_joint",),
    "c02": ("tube_air",),
    "c03": ("screen_divider_fault",),
    "c04": ("reg_sense_drift", "bplus_set_wrong"),
    "c05": ("heater_feed_drift",),
    "c06": ("crt_socket_corroded",),
    "c07": ("vout_transistor_open", "video_channel_dead"),
    "c08": ("tube_worn_one",),
    "c09": ("sync_no_serration",),
    "c10": ("tube_hk_short",),
}
"""What is at fault in the worked cases; where two stand level, either may be."""
EMPTY: Final = Search(start=Case(format=1))


@functools.cache
def tracer() -> Tracer:
    return Tracer(knowledge())


def symptoms(words: str) -> list[str]:
    return [symptom.id for symptom in find_symptoms(knowledge(), words)]


def stands(search: Search, now: dt.datetime = NOW) -> Standing:
    return tracer().standing(search, now)


def type_in(search: Search, *typed: str) -> Search:
    """The state after these lines."""
    for text in typed:
        got = understand(text, stands(search), knowledge(), search=symptoms, now=NOW)
        assert not isinstance(got, Wish), text
        search = search.with_given(got)
    return search


def on_to(search: Search, kind: type, *, no: str = "0") -> tuple[Search, Standing]:
    """Answer no to every look and yes to every condition until such a question comes."""
    for _ in range(60):
        standing = stands(search)
        if isinstance(standing.question, kind):
            return search, standing
        if isinstance(standing.question, Guard):
            search = type_in(search, "yes")
        elif isinstance(standing.question, AskSymptoms):
            search = type_in(search, "2" if len(standing.question.looks) == 1 else no)
        else:
            search = type_in(search, "?")
    raise AssertionError(f"no {kind.__name__} came")


# --- the worked cases -------------------------------------------------------------


@pytest.mark.parametrize("name", VETERAN)
@pytest.mark.parametrize("bare", [False, True], ids=["as they stand", "from the complaint alone"])
def test_the_search_ends_at_the_veterans_fault(name: str, bare: bool) -> None:
    """Played with his fault in the set: it is opened up and mended, after few wrong ones."""
    case = read(name)
    if bare:
        case = case.model_copy(update={"tests": (), "readings": ()})
    steps = list(played(tracer(), Search(start=case), VETERAN[name][:1]))
    opened = [given for _, given, _ in steps if isinstance(given, Opened)]
    assert opened[-1].fault in VETERAN[name]
    assert opened[-1].outcome == "mended"
    assert len(opened) <= (4 if bare else 2)
    asked = [question for question, _, _ in steps if not isinstance(question, Guard)]
    assert len(asked) <= 16


@pytest.mark.parametrize("name", VETERAN)
def test_the_saved_case_is_diagnosed_as_the_search_ended(name: str) -> None:
    search = Search(start=read(name))
    for _, _, after in played(tracer(), search, VETERAN[name][:1]):
        search = after
    case = case_of(search)
    assert Case.model_validate(case.model_dump(exclude_none=True)) == case
    assert diagnose(case, knowledge()).faults == tracer().diagnosed(case).faults
    leading = [leader.id for leader in stands(search).leading]
    suspected = [fault.id for fault in diagnose(case, knowledge()).faults if fault.state == "suspected"]
    assert leading == suspected[: len(leading)]


def test_a_search_from_nothing_ends_for_every_fault_of_a_handful() -> None:
    for fault in ("bridge_diode_open", "v_boost_cap_dried", "mask_magnetised", "rgb_lead_open", "focus_divider_drift"):
        shown = max(knowledge().faults[fault].shows.items(), key=lambda item: item[1])[0]
        start = EMPTY.with_given(Seen(marks=((shown, True),)))
        steps = list(played(tracer(), start, (fault,)))
        opened = [given for _, given, _ in steps if isinstance(given, Opened)]
        assert opened, fault
        assert opened[-1].fault == fault


# --- any sequence of answers --------------------------------------------------------

LINES: Final = st.sampled_from(
    [
        *("1", "2", "3", "1 2", "0", "?", "yes", "no", "", "2?", "all", "118 V", "118 V of 127 V", "0.3 Mohm"),
        *("red 1 Mohm", "picture bends at the top", "no red", "it is dead", "g", "7", "12", "rolls", "none", "-5 V"),
        *("9" * 50, "½"),
    ]
)


@settings(max_examples=25)
@given(lines=st.lists(LINES | st.just("b") | st.just("b 2"), max_size=18), width=st.integers(10, 120))
def test_no_sequence_of_answers_fails_and_back_restores_what_was(lines: list[str], width: int) -> None:
    history = [EMPTY]
    for line in lines:
        search = history[-1]
        standing = stands(search)
        assert standing_text(standing, width=width).strip()
        if line.startswith("b"):
            steps = steps_back(line[1:].strip())
            history = history[:-steps] or [EMPTY]
            assert search.back(steps) == history[-1]
            assert stands(search.back(steps)) == stands(history[-1])
            continue
        with contextlib.suppress(InputError):
            got = understand(line, standing, knowledge(), search=symptoms, now=NOW)
            if not isinstance(got, Wish):
                after = search.with_given(got)
                stands(after)
                history.append(after)
    case = case_of(history[-1])
    assert Case.model_validate(case.model_dump(exclude_none=True)) == case


@settings(max_examples=60)
@given(line=st.text(max_size=60))
def test_whatever_is_typed_is_understood_or_sent_back_in_words(line: str) -> None:
    for search in (EMPTY, *_some_states()):
        standing = stands(search)
        with contextlib.suppress(InputError):
            got = understand(line, standing, knowledge(), search=symptoms, now=NOW)
            assert got is not None


@functools.cache
def _some_states() -> tuple[Search, ...]:
    curled = type_in(EMPTY, "picture bends at the top")
    asked = type_in(curled, "1")
    return (curled, asked, on_to(asked, Guard)[0], taking("d_bplus")[0], on_to(asked, OpenUp)[0])


# --- questions ------------------------------------------------------------------------


def test_it_starts_with_the_owners_words_and_offers_symptoms_by_number() -> None:
    assert isinstance(stands(EMPTY).question, AskWords)
    search = type_in(EMPTY, "picture bends at the top")
    question = stands(search).question
    assert isinstance(question, Choose)
    assert question.offered[0] == "top_curl"
    assert not news(search)
    chosen = type_in(search, "1")
    assert case_of(chosen).symptoms[0].id == "top_curl"
    assert news(chosen)


def test_who_has_no_words_gets_a_list_of_the_commonest() -> None:
    question = stands(type_in(EMPTY, "?")).question
    assert isinstance(question, Choose)
    assert "raster_dim_all" in question.offered
    nothing = type_in(EMPTY, "?", "0")
    assert stands(nothing).question == TheEnd(reason="nothing_known")


def test_words_that_fit_nothing_are_sent_back() -> None:
    with pytest.raises(InputError, match="fits"):
        type_in(EMPTY, "zzyzx")


def test_several_symptoms_are_answered_in_one_go() -> None:
    search = type_in(EMPTY, "picture is dark", "1")
    looks = _asked_of(search)
    assert len(looks) > 2
    after = type_in(search, "1 3?")
    marks = {symptom.id: symptom.present for symptom in case_of(after).symptoms}
    assert marks[looks[0]] is True
    assert marks[looks[1]] is False
    assert looks[2] not in marks
    assert looks[2] not in _asked_of(after)


def _asked_of(search: Search) -> tuple[str, ...]:
    question = stands(search).question
    return tuple(look.id for look in question.looks) if isinstance(question, AskSymptoms) else ()


def test_what_is_not_known_is_not_asked_again_unless_wanted() -> None:
    search, standing = taking("d_bplus")
    question = standing.question
    assert isinstance(question, TakeTest)
    later = type_in(search, "?")
    for _ in range(6):
        standing = stands(later)
        assert not (isinstance(standing.question, TakeTest) and standing.question.id == question.id)
        put_off = [other for other in standing.others if other.id == question.id]
        assert [other.why_not for other in put_off] == [PUT_OFF]
        if isinstance(standing.question, TheEnd):
            break
        later = type_in(later, "no" if isinstance(standing.question, Guard) else "?")
    others = stands(later).others
    place = next(place for place, other in enumerate(others, start=1) if other.id == question.id)
    again = later.with_given(choice_of_other(str(place), others))
    _, standing = on_to(again, TakeTest)
    assert isinstance(standing.question, TakeTest)
    assert standing.question.id == question.id


def test_a_dark_screen_is_not_asked_for_its_picture_nor_a_picture_for_its_darkness() -> None:
    dark = senseless(["dead_no_power"], knowledge())
    assert {"top_curl", "purity_blotch"} <= dark
    assert not dark & {"fuse_blows_instant", "burning_smell", "mains_buzz"}
    lit = senseless(["top_curl"], knowledge())
    assert lit == NO_PICTURE
    assert not senseless(["burning_smell"], knowledge())


def test_a_line_on_the_screen_is_turned_down_before_anything_else() -> None:
    seen = type_in(EMPTY, "one bright line across", "1")
    assert standing_text(stands(seen)).startswith("AT ONCE: A line or spot left bright burns the phosphor")
    start = Search(start=case_of(seen))
    assert standing_text(stands(start)).startswith("AT ONCE")
    later = type_in(seen, "?")
    assert "AT ONCE" not in standing_text(stands(later))


def test_the_most_telling_symptom_parts_the_first_two() -> None:
    """Two faults that show the same but for one symptom each: it is asked for before anything else."""
    search = type_in(EMPTY, "picture bends at the top", "1")
    question = stands(search).question
    assert isinstance(question, AskSymptoms)
    first = question.looks[0]
    saved = [look.minutes_saved for look in question.looks]
    assert saved == sorted(saved, reverse=True)
    assert first.chance_seen is not None
    assert dict(first.probability_if_seen) != dict(first.probability_if_not)
    others = " ".join(f"{place}?" for place in range(2, 1 + len(saved)))
    yes = type_in(search, f"1 {others}".strip())
    then = {leader.name: leader.probability for leader in stands(yes).leading}
    for name, chance in first.probability_if_seen:
        if name in then:
            assert then[name] == pytest.approx(chance, abs=0.03)  # the plan leaves unlikely sets out


# --- readings ---------------------------------------------------------------------------


def taking(test: str) -> tuple[Search, Standing]:
    """A state in which this test is to be answered, its conditions confirmed."""
    from tubewright.answers.trace import Wanted

    search = type_in(EMPTY, "picture is dark", "1").with_given(Wanted(sort="test", id=test))
    return on_to(search, TakeTest)


@pytest.mark.parametrize(
    ("test", "typed", "value", "unit", "nominal"),
    [
        ("d_bplus", "118 V of 127 V", 118, "V", 127),
        ("d_bplus", "118 of 127 V", None, "", None),
        ("d_bplus", "118V / 127V", 118, "V", 127),
        ("d_heater_rms", "5.1 V", 5.1, "V", None),
        ("t_leak_hk", "0.3 Mohm", 0.3, "Mohm", None),
        ("t_leak_hk", "red 300k", 300_000, "ohm", None),
        ("t_gas", "0.4uA", 0.4, "uA", None),
        ("p_fb_ring", "3 rings", 3, "rings", None),
        ("t_warmup", "75 s", 75, "s", None),
        ("t_slump", "72 %", 0.72, "ratio", None),
        ("d_eht", "21 kV of 24 kV", 21_000, "V", 24_000),
    ],
)
def test_a_reading_is_taken_with_its_unit(
    test: str, typed: str, value: float | None, unit: str, nominal: float | None
) -> None:
    search, _ = taking(test)
    if value is None:
        with pytest.raises(InputError):
            type_in(search, typed)
        return
    result = type_in(search, typed).last
    assert isinstance(result, Found)
    assert result.result.value == pytest.approx(value)
    assert result.result.unit == unit
    assert result.result.nominal == (pytest.approx(nominal) if nominal else None)
    assert result.result.gun == ("red" if typed.startswith("red") else None)
    assert result.result in case_of(type_in(search, typed)).tests


@pytest.mark.parametrize(
    "typed", ["118", "118 V", "118 V of 127 A", "118 V of", "118 V of 1 V of 2 V", "lots", "118 X"]
)
def test_a_reading_that_says_too_little_is_sent_back(typed: str) -> None:
    search, _ = taking("d_bplus")
    with pytest.raises(InputError) as raised:
        type_in(search, typed)
    assert raised.value.faults[0].mend


def test_none_of_the_results_puts_the_test_off() -> None:
    search, standing = taking("v_getter")
    assert isinstance(standing.question, TakeTest)
    last = str(len(standing.question.results) + 1)
    assert type_in(search, last).last == PutOff(sort="test", id="v_getter")


# --- guards ---------------------------------------------------------------------------------


def guarded() -> tuple[Search, Guard]:
    search, standing = on_to(type_in(EMPTY, "one bright line across", "1"), Guard)
    assert isinstance(standing.question, Guard)
    return search, standing.question


@pytest.mark.parametrize("typed", ["", "no", "n", "?", "don't know"])
def test_anything_but_a_typed_yes_keeps_the_step_closed_and_another_is_offered(typed: str) -> None:
    search, guard = guarded()
    after = type_in(search, typed)
    assert after.last == Barred(step_sort=guard.sort, step=guard.step, caution=guard.caution)
    standing = stands(after)
    assert guard.confirm in standing.closed
    question = standing.question
    assert not (isinstance(question, Guard) and question.step == guard.step)
    conditions = tracer().guards.conditions_of(after)
    if isinstance(question, Guard):
        assert guard.caution not in conditions(question.sort, question.step)
    if isinstance(question, TakeTest):
        assert guard.caution not in conditions("test", question.id)
    assert refusals(after) == (after.last,)


@pytest.mark.parametrize("typed", ["y", "1", "ok", "yes please", "ja"])
def test_a_condition_is_not_confirmed_by_less_than_yes(typed: str) -> None:
    search, _ = guarded()
    with pytest.raises(InputError, match="confirms nothing"):
        type_in(search, typed)


def test_a_step_opens_only_when_every_condition_is_confirmed() -> None:
    search, guard = guarded()
    seen = []
    while isinstance(question := stands(search).question, Guard):
        assert question.step == guard.step
        seen.append(question.caution)
        assert question.left + len(seen) == guard.left + 1
        search = type_in(search, "yes")
    assert len(seen) == len(set(seen)) == guard.left
    assert isinstance(question, TakeTest | OpenUp)
    wanted = tracer().guards.conditions_of(search)
    name = question.id if isinstance(question, TakeTest) else question.fault
    assert set(seen) == set(wanted(guard.sort, name))


def test_what_was_confirmed_is_asked_again_after_a_while() -> None:
    search, guard = guarded()
    while isinstance(stands(search).question, Guard):
        search = type_in(search, "yes")
    soon = stands(search, NOW + dt.timedelta(minutes=2)).question
    assert not isinstance(soon, Guard)
    late = stands(search, NOW + dt.timedelta(hours=3)).question
    assert isinstance(late, Guard)
    assert late.step == guard.step


def test_a_repair_that_can_raise_the_eht_is_closed_with_what_comes_after_it() -> None:
    """After the hold-down's own parts: EHT known and the trip proven, or the set is held."""
    from tubewright.answers.trace import Wanted

    start = EMPTY.with_given(
        Seen(marks=(("starts_then_shuts_down", True),)), Wanted(sort="repair", id="holddown_false")
    )
    search, _ = on_to(start, OpenUp)
    search = type_in(search, "1")
    closing = []
    while isinstance(question := stands(search).question, Guard):
        assert question.closing
        closing.append(question.caution)
        search = type_in(search, "no" if question.caution == "holddown" else "yes")
    assert {"holddown", "x_rays"} <= set(closing)
    assert isinstance(question, TheEnd)
    assert question.reason == "found"
    assert question.hold == (knowledge().cautions["holddown"].confirm,)
    assert [one for one in search.given if isinstance(one, Held)]
    assert "Hold the set" in standing_text(stands(search))


def test_a_closed_step_opens_again_to_who_chooses_it() -> None:
    search, _ = guarded()
    after = type_in(search, "no")
    others = stands(after).others
    place = next(n for n, other in enumerate(others, start=1) if other.why_not == NOT_CONFIRMED)
    again = after.with_given(choice_of_other(str(place), others))
    question = stands(again).question
    assert isinstance(question, Guard)


def test_confirmations_of_the_job_count_from_the_start() -> None:
    search, guard = guarded()
    given = Allowed(step_sort=guard.sort, step=guard.step, caution=guard.caution, at=NOW)
    known = Search(start=search.start, given=search.given, confirmed=(given,))
    question = stands(known).question
    assert isinstance(question, Guard)
    assert question.caution != guard.caution


# --- words -------------------------------------------------------------------------------------


def pages(search: Search, width: int) -> list[str]:
    standing = stands(search)
    return [
        standing_text(standing, width=width),
        why_text(standing, width=width),
        ranking_text(standing, width=width),
        others_text(standing.others, width=width),
        places_text(width=width),
        help_text(width=width),
    ]


@pytest.mark.parametrize("width", [40, 80])
@pytest.mark.parametrize("name", VETERAN)
def test_a_step_is_short_and_narrow(name: str, width: int) -> None:
    search = Search(start=read(name))
    lengths = []
    for _, _, after in [(None, None, search), *played(tracer(), search, VETERAN[name][:1])]:
        for page in pages(after, width):
            assert all(len(line) <= width for line in page.splitlines())
            assert page.isprintable() or set(page) - {"\n"} == {char for char in page if char.isprintable()}
        lengths.append(len(standing_text(stands(after), width=80).splitlines()))
    assert max(lengths) <= 17
    assert sorted(lengths)[len(lengths) // 2] <= 15


def test_every_letter_of_the_help_is_understood() -> None:
    text = help_text()
    for letter in ("b", "w", "l", "t", "o", "p", "s", "q", "h"):
        assert f"  {letter}" in text
        assert letter in WISHES


@pytest.mark.parametrize(("place", "workplace"), list(enumerate(STANDINGS, start=1)))
def test_how_the_set_stands_can_be_said(place: int, workplace: Workplace) -> None:
    search = type_in(EMPTY, "picture is dark", "1").with_given(choice_of_place(str(place)))
    assert stands(search).leading
    assert choice_of_place(str(place)).workplace == workplace


def test_a_chassis_that_is_out_makes_its_tests_cheap() -> None:
    """With the chassis out a test of its parts needs no way; with the set closed it does."""
    closed = type_in(EMPTY, "one bright line across", "1")
    out = closed.with_given(choice_of_place("5"))
    ways: list[Callable[[], Standing]] = [lambda: on_to(closed, TakeTest)[1], lambda: on_to(out, TakeTest)[1]]
    for way in ways:
        assert isinstance(way().question, TakeTest)


@pytest.mark.parametrize("rest", ["0", "-1", "x", "1.5", "9" * 20])
def test_back_by_nonsense_is_sent_back(rest: str) -> None:
    with pytest.raises(InputError):
        steps_back(rest)


def test_back_of_nothing_is_the_beginning() -> None:
    assert EMPTY.back(5) == EMPTY
    with pytest.raises(InputError):
        EMPTY.back(0)


def test_an_answer_of_another_kind_is_not_taken_for_one() -> None:
    assert isinstance(at_its_word(AskWords(), (), knowledge(), NOW), PutOff)
    search = type_in(EMPTY, "picture bends at the top")
    assert type_in(search, "0").last == NoneOfThese()
    assert isinstance(stands(type_in(search, "0")).question, AskWords)
