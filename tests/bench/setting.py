"""A job whose display is simulated: photographed by its figures, turned by what its page was told."""

from __future__ import annotations

import html
import json
import re
from dataclasses import dataclass, field, replace
from typing import Any

from httpx2 import Response

from bench.benches import ORIGIN, Visitor
from bench.pictured import small_photo
from tubewright.answers.advise import ways
from tubewright.answers.measurement import Unsupported
from tubewright.answers.measurement_json import to_json
from tubewright.files.measurements import measurement_from_json
from tubewright.records.model import MeasurementRecord, MoveRecord
from tubewright.simulate.controls import Bench


@dataclass(slots=True, kw_only=True)
class SetUp:
    """A job and the display that is simulated in it."""

    visitor: Visitor
    display: Bench
    job: int
    turned: set[int] = field(default_factory=set)

    @property
    def base(self) -> str:
        return f"/jobs/{self.job}/setup"

    def photograph(self, *, refused: str = "") -> MeasurementRecord:
        """Keep a measurement of the display as it stands, or one that was refused for a reason."""
        answer = measurement_from_json(json.dumps(self.display.measured()), {})
        if refused:
            none = Unsupported(reason=refused, would_settle="another photograph")
            answer = replace(
                answer,
                accepted=False,
                refused_because=refused,
                convergence=none,
                geometry=none,
                top_curl=none,
                focus=none,
                purity=none,
            )
        store = self.visitor.store
        photo = store.add_photo(self.job, small_photo(), media_type="image/jpeg", file_name="now.jpg")
        return store.save_measurement(
            self.job,
            photo_shas=[photo.sha256],
            settings_json=json.dumps({"raster": "", "gun": self.display.gun}),
            answer_json=json.dumps(to_json(answer)),
            accepted=answer.accepted,
            model_version="1",
            headline="Measured.",
        )

    def page(self) -> str:
        """The set-up's page."""
        answer = self.visitor.get(self.base)
        assert answer.status_code == 200, answer.text[-800:]
        return answer.text

    def post(self, path: str, **fields: Any) -> Response:  # noqa: ANN401 - text, or several
        """Send one of its forms."""
        sent = {**fields, "form_token": self.visitor.token()}
        return self.visitor.client.post(self.base + path, data=sent, headers={"origin": ORIGIN}, follow_redirects=False)

    def confirm(self, *, way: str = "off", leave_out: int = 0) -> Response:
        """Confirm all that the round asks for, or all but some."""
        block = self.page().split(f'name="way" value="{way}"')[1].split("</form>")[0]
        asked = re.findall(r'name="confirmed" value="(\w+)"', block)
        return self.post("/guard", way=way, confirmed=asked[: len(asked) - leave_out], new_person="Wren")

    def seen(self) -> dict[str, str]:
        """The moves that can be written down, each with its mark."""
        found = re.findall(r'name="move" value="([\w-]+)">.*?name="seen" value="(\w+)"', self.page())
        return dict(found)

    def say(self, move: str, what: str, **more: str) -> Response:
        """Write one advised move down."""
        return self.post("/moves", move=move, seen=self.seen()[move], what=what, **more)

    def do_all(self) -> tuple[MoveRecord, ...]:
        """Write down all of the round as said, and do it."""
        for move in self.seen():
            assert self.say(move, "as_said").status_code == 303
        return self.turn()

    def turn(self) -> tuple[MoveRecord, ...]:
        """Turn the display by what was written down since."""
        fresh = [one for one in self.visitor.store.moves(self.job) if one.id not in self.turned]
        for one in fresh:
            self.turned.add(one.id)
            if one.control == "degauss":
                self.display.degauss()
            elif one.tabs_mm is not None:
                self.display.set_ring(one.control, one.tabs_mm, one.angle_deg or 0.0)
            elif one.amount is not None and not one.undone:
                sign = -1.0 if one.direction == ways(one.control)[1] else 1.0
                self.display.turn(one.control, sign * (-1 if one.wrong_way else 1) * one.amount)
        return tuple(fresh)

    def round(self) -> str:
        """One whole round: confirm, turn as said, photograph; gives the page after it."""
        if 'class="guard-form"' in self.page():
            assert self.confirm().status_code == 303
        self.do_all()
        self.photograph()
        return self.page()


def set_up(visitor: Visitor, seed: int = 0, *, calm: bool = True, gun: Any = "inline", **fields: str) -> SetUp:  # noqa: ANN401
    """A job with a simulated display whose rings were looked at, photographed once."""
    display = Bench(seed, gun=gun, calm=calm)
    job = visitor.open_job("Pier arcade, machine 7", gun=gun, tube_label="A48XYZ00X01", **fields)
    made = SetUp(visitor=visitor, display=display, job=job)
    if gun == "inline":
        for name, ring in display.rings.items():
            visitor.store.add_move(job, {"control": name, "unit": "mm", "tabs_mm": round(ring.tabs_mm, 1)})
    made.turned |= {one.id for one in visitor.store.moves(job)}
    made.photograph()
    return made


def words(page: str) -> str:
    """A page's text without its tags, for looking sentences up."""
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page)))
