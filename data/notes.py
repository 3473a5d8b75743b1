"""Notes of one part, as arrays, and how note-ons and note-offs become them.

Times stand in seconds, quarter notes and ticks side by side, so that nobody has to convert twice. Offsets are where the
sound ends: a held sustain pedal lengthens a note up to the pedal's release or the next note of the same pitch.

Overlapping notes of one pitch are paired first on, first off. A note-on with velocity 0 is a note-off. Notes left
hanging end with the next onset of the part, the last with the track. All Notes Off and All Sound Off (controllers 123
and 120) end all. A sustain pedal (controller 64 from value 64) holds a note to the pedal's release or the next note
of its pitch (General MIDI; value from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.midi import Track
from phrasewright.data.tempo import TempoMap

_PEDAL_CC, _PEDAL_DOWN = 64, 64
_SILENCE_CC = (120, 123)
_NO_NOTES = np.zeros((0, 6), dtype=np.int64)


@dataclass(frozen=True)
class Notes:
    """Notes sorted by onset, the highest first where several start on one tick.

    All arrays have shape (n_notes,) and are read-only. `onset_beat` and `offset_beat` count quarter notes from tick
    0; in files with SMPTE division they are half-seconds (a nominal 120 quarter notes a minute) and are not shown to
    users.
    """

    onset_s: NDArray[np.float64]
    offset_s: NDArray[np.float64]
    onset_beat: NDArray[np.float64]
    offset_beat: NDArray[np.float64]
    onset_tick: NDArray[np.int64]
    offset_tick: NDArray[np.int64]
    pitch: NDArray[np.int64]
    velocity: NDArray[np.int64]

    def __post_init__(self) -> None:
        lengths = {f.name: len(getattr(self, f.name)) for f in fields(self)}
        if len(set(lengths.values())) > 1:
            raise ValueError(f"Notes need rows of one length, got {lengths}")
        if self.n_notes:
            order = np.lexsort((-self.pitch, self.onset_tick))
            if np.any(order != np.arange(self.n_notes)):
                raise ValueError("Notes must be sorted by onset, highest first")
            if np.any(self.offset_tick <= self.onset_tick):
                raise ValueError("Every note must last at least one tick")
            if self.pitch.min() < 0 or self.pitch.max() > 127:
                raise ValueError("Pitches must lie in 0..127")
        for f in fields(self):
            getattr(self, f.name).setflags(write=False)

    @property
    def n_notes(self) -> int:
        """How many."""
        return len(self.onset_s)

    def take(self, index: NDArray[np.bool_] | NDArray[np.int64]) -> Notes:
        """The chosen notes, by mask or by increasing index."""
        return Notes(*(getattr(self, f.name)[index] for f in fields(self)))


def sounding_spans(notes: Notes) -> NDArray[np.float64]:
    """Spans in which at least one note sounds, merged. Shape (n_spans, 2), seconds, in order."""
    if notes.n_notes == 0:
        return np.zeros((0, 2))
    reach_s = np.maximum.accumulate(notes.offset_s)
    starts = np.r_[True, notes.onset_s[1:] > reach_s[:-1]]
    first = np.flatnonzero(starts)
    last = np.r_[first[1:] - 1, notes.n_notes - 1]
    return np.stack([notes.onset_s[first], reach_s[last]], axis=1)


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
        rows = _in_order(rows)
    onset_tick, offset_tick, pitch, velocity = (np.ascontiguousarray(column) for column in rows.T[:4])
    return notes_at(onset_tick, offset_tick, pitch, velocity, tempo=tempo)


def notes_at(
    onset_tick: NDArray[np.int64],
    offset_tick: NDArray[np.int64],
    pitch: NDArray[np.int64],
    velocity: NDArray[np.int64],
    *,
    tempo: TempoMap,
) -> Notes:
    """Notes from where they stand in ticks; all arrays of shape (n_notes,), onsets not falling."""
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


def note_events(track: Track, channel: int, notes: Notes) -> NDArray[np.int64]:
    """Which events of a track begin and end notes, shape (n_notes, 2); -1 for an end that is no note-off of its own.

    `notes` are some of those that `pair_notes` finds on the channel (from 0), in its order.
    """
    mine = (track.status < 0xF0) & ((track.status & 0x0F) == channel)
    rows = iter(_in_order(_paired(track, mine)).tolist())
    found = []
    for onset, pitch in zip(notes.onset_tick.tolist(), notes.pitch.tolist(), strict=True):
        row = next(row for row in rows if row[0] == onset and row[2] == pitch)
        found.append(row[4:])
    return np.array(found, dtype=np.int64).reshape(-1, 2)


def _in_order(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    return rows[np.lexsort((-rows[:, 2], rows[:, 0]))]


def _paired(track: Track, mine: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Rows (on tick, off tick, pitch, velocity, on event, off event or -1), shape (n_notes, 6)."""
    high = track.status & 0xF0
    silence = (high == 0xB0) & np.isin(track.data1, _SILENCE_CC)
    keys = np.flatnonzero(mine & ((high == 0x90) | (high == 0x80) | silence))
    tick, kind, pitch, velocity = track.tick[keys], high[keys], track.data1[keys], track.data2[keys]
    strikes, silent = (kind == 0x90) & (velocity > 0), kind == 0xB0
    if not np.any(strikes):
        return _NO_NOTES
    silences = np.cumsum(silent)  # each ends what sounds: ends are sought up to the next
    on, off = _first_on_first_off(silences * 128 + pitch, strikes, ~(strikes | silent))
    row = np.cumsum(strikes) - 1
    ends = np.append(tick[silent], track.end_tick)[silences[strikes]]
    ends[row[on]] = tick[off]
    end_event = np.full(len(ends), -1)
    end_event[row[on]] = keys[off]
    table = np.stack([tick[strikes], ends, pitch[strikes], velocity[strikes], keys[strikes], end_event], axis=1)
    hangs = (end_event < 0) & (silences[strikes] == silences[-1])
    for key in np.unique(table[hangs, 2]).tolist():
        mine_too = (pitch == key) & ~silent
        _end_hanging(table, key, tick[mine_too], strikes[mine_too], track.end_tick)
    return table


def _first_on_first_off(
    key: NDArray[np.int64], on: NDArray[np.bool_], off: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Events that begin and end one note each, among the events of each key; an off while nothing sounds is none."""
    order = np.argsort(key, kind="stable")
    order = order[(on | off)[order]]
    key, on, off = key[order], on[order], off[order]
    fresh = np.r_[True, key[1:] != key[:-1]]
    group = np.cumsum(fresh) - 1
    sounding: NDArray[np.int64] = np.cumsum(on) - np.cumsum(off)  # as if every off ended a note
    sounding -= (sounding - on + off)[fresh][group]
    apart = len(key) * group  # so that the least of a group lies below all before it
    least = np.minimum.accumulate(np.minimum(sounding, 0) - apart) + apart
    ends = off & (least == np.where(fresh, 0, np.r_[0, least[:-1]]))
    begun: NDArray[np.int64] = np.cumsum(on) - on
    ended: NDArray[np.int64] = np.cumsum(ends) - ends
    place = begun[fresh][group] + ended - ended[fresh][group]
    return order[np.flatnonzero(on)[place[ends]]], order[ends]


def _end_hanging(
    rows: NDArray[np.int64], pitch: int, tick: NDArray[np.int64], strikes: NDArray[np.bool_], end_tick: int
) -> None:
    """Give a pitch with more note-ons than note-offs new offs, in place.

    A note-off that ends nothing just before a note-on of the same tick belongs to that note: a grace note of no
    length, sorted wrongly by its export. Every other note has the first off after its onset. One that would outlast
    the next strike of its pitch so, or that has no off, hangs: it ends with the part's next onset. Otherwise the off
    that is missing in bar 3 would be taken from every later note of the pitch in turn, or a note drone through the
    rest of the cue.
    """
    at = np.flatnonzero(rows[:, 2] == pitch)
    rows[at, 5] = -1
    empty = np.zeros(len(at), dtype=bool)
    sounding, lone_off, note = 0, -1, 0
    offs = []
    for now, strike in zip(tick.tolist(), strikes.tolist(), strict=True):
        if strike:
            empty[note] = now == lone_off
            sounding += not empty[note]
            note += 1
        elif sounding:
            sounding -= 1
            offs.append(now)
        else:
            lone_off = now
    on, ends = rows[at, 0], np.array([*offs, end_tick])
    full = on[~empty]
    next_strike = np.r_[full, end_tick][np.searchsorted(full, on, side="right")]
    own = ends[np.searchsorted(ends[:-1], on, side="right")]
    next_onset = np.r_[rows[:, 0], end_tick][np.searchsorted(rows[:, 0], on, side="right")]
    hangs = (own >= end_tick) | (own > next_strike)
    rows[at, 1] = np.where(empty, on, np.maximum(np.where(hangs, np.minimum(own, next_onset), own), on))


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
