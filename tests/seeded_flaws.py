"""Flaws planted on purpose, of every kind `review` knows, to see what it finds and what it makes up.

Each planter takes a part whose lanes are in order and draws one flaw into a copy of them, near or far beyond the
threshold its kind has, or a decoy: something that stays just within it. Written from the meanings of the kinds alone,
apart from the code that finds them; what is planted is accepted by `flaw_measures.py`. Seconds, controller steps.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import mido
import numpy as np
from flaw_measures import (
    GRID_S,
    Floats,
    Lane,
    Site,
    deepest_fall_cc,
    densest,
    fall_cc,
    inside_strokes,
    likeness,
    most_reversals,
    moves_before_entry,
    moves_cc,
    periodicity,
    retriggers,
    stillest_cc,
)

from phrasewright.data.cue import Cue
from phrasewright.data.midi import LaneEvents, weave

KINDS = (
    *("one-lane", "copied-lane", "flat-hold", "bare-join", "bare-repeat", "retrigger", "jump", "entry", "stuck"),
    *("no-start", "dense", "machine"),
)
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


def planted(kind: str, site: Site, rng: Rng, *, decoy: bool = False, tries: int = 12) -> Plant | None:
    """One flaw of a kind somewhere in the part, or a decoy; None where the part has no place for it."""
    for _ in range(tries):
        found = PLANTERS[kind](site, rng, decoy)
        if found is not None:
            return found
    return None


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


def _one_lane(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    spans = [(p.start_s, p.end_s) for p in site.part.passages if p.kind == "sustained"]
    if not spans or len(site.lanes) < 2:
        return None
    strokes = site.strokes
    start_s, end_s = spans[rng.integers(len(spans))]
    inside = np.flatnonzero((strokes.onset_s >= start_s - 1e-6) & (strokes.onset_s < end_s))
    if len(inside) < 4 or strokes.end_s[inside[-1]] - strokes.onset_s[inside[0]] < 6.0:
        return None
    on, off = float(strokes.onset_s[inside[0]]), float(strokes.end_s[inside[-1]])
    stay = "vibrato" if "vibrato" in site.lanes and not decoy and rng.random() < 0.2 else PAIR[rng.integers(2)]
    if moves_cc(site, stay, on, off) < 8:
        return None
    whole = len(spans) == 1 and len(site.part.passages) == 1
    how = str(rng.choice(["still", "still", "trembling", "absent"])) if whole and stay != "vibrato" else "still"
    lanes: dict[str, Lane] = {}
    for lane in site.lanes:
        if lane == stay:
            continue
        level = float(site.held(lane, np.array([on + 0.01]))[0])
        if decoy:
            mean = float(site.held(lane, np.arange(on, off, GRID_S)).mean())
            narrow = lambda t, lane=lane, mean=mean: mean + 0.45 * (site.held(lane, t) - mean)  # noqa: E731
            lanes[lane] = redrawn(site, lane, on, off, narrow)
        elif how == "absent":
            lanes[lane] = Lane(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
        elif whole and how == "still":
            lanes[lane] = Lane(np.zeros(1, dtype=np.int64), np.array([int(level)]))
        else:
            wave = rng.integers(0, 2, size=4096) if how == "trembling" else np.zeros(4096)
            lanes[lane] = redrawn(site, lane, on, off, lambda t, level=level, wave=wave: level + wave[t.astype(int)])
    if decoy:  # the other lane moves, if less, in every six seconds
        new = site.with_lanes(lanes)
        spans = [(at, min(at + 6.0, off)) for at in np.arange(on, max(off - 6.0, on) + 0.5, 1.0)]
        if any(moves_cc(new, lane, *span) < 5 for lane in PAIR for span in spans):
            return None
    return Plant("one-lane", site.part.index, lanes, on, off, not decoy, "narrow" if decoy else f"{how} but {stay}")


def _copied_lane(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    if any(lane not in site.lanes for lane in PAIR):
        return None
    source, copy = PAIR if rng.random() < 0.5 else PAIR[::-1]
    strokes = site.strokes
    on, off = float(strokes.onset_s[0]), float(strokes.end_s.max())
    how = "whole part"
    if rng.random() < 0.4:
        k = int(rng.integers(len(strokes.onset_s)))
        on, how = float(strokes.onset_s[k]), "some bars"
        ends = strokes.end_s[(strokes.end_s > on + 8.0) & (strokes.end_s < on + 18.0)]
        if not len(ends):
            return None
        off = float(rng.choice(ends))
    x = np.arange(on, off, GRID_S)
    mean, there = site.held(source, x).mean(), site.held(copy, x).mean()
    if site.held(source, x).std() < 3.0:
        return None
    gain = float(rng.choice([0.6, 0.8, 1.0, 1.0, 1.25]))
    late_s = float(rng.choice([0.25, 0.35])) if decoy else 0.0

    def target(time_s: Floats) -> Floats:
        return np.asarray(there + gain * (site.held(source, time_s - late_s) - mean))

    drawn = eased(site, copy, on, off, target)
    if not decoy:  # event for event, as lanes are copied
        first, last = site.tempo.s_to_tick(np.array([on, off])).tolist()
        model, around = site.lanes[source], (drawn.tick <= first) | (drawn.tick > last)
        mine = (model.tick > first) & (model.tick <= last)
        value = np.clip(np.rint(there + gain * (model.value[mine] - mean)), 0, 127).astype(np.int64)
        tick, value = np.r_[drawn.tick[around], model.tick[mine]], np.r_[drawn.value[around], value]
        order = np.argsort(tick, kind="stable")
        drawn = Lane(tick[order], value[order])
    lanes = {copy: drawn}
    r, apart = likeness(site.with_lanes(lanes), *PAIR, on, off)
    if (r > 0.965 or apart < 0.2) if decoy else (r < 0.985 or apart > 0.088):
        return None
    return Plant("copied-lane", site.part.index, lanes, on, off, not decoy, "late copy" if decoy else how)


def _held(site: Site, rng: Rng, least_s: float) -> tuple[float, float] | None:
    """One of the part's notes of a length, alone or as a chord, with no other stroke in it."""
    long = np.flatnonzero(site.strokes.length_s >= least_s)
    long = [k for k in long.tolist() if site.sustained(float(site.strokes.onset_s[k]))]
    if not long:
        return None
    k = long[rng.integers(len(long))]
    return float(site.strokes.onset_s[k]), float(site.strokes.end_s[k])


def _flat_hold(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    note = _held(site, rng, 2.5)
    if note is None:
        return None
    on, off = note
    length = float(rng.uniform(2.1, min(off - on - 0.25, 4.5)))
    start = float(rng.uniform(on + 0.1, off - 0.1 - length))
    both = rng.random() < 0.5
    lanes = [lane for lane in PAIR if lane in site.lanes] if both or decoy else [PAIR[rng.integers(2)]]
    width = int(rng.integers(0, 4))
    drawn: dict[str, Lane] = {}
    for lane in lanes:
        if lane not in site.lanes:
            return None
        level = float(site.held(lane, np.array([start]))[0])
        if decoy:
            rate = float(rng.choice([-1, 1]) * rng.uniform(2.9, 4.0))
            drawn[lane] = eased(site, lane, on, off, lambda t, v=level, r=rate: v + r * (t - start))
        else:
            turns = rng.uniform(0.5, 2.0)
            drawn[lane] = eased(
                site, lane, start, start + length,
                lambda t, v=level, k=turns: v + width * np.abs(((t - start) / length * k) % 2 - 1),
            )
    new = site.with_lanes(drawn)
    still = [stillest_cc(new, lane, on, off) for lane in lanes]
    if (min(still) < 4.5) if decoy else (max(still) > 3):
        return None
    how = "slow ramp" if decoy else f"{'both lanes' if both else 'one lane'}, {width} steps"
    return Plant("flat-hold", site.part.index, drawn, start, start + length, not decoy, how)


def _bare(site: Site, rng: Rng, decoy: bool, *, repeat: bool) -> Plant | None:
    strokes = site.strokes
    least = 5 if repeat else 3
    places = []
    for k in range(1, len(strokes.onset_s)):
        on = float(strokes.onset_s[k])
        if not strokes.joined[k] or strokes.renewed[k] < 0.5 or not site.sustained(on) or strokes.gap_s[k] < -0.15:
            continue
        same = strokes.pitches[k] == strokes.pitches[k - 1]
        apart = on - float(strokes.onset_s[k - 1])
        long = min(strokes.length_s[k], strokes.length_s[k - 1]) > 0.42
        calm = not decoy or min(strokes.length_s[k], strokes.length_s[k - 1]) > 0.7  # a decoy leaves others alone
        if same == repeat and calm and (apart > 0.215 if repeat else long) and deepest_fall_cc(site, on) >= least + 0.5:
            places.append(k)
    lanes = [lane for lane in PAIR if lane in site.lanes]
    if not places or len(lanes) < 2:
        return None
    k = last = places[rng.integers(len(places))]
    if repeat and strokes.onset_s[k] - strokes.onset_s[k - 1] < 0.45:  # quick ones: several together
        while last + 1 in places and last - k < 6:
            last += 1
    on, end = float(strokes.onset_s[k]), float(strokes.onset_s[last])
    start_s, end_s = on - 0.13, end + 0.13
    keep = PAIR[rng.integers(2)] if decoy else ""
    drawn = {}
    for lane in lanes:
        a, b = site.held(lane, np.array([start_s, end_s]))
        b = max(b, a - rng.integers(0, 2))
        dip = float(rng.integers(0, least)) if not decoy else 0.0
        if lane == keep:
            dip = float(rng.uniform(least + 1, least + 4))

        def target(t: Floats, a: float = a, b: float = b, dip: float = dip) -> Floats:
            nearest = np.abs(t[:, None] - strokes.onset_s[None, k : last + 1]).min(axis=1)
            line = a + (b - a) * np.clip((t - start_s) / (end_s - start_s), 0, 1)
            return np.asarray(line - dip * np.clip(1 - nearest / 0.1, 0, 1))

        drawn[lane] = eased(site, lane, start_s, end_s, target, ease_s=0.3)
    new = site.with_lanes(drawn)
    falls = [max(fall_cc(new, lane, float(t)) for lane in lanes) for t in strokes.onset_s[k : last + 1]]
    if (min(falls) < least + 0.5) if decoy else (max(falls) > least - 1):
        return None
    kind = "bare-repeat" if repeat else "bare-join"
    how = "one lane dips" if decoy else f"{max(falls):.0f} steps, {last - k + 1} onsets"
    return Plant(kind, site.part.index, drawn, start_s - 0.3, end_s + 0.3, not decoy, how)


def _bare_join(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    return _bare(site, rng, decoy, repeat=False)


def _bare_repeat(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    return _bare(site, rng, decoy, repeat=True)


def _retrigger(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    strokes, notes = site.strokes, site.part.notes
    old = retriggers(notes)
    places = []
    for k in range(len(strokes.onset_s)):
        on, length = float(strokes.onset_s[k]), float(strokes.length_s[k])
        alone = len(strokes.pitches[k]) == 1 and strokes.renewed[k] == 1.0
        around = [strokes.pitches[j] for j in (k - 1, k + 1) if 0 <= j < len(strokes.onset_s)]
        new = strokes.pitches[k] not in around and all(abs(onset_s - on) > 6.0 for onset_s in old)
        if alone and new and length > 0.6 and site.sustained(on):
            places.append(k)
    if not places:
        return None
    k = places[rng.integers(len(places))]
    on, length = float(strokes.onset_s[k]), float(strokes.length_s[k])
    pitch = strokes.pitches[k][0]
    silence_s = float(rng.choice([0.0, 0.0, 0.02, 0.045]))
    most = int(min(length / 0.24, 5))
    n = int(rng.integers(2, most + 1)) if most >= 2 else 0
    how = f"{n} strokes"
    if decoy:
        how = str(rng.choice(["quick", "apart"]))
        n = int(np.ceil(length / 0.16)) if how == "quick" else 2
        silence_s = 0.0 if how == "quick" else min(0.15 + 0.05 * length, length / 4)
    if n < 2 or n > 40:
        return None
    first = int(np.flatnonzero((np.abs(notes.onset_s - on) < 0.036) & (notes.pitch == pitch))[0])
    edges = site.tempo.s_to_tick(on + length * np.arange(1, n) / n)
    silence = int(site.tempo.s_to_tick(on + silence_s) - site.tempo.s_to_tick(on))
    splits = (int(notes.onset_tick[first]), pitch, tuple(edges.tolist()), silence)
    return Plant("retrigger", site.part.index, {}, on, on + length, not decoy, how, splits)


def _jump(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    note = _held(site, rng, 1.3)
    lane = sorted(site.lanes)[rng.integers(len(site.lanes))]
    if note is None:
        return None
    on, off = note
    how = str(rng.choice(["leap", "leap", "shake"]))
    value = site.lanes[lane].value
    if how == "shake" and not decoy:
        if off - on < 1.9:
            return None
        start, size, each = float(rng.uniform(on + 0.4, off - 1.4)), int(rng.integers(5, 7)), rng.uniform(0.034, 0.065)
        level = float(np.clip(site.held(lane, np.array([start]))[0], 8, 119))
        tick = site.tempo.s_to_tick(start + np.arange(0, 1.15, each))
        levels = level + np.where(np.arange(len(tick)) % 2, size, 0)
        end = start + 1.2
    else:
        start = float(rng.uniform(on + 0.5, off - 0.35))
        size = 6 if decoy else int(rng.choice([7, 8, 9, 12, 16, 24, 30]))
        level = float(site.held(lane, np.array([start]))[0])
        up = level + size <= 118 and (rng.random() < 0.5 or level - size < 12)
        end = min(start + max(size / 30.0, 0.3), off + 0.6)
        goal = float(site.held(lane, np.array([end]))[0])
        top = level + (size if up else -size)
        grid = np.arange(start, end, 0.03)
        line = np.rint(top + (goal - top) * (grid - start) / (end - start))
        keep = np.r_[True, np.diff(line) != 0]
        tick, levels = site.tempo.s_to_tick(grid[keep]), line[keep]
        tick[0] = int(site.tempo.s_to_tick(start))
    first, last = int(tick[0]), int(site.tempo.s_to_tick(end))
    old = site.lanes[lane]
    before, after = old.tick < first, old.tick > last
    start_value = old.at(np.array([first]))[0]
    back = int(old.at(np.array([last]))[0])
    new_value = np.r_[value[before], levels, back, value[after]].astype(np.int64)
    drawn = {lane: Lane(np.r_[old.tick[before], tick, last, old.tick[after]].astype(np.int64), new_value)}
    new = site.with_lanes(drawn)
    when, sizes = inside_strokes(new, lane)
    largest = float(np.abs(sizes[(when > start - 0.05) & (when < end + 0.05)]).max(initial=0.0))
    if decoy:
        if largest > 6 or abs(float(levels[0]) - start_value) != 6:
            return None
        how = "six steps"
    elif how == "shake":
        if most_reversals(new, lane, start - 0.1, end) <= 13 or largest > 6:
            return None
    elif largest < 7:
        return None
    else:
        how = f"leap of {largest:.0f}"
    return Plant("jump", site.part.index, drawn, start - 0.05, end, not decoy, how)


def _entry(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    strokes = site.strokes
    places = [k for k in range(1, len(strokes.onset_s)) if strokes.silence_s[k] >= 0.27]
    lane = sorted(site.lanes)[rng.integers(len(site.lanes))]
    if not places:
        return None
    k = places[rng.integers(len(places))]
    on, rest = float(strokes.onset_s[k]), float(strokes.silence_s[k])
    size = int(rng.choice([2, 3, 4, 6, 9, 12])) * int(rng.choice([-1, 1]))
    old = site.lanes[lane]
    value = int(old.at(site.tempo.s_to_tick(np.array([on])))[0])
    if not 0 <= value - size <= 127:
        return None
    arrive = on - float(rng.uniform(0.104, 0.15)) if decoy else on + float(rng.choice([-0.05, -0.02, 0.0, 0.08, 0.2]))
    begin = on - min(0.8 * rest, 0.5)
    ramp = float(rng.uniform(0.03, 0.3))
    leave = max(arrive - ramp, begin + 0.02)
    grid = np.r_[np.arange(leave, arrive - 0.02, 0.03), arrive]
    levels = np.rint(value - size + size * (np.arange(len(grid)) + 1) / len(grid)).astype(np.int64)
    tick = site.tempo.s_to_tick(np.r_[begin, grid])
    if decoy:
        tick = np.minimum(tick, int(site.tempo.s_to_tick(on - 0.103)))
    levels = np.r_[value - size, levels]
    back = int(old.at(tick[-1:] + 1)[0])
    before, after = old.tick < tick[0], old.tick > max(tick[-1], int(site.tempo.s_to_tick(on)))
    restated = [(int(tick[-1]) + 12, back)] if back != levels[-1] else []
    drawn = {
        lane: Lane(
            np.r_[old.tick[before], tick, [t for t, _ in restated], old.tick[after]].astype(np.int64),
            np.r_[old.value[before], levels, [v for _, v in restated], old.value[after]].astype(np.int64),
        )
    }
    if np.any(np.diff(drawn[lane].tick) < 0) or (abs(back - levels[-1]) > 4):
        return None
    way = moves_before_entry(site.with_lanes(drawn), lane, on)
    if (way > 0) if decoy else (way < 2):
        return None
    how = "in time" if decoy else f"{way:.0f} steps, to {1000 * (arrive - on):.0f} ms"
    return Plant("entry", site.part.index, drawn, on - 0.12, on + 0.25, not decoy, how)


def _stuck(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    lane = sorted(site.lanes)[rng.integers(len(site.lanes))]
    old = site.lanes[lane]
    end_s = float(site.strokes.end_s.max())
    last = int(site.tempo.s_to_tick(end_s))
    stay = old.tick <= last
    tick, value = old.tick[stay], old.value[stay]
    start = int(old.value[0])
    how = "left where it was"
    if decoy:
        tick, value, how = np.r_[tick, last + 400], np.r_[value, start], "returns sooner or later"
    elif abs(int(value[-1]) - start) < 2 or rng.random() < 0.4:
        off = int(rng.choice([2, 3, 5, 10, 30])) * int(rng.choice([-1, 1]))
        if not 0 <= start + off <= 127:
            return None
        at = last + int(site.tempo.s_to_tick(end_s + rng.uniform(0.3, 1.5)) - last)
        tick, value, how = np.r_[tick, at], np.r_[value, start + off], f"moved {off:+d} off it"
    lanes = {lane: Lane(tick.astype(np.int64), value.astype(np.int64))}
    return Plant("stuck", site.part.index, lanes, end_s - 0.5, end_s + 3.0, not decoy, how)


def _no_start(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    lane = sorted(site.lanes)[rng.integers(len(site.lanes))]
    old = site.lanes[lane]
    first_s, first = float(site.part.notes.onset_s[0]), int(site.part.notes.onset_tick[0])
    late_s = 0.0 if decoy else float(rng.choice([0.02, 0.05, 0.2, 0.5, 1.5]))
    at = int(site.tempo.s_to_tick(first_s + late_s))
    if not decoy and at <= first:
        return None
    later = old.tick > at
    level = int(old.at(np.array([at]))[0])
    lanes = {lane: Lane(np.r_[at, old.tick[later]].astype(np.int64), np.r_[level, old.value[later]].astype(np.int64))}
    how = "at the first note" if decoy else f"{late_s * 1000:.0f} ms late"
    end_s = max(first_s + late_s, first_s + 0.1)
    return Plant("no-start", site.part.index, lanes, min(first_s, 0.0), end_s, not decoy, how)


def _dense(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    lane = sorted(site.lanes)[rng.integers(len(site.lanes))]
    strokes = site.strokes
    start = float(rng.uniform(strokes.onset_s[0] + 0.2, max(strokes.end_s.max() - 1.2, strokes.onset_s[0] + 0.4)))
    n = int(rng.integers(52, 60)) if decoy else int(rng.choice([64, 68, 75, 90, 120]))
    span = 1.1 if decoy else float(rng.uniform(0.55, 0.97))
    n = int(n * span) if decoy else n
    tick = np.unique(site.tempo.s_to_tick(start + span * np.arange(n) / n))
    old = site.lanes[lane]
    ripple = rng.integers(0, 2, size=len(tick)) if rng.random() < 0.5 else np.zeros(len(tick), dtype=np.int64)
    stop = int(site.tempo.s_to_tick(start + span))
    before, after = old.tick < tick[0], old.tick > stop
    value = np.clip(old.at(tick).astype(np.int64) + ripple, 0, 127)
    back = int(old.at(np.array([stop]))[0])
    new_tick = np.r_[old.tick[before], tick, stop, old.tick[after]]
    drawn = {lane: Lane(new_tick, np.r_[old.value[before], value, back, old.value[after]])}
    most = densest(site.with_lanes(drawn), lane, start - 1.0, start + span)
    if (most > 60) if decoy else (most < 62):
        return None
    return Plant("dense", site.part.index, drawn, start - 1.0, start + span + 1.0, not decoy, f"{most} events")


def _machine(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    note = _held(site, rng, 2.6)
    if note is None:
        return None
    on, off = note
    chosen = list(PAIR) if rng.random() < 0.25 else [sorted(site.lanes)[rng.integers(len(site.lanes))]]
    if any(lane not in site.lanes for lane in chosen):
        return None
    start, end = on + 0.15, off - 0.15
    beat = float(site.tempo.beat_length_s(on))
    how = str(rng.choice(["sine", "triangle", "on the beat"]))
    period = float(rng.uniform(0.3, min((end - start) / 3.0, 1.8)))
    if how == "on the beat":
        period = beat
        if (end - start) / beat < 4 or beat < 0.35:
            return None
    if decoy:
        how = "drift"
    depth = float(rng.uniform(3.0, 7.0))
    noise = rng.normal(size=4096)
    heights = rng.uniform(0.75, 1.25, size=4096)
    onset_beat = site.tempo.s_to_beat(np.array([on]))[0]

    def wave(t: Floats) -> Floats:
        if how == "drift":
            knots = on + np.cumsum(0.25 + 0.9 * np.abs(noise[:400]))
            return np.asarray(depth * np.interp(t, knots, noise[1000:1400]))
        if how == "on the beat":
            since = site.tempo.s_to_beat(t) - np.floor(onset_beat)
            return np.asarray(depth * heights[since.astype(int) % 4096] * np.exp(-4.0 * (since % 1.0)) * 1.6)
        turn = ((t - on) / period) % 1.0
        shape = np.sin(2 * np.pi * turn) if how == "sine" else 4 * np.abs(turn - 0.5) - 1
        return np.asarray(depth * shape + 0.15 * depth * noise[(100 * (t - on)).astype(int) % 4096])

    drawn = {}
    for lane in chosen:
        level = float(np.clip(site.held(lane, np.array([0.5 * (start + end)]))[0], 16, 112))
        drawn[lane] = eased(site, lane, start, end, lambda t, v=level: v + wave(t), ease_s=0.2)
    new = site.with_lanes(drawn)
    peaks = []
    for lane in chosen:
        whole = periodicity(new.held(lane, np.arange(on, off, GRID_S)))
        inner = periodicity(new.held(lane, np.arange(on + 0.25, off - 0.2, GRID_S)))
        moved = moves_cc(new, lane, on + 0.25, off - 0.2)
        if moved < 5:
            return None
        peaks += [whole, inner]
    if (max(peaks) > 0.38) if decoy else (min(peaks) < 0.55):
        return None
    return Plant("machine", site.part.index, drawn, on, off, not decoy, f"{how}, {'+'.join(chosen)}")


PLANTERS: Mapping[str, Callable[[Site, Rng, bool], Plant | None]] = dict(
    zip(
        KINDS,
        (
            *(_one_lane, _copied_lane, _flat_hold, _bare_join, _bare_repeat, _retrigger, _jump, _entry, _stuck),
            *(_no_start, _dense, _machine),
        ),
        strict=True,
    )
)
