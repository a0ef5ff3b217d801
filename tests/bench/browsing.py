"""What the tests of the pages have in common: a job with all in it, and every page there is."""

from __future__ import annotations

from html.parser import HTMLParser
from typing import Final

from bench.benches import Visitor
from bench.pictured import add_measurement
from tubewright.case import Symptom, Treatment

GRID: Final = {
    "instrument": "grey box",
    "emission_unit": "uA",
    "reference": "1000",
    "reference_cutoff_v": "52",
    "heater_v": "6.3",
    "reduced_heater_v": "5.5 V",
    "g2_v": "300",
    "minutes_on": "10",
    "red_emission": "340",
    "red_reduced": "0,221 mA",
    "red_cutoff": "48",
    "red_hk": "2.2M",
    "blue_emission": "720uA",
    "whole_heater_current": "650mA",
}


class Fields(HTMLParser):
    """The form fields of a page with their values and marks."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.inputs: dict[str, dict[str, str | None]] = {}
        self.labels: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        if tag in {"input", "select", "textarea"} and (name := values.get("name")):
            self.inputs[name] = values
        if tag == "label" and (target := values.get("for")):
            self.labels.add(target)


def full_job(visitor: Visitor) -> int:
    """A job with something of everything on it."""
    job = visitor.open_job(
        tube_label="A48XYZ00X01", heater_v="6.3", owner="Ida Quill", use="", keep_years="5", minimum_white="50 %"
    )
    assert visitor.post(f"/jobs/{job}/readings", **GRID).status_code == 303
    visitor.store.add_symptom(job, Symptom(id="raster_dim_all"))
    visitor.store.add_treatment(job, Treatment(kind="soak", gun="red", outcome="improved"))
    visitor.confirm(job, "test", "d_bplus")
    visitor.post(f"/jobs/{job}/tests/d_bplus", value="107", unit="V", nominal="120")
    visitor.post(f"/jobs/{job}/looks", getter="silver", burn="8 %")
    visitor.confirm(job, "repair", "rgb_swapped")
    assert visitor.post(f"/jobs/{job}/repairs/new", fault="rgb_swapped", outcome="excluded").status_code == 303
    for stage in ("before", "after"):
        add_measurement(visitor.store, job, stage=stage)
    visitor.post(f"/jobs/{job}/verdict")
    visitor.post("/instruments", name="grey box")
    visitor.post("/instruments/1/known-good", value="62div", cutoff_v="58")
    return job


def every_page(visitor: Visitor) -> list[str]:
    """The address of every page, once there is a full job (number 1)."""
    reading = visitor.store.job(1).readings[0].id
    measurement = visitor.store.job(1).measurements[0].id
    treatment = visitor.store.job(1).treatments[0].id
    repair = visitor.store.job(1).repairs[0].id
    return [
        "/",
        "/?state=closed",
        "/?q=nothing+fits",
        "/jobs/new",
        "/jobs/new?display=1",
        "/jobs/1",
        f"/jobs/1/readings/{reading}",
        "/jobs/1/symptoms",
        "/jobs/1/symptoms?q=dark",
        "/jobs/1/diagnosis",
        "/jobs/1/diagnosis?q=no+red%2C+and+it+hums",
        "/jobs/1/diagnosis?test=v_getter",
        "/jobs/1/repairs",
        "/jobs/1/repairs?q=flyback",
        "/jobs/1/repairs/new?fault=sync_no_serration",
        f"/jobs/1/repairs/{repair}",
        "/jobs/1/guard/test/d_eht",
        "/jobs/1/photos",
        "/jobs/1/measure",
        f"/jobs/1/measure?like={measurement}",
        f"/jobs/1/measurements/{measurement}",
        "/jobs/1/measurements/compare",
        "/jobs/1/tests",
        "/jobs/1/tests/d_bplus",
        "/jobs/1/treatments",
        "/jobs/1/treatments/new?kind=activate",
        f"/jobs/1/treatments/{treatment}",
        "/jobs/1/treatments/hold?gun=red",
        "/due",
        "/jobs/1/setup",
        "/jobs/1/setup/moves/new?control=focus",
        "/jobs/1/facts",
        "/jobs/1/verdict",
        "/jobs/1/verdicts/1",
        "/jobs/1/verdicts/1/replay",
        "/displays",
        "/displays/1",
        "/displays/1/edit",
        "/tubes",
        "/tubes/new",
        "/tubes/1",
        "/tubes/1/edit",
        "/stock",
        "/stock/new",
        "/stock/import",
        "/stock/order",
        "/stock/labels?job=1",
        "/jobs/1/parts",
        "/donor?job=1",
        "/instruments",
        "/reckon/afc",
        "/reckon",
        "/reckon/recap",
        "/reckon/recap?work=swap&place=rail&was=100uF+160V+electrolytic+85C&new=100uF+100V+low-esr+105C",
        "/reckon/source",
        "/reckon/source?work=fit&levels=vsis&raster=dmt-640x480-60&made_for=game-board&display_khz=15.7",
        "/heater",
        "/heater?work=rms&height=22.3&width=12&line=15.7",
        "/rasters",
        "/rasters?work=name&name=625-50i",
        "/reference",
        "/reference/tests",
        "/reference/treatments",
        "/reference/faults",
        "/reference/learned",
        "/reference/sources",
        "/history",
        "/people",
        "/phones",
        "/phone",
        "/phone/guards/1",
        "/api",
    ]
