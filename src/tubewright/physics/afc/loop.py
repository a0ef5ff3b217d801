"""The loop over a field, line by line: where the oscillator stands at each line.

The detector decides at an edge and holds its output until the next decision, at most
one line; between decisions the network moves on exactly. An edge that comes late by a
little counts with its true phase but is acted upon at its half line: an error of second
order. Several loops run side by side, and a stretch of plain lines is taken in one go.

Phases are radians of a line, positive where the oscillator is ahead: the beam has then
come further to the right when the picture arrives, and the line lies to the right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.physics._arrays import FloatArray
from tubewright.physics.afc.parts import (
    DRIVE,
    ONE,
    PHASE,
    AfcParts,
    Detector,
    PartArrays,
    equilibrium,
    exponential,
    output,
    rates,
    side_by_side,
    wrapped,
)
from tubewright.physics.afc.separator import separated
from tubewright.physics.afc.source import PulseTrain, SyncSource, pulse_train

SAME_DELAY_US: Final = 5e-4
MOST_FRAMES: Final = 40
SETTLED_RAD: Final = 1e-7
MOST_ROUNDS: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moves:
    """How the state moves on over half a line and a whole line, driven and let go, each (batch, 5, 5)."""

    driven: dict[int, FloatArray]
    free: dict[int, FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoopRun:
    """One frame of several loops.

    Attributes:
        phase_rad: Of the oscillator at each line of the frame, against an ideal source, (batch, lines).
        visible: For each line of the frame the field it is visible in, -1 where it isn't, (lines,).
        after_lines: Lines since the field pulse of its field began, (lines,).
        settled: Whether one frame is like the next, (batch,).
        state: At the end of the frame, (batch, 5).
    """

    phase_rad: FloatArray
    visible: NDArray[np.int64]
    after_lines: FloatArray
    settled: NDArray[np.bool_]
    state: FloatArray


def moves(parts: PartArrays, line_us: float) -> Moves:
    """The exact steps of half a line and of a line."""
    half_s = line_us * 1e-6 / 2
    half = {driven: exponential(rates(parts, driven=driven) * half_s) for driven in (True, False)}
    return Moves(
        driven={1: half[True], 2: half[True] @ half[True]},
        free={1: half[False], 2: half[False] @ half[False]},
    )


def run(
    parts: Sequence[AfcParts],
    source: SyncSource,
    detector: Detector | None = None,
    *,
    most_frames: int = MOST_FRAMES,
    jitter_us: FloatArray | None = None,
    start: FloatArray | None = None,
) -> LoopRun:
    """Run loops on a source until one frame is like the next.

    Args:
        parts: The loops.
        source: What is sent to them.
        detector: How their detectors behave; an ungated triangle unless given.
        most_frames: When to stop even if they still change.
        jitter_us: How late each pulse comes besides, (frames, slots); then exactly those frames are run and the
            last is given.
        start: State to begin with, (batch, 5); at rest on plain lines unless given.

    Returns:
        The last frame. A loop that can't hold its free-running error gives NaN.

    Raises:
        ValueError: A part that the circuit can't do with.
    """
    detector = detector or Detector()
    arrays = side_by_side(parts)
    train = pulse_train(source)
    step = moves(arrays, train.line_us)
    state = equilibrium(arrays, detector)[1] if start is None else np.array(start, dtype=np.float64)
    seen, late_us = separated(train, arrays.coupling_s)
    if detector.takes_pulse:
        late_us = late_us + _centre_shift_us(train, source, detector)
    frame = _Frame(arrays, detector, step, train.line_us)
    settled = np.zeros(len(parts), dtype=bool)
    for count in range(most_frames if jitter_us is None else len(jitter_us)):
        before = state
        delays = late_us if jitter_us is None else late_us + jitter_us[count]
        phase, state = frame.over(seen, delays, state)
        moved = np.abs(state[:, PHASE] - before[:, PHASE])
        settled = moved < SETTLED_RAD
        if jitter_us is None and not np.any(moved > SETTLED_RAD):
            break
    visible, after = visible_lines(source, train)
    return LoopRun(phase_rad=phase, visible=visible, after_lines=after, settled=settled, state=state)


def free_of_field_pulses(
    parts: Sequence[AfcParts],
    detector: Detector,
    state: FloatArray,
    *,
    line_hz: float,
    lines: int,
) -> FloatArray:
    """Phase of loops on so many plain lines from a given state, (batch, lines): how they lock, or answer to a step."""
    arrays = side_by_side(parts)
    frame = _Frame(arrays, detector, moves(arrays, 1e6 / line_hz), 1e6 / line_hz)
    seen = np.zeros((len(parts), 2 * lines), dtype=bool)
    seen[:, 0::2] = True
    return frame.over(seen, np.zeros((1, 2 * lines)), state)[0]


def visible_lines(source: SyncSource, train: PulseTrain) -> tuple[NDArray[np.int64], FloatArray]:
    """For each line of a frame the field in which it is visible (-1: blanked), and lines since that field's pulse."""
    slots = np.arange(0, source.frame_slots, 2)
    visible = np.full(len(slots), -1, dtype=np.int64)
    after = np.zeros(len(slots))
    for number, begin in enumerate(train.field_slot):
        first = begin + int(np.ceil(2 * source.visible_after_lines))
        first += first % 2
        chosen = (slots >= first) & (slots < first + 2 * source.visible_count)
        chosen &= slots < (number + 1) * source.half_lines
        visible[chosen] = number
        after[chosen] = (slots[chosen] - begin) / 2
    return visible, after


def _centre_shift_us(train: PulseTrain, source: SyncSource, detector: Detector) -> FloatArray:
    """How much later the centre of each pulse lies than that of a line pulse, as far as the flyback reaches."""
    weighed = np.minimum(train.width_us, detector.flyback_us)
    usual = min(source.line_pulse_us, detector.flyback_us)
    return np.asarray(np.where(train.present, (weighed - usual) / 2, 0.0))


class _Frame:
    """What stays the same from frame to frame."""

    def __init__(self, parts: PartArrays, detector: Detector, step: Moves, line_us: float) -> None:
        self.parts, self.detector, self.step, self.line_us = parts, detector, step, line_us
        self.per_us = -2 * np.pi / line_us
        # The straight line that touches the detector's output where the loop rests.
        rest = equilibrium(parts, detector)[0] if detector.characteristic == "sine" else np.zeros(len(parts.leak_ohm))
        rest = np.where(np.isnan(rest), 0.0, rest)
        self.slope = np.cos(rest)
        self.offset = np.sin(rest) - self.slope * rest

    def over(self, seen: NDArray[np.bool_], late_us: FloatArray, state: FloatArray) -> tuple[FloatArray, FloatArray]:
        """One frame: phase at its lines, and the state at its end."""
        batch = len(state)
        slots = seen.shape[1]
        seen, late_us = np.broadcast_to(seen, (batch, slots)), np.broadcast_to(late_us, (batch, slots))
        phase = np.empty((batch, slots // 2))
        plain = _plain_lines(seen, late_us)
        between = _between(seen)
        last = np.full(batch, -2)
        slot = 0
        while slot < slots:
            if slot % 2 == 0 and plain[slot] > 1:
                count = int(plain[slot])
                jumped = self._plain(late_us[:, slot], state, count)
                if jumped is not None:
                    phase[:, slot // 2 : slot // 2 + count], state = jumped
                    slot += 2 * count
                    last = np.full(batch, slot - 2)
                    continue
            if slot % 2 == 0:
                phase[:, slot // 2] = state[:, PHASE]
            state, last, free = self._decide(slot, seen[:, slot], late_us[:, slot], state, last)
            ahead = 2 if slot % 2 == 0 and not (slot + 1 < slots and between[slot + 1]) else 1
            ahead = min(ahead, slots - slot)
            state = self._move(state, ahead, free)
            slot += ahead
        return phase, state

    def _decide(
        self, slot: int, seen: NDArray[np.bool_], late_us: FloatArray, state: FloatArray, last: NDArray[np.int64]
    ) -> tuple[FloatArray, NDArray[np.int64], NDArray[np.bool_]]:
        """What the detector makes of a half line: new output where an edge counts, none where one is overdue."""
        error = wrapped(late_us * self.per_us - state[:, PHASE] - (np.pi if slot % 2 else 0.0))
        counts = seen & (np.abs(error) < np.pi / 2) if self.detector.gated else seen
        last = np.where(counts, slot, last)
        overdue = slot - last >= 2
        state = state.copy()
        drive = self.parts.detector_v_per_rad * output(self.detector.characteristic, error)
        state[:, DRIVE] = np.where(counts, drive, np.where(overdue, 0.0, state[:, DRIVE]))
        return state, last, overdue & (self.detector.without_edge == "open")

    def _move(self, state: FloatArray, ahead: int, free: NDArray[np.bool_]) -> FloatArray:
        driven = self.step.driven[ahead]
        if free.any():
            driven = np.where(free[:, None, None], self.step.free[ahead], driven)
        return np.asarray((driven @ state[:, :, None])[:, :, 0])

    def _plain(self, late_us: FloatArray, state: FloatArray, count: int) -> tuple[FloatArray, FloatArray] | None:
        """So many plain lines at once, or None where the detector leaves its slope on the way.

        With the detector's slope one line is a linear map of the state; the states after it are made by doubling.
        What a sine lacks of its slope is put in afterwards.
        """
        here = late_us * self.per_us
        here = here - 2 * np.pi * np.round((here - state[:, PHASE]) / (2 * np.pi))
        volts = self.parts.detector_v_per_rad
        decide = np.zeros((len(state), 5, 5))
        decide[:] = np.eye(5)
        decide[:, DRIVE, DRIVE] = 0.0
        decide[:, DRIVE, PHASE] = -volts * self.slope
        decide[:, DRIVE, ONE] = volts * (self.slope * here + self.offset)
        line = self.step.driven[2] @ decide
        course = _doubled(line, state, count)
        end = (line @ course[:, :, -1:])[:, :, 0]
        phase = course[:, PHASE]
        if self.detector.characteristic == "sine":
            answer = _doubled(line, self.step.driven[2][:, :, DRIVE] * volts[:, None], count)
            lack = self._lack(here, phase, answer[:, PHASE])
            if lack is None:
                return None
            phase = phase + _delayed(answer[:, PHASE], lack)
            end = end + np.einsum("bin,bn->bi", answer[:, :, ::-1], lack)
        if np.any(np.abs(here[:, None] - phase) > self.detector.limit_rad):
            return None
        return phase, np.asarray(end)

    def _lack(self, here: FloatArray, straight: FloatArray, answer: FloatArray) -> FloatArray | None:
        """What a sine gives beyond its slope at each line, found by going round; None where that doesn't settle.

        Args:
            here: Phase of sync, (batch,).
            straight: Phase at each line with the slope alone, (batch, lines).
            answer: Phase after each line for one radian more from the detector at the first, (batch, lines).
        """
        slope, offset = self.slope[:, None], self.offset[:, None]
        error = here[:, None] - straight
        lack = np.sin(error) - slope * error - offset
        for _ in range(MOST_ROUNDS):
            error = here[:, None] - straight - _delayed(answer, lack)
            fresh = np.sin(error) - slope * error - offset
            moved = np.abs(fresh - lack)
            lack = fresh
            if not np.any(moved > SETTLED_RAD / 100):
                return np.asarray(lack)
        return None


def _doubled(line: FloatArray, state: FloatArray, count: int) -> FloatArray:
    """A state and what so many lines less one make of it, one after the other, (batch, 5, count)."""
    course = np.empty((len(state), 5, count))
    course[:, :, 0] = state
    power, have = line, 1
    while have < count:
        more = min(have, count - have)
        course[:, :, have : have + more] = power @ course[:, :, :more]
        have += more
        if have < count:
            power = power @ power
    return course


def _delayed(answer: FloatArray, lack: FloatArray) -> FloatArray:
    """What all that was put in before each line has come to by then, (batch, lines): a convolution, by spectra."""
    count = lack.shape[1]
    size = 2 ** int(np.ceil(np.log2(2 * count)))
    summed = np.fft.irfft(np.fft.rfft(answer, size) * np.fft.rfft(lack, size), size)
    return np.concatenate([np.zeros((len(lack), 1)), summed[:, : count - 1]], axis=1)


def _between(seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Half lines between whole ones at which an edge comes, or what one has set ends. (slots,)."""
    odd = np.zeros(seen.shape[1], dtype=bool)
    odd |= seen.any(axis=0)
    odd[0::2] = False
    odd[2:] |= odd[:-2]
    return odd


def _plain_lines(seen: NDArray[np.bool_], late_us: FloatArray) -> NDArray[np.int64]:
    """How many plain lines begin at each slot: an edge at every line, none between, all equally late. (slots,)."""
    every = np.array(seen.all(axis=0), ndmin=1)
    even, odd = every[0::2], _between(seen)[1::2]
    good = even & ~odd
    late = late_us[:, 0::2]
    counts = np.zeros(seen.shape[1], dtype=np.int64)
    first = 0
    while first < len(good):
        if not good[first]:
            first += 1
            continue
        stop = first + int(np.argmin(np.append(good[first:], False)))
        differ = np.abs(late[:, first:stop] - late[:, first : first + 1]).max(axis=0) > SAME_DELAY_US
        if differ.any():
            stop = first + int(np.argmax(differ))
        counts[2 * first] = stop - first
        first = stop
    return counts
