"""The shop's settings by page: kept whole or not at all, faults at their fields, taken over by new jobs."""

from __future__ import annotations

from bench.benches import Visitor

SHOP = {
    "shop_name": "Lantern Works",
    "shop_address": "14 Mole Road\r\nHarbour End",
    "shop_contact": "bench@lantern.example",
    "currency": "eur",
    "bench_rate_per_hour": "45,50",
    "tax_name": "VAT",
    "tax_percent": "20 %",
    "quote_valid_days": "30",
    "number_prefix": "LW-",
    "terms_text": "Payment within fourteen days.",
    "warranty_text": "Six months on work and parts.",
    "white_name": "Our white",
    "white_x": "0.3127",
    "white_y": "0.329",
}


def test_settings_are_kept_and_shown(visitor: Visitor) -> None:
    answer = visitor.post("/settings", **SHOP)
    assert answer.status_code == 303
    page = visitor.get(answer.headers["location"]).text
    assert "settings are saved" in page
    assert 'value="45.5"' in page
    assert "6500 K" in page
    held = visitor.store.settings()
    assert held["currency"] == "EUR"
    assert held["shop_address"] == "14 Mole Road\nHarbour End"
    # Undone like any other change.
    assert visitor.post("/undo").status_code == 303
    assert visitor.store.settings()["currency"] == ""


def test_nothing_is_kept_when_one_field_is_wrong(visitor: Visitor) -> None:
    answer = visitor.post("/settings", **{**SHOP, "currency": "EURO", "white_y": ""})
    assert answer.status_code == 422
    assert 'id="currency-wrong"' in answer.text
    assert 'value="EURO"' in answer.text
    assert "14 Mole Road" in answer.text
    assert visitor.store.settings()["shop_name"] == ""


def test_new_jobs_take_currency_and_rate_where_nothing_is_typed(visitor: Visitor) -> None:
    visitor.post("/settings", **SHOP)
    form = visitor.get("/jobs/new").text
    assert 'name="currency" type="text" value="EUR"' in form
    assert 'name="bench_rate_per_hour" type="text" value="45.5"' in form
    plain = visitor.store.job(visitor.open_job()).job.costs
    assert (plain.currency, plain.bench_rate_per_hour) == ("EUR", 45.5)
    typed = visitor.store.job(visitor.open_job("Ferry hall", currency="USD", bench_rate_per_hour="60")).job.costs
    assert (typed.currency, typed.bench_rate_per_hour) == ("USD", 60.0)
    # In another currency the shop's rate means nothing.
    other = visitor.store.job(visitor.open_job("Kelp hall", currency="USD")).job.costs
    assert (other.currency, other.bench_rate_per_hour) == ("USD", None)
