"""Pedals: one pitch, or one with its octave or fifth, held or struck again and again under or over changing harmony.

Times in seconds. Borders are common practice without a source. Whether a row is a pedal depends on what sounds with
it and on what the same voice plays right before and after.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.tempo import TempoMap
from phrasewright.model.hearing import Attacks
from phrasewright.model.voices import Voice

SHORTEST_S, SHORTEST_BARS = 4.0, 2.0
FURTHER_HARMONIES = 2
"""The other parts go through at least this many harmonies more."""
SAME = 0.5
"""Two harmonies that share more than this of their tones are one."""
SAME_OVER_BASS = 0.8
"""With another bass they are one only where they share more than this."""
LONG_BARS = 4.0
"""A row this long may be a pedal whatever its voice plays before and after."""
BESIDE = 0.65
"""Else what the voice plays right before and after is at most this much of the row's length."""
_GAP_S = 1.0
_FIFTHS = (0, 5, 7)
_MOST_S = 64.0


def pedal_notes(
    voices: list[Voice],
    *,
    tempo: TempoMap,
    melody: list[NDArray[np.bool_]],
    silent: NDArray[np.bool_],
) -> list[NDArray[np.bool_]]:
    """For each voice, which of its attacks belong to a pedal; arrays of shape (n_attacks,).

    Parameters
    ----------
    voices
        Of all parts.
    tempo : TempoMap
    melody : bool arrays, (n_attacks,)
        For each voice, which attacks are melody: they are never a pedal, and tell of the harmony only where nothing
        else sounds.
    silent : bool array, (n_voices,)
        Voices without pitch.
    """
    sound = _Sound(voices, melody, silent)
    found = []
    for number, voice in enumerate(voices):
        a = voice.attacks
        mask = np.zeros(a.n_attacks, dtype=bool)
        found.append(mask)
        for first, last in _rows(a):
            start_s, end_s = float(a.onset_s[first]), float(a.release_s[first : last + 1].max())
            bar_s = float(tempo.bar_length_s(start_s))
            if end_s - start_s < 0.97 * max(SHORTEST_S, SHORTEST_BARS * bar_s) or np.any(
                melody[number][first : last + 1]
            ):
                continue
            if end_s - start_s < LONG_BARS * bar_s and not _by_itself(a, first, last, end_s):
                continue
            if sound.harmonies(number, start_s, min(end_s, start_s + _MOST_S), bar_s) > FURTHER_HARMONIES:
                mask[first : last + 1] = True
    return found


def _rows(a: Attacks) -> list[tuple[int, int]]:
    """First and last attacks of long rows of one tone, or one with its fifth."""
    if a.n_attacks == 0:
        return []
    tones = 12 * (a.low_pitch % 12) + a.pitch % 12
    plain = np.isin((a.pitch - a.low_pitch) % 12, _FIFTHS) & (a.n_notes <= 3)
    reach_s = np.maximum.accumulate(a.release_s)
    goes_on = plain[1:] & plain[:-1] & (tones[1:] == tones[:-1]) & (a.onset_s[1:] - reach_s[:-1] <= _GAP_S)
    first = np.flatnonzero(np.r_[True, ~goes_on])
    last = np.r_[first[1:] - 1, a.n_attacks - 1]
    length_s = np.maximum.reduceat(a.release_s, first) - a.onset_s[first]
    long = plain[first] & (length_s >= 0.97 * SHORTEST_S)
    return list(zip(first[long].tolist(), last[long].tolist(), strict=True))


def _by_itself(a: Attacks, first: int, last: int, end_s: float) -> bool:
    """Whether the voice plays little else right before and after a row."""
    length_s = end_s - float(a.onset_s[first])
    other_s = 0.0
    k = first - 1
    while k >= 0 and a.onset_s[k + 1] - a.release_s[k] <= 0.5 and a.onset_s[first] - a.onset_s[k] <= length_s:
        other_s += float(a.end_s[k] - a.onset_s[k])
        k -= 1
    k = last + 1
    while k < a.n_attacks and a.onset_s[k] - a.release_s[k - 1] <= 0.5 and a.onset_s[k] - end_s <= length_s:
        other_s += float(a.end_s[k] - a.onset_s[k])
        k += 1
    return other_s <= BESIDE * length_s


class _Sound:
    """Everything pitched that sounds, in order of onset."""

    def __init__(self, voices: list[Voice], melody: list[NDArray[np.bool_]], silent: NDArray[np.bool_]) -> None:
        chosen = [k for k in range(len(voices)) if not silent[k]]

        def joined(values: list[NDArray[np.float64]]) -> NDArray[np.float64]:
            return np.concatenate([np.zeros(0), *values])

        voice = joined([np.full(voices[k].attacks.n_attacks, float(k)) for k in chosen])
        onset_s = joined([voices[k].attacks.onset_s for k in chosen])
        order = np.argsort(onset_s, kind="stable")
        self._voice, self._onset_s = voice[order], onset_s[order]
        self._release_s = joined([voices[k].attacks.release_s for k in chosen])[order]
        self._reach_s = np.maximum.accumulate(self._release_s)
        self._high = joined([voices[k].attacks.pitch.astype(np.float64) % 12 for k in chosen])[order].astype(np.int64)
        self._bottom = joined([voices[k].attacks.low_pitch.astype(np.float64) for k in chosen])[order]
        self._low = joined([voices[k].attacks.low_pitch.astype(np.float64) % 12 for k in chosen])[order].astype(
            np.int64
        )
        self._melody = joined([melody[k].astype(np.float64) for k in chosen])[order] > 0

    def harmonies(self, number: int, start_s: float, end_s: float, bar_s: float) -> int:
        """How many harmonies in a row the other voices go through, melodies left out where anything else sounds."""
        low = int(np.searchsorted(self._reach_s, start_s, side="right"))
        high = int(np.searchsorted(self._onset_s, end_s))
        near = slice(low, high)
        others = (self._voice[near] != number) & (self._release_s[near] > start_s)
        accompanying = others & ~self._melody[near]
        enough = np.any(accompanying)
        use = accompanying if enough else others
        onset_s, release_s = self._onset_s[near][use], self._release_s[near][use]
        tones = np.stack([self._high[near][use], self._low[near][use]], axis=1)
        height = self._bottom[near][use]
        window_s = max(bar_s / 2.0, 1.0) if enough else max(bar_s, 2.0)
        count, before, bass_before = 0, frozenset[int](), -1
        for at_s in np.arange(start_s, end_s - 0.25 * window_s, window_s).tolist():
            sounds = (onset_s < at_s + window_s - 0.1) & (release_s > at_s + 0.1)
            now = frozenset(np.unique(tones[sounds]).tolist())
            if not now:
                continue
            bass = int(height[sounds].min()) % 12
            limit = SAME if bass == bass_before else SAME_OVER_BASS
            if len(now & before) <= limit * len(now | before):
                count, before, bass_before = count + 1, now, bass
        return count
