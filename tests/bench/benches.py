"""A bench for the tests: an empty shop, the built-in knowledge, and a hand-made answer."""

from __future__ import annotations

import dataclasses
import re
import shutil
from pathlib import Path
from typing import Final

from httpx2 import Response
from starlette.testclient import TestClient

from bench.pictured import made_up
from samples import sample_answer
from tubewright.answers.assessment import Assessment
from tubewright.bench.app import create_app
from tubewright.bench.measuring import Measure
from tubewright.bench.pages import Assess
from tubewright.case import Case
from tubewright.experience import Experience
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge
from tubewright.records.store import Store, open_store

HOST: Final = "127.0.0.1:8765"
ORIGIN: Final = f"http://{HOST}"


def same_answer(case: Case, knowledge: Knowledge, experience: Experience) -> Assessment:
    """The hand-made answer, whatever is asked."""
    return sample_answer()


def replayed(case: Case, knowledge: Knowledge, experience: Experience, seed: int, futures: int) -> Assessment:
    """The hand-made answer from a given seed."""
    answer = sample_answer()
    return dataclasses.replace(answer, model=dataclasses.replace(answer.model, seed=seed, futures=futures))


class Visitor:
    """A browser without scripts: follows links and fills in forms as a page offers them."""

    def __init__(
        self,
        store: Store,
        *,
        assess: Assess | None = same_answer,
        measure: Measure | None = made_up,
        knowledge: Knowledge | None = None,
    ) -> None:
        self.store = store
        self.app = create_app(
            store, knowledge or load_knowledge(), assess=assess, replay=replayed if assess else None, measure=measure
        )
        self.client = TestClient(self.app, base_url=ORIGIN, raise_server_exceptions=False)

    def get(self, path: str, headers: dict[str, str] | None = None) -> Response:
        return self.client.get(path, headers=headers)

    def token(self) -> str:
        found = re.search(r'name="form_token" value="([0-9a-f]+)"', self.get("/people").text)
        assert found is not None
        return found[1]

    def post(self, path: str, **fields: str) -> Response:
        """Send a form as one of our own pages would."""
        sent = {**fields, "form_token": self.token()}
        return self.client.post(path, data=sent, headers={"origin": ORIGIN}, follow_redirects=False)

    def confirm(self, job: int, sort: str, step: str, *, who: str = "Wren") -> None:
        """Confirm all that a step asks for, as a person would who has made it so."""
        page = self.get(f"/jobs/{job}/guard/{sort}/{step}").text
        asked = re.findall(r'name="confirmed" value="(\w+)"', page)
        if asked:
            sent = {"confirmed": asked, "new_person": who, "form_token": self.token()}
            address = f"/jobs/{job}/guard/{sort}/{step}"
            answer = self.client.post(address, data=sent, headers={"origin": ORIGIN}, follow_redirects=False)
            assert answer.status_code == 303, answer.text

    def send_photos(self, job: int, *photos: tuple[str, bytes], **fields: str) -> Response:
        """Send photographs, each a name and its bytes, as the page's form would."""
        return self.client.post(
            f"/jobs/{job}/photos",
            data={"then": "measure", **fields, "form_token": self.token()},
            files=[("photos", photo) for photo in photos],
            headers={"origin": ORIGIN},
            follow_redirects=False,
        )

    def open_job(self, label: str = "Pier arcade, machine 7", **fields: str) -> int:
        """Put a display on the bench; gives the job's number."""
        answer = self.post("/jobs/new", label=label, **fields)
        assert answer.status_code == 303, answer.text
        found = re.match(r"/jobs/(\d+)", answer.headers["location"])
        assert found is not None
        return int(found[1])


def new_store(folder: Path, empty: Path) -> Store:
    """An empty shop, copied from one that is up to date already: making the schema takes its time."""
    return open_store(shutil.copy(empty, folder / "shop.sqlite3"))


def empty_shop(folder: Path) -> Path:
    """The file that the others are copied from."""
    path = folder / "empty.sqlite3"
    open_store(path).close()
    return path
