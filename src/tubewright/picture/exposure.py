"""Judging how a photograph of a screen was taken: bands, brightness, blur, beat patterns.

A screen is lit line by line, once a field. A row of the sensor that gathers light
for r fields gets each line's light int(r) times, and one time more in the share
r - int(r) of the picture: a band, whose edge is 1 / (int(r) + 1) deep. A rolling
shutter moves the band and stretches it, so that it may lie outside the picture: what
is foreseen from the time is held against what is seen.
Derived for a phosphor that glows shortly against a field.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.exposure_edges import edge_blur
from tubewright.picture.sampling import linear_table
from tubewright.picture.seen import Photo

Array = NDArray[np.float64]
Box = tuple[int, int, int, int]

AT_LIMIT: Final = 0.985
"""Of a channel's highest number: a compressor leaves clipped places a few steps below it (tried)."""
LIT_SHARE: Final = 0.4
"""A place is lit whose light is more than this of the picture's bright places' (estimate)."""
EVEN_SHARE: Final = 0.03
"""A band narrower than this share of the picture's height spoils one row of marks at most (estimate)."""
DEEP_BAND: Final = 0.08
"""Steps of less light than this move a mark's middle by less than a hundredth of its height (estimate)."""
MOST_CLIPPED_SHARE: Final = 0.85
"""Of the lit places of a channel, beyond which marks have no shape left (tried on drawn photographs)."""
WARN_CLIPPED_SHARE: Final = 0.1
DARKEST_CODED: Final = 14 / 255
"""Bright places darker than this have few steps of light between them and black (tried on drawn photographs)."""
DARK_CODED: Final = 50 / 255
LEAST_SIGNAL_RATIO: Final = 3.0
SOFTEST_SHARE: Final = 0.45
"""Spread of the sharpest edges over the width of the survey's marks: blurred further, a mark has no flat top and its
edges look no softer (tried on drawn photographs)."""
_SAMPLES: Final = 120_000
_MARKS_ACROSS: Final = 31  # columns of the survey: sets how far a mark's surroundings reach
_MARK_SHARE: Final = 0.3  # width of a mark over their pitch


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """How a photograph was exposed, as far as it can be told without knowing the pattern.

    Attributes:
        kind: In a word.
        exposure_s: How long a row gathered light, if the file says.
        fields_in_exposure_count: Fields of the display in that time.
        band_share: Share of the picture's height that got one field more than the rest, foreseen from the time.
        band_depth_ratio: How much less light the rest got: 0.5 for one field instead of two.
        banding_seen_ratio: The deepest step of light between parts of the picture, as measured; ``None`` where
            there is too little light to tell. What the tube does by itself is in it too.
        clipped_share: Share of the lit places that are at the limit of the red, green and blue channel.
        signal_to_noise_ratio: Light of the bright places over the noise of one pixel, in the best channel.
        blur_px: Standard deviation of the blur of the sharpest edges, tube and camera together.
        motion_px: Length of a movement that would explain why edges across one direction are less sharp than across
            the other; what the tube does to one of them is in it too.
        motion_deg: Its direction, from x towards y, 0..180.
        moire_ratio: Swing of a coarse beat pattern over evenly lit parts; ``None`` where there are none.
        warnings: What lowers the photograph's worth, in sentences.
        refusal: Why it can't be measured, and how to shoot it better; or ``None``.
    """

    kind: Literal["good", "dark", "bright", "refused"]
    exposure_s: float | None
    fields_in_exposure_count: float | None
    band_share: float | None
    band_depth_ratio: float | None
    banding_seen_ratio: float | None
    clipped_share: tuple[float, float, float]
    signal_to_noise_ratio: float
    blur_px: float | None
    motion_px: float | None
    motion_deg: float | None
    moire_ratio: float | None
    warnings: tuple[str, ...]
    refusal: tuple[str, str] | None


def foreseen_band(exposure_s: float, field_hz: float) -> tuple[float, float, float]:
    """Fields in an exposure, the share of the picture that gets one more, and the depth of the step.

    >>> fields, share, depth = foreseen_band(1 / 30, 50.0)
    >>> round(fields, 3), round(share, 3), round(depth, 3)
    (1.667, 0.667, 0.5)
    """
    fields = exposure_s * field_hz
    whole = int(fields + 1e-9)
    return fields, max(fields - whole, 0.0), 1 / (whole + 1)


def judge_exposure(photo: Photo, *, field_hz: float, interlaced: bool, region: Box | None) -> Exposure:
    """Judge how a photograph of a screen was taken.

    Args:
        photo: The photograph.
        field_hz: Fields a second of the display.
        interlaced: Two fields make a frame.
        region: The picture's place in it: left, top, right, bottom in pixels; the whole photograph if unknown.

    Returns:
        The judgement; its ``refusal`` says if there is nothing to be measured.
    """
    pixels = _within(photo.pixels, region)
    clipped, bright, signal = _brightness(photo, pixels)
    reduced = _reduced(photo, pixels)
    edges = edge_blur(photo, pixels, 0.5 * pixels.shape[1] / _MARKS_ACROSS) if signal >= LEAST_SIGNAL_RATIO else None
    band = foreseen_band(photo.exposure_s, field_hz) if photo.exposure_s else None
    mark_px = pixels.shape[1] / _MARKS_ACROSS * _MARK_SHARE
    seen = _banding(reduced) if signal >= LEAST_SIGNAL_RATIO else None
    refusal = _refused(clipped, bright, signal, edges, band, seen, mark_px, field_hz)
    warnings = [*_said_of_fields(band, seen, field_hz, interlaced=interlaced), *_said_of_light(clipped, bright)]
    moire = _moire(reduced)
    if moire is not None and moire > 0.04:  # a beat that the eye sees at a glance (estimate)
        warnings.append("A beat pattern lies over the picture: move the camera a little nearer or farther, or turn it.")
    if edges is not None and refusal is None and edges[1] > 0.5 * mark_px:
        warnings.append(
            "Edges are soft along one direction: the camera may have moved. Rest it on something, use the self-timer."
        )
    dark, full = bright < DARK_CODED, max(clipped) > WARN_CLIPPED_SHARE
    return Exposure(
        kind="refused" if refusal else "bright" if full else "dark" if dark else "good",
        exposure_s=photo.exposure_s,
        fields_in_exposure_count=band[0] if band else None,
        band_share=band[1] if band else None,
        band_depth_ratio=band[2] if band else None,
        banding_seen_ratio=seen,
        clipped_share=clipped,
        signal_to_noise_ratio=signal,
        blur_px=edges[0] if edges else None,
        motion_px=edges[1] if edges else None,
        motion_deg=edges[2] if edges else None,
        moire_ratio=moire,
        warnings=tuple(warnings),
        refusal=refusal,
    )


# -- in words -------------------------------------------------------------------------------------------------------


def even_times(field_hz: float) -> str:
    """Exposure times that give an even number of whole fields, as a camera shows them.

    >>> even_times(59.94), even_times(50.0)
    ('1/30 s or 1/15 s', '1/25 s')
    """
    parts = [round(field_hz / count) for count in (2, 4)]
    fitting = [part for part, count in zip(parts, (2, 4), strict=True) if abs(field_hz / part - count) < EVEN_SHARE]
    return " or ".join(f"1/{part} s" for part in fitting or parts[:1])


def _said_of_fields(
    band: tuple[float, float, float] | None, seen: float | None, field_hz: float, *, interlaced: bool
) -> list[str]:
    if band is None:
        return ["The file doesn't tell its exposure time, so bands can't be foreseen."]
    fields, share, depth = band
    if fields < 1 - EVEN_SHARE:
        return [
            f"The exposure lasts {fields:.2f} of a field, so that part of the picture may be dark: {_instead(field_hz)}"
        ]
    if min(share, 1 - share) > EVEN_SHARE and depth > DEEP_BAND and _shows(seen, depth):
        return [
            f"The exposure lasts {fields:.2f} fields, so that part of the picture is lit once more than the rest: "
            + _instead(field_hz)
        ]
    if interlaced and round(fields) % 2 and fields < 1 / DEEP_BAND:
        return [f"The exposure lasts {fields:.2f} fields, so that odd and even lines differ: {_instead(field_hz)}"]
    return []


def _shows(seen: float | None, depth: float) -> bool:
    """Whether a foreseen band may be in the picture: a quarter of its depth is left where it is blurred."""
    return seen is None or seen > depth / 4


def _instead(field_hz: float) -> str:
    return f"set {even_times(field_hz)}."


def _said_of_light(clipped: tuple[float, float, float], bright: float) -> list[str]:
    over = [name for name, share in zip(("red", "green", "blue"), clipped, strict=True) if share > WARN_CLIPPED_SHARE]
    if over:
        return [f"The camera's limit is reached in {' and '.join(over)}: expose less, until nothing is pure white."]
    if bright < DARK_CODED:
        return ["The picture is dark in the photograph: expose more, with the camera on a stand."]
    return []


def _refused(
    clipped: tuple[float, float, float],
    bright: float,
    signal: float,
    edges: tuple[float, float, float] | None,
    band: tuple[float, float, float] | None,
    seen: float | None,
    mark_px: float,
    field_hz: float,
) -> tuple[str, str] | None:
    if bright < DARKEST_CODED or signal < LEAST_SIGNAL_RATIO:
        return (
            "the photograph is far too dark",
            f"Tap on the picture, so that the camera sets itself by it; longer, on a stand: {even_times(field_hz)}.",
        )
    if max(clipped) > MOST_CLIPPED_SHARE:
        return (
            "the photograph is far too bright: the marks are clipped",
            "Tap on the picture and draw the brightness down until colours show, or lower the sensitivity (ISO).",
        )
    if band is not None and band[0] < 0.5 and _shows(seen, 1.0):
        return (
            f"the exposure lasts {band[0]:.2f} of a field, so that more than half of the picture is dark",
            f"Set {even_times(field_hz)}; lower the sensitivity (ISO) if it gets too bright.",
        )
    if edges is not None and edges[1] > mark_px:
        return (
            f"edges are smeared over {edges[1]:.0f} px along one direction, as by a moving camera",
            "Rest the camera on something and use the self-timer.",
        )
    if edges is not None and edges[0] > SOFTEST_SHARE * mark_px:
        return (
            "the photograph is out of focus, or the tube is: the marks have no edges left",
            "Tap on the picture so that the camera focuses on it, and wipe the lens; or set the tube's focus first.",
        )
    return None


# -- light ----------------------------------------------------------------------------------------------------------


def _within(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], region: Box | None
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    if region is None:
        return pixels
    height, width = pixels.shape[:2]
    left, top = max(0, min(region[0], width - 16)), max(0, min(region[1], height - 16))
    return pixels[top : max(region[3], top + 16), left : max(region[2], left + 16)]


def _brightness(
    photo: Photo, pixels: NDArray[np.uint8] | NDArray[np.uint16]
) -> tuple[tuple[float, float, float], float, float]:
    """Clipped share of the lit places per channel; the coded level of bright places; their light over the noise."""
    step = max(1, int(np.sqrt(pixels.shape[0] * pixels.shape[1] / _SAMPLES)))
    some = pixels[::step, ::step].reshape(-1, 3)
    highest = int(np.iinfo(pixels.dtype).max)
    limit = int(AT_LIMIT * highest)
    light = linear_table(photo)[some]
    bright = np.quantile(light, 0.995, axis=0)
    lit = light > LIT_SHARE * np.maximum(bright, 1e-6)
    clipped = np.array(
        [float((some[lit[:, c], c] >= limit).mean()) if lit[:, c].mean() > 0.002 else 0.0 for c in range(3)]
    )
    ratio = bright / _noise(photo, pixels)
    level = float(np.max(bright))
    coded = 12.92 * level if level <= 0.0031308 else 1.055 * level ** (1 / 2.4) - 0.055  # IEC 61966-2-1:1999
    return (float(clipped[0]), float(clipped[1]), float(clipped[2])), coded, float(ratio.max())


def _noise(photo: Photo, pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> Array:
    """Standard deviation of one pixel's light per channel in the quietest parts, (3,).

    Source: Immerkaer, Computer Vision and Image Understanding 64 (1996), the second differences of both axes; not
    less than what one step of 8 bits is worth there.
    """
    height, width = pixels.shape[:2]
    table = linear_table(photo)
    found = []
    for row in np.linspace(0, max(height - 48, 0), 6).astype(int):
        for column in np.linspace(0, max(width - 48, 0), 6).astype(int):
            tile = table[pixels[row : row + 48, column : column + 48]].astype(np.float64)
            across = np.diff(np.diff(tile, 2, axis=0), 2, axis=1)
            found.append(np.sqrt(np.pi / 2) / 6 * np.abs(across).mean(axis=(0, 1)))
    quiet = np.quantile(np.array(found), 0.25, axis=0)
    return np.asarray(np.maximum(quiet, 1 / (12.92 * 255 * np.sqrt(12))))


def _reduced(photo: Photo, pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> Array:
    """The brightest channel's light, reduced to at most 400 pixels a side."""
    import cv2

    factor = max(1, int(max(pixels.shape[:2]) / 400))
    height, width = (side // factor for side in pixels.shape[:2])
    whole = pixels[: height * factor, : width * factor]
    # every second pixel of large photographs: their mean serves as well
    thin = whole[:: max(1, factor // 4), :: max(1, factor // 4)]
    small = cv2.resize(thin, (width, height), interpolation=cv2.INTER_AREA) if factor > 1 else thin
    return np.asarray(linear_table(photo)[np.asarray(small, dtype=pixels.dtype)].max(axis=2), dtype=np.float64)


# -- bands and beats ------------------------------------------------------------------------------------------------


def _banding(light: Array) -> float | None:
    """Depth of the deepest step of light between one stretch of the picture and the rest, along either axis."""
    rows, columns = (int(0.08 * side) for side in light.shape)  # the picture's own rim is a step too
    inner = light[rows : light.shape[0] - rows, columns : light.shape[1] - columns]
    depths = [_step_depth(side) for side in (inner, inner.T)]
    known = [depth for depth in depths if depth is not None]
    return max(known, default=None)


def _step_depth(light: Array) -> float | None:
    """The deepest step along the rows: of bright places row by row, beside what bends smoothly."""
    from scipy.ndimage import maximum_filter1d

    rows = np.quantile(light, 0.97, axis=1)
    reach = max(3, int(1.3 * len(rows) / 23))  # rows of the survey: every stretch holds a mark
    bright = maximum_filter1d(rows, reach)[reach // 2 :: max(1, reach // 2)]
    if len(bright) < 10 or bright.min() <= 0:
        return None
    logs = np.log(bright)
    at = np.linspace(-1, 1, len(logs))
    smooth, _ = np.linalg.qr(np.vander(at, 3))
    first, last = np.triu_indices(len(logs), k=2)
    index = np.arange(len(logs))
    inside = ((index >= first[:, None]) & (index < last[:, None])).astype(np.float64)
    inside -= (inside @ smooth) @ smooth.T
    rest = logs - smooth @ (smooth.T @ logs)
    weight = (inside**2).sum(axis=1)
    gain = np.where(weight > 0.5, (inside @ rest) ** 2 / np.maximum(weight, 1e-9), 0)
    best = int(gain.argmax())
    size = float(inside[best] @ rest / weight[best])
    left = max(float(rest @ rest) - float(gain[best]), 0.0) / max(len(logs) - 6, 1)
    doubt = 3 * np.sqrt(left / weight[best])
    return float(1 - np.exp(-max(abs(size) - doubt, 0.0)))


def _moire(light: Array) -> float | None:
    """Swing of coarse patterns over evenly lit parts, as a share of their light; ``None`` where there are too few."""
    import cv2

    block = 24
    height, width = (side // block for side in light.shape)
    if not height or not width:
        return None
    smooth = cv2.GaussianBlur(light, (0, 0), 1.0)  # noise and lines of the raster are finer than a beat
    blocks = np.asarray(smooth[: height * block, : width * block], dtype=np.float64)
    parts = blocks.reshape(height, block, width, block).swapaxes(1, 2).reshape(-1, block * block)
    bright = float(np.quantile(light, 0.995))
    even = parts[(parts.min(axis=1) > 0.6 * parts.max(axis=1)) & (parts.mean(axis=1) > 0.3 * bright)]
    if len(even) < 6 or bright <= 0:
        return None
    y, x = np.mgrid[-1 : 1 : block * 1j, -1 : 1 : block * 1j]
    basis, _ = np.linalg.qr(
        np.stack([np.ones(block * block), x.ravel(), y.ravel(), x.ravel() ** 2, y.ravel() ** 2], axis=1)
    )
    rest = even - (even @ basis) @ basis.T
    return float(np.median(rest.std(axis=1) / even.mean(axis=1)) * np.sqrt(2))
