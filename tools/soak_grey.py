"""Sets the grey scale of displays whose guns and controls are hidden, and counts the rounds until it is done.

    python tools/soak_grey.py [--displays 40] [--seed 300]

A round is a staircase read by a noisy colorimeter, the answer of ``tubewright grey``, and its
moves made: a control whose gain isn't known yet is turned the wrong way half of the time.
The displays come from ``tests/grey_bench.py``: cathodes in volts by the tube's law, no code
of the fit.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from grey_bench import made_up
from tubewright.answers.greyscale import Control, DisplayKind, GreyAnswer, grey_target, set_grey
from tubewright.answers.greyscale_json import earlier_round, grey_json
from tubewright.knowledge.load import load_knowledge

MOST_ROUNDS = 9
WORST = 7
SETS: tuple[tuple[str, DisplayKind, str, dict[str, Any]], ...] = (
    ("cutoffs and drives off", "inline", "D65", {}),
    ("screen too high", "inline", "9300K+27MPCD", {"screen_off_v": 30.0}),
    ("screen too low", "inline", "D65", {"screen_off_v": -45.0}),
    ("one gun flattening", "delta", "9300K", {"weak": True}),
    ("broadcast tolerances", "broadcast", "D65", {}),
)


def play(seed: int, kind: DisplayKind, white: str, given: dict[str, Any]) -> tuple[int, GreyAnswer, GreyAnswer]:
    """Rounds until there is nothing to turn, and the first and the last answer."""
    bench = made_up(seed, **given)
    target = grey_target(white, kind, load_knowledge())
    first = answer = set_grey(bench.readings(primaries=True), target)
    rounds = 0
    while answer.state == "turn" and rounds < MOST_ROUNDS:
        turns: dict[Control, float] = {}
        for one in answer.moves:
            amount = one.turns_ratio
            if amount is None:
                amount = (one.probe_ratio or 0.0) * float(np.sign(one.change_ratio))
            bench.turn(one.control, amount)
            turns[one.control] = amount
        before, gains = earlier_round(json.loads(json.dumps(grey_json(answer))))
        answer = set_grey(bench.readings(primaries=True), target, before=before, turned=turns, gains=gains)
        rounds += 1
    return rounds, first, answer


def main() -> int:
    """Play all sets; 1 where a display was not brought home in time or was left worse."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--displays", type=int, default=40)
    parser.add_argument("--seed", type=int, default=300)
    args = parser.parse_args()
    failed = 0
    for name, kind, white, given in SETS:
        played = [play(args.seed + n, kind, white, given) for n in range(args.displays)]
        counts = [count for count, _, _ in played]
        states = Counter(last.state for _, _, last in played)
        scores = [[_score(answer) for answer in pair] for _, *pair in played]
        worse = sum(last > max(first, 1.0) for first, last in scores)
        late = sum(count > WORST for count in counts) + states["turn"] + states["unknown"]
        apart = [
            statistics.median(one.error.worst_delta_e for one in column if one.error is not None)
            for column in zip(*[pair for _, *pair in played], strict=True)
        ]
        print(
            f"{name} ({kind}, {white}): rounds median {statistics.median(counts):g}, worst {max(counts)}; "
            f"{', '.join(f'{count} {state}' for state, count in states.items())}; left worse {worse}; "
            f"median worst ΔE {apart[0]:.1f} to {apart[1]:.1f}"
        )
        failed += worse + late
    return int(failed > 0)


def _score(answer: GreyAnswer) -> float:
    """The larger of its two errors over their tolerances; infinite where there is none."""
    if answer.error is None:
        return float("inf")
    target = answer.target
    return max(answer.error.white_du_v / target.white_du_v, answer.error.drift_du_v / target.drift_du_v)


if __name__ == "__main__":
    sys.exit(main())
