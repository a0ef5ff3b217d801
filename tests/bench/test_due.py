"""What is due, on the board and on its own page: asked for in time, ended by a reading."""

from __future__ import annotations

import datetime as dt
import re

import pytest

from bench.benches import Visitor
from bench.treated import worn_job
from tubewright.bench.dueing import Dues
from tubewright.case import Treatment
from tubewright.records.store import Store

NOW = dt.datetime(2026, 3, 2, 10, 0, tzinfo=dt.UTC)


def words_of(page: str) -> str:
    main = page.partition("<main")[2].partition("</main")[0]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", main)).replace("\xa0", " ")


class Shop:
    """A shop whose clock is turned, with a blue gun that was cleaned and read for four hours."""

    def __init__(self, store: Store) -> None:
        self.now = NOW
        self.store = store.with_clock(lambda: self.now)
        self.visitor = Visitor(self.store)
        self.job = worn_job(self.store, NOW)
        self.store.add_treatment(self.job, Treatment(kind="clean", gun="blue", outcome="improved"))
        for minutes, value in ((10, 520.0), (15, 515.0), (30, 512.0), (60, 510.0), (120, 508.0), (240, 507.0)):
            self.read(self.job, value, minutes_on=float(minutes), stage="after", at=NOW + dt.timedelta(minutes=minutes))

    def read(self, job: int, value: float, **more: object) -> None:
        box = {"unit": "uA", "reference": 1000.0, "instrument": "grey box", "heater_v": 6.3, "g2_v": 300.0}
        self.store.add_reading(job, {"gun": "blue", "kind": "emission", "value": value, **box, **more})

    def on(self, days: float) -> None:
        self.now += dt.timedelta(days=days)

    def said(self, path: str) -> str:
        return words_of(self.visitor.get(path).text)


@pytest.fixture
def shop(store: Store) -> Shop:
    return Shop(store)


def test_the_next_days_reading_is_asked_for_and_a_reading_ends_it(shop: Shop) -> None:
    assert "Nothing is due." in shop.said("/due")
    assert "read again" not in shop.said("/")
    shop.on(1.1)
    said = shop.said("/due")
    assert "Read blue: the next day's reading, started cold" in said.replace("&#39;", "'")
    assert f'href="/jobs/{shop.job}"' in shop.visitor.get("/due").text
    assert "Due: 1 tube to read again." in shop.said("/")
    assert "Due:" not in shop.said("/?state=closed")
    shop.read(shop.job, 505.0, minutes_on=10.0)
    assert "Nothing is due." in shop.said("/due")
    assert "read again" not in shop.said("/")


def test_months_on_the_loop_is_closed(shop: Shop) -> None:
    shop.on(1)
    shop.store.close_job(shop.job)
    shop.on(34)
    said = shop.said("/due")
    assert "a month on" in said
    assert "How gains held" not in said
    again = shop.store.open_job(1).id
    shop.read(again, 490.0, minutes_on=10.0)
    said = shop.said("/due")
    assert "Nothing is due." in said
    assert "How gains held in the long run" in said
    assert re.search(r"0\.5 \(0\.4\d to 0\.5\d\) 0\.49: 9\d %", said), said


def test_contacts_cleaned_later_do_not_end_the_memory(shop: Shop) -> None:
    shop.store.close_job(shop.job)
    shop.on(10)
    again = shop.store.open_job(1).id
    shop.store.add_treatment(again, Treatment(kind="clean_contacts", outcome="unchanged"))
    shop.store.close_job(again)
    shop.on(30)
    assert "a month on, after “clean the cathode" in shop.said("/due")


def test_a_job_that_waits_without_news_is_asked_about(shop: Shop) -> None:
    other = shop.store.add_display({"label": "Ferry hall"}).id
    shop.store.open_job(other, waits_for="a flyback")
    shop.on(13)
    assert "a flyback" not in shop.said("/due")
    shop.on(2)
    assert "Waits for a flyback, without news for 15 days" in shop.said("/due")


def test_looking_ahead(shop: Shop) -> None:
    shop.on(0.2)
    assert "due in a day" in shop.said("/due?ahead=week")
    assert "Nothing is due." in shop.said("/due?ahead=nonsense")


def test_in_a_large_shop_the_board_makes_do_with_what_is_at_hand(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    shop.on(1.1)
    knowledge = shop.visitor.app.state.bench.knowledge
    dues = Dues()
    monkeypatch.setattr("tubewright.bench.dueing._SLOW_S", -1.0)
    assert len(dues.due(shop.store, knowledge, at_hand=True).reminders) == 1
    shop.read(shop.job, 505.0, minutes_on=10.0)
    assert len(dues.due(shop.store, knowledge, at_hand=True).reminders) == 1
    assert dues.due(shop.store, knowledge).reminders == ()
    assert dues.due(shop.store, knowledge, at_hand=True).reminders == ()
