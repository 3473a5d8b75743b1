"""What sequencers do to a file between two exports: the same music in other bytes.

An export is a file's tracks as messages. Every delivery takes one and returns what another program would save of it;
what each does stands in its docstring (common practice, no source). None moves a note by more than half a tick of the
coarser division, nor a lane by more than two steps or 20 ms.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from midi_bytes import Message, smf, track_of, tracks_of

Random = np.random.Generator
LANE_CC = (1, 2, 11)
_TEMPO_TRACK = (0x51, 0x58, 0x06)


@dataclass(frozen=True)
class Export:
    """A file as a sequencer holds it: messages by track, without the ends of tracks."""

    tracks: tuple[tuple[Message, ...], ...]
    division: int
    kind: int = 1
    running: bool = False
    end: int = 0

    @property
    def content(self) -> bytes:
        """The file. All tracks end together, at `end` or with their last message."""
        last = max(self.end, *(track[-1][0] for track in self.tracks if track))
        chunks = [track_of([*track, (last, b"\xff\x2f")], running=self.running) for track in self.tracks]
        return smf(*chunks, kind=self.kind, division=self.division)


def export_of(content: bytes) -> Export:
    tracks = tuple(tuple(m for m in track if m[1][:2] != b"\xff\x2f") for track in tracks_of(content))
    return Export(tracks, int.from_bytes(content[12:14], "big"), content[9])


Delivery = Callable[[Export, Random], Export]


def _all(export: Export, change: Callable[[Message], Message]) -> Export:
    return replace(export, tracks=tuple(tuple(change(m) for m in track) for track in export.tracks))


def as_saved(export: Export, random: Random) -> Export:
    """Only the ends of tracks differ."""
    return export


def one_track_of_all(export: Export, random: Random) -> Export:
    """Type 0: one track under the name of the song; tracks are told apart by their channels."""
    rows = [m for track in export.tracks for m in track if m[1][:2] != b"\xff\x03"]
    rows.sort(key=lambda m: m[0])  # in the order of tracks within a tick
    return replace(export, tracks=(((0, b"\xff\x03Cue 1m1"), *rows),), kind=0)


def tracks_renamed(export: Export, random: Random) -> Export:
    """Names that say nothing of what plays."""
    tracks = []
    for i, track in enumerate(export.tracks):
        rest = tuple(m for m in track if m[1][:2] != b"\xff\x03")
        tracks.append(((0, b"\xff\x03Audio " + str(i + 1).encode()), *rest))
    return replace(export, tracks=tuple(tracks))


def one_channel_for_all(export: Export, random: Random) -> Export:
    """Every message on channel 1, as where each track has its own instrument slot."""
    return _all(export, lambda m: m if m[1][0] >= 0xF0 else (m[0], bytes((m[1][0] & 0xF0,)) + m[1][1:]))


def lanes_resampled(export: Export, random: Random) -> Export:
    """Lanes read every 15 ms (at 120) and written where they changed: automation kept as curves, saved as events."""
    step = max(export.division * 3 // 100, 1)

    def change(track: tuple[Message, ...]) -> tuple[Message, ...]:
        rest = [m for m in track if not _is_lane(m[1])]
        lanes: dict[bytes, list[Message]] = {}
        for m in track:
            if _is_lane(m[1]):
                lanes.setdefault(m[1][:2], []).append(m)
        for rows in lanes.values():
            held: dict[int, Message] = {}
            for tick, m in rows:
                at = -(-tick // step) * step if tick else 0
                held[at] = (at, m)
            values = [rows[0][1][2] + 1]
            for at in sorted(held):
                if held[at][1][2] != values[-1]:
                    rest.append(held[at])
                    values.append(held[at][1][2])
        return tuple(sorted(rest, key=_place))

    return replace(export, tracks=tuple(map(change, export.tracks)))


def lanes_thinned(export: Export, random: Random) -> Export:
    """Lane events within a step of the last one written left out."""

    def change(track: tuple[Message, ...]) -> tuple[Message, ...]:
        last: dict[bytes, int] = {}
        out = []
        for tick, m in track:
            if _is_lane(m) and abs(m[2] - last.get(m[:2], 999)) <= 1:
                continue
            if _is_lane(m):
                last[m[:2]] = m[2]
            out.append((tick, m))
        return tuple(out)

    return replace(export, tracks=tuple(map(change, export.tracks)))


def tempo_in_a_first_track(export: Export, random: Random) -> Export:
    """Tempo, metre and markers of all tracks gathered in a new first one."""
    gathered = [m for track in export.tracks for m in track if m[1][0] == 0xFF and m[1][1] in _TEMPO_TRACK]
    rest = tuple(
        tuple(m for m in track if not (m[1][0] == 0xFF and m[1][1] in _TEMPO_TRACK)) for track in export.tracks
    )
    return replace(export, tracks=(((0, b"\xff\x03Conductor"), *sorted(gathered)), *rest))


def end_markers(export: Export, random: Random) -> Export:
    """A marker four bars behind the music, and every track drawn out to it."""
    last = max(track[-1][0] for track in export.tracks if track)
    bar = 4 * export.division
    at = (last // bar + 4) * bar
    first = (*export.tracks[0], (at, b"\xff\x06End"))
    return replace(export, tracks=(first, *export.tracks[1:]), end=at)


def offs_as_silent_ons(export: Export, random: Random) -> Export:
    """Note-offs as note-ons of velocity 0, with running status."""
    silent = _all(export, lambda m: (m[0], bytes((m[1][0] | 0x10, m[1][1], 0))) if m[1][0] & 0xF0 == 0x80 else m)
    return replace(silent, running=True)


def silent_ons_as_offs(export: Export, random: Random) -> Export:
    """Note-ons of velocity 0 as note-offs of velocity 64."""
    return _all(
        export, lambda m: (m[0], bytes((m[1][0] & 0xEF, m[1][1], 64))) if m[1][0] & 0xF0 == 0x90 and not m[1][2] else m
    )


def other_division(export: Export, random: Random) -> Export:
    """Twice, 4/5 or 1/4 of the ticks a quarter note; every message on the nearest one."""
    division = int(random.choice([export.division * 2, export.division * 4 // 5, export.division // 4]))
    scaled = _all(export, lambda m: (round(m[0] * division / export.division), m[1]))
    return replace(scaled, division=division)


def chased(export: Export, random: Random) -> Export:
    """Controllers reset at the start, and every lane's value stated again every eight bars."""
    step = 32 * export.division

    def change(track: tuple[Message, ...]) -> tuple[Message, ...]:
        state: dict[bytes, int] = {}
        out, due = [], step
        for tick, m in track:
            while tick >= due and state:
                out += [(due, key + bytes((value,))) for key, value in state.items()]
                due += step
            if _is_lane(m):
                state[m[:2]] = m[2]
            out.append((tick, m))
        channels = {m[0] & 0x0F for _, m in track if m[0] < 0xF0}
        return (*((0, bytes((0xB0 | c, 121, 0))) for c in sorted(channels)), *out)

    return replace(export, tracks=tuple(map(change, export.tracks)))


def saved_by_another(export: Export, random: Random) -> Export:
    """All that leaves tracks apart, one after the other."""
    for delivery in (
        tracks_renamed, tempo_in_a_first_track, lanes_resampled, chased, end_markers, offs_as_silent_ons,
        one_channel_for_all, other_division,
    ):  # fmt: skip
        export = delivery(export, random)
    return export


def _is_lane(m: bytes) -> bool:
    return m[0] & 0xF0 == 0xB0 and m[1] in LANE_CC


def _place(m: Message) -> tuple[int, int]:
    """Offs, then set-up and lanes, then ons within a tick."""
    high = m[1][0] & 0xF0
    return m[0], {0x80: 0, 0x90: 3 if m[1][0] & 0xF0 == 0x90 and m[1][2] else 0, 0xB0: 2}.get(high, 1)


DELIVERIES: dict[str, Delivery] = {
    delivery.__name__: delivery
    for delivery in (
        as_saved, one_track_of_all, tracks_renamed, one_channel_for_all, lanes_resampled, lanes_thinned,
        tempo_in_a_first_track, end_markers, offs_as_silent_ons, silent_ons_as_offs, other_division, chased,
        saved_by_another,
    )
}
