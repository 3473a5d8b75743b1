"""What each kind of finding means, measured on lanes and notes alone: the yardstick of the seeded flaws.

Written from the meanings that `review --help` gives, apart from the code that finds them: plants are accepted and hits
in unplanted curves are judged by these. Seconds, controller steps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Part
from phrasewright.data.notes import Notes
from phrasewright.data.tempo import TempoMap

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
GRID_S = 0.01


@dataclass(frozen=True)
class Lane:
    """Events of one controller: ticks not decreasing, values 0..127, each held until the next."""

    tick: Ints
    value: Ints

    def at(self, tick: Floats | Ints) -> Floats:
        """The value held at each tick; before the first event, that event's."""
        return self.value[np.maximum(np.searchsorted(self.tick, tick, side="right") - 1, 0)].astype(float)


@dataclass(frozen=True)
class Strokes:
    """What starts together within 35 ms, as one stroke; arrays of shape (n_strokes,), pitches a tuple each.

    `end_s` is where its notes have ended or the next stroke begins; `gap_s` the way from the end of the stroke before
    (negative in an overlap); `renewed` the share of the notes sounding then that start here; `silence_s` how long
    nothing of the part had sounded.
    """

    onset_s: Floats
    end_s: Floats
    gap_s: Floats
    renewed: Floats
    silence_s: Floats
    pitches: tuple[tuple[int, ...], ...]
    joined: NDArray[np.bool_]

    @property
    def length_s(self) -> Floats:
        return self.end_s - self.onset_s


@dataclass(frozen=True)
class Site:
    """One part of a file: its notes as strokes, and its lanes as they stand."""

    part: Part
    tempo: TempoMap
    strokes: Strokes
    lanes: Mapping[str, Lane]

    def held(self, lane: str, time_s: Floats) -> Floats:
        """Values of a lane at times."""
        return self.lanes[lane].at(self.tempo.s_to_tick(time_s))

    def event_s(self, lane: str) -> Floats:
        return self.tempo.tick_to_s(self.lanes[lane].tick)

    def sustained(self, time_s: float) -> bool:
        kinds = [p.kind for p in self.part.passages if p.start_s <= time_s + 1e-6]
        return bool(kinds) and kinds[-1] == "sustained"

    def with_lanes(self, lanes: Mapping[str, Lane]) -> Site:
        return replace(self, lanes={**self.lanes, **lanes})


def sites_of(cue: Cue) -> list[Site]:
    """The shaped parts of a file that hold notes."""
    return [_site(cue, part) for part in cue.parts if part.shaped and part.notes.n_notes]


def _site(cue: Cue, part: Part) -> Site:
    track = cue.midi.tracks[part.track - 1]
    lanes = {}
    for lane, controller in part.lane_cc.items():
        mine = (track.status == (0xB0 | (part.channel - 1))) & (track.data1 == controller)
        if np.any(mine):
            lanes[lane] = Lane(track.tick[mine], track.data2[mine])
    return Site(part, cue.tempo, strokes_of(part), lanes)


def strokes_of(part: Part) -> Strokes:
    """The strokes of a part, from its notes alone."""
    on, off, pitch = part.notes.onset_s, part.notes.offset_s, part.notes.pitch
    first = [0]
    for i in range(1, len(on)):
        if on[i] - on[first[-1]] > 0.035:
            first.append(i)
    bounds = [*first, len(on)]
    n = len(first)
    end, gap, renewed, silence, joined = (np.zeros(n) for _ in range(5))
    chords = []
    for k in range(n):
        mine = slice(bounds[k], bounds[k + 1])
        chords.append(tuple(sorted(set(pitch[mine].tolist()))))
        following = on[bounds[k + 1]] if k + 1 < n else np.inf
        end[k] = min(off[mine].max(), following)
        before = off[: bounds[k]]
        silence[k] = max(on[mine.start] - (before.max() if len(before) else 0.0), 0.0)
        if k == 0:
            gap[k], renewed[k] = np.inf, 1.0
            continue
        old = slice(bounds[k - 1], bounds[k])
        lengths = off[old] - on[old]
        gaps = on[mine.start] - off[old]
        short = min(float(lengths.min()), float((off[mine] - on[mine]).min()))
        ends = gaps > -min(0.15, short / 3)  # of the notes before, those that hand over here
        gap[k] = gaps[ends].min() if np.any(ends) else -np.inf
        over = np.count_nonzero(before > on[mine.start] + min(0.15, short / 3))
        renewed[k] = (mine.stop - mine.start) / (mine.stop - mine.start + over)
        joined[k] = gap[k] <= 0.06 and np.any(ends)
    return Strokes(on[first], end, gap, renewed, silence, tuple(chords), joined.astype(bool))


def connected(strokes: Strokes, k: int) -> bool:
    """Whether a stroke is joined to the one before: by 60 ms or, as scores are exported, 5 % of the way between."""
    apart_s = float(strokes.onset_s[k] - strokes.onset_s[k - 1])
    return bool(strokes.joined[k] or -0.15 < strokes.gap_s[k] <= 0.05 * apart_s)


def fall_cc(site: Site, lane: str, onset_s: float, *, around_s: float = 0.12) -> float:
    """How far a lane falls within 120 ms of an onset: the largest way down from an earlier value to a later one."""
    value = site.held(lane, onset_s + np.arange(-around_s, around_s + 1e-9, 0.004))
    return float(np.max(np.maximum.accumulate(value) - value))


def deepest_fall_cc(site: Site, onset_s: float) -> float:
    """The larger fall of dynamics and expression at an onset."""
    return max(fall_cc(site, lane, onset_s) for lane in ("dynamics", "expression") if lane in site.lanes)


def stillest_cc(site: Site, lane: str, start_s: float, end_s: float) -> float:
    """The smallest range of a lane in any two seconds of a span; infinite where it is shorter."""
    value = site.held(lane, np.arange(start_s, end_s, GRID_S))
    if len(value) < 200:
        return float("inf")
    windows = sliding_window_view(value, 200)
    return float((windows.max(axis=1) - windows.min(axis=1)).min())


def likeness(site: Site, one: str, other: str, start_s: float, end_s: float) -> tuple[float, float]:
    """Correlation of two lanes while the part sounds in a span, and the root mean square difference of both
    standardised; (0, infinite) where one stands still.
    """
    time_s = np.arange(start_s, end_s, GRID_S)
    at = np.searchsorted(site.strokes.onset_s, time_s, side="right") - 1
    time_s = time_s[(at >= 0) & (time_s < site.strokes.end_s[np.maximum(at, 0)])]
    x, y = site.held(one, time_s), site.held(other, time_s)
    if len(x) < 100 or x.std() < 0.5 or y.std() < 0.5:
        return 0.0, float("inf")
    x, y = (x - x.mean()) / x.std(), (y - y.mean()) / y.std()
    return float(np.mean(x * y)), float(np.sqrt(np.mean((x - y) ** 2)))


def moves_cc(site: Site, lane: str, start_s: float, end_s: float) -> float:
    """The range of a lane within a span, 0 where it is absent."""
    if lane not in site.lanes:
        return 0.0
    value = site.held(lane, np.arange(start_s, end_s, GRID_S))
    return float(value.max() - value.min())


def inside_strokes(site: Site, lane: str) -> tuple[Floats, Floats]:
    """Seconds and size of the steps between events that both stand inside one stroke."""
    event_s, value = site.event_s(lane), site.lanes[lane].value
    at = np.searchsorted(site.strokes.onset_s, event_s - 1e-6) - 1
    inside = (at >= 0) & (event_s < site.strokes.end_s[np.maximum(at, 0)] - 1e-6)
    both = inside[1:] & inside[:-1] & (at[1:] == at[:-1])
    return event_s[1:][both], np.diff(value)[both].astype(float)


def most_reversals(site: Site, lane: str, start_s: float, end_s: float) -> int:
    """The most turns, with more than 4 steps on either side, in any second of a span."""
    event_s, value = site.event_s(lane), site.lanes[lane].value
    mine = (event_s >= start_s) & (event_s <= end_s)
    turns: list[float] = []
    points = list(zip(event_s[mine].tolist(), value[mine].tolist(), strict=True))
    if not points:
        return 0
    high = low = points[0]
    direction = 0
    for point in points[1:]:
        if direction >= 0 and high[1] - point[1] > 4:
            turns += [high[0]] if direction else []
            direction, low = -1, point
        elif direction <= 0 and point[1] - low[1] > 4:
            turns += [low[0]] if direction else []
            direction, high = 1, point
        high = point if point[1] >= high[1] else high
        low = point if point[1] <= low[1] else low
    when = np.array(turns)
    return int(max((np.count_nonzero((when >= t) & (when < t + 1.0)) for t in turns), default=0))


def densest(site: Site, lane: str, start_s: float, end_s: float) -> int:
    """The most events of a lane in any second that begins in a span."""
    event_s = site.event_s(lane)
    starts = event_s[(event_s >= start_s - 1.0) & (event_s <= end_s)]
    counts = np.searchsorted(event_s, starts + 1.0 - 1e-6) - np.searchsorted(event_s, starts)
    return int(counts.max()) if len(counts) else 0


def periodicity(value: Floats) -> float:
    """The highest peak of the biased autocorrelation at half a second or later, 0 without one."""
    x = value - value.mean()
    power = float(np.dot(x, x))
    if power < 1e-9 or len(x) < 60:
        return 0.0
    full = np.correlate(x, x, mode="full")[len(x) - 1 :] / power
    peak = (full[1:-1] > full[:-2]) & (full[1:-1] >= full[2:])
    late = full[1:-1][peak & (np.arange(1, len(full) - 1) >= round(0.5 / GRID_S))]
    return float(late.max()) if len(late) else 0.0


def moves_before_entry(site: Site, lane: str, onset_s: float) -> float:
    """How far a lane moves from 95 ms before an onset to the onset, in steps one way or the other."""
    value = site.held(lane, onset_s + np.arange(-0.095, -0.001, 0.004))
    return float(value.max() - value.min())


def retriggers(notes: Notes) -> list[float]:
    """Onsets of notes that repeat a pitch of the part while it still sounds or just has, slower than five a second."""
    found = []
    for pitch in np.unique(notes.pitch).tolist():
        mine = np.flatnonzero(notes.pitch == pitch)
        on_s, off_s = notes.onset_s[mine], notes.offset_s[mine]
        apart_s, gap_s = np.diff(on_s), on_s[1:] - off_s[:-1]
        again = (apart_s > 0.2) & (gap_s > -0.15) & (gap_s <= np.maximum(0.06, 0.05 * apart_s))
        found += on_s[1:][again].tolist()
    return sorted(found)


def meets(kind: str, site: Site, *, lanes: Sequence[str], start_s: float, end_s: float) -> bool:
    """Whether what a finding points at is what its kind means, with the slack of a grid step or two."""
    strokes = site.strokes
    present = [lane for lane in lanes if lane in site.lanes]
    near = np.flatnonzero((strokes.onset_s >= start_s - 0.15) & (strokes.onset_s <= end_s + 0.15)).tolist()
    over = np.flatnonzero((strokes.onset_s < end_s + 0.05) & (strokes.end_s > start_s - 0.05)).tolist()
    if kind == "one-lane":
        every = sorted(moves_cc(site, lane, start_s, end_s) for lane in site.lanes)
        return every[-1] >= 4.0 and all(way <= 3.0 for way in every[:-1])
    if kind == "copied-lane":
        pairs = [(a, b) for a in site.lanes for b in site.lanes if a < b]
        alike = [likeness(site, a, b, start_s, end_s) for a, b in pairs]
        return any(r > 0.975 and apart < 0.11 for r, apart in alike)
    if kind == "flat-hold":
        spans = [(lane, strokes.onset_s[k], strokes.end_s[k]) for lane in present for k in over]
        return any(stillest_cc(site, lane, on, off) < 4.0 for lane, on, off in spans)
    if kind in ("bare-join", "bare-repeat"):
        same = kind == "bare-repeat"
        least = 5.0 if same else 3.0
        places = [k for k in near if k and strokes.renewed[k] >= 0.5 and connected(strokes, k)]
        places = [k for k in places if (strokes.pitches[k] == strokes.pitches[k - 1]) == same]
        return any(deepest_fall_cc(site, float(strokes.onset_s[k])) < least + 0.01 for k in places)
    if kind == "retrigger":
        return any(start_s - 0.05 <= onset_s <= end_s + 0.05 for onset_s in retriggers(site.part.notes))
    if kind == "jump":
        for lane in present:
            when, size = inside_strokes(site, lane)
            here = (when >= start_s - 0.05) & (when <= end_s + 0.05)
            if np.any(np.abs(size[here]) > 6) or most_reversals(site, lane, start_s - 0.5, end_s + 0.5) > 12:
                return True
        return False
    if kind == "entry":
        rests = [k for k in near if strokes.silence_s[k] >= 0.25]
        return any(moves_before_entry(site, lane, float(strokes.onset_s[k])) > 0 for lane in present for k in rests)
    if kind == "stuck":
        return any(site.lanes[lane].value[-1] != site.lanes[lane].value[0] for lane in present)
    if kind == "no-start":
        first = site.part.notes.onset_tick[0]
        return any(lane not in site.lanes or site.lanes[lane].tick[0] > first for lane in lanes)
    if kind == "dense":
        return any(densest(site, lane, start_s, end_s) > 60 for lane in present)
    if kind == "machine":
        spans = [(strokes.onset_s[k], strokes.end_s[k]) for k in over if strokes.length_s[k] >= 1.95]
        grids = [np.arange(on + cut, off - cut, GRID_S) for on, off in spans for cut in (0.0, 0.12, 0.25)]
        return any(periodicity(site.held(lane, grid)) > 0.48 for lane in present for grid in grids)
    raise ValueError(kind)
