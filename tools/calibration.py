"""How honest the estimator is, measured on simulated tubes: run by ``make calibration``.

Draws tubes whose truth is known, writes down what a person would read of each,
lets the estimator judge the case, and scores what it said. The simulator and the
estimator share no code. ``--docs`` also writes docs/calibration.md and its picture.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
from calibration_play import (
    READ_MINUTES,
    Course,
    Line,
    Player,
    price_of_a_year,
    rule_lines,
)
from calibration_report import as_markdown, as_text, picture
from calibration_score import Findings, coverage, mean_and_error, reliability

from tubewright.answers.assess import assess
from tubewright.answers.assessment import Assessment, Figure, OptionAnswer, Spread
from tubewright.case import GUNS, Case, Gun, Treatment, TreatmentKind
from tubewright.errors import TubewrightError
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge
from tubewright.simulate.tube_truth import (
    SimulatedTube,
    emission_reserve_truth,
    good_enough,
    neutral_white_truth,
    relative_emission_truth,
)
from tubewright.simulate.tube_visit import Box, bench_visit, draw_box
from tubewright.simulate.tubes import draw_tube

ROOT: Final = Path(__file__).parents[1]
DOCS: Final = ROOT / "docs" / "calibration.md"
PICTURE: Final = ROOT / "docs" / "pictures" / "calibration.svg"
FIRST: Final = ("relative emission", "emission reserve", "neutral white now")
MOST_STEPS: Final = 6
ENDS: Final = frozenset({"leave", "adjust", "swap_tube", "replace_display", "retire"})
Triple = tuple[float, float, float]


@dataclass(slots=True)
class Tally:
    """Everything said and everything that came of it, tube after tube."""

    forecasts: dict[str, list[Triple | None]] = field(default_factory=lambda: defaultdict(list))
    truths: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    said: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    came: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    costs: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    groups: list[str] = field(default_factory=list)
    decisions: Counter[tuple[str, str]] = field(default_factory=Counter)
    oracle: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    seconds: list[float] = field(default_factory=list)

    def figure(self, name: str, figure: Figure, truth: float) -> None:
        """Note an interval and the truth."""
        self.forecasts[name].append((figure.p10, figure.median, figure.p90) if isinstance(figure, Spread) else None)
        self.truths[name].append(truth)

    def odds(self, name: str, said: float | None, came: bool) -> None:
        """Note a probability and what came; a withheld one is not scored."""
        if said is not None:
            self.said[name].append(said)
            self.came[name].append(came)


def group_of(tube: SimulatedTube) -> str:
    """What the trouble truly is, roughly: what the decisions are sorted by."""
    if tube.stop != "none":
        return "scrap by a hard stop"
    shorted = (tube.leak_heater_cathode_mohm < 0.05).any() or (tube.leak_cathode_grid1_mohm < 0.05).any()
    if shorted or tube.gas_ua > 1.0:
        return "short or gas"
    if tube.elsewhere != "none":
        return "fault outside the tube"
    if neutral_white_truth(tube) >= tube.owner.minimum_white:
        return "tube bright enough"
    return "tube too dim"


def run(tubes: int, futures: int, seed: int, plays: int, *, tell: bool = True) -> Findings:
    """Draw, assess and score.

    Args:
        tubes: How many tubes.
        futures: Futures per assessment.
        seed: Start of all chance; tube number i is the same for every number of tubes.
        plays: How often each line of conduct is played out per tube.
        tell: Print progress on standard error.
    """
    knowledge = load_knowledge()
    minutes = {kind: facts.attended_minutes for kind, facts in knowledge.treatments.items()}
    player = Player(minutes, seed)
    tally = Tally()
    for number in range(tubes):
        one_tube(tally, player, knowledge, futures, seed, number, plays)
        if tell and (number + 1) % 50 == 0:
            print(f"{number + 1} of {tubes} tubes", file=sys.stderr, flush=True)
    return summarise(tally, tubes, futures, seed, plays)


def one_tube(
    tally: Tally, player: Player, knowledge: Knowledge, futures: int, seed: int, number: int, plays: int
) -> None:
    """Draw one tube, assess it, play it out and note everything."""
    rng = np.random.default_rng([seed, number])
    tube, box = draw_tube(rng), draw_box(rng)
    case = bench_visit(tube, rng, box=box)
    start = time.perf_counter()
    try:
        answer = assess(case, knowledge, seed=seed + number, futures=futures)
    except Exception as error:  # noqa: BLE001 - whatever keeps the estimator from answering is a finding
        told = "" if isinstance(error, TubewrightError) else f"our own failure, {type(error).__name__} "
        tally.refused[f"{told}{str(error)[:120]}"] += 1
        return
    tally.seconds.append(time.perf_counter() - start)
    group = group_of(tube)
    tally.groups.append(group)
    tally.decisions[group, answer.decision] += 1
    if group in {"tube bright enough", "tube too dim", "fault outside the tube"}:
        _note_condition(tally, tube, answer)
    if group in {"tube bright enough", "tube too dim"}:
        _note_options(tally, player, tube, answer, np.random.default_rng([seed, number, 1]))

    # The same future chances for every line of conduct, so that their costs compare.
    lines = player.lines(tube)
    means = {
        name: float(player.costs(tube, line, np.random.default_rng([seed, number, 2]), plays)[0].mean())
        for name, line in lines.items()
    }
    best = min(means, key=lambda name: means[name])
    tally.oracle[best] += 1

    # Fresh chances for the final count: the oracle must not be flattered by luck in choosing.
    def cost(line: Line) -> float:
        return float(player.costs(tube, line, np.random.default_rng([seed, number, 3]), plays)[0].mean())

    tally.costs["oracle"].append(cost(lines[best]))
    for name, line in rule_lines(player, case, box).items():
        tally.costs[name].append(cost(line))
    follow = Follower(player, knowledge, case, answer, box, futures, seed + number)
    course, _ = follow.play(tube, np.random.default_rng([seed, number, 4]))
    ends = [course] * plays
    tally.costs["estimator"].append(float(player.settle(ends, np.random.default_rng([seed, number, 3]))[0].mean()))
    if answer.decision == "find_fault_first":
        tally.odds("confidence: there is a fault elsewhere", answer.confidence, tube.elsewhere != "none")
        return
    quibble = 0.25 * tube.owner.bench_rate_per_hour  # nobody argues about a quarter of an hour
    near = max(0.05 * price_of_a_year(tube.owner) * tube.owner.keep_years, quibble)
    chosen = _first_step_cost(means, answer.decision)
    if chosen is not None:
        tally.odds("confidence: the decision is (nearly) the cheapest", answer.confidence, chosen <= means[best] + near)


def _first_step_cost(means: dict[str, float], decision: str) -> float | None:
    """The cheapest line that opens with the decision, by the simulator."""
    opened = {
        "soak": ("soak",),
        "clean": ("clean",),
        "clear_short": ("clear",),
        "find_fault_first": ("find",),
    }.get(decision, (decision,))
    found = [mean for name, mean in means.items() if name.startswith(opened) and name != "clean_contacts"]
    if decision == "clean_contacts":
        found = [means["clean_contacts"]]
    return min(found) if found else None


def _note_condition(tally: Tally, tube: SimulatedTube, answer: Assessment) -> None:
    emission, reserve = relative_emission_truth(tube), emission_reserve_truth(tube)
    for place, gun in enumerate(GUNS):
        said = answer.guns[gun]
        tally.figure("relative emission", said.relative_emission, float(emission[place]))
        tally.figure("emission reserve", said.emission_reserve, float(reserve[place]))
        # By what was said, not by what was true: a bench only knows what was said.
        if isinstance(said.relative_emission, Spread):
            middle = said.relative_emission.median
            band = "under 0.4" if middle < 0.4 else "0.4 to 0.7" if middle < 0.7 else "over 0.7"
            tally.figure(f"relative emission, said {band}", said.relative_emission, float(emission[place]))
    tally.figure("neutral white now", answer.neutral_white_now, min(neutral_white_truth(tube), 1.0))


def _note_options(
    tally: Tally, player: Player, tube: SimulatedTube, answer: Assessment, rng: np.random.Generator
) -> None:
    """Do each option once and live with it once: its odds, its years, its risk."""
    wanted = tube.owner
    for option in answer.options:
        if option.why_not or option.id in {"retire", "find_fault_first"}:
            continue
        course = player.step(Course(tube, 0.0), option.id, option.guns, rng)
        after = course.tube
        met = good_enough(after)
        years = float(player.settle([course], rng)[1][0])
        tally.odds(f"success of {option.id}", option.success, met)
        tally.odds("success, all options", option.success, met)
        if option.id not in {"leave", "adjust", "swap_tube", "replace_display"}:
            tally.odds("success, treatments", option.success, met)
            died = bool((after.lost & ~tube.lost).any())
            fell = relative_emission_truth(after) - relative_emission_truth(tube)
            tally.odds("risk of loss, treatments", option.risk_of_loss, died)
            tally.odds("risk of loss or harm, treatments", option.risk_of_loss, died or bool(fell.min() < -0.05))
        tally.odds("chance of the years wanted", option.chance_of_keep_years, years >= wanted.keep_years)
        if option.id in {"leave", "adjust"}:
            tally.figure("years if left alone" if option.id == "leave" else "years if adjusted", option.years, years)
    chosen = _option_of(answer)
    if chosen is not None:
        course = player.step(Course(tube, 0.0), chosen.id, chosen.guns, rng)
        tally.figure("years of the chosen option", chosen.years, float(player.settle([course], rng)[1][0]))


def _option_of(answer: Assessment) -> OptionAnswer | None:
    found = [o for o in answer.options if o.id == answer.decision and not o.why_not]
    return found[0] if found and answer.decision not in {"retire", "find_fault_first"} else None


class Follower:
    """Somebody who does what the program says, reads the tube again, and asks again."""

    def __init__(
        self, player: Player, knowledge: Knowledge, case: Case, answer: Assessment, box: Box, futures: int, seed: int
    ) -> None:
        self.player, self.knowledge, self.case, self.answer = player, knowledge, case, answer
        self.box, self.futures, self.seed = box, futures, seed

    def play(self, tube: SimulatedTube, rng: np.random.Generator) -> tuple[Course, int]:
        """Follow the decisions to their end.

        Returns:
            The course, and how many decisions it took. Looking for a fault a
            second time is not obeyed: nothing new would be found, so the display is left.
        """
        course, answer, treatments = Course(tube, 0.0), self.answer, list(self.case.treatments)
        looked = False
        for steps in range(1, MOST_STEPS + 1):
            do, guns = answer.decision, _guns_of(answer)
            if do == "find_fault_first" and looked:
                return course, steps
            course = self.player.step(course, do, guns, rng)
            if do in ENDS:
                return course, steps
            looked = looked or do == "find_fault_first"
            reading = READ_MINUTES / 60.0 * tube.owner.bench_rate_per_hour
            course = replace(course, spent=course.spent + reading)
            case = bench_visit(course.tube, rng, box=self.box, pins_cleaned=True, set_measured=looked)
            if do != "find_fault_first":
                kind: TreatmentKind = do  # type: ignore[assignment] # what is no end and no hunt is a treatment
                treatments += [Treatment(gun=gun, kind=kind) for gun in guns or GUNS]
            case = case.model_copy(update={"treatments": tuple(treatments), "tube": self.case.tube})
            try:
                answer = assess(case, self.knowledge, seed=self.seed, futures=self.futures)
            except Exception:  # noqa: BLE001 - as for the first answer
                return course, steps  # no further answer: the display is left as it is
        return course, MOST_STEPS


def _guns_of(answer: Assessment) -> tuple[Gun, ...]:
    for step in answer.plan[:1]:
        return step.guns
    return ()


def summarise(tally: Tally, tubes: int, futures: int, seed: int, plays: int) -> Findings:
    """Turn notes into scores."""
    names = sorted(tally.forecasts, key=lambda name: (name.split(",")[0] not in FIRST, name))
    covered = [coverage(name, tally.forecasts[name], tally.truths[name]) for name in names]
    scored = {name: reliability(name, tally.said[name], tally.came[name]) for name in tally.said}
    by_treatment = tuple(r for n, r in sorted(scored.items()) if r is not None and n.startswith("success of"))
    overall = tuple(r for n, r in scored.items() if r is not None and not n.startswith("success of"))
    oracle = np.array(tally.costs["oracle"])
    lines = [name for name in tally.costs if name != "oracle"]
    regret = {name: np.array(tally.costs[name]) - oracle for name in lines}
    groups = np.array(tally.groups)
    return Findings(
        tubes=tubes,
        futures=futures,
        seed=seed,
        plays=plays,
        coverages=tuple(c for c in covered if c is not None),
        reliabilities=overall,
        by_treatment=by_treatment,
        regrets={name: mean_and_error(regret[name]) for name in lines},
        regrets_by_group={
            group: {name: mean_and_error(regret[name][groups == group]) for name in lines}
            for group in sorted(set(tally.groups))
        },
        oracle_cost=mean_and_error(oracle),
        decisions=dict(tally.decisions),
        oracle_choices=dict(tally.oracle.most_common()),
        group_counts=dict(Counter(tally.groups)),
        refused=dict(tally.refused),
        seconds=float(np.median(tally.seconds)),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--tubes", type=int, default=400, help="how many simulated tubes (default 400)")
    parser.add_argument("--futures", type=int, default=4000, help="futures per assessment (default 4000)")
    parser.add_argument("--seed", type=int, default=1, help="start of all chance (default 1)")
    parser.add_argument("--plays", type=int, default=40, help="plays of each line of conduct (default 40)")
    parser.add_argument("--docs", action="store_true", help="write docs/calibration.md and its picture")
    options = parser.parse_args(arguments)
    findings = run(options.tubes, options.futures, options.seed, options.plays)
    print(as_text(findings))
    if options.docs:
        PICTURE.parent.mkdir(parents=True, exist_ok=True)
        PICTURE.write_text(picture(findings), encoding="utf-8", newline="\n")
        DOCS.write_text(as_markdown(findings), encoding="utf-8", newline="\n")
        print(f"Written: {DOCS.relative_to(ROOT)}, {PICTURE.relative_to(ROOT)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
