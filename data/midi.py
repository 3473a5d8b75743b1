"""Standard MIDI Files, split into messages without interpreting them, so that what is not understood goes out as it
came in.

A file is kept as its bytes plus, for each track, arrays that say where each message stands. Writing copies the bytes
of every message that stays and weaves new controller events in between; tracks without a change are copied whole, and
so are chunks that are not tracks. mido, the only reader of meanings here, decodes meta messages and writes files from
message lists.

mido does not read the files of users, for three reasons seen in its source (1.3.3): it stops at chunks that are not
tracks, it turns an F7 packet into a system exclusive message with other bytes, and it makes an object of every
message.

Units: ticks. Format: Standard MIDI Files 1.0.
"""

from __future__ import annotations

import io
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mido
import numpy as np
from numpy.typing import NDArray

from phrasewright.data.errors import InputError
from phrasewright.data.files import read_file, write_together
from phrasewright.data.printing import printable

META, SYSEX, ESCAPE = 0xFF, 0xF0, 0xF7
END_OF_TRACK = 0x2F
_PORT = 0x21
TEXT_TYPES = (0x01, 0x05, 0x06, 0x07)
"""Text, lyric, marker and cue point: where marks for players are found."""
MAX_FILE_BYTES = 64 << 20
MAX_TRACKS, MAX_MESSAGES = 10_000, 4_000_000
"""More than an hour of forty parts with dense lanes holds (measured: 100 bytes of memory a message)."""
_BLOCK = 1 << 16
_LONGEST_DELTA = (1 << 28) - 1

_DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
_PAYS = 16
"""So many messages of one length in a row are worth splitting at once."""
_RUNS = {
    n_data: re.compile(rb"(?:[\x80-\xff]{0,3}[\x00-\x7f]%b?[\x00-\x7f]{%d}){%d,%d}+" % (status, n_data, _PAYS, _BLOCK))
    for n_data, status in ((2, rb"[\x80-\xbf\xe0-\xef]"), (1, rb"[\xc0-\xdf]"))
}
"""Runs of channel messages by the number of data bytes of each: time, status unless it is running, data."""
_SYSTEM_BYTES = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0, 0xF8: 0, 0xFA: 0, 0xFB: 0, 0xFC: 0, 0xFE: 0}
_SMPTE_RATES = {24: 24.0, 25: 25.0, 29: 30_000 / 1001, 30: 30.0}
_SETUP_CC = (0, 32, 121)
_FRAME_OF_LANES = (0x03, 0x51, 0x58)  # track name, tempo, metre
_CHANNEL_KINDS = ("note_on", "note_off", "control_change", "program_change")
_DELTA_STEPS = 1 << 7 * np.arange(1, 4)
"""From these deltas on a delta takes a byte more."""

Event = tuple[int, int, str, Mapping[str, int | str]]
"""An event to write: tick, rank among those of one tick, kind by mido's name ("note_on", "track_name", ...), values."""


@dataclass(frozen=True)
class Track:
    """One track chunk. Arrays of shape (n_events,), ticks absolute.

    `status` is the full status byte (running status resolved), `data1` the first data byte or the meta type, `data2`
    the second data byte or 0. `start`, `stop` bound what follows the status byte in the file's bytes; `tail` bounds
    bytes after End of Track.
    """

    tick: NDArray[np.int64]
    status: NDArray[np.int64]
    data1: NDArray[np.int64]
    data2: NDArray[np.int64]
    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    tail: tuple[int, int]

    @property
    def n_events(self) -> int:
        """How many messages."""
        return len(self.tick)

    @property
    def end_tick(self) -> int:
        """Tick of the last event."""
        return int(self.tick[-1]) if self.n_events else 0


@dataclass(frozen=True)
class MidiFile:
    """A file as read. `chunks` lists (first byte, end byte, index into `tracks` or None) in file order."""

    content: bytes
    kind: int
    ticks_per_beat: int | None
    ticks_per_s: float | None
    tracks: tuple[Track, ...]
    chunks: tuple[tuple[int, int, int | None], ...]

    def payload(self, track: int, event: int) -> bytes:
        """What follows the length of a meta or system exclusive message: its data bytes."""
        t = self.tracks[track]
        at = int(t.start[event]) + (1 if t.status[event] == META else 0)
        length, at = _variable_length(self.content, at, int(t.stop[event]))
        return self.content[at : at + length]


@dataclass(frozen=True)
class LaneEvents:
    """Controller events to write into one track: arrays of shape (n_events,), in the order wanted at one tick."""

    tick: NDArray[np.int64]
    channel: NDArray[np.integer[Any]]
    controller: NDArray[np.integer[Any]]
    value: NDArray[np.integer[Any]]


def read_midi(path: Path) -> MidiFile:
    """Read and split a file.

    Raises
    ------
    InputError
        The file cannot be opened, is no Standard MIDI File, is of type 2, breaks off inside a message, or holds more
        than any cue.
    """
    return split_midi(read_file(path, most_bytes=MAX_FILE_BYTES, what="cue"), name=str(path))


def split_midi(content: bytes, *, name: str) -> MidiFile:
    """Split the bytes of a file; `name` stands in error messages. Raises InputError as `read_midi` does."""
    if content[:4] != b"MThd" or len(content) < 14:
        raise InputError(f"{name}: not a Standard MIDI File (it does not begin with MThd); export it as .mid")
    header_length = int.from_bytes(content[4:8], "big")
    kind = int.from_bytes(content[8:10], "big")
    division = int.from_bytes(content[12:14], "big")
    if header_length < 6 or 8 + header_length > len(content):
        raise InputError(f"{name}: the header claims {header_length} bytes; the file is damaged, export it again")
    if kind == 2:
        raise InputError(f"{name}: type 2 files hold unrelated sequences, not one cue; export it as type 1")
    if kind > 2:
        raise InputError(f"{name}: unknown file type {kind}; export it as type 1")
    ticks_per_beat, ticks_per_s = _division(division, name)

    tracks: list[Track] = []
    chunks: list[tuple[int, int, int | None]] = []
    room = MAX_MESSAGES
    at = 8 + header_length
    while at + 8 <= len(content):
        length = int.from_bytes(content[at + 4 : at + 8], "big")
        end = at + 8 + length
        if content[at : at + 4] == b"MTrk":
            if end > len(content):
                raise InputError(f"{name}: track {len(tracks) + 1} is cut off at byte {len(content)}; export it again")
            if len(tracks) == MAX_TRACKS:
                raise InputError(f"{name}: holds more than {MAX_TRACKS} tracks; export the tracks of the cue alone")
            chunks.append((at, end, len(tracks)))
            tracks.append(_split_track(content, at + 8, end, where=f"{name}: track {len(tracks) + 1}", room=room))
            room -= tracks[-1].n_events
        else:
            end = min(end, len(content))
            chunks.append((at, end, None))
        at = end
    if at < len(content):
        chunks.append((at, len(content), None))
    return MidiFile(content, kind, ticks_per_beat, ticks_per_s, tuple(tracks), tuple(chunks))


def _division(division: int, name: str) -> tuple[int | None, float | None]:
    if division & 0x8000:
        rate, per_frame = 256 - (division >> 8), division & 0xFF
        if rate not in _SMPTE_RATES or per_frame == 0:
            raise InputError(f"{name}: SMPTE division {rate} frames x {per_frame} ticks is undefined; export it again")
        return None, _SMPTE_RATES[rate] * per_frame
    if division == 0:
        raise InputError(f"{name}: the division is 0 ticks a quarter note; export it again")
    return division, None


def _variable_length(content: bytes, at: int, end: int) -> tuple[int, int]:
    value = 0
    for count in range(4):
        if at + count >= end:
            break
        byte = content[at + count]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + count + 1
    raise IndexError(at)


def _split_track(content: bytes, at: int, end: int, *, where: str, room: int) -> Track:
    """Split one track: the format is a chain in which each message tells where the next begins.

    Long runs of like channel messages are split at once. `room` is how many messages the track may hold at most.
    """
    rows: list[tuple[int, int, int, int, int, int]] = []
    blocks = [np.zeros((6, 0), dtype=np.int64)]
    tick = running = 0
    begin = at
    try:
        while at < end and room >= 0:
            if len(rows) == _BLOCK:
                blocks.append(np.array(rows, dtype=np.int64).T)
                rows.clear()
            begin = at
            delta, at = _variable_length(content, at, end)
            tick += delta
            room -= 1
            status = content[at]
            if status < 0x80:
                if not running:
                    raise InputError(f"{where}: data byte {status} without a status at byte {at}; export it again")
                status = running
            else:
                at += 1
            start, data1, data2 = at, 0, 0
            if status < 0xF0:
                running = status
                n_data = _DATA_BYTES[status & 0xF0]
                run = _RUNS[n_data].match(content, begin, end)
                if run is not None:
                    messages = _like_messages(content, *run.span(), status=status, tick=tick - delta)
                    blocks += [np.array(rows, dtype=np.int64).reshape(-1, 6).T, messages]
                    rows.clear()
                    room -= messages.shape[1] - 1
                    tick, running = messages[:2, -1].tolist()
                    at = run.end()
                    continue
                at += n_data
                data1 = content[start]
                data2 = content[start + 1] if n_data == 2 else 0
                if data1 > 127 or data2 > 127:
                    raise InputError(f"{where}: data byte over 127 at byte {start}; export it again")
            elif status in (META, SYSEX, ESCAPE):
                if status == META:
                    data1 = content[at]
                    at += 1
                length, at = _variable_length(content, at, end)
                at += length
            elif status in _SYSTEM_BYTES:
                at += _SYSTEM_BYTES[status]
            else:
                raise InputError(f"{where}: undefined status byte {status:#x} at byte {at - 1}; export it again")
            rows.append((tick, status, data1, data2, start, at))
            if status == META and data1 == END_OF_TRACK:
                break
    except IndexError:
        at = end + 1
    if room < 0:
        raise InputError(f"{where}: the file holds more than {MAX_MESSAGES} messages; export the cue in several files")
    if at > end:
        raise InputError(f"{where}: breaks off inside the message at byte {begin}; export it again")
    blocks.append(np.array(rows, dtype=np.int64).reshape(-1, 6).T)
    tick_, status_, data1_, data2_, start_, stop_ = np.concatenate(blocks, axis=1)
    return Track(tick_, status_, data1_, data2_, start_, stop_, tail=(at, end))


def _like_messages(content: bytes, at: int, end: int, *, status: int, tick: int) -> NDArray[np.int64]:
    """Rows as of `Track` of channel messages with one number of data bytes each, end to end; (6, n_messages).

    All bytes below 0x80 are the last of a message's time, or data: so many of each message, in this order. `status` is
    that of the first message, `tick` where the time before it ends.
    """
    n_data = _DATA_BYTES[status & 0xF0]
    byte = np.frombuffer(content, dtype=np.uint8)
    low = at + np.flatnonzero(byte[at:end] < 0x80).reshape(-1, 1 + n_data)
    time_end, start, stop = low[:, 0], low[:, 1], low[:, -1] + 1
    delta = byte[time_end].astype(np.int64)
    n_time = 1 + time_end - np.r_[at, stop[:-1]]
    for k in range(1, int(n_time.max())):
        longer = n_time > k
        delta[longer] |= (byte[time_end[longer] - k] & 0x7F).astype(np.int64) << 7 * k
    last = np.maximum.accumulate(np.where(start - time_end > 1, start - 1, -1))  # where the status in force stands
    now = np.where(last < 0, status, byte[last])
    data2 = byte[stop - 1] if n_data == 2 else np.zeros_like(stop)
    return np.stack([tick + np.cumsum(delta), now, byte[start], data2, start, stop])


def meta_messages(midi: MidiFile, track: int, types: Sequence[int]) -> list[tuple[int, mido.MetaMessage]]:
    """(tick, message) for each meta message of the given types in one track; what cannot be decoded is passed over."""
    found = []
    for tick, kind, raw in _meta(midi, track, types):
        with suppress(ValueError, IndexError, LookupError, TypeError):
            found.append((tick, mido.midifiles.meta.build_meta_message(kind, list(raw))))
    return found


def meta_text(midi: MidiFile, track: int, types: Sequence[int]) -> list[tuple[int, str]]:
    """(tick, text) of text-like meta messages, read as UTF-8, else as Latin-1, without control characters."""
    found = []
    for tick, _, raw in _meta(midi, track, types):
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError:
            text = raw.decode("latin-1")
        found.append((tick, printable(text)))
    return found


def port_of(midi: MidiFile, track: int) -> int:
    """The output port a track names (meta type 0x21, from memory), else 0; each port has channels of its own."""
    return next((raw[0] for _, _, raw in _meta(midi, track, (_PORT,)) if raw), 0)


def _meta(midi: MidiFile, track: int, types: Sequence[int]) -> Iterator[tuple[int, int, bytes]]:
    """(tick, type, data bytes) of the meta messages of the given types in one track."""
    t = midi.tracks[track]
    for event in np.flatnonzero(t.status == META).tolist():
        if t.data1[event] in types:
            yield int(t.tick[event]), int(t.data1[event]), midi.payload(track, event)


def weave(midi: MidiFile, *, removed: dict[int, NDArray[np.bool_]], added: dict[int, LaneEvents]) -> bytes:
    """The file with events taken out and lane events put in.

    Parameters
    ----------
    removed : mapping from track index (from 0) to mask, (n_events,)
        Events to leave out.
    added : mapping from track index (from 0) to LaneEvents
        Events to put in. At one tick they stand after bank, program and reset messages of their channel, else before
        its first note-on, else last; End of Track moves only if it would not be last.

    Returns
    -------
    bytes
        Tracks without a change and all other chunks are the bytes that came in.
    """
    out = [midi.content[: midi.chunks[0][0]]] if midi.chunks else [midi.content]
    for begin, end, track in midi.chunks:
        if track is None or (track not in added and not np.any(removed.get(track, False))):
            out.append(midi.content[begin:end])
            continue
        body = _woven_track(midi, track, removed.get(track), added.get(track))
        out += [b"MTrk", len(body).to_bytes(4, "big"), body]
    return b"".join(out)


def lanes_alone(midi: MidiFile, lanes: Mapping[int, Collection[tuple[int, int]]]) -> bytes:
    """A file of the same type, division and tracks that holds only tempo, metre, track names and lanes.

    Parameters
    ----------
    lanes : mapping from track index (from 0) to (channel from 0, controller)
        What stays, with the fine values of these controllers. Every track stays, if only by its name and its length.
    """
    bodies = []
    for i, track in enumerate(midi.tracks):
        meta = (track.status == META) & np.isin(track.data1, _FRAME_OF_LANES)
        end = (track.status == META) & (track.data1 == END_OF_TRACK)
        stays = meta | end
        for channel, controller in lanes.get(i, ()):
            numbers = [controller, controller + 32] if controller < 32 else [controller]
            stays |= (track.status == (0xB0 | channel)) & np.isin(track.data1, numbers)
        bodies.append(_woven_track(midi, i, ~stays, None)[: -len(midi.content[slice(*track.tail)]) or None])
    division = midi.content[12:14]
    out = [b"MThd\0\0\0\6", midi.kind.to_bytes(2, "big"), len(bodies).to_bytes(2, "big"), division]
    for body in bodies:
        out += [b"MTrk", len(body).to_bytes(4, "big"), body]
    return b"".join(out)


def _woven_track(midi: MidiFile, index: int, removed: NDArray[np.bool_] | None, added: LaneEvents | None) -> bytes:
    track = midi.tracks[index]
    content = np.frombuffer(midi.content, dtype=np.uint8)
    kept = np.arange(track.n_events) if removed is None else np.flatnonzero(~removed)
    has_end = track.n_events > 0 and track.status[-1] == META and track.data1[-1] == END_OF_TRACK
    if has_end:
        kept = kept[kept != track.n_events - 1]
    # tick, status, data bytes, and where and how much follows the status byte in the file: (6, n_events)
    rows = np.stack([track.tick, track.status, track.data1, track.data2, track.start, track.stop - track.start])
    rows = rows[:, kept]
    if added is not None:
        place = np.r_[2 * np.arange(len(kept)) + 1, 2 * _places(track, kept, added)]  # new ones before the kept one
        order = np.lexsort((np.r_[rows[0], added.tick], place))
        none, two = np.zeros_like(added.tick), np.full_like(added.tick, 2)
        new = np.stack([added.tick, 0xB0 | added.channel.astype(np.int64), added.controller, added.value, none, two])
        rows = np.concatenate([rows, new], axis=1)[:, order]
    tick, status, data1, data2, start, size = rows
    end_tick = max(track.end_tick, int(tick[-1]) if len(tick) else 0)
    deltas = np.diff(np.r_[0, tick, end_tick])
    if deltas.max() > _LONGEST_DELTA:
        raise InputError(
            f"track {index + 1}: lanes would lie {deltas.max()} ticks apart, more than a MIDI file can tell; its tempo "
            "is faster than any music, export it again"
        )
    delta = deltas[:-1]
    n_delta = 1 + np.sum(delta[:, None] >= _DELTA_STEPS, axis=1)
    after = np.cumsum(n_delta + 1 + size)
    at = after - size - 1  # of the status byte
    out = np.zeros(int(after[-1]) if len(after) else 0, dtype=np.uint8)
    for k in range(4):  # seven bits a byte, the lowest last
        long = n_delta > k
        out[at[long] - 1 - k] = delta[long] >> 7 * k & 0x7F | (0x80 if k else 0)
    out[at] = status
    for k, data in ((0, data1), (1, data2)):
        holds = (status < SYSEX) & (size > k)
        out[at[holds] + 1 + k] = data[holds]
    longer = status >= SYSEX
    for to, begin, n in zip((at[longer] + 1).tolist(), start[longer].tolist(), size[longer].tolist(), strict=True):
        out[to : to + n] = content[begin : begin + n]
    last = midi.content[int(track.start[-1]) : int(track.stop[-1])] if has_end else bytes((END_OF_TRACK, 0))
    ending = bytes((*mido.midifiles.meta.encode_variable_int(int(deltas[-1])), META)) + last
    return out.tobytes() + ending + midi.content[slice(*track.tail)]


def _places(track: Track, kept: NDArray[np.int64], added: LaneEvents) -> NDArray[np.int64]:
    """Before which of the kept events each new one goes, shape (n_added,); not decreasing in one tick and channel."""
    tick, status, data1, data2 = (a[kept] for a in (track.tick, track.status, track.data1, track.data2))
    high = status & 0xF0
    key, wanted = tick * 16 + (status & 0x0F), added.tick * 16 + added.channel  # one tick of one channel
    place = np.searchsorted(tick, added.tick, side="right")
    notes = np.flatnonzero((high == 0x90) & (data2 > 0))
    notes = notes[np.argsort(key[notes], kind="stable")]
    first = np.searchsorted(key[notes], wanted, side="left")
    found = np.append(key[notes], -1)[first] == wanted
    place[found] = notes[first[found]]
    setup = np.flatnonzero((high == 0xC0) | ((high == 0xB0) & np.isin(data1, _SETUP_CC)))
    setup = setup[np.argsort(key[setup], kind="stable")]
    last = np.searchsorted(key[setup], wanted, side="right") - 1
    found = np.append(key[setup], -1)[last] == wanted
    place[found] = setup[last[found]] + 1
    return place


def write_events(path: Path, tracks: Sequence[Sequence[Event]], *, ticks_per_beat: int) -> None:
    """Write a type 1 file of tracks, events in any order, whole or not at all; for the demo cues and for tests."""
    file = mido.MidiFile(type=1, ticks_per_beat=ticks_per_beat, charset="utf-8")
    for events in tracks:
        track, now = mido.MidiTrack(), 0
        for tick, _, kind, values in sorted(events, key=lambda event: event[:2]):
            message = mido.Message if kind in _CHANNEL_KINDS else mido.MetaMessage
            track.append(message(kind, time=tick - now, **values))
            now = tick
        file.tracks.append(track)
    content = io.BytesIO()
    file.save(file=content)
    write_together({path: content.getvalue()})
