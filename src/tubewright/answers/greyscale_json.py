"""An answer on the grey scale as JSON, and what a later round reads back from it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from tubewright.answers.assessment import Figure, Unknown
from tubewright.answers.greyscale_form import GreyAnswer
from tubewright.errors import Fault, InputError
from tubewright.judgement.greyscale import GreyError, GreyStep
from tubewright.judgement.greyscale_fit import SHOWN, GreyReading
from tubewright.judgement.greyscale_gains import CONTROLS, Control, Gain

FORMAT: Final = "greyscale-1"


def grey_json(answer: GreyAnswer) -> dict[str, Any]:
    """The answer as plain values; a figure that isn't known is null and has its reason under "unsupported"."""
    missing: dict[str, Any] = {}
    target = answer.target
    body: dict[str, Any] = {
        "format": FORMAT,
        "state": answer.state,
        "relative": answer.relative,
        "headline": answer.headline,
        "words": list(answer.words),
        "target": {
            "white": target.name,
            "xy": list(target.white_xy),
            "kind": target.kind,
            "white_du_v": target.white_du_v,
            "drift_du_v": target.drift_du_v,
            "peak_cd_m2": [target.peak_low_cd_m2, target.peak_high_cd_m2],
        },
        "error": _error(answer.error),
        "error_before": _error(answer.error_before),
        "predicted_error": _error(answer.predicted_error),
        "predicted_worst_delta_e": _figure("predicted_worst_delta_e", answer.predicted_worst_delta_e, missing),
        "final_error": _error(answer.final_error),
        "steps": [_step(one, relative=answer.relative) for one in answer.steps],
        "predicted": [_step(one, relative=answer.relative) for one in answer.predicted],
        "guns": {
            one.gun: {
                "black": _figure(f"guns.{one.gun}.black", one.black_ratio, missing),
                "gamma": _figure(f"guns.{one.gun}.gamma", one.gamma_ratio, missing),
                "full_cd_m2": _figure(f"guns.{one.gun}.full_cd_m2", one.full_cd_m2, missing),
                "shortfall": _figure(f"guns.{one.gun}.shortfall", one.shortfall_ratio, missing),
                "flattens": one.flattens,
            }
            for one in answer.guns
        },
        "limited_by": answer.limited_by or None,
        "black": answer.black or None,
        "moves": [
            {
                "control": one.control,
                "change": _plain(one.change_ratio),
                "change_sd": _plain(one.sd_ratio),
                "light_change": _plain(one.light_ratio),
                "at_level": one.at_level_ratio,
                "cathode_v": _plain(one.cathode_v),
                "turns": _plain(one.turns_ratio),
                "turns_sd": _plain(one.turns_sd),
                "try_turns": _plain(one.probe_ratio),
            }
            for one in answer.moves
        ],
        "watch": [
            {
                "after": one.after,
                "level": one.level_ratio,
                "xy": [_plain(part) for part in one.place_xy],
                "luminance_cd_m2": _plain(one.luminance_cd_m2),
            }
            for one in answer.watch
        ],
        "gains": {
            name: {"per_turn": _plain(gain.per_turn_ratio), "sd": _plain(gain.sd_ratio)}
            for name, gain in answer.gains.items()
        },
        "unknown": [{"reason": one.reason, "would_settle": one.would_settle} for one in answer.unknown],
        "unsupported": missing,
        "readings": readings_json(answer.readings),
    }
    return body


def readings_json(readings: Sequence[GreyReading]) -> list[dict[str, Any]]:
    """Readings as plain values, as they stand in an answer and as a job keeps them."""
    return [
        {
            "shown": one.shown,
            "level": one.level_ratio,
            "x": one.place_xy[0],
            "y": one.place_xy[1],
            "Y": one.luminance_cd_m2,
            "minutes": one.minutes,
        }
        for one in readings
    ]


def earlier_round(body: object) -> tuple[tuple[GreyReading, ...], dict[Control, Gain]]:
    """Readings and learned gains out of an earlier answer's body.

    Raises:
        InputError: It is no such body, or one from photographs, which has no readings.
    """
    try:
        body = _of_format(body)
        readings = tuple(reading_from_json(one) for one in listed(body["readings"]))
        gains: dict[Control, Gain] = {}
        for name in CONTROLS:
            if name in body["gains"]:
                gains[name] = _gain(body["gains"][name])
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            Fault(what="this is no answer of `tubewright grey --json`", where="before", mend="Give that, or a CSV.")
        ) from error
    if not readings:
        raise InputError(
            Fault(what="this answer has no readings in it", where="before", mend="Give one that came from readings.")
        )
    return readings, gains


def _of_format(body: object) -> Mapping[str, Any]:
    if not isinstance(body, Mapping) or body["format"] != FORMAT:
        raise ValueError("another format")
    return body


def _gain(found: Mapping[str, Any]) -> Gain:
    gain = Gain(per_turn_ratio=number(found["per_turn"]), sd_ratio=number(found["sd"]))
    if gain.per_turn_ratio == 0 or gain.sd_ratio <= 0:
        raise ValueError("a gain of nothing")
    return gain


def reading_from_json(row: Mapping[str, Any]) -> GreyReading:
    """One reading as :func:`readings_json` wrote it; KeyError, TypeError or ValueError where it is none."""
    shown = next(one for one in (*SHOWN, None) if one == row["shown"] or one is None)
    place = (number(row["x"]), number(row["y"]))
    level, light = number(row["level"]), number(row["Y"])
    if shown is None or not 0 <= level <= 1 or light < 0 or not (0 <= place[0] <= 1 and 0 < place[1] <= 1):
        raise ValueError("a reading that can't be")
    minutes = row["minutes"]
    return GreyReading(
        shown=shown,
        level_ratio=level,
        place_xy=place,
        luminance_cd_m2=light,
        minutes=None if minutes is None else number(minutes),
    )


def listed(value: object) -> Sequence[Mapping[str, Any]]:
    """A JSON list; TypeError where it is none."""
    if not isinstance(value, list):
        raise TypeError("no list")
    return value


def number(value: object) -> float:
    """A finite JSON number; ValueError where it is none."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("no number")
    return float(value)


def _error(error: GreyError | None) -> dict[str, Any] | None:
    if error is None:
        return None
    return {
        "white_du_v": _plain(error.white_du_v),
        "drift_du_v": _plain(error.drift_du_v),
        "worst_delta_e": _plain(error.worst_delta_e),
        "mean_delta_e": _plain(error.mean_delta_e),
        "worst_level": error.worst_level_ratio,
        "within": error.within,
    }


def _step(step: GreyStep, *, relative: bool) -> dict[str, Any]:
    return {
        "level": step.level_ratio,
        "luminance_cd_m2": None if relative else _plain(step.luminance_cd_m2),
        "xy": None if step.place_xy is None else [_plain(part) for part in step.place_xy],
        "cct_k": _plain(step.cct_k),
        "duv": _plain(step.duv_ratio),
        "white_du_v": _plain(step.white_du_v),
        "drift_du_v": _plain(step.drift_du_v),
        "delta_e": _plain(step.delta_e),
        "sd_du_v": _plain(step.sd_du_v),
        "guns": None if step.gun_ratio is None else [_plain(part) for part in step.gun_ratio],
        "counted": step.counted,
    }


def _figure(path: str, figure: Figure, missing: dict[str, Any]) -> dict[str, Any] | None:
    if isinstance(figure, Unknown):
        missing[path] = {"reason": figure.reason, "would_settle": figure.would_settle}
        return None
    return {"median": _plain(figure.median), "p10": _plain(figure.p10), "p90": _plain(figure.p90)}


def _plain(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(f"{value:.5g}")
