"""A tube as a shelf list holds it, the set it shall go into, and what a comparison finds: plain data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias, get_args

GunKind: TypeAlias = Literal["inline", "delta", "grille", "mono"]
Grids: TypeAlias = Literal["common", "split"]
FocusKind: TypeAlias = Literal["high", "low", "two", "magnetic"]
Mount: TypeAlias = Literal["ears", "bolts"]
Band: TypeAlias = Literal["tension", "shell", "bonded", "loose", "none"]
Feed: TypeAlias = Literal["parallel", "series"]
Drive: TypeAlias = Literal["cathode", "grid"]
Face: TypeAlias = Literal["flat", "cylinder", "sphere"]
Verdict: TypeAlias = Literal["fits", "with_yoke", "adapt", "unknown", "never"]
YokeFrom: TypeAlias = Literal["set", "donor"]

VERDICTS: Final[tuple[Verdict, ...]] = get_args(Verdict)
"""From the best to the worst."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tube:
    """One tube; None or empty is not known.

    Attributes:
        id: the shop's own name for it.
        label: type as printed on it.
        diagonal_cm: its size; ``size_is`` says whether that is viewable or nominal.
        heater_v: rated heater voltage.
        heater_a: rated heater current, the whole heater.
        neck_mm: outer diameter of the neck.
        base: name of the base, in the shop's words.
        pins: what stands at each pin (``heater``, ``cathode red``, ``g1``, ...), by pin.
        gun: in-line, delta, aperture grille with one gun, or monochrome.
        g1: whether the first grids are joined or have a pin each.
        deflection_deg: across the diagonal.
        anode_max_kv: the rating that its anode voltage must never pass.
        anode_kv: what it is commonly run at.
        focus: high (some kV), low (some hundred V), two (two focus pins), magnetic.
        focus_percent: focus voltage over anode voltage, %.
        yoke: whether its own yoke and rings come with it; None is not known.
        line_mh, line_ohm: that yoke's line winding.
        field_mh, field_ohm: its field winding.
        bolts_wide_mm, bolts_high_mm: distances of the mounting holes.
        band: how it is protected against implosion; ``loose`` and ``none`` are not.
        emission: relative emission of each gun, where it was read.
        burn: light lost in the worst spot, a fraction.
        made_year: when it was made.
    """

    id: str
    label: str = ""
    diagonal_cm: float | None = None
    size_is: Literal["nominal", "viewable"] | None = None
    face: Face | None = None
    picture: Literal["colour", "mono"] | None = None
    heater_v: float | None = None
    heater_a: float | None = None
    neck_mm: float | None = None
    base: str = ""
    pins: Mapping[str, str] = field(default_factory=dict)
    gun: GunKind | None = None
    g1: Grids | None = None
    deflection_deg: float | None = None
    anode_max_kv: float | None = None
    anode_kv: float | None = None
    focus: FocusKind | None = None
    focus_percent: float | None = None
    yoke: bool | None = None
    line_mh: float | None = None
    line_ohm: float | None = None
    field_mh: float | None = None
    field_ohm: float | None = None
    mount: Mount | None = None
    bolts_wide_mm: float | None = None
    bolts_high_mm: float | None = None
    band: Band | None = None
    neck_state: Literal["sound", "cracked"] | None = None
    getter: Literal["silver", "white", "clear", "unseen"] | None = None
    emission: Mapping[str, float] = field(default_factory=dict)
    burn: float | None = None
    service_hours: float | None = None
    restorations: int | None = None
    made_year: int | None = None
    price: float | None = None
    place: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFigures:
    """What is known of the set that the tube shall go into; None is not known.

    Attributes:
        eht_kv: anode voltage, measured at zero beam.
        eht_limit_kv: the rating that it must never pass, from the set's papers.
        heater_source_v: what feeds the heater, true RMS under load; the wanted tube's heater if not known.
        heater_feed: each heater on its own winding, or in a string with others.
        drive: whether the picture drives the cathodes or the first grids.
        bplus_v, scan_khz, retrace_us, tuning_nf, width_coil_mh: the line stage as measured.
        focus_low_kv, focus_high_kv: what its focus control reaches.
        picture_width_mm, picture_height_mm: the picture with the tube that was in it.
    """

    eht_kv: float | None = None
    eht_limit_kv: float | None = None
    heater_source_v: float | None = None
    heater_feed: Feed | None = None
    drive: Drive | None = None
    bplus_v: float | None = None
    scan_khz: float | None = None
    retrace_us: float | None = None
    tuning_nf: float | None = None
    width_coil_mh: float | None = None
    focus_low_kv: float | None = None
    focus_high_kv: float | None = None
    picture_width_mm: float | None = None
    picture_height_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Aspect:
    """One thing compared.

    Attributes:
        id: of the thing (``heater``, ``neck``, ...).
        verdict: fits, fits with the donor's own yoke, needs adapting, not known, never.
        words: what was compared and what follows.
        do: what to do about it; empty where nothing.
        find_out: which measurement or paper tells, where it isn't known.
        minutes: what that costs.
        cautions: ids of cautions of its own.
        decisive: whether the donor can't be judged without it.
    """

    id: str
    verdict: Verdict
    words: str
    do: str = ""
    find_out: str = ""
    minutes: float = 0.0
    cautions: tuple[str, ...] = ()
    decisive: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to fit a donor: with the set's own yoke, or with the donor's yoke and rings as a set.

    ``so_far`` is the verdict by what is known; ``verdict`` is ``unknown`` where something
    decisive isn't. ``minutes`` are those of the swap with all its adapting.
    """

    yoke_from: YokeFrom
    verdict: Verdict
    so_far: Verdict
    minutes: float
    aspects: tuple[Aspect, ...]


def settled(yoke_from: YokeFrom, aspects: tuple[Aspect, ...], swap_minutes: float) -> Way:
    """The way that its aspects add up to: as good as the worst of them."""
    known = [one.verdict for one in aspects if one.verdict != "unknown"]
    so_far: Verdict = max(known, key=VERDICTS.index, default="fits")
    open_still = any(one.decisive and one.verdict == "unknown" for one in aspects)
    verdict: Verdict = "unknown" if open_still and so_far != "never" else so_far
    return Way(
        yoke_from=yoke_from,
        verdict=verdict,
        so_far=so_far,
        minutes=swap_minutes + sum(one.minutes for one in aspects),
        aspects=aspects,
    )
