"""The stock through the command: kept, carried in and out, reserved by jobs, ordered, labelled."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path
from typing import Any, Final

import pytest
from jsonschema_rs import Draft202012Validator

from cli_runs import Run
from tubewright.bench.stock_import import take_in
from tubewright.files.stock_csv import read_stock
from tubewright.files.stock_schema import SCHEMAS
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import open_store

EXAMPLES: Final = Path(__file__).parents[2] / "docs" / "examples"


def body(text: str, schema: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(text)
    wrong = [error.message for error in Draft202012Validator(SCHEMAS[schema]()).iter_errors(found)]
    assert not wrong, wrong
    return found


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop without anything in it, made once: making the tables takes its time."""
    path = tmp_path_factory.mktemp("empty") / "shop.sqlite3"
    open_store(path).close()
    return path


@pytest.fixture(scope="module")
def filled(empty: Path) -> Path:
    """A shop with the example's stock in it."""
    path = Path(shutil.copy(empty, empty.with_name("filled.sqlite3")))
    with open_store(path) as store:
        take_in(store, read_stock(EXAMPLES / "stock.csv", load_knowledge(), this_year=2026), update=False, name="s")
    return path


@pytest.fixture
def shop(place: Path, empty: Path) -> Path:
    """A shop of this test's own, empty."""
    return Path(shutil.copy(empty, place / "shop.sqlite3"))


@pytest.fixture
def stocked(place: Path, filled: Path) -> dict[str, str]:
    """The example's stock in a shop of this test's own; gives the code of each name."""
    with open_store(shutil.copy(filled, place / "shop.sqlite3")) as store:
        return {item.name: item.code for item in store.all_items()}


@pytest.fixture
def job(place: Path, stocked: dict[str, str]) -> int:
    with open_store(place / "shop.sqlite3") as store:
        display = store.add_display({"label": "Pier arcade, machine 7"})
        return store.open_job(display.id).id


def test_an_item_is_added_shown_changed_and_struck_out(run: Run, shop: Path) -> None:
    added = run("stock", "add", "47u 50V 105C low esr", "--count", "20", "--place", "A3", "--cost", "0.14",
                "--currency", "EUR", "--set", "esr_ohm=0.4", "--json")  # fmt: skip
    assert added.code == 0, added.err
    item = body(added.out, "stock-item")["item"]
    assert (item["kind"], item["quantity"], item["attributes"]["esr_ohm"]) == ("electrolytic_low_esr", 20, 0.4)
    code = item["code"]
    shown = run("stock", "show", code.lower())
    assert "rated voltage: 50 V" in shown.out
    changed = run("stock", "edit", code, "--count", "18", "--set", "voltage_v=63", "--set", "esr_ohm=", "--json")
    item = body(changed.out, "stock-item")["item"]
    assert (item["quantity"], item["attributes"]["voltage_v"]) == (18, 63)
    assert "esr_ohm" not in item["attributes"]
    assert item["name"].startswith("47 µF 63 V"), "a made name follows what it was made from"
    assert (item["place"], item["cost"]) == ("A3", 0.14)
    assert run("stock", "remove", code).code == 0
    gone = run("stock", "show", code)
    assert gone.code == 2
    assert "nothing in the stock has the code" in gone.err


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("add", "a thing"), "WORDS: “a thing” is not understood"),
        (("add", "47u 50V", "--count", "many"), "--count: “many” is no whole number"),
        (("add", "47u 50V", "--set", "esr=1"), "Did you mean esr_ohm"),
        (("add", "47u 50V", "--set", "esr_ohm=nan"), "--set esr_ohm"),
        (("add", "fuse 2A", "--tube", "9"), "a part is no tube of the records"),
        (("edit", "1"), "nothing is to be changed"),
        (("show", "ZZZZZZZ"), "`tubewright stock list` shows the codes"),
        (("reserve", "1", "--job", "99"), "there is no job"),
        (("recap", "none.csv", "--take"), "nobody says for which job"),
        (("labels", "--to", "x.txt"), "neither .pdf nor .svg"),
        (("labels", "--to", "x.pdf", "--base", "ftp://a"), "--base"),
        (("labels", "--to", "x.pdf", "--wide", "90"), "--wide: the labels take"),
        (("labels", "--to", "x.pdf", "--skip", "99"), "--skip: a sheet has 21 places"),
    ],
)
def test_mistakes_get_a_plain_word(run: Run, stocked: dict[str, str], args: tuple[str, ...], says: str) -> None:
    ended = run("stock", *args)
    assert (ended.code, ended.out) == (2, ""), ended.err
    assert says in ended.err
    assert "Traceback" not in ended.err


def test_without_a_shop_it_says_how_to_begin(run: Run) -> None:
    assert "no shop here yet" in run("stock", "list").err
    assert run("stock", "add", "fuse 1A").code == 0
    assert "Nothing fits" in run("stock", "list", "tantalum").out


def test_a_list_comes_in_whole_and_goes_out_as_it_came(
    run: Run, stocked: dict[str, str], place: Path, empty: Path
) -> None:
    assert len(stocked) == 10
    assert run("stock", "export", "one.csv").code == 0
    again = run("stock", "import", "one.csv")
    assert again.code == 2
    assert "one.csv line 2, code: the stock holds" in again.err
    assert again.err.count("one.csv line") == 10
    updated = run("stock", "import", "one.csv", "--update")
    assert updated.code == 0, updated.err
    assert "10 changed" in updated.err
    assert run("stock", "export", "two.csv").code == 0
    assert (place / "one.csv").read_bytes() == (place / "two.csv").read_bytes()
    assert run("stock", "export", "two.csv").code == 2
    assert run("stock", "export", "-").out.splitlines()[0].startswith("code,kind,name")
    shutil.copy(empty, place / "other.sqlite3")
    elsewhere = run("stock", "import", "one.csv", "--shop", "other.sqlite3")
    assert elsewhere.code == 0
    assert elsewhere.err.count("Print its label anew") == 10


def test_a_list_with_mistakes_leaves_the_stock_as_it_was(run: Run, stocked: dict[str, str], place: Path) -> None:
    (place / "bad.csv").write_text("what;quantity;tube\nfuse 1A;3;\nfuse 2A;x;\ntube Q1;1;77\n", encoding="utf-8")
    ended = run("stock", "import", "bad.csv")
    assert ended.code == 2
    assert "bad.csv line 3, quantity" in ended.err
    (place / "bad.csv").write_text("what;quantity;tube\nfuse 1A;3;\ntube Q1;1;77\n", encoding="utf-8")
    ended = run("stock", "import", "bad.csv")
    assert ended.code == 2
    assert "bad.csv line 3" in ended.err, "what the records refuse is named with its line, too"
    assert len(body(run("stock", "list", "--json").out, "stock")["items"]) == 10


def test_the_list_is_narrowed_by_words_and_by_what_is_short(run: Run, stocked: dict[str, str]) -> None:
    def names(*args: str) -> list[str]:
        return [item["name"] for item in body(run("stock", "list", *args, "--json").out, "stock")["items"]]

    assert names("47 50") == ["47 µF 50 V, low-ESR aluminium electrolytic, 105 C"]
    assert names("--tubes") == ["M46QAA01X01"]
    assert len(names("--parts")) == 9
    assert names("--short") == []
    fuse = next(code for name, code in stocked.items() if name.startswith("fuse"))
    assert run("stock", "edit", fuse, "--count", "3").code == 0
    assert [name.split(",")[0] for name in names("--short")] == ["fuse"]


def test_a_job_reserves_uses_and_gives_back_and_sees_what_it_cost(run: Run, stocked: dict[str, str], job: int) -> None:
    cap = stocked["220 µF 400 V, aluminium electrolytic, 105 C"]
    done = run("stock", "reserve", cap, "--job", str(job), "--count", "2", "--note", "C905", "--json")
    number = body(done.out, "stock-reservation")["id"]
    few = run("stock", "reserve", cap, "--job", f"job:{job}")
    assert few.code == 2
    assert "none is free" in few.err
    assert run("stock", "reserve", cap, "--job", str(job), "--order").code == 0
    lines = body(run("stock", "order", "--csv", "order.csv", "--json").out, "stock-order")["lines"]
    assert [(line["item"]["code"], line["count"], line["for_jobs"]) for line in lines] == [(cap, 3, [job])]
    (row,) = csv.DictReader(io.StringIO(Path("order.csv").read_text(encoding="utf-8")))
    assert (row["count"], row["sum"], row["for_jobs"], row["supplier"]) == ("3", "8.7", str(job), "Harbour Parts")
    assert run("stock", "use", str(number), "--job", str(job)).code == 0
    parts = body(run("stock", "job", f"job:{job}", "--json").out, "stock-parts")
    assert parts["cost"]["used"] == [{"amount": 5.8, "currency": "EUR"}]
    assert parts["cost"]["reserved"] == [{"amount": 2.9, "currency": "EUR"}]
    shown = run("stock", "job", str(job)).out
    assert "Used: 5.80 EUR." in shown
    item = body(run("stock", "show", cap, "--json").out, "stock-item")
    assert (item["item"]["quantity"], item["item"]["free"], len(item["reservations"])) == (0, -1, 2)
    second = item["reservations"][1]["id"]
    assert run("stock", "release", str(second), "--job", str(job)).code == 0
    assert run("stock", "release", str(second), "--job", str(job)).code == 2
    assert run("stock", "use", "99", "--job", str(job)).code == 2
    assert run("stock", "remove", cap).code == 2, "a job has to know it"


def test_a_recap_list_is_served_and_taken_in_one_go(run: Run, stocked: dict[str, str], job: int) -> None:
    board = str(EXAMPLES / "larkspur-19.csv")
    asked = ("stock", "recap", board, "--hours-per-week", "20")
    before = body(run(*asked, "--json").out, "stock-recap")
    cautions = load_knowledge().cautions
    assert before["cautions"][0] == cautions["local_rules"].text
    shown = run(*asked)
    assert shown.out.index("Confirm first") < shown.out.index("parts from the stock") < shown.out.index("C911")
    assert run("stock", "job", str(job)).out.startswith("Nothing is reserved")
    taken = run(*asked, "--take", "--job", str(job))
    assert taken.code == 0, taken.err
    reserved = sum(line["count"] for line in before["reserve"])
    ordered = sum(line["count"] for line in before["order"])
    assert f"Reserved {reserved}, on the order list {ordered}." in taken.err
    assert reserved
    assert ordered
    parts = body(run("stock", "job", str(job), "--json").out, "stock-parts")["parts"]
    assert sum(part["quantity"] for part in parts) == reserved + ordered
    assert any("C911" in part["note"] for part in parts)
    lines = body(run("stock", "order", "--json").out, "stock-order")["lines"]
    assert all(job in line["for_jobs"] for line in lines)
    # Once more for the same board: what was put on the order list is found again, and nothing new is made.
    count = len(body(run("stock", "list", "--json").out, "stock")["items"])
    assert run(*asked, "--take", "--job", str(job)).code == 0
    assert len(body(run("stock", "list", "--json").out, "stock")["items"]) == count


def test_a_list_with_mistakes_takes_nothing(run: Run, stocked: dict[str, str], job: int, place: Path) -> None:
    (place / "b.csv").write_text("ref;value\nC1;100uF\nC2;x\n", encoding="utf-8")
    assert run("stock", "recap", "b.csv", "--take", "--job", str(job)).code == 2
    assert run("stock", "job", str(job)).out.startswith("Nothing is reserved")


def test_labels_are_written_for_items_jobs_and_displays(
    run: Run, stocked: dict[str, str], job: int, place: Path
) -> None:
    done = run("stock", "labels", "--to", "all.pdf", "--base", "http://192.0.2.7:8765/")
    assert done.code == 0, done.err
    assert "10 labels written" in done.err
    assert "no phone reaches" not in done.err
    assert (place / "all.pdf").read_bytes().startswith(b"%PDF")
    assert run("stock", "labels", "--to", "all.pdf").code == 2
    one = next(iter(stocked.values()))
    done = run("stock", "labels", one, "--job", str(job), "--display", "1", "--copies", "2", "--to", "few.svg",
               "--sheet", "roll-62")  # fmt: skip
    assert done.code == 0, done.err
    assert "which no phone reaches" in done.err
    assert sorted(path.name for path in place.glob("few-*.svg")) == [f"few-{n}.svg" for n in range(1, 7)]
