"""Photographs and measurements for the tests of the pages: made up and quick, or simulated and measured in earnest."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from PIL import Image

from measured import measurement, top_curl
from tubewright.answers.measurement import Figure, Measurement, Photo, PhotoNote
from tubewright.answers.measurement_json import to_json
from tubewright.records.model import MeasurementRecord
from tubewright.records.store import Store
from tubewright.report.measure_summary import summary
from tubewright.report.overlay import draw_overlay


@lru_cache
def small_photo(seed: int = 0) -> bytes:
    """A JPEG large enough to be read as a photograph; it shows nothing but coloured noise."""
    coarse = np.random.default_rng(seed).integers(0, 255, (20, 27, 3), dtype=np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(coarse).resize((1080, 800)).save(buffer, "JPEG", quality=60)
    return buffer.getvalue()


def made_up(photos: Sequence[Photo], **asked: object) -> Measurement:
    """The hand-made measurement, whatever the photographs show."""
    unread = asked.get("unread") or ()
    assert isinstance(unread, list | tuple)
    notes = [PhotoNote(name=photo.name, pattern="survey", used_for=("convergence",)) for photo in photos]
    return measurement(photos=(*notes, *unread))


def better() -> Measurement:
    """The hand-made measurement after work on it: less curl, all else the same."""
    return measurement(top_curl=replace(top_curl(), amplitude_mm=Figure(value=0.3, sd=0.06)))


@lru_cache
def _drawn(after: bool) -> bytes:
    photo = Photo(pixels=np.full((924, 1200, 3), 40, dtype=np.uint8), name="one.jpg")
    return draw_overlay(better() if after else measurement(), photo).svg.encode()


def add_measurement(
    store: Store, job: int, *, stage: str = "before", answer: Measurement | None = None
) -> MeasurementRecord:
    """A photograph and a measurement in the records of a job, without the way through the pages."""
    after = stage == "after"
    answer = answer or (better() if after else measurement())
    photo = store.add_photo(
        job,
        small_photo(int(after)),
        media_type="image/jpeg",
        file_name=f"{stage}.jpg",
        preview=small_photo(int(after)),
        stage=stage,
    )
    return store.save_measurement(
        job,
        photo_shas=[photo.sha256],
        settings_json=json.dumps({"raster": "", "gun": "inline", "photos": [photo.file_name]}),
        answer_json=json.dumps(to_json(answer)),
        accepted=True,
        model_version=answer.model_version,
        headline=summary(answer),
        stage=stage,
        overlay=("image/svg+xml", _drawn(after)),
    )
