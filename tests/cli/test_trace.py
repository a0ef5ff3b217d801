"""The search for a fault in the terminal: prompts, guards, saving, and nothing lost on the way out."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from cli_runs import Ended, Run
from tubewright.answers.diagnose import diagnose
from tubewright.case import Display
from tubewright.cli.trace_screen import Screen, answers_in
from tubewright.files import read_case
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import open_store

DOCS = Path(__file__).parents[2] / "docs"


def lines(*typed: str) -> bytes:
    return "".join(f"{one}\n" for one in typed).encode()


def play(run: Run, place: Path, *typed: str, options: tuple[str, ...] = ()) -> Ended:
    (place / "answers.txt").write_bytes(lines(*typed))
    return run("trace", *options, "--answers", "answers.txt")


@pytest.fixture
def job(place: Path) -> int:
    """A shop with Mira in it, and a job whose display has one bright line."""
    with open_store(place / "shop.sqlite3") as store:
        store.add_person("Mira Holt")
        display = store.add_display(Display(label="Marram Hall, machine 3"))
        job = store.open_job(display.id, owner_words="one bright line across")
    return job.id


def conditions(ended: Ended) -> int:
    """How many conditions the step that is asked for has."""
    found = re.search(r", (\d+) conditions? to confirm", ended.out.replace("\n", " "))
    assert found, ended.out
    return int(found[1])


def test_a_session_from_nothing_is_saved_as_a_case_that_diagnoses_the_same(run: Run, place: Path) -> None:
    ended = run("trace", "--save", "curl.toml", typed=lines("picture bends at the top", "1", "0", "q", ""))
    assert ended.code == 0, ended.err
    assert "What does the owner say?" in ended.out
    assert "Which of these is meant" in ended.out
    assert "Saved in curl.toml." in ended.out
    knowledge = load_knowledge()
    case = read_case(place / "curl.toml", knowledge=knowledge)
    assert [s.id for s in case.symptoms if s.present] == ["top_curl"]
    first = diagnose(case, knowledge).faults[0]
    shown = re.findall(r"^  1\. (.*?): ", ended.out.replace("\n     ", " "), re.MULTILINE)
    assert first.name in shown


def test_nothing_given_leaves_no_file(run: Run, place: Path) -> None:
    before = set(place.iterdir())
    for typed in (b"", lines("q"), lines("picture bends at the top", "0")):
        assert run("trace", typed=typed).code == 0
    assert {path.name for path in place.iterdir()} - {path.name for path in before} <= {"failures.log"}


@pytest.mark.parametrize("typed", [("no",), ("n",)])
def test_quitting_asks_first_and_a_no_leaves_it(run: Run, place: Path, typed: tuple[str, ...]) -> None:
    ended = run("trace", typed=lines("picture bends at the top", "1", "q", *typed))
    assert ended.code == 0
    assert "Save it?" in ended.out
    assert not list(place.glob("trace*.toml"))


def test_quitting_can_be_taken_back(run: Run) -> None:
    ended = run("trace", typed=lines("picture bends at the top", "1", "q", "b", "l", "q", "no"))
    assert ended.code == 0
    assert "Chance that the tube is to blame" in ended.out


def test_the_end_of_input_loses_nothing(run: Run, place: Path) -> None:
    ended = run("trace", typed=lines("picture bends at the top", "1"))
    assert ended.code == 0
    assert "What was given is in trace.toml." in ended.out
    again = run("trace", typed=lines("no red", "1"))
    assert "What was given is in trace-2.toml." in again.out
    assert read_case(place / "trace.toml").symptoms[0].id == "top_curl"
    assert read_case(place / "trace-2.toml").symptoms[0].id == "colour_missing"


def test_breaking_off_loses_nothing(run: Run, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    typed: Iterator[str] = iter(["t picture bends at the top", "1"])

    def ask(self: Screen) -> str:
        for one in typed:
            return one
        raise KeyboardInterrupt

    monkeypatch.setattr(Screen, "ask", ask)
    ended = run("trace", "pier.toml")
    assert ended.code == 130
    assert "What was given is in pier-traced.toml." in ended.out
    assert "top_curl" in (place / "pier-traced.toml").read_text(encoding="utf-8")


def test_a_file_that_is_there_is_not_written_over_unasked(run: Run, place: Path) -> None:
    (place / "mine.toml").write_text("format = 1\n", encoding="utf-8")
    start = ("picture bends at the top", "1")
    kept = run("trace", "--save", "mine.toml", typed=lines(*start, "s", "", "q", "no"))
    assert "is there already" in kept.out
    assert (place / "mine.toml").read_text(encoding="utf-8") == "format = 1\n"
    other = run("trace", "--save", "mine.toml", typed=lines(*start, "s", "yours.toml", "q"))
    assert "Saved in yours.toml." in other.out
    run("trace", "--save", "mine.toml", typed=lines(*start, "s", "yes", "q"))
    assert read_case(place / "mine.toml").symptoms
    played = play(run, place, *start, "q", options=("--save", "mine.toml"))
    assert played.code == 2
    assert "mine.toml" in played.err


def test_a_place_that_takes_no_file_is_told_and_the_search_goes_on(run: Run) -> None:
    ended = run("trace", typed=lines("picture bends at the top", "1", "s no/such/folder.toml", "s", "q"))
    assert ended.code == 0
    assert "can't be written" in ended.out
    assert "Saved in trace.toml." in ended.out


def test_back_why_ranking_help_and_the_rest(run: Run) -> None:
    ended = run(
        "trace",
        typed=lines("picture bends at the top", "1", "w", "l", "h", "o", "", "p", "", "t whistles", "0", "b 9", "q"),
    )
    assert ended.code == 0, ended.err
    for words in ("no (", "Chance that the tube is to blame", "don't know, or not now", "test: ", "How does the set"):
        assert words in ended.out
    assert ended.out.count("What does the owner say?") == 2


def test_what_is_not_understood_is_asked_again(run: Run) -> None:
    ended = run("trace", typed=lines("zzyzx", "picture bends at the top", "17", "1", "118 V", "q", "no"))
    assert ended.code == 0
    assert "nothing in the catalogue fits" in ended.out
    assert "'17' is not on the list" in ended.out


@pytest.mark.parametrize("columns", ["40", "80"])
def test_no_line_is_wider_than_the_terminal(run: Run, monkeypatch: pytest.MonkeyPatch, columns: str) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    ended = run("trace", typed=lines("one bright line across", "1", *["0"] * 3, *["yes"] * 20, "w", "h", "q", "no"))
    assert ended.code == 0
    typed_or_shown = [line.removeprefix("> ") for line in ended.out.splitlines()]
    assert max(map(len, typed_or_shown)) <= int(columns)


# --- with a job ------------------------------------------------------------------------------


def test_a_job_begins_with_the_owners_words_and_gets_tests_and_who_confirmed(run: Run, place: Path, job: int) -> None:
    listed = run("trace", f"job:{job}", typed=lines("1", "o", "", "b 9", "q"))
    assert "The owner said: one bright line across" in listed.out
    assert "test: " in listed.out
    first = run("trace", f"job:{job}", typed=lines("1", "o", "1", "q", "no"))
    typed = ["1", "o", "1", *["yes"] * conditions(first), "1", *["yes"] * 3, "s", "q"]
    ended = run("trace", f"job:{job}", "--person", "mira holt", typed=lines(*typed))
    with open_store(place / "shop.sqlite3") as store:
        case = store.case_of(job)
        kept = store.confirmations(job)
    assert case.symptoms[0].id == "horizontal_line"
    assert len(case.tests) == 1, ended.out
    assert {one.person for one in kept} == {"Mira Holt"}
    assert {(one.step_sort, one.step) for one in kept} == {("test", case.tests[0].id)}
    cautions = load_knowledge().cautions
    assert all(one.words == cautions[one.caution].confirm for one in kept)


def test_what_was_given_in_a_job_is_written_when_input_ends(run: Run, place: Path, job: int) -> None:
    ended = run("trace", f"job:{job}", typed=lines("1"))
    assert ended.code == 0
    assert f"Written into job {job}." in ended.out
    with open_store(place / "shop.sqlite3") as store:
        assert [s.id for s in store.case_of(job).symptoms] == ["horizontal_line"]


def test_what_was_taken_back_after_saving_is_struck_out(run: Run, place: Path, job: int) -> None:
    run("trace", f"job:{job}", typed=lines("1", "s", "b", "0", "no red", "1", "s", "q"))
    with open_store(place / "shop.sqlite3") as store:
        assert [s.id for s in store.case_of(job).symptoms] == ["colour_missing"]


def guarded_step(run: Run, job: int, *more: str) -> Ended:
    """Choose the likeliest repair outright, so that its conditions are asked for."""
    from_others = ("1", "o")
    listed = run("trace", f"job:{job}", typed=lines(*from_others, "", "b 9", "q"))
    place = re.search(r"(\d+)\. open up:", listed.out)
    assert place, listed.out
    return run("trace", f"job:{job}", typed=lines(*from_others, place[1], *more))


def test_a_repair_is_written_with_its_conditions_and_what_it_came_to(run: Run, place: Path, job: int) -> None:
    # Who confirms is asked for once, when the first group of conditions is complete.
    first = guarded_step(run, job, "q", "no")
    count = conditions(first)
    ended = guarded_step(run, job, *["yes"] * count, "Mira Holt", "1", *["yes"] * 6, "s", "q")
    assert "Who confirms this? Known here: Mira Holt." in ended.out.replace("\n", " ")
    with open_store(place / "shop.sqlite3") as store:
        repairs = store.case_of(job).repairs
        kept = store.confirmations(job)
    assert [repair.outcome for repair in repairs] == ["mended"]
    assert len([one for one in kept if one.step == repairs[0].fault]) >= count
    assert {one.step_sort for one in kept} == {"repair"}


def test_a_confirmation_taken_back_is_taken_back_in_the_job(run: Run, place: Path, job: int) -> None:
    first = guarded_step(run, job, "q", "no")
    count = conditions(first)
    guarded_step(run, job, *["yes"] * count, "Mira Holt", "b", "q", "no")
    with open_store(place / "shop.sqlite3") as store:
        assert store.confirmations(job) == ()
        assert [entry.table for entry in store.history(job_id=job)].count("confirmations") == 2 * count


def test_a_newcomer_is_added_only_when_the_name_is_typed_twice(run: Run, place: Path, job: int) -> None:
    first = guarded_step(run, job, "q", "no")
    count = conditions(first)
    ended = guarded_step(run, job, *["yes"] * count, "", "Tam", "Tam", "q", "no")
    assert "A confirmation needs a name." in ended.out
    with open_store(place / "shop.sqlite3") as store:
        assert {person.name for person in store.people()} == {"Mira Holt", "Tam"}
        assert {one.person for one in store.confirmations(job)} == {"Tam"}


def test_a_refused_condition_ends_a_played_session_with_3(run: Run, place: Path) -> None:
    start = ("one bright line across", "1", "o")
    listed = play(run, place, *start, "", "q", "no")
    assert listed.code == 0
    chosen = re.search(r"(\d+)\. open up:", listed.out)
    assert chosen
    ended = play(run, place, *start, chosen[1], "", "q", "no")
    assert "Confirm:" in ended.out
    assert ended.code == 3
    assert "stayed closed" in ended.out
    # taken back, it was not refused
    assert play(run, place, *start, chosen[1], "", "b", "q", "no").code == 0


def test_a_plain_enter_is_a_no(run: Run, place: Path, job: int) -> None:
    guarded_step(run, job, "", "q", "")
    with open_store(place / "shop.sqlite3") as store:
        assert store.confirmations(job) == ()


# --- played sessions ---------------------------------------------------------------------------


def test_a_played_session_ends_with_0_and_shows_its_answers(run: Run, place: Path) -> None:
    ended = play(run, place, "# a comment", "picture bends at the top", "1", "0", "q", "no")
    assert ended.code == 0, ended.err
    assert "> picture bends at the top" in ended.out
    assert "comment" not in ended.out


def test_an_answer_that_can_t_be_understood_ends_a_played_session_with_2(run: Run, place: Path) -> None:
    ended = play(run, place, "# first", "picture bends at the top", "99")
    assert ended.code == 2
    assert "answers, line 3" in ended.err
    assert "'99' is not on the list" in ended.err


@pytest.mark.parametrize(
    "options",
    [
        ("--person", "Mira"),
        ("pier.toml", "--person", "Mira"),
        ("job:1", "--save", "x.toml"),
        ("-",),
        ("no-such.toml",),
        ("job:99",),
        ("job:1", "--person", "Nobody"),
        ("--answers", "no-such.txt"),
    ],
)
def test_options_that_don_t_go_together_end_with_2(run: Run, job: int, options: tuple[str, ...]) -> None:
    ended = run("trace", *options, typed=b"")
    assert ended.code == 2, ended.out
    assert ended.err


def test_a_name_nearly_right_is_offered(run: Run, job: int) -> None:
    ended = run("trace", f"job:{job}", "--person", "Mira Hold", typed=b"")
    assert "Did you mean Mira Holt?" in ended.err


def test_answers_keep_the_numbers_of_their_lines() -> None:
    assert answers_in("# said\nno red\n\n1\n") == ((2, "no red"), (3, ""), (4, "1"))


def test_the_session_on_the_page_is_what_is_printed(run: Run, place: Path) -> None:
    ended = run("trace", "--answers", str(DOCS / "examples" / "trace-answers.txt"))
    page = (DOCS / "trace.md").read_text(encoding="utf-8")
    shown = re.search(r"^```text\n(.*?)\n```", page, re.MULTILINE | re.DOTALL)
    assert shown
    assert shown[1].strip() == ended.out.strip(), "put in what `tubewright trace --answers` prints in 80 columns"
