"""What every written lane must keep to, each line as a function that returns the faults it finds in a file.

The functions look only at the file: its notes, its resets, its lane events and their order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Part
from phrasewright.data.midi import MidiFile, split_midi
from phrasewright.data.notes import Notes
from phrasewright.data.tempo import TempoMap

RANGES_CC = {1: (12, 118), 11: (48, 120)}


@dataclass(frozen=True)
class WrittenLane:
    """One controller of one part as it stands in a file."""

    cc: int
    tick: NDArray[np.int64]
    value_cc: NDArray[np.int64]
    event: NDArray[np.int64]
    notes: Notes
    reset_tick: NDArray[np.int64]
    tempo: TempoMap

    @property
    def time_s(self) -> NDArray[np.float64]:
        return self.tempo.tick_to_s(self.tick)

    def at_tick(self, tick: NDArray[np.int64], *, side: str = "right") -> NDArray[np.int64]:
        """Value held at each tick, that tick's own events included unless `side` is left. -1 before the first event."""
        if not len(self.tick):
            return np.full(len(tick), -1)
        i = np.searchsorted(self.tick, tick, side=side) - 1  # type: ignore[call-overload]
        return np.where(i >= 0, self.value_cc[np.maximum(i, 0)], -1)


def lane_of(content: bytes, cue: Cue, part: Part, cc: int) -> WrittenLane:
    """The lane of a part of `cue` in the bytes of a shaped file."""
    midi = split_midi(content, name="shaped")
    track = midi.tracks[part.track - 1]
    control = track.status == (0xB0 | (part.channel - 1))
    mine = np.flatnonzero(control & (track.data1 == cc))
    return WrittenLane(
        cc=cc,
        tick=track.tick[mine],
        value_cc=track.data2[mine],
        event=mine,
        notes=part.notes,
        reset_tick=track.tick[control & (track.data1 == 121)],
        tempo=cue.tempo,
    )


def rests(notes: Notes) -> NDArray[np.int64]:
    """(offset tick, onset tick) of each rest of a quarter second or more, shape (n_rests, 2)."""
    reach_tick = np.maximum.accumulate(notes.offset_tick)
    reach_s = np.maximum.accumulate(notes.offset_s)
    where = np.flatnonzero(notes.onset_s[1:] - reach_s[:-1] >= 0.25)
    return np.stack([reach_tick[where], notes.onset_tick[where + 1]], axis=1)


def start_faults(lane: WrittenLane) -> list[str]:
    """An explicit value before the first note."""
    if not len(lane.tick) or lane.tick[0] > lane.notes.onset_tick[0]:
        return [f"controller {lane.cc}: no value before the first note"]
    return []


def order_faults(midi: MidiFile, part: Part, controllers: set[int]) -> list[str]:
    """At one tick lane events stand after bank, program and reset messages and before note-ons."""
    track = midi.tracks[part.track - 1]
    channel = part.channel - 1
    faults = []
    here = (track.status < 0xF0) & (track.status & 0x0F == channel)
    high = track.status & 0xF0
    lane = here & (high == 0xB0) & np.isin(track.data1, list(controllers))
    setup = here & ((high == 0xC0) | ((high == 0xB0) & np.isin(track.data1, [0, 32, 121])))
    note_on = here & (high == 0x90) & (track.data2 > 0)
    for i in np.flatnonzero(lane).tolist():
        same = track.tick == track.tick[i]
        after = np.arange(track.n_events) > i
        if np.any(same & setup & after):
            faults.append(f"tick {track.tick[i]}: a lane event stands before a program or reset")
        setups = np.flatnonzero(same & setup)
        notes_before = same & note_on & ~after
        if len(setups):  # a note-on before the program change cannot be helped
            notes_before[: setups[-1]] = False
        if np.any(notes_before):
            faults.append(f"tick {track.tick[i]}: a lane event stands after a note-on")
    return faults


def entry_faults(lane: WrittenLane) -> list[str]:
    """Before an entry after a rest the value stands for at least 100 ms, and does not move until the onset."""
    faults = []
    for offset, onset in rests(lane.notes).tolist():
        onset_s = float(lane.tempo.tick_to_s(onset))
        moving = (lane.time_s > onset_s - 0.1 + 1e-6) & (lane.tick <= onset) & ~np.isin(lane.tick, lane.reset_tick)
        if np.any(moving):
            at_s = lane.time_s[moving][0]
            faults.append(f"controller {lane.cc}: moves at {at_s:.3f} s before the entry at {onset_s:.3f}")
        hold_s = float(lane.tempo.tick_to_s(offset))
        hold_s += min(0.4, (onset_s - hold_s) / 2)
        early = (lane.tick >= offset) & (lane.time_s < hold_s - 1e-6) & ~np.isin(lane.tick, lane.reset_tick)
        if np.any(early):
            at_s = lane.time_s[early][0]
            faults.append(f"controller {lane.cc}: moves at {at_s:.3f} s, should hold until {hold_s:.3f}")
    return faults


def restatement_faults(lane: WrittenLane) -> list[str]:
    """After four or more silent bars, and after a reset, the value is stated again at least 100 ms before the entry."""
    faults = []
    for offset, onset in rests(lane.notes).tolist():
        before_s = float(lane.tempo.tick_to_s(onset)) - 0.1
        bars = lane.tempo.tick_to_bar(np.array([offset, onset]))
        resets = lane.reset_tick[(lane.reset_tick > offset) & (lane.tempo.tick_to_s(lane.reset_tick) <= before_s)]
        if len(resets):
            again = (lane.tick >= resets[-1]) & (lane.time_s <= before_s + 1e-6)
        elif lane.tempo.has_metre and np.floor(bars[1]) - np.ceil(bars[0]) >= 4:
            again = (lane.tick > offset) & (lane.time_s <= before_s + 1e-6)
            again &= lane.time_s > before_s - 1.0
        else:
            continue
        if not np.any(again):
            faults.append(f"controller {lane.cc}: not restated before {before_s + 0.1:.3f} s")
    for tick in lane.reset_tick.tolist():
        sounding = np.any((lane.notes.onset_tick < tick) & (lane.notes.offset_tick > tick))
        if sounding and tick not in lane.tick:
            faults.append(f"controller {lane.cc}: not restated at the reset at tick {tick}")
    return faults


def tail_faults(lane: WrittenLane) -> list[str]:
    """One second after the last offset the lane returns once to its start value; until then it holds."""
    end = int(lane.notes.offset_tick.max())
    late = np.flatnonzero((lane.tick >= end) & ~np.isin(lane.tick, lane.reset_tick))
    faults = []
    if len(late) != 1:
        faults.append(f"controller {lane.cc}: {len(late)} events after the last note")
    if len(late) and lane.value_cc[late[-1]] != lane.value_cc[0]:
        faults.append(f"controller {lane.cc}: ends at {lane.value_cc[late[-1]]}, began at {lane.value_cc[0]}")
    if len(late):
        wait_s = float(lane.time_s[late[0]] - lane.tempo.tick_to_s(end))
        tick_s = float(lane.tempo.tick_to_s(end + 1) - lane.tempo.tick_to_s(end))
        if abs(wait_s - 1.0) > tick_s:
            faults.append(f"controller {lane.cc}: returns {wait_s:.3f} s after the last note")
    return faults


def density_faults(lane: WrittenLane) -> list[str]:
    """At most 60 events in any second."""
    time_s = lane.time_s
    if len(time_s) > 60 and np.any(time_s[60:] - time_s[:-60] < 1.0 - 1e-9):
        return [f"controller {lane.cc}: more than 60 events in a second"]
    return []


def step_faults(lane: WrittenLane, gesture_s: NDArray[np.float64]) -> list[str]:
    """Inside sounding notes consecutive events differ by at most 6 steps, in gestures 12 over at least three events."""
    on, off = np.sort(lane.notes.onset_tick), np.sort(lane.notes.offset_tick)
    sounding = np.searchsorted(on, lane.tick, side="left") > np.searchsorted(off, lane.tick, side="right")
    step = np.diff(lane.value_cc)
    large = np.flatnonzero((np.abs(step) > 6) & sounding[1:]) + 1
    faults = []
    for i in large.tolist():
        in_gesture = np.any((gesture_s[:, 0] <= lane.time_s[i]) & (lane.time_s[i] <= gesture_s[:, 1]))
        if abs(step[i - 1]) > 12 or not in_gesture:
            faults.append(f"controller {lane.cc}: {step[i - 1]:+d} at {lane.time_s[i]:.3f} s")
            continue
        sign = np.sign(step[i - 1])
        a = b = i - 1
        while a > 0 and step[a - 1] * sign > 0:
            a -= 1
        while b + 1 < len(step) and step[b + 1] * sign > 0:
            b += 1
        if b - a + 1 < 3:
            faults.append(f"controller {lane.cc}: {step[i - 1]:+d} at {lane.time_s[i]:.3f} s over {b - a + 1} events")
    return faults


def range_faults(lane: WrittenLane) -> list[str]:
    """While sounding: dynamics 12 to 118, expression 48 to 120."""
    low, high = RANGES_CC.get(lane.cc, (0, 127))
    on, off = np.sort(lane.notes.onset_tick), np.sort(lane.notes.offset_tick)
    sounding = np.searchsorted(on, lane.tick, side="right") > np.searchsorted(off, lane.tick, side="right")
    values = np.r_[lane.value_cc[sounding], lane.at_tick(lane.notes.onset_tick)]
    outside = values[(values < low) | (values > high)]
    return [f"controller {lane.cc}: {outside[0]} while sounding"] if len(outside) else []


def reversal_faults(lane: WrittenLane) -> list[str]:
    """At most 12 reversals larger than 4 steps in any second."""
    turns: list[float] = []
    low = high = int(lane.value_cc[0])
    low_s = high_s = float(lane.time_s[0])
    falling = rising = False
    for at_s, value in zip(lane.time_s.tolist(), lane.value_cc.tolist(), strict=True):
        if not falling and value > high:
            high, high_s = value, at_s
        if not rising and value < low:
            low, low_s = value, at_s
        if not falling and high - value > 4:
            if rising:
                turns.append(high_s)
            falling, rising, low, low_s = True, False, value, at_s
        elif not rising and value - low > 4:
            if falling:
                turns.append(low_s)
            falling, rising, high, high_s = False, True, value, at_s
    at = np.array(turns)
    if len(at) > 12 and np.any(at[12:] - at[:-12] < 1.0):
        return [f"controller {lane.cc}: more than 12 reversals in a second"]
    return []


def all_faults(content: bytes, cue: Cue, part: Part, gesture_s: NDArray[np.float64]) -> list[str]:
    """Every fault of every lane of a part that was shaped throughout."""
    faults = order_faults(split_midi(content, name="shaped"), part, set(part.lane_cc.values()))
    for lane_name, cc in part.lane_cc.items():
        lane = lane_of(content, cue, part, cc)
        found = start_faults(lane)
        if not found:
            for check in (
                entry_faults, restatement_faults, tail_faults, density_faults, range_faults, reversal_faults,
            ):
                found += check(lane)
            found += step_faults(lane, gesture_s)
        faults += [f"{part.name}, {lane_name}: {fault}" for fault in found]
    return faults
