"""What every hand needs that is not its own: the notes of one line on the grid, an unsteady arm, and rests.

No formula of any curve stands here. The arm is the same for all hands, so that the floor no prediction can pass is the
same: 1.2 controller steps mean absolute error.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.notes import Notes
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import frame_times_s, n_frames_for

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
NOISE_CC = 1.2
"""Mean absolute error of a hand against its own intention, in steps."""
RANGES_CC = ((12.0, 118.0), (48.0, 120.0), (0.0, 127.0))
"""Dynamics, expression, vibrato while sounding (common practice, no source)."""


@dataclass(frozen=True)
class Line:
    """One part as a single line, from its notes alone.

    Parameters
    ----------
    time_s : float array, (n_frames,)
        The 10 ms grid.
    onset_s, end_s, pitch : float arrays, (n_notes,)
        Notes beginning within 20 ms are one, with the highest pitch. A note ends at its last offset or where the next
        begins.
    gap_s : float array, (n_notes,)
        Silence before each note; from time 0 before the first.
    at : int array, (n_frames,)
        The note begun last; the first one before it begins.
    bar : float array, (n_notes,)
        Bars from 1 at which notes begin, as real numbers.
    """

    time_s: Array
    onset_s: Array
    end_s: Array
    pitch: Array
    gap_s: Array
    at: Ints
    bar: Array

    @property
    def length_s(self) -> Array:
        return self.end_s - self.onset_s

    @property
    def n_notes(self) -> int:
        return len(self.onset_s)

    @property
    def since_s(self) -> Array:
        """Seconds since the onset of each frame's note, not below 0; shape (n_frames,)."""
        return np.asarray(np.maximum(self.time_s - self.onset_s[self.at], 0.0))

    @property
    def within(self) -> Array:
        """How far each frame's note has gone, 0 to 1; shape (n_frames,)."""
        return np.asarray(np.clip(self.since_s / self.length_s[self.at], 0.0, 1.0))


def line_of(hearing: CueHearing, index: int) -> Line:
    """The line of a part; it must hold notes."""
    notes: Notes = hearing.parts[index].part.notes
    time_s = frame_times_s(n_frames_for(float(notes.offset_s.max())))
    first = np.flatnonzero(np.diff(notes.onset_s, prepend=-1.0) > 0.02)
    onset_s = notes.onset_s[first]
    pitch = np.maximum.reduceat(notes.pitch, first).astype(np.float64)
    release_s = np.maximum.reduceat(notes.offset_s, first)
    reach_s = np.maximum.accumulate(release_s)
    end_s = np.maximum(np.minimum(release_s, np.r_[onset_s[1:], np.inf]), onset_s + 0.02)
    gap_s = np.maximum(onset_s - np.r_[0.0, reach_s[:-1]], 0.0)
    at = np.clip(np.searchsorted(onset_s, time_s, side="right") - 1, 0, None)
    tempo = hearing.cue.tempo
    bar = tempo.tick_to_bar(notes.onset_tick[first]) if tempo.has_metre else 1.0 + onset_s / 2.0
    return Line(time_s, onset_s, end_s, pitch, gap_s, at, np.asarray(bar))


def frame_bars(hearing: CueHearing, time_s: Array) -> Array:
    """Bars from 1 at each frame, as real numbers; two seconds a bar where there is no metre."""
    tempo = hearing.cue.tempo
    return np.asarray(tempo.tick_to_bar(tempo.s_to_tick(time_s)) if tempo.has_metre else 1.0 + time_s / 2.0)


def on_the_fader(intended_cc: Array, line: Line, *, seed: int, noise: bool) -> Array:
    """What the hand leaves: in rests it waits, then moves to where it must begin; with an unsteady arm, in whole steps.

    `intended_cc` has shape (n_frames, 3). Without noise the answer is the intention, not rounded.
    """
    low, high = np.array(RANGES_CC).T
    value = np.clip(_rested(intended_cc, line), low, high)
    if not noise:
        return np.asarray(value)
    notes = zlib.crc32(np.rint(np.r_[line.onset_s, line.pitch] * 1000.0).astype(np.int64).tobytes())
    rng = np.random.default_rng([seed, notes])
    return np.asarray(np.clip(np.rint(value + _arm(rng, len(value))), low, high))


def _rested(value: Array, line: Line) -> Array:
    """Rests of a quarter second or more: stay for two fifths of them, then go over in a straight line."""
    out = value.copy()
    begin = np.flatnonzero(line.gap_s >= 0.25)
    reach_s = np.maximum.accumulate(line.end_s)
    for n in begin.tolist():
        stop = int(np.ceil(line.onset_s[n] / 0.01 - 1e-6))
        start = int(np.ceil(reach_s[n - 1] / 0.01 - 1e-6)) if n else 0
        if stop - start < 2 or stop >= len(value):
            continue
        first = value[start - 1] if n and start > 0 else value[stop]
        share = np.clip((np.arange(stop - start) / (stop - start) - 0.4) / 0.5, 0.0, 1.0)[:, None]
        out[start:stop] = first + (value[stop] - first) * share
    last = min(int(np.ceil(reach_s[-1] / 0.01)), len(value) - 1)
    out[last:] = value[max(last - 1, 0)]
    return out


def _arm(rng: np.random.Generator, n_frames: int) -> Array:
    """Wander within a second or two and a little tremor, (n_frames, 3); mean absolute value NOISE_CC after rounding."""
    lanes = []
    for _ in range(3):
        slow = _smoothed(rng.normal(size=n_frames + 400), 70)[200 : 200 + n_frames]
        fast = _smoothed(rng.normal(size=n_frames + 400), 12)[200 : 200 + n_frames]
        lanes.append(slow * 1.25 + fast * 0.75)
    return np.asarray(np.stack(lanes, axis=1) * NOISE_CC / np.sqrt(2.0 / np.pi) / np.hypot(1.25, 0.75))


def _smoothed(white: Array, half: int) -> Array:
    """White noise through a cosine bell of unit energy."""
    bell = np.cos(np.linspace(-np.pi / 2, np.pi / 2, 2 * half + 1)) ** 2
    return np.convolve(white, bell / np.sqrt(np.sum(bell**2)), mode="same")
