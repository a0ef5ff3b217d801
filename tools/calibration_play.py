"""Plays decisions out in the simulator: what a line of conduct costs an owner, and what the best one would have cost.

Cost of a line of conduct, in the owner's currency:

    bench minutes x bench rate + prices paid - what parts fetched
    + (years wanted - years had, where that is positive) x price of a year

The price of a year is the cheapest replacement that can be had (tube with three
hours of work, or display with half an hour) spread over the years wanted; 450 where
none can be had. Years had end when the white in the set falls under the owner's
minimum or the tube is lost; a picture that is tinted from the start has none.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.case import GUNS, Case, Gun, TreatmentKind
from tubewright.simulate.tube_acts import act, adjust, mend_elsewhere
from tubewright.simulate.tube_life import live_many
from tubewright.simulate.tube_truth import (
    Owner,
    SimulatedTube,
    good_enough,
    neutral_white_truth,
    relative_emission_truth,
    tracked,
    usable,
    white_in_set_truth,
)
from tubewright.simulate.tube_visit import Box, bench_visit
from tubewright.simulate.tubes import draw_tube

READ_MINUTES: Final = 20.0  # common practice: three guns with heater, leakage and slump, 15 to 25 minutes
SWAP_MINUTES: Final = 180.0  # from memory (estimate): changing a tube takes 2 to 4 hours
DISPLAY_MINUTES: Final = 30.0  # from memory (estimate)
ADJUST_MINUTES: Final = 35.0  # from memory (estimate): setting the grey scale of a warm display
LOOK_MINUTES: Final = 20.0  # from memory (estimate): heater, grid 2, B+ and the socket are looked at in as long
MEND_MINUTES: Final = 30.0  # from memory (estimate): what looks like a weak tube is found and mended in 10 to 45
FIND_FAULT_PARTS: Final = 15.0  # from memory (estimate)
NO_REPLACEMENT_PRICE: Final = 450.0  # from memory (estimate): what one would have to pay in the end
TARGET: Final = 0.55  # common practice: stop restoring at E 55 to 60

Minutes = Mapping[str, float]
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Course:
    """Where one play of a line of conduct has led: the tube then, and what was spent."""

    tube: SimulatedTube
    spent: float
    replaced: bool = False
    given_up: bool = False


Line = Callable[[SimulatedTube, np.random.Generator], Course]


class Player:
    """Plays lines of conduct with given bench minutes per treatment and a shelf of good replacement tubes."""

    def __init__(self, minutes: Minutes, seed: int) -> None:
        self.minutes = minutes
        self.shelf = _shelf(np.random.default_rng([seed, 999_999]))

    def treat(self, course: Course, kind: TreatmentKind, guns: tuple[Gun, ...], rng: np.random.Generator) -> Course:
        """Do one treatment; its attended minutes are charged."""
        outcome = act(course.tube, kind, rng, guns=guns)
        return replace_course(course, tube=outcome.tube, extra=self.minutes[kind] / 60.0 * _rate(course))

    def find_fault(self, course: Course, rng: np.random.Generator) -> Course:
        """Look for the fault outside the tube; mending and parts are charged only if one is found."""
        tube = mend_elsewhere(course.tube, rng)
        found = tube.elsewhere != course.tube.elsewhere
        minutes = LOOK_MINUTES + (MEND_MINUTES if found else 0.0)
        return replace_course(
            course, tube=tube, extra=minutes / 60.0 * _rate(course) + (FIND_FAULT_PARTS if found else 0.0)
        )

    def buy(self, course: Course, what: str, rng: np.random.Generator) -> Course:
        """Swap the tube, or replace the display; from then on it has a good tube."""
        owner = course.tube.owner
        other = self.shelf[int(rng.integers(len(self.shelf)))]
        if what == "swap_tube":
            price = owner.replacement_tube_price
            cost = (NO_REPLACEMENT_PRICE if price is None else price) + SWAP_MINUTES / 60.0 * _rate(course)
            kept = course.tube.elsewhere if course.tube.elsewhere != "socket_dirty" else "none"
            tube = replace(
                other,
                owner=owner,
                white_share=course.tube.white_share,
                elsewhere=kept,
                elsewhere_gun=course.tube.elsewhere_gun,
                elsewhere_left_share=course.tube.elsewhere_left_share,
            )
        else:
            price = owner.replacement_display_price
            cost = (NO_REPLACEMENT_PRICE if price is None else price) + DISPLAY_MINUTES / 60.0 * _rate(course)
            cost -= owner.parts_worth
            tube = replace(other, owner=owner)
        return Course(tube=tracked(tube), spent=course.spent + cost, replaced=True)

    def retire(self, course: Course) -> Course:
        """Part it out."""
        return replace(course, spent=course.spent - course.tube.owner.parts_worth, given_up=True)

    def step(self, course: Course, do: str, guns: tuple[Gun, ...], rng: np.random.Generator) -> Course:
        """Do whatever the decision is called; ``leave`` does nothing and costs nothing."""
        if do == "leave":
            return course
        if do == "adjust":
            return replace_course(course, tube=adjust(course.tube), extra=ADJUST_MINUTES / 60.0 * _rate(course))
        if do == "find_fault_first":
            return self.find_fault(course, rng)
        if do in {"swap_tube", "replace_display"}:
            return self.buy(course, do, rng)
        if do == "retire":
            return self.retire(course)
        kind: TreatmentKind = do  # type: ignore[assignment] # the decisions that remain are the treatments
        return self.treat(course, kind, guns or GUNS, rng)

    def cheapest(self, owner: Owner) -> str:
        """The cheapest replacement that can be had; the display if none can."""
        return min(("replace_display", "swap_tube"), key=lambda what: replacement_price(owner, what))

    def lines(self, tube: SimulatedTube) -> dict[str, Line]:
        """Every line of conduct that the oracle chooses among, by name."""
        weak = weak_guns(tube)
        lines: dict[str, Line] = {"leave": lambda t, _: Course(t, 0.0)}
        for what in (
            "adjust",
            "find_fault_first",
            "swap_tube",
            "replace_display",
            "retire",
            "boost_heater",
            "isolate_heater",
        ):
            lines[what] = lambda t, rng, do=what: self.step(Course(t, 0.0), do, GUNS, rng)  # type: ignore[misc] # a default binds the loop's value
        lines["clean_contacts"] = lambda t, rng: self.step(Course(t, 0.0), "clean_contacts", GUNS, rng)
        for kind in ("soak", "run_in", "short_boost", "clean", "activate", "clear_short"):
            lines[kind] = lambda t, rng, do=kind: self.step(Course(t, 0.0), do, weak, rng)  # type: ignore[misc] # as above
            if kind != "clear_short":
                lines[f"{kind}, else replace"] = lambda t, rng, do=kind: self._else_replace(t, (do,), rng)  # type: ignore[misc] # as above
        for name, ladder in LADDERS.items():
            lines[name] = lambda t, rng, rungs=ladder: self._ladder(t, rungs, rng)  # type: ignore[misc] # as above
            lines[f"{name}, else replace"] = lambda t, rng, rungs=ladder: self._else_replace(t, rungs, rng)  # type: ignore[misc] # as above
        return lines

    def _ladder(self, tube: SimulatedTube, rungs: Sequence[str], rng: np.random.Generator) -> Course:
        """Rung by rung, stopping as soon as the picture meets the owner's minimum with a tenth to spare."""
        course = Course(tube, 0.0)
        for rung in rungs:
            enough = white_in_set_truth(course.tube) >= 1.1 * tube.owner.minimum_white
            if (enough and good_enough(course.tube)) or course.tube.lost.any():
                break
            course = self.step(course, rung, weak_guns(course.tube), rng)
            course = replace(course, spent=course.spent + READ_MINUTES / 60.0 * tube.owner.bench_rate_per_hour)
        return course

    def _else_replace(self, tube: SimulatedTube, rungs: Sequence[str], rng: np.random.Generator) -> Course:
        course = self._ladder(tube, rungs, rng)
        if not good_enough(course.tube):
            course = self.buy(course, self.cheapest(tube.owner), rng)
        return course

    def costs(self, tube: SimulatedTube, line: Line, rng: np.random.Generator, plays: int) -> tuple[Array, Array]:
        """Play a line several times.

        Returns:
            Cost of each play and its years, both (plays,).
        """
        courses = [line(tube, rng) for _ in range(plays)]
        return self.settle(courses, rng)

    def settle(self, courses: Sequence[Course], rng: np.random.Generator) -> tuple[Array, Array]:
        """Cost and years of courses that have come to their end, each played on for one future."""
        owner = courses[0].tube.owner
        years = live_many([c.tube for c in courses], owner.hours_per_week, rng)
        years = np.where([c.given_up for c in courses], 0.0, years)
        short = np.maximum(owner.keep_years - years, 0.0)
        return np.array([c.spent for c in courses]) + short * price_of_a_year(owner), years


LADDERS: Final[dict[str, tuple[str, ...]]] = {
    "soak, then clean": ("soak", "clean"),
    "soak, clean, activate": ("soak", "clean", "activate"),
    "clean twice": ("clean", "clean"),
    "clean, then activate": ("clean", "activate"),
    "find fault, then soak and clean": ("find_fault_first", "soak", "clean"),
    "clear short, then isolate": ("clear_short", "isolate_heater"),
}


def replace_course(course: Course, *, tube: SimulatedTube, extra: float) -> Course:
    """The course with another tube and more spent."""
    return replace(course, tube=tube, spent=course.spent + extra)


def replacement_price(owner: Owner, what: str) -> float:
    """What a replacement costs in all; infinite if it can't be had."""
    rate = owner.bench_rate_per_hour
    if what == "swap_tube":
        price, all_else = owner.replacement_tube_price, SWAP_MINUTES / 60.0 * rate
    else:
        price, all_else = owner.replacement_display_price, DISPLAY_MINUTES / 60.0 * rate - owner.parts_worth
    return np.inf if price is None else price + all_else


def price_of_a_year(owner: Owner) -> float:
    """What a year without a picture is charged at."""
    # Parts are not taken off: they are there to be sold whatever is done.
    display = replacement_price(owner, "replace_display") + owner.parts_worth
    cheapest = min(replacement_price(owner, "swap_tube"), display)
    return (cheapest if np.isfinite(cheapest) else NO_REPLACEMENT_PRICE) / owner.keep_years


def weak_guns(tube: SimulatedTube) -> tuple[Gun, ...]:
    """Guns under the target, by the truth; the weakest if none is."""
    emission = relative_emission_truth(tube)
    found = tuple(gun for place, gun in enumerate(GUNS) if emission[place] < TARGET)
    return found or (GUNS[int(np.argmin(emission))],)


def lowest_reading(case: Case) -> float | None:
    """The lowest reading at rated heater as a simple rule takes it: over the reference, or over a good mark."""
    rated = case.tube.heater_v or 6.3
    good = {"uA": 900.0, "mA": 0.9, "rel": 1.0}
    found = []
    for reading in case.readings:
        if reading.kind != "emission" or (reading.heater_v is not None and reading.heater_v < 0.95 * rated):
            continue
        typical = reading.reference or good.get(reading.unit, 0.85 * (reading.full_scale or 100.0))
        found.append(reading.value / typical)
    return min(found) if found else None


def rule_lines(player: Player, case: Case, box: Box) -> dict[str, Line]:
    """The three simple rules that the estimator has to beat, each going by what was written down."""
    lowest = lowest_reading(case)

    def ladder(tube: SimulatedTube, rng: np.random.Generator) -> Course:
        course = Course(tube, 0.0)
        for rung in ("soak", "clean", "activate"):
            now = lowest_reading(bench_visit(course.tube, rng, box=box))
            if now is None or now >= TARGET:
                break
            course = player.step(course, rung, weak_guns(course.tube), rng)
            course = replace(course, spent=course.spent + READ_MINUTES / 60.0 * tube.owner.bench_rate_per_hour)
        return course

    def by_lowest(tube: SimulatedTube, rng: np.random.Generator) -> Course:
        course = Course(tube, 0.0)
        if lowest is not None and lowest < 0.4:
            return player.buy(course, player.cheapest(tube.owner), rng)
        return course

    return {
        "always leave": lambda tube, _: Course(tube, 0.0),
        "always the full ladder": ladder,
        "replace under 0.4": by_lowest,
    }


def _rate(course: Course) -> float:
    return course.tube.owner.bench_rate_per_hour


def _shelf(rng: np.random.Generator) -> list[SimulatedTube]:
    """Forty tubes worth buying: sound, no fault around them, weakest gun at least good."""
    shelf: list[SimulatedTube] = []
    while len(shelf) < 40:
        tube = draw_tube(rng)
        if usable(tube) and tube.elsewhere == "none" and neutral_white_truth(tube) > 0.75:
            shelf.append(tube)
    return shelf
