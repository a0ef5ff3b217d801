"""What a question on the AFC loop is given: a profile, a source, readings, a measurement; each read and checked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from tubewright.cli.door import tell
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.knowledge.chassis import Chassis
    from tubewright.knowledge.model import Knowledge
    from tubewright.physics.afc.inverse import SeenCurl
    from tubewright.physics.afc.source import SyncSource

OPTIONS: Final = {
    "detector_v_per_rad": "--detector",
    "detector_ohm": "--detector-ohm",
    "series_ohm": "--series",
    "damping_ohm": "--damping",
    "capacitor_uf": "--capacitor",
    "shunt_nf": "--shunt",
    "oscillator_hz_per_v": "--oscillator",
    "free_run_error_hz": "--free-run",
    "coupling_uf": "--coupling",
    "leak_ohm": "--leak",
    "capacitor_leak_ohm": "--capacitor-leak",
    "picture_width_mm": "--picture-mm",
    "mains_hz": "--mains",
    "flyback_us": "--flyback",
    "random_jitter_us": "--jitter",
    "mains_jitter_us": "--mains-jitter",
    "timing": "--timing",
    "raster": "--timing",
    "kind": "--source",
    "vertical_lines": "--vertical-lines",
    "line_pulse_us": "--line-pulse",
    "gap_lines": "--gap",
    "readings": "--reading",
    "sd_mm": "--reading-sd",
    "change": "--change",
}
"""What the answers call a figure, and what the person typed."""


def profile_of(chassis: str, shop: str | None) -> tuple[Knowledge, Chassis | None]:
    """What is known, and the profile that was named, if any."""
    from tubewright.answers.profile import named_chassis
    from tubewright.cli.shop import known, known_anyway

    # A profile lives in the shop's own file; without one that file may be left out.
    knowledge = known(shop) if chassis else known_anyway(shop)
    profile = named_chassis(chassis, knowledge, where="--chassis")
    if profile is not None and profile.afc is None:
        tell(f"The profile {profile.id} says nothing of the AFC loop; its other figures are used.")
    return knowledge, profile


def size_of(picture_mm: tuple[float, float] | None, profile: Chassis | None) -> tuple[float | None, float | None]:
    """Width and height of the picture in mm, as given or as the profile says."""
    if picture_mm is not None:
        return picture_mm
    return (None, None) if profile is None else (profile.picture_width_mm, profile.picture_height_mm)


def sent_of(
    knowledge: Knowledge,
    profile: Chassis | None,
    *,
    timing: str,
    kind: str,
    vertical_lines: float | None,
    line_pulse_us: float | None,
    mid_line: bool,
) -> SyncSource:
    """The source that was named, or that the profile points at."""
    from tubewright.answers.afc_setup import given_source
    from tubewright.picture.patterns.rasters import library

    return given_source(
        timing,
        kind,
        rasters=library(knowledge.rasters.values()),
        profile=profile,
        vertical_lines=vertical_lines,
        line_pulse_us=line_pulse_us,
        starts_mid_line=mid_line,
    )


def readings_of(readings: list[str], reading_sd: str, sent: SyncSource, height_mm: float | None) -> SeenCurl:
    """A curl from a ruler's readings."""
    from tubewright.answers.afc_curl import READING_SD_MM, seen_from_readings
    from tubewright.answers.afc_typed import typed_readings

    return seen_from_readings(
        typed_readings(readings, sent, height_mm, "--reading"),
        sd_mm=READING_SD_MM if (sd := maybe(reading_sd, "millimetres", "--reading-sd")) is None else sd,
    )


def measured_of(path: Path, knowledge: Knowledge) -> tuple[SeenCurl, str]:
    """The curl of a measurement's file, and the raster it was shown on."""
    from tubewright.answers.afc_curl import seen_from_measurement
    from tubewright.answers.measurement import TopCurl
    from tubewright.files.measurements import measurement_from_json
    from tubewright.picture.patterns.rasters import library

    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is no text"
        raise InputError(
            Fault(what=f"can't be read: {why}", where=str(path), mend="Name the file that measure --json wrote.")
        ) from error
    found = measurement_from_json(text, library(knowledge.rasters.values()))
    if not isinstance(found.top_curl, TopCurl):
        raise InputError(
            Fault(
                what=f"it gives no top curl: {found.top_curl.reason}",
                where=str(path),
                mend=f"What would settle it: {found.top_curl.would_settle}.",
            )
        )
    return seen_from_measurement(found.top_curl), "" if found.raster is None else found.raster.name


def maybe(text: str, kind: str, option: str) -> float | None:
    """A figure, if one was typed."""
    return parse_quantity(text, kind=kind, where=option).value if text else None


def whole(text: str, option: str) -> int | None:
    """A whole number, if one was typed."""
    if not text:
        return None
    if not (text.isascii() and text.isdigit()):
        raise InputError(Fault(what=f"“{text[:20]}” is no number of lines", where=option, mend="Write 3."))
    return int(text)
