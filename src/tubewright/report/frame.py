"""What all charts share: their form as data, themes and widths, the frame around the marks, and drawing as SVG.

A chart is plain data (a Vega-Lite specification as a dictionary) beside a text
that holds the same figures for eyes or ears that don't get the picture. Colours
only tell things apart; they never mean good or bad, and every mark is also named
in words. :func:`to_svg` draws without a browser and without the network.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Any, Final, Literal

from tubewright.case import Gun

Theme = Literal["light", "dark"]
Size = Literal["narrow", "wide"]
Spec = dict[str, Any]

THEMES: Final[tuple[Theme, ...]] = ("light", "dark")
SIZES: Final[tuple[Size, ...]] = ("narrow", "wide")

FONT: Final = "Liberation Sans, Arial, Helvetica, sans-serif"
WIDTH_PX: Final[dict[Size, int]] = {"narrow": 350, "wide": 640}

INK: Final[dict[Theme, dict[str, str]]] = {
    "light": {"text": "#23262d", "quiet": "#5c5f66", "grid": "#dedad1", "mark": "#4a5878", "chosen": "#5b3f9a"},
    "dark": {"text": "#e9e5dc", "quiet": "#aaa69d", "grid": "#353a45", "mark": "#9aa8c7", "chosen": "#c3b1f2"},
}
# Guns differ in lightness as well as in hue, and each has its own shape, so that
# they stay apart for colour-blind eyes and on grey paper.
GUN_INK: Final[dict[Theme, dict[Gun, str]]] = {
    "light": {"red": "#b4431a", "green": "#0b7a5f", "blue": "#1d4fa8"},
    "dark": {"red": "#f0906a", "green": "#63d2ae", "blue": "#83b4ff"},
}
GUN_SHAPE: Final[dict[Gun, str]] = {"red": "square", "green": "triangle-up", "blue": "circle"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart:
    """A chart as data: ``spec`` is Vega-Lite, ``alt`` says the same figures in words."""

    title: str
    spec: Spec
    alt: str

    @property
    def fingerprint(self) -> str:
        """A short name of the content: the same figures give the same name."""
        text = json.dumps(self.spec, sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:20]


def to_svg(chart: Chart) -> str:
    """Draw a chart as SVG, without a browser and without the network."""
    import vl_convert  # heavy: loaded when the first picture is asked for

    svg: str = vl_convert.vegalite_to_svg(chart.spec, vl_version="5.21", allowed_base_urls=[])
    return svg


def framed(spec: Spec, theme: Theme, *, alt: str) -> Spec:
    """Marks with all that makes them a chart of this theme around them."""
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
        "description": alt,
        "background": None,
        "config": _config(theme),
        **spec,
    }


def _config(theme: Theme) -> Spec:
    ink = INK[theme]
    return {
        "font": FONT,
        "padding": 4,
        "view": {"stroke": None},
        "text": {"font": FONT, "fontSize": 13, "color": ink["text"]},
        "axis": {
            "labelFont": FONT,
            "titleFont": FONT,
            "labelFontSize": 13,
            "titleFontSize": 13,
            "titleFontWeight": "normal",
            "labelColor": ink["text"],
            "titleColor": ink["quiet"],
            "gridColor": ink["grid"],
            "domainColor": ink["grid"],
            "tickColor": ink["grid"],
        },
        "axisY": {"domain": False, "ticks": False, "labelPadding": 8},
        "legend": {"labelFont": FONT, "labelFontSize": 13, "labelColor": ink["text"]},
    }


def percent_of(fraction: float) -> float:
    """A fraction in percent, as finely as a chart shows it."""
    return round(100 * fraction, 1)
