"""What the story of one job needs: a clock that hours pass on, a display that is turned and photographed, pictures."""

from __future__ import annotations

import datetime as dt
import io
import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tubewright.answers.advise import ways
from tubewright.records.model import MoveRecord
from tubewright.simulate.controls import Bench
from tubewright.simulate.display import Curl, Misconvergence, Spot
from tubewright.simulate.photograph import Scene, take
from tubewright.simulate.scenes import RASTERS, plain_scene

if TYPE_CHECKING:
    from playwright.sync_api import Page

SHOWN: Final = "TUBEWRIGHT_STORY"
"""Names a folder that the pictures of the story go to as well, for people to look at."""
RASTER: Final = "arcade-15k-320x240"
DPI_SCALE: Final = 1.3


class Clock:
    """The time of day, and as many hours later as the story has gone on."""

    def __init__(self) -> None:
        self.ahead = dt.timedelta()

    def __call__(self) -> dt.datetime:
        return dt.datetime.now(dt.UTC) + self.ahead

    def later(self, minutes: float) -> None:
        """Let time pass that nobody waits for."""
        self.ahead += dt.timedelta(minutes=minutes)


class Gallery:
    """Pictures of every chapter, numbered as they are taken."""

    def __init__(self, folder: Path) -> None:
        shown = os.environ.get(SHOWN, "")
        self.folders = [folder, *([Path(shown)] if shown else [])]
        self.count = 0
        for one in self.folders:
            one.mkdir(parents=True, exist_ok=True)

    def keep(self, name: str, data: bytes) -> None:
        """Write one picture down."""
        self.count += 1
        for folder in self.folders:
            (folder / f"{self.count:02d}-{name}.png").write_bytes(data)

    def shoot(self, page: Page, name: str) -> None:
        """A picture of the whole page as it stands; all of it has come, and none of it runs over the edge."""
        page.wait_for_load_state("networkidle")
        wide = page.viewport_size
        assert wide is not None
        assert page.evaluate("document.documentElement.scrollWidth") <= wide["width"], name
        self.keep(name, page.screenshot(full_page=True, scale="css"))

    def sheets(self, pdf: bytes, name: str) -> list[str]:
        """A picture of each page of a paper, and the words on it."""
        import pypdfium2
        from pypdf import PdfReader

        drawn = pypdfium2.PdfDocument(pdf)
        for number in range(len(drawn)):
            buffer = io.BytesIO()
            drawn[number].render(scale=DPI_SCALE).to_pil().save(buffer, "PNG")
            self.keep(f"{name}-{number + 1}", buffer.getvalue())
        drawn.close()
        return [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages]


class Cabinet:
    """A display on the bench whose controls can be turned, as a camera sees it."""

    def __init__(self) -> None:
        self.inside = Bench(3, calm=True)
        state = self.inside.state
        # Red and blue are off in a way that rings and wedges put right; the rest is as a good set has it.
        state.misconvergence = Misconvergence(four_pole_mm=(0.8, -0.5), six_pole_mm=(0.3, 0.25))
        self.curl_mm = 4.0
        self.seen: set[int] = set()

    def photograph(self, seed: int) -> bytes:
        """What a telephone's camera brings of it now."""
        plain = plain_scene(raster=RASTERS[RASTER], megapixels=2.0)
        display = replace(
            plain.display,
            misconvergence=self.inside.state.misconvergence,
            curl=Curl(amplitude_mm=self.curl_mm, decay_lines=8.0),
            spot=Spot(h_mm=0.55, v_mm=0.5),
        )
        scene: Scene = replace(plain, display=display, seed=seed)
        return take(scene).jpeg

    def turn(self, moves: tuple[MoveRecord, ...]) -> None:
        """Turn it by what was written down and isn't done yet."""
        for one in moves:
            if one.id in self.seen:
                continue
            self.seen.add(one.id)
            if one.tabs_mm is not None:
                self.inside.set_ring(one.control, one.tabs_mm, one.angle_deg or 0.0)
            elif one.amount is not None:
                sign = -1.0 if one.direction == ways(one.control)[1] else 1.0
                self.inside.turn(one.control, sign * one.amount)
