"""The bench's sheet: everything that a job holds, set in full. Figures, drawings, findings, work, versions.

:func:`bench_body` gathers it as plain data, which can be kept; :func:`bench_pdf` sets it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from tubewright.answers.proof_form import Line, Proof
from tubewright.answers.proof_said import counted_words
from tubewright.answers.proof_work import Side, UsedPart, Work
from tubewright.report import wording
from tubewright.report.papers import Typeset, typeset, typeset_png
from tubewright.report.proof_charts import life_chart, light_chart
from tubewright.report.proof_figures import grouped, light_rows, row_of
from tubewright.report.proof_maps import convergence_maps, shape_maps
from tubewright.report.proof_text import DOUBT_WORDS
from tubewright.report.sheet_customer import ShownPhoto
from tubewright.report.sheet_parts import PARTS, Picture, bars_data, clock, day, map_data, picture_data

FORMAT: Final = 1
TITLE: Final = "Bench sheet"

Body = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """One table of the sheet: its title, its headings, how wide each column is (shares, 0: as its text), its rows."""

    title: str
    headings: tuple[str, ...]
    shares: tuple[float, ...]
    rows: tuple[tuple[str, ...], ...]


def bench_body(
    made: Proof,
    work: Work,
    *,
    facts: Sequence[tuple[str, str]],
    tables: Sequence[Rows],
    settings: Mapping[str, str],
    photos: Mapping[Side, ShownPhoto],
) -> Body:
    """What the bench's sheet says, as plain data.

    Args:
        made: The comparison.
        work: What it was made of.
        facts: Display, tube, owner's wishes and the like: name and words.
        tables: Readings, measurements and versions, as the records hold them; the work itself is gathered here.
        settings: The shop's own words.
        photos: The photographs to show.
    """
    return {
        "sort": "bench",
        "format": FORMAT,
        "title": TITLE,
        "shop": settings.get("shop_name", ""),
        "job": made.job,
        "as_of": made.as_of.isoformat(),
        "date": day(made.as_of),
        "label": made.label,
        "headline": made.headline,
        "exchanged": made.exchanged,
        "facts": [list(fact) for fact in facts],
        "owner_words": work.owner_words,
        "closing_note": work.closing_note,
        "photos": {
            side: {
                "sha256": photos[side].sha256,
                "caption": f"{side.capitalize()}: {photos[side].file_name}, {clock(photos[side].taken_at)}",
                "alt": f"Photograph of the screen {side} the work, {clock(photos[side].taken_at)}",
            }
            if side in photos
            else None
            for side in ("before", "after")
        },
        "light": bars_data(light_chart(made)),
        "life": bars_data(life_chart(made)),
        "expect": list(made.expect),
        "remains": list(made.remains),
        "compared": [_compared(title, lines) for title, lines in _figures(made) if lines],
        "brightness": [list(row.cells) for row in light_rows(made)],
        "doubt": DOUBT_WORDS,
        "unlike": made.picture.unlike,
        "counted": counted_words(made.picture.lines),
        "convergence": map_data(convergence_maps(made.picture)),
        "shape": map_data(shape_maps(made.picture)),
        "tables": [
            {
                "title": t.title,
                "headings": list(t.headings),
                "shares": list(t.shares),
                "rows": [list(r) for r in t.rows],
            }
            for t in (*_work_tables(work), *tables)
        ],
        "warranty": settings.get("warranty_text", ""),
        "model": f"Reckoned by model {made.model_version}, seed {made.seed}.",
    }


def bench_pdf(body: Mapping[str, Any], pictures: Mapping[str, Picture], *, number: str = "") -> Typeset:
    """Set the bench's sheet, A4, as many pages as it takes; arguments as for the customer's."""
    return typeset(_SOURCE, _data(body, pictures, number), at=dt.datetime.fromisoformat(body["as_of"]))


def bench_png(
    body: Mapping[str, Any], pictures: Mapping[str, Picture], *, number: str = "", dots_per_inch: float = 96.0
) -> list[bytes]:
    """Its pages as pictures, to be looked at."""
    return typeset_png(_SOURCE, _data(body, pictures, number), dots_per_inch=dots_per_inch)


def _data(body: Mapping[str, Any], pictures: Mapping[str, Picture], number: str) -> Body:
    photos = {}
    for side in ("before", "after"):
        named = body["photos"].get(side)
        held = picture_data(pictures.get(named["sha256"])) if named else None
        photos[side] = {**held, "caption": named["caption"], "alt": named["alt"]} if named and held else None
    return {**body, "photos": photos, "number": number}


def _figures(made: Proof) -> list[tuple[str, tuple[Line, ...]]]:
    parts: list[tuple[str, tuple[Line, ...]]] = [(f"{gun.gun.capitalize()} gun", gun.lines) for gun in made.guns]
    parts.append(("The tube as a whole", made.shared))
    groups = grouped(made.picture.lines)
    parts += [(group, tuple(line for line in made.picture.lines if line.group == group)) for group in groups]
    parts.append(("Grey scale", made.grey))
    return parts


def _compared(title: str, lines: Sequence[Line]) -> Body:
    return {"title": title, "rows": [list(row_of(line).cells) for line in lines]}


def _work_tables(work: Work) -> list[Rows]:
    """Findings and work, each as a table with who and when."""
    tables = [
        Rows(
            title="Symptoms",
            headings=("When", "Symptom", "Seen", "Who"),
            shares=(0, 3, 0, 0),
            rows=tuple(
                (clock(s.at), s.bench_words or s.words, "present" if s.present else "absent", s.person)
                for s in work.symptoms
            ),
        ),
        Rows(
            title="Tests",
            headings=("When", "Test", "Result", "Who"),
            shares=(0, 2, 2, 0),
            rows=tuple(
                (clock(t.at), f"{t.name}{f', {t.test.gun}' if t.test.gun else ''}", t.words, t.person)
                for t in work.tests
            ),
        ),
        Rows(
            title="Repairs",
            headings=("When", "Fault", "Outcome", "Time", "Note", "Who"),
            shares=(0, 2, 0, 0, 3, 0),
            rows=tuple(
                (clock(r.at), r.name, _OUTCOMES[r.outcome], _minutes(r.minutes), r.note, r.person) for r in work.repairs
            ),
        ),
        Rows(
            title="Treatments of the tube",
            headings=("When", "Treatment", "Outcome", "Time", "Seen, noted", "Who"),
            shares=(0, 1.6, 0, 0, 2.4, 0),
            rows=tuple(
                (
                    clock(t.at),
                    t.name + (f", {t.gun} gun" if t.gun else "") + (" (tube that came)" if t.other_tube else ""),
                    t.outcome or "not judged",
                    _minutes(t.minutes),
                    " ".join(f"{part.rstrip('.')}." for part in (t.seen, t.note) if part),
                    t.person,
                )
                for t in work.treatments
            ),
        ),
        Rows(
            title="Controls moved",
            headings=("When", "Control", "How", "Note", "Who"),
            shares=(0, 1.5, 2, 1.5, 0),
            rows=tuple(
                (
                    clock(m.at),
                    m.name,
                    m.words + (", put back" if m.undone else "") + (", at the end of its travel" if m.at_stop else ""),
                    m.note,
                    m.person,
                )
                for m in work.moves
            ),
        ),
        Rows(
            title="Parts",
            headings=("Part", "Code", "Pieces", "State", "Cost"),
            shares=(3, 0, 0, 0, 0),
            rows=tuple((p.name, p.code, str(p.quantity), p.state, _money(p.cost, p.currency)) for p in work.parts)
            + _sums(work.parts),
        ),
        Rows(
            title="Confirmed before and after steps",
            headings=("When", "Step", "What was confirmed", "Who"),
            shares=(0, 1.3, 3, 0),
            rows=tuple((clock(c.at), f"{c.step_name} ({c.step_sort})", c.words, c.person) for c in work.checks),
        ),
        Rows(
            title="Verdicts",
            headings=("When", "No.", "Verdict", "Model", "Seed", "Who"),
            shares=(0, 0, 3, 0, 0, 0),
            rows=tuple(
                (clock(v.at), str(v.number), f"{v.decision}. {v.headline}", v.model_version, str(v.seed), v.person)
                for v in work.verdicts
            ),
        ),
    ]
    return [t if t.rows else Rows(title=t.title, headings=(), shares=(), rows=()) for t in tables]


_OUTCOMES: Final = {"found": "found, not mended", "mended": "mended", "excluded": "ruled out"}


def _minutes(value: float | None) -> str:
    return "" if value is None else wording.minutes(value)


def _money(cost: float | None, currency: str) -> str:
    return "not priced" if cost is None else f"{cost:.2f} {currency}".strip()


def _sums(parts: Sequence[UsedPart]) -> tuple[tuple[str, ...], ...]:
    """What the parts cost together, by currency; parts that were given back don't count."""
    sums: dict[str, float] = {}
    for part in parts:
        if part.cost is not None and part.state != "released":
            sums[part.currency] = sums.get(part.currency, 0.0) + part.cost
    return tuple(("Together", "", "", "", _money(total, currency)) for currency, total in sorted(sums.items()))


_SOURCE: Final = (
    PARTS
    + """
#set document(title: paper.title + ": " + paper.label, author: paper.shop, date: auto)
#set page(paper: "a4", margin: (x: 14mm, top: 13mm, bottom: 16mm), footer: context {
  set text(size: 7.4pt, fill: quiet)
  rule
  v(-1.2mm)
  grid(columns: (1fr, auto), column-gutter: 4mm,
    {
      if paper.unset != "" [#paper.unset #h(1em)]
      if paper.shop != "" [#paper.shop, ]
      [job #paper.job]
      if paper.number != "" [, paper #paper.number]
      [. Times are in UTC.]
    },
    [Page #counter(page).display() of #counter(page).final().first()])
})
#set text(font: "Libertinus Serif", size: 8.8pt, lang: "en", hyphenate: false)
#set par(leading: 0.48em, spacing: 0.7em, justify: false)
#set list(indent: 0mm, body-indent: 2mm, spacing: 0.5em, marker: text(fill: quiet)[–])
#show heading.where(level: 1): set text(size: 16pt)
#show heading.where(level: 2): it => block(above: 1.5em, below: 0.7em, sticky: true, text(size: 12pt, it.body))
#show heading.where(level: 3): it => block(above: 1.1em, below: 0.5em, sticky: true, text(size: 9.4pt, it.body))
#set table(stroke: none, inset: (x: 1.4mm, y: 0.8mm))
#show table.cell.where(y: 0): set text(weight: "bold")

#let grid-of(headings, shares, rows) = block(width: 100%, {
  set par(justify: false)
  table(
    columns: shares.map(share => if share == 0 { auto } else { share * 1fr }),
    align: left + top,
    table.header(..headings.map(one => [#one])),
    table.hline(stroke: 0.5pt + luma(45%)),
    ..rows.map(row => (..row.map(cell => [#cell]), table.hline(stroke: 0.25pt + luma(85%)))).flatten(),
  )
})
#let compared(rows) = grid-of(("What", "Before", "After", "Change"), (2.2, 1.3, 1.3, 1.7), rows)

= #paper.title: #paper.label
#v(-0.4em)
#small({
  [Job #paper.job, #paper.date]
  if paper.number != "" [, paper #paper.number]
  if paper.shop != "" [, #paper.shop]
})
#block(width: 100%, fill: luma(95%), inset: 2.6mm, radius: 1mm, text(size: 10pt, paper.headline))
#if paper.exchanged [The tube was exchanged: before is the tube that came, after the one that is in it now.]

#grid(columns: (1fr, 1fr), column-gutter: 6mm,
  for (n, half) in (paper.facts.slice(0, calc.ceil(paper.facts.len() / 2)),
    paper.facts.slice(calc.ceil(paper.facts.len() / 2))).enumerate() {
    if n == 0 { for fact in half { par[#text(fill: quiet)[#fact.at(0):] #fact.at(1)] } }
  },
  for fact in paper.facts.slice(calc.ceil(paper.facts.len() / 2)) { par[#text(fill: quiet)[#fact.at(0):] #fact.at(1)] },
)
#if paper.owner_words != "" {
  heading(level: 2)[The owner's words]
  paragraphs(paper.owner_words)
}
#if paper.closing_note != "" {
  heading(level: 2)[Closing note]
  paragraphs(paper.closing_note)
}
#if paper.remains.len() > 0 {
  heading(level: 2)[Not done, or remains]
  points(paper.remains)
}

#if paper.photos.before != none or paper.photos.after != none {
  heading(level: 2)[Photographs]
  let photo(one) = if one == none { align(center + horizon, small[None on this side]) } else {
    figure(kind: "photo", supplement: none, numbering: none, gap: 1mm, caption: none, {
      layout(size => {
        let wide = calc.min(size.width, 58mm * one.aspect)
        align(center, image(bytes(one.svg), format: "svg", width: wide, height: wide / one.aspect, alt: one.alt))
      })
      align(center, text(size: 7.6pt, one.caption))
    })
  }
  block(breakable: false, width: 100%, pair(photo(paper.photos.before), photo(paper.photos.after)))
}

== Brightness and life
#block(breakable: false, width: 100%, pair(
  { block(below: 0.8em, text(weight: "bold", paper.light.title)); bars(paper.light) },
  {
    block(below: 0.8em, text(weight: "bold", paper.life.title))
    if paper.life.bars.len() > 0 { bars(paper.life, label-width: 36mm) } else { par(paper.life.words) }
  },
))
#compared(paper.brightness)
#points(paper.expect)

== Before and after
#par(paper.doubt)
#if paper.unlike != "" { par(strong(paper.unlike)) }
#if paper.counted != "" { par[Of the figures of the picture: #paper.counted.] }
#if paper.convergence != none {
  block(breakable: false, width: 100%, {
    heading(level: 3)[Convergence, drawn]
    maps(paper.convergence, 62mm)
    par[#paper.convergence.before.words #paper.convergence.after.words]
  })
}
#if paper.shape != none {
  block(breakable: false, width: 100%, {
    heading(level: 3)[Shape, drawn]
    maps(paper.shape, 62mm)
    par[#paper.shape.before.words #paper.shape.after.words]
  })
}
#for part in paper.compared {
  heading(level: 3, part.title)
  compared(part.rows)
}

#for part in paper.tables {
  heading(level: 2, part.title)
  if part.rows.len() == 0 { par(small[Nothing is written down.]) } else {
    grid-of(part.headings, part.shares, part.rows)
  }
}

== Warranty as the shop writes it
#if paper.warranty == "" { par(small[Nothing is written down.]) } else { paragraphs(paper.warranty) }
#par(small(paper.model))
"""
)
