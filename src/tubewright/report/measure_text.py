"""A measurement in words: what was found first, then the figures, what could not be told, and the photographs."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from tubewright.answers.measurement import (
    EDGES,
    ZONE_WORDS,
    ZONES,
    Check,
    Convergence,
    Figure,
    Focus,
    Geometry,
    GunLaw,
    Hum,
    Known,
    Measurement,
    PhotoNote,
    Scale,
    SeenFinding,
    TopCurl,
    Tracking,
    Unsupported,
    decimals,
    said,
    signed,
)
from tubewright.report import wording
from tubewright.report.describe import Block, Column, Listing, Paragraph, Table
from tubewright.report.measure_summary import capital, sentence, summary
from tubewright.report.text import blocks_to_text

_FRINGES = {
    "tags": "The lens's own colour fringes were taken off by the printed tags.",
    "two_shots": "The lens's own colour fringes were taken off by the two shots.",
    "not_separated": "The lens's own colour fringes could not be told from the tube's errors; they are in the ±. "
    "The printed tags would separate them, or a second shot with the picture at the other side of the frame.",
}
_REFERENCE = {"tags": "by the printed tags", "picture_size": "by the picture size that was given"}
_PATTERN = {"survey": "the survey", "survey_light": "the survey for light", "": "no pattern of ours"}
_PARTS = {
    "scale": "size",
    "convergence": "convergence",
    "geometry": "geometry",
    "top_curl": "top curl",
    "hum": "hum",
    "focus": "focus",
    "purity": "purity",
    "tracking": "tracking and strength of the guns",
    "wear": "wear",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A titled part of a measurement in words."""

    title: str
    blocks: tuple[Block, ...]


def describe_measurement(
    answer: Measurement,
    checks: Sequence[Check] = (),
    findings: Sequence[SeenFinding] = (),
    *,
    cautions: Sequence[str] = (),
) -> tuple[Part, ...]:
    """The measurement as titled parts, which every door sets in its own way.

    Args:
        answer: What ``measure`` gave.
        checks: Its figures against their targets.
        findings: What it offers to the diagnosis.
        cautions: What to mind where tags are laid beside the glass; shown before they are proposed.

    Returns:
        The parts in the order in which they are read; those that would be empty are left out.
    """
    if not answer.accepted:
        better = [Paragraph(text=sentence(answer.shoot_better))] if answer.shoot_better else []
        parts = [
            Part(title="Not measured", blocks=(Paragraph(text=sentence(answer.refused_because), strong=True), *better))
        ]
        if len(answer.photos) > 1:
            parts.append(_photographs(answer))
        return tuple(parts)
    parts = [
        Part(title="What was found", blocks=tuple(_found(answer, findings))),
        Part(title="Convergence", blocks=tuple(_convergence(answer.convergence))),
        Part(title="Against the targets", blocks=tuple(_targets(checks))),
        Part(title="Shape and focus", blocks=tuple(_shape(answer))),
        Part(title="Each gun's light", blocks=tuple(_guns(answer.tracking))),
        Part(title="What these photographs can't tell", blocks=tuple(_untold(answer, cautions))),
        _photographs(answer),
    ]
    return tuple(part for part in parts if part.blocks)


def measurement_to_text(
    answer: Measurement,
    checks: Sequence[Check] = (),
    findings: Sequence[SeenFinding] = (),
    *,
    cautions: Sequence[str] = (),
    width: int = 80,
    colour: bool = False,
) -> str:
    """The measurement as text for a terminal; lines no longer than ``width`` where their words allow."""
    set_parts = [
        blocks_to_text([Paragraph(text=part.title.upper(), strong=True), *part.blocks], width=width, colour=colour)
        for part in describe_measurement(answer, checks, findings, cautions=cautions)
    ]
    return "\n".join(set_parts)


def _found(answer: Measurement, findings: Sequence[SeenFinding]) -> Iterator[Block]:
    yield Paragraph(text=summary(answer), strong=True)
    present = [finding.words for finding in findings if finding.state == "present"]
    if present:
        yield Paragraph(text="Beyond what is let pass, and offered to the diagnosis:")
        yield Listing(items=tuple(capital(words) for words in present))
    elif findings:
        yield Paragraph(text="No measured figure is surely beyond what is let pass.")
    left_out = [photo for photo in answer.photos if photo.refused_because]
    if left_out:
        names = wording.listed([photo.name for photo in left_out])
        yield Paragraph(text=f"Left out: {names}; the reasons stand below.")


def _convergence(found: Convergence | Unsupported) -> Iterator[Block]:
    if isinstance(found, Unsupported):
        return
    if isinstance(found.red_minus_green, Unsupported) and isinstance(found.blue_minus_green, Unsupported):
        return
    rows = []
    for zone in ZONES:
        cells = [ZONE_WORDS[zone]]
        spreads = []
        for field in (found.red_minus_green, found.blue_minus_green):
            vector = None if isinstance(field, Unsupported) else field.get(zone)
            cells += [wording.NOT_KNOWN] * 2 if vector is None else [signed(vector.x_mm), signed(vector.y_mm)]
            spreads += [] if vector is None else [vector.sd_mm]
        rows.append((*cells, f"{max(0.01, *spreads):.2f}" if spreads else wording.NOTHING))
    yield Table(
        caption="Where red and blue stand against green, mm as the viewer sees it: right and down are positive.",
        columns=(
            Column(heading="zone"),
            Column(heading="red right", figures=True),
            Column(heading="red down", figures=True),
            Column(heading="blue right", figures=True),
            Column(heading="blue down", figures=True),
            Column(heading="±", figures=True),
        ),
        rows=tuple(rows),
    )
    yield Paragraph(text=_FRINGES[found.fringes])


def _targets(checks: Sequence[Check]) -> Iterator[Block]:
    worst: dict[tuple[str, str], Check] = {}
    for check in checks:
        if isinstance(check.found, Unsupported) or not check.source.startswith("target_"):
            continue
        key = (check.symptom, check.source)
        if key not in worst or (check.chance_beyond() or 0, _size(check)) > (
            worst[key].chance_beyond() or 0,
            _size(worst[key]),
        ):
            worst[key] = check
    # A figure that serves two symptoms is shown once.
    rows = dict.fromkeys(_row(check) for check in worst.values())
    if not rows:
        return
    yield Table(
        caption="The worst of each kind against what is let pass, which scales with the size of the picture.",
        columns=(
            Column(heading="what"),
            Column(heading="found", figures=True),
            Column(heading="let pass", figures=True),
            Column(heading="that is"),
        ),
        rows=tuple(rows),
    )
    yield Paragraph(
        text="Open: the spread reaches across the target. The targets are common practice or estimates of the trade, "
        "for an in-line gun unless another was named; the command sources lists each with its origin."
    )


def _size(check: Check) -> float:
    if isinstance(check.found, Unsupported):
        return 0.0
    return abs(check.found.value) / check.reference * (-1 if check.least else 1)


def _row(check: Check) -> tuple[str, str, str, str]:
    assert isinstance(check.found, Figure)  # noqa: S101  the others were left out
    beyond = check.chance_beyond() or 0.0
    verdict = "beyond" if beyond >= 0.95 else "within" if beyond <= 0.05 else "open"
    limit = f"{'at least' if check.least else 'up to'} {wording.rounded(check.reference)} {check.unit}"
    return check.about, said(check.found), limit, verdict


def _shape(answer: Measurement) -> Iterator[Block]:
    rows: list[tuple[str, str]] = []
    if isinstance(answer.geometry, Geometry):
        shape = answer.geometry
        named: list[tuple[str, Known | None, str]] = [
            *((f"inward bow, {edge} edge", shape.pincushion_pct.get(edge), "%") for edge in EDGES),
            ("top wider than bottom", shape.trapezoid_h_pct, "%"),
            ("left taller than right", shape.trapezoid_v_pct, "%"),
            ("tilt, clockwise", shape.rotation_deg, "°"),
            ("lean of uprights against levels", shape.parallelogram_deg, "°"),
            ("bow of the upright axis, to the right", shape.bow_vertical_axis_pct, "%"),
            ("bow of the level axis, downwards", shape.bow_horizontal_axis_pct, "%"),
            ("column widths, largest less smallest", shape.linearity_h_pct, "%"),
            ("row heights, largest less smallest", shape.linearity_v_pct, "%"),
            *((f"hidden at the {edge}", shape.overscan_pct.get(edge), "%") for edge in EDGES),
            ("radius of the glass", shape.glass_radius_mm, "mm"),
        ]
        rows += [(name, said(known, unit)) for name, known, unit in named if isinstance(known, Figure)]
    if isinstance(answer.focus, Focus):
        focus, before = answer.focus, len(rows)
        for name, zones in (("width", focus.spot_h_mm), ("height", focus.spot_v_mm)):
            for zone in ("centre", "top_left", "bottom_right"):
                known = zones.get(zone)
                if isinstance(known, Figure):
                    rows.append((f"{name} of the spot, {ZONE_WORDS[zone]}", said(known, "mm")))
        if focus.camera_blur == "included" and len(rows) > before:
            rows.append(("the camera's own blur", "still in the spot"))
    if rows:
        yield Table(caption="", columns=(Column(heading="what"), Column(heading="found")), rows=tuple(rows))


def _guns(found: Tracking | Unsupported) -> Iterator[Block]:
    if isinstance(found, Unsupported):
        return
    laws = [(gun, law) for gun, law in found.guns.items() if isinstance(law, GunLaw)]
    if not laws:
        return
    yield Table(
        caption="How each gun's light follows its drive; drives and light are shares of those at full drive.",
        columns=(
            Column(heading="gun"),
            Column(heading="gamma", figures=True),
            Column(heading="dark below", figures=True),
            Column(heading="bends from", figures=True),
            Column(heading="falls behind by", figures=True),
            Column(heading="reserve", figures=True),
            Column(heading="strength", figures=True),
        ),
        rows=tuple(
            (
                gun,
                _bare(law.gamma_ratio),
                _percent(law.black_drive_ratio),
                wording.NOTHING if law.bends_at_ratio is None else _percent(law.bends_at_ratio),
                _percent(law.shortfall_ratio),
                _reserve(law),
                _percent(law.strength_ratio),
            )
            for gun, law in laws
        ),
    )
    yield Paragraph(
        text="Reserve: what the cathode can supply over what full drive asks of it, where the bend tells it; else what "
        "it surely (95 %) exceeds. Strength: light at full drive over that in the middle grey, against the gun where "
        "this is largest; it tells which gun can't follow to the top, not which is pale throughout."
    )
    seen = [
        f"{gun} {said(replace(law.shortfall_ratio, value=max(law.shortfall_ratio.value, 0.0)))}"
        for gun, law in laws
        if isinstance(law.shortfall_ratio, Figure)
    ]
    if seen:
        told = f"What falls behind is evidence for a verdict, as value and spread of shortfall_seen: {', '.join(seen)}."
        yield Paragraph(text=told)


def _bare(known: Known) -> str:
    """A figure without its spread."""
    return f"{known.value:.{min(2, decimals(known.sd))}f}" if isinstance(known, Figure) else wording.NOT_KNOWN


def _percent(known: Known) -> str:
    return f"{round(100 * known.value) + 0} %" if isinstance(known, Figure) else wording.NOT_KNOWN


def _reserve(law: GunLaw) -> str:
    if isinstance(law.emission_reserve, Figure):
        return said(law.emission_reserve)
    if law.reserve_at_least is None:
        return wording.NOT_KNOWN
    # Rounded down: a bound must stay one.
    return f"over {math.floor(10 * law.reserve_at_least) / 10:.1f}"


def _untold(answer: Measurement, cautions: Sequence[str]) -> Iterator[Block]:
    """What is missing, by reason: several figures often lack for one cause."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for name, why in _missing(answer):
        reasons.setdefault((why.reason, why.would_settle), []).append(name)
    items = tuple(
        f"{capital(wording.listed(names))}: {sentence(reason)} What would settle it: {sentence(settle)}"
        for (reason, settle), names in reasons.items()
    )
    if any("tags" in item for item in items) and cautions:
        yield Paragraph(text="Before tags are laid beside the glass:")
        yield Listing(items=tuple(cautions))
    if items:
        yield Listing(items=items)


def _missing(answer: Measurement) -> Iterator[tuple[str, Unsupported]]:
    for name, words in _PARTS.items():
        part = getattr(answer, name)
        if isinstance(part, Unsupported):
            yield words, part
    named: list[tuple[str, object]] = []
    if isinstance(answer.convergence, Convergence):
        found = answer.convergence
        named += [("red against green", found.red_minus_green), ("blue against green", found.blue_minus_green)]
    if isinstance(answer.geometry, Geometry):
        shape = answer.geometry
        named += [
            ("trapezoid", shape.trapezoid_h_pct),
            ("trapezoid from left to right", shape.trapezoid_v_pct),
            ("tilt", shape.rotation_deg),
            ("lean", shape.parallelogram_deg),
            ("bow of the upright axis", shape.bow_vertical_axis_pct),
            ("bow of the level axis", shape.bow_horizontal_axis_pct),
            ("linearity across", shape.linearity_h_pct),
            ("linearity down", shape.linearity_v_pct),
            *((f"bow of the {edge} edge", known) for edge, known in shape.pincushion_pct.items()),
        ]
    if isinstance(answer.hum, Hum):
        named += [
            ("sway by hum", answer.hum.displacement_mm),
            ("swing of light by hum", answer.hum.brightness_pct),
        ]
    if isinstance(answer.tracking, Tracking):
        named += [(f"the law of {gun}", law) for gun, law in answer.tracking.guns.items()]
    if isinstance(answer.top_curl, TopCurl):
        named += [
            ("height of the curl", answer.top_curl.amplitude_mm),
            ("settling of the curl", answer.top_curl.settle_lines),
        ]
    yield from ((words, known) for words, known in named if isinstance(known, Unsupported))


def _photographs(answer: Measurement) -> Part:
    items = [_photo(photo) for photo in answer.photos]
    blocks: list[Block] = [Listing(items=tuple(items))]
    facts = []
    if answer.raster is not None:
        facts.append(f"The pattern is {_PATTERN[answer.pattern]} on the raster {answer.raster.name}.")
    if answer.rotated_deg is not None:
        mirror = ", seen in a mirror" if answer.mirrored else ""
        facts.append(
            f"The picture is turned by {round(answer.rotated_deg, 1) + 0.0:.1f}° clockwise in the photograph{mirror}."
        )
    if isinstance(answer.scale, Scale):
        scale = answer.scale
        facts.append(
            f"The picture is {scale.width_mm.value:.0f} x {scale.height_mm.value:.0f} mm, "
            f"{_REFERENCE[scale.reference]}; a pixel of the photograph is {said(scale.mm_per_px)} mm."
        )
    facts += [sentence(note) for note in answer.notes]
    if facts:
        blocks.append(Paragraph(text=" ".join(facts)))
    if answer.quality is not None and answer.quality.warnings:
        blocks.append(Paragraph(text="What lowers their worth:"))
        blocks.append(Listing(items=tuple(capital(words) for words in answer.quality.warnings)))
    return Part(title="The photographs", blocks=tuple(blocks))


def _photo(photo: PhotoNote) -> str:
    if photo.refused_because:
        return f"{photo.name}: left out. {sentence(photo.refused_because)} {sentence(photo.shoot_better)}".rstrip()
    used = wording.listed([_PARTS.get(name, name) for name in photo.used_for])
    return f"{photo.name}: {_PATTERN[photo.pattern]}" + (f"; used for {used}" if used else "")
