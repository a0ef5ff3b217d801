"""``advise``: measurements and what was turned between them in; the next moves, or why to stop, out."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from typing import Final

from tubewright.answers.advise_guard import INSIDE, NEAR_NECK, asked_ways
from tubewright.answers.advise_learned import Earlier, carried_into, gains_taught, learned_of
from tubewright.answers.advise_order import order_of
from tubewright.answers.advised import Advised, AdvisedMove, ExpectedAnswer, NotKnown, Remaining
from tubewright.errors import Fault, InputError, RefusedError
from tubewright.judgement.advice import moves as words
from tubewright.judgement.advice.course import Course, RingSetting, Setup, Turned, follow
from tubewright.judgement.advice.effects import DELTA, INLINE, RINGS, TURNABLE, effects_of, usual_controls
from tubewright.judgement.advice.modes import GunKind
from tubewright.judgement.advice.plan import plan
from tubewright.judgement.advice.planned import Move, Plan, State
from tubewright.judgement.advice.tolerances import TOLERANCES, Held, Tolerance
from tubewright.judgement.seen_checks import Measured
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import Figure, Unsupported

__all__ = [
    "RINGS",
    "TOLERANCES",
    "Earlier",
    "GunKind",
    "RingSetting",
    "Setup",
    "Tolerance",
    "Turned",
    "advise",
    "usual_controls",
]

DEGAUSS: Final = "degauss"
ADVISABLE: Final = TURNABLE | {DEGAUSS, "wedges"}
"""Controls that advice can be given on; the others of the list need a meter or a grey scale."""

HEADLINES: Final[dict[State, str]] = {
    "not_warm": "Nothing yet: let it warm up, then photograph it again.",
    "go_on": "Do these, in this order, then photograph again.",
    "done": "Done: everything measured is within tolerance.",
    "within_doubt": "Done as far as photographs can tell: what is still beyond tolerance is within their doubt.",
    "no_gain": "Stop: two loops have not improved it by a fifth. This is a fault, not an adjustment.",
    "out_of_reach": "Stop: what is left is out of reach of the controls this display has.",
    "unmeasured": "Nothing could be measured: photograph better, or go back to what could be.",
}


def advise(
    measured: Sequence[Measured],
    turned: Sequence[Turned],
    setup: Setup,
    knowledge: Knowledge,
    *,
    earlier: Sequence[Earlier] = (),
) -> Advised:
    """What to turn next on a display.

    Args:
        measured: A measurement for each round of photographs, in order; at least one.
        turned: What was turned between them.
        setup: What is set up.
        knowledge: The facts.
        earlier: The set-ups of earlier jobs on the same display, oldest first: what its controls did then is where
            this one begins.

    Returns:
        The answer; its moves come in the order of work, each with its cautions.

    Raises:
        InputError: No measurement, a control that isn't known, a move that no photograph follows.
        RefusedError: A measurement that was itself refused.
    """
    _check(measured, turned, setup, knowledge)
    if earlier:
        setup = replace(setup, prior_gains={**gains_taught(earlier, knowledge), **setup.prior_gains})
    course = follow(measured, turned, setup, knowledge)
    carried = carried_into(course)
    found = plan(course, knowledge)
    moves = tuple(_advised(move, course, found, knowledge) for move in found.moves)
    return Advised(
        state=found.state,
        within_tolerance=not found.failing and found.state == "done",
        headline=HEADLINES[found.state],
        tolerance=setup.tolerance,
        moves=moves,
        cautions=tuple(dict.fromkeys(text for move in moves for text in move.cautions)),
        remaining=tuple(_remaining(course.now.held)),
        unknown=tuple(_unknown(found.unknown)),
        notes=(*_unreckoned(turned, knowledge), *_notes(course, found, knowledge), *_carried(carried, knowledge)),
        history_ratio=tuple(one.excess_ratio for one in course.rounds),
        worst_ratio=tuple(
            max((one.over_ratio for one in each.held if one.over_ratio is not None), default=None)
            for each in course.rounds
        ),
        order=order_of(course, found, knowledge),
        learned=learned_of(course, carried, knowledge),
        ways=asked_ways([move.control for move in moves], knowledge),
    )


def _check(measured: Sequence[Measured], turned: Sequence[Turned], setup: Setup, knowledge: Knowledge) -> None:
    faults: list[Fault] = []
    if not measured:
        faults.append(Fault(what="no measurement", where="measurements", mend="Give what measure --json wrote."))
    faults += [
        Fault(what=f"no control is called {control}", where="controls", mend=_mend(control, knowledge.controls))
        for control in sorted(set(setup.controls) - set(knowledge.controls))
    ]
    wrong = DELTA if setup.gun == "inline" else INLINE
    for control in sorted(set(setup.controls) & wrong):
        kind = "a delta gun" if setup.gun == "inline" else "guns in line"
        faults.append(
            Fault(what=f"{control} belongs to a tube with {kind}", where="controls", mend="Say which guns it has.")
        )
    inputs = effects_of(setup.controls, knowledge).inputs
    for number, move in enumerate(turned, start=1):
        where = f"move {number}"
        if move.control not in setup.controls:
            mend = _mend(move.control, setup.controls)
            faults.append(Fault(what=f"this display has no {move.control}", where=where, mend=mend))
        if not 1 <= move.after < len(measured):
            faults.append(
                Fault(
                    what=f"it was turned after photograph {move.after}, and no measurement follows",
                    where=where,
                    mend="Photograph and measure again, and give all measurements in order.",
                )
            )
        parts = [one.part for one in inputs if one.control == move.control]
        if parts and move.control not in RINGS and move.part not in parts:
            what = (
                f"{move.control} has no part {move.part!r}" if move.part else f"which part of {move.control} is missing"
            )
            faults.append(Fault(what=what, where=where, mend=f"Write part = one of: {'; '.join(parts)}."))
        if move.control in RINGS and move.ring is None and not (move.undone or move.at_stop):
            faults.append(
                Fault(what="how the rings stand now is missing", where=where, mend="Give tabs_mm and angle_deg.")
            )
    for number, one in enumerate(measured, start=1):
        # Where moves have made it unreadable, the advice leads back.
        spoilt = number == len(measured) > 1 and any(move.after == number - 1 for move in turned)
        if getattr(one, "accepted", True) is False and not spoilt:
            raise RefusedError(
                Fault(
                    what="nothing could be measured in it: " + str(getattr(one, "refused_because", "")),
                    where=f"measurement {number}",
                    mend="Photograph again.",
                )
            )
    if faults:
        raise InputError(faults)


def _mend(word: str, known: Collection[str]) -> str:
    from difflib import get_close_matches

    near = get_close_matches(word, sorted(known), n=2)
    return f"Did you mean {' or '.join(near)}?" if near else "See tubewright list controls."


def _advised(move: Move, course: Course, found: Plan, knowledge: Knowledge) -> AdvisedMove:
    control = knowledge.controls[move.control]
    near = NEAR_NECK if control.hazard == "H3" else INSIDE if control.hazard == "H2" else ()
    ids = dict.fromkeys((*near, *control.cautions))
    expected = move.expected
    return AdvisedMove(
        control=move.control,
        name=control.name,
        part=move.part,
        sort=move.sort,
        direction=words.direction(move),
        way="" if move.sort == "degauss" or move.ring is not None else _short(move),
        amount=words.amount(move),
        value=None if move.sort == "degauss" else move.value,
        value_sd=None if move.sort == "degauss" else move.value_sd,
        unit=move.unit,
        tabs_mm=None if move.ring is None else move.ring.tabs_mm,
        angle_deg=None if move.ring is None else move.ring.angle_deg,
        expected=None
        if expected is None
        else ExpectedAnswer(
            about=expected.about,
            unit=expected.unit,
            before_ratio=expected.before_ratio,
            after_ratio=expected.after_ratio,
            after_sd=expected.after_sd,
        ),
        why=_why(move, found, control.moves),
        disturbs=control.disturbs,
        hazard=control.hazard,
        cautions=tuple(knowledge.cautions[name].text for name in ids),
        confirm=tuple(text for name in ids if (text := knowledge.cautions[name].confirm)),
        entry=_entry(move, len(course.rounds)),
    )


def _why(move: Move, found: Plan, moves: str) -> str:
    if move.sort == "degauss":
        return (
            "The impurity has a patch that neither rings nor yoke could make: something is magnetised."
            if found.patch
            else "Purity is beyond tolerance: degauss before rings or yoke are blamed for it."
        )
    if move.sort == "undo":
        return "The picture was better before: this goes back to its best photograph."
    tail = "" if move.about == "" else f" It is for: {move.about}."
    if move.sort == "probe":
        return f"{moves}{tail} Which way and how far differ between designs: the next photograph tells."
    return f"{moves}{tail}"


def _entry(move: Move, after: int) -> str:
    """The lines of the moves file that say it was done just so."""
    lines = ["[[move]]", f"after = {after}", f'control = "{move.control}"']
    if move.part:
        lines.append(f'part = "{move.part}"')
    if move.ring is not None:
        lines += [f"tabs_mm = {move.ring.tabs_mm:.1f}", f"angle_deg = {move.ring.angle_deg:.0f}"]
    elif move.sort != "degauss":
        lines += [f'amount = "{abs(move.value):.3g} {move.unit}"', f'direction = "{_short(move)}"']
    return "\n".join(lines) + "\n"


SHORT: Final = {
    "yoke_tilt_vertical": ("up", "down"),
    "yoke_tilt_horizontal": ("right", "left"),
    "yoke_axial": ("forward", "back"),
    "convergence_strips": ("in", "out"),
}
"""Each control's two ways as they stand in a file of moves; others go clockwise and anticlockwise."""


def ways(control: str) -> tuple[str, str]:
    """The words for a control's two ways, the positive first."""
    return SHORT.get(control, ("clockwise", "anticlockwise"))


def unit_of(control: str) -> str:
    """In what a control is moved: turn, mm, deg or cm."""
    return {"yoke_rotation": "deg", "convergence_strips": "cm"}.get(
        control, "mm" if control.startswith("yoke_") or control in RINGS else "turn"
    )


def _short(move: Move) -> str:
    return ways(move.control)[0 if move.value >= 0 else 1]


def _remaining(held: Iterable[Held]) -> Iterable[Remaining]:
    for one in held:
        chance = one.chance_within
        if isinstance(one.found, Figure) and chance is not None:
            yield Remaining(
                about=one.about,
                group=one.group,
                zone=one.zone or "",
                gun=one.gun,
                value=abs(one.found.value),
                value_sd=one.found.sd,
                tolerance_ratio=one.tolerance_ratio,
                unit=one.unit,
                within=one.within is True,
                chance_within=chance,
            )


def _unknown(held: Iterable[Held]) -> Iterable[NotKnown]:
    for one in held:
        if isinstance(one.found, Unsupported):
            yield NotKnown(about=one.about, reason=one.found.reason, would_settle=one.found.would_settle)


def _unreckoned(turned: Sequence[Turned], knowledge: Knowledge) -> Iterable[str]:
    """What was turned without the advice knowing what it does."""
    names = dict.fromkeys(knowledge.controls[one.control].name for one in turned if one.control not in ADVISABLE)
    if names:
        yield (
            f"Turned, but not reckoned with: {', '.join(names)}. What that changed counts as the others' doing: turn it"
            " before the first photograph of a session, or begin a new one."
        )


def _notes(course: Course, found: Plan, knowledge: Knowledge) -> Iterable[str]:
    def names(ids: Iterable[str]) -> str:
        return ", ".join(knowledge.controls[one].name.lower() for one in ids)

    minutes = knowledge.value("advice_warm_minutes")
    if found.state == "not_warm" or len(course.rounds) == 1:
        yield f"Photograph only after {minutes:.0f} minutes of warming up: everything drifts until then."
    for move in course.reversed:
        yield (
            f"By the photograph after it, {names([move.control])} went the other way than written after photograph"
            f" {move.after}. The advice takes it so; if you see it too, write wrong_way = true."
        )
    if course.contradicted:
        yield (
            f"Two moves of {names(course.contradicted)} contradict each other: one went the other way than written, and"
            " nothing tells which. It is tried anew; if you know which it was, write wrong_way = true."
        )
    if found.stuck:
        yield f"At its end, with the error still there: {names(found.stuck)}. That speaks for a fault."
    if found.idle:
        yield f"Tried, and nothing that shows: {names(found.idle)}. Loose, worn or not connected: a fault to look for."
    if found.patch and course.now.degaussed >= 1:
        yield (
            "A patch of impurity is left after degaussing: a magnet nearby (a loudspeaker), a slipped strip, or a"
            " mask that has warped. No ring takes it away."
        )
    if any(one.group == "purity" for one in found.unknown):
        yield "Purity isn't known: photograph the survey for light, too, before convergence is called good."
    if found.state in {"no_gain", "out_of_reach"}:
        left = ", ".join(one.about for one in sorted(found.failing, key=lambda one: -(one.over_ratio or 0))[:3])
        yield f"What stays: {left}. tubewright diagnose takes it from here."
    if any(knowledge.controls[move.control].hazard == "H3" for move in found.moves):
        yield (
            "Each of these can be done with the set unplugged and drained, and looked at afterwards: the amounts are"
            " given so that nobody has to watch the screen while turning. With the set running it is work for those"
            " who are trained and allowed to do it."
        )
    tilts = {"yoke_tilt_vertical", "yoke_tilt_horizontal"} & {move.control for move in found.moves}
    if tilts and "wedges" in course.setup.controls:
        yield "Hold the yoke's tilt with its wedges while you photograph."
    if found.state in {"done", "within_doubt"} and "wedges" in course.setup.controls:
        yield "Fix wedges, clamp and rings so that nothing creeps; look once more at purity when it is hot."


def _carried(gains: Collection[str], knowledge: Knowledge) -> Iterable[str]:
    ids = dict.fromkeys(name.partition(">")[0].partition(":")[0].partition(" ")[0] for name in sorted(gains))
    names = [knowledge.controls[one].name.lower() for one in ids if one in knowledge.controls]
    if names:
        yield (
            f"Begun with what earlier jobs on this display taught of {', '.join(names)}, less sure than it was then:"
            " the first photograph after a move tells whether it still holds."
        )
