"""The words of the anode voltage's guard: what changes, what follows, and the limit as the regulation has it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Final

from tubewright.answers.assessment import Figure, Spread, Unknown

if TYPE_CHECKING:
    from tubewright.answers.eht import AnodeChange, LineStage

REGULATION: Final = (
    "X-rays: a television receiver may give off no more than 0.5 mR/h at 5 cm from any point of its outer surface "
    "(21 CFR 1020.10, for those made after 15 January 1970), at up to 130 V of mains (sets for 110 to 120 V) "
    "or 110 % "
    "of nominal (others), with all controls, service controls too, at their worst."
)
"""The limit, as the regulation has it."""

VERIFIED: Final = (
    "Scope, dates and test voltages were read in the regulation's text. Its paragraph with the limit was not "
    "at hand: "
    "the figure is from memory, and agrees with NCRP Statement 3 (1968), which was read. Your country may have "
    "its own."
)
"""What of it was seen, and what was not."""

NAMES: Final = {
    "bplus": "B+",
    "tuning": "the retrace tuning capacitance",
    "line": "the line rate",
    "yoke": "the yoke's inductance",
    "width_coil": "the width coil's inductance",
}
_UNITS: Final = {"bplus": "V", "tuning": "nF", "line": "kHz", "yoke": "mH", "width_coil": "mH"}


def by(ratio: Figure) -> str:
    """How much a ratio is, in percent."""
    if isinstance(ratio, Unknown):
        return "an amount that can't be told"
    low, high = (100 * (part - 1) for part in (ratio.p10, ratio.p90))
    return f"{high:.1f} %" if high - low < 0.1 else f"{low:.1f} to {high:.1f} %"


def change_words(
    stage: LineStage, steps: Mapping[str, tuple[float | None, float]], found: AnodeChange
) -> Iterator[str]:
    """What a weighed change does, line by line.

    Args:
        stage: As it was measured.
        steps: What changes, by name: what it is now and what it would be.
        found: What :func:`~tubewright.answers.eht.weigh_change` found.
    """
    said = [
        f"{NAMES[name]} {'from ' + format(now, 'g') if now is not None else ''} to {then:g} {_UNITS[name]}".replace(
            "  ", " "
        )
        for name, (now, then) in steps.items()
    ]
    if said:
        yield f"The change: {'; '.join(said)}."
    ratio = found.ratio
    if isinstance(ratio, Spread) and steps:
        change = 100 * (ratio.median - 1)
        if found.effect == "keeps":
            yield "The anode voltage would stay as it is."
        elif found.effect == "unknown":
            yield f"Whether the anode voltage would rise or fall can't be told: {by(ratio)}."
        else:
            low, high = sorted(abs(100 * (part - 1)) for part in (ratio.p10, ratio.p90))
            span = "" if high - low < 0.1 else f" ({low:.1f} to {high:.1f} %)"
            yield f"The anode voltage would {'rise' if change > 0 else 'fall'} by {abs(change):.1f} %{span}."
    elif isinstance(ratio, Unknown) and steps:
        way = {"raises": "rise", "lowers": "fall"}.get(found.effect)
        yield (
            f"The anode voltage would {way}, " if way else "Whether the anode voltage rises can't be told, "
        ) + f"by how much can't be told: {ratio.reason}. What would tell: {ratio.would_settle}."
    if found.retrace_before_us is not None and found.retrace_after_us is not None:
        yield f"Retrace: {found.retrace_before_us:.2f} µs now, {found.retrace_after_us:.2f} µs afterwards."
    if found.peak_before_v is not None and found.peak_after_v is not None:
        yield f"Pulse at the output transistor: {found.peak_before_v:.0f} V now, {found.peak_after_v:.0f} V afterwards."
    after = found.after_kv
    if steps and isinstance(after, Spread):
        rated = f"; the rating is {stage.eht_limit_kv:g} kV" if stage.eht_limit_kv is not None else ""
        yield f"Anode voltage afterwards: {after.median:.1f} kV ({after.p10:.1f} to {after.p90:.1f} kV){rated}."
    elif steps and isinstance(after, Unknown):
        yield f"Anode voltage afterwards: not known, {after.reason}. What would tell: {after.would_settle}."
    if "tuning" in steps:
        yield "The tuning capacitor is replaced only by the value, kind and voltage that it was designed with."
    if "line" in steps:
        yield "A line rate that the set isn't made for can destroy its output stage, whatever the anode voltage does."
    yield (
        "This is arithmetic, no permission: the figures are as good as what was typed. Measure the anode voltage at "
        "zero beam, from low B+ upwards, and prove that the protection trips."
    )
    yield REGULATION
    yield VERIFIED
