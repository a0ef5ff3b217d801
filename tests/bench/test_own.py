"""The shop's own file on the bench: profiles to choose, mistakes told, and nothing lost when it goes away."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import uvicorn
from starlette.testclient import TestClient

from bench.benches import Visitor
from tubewright.bench.own_file import OwnFile
from tubewright.bench.pages import Bench
from tubewright.bench.serve import run
from tubewright.demo.load import demo_own
from tubewright.errors import Fault
from tubewright.knowledge.load import load_knowledge


def with_profiles(visitor: Visitor) -> Bench:
    bench: Bench = visitor.app.state.bench
    bench.knowledge = load_knowledge(demo_own())
    return bench


def test_a_display_is_given_its_profile_and_keeps_it(visitor: Visitor) -> None:
    with_profiles(visitor)
    visitor.open_job(chassis="orrel_15")
    (record,) = visitor.store.displays().rows
    assert record.display.chassis == "orrel_15"
    assert "Orrel 15" in visitor.get(f"/displays/{record.id}").text
    form = visitor.get(f"/displays/{record.id}/edit").text
    assert 'value="orrel_15" selected' in form
    answer = visitor.post(
        f"/displays/{record.id}/edit", label="Pier arcade, machine 8", chassis="dunlin_k2", version=str(record.version)
    )
    assert answer.status_code == 303, answer.text
    assert visitor.store.display(record.id).display.chassis == "dunlin_k2"


def test_without_profiles_nothing_is_asked(visitor: Visitor) -> None:
    visitor.open_job()
    (record,) = visitor.store.displays().rows
    assert 'name="chassis"' not in visitor.get(f"/displays/{record.id}/edit").text


def test_when_the_file_goes_away_nothing_is_lost(visitor: Visitor) -> None:
    job = visitor.open_job()
    store = visitor.store
    (record,) = store.displays().rows
    store.edit_display(record.id, {"label": "Reed", "chassis": "reed_20"}, version=record.version)
    store.add_symptom(job, {"id": "sings"})
    store.add_test(job, {"id": "p_reed_relay", "result": "high"})
    store.add_repair(job, {"fault": "cricket_inside", "outcome": "mended"})
    store.confirm(job, "repair", "cricket_inside", cautions={"chirps": "It is quiet."})
    form = visitor.get(f"/displays/{record.id}/edit").text
    assert 'value="reed_20" selected' in form
    assert "not in your own file now" in form
    for path in ("/", f"/jobs/{job}", f"/displays/{record.id}", "/history", f"/api/jobs/{job}/case"):
        answer = visitor.get(path)
        assert answer.status_code == 200, path
    assert "of which your own file says nothing" in visitor.get(f"/displays/{record.id}").text
    page = store.job(job)
    assert page.display.display.chassis == "reed_20"
    assert [one.repair.fault for one in page.repairs] == ["cricket_inside"]


def test_mistakes_in_the_file_are_told_on_every_page(visitor: Visitor) -> None:
    bench: Bench = visitor.app.state.bench
    assert "Your own file is left out" not in visitor.get("/").text
    bench.own_mistakes = (Fault(what="bplus_v is 0, not above 0", where="own.toml:4", mend="Give a number"),)
    for path in ("/", "/displays", "/tubes"):
        text = visitor.get(path).text
        assert "Your own file is left out: it has a mistake" in text
        assert "bplus_v is 0, not above 0" in text
        assert "what is stored stays as it is" in text


def served(monkeypatch: pytest.MonkeyPatch, where: Path, *, own: Path, demo: bool = False) -> Bench:
    """The bench as it would be served, without anybody listening."""
    seen: list[Bench] = []
    monkeypatch.setattr("tubewright.bench.judging.judge_unjudged", lambda _: 0)  # a matter apart, and slow
    monkeypatch.setattr("uvicorn.Server.run", lambda self, **_: seen.append(self.config.app.state.bench))
    run(where, port=0, open_browser=False, own=own, demo=demo)
    return seen[0]


def test_the_bench_opens_with_the_file_and_without_a_broken_one(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop, own = tmp_path / "shop.sqlite3", tmp_path / "own.toml"
    own.write_text('[[chassis]]\nid = "reed_20"\nname = "Reed 20"\n', encoding="utf-8")
    bench = served(monkeypatch, shop, own=own)
    assert set(bench.knowledge.chassis) == {"reed_20"}
    assert bench.own_mistakes == ()
    own.write_text('[[chassis]]\nid = "reed_20"\n', encoding="utf-8")
    bench = served(monkeypatch, shop, own=own)
    assert not bench.knowledge.chassis
    assert [fault.where for fault in bench.own_mistakes] == [f"{own}:1"]
    told = capsys.readouterr().err
    assert "Your own file is left out" in told
    assert f"{own}:1: chassis 'reed_20': name is missing" in told


SOUND = '[[chassis]]\nid = "reed_20"\nname = "Reed 20"\n'
BROKEN = '[[chassis]]\nid = "reed_20"\n'


class Seconds:
    """A clock that a test moves on."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def watched(visitor: Visitor, own: Path, **more: bool) -> tuple[OwnFile, Seconds]:
    clock_s = Seconds()
    return OwnFile(visitor.app, own, clock_s=clock_s, **more), clock_s


def test_a_change_of_the_file_counts_while_the_bench_is_open(visitor: Visitor, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    file, clock_s = watched(visitor, own, optional=True)
    bench: Bench = visitor.app.state.bench
    own.write_text(SOUND, encoding="utf-8")
    assert not file.look(), "at most once a second"
    clock_s.now_s += 1
    kept = visitor.app.state.diagnosing
    assert file.look()
    assert set(bench.knowledge.chassis) == {"reed_20"}
    assert visitor.app.state.diagnosing is not kept, "answers by what was known before are let go"
    clock_s.now_s += 1
    known = bench.knowledge
    assert not file.look()
    assert bench.knowledge is known


def test_mistakes_made_meanwhile_are_told_and_what_it_said_before_holds(visitor: Visitor, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(SOUND, encoding="utf-8")
    bench: Bench = visitor.app.state.bench
    bench.knowledge = load_knowledge(own)
    file, clock_s = watched(visitor, own)
    own.write_text(BROKEN, encoding="utf-8")
    clock_s.now_s += 1
    assert file.look()
    assert set(bench.knowledge.chassis) == {"reed_20"}
    text = visitor.get("/").text
    assert "Your own file has changed and is left as it was: it has a mistake" in text
    assert "name is missing" in text
    assert "reckon with what it said before" in text
    own.unlink()
    clock_s.now_s += 1
    assert file.look(), "a file that was named has to be there"
    assert "be read" in bench.own_mistakes[0].what
    assert set(bench.knowledge.chassis) == {"reed_20"}
    own.write_text(SOUND.replace("reed_20", "reed_22"), encoding="utf-8")
    clock_s.now_s += 1
    assert file.look()
    assert set(bench.knowledge.chassis) == {"reed_22"}
    assert "Your own file" not in visitor.get("/").text


def test_a_file_that_was_broken_from_the_start_is_left_out_until_it_is_sound(visitor: Visitor, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(BROKEN, encoding="utf-8")
    bench: Bench = visitor.app.state.bench
    file, clock_s = watched(visitor, own)
    clock_s.now_s += 1
    assert file.look(), "it may have changed since it was read at the start"
    assert "Your own file is left out: it has a mistake" in visitor.get("/").text
    own.write_text(SOUND, encoding="utf-8")
    clock_s.now_s += 1
    assert file.look()
    assert bench.own_mistakes == ()
    assert set(bench.knowledge.chassis) == {"reed_20"}


def test_without_the_file_beside_the_records_what_is_built_in_counts(visitor: Visitor, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(SOUND, encoding="utf-8")
    bench: Bench = visitor.app.state.bench
    bench.knowledge = load_knowledge(own)
    file, clock_s = watched(visitor, own, optional=True)
    own.unlink()
    clock_s.now_s += 1
    assert file.look()
    assert not bench.knowledge.chassis
    assert bench.own_mistakes == ()


def test_a_folder_of_files_is_watched_too(visitor: Visitor, tmp_path: Path) -> None:
    folder = tmp_path / "own"
    folder.mkdir()
    (folder / "one.toml").write_text(SOUND, encoding="utf-8")
    visitor.app.state.bench.knowledge = load_knowledge(folder)
    file, clock_s = watched(visitor, folder)
    clock_s.now_s += 1
    assert not file.look()
    (folder / "two.toml").write_text(SOUND.replace("reed_20", "reed_22"), encoding="utf-8")
    clock_s.now_s += 1
    assert file.look()
    assert set(visitor.app.state.bench.knowledge.chassis) == {"reed_20", "reed_22"}


def test_the_open_bench_reads_a_file_that_appears(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place, shown = tmp_path / "own.toml", []

    def serve(self: uvicorn.Server, **_: object) -> None:
        app: Any = self.config.app
        with TestClient(app, base_url="http://127.0.0.1:8765", client=("127.0.0.1", 50000)) as client:
            app.state.bench.store.add_display({"label": "Reed"})
            before = client.get("/displays/1/edit").text
            place.write_text(SOUND, encoding="utf-8")
            monkeypatch.setattr("tubewright.bench.own_file.LOOK_EVERY_S", 0.0)
            shown.extend([before, client.get("/displays/1/edit").text])

    monkeypatch.setattr("uvicorn.Server.run", serve)
    run(tmp_path / "shop.sqlite3", port=0, open_browser=False, own=None, own_place=place)
    assert capsys.readouterr().err == ""
    assert "Reed 20" not in shown[0]
    assert "Reed 20" in shown[1]


def test_the_demo_bench_has_the_demo_shop_s_profiles(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("not even TOML", encoding="utf-8")
    bench = served(monkeypatch, tmp_path / "shop.sqlite3", own=own, demo=True)
    assert set(bench.knowledge.chassis) == {"orrel_15", "dunlin_k2"}
    assert bench.own_mistakes == ()
