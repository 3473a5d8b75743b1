"""Notes that only select an articulation: they are no music, neither shape nor break a phrase.

Sampled instruments change their way of playing on keys outside the instrument's register. Such a note lies outside
the written range and is isolated from the music; most overlap the music or come just before it. A real low or high
note is a step of the line: near the other notes, and sounding alone. Thresholds are common practice, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Instrument
from phrasewright.data.notes import Notes, sounding_spans

_FAR = 12
"""More than an octave from the nearest note of the music counts as isolated."""
_VERY_FAR = 24
_SHORT_S = 0.3
_AHEAD_S = 0.25
_FAINT_VELOCITY = 20
_NEAR_MARGIN = 3
"""A switch within an octave of the music lies at least so many semitones outside the range."""
_LOW_ZONE, _HIGH_ZONE = 34, 96
"""Within an octave of the music only keys below or above these are taken for switches."""
_MAX_NEAR_KEYS = 12
_MAX_NEAR_SHARE = 0.4
_MAX_SHARE = 0.67
_UNKNOWN_LOW, _UNKNOWN_MUSIC = 24, 48


def switch_mask(notes: Notes, instrument: Instrument, *, profiled: tuple[int, int] | None = None) -> NDArray[np.bool_]:
    """Which notes only select articulations, shape (n_notes,).

    Parameters
    ----------
    profiled : (lowest, highest) pitch, optional
        The switches' keys from a profile: they decide alone.

    Returns
    -------
    bool array
        Never all True: if every note looks like a switch, the instrument is not what it seems and none is.
    """
    none = np.zeros(notes.n_notes, dtype=bool)
    if notes.n_notes == 0:
        return none
    if profiled is not None:
        mask = (notes.pitch >= profiled[0]) & (notes.pitch <= profiled[1])
        return none if mask.all() else mask
    if instrument.kind == "percussive":
        return none
    if instrument.name == "unknown" or (instrument.low, instrument.high) == (0, 127):
        mask = notes.pitch < _UNKNOWN_LOW
        alone = mask.any() and not mask.all() and notes.pitch[~mask].min() >= _UNKNOWN_MUSIC
        return mask if alone and mask.mean() <= _MAX_SHARE else none
    outside = (notes.pitch < instrument.low) | (notes.pitch > instrument.high)
    if not outside.any() or outside.mean() > _MAX_SHARE:
        return none
    return _isolated(notes, instrument, outside)


def _isolated(notes: Notes, instrument: Instrument, outside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    music = notes.take(~outside)
    keys = np.unique(music.pitch)
    pitch = notes.pitch[outside]
    margin = np.where(pitch < instrument.low, instrument.low - pitch, pitch - instrument.high)
    distance = np.where(pitch < instrument.low, keys[0] - pitch, pitch - keys[-1])

    onset_s, offset_s = notes.onset_s[outside], notes.offset_s[outside]
    length_s = offset_s - onset_s
    over_music = _overlap_s(sounding_spans(music), onset_s, offset_s) >= 0.5 * length_s
    following = np.searchsorted(music.onset_s, onset_s - 1e-6)
    to_next_s = np.r_[music.onset_s, np.inf][following] - onset_s
    ahead = (length_s < _SHORT_S) & (to_next_s < _AHEAD_S)
    faint = notes.velocity[outside] <= _FAINT_VELOCITY

    switch = (distance >= _VERY_FAR) & (margin > 1)
    switch |= (distance > _FAR) & (over_music | ((margin > 1) & (ahead | faint)))

    near = (margin >= _NEAR_MARGIN) & (over_music | ahead)
    near &= ((pitch < instrument.low) & (pitch < _LOW_ZONE)) | ((pitch > instrument.high) & (pitch > _HIGH_ZONE))
    few = len(np.unique(pitch)) <= _MAX_NEAR_KEYS and len(pitch) <= _MAX_NEAR_SHARE * notes.n_notes
    if few and near.mean() > 0.8:
        switch |= near
    mask = outside.copy()
    mask[outside] = switch
    return mask


def _overlap_s(
    spans: NDArray[np.float64], start_s: NDArray[np.float64], end_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """For how many seconds of each (start, end) the spans sound, shape of `start_s`."""
    edges = spans.ravel()  # (2 * n_spans,): spans are merged and in order, so the edges rise
    heard = np.r_[0.0, np.cumsum(np.diff(edges) * (np.arange(len(edges) - 1) % 2 == 0))]
    sounded = np.interp(end_s, edges, heard) - np.interp(start_s, edges, heard)
    return np.asarray(sounded)
