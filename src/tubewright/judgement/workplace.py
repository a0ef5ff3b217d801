"""What stands open on the bench now, and what it takes to get to the next test or repair.

Opening a set, draining its tube and proving it empty take longer than most tests. So
a test is cheap while everything stands ready for it, and dear when the set has to be
shut down, or put together again, for its sake.

What a test needs is either said in the facts or follows from them: a running test of
hazard class H0 is watched from outside, any other running one is measured inside the
open set, and a test whose cautions bring a hand in needs the set off and proven empty.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

from tubewright.errors import Fault, InputError
from tubewright.knowledge.model import BenchTest, FaultCause, Hazard, Knowledge, Needs

OPEN_MINUTES: Final = 4.0
"""Minutes to take a display's back off (from memory, estimate)."""
DISCHARGE_MINUTES: Final = 10.0
"""Minutes to unplug, drain and prove anode and reservoir, and again after the charge has crept back."""
CHASSIS_MINUTES: Final = 8.0
"""Minutes to take the chassis out, or to put it back and plug everything in (from memory, estimate)."""
INSTRUMENT_MINUTES: Final = 5.0
"""Minutes to fit the tube's instrument in place of the socket, or to take it off (from memory, estimate)."""
SWITCH_ON_MINUTES: Final = 2.0
"""Minutes from switching on to a picture that can be judged (from memory, estimate)."""
HOOK_UP_MINUTES: Final = 4.0
"""Minutes to prove isolation and ground, clip hooks on with the power off, and bring the set up."""
HAZARD_FACTOR: Final[dict[Hazard, float]] = {"H0": 1.0, "H1": 1.2, "H2": 1.6, "H3": 2.5, "H4": 1.6}
"""What a minute counts in each hazard class when work is weighed (from memory, estimate)."""
RUNNING_FACTOR: Final = 1.25
"""Further factor for work in a running, open set (from memory, estimate)."""

_SHUT_DOWN: Final = ("anode_charge", "recharge", "primary_reservoir", "gate_power_off")
_ON_THE_BOARDS: Final = frozenset({"geometry", "horizontal_eht", "mains_supply", "vertical", "video"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Workplace:
    """What stands open now; with nothing said, a closed set that is off.

    ``discharged`` means unplugged, with anode and reservoir proven empty.
    ``running`` means plugged in and on.

    Raises:
        InputError: A set can't run and be proven empty, nor run with its chassis out or
            its tube on an instrument.
    """

    cover_open: bool = False
    running: bool = False
    discharged: bool = False
    chassis_out: bool = False
    tube_on_instrument: bool = False

    def __post_init__(self) -> None:
        against = {
            "discharged": self.discharged,
            "chassis_out": self.chassis_out,
            "tube_on_instrument": self.tube_on_instrument,
        }
        if self.running and any(against.values()):
            names = " and ".join(name for name, on in against.items() if on)
            raise InputError(
                Fault(what=f"the set can't be running and {names}", where="workplace", mend="Say how it stands now.")
            )

    @property
    def is_open(self) -> bool:
        """Whether the back is off; nothing comes out or on to the instrument with it closed."""
        return self.cover_open or self.chassis_out or self.tube_on_instrument

    @property
    def words(self) -> str:
        """How the set stands, in words."""
        if self.running:
            return "running, back off" if self.is_open else "running, closed"
        parts = ["off"]
        if not self.is_open:
            parts.append("closed")
        elif not (self.chassis_out or self.tube_on_instrument):
            parts.append("back off")
        parts += ["proven empty"] if self.discharged else []
        parts += ["chassis out"] if self.chassis_out else []
        parts += ["tube on the instrument"] if self.tube_on_instrument else []
        return ", ".join(parts)


PLACES: Final[Mapping[str, Workplace]] = {
    "closed": Workplace(),
    "running": Workplace(running=True),
    "open": Workplace(cover_open=True),
    "empty": Workplace(cover_open=True, discharged=True),
    "chassis": Workplace(cover_open=True, discharged=True, chassis_out=True),
    "instrument": Workplace(cover_open=True, discharged=True, tube_on_instrument=True),
    "open-running": Workplace(cover_open=True, running=True),
}
"""How a set may stand, by name, in the order in which it is opened up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """The way to where a test or repair can begin.

    ``minutes`` by the clock; ``effort_minutes`` with hazardous minutes counted for
    more; ``hazard_minutes`` those in class H2 or above. ``steps`` says what is done, in
    order; ``cautions`` are caution ids that belong to these steps; ``after`` is how the
    set then stands.
    """

    minutes: float
    effort_minutes: float
    hazard_minutes: float
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    after: Workplace


@dataclass(frozen=True, slots=True, kw_only=True)
class _Move:
    words: str
    minutes: float
    hazard: Hazard
    cautions: tuple[str, ...]
    after: Workplace


def needs_of_test(test: BenchTest) -> Needs:
    """What must stand open for a test."""
    if test.needs:
        return test.needs
    if test.running:
        return "picture" if test.hazard == "H0" else "running_open"
    if "test_voltage" in test.cautions and "gate_vacuum_seen" in test.cautions:
        return "instrument"
    if "gate_power_off" in test.cautions or test.hazard != "H0":
        return "hands_in"
    return "anything"


def needs_of_repair(fault: FaultCause) -> Needs:
    """What must stand open to get at a fault."""
    if fault.needs:
        return fault.needs
    if fault.hazard == "H0" or fault.subsystem == "sync_wiring":
        return "anything"
    return "chassis_out" if fault.subsystem in _ON_THE_BOARDS else "hands_in"


def stands_after(tests: Iterable[str], knowledge: Knowledge) -> Workplace:
    """How a set stands after tests, from a closed one: what a case tells of it that says nothing else.

    It never counts as proven empty. Nobody knows how long ago that was, and the charge creeps back.

    Args:
        tests: Ids in the order in which they were done; those that the knowledge lacks are passed over.
        knowledge: The catalogue.
    """
    now = Workplace()
    for name in tests:
        if name in knowledge.tests:
            now = reach(now, needs_of_test(knowledge.tests[name])).after
    return replace(now, discharged=False)


def reach(now: Workplace, needs: Needs) -> Access:
    """What it takes to get from how the set stands now to what is needed.

    Args:
        now: What stands open.
        needs: From :func:`needs_of_test` or :func:`needs_of_repair`.

    Returns:
        The steps with their minutes.
    """
    moves = list(_moves(now, needs))
    cautions = [caution for move in moves for caution in move.cautions]
    return Access(
        minutes=sum(move.minutes for move in moves),
        effort_minutes=sum(move.minutes * HAZARD_FACTOR[move.hazard] for move in moves),
        hazard_minutes=sum(move.minutes for move in moves if move.hazard in {"H2", "H3", "H4"}),
        steps=tuple(move.words for move in moves),
        cautions=tuple(dict.fromkeys(cautions)),
        after=moves[-1].after if moves else now,
    )


def there_and_back(now: Workplace, needs: Needs) -> Access:
    """To where a repair can be done, and on to a running set, to see whether that was it.

    One change, one new look: whoever mends two things at once doesn't learn which of
    them it was, and whoever doesn't look doesn't learn whether it was either.
    """
    there = reach(now, needs)
    back = reach(there.after, "picture")
    return Access(
        minutes=there.minutes + back.minutes,
        effort_minutes=there.effort_minutes + back.effort_minutes,
        hazard_minutes=there.hazard_minutes + back.hazard_minutes,
        steps=there.steps,
        cautions=there.cautions,
        after=back.after,
    )


def _moves(now: Workplace, needs: Needs) -> Iterator[_Move]:
    if needs in {"", "anything"}:
        return
    if needs == "open":
        if not now.is_open:
            yield from _opened(now)
        return
    if needs in {"picture", "running_open"}:
        yield from _run(now, inside=needs == "running_open")
        return
    at = now
    for move in _hands_in(at):
        at = move.after
        yield move
    if needs == "chassis_out" and not at.chassis_out:
        yield _Move(
            words="take the chassis out",
            minutes=CHASSIS_MINUTES,
            hazard="H0",
            cautions=("implosion",),
            after=replace(at, chassis_out=True),
        )
    if needs == "instrument" and not at.tube_on_instrument:
        yield _Move(
            words="take the socket off and fit the tube's instrument",
            minutes=INSTRUMENT_MINUTES,
            hazard="H0",
            cautions=("implosion", "gate_vacuum_seen"),
            after=replace(at, tube_on_instrument=True),
        )


def _opened(at: Workplace) -> Iterator[_Move]:
    yield _Move(
        words="switch off, unplug and take the back off" if at.running else "take the back off",
        minutes=OPEN_MINUTES,
        hazard="H0",
        cautions=("implosion",),
        after=replace(at, cover_open=True, running=False),
    )


def _hands_in(at: Workplace) -> Iterator[_Move]:
    """Off, open, drained and proven so."""
    if not at.is_open:
        for move in _opened(at):
            at = move.after
            yield move
    if not at.discharged:
        yield _Move(
            words="unplug, drain anode and reservoir, prove both empty, wait and prove again",
            minutes=DISCHARGE_MINUTES,
            hazard="H3",
            cautions=("local_rules", *_SHUT_DOWN),
            after=replace(at, cover_open=True, running=False, discharged=True),
        )


def _run(now: Workplace, *, inside: bool) -> Iterator[_Move]:
    """On, put together as far as it was taken apart."""
    if now.running and (now.is_open or not inside):
        return
    at = now
    apart = now.chassis_out or now.tube_on_instrument
    if apart or inside:  # hooks go on, and plugs go back, with all power off and proven so
        for move in _hands_in(at):
            at = move.after
            yield move
    if at.tube_on_instrument:
        at = replace(at, tube_on_instrument=False)
        yield _Move(
            words="take the instrument off and refit the socket",
            minutes=INSTRUMENT_MINUTES,
            hazard="H0",
            cautions=("implosion",),
            after=at,
        )
    if at.chassis_out:
        at = replace(at, chassis_out=False, cover_open=True)
        yield _Move(
            words="put the chassis back and plug everything in",
            minutes=CHASSIS_MINUTES,
            hazard="H0",
            cautions=("implosion",),
            after=at,
        )
    yield _Move(
        words="prove isolation and ground, clip on with the power off, bring the set up" if inside else "switch on",
        minutes=HOOK_UP_MINUTES if inside else SWITCH_ON_MINUTES,
        hazard="H2" if inside or at.is_open else "H0",
        cautions=("local_rules", "mains_live", "gate_ground_known") if inside or at.is_open else (),
        after=replace(at, running=True, discharged=False),
    )
