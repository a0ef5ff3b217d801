"""The grey scale of a display: how far it is from its white, what to turn, and what that would bring.

Two doors into one answer: readings of a colorimeter give absolute figures; the tracking of a
photograph gives the three guns against each other only, with the middle grey taken as right.

Nothing here ever asks for more EHT, B+ or heater voltage. A white that the controls can't
reach is a fault or a spent gun, and is said to be.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal, TypeAlias

import numpy as np

from tubewright.answers.assess import assess
from tubewright.answers.assessment import Figure, Spread, Unknown
from tubewright.answers.greyscale_form import GreyAnswer, GreyGun, State, Watch
from tubewright.answers.greyscale_target import WHITE_NAMES, grey_target
from tubewright.answers.greyscale_words import finer_words, headline_of, move_words, remarks_of
from tubewright.case import Case
from tubewright.errors import Fault, InputError
from tubewright.judgement.greyscale import (
    DISPLAY_KINDS,
    DisplayKind,
    GreyError,
    GreyStep,
    GreyTarget,
    differences,
    doubt_of_fit,
    grey_error,
    grey_steps,
    look_over,
    predicted_steps,
)
from tubewright.judgement.greyscale_advice import LOW_LEVEL, GreyPlan, Move, after_moves, plan_moves
from tubewright.judgement.greyscale_fit import SHOWN, GreyFit, GreyReading, Shown, fit_greys, light_of, packed
from tubewright.judgement.greyscale_gains import CONTROLS, Control, Gain, hint_of, learn_gains
from tubewright.knowledge.model import Knowledge
from tubewright.physics.colour import TYPICAL_PRIMARIES_XY, luminance_shares
from tubewright.picture.results import GUNS, GunLaw, Known, Tracking, Unsupported
from tubewright.picture.results import Figure as Seen

__all__ = [
    "CONTROLS", "DISPLAY_KINDS", "SHOWN", "WHITE_NAMES", "Control", "DisplayKind", "Gain", "GreyAnswer", "GreyError",
    "GreyGun", "GreyReading", "GreyStep", "GreyTarget", "Move", "Shown", "State", "Watch", "grey_from_tracking",
    "grey_target", "reserves_of", "set_grey",
]  # fmt: skip

SETTLED_RATIO: Final = 0.8
MIDDLE_LEVEL: Final = 0.5

TURNING_CAUTIONS: Final = ("local_rules", "anode_charge", "recharge", "mains_live", "hot_chassis", "eht_live")
"""Ids of the cautions before any control on a live neck board or beside the flyback is turned."""

LOOKING_CAUTIONS: Final = ("eyes_only",)
_TURNING_HAZARD: Final = "H3: the neck board is live, and grid 2, focus and flyback are near the hand"
_LOOKING_HAZARD: Final = ""


@dataclass(slots=True)
class _Draft:
    """What is gathered on the way to an answer."""

    target: GreyTarget
    steps: tuple[GreyStep, ...]
    relative: bool
    finer: bool = False
    unknown: list[Unknown] = field(default_factory=list)
    error: GreyError | None = None
    error_before: GreyError | None = None
    gains: dict[Control, Gain] = field(default_factory=dict)
    readings: tuple[GreyReading, ...] = ()

    def open(self, *missing: Unsupported | None) -> None:
        self.unknown += [
            Unknown(reason=one.reason, would_settle=one.would_settle) for one in missing if one is not None
        ]


def reserves_of(case: Case, knowledge: Knowledge) -> dict[str, float]:
    """The least emission reserve that is likely of each gun of a case; a gun that isn't known is left out."""
    guns = assess(case, knowledge, futures=1000).guns
    return {gun: one.emission_reserve.p10 for gun, one in guns.items() if isinstance(one.emission_reserve, Spread)}


def set_grey(
    readings: Sequence[GreyReading],
    target: GreyTarget,
    *,
    before: Sequence[GreyReading] = (),
    turned: Mapping[Control, float] | None = None,
    gains: Mapping[Control, Gain] | None = None,
    reserves: Mapping[str, float] | None = None,
    wanted_peak_cd_m2: float | None = None,
    swing_v: float | None = None,
    retrace_seen: bool = False,
    finer: bool = False,
) -> GreyAnswer:
    """How a grey scale stands, and what to turn to bring it to its white.

    Args:
        readings: White steps; each primary at full level and the screen switched off where they were read.
        target: The white and its tolerances.
        before: Readings before the last turns.
        turned: What was turned between the two, in turns, clockwise above 0.
        gains: What is known of the controls from earlier rounds.
        reserves: Emission reserve of each gun, the least that is likely.
        wanted_peak_cd_m2: Peak white wished; else as bright as no gun need be raised for.
        swing_v: Cathode volts from black to full white.
        retrace_seen: Whether retrace lines are seen on a dark picture.
        finer: Whether to go on within the tolerances, as long as a turn gains a fifth.

    Raises:
        InputError: No reading of white at all.
    """
    if not any(one.shown == "white" for one in readings):
        raise InputError(
            Fault(what="there is no reading of white", where="readings", mend="Read ten steps of grey, 10 to 100 %.")
        )
    steps = grey_steps(readings, target)
    draft = _Draft(
        target=target, steps=steps, relative=False, finer=finer, gains=dict(gains or {}), readings=tuple(readings)
    )
    sound = look_over(readings)
    error = grey_error(steps, target)
    if isinstance(error, GreyError):
        draft.error = error
    else:
        draft.open(error)
    if before:
        earlier = grey_error(grey_steps(before, target), target)
        draft.error_before = earlier if isinstance(earlier, GreyError) else None
    draft.open(*sound.refused, sound.no_drives, *sound.remarks)
    if sound.refused or draft.error is None:
        return _finished(draft, None, None)
    fit, fit_before = _fitted(draft, sound.used, before, turned or {})
    doubt = doubt_of_fit(fit)
    if doubt is not None:
        draft.open(doubt)
        return _finished(draft, fit, None)
    plan = plan_moves(
        fit,
        target,
        wanted_peak_cd_m2=wanted_peak_cd_m2,
        reserves=reserves,
        gains=draft.gains,
        tried=turned,
        earlier=fit_before,
        swing_v=swing_v,
        retrace_seen=retrace_seen,
        drives_known=sound.no_drives is None,
    )
    if isinstance(plan, Unsupported):
        draft.open(plan)
        return _finished(draft, fit, None)
    if not any(one.shown in GUNS for one in readings):
        draft.open(
            Unsupported(
                reason="the phosphors were not read and are taken for an ordinary set, give or take 0.015 in x and y",
                would_settle="each primary read once at full level (red, green and blue in the column “shown”)",
            )
        )
    return _finished(draft, fit, plan)


def grey_from_tracking(
    tracking: Tracking, target: GreyTarget, *, retrace_seen: bool = False, finer: bool = False
) -> GreyAnswer:
    """The same from a photograph's tracking: guns against each other, the middle grey taken for the chosen white.

    Raises:
        InputError: A gun that the photograph couldn't measure (named ``tracking``).
    """
    laws = [tracking.guns.get(gun) for gun in GUNS]
    missing = [gun for gun, law in zip(GUNS, laws, strict=True) if not isinstance(law, GunLaw) or not _whole(law)]
    if missing:
        raise InputError(
            Fault(
                what=f"the photograph doesn't tell the law of {' and '.join(missing)}",
                where="tracking",
                mend="Photograph the survey for light again, or read steps of grey with a colorimeter.",
            )
        )
    fit = _fit_of([law for law in laws if isinstance(law, GunLaw)], target)
    levels = np.arange(1, 11) / 10
    steps = predicted_steps(fit, levels, target)
    draft = _Draft(target=target, steps=steps, relative=True, finer=finer)
    error = grey_error(steps, target)
    draft.error = error if isinstance(error, GreyError) else None
    draft.open(
        Unsupported(
            reason="a photograph compares the guns with each other only: where the white itself lies is not known, "
            "and the middle grey is taken for the chosen white",
            would_settle="readings of a colorimeter, or a middle grey set by eye beside a known white",
        )
    )
    plan = plan_moves(fit, target, retrace_seen=retrace_seen)
    if isinstance(plan, Unsupported):
        draft.open(plan)
        return _finished(draft, fit, None)
    return _finished(draft, fit, plan)


def _fitted(
    draft: _Draft, used: Sequence[GreyReading], before: Sequence[GreyReading], turned: Mapping[Control, float]
) -> tuple[GreyFit, GreyFit | None]:
    """The fit of the readings, and that of those before where there are any; gains are learned on the way."""
    earlier_sound = look_over(before) if before else None
    if earlier_sound is None or earlier_sound.refused:
        if turned:
            draft.open(
                Unsupported(
                    reason="what the controls did can't be learned: the readings before are missing or not enough",
                    would_settle="a full set of readings before and after a turn",
                )
            )
        return fit_greys(used), None
    earlier = fit_greys(earlier_sound.used)
    if doubt_of_fit(earlier) is not None:
        return fit_greys(used), None
    fit = fit_greys(used, hint=hint_of(earlier))
    if turned:
        draft.gains, unlearned = learn_gains(earlier, fit, turned, draft.gains)
        for control, why in unlearned.items():
            name = control.replace("_", " ")
            draft.open(Unsupported(reason=f"{name}: {why.reason}", would_settle=why.would_settle))
    return fit, earlier


def _finished(draft: _Draft, fit: GreyFit | None, plan: GreyPlan | None) -> GreyAnswer:
    state, moves, predicted, then, final = _outlook(draft, fit, plan)
    return GreyAnswer(
        state=state,
        relative=draft.relative,
        target=draft.target,
        steps=draft.steps,
        error=draft.error,
        error_before=draft.error_before,
        guns=() if fit is None else _guns(fit, plan),
        moves=moves,
        watch=_watch(fit, plan, moves),
        predicted=predicted,
        predicted_error=then,
        predicted_worst_delta_e=_worst(plan if moves else None, draft),
        final_error=final,
        limited_by="" if plan is None else plan.limited_by,
        black="" if plan is None else plan.black,
        gains=draft.gains,
        unknown=tuple(draft.unknown),
        headline=headline_of(state, draft.error, draft.error_before, then, draft.target, relative=draft.relative),
        words=(
            *(move_words(one, n) for n, one in enumerate(moves, start=1)),
            *finer_words(state, draft.error, final),
            *remarks_of(state, draft.steps, draft.target, plan, relative=draft.relative),
        ),
        cautions=TURNING_CAUTIONS if moves else LOOKING_CAUTIONS,
        hazard=_TURNING_HAZARD if moves else _LOOKING_HAZARD,
        readings=draft.readings,
    )


_Outlook: TypeAlias = tuple[
    State, tuple[Move, ...], tuple[GreyStep, ...], GreyError | None, GreyError | None
]  # state, moves, steps then, error then, error in the end


def _outlook(draft: _Draft, fit: GreyFit | None, plan: GreyPlan | None) -> _Outlook:
    if fit is None or plan is None or draft.error is None:
        done = draft.error is not None and draft.error.within and not draft.unknown
        return "done" if done else "unknown", (), (), None, None
    levels = np.array([one.level_ratio for one in draft.steps])
    steps = predicted_steps(plan.after, levels, draft.target)
    then, final = (
        grey_error(steps, draft.target),
        grey_error(predicted_steps(plan.final, levels, draft.target), draft.target),
    )
    if not isinstance(then, GreyError) or not isinstance(final, GreyError):
        return "unknown", (), (), None, None
    if draft.error.within and plan.black == "stays":
        gains = final.worst_delta_e < SETTLED_RATIO * draft.error.worst_delta_e
        if not (draft.finer and gains and plan.moves):
            return "done", (), (), None, final if gains and plan.moves else None
        return "turn", plan.moves, steps, then, final
    gains_little = _score(final, draft.target) > SETTLED_RATIO * _score(draft.error, draft.target)
    if plan.black == "stays" and (gains_little or not plan.moves):
        return "settled", (), (), None, None
    return "turn", plan.moves, steps, then, final


def _score(error: GreyError, target: GreyTarget) -> float:
    return max(error.white_du_v / target.white_du_v, error.drift_du_v / target.drift_du_v)


def _worst(plan: GreyPlan | None, draft: _Draft) -> Figure:
    levels = np.array([one.level_ratio for one in draft.steps if one.counted])
    if plan is None or not len(levels):
        return Unknown(reason="nothing is to be turned", would_settle="readings that a plan can be made from")
    apart, _ = differences(plan.after, levels, draft.target)
    return _spread(apart.max(axis=1))


def _watch(fit: GreyFit | None, plan: GreyPlan | None, moves: tuple[Move, ...]) -> tuple[Watch, ...]:
    """What to read after each group of controls; cutoffs are read before the drives are touched."""
    if fit is None or plan is None:
        return ()
    found = []
    groups = {one.control.partition("_")[0] for one in moves}
    darks: Literal["screen", "cutoffs"] = "screen" if "screen" in groups else "cutoffs"
    if groups & {"screen", "cutoff"}:
        found.append(_reading_of(after_moves(fit, plan.shift, np.ones(3)), darks, LOW_LEVEL))
    if "drive" in groups:
        found.append(_reading_of(plan.after, "drives", 1.0))
    return tuple(found)


def _reading_of(fit: GreyFit, after: Literal["screen", "cutoffs", "drives"], level: float) -> Watch:
    x, y = fit.primaries_xy[:, 0], fit.primaries_xy[:, 1]
    light = fit.light(np.array([level]))[0]
    total = float(np.sum(light / y))
    return Watch(
        after=after,
        level_ratio=level,
        place_xy=(float(np.sum(light * x / y)) / total, float(light.sum()) / total),
        luminance_cd_m2=None if fit.relative else float(light.sum()),
    )


def _guns(fit: GreyFit, plan: GreyPlan | None) -> tuple[GreyGun, ...]:
    flattening = set() if plan is None else {one.gun for one in plan.bent}
    scale = Unknown(reason="a photograph has no scale of light", would_settle="readings of a colorimeter")
    return tuple(
        GreyGun(
            gun=gun,
            black_ratio=_spread(fit.draws[:, 3 + n]),
            gamma_ratio=_spread(np.exp(fit.draws[:, 6 + n])),
            full_cd_m2=scale if fit.relative else _spread(np.exp(fit.draws[:, n])),
            shortfall_ratio=_spread(-np.expm1(-fit.draws[:, 9 + n])),
            flattens=gun in flattening,
        )
        for n, gun in enumerate(GUNS)
    )


def _spread(values: Any) -> Spread:  # noqa: ANN401 - an array of draws
    low, middle, high = (float(q) for q in np.quantile(values, [0.1, 0.5, 0.9]))
    return Spread(median=middle, p10=low, p90=high)


def _whole(law: GunLaw) -> bool:
    return all(isinstance(one, Seen) for one in (law.gamma_ratio, law.black_drive_ratio, law.shortfall_ratio))


def _fit_of(laws: Sequence[GunLaw], target: GreyTarget) -> GreyFit:
    """A fit out of a photograph's laws, scaled so that the middle grey is the chosen white."""

    def figures(name: str) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
        found: list[Known] = [getattr(law, name) for law in laws]
        known = [one for one in found if isinstance(one, Seen)]
        return np.array([one.value for one in known]), np.array([one.sd for one in known])

    gamma, gamma_sd = figures("gamma_ratio")
    black, black_sd = figures("black_drive_ratio")
    shortfall, shortfall_sd = figures("shortfall_ratio")
    bend = -np.log1p(-np.clip(shortfall, 0.0, 0.9))
    shares = np.asarray(luminance_shares(TYPICAL_PRIMARIES_XY, target.white_xy))
    plain = packed(np.ones(3), black, gamma, bend, TYPICAL_PRIMARIES_XY)
    full = shares / light_of(plain, np.array([MIDDLE_LEVEL]))[0]
    full = 100 * full / full.sum()
    middle = packed(full, black, gamma, bend, TYPICAL_PRIMARIES_XY)
    sd = np.concatenate([np.full(3, 1e-6), black_sd, gamma_sd / gamma, shortfall_sd / (1 - shortfall), np.zeros(6)])
    draws = middle + sd * np.random.default_rng(1).standard_normal((300, 18))
    return GreyFit(
        full_cd_m2=full,
        black_ratio=black,
        gamma_ratio=gamma,
        bend_ln=bend,
        primaries_xy=TYPICAL_PRIMARIES_XY,
        draws=draws,
        misfit_ratio=1.0,
        relative=True,
    )
