"""Which of the tubes on the shelf fits: ranked, with reasons, minutes, what isn't known, and what never fits.

Nothing here raises the anode voltage: a yoke that would is put to
:mod:`tubewright.answers.eht` first, and what that refuses is refused here.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final, TypeAlias

from tubewright.answers.assessment import Spread
from tubewright.answers.eht import AnodeChange, ChangeWanted, LineStage, weigh_change
from tubewright.answers.scan import (
    SIZE_TOLD_RATIO,
    SupplyMove,
    change_json,
    moves_json,
    size_words,
    supply_moves,
    with_spread,
)
from tubewright.errors import Fault, InputError
from tubewright.judgement.donor import better_first, rank_key, weigh_way
from tubewright.judgement.donor_glass import condition
from tubewright.judgement.donor_tube import VERDICTS, Aspect, SetFigures, Tube, Verdict, Way, YokeFrom
from tubewright.judgement.donor_yoke import scan_states
from tubewright.judgement.scan_change import ScanChange
from tubewright.judgement.tube_labels import LabelReading, decode_label
from tubewright.knowledge.model import Knowledge

__all__ = [
    "AFTERWARDS",
    "CAUTIONS",
    "VERDICT_WORDS",
    "Aspect",
    "DonorAnswer",
    "DonorMatch",
    "SetFigures",
    "Tube",
    "Verdict",
    "Way",
    "donor_json",
    "match_donors",
]

CAUTIONS: Final = (
    "local_rules",
    "implosion",
    "anode_charge",
    "recharge",
    "primary_reservoir",
    "lifting",
    "lead_glass_dust",
    "x_rays",
    "gate_power_off",
    "gate_vacuum_seen",
    "gate_bplus_first",
    "gate_eht_before_release",
)
"""Ids of the cautions that go before any swap of a tube."""

HAZARD: Final = "H4: handling the glass, which can implode"

AFTERWARDS: Final = (
    "The braid lies tight on the new tube's outer coating, which floats at thousands of volts without it.",
    "The anode's cup and lead fit the new tube's button without a gap, dry and clean.",
    "First power behind a limiter, heater true RMS at the pins, B+ as documented.",
    "Anode voltage at zero beam against both ratings, the set's and the tube's; the protection's trip proven.",
    "Warm up, degauss, purity, convergence, geometry, grey scale, in that order.",
)
"""What any swap ends with."""

VERDICT_WORDS: Final[dict[Verdict, str]] = {
    "fits": "fits as it is, with the set's own yoke",
    "with_yoke": "fits with its own yoke and rings, moved as a set",
    "adapt": "fits after adapting",
    "unknown": "can't be told yet",
    "never": "never fits",
}

Found: TypeAlias = tuple[Way, ScanChange, tuple[SupplyMove, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class DonorMatch:
    """One donor held against the wanted tube.

    Attributes:
        tube: the donor, with what its label adds.
        rank: from 1.
        way: the better way to fit it.
        other: the other way, if there is one.
        headline: the verdict in one sentence.
        condition_share: what is left in it, 1 for a good tube; None where it is dead.
        change: the picture's size with the better way.
        moves: what would bring the old width back, and whether the guard lets it.
        words: the picture's size in words.
        measure_first: what to find out before anything is done, decisive things first.
        remarks: what its label adds or contradicts.
    """

    tube: Tube
    rank: int
    way: Way
    other: Way | None
    headline: str
    condition_share: float | None
    change: ScanChange
    moves: tuple[SupplyMove, ...]
    words: tuple[str, ...]
    measure_first: tuple[str, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DonorAnswer:
    """Donors from the best to the worst, with the cautions of any swap by id."""

    wanted: Tube
    headline: str
    matches: tuple[DonorMatch, ...]
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]
    hazard: str = HAZARD


def match_donors(wanted: Tube, shelf: Iterable[Tube], figures: SetFigures, knowledge: Knowledge) -> DonorAnswer:
    """Hold every tube of a shelf against the one that is wanted.

    Args:
        wanted: The tube that the set is made for, with the yoke that sits in the set.
        shelf: The donors; the wanted tube itself, if it is among them, is left out.
        figures: What is known of the set.
        knowledge: Holds the grammars of labels.

    Raises:
        InputError: No donor at all, or a figure that is not above zero.
    """
    donors = [tube for tube in shelf if tube.id != wanted.id]
    faults = [
        *_faults("set", figures),
        *(fault for tube in (wanted, *donors) for fault in _faults(f"tube {tube.id}", tube)),
    ]
    if not donors:
        faults.append(Fault(what="there is no donor to look at", where="", mend="Add tubes to the shelf."))
    if faults:
        raise InputError(faults)
    sought, said = _with_label(wanted, knowledge)
    found = []
    for tube in donors:
        donor, remarks = _with_label(tube, knowledge)
        found.append(_match(sought, donor, figures, remarks))
    found.sort(key=lambda one: (*rank_key(one.way, one.condition_share), one.tube.id))
    matches = tuple(replace(match, rank=rank) for rank, match in enumerate(found, start=1))
    own = (c for match in matches for way in (match.way, match.other) if way for a in way.aspects for c in a.cautions)
    return DonorAnswer(
        wanted=sought,
        headline=_headline(matches),
        matches=matches,
        remarks=said,
        cautions=tuple(dict.fromkeys((*CAUTIONS, *own))),
    )


def _faults(where: str, held: Tube | SetFigures) -> Iterator[Fault]:
    may_be_nothing = {"burn", "service_hours", "restorations", "price", "made_year"}
    for field in dataclasses.fields(held):
        value = getattr(held, field.name)
        if isinstance(value, bool) or not isinstance(value, int | float):
            continue
        least = 0 <= value < float("inf") if field.name in may_be_nothing else 0 < value < float("inf")
        if not least:
            yield Fault(what="this must be a number above zero", where=f"{where}: {field.name}", mend="Check it.")
        elif field.name == "deflection_deg" and value >= 180:
            yield Fault(
                what="a deflection angle is below 180 degrees", where=f"{where}: {field.name}", mend="Check it."
            )
    for gun, level in held.emission.items() if isinstance(held, Tube) else ():
        if not 0 <= level < float("inf"):
            yield Fault(what="this must not be below zero", where=f"{where}: emission.{gun}", mend="Check it.")


def _with_label(tube: Tube, knowledge: Knowledge) -> tuple[Tube, tuple[str, ...]]:
    """The tube with size and picture from its label where they weren't typed, and what is to be said of that."""
    readings = decode_label(tube.label, knowledge).readings if tube.label else ()
    if not readings:
        told = (f"Its label {tube.label} fits no registered form, so it tells nothing.",) if tube.label else ()
        return tube, told
    remarks = []
    usual = [reading for reading in readings if not reading.unusual]
    sizes = {(reading.diagonal_cm, reading.size_is) for reading in usual}
    if tube.diagonal_cm is None:
        if len(sizes) == 1:
            tube = replace(tube, diagonal_cm=usual[0].diagonal_cm, size_is=usual[0].size_is)
            remarks.append(f"Size from its label: {usual[0].diagonal_cm:g} cm, {usual[0].size_is}.")
        else:
            remarks.append("Its label can be read with several sizes, so none is taken from it.")
    elif _contradicts(tube, usual):
        remarks.append(f"Typed {tube.diagonal_cm:g} cm, but its label says {usual[0].diagonal_cm:g} cm: look again.")
    pictures = {reading.picture for reading in usual}
    if tube.picture is None and tube.gun is None and len(pictures) == 1:
        (picture,) = pictures
        if picture:
            tube = replace(tube, picture=picture)
    return tube, tuple(remarks)


def _contradicts(tube: Tube, readings: Iterable[LabelReading]) -> bool:
    size = tube.diagonal_cm or 0.0
    # A nominal and a viewable size of the same tube differ by up to a tenth.
    return all(abs(reading.diagonal_cm / size - 1) > 1 / 10 for reading in readings)


def _match(wanted: Tube, donor: Tube, figures: SetFigures, remarks: tuple[str, ...]) -> DonorMatch:
    found: dict[YokeFrom, Found] = {"set": _way(wanted, donor, figures, "set")}
    if donor.yoke is not False:
        found["donor"] = _way(wanted, donor, figures, "donor")
    ways = better_first(tuple(way for way, _, _ in found.values()))
    way, change, moves = found[ways[0].yoke_from]
    worth = condition(donor)[1]
    first = sorted((one for one in way.aspects if one.find_out), key=lambda one: not one.decisive)
    if way.verdict == "never":
        first = []
    return DonorMatch(
        tube=donor,
        rank=0,
        way=way,
        other=ways[1] if len(ways) > 1 else None,
        headline=_verdict(way),
        condition_share=worth,
        change=change,
        moves=moves if way.verdict != "never" else (),
        words=tuple(_size_words(wanted, donor, figures, change)) if way.verdict != "never" else (),
        measure_first=tuple(dict.fromkeys(f"{one.words}: {one.find_out}" for one in first)),
        remarks=remarks,
    )


def _way(wanted: Tube, donor: Tube, figures: SetFigures, yoke_from: YokeFrom) -> Found:
    """One way with the guard's word on its yoke."""
    stage = LineStage(
        bplus_v=figures.bplus_v,
        scan_khz=figures.scan_khz,
        retrace_us=figures.retrace_us,
        tuning_nf=figures.tuning_nf,
        yoke_mh=wanted.line_mh,
        width_coil_mh=figures.width_coil_mh,
        eht_kv=figures.eht_kv,
        eht_limit_kv=figures.eht_limit_kv,
    )
    along = ChangeWanted()
    further: tuple[Aspect, ...] = ()
    after: Spread | None = None
    if yoke_from == "donor" and donor.yoke and donor.line_mh and wanted.line_mh and donor.line_mh != wanted.line_mh:
        along = ChangeWanted(yoke_mh=donor.line_mh)
        weighed = weigh_change(stage, along)
        further = (_guarded(weighed, figures),)
        after = weighed.ratio if isinstance(weighed.ratio, Spread) else None
    eht_after_kv = None if after is None or figures.eht_kv is None else figures.eht_kv * after.median
    way, change = weigh_way(wanted, donor, figures, yoke_from, further, eht_after_kv=eht_after_kv)
    if after is not None:
        change = with_spread(*scan_states(wanted, donor, figures, yoke_from), after)
    return way, change, tuple(supply_moves(change, stage, along))


def _guarded(weighed: AnodeChange, figures: SetFigures) -> Aspect:
    """What the guard of the anode voltage says of the donor's yoke."""
    said = next((line for line in weighed.words if line.startswith(("The anode voltage would", "Whether"))), "")
    words = said.rstrip(".")[:1].lower() + said.rstrip(".")[1:]
    cautions = ("x_rays", "holddown")
    if not weighed.refused:
        return Aspect(id="anode_guard", verdict="with_yoke", words=words, cautions=cautions)
    why = "; ".join(fault.what for fault in weighed.refused)
    told = figures.eht_limit_kv is not None and isinstance(weighed.after_kv, Spread)
    if told:
        return Aspect(id="anode_guard", verdict="never", words=f"{words}. Refused: {why}", cautions=cautions)
    return Aspect(
        id="anode_guard",
        verdict="unknown",
        words=f"{words}. Not recommended as it stands: {why}",
        find_out=" ".join(fault.mend for fault in weighed.refused),
        cautions=cautions,
        decisive=True,
    )


def _size_words(wanted: Tube, donor: Tube, figures: SetFigures, change: ScanChange) -> Iterator[str]:
    pairs = (
        ("Width", change.width, figures.picture_width_mm),
        ("Height", change.height, figures.picture_height_mm),
    )
    for name, size, was_mm in pairs:
        if size is None:
            yield f"{name}: can't be told."
        elif size.high_ratio - 1 < SIZE_TOLD_RATIO and 1 - size.low_ratio < SIZE_TOLD_RATIO:
            yield f"{name}: stays."
        else:
            yield from size_words(name, size)
            if was_mm is not None and wanted.diagonal_cm and donor.diagonal_cm:
                now = was_mm * size.ratio * donor.diagonal_cm / wanted.diagonal_cm
                yield f"{name} on its screen: about {now:.0f} mm, {was_mm:g} mm before."
    for one in change.untold:
        yield f"{one[:1].upper()}{one[1:]}."


def _verdict(way: Way) -> str:
    words = VERDICT_WORDS[way.verdict]
    if way.verdict == "never":
        reasons = "; ".join(one.words for one in way.aspects if one.verdict == "never")
        return f"{words[:1].upper()}{words[1:]}: {reasons}."
    whose = "" if way.verdict in ("fits", "with_yoke") else f", with {_WHOSE[way.yoke_from]}"
    if way.verdict == "unknown":
        open_still = [one.id.replace("_", " ") for one in way.aspects if one.decisive and one.verdict == "unknown"]
        so_far = VERDICT_WORDS[way.so_far] if way.so_far != "unknown" else "nothing speaks against it"
        return (
            f"{words[:1].upper()}{words[1:]}{whose}; by what is known it {so_far}. "
            f"Missing: {', '.join(dict.fromkeys(open_still))}."
        )
    return f"{words[:1].upper()}{words[1:]}{whose}; about {way.minutes:.0f} minutes."


_WHOSE: Final[dict[YokeFrom, str]] = {"set": "the set's own yoke", "donor": "its own yoke and rings"}


def _headline(matches: tuple[DonorMatch, ...]) -> str:
    counts = {verdict: sum(match.way.verdict == verdict for match in matches) for verdict in VERDICTS}
    best = matches[0]
    if best.way.verdict == "never":
        return f"None of {len(matches)} fits." if len(matches) > 1 else f"{best.tube.id} never fits."
    if best.way.verdict == "unknown":
        return (
            f"Nothing is sure yet: {counts['unknown']} of {len(matches)} hang on what isn't known. See what to measure."
        )
    return f"Best: {best.tube.id}. {best.headline}"


def donor_json(answer: DonorAnswer, *, cautions: tuple[str, ...], confirm: tuple[str, ...]) -> dict[str, Any]:
    """The published form of the answer, cautions first."""
    return {
        "cautions": list(cautions),
        "confirm": list(confirm),
        "hazard": answer.hazard,
        "wanted": answer.wanted.id,
        "headline": answer.headline,
        "remarks": list(answer.remarks),
        "donors": [_match_json(match) for match in answer.matches],
        "afterwards": list(AFTERWARDS),
    }


def _match_json(match: DonorMatch) -> dict[str, Any]:
    return {
        "rank": match.rank,
        "id": match.tube.id,
        "label": match.tube.label or None,
        "place": match.tube.place or None,
        "price": match.tube.price,
        "headline": match.headline,
        "condition": None if match.condition_share is None else round(match.condition_share, 4),
        **_way_json(match.way),
        "other_way": None if match.other is None else _way_json(match.other),
        "measure_first": list(match.measure_first),
        "size": {**change_json(match.change), "words": list(match.words)},
        "supply": [moves_json(move) for move in match.moves],
        "remarks": list(match.remarks),
    }


def _way_json(way: Way) -> dict[str, Any]:
    return {
        "yoke_from": way.yoke_from,
        "verdict": way.verdict,
        "so_far": way.so_far,
        "minutes": round(way.minutes, 1),
        "aspects": [
            {
                "id": one.id,
                "verdict": one.verdict,
                "words": one.words,
                "do": one.do or None,
                "find_out": one.find_out or None,
                "minutes": one.minutes,
                "decisive": one.decisive,
                "cautions": list(one.cautions),
            }
            for one in way.aspects
        ],
    }
