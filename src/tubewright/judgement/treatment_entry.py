"""What one more entry in the log of treatments needs: the case as it stood when the step began, and what came of it."""

from __future__ import annotations

import datetime as dt

from tubewright.case import GUNS, Case, Gun, Outcome
from tubewright.judgement.treatment_course import Round
from tubewright.knowledge.model import Knowledge


def as_of(case: Case, moment: dt.datetime) -> Case:
    """The case without the readings and treatments that came later than a moment.

    Args:
        case: The case.
        moment: Knows its zone. What carries a day alone counts until that day is over.
    """
    return case.model_copy(
        update={
            "readings": tuple(one for one in case.readings if not _later(one.at, moment)),
            "treatments": tuple(one for one in case.treatments if not _later(one.at, moment)),
        }
    )


def gun_meant(one: Round) -> Gun | None:
    """The gun that a treatment was for: the one named, else the weakest before it; None if nothing was read."""
    if one.named is not None:
        return one.named
    return min((gun for gun in GUNS if gun in one.before), key=lambda gun: one.before[gun].emission, default=None)


def outcome_of(one: Round, knowledge: Knowledge) -> Outcome | None:
    """What the readings before and after a treatment say of it, for the gun it was meant for.

    Returns:
        improved or worse from a change of 0.05 (``treatment_gain_least``) on, else
        unchanged; None while that gun was not read on both sides, or too soon after.
    """
    gun = gun_meant(one)
    gain = None if gun is None else one.gain_emission(gun)
    if gain is None:
        return None
    # Readings are written to the hundredth: half of one is no difference.
    least = knowledge.value("treatment_gain_least") - 0.005
    return "improved" if gain >= least else "worse" if gain <= -least else "unchanged"


def _later(at: dt.date | dt.datetime | None, moment: dt.datetime) -> bool:
    if at is None:
        return False
    if isinstance(at, dt.datetime):
        return (at if at.tzinfo else at.replace(tzinfo=dt.UTC)) > moment
    return at > moment.date()
