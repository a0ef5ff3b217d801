"""The profile of a chassis: what is right in a set of this kind, as its papers or a good one say.

A shop writes the profiles of the sets that it meets into its own file (docs/own.md).
Whatever is not known stays None; a calculator asks for it then, and a diagnosis does
without. Tubewright ships no profile of any real chassis.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias, get_args

Rectifier: TypeAlias = Literal["bridge", "full_wave", "half_wave", "doubler"]
SyncKind: TypeAlias = Literal["separate", "composite", "on_green"]
Polarity: TypeAlias = Literal["negative", "positive", "either"]

RECTIFIERS: Final[tuple[Rectifier, ...]] = get_args(Rectifier)
SYNC_KINDS: Final[tuple[SyncKind, ...]] = get_args(SyncKind)
POLARITIES: Final[tuple[Polarity, ...]] = get_args(Polarity)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopParts:
    """The parts of a horizontal AFC loop, from the sync separator's input to the oscillator.

    The detector drives a node through its own output resistance (``detector_ohm``) and
    ``series_ohm``. From that node to ground stand ``damping_ohm`` in series with
    ``capacitor_uf``, and beside them ``shunt_nf``. The node steers the oscillator.
    ``coupling_uf`` and ``leak_ohm`` are the capacitor and the resistor at the sync
    separator's input. ``free_run_error_hz`` is how far the oscillator runs from the
    line rate when nothing steers it, positive when it runs fast.
    """

    detector_v_per_rad: float | None = None
    detector_ohm: float | None = None
    series_ohm: float | None = None
    damping_ohm: float | None = None
    capacitor_uf: float | None = None
    shunt_nf: float | None = None
    oscillator_hz_per_v: float | None = None
    free_run_error_hz: float | None = None
    coupling_uf: float | None = None
    leak_ohm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyParts:
    """The parts of a mains-rate supply: rectifier, reservoir, regulator and filter.

    ``secondary_v_rms`` is what the rectifier is fed with, over one winding where there
    are two, and ``source_ohm`` the resistance in its way. ``load_a`` is the mean direct
    current drawn. ``filter_ohm`` and ``filter_uf`` follow the reservoir.
    """

    rectifier: Rectifier | None = None
    secondary_v_rms: float | None = None
    source_ohm: float | None = None
    reservoir_uf: float | None = None
    reservoir_esr_ohm: float | None = None
    load_a: float | None = None
    regulator_dropout_v: float | None = None
    filter_ohm: float | None = None
    filter_uf: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncInput:
    """What the display's input wants: kind and polarity of sync, its levels, terminations, picture amplitude.

    ``level_low_v`` is the highest voltage that still counts as low, ``level_high_v`` the
    lowest that counts as high. ``video_v_pp`` is peak white over black.
    """

    kind: SyncKind | None = None
    polarity: Polarity | None = None
    level_low_v: float | None = None
    level_high_v: float | None = None
    termination_ohm: float | None = None
    video_v_pp: float | None = None
    video_termination_ohm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Chassis:
    """What is right in a set of one kind; None is not known.

    Attributes:
        like: id of another profile, whose fields stood in where this one had none; "" for none.
        eht_limit_kv: the rating that the anode voltage must never pass.
        retrace_us: the line flyback pulse, base to base.
        tuning_nf: the retrace tuning capacitance, all of it.
        yoke_mh: inductance of the line yoke.
        rails: direct voltages by the shop's name for them, V.
        nominals: what a bench test should read, by test id, in base units (V, A, ohm, Hz).
        adjustments: ids of the controls that it has (``tubewright list controls``).
        source: where the figures come from, in the shop's words.
    """

    id: str
    name: str
    like: str = ""
    scan_khz: float | None = None
    field_hz: float | None = None
    mains_v: float | None = None
    mains_hz: float | None = None
    bplus_v: float | None = None
    video_supply_v: float | None = None
    heater_v: float | None = None
    eht_kv: float | None = None
    eht_limit_kv: float | None = None
    retrace_us: float | None = None
    tuning_nf: float | None = None
    yoke_mh: float | None = None
    picture_width_mm: float | None = None
    picture_height_mm: float | None = None
    rails: Mapping[str, float] = field(default_factory=dict)
    nominals: Mapping[str, float] = field(default_factory=dict)
    adjustments: tuple[str, ...] = ()
    afc: LoopParts | None = None
    supply: SupplyParts | None = None
    sync_input: SyncInput | None = None
    source: str = ""

    def nominal(self, test: str) -> float | None:
        """What a bench test should read in such a set, in base units (V, A, ohm, Hz); None if not known.

        Where ``nominals`` is silent, the figures of the profile itself speak.
        """
        if test in self.nominals:
            return self.nominals[test]
        eht_v = None if self.eht_kv is None else 1000.0 * self.eht_kv
        known = {
            "d_bplus": self.bplus_v,
            "d_video_supply": self.video_supply_v,
            "d_heater_rms": self.heater_v,
            "d_eht": eht_v,
        }
        return known.get(test)


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """Something on a set that can be turned, slid or bent: what it moves and what it disturbs.

    ``cautions`` are caution ids, those of the hazard class first.
    """

    id: str
    name: str
    moves: str
    disturbs: str
    hazard: Literal["H0", "H1", "H2", "H3", "H4"]
    cautions: tuple[str, ...]
    kind: Literal["published", "common practice", "from memory"]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupStep:
    """A step in the order of setting up: what is turned, what that disturbs, and why it stands where it stands.

    ``groups`` and ``zones`` name the kinds of measured figures that show whether it is done;
    without them no photograph tells.
    """

    id: str
    guns: Literal["both", "inline", "delta"]
    place: int
    name: str
    why: str
    disturbs: tuple[str, ...]
    controls: tuple[str, ...]
    kind: Literal["published", "common practice", "from memory"]
    source: str
    groups: tuple[str, ...] = ()
    zones: tuple[Literal["centre", "edges"], ...] = ()
