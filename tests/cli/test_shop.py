"""The shop's records through the command: instruments, jobs, verdicts, copies."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli_runs import Run
from tubewright.files import read_case
from tubewright.records.store import open_store


@pytest.fixture
def job(place: Path) -> int:
    """A shop with one job in it; gives the job's number."""
    case = read_case(place / "pier.toml")
    with open_store(place / "shop.sqlite3") as store:
        display = store.add_display(case.display, owner="Mira Holt")
        tube = store.add_tube(case.tube)
        store.fit_tube(display.id, tube.id)
        job = store.open_job(display.id, use=case.use, costs=case.costs)
        store.add_readings(job.id, case.readings)
        for symptom in case.symptoms:
            store.add_symptom(job.id, symptom)
    return job.id


FEW = ("--futures", "2000")


def test_a_job_is_judged_kept_and_replayed(run: Run, job: int) -> None:
    kept = run("assess", f"job:{job}", "--keep", "--json", *FEW)
    assert kept.code == 0, kept.err
    assert kept.err.startswith("Kept as verdict ")
    number = kept.err.removeprefix("Kept as verdict ").strip(" .\n")
    for named in (number, f"verdict:{number}", f"job:{job}"):
        again = run("replay", named, "--json")
        assert again.code == 0, again.err
        body = json.loads(again.out)
        assert body["then"] == json.loads(kept.out)
        # Same program, same experience, same seed: word for word the same.
        assert body["today"] == body["then"]
    shown = run("replay", number)
    assert "The decision is the same." in shown.out
    assert "Then" in shown.out
    assert "Today" in shown.out


def test_without_keep_nothing_is_written(run: Run, job: int, place: Path) -> None:
    assert run("assess", f"job:{job}", *FEW).code == 0
    with open_store(place / "shop.sqlite3") as store:
        assert store.job(job).verdicts == ()


def test_what_the_shop_does_not_hold_ends_with_2(run: Run, job: int) -> None:
    assert run("assess", "job:999").code == 2
    assert run("replay", "999").code == 2
    none = run("replay", f"job:{job}")
    assert none.code == 2
    assert "has no verdict yet" in none.err


def test_a_backup_is_put_back_and_what_was_there_is_kept(run: Run, job: int, place: Path) -> None:
    copied = run("backup", "copy.sqlite3")
    assert copied.code == 0, copied.err
    assert "1 job and 2 readings" in copied.err
    assert run("backup", "copy.sqlite3").code == 2
    assert run("backup", "nowhere/copy.sqlite3").code == 2
    with open_store(place / "shop.sqlite3") as store:
        store.close_job(job)
    restored = run("restore", "copy.sqlite3")
    assert restored.code == 0, restored.err
    assert "What was there is now" in restored.err
    with open_store(place / "shop.sqlite3") as store:
        assert store.job(job).job.state == "open"


def test_the_shops_own_file_goes_along_with_a_backup(
    run: Run, job: int, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own, sound = place / "own.toml", '[[chassis]]\nid = "reed_20"\nname = "Reed 20"\n'
    own.write_text(sound, encoding="utf-8")
    copied = " ".join(run("backup", "copy.sqlite3").err.split())
    assert f"{own} is copied to copy.own.toml" in copied
    same = " ".join(run("restore", "copy.sqlite3").err.split())
    assert "is the same as the one beside the copy" in same
    own.write_text(sound.replace("20", "22"), encoding="utf-8")
    restored = " ".join(run("restore", "copy.sqlite3").err.split())
    assert "The one that was there is now" in restored
    assert own.read_text(encoding="utf-8") == sound
    (kept,) = place.glob("own-before-restore-*.toml")
    assert "reed_22" in kept.read_text(encoding="utf-8")
    # Refused before anything is written, and told where none lies beside the copy.
    (place / "second.own.toml").write_text("precious", encoding="utf-8")
    assert run("backup", "second.sqlite3").code == 2
    assert not (place / "second.sqlite3").exists()
    (place / "copy.own.toml").unlink()
    assert "stays as it is" in run("restore", "copy.sqlite3").err
    monkeypatch.setenv("TUBEWRIGHT_OWN", str(place / "nowhere.toml"))
    missing = run("backup", "third.sqlite3")
    assert missing.code == 0
    assert "was not copied" in missing.err
    assert job == 1


def test_a_job_travels_to_another_shop(run: Run, job: int, place: Path) -> None:
    assert run("export", "all.json").code == 0
    assert run("export", "job.json", "--job", str(job)).code == 0
    assert run("export", "job.json").code == 2
    other = ("--shop", str(place / "other.sqlite3"))
    first = run("import", "job.json", *other)
    assert first.code == 0, first.err
    again = run("import", "job.json", *other)
    assert again.code == 0
    assert again.err.startswith("Added 0 records")
    answers = [run("assess", "job:1", "--json", *FEW, *place_).out for place_ in ((), other)]
    assert json.loads(answers[0])["decision"] == json.loads(answers[1])["decision"]


def test_instruments_are_kept_and_calibrated(run: Run, place: Path) -> None:
    assert run("instrument", "add", "grey box", "--notes", "range 2").code == 0
    good = run("instrument", "known-good", "grey box", "62div", "--cutoff", "58V", "--g2", "300", "--tube", "A48XYZ")
    assert good.code == 0, good.err
    assert "grey box now has 1 known-good reading." in good.err
    (held,) = json.loads(run("instrument", "list", "--json").out)
    assert held["name"] == "grey box"
    assert held["known_good"] == [{"value": 62, "unit": "div", "cutoff_v": 58, "g2_v": 300, "tube_label": "A48XYZ"}]
    assert "grey box" in run("instrument", "list").out
    wrong = run("instrument", "known-good", "gray box", "62div")
    assert wrong.code == 2
    assert "Did you mean 'grey box'?" in wrong.err
    assert run("instrument", "known-good", "grey box", "62 V").code == 2
    with open_store(place / "shop.sqlite3") as store:
        (reading,) = store.experience().known_good
        assert reading.instrument == "grey box"


def test_an_empty_shop_says_what_to_do_first(run: Run, place: Path) -> None:
    open_store(place / "shop.sqlite3").close()
    assert "tubewright instrument add" in run("instrument", "list").out


def test_the_invented_shop_can_be_written_and_worked_on(run: Run) -> None:
    made = run("demo", "seaside.sqlite3")
    assert made.code == 0, made.err
    answered = run("assess", "job:1", "--shop", "seaside.sqlite3", "--json", *FEW)
    assert answered.code == 0, answered.err
    assert json.loads(answered.out)["model"]["jobs_learned_from"] > 0


def test_a_file_that_is_no_shop_is_said_so(run: Run) -> None:
    for args in (["assess", "job:1", "--shop", "pier.toml"], ["assess", "pier.toml", "--shop", "pier.toml"]):
        ended = run(*args)
        assert ended.code == 2
        assert "pier.toml" in ended.err


def test_the_bench_is_started_on_this_machine_only(run: Run, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    called: list[tuple[object, dict[str, object]]] = []
    monkeypatch.setattr("tubewright.bench.serve.run", lambda where, **more: called.append((where, more)))
    assert run("bench", "--no-browser", "--port", "9000", "--demo").code == 0
    ((where, more),) = called
    assert where == place / "shop.sqlite3"
    said = {"host": "127.0.0.1", "port": 9000, "open_browser": False, "demo": True, "own": None, "lan": None}
    assert more == {**said, "own_place": place / "own.toml"}


def test_closing_the_bench_is_no_failure(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("tubewright.bench.serve.run", stopped)
    assert run("bench", "--no-browser").code == 0
