"""What both sheets of a job share: their ground in the typesetter's language, bars, pictures, and plain data."""

from __future__ import annotations

import datetime as dt
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from tubewright.report.papers import picture_svg
from tubewright.report.proof_charts import BarChart
from tubewright.report.proof_maps import Maps


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A photograph to be set: its bytes as they are kept."""

    data: bytes
    media_type: str


def picture_data(picture: Picture | None) -> dict[str, Any] | None:
    """A photograph as data for the typesetter; None where it can't be read."""
    if picture is None:
        return None
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(io.BytesIO(picture.data)) as image:
            width, height = image.size
            if image.format not in {"JPEG", "PNG"} or width < 2 or height < 2:
                return None
            image.load()
    except (OSError, ValueError, UnidentifiedImageError, Image.DecompressionBombError):
        return None
    kind = "image/png" if picture.data[:4] == b"\x89PNG" else "image/jpeg"
    return {"svg": picture_svg(picture.data, kind, width, height), "aspect": width / height}


def map_data(maps: Maps | None, drawn: Mapping[str, Any] | None = None) -> dict[str, Any] | None:
    """A pair of error maps as data."""
    if maps is None:
        return dict(drawn) if drawn else None
    return {
        "title": maps.title,
        "key": maps.key,
        "aspect": maps.aspect_ratio,
        **{side: {"svg": maps.svg[side], "words": maps.words[side]} for side in ("before", "after")},
    }


def bars_data(chart: BarChart) -> dict[str, Any]:
    """Bars over an axis, everything as shares of the axis's length."""
    step = _step(chart.top)
    ticks = [n * step for n in range(int(chart.top / step) + 1)]

    def share(value: float) -> float:
        return min(1.0, max(0.0, value / chart.top))

    return {
        "title": chart.title,
        "unit": chart.unit,
        "words": chart.words,
        "wanted": share(chart.wanted) if chart.wanted <= chart.top else None,
        "wanted_words": chart.wanted_words,
        "ticks": [{"at": share(tick), "text": f"{tick:g}"} for tick in ticks],
        "bars": [
            {
                "about": bar.about,
                "side": bar.side,
                "low": share(bar.p10),
                "middle": share(bar.median),
                "high": share(bar.p90),
                "beyond": bar.p90 > chart.top,
            }
            for bar in chart.bars
        ],
    }


def _step(top: float) -> float:
    """The nearest of 1, 2 and 5 times a power of ten that divides an axis in about five."""
    about = max(top, 1e-6) / 5
    power = 10.0 ** math.floor(math.log10(about))
    return next((power * n for n in (1, 2, 5) if power * n >= about * 0.999), 10 * power)


def day(at: dt.datetime) -> str:
    """A date as papers bear it, in UTC, so that a paper printed again bears the same."""
    moment = at.astimezone(dt.UTC) if at.tzinfo else at
    return f"{moment.day} {MONTHS[moment.month - 1]} {moment.year}"


def clock(at: dt.datetime) -> str:
    """Date and time, in UTC."""
    moment = at.astimezone(dt.UTC) if at.tzinfo else at
    return f"{moment:%Y-%m-%d %H:%M}"


MONTHS: Final[Sequence[str]] = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


PARTS: Final = """
#let paper = json(bytes(sys.inputs.paper))
#let quiet = luma(38%)
#let rule = line(length: 100%, stroke: 0.4pt + luma(60%))
#let ink-before = rgb("#4a5878")
#let ink-after = rgb("#5b3f9a")
#let small(body) = text(size: 0.86em, fill: quiet, body)
#let paragraphs(words) = for one in words.split("\\n").filter(one => one.trim() != "") { par(one) }
#let points(items) = if items.len() > 0 { list(..items.map(one => [#one])) }

// One figure with its spread: a soft bar from the 10 to the 90 % point, and a mark at the middle.
#let bars(chart, label-width: 27mm, row: 4.6mm) = {
  let rows = chart.bars
  let high = row * calc.max(rows.len(), 1)
  figure(alt: chart.title + ". " + chart.words, kind: "bars", supplement: none, numbering: none, gap: 0mm,
    block(width: 100%, height: high + 9.5mm, layout(size => {
      let long = size.width - label-width - 4mm
      let at(share) = label-width + share * long
      for tick in chart.ticks {
        place(dx: at(tick.at), dy: 4mm, line(angle: 90deg, length: high + 0.6mm, stroke: 0.3pt + luma(82%)))
        place(dx: at(tick.at) - 8mm, dy: 4mm + high + 1.2mm,
          box(width: 16mm, align(center, text(size: 7.4pt, fill: quiet, tick.text))))
      }
      if chart.wanted != none {
        let x = at(chart.wanted)
        place(dx: x, dy: 3.2mm, line(angle: 90deg, length: high + 1.2mm,
          stroke: (paint: black, thickness: 0.7pt, dash: "dashed")))
        let wide = measure(text(size: 7.4pt, chart.wanted_words)).width
        let left = calc.min(calc.max(x - wide / 2, 0mm), size.width - wide)
        place(dx: left, dy: 0mm, text(size: 7.4pt, chart.wanted_words))
      }
      for (n, bar) in rows.enumerate() {
        let y = 4mm + row * (n + 0.5)
        let ink = if bar.side == "before" { ink-before } else { ink-after }
        place(dx: 0mm, dy: y - 1.5mm, box(width: label-width - 2mm, align(right,
          text(size: 8pt, if bar.side == "before" [#bar.about before] else [after]))))
        place(dx: at(bar.low), dy: y - 0.75mm,
          rect(width: calc.max(0.6, (bar.high - bar.low) * 100) / 100 * long, height: 1.5mm, radius: 0.7mm,
            fill: ink.lighten(52%), stroke: none))
        if bar.side == "before" {
          place(dx: at(bar.middle) - 1.05mm, dy: y - 1.05mm, circle(radius: 1.05mm, fill: ink, stroke: none))
        } else {
          place(dx: at(bar.middle) - 1.1mm, dy: y - 1.1mm, rotate(45deg, rect(width: 2.2mm, height: 2.2mm,
            fill: ink, stroke: none)))
        }
      }
      place(dx: label-width, dy: 4mm + high + 4.6mm,
        box(width: long, align(center, text(size: 7.4pt, fill: quiet, chart.unit))))
    })))
}

// Two drawings side by side on one scale.
#let pair(left, right, gutter: 5mm) = grid(columns: (1fr, 1fr), column-gutter: gutter, left, right)
#let map-side(map, side, high) = figure(kind: "map", supplement: none, numbering: none, gap: 1mm,
  caption: none,
  {
    align(center, image(bytes(map.at(side).svg), format: "svg", height: high, width: high * map.aspect, fit: "contain",
      alt: map.at(side).words))
    v(-0.6mm)
    align(center, text(size: 8pt)[#if side == "before" [Before] else [After]])
  })
#let maps(map, high) = {
  pair(map-side(map, "before", high), map-side(map, "after", high))
  v(0.6mm)
  text(size: 7.6pt, fill: quiet, map.key)
}
"""
"""Words of the typesetter's language that both sheets are set with. Data is in ``paper``."""
