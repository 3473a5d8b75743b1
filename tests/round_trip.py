"""Shape, plant corrections, deliver as sequencers do, learn: `python tests/round_trip.py [--seeds N]`.

Corrections are planted in chosen phrases by formulas that share nothing with the rules: a lane lifted, deepened, moved
in time or drawn anew. Each file goes through every delivery of `deliveries.py` and is compared with the first pass in
the store, as `learn` does. Prints for each delivery how many of the corrections found were planted (precision), how
many of the planted were found (recall), and what was found where nothing was planted.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from deliveries import DELIVERIES, Export, export_of
from midi_bytes import Message
from numpy.typing import NDArray
from seams import demo_material, quartet_material

from phrasewright.data.cue import Part
from phrasewright.data.reading import read_cue
from phrasewright.data.store import Store
from phrasewright.inference.shaping import ShapeOptions, shape_cue
from phrasewright.model.hearing import CueHearing
from phrasewright.model.listening import hear
from phrasewright.training.corrections import corrections_of
from phrasewright.training.first_passes import record_of

Floats = NDArray[np.float64]
KINDS = ("lifted", "deepened", "later", "drawn anew")
HAND_KINDS = ("changed", "trim", "drawn")
EVERY_S = 0.03
LEAST_CC = 4.0
"""A planted correction moves the lane by so much on average over its phrase."""


@dataclass(frozen=True)
class Planted:
    """A correction: the notes of its part name it, whatever the delivery calls it."""

    notes: tuple[int, ...]
    lane: str
    kind: str
    start_s: float
    end_s: float


@dataclass
class Score:
    """Counts of one delivery; `missed` and `made_up` tell of each."""

    planted: int = 0
    recalled: int = 0
    found: int = 0
    right: int = 0
    out_of_nothing: int = 0
    missed: list[str] = field(default_factory=list)
    made_up: list[str] = field(default_factory=list)


def key_of(part: Part) -> tuple[int, ...]:
    """What names a part: its pitches in order."""
    return tuple(part.notes.pitch.tolist())


def redrawn(kind: str, time_s: Floats, value: Floats, held_later: Floats, seed: int) -> Floats:
    """What a hand makes of a lane over one phrase: new values at the same times.

    `held_later` is the lane .4 s before each time.
    """
    u = (time_s - time_s[0]) / max(time_s[-1] - time_s[0], 1e-9)
    if kind == "lifted":
        new = value + (8.0 if value.mean() < 80 else -8.0)
    elif kind == "deepened":
        new = value.mean() + 2.2 * (value - value.mean())
    elif kind == "later":
        new = held_later
    else:
        new = 66 + 26 * np.cos(3.1 * np.pi * u**1.3 + seed)
    return np.clip(np.rint(new), 1, 126)


def plant(content: bytes, hearing: CueHearing, *, n: int, seed: int) -> tuple[bytes, list[Planted]]:
    """The file with `n` corrections, in phrases of two seconds and more, no two in neighbouring phrases of a part."""
    random = np.random.default_rng(seed)
    export, tempo = export_of(content), hearing.cue.tempo
    places = [
        (index, lane, number)
        for index, heard in enumerate(hearing.parts)
        if heard.part.shaped
        for lane in ("dynamics", "expression")
        if lane in heard.part.lane_cc
        for number, phrase in enumerate(heard.phrases)
        if phrase.end_s - phrase.start_s >= 2.0
    ]
    tracks = [list(track) for track in export.tracks]
    planted: list[Planted] = []
    used: set[tuple[int, int]] = set()
    for i in random.permutation(len(places)).tolist():
        index, lane, number = places[i]
        if len(planted) == n:
            break
        if {(index, number + step) for step in (-1, 0, 1)} & used:
            continue
        part, phrase = hearing.parts[index].part, hearing.parts[index].phrases[number]
        head = bytes((0xB0 | part.channel - 1, part.lane_cc[lane]))
        track = tracks[part.track - 1]
        rows = [m for m in track if m[1][:2] == head]
        at_s = tempo.tick_to_s(np.array([tick for tick, _ in rows]))
        level = np.array([m[2] for _, m in rows], dtype=float)
        time_s = np.arange(phrase.start_s + 1e-4, phrase.end_s, EVERY_S)

        def held(when: Floats, at_s: Floats = at_s, level: Floats = level) -> Floats:
            return np.asarray(level[np.maximum(np.searchsorted(at_s, when, side="right") - 1, 0)])

        kind = KINDS[len(planted) % len(KINDS)]
        new = redrawn(kind, time_s, held(time_s), held(np.maximum(time_s - 0.4, phrase.start_s)), seed + len(planted))
        if np.abs(new - held(time_s)).mean() < LEAST_CC:
            continue
        first, last = (int(tempo.s_to_tick(s)) for s in (phrase.start_s, phrase.end_s))
        back = int(held(np.array([phrase.end_s]))[0])
        hand: list[Message] = [(first, head + bytes((int(new[0]),)))]
        for s, v in zip(time_s[1:].tolist(), new[1:].tolist(), strict=True):
            tick = int(tempo.s_to_tick(s))
            if first < tick < last and v != hand[-1][1][2]:
                hand.append((tick, head + bytes((int(v),))))
        hand.append((last, head + bytes((back,))))
        kept = [m for m in track if not (m[1][:2] == head and first <= m[0] <= last)]
        merged = sorted([*hand, *kept], key=lambda m: m[0])  # the hand's before what stands at the same tick
        tracks[part.track - 1] = merged
        used.add((index, number))
        planted.append(Planted(key_of(part), lane, kind, phrase.start_s, phrase.end_s))
    return Export(tuple(map(tuple, tracks)), export.division, export.kind).content, planted


def compare(path: Path, store: Store, planted: Sequence[Planted], score: Score, where: str) -> None:
    """Count what `learn` takes for corrections in a delivered file."""
    cue = read_cue(path)
    told = corrections_of(cue, store=store)
    hand = [c for c in told.corrections if c.kind in HAND_KINDS]
    names = {part.index: key_of(part) for part in cue.parts}
    hit: set[int] = set()
    for correction in hand:
        mine = [
            i
            for i, p in enumerate(planted)
            if p.lane == correction.lane
            and p.notes == names[correction.part]
            and min(p.end_s, correction.end_s) - max(p.start_s, correction.start_s)
            > 0.3 * min(p.end_s - p.start_s, correction.end_s - correction.start_s)
        ]
        hit |= set(mine)
        score.found += 1
        score.right += bool(mine)
        score.out_of_nothing += not planted
        if not mine:
            place = f"{correction.part_name} {correction.lane} {correction.start_s:.1f}-{correction.end_s:.1f} s"
            score.made_up.append(f"{where}: {correction.kind} {place}")
    score.planted += len(planted)
    score.recalled += len(hit)
    score.missed += [
        f"{where}: {p.kind} {p.lane} {p.start_s:.1f}-{p.end_s:.1f} s" for i, p in enumerate(planted) if i not in hit
    ]


def round_trips(
    material: Mapping[str, bytes], *, folder: Path, seeds: Sequence[int] = (0, 1), n: int = 8
) -> dict[str, Score]:
    """Shape each cue by the rules, and take it and its corrected versions through every delivery."""
    scores: dict[str, Score] = defaultdict(Score)
    with Store(folder / "home") as store:
        for name, content in material.items():
            path = folder / "cue.mid"
            path.write_bytes(content)
            shaped = shape_cue(path, ShapeOptions(baseline=True))
            store.record_shaped(record_of(shaped.cue, shaped.whole, style="rules", version="1"))
            hearing = hear(shaped.cue)
            versions: list[tuple[str, bytes, list[Planted]]] = [(name, shaped.content, [])]
            for seed in seeds:
                versions.append((f"{name} seed {seed}", *plant(shaped.content, hearing, n=n, seed=seed)))
            channels = {(part.channel, part.track) for part in shaped.cue.parts}
            shared = len({channel for channel, _ in channels}) < len(shaped.cue.parts)
            for number, (title, delivery) in enumerate(DELIVERIES.items()):
                if title == "one_track_of_all" and shared:
                    continue  # what shares a channel in one track is one part
                for where, version, planted in versions:
                    random = np.random.default_rng(number)
                    back = folder / "back.mid"
                    back.write_bytes(delivery(export_of(version), random).content)
                    compare(back, store, planted, scores[title], f"{title}, {where}")
    return dict(scores)


def told(scores: Mapping[str, Score]) -> str:
    """A table for people."""
    total = Score()
    lines = [f"{'delivery':<24}{'planted':>8}{'found':>7}{'precision':>11}{'recall':>8}{'of nothing':>12}"]
    for title, score in scores.items():
        lines.append(_row(title, score))
        for name in ("planted", "recalled", "found", "right", "out_of_nothing"):
            setattr(total, name, getattr(total, name) + getattr(score, name))
    lines.append(_row("all", total))
    for score in scores.values():
        lines += [f"  missed: {row}" for row in score.missed] + [f"  made up: {row}" for row in score.made_up]
    return "\n".join(lines)


def _row(title: str, score: Score) -> str:
    precision, recall = score.right / max(score.found, 1), score.recalled / max(score.planted, 1)
    return f"{title:<24}{score.planted:>8}{score.found:>7}{precision:>11.3f}{recall:>8.3f}{score.out_of_nothing:>12}"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--seeds", type=int, default=2)
    chosen = arguments.parse_args()
    material = demo_material(["the-lamp-is-lit", "storm-split-and-early"]) | quartet_material()
    with tempfile.TemporaryDirectory() as folder:
        print(told(round_trips(material, folder=Path(folder), seeds=range(chosen.seeds))))


if __name__ == "__main__":
    main()
