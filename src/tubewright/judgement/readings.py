"""From what an instrument showed to numbers that can be compared.

A tester of any make shows microamperes, percent or divisions; here its readings
become ratios to a gun known to be good, each with the conditions that matter:
heater, cutoff, minutes on. What spreads all readings of one sitting alike (the
reference) is kept apart from what spreads each one (the hand and the eye).
"""

from __future__ import annotations

import datetime as dt
import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tubewright.case import GUNS, Case, Gun, Reading
from tubewright.experience import Experience
from tubewright.judgement.references import Reference, ReferenceKind, references_of
from tubewright.knowledge.model import Knowledge


@dataclass(frozen=True, slots=True, kw_only=True)
class NormalReading:
    """One emission reading as a ratio to the reference gun, as read (cutoff not yet allowed for).

    ``cutoff_share`` is ``(cutoff / reference cutoff)**1.5``, the ratio of the
    space-charge limits; ``sd_ln`` is the spread of this reading alone,
    ``extra_sd_ln`` the part of it that the step of the scale and a cold tube add. ``dark`` marks
    a reading of nothing: its ratio is then what an instrument just resolves.
    """

    gun: Gun
    ratio: float
    sd_ln: float
    extra_sd_ln: float
    heater_ratio: float
    minutes_on: float | None
    cutoff_share: float
    cutoff_share_sd_ln: float
    dark: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two readings of one gun at different heater voltages: the lower over the higher."""

    retention: float
    sd_ln: float
    low_heater_ratio: float
    high_heater_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortfall:
    """How far a photograph saw a gun fall behind its own law at full drive, 0 to 1, and the spread of that."""

    ratio: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GunReadings:
    """All that the readings say of one gun's emission and cutoff.

    ``trend_per_cent`` is the change between the first and the last full-heater
    reading of the sitting, ``None`` with fewer than two. ``shortfall`` is no reading of
    emission: it bears on the reserve, but a gun known by it alone counts as not read.
    """

    gun: Gun
    full: NormalReading | None
    pairs: tuple[Pair, ...]
    cutoff_v: float | None
    cutoff_g2_v: float | None
    cutoff_share: float
    cutoff_share_sd_ln: float
    trend_percent: float | None
    last_minutes_on: float | None
    shortfall: Shortfall | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NormalisedReadings:
    """Every gun's readings, and how well the reference itself is known."""

    guns: dict[Gun, GunReadings]
    scale_sd_ln: float
    scale_kind: ReferenceKind
    scale_words: str
    rated_heater_v: float
    rated_heater_assumed: bool

    @property
    def any_emission(self) -> bool:
        """Whether there is at least one emission reading at about full heater."""
        return any(gun.full is not None for gun in self.guns.values())

    @property
    def any_shortfall(self) -> bool:
        """Whether a photograph tells of at least one gun."""
        return any(gun.shortfall is not None for gun in self.guns.values())


def current_readings(readings: Iterable[Reading], sitting_days: float) -> list[Reading]:
    """The readings that describe the tube as it is now.

    Gun by gun and kind by kind: among dated readings only those within
    ``sitting_days`` of the latest count, and of these the ones taken after a
    treatment replace those before it.
    """
    chosen: list[Reading] = []
    groups: dict[tuple[Gun | None, str], list[Reading]] = {}
    for reading in readings:
        groups.setdefault((reading.gun, reading.kind), []).append(reading)
    for group in groups.values():
        kept = group
        dated = [_moment(reading.at) for reading in group if reading.at is not None]
        if dated:
            latest = max(dated)
            kept = [r for r in group if r.at is None or (latest - _moment(r.at)).days <= sitting_days]
        after = [reading for reading in kept if reading.stage == "after"]
        chosen.extend(after or kept)
    return chosen


def normalise(
    case: Case, knowledge: Knowledge, experience: Experience, *, without: frozenset[int] = frozenset()
) -> NormalisedReadings:
    """Normalise the emission readings of a case.

    Args:
        case: The case.
        knowledge: The trade's constants.
        experience: The shop's own readings on guns known to be good calibrate its instruments.
        without: Indices into ``case.readings`` that a check has thrown out.

    Returns:
        Ratios to the reference per gun. A gun without usable emission readings
        has ``full=None`` and no pairs.
    """
    rated_v = case.tube.heater_v or knowledge.value("usual_heater_v")
    usable = current_readings(
        (r for i, r in enumerate(case.readings) if i not in without), knowledge.value("sitting_days")
    )
    emission = [r for r in usable if r.kind == "emission"]
    references = references_of(emission, rated_v, knowledge, experience, case.tube.label)
    cutoffs = _cutoffs(usable)
    steps = _steps(emission)
    guns: dict[Gun, GunReadings] = {}
    for gun in GUNS:
        mine = [r for r in emission if r.gun == gun]
        normal = [
            _normal(r, references[id(r)], cutoffs.get(gun), rated_v, steps.get(r.unit, 0.0), knowledge) for r in mine
        ]
        full = [n for n in normal if n.heater_ratio >= knowledge.value("full_heater_from")]
        kept, trend = _settled(full, knowledge)
        cutoff = cutoffs.get(gun)
        any_normal = kept or (normal[0] if normal else None)
        guns[gun] = GunReadings(
            gun=gun,
            full=kept,
            pairs=_pairs(normal, knowledge),
            cutoff_v=cutoff[0] if cutoff else None,
            cutoff_g2_v=cutoff[1] if cutoff else None,
            cutoff_share=any_normal.cutoff_share if any_normal else 1.0,
            cutoff_share_sd_ln=any_normal.cutoff_share_sd_ln if any_normal else 0.0,
            trend_percent=trend,
            last_minutes_on=max((n.minutes_on for n in full if n.minutes_on is not None), default=None),
            shortfall=_shortfall(gun, usable, mine, knowledge),
        )
    worst = max((references[id(r)] for r in emission), key=lambda ref: ref.sd_ln, default=None)
    return NormalisedReadings(
        guns=guns,
        scale_sd_ln=worst.sd_ln if worst else knowledge.value("reference_spread_given"),
        scale_kind=worst.kind if worst else "stated",
        scale_words=worst.words if worst else "no emission reading",
        rated_heater_v=rated_v,
        rated_heater_assumed=case.tube.heater_v is None,
    )


def _normal(
    reading: Reading,
    reference: Reference,
    cutoff: tuple[float, float | None] | None,
    rated_v: float,
    step: float,
    knowledge: Knowledge,
) -> NormalReading:
    assert reading.gun is not None  # noqa: S101 - the case refuses emission readings without a gun
    share, share_sd = _cutoff_share(reading, reference, cutoff, knowledge)
    extra = step / math.sqrt(12) / reading.value if reading.value > 0 else 0.0
    if reading.minutes_on is not None and reading.minutes_on < knowledge.value("warm_minutes_least"):
        extra = math.hypot(extra, knowledge.value("cold_reading_spread"))
    # Every reading also carries what the instrument and the heater are off by, which a pair does not notice.
    sd = math.hypot(knowledge.value("repeatability_one_box"), knowledge.value("instrument_trueness"), extra)
    resolved = knowledge.value("reading_resolved")
    dark = reading.value / reference.value < resolved
    return NormalReading(
        gun=reading.gun,
        ratio=max(reading.value / reference.value, resolved),
        sd_ln=math.hypot(sd, knowledge.value("reading_of_nothing_spread")) if dark else sd,
        extra_sd_ln=extra,
        heater_ratio=(reading.heater_v or rated_v) / rated_v,
        minutes_on=reading.minutes_on,
        cutoff_share=share,
        cutoff_share_sd_ln=share_sd,
        dark=dark,
    )


def _cutoff_share(
    reading: Reading, reference: Reference, cutoff: tuple[float, float | None] | None, knowledge: Knowledge
) -> tuple[float, float]:
    """``(cutoff / reference cutoff)**1.5`` and the spread of its logarithm."""
    if reference.kind == "relative" and reference.cutoff_v is None:
        return 1.0, 0.0  # whoever normalised it has allowed for the cutoff as far as that was possible
    if cutoff is None or reference.cutoff_v is None:
        return 1.0, 1.5 * knowledge.value("cutoff_unknown_spread")
    volts, at_g2_v = cutoff
    if at_g2_v is not None and reading.g2_v is not None:
        volts *= reading.g2_v / at_g2_v  # cutoff is proportional to G2
    return (volts / reference.cutoff_v) ** 1.5, 1.5 * math.sqrt(2) * knowledge.value("cutoff_repeatability")


def _cutoffs(readings: Iterable[Reading]) -> dict[Gun, tuple[float, float | None]]:
    found: dict[Gun, list[tuple[float, float | None]]] = {}
    for reading in readings:
        if reading.kind == "cutoff" and reading.gun is not None and reading.value > 0:
            found.setdefault(reading.gun, []).append((reading.value, reading.g2_v))
    return {gun: (statistics.fmean(v for v, _ in pairs), pairs[-1][1]) for gun, pairs in found.items()}


def _shortfall(
    gun: Gun, usable: Iterable[Reading], emission: Sequence[Reading], knowledge: Knowledge
) -> Shortfall | None:
    """The surest shortfall seen of a gun; photographs share display and camera, so a second adds little.

    One that was seen in another sitting than the gun's emission was read in, or on the
    other side of a treatment, is of another state of the tube and is left out.
    """
    days, unsaid = knowledge.value("sitting_days"), knowledge.value("shortfall_spread_default")
    seen = [
        Shortfall(ratio=r.value, sd=r.spread or unsaid)
        for r in usable
        if r.kind == "shortfall_seen" and r.gun == gun and _same_state(r, emission, days)
    ]
    return min(seen, key=lambda one: one.sd, default=None)


def _same_state(seen: Reading, emission: Sequence[Reading], sitting_days: float) -> bool:
    if not emission:
        return True
    if (seen.stage == "after") not in {r.stage == "after" for r in emission}:
        return False
    dated = [_moment(r.at) for r in emission if r.at is not None]
    if seen.at is None or not dated:
        return True
    return abs(_moment(seen.at) - max(dated)).days <= sitting_days


def _settled(full: Sequence[NormalReading], knowledge: Knowledge) -> tuple[NormalReading | None, float | None]:
    """One reading for the sitting, and the change over it in percent.

    While a gun is still moving only the last reading counts; one that holds is
    averaged, which is what repeating a reading is for.
    """
    if not full:
        return None, None
    timed = sorted((n for n in full if n.minutes_on is not None), key=lambda n: n.minutes_on or 0.0)
    trend = None
    kept = list(full)
    if len(timed) > 1 and timed[-1].minutes_on != timed[0].minutes_on:
        trend = 100.0 * (timed[-1].ratio / timed[0].ratio - 1.0)
        if abs(trend) >= 100.0 * knowledge.value("trend_notable"):
            kept = [timed[-1]]
    mean = math.exp(statistics.fmean(math.log(n.ratio) for n in kept))
    last = kept[-1]
    return (
        NormalReading(
            gun=last.gun,
            ratio=mean,
            sd_ln=_averaged(kept, knowledge),
            extra_sd_ln=min(n.extra_sd_ln for n in kept),
            heater_ratio=statistics.fmean(n.heater_ratio for n in kept),
            minutes_on=timed[-1].minutes_on if timed else None,
            cutoff_share=last.cutoff_share,
            cutoff_share_sd_ln=last.cutoff_share_sd_ln,
            dark=last.dark,
        ),
        trend,
    )


def _averaged(kept: Sequence[NormalReading], knowledge: Knowledge) -> float:
    """Spread of the mean of several readings: repeating helps the hand, not the instrument."""
    best = min(n.sd_ln for n in kept)
    trueness = knowledge.value("instrument_trueness")
    alone = math.sqrt(max(best**2 - trueness**2, 0.0))
    return math.hypot(trueness, alone / math.sqrt(len(kept)))


def _steps(emission: Sequence[Reading]) -> dict[str, float]:
    """The step a person rounds to, per unit: the finest among the numbers written.

    A single 30 may be a 30.4, but beside a 22.5 it is not. On the relative scale,
    which is reckoned rather than read, nobody writes less than two places.
    """
    places = {"rel": 2}
    for reading in emission:
        text = f"{reading.value:.6g}"
        if "e" not in text:
            places[reading.unit] = max(places.get(reading.unit, 0), len(text.partition(".")[2]))
    return {unit: 10.0**-count for unit, count in places.items()}


def _pairs(normal: Sequence[NormalReading], knowledge: Knowledge) -> tuple[Pair, ...]:
    """The readings at each reduced heater, taken together, over the nearest ones at full heater."""
    lit = [n for n in normal if not n.dark]  # nothing over nothing tells no retention
    full = [n for n in lit if n.heater_ratio >= knowledge.value("full_heater_from")]
    reduced = [n for n in lit if n.heater_ratio < knowledge.value("full_heater_from")]
    if not full:
        return ()
    pairs = []
    for ratio in sorted({round(n.heater_ratio, 3) for n in reduced}):
        same = [n for n in reduced if round(n.heater_ratio, 3) == ratio]
        beside = [_neighbour(low, full) for low in same]
        logs = [math.log(low.ratio / high.ratio) for low, high in zip(same, beside, strict=True)]
        pairs.append(
            Pair(
                retention=math.exp(statistics.fmean(logs)),
                sd_ln=math.hypot(
                    math.sqrt(1 + 1 / len(same)) * knowledge.value("repeatability_pair"),
                    max(math.hypot(low.extra_sd_ln, high.extra_sd_ln) for low, high in zip(same, beside, strict=True)),
                ),
                low_heater_ratio=same[0].heater_ratio,
                high_heater_ratio=beside[0].heater_ratio,
            )
        )
    return tuple(pairs)


def _neighbour(low: NormalReading, full: Sequence[NormalReading]) -> NormalReading:
    """The full-heater reading nearest in time; the warmest where a time is missing."""
    timed = [n for n in full if n.minutes_on is not None]
    if low.minutes_on is None or not timed:
        return max(full, key=lambda n: n.minutes_on or 0.0)
    at = low.minutes_on
    return min(timed, key=lambda n: abs((n.minutes_on or 0.0) - at))


def _moment(at: dt.date | dt.datetime | None) -> dt.datetime:
    """A comparable moment; what carries no zone is taken as UTC."""
    assert at is not None  # noqa: S101 - callers have checked
    if isinstance(at, dt.datetime):
        return at if at.tzinfo else at.replace(tzinfo=dt.UTC)
    return dt.datetime(at.year, at.month, at.day, tzinfo=dt.UTC)
