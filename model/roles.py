"""The role of each stretch against what sounds with it: melody, counter, chords, bass or pedal.

The melody is what stands out most (`prominence.py`). No two stretches that overlap are both melody unless one doubles
the other in unison or octaves. Of the rest, one pitch under motion is a pedal, the lowest line is the bass, lines with
a rhythm of their own are counter-melodies, all else are chords.

What a bass and a counter-melody need is common practice without a source. Whether a stretch is the melody depends on
stretches at most `prominence.ROUNDS` overlaps away, everything else on those it overlaps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Part
from phrasewright.data.instruments import PERCUSSION_CHANNEL
from phrasewright.data.tempo import TempoMap
from phrasewright.model.hearing import ROLES
from phrasewright.model.layers import TOGETHER_S
from phrasewright.model.pedals import pedal_notes
from phrasewright.model.prominence import (
    WEIGHTS,
    Setting,
    features_of,
    largest,
    melodies,
    moves_with,
    one_at_a_time,
    per_one,
    rank_of,
    setting_of,
)
from phrasewright.model.stretches import Pairs, Stretches, pairs_of, stretches_of
from phrasewright.model.voices import Voice

_MELODY, _COUNTER, _CHORDS, _BASS, _PEDAL = range(len(ROLES))
_ACCOMPANYING = ("plucked", "keys")
_REST_S, _PATTERN_REST_S, _VOTE_S = 0.25, 2.0, 12.0
_KEEP = 0.3
"""What a stretch's own role counts for more than those before and after it, where a line goes on without a rest."""
_DEEP = 20.0
"""Semitones below the melody from which the lowest part that goes with it is a bass all the same."""
_BLOCK_RATE, _BROKEN_RATE, _COUNTER_RATE = 0.16, 2.6, 4.2
"""Attacks a second: blocks that move together are slower, broken chords quicker, counter-melodies not quicker."""
_OWN_RHYTHM, _ANY_RHYTHM = 0.15, 0.2
"""Share of attacks that a counter-melody has to itself beside the melody, and beside anything else."""
_LOW_DRUM, _LOW_KEYS = 60, (35, 36, 41, 43, 45)
"""Pitch below which a drum is low, and the keys of bass drums and low toms."""

_WITHIN = (
    "the top of its chords",
    "the top of its chords",
    "fills its chords",
    "the lowest of its chords",
    "one pitch while others move",
)


@dataclass(frozen=True)
class Role:
    """A role over a stretch of one part."""

    label: str
    start_s: float
    end_s: float
    why: str


def roles_of(
    parts: list[Part], voices: list[Voice], *, tempo: TempoMap, weights: Mapping[str, float] = WEIGHTS
) -> tuple[list[NDArray[np.int8]], list[list[Role]]]:
    """For each part the index into ROLES of each of its notes, and its roles in order of time.

    `weights` are those of prominence; others than the model's are for fitting them.
    """
    note_role = [np.full(part.notes.n_notes, _CHORDS, dtype=np.int8) for part in parts]
    roles: list[list[Role]] = [[] for _ in parts]
    if not any(voice.attacks.n_attacks for voice in voices):
        return note_role, roles
    heard = heard_of(parts, voices)
    stretches = heard.stretches
    low_drum = np.array([_is_low(parts[voice.part]) for voice in voices])
    label, why, lowest, held = _decide(heard, voices, low_drum, tempo, weights)
    chordal = [bool(np.any(voice.attacks.n_notes > 1)) for voice in voices]
    for k in range(stretches.n_stretches):
        voice = voices[int(stretches.part[k])]
        first, last = int(stretches.first[k]), int(stretches.last[k])
        notes = voice.notes_of(first, last)
        part = parts[voice.part]
        pedal = held[int(stretches.part[k])][first : last + 1]
        if not chordal[int(stretches.part[k])] and (label[k] == _PEDAL or not pedal.any()):
            note_role[voice.part][notes] = label[k]
            span_s = float(stretches.start_s[k]), float(stretches.end_s[k])
            roles[voice.part].append(Role(ROLES[int(label[k])], *span_s, why[k]))
            continue
        found = _of_notes(part, notes, int(label[k]), lowest=bool(lowest[k]))
        a = voice.attacks
        sizes = a.last_note[first : last + 1] - a.first_note[first : last + 1] + 1
        found = np.where(np.repeat(pedal, sizes), _PEDAL, found)
        note_role[voice.part][notes] = found
        for role in np.unique(found).tolist():
            chosen = notes[found == role]
            reason = why[k] if role == label[k] else _WITHIN[int(role)]
            start_s, end_s = float(part.notes.onset_s[chosen].min()), float(part.notes.offset_s[chosen].max())
            roles[voice.part].append(Role(ROLES[int(role)], start_s, min(end_s, float(stretches.end_s[k])), reason))
    return note_role, [sorted(rows, key=lambda role: (role.start_s, ROLES.index(role.label))) for rows in roles]


def _is_low(part: Part) -> bool:
    """Whether a drum is low: by its key on channel 10 (General MIDI), else by its pitch."""
    if part.notes.n_notes == 0:
        return False
    middle = int(np.median(part.notes.pitch))
    return middle in _LOW_KEYS if part.channel == PERCUSSION_CHANNEL else middle < _LOW_DRUM


def _of_notes(part: Part, notes: NDArray[np.int64], label: int, *, lowest: bool) -> NDArray[np.int64]:
    """Roles of the notes of a stretch of role `label`; `lowest` where no other part lies below.

    Of chords, the top note sings where the stretch is a melody, its octaves with it; the lowest is bass where no part
    lies below; the rest are chords.
    """
    found = np.full(len(notes), label)
    onset_s, pitch = part.notes.onset_s[notes], part.notes.pitch[notes]
    if len(notes) < 2 or label == _PEDAL or part.kind == "percussive":
        return found
    attack = np.cumsum(np.r_[True, np.diff(onset_s) > TOGETHER_S]) - 1
    size = np.bincount(attack)[attack]
    if np.all(size == 1):
        return found
    top, low = (np.full(attack[-1] + 1, start) for start in (-1, 128))
    np.maximum.at(top, attack, pitch)
    np.minimum.at(low, attack, pitch)
    of_top, of_low = (top[attack] - pitch) % 12 == 0, (pitch - low[attack]) % 12 == 0
    octave = (top[attack] - low[attack]) % 12 == 0
    chord = size > 1
    if label in (_MELODY, _COUNTER):
        found = np.where(chord & ~(of_top & ((pitch == top[attack]) | (octave & (size == 2)))), _CHORDS, found)
        return np.where(chord & lowest & (pitch == low[attack]) & (size > 2), _BASS, found)
    if label == _BASS:
        return np.where(chord & ~(of_low & ((pitch == low[attack]) | (size == 2))), _CHORDS, found)
    if label == _CHORDS and lowest:
        return np.where(chord & ((pitch == low[attack]) | (octave & (size == 2))), _BASS, found)
    return found


@dataclass(frozen=True)
class Heard:
    """What the steps to a role look at.

    Parameters
    ----------
    stretches, everything, pairs : Stretches, Pairs, Pairs
        The stretches of all voices, which of them overlap, and which of those without percussion.
    setting : Setting
    features : float, shape (n_stretches, n_features)
        What makes each stand out, see `prominence.features_of`.
    percussive, struck : bool, shape (n_stretches,)
        Percussion plays it; a plucked or keyboard instrument does, which break chords.
    """

    stretches: Stretches
    everything: Pairs
    pairs: Pairs
    setting: Setting
    features: NDArray[np.float64]
    percussive: NDArray[np.bool_]
    struck: NDArray[np.bool_]

    @property
    def together(self) -> NDArray[np.bool_]:
        """Whether each moves with another or plays chords, shape (n_stretches,)."""
        return (self.setting.moves_with >= 0.6) | (self.stretches.thickness > 1.5)

    @property
    def able(self) -> NDArray[np.bool_]:
        """Whether each may be the melody at all, shape (n_stretches,): no percussion, slow blocks, single pitch or
        stabs."""
        stabs = (self.stretches.thickness > 1.5) & (self.stretches.n_classes < 3)
        blocks = (self.stretches.rate < _BLOCK_RATE) & self.together
        return ~self.percussive & ~blocks & (~(self.setting.static | stabs) | self.setting.alone)


def heard_of(parts: list[Part], voices: list[Voice]) -> Heard:
    """The stretches of some voices, one attack or more in all, as roles are decided on."""
    lines = [(voice.attacks, voice.phrases) for voice in voices]
    stretches = stretches_of(lines)
    everything = pairs_of(stretches, lines)
    percussive = np.array([parts[voice.part].kind == "percussive" for voice in voices])[stretches.part]
    struck = np.array([parts[voice.part].family in _ACCOMPANYING for voice in voices])[stretches.part]
    pairs = everything.take(~percussive[everything.one] & ~percussive[everything.other])
    setting = setting_of(stretches, pairs)
    features = features_of(stretches, pairs, setting, accompanying=struck)
    return Heard(stretches, everything, pairs, setting, features, percussive, struck)


def _decide(
    heard: Heard,
    voices: list[Voice],
    low_drum: NDArray[np.bool_],
    tempo: TempoMap,
    weights: Mapping[str, float],
) -> tuple[NDArray[np.int64], list[str], NDArray[np.bool_], list[NDArray[np.bool_]]]:
    """Index into ROLES and the reason for each stretch, whether no other lies below it, and the pedals of each voice.

    `low_drum` tells of each voice whether it is low, should it be a drum.
    """
    stretches, setting, percussive = heard.stretches, heard.setting, heard.percussive
    rank = rank_of(heard.features, stretches.part, weights=weights)
    lowest = setting.below <= 0.15
    melody = _melody(heard, rank, lowest)
    only, apart = _accompanies_alone(heard, melody), _apart_from(heard, melody)
    broken = only & _broken_chords(heard)
    bass = _bass(heard, melody, lowest & ~broken, equal=only & apart)
    counter = apart & _counter(heard, melody | bass, broken)
    counter |= _doubled(heard.pairs, counter) & ~(melody | bass | percussive)
    label = np.full(stretches.n_stretches, _CHORDS)
    for mask, role in ((counter, _COUNTER), (bass, _BASS), (melody, _MELODY)):
        label[mask] = role
    lone_line = setting.alone & (stretches.pattern < 0.5) & (stretches.thickness < 1.5)
    label = _settled(stretches, label, fixed=percussive | lone_line)
    sings = one_at_a_time(stretches, heard.pairs, label == _MELODY, rank)
    beside = np.where((setting.moves_with <= 0.55) & ~setting.static, _COUNTER, _CHORDS)
    label = np.where((label == _MELODY) & ~sings, beside, label)
    with_drum = heard.everything.take(percussive[heard.everything.other])
    drums_s = per_one(with_drum, with_drum.overlap_s, stretches.n_stretches)
    over_drums = (drums_s >= 0.5 * stretches.length_s) & (label == _CHORDS)
    label[percussive] = np.where(low_drum[stretches.part], _BASS, _CHORDS)[percussive]
    why = [_reason(int(label[k]), k, heard) for k in range(stretches.n_stretches)]
    return label, why, lowest & ~percussive & ~broken & ~over_drums, _pedals(stretches, label, voices, tempo)


def _melody(heard: Heard, rank: NDArray[np.float64], lowest: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What stands out most; where nothing has profile, the most active line; and what doubles either."""
    stretches, pairs, setting = heard.stretches, heard.pairs, heard.setting
    n = stretches.n_stretches
    melody = melodies(stretches, pairs, rank, able=heard.able)
    led_s = per_one(pairs, pairs.overlap_s * melody[pairs.other], n)
    busy = ~melody & ~heard.percussive & ~heard.together & (led_s <= 0.2 * stretches.length_s) & (stretches.rate >= 1.0)
    busy &= (setting.line >= 0.6) & (stretches.n_classes >= 2)
    melody |= melodies(stretches, pairs, np.round(stretches.rate, 6) - 1e-7 * stretches.part, able=busy)
    sung = np.where(melody[pairs.other] & pairs.doubling, stretches.pitch[pairs.other], 0.0)
    accompanied = per_one(pairs, (~pairs.doubling).astype(np.float64), n) > 0
    deep = lowest & (largest(pairs, sung, n) - stretches.pitch >= _DEEP) & accompanied
    return melody | _doubled(pairs, melody) & ~heard.percussive & ~deep  # a bass may go with the tune far below it


def _broken_chords(heard: Heard) -> NDArray[np.bool_]:
    """Chords broken from bottom to top in one line; where that alone accompanies, nothing of it is a bass."""
    stretches = heard.stretches
    leaps = (
        (stretches.steps < 0.34) & (stretches.uneven < 0.5) & (stretches.n_classes >= 3) & (heard.setting.line > 0.5)
    )
    quick = np.where(heard.struck, 1.2, _BROKEN_RATE)
    return leaps & (stretches.rate >= quick)


def _accompanies_alone(heard: Heard, melody: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether nothing else accompanies the melody beside each stretch."""
    pairs, stretches = heard.pairs, heard.stretches
    filling_s = per_one(pairs, pairs.overlap_s * ~(melody[pairs.other] | pairs.doubling), stretches.n_stretches)
    return filling_s < 0.3 * stretches.length_s


def _bass(
    heard: Heard, melody: NDArray[np.bool_], lowest: NDArray[np.bool_], *, equal: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """The lowest lines and what doubles them, but for one that alone accompanies, `equal` to the melody as a line."""
    stretches = heard.stretches
    bass = ~melody & ~heard.percussive & lowest & ~heard.setting.alone
    bass &= ~(equal & (stretches.uneven >= 0.3) & (stretches.steps >= 0.5) & (stretches.rate >= 0.8))
    return bass | _doubled(heard.pairs, bass) & ~melody & ~heard.percussive


def _apart_from(heard: Heard, melody: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether each stretch has a rhythm of its own beside the melody."""
    beside = heard.pairs.take(melody[heard.pairs.other])
    return moves_with(heard.stretches, beside) <= 1.0 - _OWN_RHYTHM


def _counter(heard: Heard, taken: NDArray[np.bool_], broken: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Single lines that move by themselves, mostly by step, over several pitches without a pattern."""
    stretches, setting = heard.stretches, heard.setting
    counter = ~(taken | heard.percussive | setting.static | setting.alone | (heard.struck & broken))
    counter &= (setting.line >= 0.6) & (setting.moves_with <= 1.0 - _ANY_RHYTHM)
    counter &= (stretches.rate >= 0.5) & ((stretches.rate <= _COUNTER_RATE) | (stretches.length_s < 2.5))
    counter &= (stretches.variety >= 0.5) & (stretches.n_classes >= 3) & (stretches.pattern <= 0.6)
    return counter & (stretches.steps >= np.where(stretches.uneven < 0.3, 0.7, 0.25))


def _pedals(
    stretches: Stretches, label: NDArray[np.int64], voices: list[Voice], tempo: TempoMap
) -> list[NDArray[np.bool_]]:
    """The attacks of each voice that are a pedal."""
    sings = [np.zeros(voice.attacks.n_attacks, dtype=bool) for voice in voices]
    for k in np.flatnonzero(label == _MELODY).tolist():
        sings[int(stretches.part[k])][int(stretches.first[k]) : int(stretches.last[k]) + 1] = True
    return pedal_notes(voices, tempo=tempo, melody=sings, silent=np.zeros(len(voices), dtype=bool))


def _doubled(pairs: Pairs, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Stretches that double a chosen one."""
    answer = np.zeros(len(chosen), dtype=bool)
    answer[pairs.one[pairs.doubling & chosen[pairs.other]]] = True
    return answer


def _settled(stretches: Stretches, label: NDArray[np.int64], *, fixed: NDArray[np.bool_]) -> NDArray[np.int64]:
    """A line keeps its role from rest to rest: a stretch beside a longer one without a rest between takes its role."""
    patterned = stretches.pattern >= 0.5  # a pattern goes on over its rests
    rest_s = np.where(patterned[1:] & patterned[:-1], _PATTERN_REST_S, _REST_S)
    joined = (np.diff(stretches.part) == 0) & (stretches.start_s[1:] - stretches.end_s[:-1] < rest_s)
    length_s = np.minimum(stretches.length_s, _VOTE_S)
    votes = np.zeros((len(label), len(ROLES)))
    here = np.arange(len(label))
    votes[here, label] += length_s
    votes[here[1:][joined], label[:-1][joined]] += length_s[:-1][joined]
    votes[here[:-1][joined], label[1:][joined]] += length_s[1:][joined]
    votes[here, label] += _KEEP * length_s
    return np.where(fixed, label, np.argmax(votes, axis=1))


def _reason(label: int, k: int, heard: Heard) -> str:
    stretches = heard.stretches
    if heard.percussive[k]:
        return "percussion keeps time with the rest"
    if label == _MELODY:
        if heard.setting.alone[k]:
            return "it sounds alone"
        if stretches.n_attacks[k] <= 2:
            return "goes on with the melody"
        why = ["the highest line"] if heard.setting.height[k] > 0.9 else ["stands out of what sounds with it"]
        if stretches.variety[k] >= 0.6:
            why.append("varied pitches")
        if stretches.singing[k] >= 0.6:
            why.append("moves in steps")
        return ", ".join(why)
    if label == _COUNTER:
        return "a line with a rhythm of its own beside the melody"
    if label == _BASS:
        return "the lowest line sounding"
    if label == _PEDAL:
        return "one pitch while others move"
    if stretches.thickness[k] >= 1.8:
        return f"{stretches.thickness[k]:.1f} notes at a time"
    if stretches.variety[k] <= 0.34:
        return "a few pitches that keep returning"
    return "moves together with other parts"
