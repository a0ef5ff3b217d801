"""Sets up simulated displays by the advice alone, and says after how many rounds each was within tolerance.

    python tools/soak_setup.py [--displays 40] [--first 0] [--at-once N] [--wrong-way 0.03] [--rows]
    python tools/soak_setup.py --trace 7

Every display has misconvergence, half of them errors of size, shape, curl and focus, some
impurity and something magnetised, and all a grey scale out of order; hidden gains and
directions, side effects, and a hand that meets its amounts roughly and now and then turns the
wrong way, half of the time without noticing. A round is one survey photograph and one
staircase, and the moves that both lead to. What the advice left is judged by the display's truth.

Further sets: without grey; displays whose controls do half or twice as much as usual; the same
displays back for a second job with what the first one taught; displays with a control that does
nothing, where the advice must end by itself; and a few whose photographs are drawn and measured.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
sys.path.insert(0, str(Path(__file__).parent))

from setup_loop import Played, play

from tubewright.knowledge.load import load_knowledge

AIM_MEDIAN, AIM_WORST = 3, 7
DEAD = ("four_pole_rings", "yoke_tilt_vertical", "purity_rings", "v_size")
RENDERED_AT_ONCE = 2
"""Drawn displays that are played at the same time, each in a process of its own."""


def gun_of(seed: int) -> Any:  # noqa: ANN401 - the name of an arrangement
    """One display in five has a delta gun."""
    return "delta" if seed % 5 == 4 else "inline"


def sound(seed: int, **options: Any) -> Played:  # noqa: ANN401 - as play takes them
    """One display in working order."""
    return play(seed, load_knowledge(), **({"gun": gun_of(seed)} | options))


def twice(seed: int, **options: Any) -> Played:  # noqa: ANN401 - as play takes them
    """The second job on a display, with what the first one taught."""
    first = sound(seed, **options)
    return sound(seed, **options, again=1, known=first.left)


def faulty(seed: int, **options: Any) -> Played:  # noqa: ANN401 - as play takes them
    """A display with one control that does nothing."""
    return sound(seed, **options, gun="inline", dead=(DEAD[seed % len(DEAD)],))


def report(played: Sequence[Played], title: str) -> bool:
    """Print how a set of displays fared; false if one was left worse than it came."""
    rounds = sorted(one.rounds for one in played)
    print(f"{title}: {len(played)} displays")
    tenth = rounds[min(len(rounds) - 1, int(0.9 * len(rounds)))]
    spread = ", ".join(f"{count} in {rounds.count(count)}" for count in sorted(set(rounds)))
    print(f"  rounds: median {statistics.median(rounds):g}, 90 % {tenth}, worst {max(rounds)} ({spread} displays)")
    greys = [one.grey_rounds for one in played if one.grey_state]
    if greys:
        print(f"  of these with turns for the grey: median {statistics.median(greys):g}, worst {max(greys)}")
    print(f"  controls turned: {sum(one.controls for one in played) / len(played):.1f} a display")
    ends = Counter(one.state for one in played) + Counter(f"grey {one.grey_state}" for one in played if one.grey_state)
    print("  ended:", ", ".join(f"{state} {count}" for state, count in sorted(ends.items())))
    if any(one.by_eye for one in played):
        print(f"  converged roughly by eye before the first photograph: {sum(one.by_eye for one in played)}")
    late = Counter(what for one in played if one.rounds > AIM_MEDIAN for what in one.last_out)
    if late:
        print("  out last where it took longer:", ", ".join(f"{what} {count}" for what, count in late.most_common(6)))
    truly = sum(one.within for one in played)
    nearly = sum(one.after <= 0.1 and one.grey_after <= 1.1 for one in played)
    print(f"  truly within tolerance: {truly}, within a tenth of a tolerance more: {nearly}")
    worse = [one.seed for one in played if one.worse]
    print(f"  left worse than they came: {len(worse)} {worse or ''}", flush=True)
    return not worse


def played_of(title: str, work: Callable[[int], Played], seeds: Iterable[int], *, rows: bool) -> list[Played]:
    """Play a set, telling how far it is on the error channel."""
    began, found = time.monotonic(), []
    numbers = list(seeds)
    with ProcessPoolExecutor(RENDERED_AT_ONCE) as pool:
        for n, one in enumerate(pool.map(work, numbers), start=1):
            found.append(one)
            if rows:
                print(f"    {_row(one)}", flush=True)
            print(
                f"\r{title}: {n} of {len(numbers)}, {time.monotonic() - began:.0f} s",
                end="",
                file=sys.stderr,
                flush=True,
            )
    print(file=sys.stderr)
    return found


def _row(one: Played) -> str:
    grey = f"; grey {one.grey_before:.1f} to {one.grey_after:.2f} in {one.grey_rounds}" if one.grey_state else ""
    return (
        f"{one.seed}: {one.rounds} rounds, {one.state}; beyond {one.before:.2f} to {one.after:.2f} ({one.worst}){grey}"
        f"; last out: {', '.join(one.last_out)}"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Play and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--displays", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--at-once", type=int, default=None, help="controls between two photographs, at most")
    parser.add_argument("--wrong-way", type=float, default=0.03)
    parser.add_argument("--rendered", type=int, default=6, help="so many displays with drawn photographs, 0 for none")
    parser.add_argument("--only", default="", help="sets to play: sound, plain, half, double, twice, dead, rendered")
    parser.add_argument("--rows", action="store_true")
    parser.add_argument("--trace", type=int, default=None, help="play this display alone, round by round")
    asked = parser.parse_args(arguments)
    options: dict[str, Any] = {"wrong_way": asked.wrong_way, "at_once": asked.at_once}
    if asked.trace is not None:
        print(_row(sound(asked.trace, trace=True, **options)))
        return 0
    seeds, few = range(asked.first, asked.first + asked.displays), max(asked.displays // 4, 1)
    sets: dict[str, tuple[str, Callable[..., Played], Iterable[int]]] = {
        "sound": ("All errors together, grey among them", partial(sound, **options), seeds),
        "plain": ("Without grey", partial(sound, grey=False, **options), seeds),
        "twice": ("Back for a second job, with the gains of the first", partial(twice, **options), seeds),
        "half": ("Controls that do half as much as usual", partial(sound, size=0.5, **options), seeds[: 2 * few]),
        "double": ("Controls that do twice as much as usual", partial(sound, size=2.0, **options), seeds[: 2 * few]),
        "dead": ("A control that does nothing", partial(faulty, **options), seeds[:few]),
        "rendered": (
            "Convergence and grey, by drawn photographs of 8 megapixels",
            partial(sound, rendered=True, gun="inline", **options),
            seeds[: asked.rendered],
        ),
    }
    fine = True
    for name, (title, work, numbers) in sets.items():
        if (asked.only and name not in asked.only.split(",")) or not list(numbers):
            continue
        fine = report(played_of(title, work, numbers, rows=asked.rows), title) and fine
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
