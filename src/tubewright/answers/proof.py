"""Before and after one job, side by side: what changed beyond doubt, what didn't, and what isn't known.

One pure function over what the job holds. A change counts only where it is larger
than what repeating a reading or a photograph would bring; a figure that was not
taken again is unknown, with the reason, however well the work may have gone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from tubewright.answers.assess import assess
from tubewright.answers.assessment import Assessment, Figure, Spread, Unknown
from tubewright.answers.hold import hold
from tubewright.answers.proof_form import GunProof, Line, PictureProof, Proof, Verdict
from tubewright.answers.proof_picture import TENTH_SD, grey_lines, picture_lines, unlike_words
from tubewright.answers.proof_said import came_words, done_words, expect_words, found_words, headline, remains_words
from tubewright.answers.proof_work import (
    Work,
    case_after,
    case_before,
    last_reading,
    readings_of,
    treated,
    unread_guns,
)
from tubewright.case import GUNS, Gun, Reading, ReadingKind
from tubewright.experience import NO_EXPERIENCE, Experience
from tubewright.judgement.obstacles import leakage_words
from tubewright.judgement.settling_readings import after_treatment
from tubewright.knowledge.model import Knowledge

SURELY_SD: Final = 1.96
"""A change is told from none where it is beyond so many of its standard deviations: 95 % of a normal law lie within."""

LEAKAGES: Final[tuple[tuple[ReadingKind, str], ...]] = (
    ("leakage_heater_cathode", "leakage, heater to cathode"),
    ("leakage_cathode_grid1", "leakage, cathode to grid 1"),
    ("leakage_grid1_grid2", "leakage, grid 1 to grid 2"),
)


def proof(
    work: Work,
    knowledge: Knowledge,
    experience: Experience = NO_EXPERIENCE,
    *,
    seed: int = 1,
    futures: int = 100_000,
) -> Proof:
    """Compare a display as it came with the display as it goes.

    Args:
        work: What the job holds.
        knowledge: The trade's knowledge.
        experience: What the shop's own closed jobs taught; the same for both sides.
        seed: Seed of the random futures, the same for both sides.
        futures: How many are played.

    Returns:
        The comparison.

    Raises:
        InputError: The job's case holds findings that are impossible together.
    """
    before = assess(case_before(work), knowledge, experience, seed=seed, futures=futures)
    after = assess(case_after(work), knowledge, experience, seed=seed, futures=futures)
    unread = unread_guns(work)
    lit = before.neutral_white_now, _known_after(after.neutral_white_now, unread)
    alike = all(_alike(gun, work) for gun in GUNS)
    white = compared(
        "white", "white against a good tube's", "ratio", *lit,
        better="larger", doubt_sd=_doubt_sd(*lit, knowledge) if alike else None,
    )  # fmt: skip
    years, hours, set_up = (
        compared(name, about, unit, *_lives(before, after, unread, option, figure), better="larger")
        for name, about, unit, option, figure in (
            ("years", "years until the white falls below what is wanted", "years", "leave", "years"),
            ("hours", "hours of use until then", "hours", "leave", "hours"),
            ("years_set_up", "years until then, with its grey scale set anew", "years", "adjust", "years"),
        )
    )
    guns = tuple(_gun(gun, work, before, after, knowledge) for gun in GUNS)
    shared = _shared(work, knowledge)
    old, new = work.pictures.get("before"), work.pictures.get("after")
    picture = PictureProof(
        before=old, after=new, unlike=unlike_words(old, new), lines=picture_lines(old, new, compared_known)
    )
    made = Proof(
        job=work.job,
        label=work.label,
        owner=work.owner,
        place=work.place,
        tube_label=work.tube_label,
        exchanged=work.came_with is not None,
        state=work.state,
        opened_at=work.opened_at,
        as_of=work.as_of,
        headline="",
        minimum_white_ratio=after.minimum_white,
        hours_per_week=after.hours_per_week,
        hours_assumed=work.case.use.hours_per_week is None,
        keep_years=after.keep_years,
        guns=guns,
        shared=shared,
        white=white,
        years=years,
        hours=hours,
        years_set_up=set_up,
        picture=picture,
        grey=grey_lines(work, knowledge, compared),
        came=came_words(work),
        found=found_words(work),
        done=done_words(work),
        remains=(),
        expect=(),
        checks=work.checks,
        verdicts=work.verdicts[:1] + work.verdicts[-1:] if len(work.verdicts) > 1 else work.verdicts,
        model_version=after.model.version,
        seed=seed,
    )
    holds = _holds(work, knowledge, seed)
    said = made.with_words(
        remains=remains_words(made, work, after),
        expect=expect_words(made, holds, other_parts_years=knowledge.value("proof_other_parts_years")),
    )
    return said.with_words(headline=headline(said))


# -- comparing --------------------------------------------------------------------------------


def compared(
    name: str,
    about: str,
    unit: str,
    before: Figure,
    after: Figure,
    *,
    better: str = "smaller",
    doubt_sd: float | None = None,
) -> Line:
    """One figure twice, and whether it changed beyond its doubt.

    Args:
        name: Its name among the figures.
        about: What it is, in words.
        unit: Its unit.
        before: As it was.
        after: As it is.
        better: Which way is better: ``larger``, ``smaller``, or ``neither``.
        doubt_sd: Standard deviation of the difference, where it isn't that of the two spreads together.
    """
    verdict: Verdict
    why = ""
    if isinstance(before, Unknown) or isinstance(after, Unknown):
        verdict = "unknown"
        lacking = after if isinstance(after, Unknown) else before
        why = lacking.reason if isinstance(lacking, Unknown) else ""
    else:
        by = after.median - before.median
        up = by > 0
        # Each side's half of its spread that faces the other.
        first = (before.p90 - before.median) if up else (before.median - before.p10)
        second = (after.median - after.p10) if up else (after.p90 - after.median)
        sd = math.hypot(first, second) / TENTH_SD if doubt_sd is None else doubt_sd
        if abs(by) <= SURELY_SD * sd:
            verdict = "same"
        elif better == "neither":
            verdict = "changed"
        else:
            verdict = "better" if up == (better == "larger") else "worse"
    return Line(name=name, about=about, unit=unit, before=before, after=after, verdict=verdict, why=why)


def compared_known(name: str, about: str, unit: str, before: Figure, after: Figure, *, better: str) -> Line:
    """The same for a measured figure whose size counts, whichever its sign."""
    if isinstance(before, Spread) and isinstance(after, Spread):
        sd = math.hypot(before.p90 - before.p10, after.p90 - after.p10) / (2 * TENTH_SD)
        by = abs(after.median) - abs(before.median)
        verdict: Verdict = "same"
        if abs(by) > SURELY_SD * sd:
            verdict = "better" if (by > 0) == (better == "larger") else "worse"
        return Line(name=name, about=about, unit=unit, before=before, after=after, verdict=verdict, why="")
    return compared(name, about, unit, before, after)


# -- the tube -----------------------------------------------------------------------------------


def _known_after(figure: Figure, unread: Sequence[Gun]) -> Figure:
    if not unread:
        return figure
    names = " and ".join(unread) if len(unread) < 3 else "the tube"
    return Unknown(
        reason=f"{names} was worked on and its emission was not read again"
        if len(unread) in {1, 3}
        else f"{names} were worked on and their emission was not read again",
        would_settle="read the emission of all three guns at rated heater, 10 minutes after switching on",
    )


def _lives(
    before: Assessment, after: Assessment, unread: Sequence[Gun], option: str, figure: str
) -> tuple[Figure, Figure]:
    """How long it lasts by one option, before and after; unknown where the white is."""
    return _life(before, option, figure), _known_after(_life(after, option, figure), unread)


def _life(answer: Assessment, option: str, figure: str) -> Figure:
    if isinstance(answer.neutral_white_now, Unknown):
        return answer.neutral_white_now
    chosen = next((one for one in answer.options if one.id == option), None)
    if chosen is None or chosen.why_not:
        return Unknown(
            reason=chosen.why_not if chosen else "it can't be forecast",
            would_settle="what the verdict asks for first",
        )
    found: Figure = chosen.hours if figure == "hours" else chosen.years
    return found


def _gun(gun: Gun, work: Work, before: Assessment, after: Assessment, knowledge: Knowledge) -> GunProof:
    """One gun's readings, and its emission against a good gun's."""
    rated = work.case.tube.heater_v or knowledge.value("usual_heater_v")
    full = rated * knowledge.value("full_heater_from")
    lines = [_reading_line(gun, "emission", "emission as read", work, knowledge, full)]
    relative_after = after.guns[gun].relative_emission
    if gun in unread_guns(work):
        relative_after = _known_after(relative_after, (gun,))
    elif not _read_again(gun, "emission", work) and isinstance(relative_after, Spread):
        relative_after = _not_again(gun, work)
    shown = before.guns[gun].relative_emission, relative_after
    lines.append(
        compared(
            f"{gun}.relative_emission", "emission against a good gun's", "ratio", *shown,
            better="larger", doubt_sd=_doubt_sd(*shown, knowledge) if _alike(gun, work) else None,
        )
    )  # fmt: skip
    lines += [
        _reading_line(gun, kind, about, work, knowledge, full)
        for kind, about in (("cutoff", "cutoff"), *LEAKAGES)
        if any(r.kind == kind and r.gun == gun for side in _both(work) for r in side)
    ]
    said = before.guns[gun].state, after.guns[gun].state if _read_again(gun, "emission", work) else ""
    return GunProof(gun=gun, lines=tuple(lines), state_before=said[0], state_after=said[1])


def _alike(gun: Gun, work: Work) -> bool:
    """Whether a gun's emission was read twice in one way, or only once because nothing was done to it."""
    if work.came_with is not None:
        return False
    old, new = (last_reading(side, "emission", gun) for side in _both(work))
    return old is None or new is None or not _unlike(old, new, "emission")


def _doubt_sd(before: Figure, after: Figure, knowledge: Knowledge) -> float | None:
    """Standard deviation of the change of a figure that was read twice in one way.

    What both share (the reference, the instrument, the type of the tube) is in either
    spread and not in their difference. It is at most the smaller of the two spreads
    less what repeating a reading brings; that much is taken off both.
    """
    if isinstance(before, Unknown) or isinstance(after, Unknown) or min(before.p10, after.p10) <= 0:
        return None
    once = knowledge.value("repeatability_one_box")
    spreads = [math.log(f.p90 / f.p10) / (2 * TENTH_SD) for f in (before, after)]
    common = max(0.0, min(spreads) ** 2 - once**2)
    apart = math.sqrt(sum(max(spread**2 - common, once**2) for spread in spreads))
    return apart * (before.median + after.median) / 2


def _shared(work: Work, knowledge: Knowledge) -> tuple[Line, ...]:
    """Readings that name no gun: leakages of the tube as a whole, heater current, gas."""
    kinds: tuple[tuple[ReadingKind, str], ...] = (
        *LEAKAGES,
        ("heater_current", "heater current"),
        ("heater_voltage", "heater voltage"),
        ("gas", "gas (reverse grid current)"),
    )
    return tuple(
        _reading_line(None, kind, about, work, knowledge, 0.0)
        for kind, about in kinds
        if any(r.kind == kind and r.gun is None for side in _both(work) for r in side)
    )


def _both(work: Work) -> tuple[tuple[Reading, ...], tuple[Reading, ...]]:
    sides = readings_of(work)
    return sides.before, sides.after


def _read_again(gun: Gun | None, kind: ReadingKind, work: Work) -> bool:
    return any(r.gun == gun and r.kind == kind for r in readings_of(work).after)


def _not_again(gun: Gun | None, work: Work) -> Unknown:
    if work.came_with is None and not treated(gun, work):
        reason = "not read again; nothing was done to this gun" if gun else "not read again"
    else:
        reason = "not read again after the work"
    return Unknown(reason=reason, would_settle="read it again, as it was read before")


_BETTER: Final[dict[ReadingKind, str]] = {
    "emission": "larger",
    "leakage_heater_cathode": "larger",
    "leakage_cathode_grid1": "larger",
    "leakage_grid1_grid2": "larger",
    "gas": "smaller",
}


def _reading_line(
    gun: Gun | None, kind: ReadingKind, about: str, work: Work, knowledge: Knowledge, full_heater_v: float
) -> Line:
    """One kind of reading before and after, each the latest of its side."""
    old, new = (last_reading(side, kind, gun, full_heater_v=full_heater_v) for side in _both(work))
    name = f"{gun or 'tube'}.{kind}"
    never = Unknown(reason="not read before the work", would_settle="nothing now: the work is done")
    before: Figure = never if old is None else _spread(old, knowledge)
    after: Figure = _not_again(gun, work) if new is None else _spread(new, knowledge)
    unit = (new or old).unit if new or old else ""  # type: ignore[union-attr] # one of them is there
    if old is not None and new is not None:
        why = _unlike(old, new, kind)
        if why:
            return Line(
                name=name, about=about, unit=unit, unit_before=old.unit, before=before, after=after,
                verdict="unknown", why=why,
            )  # fmt: skip
        if kind in dict(LEAKAGES):
            return _leakage_line(name, about, old, new, knowledge)
    return compared(name, about, unit, before, after, better=_BETTER.get(kind, "neither"))


def _unlike(old: Reading, new: Reading, kind: ReadingKind) -> str:
    """Why two readings can't be held against each other; "" if they can."""
    if old.unit != new.unit:
        return f"read in {old.unit}, then in {new.unit}"
    if kind in {"emission", "cutoff"}:
        if old.instrument and new.instrument and old.instrument != new.instrument:
            return "read on another instrument"
        if old.g2_v and new.g2_v and abs(old.g2_v - new.g2_v) > 0.02 * old.g2_v:
            return f"read at another grid 2 voltage ({old.g2_v:g} V, then {new.g2_v:g} V)"
    return ""


def _spread(reading: Reading, knowledge: Knowledge) -> Spread:
    """A reading with what repeating it would bring."""
    share = {
        "emission": knowledge.value("repeatability_one_box"),
        "cutoff": knowledge.value("cutoff_repeatability"),
    }.get(reading.kind, 0.0)
    if reading.kind in dict(LEAKAGES):
        spread = TENTH_SD * knowledge.value("proof_leakage_spread")
        return Spread(median=reading.value, p10=reading.value * math.exp(-spread), p90=reading.value * math.exp(spread))
    cold = reading.minutes_on is not None and reading.minutes_on < knowledge.value("warm_minutes_least")
    if reading.kind == "emission" and cold:
        share = math.hypot(share, knowledge.value("cold_reading_spread"))
    if reading.kind in {"heater_current", "heater_voltage", "gas"}:
        share = knowledge.value("repeatability_one_box")
    half = TENTH_SD * share * reading.value
    return Spread(median=reading.value, p10=max(0.0, reading.value - half), p90=reading.value + half)


def _leakage_line(name: str, about: str, old: Reading, new: Reading, knowledge: Knowledge) -> Line:
    """A leakage counts by its class and by its factor: among sound ones a difference means nothing."""
    words = tuple(leakage_words(r.kind, r.value, knowledge) for r in (old, new))
    before, after = _spread(old, knowledge), _spread(new, knowledge)
    verdict: Verdict = "same"
    if words != ("sound", "sound") and old.value != new.value:
        sd = math.sqrt(2) * knowledge.value("proof_leakage_spread")
        low, high = sorted((old.value, new.value))
        if low <= 0 or math.log(high / low) > SURELY_SD * sd:
            verdict = "better" if new.value > old.value else "worse"
    return Line(
        name=name, about=about, unit=new.unit, before=before, after=after, verdict=verdict, why="",
        words_before=words[0], words_after=words[1],
    )  # fmt: skip


def _holds(work: Work, knowledge: Knowledge, seed: int) -> dict[Gun, str]:
    """What the readings after a treatment say of its holding, gun by gun."""
    found: dict[Gun, str] = {}
    for gun in GUNS:
        if not any(t.outcome == "improved" for t in treated(gun, work)):
            continue
        found[gun] = ""
        course = after_treatment(work.case, gun, knowledge)
        if course.treatment is None or course.trouble is not None:
            continue
        held = hold(course.readings, knowledge, gun=gun, left_out=course.left_out, seed=seed)
        if held.hold_class is not None:
            found[gun] = held.headline
    return found
