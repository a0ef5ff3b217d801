"""The set-up of a job as ``advise`` takes it: its measurements in order, its moves, what it has to be turned."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from tubewright.answers.advise import (
    RINGS,
    TOLERANCES,
    Earlier,
    GunKind,
    RingSetting,
    Setup,
    Tolerance,
    Turned,
    usual_controls,
)
from tubewright.answers.advise_learned import rings_found
from tubewright.answers.advise_stored import Shelf, StoredMove
from tubewright.errors import Fault, InputError
from tubewright.judgement.advice.effects import DELTA, INLINE
from tubewright.judgement.seen_checks import Measured
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import Unsupported


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A measurement of a job: its number, whether anything could be measured, and what was."""

    id: int
    accepted: bool
    measured: Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was said beside the job: by options of the command, or on the page.

    Attributes:
        tolerance: What is good enough; ``None`` goes by the guns.
        opening_mm: The opening that the picture is to fill, by a ruler; ``None`` goes by the profile.
        minutes_on: How long it had been on at the last photograph; ``None`` takes it to be warm.
        at_once: So many controls at most between two photographs; ``None`` for as many as usual.
        since: Number of the measurement that the session begins with; ``None`` for the job's first.
    """

    tolerance: Tolerance | None = None
    opening_mm: tuple[float, float] | None = None
    minutes_on: float | None = None
    at_once: int | None = None
    since: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSetup:
    """A job's set-up so far.

    Attributes:
        photographs: Numbers of the measurements that count, in order.
        measured: What they say.
        turned: What was turned between them.
        setup: What is set up, and how.
        pending: Numbers of the moves since the last photograph: the next one tells what they did.
        rings: How each pair of rings stands after all moves, those pending included.
        notes: What was left out, and what was taken for granted.
        earlier: Earlier jobs on the same display.
    """

    photographs: tuple[int, ...]
    measured: tuple[Measured, ...]
    turned: tuple[Turned, ...]
    setup: Setup
    pending: tuple[int, ...] = ()
    rings: Mapping[str, RingSetting] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    earlier: tuple[Earlier, ...] = ()


def job_setup(
    taken: Sequence[Taken],
    moves: Sequence[StoredMove],
    *,
    gun: GunKind,
    chassis: Chassis | None,
    asked: Asked,
    knowledge: Knowledge,
    earlier: Sequence[Earlier] = (),
) -> JobSetup:
    """A job's measurements and moves, put together for the advice.

    Args:
        taken: Its measurements in order, the refused ones among them.
        moves: Its moves, oldest first.
        gun: Arrangement of its guns.
        chassis: The profile of its chassis; ``None`` if there is none.
        asked: What was said beside the job.
        knowledge: The facts.
        earlier: Earlier jobs on the same display, oldest first.

    Raises:
        InputError: The session is to begin with a measurement that the job hasn't got.
    """
    used = _used(taken, moves, asked.since)
    place = {one.id: n for n, one in enumerate(used, start=1)}
    notes: list[str] = []
    sound: list[tuple[int, StoredMove]] = []
    shelf = Shelf(gun, knowledge)
    for move in moves:
        told = shelf.wrong(move)
        if told:
            notes.append(told)
        else:
            sound.append((_after(move, place, [one.id for one in taken]), move))
    # A session that begins later leaves what came before it alone; rings keep how they were set.
    before = [move for after, move in sound if after == 0]
    rings = _first_rings(before, earlier, knowledge)
    within = [(after, move) for after, move in sound if after > 0]
    turned = tuple(shelf.turned(move, after) for after, move in within if after < len(used))
    pending = [move for after, move in within if after >= len(used)]
    setup = _setup(gun, chassis, asked, knowledge, [move.control for _, move in sound])
    setup = replace(
        setup,
        degaussed=any(move.control == "degauss" and not move.undone for move in before),
        rings=rings,
    )
    if asked.opening_mm is None and setup.opening_mm is not None and chassis is not None:
        notes.append(
            f"The opening is taken as {setup.opening_mm[0]:g} by {setup.opening_mm[1]:g} mm, as the profile"
            f" {chassis.name} has it."
        )
    return JobSetup(
        photographs=tuple(one.id for one in used),
        measured=tuple(one.measured for one in used),
        turned=turned,
        setup=setup,
        pending=tuple(move.id for move in pending),
        rings=_rings_now(rings, [move for _, move in within], setup, knowledge),
        notes=tuple(notes),
        earlier=tuple(earlier),
    )


def _used(taken: Sequence[Taken], moves: Sequence[StoredMove], since: int | None) -> list[Taken]:
    """The measurements that count: the accepted ones, and a refused last one that moves may have spoilt."""
    if since is not None:
        if all(one.id != since for one in taken):
            raise InputError(
                Fault(
                    what=f"this job has no measurement {since}",
                    where="since",
                    mend="See the job's page of its picture for their numbers.",
                )
            )
        taken = [one for one in taken if one.id >= since]
    used = [one for one in taken if one.accepted and tells(one.measured)]
    last = taken[-1] if taken else None
    if used and last is not None and not last.accepted:
        between = {one.id for one in taken if one.id >= used[-1].id and one.id < last.id}
        if any(move.after_measurement_id in between and not move.undone for move in moves):
            used.append(last)
    return used


def tells(measured: Measured) -> bool:
    """Whether a measurement holds anything that is set up by it; one of grey steps alone does not."""
    parts = (measured.convergence, measured.geometry, measured.purity, measured.focus, measured.top_curl)
    return any(not isinstance(one, Unsupported) for one in parts)


def _after(move: StoredMove, place: Mapping[int, int], order: Sequence[int]) -> int:
    """After which of the used photographs a move was made; 0 is before the first."""
    if move.after_measurement_id is None:
        return 0
    at = order.index(move.after_measurement_id) if move.after_measurement_id in order else -1
    return max((place[one] for one in order[: at + 1] if one in place), default=0)


def _first_rings(
    before: Iterable[StoredMove], earlier: Sequence[Earlier], knowledge: Knowledge
) -> dict[str, RingSetting]:
    """How rings stood at the first photograph: as somebody looked, else as the last job left them."""
    rings: dict[str, RingSetting] = {}
    if earlier and earlier[-1].same_tube:
        rings |= rings_found(earlier[-1], knowledge)
    for move in before:
        if move.control in RINGS and move.tabs_mm is not None and not move.undone:
            was = rings.get(move.control)
            angle = move.angle_deg if move.angle_deg is not None else was.angle_deg if was else 0.0
            rings[move.control] = RingSetting(tabs_mm=move.tabs_mm, angle_deg=angle)
    return rings


def _rings_now(
    first: Mapping[str, RingSetting], moves: Iterable[StoredMove], setup: Setup, knowledge: Knowledge
) -> dict[str, RingSetting]:
    usual = RingSetting(tabs_mm=knowledge.value("advice_usual_tabs_mm"))
    rings = {name: first.get(name, usual) for name in RINGS if name in setup.controls}
    for move in moves:
        if move.control in rings and move.tabs_mm is not None and not move.undone:
            was, angle = rings[move.control], move.angle_deg or 0.0
            if move.wrong_way:
                angle = 2 * was.angle_deg - angle
            rings[move.control] = RingSetting(tabs_mm=move.tabs_mm, angle_deg=angle)
    return rings


def _setup(gun: GunKind, chassis: Chassis | None, asked: Asked, knowledge: Knowledge, moved: Sequence[str]) -> Setup:
    named = frozenset(chassis.adjustments) if chassis is not None else frozenset()
    # A coil to degauss with belongs to the bench; what was moved is there, whatever the profile says.
    has = named | {"degauss"} if named else usual_controls(gun)
    has = (has | frozenset(moved)) - (DELTA if gun == "inline" else INLINE)
    opening = asked.opening_mm
    if opening is None and chassis is not None and chassis.picture_width_mm and chassis.picture_height_mm:
        opening = chassis.picture_width_mm, chassis.picture_height_mm
    tolerance: Tolerance = asked.tolerance or ("delta" if gun == "delta" else "arcade")
    minutes = asked.minutes_on
    setup = Setup(
        gun=gun,
        controls=has,
        tolerance=tolerance,
        warm=minutes is None or minutes >= knowledge.value("advice_warm_minutes"),
        opening_mm=opening,
    )
    return setup if asked.at_once is None else replace(setup, at_once=asked.at_once)


def checked(asked: Asked) -> Asked:
    """What was said beside the job, if it makes sense.

    Raises:
        InputError: Something doesn't; all faults together.
    """
    faults: list[Fault] = []
    if asked.opening_mm is not None and not all(10 < side < 5000 for side in asked.opening_mm):
        faults.append(Fault(what="no picture has this size", where="opening_mm", mend="Give width and height in mm."))
    if asked.minutes_on is not None and not (math.isfinite(asked.minutes_on) and 0 <= asked.minutes_on < 1e6):
        faults.append(Fault(what="this is no time", where="minutes_on", mend="Give the minutes since switch-on."))
    if asked.at_once is not None and not 1 <= asked.at_once <= 20:
        faults.append(Fault(what="so many controls can't be turned at once", where="at_once", mend="Give 1 to 20."))
    if asked.tolerance is not None and asked.tolerance not in TOLERANCES:
        faults.append(
            Fault(
                what=f"{asked.tolerance!r} is no set of tolerances",
                where="tolerance",
                mend=f"Choose {', '.join(TOLERANCES)}.",
            )
        )
    if faults:
        raise InputError(faults)
    return asked
