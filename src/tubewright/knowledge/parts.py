"""What is known of capacitors and of signal levels: kinds, the places they sit in, stages, standards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

CapacitorFamily: TypeAlias = Literal["electrolytic", "film", "ceramic", "paper", "mica"]
PlacePolarity: TypeAlias = Literal["polar", "either", "non_polar"]
Ripple: TypeAlias = Literal["mains", "line", "field", "none"]
LevelSync: TypeAlias = Literal["separate", "composite", "on_green"]
Colour: TypeAlias = Literal["rgb", "encoded", "digital"]
PartKind: TypeAlias = Literal["published", "common practice", "from memory"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacitorKind:
    """One kind of capacitor as it is sold.

    Attributes:
        words: what people also call it, lower case.
        polar: one way round only.
        dries: a liquid in it dries out with heat and age.
        low_esr: made for switching rates.
        low_leakage: its leakage is small enough for timing.
        pulse: made for the steep edges of a line stage.
        safety: certified to stand across the mains or to ground.
        grade: how good its dielectric is: 1 changes with voltage and heat, 2 steady, 3 steady with little loss.
        series: the series its values are bought in.
        rated_v: the direct voltages it is sold in, V; empty where the class decides.
        usual_c: temperature class of such a part where none is printed, degrees Celsius.
        usual_life_hours: endurance at that temperature where none is known; 0 where it doesn't dry.
    """

    id: str
    name: str
    words: tuple[str, ...]
    family: CapacitorFamily
    polar: bool
    dries: bool
    low_esr: bool
    low_leakage: bool
    pulse: bool
    safety: bool
    grade: int
    series: Literal["E3", "E6", "E12", "E24"]
    rated_v: tuple[float, ...]
    usual_c: float
    usual_life_hours: float
    kind: PartKind
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacitorPlace:
    """A place in a set where a capacitor sits, and what may stand there instead of the part that was.

    Attributes:
        words: what people also call it, lower case.
        stage: id of the stage it belongs to.
        kinds: ids of the kinds that may be fitted, the best first.
        least_ratio: the least capacitance over that of the part that was.
        most_ratio: the most.
        polarity: what the place asks of the part.
        ripple: at what rate it carries current.
        needs_low_esr: the rate asks for a part made for it.
        needs_low_leakage: leakage shifts what it does.
        same_kind: only the kind that was.
        untouchable: nothing about it may change.
        safety: only a certified part of the same class.
        least_c: temperature class to buy, degrees Celsius; 0 where any will do.
        rise_k: how much warmer than the air in the set it is there, K.
        rule: the rule in words.
        why: what goes wrong otherwise.
        sign: how its ageing shows.
        cautions: caution ids that go with work there.
    """

    id: str
    name: str
    words: tuple[str, ...]
    stage: str
    kinds: tuple[str, ...]
    least_ratio: float
    most_ratio: float
    polarity: PlacePolarity
    ripple: Ripple
    needs_low_esr: bool
    needs_low_leakage: bool
    same_kind: bool
    untouchable: bool
    safety: bool
    least_c: float
    rise_k: float
    rule: str
    why: str
    sign: str
    cautions: tuple[str, ...]
    kind: PartKind
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacitorStage:
    """A group of places that are replaced together, and what to power and test before the next.

    ``turn`` orders the groups; ``test`` says what to do after the group, ``tests`` names
    the bench tests in it, and ``cautions`` go with them.
    """

    id: str
    name: str
    turn: int
    test: str
    tests: tuple[str, ...]
    cautions: tuple[str, ...]
    kind: PartKind
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacitorLoss:
    """Highest loss of a new general-purpose aluminium electrolytic, up to a rated voltage, at 120 Hz and 20 C."""

    id: str
    up_to_v: float
    loss_ratio: float
    kind: PartKind
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelStandard:
    """What a source of a standard gives, at the load that the standard names.

    Attributes:
        video_v_pp: black to peak white; None where the colours are switched, not graded.
        sync_low_v_pp: least swing of sync.
        sync_high_v_pp: greatest swing of sync.
        polarity: of sync.
        load_ohm: of video.
        sync_source_ohm: behind the sync, open circuit; the levels above are at ``sync_load_ohm``.
    """

    id: str
    name: str
    colour: Colour
    sync: LevelSync
    polarity: Literal["negative", "positive", "either"]
    video_v_pp: float
    video_source_ohm: float
    video_load_ohm: float
    sync_low_v_pp: float
    sync_high_v_pp: float
    sync_source_ohm: float
    sync_load_ohm: float
    note: str
    kind: PartKind
    source: str
