"""A measured picture against the setup targets: one check per figure, each with its chance to be beyond."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal, Protocol

from tubewright.judgement.seen_words import ZONE_WORDS, against_green, decimals, length, said
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import (
    GUNS,
    Convergence,
    Figure,
    Focus,
    Geometry,
    Hum,
    Known,
    Purity,
    Scale,
    TopCurl,
    Tracking,
    Unsupported,
    Vector,
    Wear,
    Zone,
)

GunKind = Literal["inline", "delta"]
Unit = Literal["mm", "%", "degrees", "du'v'", "times"]

CORNERS: Final[tuple[Zone, ...]] = ("top_left", "top_right", "bottom_left", "bottom_right")
OUTER: Final[tuple[Zone, ...]] = ("top", "left", "right", "bottom", *CORNERS)


class Measured(Protocol):
    """What of a measurement is held against targets; each part may be missing with its reason."""

    @property
    def scale(self) -> Scale | Unsupported: ...  # noqa: D102
    @property
    def convergence(self) -> Convergence | Unsupported: ...  # noqa: D102
    @property
    def geometry(self) -> Geometry | Unsupported: ...  # noqa: D102
    @property
    def top_curl(self) -> TopCurl | Unsupported: ...  # noqa: D102
    @property
    def hum(self) -> Hum | Unsupported: ...  # noqa: D102
    @property
    def focus(self) -> Focus | Unsupported: ...  # noqa: D102
    @property
    def purity(self) -> Purity | Unsupported: ...  # noqa: D102
    @property
    def tracking(self) -> Tracking | Unsupported: ...  # noqa: D102
    @property
    def wear(self) -> Wear | Unsupported: ...  # noqa: D102


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One figure against its target.

    Attributes:
        symptom: The symptom that it speaks for when it is beyond, or for the absence of; "" for none.
        about: What was measured, in words.
        found: The figure, or why there is none.
        words: The figure with what it is, in words for a list of findings; "" without one.
        unit: Unit of figure and target.
        reference: The target: what is let pass, as a size without sign.
        least: The target is a least, not a most.
        only_speaks_for: Too small a figure says nothing: the photograph may have missed it.
        source: Id of the constant that the target comes from.
    """

    symptom: str
    about: str
    found: Known
    words: str
    unit: Unit
    reference: float
    source: str
    least: bool = False
    only_speaks_for: bool = False

    def chance_beyond(self, share: float = 1.0) -> float | None:
        """The chance that the true figure is beyond this share of the target; ``None`` without a figure.

        A normal law about the figure, both signs counted.
        """
        if isinstance(self.found, Unsupported):
            return None
        value, sd = self.found.value, max(self.found.sd, 1e-12)
        if self.least:
            return _normal((self.reference / share - value) / sd)
        bound = self.reference * share
        return _normal((abs(value) - bound) / sd) + _normal((-abs(value) - bound) / sd)


def checks(measured: Measured, knowledge: Knowledge, *, gun: GunKind = "inline") -> tuple[Check, ...]:
    """Every figure that there is a target for, held against it.

    Args:
        measured: What was measured.
        knowledge: The targets.
        gun: Arrangement of the guns; a tube with delta gun is allowed more misconvergence.

    Returns:
        The checks; a figure that the photograph couldn't give is in its check as the reason.
    """
    book = _Book(knowledge, measured.scale)
    return (
        *_convergence(measured.convergence, book, gun),
        *_geometry(measured.geometry, book),
        *_curl_and_hum(measured.top_curl, measured.hum, book),
        *_focus(measured.focus, book),
        *_purity(measured.purity, book),
        *_guns(measured.tracking, book),
        *_wear(measured.wear, book),
    )


class _Book:
    """The targets, those in millimetres scaled to the picture's size."""

    def __init__(self, knowledge: Knowledge, scale: Scale | Unsupported) -> None:
        self.knowledge = knowledge
        self.factor = 1.0
        if isinstance(scale, Scale):
            across_in = math.hypot(scale.width_mm.value, scale.height_mm.value) / 25.4
            smallest, largest = knowledge.value("target_smallest_in"), knowledge.value("target_largest_in")
            # The tube is named by its glass: the picture on it is about a twentieth shorter (common practice).
            named_in = across_in * 1.05
            self.factor = named_in / min(max(named_in, smallest), largest)

    def target(self, name: str) -> float:
        value = self.knowledge.value(name)
        return value * self.factor if name.endswith("_mm") else value

    def check(
        self, symptom: str, about: str, found: Known, source: str, unit: Unit, words: str = "", **flags: bool
    ) -> Check:
        target = self.target(source)
        if source.endswith("_ratio") and unit == "%":
            target *= 100
            if isinstance(found, Figure):
                found = Figure(value=100 * found.value, sd=100 * found.sd)
        if isinstance(found, Figure) and not words:
            words = f"{about}: {said(found, unit)}"
        return Check(
            symptom=symptom,
            about=about,
            found=found,
            words=words if isinstance(found, Figure) else "",
            unit=unit,
            reference=target,
            source=source,
            **flags,
        )


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _convergence(found: Convergence | Unsupported, book: _Book, gun: GunKind) -> Iterator[Check]:
    tail = "_delta_mm" if gun == "delta" else "_mm"
    centre, edge, corner = (f"target_convergence_{where}{tail}" for where in ("centre", "edge", "corner"))
    for name, field in _fields(found):
        about = f"{name} against green in the middle"
        if isinstance(field, Unsupported):
            yield book.check("misconv_centre", about, field, centre, "mm")
            yield book.check("misconv_corner", f"{name} against green in the corners", field, corner, "mm")
            continue
        for zone in ("centre", *CORNERS):
            symptom, source = ("misconv_centre", centre) if zone == "centre" else ("misconv_corner", corner)
            about = f"{name} against green, {ZONE_WORDS[zone]}"
            vector = field.get(zone)
            if vector is None:
                yield book.check(symptom, about, _too_few(zone), source, "mm")
            else:
                words = against_green(name, vector, zone)
                yield book.check(symptom, about, length(vector), source, "mm", words)
    if isinstance(found, Convergence) and found.worst_zone is not None:
        # A zone's vector is that of its middle; a corner itself may be worse.
        zone = found.worst_zone
        symptom, source = (
            ("misconv_centre", centre)
            if zone == "centre"
            else ("misconv_corner", corner)
            if zone in CORNERS
            else ("", edge)
        )
        about = f"worst error of convergence, {ZONE_WORDS[zone]}"
        yield book.check(symptom, about, found.worst_mm, source, "mm")
    yield from _red_against_blue(found, book, edge)


def _red_against_blue(found: Convergence | Unsupported, book: _Book, edge: str) -> Iterator[Check]:
    """Half of how far red and blue part between opposite edges.

    Rasters turned against each other part sideways at top and bottom and up and down at left and right; rasters of
    unequal size part sideways at left and right and up and down at top and bottom. Source of the two kinds: the
    effects of tilting a yoke (textbook of colour tubes, from memory).
    """
    kinds: tuple[tuple[str, str, Zone, Zone, int], ...] = (
        ("misconv_edge_cross", "upright lines of red and blue cross", "top", "bottom", 0),
        ("misconv_edge_cross", "level lines of red and blue cross", "right", "left", 1),
        ("misconv_edge_size", "red and blue differ in width", "right", "left", 0),
        ("misconv_edge_size", "red and blue differ in height", "bottom", "top", 1),
    )
    fields = dict(_fields(found))
    red, blue = fields["red"], fields["blue"]
    for symptom, about, one, other, axis in kinds:
        if isinstance(red, Unsupported) or isinstance(blue, Unsupported):
            reason = red if isinstance(red, Unsupported) else blue
            assert isinstance(reason, Unsupported)  # noqa: S101  one of the two is
            yield book.check(symptom, about, reason, edge, "mm")
            continue
        vectors = [field.get(zone) for zone in (one, other) for field in (red, blue)]
        if any(vector is None for vector in vectors):
            yield book.check(symptom, about, _too_few(one), edge, "mm")
            continue
        values = [(v.x_mm, v.y_mm)[axis] for v in vectors if v is not None]
        value = ((values[0] - values[1]) - (values[2] - values[3])) / 2
        # All four hold a share of green's own error, so adding them as if they did not is on the safe side.
        sd = math.sqrt(sum(v.sd_mm**2 for v in vectors if v is not None)) / 2
        words = f"{about} by {_size(Figure(value=value, sd=sd), 'mm')} at the edges"
        yield book.check(symptom, about, Figure(value=value, sd=sd), edge, "mm", words)


def _fields(found: Convergence | Unsupported) -> Iterator[tuple[str, Unsupported | dict[Zone, Vector]]]:
    for name in ("red", "blue"):
        if isinstance(found, Unsupported):
            yield name, found
            continue
        field = found.red_minus_green if name == "red" else found.blue_minus_green
        yield name, field if isinstance(field, Unsupported) else dict(field)


def _too_few(zone: Zone) -> Unsupported:
    return Unsupported(
        reason=f"too few marks were seen at the {ZONE_WORDS[zone]}", would_settle="a photograph of the whole picture"
    )


def _geometry(found: Geometry | Unsupported, book: _Book) -> Iterator[Check]:
    def take(name: str) -> Known:
        return found if isinstance(found, Unsupported) else getattr(found, name)

    for name, more, one, other in (
        ("trapezoid_h_pct", "wider", "top", "bottom"),
        ("trapezoid_v_pct", "taller", "left", "right"),
    ):
        slant, words = take(name), ""
        if isinstance(slant, Figure):
            first, second = (one, other) if slant.value > 0 else (other, one)
            words = f"the {first} is {more} than the {second} by {_size(slant, '%')}"
        yield book.check("trapezoid", f"{one} {more} than {other}", slant, "target_trapezoid_pct", "%", words)
    for symptom, edges in (("side_pincushion", ("left", "right")), ("tb_pincushion", ("top", "bottom"))):
        for edge in edges:
            bow: Known = (
                found
                if isinstance(found, Unsupported)
                else next((figure for name, figure in found.pincushion_pct.items() if name == edge), _no_edge(edge))
            )
            words = ""
            if isinstance(bow, Figure):
                words = f"the {edge} edge bows {'inward' if bow.value > 0 else 'outward'} by {_size(bow, '%')}"
            yield book.check(symptom, f"inward bow of the {edge} edge", bow, "target_bow_pct", "%", words)
    tilt = take("rotation_deg")
    words = ""
    if isinstance(tilt, Figure):
        words = f"the picture leans {_size(tilt, 'degrees')} {'clockwise' if tilt.value > 0 else 'against the clock'}"
    yield book.check("raster_tilt", "tilt, clockwise", tilt, "target_tilt_deg", "degrees", words)
    about = "widest over narrowest column, less one"
    yield book.check("h_nonlinear", about, take("linearity_h_pct"), "target_linearity_pct", "%")
    # The figure of height doesn't say where lines stand wide or close: it can only clear both.
    for symptom in ("v_top_stretch", "v_bottom_compress"):
        about = "tallest over lowest row, less one"
        yield book.check(symptom, about, take("linearity_v_pct"), "target_linearity_pct", "%")


def _size(figure: Figure, unit: str) -> str:
    return said(Figure(value=abs(figure.value), sd=figure.sd), unit)


def _no_edge(edge: str) -> Unsupported:
    return Unsupported(reason=f"the {edge} edge was not seen", would_settle="a photograph of the whole picture")


def _curl_and_hum(curl: TopCurl | Unsupported, hum: Hum | Unsupported, book: _Book) -> Iterator[Check]:
    amplitude = curl if isinstance(curl, Unsupported) else curl.amplitude_mm
    words = ""
    if isinstance(curl, TopCurl) and isinstance(amplitude, Figure):
        side = "right" if amplitude.value > 0 else "left"
        words = f"top curl of {abs(amplitude.value):.{min(2, decimals(amplitude.sd))}f} mm to the {side}"
        if isinstance(curl.settle_lines, Figure):
            words += f" settling in {curl.settle_lines.value:.0f} lines"
    yield book.check("top_curl", "sideways bend of the first lines", amplitude, "target_curl_mm", "mm", words)
    brightness = hum if isinstance(hum, Unsupported) else hum.brightness_pct
    yield book.check("hum_bars", "swing of brightness by hum", brightness, "target_hum_brightness_pct", "%")
    sway = hum if isinstance(hum, Unsupported) else hum.displacement_mm
    about = "sideways swing by hum, peak to peak"
    yield book.check("hum_sway", about, sway, "target_sway_mm", "mm", only_speaks_for=True)


def _focus(found: Focus | Unsupported, book: _Book) -> Iterator[Check]:
    if isinstance(found, Unsupported):
        for symptom, where in (("defocus_all", "in the middle"), ("defocus_edges", "at the edges")):
            yield book.check(symptom, f"width of the spot {where}", found, "symptom_spot_mm", "mm")
        return
    middles: dict[str, Known] = {}
    for name, zones in (("width", found.spot_h_mm), ("height", found.spot_v_mm)):
        middle = zones.get("centre") or _too_few("centre")
        middles[name] = middle
        # With the camera's blur in it a figure is an upper bound: it can clear, not accuse.
        for symptom, source in (("", "target_spot_mm"), ("defocus_all", "symptom_spot_mm")):
            beyond = isinstance(middle, Figure) and middle.value > book.target(source)
            bound = _camera_in_it() if beyond and found.camera_blur == "included" else middle
            yield book.check(symptom, f"{name} of the spot, middle", bound, source, "mm")
    for name, zones in (("width", found.spot_h_mm), ("height", found.spot_v_mm)):
        middle = middles[name]
        for zone in OUTER:
            at = zones.get(zone) or _too_few(zone)
            about = f"growth of the spot's {name} from the middle, {ZONE_WORDS[zone]}"
            yield book.check("defocus_edges", about, _growth(at, middle, found), "edge_over_centre_spot_ratio", "times")


def _growth(at: Known, middle: Known, found: Focus) -> Known:
    """Width at the edge over that in the middle, as a ratio."""
    for part in (at, middle):
        if isinstance(part, Unsupported):
            return part
    assert isinstance(at, Figure)  # noqa: S101  as just seen
    assert isinstance(middle, Figure)  # noqa: S101
    if found.camera_blur == "included":
        return _camera_in_it()
    if middle.value < 3 * middle.sd:
        return Unsupported(reason="the spot in the middle is too small to tell", would_settle="a closer photograph")
    ratio = at.value / middle.value
    sd = math.hypot(at.sd / middle.value, ratio * middle.sd / middle.value)
    return Figure(value=ratio, sd=sd)


def _camera_in_it() -> Unsupported:
    return Unsupported(
        reason="the camera's own blur is in it",
        would_settle="a photograph with the printed tags beside the picture",
    )


def _purity(found: Purity | Unsupported, book: _Book) -> Iterator[Check]:
    for gun in GUNS:
        if isinstance(found, Unsupported):
            for symptom in ("purity_blotch", "purity_corners"):
                yield book.check(symptom, f"purity of {gun}", found, "target_purity_ratio", "%")
            continue
        for zone, figure in found.shift_ratio.get(gun, {}).items():
            symptom = "purity_corners" if zone in CORNERS else "purity_blotch"
            about = f"other light in the field of {gun}, {ZONE_WORDS[zone]}"
            yield book.check(symptom, about, figure, "target_purity_ratio", "%")


def _guns(found: Tracking | Unsupported, book: _Book) -> Iterator[Check]:
    if isinstance(found, Unsupported):
        for symptom, about, source in (
            ("colour_weak", "strength of the guns", "target_strength_ratio"),
            ("highlight_silvery", "light lost at full drive", "target_shortfall_ratio"),
            ("tint_in_darks", "where the guns begin to light", "target_black_drive_ratio"),
            ("tint_in_brights", "drift of the grey's colour", "target_tracking_du_v"),
        ):
            yield book.check(symptom, about, found, source, "%")
        return
    for gun in GUNS:
        law = found.guns.get(gun) or Unsupported(reason=f"{gun} shows nothing", would_settle="a photograph that has it")
        strength = law if isinstance(law, Unsupported) else law.strength_ratio
        shortfall = law if isinstance(law, Unsupported) else law.shortfall_ratio
        about = f"light of {gun} over the strongest gun's"
        yield book.check("colour_weak", about, strength, "target_strength_ratio", "%", least=True)
        yield book.check("colour_missing", about, strength, "gun_missing_ratio", "%", least=True)
        about = f"light that {gun} loses at full drive"
        yield book.check("highlight_silvery", about, shortfall, "target_shortfall_ratio", "%")
    about = "parting of the drives at which the guns begin to light"
    yield book.check("tint_in_darks", about, _black_parting(found), "target_black_drive_ratio", "%")
    about = "drift of the grey's colour"
    yield book.check("tint_in_brights", about, found.white_drift_du_v, "target_tracking_du_v", "du'v'")


def _black_parting(found: Tracking) -> Known:
    """How far apart the guns' black levels lie, from the lowest to the highest."""
    blacks: list[Figure] = []
    for law in found.guns.values():
        black = law if isinstance(law, Unsupported) else law.black_drive_ratio
        if isinstance(black, Unsupported):
            return black
        blacks.append(black)
    if len(blacks) < 2:
        return Unsupported(reason="fewer than two guns were measured", would_settle="a photograph that has all three")
    low, high = (pick(blacks, key=lambda figure: figure.value) for pick in (min, max))
    return Figure(value=high.value - low.value, sd=math.hypot(high.sd, low.sd))


def _wear(found: Wear | Unsupported, book: _Book) -> Iterator[Check]:
    depth = found if isinstance(found, Unsupported) else found.depth_ratio
    words = ""
    if isinstance(found, Wear) and isinstance(depth, Figure) and found.at_zone:
        words = (
            f"a shape burnt in, {100 * depth.value:.0f} % of the light lost, worst at the {ZONE_WORDS[found.at_zone]}"
        )
    yield book.check("burn_in_ghost", "light lost at a burnt-in shape", depth, "target_wear_ratio", "%", words)
