"""What is confirmed before a control is turned: with the set unplugged and drained, or with it running.

Either way opens a control, and each has its own conditions: who works on an empty set
needs no probe for live high voltage, and who works on a running one can't have drained
it. What says that the set is drained is spent once it has been run again to be
photographed. Nothing here permits anything: local codes and licensed practice come
first, and a confirmation is the word of whoever gave it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, get_args

from tubewright.answers.advised import AskedWay, Way
from tubewright.judgement.guards import Condition, Confirmed, GuardedStep, guarded, open_conditions
from tubewright.knowledge.model import Knowledge

__all__ = ["Way"]
"""What is defined beside this module and found here as well."""

WAYS: Final[tuple[Way, ...]] = get_args(Way)
WAY_WORDS: Final[Mapping[Way, tuple[str, str]]] = {
    "off": (
        "Unplugged and drained",
        "Turn by the amounts with the set empty, close up, switch on, photograph. The safer way, and it is enough.",
    ),
    "running": (
        "With the set running",
        "For those who are trained and allowed to work on it live.",
    ),
}
"""What each way is called, and whom it is for."""

NEAR_NECK: Final = ("local_rules", "mains_live", "eht_live", "hot_parts", "implosion")
INSIDE: Final = ("local_rules", "mains_live", "hot_chassis")
"""Ids of cautions that stand before every control of that place, whatever the control's own are."""

DRAINED: Final = ("anode_charge", "recharge", "primary_reservoir")
"""Cautions of a set that is unplugged and still charged."""
LIVE: Final = frozenset({"eht_live", "mains_live", "low_voltage_live", "hot_chassis", "eyes_only"})
"""Cautions of a set that runs."""
LED_INSIDE: Final = frozenset({"H1", "H2", "H3", "H4"})


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundGuard:
    """What a round of moves asks to be confirmed, done one way.

    Attributes:
        way: With the set off and drained, or running.
        conditions: Of all its controls together, each once.
        left: Those that nobody has confirmed lately enough, by control.
    """

    way: Way
    conditions: tuple[Condition, ...]
    left: tuple[tuple[str, tuple[Condition, ...]], ...]

    @property
    def open(self) -> tuple[Condition, ...]:
        """What must still be confirmed, each once."""
        return tuple({one.caution: one for _, conditions in self.left for one in conditions}.values())


def control_step(knowledge: Knowledge, control: str, way: Way) -> GuardedStep:
    """A control as a step with the conditions of one way of turning it.

    Raises:
        InputError: There is no such control.
    """
    hazard = knowledge.controls[control].hazard if control in knowledge.controls else "H0"
    near = NEAR_NECK if hazard == "H3" else INSIDE if hazard in LED_INSIDE else ()
    coming = (*near, *(DRAINED if hazard in LED_INSIDE else ()))
    step = guarded(knowledge, "control", control, way=coming)
    without = LIVE if way == "off" else frozenset(DRAINED)
    kept = [one for one in step.conditions if one.caution not in without]
    asked = {one.caution for one in kept}
    # What another condition of the same way undoes (a set that runs is not cold) nobody could truly confirm.
    return replace(step, conditions=tuple(one for one in kept if not asked & set(one.undone_by)))


def asked_ways(controls: Iterable[str], knowledge: Knowledge) -> tuple[AskedWay, ...]:
    """What a round asks to be true, one way and the other; nothing where no hand goes inside.

    Raises:
        InputError: There is no such control.
    """
    controls = tuple(controls)
    found = []
    for way in WAYS:
        steps = [control_step(knowledge, control, way) for control in dict.fromkeys(controls)]
        asked = {one.caution: one.words for step in steps for one in step.conditions}
        name, words = WAY_WORDS[way]
        found.append(AskedWay(way=way, name=name, words=words, confirm=tuple(asked.values())))
    return tuple(found) if any(one.confirm for one in found) else ()


def round_guard(
    controls: Iterable[str],
    confirmations: Sequence[Confirmed],
    *,
    now: dt.datetime,
    ran_at: dt.datetime | None,
    way: Way,
    knowledge: Knowledge,
) -> RoundGuard:
    """What the controls of a round ask to be confirmed.

    Args:
        controls: Ids.
        confirmations: All of the job.
        now: The moment.
        ran_at: When the set was last run, to be photographed; ``None`` if it wasn't.
        way: How they are to be turned.
        knowledge: The facts.
    """
    given = _standing(confirmations, ran_at)
    steps = [control_step(knowledge, control, way) for control in dict.fromkeys(controls)]
    left = [(step.id, open_conditions(step, given, now)) for step in steps]
    return RoundGuard(
        way=way,
        conditions=tuple({one.caution: one for step in steps for one in step.conditions}.values()),
        left=tuple((name, conditions) for name, conditions in left if conditions),
    )


def shut_controls(
    controls: Iterable[str],
    confirmations: Sequence[Confirmed],
    *,
    now: dt.datetime,
    ran_at: dt.datetime | None,
    knowledge: Knowledge,
) -> frozenset[str]:
    """Those of the controls that are open neither way."""
    controls = tuple(controls)
    shut = [
        {
            name
            for name, _ in round_guard(
                controls, confirmations, now=now, ran_at=ran_at, way=way, knowledge=knowledge
            ).left
        }
        for way in WAYS
    ]
    return frozenset.intersection(*map(frozenset, shut))


def was_open(
    control: str,
    confirmations: Sequence[Confirmed],
    *,
    now: dt.datetime,
    ran_at: dt.datetime | None,
    knowledge: Knowledge,
) -> bool:
    """Whether a control was open at some moment since the last photograph: what was done then may be written down."""
    moments = [one.at for one in confirmations if one.at <= now and (ran_at is None or one.at >= ran_at)]
    return any(
        not shut_controls([control], confirmations, now=moment, ran_at=ran_at, knowledge=knowledge)
        for moment in (*moments, now)
    )


def _standing(confirmations: Sequence[Confirmed], ran_at: dt.datetime | None) -> list[Confirmed]:
    """Confirmations that the last run of the set hasn't undone."""
    spent: Collection[str] = DRAINED
    return [one for one in confirmations if ran_at is None or one.caution not in spent or one.at >= ran_at]
