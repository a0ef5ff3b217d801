"""Where the shop is found: as said, else by the environment, else in the user's data folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from tubewright.cli import settings


def test_what_is_said_comes_before_the_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("TUBEWRIGHT_SHOP", str(tmp_path / "from-environment.sqlite3"))
    assert settings.shop_path(str(tmp_path / "said.sqlite3")) == tmp_path / "said.sqlite3"
    assert settings.shop_path() == tmp_path / "from-environment.sqlite3"
    monkeypatch.delenv("TUBEWRIGHT_SHOP")
    found = settings.shop_path()
    assert isinstance(found, Path)
    assert found.name == "shop.sqlite3"
    assert "tubewright" in str(found)


@pytest.mark.parametrize("given", [None, "postgresql://bench@localhost/shop"])
def test_the_address_of_a_server_stays_an_address(given: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TUBEWRIGHT_SHOP", "postgresql://bench@localhost/shop")
    assert settings.shop_path(given) == "postgresql://bench@localhost/shop"


def test_a_drive_letter_is_not_an_address() -> None:
    assert isinstance(settings.shop_path("C:/shop/records.sqlite3"), Path)


def test_no_colour_where_the_environment_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert settings.colour()
    monkeypatch.setenv("NO_COLOR", "1")
    assert not settings.colour()
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("TERM", "dumb")
    assert not settings.colour()
