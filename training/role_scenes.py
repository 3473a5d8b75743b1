"""Scenes whose roles are known because they were put together so: a real tune over an invented accompaniment.

Tunes come from three collections in the installed music21 (ABC texts of tunes out of copyright); nothing of them is
copied. The tune lies on top, inside or low; what accompanies it lies below, around or above. Everything is drawn from
the tune's name, so that a name gives the same scene. How often what happens is our choice.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from phrasewright.model.hearing import ROLES
from phrasewright.training.score_reading import abc_rows, corpus_root
from phrasewright.training.textures import Line, Rng, Row, Sketch

COLLECTIONS = ("ryansMammoth", "airdsAirs", "miscFolk")
_MELODY, _, _CHORDS, _BASS, _PEDAL = range(len(ROLES))
_BARS = (2.0, 3.0, 4.0, 6.0)
_SINGERS = {
    "top": (("Flute", 73, 79), ("Oboe", 68, 74), ("Violins I", 48, 77), ("Solo Violin", 40, 79), ("Clarinet", 71, 70)),
    "inside": (("Horn", 60, 60), ("Violas", 41, 62), ("Clarinet", 71, 62), ("English Horn", 69, 64), ("Celli", 42, 57)),
    "low": (("Celli", 42, 52), ("Solo Cello", 42, 54), ("Bassoon", 70, 52)),
}
"""Name, program and middle pitch of who has the tune (common practice, no source)."""
_DESKS = (("Violins II", 48), ("Violas", 41), ("Celli", 42))
_KINDS = ("held", "divided", "repeated", "offbeat", "broken", "strummed", "tremolo", "ostinato")


@dataclass(frozen=True)
class Tune:
    """A tune: its name, its notes as (beat, length, pitch), and the length of its bar in quarter notes."""

    name: str
    notes: tuple[tuple[float, float, int], ...]
    bar: float


@dataclass(frozen=True)
class Scene:
    """A scene: where the tune lies, the kind of accompaniment, the cue, and the role of each part (index into ROLES).

    Where `without_bass`, the accompaniment may as well be heard as the bass.
    """

    name: str
    place: str
    kind: str
    sketch: Sketch
    roles: tuple[int, ...]
    without_bass: bool


def tunes(*, per_collection: int) -> Iterator[Tune]:
    """Tunes of 24 notes or more in simple metres, those first whose names have the lowest hashes."""
    for folder in COLLECTIONS:
        texts = {}
        for path in sorted((corpus_root() / folder).glob("*.abc")):
            for number, text in enumerate(re.split(r"(?m)^(?=X:)", path.read_text("utf-8", errors="replace"))):
                texts[f"{folder}/{path.stem} {number}"] = text
        found = 0
        for name in sorted(texts, key=lambda name: zlib.crc32(name.encode())):
            metre = re.search(r"(?m)^M:\s*(\d+)/(\d+)", texts[name])
            if found == per_collection or not metre or "V:" in texts[name]:
                continue
            rows, bar = abc_rows(texts[name]), 4.0 * int(metre[1]) / int(metre[2])
            if len(rows) >= 24 and bar in _BARS:
                found += 1
                yield Tune(name, tuple((row.beat, row.length, row.pitch) for row in rows), bar)


def scene_of(tune: Tune) -> Scene:
    """Eight to fourteen bars of a tune with one or two accompaniments, and mostly a bass or a pedal."""
    rng = np.random.default_rng(zlib.crc32(tune.name.encode()))
    bar, end = tune.bar, tune.notes[-1][0] + tune.notes[-1][1]
    n_bars = min(int(rng.integers(8, 15)), int(end // bar))
    until = n_bars * bar
    notes = [(at, min(length, until - at), pitch) for at, length, pitch in tune.notes if at < until - 1e-6]
    place = ("top", "top", "inside", "low")[rng.integers(4)]
    name, program, middle = _SINGERS[place][rng.integers(len(_SINGERS[place]))]
    up = round((middle - float(np.mean([pitch for *_, pitch in notes]))) / 12) * 12 + int(rng.integers(-3, 4))
    if rng.random() < 0.3:  # a singer breathes: every fourth bar ends in a rest
        notes = [note for note in notes if not (note[0] // bar % 4 == 3 and note[0] % bar >= bar / 2)]
    roots = [((root + up) % 12, third) for root, third in _harmonised(notes, bar, n_bars)]
    bpm = float(np.clip(rng.uniform(1.0, 2.6) * 60 * until / len(notes), 50, 150))
    velocity = int(rng.integers(62, 84))
    sung = [(at, length, pitch + up) for at, length, pitch in notes]
    average, lowest = int(np.mean([pitch for *_, pitch in sung])), min(pitch for *_, pitch in sung)
    parts = [(name, program, sung, _MELODY, velocity + int(rng.integers(-4, 9)))]
    if rng.random() < 0.2:  # doubled at the octave
        other, shift = (("Piccolo", 72), 12) if place == "top" else (("Bassoon", 70), -12)
        parts.append((*other, [(at, length, pitch + shift) for at, length, pitch in sung], _MELODY, velocity))
    low = average + {"top": -19, "inside": int(rng.choice([-9, 2, 5, 8])), "low": int(rng.choice([5, 8, 12]))}[place]
    kind = str(rng.choice(_KINDS))
    step = 0.5 if bpm < 110 and rng.random() < 0.67 else 1.0
    chords = _accompaniment(kind, roots, bar, low, step, rng)
    if kind == "divided":
        voices = [chords[k::3] for k in range(3)]
        parts += [(*desk, rows, _CHORDS, velocity) for desk, rows in zip(_DESKS, voices, strict=True)]
    else:
        plays = ("Harp", 46) if kind in ("broken", "strummed") and rng.random() < 0.4 else _DESKS[rng.integers(3)]
        parts.append((*plays, chords, _CHORDS, velocity))
    if rng.random() < 0.4:
        parts.append(("Horns", 60, _accompaniment("held", roots, bar, max(40, low - 7), 1.0, rng), _CHORDS, velocity))
    deep = min(lowest - 3, 45)
    of_bass = _bass(roots, bar, deep, rng)
    if of_bass:
        parts.append(("Basses", 43, of_bass, _PEDAL if len(of_bass) == 1 else _BASS, velocity))
    order = rng.permutation(len(parts))
    lines = tuple(Line(parts[k][0], parts[k][1], _played(parts[k][2], parts[k][4], rng)) for k in order)
    sketch = Sketch(lines, ((0.0, bpm),))
    return Scene(tune.name, place, kind, sketch, tuple(parts[k][3] for k in order), not of_bass)


def _played(notes: list[tuple[float, float, int]], velocity: int, rng: Rng) -> tuple[Row, ...]:
    return tuple(
        (at, length, pitch, velocity + int(rng.integers(-4, 5))) for at, length, pitch in sorted(notes) if length > 0
    )


def _harmonised(notes: list[tuple[float, float, int]], bar: float, n_bars: int) -> list[tuple[int, int]]:
    """Root and third of the triad that holds most of each bar."""
    found = []
    for k in range(n_bars):
        weight = np.zeros(12)
        for at, length, pitch in notes:
            weight[pitch % 12] += max(min(at + length, (k + 1) * bar) - max(at, k * bar), 0.0)
        triads = [(root, third) for third in (4, 3) for root in range(12)]
        sums = [weight[[r, (r + t) % 12, (r + 7) % 12]].sum() + 0.3 * weight[r] for r, t in triads]
        found.append(triads[int(np.argmax(sums))])
    return found


def _accompaniment(
    kind: str, roots: list[tuple[int, int]], bar: float, low: int, step: float, rng: Rng
) -> list[tuple[float, float, int]]:
    """Notes of one way to accompany, from the pitch `low` on; `step` is the time from stroke to stroke."""
    rows: list[tuple[float, float, int]] = []
    order, short = rng.permutation(3), float(rng.choice([0.5, 0.9]))
    n_notes, first = int(rng.integers(2, 4)), 0
    for k, (root, third) in enumerate(roots):
        at, triad = k * bar, {root, (root + third) % 12, (root + 7) % 12}
        chord = [pitch for pitch in range(low, low + 25) if pitch % 12 in triad][:3]
        first = first or chord[0]
        beats, strokes = np.arange(0, bar - 1e-6, 1.0), np.arange(0, bar - 1e-6, step)
        if kind in ("held", "divided"):
            rows += [(at, bar, pitch) for pitch in (chord if kind == "divided" else chord[:n_notes])]
        elif kind == "repeated":
            rows += [(at + float(b), step * short, pitch) for b in strokes for pitch in chord[:n_notes]]
        elif kind == "offbeat":
            rows += [(at + float(b) + 0.5, 0.4, pitch) for b in beats for pitch in chord[:n_notes]]
        elif kind == "strummed":
            rows += [(at + float(b), 0.8, pitch) for b in beats[1:] for pitch in chord[:n_notes]]
        elif kind == "broken":
            rows += [(at + float(b), step, chord[order[i % 3]]) for i, b in enumerate(strokes)]
        elif kind == "tremolo":
            rows += [(at + float(b), 0.125, chord[0]) for b in np.arange(0, bar - 1e-6, 0.125)]
        else:
            figure = (first, first + 2, first + 3, first + 2)
            rows += [(at + float(b), step * short, figure[i % 4]) for i, b in enumerate(strokes)]
    return rows


def _bass(roots: list[tuple[int, int]], bar: float, deep: int, rng: Rng) -> list[tuple[float, float, int]]:
    """Roots at or below the pitch `deep`: once, twice or on every beat of a bar; or one pedal; or nothing."""
    low = [max(deep - (deep - root) % 12, 28) for root, _ in roots]
    drawn = rng.random()
    if drawn > 0.85 or (drawn > 0.75 and len(set(roots)) < 3):
        return []
    if drawn > 0.75:
        return [(0.0, len(roots) * bar, low[0])]
    how = rng.integers(3)
    if how == 0:
        return [(k * bar, bar, pitch) for k, pitch in enumerate(low)]
    if how == 1:
        halves = [((pitch, 0.0), (pitch + 7, 0.5)) for pitch in low]
        return [((k + part) * bar, bar / 2, pitch) for k, half in enumerate(halves) for pitch, part in half]
    return [(k * bar + b, 0.5, pitch) for k, pitch in enumerate(low) for b in range(int(bar))]
