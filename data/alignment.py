"""How alike two lines or two cues are by their notes, and where the time of one cue lies in the other's.

Whatever was nudged, renamed, cut or moved by octaves, a line is told by its short runs of pitch classes: six attacks in
a row, of each attack its highest note. Runs do not change with tempo, rhythm, velocity or octave. Two cues are compared
by sketches: the smallest hashes of their runs (min-wise sampling; Broder 1997), which estimate the share of runs they
have in common. Runs that both have anchor one cue's time in the other's, and a way is sought that joins most anchors.

Times are quarter notes. Bars that were inserted or cut change the offset between the cues all at once, for all parts
together; so the way is a sequence of offsets, each kept as long as the anchors allow (dynamic programming with a price
for every change). Where the beats themselves were rescaled, no offset holds, and the way is the heaviest chain of
anchors that goes forward in both cues (longest increasing subsequence, weighted). Figures are common practice without
a source, set on planted edits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.notes import Notes

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

RUN = 6
"""Attacks in a run: long enough that a run names a place in a cue, short enough to survive edits (no source)."""
TOGETHER_S = 0.04
"""Notes that start within this of the one before belong to one attack: a chord may be nudged apart (no source)."""
SKETCH_SIZE = 256
_BIN_BEAT = 0.125
_MANY = 16
"""A run that occurs so often that more than this many pairs could be meant anchors nothing."""
_MIN_VARIETY = 3
STRAY_BEAT = 0.12
"""An anchor that lies further from where its neighbours put it belongs to another note."""
_WIDE, NARROW = 13, 5
"""Neighbours a median is taken over: of a whole cue, and of knots that must follow cuts."""
_MIN_PRICE, _PRICE_SHARE = 12.0, 0.006
"""Price of a change of offset, in anchors: at least the first, and the second of all anchors."""
_OFFSET_BEAT, _STEP_BEAT, _N_OFFSETS = 0.25, 0.5, 24
_EXPLAINED = 0.7


def attack_tops(notes: Notes) -> Ints:
    """Index of the highest note of each attack, in order."""
    if notes.n_notes == 0:
        return np.zeros(0, dtype=np.int64)
    attack = np.cumsum(np.r_[True, np.diff(notes.onset_s) > TOGETHER_S]) - 1
    order = np.lexsort((-notes.pitch, attack))
    return np.asarray(order[np.r_[True, np.diff(attack[order]) > 0]])


def runs(tokens: Ints, *, length: int = RUN) -> Ints:
    """A number for each run of `length` tokens (0..11), shape (n_tokens - length + 1,)."""
    if len(tokens) < length:
        return np.zeros(0, dtype=np.int64)
    windows = np.lib.stride_tricks.sliding_window_view(tokens, length)  # (n_runs, length)
    return np.asarray(windows @ (12 ** np.arange(length, dtype=np.int64)))


def line_runs(notes: Notes, *, length: int = RUN) -> Ints:
    """The runs of a line, in order; shape (n_attacks - length + 1,)."""
    return runs(notes.pitch[attack_tops(notes)] % 12, length=length)


def sketch(lines: Sequence[Notes]) -> NDArray[np.uint32]:
    """The smallest hashes of a cue's runs, increasing; shape (at most SKETCH_SIZE,).

    Lines too short for a run count whole.
    """
    found = []
    for notes in lines:
        length = min(RUN, len(attack_tops(notes)))
        if length:
            found.append(line_runs(notes, length=length) + 12**RUN * length)
    if not found:
        return np.zeros(0, dtype=np.uint32)
    return np.unique(_scattered(np.unique(np.concatenate(found))))[:SKETCH_SIZE]


def alike(one: NDArray[np.uint32], other: NDArray[np.uint32]) -> float:
    """Estimated share of runs that two sketches have in common, 0..1."""
    both = np.union1d(one, other)[:SKETCH_SIZE]
    if not len(both):
        return 0.0
    shared = np.intersect1d(one, other, assume_unique=True)
    return float(np.count_nonzero(shared <= both[-1]) / len(both))


def _scattered(values: Ints) -> NDArray[np.uint32]:
    """A fixed hash of whole numbers (the finaliser of a 64-bit mixing function; Steele, Lea and Flood 2014)."""
    z = values.astype(np.uint64) + np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return (z ^ (z >> np.uint64(31))).astype(np.uint32)


class Line(Protocol):
    """What has a name and notes: a part of a cue, or of a first pass."""

    @property
    def name(self) -> str:
        """As in the file."""

    @property
    def notes(self) -> Notes:
        """In order of onset."""


@dataclass(frozen=True)
class Outline:
    """A line made ready: beats and pitches of all notes, and the beat, pitch and runs of its attacks' tops."""

    name: str
    beat: Floats
    pitch: Ints
    top_beat: Floats
    top_pitch: Ints
    runs: Ints


def outline_of(line: Line) -> Outline:
    """The beats, pitches and runs of a line."""
    notes = line.notes
    tops = attack_tops(notes)
    pitch = notes.pitch[tops]
    name = " ".join(line.name.split()).casefold()
    return Outline(name, notes.onset_beat, notes.pitch, notes.onset_beat[tops], pitch, runs(pitch % 12))


def _together(lines: Sequence[Outline]) -> Outline:
    """All lines as one: of notes within an eighth of a quarter note the highest."""
    beat = np.concatenate([line.beat for line in lines]) if lines else np.zeros(0)
    pitch = np.concatenate([line.pitch for line in lines]) if lines else np.zeros(0, dtype=np.int64)
    order = np.lexsort((-pitch, beat))
    beat, pitch = beat[order], pitch[order]
    attack = np.cumsum(np.diff(beat, prepend=-np.inf) > _BIN_BEAT / 2) - 1
    order = np.lexsort((-pitch, attack))
    top = order[np.diff(attack[order], prepend=-1) > 0]
    return Outline("", beat, pitch, beat[top], pitch[top], runs(pitch[top] % 12))


def anchors(a: Outline, b: Outline) -> Ints:
    """Attacks that open a run both lines have, and the rest of the run: (attack of a, attack of b), (n_anchors, 2)."""
    order_a, order_b = np.argsort(a.runs, kind="stable"), np.argsort(b.runs, kind="stable")
    value_a, first_a, count_a = np.unique(a.runs[order_a], return_index=True, return_counts=True)
    value_b, first_b, count_b = np.unique(b.runs[order_b], return_index=True, return_counts=True)
    _, at_a, at_b = np.intersect1d(value_a, value_b, assume_unique=True, return_indices=True)
    n_a, n_b = count_a[at_a], count_b[at_b]
    usable = (n_a * n_b <= _MANY) & (_variety(value_a[at_a]) >= _MIN_VARIETY)
    at_a, at_b, n_a, n_b = at_a[usable], at_b[usable], n_a[usable], n_b[usable]
    size = n_a * n_b  # every occurrence with every other
    which = np.repeat(np.arange(len(size)), size)
    step = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
    attack_a = order_a[first_a[at_a[which]] + step // n_b[which]]
    attack_b = order_b[first_b[at_b[which]] + step % n_b[which]]
    rows = np.stack([attack_a, attack_b], axis=1)[:, None, :] + np.arange(RUN)[None, :, None]  # (n_runs, RUN, 2)
    return np.asarray(np.unique(rows.reshape(-1, 2), axis=0))


def _variety(values: Ints) -> Ints:
    """How many pitch classes each run holds: repeated notes look alike wherever they are cut, and anchor nothing."""
    digits = values[:, None] // 12 ** np.arange(RUN) % 12  # (n_runs, RUN)
    digits.sort(axis=1)
    return np.asarray(1 + np.count_nonzero(np.diff(digits, axis=1), axis=1))


def chain_of(x: Floats, y: Floats, weight: Ints) -> Ints:
    """Indices of the heaviest subset in which both x and y increase strictly, in order (a tree of running maxima).

    `x`, `y` and `weight` have shape (n,), the answer (n_chosen,).
    """
    order = np.lexsort((-y, x))
    values, rank = np.unique(y[order], return_inverse=True)
    best = [0] * (len(values) + 1)
    holder = [-1] * (len(values) + 1)
    before = [-1] * len(order)
    for k, (r, w) in enumerate(zip(rank.tolist(), weight[order].tolist(), strict=True)):
        total, last, at = 0, -1, r
        while at > 0:
            if best[at] > total:
                total, last = best[at], holder[at]
            at -= at & -at
        before[k] = last
        total += w
        at = r + 1
        while at <= len(values):
            if total > best[at]:
                best[at], holder[at] = total, k
            at += at & -at
    total, last, at = 0, -1, len(values)
    while at > 0:
        if best[at] > total:
            total, last = best[at], holder[at]
        at -= at & -at
    chain = []
    while last >= 0:
        chain.append(last)
        last = before[last]
    return np.asarray(order[np.array(chain[::-1], dtype=np.int64)])


def cue_knots(before: Sequence[Outline], after: Sequence[Outline], pairs: Sequence[tuple[int, int]]) -> Floats:
    """The cue's time map by the anchors of all its notes together and of `pairs` of parts that are alike.

    Returns rows (recorded beat, corrected beat), shape (n_knots, 2), the first increasing.
    """
    rows = []
    for a, b in [(_together(before), _together(after)), *((before[i], after[j]) for i, j in pairs)]:
        at = anchors(a, b)
        rows.append(np.stack([a.top_beat[at[:, 0]], b.top_beat[at[:, 1]]], axis=1))
    table = np.concatenate(rows)  # (n_anchors, 2)
    if not len(table):
        return np.zeros((0, 2))
    bins, of, votes = np.unique(np.rint(table / _BIN_BEAT), axis=0, return_inverse=True, return_counts=True)
    of = of.reshape(-1)
    chain = chain_of(bins[:, 0], bins[:, 1], votes)
    on_way = _way(table)
    if np.count_nonzero(on_way) < _EXPLAINED * votes[chain].sum():
        member = np.zeros(len(bins), dtype=bool)
        member[chain] = True
        on_way = member[of]
    place, of, votes = np.unique(of[on_way], return_inverse=True, return_counts=True)
    sums = np.zeros((len(place), 2))
    np.add.at(sums, of.reshape(-1), table[on_way])
    knots = sums / votes[:, None]
    return _without_strays(knots[np.argsort(knots[:, 0], kind="stable")])


def _way(table: Floats) -> NDArray[np.bool_]:
    """Which anchors, rows (recorded beat, corrected beat), lie on the best sequence of offsets; shape (n_anchors,).

    Forward in both cues: after a change to a smaller offset the recorded cue first has to pass what was cut.
    """
    offset = table[:, 1] - table[:, 0]
    grid, votes = np.unique(np.rint(offset / _OFFSET_BEAT), return_counts=True)
    states = np.sort(grid[np.argsort(-votes, kind="stable")[:_N_OFFSETS]]) * _OFFSET_BEAT  # (n_states,)
    nearest = np.abs(offset[:, None] - states).argmin(axis=1)
    held = np.abs(offset - states[nearest]) <= _OFFSET_BEAT / 2
    at = np.floor((table[:, 0] - table[:, 0].min()) / _STEP_BEAT).astype(np.int64)
    n_steps, n_states = int(at.max()) + 1, len(states)
    reward = np.zeros((n_steps, n_states))
    np.add.at(reward, (at[held], nearest[held]), 1.0)

    price = max(_MIN_PRICE, _PRICE_SHARE * len(table))
    wait = np.ceil(np.maximum(states[:, None] - states, 0.0) / _STEP_BEAT).astype(np.int64)  # (from, to)
    total = np.zeros((n_steps + 1, n_states))
    came = np.zeros((n_steps + 1, n_states), dtype=np.int64)
    here = np.arange(n_states)
    for step in range(1, n_steps + 1):
        from_step = step - 1 - wait
        others = total[np.maximum(from_step, 0), here[:, None]] - price  # (from, to)
        others[from_step < 0] = -np.inf
        others[here, here] = total[step - 1]
        came[step] = others.argmax(axis=0)
        total[step] = others[came[step], here] + reward[step - 1]
    state = np.full(n_steps, -1, dtype=np.int64)
    step, now = n_steps, int(total[-1].argmax())
    while step > 0:
        state[step - 1] = now
        before = int(came[step, now])
        step, now = step - 1 - (int(wait[before, now]) if before != now else 0), before
    return np.asarray(held & (nearest == state[at]))


def _without_strays(knots: Floats) -> Floats:
    """Knots that agree with the median of their neighbours' offsets."""
    offset = knots[:, 1] - knots[:, 0]
    return np.asarray(knots[np.abs(offset - running_median(offset, width=NARROW)) <= STRAY_BEAT])


def foretold(beat: Floats, knots: Floats) -> tuple[Floats, Floats]:
    """Where notes of the recorded cue should stand, from the knot before and from the knot after."""
    if not len(knots):
        return beat, beat
    slope = _slopes(knots)
    after = np.searchsorted(knots[:, 0], beat, side="right")
    sides = []
    for k in (np.maximum(after - 1, 0), np.minimum(after, len(knots) - 1)):
        sides.append(knots[k, 1] + slope[k] * (beat - knots[k, 0]))
    return sides[0], sides[1]


def _slopes(knots: Floats) -> Floats:
    """Corrected beats that a recorded beat takes, about each knot; 1 unless the beats were rescaled."""
    if len(knots) < _WIDE:
        return np.ones(len(knots))
    step = np.diff(knots, axis=0)
    raw = step[:, 1] / np.maximum(step[:, 0], 1e-9)
    slope = np.clip(running_median(np.r_[raw, raw[-1:]]), 0.25, 4.0)
    return np.where(np.abs(slope - 1.0) < 0.04, 1.0, slope)


def running_median(values: Floats, *, width: int = _WIDE) -> Floats:
    """Median over `width` neighbours, fewer towards the ends, where a trend goes on; shape of `values`."""
    half = min(width // 2, (len(values) - 1) // 2)
    if half < 1:
        return values
    padded = np.pad(values, half, mode="reflect", reflect_type="odd")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1))


def smoothed(x: Floats, y: Floats, *, width: int = _WIDE) -> Floats:
    """Knots from matched notes: the median of their offsets about each, so that a nudged note moves nothing."""
    order = np.lexsort((y, x))
    x, y = x[order], y[order]
    return np.stack([x, x + running_median(y - x, width=width)], axis=1)


def closer(sides: tuple[Floats, Floats], to: Floats) -> Floats:
    """Of two foretold places the one nearer to `to`, shape of `to`."""
    return np.where(np.abs(sides[0] - to) <= np.abs(sides[1] - to), sides[0], sides[1])
