"""Takes the photographs of the demo shop, and measures them: a display before and after its set-up.

Nothing of it is measured on a real display: the simulator draws, our own measuring reads. Run it
after a change of either, and look at what came of it:

    python tools/demo_pictures.py
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Final

from tubewright.answers.measure import measure
from tubewright.answers.measurement_json import to_json
from tubewright.bench.measuring import Settings, Source
from tubewright.bench.uploads import small_jpeg
from tubewright.files.photos import read_photo
from tubewright.knowledge.load import load_knowledge
from tubewright.picture.patterns.rasters import find_raster, library
from tubewright.report.measure_summary import summary
from tubewright.report.overlay import draw_overlay
from tubewright.simulate.display import Curl, Misconvergence, Shape, Spot
from tubewright.simulate.photograph import Scene, take
from tubewright.simulate.scenes import RASTERS, plain_scene

FOLDER: Final = Path(__file__).resolve().parents[1] / "src" / "tubewright" / "demo" / "pictures"
RASTER: Final = "arcade-15k-320x240"
MEGAPIXELS: Final = 2.0
QUALITY: Final = 72


def scenes() -> dict[str, Scene]:
    """The display as it came, and as it left."""
    plain = plain_scene(raster=RASTERS[RASTER], megapixels=MEGAPIXELS)
    plain = replace(plain, camera=replace(plain.camera, jpeg_quality=QUALITY))
    came = replace(
        plain,
        display=replace(
            plain.display,
            shape=Shape(pincushion_left_pct=1.9, pincushion_right_pct=1.7, rotation_deg=0.9, trapezoid_h_pct=1.3),
            misconvergence=Misconvergence(four_pole_mm=(0.9, -0.5), six_pole_mm=(0.4, 0.5), crossed_mm=(0.0, 1.6)),
            curl=Curl(amplitude_mm=3.4, decay_lines=9.0),
        ),
        seed=11,
    )
    left = replace(
        plain,
        display=replace(
            plain.display,
            shape=Shape(pincushion_left_pct=0.6, pincushion_right_pct=0.4, rotation_deg=0.1, trapezoid_h_pct=0.3),
            misconvergence=Misconvergence(four_pole_mm=(0.12, -0.05), six_pole_mm=(0.06, 0.1), crossed_mm=(0.0, 0.3)),
            curl=Curl(amplitude_mm=0.4, decay_lines=9.0),
            spot=Spot(h_mm=0.55, v_mm=0.5),
        ),
        seed=12,
    )
    return {"before": came, "after": left}


def main() -> None:
    """Write each photograph with its settings and its measurement beside it."""
    FOLDER.mkdir(exist_ok=True)
    known = library(load_knowledge().rasters.values())
    for stage, scene in scenes().items():
        jpeg = take(scene).jpeg
        (FOLDER / f"{stage}.jpg").write_bytes(jpeg)
        name = f"{stage}.jpg"
        asked = Settings(
            raster=RASTER, picture_width_mm=scene.display.width_mm, picture_height_mm=scene.display.height_mm
        )
        photo = read_photo(jpeg, name=name)
        answer = measure(
            [photo],
            rasters=[find_raster(known, RASTER)],
            picture_mm=(scene.display.width_mm, scene.display.height_mm),
        )
        record = {
            "settings": json.loads(asked.as_json([Source(name=name, sha256="")])),
            "answer": to_json(answer),
            "model_version": answer.model_version,
            "headline": summary(answer),
        }
        text = json.dumps(record, ensure_ascii=False, separators=(",", ":"))
        (FOLDER / f"{stage}.json").write_text(text + "\n", encoding="utf-8")
        (FOLDER / f"{stage}.svg").write_text(draw_overlay(answer, photo).svg, encoding="utf-8")
        (FOLDER / f"{stage}-small.jpg").write_bytes(small_jpeg(photo))
        print(f"{stage}: {len(jpeg) // 1024} kB, {len(text) // 1024} kB of figures: {summary(answer)}")


if __name__ == "__main__":
    main()
