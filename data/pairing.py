"""Note-ons and note-offs of one channel to notes.

Overlapping notes of one pitch are paired first on, first off; where a note-off is missing, a new strike ends the note
before. A note-on with velocity 0 is a note-off. Notes left hanging end with the track. A sustain pedal (controller 64
from value 64) holds a note to the pedal's release or the next note of its pitch (General MIDI; value from memory).
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.midi import Track
from phrasewright.data.notes import Notes
from phrasewright.data.tempo import TempoMap

_PEDAL_CC, _PEDAL_DOWN = 64, 64
_NO_NOTES = np.zeros((0, 4), dtype=np.int64)


def channels_with_notes(track: Track) -> list[int]:
    """Channels (from 0) that hold a note-on, in numerical order."""
    on = ((track.status & 0xF0) == 0x90) & (track.data2 > 0)
    return [int(c) for c in np.unique(track.status[on] & 0x0F)]


def pair_notes(track: Track, channel: int, tempo: TempoMap) -> Notes:
    """The notes of one channel (from 0) of a track."""
    mine = (track.status < 0xF0) & ((track.status & 0x0F) == channel)
    rows = _paired(track, mine)
    if len(rows):
        rows[:, 1] = _with_pedal(track, mine, rows)
        rows[:, 1] = np.maximum(rows[:, 1], rows[:, 0] + 1)
        rows = rows[np.lexsort((-rows[:, 2], rows[:, 0]))]
    onset_tick, offset_tick, pitch, velocity = (np.ascontiguousarray(column) for column in rows.T)
    return Notes(
        onset_s=tempo.tick_to_s(onset_tick),
        offset_s=tempo.tick_to_s(offset_tick),
        onset_beat=tempo.tick_to_beat(onset_tick),
        offset_beat=tempo.tick_to_beat(offset_tick),
        onset_tick=onset_tick,
        offset_tick=offset_tick,
        pitch=pitch,
        velocity=velocity,
    )


def _paired(track: Track, mine: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Rows (on tick, off tick, pitch, velocity), shape (n_notes, 4)."""
    high = track.status & 0xF0
    keys = np.flatnonzero(mine & ((high == 0x90) | (high == 0x80)))
    columns = (track.tick[keys], high[keys], track.data1[keys], track.data2[keys])
    waiting: dict[int, deque[int]] = {}
    end_tick = track.end_tick
    rows: list[list[int]] = []
    for tick, kind, pitch, velocity in zip(*(column.tolist() for column in columns), strict=True):
        queue = waiting.setdefault(pitch, deque())
        if kind == 0x90 and velocity:
            queue.append(len(rows))
            rows.append([tick, end_tick, pitch, velocity])
        elif queue:
            rows[queue.popleft()][1] = tick
    hanging = [pitch for pitch, queue in waiting.items() if queue]
    if not rows:
        return _NO_NOTES
    table = np.array(rows, dtype=np.int64)
    for pitch in hanging:
        _cut_at_next_strike(table, pitch)
    return table


def _cut_at_next_strike(rows: NDArray[np.int64], pitch: int) -> None:
    """Where a pitch has more note-ons than note-offs, shift its offs to the note before each: every strike ends the
    last.

    Without this the note-off that is missing in bar 3 would be taken from every later note of the pitch in turn.
    """
    mine = np.flatnonzero(rows[:, 2] == pitch)
    on, offs = rows[mine, 0], np.sort(rows[mine, 1])  # the last of the offs is the end of the track
    next_on = np.r_[on, offs[-1]][np.searchsorted(on, on, side="right")]
    own = offs[np.minimum(np.searchsorted(offs, on, side="right"), len(offs) - 1)]
    rows[mine, 1] = np.minimum(own, np.maximum(next_on, on))


def _with_pedal(track: Track, mine: NDArray[np.bool_], rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Offset ticks after the sustain pedal, shape (n_notes,)."""
    pedal = mine & ((track.status & 0xF0) == 0xB0) & (track.data1 == _PEDAL_CC)
    if not np.any(pedal):
        return rows[:, 1]
    tick, down = track.tick[pedal], track.data2[pedal] >= _PEDAL_DOWN
    changed = np.r_[True, down[1:] != down[:-1]]
    tick, down = tick[changed], down[changed]
    at = np.searchsorted(tick, rows[:, 1], side="right") - 1
    held = (at >= 0) & down[np.maximum(at, 0)]
    release = np.r_[tick, track.end_tick][np.minimum(at + 1, len(tick))]
    held_to = np.where(held, np.maximum(release, rows[:, 1]), rows[:, 1])
    order = np.lexsort((rows[:, 0], rows[:, 2]))  # by pitch, then onset: the next row may strike the pitch anew
    same = rows[order[1:], 2] == rows[order[:-1], 2]
    next_strike = np.full(len(rows), np.iinfo(np.int64).max)
    next_strike[order[:-1][same]] = rows[order[1:][same], 0]
    return np.asarray(np.maximum(rows[:, 1], np.minimum(held_to, next_strike)))
