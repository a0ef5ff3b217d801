"""Phones through the command: a code drawn in the terminal, the list, shutting out."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cli_runs import Run
from tubewright.bench.lan import addresses
from tubewright.bench.lan.pairing import as_secret, digest, new_session
from tubewright.records.store import open_store


@pytest.fixture
def shop(place: Path) -> Path:
    where = place / "shop.sqlite3"
    open_store(where).close()
    return where


def test_a_code_lets_one_phone_in_and_the_list_tells(run: Run, shop: Path) -> None:
    assert run("phones", "list").out == "No phone is paired.\n"
    shown = run("phones", "code", "--address", "192.168.77.5")
    assert shown.code == 0, shown.err
    found = re.search(r"open http://192\.168\.77\.5:8765/pair and type ([A-Z2-7 ]+)\n", shown.out)
    assert found is not None
    assert "█" in shown.out or "▀" in shown.out
    assert "counts once, for 5 minutes" in shown.err
    with open_store(shop) as store:
        secret = digest(as_secret(found[1]))
        paired = store.use_pairing(secret, digest(new_session()), "Wren's\x1b[2J phone")
        assert paired is not None
        assert store.use_pairing(secret, digest(new_session()), "Again") is None
    listed = run("phones", "list").out
    assert re.search(r"^ +1  Wren's.*phone, paired \d{4}-.*, last seen \d{4}-", listed)
    assert "\x1b" not in listed
    done = run("phones", "shut-out", "1")
    assert (done.code, "is shut out" in done.err) == (0, True)
    assert "shut out 2" in run("phones", "list").out
    with open_store(shop) as store:
        assert store.pairings()[0].revoked_at is not None


def test_all_are_shut_out_and_an_unknown_one_is_said(run: Run, shop: Path) -> None:
    run("phones", "code", "--address", "fd00::2", "--port", "9000", "--encrypted")
    done = run("phones", "shut-out", "all")
    assert done.err == "Shut out 1 phone, codes on show among them.\n"
    assert run("phones", "shut-out", "7").code == 2
    assert run("phones", "shut-out", "x").code == 2


def test_the_address_may_be_found_or_not(run: Run, shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(addresses, "own_addresses", lambda: addresses.in_order(["192.168.1.5"]))
    assert "http://192.168.1.5:8765/pair" in run("phones", "code").out
    monkeypatch.setattr(addresses, "own_addresses", lambda: ())
    answer = run("phones", "code")
    assert answer.code == 2
    assert "no address in a network" in answer.err
    assert "https://[fd00::2]:9000/pair" in run(
        "phones", "code", "--address", "fd00::2", "--port", "9000", "--encrypted"
    ).out  # fmt: skip


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--address", "192.168.1.5"), "--address"),
        (("--certificate", "a.crt", "--key", "a.key"), "--certificate"),
        (("--lan", "--certificate", "a.crt"), "a certificate needs its key"),
        (("--lan", "--address", "bench"), "is no IP address"),
    ],
)
def test_what_does_not_go_together_is_said(run: Run, shop: Path, args: tuple[str, ...], words: str) -> None:
    answer = run("bench", "--no-browser", "--port", "0", *args)
    assert answer.code == 2
    assert words in answer.err
