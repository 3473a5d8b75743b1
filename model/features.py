"""What the network sees of a part: numbers for each attack, and for each moment between attacks.

Every number has local support: it depends on the attack, its phrase, at most eight seconds or eight attacks around, and
on what other parts do within two seconds. Nothing is averaged over the cue, so that editing bar 60 leaves bar 10 alone.

Scales: times enter as log(1 + 4 seconds) or clipped, pitches in octaves, velocities in units of 32, so that nearly all
numbers lie within -3..5 and no table of means has to travel with the weights. The choice of features is common practice
(duration, interval, position in phrase and metre, repetition, chord density) with no single source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import FAMILIES, PASSAGE_KINDS
from phrasewright.data.tempo import TempoMap
from phrasewright.model.gestures import Gestures, gestures_of
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, Attacks, CueHearing, PartHearing, Phrase
from phrasewright.model.parameters import DEFAULT

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LOCAL_ATTACKS = 8
"""Attacks to either side that make the local mean of pitch and velocity (our choice)."""
LOCAL_S = 8.0
"""Seconds beyond which distances to the music's start and end are no longer told apart (our choice)."""
REST_S = 0.25
"""A silence from here on is a rest with an entry after it."""
LONGEST_S = 30.0

_ATTACK_NAMES = (
    *("length", "to_next", "from_previous", "release", "gap_after", "rest_before", "after_rest", "before_rest"),
    *("interval", "next_interval", "pitch_local", "pitch_range", "pitch_phrase", "below_phrase_top", "is_phrase_top"),
    *("n_notes", "n_sounding", "chord_width", "renewed", "joined", "repeated"),
    *("next_renewed", "next_joined", "next_repeated", "velocity", "velocity_local"),
    *("phrase_fraction", "phrase_since", "phrase_left", "phrase_length", "phrase_attacks"),
    *("phrase_first", "phrase_last", "phrase_top_place", "phrase_odd", "seam_before", "seam_after"),
    *("since_music_start", "to_music_end"),
    *("bar_sin", "bar_cos", "beat_sin", "beat_cos", "on_beat", "on_downbeat", "bar_length", "beat_length"),
    *("figure_since", "figure_left", "figure_fraction", "event_since", "event_left", "event_fraction"),
    *("gesture_length", "gesture_since", "gesture_attacks", "gesture_climb", "gesture_metre", "gesture_pitch"),
    *("gesture_still", "next_gesture_length", "previous_gesture_length"),
    *("others_sounding", "others_busy", "others_together", "others_above"),
    *("solo", "vibrato", "register_low", "register_high"),
)
ATTACK_FEATURES = (
    *_ATTACK_NAMES,
    *(f"role_{name}" for name in ROLES),
    *(f"figure_{name}" for name in FIGURES),
    *(f"event_{name}" for name in EVENTS),
    *(f"passage_{name}" for name in PASSAGE_KINDS),
    *(f"family_{name}" for name in FAMILIES),
)
"""Names of the columns of `attack_features`, in order."""

SHARPNESS_S = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2)
"""Time constants of the decays seen after an onset and before the next, from a join's dip to a long note's fading."""
FRAME_FEATURES = (
    *("since_onset", "to_end", "to_next", "fraction", "fraction_to_next", "after_end", "before_first", "no_next"),
    *("note_sin", "note_cos", "held_since"),
    *("phrase_fraction", "phrase_since", "phrase_left", "phrase_arc"),
    *("event_since", "event_left", "event_fraction", "figure_since", "figure_left", "figure_fraction"),
    *("gesture_since", "gesture_left", "gesture_fraction"),
    *("beat_sin", "beat_cos", "bar_sin", "bar_cos"),
    *(f"after_onset_{c}" for c in SHARPNESS_S),
    *(f"before_next_{c}" for c in SHARPNESS_S),
    *(f"before_end_{c}" for c in SHARPNESS_S[1:5]),
)
"""Names of the columns of `frame_features`, in order."""

FEATURE_GROUPS: dict[str, tuple[str, ...]] = {
    "duration": (
        *("length", "to_next", "from_previous", "release", "gesture_length", "next_gesture_length"),
        *("previous_gesture_length", "to_end", "fraction", "fraction_to_next", "note_sin", "note_cos"),
        *(f"before_end_{c}" for c in SHARPNESS_S[1:5]),
    ),
    "interval": (
        *("interval", "next_interval", "pitch_local", "pitch_range", "pitch_phrase", "below_phrase_top"),
        *("is_phrase_top", "gesture_climb", "gesture_pitch"),
    ),
    "position in phrase": (
        *("phrase_fraction", "phrase_since", "phrase_left", "phrase_length", "phrase_attacks", "phrase_first"),
        *("phrase_last", "phrase_top_place", "phrase_odd", "phrase_arc", "seam_before", "seam_after"),
    ),
    "repetition": ("repeated", "next_repeated", "figure_repeated", "figure_tremolo", "figure_trill"),
    "chord density": ("n_notes", "n_sounding", "chord_width", "renewed", "next_renewed", "others_sounding"),
}
"""Columns of either table by what they tell of, for the ablation; a name in both tables means both columns."""


@dataclass(frozen=True)
class PartFeatures:
    """One part ready for the network.

    `attack` has shape (n_attacks, n_attack_features), `onset_s` (n_attacks,), `frame` (n_frames, n_frame_features) and
    `at` (n_frames,) the attack each frame belongs to. Frames stand at `time_s` (n_frames,).
    """

    attack: NDArray[np.float32]
    onset_s: Floats
    frame: NDArray[np.float32]
    at: Ints
    time_s: Floats


def part_features(hearing: CueHearing, index: int, *, time_s: Floats) -> PartFeatures:
    """Features of the part at `index` (from 0), with frames at `time_s` (rising, seconds)."""
    attacks = hearing.parts[index].attacks
    at = np.clip(np.searchsorted(attacks.onset_s, time_s + 1e-9, side="right") - 1, 0, None)
    gestures = gestures_of(hearing, index, parameters=DEFAULT)
    return PartFeatures(
        attack=attack_features(hearing, index, gestures),
        onset_s=attacks.onset_s,
        frame=frame_features(hearing, index, gestures, time_s=time_s, at=at),
        at=at,
        time_s=time_s,
    )


def attack_features(hearing: CueHearing, index: int, gestures: Gestures | None = None) -> NDArray[np.float32]:
    """One row an attack of the part at `index` (from 0), columns as in `ATTACK_FEATURES`: (n_attacks, n_columns)."""
    part = hearing.parts[index]
    gestures = gestures or gestures_of(hearing, index, parameters=DEFAULT)
    a = part.attacks
    n = a.n_attacks
    to_next_s = np.r_[np.diff(a.onset_s), LONGEST_S][:n]
    length_s = a.end_s - a.onset_s
    gap_s = np.maximum(to_next_s - np.maximum(length_s, _reach_s(a) - a.onset_s), 0.0)
    pitch_step = np.diff(a.pitch) / 12.0
    low, high = part.part.instrument.low, part.part.instrument.high
    height = np.clip((a.pitch - low) / max(high - low, 1), -0.2, 1.2)
    phrase = _phrase_columns(part, gestures)
    figure, event = stretches(part, a.figure), stretches(part, a.event)
    columns = [
        *(_log(length_s), _log(to_next_s), _log(np.r_[LONGEST_S, to_next_s[:-1]][:n]), _log(a.release_s - a.onset_s)),
        *(_log(np.minimum(gap_s, LOCAL_S)), _log(np.minimum(a.rest_before_s, LOCAL_S))),
        *(a.rest_before_s >= REST_S, gap_s >= REST_S),
        *(np.clip(np.r_[0.0, pitch_step], -2, 2), np.clip(np.r_[pitch_step, 0.0], -2, 2)),
        *(np.clip((a.pitch - _local_mean(a.pitch)) / 12.0, -2, 2), height * 2 - 1),
        *phrase[:3],
        *(np.log2(a.n_notes), np.log2(np.maximum(a.n_sounding, 1)), np.clip((a.pitch - a.low_pitch) / 24.0, 0, 2)),
        *(a.renewed, a.joined, a.repeated),
        *(np.r_[a.renewed[1:], 1.0], np.r_[a.joined[1:], False], np.r_[a.repeated[1:], False]),
        *((a.velocity - 64) / 32.0, np.clip((a.velocity - _local_mean(a.velocity)) / 32.0, -2, 2)),
        *phrase[3:],
        np.clip(a.onset_s - a.onset_s[:1], 0, LOCAL_S) / LOCAL_S,
        np.clip(a.release_s.max() - a.onset_s, 0, LOCAL_S) / LOCAL_S,
        *_metre_columns(hearing.cue.tempo, a),
        *(_log(a.onset_s - figure[0]), _log(figure[1] - a.onset_s), _fraction(a.onset_s, figure)),
        *(_log(a.onset_s - event[0]), _log(event[1] - a.onset_s), _fraction(a.onset_s, event)),
        *_gesture_columns(gestures, a),
        *_others_columns(hearing, index),
        *(np.full(n, part.part.instrument.solo), np.full(n, "vibrato" in part.part.lane_cc)),
        *(np.full(n, (low - 60) / 24.0), np.full(n, (high - 60) / 24.0)),
        *(a.role == k for k in range(len(ROLES))),
        *(a.figure == k for k in range(len(FIGURES))),
        *(a.event == k for k in range(len(EVENTS))),
        *(a.passage == k for k in range(len(PASSAGE_KINDS))),
        *(np.full(n, part.part.family == family) for family in FAMILIES),
    ]
    return _table(columns, n)


def frame_features(
    hearing: CueHearing, index: int, gestures: Gestures, *, time_s: Floats, at: Ints
) -> NDArray[np.float32]:
    """One row a frame of the part at `index` (from 0), columns as in `FRAME_FEATURES`.

    Parameters
    ----------
    time_s : float array, (n_frames,)
        Seconds.
    at : int array, (n_frames,)
        The attack each frame belongs to: the last that has begun, the first before any has.
    """
    part, tempo = hearing.parts[index], hearing.cue.tempo
    a = part.attacks
    since = time_s - a.onset_s[at]
    length = np.maximum(a.end_s - a.onset_s, 1e-3)[at]
    last = at == a.n_attacks - 1
    next_s = np.r_[a.onset_s[1:], a.end_s[-1:] + LONGEST_S][at] - time_s
    to_end = a.end_s[at] - time_s
    phrase = _phrase_spans(part)
    start, end = phrase[0][a.phrase][at], phrase[1][a.phrase][at]
    position = _fraction(time_s, (start, end))
    event, figure = (tuple(edge[at] for edge in stretches(part, axis)) for axis in (a.event, a.figure))
    fraction = np.clip(since / length, -0.5, 1.5)
    gesture = np.repeat(np.arange(gestures.n_gestures), gestures.n_attacks)[at]
    begun, over = gestures.onset_s[gesture], gestures.end_s[gesture]
    if tempo.has_metre:
        beat = tempo.s_to_beat(time_s)
        bar = tempo.tick_to_bar(beat * tempo.ticks_per_beat)
        turns = 2 * np.pi * np.stack([beat, bar])
        metre = [np.sin(turns[0]), np.cos(turns[0]), np.sin(turns[1]), np.cos(turns[1])]
    else:
        metre = [np.zeros_like(time_s)] * 4
    columns = [
        *(_signed_log(since), _signed_log(to_end), _signed_log(np.minimum(next_s, LONGEST_S)), fraction),
        *(np.clip(since / np.maximum(since + next_s, 1e-3), 0, 1), to_end < 0, since < 0, last),
        *(np.sin(np.pi * np.clip(fraction, 0, 1)), np.cos(np.pi * np.clip(fraction, 0, 1))),
        np.clip(since, 0, LOCAL_S) / 4,
        *(position, _log(time_s - start), _log(end - time_s), np.sin(np.pi * position)),
        *(_log(time_s - event[0]), _log(event[1] - time_s), _fraction(time_s, event)),
        *(_log(time_s - figure[0]), _log(figure[1] - time_s), _fraction(time_s, figure)),
        *(_log(time_s - begun), _signed_log(over - time_s), _fraction(time_s, (begun, over))),
        *metre,
        *(np.exp(-np.abs(since) / c) for c in SHARPNESS_S),
        *(np.exp(-np.abs(next_s) / c) for c in SHARPNESS_S),
        *(np.exp(-np.abs(to_end) / c) for c in SHARPNESS_S[1:5]),
    ]
    return _table(columns, len(time_s))


def _table(columns: Sequence[NDArray[Any]], n: int) -> NDArray[np.float32]:
    """Columns of n rows each side by side, (n, n_columns)."""
    table = np.empty((n, len(columns)), dtype=np.float32)
    for k, column in enumerate(columns):
        table[:, k] = column
    return table


def stretches(part: PartHearing, axis: NDArray[np.int8]) -> tuple[Floats, Floats]:
    """First and last second of the stretch of equal labels, within a phrase, around each attack; both (n_attacks,)."""
    a = part.attacks
    if a.n_attacks == 0:
        return np.zeros(0), np.zeros(0)
    new = np.r_[True, (np.diff(axis) != 0) | (np.diff(a.phrase) != 0)]
    first = np.flatnonzero(new)
    group = np.cumsum(new) - 1
    last = np.r_[first[1:] - 1, a.n_attacks - 1]
    return a.onset_s[first][group], np.maximum(a.end_s[last], a.onset_s[last])[group]


def _log(seconds: Floats) -> Floats:
    return np.asarray(np.log1p(4.0 * np.clip(seconds, 0.0, LONGEST_S)))


def _signed_log(seconds: Floats) -> Floats:
    return np.asarray(np.sign(seconds) * _log(np.abs(seconds)))


def _fraction(time_s: Floats, edges: tuple[Floats, ...]) -> Floats:
    return np.asarray(np.clip((time_s - edges[0]) / np.maximum(edges[1] - edges[0], 1e-3), 0.0, 1.0))


def _reach_s(a: Attacks) -> Floats:
    """Until when anything begun so far sounds: a held note bridges the gap after a shorter one."""
    return np.maximum.accumulate(a.release_s)


def _local_mean(values: Ints) -> Floats:
    """Mean over `LOCAL_ATTACKS` to either side, fewer at the ends."""
    total = np.r_[0.0, np.cumsum(values)]
    low = np.maximum(np.arange(len(values)) - LOCAL_ATTACKS, 0)
    high = np.minimum(np.arange(len(values)) + LOCAL_ATTACKS + 1, len(values))
    return np.asarray((total[high] - total[low]) / (high - low))


def _phrase_spans(part: PartHearing) -> tuple[Floats, Floats]:
    return np.array([p.start_s for p in part.phrases]), np.array([p.end_s for p in part.phrases])


def _phrase_columns(part: PartHearing, gestures: Gestures) -> list[Floats]:
    """Height in the phrase (three columns), then position in it and its outline (eleven columns)."""
    a = part.attacks
    n_phrases = len(part.phrases)
    count = np.maximum(np.bincount(a.phrase, minlength=n_phrases), 1)
    mean = np.bincount(a.phrase, weights=a.pitch, minlength=n_phrases) / count
    top = np.full(n_phrases, -1, dtype=np.int64)
    np.maximum.at(top, a.phrase, a.pitch)
    start, end = (edge[a.phrase] for edge in _phrase_spans(part))
    first = np.array([p.first_attack for p in part.phrases])[a.phrase]
    last = np.array([p.last_attack for p in part.phrases])[a.phrase]
    i = np.arange(a.n_attacks)
    # where the high notes lie: places weighted by length, doubled every minor third up (our choice)
    weight = np.maximum(a.end_s - a.onset_s, 0.01) * 2.0 ** ((a.pitch - top[a.phrase]) / 3.0)
    place = weight * _fraction((a.onset_s + a.end_s) / 2.0, (start, end))
    top_place = np.bincount(a.phrase, place, n_phrases) / np.maximum(np.bincount(a.phrase, weight, n_phrases), 1e-9)
    # odd or even: what moves by turns, such as slow chords
    gesture = np.repeat(np.arange(gestures.n_gestures), gestures.n_attacks)
    ordinal = gesture - gesture[first]
    gap_before = np.array([True, *(_gap_s(p, q) >= REST_S for p, q in pairwise(part.phrases)), True])
    return [
        *(np.clip((a.pitch - mean[a.phrase]) / 12.0, -2, 2), np.clip((top[a.phrase] - a.pitch) / 12.0, 0, 2)),
        (a.pitch == top[a.phrase]) * 1.0,
        *(_fraction(a.onset_s, (start, end)), _log(a.onset_s - start), _log(end - a.onset_s), _log(end - start)),
        *(np.log2(count[a.phrase]) / 4.0, (i == first) * 1.0, (i == last) * 1.0),
        *(top_place[a.phrase] * 2 - 1, (ordinal % 2) * 2.0 - 1.0),
        *(~gap_before[a.phrase] * 1.0, ~gap_before[a.phrase + 1] * 1.0),
    ]


def _gap_s(phrase: Phrase, after: Phrase) -> float:
    return after.start_s - phrase.end_s


def _gesture_columns(gestures: Gestures, a: Attacks) -> list[Floats]:
    """The gesture each attack belongs to: what is shaped as one note, be it a run, a trill or a burst of repeats."""
    g = np.repeat(np.arange(gestures.n_gestures), gestures.n_attacks)
    length = _log(gestures.length_s)
    return [
        *(length[g], _log(a.onset_s - gestures.onset_s[g]), np.log2(gestures.n_attacks[g]) / 3.0),
        *(np.clip(gestures.climb[g] / 12.0, -2, 2), gestures.metre[g]),
        np.clip((a.pitch - gestures.pitch[g]) / 12.0, -2, 2),
        (gestures.frozen | gestures.resting)[g] * 1.0,
        *(np.r_[length[1:], 0.0][g], np.r_[0.0, length[:-1]][g]),
    ]


def _metre_columns(tempo: TempoMap, a: Attacks) -> list[Floats]:
    """Position in bar and beat, zeros where the file has none; then bar and beat length."""
    beat_s = tempo.beat_length_s(a.onset_s)
    if not tempo.has_metre:
        return [np.zeros(a.n_attacks)] * 7 + [_log(beat_s)]
    bar = tempo.tick_to_bar(a.onset_beat * tempo.ticks_per_beat)
    turns = 2 * np.pi * np.stack([bar, a.onset_beat])
    near_s = np.abs(a.onset_beat - np.rint(a.onset_beat)) * beat_s
    near_bar_s = np.abs(bar - np.rint(bar)) * tempo.bar_length_s(a.onset_s)
    return [
        *(np.sin(turns[0]), np.cos(turns[0]), np.sin(turns[1]), np.cos(turns[1])),
        *((near_s < 0.05) * 1.0, (near_bar_s < 0.05) * 1.0, _log(tempo.bar_length_s(a.onset_s)), _log(beat_s)),
    ]


def _others_columns(hearing: CueHearing, index: int) -> list[Floats]:
    """What the other parts do at each attack: notes sounding, how busy, how many start together, how many lie above."""
    me = hearing.parts[index].attacks.onset_s
    notes = [p.part.notes for i, p in enumerate(hearing.parts) if i != index and p.part.notes.n_notes]
    if not notes or len(me) == 0:
        return [np.zeros(len(me))] * 4
    onset = np.sort(np.concatenate([n.onset_s for n in notes]))
    offset = np.sort(np.concatenate([n.offset_s for n in notes]))

    def begun(at_s: Floats) -> Ints:
        return np.searchsorted(onset, at_s, side="right")

    sounding = begun(me + 0.05) - np.searchsorted(offset, me + 0.05, side="right")
    above = np.zeros(len(me))
    for other in hearing.parts:
        at = np.searchsorted(other.attacks.onset_s, me + 0.05, side="right") - 1
        if other is not hearing.parts[index] and other.attacks.n_attacks:
            higher = other.attacks.pitch[at] > hearing.parts[index].attacks.pitch
            above += (at >= 0) & (other.attacks.release_s[at] > me + 0.05) & higher
    return [
        np.log2(1.0 + np.maximum(sounding, 0)) / 3.0,
        np.log2(1.0 + begun(me + 1.0) - begun(me - 1.0)) / 4.0,
        np.log2(1.0 + begun(me + 0.05) - begun(me - 0.05)) / 3.0,
        np.log2(1.0 + above) / 3.0,
    ]
