"""How quick measuring a photograph is, over OpenCV's decoding of the same JPEG in the same run.

    python tools/bench_pictures.py [--large]

Prints the whole of ``measure`` (from the file's bytes to the answer) and its parts, each
as a ratio, and the most memory that a process which measures one photograph takes.
``--large`` adds a photograph of 48 megapixels.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from bench_speed import paired

from tubewright.answers.measure import measure
from tubewright.files.photos import read_photo
from tubewright.picture.find import find_pattern
from tubewright.picture.patterns.survey import survey_marks
from tubewright.picture.tags import find_tags
from tubewright.simulate.photograph import Photograph, take
from tubewright.simulate.scenes import RASTERS, plain_scene, random_scene

_ALONE = """
import resource, sys
from tubewright.answers.measure import measure
from tubewright.files.photos import read_photo
from tubewright.simulate.scenes import RASTERS
answer = measure([read_photo(open(sys.argv[1], 'rb').read())], rasters=list(RASTERS.values()))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, answer.accepted)
"""


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--large", action="store_true", help="48 megapixels too")
    given = parser.parse_args()
    for megapixels, most in ((12.0, "8 x and 1 GiB"), (48.0, "3 GiB")):
        if megapixels > 12 and not given.large:
            continue
        shot = take(random_scene(np.random.default_rng(3), megapixels=megapixels))
        _photograph(f"Survey of {megapixels:.0f} megapixels (aim: measure under {most})", shot)
    light = take(plain_scene(megapixels=12, pattern="survey_light"))
    _photograph("Survey for light of 12 megapixels", light)
    _marks_beside_photutils()


def _photograph(title: str, shot: Photograph) -> None:
    rasters = list(RASTERS.values())
    data = np.frombuffer(shot.jpeg, np.uint8)
    photo = read_photo(shot.jpeg)

    def decode() -> object:
        return cv2.imdecode(data, cv2.IMREAD_COLOR)

    parts: dict[str, Callable[[], object]] = {
        "read, checked and upright": lambda: read_photo(shot.jpeg),
        "find the pattern and its marks": lambda: find_pattern(photo, rasters),
        "find the tags": lambda: find_tags(photo),
        "whole measure": lambda: measure([read_photo(shot.jpeg)], rasters=rasters),
    }
    print(f"{title}, over cv2.imdecode of its {len(shot.jpeg) / 1e6:.1f} MB")
    for name, work in parts.items():
        work()
        ours, theirs, ratio = paired(work, decode, 7)
        print(f"  {name:32} {ours * 1000:7.0f} ms   decode {theirs * 1000:5.0f} ms   ratio {ratio:6.2f}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shot.jpg"
        path.write_bytes(shot.jpeg)
        told = subprocess.run([sys.executable, "-c", _ALONE, str(path)], capture_output=True, text=True, check=True)
    most, accepted = told.stdout.split()
    print(f"  most memory of a process that measures it: {most} MiB (accepted: {accepted})")


def _marks_beside_photutils() -> None:
    """All 598 marks, over a fitted Gaussian of photutils on one in ten of them, scaled up."""
    from photutils.centroids import centroid_2dg

    shot = take(plain_scene(megapixels=12))
    photo = read_photo(shot.jpeg)
    rasters = list(RASTERS.values())
    marks = survey_marks(shot.truth.scene.display.raster)
    places = np.rint(shot.truth.marks.photo_px).astype(int)[::10]
    guns = marks.gun[::10]

    def theirs() -> None:
        for (x, y), gun in zip(places, guns, strict=True):
            centroid_2dg(photo.pixels[y - 16 : y + 17, x - 16 : x + 17, gun].astype(float))

    ours, other, ratio = paired(lambda: find_pattern(photo, rasters), theirs, 3)
    print("Finding the pattern and placing 598 marks, over photutils centroid_2dg on 60 windows of 33 x 33")
    print(f"  {'':32} {ours * 1000:7.0f} ms   photutils {other * 1000:5.0f} ms   ratio {ratio:6.3f}")


if __name__ == "__main__":
    main()
