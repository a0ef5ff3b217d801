"""The shop's own file on the bench: profiles to choose, mistakes told, and nothing lost when it goes away."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.benches import Visitor
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


def test_the_demo_bench_has_the_demo_shop_s_profiles(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("not even TOML", encoding="utf-8")
    bench = served(monkeypatch, tmp_path / "shop.sqlite3", own=own, demo=True)
    assert set(bench.knowledge.chassis) == {"orrel_15", "dunlin_k2"}
    assert bench.own_mistakes == ()
