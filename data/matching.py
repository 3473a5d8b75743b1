"""Which note of a corrected cue is which note of the cue that was shaped.

A corrected file comes back from a sequencer: parts renamed, reordered, split or merged, bars inserted or cut, tempo
changed, notes nudged, moved by octaves, deleted or added. The way here is from the whole to the single note:

1. Runs of pitch classes (`alignment.py`) that both cues have in common anchor one on the other; the heaviest chain of
   anchors that goes forward in both (longest increasing subsequence, weighted) is the cue's time map. Edits of time
   concern all parts together, so all parts vote.
2. Parts are paired by likeness and name, the surest first.
3. In a pair, each note's place is foretold from the anchor before it and from the one after it (they differ where bars
   were cut or inserted), and notes of one pitch, then of one pitch class, are paired where each is the other's nearest.

Times are quarter notes, so that a change of tempo changes nothing. What has no counterpart stays unmatched: nothing is
guessed. The figures are common practice without a source, set on planted edits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.alignment import (
    NARROW,
    STRAY_BEAT,
    Line,
    Outline,
    anchors,
    chain_of,
    closer,
    cue_knots,
    foretold,
    outline_of,
    running_median,
    smoothed,
)

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_FAR_BEAT = 4.0
_REACH_BEAT = (0.6, 0.35)
"""How far from its foretold place a note may lie, in the first and in the second pass."""
_FIT_BEAT = 0.1
_OWN_HANDICAP = 0.95
_JUMP_BEAT = 0.2
_MIN_SHARE = 0.25
_MIN_SHARE_UNLIKE = 0.6
_ALIKE = 0.3
_MIN_NOTES = 4
_NAME_BONUS = 0.4


@dataclass(frozen=True)
class TimeMap:
    """Quarter notes of the corrected cue to quarter notes of the recorded one: lines between knots, jumps at cuts.

    `corrected_beat` and `recorded_beat` have shape (n_knots,), the first one increasing. Before the first and after the
    last knot beats run alike. Without knots the two are the same.
    """

    corrected_beat: Floats
    recorded_beat: Floats

    def recorded(self, corrected_beat: Floats) -> Floats:
        """Where the recorded cue stood, shape of `corrected_beat`, quarter notes."""
        if not len(self.corrected_beat):
            return corrected_beat
        first, last = self.corrected_beat[0], self.corrected_beat[-1]
        inside = np.interp(corrected_beat, self.corrected_beat, self.recorded_beat)
        return np.asarray(inside + np.minimum(corrected_beat - first, 0.0) + np.maximum(corrected_beat - last, 0.0))

    def corrected(self, recorded_beat: Floats) -> Floats:
        """The way back, shape as given; what was cut out stands where the cut is."""
        return TimeMap(self.recorded_beat, self.corrected_beat).recorded(recorded_beat)


@dataclass(frozen=True)
class PartMatch:
    """Notes that a part of the recorded and one of the corrected cue have in common.

    `recorded` and `corrected` count parts from 0. `pairs` has shape (n_pairs, 2): index of the note in the recorded and
    in the corrected part, in the order of the latter. A part that was split or merged stands in several matches.
    """

    recorded: int
    corrected: int
    pairs: Ints
    time_map: TimeMap


@dataclass(frozen=True)
class CueMatch:
    """All matches of two cues, and the time map that most parts agree on."""

    parts: tuple[PartMatch, ...]
    time_map: TimeMap
    share: float
    """Of the corrected cue's notes, how many are matched, 0..1."""

    def source(self, corrected: int, n_notes: int) -> tuple[Ints, Ints]:
        """For each note of a corrected part the recorded part and note it was, -1 where none; shapes (n_notes,)."""
        part, note = np.full(n_notes, -1, dtype=np.int64), np.full(n_notes, -1, dtype=np.int64)
        for match in self.parts:
            if match.corrected == corrected:
                part[match.pairs[:, 1]], note[match.pairs[:, 1]] = match.recorded, match.pairs[:, 0]
        return part, note


def match_cues(recorded: Sequence[Line], corrected: Sequence[Line]) -> CueMatch:
    """Match the notes of two cues.

    Parameters
    ----------
    recorded, corrected : sequences of Line
        The parts of the cue that was shaped, and of the one that came back.
    """
    before, after = [outline_of(line) for line in recorded], [outline_of(line) for line in corrected]
    likeness = _likenesses(before, after)
    in_order = _in_order(likeness, before, after)
    knots = cue_knots(before, after, [(i, j) for i, j in in_order if likeness[i, j] >= _ALIKE])
    free_before = [np.ones(len(line.beat), dtype=bool) for line in before]
    free_after = [np.ones(len(line.beat), dtype=bool) for line in after]
    matches: list[tuple[int, int, Ints]] = []

    def pair(i: int, j: int, *, share: float) -> None:
        """Match what is free in two parts, if enough of the one with fewer free notes finds its like."""
        mine, theirs = np.flatnonzero(free_before[i]), np.flatnonzero(free_after[j])
        fewer = min(len(mine), len(theirs))
        if not fewer:
            return
        found = _match_notes(before[i], after[j], mine, theirs, knots)
        if len(found) >= max(share * fewer, min(_MIN_NOTES, 0.75 * len(before[i].beat), 0.75 * len(after[j].beat))):
            free_before[i][found[:, 0]] = False
            free_after[j][found[:, 1]] = False
            matches.append((i, j, found))

    for i, j in in_order:
        again = not (free_before[i].all() and free_after[j].all())  # a part split or merged, or chance among the rest
        pair(i, j, share=_MIN_SHARE_UNLIKE if again else _MIN_SHARE)
    rest = [
        (-min(a.sum(), b.sum()), i, j)
        for i, a in enumerate(free_before)
        for j, b in enumerate(free_after)
        if a.sum() >= _MIN_NOTES and b.sum() >= _MIN_NOTES and (2 * a.sum() > len(a) or 2 * b.sum() > len(b))
    ]
    for _, i, j in sorted(rest):
        pair(i, j, share=_MIN_SHARE_UNLIKE)

    parts = tuple(
        PartMatch(i, j, found[np.argsort(found[:, 1], kind="stable")], _time_map([(before[i], after[j], found)]))
        for i, j, found in sorted(matches, key=lambda row: (row[1], row[0]))
    )
    total = sum(len(line.beat) for line in after)
    return CueMatch(
        parts,
        _time_map([(before[i], after[j], found) for i, j, found in matches]),
        sum(len(part.pairs) for part in parts) / max(total, 1),
    )


def _likenesses(before: Sequence[Outline], after: Sequence[Outline]) -> Floats:
    """Share of the shorter line's runs that the other has too, shape (n_before, n_after), 0..1."""
    mine = [np.unique(line.runs) for line in before]
    theirs = [np.unique(line.runs) for line in after]
    likeness = np.zeros((len(before), len(after)))
    for i, a in enumerate(mine):
        for j, b in enumerate(theirs):
            if len(a) and len(b):
                shared = np.count_nonzero(np.isin(a, b, assume_unique=True))
                likeness[i, j] = shared / min(len(a), len(b))
            else:  # too short for a run: how many pitch classes they share
                likeness[i, j] = 0.5 * _histogram_overlap(before[i].pitch, after[j].pitch)
    return likeness


def _histogram_overlap(one: Ints, other: Ints) -> float:
    a, b = np.bincount(one % 12, minlength=12), np.bincount(other % 12, minlength=12)
    return float(np.minimum(a, b).sum() / max(min(len(one), len(other)), 1))


def _in_order(likeness: Floats, before: Sequence[Outline], after: Sequence[Outline]) -> list[tuple[int, int]]:
    """Pairs of parts worth a look, the surest first: alike, of one name, of about as many notes, near in the file."""
    pairs = []
    for i, a in enumerate(before):
        for j, b in enumerate(after):
            same = bool(a.name) and a.name == b.name
            if likeness[i, j] < 0.15 and not same:
                continue
            size = min(len(a.beat), len(b.beat)) / max(len(a.beat), len(b.beat), 1)
            score = likeness[i, j] + _NAME_BONUS * same + 0.2 * size - 0.001 * abs(i - j)
            pairs.append((-score, i, j))
    return [(i, j) for _, i, j in sorted(pairs)]


def _match_notes(a: Outline, b: Outline, mine: Ints, theirs: Ints, cue_knots: Floats) -> Ints:
    """Pair notes `mine` of a with `theirs` of b: rows (note of a, note of b).

    The part may have been moved by itself: its own anchors are taken instead of the cue's where they clearly fit
    better, counting notes by how near their foretold place they lie.
    """
    best, best_score = np.zeros((0, 2), dtype=np.int64), 0.0
    own = _part_knots(a, b, cue_knots)
    for knots, handicap in ((cue_knots, 1.0), (own, _OWN_HANDICAP)):
        octave = _octaves(a, b, knots)
        pairs = _nearest_pairs(a, b, mine, theirs, knots, octave, _REACH_BEAT[0])
        if not len(pairs):
            continue
        x, y = a.beat[pairs[:, 0]], b.beat[pairs[:, 1]]
        score = handicap * float(np.exp(-(((closer(foretold(x, knots), y) - y) / _FIT_BEAT) ** 2)).sum())
        if len(pairs) > 2:
            pairs = _nearest_pairs(a, b, mine, theirs, smoothed(x, y, width=NARROW), octave, _REACH_BEAT[1])
        if score > best_score:
            best, best_score = pairs, score
    return _in_turn(a, b, best)


def _in_turn(a: Outline, b: Outline, pairs: Ints) -> Ints:
    """Repeated notes in their order: pairs that cross each other on the same pitches change partners."""
    if len(pairs) < 2:
        return pairs
    key = np.lexsort((pairs[:, 0], b.pitch[pairs[:, 1]], a.pitch[pairs[:, 0]]))
    ordered = pairs[key]
    same = (np.diff(a.pitch[ordered[:, 0]]) == 0) & (np.diff(b.pitch[ordered[:, 1]]) == 0)
    near = np.diff(a.beat[ordered[:, 0]]) < _REACH_BEAT[0]
    run = np.cumsum(np.r_[True, ~(same & near)])
    return np.stack([ordered[:, 0], ordered[np.lexsort((ordered[:, 1], run)), 1]], axis=1)


def _part_knots(a: Outline, b: Outline, cue_knots: Floats) -> Floats:
    """Knots from a pair's own anchors, and where it has none, from the cue's, moved as they are."""
    at = anchors(a, b)
    x, y = a.top_beat[at[:, 0]], b.top_beat[at[:, 1]]
    if len(cue_knots):
        moved = y - closer(foretold(x, cue_knots), y)
        near = np.abs(moved) < 1.0
        if 2 * np.count_nonzero(near) >= len(np.unique(x)):
            near &= np.abs(moved - _mode(moved[near])) <= STRAY_BEAT
            x, y = x[near], y[near]
    chain = chain_of(x, y, np.ones(len(x), dtype=np.int64))
    own = np.stack([x[chain], y[chain]], axis=1)
    if not len(cue_knots) or not len(own):
        return own if len(own) else cue_knots
    shift = np.median(own[:, 1] - closer(foretold(own[:, 0], cue_knots), own[:, 1]))
    index = np.searchsorted(own[:, 0], cue_knots[:, 0])
    gap = np.minimum(
        np.abs(cue_knots[:, 0] - own[np.maximum(index - 1, 0), 0]),
        np.abs(cue_knots[:, 0] - own[np.minimum(index, len(own) - 1), 0]),
    )
    lent = cue_knots[gap > _FAR_BEAT] + np.array([0.0, shift])
    both = np.concatenate([own, lent])
    return np.asarray(both[np.argsort(both[:, 0], kind="stable")])


def _mode(values: Floats) -> float:
    """The middle of the tenth of a quarter note that holds most values, 0 without values."""
    if not len(values):
        return 0.0
    ordered = np.sort(values)
    count = np.searchsorted(ordered, ordered + 0.1, side="right") - np.arange(len(ordered))
    first = int(np.argmax(count))
    return float(np.median(ordered[first : first + count[first]]))


def _octaves(a: Outline, b: Outline, knots: Floats) -> Ints:
    """By how many half-steps (a multiple of 12) the part was moved about each note of a, shape (n_notes,)."""
    at = anchors(a, b)
    if not len(at) or not len(knots):
        return np.zeros(len(a.beat), dtype=np.int64)
    x, y = a.top_beat[at[:, 0]], b.top_beat[at[:, 1]]
    near = np.abs(closer(foretold(x, knots), y) - y) < _REACH_BEAT[0]
    step = (b.top_pitch[at[:, 1]] - a.top_pitch[at[:, 0]])[near]
    x = x[near]
    if not len(x) or not np.any(step):
        return np.zeros(len(a.beat), dtype=np.int64)
    order = np.argsort(x, kind="stable")
    step = np.rint(running_median(step[order].astype(np.float64)) / 12).astype(np.int64) * 12
    index = np.searchsorted(x[order], a.beat)
    left, right = np.maximum(index - 1, 0), np.minimum(index, len(x) - 1)
    nearer = np.where(np.abs(x[order][left] - a.beat) <= np.abs(x[order][right] - a.beat), left, right)
    return np.asarray(step[nearer])


def _nearest_pairs(
    a: Outline, b: Outline, mine: Ints, theirs: Ints, knots: Floats, octave: Ints, reach_beat: float
) -> Ints:
    """Pair notes where each is the other's nearest: of the foretold pitch, then of the old one, then of its class."""
    found = []
    sides = foretold(a.beat, knots)
    for pitch_a, pitch_b in ((a.pitch + octave, b.pitch), (a.pitch, b.pitch), (a.pitch % 12, b.pitch % 12)):
        for place in sides:
            while len(mine) and len(theirs):
                i, j = _mutual(place[mine], pitch_a[mine], b.beat[theirs], pitch_b[theirs], reach_beat)
                if not len(i):
                    break
                found.append(np.stack([mine[i], theirs[j]], axis=1))
                mine, theirs = np.delete(mine, i), np.delete(theirs, j)
    return np.concatenate(found) if found else np.zeros((0, 2), dtype=np.int64)


def _mutual(x: Floats, pitch_x: Ints, y: Floats, pitch_y: Ints, reach: float) -> tuple[Ints, Ints]:
    """Indices of x and y that are each other's nearest of one pitch, at most `reach` apart."""
    wide = max(x.max(), y.max()) - min(x.min(), y.min()) + 4 * reach + 1.0
    key_x, key_y = pitch_x * wide + x, pitch_y * wide + y
    nearest_y, nearest_x = _nearest(key_x, key_y), _nearest(key_y, key_x)
    own = np.arange(len(x))
    good = (nearest_x[nearest_y] == own) & (np.abs(key_x - key_y[nearest_y]) <= reach)
    return own[good], nearest_y[good]


def _nearest(key: Floats, among: Floats) -> Ints:
    """For each key the index of the nearest of `among`; of equals the first."""
    order = np.argsort(among, kind="stable")
    table = among[order]
    at = np.searchsorted(table, key)
    left, right = np.maximum(at - 1, 0), np.minimum(at, len(table) - 1)
    return np.asarray(order[np.where(np.abs(table[left] - key) <= np.abs(table[right] - key), left, right)])


def _time_map(matches: Sequence[tuple[Outline, Outline, Ints]]) -> TimeMap:
    """Corrected to recorded beats by matched notes, smoothed; where bars were cut or inserted it jumps."""
    if not matches:
        return TimeMap(np.zeros(0), np.zeros(0))
    recorded = np.concatenate([a.beat[pairs[:, 0]] for a, _, pairs in matches])
    corrected = np.concatenate([b.beat[pairs[:, 1]] for _, b, pairs in matches])
    knots = smoothed(corrected, recorded)
    x, index = np.unique(knots[:, 0], return_index=True)
    y = knots[index, 1]
    jump = np.flatnonzero(np.abs(np.diff(y) - np.diff(x)) > np.maximum(_JUMP_BEAT, 0.3 * np.diff(x)))
    at = x[jump + 1] - 1e-6
    x, y = np.r_[x, at], np.r_[y, y[jump] + at - x[jump]]
    order = np.argsort(x, kind="stable")
    x, index = np.unique(x[order], return_index=True)
    return TimeMap(x, y[order][index])
