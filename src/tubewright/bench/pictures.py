"""Charts on pages: the tag with its alternatives for phone, desk, light and dark, and the drawn bytes.

A drawing is named by its content, so a browser that has it asks only whether it
is still the one, and the drawing itself is done once.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

from fastapi import Request
from fastapi.responses import Response
from markupsafe import Markup, escape

from tubewright.bench.pages import theme_of
from tubewright.report.frame import SIZES, THEMES, Chart, Size, Theme, to_svg

KEPT_DRAWINGS: Final = 200
WIDE_FROM_PX: Final = 700

Draw = Callable[[Theme, Size], Chart]


class Drawings:
    """Drawn charts by the name of their content; the oldest are let go."""

    def __init__(self, kept: int = KEPT_DRAWINGS) -> None:
        self._kept = kept
        self._held: OrderedDict[str, str] = OrderedDict()
        self._lock = threading.Lock()

    def svg(self, chart: Chart) -> str:
        """The chart as SVG, drawn at most once."""
        name = chart.fingerprint
        with self._lock:
            if name in self._held:
                self._held.move_to_end(name)
                return self._held[name]
        drawn = to_svg(chart)
        with self._lock:
            self._held[name] = drawn
            while len(self._held) > self._kept:
                self._held.popitem(last=False)
        return drawn


def figure_of(request: Request, address: str, draw: Draw, *, narrow_only: bool = False, more: str = "") -> Markup:
    """The picture tag of a chart, with its figures as alternative text.

    Args:
        request: Knows which theme was chosen.
        address: Where the drawing is served; ``theme`` and ``size`` are added.
        draw: Makes the chart for a theme and a size; here only for its words.
        narrow_only: For a place that is narrow on a desk, too.
        more: What else the address asks for, written as in a page: ``a=1&amp;b=2``.
    """
    alt = draw("light", "narrow").alt
    chosen = theme_of(request)

    def at(theme: str, size: str) -> str:
        return f"{address}?theme={theme}&amp;size={size}" + (f"&amp;{more}" if more else "")

    sources = []
    sizes = (("narrow", ""),) if narrow_only else (("wide", f"(min-width: {WIDE_FROM_PX}px)"), ("narrow", ""))
    for size, media in sizes:
        if chosen == "auto":
            dark = " and ".join(part for part in (media, "(prefers-color-scheme: dark)") if part)
            sources.append(f'<source media="{dark}" srcset="{at("dark", size)}">')
        if media:
            sources.append(f'<source media="{media}" srcset="{at("dark" if chosen == "dark" else "light", size)}">')
    last = at("dark" if chosen == "dark" else "light", "narrow")
    return Markup(  # noqa: S704 - the address is ours and the words are escaped
        f'<div class="chart"><picture>{"".join(sources)}<img src="{last}" alt="{escape(alt)}"></picture></div>'
    )


def drawing(request: Request, draw: Draw, theme: str, size: str) -> Response:
    """The answer to a request for a drawing; unknown themes and sizes give the plain one."""
    chart = draw(
        next((t for t in THEMES if t == theme), "light"),
        next((s for s in SIZES if s == size), "narrow"),
    )
    etag = f'"{chart.fingerprint}"'
    headers = {"etag": etag, "cache-control": "private, no-cache"}
    if request.headers.get("if-none-match") == etag:
        return Response(status_code=304, headers=headers)
    drawings: Drawings = request.app.state.drawings
    return Response(drawings.svg(chart), media_type="image/svg+xml", headers=headers)
