"""A donor's yoke against what the set's scan stages are made for."""

from __future__ import annotations

from typing import Final

from tubewright.judgement import donor_limits as limits
from tubewright.judgement.donor_tube import Aspect, SetFigures, Tube, YokeFrom
from tubewright.judgement.scan_change import ScanChange, ScanState

_METER: Final = "an inductance meter and an ohmmeter on both windings, plugged off, the set unplugged and proven empty"


def scan_states(
    wanted: Tube, donor: Tube, figures: SetFigures, yoke_from: YokeFrom, eht_after_kv: float | None = None
) -> tuple[ScanState, ScanState]:
    """The scan as it was and as it would be; without ``eht_after_kv`` the anode voltage stays the set's."""
    before = ScanState(
        eht_kv=figures.eht_kv,
        angle_deg=wanted.deflection_deg,
        line_mh=wanted.line_mh,
        width_coil_mh=figures.width_coil_mh,
        field_mh=wanted.field_mh,
        field_ohm=wanted.field_ohm,
    )
    own = yoke_from == "donor"
    return before, ScanState(
        eht_kv=figures.eht_kv if eht_after_kv is None else eht_after_kv,
        angle_deg=donor.deflection_deg,
        line_mh=donor.line_mh if own else wanted.line_mh,
        width_coil_mh=figures.width_coil_mh,
        field_mh=donor.field_mh if own else wanted.field_mh,
        field_ohm=donor.field_ohm if own else wanted.field_ohm,
    )


def line_yoke(wanted: Tube, donor: Tube) -> Aspect:
    """The donor's line winding in place of the set's."""
    if donor.line_mh is None or wanted.line_mh is None:
        return Aspect(
            id="line_yoke",
            verdict="unknown",
            words="the line yoke's inductance isn't known of both",
            find_out=_METER,
            decisive=True,
        )
    words = f"line yoke {donor.line_mh:g} mH in place of {wanted.line_mh:g} mH"
    off = abs(donor.line_mh / wanted.line_mh - 1)
    if off <= limits.LINE_YOKE_RATIO:
        return Aspect(id="line_yoke", verdict="with_yoke", words=words)
    if off <= limits.LINE_ADAPT_RATIO:
        return Aspect(
            id="line_yoke",
            verdict="adapt",
            words=words,
            do="width by the width control or coil, within what the anode voltage's guard allows; the tuning capacitor "
            "stays what it was designed as",
            minutes=limits.WIDTH_MINUTES,
            cautions=("tuning_capacitor",),
        )
    return Aspect(id="line_yoke", verdict="never", words=f"{words}: the line stage is made for another yoke")


def field_yoke(wanted: Tube, donor: Tube) -> Aspect:
    """The donor's field winding in place of the set's."""
    pairs = {"mH": (wanted.field_mh, donor.field_mh), "ohm": (wanted.field_ohm, donor.field_ohm)}
    known = {unit: (one, other) for unit, (one, other) in pairs.items() if one is not None and other is not None}
    if "ohm" not in known:
        return Aspect(
            id="field_yoke",
            verdict="unknown",
            words="the field yoke's resistance isn't known of both",
            find_out=_METER,
            decisive=True,
        )
    words = "field yoke " + ", ".join(f"{other:g} {unit} in place of {one:g}" for unit, (one, other) in known.items())
    factor = max(max(one / other, other / one) for one, other in known.values()) - 1
    plain = max(abs(other / one - 1) for one, other in known.values())
    if plain <= limits.FIELD_YOKE_RATIO:
        return Aspect(id="field_yoke", verdict="with_yoke", words=words)
    if factor <= limits.FIELD_ADAPT_RATIO:
        return Aspect(
            id="field_yoke",
            verdict="adapt",
            words=words,
            do="height and linearity anew; the output may need another feedback resistor; where both halves of the "
            "winding come out, series and parallel differ fourfold",
            minutes=limits.FIELD_MINUTES,
        )
    return Aspect(id="field_yoke", verdict="never", words=f"{words}: the field output can't drive it")


def energy(change: ScanChange) -> Aspect | None:
    """Whether the line stage has the energy for the donor's angle; None where nothing changes or nothing is known."""
    need = change.energy_ratio
    if need is None or need <= 1:
        return None
    words = f"a full picture needs {100 * (need - 1):.0f} % more deflection energy"
    if need <= limits.ENERGY_MOST_RATIO:
        return Aspect(id="energy", verdict="fits", words=f"{words}, which most line stages have to spare")
    return Aspect(
        id="energy",
        verdict="never",
        words=f"{words}: the line stage would have to be made stronger, which is never done by raising B+ or anode "
        "voltage",
    )
