"""Measures simulated photographs by the score and says how far off the figures are: part of ``make soak``.

Displays, cameras and rooms are random (docs/simulator.md); each photograph goes the
whole way, from the bytes of its file to the answer. Then come the questions with an
answer known beforehand: a perfectly converged tube behind a lens with three pixels of
lateral colour, two shots without tags, three shots from different sides, and a heap
of junk of which nothing may be accepted. Ends with exit code 1 if any of it is.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
from picture_scores import Miss, answer_misses, place_bounds, place_misses

from tubewright.answers.measure import measure
from tubewright.answers.measurement import Measurement
from tubewright.errors import RefusedError
from tubewright.files.photos import read_photo
from tubewright.picture.find import find_pattern
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.results import Figure, Unsupported
from tubewright.simulate.display import Misconvergence
from tubewright.simulate.photograph import Photograph, Scene, take
from tubewright.simulate.scenes import RASTERS, framed, random_scene

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))  # for the junk

Result = tuple[str, list[Miss], dict[str, float]]


def main() -> None:
    """Soak, and print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    start = time.monotonic()
    with ProcessPoolExecutor(given.processes) as pool:
        few = max(given.scenes // 4, 1)
        one = list(pool.map(_one_shot, ((given.seed, n) for n in range(given.scenes))))
        sides = list(pool.map(_three_sides, ((given.seed, n) for n in range(few))))
        light = list(pool.map(_light, ((given.seed, n) for n in range(few))))
        fringe = list(pool.map(_fringe, ((given.seed, n) for n in range(max(few // 2, 1)))))
        places = list(pool.map(_two_places, ((given.seed, n) for n in range(max(few // 2, 1)))))
    _table(f"{given.scenes} survey photographs of 12 megapixels, tags in view", one)
    _table(f"{few} displays, each from three sides, tags in view", sides)
    _table(f"{few} photographs of the survey for light", light)
    _table("perfectly converged, three pixels of lateral colour in the corners, tags in view", fringe)
    _table("the same without tags, two shots with the picture elsewhere in the frame", places)
    accepted, count = _junk()
    print(f"\nJunk, damaged and wrong files: {accepted} of {count} accepted with figures.")
    print(f"{time.monotonic() - start:.0f} s")
    if accepted:
        sys.exit(1)


def _measured(shots: Sequence[Photograph], **more: object) -> Measurement:
    photos = [read_photo(shot.jpeg, name=f"shot {n}") for n, shot in enumerate(shots)]
    display = shots[0].truth.scene.display
    diagonal_mm = float(np.hypot(display.width_mm, display.height_mm))
    rasters: list[Raster] = list(RASTERS.values())
    return measure(photos, rasters=rasters, diagonal_mm=diagonal_mm, **more)  # type: ignore[arg-type] # passed on


def _scored(shots: Sequence[Photograph], **more: object) -> Result:
    answer = _measured(shots, **more)
    if not answer.accepted:
        return f"refused: {answer.refused_because}", [], {}
    return "measured", list(answer_misses(answer, shots[0].truth)), {}


def _one_shot(of: tuple[int, int]) -> Result:
    shot = take(random_scene(np.random.default_rng([*of, 1])))
    said, misses, _ = _scored([shot])
    try:
        sighting = find_pattern(read_photo(shot.jpeg, name="shot"), list(RASTERS.values()))
    except RefusedError:
        return said, misses, {}
    return said, [*place_misses(sighting, shot.truth), *misses], place_bounds(sighting, shot.truth)


def _three_sides(of: tuple[int, int]) -> Result:
    rng = np.random.default_rng([*of, 2])
    scene = random_scene(rng, strips=4)
    angles: list[tuple[float, float]] = [
        (rng.uniform(-4, 4), rng.uniform(-4, 4)),
        (rng.uniform(18, 26), rng.uniform(-6, 6)),
    ]
    angles.append((rng.uniform(-6, 6), rng.uniform(14, 20)))
    shots = []
    for n, (right, up) in enumerate(angles):
        camera = replace(scene.camera, right_deg=float(right), up_deg=float(up))
        shots.append(take(framed(replace(scene, camera=camera, seed=scene.seed + n), 0.85)))
    return _scored(shots)


def _light(of: tuple[int, int]) -> Result:
    return _scored([take(random_scene(np.random.default_rng([*of, 3]), pattern="survey_light"))])


def _converged(rng: np.random.Generator, *, strips: int) -> Scene:
    scene = random_scene(rng, strips=strips, faults=False)
    red, blue = rng.choice([-1, 1], 2) * 3.0
    return replace(
        scene,
        display=replace(scene.display, misconvergence=Misconvergence()),
        camera=replace(scene.camera, red_fringe_px=float(red), blue_fringe_px=float(blue)),
    )


def _fringe(of: tuple[int, int]) -> Result:
    shot = take(_converged(np.random.default_rng([*of, 4]), strips=4))
    return _seen_as_converged(_measured([shot]))


def _two_places(of: tuple[int, int]) -> Result:
    scene = _converged(np.random.default_rng([*of, 5]), strips=0)
    camera = framed(scene, 0.7).camera
    shots = []
    for off in (30.0, -30.0):
        aim = (camera.aim_mm[0] + off, camera.aim_mm[1] - off / 2)
        shots.append(take(replace(scene, camera=replace(camera, aim_mm=aim))))
    display = scene.display
    return _seen_as_converged(_measured(shots, picture_mm=(display.width_mm, display.height_mm)))


def _seen_as_converged(answer: Measurement) -> Result:
    found = answer.convergence
    if not answer.accepted or isinstance(found, Unsupported):
        return "not told", [], {}
    misses = []
    if isinstance(found.worst_mm, Figure):
        misses.append(Miss("worst said of a converged tube, mm", found.worst_mm.value, found.worst_mm.sd))
    for zones in (found.red_minus_green, found.blue_minus_green):
        if not isinstance(zones, Unsupported):
            misses += [Miss("zone, mm", v, one.sd_mm) for one in zones.values() for v in (one.x_mm, one.y_mm)]
    return f"fringes told by {found.fringes}", misses, {}


def _junk() -> tuple[int, int]:
    from junk import junk

    accepted = count = 0
    for name, data in junk():
        count += 1
        try:
            answer = measure([read_photo(data, name=name)], rasters=list(RASTERS.values()))
        except RefusedError:
            continue
        if answer.accepted:
            accepted += 1
            print(f"accepted: {name}")
    return accepted, count


def _table(title: str, results: Iterable[Result]) -> None:
    print(f"\n{title}")
    misses: dict[str, list[Miss]] = defaultdict(list)
    bounds: dict[str, list[float]] = defaultdict(list)
    said: Counter[str] = Counter()
    for words, found, limits in results:
        said[words] += 1
        for miss in found:
            misses[miss.what].append(miss)
        for name, limit in limits.items():
            bounds[name].append(limit)
    for words, times in said.most_common():
        print(f"  {times} x {words}")
    print(f"  {'figure':<40}{'given':>7}{'median':>9}{'RMS':>9}{'95 %':>9}{'largest':>9}{'covered':>9}")
    for what, all_of in sorted(misses.items()):
        off = np.array([miss.off for miss in all_of])
        sd = np.array([miss.sd for miss in all_of])
        known = sd > 0
        covered = f"{100 * np.mean(np.abs(off[known]) < 1.96 * sd[known]):7.1f} %" if known.any() else ""
        rms, far = float(np.sqrt(np.mean(off**2))), float(np.percentile(np.abs(off), 95))
        print(
            f"  {what:<40}{len(off):>7}{np.median(np.abs(off)):>9.3f}{rms:>9.3f}{far:>9.3f}"
            f"{np.abs(off).max():>9.3f}{covered:>9}"
        )
        if bounds[what]:
            print(f"  {'':<6}{'Cramér-Rao bound (no mask, no JPEG)':<41}{np.median(bounds[what]):>9.3f}")


if __name__ == "__main__":
    main()
