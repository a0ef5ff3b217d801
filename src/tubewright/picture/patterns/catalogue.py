"""Every pattern by its name: what it is for, what to look at, what a fault looks like, and how it is drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.errors import Fault, InputError
from tubewright.picture.patterns import trade
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import draw_survey
from tubewright.picture.patterns.survey_light import draw_survey_light
from tubewright.picture.patterns.trade_levels import SHAPES, Shape
from tubewright.picture.patterns.trade_notes import (
    burst_note,
    crawl_note,
    field_note,
    luma_words,
    pulses_note,
    stairs_note,
)

Pixels = NDArray[np.uint8]

GUNS: Final[Mapping[str, tuple[int, ...]]] = MappingProxyType(
    {
        "all": (0, 1, 2),
        "red": (0,),
        "green": (1,),
        "blue": (2,),
        "red_green": (0, 1),
        "red_blue": (0, 2),
        "green_blue": (1, 2),
    }
)
"""Which guns a pattern may be left on, by name."""

SMALLEST_PX: Final = (160, 120)
"""Below this many dots and lines the patterns' strokes run into each other."""
LARGEST_PX: Final = (4096, 4096)

FEED_CAUTIONS: Final = ("line_rate",)
"""What to mind before a display is fed with any pattern: ids of the trade's cautions."""
TAG_CAUTIONS: Final = ("anode_charge", "implosion")
"""What to mind where the tags' strips are laid beside the glass."""

FLASHES_LIMIT_PER_S: Final = 3.0
"""No more than so many flashes in any one second. Source: W3C, WCAG 2.2, criterion 2.3.1."""

LOAD_STATE_S: Final = 1.0
"""How long each half of the load change stands: one flash in two seconds, well inside the limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """How a pattern is to be drawn.

    Attributes:
        shape: Width to height of the picture on the glass, width along the lines.
        level_pct: Level of the patterns that have one to choose, 0 to 100.
        guns: A name of ``GUNS``: only these guns stay lit.
    """

    shape: Shape = "4:3"
    level_pct: float = 50.0
    guns: str = "all"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """A pattern of the catalogue.

    Attributes:
        name: What the command line and an address call it.
        title: What a person calls it.
        shows: What is drawn.
        use: What it is for.
        look: What to look at.
        fault: What a fault looks like.
        takes: Which fields of ``Drawing`` change it.
        state_s: How long each of its pictures stands; 0 for a still one.
        careful: What to mind while it is on, or "".
    """

    name: str
    title: str
    shows: str
    use: str
    look: str
    fault: str
    takes: frozenset[str]
    state_s: float = 0.0
    careful: str = ""
    _draw: Callable[[Raster, Drawing], tuple[Pixels, ...]]
    _note: Callable[[Raster], str] = lambda _: ""

    @property
    def moving(self) -> bool:
        """Whether it is more than one picture, shown in turn."""
        return self.state_s > 0

    @property
    def flashes_per_s(self) -> float:
        """Pairs of a brighter and a darker picture in a second."""
        return 1 / (2 * self.state_s) if self.moving else 0.0

    def note(self, raster: Raster) -> str:
        """What can be said of it only for one raster: levels, frequencies, how fast bars drift; or ""."""
        return self._note(raster)

    def frames(self, raster: Raster, drawing: Drawing | None = None) -> tuple[Pixels, ...]:
        """Its pictures in the order in which they are shown, each (height, width, 3), uint8.

        Raises:
            InputError: The raster is too small or too large, or the drawing asks for what there isn't.
        """
        drawing = drawing or Drawing()
        _check(raster, drawing)
        frames = self._draw(raster, drawing)
        if "guns" in self.takes:
            off = [gun for gun in range(3) if gun not in GUNS[drawing.guns]]
            for pixels in frames:
                pixels[..., off] = 0
        return frames


def find_pattern(name: str) -> Pattern:
    """The pattern of that name.

    Raises:
        InputError: There is none.
    """
    if name not in CATALOGUE:
        raise InputError(
            Fault(what=f"there is no pattern {name[:40]!r}", where="", mend=f"Take one of: {', '.join(CATALOGUE)}.")
        )
    return CATALOGUE[name]


def _check(raster: Raster, drawing: Drawing) -> None:
    faults = []
    size = (raster.width_px, raster.height_px)
    if any(not low <= n <= high for n, low, high in zip(size, SMALLEST_PX, LARGEST_PX, strict=True)):
        faults.append(
            Fault(
                what=f"a raster of {size[0]} by {size[1]} can't carry the patterns",
                where="raster",
                mend=f"Take one from {SMALLEST_PX[0]} by {SMALLEST_PX[1]} to {LARGEST_PX[0]} by {LARGEST_PX[1]}.",
            )
        )
    if drawing.shape not in SHAPES:
        faults.append(Fault(what="no such shape of picture", where="shape", mend=f"Take one of: {', '.join(SHAPES)}."))
    if drawing.guns not in GUNS:
        faults.append(Fault(what="no such choice of guns", where="guns", mend=f"Take one of: {', '.join(GUNS)}."))
    if not 0 <= drawing.level_pct <= 100:  # refuses a NaN, too
        faults.append(Fault(what="the level is out of range", where="level", mend="Give it in percent, 0 to 100."))
    if faults:
        raise InputError(faults)


_LINES: Final = frozenset({"shape", "guns"})
_PLAIN: Final = frozenset({"guns"})
_NONE: Final[frozenset[str]] = frozenset()
_STILL_BURNS: Final = "A bright still picture wears the phosphor: turn it down or change it when you step away."


def _single(name: str, gun: str, place: int) -> Pattern:
    return Pattern(
        name=name,
        title=f"{gun.capitalize()} field",
        shows=f"The whole raster at full {gun}, the other two guns off.",
        use="Purity: whether this gun's beam lands on its own phosphor everywhere.",
        look="One even colour over the whole glass, after twenty minutes' warm-up and a degauss.",
        fault="A patch or a corner of another tint. Fixed to the glass after degaussing: mask or landing; "
        "wandering with the place of the display: a magnetic field.",
        takes=_NONE,
        careful=_STILL_BURNS,
        _draw=lambda raster, _: (trade.field(raster, (place,)),),
    )


_ALL: Final = (
    Pattern(
        name="crosshatch",
        title="Crosshatch",
        shows="Thin white lines in squares over the whole raster; the middle of the picture is inside a square.",
        use="Convergence, linearity, bow and trapezoid.",
        look="Lines white without coloured edges; every square as wide as its neighbours; lines straight.",
        fault="Red, green or blue beside a line: the guns miss each other there. Squares that grow to one side: "
        "linearity. Bent side lines: pincushion. The top lines bent sideways: top curl.",
        takes=_LINES,
        _draw=lambda raster, d: (trade.crosshatch(raster, d.shape),),
    ),
    Pattern(
        name="dots",
        title="Dots",
        shows="White dots, two lines high, where the lines of the crosshatch cross.",
        use="Static convergence in the middle; focus over the glass.",
        look="Each dot one white point, as small at the corners as the tube allows.",
        fault="A dot with a coloured side or in three: convergence. A dot with a tail or a halo: focus, or smear.",
        takes=_LINES,
        _draw=lambda raster, d: (trade.dots(raster, d.shape),),
    ),
    Pattern(
        name="centre",
        title="Centre cross and circle",
        shows="A cross through the exact middle and a circle of nine tenths of the height, round on the glass.",
        use="Centring, the ratio of width to height, tilt.",
        look="The cross in the middle of the bezel and level; a ruler finds the circle as wide as high.",
        fault="An egg: width or height. A flat side: linearity. A cross aslant: the yoke is turned.",
        takes=_LINES,
        _draw=lambda raster, d: (trade.centre(raster, d.shape),),
    ),
    Pattern(
        name="white",
        title="White field",
        shows="The whole raster at full white.",
        use="White balance at full drive, beam limit, hum, burnt-in shapes.",
        look="One even white; brightness that stays after the first second.",
        fault="Coloured patches: purity. A dark shape: burn. Dims after a moment: beam limiter or a tired supply.",
        takes=_PLAIN,
        careful=_STILL_BURNS,
        _draw=lambda raster, _: (trade.field(raster, (0, 1, 2)),),
        _note=field_note(100.0),
    ),
    _single("red", "red", 0),
    _single("green", "green", 1),
    _single("blue", "blue", 2),
    Pattern(
        name="black",
        title="Black field",
        shows="Nothing lit.",
        use="Black level and cutoffs; retrace lines; a gun that can't be shut off.",
        look="A dark screen in a dark room.",
        fault="A glow in one colour: that gun's cutoff, or leakage. Thin slanting lines: no retrace blanking, "
        "or grid 2 too high.",
        takes=_NONE,
        _draw=lambda raster, _: (trade.black(raster),),
        _note=field_note(0.0),
    ),
    Pattern(
        name="grey",
        title="Grey field",
        shows="The whole raster at one grey; 50 % unless you choose.",
        use="Tint in the middle tones; hum; even brightness.",
        look="The same neutral grey everywhere, and the same tint at 20 % as at 80 %.",
        fault="A tint in darks only: cutoffs. A tint in brights only: drives, or a gun that flattens.",
        takes=frozenset({"level_pct", "guns"}),
        _draw=lambda raster, d: (trade.field(raster, (0, 1, 2), d.level_pct),),
    ),
    Pattern(
        name="window",
        title="Window",
        shows="A white rectangle of half the width and half the height in the middle of black.",
        use="Peak white without loading the whole supply; smear and ringing at its edges.",
        look="Sharp upright edges; black beside the window as black as above it.",
        fault="A tail to the right: smear. Repeated edges: ringing. Grey beside the window: poor low frequencies.",
        takes=_PLAIN,
        careful=_STILL_BURNS,
        _draw=lambda raster, _: (trade.window(raster),),
    ),
    Pattern(
        name="staircase",
        title="Grey staircase",
        shows="Eleven even steps of grey from black to white, rising to the right above, to the left below.",
        use="Grey tracking: whether the three guns keep step from dark to bright.",
        look="Every step neutral and apart from its neighbours, in both halves alike.",
        fault="Dark steps tinted: cutoffs. Bright steps tinted, or the last ones alike: drives, or a weak gun "
        "that flattens.",
        takes=_PLAIN,
        _draw=lambda raster, _: (trade.staircase(raster),),
        _note=stairs_note,
    ),
    Pattern(
        name="pulses",
        title="Black-level pulses",
        shows="Four stripes just above black, the faintest on the left, and a white patch.",
        use="Setting brightness by eye in the room where the display stands.",
        look="The 2 % stripe just seen and the 1 % one not, with the white patch in view.",
        fault="No stripe but the last: black is crushed. All four plain and the ground grey: black is too high.",
        takes=_PLAIN,
        _draw=lambda raster, _: (trade.pulses(raster),),
        _note=pulses_note,
    ),
    Pattern(
        name="bars_75",
        title="Colour bars, 75/0/75/0",
        shows="White, yellow, cyan, green, magenta, red, blue, black, all at 75 %.",
        use="Colour channels and an encoder's levels.",
        look="Eight bars in this order, each even; on one gun alone its bars all equally bright.",
        fault="A bar of the wrong colour: channels exchanged or missing. Bars that bleed to the right: bandwidth.",
        takes=_PLAIN,
        _draw=lambda raster, _: (trade.bars(raster, 75, 75),),
        _note=luma_words(75, 75),
    ),
    Pattern(
        name="bars_100",
        title="Colour bars, 100/0/75/0",
        shows="The same bars with white at 100 % and the colours at 75 %.",
        use="The same, with full white as the reference for contrast.",
        look="White plainly brighter than the yellow beside it.",
        fault="White no brighter than at 75 %: clipping, or a beam limiter at work.",
        takes=_PLAIN,
        _draw=lambda raster, _: (trade.bars(raster, 100, 75),),
        _note=luma_words(100, 75),
    ),
    Pattern(
        name="multiburst",
        title="Multiburst",
        shows="A white and a black patch, then six bursts of upright lines, each finer than the one before.",
        use="Bandwidth from source to cathode, and the spot's width.",
        look="How far to the right lines can still be told apart, and with how much contrast.",
        fault="Bursts that turn to plain grey early: bandwidth or focus. One burst stronger than its neighbours: "
        "a resonance.",
        takes=_PLAIN,
        _draw=lambda raster, _: (trade.multiburst(raster),),
        _note=burst_note,
    ),
    Pattern(
        name="overscan",
        title="Overscan frame",
        shows="Six frames, 2 % of the picture apart: white on the very edge, then yellow, cyan, green, magenta, "
        "and white again at 10 %.",
        use="How much of the picture the bezel hides, edge by edge.",
        look="The outermost frame you can see on each side: count 2 % for each one hidden.",
        fault="More hidden on one side than on the other: centring. A frame that runs out of sight: bow or tilt.",
        takes=_LINES,
        _draw=lambda raster, d: (trade.overscan(raster, d.shape),),
    ),
    Pattern(
        name="split",
        title="Split field for hum",
        shows="Grey on the left, near black on the right, with a straight edge in the middle.",
        use="Hum and ripple: in brightness on the fields, in position on the edge.",
        look="Both halves even from top to bottom; the edge straight and still.",
        fault="Soft bars that drift up or down: ripple or heater-cathode leakage. An edge that sways: ripple on "
        "the line scan or the anode supply.",
        takes=frozenset({"level_pct", "guns"}),
        _draw=lambda raster, d: (trade.split(raster, d.level_pct),),
        _note=crawl_note,
    ),
    Pattern(
        name="load",
        title="Load change",
        shows="A frame with upright lines; its lower half turns white for a second and dark for a second, in turn.",
        use="Regulation of the supplies: what the picture's size does when the beam current changes.",
        look="The frame and the lines above: they must stay where they are.",
        fault="The frame breathes: anode supply or B+ regulation. Lines kink where the white begins: the same, "
        "within one field.",
        takes=_LINES,
        state_s=LOAD_STATE_S,
        careful="Half the screen flashes once in two seconds. Look away and stop it if flashing light troubles "
        "anybody in the room.",
        _draw=lambda raster, d: trade.load(raster, d.shape),
        _note=lambda _: f"Each picture stands {LOAD_STATE_S:g} s.",
    ),
    Pattern(
        name="guns",
        title="Each gun alone",
        shows="Four bands, red, green, blue and white from the top, each rising to the right in ten steps.",
        use="Each gun's colour and its strength from dark to bright, beside the others.",
        look="Each band in its own pure colour, its steps apart up to the last.",
        fault="A band missing or in another's place: a channel. A band whose last steps are alike: a gun out of "
        "emission. A band of mixed colour: purity, or crosstalk.",
        takes=_NONE,
        _draw=lambda raster, _: (trade.guns(raster),),
    ),
    Pattern(
        name="survey",
        title="Survey",
        shows="Small marks of the three guns in turn and five upright white bars: our own pattern, for a camera.",
        use="A photograph of it gives convergence, geometry, focus, top curl and orientation in millimetres.",
        look="All of it in one photograph, sharp, with the printed tags beside the picture.",
        fault="Judge it by `tubewright measure`, not by eye.",
        takes=_NONE,
        _draw=lambda raster, _: (draw_survey(raster),),
    ),
    Pattern(
        name="survey_light",
        title="Survey for light",
        shows="Flat patches of each gun, of white and of black, at many levels, among a few marks: for a camera, too.",
        use="A photograph of it gives purity, tracking, each gun's strength and wear.",
        look="All of it in one photograph, nothing burnt out, the room dark.",
        fault="Judge it by `tubewright measure`, not by eye.",
        takes=_NONE,
        _draw=lambda raster, _: (draw_survey_light(raster),),
    ),
)

CATALOGUE: Final[Mapping[str, Pattern]] = MappingProxyType({pattern.name: pattern for pattern in _ALL})
"""Every pattern by its name, in the order of the pages."""
