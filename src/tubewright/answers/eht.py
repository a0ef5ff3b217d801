"""The guard of the anode voltage: would this change raise it, by how much, and may it be spoken of at all.

Whoever leads a person to change B+, line rate, retrace tuning, yoke or width coil asks
:func:`guard_change` first. It is a pure function of two plain values, and it raises
:class:`~tubewright.errors.RefusedError` where the answer must be no:

>>> stage = LineStage(bplus_v=107.0, eht_kv=21.4, eht_limit_kv=27.5)
>>> guard_change(stage, ChangeWanted(bplus_v=120.0)).effect
'raises'
>>> guard_change(stage, ChangeWanted(tuning_nf=6.1))
Traceback (most recent call last):
...
tubewright.errors.RefusedError: new_tuning: this would raise the anode voltage by an amount that can't be told. ...

:func:`weigh_change` gives the same figures with the refusals as values, for showing.
Neither ever says that a voltage is safe: what it says follows from figures that were
typed, and only a measurement at zero beam proves them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite, sqrt
from typing import Final, Literal, TypeAlias

from tubewright.answers.assessment import Figure, Spread, Unknown
from tubewright.answers.eht_words import NAMES, by, change_words
from tubewright.errors import Fault, InputError, RefusedError
from tubewright.physics.retrace import anode_ratio, pulse_peak_v, retrace_time_s

Effect: TypeAlias = Literal["raises", "keeps", "lowers", "unknown"]

EHT_METER_RATIO: Final = 0.05
RETRACE_READ_RATIO: Final = 0.03
RETRACE_RECKONED_RATIO: Final = 0.1
SAME_RATIO: Final = 0.01

CAUTIONS: Final = (
    "local_rules",
    "eht_live",
    "anode_charge",
    "recharge",
    "x_rays",
    "holddown",
    "tuning_capacitor",
    "gate_bplus_first",
    "gate_eht_before_release",
)
"""Ids of the cautions that go before any work on the line stage."""

HAZARD: Final = "H3: extra-high tension, flyback and X-rays"


@dataclass(frozen=True, slots=True, kw_only=True)
class LineStage:
    """A line output stage as it was measured, and what it was designed for; None is not known.

    Attributes:
        bplus_v: its supply as measured.
        scan_khz: line rate it runs at.
        retrace_us: its flyback pulse on a scope, base to base.
        tuning_nf: all of its retrace tuning capacitance, as measured or printed.
        yoke_mh: inductance of the line yoke.
        width_coil_mh: the coil in series with it.
        eht_kv: anode voltage, measured at zero beam with a probe made for it.
        eht_limit_kv: the rating that it must never pass, from the set's papers.
        design_eht_kv: what it should be in a set that is right.
        design_bplus_v: likewise its supply.
        design_tuning_nf: likewise its tuning capacitance.
    """

    bplus_v: float | None = None
    scan_khz: float | None = None
    retrace_us: float | None = None
    tuning_nf: float | None = None
    yoke_mh: float | None = None
    width_coil_mh: float | None = None
    eht_kv: float | None = None
    eht_limit_kv: float | None = None
    design_eht_kv: float | None = None
    design_bplus_v: float | None = None
    design_tuning_nf: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeWanted:
    """What somebody would change, each as it would be afterwards; None stays as it is.

    ``protection`` is True where the X-ray protection or its parts would be altered or defeated.
    """

    bplus_v: float | None = None
    scan_khz: float | None = None
    tuning_nf: float | None = None
    yoke_mh: float | None = None
    width_coil_mh: float | None = None
    protection: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AnodeChange:
    """What a change would do to the anode voltage.

    ``ratio`` is the anode voltage afterwards over that before. ``refused`` says why the
    change must not be recommended; empty where nothing in the figures forbids it.
    """

    effect: Effect
    ratio: Figure
    after_kv: Figure
    retrace_before_us: float | None
    retrace_after_us: float | None
    peak_before_v: float | None
    peak_after_v: float | None
    refused: tuple[Fault, ...]
    words: tuple[str, ...]
    cautions: tuple[str, ...]
    hazard: str = HAZARD


_RAISES_WHEN: Final = {"bplus": "higher", "tuning": "lower", "line": "lower", "yoke": "lower", "width_coil": "lower"}


def guard_change(stage: LineStage, change: ChangeWanted) -> AnodeChange:
    """What a change would do to the anode voltage, unless it must not be recommended.

    Args:
        stage: The line stage as it was measured, with its rating.
        change: What would be changed.

    Returns:
        The same as :func:`weigh_change`, with nothing refused.

    Raises:
        RefusedError: The change would raise the anode voltage above its rating or where the
            rating or the voltage isn't known; the voltage is above its rating already and
            would stay there; the tuning capacitance would go below what it was designed
            with; or the protection would be touched. Exit code 3.
        InputError: A figure that is not above zero, nothing changed, or a changed quantity
            whose present value is missing (``bplus``, ``tuning``, ``line``, ``yoke``, ``width_coil``).
    """
    weighed = weigh_change(stage, change)
    if weighed.refused:
        raise RefusedError(weighed.refused)
    return weighed


def weigh_change(stage: LineStage, change: ChangeWanted) -> AnodeChange:
    """What a change would do to the anode voltage, with the refusals beside the figures.

    Args:
        stage: The line stage as it was measured, with its rating.
        change: What would be changed.

    Raises:
        InputError: As for :func:`guard_change`.

    Source: :mod:`tubewright.physics.retrace`; a coil in series and a yoke count with half to
    all of their change, since the transformer's own inductance lies beside them.
    """
    steps = _steps(stage, change)
    _check(stage, change, steps)
    effect = _effect(steps)
    before_us, after_us = _retrace(stage, change)
    ratio = _ratio(stage, change, steps, before_us, after_us)
    if isinstance(ratio, Spread):
        effect = "raises" if ratio.median > 1 else "lowers" if ratio.median < 1 else "keeps"
        if ratio.p10 < 1 < ratio.p90:
            effect = "unknown"
    peaks = _peaks(stage, change, before_us, after_us)
    after = _after(stage, ratio)
    weighed = AnodeChange(
        effect=effect,
        ratio=ratio,
        after_kv=after,
        retrace_before_us=before_us,
        retrace_after_us=after_us,
        peak_before_v=peaks[0],
        peak_after_v=peaks[1],
        refused=tuple(_refusals(stage, change, steps, effect, ratio, after)),
        words=(),
        cautions=(*CAUTIONS, *(("line_rate",) if "line" in steps else ())),
    )
    return AnodeChange(
        **{name: getattr(weighed, name) for name in AnodeChange.__dataclass_fields__ if name != "words"},
        words=tuple(change_words(stage, steps, weighed)),
    )


def _steps(stage: LineStage, change: ChangeWanted) -> dict[str, tuple[float | None, float]]:
    """What changes, by name: what it is now and what it would be."""
    pairs = {
        "bplus": (stage.bplus_v, change.bplus_v),
        "tuning": (stage.tuning_nf, change.tuning_nf),
        "line": (stage.scan_khz, change.scan_khz),
        "yoke": (stage.yoke_mh, change.yoke_mh),
        "width_coil": (stage.width_coil_mh, change.width_coil_mh),
    }
    return {name: (now, then) for name, (now, then) in pairs.items() if then is not None}


def _check(stage: LineStage, change: ChangeWanted, steps: dict[str, tuple[float | None, float]]) -> None:
    faults = []
    fields = {"bplus_v": "bplus", "scan_khz": "line", "tuning_nf": "tuning", "retrace_us": "retrace", "yoke_mh": "yoke"}
    fields |= {"width_coil_mh": "width_coil", "eht_kv": "eht", "eht_limit_kv": "limit", "design_eht_kv": "design_eht"}
    for held, new in ((stage, ""), (change, "new_")):
        for name, where in fields.items():
            value = getattr(held, name, None)
            if value is not None and not (isfinite(value) and value > 0):
                faults.append(
                    Fault(what="this must be a number above zero", where=new + where, mend="Check the figure.")
                )
    for name, (now, _) in steps.items():
        if now is None and name != "tuning":
            faults.append(
                Fault(
                    what=f"to weigh a change, what {NAMES[name]} is now must be known",
                    where=name,
                    mend="Measure it and type it.",
                )
            )
    line_us = 1e3 / stage.scan_khz if stage.scan_khz else None
    if not faults and stage.retrace_us is not None and line_us is not None and stage.retrace_us >= line_us:
        faults.append(Fault(what="the retrace is as long as the line", where="retrace", mend="Check both figures."))
    if not steps and not change.protection:
        faults.append(Fault(what="no change was given", where="", mend="Say what would be changed, and to what."))
    if faults:
        raise InputError(faults)


def _effect(steps: dict[str, tuple[float | None, float]]) -> Effect:
    """What the directions of the changes alone say."""
    ways = set()
    for name, (now, then) in steps.items():
        if now is None:
            ways.add("raises")
        elif then != now:
            ways.add("raises" if (then > now) == (_RAISES_WHEN[name] == "higher") else "lowers")
    if ways == {"raises"}:
        return "raises"
    if ways == {"lowers"}:
        return "lowers"
    return "unknown" if ways else "keeps"


def _inductance_ratio(stage: LineStage, change: ChangeWanted) -> float:
    """Yoke and width coil in series, afterwards over before."""
    yoke, coil = stage.yoke_mh, stage.width_coil_mh
    if yoke is None:
        return 1.0
    before = yoke + (coil or 0)
    return ((change.yoke_mh or yoke) + (change.width_coil_mh or coil or 0)) / before


def _retrace(stage: LineStage, change: ChangeWanted) -> tuple[float | None, float | None]:
    """The retrace time now and afterwards, where it can be told, microseconds."""
    if stage.retrace_us is not None:
        before = stage.retrace_us
    elif stage.yoke_mh is not None and stage.tuning_nf is not None:
        coil = stage.width_coil_mh or 0
        before = float(retrace_time_s((stage.yoke_mh + coil) * 1e-3, stage.tuning_nf * 1e-9)) * 1e6
    else:
        return None, None
    if change.tuning_nf is not None and stage.tuning_nf is None:
        return before, None
    tuned = change.tuning_nf / stage.tuning_nf if change.tuning_nf and stage.tuning_nf else 1.0
    if change.width_coil_mh is not None and stage.yoke_mh is None:
        return before, None
    return before, before * sqrt(tuned * _inductance_ratio(stage, change))


def _ratio(
    stage: LineStage,
    change: ChangeWanted,
    steps: dict[str, tuple[float | None, float]],
    before_us: float | None,
    after_us: float | None,
) -> Figure:
    """The anode voltage afterwards over before."""
    supply = (stage.bplus_v or 1.0, change.bplus_v or stage.bplus_v or 1.0)
    if set(steps) <= {"bplus"}:
        exact = supply[1] / supply[0]
        return Spread(median=exact, p10=exact, p90=exact)
    if before_us is None or after_us is None or stage.scan_khz is None:
        return Unknown(
            reason="the retrace time or the line rate isn't known",
            would_settle="the flyback pulse on a scope, base to base, and the line rate",
        )
    lines = (1e-3 / stage.scan_khz, 1e-3 / (change.scan_khz or stage.scan_khz))
    doubt = RETRACE_READ_RATIO if stage.retrace_us is not None else RETRACE_RECKONED_RATIO
    found = []
    for share in (1.0, 0.5) if {"yoke", "width_coil"} & set(steps) else (1.0,):
        half_way = before_us * (after_us / before_us) ** share if share < 1 else after_us
        for off in (1.0, 1 - doubt, 1 + doubt):
            times = (before_us * off * 1e-6, half_way * off * 1e-6)
            if times[0] >= lines[0] or times[1] >= lines[1]:
                return Unknown(
                    reason="the retrace would be as long as the line", would_settle="the retrace time on a scope"
                )
            both = anode_ratio(supply, lines, times)
            found += [float(both.low_ratio), float(both.high_ratio)]
    middle = sqrt(found[0] * found[1])
    return Spread(median=middle, p10=min(found), p90=max(found))


def _peaks(
    stage: LineStage, change: ChangeWanted, before_us: float | None, after_us: float | None
) -> tuple[float | None, float | None]:
    if stage.bplus_v is None or stage.scan_khz is None or before_us is None or after_us is None:
        return None, None
    lines = (1e3 / stage.scan_khz, 1e3 / (change.scan_khz or stage.scan_khz))
    if before_us >= lines[0] or after_us >= lines[1]:
        return None, None
    return (
        float(pulse_peak_v(stage.bplus_v, lines[0], before_us)),
        float(pulse_peak_v(change.bplus_v or stage.bplus_v, lines[1], after_us)),
    )


def _after(stage: LineStage, ratio: Figure) -> Figure:
    """The anode voltage afterwards, kV."""
    if stage.eht_kv is None:
        return Unknown(reason="the anode voltage was not measured", would_settle="a probe made for it, at zero beam")
    if isinstance(ratio, Unknown):
        return ratio
    return Spread(
        median=stage.eht_kv * ratio.median,
        p10=stage.eht_kv * ratio.p10 * (1 - EHT_METER_RATIO),
        p90=stage.eht_kv * ratio.p90 * (1 + EHT_METER_RATIO),
    )


def _refusals(
    stage: LineStage,
    change: ChangeWanted,
    steps: dict[str, tuple[float | None, float]],
    effect: Effect,
    ratio: Figure,
    after: Figure,
) -> Iterator[Fault]:
    """Why the change must not be recommended."""
    if change.protection:
        yield Fault(
            what="the X-ray protection is never altered, defeated or bypassed",
            where="protection",
            mend="Find out why it trips: measure B+, retrace and anode voltage. Its parts are replaced like for like.",
        )
    if not steps:
        return
    limit = stage.eht_limit_kv
    if limit is not None and stage.eht_kv is not None and stage.eht_kv > limit and not _below(after, limit):
        yield Fault(
            what=f"the anode voltage is above its rating already: {stage.eht_kv:g} kV of {limit:g} kV",
            where="eht",
            mend="Switch off. Find what raised it: B+, tuning capacitor, line rate.",
        )
    tuning = steps.get("tuning")
    design = stage.design_tuning_nf
    if tuning is not None and (tuning[0] is None or tuning[1] < tuning[0]):
        restored = design is not None and tuning[1] >= design * (1 - SAME_RATIO)
        if not restored:
            yield Fault(
                what=f"this would raise the anode voltage by {by(ratio)}",
                where="new_tuning",
                mend="The retrace tuning capacitor is replaced like for like: the value, kind and voltage it was "
                "designed with.",
            )
    if effect not in ("raises", "unknown"):
        return
    rise = f"this {'would' if effect == 'raises' else 'may'} raise the anode voltage by {by(ratio)}"
    where = "new_" + next((name for name in steps if name != "tuning"), "tuning")
    if limit is None:
        yield Fault(
            what=f"{rise}, and its rating isn't known",
            where="limit",
            mend="Read the rating in the set's papers; without it nothing that raises the voltage is recommended.",
        )
    elif isinstance(after, Unknown):
        if not _designed(stage, steps, limit):
            yield Fault(
                what=f"{rise}, and what it would come to can't be told: {after.reason}",
                where="eht" if stage.eht_kv is None else where,
                mend=f"What would tell: {after.would_settle}.",
            )
    elif after.p90 > limit:
        yield Fault(
            what=f"{rise}, to as much as {after.p90:.1f} kV, beyond its rating of {limit:g} kV",
            where=where,
            mend="Leave it as it is, or look for what is wrong elsewhere.",
        )


def _below(after: Figure, limit: float) -> bool:
    return isinstance(after, Spread) and after.p90 <= limit


def _designed(stage: LineStage, steps: dict[str, tuple[float | None, float]], limit: float) -> bool:
    """Whether every changed quantity only goes back to its design, whose anode voltage lies within the rating."""
    known = {"bplus": stage.design_bplus_v, "tuning": stage.design_tuning_nf}
    if stage.design_eht_kv is None or stage.design_eht_kv > limit:
        return False
    for name, (_, then) in steps.items():
        design = known.get(name)
        if design is None or abs(then - design) > SAME_RATIO * design:
            return False
    return True
