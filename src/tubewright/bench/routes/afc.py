"""The AFC loop on a page: from a profile or a measurement to a curl, what a change does, and back to the loop."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Final, TypeVar
from urllib.parse import parse_qsl, urlencode

from fastapi import APIRouter, Request, Response

from tubewright.answers.afc import AFC_CAUTIONS, AfcAnswer, best_change, predict_curl, what_if
from tubewright.answers.afc_curl import READING_SD_MM, CurlAnswer, from_curl, seen_from_measurement, seen_from_readings
from tubewright.answers.afc_setup import (
    ASSUMED_WIDTH_MM,
    PART_WORDS,
    SOURCE_KINDS,
    TIMINGS,
    AfcSetup,
    afc_setup,
    first_known,
    given_source,
)
from tubewright.answers.afc_typed import PART_NAMES, profile_parts, typed_part, typed_readings, typed_stock
from tubewright.answers.afc_words import typed_amount
from tubewright.answers.measurement import TopCurl
from tubewright.answers.profile import named_chassis
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, page, wrong
from tubewright.bench.pictures import drawing, figure_of
from tubewright.bench.routes.job import TheBench
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.security import Form
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.files.measurements import measurement_from_json
from tubewright.knowledge.chassis import Chassis
from tubewright.physics.afc.changes import Limits
from tubewright.physics.afc.inverse import SeenCurl
from tubewright.physics.afc.parts import CHARACTERISTICS, WITHOUT_EDGE
from tubewright.physics.afc.source import SyncSource
from tubewright.picture.patterns.rasters import library
from tubewright.report.afc_charts import curl_chart, seen_chart
from tubewright.report.afc_text import answer_blocks, curl_blocks
from tubewright.report.describe import Block
from tubewright.report.frame import Chart, Size, Theme

router = APIRouter(include_in_schema=False)

Result = TypeVar("Result")

WORKS: Final = ("predict", "what_if", "best", "curl")
CHANGEABLE: Final = ("capacitor_uf", "damping_ohm", "shunt_nf", "series_ohm", "coupling_uf", "leak_ohm")
READINGS: Final = (1, 2, 3)
_LONGEST_VALUE: Final = 80
_LONGEST_ASKED: Final = 8000
_FIELDS: Final = {"timing": "timing", "readings": "line_1", "change": "to_capacitor_uf", "sd_mm": "reading_sd"}
"""Where a fault of the answers stands on the page, if not at the field of its own name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownBlock:
    """A block of an answer with its kind by name, as the template asks for it."""

    kind: str
    it: Block


@router.get("/reckon/afc")
def afc(request: Request, bench: TheBench, work: str = "") -> Response:
    """The form, filled as far as a profile or a measurement goes; and the answer once something was asked."""
    asked = _asked(list(request.query_params.multi_items()))
    status, shown, answer = 200, {"typed": asked.typed()}, None
    profile, source_faults = _profile(bench, asked)
    faults: list[Fault] = list(source_faults)
    if work in WORKS and not faults:
        try:
            answer = _reckoned(bench, asked, profile, work, capture=True)
        except UnknownRecordError:
            raise
        except InputError as error:
            faults += error.faults
    if faults:
        status, shown = 422, wrong(by_field(faults, _FIELDS), faults, asked)
    measurement = asked.text("measurement")
    return page(
        request,
        "afc.html",
        status=status,
        cautions=caution_texts(bench, AFC_CAUTIONS),
        confirm=caution_checks(bench, AFC_CAUTIONS),
        profile=profile,
        chassis_names=[(one.id, one.name) for one in bench.knowledge.chassis.values()],
        parts=_parts_shown(profile),
        changeable=[(name, PART_WORDS[name]) for name in CHANGEABLE],
        readings=READINGS,
        timings=[(one, one) for one in TIMINGS] + [(one.id, one.name) for one in bench.knowledge.rasters.values()],
        kinds=[(one, one.replace("-", " ")) for one in SOURCE_KINDS],
        characteristics=[(one, one) for one in CHARACTERISTICS],
        without_edge=[("rest", "gives nothing through its own resistance"), ("open", "lets go; the filter holds")],
        width_mm=_width_shown(profile),
        height_mm="" if profile is None or profile.picture_height_mm is None else f"{profile.picture_height_mm:g}",
        measurement=measurement if measurement.isdigit() else "",
        headline="" if answer is None else answer.headline,
        blocks=[] if answer is None else [ShownBlock(kind=type(b).__name__.lower(), it=b) for b in _blocks(answer)[1:]],
        figure=None if answer is None else figure_of(request, _address(asked), lambda t, s: _chart(answer, t, s)),
        **shown,
    )


@router.get("/reckon/afc/drawing/{asked}.svg")
def afc_drawing(request: Request, bench: TheBench, asked: str, theme: str = "", size: str = "") -> Response:
    """The drawing of an answer; its question stands in the address."""
    try:
        form = _of_address(asked)
        work = form.text("work")
        answer = _reckoned(bench, form, _known_profile(bench, form), work, capture=False)
    except (ValueError, InputError) as error:
        raise UnknownRecordError(
            Fault(what="there is no such drawing", where="drawing", mend="Ask again on the page.")
        ) from error
    return drawing(request, lambda t, s: _chart(answer, t, s), theme, size)


def _asked(pairs: list[tuple[str, str]]) -> Form:
    return Form([(name, value[:_LONGEST_VALUE]) for name, value in pairs if name not in {"theme", "size"}])


def _address(asked: Form) -> str:
    query = urlencode(asked.pairs)
    return f"/reckon/afc/drawing/{base64.urlsafe_b64encode(query.encode()).decode('ascii')}.svg"


def _of_address(text: str) -> Form:
    """The question that :func:`_address` wrote.

    Raises:
        ValueError: It is none.
    """
    asked = _asked(
        parse_qsl(
            base64.urlsafe_b64decode(text[:_LONGEST_ASKED].encode("ascii")).decode("utf-8"), keep_blank_values=True
        )
    )
    if asked.text("work") not in WORKS:
        raise ValueError(text)
    return asked


def _known_profile(bench: Bench, asked: Form) -> Chassis | None:
    return named_chassis(asked.text("chassis"), bench.knowledge, where="chassis")


def _profile(bench: Bench, asked: Form) -> tuple[Chassis | None, tuple[Fault, ...]]:
    try:
        return _known_profile(bench, asked), ()
    except InputError as error:
        return None, error.faults


def _parts_shown(profile: Chassis | None) -> list[tuple[str, str, str, str]]:
    """Field, label, value and hint of each part, in the order in which the signal meets them."""
    known = profile_parts(profile)
    return [
        (name, PART_WORDS[name][:1].upper() + PART_WORDS[name][1:], typed_amount(name, known.get(name)), _HINTS[name])
        for name in PART_NAMES.values()
    ]


_HINTS: Final[Mapping[str, str]] = {
    "detector_v_per_rad": "Volts a radian of line phase.",
    "detector_ohm": "Leave empty if it is part of the series resistor.",
    "series_ohm": "From detector to filter: 10k.",
    "damping_ohm": "In series with the loop capacitor: 1k.",
    "capacitor_uf": "With its unit: 0.47uF.",
    "shunt_nf": "Beside both: 10nF; empty for none.",
    "oscillator_hz_per_v": "Hertz a volt.",
    "free_run_error_hz": "With sync killed, fast is positive: -80.",
    "coupling_uf": "Empty if not known.",
    "leak_ohm": "Empty if not known.",
    "capacitor_leak_ohm": "Of an aged electrolytic; empty for a sound one.",
}


def _width_shown(profile: Chassis | None) -> str:
    return "" if profile is None or profile.picture_width_mm is None else f"{profile.picture_width_mm:g}"


Answer = AfcAnswer | CurlAnswer


def _blocks(answer: Answer) -> list[Block]:
    return curl_blocks(answer) if isinstance(answer, CurlAnswer) else answer_blocks(answer)


def _chart(answer: Answer, theme: Theme, size: Size) -> Chart:
    if isinstance(answer, CurlAnswer):
        return seen_chart(answer, theme=theme, size=size)
    return curl_chart(answer, theme=theme, size=size)


class _Gathered:
    """Runs steps and keeps their faults, so that all are shown together."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []

    def take(self, work: Callable[[], Result]) -> Result | None:
        try:
            return work()
        except UnknownRecordError:
            raise
        except InputError as error:
            self.faults += error.faults
            return None

    def finish(self) -> None:
        if self.faults:
            raise InputError(self.faults)


def _reckoned(bench: Bench, asked: Form, profile: Chassis | None, work: str, *, capture: bool) -> Answer:
    read = FormReader(asked)
    gathered = _Gathered()
    width_mm, height_mm = (
        read.figure("picture_width_mm", "millimetres"),
        read.figure("picture_height_mm", "millimetres"),
    )
    vertical_lines, line_pulse_us = (
        read.figure("vertical_lines", "number"),
        read.figure("line_pulse_us", "microseconds"),
    )
    mains_hz = read.figure("mains_hz", "hertz")
    jitter_us, sway_us = read.figure("random_jitter_us", "microseconds"), read.figure("mains_jitter_us", "microseconds")
    characteristic = read.choice("characteristic", CHARACTERISTICS) or CHARACTERISTICS[0]
    without_edge = read.choice("without_edge", WITHOUT_EDGE) or WITHOUT_EDGE[0]
    seen, raster = (None, "") if work != "curl" else (gathered.take(lambda: _measured(bench, asked)) or (None, ""))
    source = gathered.take(
        lambda: given_source(
            asked.text("timing") or raster,
            asked.text("kind"),
            rasters=library(bench.knowledge.rasters.values()),
            profile=profile,
            vertical_lines=vertical_lines,
            line_pulse_us=line_pulse_us,
            starts_mid_line=asked.text("mid_line") == "yes",
        )
    )
    # What a person emptied on the page stays empty; what the address leaves out comes from the profile.
    sent = {name for name, _ in asked.pairs}
    parts = {name: value for name, value in profile_parts(profile).items() if name not in sent}
    for name in PART_NAMES.values():
        text = asked.text(name)
        if text:
            parts[name] = gathered.take(partial(typed_part, name, text, name))
    gathered.faults += read.faults
    setup: AfcSetup | None = None
    if source is not None and not gathered.faults and (work != "curl" or any(v is not None for v in parts.values())):
        setup = gathered.take(
            lambda: afc_setup(
                parts,
                source,
                characteristic=next(c for c in CHARACTERISTICS if c == characteristic),
                gated=asked.text("gated") == "yes",
                without_edge=next(w for w in WITHOUT_EDGE if w == without_edge),
                takes_pulse=asked.text("takes_pulse") == "yes",
                flyback_us=profile.retrace_us if profile else None,
                picture_width_mm=first_known(width_mm, profile.picture_width_mm if profile else None),
                mains_hz=first_known(mains_hz, profile.mains_hz if profile else None),
                random_jitter_us=jitter_us or 0.0,
                mains_jitter_us=sway_us or 0.0,
            )
        )
    gathered.finish()
    if work == "curl":
        assert source is not None  # noqa: S101 - finish() raised otherwise
        width = first_known(width_mm, profile.picture_width_mm if profile else None, ASSUMED_WIDTH_MM) or 0.0
        gap_lines = read.whole("gap_lines")
        curl = seen or _ruler(asked, read, source, height_mm)
        read.finish()
        return from_curl(curl, source, picture_width_mm=width, gap_lines=gap_lines, setup=setup)
    assert setup is not None  # noqa: S101 - finish() raised otherwise
    return _about(setup, asked, read, work, capture=capture)


def _about(setup: AfcSetup, asked: Form, read: FormReader, work: str, *, capture: bool) -> AfcAnswer:
    """The answer on a loop that is known."""
    if work == "what_if":
        gathered = _Gathered()
        changed: dict[str, float | None] = {}
        for name in CHANGEABLE:
            text = asked.text(f"to_{name}")
            if text:
                changed[name] = gathered.take(partial(typed_part, name, text, f"to_{name}"))
        gathered.finish()
        return what_if(setup, changed, capture=capture)
    if work == "best":
        given = {
            "jitter_ratio": read.figure("most_jitter", "number"),
            "hold_ratio": read.figure("least_hold", "fraction"),
            "damping_ratio": read.figure("least_damping", "number"),
        }
        read.finish()
        lines = [
            f"{short}={asked.text(f'stock_{field}')}"
            for short, field in PART_NAMES.items()
            if asked.text(f"stock_{field}")
        ]
        stock = typed_stock(lines, "stock_capacitor_uf") if lines else None
        limits = Limits(**{name: value for name, value in given.items() if value is not None})
        tried = asked.text("sync_tried") == "yes"
        return best_change(setup, stock=stock, limits=limits, sync_tried=tried, capture=capture)
    return predict_curl(setup, capture=capture)


def _ruler(asked: Form, read: FormReader, source: SyncSource, height_mm: float | None) -> SeenCurl:
    """A curl from the readings that were typed."""
    texts = [
        f"{asked.text(f'line_{n}')}={asked.text(f'mm_{n}')}"
        for n in READINGS
        if asked.text(f"line_{n}") or asked.text(f"mm_{n}")
    ]
    sd_mm = first_known(read.figure("reading_sd", "millimetres"), READING_SD_MM) or 0.0
    return seen_from_readings(typed_readings(texts, source, height_mm, "line_1"), sd_mm=sd_mm)


def _measured(bench: Bench, asked: Form) -> tuple[SeenCurl | None, str]:
    """The curl of a measurement of the shop's, and the raster it was shown on; none if no measurement is named."""
    typed = asked.text("measurement")
    if not typed:
        return None, ""
    if not (typed.isascii() and typed.isdigit() and len(typed) < 10):
        raise UnknownRecordError(
            Fault(what="there is no such measurement", where="measurement", mend="Open it from its job.")
        )
    record = bench.store.measurement(int(typed))
    found = measurement_from_json(record.answer_json, library(bench.knowledge.rasters.values()))
    if not isinstance(found.top_curl, TopCurl):
        raise InputError(
            Fault(
                what=f"the measurement gives no top curl: {found.top_curl.reason}",
                where="measurement",
                mend=f"What would settle it: {found.top_curl.would_settle}.",
            )
        )
    return seen_from_measurement(found.top_curl), "" if found.raster is None else found.raster.name
