"""One simulated display, set up by the advice alone: geometry, convergence, purity and grey in the same rounds.

A round is what a person does between two looks: one survey photograph and one staircase, and
the moves of both. What the display really is like, and what each control does to it, stays
hidden from the advice; what it left is judged by the truth.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from grey_bench import STEPS, GreyBench, made_up
from tubewright.answers.greyscale import Control, GreyAnswer, GreyError, GreyTarget, grey_target, set_grey
from tubewright.answers.measure import measure
from tubewright.answers.measurement import Measurement
from tubewright.files.measurements import measurement_from_json
from tubewright.files.photos import read_photo
from tubewright.judgement.advice.carry import learned_gains, rings_left
from tubewright.judgement.advice.course import RingSetting, Round, Setup, Turned, excess, follow
from tubewright.judgement.advice.effects import CarriedGain
from tubewright.judgement.advice.modes import observe
from tubewright.judgement.advice.plan import plan
from tubewright.judgement.advice.planned import Move, Plan
from tubewright.judgement.advice.tolerances import Held, book_of, held
from tubewright.judgement.greyscale import grey_error, grey_steps
from tubewright.judgement.greyscale_fit import GreyReading
from tubewright.judgement.greyscale_gains import Gain
from tubewright.knowledge.model import Knowledge
from tubewright.simulate.controls import Bench
from tubewright.simulate.display import Spot
from tubewright.simulate.photograph import take
from tubewright.simulate.scenes import plain_scene

MOST_ROUNDS = 12
"""A display that isn't done after so many is given up; the aim is seven."""

DOUBT = 0.1
"""A tenth of a tolerance: what the errors of measuring come to."""
CONVERGENCE = ("four_pole_rings", "six_pole_rings", "yoke_tilt_vertical", "yoke_tilt_horizontal")
GREY_HAND = (0.03, 0.005)
"""How closely a hand that watches the instrument meets an amount of a grey control: a share of it, and turns."""
EYE_MM = 0.6
"""How closely red and blue are brought together by eye, each way, by one who doesn't take long over it."""
FOCUS_PER_VOLT = 0.0004
"""Turns of the focus control that a volt of the screen control is like: it disturbs the focus a little."""


@dataclass(frozen=True, kw_only=True)
class Known:
    """What an earlier job on the same display leaves to the next."""

    gains: Mapping[str, CarriedGain] = field(default_factory=dict)
    rings: Mapping[str, RingSetting] = field(default_factory=dict)
    grey: Mapping[Control, Gain] = field(default_factory=dict)
    bench: Bench | None = None
    guns: GreyBench | None = None


@dataclass(frozen=True, kw_only=True)
class Played:
    """How one display fared.

    ``rounds`` counts how often something was turned and looked at again. ``before`` and ``after``
    are what lay truly beyond tolerance, ``all_before`` and ``all_after`` the sums of squares of all
    errors over their tolerances; ``grey_before`` and ``grey_after`` the larger of the grey's two
    errors over their tolerances, 0 without grey. ``last_out`` is what was beyond tolerance longest. ``by_eye``:
    it stood too far apart to be photographed, and was converged roughly by eye first.
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
    grey_state: str = ""
    grey_rounds: int = 0
    grey_before: float = 0.0
    grey_after: float = 0.0
    last_out: tuple[str, ...] = ()
    by_eye: bool = False
    left: Known = Known()

    @property
    def worse(self) -> bool:
        """Left worse than it came, by more than measuring leaves in doubt."""
        return self.after > self.before + DOUBT or self.grey_after > max(self.grey_before, 1.0) + DOUBT

    @property
    def within(self) -> bool:
        """Truly within all tolerances."""
        return self.after <= 0 and self.grey_after <= 1


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
        spot=Spot(h_mm=bench.state.best_spot_mm, v_mm=bench.state.best_spot_mm),
    )
    shot = take(replace(scene, display=shown, seed=int(bench.rng.integers(1 << 30))))
    return measure([read_photo(shot.jpeg, name="drawn")], rasters=[shown.raster])


def _converge_by_eye(bench: Bench) -> None:
    """Bring red and blue together in the middle, by eye, where they stand too far apart for a survey to be read."""
    found = bench.rng.normal(0, EYE_MM, (2, 2))
    bench.state.misconvergence = replace(
        bench.state.misconvergence,
        four_pole_mm=(float(found[0, 0]), float(found[0, 1])),
        six_pole_mm=(float(found[1, 0]), float(found[1, 1])),
    )


def squares(figures: Sequence[Held]) -> float:
    """Sum of squares of all errors over their tolerances."""
    return sum(one.over_ratio**2 for one in figures if one.over_ratio is not None)


def obey(bench: Bench, move: Move, after: int, *, wrong: bool, noticed: bool = True) -> Turned:
    """Do a move on the display, and write down what the person believes to have done."""
    said = wrong and noticed
    if move.control == "degauss":
        bench.degauss()
        return Turned(after=after, control="degauss")
    if move.ring is not None:
        angle = move.ring.angle_deg
        if wrong and move.ring_now is not None:
            angle = 2 * move.ring_now.angle_deg - angle
        bench.set_ring(move.control, move.ring.tabs_mm, angle)
        return Turned(after=after, control=move.control, ring=move.ring, wrong_way=said)
    bench.turn(move.control, -move.value if wrong else move.value)
    return Turned(after=after, control=move.control, part=move.part, value=move.value, unit=move.unit, wrong_way=said)


class GreySide:
    """The display's grey scale: hidden guns and controls, a staircase read by a noisy colorimeter."""

    def __init__(
        self, seed: int, kind: Literal["inline", "delta"], bench: Bench, known: Known, knowledge: Knowledge
    ) -> None:
        draw = np.random.default_rng([seed, 4471])
        # As with the other errors, about half have the screen control off, and one tube in ten has a tired gun.
        screen = float(draw.normal(0, 25)) if draw.random() < 0.5 else 0.0
        self.guns: GreyBench = made_up(seed + 31_000, weak=bool(draw.random() < 0.1), screen_off_v=screen)
        if known.guns is not None:
            self.guns.per_turn = known.guns.per_turn
        self.target: GreyTarget = grey_target(str(draw.choice(["D65", "9300K"])), kind, knowledge)
        self.bench, self.hand = bench, np.random.default_rng([seed, 98])
        self.gains: Mapping[Control, Gain] = known.grey
        self.before: Sequence[GreyReading] = ()
        self.turned: dict[Control, float] = {}
        self.first = self.off()
        self.rounds = 0

    def answer(self) -> GreyAnswer:
        """A staircase, and what to turn."""
        found = set_grey(
            self.guns.readings(primaries=True), self.target, before=self.before, turned=self.turned, gains=self.gains
        )
        self.gains, self.before, self.turned = found.gains, found.readings, {}
        return found

    def obey(self, found: GreyAnswer, wrong_way: float) -> int:
        """Make its moves, those of unknown direction the wrong way half of the time; how many there were."""
        if found.state != "turn":
            return 0
        self.rounds += 1
        for one in found.moves:
            amount = one.turns_ratio
            if amount is None:
                amount = (one.probe_ratio or 0.0) * float(np.sign(one.change_ratio))
            if self.hand.random() < wrong_way:
                amount = -amount  # seen, and written down so
            really = amount * (1 + GREY_HAND[0] * self.hand.normal()) + GREY_HAND[1] * self.hand.normal()
            volts = self.guns.g2_v
            self.guns.turn(one.control, float(really))
            self.bench.state.focus_turn += FOCUS_PER_VOLT * (self.guns.g2_v - volts)
            self.turned[one.control] = self.turned.get(one.control, 0.0) + amount
        return len(found.moves)

    def off(self) -> float:
        """The larger of the two errors over their tolerances, in truth."""
        exact = replace(self.guns, noise=0.0, floor_cd_m2=0.0, rng=np.random.default_rng(0))
        error = grey_error(grey_steps(exact.readings(STEPS), self.target), self.target)
        if not isinstance(error, GreyError):
            return float("inf")
        return max(error.white_du_v / self.target.white_du_v, error.drift_du_v / self.target.drift_du_v)


def _setup_of(bench: Bench, known: Known, at_once: int | None, *, rendered: bool) -> Setup:
    """What a person says of the display: its controls, how the rings stand by a ruler, and the opening."""
    here = CONVERGENCE if rendered else bench.controls
    rings = {name: RingSetting(tabs_mm=round(ring.tabs_mm)) for name, ring in bench.rings.items()}
    setup = Setup(
        gun=bench.gun,
        controls=here,
        tolerance="delta" if bench.gun == "delta" else "arcade",
        rings={name: ring for name, ring in (rings | dict(known.rings)).items() if name in here},
        opening_mm=None if rendered else bench.opening_mm,
        prior_gains=known.gains,
    )
    return setup if at_once is None else replace(setup, at_once=at_once)


def play(
    seed: int,
    knowledge: Knowledge,
    *,
    gun: Literal["inline", "delta"] = "inline",
    dead: tuple[str, ...] = (),
    at_once: int | None = None,
    wrong_way: float = 0.03,
    grey: bool = True,
    rendered: bool = False,
    again: int = 0,
    known: Known | None = None,
    size: float = 1.0,
    trace: bool = False,
) -> Played:
    """Set up one display from its first photograph to the end of the advice.

    ``rendered``: only convergence and grey are off, the controls of convergence are the only others, and every
    photograph is drawn and measured. ``known``: the display comes back with other errors, and this is what was
    learned of it; ``again`` is the number of the job then. ``size``: its hidden gains are so much larger than usual.
    """
    known = known or Known()
    bench = known.bench or Bench(seed, gun=gun, dead=dead, calm=rendered, size_ratio=size)
    if known.bench is not None:
        bench.comes_back(again, calm=rendered)
    look = drawn if rendered else stated
    hand = np.random.default_rng([seed, 99, again])
    setup = _setup_of(bench, known, at_once, rendered=rendered)
    side = GreySide(seed + 1000 * again, gun, bench, known, knowledge) if grey else None
    at_first = look(bench)
    if by_eye := not at_first.accepted:
        _converge_by_eye(bench)
        at_first = look(bench)
    first = truth(bench, knowledge)
    measured, turned, rounds, controls = [at_first], list[Turned](), 0, 0
    out: tuple[str, ...] = ()
    course = follow(measured, turned, setup, knowledge)
    found = plan(course, knowledge)
    greys = side.answer() if side is not None else None
    given_up = unseen = False
    while rounds < MOST_ROUNDS:
        if trace:
            tell(course.now, found, greys)
        moves = () if given_up else found.moves
        # Where the advice gives up, its way back is made, and nothing is asked of it any more.
        given_up = given_up or found.state in {"no_gain", "out_of_reach"}
        grey_over = greys is not None and greys.state == "turn"
        if moves or grey_over:
            out = tuple(sorted({one.group for one in found.failing} | ({"grey"} if grey_over else set())))
            rounds, controls = rounds + 1, controls + len(moves)
            for move in moves:
                wrong = bool(hand.random() < wrong_way)
                # Half of what goes the wrong way is seen, and written down so.
                turned.append(obey(bench, move, len(measured), wrong=wrong, noticed=bool(hand.random() < 0.5)))
            if side is not None and greys is not None and grey_over:
                controls += side.obey(greys, wrong_way)
                greys = side.answer()
            unseen = not moves
        elif unseen and not given_up:
            # The greys went on alone: a last look whether the picture is still in order.
            unseen = False
        else:
            break
        if not unseen:
            measured.append(look(bench))
            course = follow(measured, turned, setup, knowledge)
            found = plan(course, knowledge)
    last = truth(bench, knowledge)
    worst = max((one for one in last if one.over_ratio is not None), key=lambda one: one.over_ratio or 0)
    gains = learned_gains(course, knowledge)
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
        grey_state="" if greys is None else greys.state,
        grey_rounds=0 if side is None else side.rounds,
        grey_before=0.0 if side is None else side.first,
        grey_after=0.0 if side is None else side.off(),
        last_out=out,
        by_eye=by_eye,
        left=Known(gains=gains, rings=rings_left(course), grey={} if side is None else side.gains, bench=bench),
    )


def tell(now: Round, found: Plan, greys: GreyAnswer | None) -> None:
    """One round, for a person who watches."""
    failing = [f"{one.about} {one.over_ratio:.1f}" for one in found.failing]
    print(f"  beyond {now.excess_ratio:.2f}: {found.state}", *failing[:6], sep=" | ")
    for move in found.moves:
        stands = "" if move.ring is None else f"tabs {move.ring.tabs_mm:.1f} mm at {move.ring.angle_deg:.0f} degrees"
        print(f"    {move.sort} {move.control} {move.part} {move.value:+.3f} {move.unit} {stands} {move.about}")
    if greys is not None:
        print(f"    grey {greys.state}: {' '.join(one.control for one in greys.moves)}")


def options_of(**given: Any) -> dict[str, Any]:  # noqa: ANN401 - what a command line gave
    """Those that were given."""
    return {name: value for name, value in given.items() if value is not None}
