"""What a flaw planted on purpose is made of: lanes drawn anew in one part, notes split, and the file with them in it.

Seconds, controller steps.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import mido
import numpy as np
from flaw_measures import (
    Floats,
    Lane,
    Site,
)

from phrasewright.data.cue import Cue
from phrasewright.data.midi import LaneEvents, weave

PAIR = ("dynamics", "expression")
REDRAWN_S = 0.02
Rng = np.random.Generator
Target = Callable[[Floats], Floats]


@dataclass(frozen=True)
class Plant:
    """A flaw, or a decoy (`flaw` false), in one part (from 1), with the lanes it stands in and what was done.

    `splits` are repeats to be made of a note: its onset tick and pitch, the ticks at which it is struck again, and the
    ticks of silence before each.
    """

    kind: str
    part: int
    lanes: Mapping[str, Lane]
    start_s: float
    end_s: float
    flaw: bool
    how: str
    splits: tuple[int, int, tuple[int, ...], int] | None = None


def planted_bytes(cue: Cue, plants: Sequence[Plant]) -> bytes:
    """The file with the plants in it: lanes exchanged, notes split."""
    removed, rows = {}, {}
    for plant in plants:
        part = cue.parts[plant.part - 1]
        index, channel = part.track - 1, part.channel - 1
        track = cue.midi.tracks[index]
        mask = removed.setdefault(index, np.zeros(track.n_events, dtype=bool))
        for lane, drawn in plant.lanes.items():
            controller = part.lane_cc[lane]
            mask |= (track.status == (0xB0 | channel)) & (track.data1 == controller)
            here = np.full(len(drawn.tick), channel), np.full(len(drawn.tick), controller)
            rows.setdefault(index, []).append(np.stack([drawn.tick, *here, drawn.value]))
    added = {}
    for index, tables in rows.items():
        table = np.concatenate(tables, axis=1)
        added[index] = LaneEvents(*table[:, np.argsort(table[0], kind="stable")])
    content = weave(cue.midi, removed=removed, added=added)
    for plant in plants:
        if plant.splits is not None:
            content = _split(content, cue, plant)
    return content


def _split(content: bytes, cue: Cue, plant: Plant) -> bytes:
    """The file with one note struck again at some ticks."""
    assert plant.splits is not None
    onset_tick, pitch, again, silence = plant.splits
    part = cue.parts[plant.part - 1]
    file = mido.MidiFile(file=io.BytesIO(content))
    now, rows, velocity = 0, [], 70
    for order, message in enumerate(file.tracks[part.track - 1]):
        now += message.time
        rows.append((now, order, message))
        if message.type == "note_on" and message.channel == part.channel - 1 and now == onset_tick:
            velocity = message.velocity if message.note == pitch else velocity
    for tick in again:
        on = mido.Message("note_on", note=pitch, velocity=velocity, channel=part.channel - 1)
        off = mido.Message("note_off", note=pitch, channel=part.channel - 1)
        rows += [(tick - silence, 10**9, off), (tick, 10**9 + 1, on)]
    rows.sort(key=lambda row: row[:2])
    moved, last = mido.MidiTrack(), 0
    for tick, _, message in rows:
        moved.append(message.copy(time=tick - last))
        last = tick
    file.tracks[part.track - 1] = moved
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def redrawn(site: Site, lane: str, start_s: float, end_s: float, value: Target) -> Lane:
    """The lane with a span drawn anew, an event each 20 ms where the value changes; then it goes on as it was."""
    old = site.lanes[lane]
    time_s = np.arange(start_s, end_s - 1e-9, REDRAWN_S)
    level = np.clip(np.rint(value(time_s)), 0, 127).astype(np.int64)
    tick = site.tempo.s_to_tick(time_s)
    stop = int(site.tempo.s_to_tick(end_s))
    before, after = old.tick < tick[0], old.tick > stop
    was = old.value[before][-1:] if np.any(before) else np.array([-1])
    keep = np.diff(level, prepend=was) != 0
    back = int(old.at(np.array([stop]))[0])
    restated = [back] if back != level[-1] else []
    return Lane(
        np.r_[old.tick[before], tick[keep], [stop] * len(restated), old.tick[after]].astype(np.int64),
        np.r_[old.value[before], level[keep], restated, old.value[after]].astype(np.int64),
    )


def eased(site: Site, lane: str, start_s: float, end_s: float, target: Target, *, ease_s: float = 0.35) -> Lane:
    """The lane drawn anew in a span, and brought there and back in straight lines around it."""

    def value(time_s: Floats) -> Floats:
        share = np.clip(1.0 - np.maximum(start_s - time_s, time_s - end_s) / ease_s, 0.0, 1.0)
        old = site.held(lane, time_s)
        return np.asarray(old + share * (target(time_s) - old))

    return redrawn(site, lane, max(start_s - ease_s, 0.0), end_s + ease_s, value)
