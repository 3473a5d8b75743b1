"""Flaws planted on purpose, of every kind `review` knows, to see what it finds and what it makes up.

Each planter takes a part whose lanes are in order and draws one flaw into a copy of them, near or far beyond the
threshold its kind has, or a decoy: something that stays just within it. Written from the meanings of the kinds alone,
apart from the code that finds them; what is planted is accepted by `flaw_measures.py`. Seconds, controller steps.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from flaw_measures import (
    Floats,
    Lane,
    Site,
    deepest_fall_cc,
    densest,
    fall_cc,
    inside_strokes,
    most_reversals,
    moves_before_entry,
    retriggers,
)
from plants import PAIR, Plant, Rng, eased
from seeded_movement import copied_lane, flat_hold, held, machine, one_lane

KINDS = (
    *("one-lane", "copied-lane", "flat-hold", "bare-join", "bare-repeat", "retrigger", "jump", "entry", "stuck"),
    *("no-start", "dense", "machine"),
)


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
    note = held(site, rng, 1.3)
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


PLANTERS: Mapping[str, Callable[[Site, Rng, bool], Plant | None]] = dict(
    zip(
        KINDS,
        (
            *(one_lane, copied_lane, flat_hold, _bare_join, _bare_repeat, _retrigger, _jump, _entry, _stuck),
            *(_no_start, _dense, machine),
        ),
        strict=True,
    )
)


def planted(kind: str, site: Site, rng: Rng, *, decoy: bool = False, tries: int = 12) -> Plant | None:
    """One flaw of a kind somewhere in the part, or a decoy; None where the part has no place for it."""
    for _ in range(tries):
        found = PLANTERS[kind](site, rng, decoy)
        if found is not None:
            return found
    return None
