"""The questions about a supply as people type them: the same fields behind the command line and the pages.

A question is a mapping of field to text. What a chassis profile knows stands in for what
was left empty (:func:`from_chassis`), as text too, so that both are read the same way.
"""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Callable, Mapping
from typing import Final, Literal, TypeAlias

from tubewright.answers import anode, eht, supply, supply_filter, supply_hum
from tubewright.answers.assessment import Spread
from tubewright.answers.supply_form import Supply, SupplyAnswer
from tubewright.errors import Fault, InputError
from tubewright.knowledge.chassis import Chassis
from tubewright.physics.rectifier import Rectifier
from tubewright.quantity import parse_quantity

Question: TypeAlias = Literal["ripple", "filter", "headroom", "hum", "anode", "eht"]

RECTIFIERS: Final[Mapping[Rectifier, str]] = {
    "bridge": "bridge, four diodes",
    "full_wave": "full wave, middle tap",
    "half_wave": "half wave, one diode",
    "doubler": "doubler",
}
"""Each rectifier in words."""

_RAW: Final = ("rectifier", "secondary", "hz", "source_ohm", "reservoir", "esr", "load", "diode")

YES: Final = frozenset({"yes", "on", "true", "1"})
WAYS: Final = ("down", "up")


def answer(question: Question, typed: Mapping[str, str]) -> SupplyAnswer:
    """The answer to a question as it was typed.

    Args:
        question: Which of the six.
        typed: Field to text; what is missing or empty is not known.

    Raises:
        InputError: All that is wrong, each at its field.
        RefusedError: A change that must not be recommended.
    """
    return _ASKED[question](_Reader(typed))


def from_chassis(chassis: Chassis | None) -> dict[str, str]:
    """The fields that a chassis profile can fill, as a person would type them; only what it knows."""
    if chassis is None:
        return {}
    found: dict[str, str] = {}
    held = [
        ("hz", chassis.mains_hz, "Hz"),
        ("mains", chassis.mains_v, "V"),
        ("field", chassis.field_hz, "Hz"),
        ("width", chassis.picture_width_mm, "mm"),
        ("output", chassis.bplus_v, "V"),
        ("bplus", chassis.bplus_v, "V"),
        ("line", chassis.scan_khz, "kHz"),
        ("retrace", chassis.retrace_us, "us"),
        ("tuning", chassis.tuning_nf, "nF"),
        ("yoke", chassis.yoke_mh, "mH"),
        ("limit", chassis.eht_limit_kv, "kV"),
        ("design_eht", chassis.eht_kv, "kV"),
        ("design_bplus", chassis.bplus_v, "V"),
        ("design_tuning", chassis.tuning_nf, "nF"),
    ]
    parts = chassis.supply
    if parts is not None:
        held += [
            ("secondary", parts.secondary_v_rms, "V"),
            ("source_ohm", parts.source_ohm, "ohm"),
            ("reservoir", parts.reservoir_uf, "uF"),
            ("esr", parts.reservoir_esr_ohm, "ohm"),
            ("load", parts.load_a, "A"),
            ("dropout", parts.regulator_dropout_v, "V"),
            ("filter_ohm", parts.filter_ohm, "ohm"),
            ("filter", parts.filter_uf, "uF"),
        ]
        if parts.rectifier is not None:
            found["rectifier"] = parts.rectifier
    return found | {name: f"{value:g} {unit}" for name, value, unit in held if value is not None}


FIELDS: Final[Mapping[Question, tuple[str, ...]]] = {
    "ripple": (
        *_RAW,
        "load_ohm",
        "filter_ohm",
        "filter",
        "width",
        "field",
        "new_reservoir",
        "new_esr",
        "new_source_ohm",
    ),
    "filter": (*_RAW, "load_ohm", "wanted", "fitted", "stage_ohm", "surge", "repeat"),
    "headroom": (*_RAW, "output", "dropout", "mains"),
    "hum": ("field", "hz", "bars", "seconds", "way", "standing"),
    "anode": ("capacitance", "eht", "drain", "down_to", "resistor_v"),
    "eht": (
        *("bplus", "line", "retrace", "tuning", "yoke", "width_coil", "eht", "limit"),
        *("design_eht", "design_bplus", "design_tuning"),
        *("new_bplus", "new_line", "new_tuning", "new_yoke", "new_width_coil", "protection"),
    ),
}
"""The fields that each question knows."""

MEASURED_ONLY: Final = frozenset({"bplus", "retrace", "tuning"})
"""What the guard wants as it was measured: the profile only says what it should be."""


def with_profile(
    question: Question, typed: Mapping[str, str], chassis: Chassis | None
) -> tuple[dict[str, str], dict[str, str]]:
    """What was typed, with what a chassis profile knows where nothing was; and what the profile gave.

    For the anode voltage's guard nothing that must be measured comes from a profile.
    """
    held = from_chassis(chassis)
    if typed.get("load_ohm"):
        held.pop("load", None)
    filled = {
        name: held[name]
        for name in FIELDS[question]
        if name in held and not typed.get(name, "").strip() and not (question == "eht" and name in MEASURED_ONLY)
    }
    return {**typed, **filled}, filled


def profile_of(profiles: Mapping[str, Chassis], name: str) -> Chassis | None:
    """The chassis profile of an id; None where no id was given.

    Raises:
        InputError: There is none of this id; the nearest are named.
    """
    if not name:
        return None
    if name in profiles:
        return profiles[name]
    near = difflib.get_close_matches(name[:80], list(profiles), n=3, cutoff=0.4)
    shown = "".join(char if char.isprintable() else "?" for char in name[:40])
    if near:
        mend = f"Did you mean {' or '.join(near)}?"
    elif profiles:
        mend = "`tubewright list chassis` names those there are."
    else:
        mend = "There is none yet: profiles stand in your own file (`tubewright own`)."
    raise InputError(Fault(what=f"there is no chassis profile “{shown}”", where="chassis", mend=mend))


class _Reader:
    """Takes figures out of what was typed and remembers every fault."""

    def __init__(self, typed: Mapping[str, str]) -> None:
        self._typed = typed
        self._faults: list[Fault] = []

    def text(self, field: str) -> str:
        return self._typed.get(field, "").strip()

    def maybe(self, field: str, kind: str, unit: str | None = None) -> float | None:
        """A figure, or None where nothing was typed."""
        text = self.text(field)
        if not text:
            return None
        try:
            return parse_quantity(text, kind=kind, default_unit=unit, where=field).value
        except InputError as error:
            self._faults += error.faults
            return None

    def needed(self, field: str, kind: str, unit: str | None = None) -> float:
        """A figure that must be there; 1 stands for one that isn't, until the faults are told."""
        value = self.maybe(field, kind, unit)
        if value is None:
            if not self.text(field):
                self._faults.append(Fault(what="this is missing", where=field, mend="Type its figure."))
            return 1.0
        return value

    def fault(self, field: str, what: str, mend: str) -> None:
        self._faults.append(Fault(what=what, where=field, mend=mend))

    def finish(self) -> None:
        if self._faults:
            raise InputError(self._faults)

    def supply(self) -> Supply:
        """The raw supply; faults are told by :meth:`finish`."""
        typed = self.text("rectifier") or "bridge"
        kind = next((one for one in RECTIFIERS if one == typed.replace("-", "_")), None)
        if kind is None:
            self.fault("rectifier", f"“{typed[:24]}” is no rectifier", f"One of: {', '.join(RECTIFIERS)}.")
        load_a, load_ohm = self.maybe("load", "current"), self.maybe("load_ohm", "resistance")
        if load_a is not None and load_ohm is not None:
            self.fault("load_ohm", "the load is given twice", "Leave one of the two empty.")
        elif not self.text("load") and not self.text("load_ohm"):
            self.fault("load", "this is missing", "Type the current that is drawn, such as 0.8 A.")
        found: dict[str, float] = {}
        if (drop := self.maybe("diode", "voltage")) is not None:
            found["diode_v"] = drop
        return Supply(
            rectifier=kind or "bridge",
            secondary_v_rms=self.needed("secondary", "voltage"),
            mains_hz=self.needed("hz", "hertz"),
            reservoir_uf=self.needed("reservoir", "capacitance", "uF"),
            load_a=load_a,
            load_ohm=load_ohm,
            source_ohm=self.maybe("source_ohm", "resistance") or 0.0,
            esr_ohm=self.maybe("esr", "resistance") or 0.0,
            **found,
        )


def _ripple(read: _Reader) -> SupplyAnswer:
    now = read.supply()
    reservoir_uf = read.maybe("new_reservoir", "capacitance", "uF")
    esr_ohm, source_ohm = read.maybe("new_esr", "resistance"), read.maybe("new_source_ohm", "resistance")
    after = dataclasses.replace(
        now,
        reservoir_uf=now.reservoir_uf if reservoir_uf is None else reservoir_uf,
        esr_ohm=now.esr_ohm if esr_ohm is None else esr_ohm,
        source_ohm=now.source_ohm if source_ohm is None else source_ohm,
    )
    width, field = read.maybe("width", "millimetres"), read.maybe("field", "hertz")
    filter_ohm, filter_uf = read.maybe("filter_ohm", "resistance"), read.maybe("filter", "capacitance", "uF")
    read.finish()
    return supply.ripple(
        now,
        after=after if after != now else None,
        picture_width_mm=width,
        field_hz=field,
        filter_ohm=filter_ohm,
        filter_uf=filter_uf,
    )


def _filter(read: _Reader) -> SupplyAnswer:
    now = read.supply()
    wanted = read.needed("wanted", "voltage")
    surge, repeat = read.maybe("surge", "current"), read.maybe("repeat", "current")
    stage, fitted = read.maybe("stage_ohm", "resistance"), read.maybe("fitted", "capacitance", "uF")
    read.finish()
    return supply_filter.filter_value(
        now,
        wanted_pp_v=wanted,
        fitted_uf=fitted,
        diode_surge_a=surge,
        diode_repeat_a=repeat,
        filter_ohm=stage,
    )


def _headroom(read: _Reader) -> SupplyAnswer:
    now = read.supply()
    output, dropout = read.needed("output", "voltage"), read.needed("dropout", "voltage")
    mains = read.maybe("mains", "voltage")
    read.finish()
    return supply.regulator_headroom(now, output_v=output, dropout_v=dropout, mains_v=mains)


def _hum(read: _Reader) -> SupplyAnswer:
    field, mains = read.needed("field", "hertz"), read.needed("hz", "hertz")
    seen = read.text("bars")
    bars = read.maybe("bars", "number")
    seconds = read.maybe("seconds", "seconds")
    standing = read.text("standing").lower() in YES
    way = read.text("way")
    if bars is not None and (bars != int(bars) or not 1 <= bars <= 20):
        read.fault("bars", "bars come in whole numbers", "Count them: 1, 2, 3 …")
    if way and way not in WAYS:
        read.fault("way", f"“{way[:24]}” is no direction", "Say down or up, or leave it out.")
    if not seen and (seconds is not None or standing or way):
        read.fault("bars", "this is missing", "Count the bars on the screen at once.")
    read.finish()
    if bars is None:
        return supply_hum.bars_seen(field_hz=field, mains_hz=mains)
    direction: supply_hum.Direction = "down" if way == "down" else "up" if way == "up" else "unknown"
    return supply_hum.source_of_bars(
        bars=int(bars),
        field_hz=field,
        mains_hz=mains,
        screen_s=seconds,
        standing=standing,
        direction=direction,
    )


def _anode(read: _Reader) -> SupplyAnswer:
    capacitance = read.needed("capacitance", "capacitance", "nF") * 1e3
    kilovolts = read.needed("eht", "kilovolts")
    drain = read.maybe("drain", "resistance")
    down_to = read.maybe("down_to", "voltage")
    each = read.maybe("resistor_v", "voltage")
    read.finish()
    return anode.anode_charge(
        capacitance_nf=capacitance,
        eht_kv=kilovolts,
        drain_ohm=drain,
        down_to_v=50.0 if down_to is None else down_to,
        resistor_v=each,
    )


def _eht(read: _Reader) -> SupplyAnswer:
    def nano(field: str) -> float | None:
        found = read.maybe(field, "capacitance", "nF")
        return None if found is None else found * 1e3

    stage = eht.LineStage(
        bplus_v=read.maybe("bplus", "voltage"),
        scan_khz=read.maybe("line", "khz"),
        retrace_us=read.maybe("retrace", "microseconds"),
        tuning_nf=nano("tuning"),
        yoke_mh=read.maybe("yoke", "inductance"),
        width_coil_mh=read.maybe("width_coil", "inductance"),
        eht_kv=read.maybe("eht", "kilovolts"),
        eht_limit_kv=read.maybe("limit", "kilovolts"),
        design_eht_kv=read.maybe("design_eht", "kilovolts"),
        design_bplus_v=read.maybe("design_bplus", "voltage"),
        design_tuning_nf=nano("design_tuning"),
    )
    change = eht.ChangeWanted(
        bplus_v=read.maybe("new_bplus", "voltage"),
        scan_khz=read.maybe("new_line", "khz"),
        tuning_nf=nano("new_tuning"),
        yoke_mh=read.maybe("new_yoke", "inductance"),
        width_coil_mh=read.maybe("new_width_coil", "inductance"),
        protection=read.text("protection").lower() in YES,
    )
    read.finish()
    return as_answer(eht.guard_change(stage, change))


def as_answer(found: eht.AnodeChange) -> SupplyAnswer:
    """A weighed change in the form that all answers here have."""
    figures: dict[str, float | None] = {
        "retrace_before_us": found.retrace_before_us,
        "retrace_after_us": found.retrace_after_us,
        "peak_before_v": found.peak_before_v,
        "peak_after_v": found.peak_after_v,
    }
    unknown = []
    for name, figure in (("anode_ratio", found.ratio), ("anode_after_kv", found.after_kv)):
        if isinstance(figure, Spread):
            figures |= {name: figure.median, f"{name}_p10": figure.p10, f"{name}_p90": figure.p90}
        else:
            figures |= {name: None}
            unknown.append(figure)
    headlines = {
        "raises": "This raises the anode voltage, within its rating by these figures. Measure it.",
        "lowers": "This lowers the anode voltage by these figures.",
        "keeps": "This leaves the anode voltage as it is by these figures.",
        "unknown": "Whether this raises the anode voltage can't be told; its worst is within the rating. Measure it.",
    }
    return SupplyAnswer(
        question="eht",
        headline=headlines[found.effect],
        words=found.words,
        figures=figures,
        unknown=tuple(dict.fromkeys(unknown)),
        cautions=found.cautions,
        hazard=found.hazard,
    )


_ASKED: Final[Mapping[Question, Callable[[_Reader], SupplyAnswer]]] = {
    "ripple": _ripple,
    "filter": _filter,
    "headroom": _headroom,
    "hum": _hum,
    "anode": _anode,
    "eht": _eht,
}
