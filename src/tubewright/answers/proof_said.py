"""The proof in plain words: what came, what was found and done, what remains, what to expect. For the owner to read."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from tubewright.answers.assessment import Assessment, Spread, Unknown
from tubewright.answers.proof_form import Line, Proof, Verdict
from tubewright.answers.proof_work import DoneTreatment, Work, unread_guns
from tubewright.case import Gun, Outcome, TreatmentKind

MONTHS_PER_YEAR: Final = 12
LONGEST_YEARS: Final = 40

DONE_WORDS: Final[dict[TreatmentKind, str]] = {
    "clean_contacts": "The contacts of the tube's base and of its socket were cleaned",
    "soak": "The cathodes were kept at their normal heat for some hours",
    "run_in": "The tube was run in under its normal picture",
    "short_boost": "The cathodes were heated a little above normal for some minutes",
    "clean": "The {gun}cathode was cleaned with a small current",
    "activate": "The {gun}cathode was activated with a strong current",
    "clear_short": "A short between the electrodes of the {gun}gun was worked on",
    "isolate_heater": "The tube's heater was given a feed of its own",
    "boost_heater": "The voltage of the tube's heater was raised for good",
}
"""Each treatment for people who don't treat tubes."""

OUTCOME_WORDS: Final[dict[Outcome, str]] = {
    "improved": "it helped",
    "unchanged": "it changed nothing",
    "worse": "it came out weaker",
    "lost": "the gun was lost by it",
}


# -- what was --------------------------------------------------------------------------------


def came_words(work: Work) -> tuple[str, ...]:
    """The symptoms that it came with: those noted as present before anything was done."""
    begun = work.begun_at
    first: dict[str, tuple[str, bool]] = {}
    for one in sorted(work.symptoms, key=lambda s: s.at):
        if begun is None or one.at <= begun:
            first[one.id] = one.words, one.present
    return tuple(_stopped(words) for words, present in first.values() if present)


def found_words(work: Work) -> tuple[str, ...]:
    """The faults that were found, mended or not; each once."""
    latest = {r.fault: r for r in sorted(work.repairs, key=lambda r: r.at)}
    return tuple(_stopped(_capital(r.name)) for r in latest.values() if r.outcome != "excluded")


def done_words(work: Work) -> tuple[str, ...]:
    """What was done to the set, in the order of the work."""
    events: list[tuple[object, str]] = []
    if work.came_with is not None:
        new = work.case.tube.label or work.tube_label
        events.append((work.opened_at, f"Another picture tube was put in{f' ({new})' if new else ''}."))
    mended = {r.fault: r for r in sorted(work.repairs, key=lambda r: r.at) if r.outcome == "mended"}
    events += [(r.at, f"Mended: {_stopped(r.name)}") for r in mended.values()]
    events += [(t.at, treatment_words(t)) for t in work.treatments]
    lines = [words for _, words in sorted(events, key=lambda e: str(e[0]))]
    moved = Counter(m.name for m in work.moves if not m.undone)
    if moved:
        lines.append(f"Set up anew: {_listed([_small(name) for name in moved])}.")
    parts = [p for p in work.parts if p.state == "used"]
    if parts:
        named = [f"{p.quantity} × {p.name}" if p.quantity > 1 else p.name for p in parts]
        lines.append(f"Parts fitted: {_listed(named)}.")
    return tuple(lines)


def treatment_words(done: DoneTreatment) -> str:
    """One treatment, and what came of it."""
    gun = f"{done.gun} " if done.gun else ""
    words = DONE_WORDS[done.kind].format(gun=gun)
    if done.other_tube:
        words += ", on the tube that came"
    return f"{words}{': ' + OUTCOME_WORDS[done.outcome] if done.outcome else ''}."


def remains_words(made: Proof, work: Work, after: Assessment) -> tuple[str, ...]:
    """What was not done, what was not taken again, and what is still wrong."""
    lines: list[str] = []
    latest = {r.fault: r for r in sorted(work.repairs, key=lambda r: r.at)}
    lines += [f"Found and not mended: {_stopped(r.name)}" for r in latest.values() if r.outcome == "found"]
    begun = work.begun_at
    last = {one.id: one for one in sorted(work.symptoms, key=lambda s: s.at)}
    for one in last.values():
        if one.present and begun is not None:
            seen = "seen after the work" if one.at > begun else "not looked at again after the work"
            lines.append(f"{_capital(one.words).rstrip('.')} ({seen}).")
    lines += [_stopped(_capital(stop)) for stop in after.hard_stops]
    lost = [t for t in work.treatments if t.outcome in {"worse", "lost"} and not t.other_tube]
    lines += [f"The {t.gun or 'treated'} gun: {OUTCOME_WORDS[t.outcome]}." for t in lost if t.outcome]
    unread = unread_guns(work)
    if unread:
        lines.append(f"Not read again after the work: {_listed(list(unread))}.")
    if work.begun_at is not None and made.picture.after is None:
        lines.append("The picture was not measured after the work.")
    worse = [line for line in every_line(made) if line.verdict == "worse"]
    lines += [f"Worse than it came: {line.about.replace(' as read', '')}{_where(line)}." for line in worse[:6]]
    if len(worse) > 6:
        lines.append(f"Worse in {len(worse) - 6} more figures.")
    lines += [f"{m.name}: at the end of its travel." for m in work.moves if m.at_stop and not m.undone]
    return tuple(dict.fromkeys(lines))


def every_line(made: Proof) -> tuple[Line, ...]:
    """All figures of a proof but those that say the same as another."""
    guns = tuple(line for gun in made.guns for line in gun.lines)
    return (*guns, *made.shared, *made.picture.lines, *made.grey)


def _where(line: Line) -> str:
    gun = line.name.partition(".")[0]
    return f", {gun} gun" if gun in {"red", "green", "blue"} else f" ({line.group.lower()})" if line.group else ""


# -- what to expect ----------------------------------------------------------------------------


def expect_words(made: Proof, holds: Mapping[Gun, str], *, other_parts_years: float) -> tuple[str, ...]:
    """What the owner can count on, with its spread, and what it hangs on."""
    wanted = f"at least {100 * made.minimum_white_ratio:.0f} % of a good tube's white"
    use = f"{made.hours_per_week:.3g} hours a week"
    use += " (nobody said how many; this is the usual number)" if made.hours_assumed else ""
    white, years, hours = made.white.after, made.years.after, made.hours.after
    lines: list[str] = []
    if isinstance(white, Unknown):
        lines.append(f"How bright it is now is not known: {white.reason}. So nothing is promised of its years.")
    else:
        lines.append(
            f"It makes about {_percent(white.median)} % of a good tube's white "
            f"({_percent(white.p10)} to {_percent(white.p90)}); wanted is {wanted}."
        )
        lines += _life_words(made, years, hours, wanted, use)
        if isinstance(years, Spread) and years.p90 > other_parts_years:
            lines.append(
                f"Beyond about {other_parts_years:g} years the other parts of the set are the limit, not the tube."
            )
    helped = [gun for gun, words in holds.items() if not words]
    lines += [_stopped(_capital(words)) for words in holds.values() if words]
    if helped:
        guns = f"The {_listed(list(helped))} gun{'s were' if len(helped) > 1 else ' was'} treated"
        lines.append(
            f"{guns}. Whether that gain lasts is not known yet: "
            "bring it back to be read again in some months, or when colours begin to tire."
        )
    return tuple(lines)


def _life_words(made: Proof, years: object, hours: object, wanted: str, use: str) -> list[str]:
    if isinstance(years, Unknown):
        return [f"How long it will last is not known: {years.reason}."]
    if not isinstance(years, Spread) or not isinstance(hours, Spread):
        return []
    if years.p90 <= 0 or years.median <= 0:
        set_up = made.years_set_up.after
        if isinstance(set_up, Spread) and set_up.median > 0 and years.median <= 0:
            return [
                "As its greys are set now, its white does not reach that for long: the guns differ too much.",
                f"With the grey scale set anew it should last {duration(set_up)} at {use}.",
            ]
        chance = f" At best it lasts {_time(years.p90)} at {use}." if years.p90 > 0 else ""
        return [f"Most likely its white is below what was wanted already.{chance}"]
    span = f"{_hours(hours.p10)} to {_hours(hours.p90)}"
    lasts = f"It should keep {wanted} for {duration(years)} at {use}"
    return [f"{lasts}: about {_hours(hours.median)} hours of use ({span})."]


def headline(made: Proof) -> str:
    """The proof in one sentence."""
    white = made.white
    if isinstance(white.before, Spread) and isinstance(white.after, Spread):
        before, after = _percent(white.before.median), _percent(white.after.median)
        if white.verdict == "same":
            told = f"White {after} % of a good tube's, no change beyond doubt (it came with {before} %)"
            if before == after:
                told = f"White {after} % of a good tube's, as it came"
        else:
            told = f"White {'up' if white.verdict == 'better' else 'down'} from {before} to {after} % of a good tube's"
    elif isinstance(white.after, Spread):
        told = f"White {_percent(white.after.median)} % of a good tube's; it was not read before the work"
    else:
        told = f"The white after the work is not known: {white.after.reason}"
    counted = Counter(line.verdict for line in made.picture.lines)
    if counted["better"] or counted["worse"] or counted["same"]:
        known = sum(counted[v] for v in ("better", "worse", "same", "changed"))
        told += f". Of {known} figures of the picture {counted['better']} better, {counted['worse']} worse"
        told += ", the others without a change beyond doubt" if counted["same"] else ""
    elif made.picture.lines:
        told += ". The picture was measured on one side of the work only"
    return f"{told}."


def duration(years: Spread) -> str:
    """A time with its spread, in months where it is short and in years where it is long.

    Example:
        >>> duration(Spread(median=4.1, p10=1.6, p90=8.3))
        'about 4 years (1½ to 8 years)'
    """
    low, high = _time(years.p10), _time(years.p90)
    unit = high.rpartition(" ")[2]
    if low.endswith(unit) and not low.startswith(("less", "over")) and not high.startswith("over"):
        low = low.removesuffix(f" {unit}")
    return f"about {_time(years.median)} ({low} to {high})"


def _time(years: float) -> str:
    if not math.isfinite(years) or years > LONGEST_YEARS:
        return f"over {LONGEST_YEARS} years"
    months = round(years * MONTHS_PER_YEAR)
    if months < 1:
        return "less than a month"
    if months < 18:
        return "1 month" if months == 1 else f"{months} months"
    doubled = round(2 * years)
    halves = f"{doubled // 2}{'½' if doubled % 2 else ''}"
    return f"{halves if years < 5 else f'{years:.0f}'} years"


def _hours(hours: float) -> str:
    """Hours of use to two digits."""
    if not math.isfinite(hours) or hours >= 200_000:
        return "over 200,000"
    if hours < 10:
        return "under 10"
    step = 10 ** max(0, math.floor(math.log10(hours)) - 1)
    whole = round(hours / step) * step
    return f"{whole:,.0f}" if whole >= 10_000 else f"{whole:.0f}"


def _percent(ratio: float) -> str:
    return f"{100 * ratio:.0f}"


def _listed(words: Sequence[str]) -> str:
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def _stopped(text: str) -> str:
    return f"{text.strip().rstrip('.')}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _small(text: str) -> str:
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


def counted_words(lines: Iterable[Line]) -> str:
    """How many figures came out how, in words."""
    counted = Counter(line.verdict for line in lines)
    return _listed([f"{counted[verdict]} {words}" for verdict, words in _COUNTED.items() if counted[verdict]])


_COUNTED: Final[dict[Verdict, str]] = {
    "better": "better",
    "worse": "worse",
    "changed": "changed",
    "same": "without a change beyond doubt",
    "unknown": "not known on both sides",
}
