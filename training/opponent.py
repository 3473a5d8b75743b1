"""The opponent in learning: boosted trees on what a correction shows, with nothing learned beforehand.

scikit-learn's `HistGradientBoostingRegressor(max_iter=200, learning_rate=0.08, random_state=0)`, one a lane, on 50
frames a second where the part sounds, and plain features of the notes. Phrases are cut at rests alone, or as the
project hears them: the stronger of the two is what a personal layer has to beat.

Lines are taken as attacks (all that starts together in a part), the highest pitch speaking for a chord. Seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, n_frames_for
from phrasewright.model.limits import sounding_frames

Array = NDArray[np.float64]
CUTS = ("rests", "heard")
STEP = 2
"""Every second frame of the 10 ms grid: 50 a second."""
REST_S = 0.25
"""Silence that cuts a phrase."""
FEATURES = (
    *("since_onset_s", "to_offset_s", "note_s", "note_share", "to_next_onset_s"),
    *("pitch_from_mean", "pitch_from_previous", "pitch_to_next", "previous_s", "next_s", "gap_before_s"),
    *("phrase_share", "phrase_s", "since_phrase_s", "to_phrase_end_s"),
    *("in_one_bar", "in_two_bars", "in_four_bars", "to_cue_end_s"),
    *("same_as_previous", "same_as_next", "beat_s", "smooth_pitch"),
)


@dataclass(frozen=True)
class Drawn:
    """What a hand drew over a part, or over a stretch of it.

    Parameters
    ----------
    hearing, index
        The cue as heard, and the part, counted from 0.
    value_cc : float array, (n_frames, 3)
        Dynamics, expression, vibrato on the 10 ms grid from time 0.
    start_s, end_s : float
        Only there it counts.
    """

    hearing: CueHearing
    index: int
    value_cc: Array
    start_s: float = 0.0
    end_s: float = np.inf


@dataclass
class Opponent:
    """Trees for three lanes. `cut` says where phrases end: at `rests`, or as `heard` by the project."""

    cut: str = "rests"
    _trees: list[Any] = field(default_factory=list)

    def fit(self, corrections: Sequence[Drawn]) -> Opponent:
        """Learn from the sounding frames of all corrections; forgets what it knew.

        Raises
        ------
        ValueError
            Fewer than two sounding frames, or `cut` is unknown.
        """
        from sklearn.ensemble import HistGradientBoostingRegressor

        known, wanted = [], []
        for drawn in corrections:
            frames = judged_frames(drawn.hearing, drawn.index, start_s=drawn.start_s, end_s=drawn.end_s)
            known.append(note_features(drawn.hearing, drawn.index, frames, cut=self.cut))
            wanted.append(drawn.value_cc[frames])
        features, target = np.concatenate(known), np.concatenate(wanted)
        if len(features) < 2:
            raise ValueError(f"{len(features)} sounding frames are too few to learn from")
        self._trees = []
        for lane in range(len(LANES)):
            trees = HistGradientBoostingRegressor(max_iter=200, learning_rate=0.08, random_state=0)
            self._trees.append(trees.fit(features, target[:, lane]))
        return self

    def predict(self, hearing: CueHearing, index: int) -> Array:
        """Lanes of a part, (n_frames, 3) on the 10 ms grid; rests, and every other frame, by straight lines."""
        n_frames = frame_count(hearing, index)
        frames = judged_frames(hearing, index)
        if not self._trees:
            raise ValueError("fit the opponent before it predicts")
        if not len(frames):
            return np.zeros((n_frames, len(LANES)))
        features = note_features(hearing, index, frames, cut=self.cut)
        grid = np.arange(n_frames)
        return np.stack([np.interp(grid, frames, trees.predict(features)) for trees in self._trees], axis=1)


def frame_count(hearing: CueHearing, index: int) -> int:
    """Frames of the part's 10 ms grid."""
    return n_frames_for(float(hearing.parts[index].part.notes.offset_s.max()))


def judged_frames(hearing: CueHearing, index: int, *, start_s: float = 0.0, end_s: float = np.inf) -> NDArray[np.int64]:
    """Numbers on the 10 ms grid of the sounding frames, 50 a second, from `start_s` to before `end_s`."""
    frames = np.flatnonzero(sounding_frames(hearing, index, frame_count(hearing, index))[::STEP]) * STEP
    return np.asarray(frames[(frames * FRAME_S >= start_s) & (frames * FRAME_S < end_s)])


def note_features(hearing: CueHearing, index: int, frames: NDArray[np.int64], *, cut: str) -> Array:
    """FEATURES at frames of the 10 ms grid, shape (n_frames, n_features); unknown neighbours are nan.

    Raises
    ------
    ValueError
        `cut` is none of CUTS.
    """
    if cut not in CUTS:
        raise ValueError(f"cut must be one of {CUTS}, got {cut!r}")
    part, tempo = hearing.parts[index], hearing.cue.tempo
    a = part.attacks
    t = np.asarray(frames * FRAME_S, dtype=np.float64)
    at = np.clip(np.searchsorted(a.onset_s, t + 1e-9, side="right") - 1, 0, None)
    onset_s, offset_s, pitch = a.onset_s, a.release_s, a.pitch.astype(np.float64)
    length_s = np.maximum(offset_s - onset_s, 0.01)
    before, after = np.r_[np.nan, pitch[:-1]], np.r_[pitch[1:], np.nan]
    reach_s = np.maximum.accumulate(offset_s)
    gap_s = np.maximum(np.r_[onset_s[0], onset_s[1:] - reach_s[:-1]], 0.0)
    since_s, to_offset_s = t - onset_s[at], offset_s[at] - t

    if cut == "rests":
        first = np.flatnonzero(np.r_[True, gap_s[1:] >= REST_S])
        start_s, end_s = onset_s[first], reach_s[np.r_[first[1:] - 1, len(onset_s) - 1]]
    else:
        start_s = np.array([p.start_s for p in part.phrases])
        end_s = np.array([p.end_s for p in part.phrases])
    phrase = np.clip(np.searchsorted(start_s, t + 1e-9, side="right") - 1, 0, None)
    phrase_s = np.maximum(end_s - start_s, 0.01)[phrase]
    since_phrase_s = t - start_s[phrase]

    bar = tempo.tick_to_bar(tempo.s_to_tick(t)) - 1.0 if tempo.has_metre else t / 2.0
    columns = (
        since_s, to_offset_s, length_s[at], np.clip(since_s / length_s[at], 0.0, 1.0),
        np.r_[onset_s[1:], np.nan][at] - t,
        pitch[at] - float(np.mean(pitch)), (pitch - before)[at], (after - pitch)[at],
        np.r_[np.nan, length_s[:-1]][at], np.r_[length_s[1:], np.nan][at], gap_s[at],
        np.clip(since_phrase_s / phrase_s, 0.0, 1.0), phrase_s, since_phrase_s, end_s[phrase] - t,
        np.mod(bar, 1.0), np.mod(bar, 2.0), np.mod(bar, 4.0), hearing.cue.duration_s - t,
        (pitch == before)[at], (pitch == after)[at], tempo.beat_length_s(t),
        smooth_pitch(onset_s, pitch, t) - float(np.mean(pitch)),
    )  # fmt: skip
    return np.stack([np.asarray(column, dtype=np.float64) for column in columns], axis=1)


def smooth_pitch(onset_s: Array, pitch: Array, time_s: Array, *, width_s: float = 1.0) -> Array:
    """Mean over the second around each time of the pitch begun last, exactly; shape of `time_s`."""
    last_s = max(float(onset_s[-1]), float(time_s.max(initial=0.0)))
    knots = np.r_[min(float(onset_s[0]), 0.0) - width_s, onset_s[1:], last_s + width_s]
    total = np.r_[0.0, np.cumsum(pitch * np.diff(knots))]
    ahead = np.interp(time_s + width_s / 2.0, knots, total)
    return np.asarray((ahead - np.interp(time_s - width_s / 2.0, knots, total)) / width_s)
