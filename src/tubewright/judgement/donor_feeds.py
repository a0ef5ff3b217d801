"""A donor tube's heater, base, grids and focus against what the set feeds them with."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from tubewright.judgement import donor_limits as limits
from tubewright.judgement.donor_tube import Aspect, SetFigures, Tube
from tubewright.physics.pulses import series_resistor

HEATER_CAUTIONS: Final = ("heater_excess", "gate_vacuum_seen")
_HEATER_PAPERS: Final = (
    "the type's data sheet, or the heater of the set it comes from, true RMS; never by turning a supply up until it "
    "glows"
)
_FOCUS_WORDS: Final = {
    "high": "high voltage, some kV",
    "low": "low voltage, some hundred V",
    "two": "two focus electrodes",
    "magnetic": "magnetic",
}


def heater(wanted: Tube, donor: Tube, figures: SetFigures) -> Aspect:
    """The donor's heater on the set's feed."""
    source_v = figures.heater_source_v or wanted.heater_v
    if donor.heater_v is None or source_v is None:
        whose = "the donor's" if donor.heater_v is None else "the set's"
        return Aspect(
            id="heater",
            verdict="unknown",
            words=f"{whose} heater voltage isn't known, and no label tells it",
            find_out=_HEATER_PAPERS,
            cautions=HEATER_CAUTIONS,
            decisive=True,
        )
    if figures.heater_feed == "series":
        return _in_a_string(wanted, donor)
    volts = f"donor {donor.heater_v:g} V, feed {source_v:g} V"
    if abs(donor.heater_v / source_v - 1) <= limits.HEATER_V_RATIO:
        return _same_volts(wanted, donor, volts)
    if donor.heater_v > source_v:
        return Aspect(
            id="heater",
            verdict="adapt",
            words=f"{volts}: on this feed it stays too cold, which strips its cathodes",
            do=f"give it a winding or a small insulated transformer of its own for {donor.heater_v:g} V true RMS; "
            "begin low and measure under load before the tube is put to use (`tubewright heater turns`)",
            minutes=limits.WINDING_MINUTES,
            cautions=HEATER_CAUTIONS,
        )
    if donor.heater_a is None:
        return Aspect(
            id="heater",
            verdict="adapt",
            words=f"{volts}: it needs less, and its current isn't known",
            do="find out its current first, then the series resistor (`tubewright heater resistor`)",
            find_out="the type's data sheet; or the current at its rated voltage, from a bench supply set before it is "
            "connected",
            minutes=limits.RESISTOR_MINUTES,
            cautions=HEATER_CAUTIONS,
        )
    drop = series_resistor(source_v, donor.heater_v, donor.heater_a)
    return Aspect(
        id="heater",
        verdict="adapt",
        words=f"{volts}, {donor.heater_a:g} A: straight on this feed it would be overheated",
        do=f"a series resistor of {float(drop.resistance_ohm):.2g} ohm, {float(drop.rating_w):.2g} W or more, "
        "flameproof, stood off the board; true RMS at the pins before it is left on",
        minutes=limits.RESISTOR_MINUTES,
        cautions=HEATER_CAUTIONS,
    )


def _same_volts(wanted: Tube, donor: Tube, volts: str) -> Aspect:
    if donor.heater_a is None or wanted.heater_a is None:
        return Aspect(
            id="heater",
            verdict="fits",
            words=f"{volts}; one of the currents isn't known",
            find_out="heater voltage true RMS with the donor as load: within 5 % it is well",
        )
    amps = f"{donor.heater_a:g} A against {wanted.heater_a:g} A"
    off = donor.heater_a / wanted.heater_a - 1
    if abs(off) <= limits.HEATER_A_RATIO:
        return Aspect(id="heater", verdict="fits", words=f"{volts}; {amps}")
    more = off > 0
    return Aspect(
        id="heater",
        verdict="adapt",
        words=f"{volts}, but {amps}: the feed will {'sag' if more else 'rise, where a resistor is in it'}",
        do="measure true RMS at its pins with the donor as load; "
        + ("give it a feed of its own if it stays below 5 %" if more else "fit the feed's resistor anew"),
        minutes=limits.RESISTOR_MINUTES,
        cautions=HEATER_CAUTIONS,
    )


def _in_a_string(wanted: Tube, donor: Tube) -> Aspect:
    """A heater in a string with others: its current is what must fit."""
    if donor.heater_a is None or wanted.heater_a is None:
        return Aspect(
            id="heater",
            verdict="unknown",
            words="in a string of heaters the current decides, and it isn't known of both tubes",
            find_out=_HEATER_PAPERS,
            cautions=HEATER_CAUTIONS,
            decisive=True,
        )
    same_a = abs(donor.heater_a / wanted.heater_a - 1) <= limits.HEATER_A_RATIO / 2
    same_v = wanted.heater_v and donor.heater_v and abs(donor.heater_v / wanted.heater_v - 1) <= limits.HEATER_V_RATIO
    amps = f"in a string: donor {donor.heater_a:g} A, string {wanted.heater_a:g} A"
    if same_a and same_v:
        return Aspect(id="heater", verdict="fits", words=amps)
    return Aspect(
        id="heater",
        verdict="adapt",
        words=f"{amps}, donor {donor.heater_v:g} V in place of {wanted.heater_v or 0:g} V",
        do="take the tube out of the string: an insulated transformer of its own for the donor, and a resistor in the "
        "string in place of the old heater that carries its current and heat",
        minutes=limits.WINDING_MINUTES,
        cautions=(*HEATER_CAUTIONS, "hot_chassis"),
    )


def base(wanted: Tube, donor: Tube) -> Aspect:
    """Base and pinout: an equal base says nothing yet of the pins."""
    find = (
        "count the pins, hold base to socket with the tube on the bench, then the data sheet's pinout; an ohmmeter "
        "finds the heater's two pins and no others"
    )
    if wanted.pins and donor.pins:
        return _pins(wanted, donor)
    if wanted.base and donor.base and wanted.base.casefold() != donor.base.casefold():
        return Aspect(
            id="base",
            verdict="adapt",
            words=f"base {donor.base} in place of {wanted.base}",
            do="the donor's own socket, wired electrode by electrode from both data sheets, with its spark gaps and "
            "resistors; before power every pin is proven against the list",
            find_out="" if donor.pins else "its pinout, from its data sheet",
            minutes=limits.SOCKET_MINUTES,
        )
    same = wanted.base and donor.base
    return Aspect(
        id="base",
        verdict="unknown",
        words=f"both have base {donor.base}, but equal bases have many pinouts"
        if same
        else "base or pinout isn't known",
        find_out=find,
        decisive=True,
    )


def _pins(wanted: Tube, donor: Tube) -> Aspect:
    same_base = wanted.base.casefold() == donor.base.casefold()
    every = sorted({*wanted.pins, *donor.pins}, key=lambda pin: (len(pin), pin))
    differing = [pin for pin in every if wanted.pins.get(pin, "").casefold() != donor.pins.get(pin, "").casefold()]
    if same_base and not differing:
        return Aspect(id="base", verdict="fits", words=f"base {donor.base or 'alike'}, all {len(every)} pins alike")
    told = "; ".join(
        f"pin {pin}: {donor.pins.get(pin) or 'none'} in place of {wanted.pins.get(pin) or 'none'}" for pin in differing
    )
    words = told if same_base else f"base {donor.base or '?'} in place of {wanted.base or '?'}; {told or 'pins alike'}"
    return Aspect(
        id="base",
        verdict="adapt",
        words=words,
        do="another socket, or this one rewired from both lists; focus and grid 2 keep their distances and spark gaps; "
        "before power every pin is proven against the list, since focus voltage on a cathode destroys tube and set",
        minutes=limits.SOCKET_MINUTES,
    )


def gun(wanted: Tube, donor: Tube) -> Aspect:
    """In-line, delta, grille or monochrome: nothing turns one into another."""
    names = {"inline": "in-line", "delta": "delta", "grille": "aperture grille", "mono": "monochrome"}
    held = [tube.gun or ("mono" if tube.picture == "mono" else None) for tube in (wanted, donor)]
    colours = {
        tube.picture or ("mono" if tube.gun == "mono" else "colour" if tube.gun else None) for tube in (wanted, donor)
    }
    if colours == {"colour", "mono"}:
        return Aspect(id="gun", verdict="never", words="one tube is colour, the other monochrome")
    if held[0] is None or held[1] is None:
        return Aspect(
            id="gun",
            verdict="unknown",
            words=f"the {'wanted tube' if held[0] is None else 'donor'}'s kind of gun isn't known",
            find_out="look into the neck: three in a row, or in a triangle; stripes or dots on the screen under a lens",
            decisive=True,
        )
    if held[0] == held[1]:
        return Aspect(id="gun", verdict="fits", words=f"both {names[held[0]]}")
    return Aspect(
        id="gun",
        verdict="never",
        words=f"{names[held[1]]} in place of {names[held[0]]}: yoke, rings and convergence belong to the kind of gun",
    )


def grids(wanted: Tube, donor: Tube, figures: SetFigures) -> Aspect:
    """First grids joined or apart."""
    if "mono" in (wanted.gun, donor.gun) or donor.picture == "mono":
        return Aspect(id="g1", verdict="fits", words="one gun, one first grid")
    if donor.g1 is None or wanted.g1 is None:
        return Aspect(
            id="g1",
            verdict="unknown",
            words="whether the first grids are joined isn't known of both tubes",
            find_out="the data sheet: one pin for grid 1, or three",
            decisive=True,
        )
    if donor.g1 == wanted.g1:
        return Aspect(id="g1", verdict="fits", words=f"first grids {donor.g1} on both")
    if donor.g1 == "common":
        return _one_for_three(figures)
    return Aspect(
        id="g1",
        verdict="adapt",
        words="the donor's first grids are apart, the set feeds one",
        do="join the three at the socket; cutoffs are set at the cathodes as before",
        minutes=limits.GRIDS_MINUTES,
    )


def _one_for_three(figures: SetFigures) -> Aspect:
    """A donor with one first grid where the set feeds three."""
    if figures.drive == "grid":
        return Aspect(
            id="g1", verdict="never", words="the picture drives three first grids, and the donor has one for all"
        )
    if figures.drive is None:
        return Aspect(
            id="g1",
            verdict="unknown",
            words="the donor has one first grid, the set feeds three",
            find_out="whether picture and cutoffs reach the cathodes or the first grids: the set's diagram",
            decisive=True,
        )
    return Aspect(
        id="g1",
        verdict="adapt",
        words="the donor has one first grid; the set drives the cathodes but biases three first grids",
        do="feed the one from the middle bias, then cutoffs at the cathodes; where the set has no cutoff controls "
        "there, colours won't track",
        minutes=limits.GRIDS_MINUTES,
    )


def focus(wanted: Tube, donor: Tube, figures: SetFigures) -> Iterator[Aspect]:
    """Kind of focus, and whether the set's control reaches it."""
    if donor.focus is None or wanted.focus is None:
        yield Aspect(
            id="focus",
            verdict="unknown",
            words="the kind of focus isn't known of both tubes",
            find_out="the data sheet; a base with a silo around one pin has high-voltage focus, with two silos two",
        )
    elif donor.focus != wanted.focus:
        pair = {donor.focus, wanted.focus}
        words = f"donor: {_FOCUS_WORDS[donor.focus]}; set: {_FOCUS_WORDS[wanted.focus]}"
        if pair == {"two", "high"}:
            joined = donor.focus == "two"
            yield Aspect(
                id="focus",
                verdict="adapt",
                words=words,
                do="join its two focus pins at the socket; corners may stay softer"
                if joined
                else "feed it from one of the two focus voltages, the one without the dynamic waveform",
                minutes=limits.FOCUS_MINUTES,
                cautions=("eht_live",),
            )
        else:
            yield Aspect(id="focus", verdict="never", words=f"{words}: the set has no such feed")
    else:
        yield _reach(donor, figures)


def _reach(donor: Tube, figures: SetFigures) -> Aspect:
    kind = _FOCUS_WORDS[donor.focus or "high"]
    reach = (figures.focus_low_kv, figures.focus_high_kv)
    if donor.focus_percent is None or figures.eht_kv is None or reach[0] is None or reach[1] is None:
        return Aspect(
            id="focus", verdict="fits", words=f"both {kind}; whether the control reaches it shows when it runs"
        )
    needed = donor.focus_percent / 100 * figures.eht_kv
    words = f"needs {needed:.1f} kV, the control reaches {reach[0]:g} to {reach[1]:g} kV"
    if reach[0] <= needed <= reach[1]:
        return Aspect(id="focus", verdict="fits", words=words)
    return Aspect(
        id="focus",
        verdict="adapt",
        words=words,
        do="another focus divider made for that voltage; the anode voltage is never moved to bring focus in",
        minutes=limits.FOCUS_MINUTES,
        cautions=("eht_live",),
    )
