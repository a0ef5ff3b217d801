"""A capacitor as a person knows it: what is printed on it, what was measured; most of it may be unknown."""

from __future__ import annotations

from dataclasses import dataclass

from tubewright.knowledge.model import Knowledge
from tubewright.knowledge.parts import CapacitorKind


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacitorPart:
    """One capacitor; None and "" stand for not known.

    Attributes:
        kind: id of a kind.
        capacitance_uf: printed.
        rated_v: printed; direct voltage.
        polar: one way round only; None leaves it to the kind.
        temperature_c: class, degrees Celsius.
        ripple_a: rated ripple or pulse current, RMS.
        esr_ohm: of a new part of this type.
        pulse_v_per_us: rated slope of a pulse part.
        safety_class: X1, X2, Y1 or Y2.
        tolerance_percent: printed, both ways.
        life_hours: endurance at the temperature class.
        height_mm: over the board.
        pitch_mm: between the leads.
        made_years: since it was made.
        mark: the maker's type as printed.
    """

    kind: str = ""
    capacitance_uf: float | None = None
    rated_v: float | None = None
    polar: bool | None = None
    temperature_c: float | None = None
    ripple_a: float | None = None
    esr_ohm: float | None = None
    pulse_v_per_us: float | None = None
    safety_class: str = ""
    tolerance_percent: float | None = None
    life_hours: float | None = None
    height_mm: float | None = None
    pitch_mm: float | None = None
    made_years: float | None = None
    mark: str = ""

    def kind_in(self, knowledge: Knowledge) -> CapacitorKind | None:
        """What is known of its kind, or ``None``.

        Raises:
            KeyError: An id that is not in the knowledge; a door checks it first.
        """
        return knowledge.capacitor_kinds[self.kind] if self.kind else None

    def is_polar(self, knowledge: Knowledge) -> bool | None:
        """Whether it goes in one way round only; ``None`` where neither it nor its kind says so."""
        kind = self.kind_in(knowledge)
        if self.polar is not None:
            return self.polar
        return None if kind is None else kind.polar


def capacitance_words(capacitance_uf: float) -> str:
    """A capacitance as it is printed on parts.

    Example:
        >>> [capacitance_words(value) for value in (1000, 4.7, 0.047, 0.0000033)]
        ['1000 µF', '4.7 µF', '47 nF', '3.3 pF']
    """
    for unit, scale, least in (("µF", 1, 1), ("nF", 1000, 1), ("pF", 1_000_000, 0)):
        # 0.1 to 1 µF is printed either way; the nanofarad has no decimal point to lose.
        if capacitance_uf * scale >= least:
            return f"{capacitance_uf * scale:.4g} {unit}"
    return f"{capacitance_uf:g} µF"
