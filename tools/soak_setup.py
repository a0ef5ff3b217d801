"""Sets up simulated displays by the advice alone, and says after how many photographs each was within tolerance.

    python tools/soak_setup.py [--displays 40] [--first 0] [--at-once 6] [--wrong-way 0.03] [--rows]
    python tools/soak_setup.py --rendered 4

Every display has hidden gains and directions, side effects, and a hand that meets its
amounts roughly and now and then turns the wrong way without noticing. The adviser sees
only figures as ``measure`` gives them, with their errors. What it left is then judged by
the display's truth. A second set of displays has a control that does nothing: there the
advice must end by itself, and must not leave the display worse than it came.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from tubewright.answers.measure import measure
from tubewright.answers.measurement import Measurement
from tubewright.files.measurements import measurement_from_json
from tubewright.files.photos import read_photo
from tubewright.judgement.advice.course import RingSetting, Round, Setup, Turned, excess, follow
from tubewright.judgement.advice.modes import observe
from tubewright.judgement.advice.plan import plan
from tubewright.judgement.advice.planned import Move, Plan
from tubewright.judgement.advice.tolerances import Held, book_of, held
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge
from tubewright.simulate.controls import Bench
from tubewright.simulate.photograph import take
from tubewright.simulate.scenes import plain_scene

MOST_ROUNDS = 12
"""A display that isn't done after so many is given up; the aim is seven."""

CONVERGENCE = ("four_pole_rings", "six_pole_rings", "yoke_tilt_vertical", "yoke_tilt_horizontal")


@dataclass(frozen=True, kw_only=True)
class Played:
    """How one display fared.

    ``rounds`` counts how often something was turned and photographed again. ``before`` and
    ``after`` are what lay truly beyond tolerance, ``all_before`` and ``all_after`` the sums
    of squares of all errors over their tolerances.
    """

    seed: int
    state: str
    rounds: int
    controls: int
    before: float
    after: float
    all_before: float
    all_after: float
    worst: str

    @property
    def worse(self) -> bool:
        """Left worse than it came: more beyond tolerance, or within it but more in all."""
        return self.after > self.before + 1e-9 and self.after > 0.02


def truth(bench: Bench, knowledge: Knowledge) -> tuple[Held, ...]:
    """The display's true figures against their tolerances."""
    measured = measurement_from_json(json.dumps(bench.measured(exact=True)), {})
    book = book_of("delta" if bench.gun == "delta" else "arcade", knowledge, measured.scale)
    seen = observe(
        measured,
        gun=bench.gun,
        overscan_aim_pct=book.overscan_aim_pct,
        sharp_spot_mm=book.spot_mm * knowledge.value("advice_sharp_ratio"),
        opening_mm=bench.opening_mm,
    )
    return held(measured, seen.singles, book)


def stated(bench: Bench) -> Measurement:
    """Figures with the errors that they state."""
    return measurement_from_json(json.dumps(bench.measured()), {})


def drawn(bench: Bench) -> Measurement:
    """What measuring makes of a photograph of the display, drawn dot by dot."""
    scene, stands = plain_scene(megapixels=8), bench.display()
    shown = replace(
        scene.display,
        width_mm=stands.width_mm,
        height_mm=stands.height_mm,
        shape=stands.shape,
        misconvergence=stands.misconvergence,
    )
    shot = take(replace(scene, display=shown, seed=int(bench.rng.integers(1 << 30))))
    return measure([read_photo(shot.jpeg, name="drawn")], rasters=[shown.raster])


def squares(figures: Sequence[Held]) -> float:
    """Sum of squares of all errors over their tolerances."""
    return sum(one.over_ratio**2 for one in figures if one.over_ratio is not None)


def obey(bench: Bench, move: Move, after: int, *, wrong: bool) -> Turned:
    """Do a move on the display, and write down what the person believes to have done."""
    if move.control == "degauss":
        bench.degauss()
        return Turned(after=after, control="degauss")
    if move.ring is not None:
        angle = move.ring.angle_deg
        if wrong and move.ring_now is not None:
            angle = 2 * move.ring_now.angle_deg - angle
        bench.set_ring(move.control, move.ring.tabs_mm, angle)
        return Turned(after=after, control=move.control, ring=move.ring, wrong_way=wrong)
    bench.turn(move.control, -move.value if wrong else move.value)
    # A person who turned the wrong way sees it, and says so: the advice reckons with it.
    return Turned(after=after, control=move.control, part=move.part, value=move.value, unit=move.unit, wrong_way=wrong)


def play(
    seed: int,
    knowledge: Knowledge,
    *,
    gun: Literal["inline", "delta"] = "inline",
    dead: tuple[str, ...] = (),
    at_once: int = 6,
    wrong_way: float = 0.03,
    trace: bool = False,
    rendered: bool = False,
) -> Played:
    """Set up one display from its first photograph to the end of the advice.

    ``rendered``: only convergence is off, its controls are the only ones, and every photograph is drawn and measured.
    """
    bench = Bench(seed, gun=gun, dead=dead, calm=rendered)
    controls_here = CONVERGENCE if rendered else bench.controls
    look = drawn if rendered else stated
    hand = np.random.default_rng([seed, 99])
    setup = Setup(
        gun=gun,
        controls=controls_here,
        tolerance="delta" if gun == "delta" else "arcade",
        at_once=at_once,
        rings={
            name: RingSetting(tabs_mm=round(ring.tabs_mm))
            for name, ring in bench.rings.items()
            if name in controls_here
        },
        opening_mm=None if rendered else bench.opening_mm,
    )
    first = truth(bench, knowledge)
    measured, turned, rounds, controls = [], list[Turned](), 0, 0
    while True:
        measured.append(look(bench))
        course = follow(measured, turned, setup, knowledge)
        found = plan(course, knowledge)
        if trace:
            tell(course.now, found)
        if not found.moves or rounds >= MOST_ROUNDS * (1 if at_once > 2 else 4):
            break
        rounds, controls = rounds + 1, controls + len(found.moves)
        turned += [obey(bench, move, rounds, wrong=bool(hand.random() < wrong_way)) for move in found.moves]
        if found.state != "go_on":
            break
    last = truth(bench, knowledge)
    worst = max((one for one in last if one.over_ratio is not None), key=lambda one: one.over_ratio or 0)
    return Played(
        seed=seed,
        state=found.state,
        rounds=rounds,
        controls=controls,
        before=excess(first),
        after=excess(last),
        all_before=squares(first),
        all_after=squares(last),
        worst=f"{worst.about} {worst.over_ratio:.2f}",
    )


def tell(now: Round, found: Plan) -> None:
    """One round, for a person who watches."""
    failing = [f"{one.about} {one.over_ratio:.1f}" for one in found.failing]
    print(f"  beyond {now.excess_ratio:.2f}: {found.state}", *failing[:6], sep=" | ")
    for move in found.moves:
        print(
            f"    {move.sort} {move.control} {move.part} {move.value:+.3f} {move.unit} {move.ring or ''} {move.about}"
        )


def report(played: Sequence[Played], title: str) -> bool:
    """Print how a set of displays fared; false if one was left worse than it came."""
    rounds = [one.rounds for one in played]
    states = Counter(one.state for one in played)
    truly = sum(one.after <= 0 for one in played)
    nearly = sum(one.after <= 0.1 for one in played)
    print(f"{title}: {len(played)} displays")
    turned = sum(one.controls for one in played) / len(played)
    spread = ", ".join(f"{count} in {rounds.count(count)}" for count in sorted(set(rounds)))
    print(f"  rounds: median {statistics.median(rounds):g}, worst {max(rounds)} ({spread} displays)")
    print(f"  controls turned: {turned:.1f} a display")
    print("  ended:", ", ".join(f"{state} {count}" for state, count in sorted(states.items())))
    print(f"  truly within tolerance: {truly}, within a tenth of a tolerance more: {nearly}")
    worse = [one.seed for one in played if one.worse]
    print(f"  left worse than they came: {len(worse)} {worse or ''}")
    return not worse


def main(arguments: Sequence[str] | None = None) -> int:
    """Play and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--displays", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--at-once", type=int, default=6)
    parser.add_argument("--wrong-way", type=float, default=0.03)
    parser.add_argument("--rendered", type=int, default=0, help="so many displays with drawn photographs instead")
    parser.add_argument("--rows", action="store_true")
    parser.add_argument("--trace", type=int, default=None, help="play this display alone, round by round")
    asked = parser.parse_args(arguments)
    knowledge = load_knowledge()
    options: dict[str, Any] = {"at_once": asked.at_once, "wrong_way": asked.wrong_way}
    if asked.trace is not None:
        print(play(asked.trace, knowledge, trace=True, **options))
        return 0
    if asked.rendered:
        found = [play(asked.first + n, knowledge, rendered=True, **options) for n in range(asked.rendered)]
        for one in found:
            print(one)
        return 0 if report(found, "Convergence by drawn photographs of 8 megapixels") else 1
    seeds = range(asked.first, asked.first + asked.displays)
    sound = [play(seed, knowledge, gun="delta" if seed % 5 == 4 else "inline", **options) for seed in seeds]
    dead = ("four_pole_rings", "yoke_tilt_vertical", "purity_rings", "v_size")
    faulty = [
        play(seed, knowledge, dead=(dead[seed % len(dead)],), **options)
        for seed in seeds[: max(asked.displays // 4, 1)]
    ]
    if asked.rows:
        for one in (*sound, *faulty):
            print(one)
    fine = report(sound, "Sound displays, four of five with guns in line")
    return 0 if report(faulty, "Displays with a control that does nothing") and fine else 1


if __name__ == "__main__":
    sys.exit(main())
