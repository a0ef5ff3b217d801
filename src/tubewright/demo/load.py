"""Put the demo shop into empty records: the same shop every time, its years counted back from now."""

from __future__ import annotations

import datetime as dt
import json
import random
import tomllib
import uuid
from collections.abc import Callable, Mapping
from functools import partial
from importlib.resources import files
from operator import itemgetter
from pathlib import Path
from typing import Any, Final

from tubewright import case
from tubewright.errors import Fault, InputError
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge
from tubewright.records.model import StepSort
from tubewright.records.store import Store

FILES: Final = ("shop.toml", "closed.toml", "finished.toml", "open.toml")
PARTS: Final = ("visit", "tube", "display", "stock")
"""What several of the files add to."""
SEED: Final = 20_031  # any number: it only makes the uids the same every time
STOCKED_DAYS_AGO: Final = 700
USUAL_G2_V: Final = 300.0
USUAL_HEATER_V: Final = 6.3
USUAL_INSTRUMENT: Final = "Bench rig"

_PER_GUN: Final[Mapping[str, tuple[case.ReadingKind, case.Unit]]] = {
    "emission": ("emission", "rel"),
    "cutoff": ("cutoff", "V"),
    "leak_heater_cathode": ("leakage_heater_cathode", "Mohm"),
}

Table = Mapping[str, Any]


def demo_shop() -> dict[str, Any]:
    """The demo shop as data: settings, people, instruments, tubes, displays, stock and visits."""
    shop: dict[str, Any] = {name: [] for name in PARTS}
    for name in FILES:
        part = tomllib.loads(files("tubewright.demo").joinpath(name).read_text(encoding="utf-8"))
        for several in PARTS:
            shop[several] += part.pop(several, [])
        shop |= part
    return shop


def demo_own() -> Path:
    """The demo shop's own file: its chassis profiles."""
    return Path(str(files("tubewright.demo").joinpath("own.toml")))


def load_demo(store: Store, now: dt.datetime) -> None:
    """Fill empty records with the demo shop, in one transaction.

    Args:
        store: records without any job, migrated.
        now: the moment the shop's years are counted back from; it knows its zone.

    Raises:
        InputError: there are jobs in the records already.
    """
    shop = demo_shop()
    with store.transaction():
        if store.displays(size=1).rows:
            raise InputError(
                Fault(
                    what="there is something in these records already",
                    where="records",
                    mend="Choose an empty file for the demo shop",
                )
            )
        _Loader(store, now, shop).load()


class _Loader:
    """Writes events in the order they happened, each at its time."""

    def __init__(self, store: Store, now: dt.datetime, shop: Table) -> None:
        self.moment = now
        rng = random.Random(SEED)  # noqa: S311 - uids of a demo, not secrets
        self.store = store.with_clock(
            lambda: self.moment, new_uid=lambda: uuid.UUID(int=rng.getrandbits(128), version=4)
        )
        self.now = now
        self.shop = shop
        self.people: dict[str, int] = {}
        self.displays: dict[str, int] = {}
        self.tubes: dict[str, int] = {}
        self.items: dict[str, int] = {}
        self.jobs: dict[int, int] = {}
        self.knowledge: Knowledge = load_knowledge()
        self.events: list[tuple[dt.datetime, int, Callable[[], object]]] = []

    def _ago(self, days: float, hours: float = 0) -> dt.datetime:
        return self.now - dt.timedelta(days=days) + dt.timedelta(hours=hours)

    def load(self) -> None:
        """Everybody and everything first, then all that happened, in its order."""
        longest = max(visit["days_ago"] for visit in self.shop["visit"])
        self.moment = self._ago(longest + 365)
        self.people = {name: self.store.add_person(name).id for name in self.shop["people"]}
        for one in self.shop["instrument"]:
            self._instrument(one)
        self.moment = self._ago(longest + 364)
        for one in self.shop["tube"]:
            given = {name: value for name, value in one.items() if name not in {"key", "notes"}}
            self.tubes[one["key"]] = self.store.add_tube(given, notes=one.get("notes", "")).id
        for one in self.shop["display"]:
            given = {name: one[name] for name in case.Display.model_fields if name in one}
            texts = {name: one.get(name, "") for name in ("owner", "place", "notes")}
            self.displays[one["key"]] = self.store.add_display(given, **texts).id
        for one in self.shop["display"]:
            for fitting in one["tubes"]:
                display, tube = self.displays[one["key"]], self.tubes[fitting["tube"]]
                self._plan(fitting["days_ago"], 0, partial(self.store.fit_tube, display, tube))
        self._plan(STOCKED_DAYS_AGO, 0, self._stock)
        for number, visit in enumerate(self.shop["visit"]):
            self._plan_visit(number, visit)
        for moment, _, event in sorted(self.events, key=itemgetter(0, 1)):
            self.moment = moment
            event()

    def _plan(self, days: float, hours: float, event: Callable[[], object]) -> None:
        self.events.append((self._ago(days, hours), len(self.events), event))

    def _instrument(self, one: Table) -> None:
        instrument = self.store.add_instrument(one["name"], notes=one.get("notes", ""))
        before = self.moment
        for good in one.get("known_good", ()):
            self.moment = self._ago(good["days_ago"])
            self.store.add_known_good(
                instrument.id,
                value=good["value"],
                unit="uA",
                cutoff_v=good["cutoff_v"],
                g2_v=good["g2_v"],
                tube_label=good["tube"],
                by=next(iter(self.people.values())),
            )
        self.moment = before

    def _stock(self) -> None:
        """What the shop says of itself, and what lies in its drawers."""
        by = next(iter(self.people.values()))
        self.store.set_settings(self.shop["settings"], by=by)
        given = [
            {name: value for name, value in one.items() if name not in {"key", "of"}}
            | {"currency": self.shop["settings"]["currency"], "sort": one.get("sort", "part")}
            | ({"tube_id": self.tubes[one["of"]]} if "of" in one else {})
            for one in self.shop["stock"]
        ]
        items = self.store.add_items(given, by=by)
        self.items = {one["key"]: item.id for one, item in zip(self.shop["stock"], items, strict=True)}

    def _plan_visit(self, number: int, visit: Table) -> None:
        day = visit["days_ago"]
        steps: list[tuple[float, str, Table]] = []
        steps += [(0.2, "symptom", {"id": name, "present": True}) for name in visit.get("symptoms", ())]
        steps += [(0.2, "symptom", {"id": name, "present": False}) for name in visit.get("absent", ())]
        if "look" in visit:
            steps.append((0.3, "look", visit["look"]))
        steps += [(one.get("hour", 0.5), "test", one) for one in visit.get("tests", ())]
        for name in ("read", "treat", "repair", "photos", "moves", "parts", "grey", "gone"):
            steps += [(one["hour"], name, one) for one in visit.get(name, ())]
        # Who notes how long it took confirmed what must be so before, at the pages of the plan.
        begun = [(one, one["hour"] - one["minutes"] / 60 - 0.1) for one in visit.get("treat", ()) if "minutes" in one]
        steps += [(hour, "begin", one) for one, hour in begun]
        self._plan(day, 0, partial(self._open, number, visit))
        for hour, kind, step in steps:
            self._plan(day, hour, partial(self._step, number, kind, step, self.people[visit["person"]]))
        if "closed_after" in visit:
            self._plan(day, visit["closed_after"] * 24, partial(self._close, number, visit))

    def _open(self, number: int, visit: Table) -> None:
        self.jobs[number] = self.store.open_job(
            self.displays[visit["display"]],
            owner_words=visit["owner_words"],
            use=visit.get("use"),
            costs=visit.get("costs"),
            idle_years=visit.get("idle_years"),
            waits_for=visit.get("waits_for", ""),
            by=self.people[visit["person"]],
        ).id

    def _close(self, number: int, visit: Table) -> None:
        job_id, by = self.jobs[number], self.people[visit["person"]]
        for one in visit.get("repair", ()):
            if one["outcome"] == "mended":
                cautions = self.knowledge.faults[one["fault"]].cautions
                self._confirm(job_id, "repair", one["fault"], cautions, by, when="after")
        for one in visit.get("treat", ()):
            if "minutes" in one:
                cautions = self.knowledge.treatments[one["kind"]].cautions
                self._confirm(job_id, "treatment", one["kind"], cautions, by, when="after")
        self.store.close_job(job_id, note=visit["note"], by=by)

    def _step(self, number: int, kind: str, planned: Table, by: int) -> None:
        job_id = self.jobs[number]
        step = {name: value for name, value in planned.items() if name != "hour"}
        if kind == "look":
            self.store.add_look(job_id, getter=step.get("getter"), neck=step.get("neck"), burn=step.get("burn"), by=by)
            return
        ways: Mapping[str, Callable[[int, dict[str, Any], int], object]] = {
            "symptom": lambda job, one, who: self.store.add_symptom(job, one, by=who),
            "gone": lambda job, one, who: self.store.add_symptom(job, {**one, "present": False}, by=who),
            "test": lambda job, one, who: self.store.add_test(job, one, by=who),
            "read": lambda job, one, who: self.store.add_readings(job, _readings(one), by=who),
            "begin": self._begin,
            "treat": self._treat,
            "repair": self._repair,
            "photos": self._photo,
            "moves": self._move,
            "parts": self._part,
            "grey": self._grey,
        }
        ways[kind](job_id, step, by)

    def _confirm(
        self, job_id: int, sort: StepSort, step: str, cautions: tuple[str, ...], by: int, *, when: str = "before"
    ) -> None:
        """What has to be so before a step, or after it, confirmed as a person would who has made it so."""
        later = {"after", "after_repair"} if sort == "repair" else {"after"}
        asked = (self.knowledge.cautions[name] for name in cautions)
        said = {one.id: one.confirm for one in asked if one.confirm and (one.asked in later) == (when == "after")}
        if said:
            self.store.confirm(job_id, sort, step, cautions=said, by=by)

    def _begin(self, job_id: int, step: Mapping[str, Any], by: int) -> None:
        self._confirm(job_id, "treatment", step["kind"], self.knowledge.treatments[step["kind"]].cautions, by)

    def _treat(self, job_id: int, step: Mapping[str, Any], by: int) -> None:
        more = {name: step[name] for name in ("note", "minutes", "seen") if name in step}
        given = {name: value for name, value in step.items() if name not in more}
        if "minutes" in step:
            more["plan_step"] = f"{step['kind']}:{step['gun']}" if "gun" in step else step["kind"]
        self.store.add_treatment(job_id, given, **more, by=by)

    def _photo(self, job_id: int, step: Mapping[str, Any], by: int) -> None:
        """A photograph with its measurement, as they were taken and reckoned once."""
        stage = step["stage"]
        folder = files("tubewright.demo").joinpath("pictures")
        found = json.loads(folder.joinpath(f"{stage}.json").read_text(encoding="utf-8"))
        photo = self.store.add_photo(
            job_id,
            folder.joinpath(f"{stage}.jpg").read_bytes(),
            media_type="image/jpeg",
            file_name=f"{stage}.jpg",
            preview=folder.joinpath(f"{stage}-small.jpg").read_bytes(),
            stage=stage,
            by=by,
        )
        self.store.save_measurement(
            job_id,
            photo_shas=[photo.sha256],
            settings_json=json.dumps(found["settings"], ensure_ascii=False),
            answer_json=json.dumps(found["answer"], ensure_ascii=False, separators=(",", ":")),
            accepted=True,
            model_version=found["model_version"],
            headline=found["headline"],
            stage=stage,
            overlay=("image/svg+xml", folder.joinpath(f"{stage}.svg").read_bytes()),
            by=by,
        )

    def _move(self, job_id: int, step: Mapping[str, Any], by: int) -> None:
        measured = self.store.job(job_id).measurements
        if measured:
            self._confirm(job_id, "control", step["control"], self.knowledge.controls[step["control"]].cautions, by)
        self.store.add_move(job_id, {**step, "after_measurement_id": measured[-1].id if measured else None}, by=by)

    def _part(self, job_id: int, step: Mapping[str, Any], by: int) -> None:
        held = self.store.reserve(
            job_id, self.items[step["item"]], step["quantity"], order=step.get("order", False), by=by
        )
        if step.get("used"):
            self.store.use(held.id, version=held.version, by=by)

    def _grey(self, job_id: int, step: Mapping[str, Any], by: int) -> None:
        rows = [("white", *one) for one in step["steps"]]
        last = step["steps"][-1][4]
        rows += [(gun, 1.0, *one, last) for gun, one in zip(case.GUNS, step["guns"], strict=True)]
        rows.append(("off", 0.0, *step["room"], last))
        names = ("shown", "level", "x", "y", "Y", "minutes")
        given = {
            "readings_json": json.dumps([dict(zip(names, row, strict=True)) for row in rows]),
            "turned_json": json.dumps(step.get("turned", {})),
            "white": step["white"],
            "peak_cd_m2": step["peak_cd_m2"],
        }
        self.store.add_grey_round(job_id, given, by=by)

    def _repair(self, job_id: int, step: Mapping[str, Any], by: int) -> None:
        given = {name: step[name] for name in ("fault", "outcome")}
        if given["outcome"] == "mended":
            self._confirm(job_id, "repair", given["fault"], self.knowledge.faults[given["fault"]].cautions, by)
        self.store.add_repair(job_id, given, minutes=step.get("minutes"), note=step.get("note", ""), by=by)


def _readings(step: Table) -> list[dict[str, object]]:
    """One round of readings, gun by gun, in the form the store takes."""
    common = {
        "instrument": step.get("instrument", USUAL_INSTRUMENT),
        "heater_v": step.get("heater_v", USUAL_HEATER_V),
        "minutes_on": step.get("minutes", 10.0),
        "stage": step.get("stage"),
    }
    found: list[dict[str, object]] = []
    for name, (kind, unit) in _PER_GUN.items():
        guns = (step["gun"],) if "gun" in step else case.GUNS
        for gun, value in zip(guns, step.get(name, ()), strict=False):
            one: dict[str, object] = {"gun": gun, "kind": kind, "value": value, "unit": unit, **common}
            if kind == "emission" and "unit" in step:
                one["unit"] = step["unit"]
            if kind in {"emission", "cutoff"}:
                one["g2_v"] = USUAL_G2_V
            found.append(one)
    if "heater_current" in step:
        found.append({"kind": "heater_current", "value": step["heater_current"], "unit": "A", **common})
    return found
