"""The customer's sheet: two pages that say what came, what was done, what to expect and what to mind.

:func:`customer_body` gathers what it says as plain data, which can be kept;
:func:`customer_pdf` sets it. Long texts are shortened until they fit, with a
pointer to the bench's sheet, which holds everything.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from tubewright.answers.proof_form import Proof
from tubewright.answers.proof_said import counted_words
from tubewright.answers.proof_work import Side, Work
from tubewright.report.owner_care import CARE
from tubewright.report.papers import Typeset, shortened, typeset, typeset_png
from tubewright.report.proof_charts import life_chart, light_chart
from tubewright.report.proof_figures import row_of
from tubewright.report.proof_maps import convergence_maps, shape_maps
from tubewright.report.sheet_parts import PARTS, Picture, bars_data, day, map_data, picture_data

FORMAT: Final = 1
TITLE: Final = "Your display, before and after"
RELEASE_CHECKS: Final = frozenset({"gate_eht_before_release", "holddown", "x_rays", "fire"})
"""Cautions whose conditions are the checks before a set goes home."""

Body = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPhoto:
    """A photograph that a paper shows: where its bytes are kept, when it was taken, what it is called."""

    sha256: str
    taken_at: dt.datetime
    file_name: str


def customer_body(made: Proof, work: Work, *, settings: Mapping[str, str], photos: Mapping[Side, ShownPhoto]) -> Body:
    """What the customer's sheet says, as plain data.

    Args:
        made: The comparison.
        work: What it was made of.
        settings: The shop's own words: name, address, warranty.
        photos: The photographs to show.
    """
    checks = [
        f"{one.words.rstrip('.')} ({', '.join(part for part in (one.person, day(one.at)) if part)})."
        for one in work.checks
        if one.caution in RELEASE_CHECKS
    ]
    emission = [line for gun in made.guns for line in gun.lines if line.name.endswith("relative_emission")]
    return {
        "sort": "customer",
        "format": FORMAT,
        "title": TITLE,
        "shop": {name: settings.get(f"shop_{name}", "") for name in ("name", "address", "contact")},
        "warranty": settings.get("warranty_text", ""),
        "job": made.job,
        "as_of": made.as_of.isoformat(),
        "date": day(made.as_of),
        "label": made.label,
        "owner": made.owner,
        "place": made.place,
        "tube": made.tube_label,
        "exchanged": made.exchanged,
        "headline": made.headline,
        "expect": list(made.expect),
        "owner_words": work.owner_words,
        "came": list(made.came),
        "found": list(made.found),
        "done": list(made.done),
        "remains": list(made.remains),
        "photos": {
            side: {
                "sha256": photos[side].sha256,
                "caption": f"{'Before' if side == 'before' else 'After'}, {day(photos[side].taken_at)}",
                "alt": f"Photograph of the screen {side} the work, taken on {day(photos[side].taken_at)}",
            }
            if side in photos
            else None
            for side in ("before", "after")
        },
        "light": bars_data(light_chart(made)),
        "life": bars_data(life_chart(made)),
        "guns": [
            [gun.gun.capitalize(), row.before, row.after, row.change]
            for gun, row in zip(made.guns, (row_of(line) for line in emission), strict=True)
        ],
        "states": [[gun.gun.capitalize(), gun.state_after] for gun in made.guns if gun.state_after],
        "picture": {
            "counted": counted_words(made.picture.lines),
            "unlike": made.picture.unlike,
            "convergence": map_data(convergence_maps(made.picture)),
            "shape": map_data(shape_maps(made.picture)),
        },
        "checks": checks,
        "care": [words for words, _ in CARE],
    }


def customer_pdf(body: Mapping[str, Any], pictures: Mapping[str, Picture], *, number: str = "") -> Typeset:
    """Set the customer's sheet: two pages A4.

    Args:
        body: What :func:`customer_body` gave, now or then.
        pictures: The photographs that it names, by SHA-256, as far as they are here.
        number: The paper's number, if it was given out.
    """
    return typeset(_SOURCE, _data(body, pictures, number), at=dt.datetime.fromisoformat(body["as_of"]))


def customer_png(
    body: Mapping[str, Any], pictures: Mapping[str, Picture], *, number: str = "", dots_per_inch: float = 96.0
) -> list[bytes]:
    """Its pages as pictures, to be looked at."""
    return typeset_png(_SOURCE, _data(body, pictures, number), dots_per_inch=dots_per_inch)


# -- fitting on two pages ------------------------------------------------------------------------

_SEE: Final = "the workshop's bench sheet has it in full"


@dataclass(frozen=True, slots=True, kw_only=True)
class _First:
    """How much of each thing the first page shows: letters of the owner's words, items of a list and their letters."""

    words: int
    items: int
    letters: int
    photo_mm: float
    address: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Second:
    """The same of the second page: items of a list and their letters, height of the maps, letters of the warranty."""

    items: int
    letters: int
    map_mm: float
    warranty: int
    warranty_pt: float


# From what fits usually to what fits always.
_FIRSTS: Final[Sequence[_First]] = (
    _First(words=700, items=12, letters=260, photo_mm=60, address=5),
    _First(words=420, items=9, letters=200, photo_mm=55, address=4),
    _First(words=300, items=7, letters=160, photo_mm=50, address=4),
    _First(words=220, items=6, letters=120, photo_mm=44, address=3),
    _First(words=150, items=4, letters=100, photo_mm=38, address=3),
    _First(words=100, items=3, letters=80, photo_mm=32, address=2),
    _First(words=60, items=2, letters=50, photo_mm=26, address=1),
    _First(words=30, items=1, letters=30, photo_mm=20, address=1),
)
# The drawings give way before a word of the warranty does.
_SECONDS: Final[Sequence[_Second]] = (
    _Second(items=8, letters=200, map_mm=30, warranty=4000, warranty_pt=9),
    _Second(items=8, letters=200, map_mm=28, warranty=4000, warranty_pt=8),
    _Second(items=6, letters=160, map_mm=22, warranty=4000, warranty_pt=7.5),
    _Second(items=5, letters=120, map_mm=0, warranty=4000, warranty_pt=7.5),
    _Second(items=4, letters=120, map_mm=0, warranty=4000, warranty_pt=7),
    _Second(items=3, letters=100, map_mm=0, warranty=3000, warranty_pt=7),
    _Second(items=3, letters=80, map_mm=0, warranty=2200, warranty_pt=7),
    _Second(items=2, letters=80, map_mm=0, warranty=1600, warranty_pt=7),
    _Second(items=2, letters=60, map_mm=0, warranty=1000, warranty_pt=7),
    _Second(items=1, letters=60, map_mm=0, warranty=500, warranty_pt=7),
    _Second(items=1, letters=40, map_mm=0, warranty=80, warranty_pt=7),
)


def _data(body: Mapping[str, Any], pictures: Mapping[str, Picture], number: str) -> Body:
    photos = {}
    for side in ("before", "after"):
        named = body["photos"].get(side)
        held = picture_data(pictures.get(named["sha256"])) if named else None
        photos[side] = {**held, "caption": named["caption"], "alt": named["alt"]} if named and held else None
    return {
        "title": body["title"],
        "number": shortened(number, 40),
        "job": body["job"],
        "date": body["date"],
        "label": shortened(body["label"], 80),
        "owner": shortened(body["owner"], 120),
        "tube": shortened(body["tube"], 50),
        "exchanged": body["exchanged"],
        "shop": shortened(body["shop"]["name"], 60),
        "photos": photos,
        "light": body["light"],
        "life": body["life"],
        "guns": body["guns"],
        "convergence": body["picture"]["convergence"],
        "shape": body["picture"]["shape"],
        "firsts": [_first(body, room) for room in _FIRSTS],
        "seconds": [_second(body, room) for room in _SECONDS],
    }


def _first(body: Mapping[str, Any], room: _First) -> Body:
    """What the first page shows in so much room."""
    words = shortened(body["owner_words"], room.words)
    address = [line for part in ("address", "contact") for line in body["shop"][part].splitlines() if line.strip()]
    return {
        "headline": shortened(body["headline"], 300),
        "owner_words": words,
        "owner_more": f"Shortened here: {_SEE}." if words.endswith("…") else "",
        "came": _items(body["came"], room),
        "found": _items(body["found"], room),
        "done": _items(body["done"], room),
        "remains": _items(body["remains"], room),
        "expect": [shortened(one, 320) for one in body["expect"][: max(3, room.items)]],
        "address": [shortened(line, 60) for line in address[: room.address]],
        "photo_mm": room.photo_mm,
    }


def _second(body: Mapping[str, Any], room: _Second) -> Body:
    """What the second page shows in so much room."""
    counted = body["picture"]["counted"]
    return {
        "checks": _items(body["checks"], room),
        "care": body["care"],
        "warranty": _paragraphs(body["warranty"], room.warranty),
        "warranty_pt": room.warranty_pt,
        "map_mm": room.map_mm,
        "counted": f"Of the figures measured on the picture: {counted}." if counted else "",
        "unlike": body["picture"]["unlike"],
    }


def _items(items: Sequence[str], room: _First | _Second) -> list[str]:
    shown = [shortened(one, room.letters) for one in items[: room.items]]
    cut = any(one.endswith("…") for one in shown)
    left = len(items) - len(shown)
    if left > 0:
        shown.append(f"And {left} more: {_SEE}.")
    elif cut:
        shown.append(f"Shortened here: {_SEE}.")
    return shown


def _paragraphs(text: str, most: int) -> list[str]:
    """A text as its paragraphs, of so many letters together."""
    lines = [" ".join(line.split()) for line in text.splitlines() if line.strip()]
    shown: list[str] = []
    left = most
    for line in lines:
        if left <= 0 or len(shown) >= 40:
            break
        shown.append(shortened(line, max(left, 2)))
        left -= max(len(line), 90)
    if sum(map(len, shown)) < sum(map(len, lines)):
        shown.append(f"The warranty is shortened here: {_SEE}.")
    return shown


_SOURCE: Final = (
    PARTS
    + """
#set document(title: paper.title + ": " + paper.label, author: paper.shop, date: auto)
#set page(paper: "a4", margin: (x: 17mm, top: 13mm, bottom: 17mm), footer: context {
  set text(size: 7.6pt, fill: quiet)
  rule
  v(-1.2mm)
  grid(columns: (1fr, auto), column-gutter: 4mm,
    {
      if paper.unset != "" [#paper.unset #h(1em)]
      if paper.shop != "" [#paper.shop, ]
      [job #paper.job]
      if paper.number != "" [, paper #paper.number]
    },
    [Page #counter(page).display() of 2])
})
#set text(font: "Libertinus Serif", size: 9.6pt, lang: "en", hyphenate: false)
#set par(leading: 0.52em, spacing: 0.72em, justify: false)
#set list(indent: 0mm, body-indent: 2mm, spacing: 0.55em, marker: text(fill: quiet)[–])
#show heading.where(level: 1): set text(size: 18pt)
#show heading.where(level: 2): it => block(above: 1.25em, below: 0.6em, text(size: 11.5pt, it.body))
#set table(stroke: none, inset: (x: 1.6mm, y: 0.9mm))

// The first of the levels that fits on what is left of the page.
#let fitting(levels, render) = layout(size => {
  let chosen = levels.last()
  for level in levels {
    if measure(block(width: size.width, render(level))).height <= size.height { chosen = level; break }
  }
  render(chosen)
})

#let shown = paper.photos.before != none or paper.photos.after != none
#let photo(side, high) = {
  let one = paper.photos.at(side)
  if one == none {
    block(width: 100%, height: high, stroke: 0.4pt + luma(70%), radius: 1mm,
      align(center + horizon, small[No photograph #side the work]))
  } else {
    figure(kind: "photo", supplement: none, numbering: none, gap: 1.2mm, caption: none, {
      layout(size => {
        let wide = calc.min(size.width, high * one.aspect)
        align(center, image(bytes(one.svg), format: "svg", width: wide, height: wide / one.aspect, alt: one.alt))
      })
      v(-0.8mm)
      align(center, text(size: 8.4pt, one.caption))
    })
  }
}

#let charts = {
  pair(
    {
      block(below: 0.8em, text(size: 9pt, weight: "bold", paper.light.title))
      bars(paper.light)
    },
    {
      block(below: 0.8em, text(size: 9pt, weight: "bold", paper.life.title))
      if paper.life.bars.len() > 0 { bars(paper.life, label-width: 36mm) } else { par(paper.life.words) }
    },
  )
  text(size: 7.6pt, fill: quiet)[
    A bar spans what it is likely to be, 80 times in 100; the mark is the middle. Round: before. Square: after.
    No tube keeps to a calendar: take the span, not the middle.]
}

#let first(level) = {
  grid(columns: (1fr, auto), column-gutter: 6mm, align: (left + top, right + top),
    text(size: 11pt, weight: "bold", if paper.shop == "" [ ] else { paper.shop }),
    align(right, text(size: 8pt, fill: quiet, for line in level.address [#line \\ ])))
  v(-0.4mm)
  rule
  v(0.5mm)
  heading(level: 1, paper.title)
  v(-0.6mm)
  text(size: 10.4pt)[*#paper.label*#if paper.owner != "" [, for #paper.owner]]
  linebreak()
  small({
    [Job #paper.job, #paper.date]
    if paper.number != "" [, paper #paper.number]
    if paper.tube != "" [, picture tube #paper.tube]
  })
  v(1mm)
  block(width: 100%, fill: luma(95%), inset: 3mm, radius: 1mm, text(size: 11pt, level.headline))
  heading(level: 2)[What to expect]
  for one in level.expect { par(one) }
  if shown {
    heading(level: 2)[The picture]
    pair(photo("before", level.photo_mm * 1mm), photo("after", level.photo_mm * 1mm))
  } else {
    v(1mm)
    charts
  }
  v(1mm)
  let left = {
    if level.owner_words != "" or level.came.len() > 0 {
      heading(level: 2)[It came with]
      if level.owner_words != "" { par[“#level.owner_words” #small(level.owner_more)] }
      points(level.came)
    }
    if level.found.len() > 0 {
      heading(level: 2)[What was found]
      points(level.found)
    }
  }
  let right = {
    heading(level: 2)[What was done]
    if level.done.len() > 0 { points(level.done) } else { par[Nothing is written down.] }
    if level.remains.len() > 0 {
      heading(level: 2)[Not done, or remains]
      points(level.remains)
    }
  }
  let came = level.owner_words != "" or level.came.len() > 0 or level.found.len() > 0
  if came { pair(left, right, gutter: 7mm) } else { right }
  if not shown { par(small[No photographs were taken on this job.]) }
}

#let second(level) = {
  if shown {
    heading(level: 2)[How bright, and for how long]
    charts
  }
  heading(level: 2)[The three guns of the tube]
  table(columns: (auto, 1fr, 1fr, 1.5fr), align: left,
    table.header([*Gun*], [*Before, % of a good gun*], [*After, % of a good gun*], [*Change*]),
    table.hline(stroke: 0.4pt + luma(60%)),
    ..paper.guns.flatten().map(cell => [#cell]))
  if level.counted != "" { par[#level.counted #level.unlike] }
  if (paper.convergence != none or paper.shape != none) and level.map_mm > 0 {
    let parts = ()
    if paper.convergence != none {
      parts.push({ heading(level: 2)[Where the colours meet]; maps(paper.convergence, level.map_mm * 1mm) })
    }
    if paper.shape != none {
      parts.push({ heading(level: 2)[The shape of the picture]; maps(paper.shape, level.map_mm * 1mm) })
    }
    v(1.4mm)
    if parts.len() == 2 { pair(parts.at(0), parts.at(1), gutter: 7mm) } else { parts.at(0) }
  }
  heading(level: 2)[Checked before it left]
  if level.checks.len() > 0 { points(level.checks) } else {
    par[No check of its safety after the work is written down.]
  }
  heading(level: 2)[Take care of it, and of yourself]
  points(level.care)
  heading(level: 2)[Warranty]
  if level.warranty.len() > 0 {
    set text(size: level.warranty_pt * 1pt)
    set par(spacing: 0.55em)
    for one in level.warranty { par(one) }
  } else {
    par[The workshop has written none down.]
  }
}

#fitting(paper.firsts, first)
#pagebreak()
#fitting(paper.seconds, second)
"""
)
