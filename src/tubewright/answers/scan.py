"""How a picture's width and height change, and what the supply would have to do, past the anode voltage's guard."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

from tubewright.answers.assessment import Spread
from tubewright.answers.eht import CAUTIONS, HAZARD, ChangeWanted, LineStage, guard_change, weigh_change
from tubewright.errors import Fault, InputError
from tubewright.judgement.scan_change import ScanChange, ScanState, SizeRatio, coil_for, scan_change

__all__ = [
    "ScanAnswer",
    "ScanState",
    "SupplyMove",
    "answer_scan",
    "change_json",
    "moves_json",
    "scan_json",
    "size_words",
    "supply_moves",
    "with_spread",
]

SIZE_TOLD_RATIO: Final = 0.005
DOCUMENTED: Final = "B+ stays at its documented value; the width control comes first."


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyMove:
    """What would bring the old width back, and whether the anode voltage's guard lets it be spoken of.

    ``refused`` says why it must not be done; empty where nothing in the figures forbids it.
    """

    id: str
    words: str
    refused: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanAnswer:
    """Width and height after a change, in figures and words, with cautions by id."""

    change: ScanChange
    headline: str
    words: tuple[str, ...]
    moves: tuple[SupplyMove, ...]
    cautions: tuple[str, ...] = CAUTIONS
    hazard: str = HAZARD


def answer_scan(before: ScanState, after: ScanState, stage: LineStage) -> ScanAnswer:
    """What becomes of the picture when anode voltage, angle, yoke or scan current change.

    Args:
        before: As it was.
        after: As it would be; what is None stays.
        stage: The line stage, as far as known, for the guard.

    Raises:
        InputError: A figure that can't be, nothing changed, or a new figure without the old one.
        RefusedError: The anode voltage would rise above its rating, or rise with the rating unknown.
    """
    faults = list(_faults(before, after))
    if faults:
        raise InputError(faults)
    names = list(ScanState.__dataclass_fields__)
    given = {name for name in names if getattr(after, name) is not None}
    after = replace(after, **{name: getattr(before, name) for name in names if name not in given})
    stage = replace(
        stage,
        eht_kv=before.eht_kv,
        yoke_mh=before.line_mh,
        width_coil_mh=before.width_coil_mh,
        bplus_v=before.bplus_v,
    )
    words: list[str] = []
    moved: Spread | None = None
    if "eht_kv" in given and before.eht_kv is not None and after.eht_kv is not None:
        # The guard knows of causes; a rise by itself is put to it as one of B+ alone.
        guard_change(replace(stage, bplus_v=1.0), ChangeWanted(bplus_v=after.eht_kv / before.eht_kv))
    wanted = ChangeWanted(
        bplus_v=after.bplus_v if "bplus_v" in given else None,
        yoke_mh=after.line_mh if "line_mh" in given else None,
        width_coil_mh=after.width_coil_mh if "width_coil_mh" in given and before.width_coil_mh is not None else None,
    )
    if "width_coil_mh" in given and before.width_coil_mh is None and after.line_mh and after.width_coil_mh:
        # A coil where there was none weighs as a yoke with that much more inductance.
        wanted = replace(wanted, yoke_mh=after.line_mh + after.width_coil_mh)
    if "eht_kv" not in given and wanted != ChangeWanted():
        weighed = guard_change(stage, wanted)
        words += [line for line in weighed.words if line.startswith(("The anode", "Whether", "Retrace", "Anode"))]
        if isinstance(weighed.ratio, Spread):
            moved = weighed.ratio
            words.append("That change of the anode voltage is reckoned into the size.")
        else:
            words.append("The size is reckoned with the anode voltage as it is.")
    change = scan_change(before, after) if moved is None else with_spread(before, after, moved)
    sizes = [*size_words("Width", change.width), *size_words("Height", change.height)]
    return ScanAnswer(
        change=change,
        headline=_headline(change),
        words=(*sizes, *_energy_words(change), *words, *(f"Not told: {one}." for one in change.untold)),
        moves=tuple(supply_moves(change, stage, wanted)),
    )


def _faults(before: ScanState, after: ScanState) -> Iterator[Fault]:
    changed = False
    for name in ScanState.__dataclass_fields__:
        old, new = getattr(before, name), getattr(after, name)
        for where, value in ((name, old), (f"new_{name}", new)):
            if value is not None and not 0 < value < float("inf"):
                yield Fault(what="this must be a number above zero", where=where, mend="Check the figure.")
            elif name == "angle_deg" and value is not None and value >= 180:
                yield Fault(what="a deflection angle is below 180 degrees", where=where, mend="Check the figure.")
        if new is not None:
            changed = True
            if old is None and name != "width_coil_mh":
                yield Fault(what="what it was before is missing", where=name, mend="Give both figures.")
    if not changed:
        yield Fault(what="no change was given", where="", mend="Say what would be other, such as a new yoke.")


def _headline(change: ScanChange) -> str:
    parts = [
        f"{name} {_percent(size)}"
        for name, size in (("width", change.width), ("height", change.height))
        if size is not None
    ]
    return f"The picture's {' and '.join(parts)}." if parts else "What becomes of the picture's size can't be told."


def _percent(size: SizeRatio) -> str:
    off = 100 * (size.ratio - 1)
    return "stays" if abs(off) < 100 * SIZE_TOLD_RATIO else f"{'grows' if off > 0 else 'shrinks'} by {abs(off):.1f} %"


def size_words(name: str, size: SizeRatio | None) -> Iterator[str]:
    """One size in words: the middle, and how far the laws that can't be told apart reach."""
    if size is None:
        yield f"{name}: not told."
        return
    low, high = (100 * (part - 1) for part in (size.low_ratio, size.high_ratio))
    if max(abs(low), abs(high)) < 5e-4:
        yield f"{name}: stays."
        return
    span = f" ({low:+.1f} to {high:+.1f} %)" if high - low >= 0.1 else ""
    yield f"{name}: {100 * (size.ratio - 1):+.3f} %{span} of the screen that it filled before."


def _energy_words(change: ScanChange) -> Iterator[str]:
    if change.energy_ratio is not None and abs(change.energy_ratio - 1) >= SIZE_TOLD_RATIO:
        yield f"A full picture needs {100 * (change.energy_ratio - 1):+.1f} % deflection energy."


def with_spread(before: ScanState, after: ScanState, ratio: Spread) -> ScanChange:
    """The change with an anode voltage that itself moves, its spread taken into the ends.

    Args:
        before: As it was; without its anode voltage the ratio alone counts, and relativity is left out.
        after: As it would be, but for the anode voltage.
        ratio: What becomes of the anode voltage.
    """
    low_kv = 1.0  # where electrons are slow, only the ratio of two voltages matters
    eht_kv = before.eht_kv or low_kv
    before = replace(before, eht_kv=eht_kv)
    at = {
        part: scan_change(before, replace(after, eht_kv=eht_kv * part)) for part in (ratio.median, ratio.p10, ratio.p90)
    }
    middle = at[ratio.median]
    return replace(
        middle,
        width=_widened(middle.width, [one.width for one in at.values()]),
        height=_widened(middle.height, [one.height for one in at.values()]),
    )


def _widened(middle: SizeRatio | None, others: list[SizeRatio | None]) -> SizeRatio | None:
    known = [one for one in others if one is not None]
    if middle is None or not known:
        return middle
    low, high = min(one.low_ratio for one in known), max(one.high_ratio for one in known)
    return SizeRatio(ratio=middle.ratio, low_ratio=low, high_ratio=high)


def supply_moves(change: ScanChange, stage: LineStage, along: ChangeWanted) -> Iterator[SupplyMove]:
    """What would bring the old width back, each put to the anode voltage's guard.

    Args:
        change: What becomes of the size.
        stage: The line stage before.
        along: What is changed anyway (the yoke), so that the guard weighs both together.
    """
    if change.width is None or change.supply_ratio is None or abs(change.width.ratio - 1) < SIZE_TOLD_RATIO:
        return
    narrow = change.width.ratio < 1
    percent = 100 * (change.supply_ratio - 1)
    said = f"B+ {percent:+.1f} %, where the anode voltage follows it and rises or falls by as much"
    supply_v = along.bplus_v or stage.bplus_v
    if supply_v is not None:
        target = round(supply_v * change.supply_ratio, 3)
        said = f"B+ from {supply_v:g} to {target:.1f} V, where the anode voltage follows it by {percent:+.1f} %"
        yield _move("bplus", f"{said}. {DOCUMENTED}", stage, replace(along, bplus_v=target))
    elif narrow:
        why = "B+ isn't known, so nothing that raises it is recommended"
        yield SupplyMove(id="bplus", words=f"{said}. {DOCUMENTED}", refused=(why,))
    else:
        yield SupplyMove(id="bplus", words=f"{said}. {DOCUMENTED}", refused=())
    yoke = along.yoke_mh or stage.yoke_mh
    if yoke is None:
        return
    coil = along.width_coil_mh or stage.width_coil_mh or 0.0
    if narrow:
        less = round((yoke + coil) * change.width.ratio - yoke, 4)
        if coil and less > 0:
            words = f"The width coil from {coil:g} to {less:.2g} mH."
            yield _move("width_coil", words, stage, replace(along, width_coil_mh=less))
        elif coil:
            words = "The width coil can't give that much: even without it the picture stays narrower."
            yield SupplyMove(id="width_coil", words=words, refused=())
        return
    more = round(coil + coil_for(change.width.ratio, yoke + coil), 4)
    words = f"A width coil of {more:.2g} mH in series with the yoke{f', in place of {coil:g} mH' if coil else ''}."
    if coil:
        yield _move("width_coil", words, stage, replace(along, width_coil_mh=more))
    else:
        yield SupplyMove(id="width_coil", words=f"{words} More inductance lowers the anode voltage.", refused=())


def _move(name: str, words: str, stage: LineStage, change: ChangeWanted) -> SupplyMove:
    try:
        weighed = weigh_change(stage, change)
    except InputError as error:
        return SupplyMove(id=name, words=words, refused=tuple(f"can't be weighed: {one.what}" for one in error.faults))
    return SupplyMove(id=name, words=words, refused=tuple(fault.what for fault in weighed.refused))


def scan_json(answer: ScanAnswer, *, cautions: tuple[str, ...], confirm: tuple[str, ...]) -> dict[str, Any]:
    """The published form of the answer, cautions first."""
    return {
        "cautions": list(cautions),
        "confirm": list(confirm),
        "hazard": answer.hazard,
        "headline": answer.headline,
        **change_json(answer.change),
        "words": list(answer.words),
        "supply": [moves_json(move) for move in answer.moves],
    }


def moves_json(move: SupplyMove) -> dict[str, Any]:
    """A move of the supply; ``allowed`` says whether the guard let it pass."""
    return {"id": move.id, "words": move.words, "allowed": not move.refused, "refused": list(move.refused)}


def change_json(change: ScanChange) -> dict[str, Any]:
    """Sizes and ratios, null where they can't be told, with the reasons in ``untold``."""
    return {
        "width": _ratio_json(change.width),
        "height": _ratio_json(change.height),
        "energy_ratio": _rounded(change.energy_ratio),
        "drive_ratio": _rounded(change.drive_ratio),
        "supply_ratio": _rounded(change.supply_ratio),
        "retrace_low_ratio": _rounded(change.retrace_low_ratio),
        "retrace_high_ratio": _rounded(change.retrace_high_ratio),
        "untold": list(change.untold),
    }


def _ratio_json(size: SizeRatio | None) -> dict[str, float] | None:
    if size is None:
        return None
    return {name: float(f"{getattr(size, name):.6g}") for name in ("ratio", "low_ratio", "high_ratio")}


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")
