"""The role of each stretch against what sounds with it: melody, counter, chords, bass or pedal.

The melody is what stands out most: high, one line rather than chords, varied in pitch, moving in steps, active, louder.
No two stretches that overlap are both melody unless one doubles the other in unison or octaves. Of the rest, one pitch
under motion is a pedal, the lowest line is the bass, lines with a rhythm of their own are counter-melodies, all else
are chords.

Weights are common practice without a source. Whether a stretch is the melody depends on stretches at most `_ROUNDS`
overlaps away, everything else on those it overlaps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Part
from phrasewright.data.instruments import PERCUSSION_CHANNEL
from phrasewright.data.tempo import TempoMap
from phrasewright.model.hearing import ROLES
from phrasewright.model.layers import TOGETHER_S
from phrasewright.model.pedals import pedal_notes
from phrasewright.model.stretches import Pairs, Stretches, pairs_of, stretches_of
from phrasewright.model.voices import Voice

_MELODY, _COUNTER, _CHORDS, _BASS, _PEDAL = range(len(ROLES))
_ROUNDS = 4
_COVERED = 0.35
"""A stretch gives way only to one that sounds during this share of it; a flourish inside a tune is no rival."""
_GESTURE = 0.3
"""By so much a flourish inside a tune must stand out to be the melody in its place."""
_LENGTH_WEIGHT, _FULL_LENGTH_S = 0.2, 6.0
"""What a stretch of six seconds gains over a passing gesture."""
_ACCOMPANYING = ("plucked", "keys")
_FOLLOW = 0.2
"""Weight of the stretches before and after in the same part."""
_REST_S, _PATTERN_REST_S, _VOTE_S = 0.25, 2.0, 12.0
_DEEP = 20.0
_LOW_DRUM, _LOW_KEYS = 60, (35, 36, 41, 43, 45)
"""Pitch below which a drum is low, and the keys of bass drums and low toms."""
_CONFLICT = 0.2
"""Stretches that share more than this of the shorter one cannot both be the melody."""


_WITHIN = (
    "the top of its chords",
    "the top of its chords",
    "fills its chords",
    "the lowest of its chords",
    "one pitch while others move",
)


@dataclass(frozen=True)
class Weights:
    """What makes a stretch stand out, and what a counter-melody needs; set on the tuning passages."""

    height: float = 0.25
    line: float = 0.23
    variety: float = 0.1
    singing: float = 0.15
    uneven: float = 0.175
    active: float = 0.12
    louder: float = 0.25
    fast: float = 0.3
    pat: float = 0.25
    even: float = 0.15
    top: float = 0.3
    struck: float = 0.135
    own: float = 0.15
    any: float = 0.2
    rate: float = 4.2
    pattern: float = 0.6
    steps: float = 0.7
    keep: float = 0.3
    block: float = 0.16
    broken: float = 2.6


W = Weights()


@dataclass(frozen=True)
class Role:
    """A role over a stretch of one part."""

    label: str
    start_s: float
    end_s: float
    why: str


def roles_of(
    parts: list[Part], voices: list[Voice], *, tempo: TempoMap
) -> tuple[list[NDArray[np.int8]], list[list[Role]]]:
    """For each part the index into ROLES of each of its notes, and its roles in order of time."""
    note_role = [np.full(part.notes.n_notes, _CHORDS, dtype=np.int8) for part in parts]
    roles: list[list[Role]] = [[] for _ in parts]
    heard = [(voice.attacks, voice.phrases) for voice in voices]
    stretches = stretches_of(heard)
    if stretches.n_stretches == 0:
        return note_role, roles
    pairs = pairs_of(stretches, heard)
    of_part = np.array([voice.part for voice in voices])
    percussive = np.array([parts[k].kind == "percussive" for k in of_part])
    low = np.array([_is_low(parts[k]) for k in of_part])
    struck = np.array([parts[k].family in _ACCOMPANYING for k in of_part])
    label, why, lowest, held = _decide(stretches, pairs, voices, percussive, low, struck, tempo)
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


def _decide(
    stretches: Stretches,
    pairs: Pairs,
    voices: list[Voice],
    drum: NDArray[np.bool_],
    low_drum: NDArray[np.bool_],
    plucked: NDArray[np.bool_],
    tempo: TempoMap,
) -> tuple[NDArray[np.int64], list[str], NDArray[np.bool_], list[NDArray[np.bool_]]]:
    """Index into ROLES and the reason for each stretch, whether no other lies below it, and the pedals of each voice.

    `drum` and `plucked` tell of each voice whether it is percussion, and whether it is plucked or a keyboard, which
    break chords.
    """
    percussive, struck = drum[stretches.part], plucked[stretches.part]
    everything = pairs
    pairs = pairs.take(~percussive[pairs.one] & ~percussive[pairs.other])
    n = stretches.n_stretches
    beside_s = _per_one(pairs, pairs.overlap_s, n)
    alone = beside_s <= 0.25 * stretches.length_s
    height = _share(pairs, stretches.pitch[pairs.other] < stretches.pitch[pairs.one], n, empty=0.5)
    below = _share(pairs, stretches.low[pairs.other] < stretches.low[pairs.one] - 1e-9, n, empty=0.0)
    line = np.interp(stretches.thickness, [1.0, 2.0, 3.0], [1.0, 0.5, 0.1])
    moves_with = _moves_with(stretches, pairs, n)
    own = 1.0 - moves_with
    top_of_chords = (height >= 0.95) & (moves_with >= 0.6)  # the top of a chorale may stay on its note
    static = (stretches.variety <= 0.34) & ~top_of_chords
    score = _prominence(stretches, pairs, height=height, line=line, static=static)
    score += W.top * (height >= 0.95) * np.interp(moves_with, [0.35, 0.6], [0.0, 1.0]) - W.struck * struck
    together = (moves_with >= 0.6) | (stretches.thickness > 1.5)
    blocks = (stretches.rate < W.block) & together
    stabs = (stretches.thickness > 1.5) & (stretches.n_classes < 3)
    able = ~percussive & (~static | alone) & ((line >= 0.4) | (height >= 1.0) | alone) & ~blocks & (~stabs | alone)
    melody = _melodies(stretches, pairs, score, able=able)
    led_s = _per_one(pairs, pairs.overlap_s * melody[pairs.other], n)
    busy = ~melody & ~percussive & ~together & (led_s <= 0.2 * stretches.length_s) & (stretches.rate >= 1.0)
    busy &= (line >= 0.6) & (stretches.n_classes >= 2)  # where nothing has profile, the most active line
    melody |= _melodies(stretches, pairs, np.minimum(stretches.rate, 9.0) / 9.0, able=busy)
    lowest = below <= 0.15
    sung = np.where(melody[pairs.other] & pairs.doubling, stretches.pitch[pairs.other], 0.0)
    deep = (
        lowest
        & (_largest(pairs, sung, n) - stretches.pitch >= _DEEP)
        & (_per_one(pairs, (~pairs.doubling).astype(np.float64), n) > 0)
    )
    melody |= _doubled(pairs, melody, n) & ~percussive & ~deep  # a bass may go with the tune far below it
    broken = (stretches.steps < 0.34) & (stretches.rate >= 1.2) & (stretches.uneven < 0.5) & (stretches.n_classes >= 3)
    filling_s = _per_one(pairs, pairs.overlap_s * ~(melody[pairs.other] | pairs.doubling), n)
    only = filling_s < 0.3 * stretches.length_s  # nothing else accompanies
    broken &= (line > 0.5) & only & (struck | (stretches.rate >= W.broken))
    bass = ~melody & ~percussive & lowest & ~alone & ~broken
    beside = 1.0 - _moves_with(stretches, pairs.take(melody[pairs.other]), n)  # the melody
    equal = bass & only & (stretches.uneven >= 0.3) & (stretches.steps >= 0.5) & (stretches.rate >= 0.8)
    bass &= ~(equal & (beside >= W.own))  # of two lines the lower one is as much of a line
    counter = ~(melody | bass | percussive | static) & (line >= 0.6) & (beside >= W.own) & (own >= W.any) & ~alone
    counter &= (
        (stretches.rate >= 0.5) & ((stretches.rate <= W.rate) | (stretches.length_s < 2.5)) & (stretches.variety >= 0.5)
    )
    counter &= (stretches.n_classes >= 3) & (stretches.pattern <= W.pattern)
    counter &= (stretches.steps >= np.where(stretches.uneven < 0.3, W.steps, 0.25)) & ~(struck & broken)
    for chosen, others in ((bass, melody), (counter, melody | bass)):
        chosen |= _doubled(pairs, chosen, n) & ~others & ~percussive
    label = np.full(n, _CHORDS)
    for mask, role in ((counter, _COUNTER), (bass, _BASS), (melody, _MELODY)):
        label[mask] = role
    label = _settled(
        stretches, label, fixed=percussive | (alone & (stretches.pattern < 0.5) & (stretches.thickness < 1.5))
    )
    label = _one_melody(stretches, pairs, label, score, other=np.where((own >= 0.45) & ~static, _COUNTER, _CHORDS))
    drums_s = _per_one(everything, everything.overlap_s * percussive[everything.other], n)
    over_drums = (drums_s >= 0.5 * stretches.length_s) & (label == _CHORDS)
    label[percussive] = np.where(low_drum[stretches.part], _BASS, _CHORDS)[percussive]

    sings = [np.zeros(voice.attacks.n_attacks, dtype=bool) for voice in voices]
    for k in np.flatnonzero(label == _MELODY).tolist():
        sings[int(stretches.part[k])][int(stretches.first[k]) : int(stretches.last[k]) + 1] = True
    held = pedal_notes(voices, tempo=tempo, melody=sings, silent=np.zeros(len(voices), dtype=bool))
    return (
        label,
        [
            _reason(
                int(label[k]),
                k,
                stretches,
                percussive=bool(percussive[k]),
                alone=bool(alone[k]),
                height=float(height[k]),
            )
            for k in range(n)
        ],
        lowest & ~percussive & ~broken & ~over_drums,
        held,
    )


def _per_one(pairs: Pairs, values: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Sum of a value over the pairs of each stretch, shape (n,)."""
    return np.bincount(pairs.one, weights=values, minlength=n).astype(np.float64)


def _share(pairs: Pairs, condition: NDArray[np.bool_], n: int, *, empty: float) -> NDArray[np.float64]:
    """Share of what sounds with each stretch, by time, for which a condition holds; doublings do not count."""
    weight = pairs.overlap_s * ~pairs.doubling
    total = _per_one(pairs, weight, n)
    return np.where(total > 0, _per_one(pairs, weight * condition, n) / np.maximum(total, 1e-9), empty)


def _prominence(
    stretches: Stretches,
    pairs: Pairs,
    *,
    height: NDArray[np.float64],
    line: NDArray[np.float64],
    static: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """How much each stretch stands out, about 0..1."""
    n = stretches.n_stretches
    busy = np.minimum(stretches.rate, 3.0)
    busiest = np.maximum(_largest(pairs, busy[pairs.other], n), busy)
    active = 0.5 * np.minimum(stretches.rate / 0.8, 1.0) + 0.5 * busy / np.maximum(busiest, 1e-9)
    active *= np.minimum(1.0, 9.0 / np.maximum(stretches.rate, 1e-9))
    weight = _per_one(pairs, pairs.overlap_s, n)
    around = np.where(
        weight > 0,
        _per_one(pairs, pairs.overlap_s * stretches.velocity[pairs.other], n) / np.maximum(weight, 1e-9),
        stretches.velocity,
    )
    louder = np.clip((stretches.velocity - around) / 20.0, -1.0, 1.0)
    several = np.minimum(stretches.uneven, 1.0)  # note values
    score = W.height * height + W.line * line + W.variety * stretches.variety + W.singing * stretches.singing
    score += W.uneven * several + W.active * active + W.louder * louder
    score -= W.fast * ((stretches.rate > 4.0) & (several < 0.4)) + W.pat * np.clip(stretches.pattern - 0.4, 0.0, 0.5)
    rival = _largest(pairs, (several * (line >= 0.6))[pairs.other], n)
    score -= W.even * np.clip(rival - several, 0.0, 1.0) * (stretches.rate >= 1.5)  # mixed values before even ones
    score *= np.where(static, 0.6, 1.0)
    before = np.r_[False, (np.diff(stretches.part) == 0) & (np.diff(stretches.start_s) < 20.0)]
    smooth = score.copy()  # a line that stood out a moment ago, or will, is followed
    smooth[before] += _FOLLOW * (score[np.flatnonzero(before) - 1] - score[before])
    after = np.r_[before[1:], False]
    smooth[after] += _FOLLOW * (score[np.flatnonzero(after) + 1] - score[after])
    return smooth


def _largest(pairs: Pairs, values: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Largest value over the pairs of each stretch, 0 where there are none."""
    answer = np.zeros(n)
    np.maximum.at(answer, pairs.one, values)
    return answer


def _melodies(
    stretches: Stretches, pairs: Pairs, score: NDArray[np.float64], *, able: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Stretches that stand out over all they overlap, then those left over that do, a few rounds."""
    n = stretches.n_stretches
    length_s = stretches.length_s
    shorter_s = np.minimum(length_s[pairs.one], length_s[pairs.other])
    both_s = _speaking_s(stretches, pairs)
    conflict = ~pairs.doubling & (both_s > np.maximum(_CONFLICT * shorter_s, 0.12))
    one, other = pairs.one[conflict], pairs.other[conflict]
    covered = both_s[conflict] >= _COVERED * length_s[one]
    inside = both_s[conflict] < _COVERED * length_s[other]  # a passing gesture beside something longer
    weight = np.minimum(length_s, _FULL_LENGTH_S) / _FULL_LENGTH_S
    rank = np.round(score + _LENGTH_WEIGHT * weight, 9) - 1e-10 * stretches.part  # of equals the first part
    open_, melody = able.copy(), np.zeros(n, dtype=bool)
    for _ in range(_ROUNDS):
        beaten = np.zeros(n, dtype=bool)
        beaten[one[covered & open_[other] & (rank[other] > rank[one] - np.where(inside, _GESTURE, 0.0))]] = True
        won = open_ & ~beaten
        won[one[won[one] & won[other] & (rank[other] > rank[one])]] = False  # short ones inside each other
        melody |= won
        open_ &= ~won
        open_[one[won[other]]] = False
    return melody


def _moves_with(stretches: Stretches, pairs: Pairs, n: int) -> NDArray[np.float64]:
    """How much each stretch moves together with the one it moves with most, 0..1; doublings do not count."""
    enough = ~pairs.doubling & (pairs.overlap_s >= 0.4 * stretches.length_s[pairs.one])
    return _largest(pairs, pairs.together * enough, n)


def _speaking_s(stretches: Stretches, pairs: Pairs) -> NDArray[np.float64]:
    """How long both of a pair move: an answer may begin over the last held note of the call."""
    end_s = np.where(stretches.n_attacks >= 3, np.minimum(stretches.last_s + 0.25, stretches.end_s), stretches.end_s)
    both_s = np.minimum(end_s[pairs.one], end_s[pairs.other])
    return np.asarray(both_s - np.maximum(stretches.start_s[pairs.one], stretches.start_s[pairs.other]))


def _doubled(pairs: Pairs, chosen: NDArray[np.bool_], n: int) -> NDArray[np.bool_]:
    """Stretches that double a chosen one."""
    answer = np.zeros(n, dtype=bool)
    answer[pairs.one[pairs.doubling & chosen[pairs.other]]] = True
    return answer


def _settled(
    stretches: Stretches, label: NDArray[np.int64], *, fixed: NDArray[np.bool_]
) -> NDArray[np.int64]:
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
    votes[here, label] += W.keep * length_s
    return np.where(fixed, label, np.argmax(votes, axis=1))


def _one_melody(
    stretches: Stretches,
    pairs: Pairs,
    label: NDArray[np.int64],
    score: NDArray[np.float64],
    *,
    other: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Of melodies that still overlap, the one that stands out more stays; the rest become `other`."""
    shorter_s = np.minimum(stretches.length_s[pairs.one], stretches.length_s[pairs.other])
    conflict = ~pairs.unison & (_speaking_s(stretches, pairs) > np.maximum(_CONFLICT * shorter_s, 0.12))
    conflict &= (label[pairs.one] == _MELODY) & (label[pairs.other] == _MELODY)
    one, two = pairs.one[conflict], pairs.other[conflict]
    rank = np.round(score + _LENGTH_WEIGHT * np.minimum(stretches.length_s / _FULL_LENGTH_S, 1.0), 9)
    rank -= 1e-10 * stretches.part
    melody = label == _MELODY
    for last in (False, False, True):
        beaten = np.zeros(len(label), dtype=bool)
        beaten[one[melody[one] & melody[two] & (rank[two] > rank[one])]] = True
        yields = beaten.copy()
        if not last:  # who is beaten only by one that gives way itself may stay
            yields[:] = False
            yields[one[beaten[one] & melody[two] & ~beaten[two]]] = True
        melody &= ~yields
    return np.where((label == _MELODY) & ~melody, other, label)


def _reason(label: int, k: int, stretches: Stretches, *, percussive: bool, alone: bool, height: float) -> str:
    if percussive:
        return "percussion keeps time with the rest"
    if label == _MELODY:
        if alone:
            return "it sounds alone"
        if stretches.n_attacks[k] <= 2:
            return "goes on with the melody"
        why = ["the highest line"] if height > 0.9 else ["stands out of what sounds with it"]
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
