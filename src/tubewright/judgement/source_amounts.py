"""A source's levels, terminations and coupling against what a display's input wants."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator

from tubewright.judgement.source_checks import Check, Kit, Says, Subject
from tubewright.judgement.source_levels import DisplaySide, Pad, SourceSide, design_pad
from tubewright.knowledge.model import Knowledge
from tubewright.physics import signal_lines
from tubewright.physics.preferred_values import nearest


def sync_level(source: SourceSide, display: DisplaySide, knowledge: Knowledge) -> Iterator[Check]:
    """The swing of sync at the input."""
    if source.sync != display.sync or source.sync is None:
        return  # a converter stands between, with levels of its own
    low, high = source.sync_low_v_pp, source.sync_high_v_pp
    behind, stated = source.sync_source_ohm, source.sync_load_ohm
    if low is None or high is None or behind is None or stated is None:
        words, settle = (
            "The swing of the source's sync is not known.",
            "Measure it with a scope at the input, connected.",
        )
        yield Check(subject="sync_level", says="unknown", words=words, settle=settle)
        return
    least = display.high_v
    if least is None:
        words, settle = "The level that the display's sync input takes is not known.", "Read its service papers."
        yield Check(subject="sync_level", says="unknown", words=words, settle=settle)
        return
    logic = least >= knowledge.value("sync_logic_v")
    most = knowledge.value("sync_most_v_pp") if logic else least * knowledge.value("sync_small_most_ratio")
    load = display.sync_ohm or knowledge.value("logic_input_ohm" if logic else "line_impedance_ohm")
    emfs = [float(signal_lines.emf_v(swing, behind, stated)) for swing in (low, high)]
    at = [float(signal_lines.level_into_v(emf, behind, load)) for emf in emfs]
    found = _weighed_sync(at, emfs, (least, most), load, source, knowledge)
    if display.low_v and logic:
        words = f"{found.words} Its low must lie at {display.low_v:.3g} V or less, which a swing alone doesn't show."
        found = dataclasses.replace(found, words=words)
    yield found


def _weighed_sync(
    at: list[float],
    emfs: list[float],
    window: tuple[float, float],
    load: float,
    source: SourceSide,
    knowledge: Knowledge,
) -> Check:
    least, most = window
    behind, stated = source.sync_source_ohm or 0.0, source.sync_load_ohm or load
    words = f"Sync comes to {_range(*at)} at the input's {load:.4g} ohm; it takes {least:.3g} to {most:.3g} V"
    if at[0] >= least and at[1] <= most:
        return _level_check("sync_level", "fits", f"{words}.", at)
    if at[1] > most:
        target = math.sqrt(least * most)
        pad = design_pad(*emfs, source_ohm=behind, wants_ohm=stated, load_ohm=load, target_v_pp=target)
        if pad is not None and pad.low_v_pp >= least and pad.high_v_pp <= most:
            strong = ""
            if pad.peak_ma > knowledge.value("logic_drive_ma") and stated > 2 * load:
                strong = f" It draws {pad.peak_ma:.2g} mA: put a buffer before it if the source is an ordinary gate."
            text = f"{words}: too much. {pad_words(pad)}{strong}"
            return _level_check("sync_level", "add", text, at, add="attenuator", pad=pad)
        text = f"{words}: too much, and over its spread no plain divider brings it within. A buffer sets the level."
        return _level_check("sync_level", "add", text, at, add="buffer")
    need = f"{least / at[0]:.2g} times as much at the least"
    if least >= knowledge.value("sync_logic_v"):
        text = f"{words}: too little. A buffer that turns it into logic levels; {need}."
        return _level_check("sync_level", "add", text, at, add="buffer")
    return _level_check("sync_level", "add", f"{words}: too little. An amplifier; {need}.", at, add="amplifier")


def _level_check(
    subject: Subject, says: Says, words: str, at: list[float], *, add: Kit | None = None, pad: Pad | None = None
) -> Check:
    return Check(
        subject=subject,
        says=says,
        words=words,
        add=add,
        pad=pad,
        level_v_pp=(at[0] + at[1]) / 2,
        low_v_pp=at[0],
        high_v_pp=at[1],
    )


def _range(low: float, high: float) -> str:
    return f"{low:.3g} V" if math.isclose(low, high, rel_tol=0.01) else f"{low:.3g} to {high:.3g} V"


def pad_words(pad: Pad) -> str:
    """An attenuator in words, with what comes out of it."""
    across = f" and {_ohms(pad.shunt_ohm)} across the input" if pad.shunt_ohm is not None else ""
    return (
        f"An attenuator: {_ohms(pad.series_ohm)} in series{across} gives {pad.level_v_pp:.3g} V, between "
        f"{pad.low_v_pp:.3g} and {pad.high_v_pp:.3g} V; the source sees {_ohms(pad.seen_ohm)}."
    )


def _ohms(ohm: float) -> str:
    return f"{ohm / 1000:.3g} kohm" if ohm >= 1000 else f"{ohm:.3g} ohm"


def video_level(source: SourceSide, display: DisplaySide, knowledge: Knowledge) -> Iterator[Check]:
    """White at the colour inputs."""
    gives, behind, stated = source.video_v_pp, source.video_source_ohm, source.video_load_ohm
    wants, load = display.video_v_pp, display.video_ohm
    if source.colour == "encoded":
        return  # the decoder has levels of its own
    if gives is None or behind is None or stated is None:
        words, settle = "The amplitude of the source's colours is not known.", "Measure white with a scope, connected."
        yield Check(subject="video_level", says="unknown", words=words, settle=settle)
        return
    if wants is None or load is None:
        words = (
            f"The {'amplitude' if wants is None else 'termination'} that the display's colour inputs have is not known."
        )
        settle = "Read its service papers; measure the inputs to ground with everything off."
        yield Check(subject="video_level", says="unknown", words=words, settle=settle)
        return
    own = knowledge.value("source_level_share")
    end = _all_loads(load, display, knowledge)
    emf = float(signal_lines.emf_v(gives, behind, stated))
    at = [float(signal_lines.level_into_v(emf * (1 + side * own), behind, end)) for side in (-1, 1)]
    level = float(signal_lines.level_into_v(emf, behind, end))
    words = f"White comes to {level:.3g} V ({_range(*at)}) at the input's {_ohms(end)}; it wants {wants:.3g} V"
    share = knowledge.value("video_level_share")
    ended = _level_once_ended(source, display, knowledge)
    if abs(level / wants - 1) <= share:
        yield _level_check("video_level", "fits", f"{words}.", at)
    elif ended is not None and abs(ended / wants - 1) <= share:
        text = f"{words}. With the lines ended rightly it is {ended:.3g} V, and fits."
        yield _level_check("video_level", "mind", text, at)
    elif level > wants:
        pad = design_pad(
            emf * (1 - own), emf * (1 + own), source_ohm=behind, wants_ohm=stated, load_ohm=end, target_v_pp=wants
        )
        tail = pad_words(pad) if pad is not None else "A buffer with a gain below one."
        text = f"{words}: {level / wants:.2g} times too much. {tail} One for each colour."
        yield _level_check("video_level", "add", text, at, add="attenuator" if pad is not None else "buffer", pad=pad)
    else:
        band = ""
        if source.pixel_clock_hz:
            band = f", {source.pixel_clock_hz / 2e6:.3g} MHz of bandwidth at the least"
        # The amplifier ends the source's own line as that wants it.
        gain = wants / float(signal_lines.level_into_v(emf, behind, stated))
        text = f"{words}: too little. An amplifier for each colour, gain {gain:.2g}, its input ended with "
        yield _level_check("video_level", "add", f"{text}{_ohms(stated)}{band}.", at, add="amplifier")


def _level_once_ended(source: SourceSide, display: DisplaySide, knowledge: Knowledge) -> float | None:
    """White at the input once its lines end in their own impedance; ``None`` where they do, or needn't."""
    line, near = knowledge.value("line_impedance_ohm"), knowledge.value("termination_share")
    behind, stated, load = source.video_source_ohm, source.video_load_ohm, display.video_ohm
    if source.video_v_pp is None or behind is None or stated is None or load is None:
        return None
    end = _all_loads(load, display, knowledge)
    if max(abs(behind / line - 1), abs(stated / line - 1)) > near or abs(end / line - 1) <= near:
        return None
    emf = signal_lines.emf_v(source.video_v_pp, behind, stated)
    return float(signal_lines.level_into_v(emf, behind, line))


def _all_loads(load: float, display: DisplaySide, knowledge: Knowledge) -> float:
    line = knowledge.value("line_impedance_ohm")
    for _ in range(display.more_loads):
        load = float(signal_lines.parallel_ohm(load, line))
    return load


def termination(source: SourceSide, display: DisplaySide, knowledge: Knowledge) -> Iterator[Check]:
    """Whether the colour lines end in their own impedance."""
    line = knowledge.value("line_impedance_ohm")
    behind, load = source.video_source_ohm, display.video_ohm
    if behind is None or load is None or source.video_load_ohm is None:
        return  # said with the level already
    near = knowledge.value("termination_share")
    if abs(behind / line - 1) > near or abs(source.video_load_ohm / line - 1) > near:
        return  # a source that drives no matched line
    end = _all_loads(load, display, knowledge)
    if abs(end / line - 1) <= near:
        words = f"The colour lines end in {_ohms(end)}, as {line:g} ohm lines want."
        yield Check(subject="termination", says="fits", words=words)
        return
    ended, wants = _level_once_ended(source, display, knowledge), display.video_v_pp
    if ended is not None and wants is not None and abs(ended / wants - 1) > knowledge.value("video_level_share"):
        return  # an amplifier or attenuator stands between, and ends the lines itself
    echo = 100 * abs(float(signal_lines.echo_share(end, line)))
    emf = 2 * (source.video_v_pp or 0.0)
    level = float(signal_lines.level_into_v(emf, behind, end)) if emf else None
    came = f" {source.video_v_pp:.3g} V become {level:.3g} V." if level is not None else ""
    if end < line:
        words = f"The colour lines end in {_ohms(end)}: more than one termination. {echo:.0f} % comes back as an echo."
        yield Check(
            subject="termination",
            says="add",
            words=f"{words}{came} Leave one, at the far end of the line.",
            add="less_load",
            level_v_pp=level,
        )
        return
    exact = 1 / (1 / line - 1 / end)
    fit = float(nearest(exact, "E24"))
    words = f"The colour lines end in {_ohms(end)}: no termination. {echo:.0f} % comes back as an echo."
    yield Check(
        subject="termination",
        says="add",
        words=f"{words}{came} Fit {_ohms(fit)} across each input (exactly {exact:.3g} ohm).",
        add="resistor",
        level_v_pp=level,
    )


def coupling(source: SourceSide, display: DisplaySide, knowledge: Knowledge) -> Iterator[Check]:
    """What coupling capacitors do to black."""
    capacitance, field = source.coupling_uf, source.field_hz
    if not capacitance:
        return
    behind, load = source.video_source_ohm, display.video_ohm
    if display.clamps is None:
        words = "The source's colours come through capacitors; whether the display clamps black is not known."
        settle = "Read its papers, or show a white picture after a black one: without a clamp black moves."
        yield Check(subject="coupling", says="unknown", words=words, settle=settle)
    elif not display.clamps:
        words = (
            "The source's colours come through capacitors and the display doesn't clamp: black moves with the picture."
        )
        yield Check(subject="coupling", says="add", words=words, add="clamp")
    if behind is None or load is None or field is None:
        return
    through, most = behind + load, knowledge.value("field_tilt_share")
    tilt = float(signal_lines.coupling_tilt(through, capacitance * 1e-6, 1 / field))
    words = f"{capacitance:g} µF into {_ohms(through)} lets a field tilt by {100 * tilt:.0f} %"
    if tilt <= most:
        yield Check(subject="coupling", says="fits", words=f"{words}.")
    elif display.clamps:
        # A clamp sets black anew in every line, and a line is short.
        yield Check(
            subject="coupling", says="fits", words=f"{words}, which the display's clamp takes out line by line."
        )
    else:
        needed = 1e6 * float(signal_lines.coupling_f(through, most, 1 / field))
        yield Check(subject="coupling", says="mind", words=f"{words}; {needed:.2g} µF keep it to {100 * most:.0f} %.")
