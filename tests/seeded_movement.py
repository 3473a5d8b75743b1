"""Flaws of how lanes move, planted on purpose: alone, as copies of each other, not at all, or like a machine.

Each planter draws one flaw into a copy of a part's lanes, or a decoy that stays just within its kind's threshold; None
where it finds no place for it. Seconds, controller steps.
"""

from __future__ import annotations

import numpy as np
from flaw_measures import (
    GRID_S,
    Floats,
    Lane,
    Site,
    likeness,
    moves_cc,
    periodicity,
    stillest_cc,
)
from plants import PAIR, Plant, Rng, eased, redrawn


def one_lane(site: Site, rng: Rng, decoy: bool) -> Plant | None:
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


def copied_lane(site: Site, rng: Rng, decoy: bool) -> Plant | None:
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


def held(site: Site, rng: Rng, least_s: float) -> tuple[float, float] | None:
    """One of the part's notes of a length, alone or as a chord, with no other stroke in it."""
    long = np.flatnonzero(site.strokes.length_s >= least_s)
    long = [k for k in long.tolist() if site.sustained(float(site.strokes.onset_s[k]))]
    if not long:
        return None
    k = long[rng.integers(len(long))]
    return float(site.strokes.onset_s[k]), float(site.strokes.end_s[k])


def flat_hold(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    note = held(site, rng, 2.5)
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


def machine(site: Site, rng: Rng, decoy: bool) -> Plant | None:
    note = held(site, rng, 2.6)
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
