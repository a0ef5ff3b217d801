"""Takes the guide's pictures from the running program, with the demo shop in it.

    python tools/screenshots.py             the guide's pictures, into docs/pictures
    python tools/screenshots.py FOLDER      every page, device and theme, to look at, each in its whole length
    python tools/screenshots.py FOLDER stock proof      only these of them

Desktop pictures are 1280 x 900, phone pictures 390 x 844; ``-dark`` in a name says
which theme. The shop is made anew each time and thrown away.
"""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import uvicorn
from PIL import Image

ROOT: Final = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from browsers import ARGUMENTS, HOW, chromium_path  # noqa: E402 - found through the line above
from tubewright.bench.app import create_app  # noqa: E402
from tubewright.bench.diagnosing import Diagnosing  # noqa: E402
from tubewright.bench.judging import judge_job, judge_unjudged  # noqa: E402
from tubewright.bench.measuring import Measuring, Settings, Source  # noqa: E402
from tubewright.bench.uploads import look_at  # noqa: E402
from tubewright.demo.load import load_demo  # noqa: E402
from tubewright.files import read_case  # noqa: E402
from tubewright.knowledge.load import load_knowledge  # noqa: E402
from tubewright.records.store import Store, open_store  # noqa: E402

if TYPE_CHECKING:
    from playwright.sync_api import Page

DEVICES: Final[dict[str, dict[str, Any]]] = {
    "desktop": {"viewport": {"width": 1280, "height": 900}},
    "phone": {
        "viewport": {"width": 390, "height": 844},
        "device_scale_factor": 2,
        "has_touch": True,
        "is_mobile": True,
    },
}
GUIDE: Final = frozenset(
    re.findall(r"pictures/([a-z-]+)\.png", (ROOT / "docs" / "guide.md").read_text(encoding="utf-8"))
)
"""The pictures that the guide shows, by its own text."""

SCENES: Final = {"before": "curl", "after": "sound"}
"""The photographs that the guide has the reader make, and when they are said to be taken."""
LARGEST_BYTES: Final = 190_000
PALETTE: Final = 256
MEASURED_S: Final = 120.0
"""Longer than a measurement takes on any machine."""

PARTS: Final = {
    "next-test": "#h-next",
    "would-change": "#s-would_change",
    "options": "#s-options",
    "drawing": "#h-drawn",
}
TYPED: Final[dict[str, dict[str, str]]] = {
    "new-job": {
        "label": "Pier arcade, machine 7",
        "diagonal_in": "19",
        "scan_khz": "15.7",
        "owner": "Mole End Amusements",
        "place": "Pier arcade",
        "tube_label": "A48XYZ00X01",
        "heater_v": "6.3",
        "service_hours": "26k",
        "restorations": "0",
    },
    "readings": {"red_emission": "340uA", "red_reduced": "221uA", "red_cutoff": "48", "red_hk": "60"},
}
EXAMPLE: Final = ROOT / "docs" / "examples" / "pier-7.toml"


@contextlib.contextmanager
def served(app: Any) -> Iterator[str]:  # noqa: ANN401 - any ASGI application
    """The application on a free port of this machine."""
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning", lifespan="off"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(5)


def add_example(store: Store) -> int:
    """The guide's example as a job of the shop; gives its number."""
    case = read_case(EXAMPLE, knowledge=load_knowledge())
    display = store.add_display(case.display, owner="Mole End Amusements", place="Pier arcade")
    tube = store.add_tube(case.tube.model_copy(update={"idle_years": None}))
    store.fit_tube(display.id, tube.id)
    job = store.open_job(
        display.id,
        owner_words="The reds have gone brown over the last two seasons.",
        use=case.use,
        costs=case.costs,
        idle_years=case.tube.idle_years,
    )
    if case.readings:
        store.add_readings(job.id, case.readings)
    for symptom in case.symptoms:
        store.add_symptom(job.id, symptom)
    for test in case.tests:
        store.add_test(job.id, test)
    return job.id


def add_hunted(store: Store, diagnosing: Diagnosing) -> int:
    """A display with a fault somewhere in its sync or line stage, two findings into the search; gives the job."""
    display = store.add_display({"label": "Larkspur table, left", "diagonal_in": 19, "scan_khz": 15.7})
    store.fit_tube(display.id, store.add_tube({"label": "A48QZV00X01", "gun": "inline", "heater_v": 6.3}).id)
    job = store.open_job(display.id, owner_words="The picture bends at the top, and it hums").id
    for symptom in ("top_curl", "bends_with_content"):
        store.add_symptom(job, {"id": symptom})
        diagnosing.before(job, store.case_of(job))
    return job


def add_measured(store: Store, measuring: Measuring, folder: Path) -> tuple[int, int]:
    """A display with photographs of before and after, measured; gives the job and the measurement of before."""
    display = store.add_display({"label": "Tidewheel, pier hall 5", "diagonal_in": 19, "scan_khz": 15.7})
    tube = store.add_tube({"label": "A48QZV00X01", "gun": "inline", "heater_v": 6.3})
    store.fit_tube(display.id, tube.id)
    job = store.open_job(display.id, owner_words="The top of the picture leans over.")
    for stage, scene in SCENES.items():
        command = [sys.executable, "-m", "tubewright", "simulate", "--out", str(folder), "--scene", scene]
        subprocess.run(command, check=True, capture_output=True)
        path = folder / f"{scene}-0001.jpg"
        data = path.read_bytes()
        kept = look_at(data, path.name)
        photo = store.add_photo(
            job.id, data, media_type=kept.media_type, file_name=path.name, preview=kept.preview, stage=stage
        )
        settings = Settings(diagonal_mm=19 * 25.4)
        source = Source(name=path.name, sha256=photo.sha256)
        task = measuring.start(job.id, [source], settings, stage=stage, by=None)
        if not measuring.wait(task, MEASURED_S) or task.state != "done":
            raise SystemExit(f"{path.name} could not be measured: {task.words}")
    return job.id, store.job(job.id).measurements[0].id


def visit(page: Page, address: str) -> None:
    """Open a page, and stop if it isn't right: a picture of an error helps nobody."""
    answer = page.goto(address)
    if answer is None or not answer.ok:
        raise SystemExit(f"{address} answered {answer.status if answer else 'nothing'}")


def fill(page: Page, name: str) -> None:
    """Type into a page what the guide tells of it."""
    for field, typed in TYPED.get(name, {}).items():
        page.fill(f"#{field}", typed)
    if name == "readings":
        page.locator("#h-grid").evaluate("(e) => e.scrollIntoView()")
        page.focus("#green_emission")


def shoot(page: Page, folder: Path, name: str, theme: str, *, part: str | None = None, whole: bool = False) -> None:
    """One picture, of the whole view or of one part, when all drawings on the page are there."""
    page.wait_for_load_state("networkidle")
    path = str(folder / f"{name}{'-dark' if theme == 'dark' else ''}.png")
    if part is None:
        page.screenshot(path=path, full_page=whole)
    else:
        page.locator("section", has=page.locator(part)).last.screenshot(path=path)
    if not whole and Path(path).stat().st_size > LARGEST_BYTES:
        # A photograph in the picture. The palette covers all its colours: the commonest would leave the arrows grey.
        with Image.open(path) as taken:
            small = taken.convert("RGB").quantize(
                PALETTE, method=Image.Quantize.MAXCOVERAGE, kmeans=1, dither=Image.Dither.NONE
            )
        small.save(path, optimize=True)


def oldest_tube(store: Store) -> int:
    """The tube with the longest tale to tell."""
    tubes = store.tubes(size=100).rows
    return max(tubes, key=lambda t: len(store.tube_history(t.id).readings)).id


def finished_places(store: Store) -> dict[str, str]:
    """The pages of the demo shop's finished job, of its stock and of the shop itself."""
    (found,) = store.board("Bell Buoy", state="closed").rows
    job = f"/jobs/{found.job_id}"
    waits = next(row.job_id for row in store.board("Nine Lanterns").rows if row.state != "closed")
    item = next(one for one in store.all_items() if one.reserved)
    donor = next(one for one in store.all_items() if one.sort == "tube")
    return {
        "treatments": f"{job}/treatments",
        "hold": f"{job}/treatments/hold?gun=blue",
        "setup": f"{job}/setup",
        "setup-move": f"{job}/setup/moves/new?control=four_pole_rings",
        "grey": f"{job}/setup/grey",
        "parts": f"{job}/parts",
        "proof": f"{job}/proof",
        "quote": f"{job}/quote",
        "bill": f"{job}/bill",
        "parts-waiting": f"/jobs/{waits}/parts",
        "treatments-open": f"/jobs/{waits}/treatments",
        "stock": "/stock",
        "item": f"/stock/{item.id}",
        "item-tube": f"/stock/{donor.id}",
        "order": "/stock/order",
        "labels": "/stock/labels",
        "donor": f"/donor?job={waits}",
        "settings": "/settings",
        "take-in": "/take-in",
        "phones": "/phones",
        "phone": "/phone",
        "due": "/due",
    }


def main() -> int:
    """Take all pictures."""
    from playwright.sync_api import sync_playwright

    everything, only = len(sys.argv) > 1, sys.argv[2:]
    folder = Path(sys.argv[1]) if everything else ROOT / "docs" / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    path = chromium_path()
    if path is None:
        print(HOW)
        return 1
    with tempfile.TemporaryDirectory() as place, open_store(Path(place) / "demo.sqlite3") as store:
        load_demo(store, store.clock())
        app = create_app(store, load_knowledge())
        judge_unjudged(app.state.bench)
        job = add_example(store)
        kept = judge_job(app.state.bench, job, by=None)
        tube = oldest_tube(store)
        measured, measurement = add_measured(store, app.state.measuring, Path(place))
        hunted = add_hunted(store, app.state.diagnosing)
        verdict = f"/jobs/{job}/verdicts/{kept.id}"
        places = {
            "board": "/",
            "new-job": "/jobs/new",
            "readings": f"/jobs/{job}",
            "verdict": verdict,
            "would-change": verdict,
            "options": verdict,
            "tube": f"/tubes/{tube}",
            "picture": f"/jobs/{measured}/photos",
            "measured": f"/jobs/{measured}/measurements/{measurement}",
            "drawing": f"/jobs/{measured}/measurements/{measurement}",
            "compared": f"/jobs/{measured}/measurements/compare",
            "diagnosis": f"/jobs/{hunted}/diagnosis",
            "next-test": f"/jobs/{hunted}/diagnosis",
        }
        places |= finished_places(store)
        with served(app) as address, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=path, args=list(ARGUMENTS))
            for device, settings in DEVICES.items():
                for theme in ("light", "dark") if everything else ("light",):
                    context = browser.new_context(**settings, color_scheme=theme)
                    page = context.new_page()
                    for name, to in places.items():
                        if (
                            name in only
                            or (everything and not only)
                            or (not everything and f"{name}-{device}" in GUIDE)
                        ):
                            visit(page, address + to)
                            fill(page, name)
                            shoot(page, folder, f"{name}-{device}", theme, part=PARTS.get(name), whole=everything)
                    context.close()
            browser.close()
    if not everything and (missing := GUIDE - {path.stem for path in folder.glob("*.png")}):
        print(f"the guide shows pictures that are not taken here: {', '.join(sorted(missing))}")
        return 1
    print(f"{len(list(folder.glob('*.png')))} pictures in {folder}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
