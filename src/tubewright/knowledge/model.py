"""The types that hold what the trade knows; plain values, handed to whoever judges.

Reading them from the TOML files beside this module, and checking them, is the
business of :mod:`tubewright.knowledge.load`. Each fact says where it comes from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from tubewright.knowledge.chassis import Chassis, Control, SetupStep
from tubewright.knowledge.parts import CapacitorKind, CapacitorLoss, CapacitorPlace, CapacitorStage, LevelStandard

SourceKind = Literal["published", "common practice", "from memory"]
Hazard = Literal["H0", "H1", "H2", "H3", "H4"]
Holds = Literal["job", "step", "minutes"]
Photo = Literal["measurable", "hint", "series", "none"]
"""Whether a photograph supplies a finding: as a figure, as a hint, by several over time, or not."""
PartsClass = Literal["c0", "c1", "c2", "c3", "c4", "c5"]
Needs = Literal["", "anything", "picture", "open", "hands_in", "chassis_out", "instrument", "running_open"]
"""What must stand open for a test or a repair; "" where it follows from hazard, subsystem and cautions."""

NEAR_CERTAIN_RATIO: Final = 1000.0
"""Likelihood ratio that stands for a finding which settles the matter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One entry of the bibliography."""

    key: str
    title: str
    edition: str
    year: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Constant:
    """One number that the program reckons with, and where it comes from.

    ``where`` is ``"module:NAME"`` for a constant written in a physics module, and
    ``""`` for a parameter that the judgement is handed from here.
    """

    id: str
    value: float
    unit: str
    kind: SourceKind
    source: str
    locator: str
    means: str
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A warning that travels with every step it belongs to.

    ``confirm`` is what must be true before the step. Once confirmed it holds for the
    rest of the job, for one step only, or for any step within ``holds_minutes``; a step
    of its own is over after ``holds_minutes``, too (None: the general limit). It ends
    early when a caution of ``undone_by`` is confirmed, for what that one opens undoes
    it: a set that ran since has its anode charged again. ``asked`` says when: before the
    step, after it (before the set runs on or leaves), or after it where the step is a
    repair and before it otherwise. ``where`` is
    ``"module:NAME"`` of the code that shows it, "" where entries name it.
    """

    id: str
    text: str
    confirm: str
    kind: SourceKind
    source: str
    holds: Holds = "step"
    holds_minutes: float | None = None
    undone_by: tuple[str, ...] = ()
    asked: Literal["before", "after", "after_repair"] = "before"
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HazardClass:
    """What a hazard class means and the cautions that go with every step of it."""

    id: Hazard
    means: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Symptom:
    """Something an owner says or a technician sees.

    ``leak_probability`` is the chance that a display shows it for a reason
    outside the catalogue. ``also_said`` are other words that people use for it.
    """

    id: str
    owner_says: str
    technician_says: str
    photo: Photo
    leak_probability: float
    kind: SourceKind
    source: str
    also_said: tuple[str, ...] = ()


HANDS_IN: Final = ("anode_charge", "recharge", "primary_reservoir", "implosion", "gate_power_off")
"""Ids of the cautions of whatever brings a hand to the chassis or the neck: all power off and proven so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCause:
    """A fault a display can have, with how often, how it shows and what mends it.

    ``cautions`` are caution ids for the repair, those of the hazard class first.
    ``needs`` is what must stand open for it. ``treatments`` are ids of the treatments
    of the tube that may mend it, the one with the least energy first.
    """

    id: str
    name: str
    subsystem: str
    per_1000: float
    shows: Mapping[str, float]
    confirmed_by: Mapping[str, str]
    repair: str
    minutes: float
    parts: tuple[PartsClass, ...]
    hazard: Hazard
    cautions: tuple[str, ...]
    kind: SourceKind
    source: str
    needs: Needs = ""
    treatments: tuple[str, ...] = ()

    @property
    def of_the_tube(self) -> bool:
        """Whether the picture tube itself is at fault."""
        return self.subsystem == "tube"


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedResult:
    """One result a bench test can have, and how far it speaks for or against each fault.

    ``odds_ratios`` maps a fault id to the factor by which its odds change. Where a
    result can be read off a number, ``quantity`` says which (``"value"`` in
    ``unit``, or ``"ratio"`` to the nominal value) and the half-open range
    ``[at_least, below)`` in which it applies.
    """

    id: str
    means: str
    odds_ratios: Mapping[str, float]
    quantity: Literal["value", "ratio", "none"] = "none"
    unit: str = ""
    at_least: float | None = None
    below: float | None = None
    refines: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchTest:
    """A test a person can do at the bench.

    ``cautions`` are caution ids, those of the hazard class first. ``gate`` marks a
    test that opens or bars the way to further work and is no evidence on a fault.
    ``usual_nominal`` stands in where a case gives a value but not what is nominal; it
    is in base units (V, A, ohm, Hz). ``needs`` is what must stand open, and
    ``from_photo`` says whether a measured photograph can stand for doing it.
    """

    id: str
    name: str
    how: str
    minutes: float
    hazard: Hazard
    running: bool
    results: tuple[NamedResult, ...]
    cautions: tuple[str, ...]
    kind: SourceKind
    source: str
    gate: bool = False
    usual_nominal: float | None = None
    needs: Needs = ""
    from_photo: Photo = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentFacts:
    """What is known of one kind of treatment of a tube.

    ``rung`` orders the ladder by energy. Odds are chances of a useful gain for a
    gun that is worn by hours, and for one that is poisoned by standing idle;
    ``best_from`` and ``best_to`` bound the relative emission (0..1) they hold for.
    """

    kind_id: str
    rung: float
    name: str
    how: str
    odds_worn: float
    odds_worn_sd: float
    odds_poisoned: float
    odds_poisoned_sd: float
    best_from: float
    best_to: float
    risk_of_loss: float
    attended_minutes: float
    unattended_hours: float
    counts_as: float
    stop_when: str
    hazard: Hazard
    cautions: tuple[str, ...]
    kind: SourceKind
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PhosphorSet:
    """Chromaticities of the three primaries; rows red, green, blue, columns x, y."""

    id: str
    name: str
    primaries_xy: tuple[tuple[float, float], tuple[float, float], tuple[float, float]]
    kind: SourceKind
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelGrammar:
    """One registration body's grammar of tube type labels.

    ``size_unit`` and ``size_is`` say what its group ``size`` counts: inches, cm or mm of
    the nominal size or of the viewable diagonal.
    """

    id: str
    name: str
    pattern: str
    fields: Mapping[str, str]
    example: str
    kind: SourceKind
    source: str
    size_unit: Literal["in", "cm", "mm"] = "cm"
    size_is: Literal["nominal", "viewable"] = "nominal"


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelLetter:
    """What a letter means in one part of one grammar."""

    id: str
    grammar: str
    part: str
    letters: str
    means: str
    kind: SourceKind
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelPhosphor:
    """A registered phosphor (its id is its number, ``P22``) and the letters that other registers give it."""

    id: str
    light: str
    picture: Literal["colour", "mono"]
    kind: SourceKind
    source: str
    european: str = ""
    worldwide: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelSize:
    """A viewable diagonal as the worldwide form counts it, and the inches such tubes were sold as."""

    id: str
    viewable_cm: float
    sold_as_in: float
    kind: SourceKind
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterFacts:
    """A raster by name, in dots of its clock and in lines.

    Of an interlaced raster the lines are those of a whole frame. ``kind`` ``estimate``
    marks porches laid out by us; ``note`` says what else there is to say.
    """

    id: str
    name: str
    width_px: int
    height_px: int
    pixel_clock_hz: float
    h_front_px: int
    h_sync_px: int
    h_back_px: int
    v_front_lines: int
    v_sync_lines: int
    v_back_lines: int
    kind: Literal["published", "common practice", "estimate"]
    source: str
    interlaced: bool = False
    h_sync_positive: bool = False
    v_sync_positive: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Knowledge:
    """Everything the trade knows that the program uses, by id."""

    sources: Mapping[str, Source]
    constants: Mapping[str, Constant]
    cautions: Mapping[str, Caution]
    hazards: Mapping[str, HazardClass]
    symptoms: Mapping[str, Symptom]
    faults: Mapping[str, FaultCause]
    tests: Mapping[str, BenchTest]
    treatments: Mapping[str, TreatmentFacts]
    phosphors: Mapping[str, PhosphorSet]
    labels: Mapping[str, LabelGrammar]
    rasters: Mapping[str, RasterFacts] = field(default_factory=dict)
    controls: Mapping[str, Control] = field(default_factory=dict)
    setup_steps: Mapping[str, SetupStep] = field(default_factory=dict)
    chassis: Mapping[str, Chassis] = field(default_factory=dict)
    capacitor_kinds: Mapping[str, CapacitorKind] = field(default_factory=dict)
    capacitor_places: Mapping[str, CapacitorPlace] = field(default_factory=dict)
    capacitor_stages: Mapping[str, CapacitorStage] = field(default_factory=dict)
    capacitor_losses: Mapping[str, CapacitorLoss] = field(default_factory=dict)
    level_standards: Mapping[str, LevelStandard] = field(default_factory=dict)
    label_letters: Mapping[str, LabelLetter] = field(default_factory=dict)
    label_phosphors: Mapping[str, LabelPhosphor] = field(default_factory=dict)
    label_sizes: Mapping[str, LabelSize] = field(default_factory=dict)

    def value(self, constant_id: str) -> float:
        """The value of one constant.

        Raises:
            KeyError: No such constant; the name is misspelt in our own code.
        """
        return self.constants[constant_id].value
