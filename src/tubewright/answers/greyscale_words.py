"""What an answer on the grey scale says in words: the headline, each move, and what is worth knowing beside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from tubewright.answers.greyscale_form import State
from tubewright.judgement.greyscale import GreyError, GreyStep, GreyTarget
from tubewright.judgement.greyscale_advice import GreyPlan, Move
from tubewright.judgement.greyscale_gains import Control

_NAMES: Final[Mapping[Control, str]] = {
    "screen_g2": "Screen (grid 2)",
    "cutoff_red": "Cutoff red",
    "cutoff_green": "Cutoff green",
    "cutoff_blue": "Cutoff blue",
    "drive_red": "Drive red",
    "drive_green": "Drive green",
    "drive_blue": "Drive blue",
}

_NEVER: Final = (
    "Leave EHT, B+ and heater alone: a white that these controls don't reach is a fault or a spent gun, "
    "and none of the three mends it"
)


def control_name(control: Control) -> str:
    """What a control is called."""
    return _NAMES[control]


def headline_of(
    state: State,
    error: GreyError | None,
    before: GreyError | None,
    then: GreyError | None,
    target: GreyTarget,
    *,
    relative: bool,
) -> str:
    """The answer in a sentence or two."""
    if error is None:
        return "The grey scale can't be judged from these readings."
    beside = "the middle grey" if relative else target.name
    now = (
        f"Worst step {error.worst_delta_e:.1f} ΔE (CIEDE2000) at {100 * error.worst_level_ratio:.0f} %, "
        f"mean {error.mean_delta_e:.1f}; white is {error.white_du_v:.4f} in u'v' from {beside}, "
        f"the greys drift by {error.drift_du_v:.4f}."
    )
    if before is not None:
        now += f" Before: worst {before.worst_delta_e:.1f} ΔE, mean {before.mean_delta_e:.1f}, "
        now += f"white {before.white_du_v:.4f}, drift {before.drift_du_v:.4f}."
    tolerances = f"{target.white_du_v:g} and {target.drift_du_v:g}"
    if state == "done":
        return f"Within the tolerances ({tolerances}): leave the controls. {now}"
    if state == "settled":
        return f"As near as these controls bring it, by the guns' own laws; not within {tolerances}. {now}"
    if state == "turn" and then is not None:
        return (
            f"To be set (tolerances {tolerances}). {now} After the turns below: worst {then.worst_delta_e:.1f} ΔE, "
            f"mean {then.mean_delta_e:.1f}, white {then.white_du_v:.4f}, drift {then.drift_du_v:.4f}."
        )
    return f"What to turn can't be told from these readings. {now}"


def move_words(move: Move, number: int) -> str:
    """One control: which way, how far, and what to watch."""
    name = control_name(move.control)
    brighter = move.change_ratio > 0
    gun = "all three colours" if move.control == "screen_g2" else move.control.partition("_")[2]
    way = "brighter" if brighter else "darker"
    # Of a step that is nearly black a percentage would be absurdly large.
    by = f"by {100 * abs(move.light_ratio):.0f} %" if abs(move.light_ratio) < 2 else "to several times its light"
    text = f"{number}. {name}: make {gun} {way} {by} at {100 * move.at_level_ratio:.0f} % grey"
    if move.control.startswith("drive"):
        text += f" (drive {100 * move.change_ratio:+.1f} %)"
    else:
        text += f" ({100 * move.change_ratio:+.1f} % of full drive"
        if move.cathode_v is not None:
            text += f"; cathode {move.cathode_v:+.1f} V"
        text += ")"
    if move.turns_ratio is not None:
        side = "clockwise" if move.turns_ratio > 0 else "anticlockwise"
        text += f": about {_turn(abs(move.turns_ratio))} {side}"
        if move.turns_sd is not None:
            text += f", give or take {move.turns_sd:.2f}"
    elif move.probe_ratio is not None:
        text += f": a little, {_turn(move.probe_ratio)} at most, then read again; what it does per turn isn't known yet"
    return f"{text}."


def finer_words(state: State, error: GreyError | None, final: GreyError | None) -> tuple[str, ...]:
    """What going on within the tolerances would bring, where that is worth saying."""
    if state != "done" or error is None or final is None:
        return ()
    words = f"A finer round would bring the worst step from {error.worst_delta_e:.1f} to {final.worst_delta_e:.1f} ΔE"
    return (f"{words}; ask for it if the tint is still seen (--finer at the terminal).",)


def _turn(turns: float) -> str:
    eighths = round(8 * turns)
    names = {1: "an eighth of a turn", 2: "a quarter of a turn", 3: "three eighths of a turn", 4: "half a turn"}
    if eighths in names and abs(turns - eighths / 8) < 0.02:
        return names[eighths]
    return f"{turns:.2f} of a turn"


def remarks_of(
    state: State, steps: Sequence[GreyStep], target: GreyTarget, plan: GreyPlan | None, *, relative: bool
) -> tuple[str, ...]:
    """What is worth knowing beside the moves."""
    found: list[str] = []
    if state == "turn" and plan is not None:
        found += _order(plan)
    if plan is not None:
        for bent in plan.bent:
            found.append(
                f"The {bent.gun} gun flattens: {100 * bent.shortfall_ratio:.0f} % "
                f"(give or take {100 * bent.sd_ratio:.0f}) are missing at full level. It isn't raised; the other two "
                "are lowered to it. Read the tube's emission before more is asked of it."
            )
        if plan.limited_by and not plan.bent and state == "turn" and not relative:
            found.append(
                f"The {plan.limited_by} gun sets the peak white; no gun is raised above what it was seen to give."
            )
    if not relative:
        found += _peak(steps, target, plan if state == "turn" else None)
    if state in {"turn", "settled"}:
        found.append(f"{_NEVER}.")
    return tuple(found)


def _order(plan: GreyPlan) -> list[str]:
    if plan.black == "stays":
        return [
            (
                "First the cutoffs at the dark step, then the drives at white, then the dark step once more: "
                "each disturbs the other a little."
            )
        ]
    why = {
        "glows": "Black glows with all three guns: the screen control comes first, down until black is just black.",
        "crushed": "The darks are lost with all three guns: the screen control comes first, up until the first grey "
        "is just seen and black stays black.",
        "retrace": "Retrace lines are seen: the screen control comes first, down until they vanish on a black picture. "
        "If they stay while the darks go, look at the blanking instead.",
    }
    return [f"{why[plan.black]} Cutoffs and drives wait for the next reading; focus may want a touch afterwards."]


def _peak(steps: Sequence[GreyStep], target: GreyTarget, plan: GreyPlan | None) -> list[str]:
    lit = [one for one in steps if one.level_ratio >= 1.0]
    if not lit:
        return []
    now = lit[-1].luminance_cd_m2
    then = now if plan is None else float(plan.after.full_cd_m2.sum())
    usual = f"{target.peak_low_cd_m2:.0f} to {target.peak_high_cd_m2:.0f} cd/m2 is usual"
    words = f"Peak white is {now:.0f} cd/m2" + ("" if plan is None else f" and would be about {then:.0f}")
    if then > target.peak_high_cd_m2:
        return [
            f"{words}; {usual}. Lower the contrast: a beam limiter in play upsets the readings, and it wears the tube."
        ]
    if then < target.peak_low_cd_m2:
        return [f"{words}; {usual}. If contrast has room left, turn it up and read again; if not, a gun is the limit."]
    return [f"{words}; {usual}."]
