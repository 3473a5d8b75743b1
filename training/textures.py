"""Invented cues: the ways orchestral parts move, written over a random harmony, where real scores are thin.

Quartets and chorales hold few pads, ostinati, pedals, runs, trills and closings; these fill the gaps. Everything is
drawn from one generator, so that a seed gives the same cue. Units: quarter notes, MIDI pitches and velocities.
Proportions are our choice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Row = tuple[float, float, int, int]
"""Onset and length in quarter notes, pitch, velocity."""
Rng = np.random.Generator

MAJOR, MINOR, DORIAN = (0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10), (0, 2, 3, 5, 7, 9, 10)


@dataclass(frozen=True)
class Line:
    """One part to be: a name, a General MIDI program (from 0), its notes, and words over them as (beat, text)."""

    name: str
    program: int
    rows: tuple[Row, ...]
    words: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True)
class Sketch:
    """A cue to be: lines, tempo changes as (beat, beats a minute), metre, and marks as (beat, text)."""

    lines: tuple[Line, ...]
    tempi: tuple[tuple[float, float], ...]
    metre: tuple[int, int] = (4, 4)
    marks: tuple[tuple[float, str], ...] = field(default=())


@dataclass(frozen=True)
class Player:
    """An instrument of the pool: name, program, the register lines are put into."""

    name: str
    program: int
    low: int
    high: int


PLAYERS = (
    *(Player("Violins I", 48, 60, 91), Player("Violins II", 48, 57, 86), Player("Solo Violin", 40, 58, 93)),
    *(Player("Violas", 41, 50, 77), Player("Celli", 42, 38, 69), Player("Solo Cello", 42, 40, 72)),
    *(Player("Basses", 43, 30, 52), Player("String Ensemble", 49, 40, 84), Player("Flute", 73, 62, 91)),
    *(Player("Oboe", 68, 60, 86), Player("Clarinet", 71, 52, 84), Player("English Horn", 69, 54, 78)),
    *(Player("Bassoon", 70, 36, 67), Player("Horn", 60, 45, 74), Player("Horns", 60, 43, 72)),
    *(Player("Trumpet", 56, 56, 82), Player("Trombones", 57, 42, 68), Player("Tuba", 58, 30, 55)),
    *(Player("Choir", 52, 48, 79), Player("Soprano", 53, 60, 81), Player("Alto Sax", 65, 52, 78)),
    *(Player("Viola", 41, 50, 79), Player("Violin", 40, 57, 90), Player("Brass Section", 61, 45, 76)),
)
"""Programs that are shaped, in usual orchestral registers (common practice, no source)."""


@dataclass(frozen=True)
class Harmony:
    """A chord a bar: `scale` holds pitch classes, `roots` one degree a bar, `bar` is its length in quarter notes."""

    tonic: int
    scale: tuple[int, ...]
    roots: tuple[int, ...]
    bar: float

    def pitches(self, low: int, high: int, *, bar: int | None = None) -> NDArray[np.int64]:
        """Pitches of the scale, or of one bar's triad, within a register, rising; shape (n_pitches,)."""
        degrees = range(7) if bar is None else [(self.roots[bar] + k) % 7 for k in (0, 2, 4)]
        classes = {(self.tonic + self.scale[d]) % 12 for d in degrees}
        return np.array([p for p in range(low, high + 1) if p % 12 in classes])


def harmony(rng: Rng, *, n_bars: int, bar: float) -> Harmony:
    """A walk over degrees that mostly moves by fourths and thirds and ends on the tonic."""
    roots = [0]
    while len(roots) < n_bars - 1:
        roots.append((roots[-1] + int(rng.choice([3, 4, 5, 1, 0, 2]))) % 7)
    return Harmony(int(rng.integers(12)), (MAJOR, MINOR, DORIAN)[rng.integers(3)], (*roots, 0), bar)


Texture = Callable[[Rng, Harmony, Player, int, int], list[Row]]


def melody(rng: Rng, h: Harmony, player: Player, start: int, stop: int) -> list[Row]:
    """Phrases of two to four bars that leap up, walk down, end on a long note, and sometimes breathe."""
    scale = h.pitches(player.low + 3, player.high - 2)
    rows: list[Row] = []
    rhythm = RHYTHMS[rng.integers(len(RHYTHMS))]
    at, i = start * h.bar, int(rng.integers(len(scale) // 3, 2 * len(scale) // 3 + 1))
    while at < stop * h.bar - 1e-6:
        end = min(at + h.bar * int(rng.integers(2, 5)), stop * h.bar)
        while at < end - 1e-6:
            left = end - at
            last = left <= 2.0 and rng.random() < 0.7
            length = left if last else min(float(rng.choice(rhythm)), left)
            step = int(rng.choice([-3, -2, -1, -1, -1, 0, 1, 1, 1, 2, 4], p=STEP_SHARES))
            i = int(np.clip(i + step, 0, len(scale) - 1))
            rest = 0.5 if last and length >= 1.5 and rng.random() < 0.5 else 0.0
            rows.append((at, length - rest, int(scale[i]), 0))
            at += length
    return rows


RHYTHMS = (
    *((1.0, 0.5, 0.5, 1.5, 2.0), (2.0, 1.0, 1.0, 3.0, 4.0), (0.5, 0.5, 0.25, 1.0)),
    *((1.5, 0.5, 1.0, 3.0), (4.0, 2.0, 6.0)),
)
STEP_SHARES = np.array([3, 6, 14, 14, 10, 8, 12, 12, 8, 8, 5]) / 100.0


def chords(rng: Rng, h: Harmony, player: Player, start: int, stop: int) -> list[Row]:
    """Two to four voices that change together, each bar, half bar or two bars."""
    every = float(rng.choice([0.5, 1.0, 1.0, 2.0])) * h.bar
    n_voices = int(rng.integers(2, 5))
    rows: list[Row] = []
    centre = rng.uniform(player.low + 6, player.high - 8)
    for at in np.arange(start * h.bar, stop * h.bar - 1e-6, every):
        pool = h.pitches(player.low, player.high, bar=min(int(at // h.bar), len(h.roots) - 1))
        near = pool[np.argsort(np.abs(pool - centre))[:n_voices]]
        centre = float(np.clip(centre + rng.normal(0, 2), player.low + 5, player.high - 5))
        rows += [(float(at), min(every, stop * h.bar - at), int(p), 0) for p in near]
    return rows


def held(rng: Rng, h: Harmony, player: Player, start: int, stop: int) -> list[Row]:
    """One note over one to four bars at a time: pads and pedals."""
    rows: list[Row] = []
    at = start
    while at < stop:
        n_bars = min(int(rng.choice([1, 2, 2, 3, 4])), stop - at)
        rows.append((at * h.bar, n_bars * h.bar, int(rng.choice(h.pitches(player.low, player.high, bar=at))), 0))
        at += n_bars
    return rows


def repeats(rng: Rng, h: Harmony, player: Player, start: int, stop: int) -> list[Row]:
    """The same pitch again and again, from slow strokes to quick ones, changing with the harmony."""
    step = float(rng.choice([2.0, 1.0, 1.0, 0.5, 0.5, 0.25, 0.25, 0.125]))
    rows: list[Row] = []
    for bar in range(start, stop):
        pitch = int(rng.choice(h.pitches(player.low, player.high, bar=bar)))
        two = rng.random() < 0.2
        for at in np.arange(bar * h.bar, (bar + 1) * h.bar - 1e-6, step):
            rows.append((float(at), step, pitch, 0))
            if two and pitch - 4 >= player.low:
                rows.append((float(at), step, pitch - 4, 0))
    return rows


def runs(rng: Rng, h: Harmony, player: Player, start: int, stop: int) -> list[Row]:
    """Scales of a beat or more in quick notes that land on a longer one."""
    scale = h.pitches(player.low, player.high)
    rows: list[Row] = []
    for bar in range(start, stop):
        step = float(rng.choice([0.25, 0.25, 0.125, 1 / 6]))
        length = float(rng.choice([1.0, 2.0]))
        n = round(length / step)
        up = rng.random() < 0.65
        i = int(rng.integers(0, max(len(scale) - n, 1)))
        walk = scale[np.clip(i + np.arange(n + 1), 0, len(scale) - 1)]
        walk = walk if up else walk[::-1]
        begin = bar * h.bar + (h.bar - length if rng.random() < 0.6 else 0.0)
        rows += [(begin + k * step, step, int(walk[k]), 0) for k in range(n)]
        if begin == bar * h.bar:
            rows.append((begin + length, h.bar - length, int(walk[n]), 0))
        else:
            rows.insert(len(rows) - n, (bar * h.bar, h.bar - length, int(walk[0]), 0))
    return [row for row in rows if row[1] > 0]


def shakes(rng: Rng, h: Harmony, player: Player, start: int, stop: int) -> list[Row]:
    """Trills (a step apart) or tremolo (one pitch), a bar or a beat long, between longer notes."""
    rows: list[Row] = []
    scale = h.pitches(player.low, player.high)
    for bar in range(start, stop):
        i = int(rng.integers(0, len(scale) - 1))
        pair = (int(scale[i]), int(scale[i + 1])) if rng.random() < 0.5 else (int(scale[i]),) * 2
        length = float(rng.choice([h.bar, h.bar / 2]))
        step = float(rng.choice([0.125, 0.125, 0.25]))
        rows += [(bar * h.bar + k * step, step, pair[k % 2], 0) for k in range(int(length / step))]
        if length < h.bar:
            rows.append((bar * h.bar + length, h.bar - length, pair[0], 0))
    return rows


def detached(rng: Rng, h: Harmony, player: Player, start: int, stop: int) -> list[Row]:
    """Separate notes with air between, as chords or as a bass line."""
    step = float(rng.choice([1.0, 0.5, 0.5]))
    share = float(rng.uniform(0.3, 0.6))
    rows: list[Row] = []
    for bar in range(start, stop):
        pool = h.pitches(player.low, player.high, bar=bar)
        for at in np.arange(bar * h.bar, (bar + 1) * h.bar - 1e-6, step):
            if rng.random() < 0.9:
                rows.append((float(at), step * share, int(rng.choice(pool)), 0))
    return rows


def silence(rng: Rng, h: Harmony, player: Player, start: int, stop: int) -> list[Row]:
    """Nothing."""
    return []


TEXTURES: tuple[tuple[Texture, float], ...] = (
    (melody, 0.28),
    (chords, 0.16),
    (held, 0.16),
    (repeats, 0.12),
    (runs, 0.07),
    (shakes, 0.05),
    (detached, 0.08),
    (silence, 0.08),
)


def closing(rng: Rng, h: Harmony, player: Player, start: int, stop: int) -> list[Row]:
    """Notes that climb, quickening a little, into a long last one."""
    pool = h.pitches(player.low, player.high)
    n = int(rng.integers(3, 7))
    i = int(rng.integers(0, max(len(pool) - n, 1)))
    begin, length = start * h.bar, (stop - start - 1) * h.bar
    edges = begin + length * np.linspace(0, 1, n + 1) ** float(rng.uniform(0.8, 1.0))
    climb = pool[np.minimum(i + np.arange(n + 1), len(pool) - 1)]
    rows = [(float(edges[k]), float(edges[k + 1] - edges[k]), int(climb[k]), 0) for k in range(n)]
    return [*rows, ((stop - 1) * h.bar, h.bar, int(climb[n]), 0)]


def tempo_course(rng: Rng, *, n_bars: int, bar: float, usual: float) -> tuple[tuple[float, float], ...]:
    """Tempi as (beat, quarter notes a minute): steady, slower at the end, swaying, or a new tempo on the way."""
    kind = rng.choice(["steady", "slower", "swaying", "new"], p=[0.5, 0.2, 0.2, 0.1])
    if kind == "slower" and n_bars > 4:
        return ((0.0, usual), *((bar * (n_bars - 3 + k), usual * (0.95, 0.88, 0.78)[k]) for k in range(3)))
    if kind == "swaying":
        sway = 1.0 + float(rng.uniform(0.02, 0.12)) * np.sin(np.arange(n_bars) * float(rng.uniform(0.4, 1.6)))
        return tuple((k * bar, usual * float(sway[k])) for k in range(n_bars))
    if kind == "new" and n_bars > 4:
        other = usual * float(rng.choice([0.67, 0.8, 1.25, 1.5]))
        return ((0.0, usual), (bar * int(rng.integers(2, n_bars - 1)), other))
    return ((0.0, usual),)


def full_score(rng: Rng) -> Sketch:
    """A cue for 12 to 40 parts as such cues are laid out: a melody, doubled, chords, pads, an ostinato, a bass.

    Parts of one kind share their notes by octaves; each section some kinds rest. Ends with a closing or a held chord.
    """
    bar, n_bars = 4.0, int(rng.integers(8, 13))
    h = harmony(rng, n_bars=n_bars, bar=bar)
    pool = [PLAYERS[int(k)] for k in rng.integers(len(PLAYERS), size=int(rng.integers(12, 41)))]
    half = n_bars // 2
    kinds = (melody, melody, chords, held, repeats, runs, detached)
    shares = np.array([0.14, 0.08, 0.22, 0.2, 0.16, 0.08, 0.12])
    seeds = rng.integers(2**31, size=(len(kinds), 2))
    ends = (closing, held)[int(rng.random() < 0.5)]
    lines = []
    for player in pool:
        kind = int(rng.choice(len(kinds), p=shares))
        rows: list[Row] = []
        for part, (start, stop) in enumerate(((0, half), (half, n_bars - 2))):
            if rng.random() < 0.75:  # one seed a kind: doublings play the same, in their own octave
                own = np.random.default_rng(int(seeds[kind, part]))
                rows += kinds[kind](own, h, player, start, stop)
        rows += ends(np.random.default_rng(int(seeds[kind, 0])), h, player, n_bars - 2, n_bars)
        lines.append(Line(player.name, player.program, tuple(sorted(rows))))
    tempi = tempo_course(rng, n_bars=n_bars, bar=bar, usual=float(rng.uniform(58, 132)))
    return Sketch(tuple(lines), tempi)


def invented(rng: Rng) -> Sketch:
    """A cue of 12 to 24 bars for three to seven players, each section a texture a player; half end with a closing."""
    metre = ((4, 4), (4, 4), (3, 4), (6, 8))[rng.integers(4)]
    bar = metre[0] * 4.0 / metre[1]
    n_bars = int(rng.integers(12, 25))
    h = harmony(rng, n_bars=n_bars, bar=bar)
    rises = rng.random() < 0.5
    body = n_bars - 4 if rises else n_bars
    edges = [0]
    while edges[-1] < body:
        edges.append(min(edges[-1] + int(rng.choice([4, 4, 6, 8])), body))
    weights = np.array([weight for _, weight in TEXTURES])
    lines = []
    for k in rng.choice(len(PLAYERS), size=int(rng.integers(3, 8)), replace=False):
        player = PLAYERS[int(k)]
        rows: list[Row] = []
        for start, stop in pairwise(edges):
            texture = TEXTURES[rng.choice(len(TEXTURES), p=weights / weights.sum())][0]
            rows += texture(rng, h, player, start, stop)
        if rises:
            rows += (closing if rng.random() < 0.7 else held)(rng, h, player, body, n_bars)
        if rows:
            lines.append(Line(player.name, player.program, tuple(sorted(rows))))
    marks = ((body * bar, "cresc."),) if rises and rng.random() < 0.5 else ()
    tempi = tempo_course(rng, n_bars=n_bars, bar=bar, usual=float(rng.uniform(52, 138)))
    return Sketch(tuple(lines), tempi, metre, marks)
