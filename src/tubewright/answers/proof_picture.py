"""The picture before and after, figure by figure, and the grey scale."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final, Protocol

from tubewright.answers.assessment import Figure, Spread, Unknown
from tubewright.answers.measure_change import changes
from tubewright.answers.measurement import Figure as Measured
from tubewright.answers.measurement import Focus, Known, Measurement, Unsupported, refused
from tubewright.answers.proof_form import Line
from tubewright.answers.proof_work import GreyTaken, TakenPicture, Work
from tubewright.knowledge.model import Knowledge

TENTH_SD: Final = 1.2816
"""From the middle of a normal law to its tenth part, in standard deviations."""

_MORE_IS_BETTER: Final = ("light against the strongest gun's", "emission reserve at full drive")


class Compare(Protocol):
    """How two figures are held against each other."""

    def __call__(self, name: str, about: str, unit: str, before: Figure, after: Figure, *, better: str) -> Line:
        """One line of the proof."""


def unlike_words(old: TakenPicture | None, new: TakenPicture | None) -> str:
    """What makes two measurements hard to compare; "" if nothing does."""
    if old is None or new is None:
        return ""
    first, second = old.measurement, new.measurement
    if first.raster is not None and second.raster is not None and first.raster.name != second.raster.name:
        return (
            f"The first was shown on {first.raster.name}, the second on {second.raster.name}: "
            "figures in lines can't be compared."
        )
    if first.pattern != second.pattern:
        return "The two show different patterns, so that few figures are in both."
    return ""


def picture_lines(old: TakenPicture | None, new: TakenPicture | None, compare: Compare) -> tuple[Line, ...]:
    """Every figure that one of two measurements holds, held against the other."""
    if old is None and new is None:
        return ()
    before = old.measurement if old else _nothing("the picture was not measured before the work")
    after = new.measurement if new else _nothing("the picture was not measured after the work")
    other_raster = "shown on" in unlike_words(old, new)
    blurred = _blur_unlike(before, after)
    lines = []
    for number, change in enumerate(changes(before, after)):
        better = "larger" if any(words in change.about for words in _MORE_IS_BETTER) else "smaller"
        first, second = _figure(change.before), _figure(change.after)
        line = compare(f"picture.{number}", change.about, change.unit, first, second, better=better)
        why = ""
        if change.unit == "lines" and other_raster:
            why = "shown on rasters of other line counts"
        elif change.group == "Focus" and blurred:
            why = "the camera's own blur is in one of the two figures"
        if why and line.verdict != "unknown":
            line = replace(line, verdict="unknown", why=why)
        lines.append(replace(line, group=change.group, name=_name(change.group, change.about)))
    return tuple(lines)


def _name(group: str, about: str) -> str:
    plain = "".join(letter if letter.isalnum() else "_" for letter in f"{group}.{about}".lower().replace("'s", ""))
    return "_".join(part for part in plain.split("_") if part)


def _figure(known: Known) -> Figure:
    if isinstance(known, Measured):
        half = TENTH_SD * known.sd
        return Spread(median=known.value, p10=known.value - half, p90=known.value + half)
    return Unknown(reason=known.reason, would_settle=known.would_settle)


def _nothing(reason: str) -> Measurement:
    empty = refused(reason, "measure the picture", (), None)
    settle = "photographs of the survey on its screen"
    why = Unsupported(reason=reason, would_settle=settle)
    return replace(
        empty,
        scale=why, convergence=why, geometry=why, top_curl=why, hum=why, focus=why, purity=why, tracking=why, wear=why,
    )  # fmt: skip


def _blur_unlike(before: Measurement, after: Measurement) -> bool:
    first, second = before.focus, after.focus
    return isinstance(first, Focus) and isinstance(second, Focus) and first.camera_blur != second.camera_blur


def grey_lines(work: Work, knowledge: Knowledge, compare: Callable[..., Line]) -> tuple[Line, ...]:
    """The grey scale's error before and after; nothing where it was never read."""
    old, new = work.grey.get("before"), work.grey.get("after")
    if old is None and new is None:
        return ()
    figures: tuple[tuple[str, str, str, str], ...] = (
        ("worst_delta_e", "worst colour difference of a grey", "ΔE", "proof_grey_spread"),
        ("mean_delta_e", "mean colour difference of the greys", "ΔE", "proof_grey_spread"),
        ("drift_du_v", "drift of grey from dark to bright", "du'v'", "proof_drift_spread"),
    )
    return tuple(
        replace(
            compare(
                f"grey.{name}",
                about,
                unit,
                _taken(old, name, knowledge.value(spread), "before"),
                _taken(new, name, knowledge.value(spread), "after"),
            ),
            group="Grey scale",
        )
        for name, about, unit, spread in figures
    )


def _taken(one: GreyTaken | None, name: str, sd: float, side: str) -> Figure:
    if one is None:
        return Unknown(
            reason=f"the grey scale was not read {side} the work", would_settle="read the grey steps with a colorimeter"
        )
    value = float(getattr(one, name))
    return Spread(median=value, p10=max(0.0, value - TENTH_SD * sd), p90=value + TENTH_SD * sd)
