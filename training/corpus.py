"""The cues the network learns from: real scores whose music is out of copyright, arranged anew, and invented ones.

Scores come from music21's corpus, read from the installed package when training runs: nothing of them is copied here or
into the weights. Left out on purpose: the quartets of Beethoven and Schumann and the Essen songs (kept for tests),
scores whose encoders or publishers reserve rights, and everything that is not for several lines.

Every sketch becomes a Standard MIDI File and is read and heard as a user's file is, so that training sees what `shape`
sees. Units: quarter notes, MIDI pitches, velocities.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from phrasewright.data.cue import Cue
from phrasewright.data.errors import InputError
from phrasewright.data.reading import read_cue
from phrasewright.training.score_reading import corpus_root
from phrasewright.training.textures import (
    PLAYERS,
    Line,
    Player,
    Rng,
    Row,
    Sketch,
    chords,
    full_score,
    harmony,
    held,
    invented,
    tempo_course,
)

TICKS_PER_BEAT = 480
HELD_OUT = ("haydn/opus74no1/movement2", "haydn/opus74no1/movement3", "mozart/k458/movement2", "mozart/k458/movement3")
"""Movements the network is judged on and never trained on; every sixth chorale too (`held_out`)."""
FULL_SHARE = 0.06
"""Cues for 12 to 40 parts: dear to hear, so few."""
BOWED = (40, 41, 42, 43, 48)
TEST_ONLY = ("beethoven", "schumann", "essenfolksong")

_QUARTETS = (
    *(f"haydn/opus1no1/movement{i}" for i in (1, 2, 3, 4, 5)),
    *(f"haydn/opus74no1/movement{i}" for i in (1, 2, 3, 4)),
    *(f"mozart/k80/movement{i}" for i in (1, 2, 3, 4)),
    *(f"mozart/k155/movement{i}" for i in (1, 2, 3)),
    *(f"mozart/k156/movement{i}" for i in (1, 2, 3, 4)),
    *(f"mozart/k458/movement{i}" for i in (1, 2, 3, 4)),
)
_MADRIGALS = tuple(f"monteverdi/madrigal.{book}.{i}" for book in (3, 4) for i in range(1, 21))


@dataclass(frozen=True)
class Score:
    """A score as rows of notes, a tuple a line, with its first metre."""

    name: str
    lines: tuple[tuple[Row, ...], ...]
    metre: tuple[int, int]


def score_names() -> tuple[str, ...]:
    """Names of the scores to arrange, quartets first, as music21's corpus knows them; only those installed."""
    root = corpus_root()
    chorales = sorted(path.stem for path in (root / "bach").glob("bwv*.mxl"))
    names = (*_QUARTETS, *_MADRIGALS, *(f"bach/{stem}" for stem in chorales))
    return tuple(name for name in names if (root / f"{name}.mxl").exists())


def held_out(name: str) -> bool:
    """Whether a score is kept from training."""
    return name in HELD_OUT or (name.startswith("bach/") and sum(name.encode()) % 6 == 0)


def parted(scores: Sequence[Score]) -> tuple[list[Score], list[Score]]:
    """The scores to train on, and those held out."""
    kept, held = ([score for score in scores if held_out(score.name) == out] for out in (False, True))
    return kept, held


def read_score(name: str) -> Score:
    """The lines of a score as rows of notes, and its first metre.

    Raises
    ------
    InputError
        The score is kept for tests, or music21 cannot read it.
    """
    from music21 import converter, meter, stream

    if any(word in name.lower() for word in TEST_ONLY):
        raise InputError(f"{name}: kept for tests; train on other scores")
    path = corpus_root() / f"{name}.mxl"
    try:
        score = converter.parse(path, forceSource=True)  # else by its store of pickles, which processes share
    except Exception as fault:  # music21 raises many kinds
        raise InputError(f"{path}: music21 cannot read it ({fault}); leave it out") from fault
    lines = []
    for part in score.getElementsByClass(stream.Part):
        rows: list[Row] = []
        for event in part.stripTies().flatten().notes:
            length = float(event.duration.quarterLength)
            if length > 0:
                rows += [(float(event.offset), length, int(pitch.midi), 0) for pitch in event.pitches]
        if rows:
            lines.append(tuple(sorted(set(rows))))
    first = next(iter(score.recurse().getElementsByClass(meter.TimeSignature)), None)
    metre = (4, 4) if first is None else (int(first.numerator), int(first.denominator))
    return Score(name, tuple(lines), metre)


def kept_score(name: str) -> Score:
    """As `read_score`, from a folder of the system's temporary files where it has been read before."""

    def parsed() -> object:
        score = read_score(name)
        return score.lines, score.metre

    folder = Path(tempfile.gettempdir()) / f"phrasewright-scores-{os.getuid()}"
    lines, metre = kept_json(folder / f"{name.replace('/', '-')}.json", parsed)
    return Score(name, lines_from(lines), (metre[0], metre[1]))


def kept_json(path: Path, make: Callable[[], object]) -> Any:
    """What `make` answers, as JSON gives it back; from the file where it was kept before, whole or not at all."""
    if not path.exists():
        made = make()
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = path.with_suffix(f".{os.getpid()}")
        beside.write_text(json.dumps(made), encoding="utf-8")
        beside.replace(path)
    return json.loads(path.read_text(encoding="utf-8"))


def lines_from(rows: Sequence[Sequence[Sequence[float]]]) -> tuple[tuple[Row, ...], ...]:
    """Lines of rows as JSON gives them back."""
    return tuple(tuple((at, length, int(pitch), int(v)) for at, length, pitch, v in line) for line in rows)


def cut(lines: Sequence[Sequence[Row]], *, start: float, stop: float) -> list[list[Row]]:
    """The notes that begin between two beats, moved to begin at 0 and cut at the end; lines left empty fall out."""
    inside = [[row for row in rows if start <= row[0] < stop] for rows in lines]
    moved = [[(at - start, min(length, stop - at), pitch, v) for at, length, pitch, v in rows] for rows in inside]
    return [rows for rows in moved if len(rows) > 2]


def arranged(score: Score, rng: Rng) -> Sketch:
    """An excerpt of a score for other players: transposed, re-scored, doubled, with textures added under it."""
    lines, metre = score.lines, score.metre
    bar = metre[0] * 4.0 / metre[1]
    end = max(row[0] + row[1] for rows in lines for row in rows)
    n_bars = min(int(rng.integers(12, 29)), int(np.ceil(end / bar)))
    last = max(int(end / bar) - n_bars, 0)
    start = bar * (last if rng.random() < 0.25 else int(rng.integers(0, last + 1)))
    excerpt = cut(lines, start=start, stop=start + n_bars * bar)
    shift = int(rng.integers(-5, 6))
    scored = []
    for rows in excerpt:
        moved = [(at, length, pitch + shift, v) for at, length, pitch, v in rows]
        change = rng.random()
        if change < 0.08:
            moved = subdivided(moved, float(rng.choice([0.5, 1.0])))
        elif change < 0.13:
            moved = subdivided(moved, 0.125)
        player = _player_for(moved, rng)
        scored.append(Line(player.name, player.program, tuple(in_register(moved, player))))
        if rng.random() < 0.15:
            double = PLAYERS[int(rng.integers(len(PLAYERS)))]
            scored.append(Line(double.name, double.program, tuple(in_register(moved, double))))
    if rng.random() < 0.25 and len(scored) > 2:  # the lower lines as one part with chords
        rows = sorted(row for line in scored[1:] for row in line.rows)
        scored = [scored[0], Line("String Ensemble", 48, tuple(rows))]
    if rng.random() < 0.3:
        h = harmony(rng, n_bars=n_bars, bar=bar)
        player = PLAYERS[int(rng.integers(len(PLAYERS)))]
        texture = held if rng.random() < 0.5 else chords
        scored.append(Line(player.name, player.program, tuple(texture(rng, h, player, 0, n_bars))))
    usual = float(rng.uniform(60, 140))
    tempo = usual * (0.55 if rng.random() < 0.3 else 1.0)
    return Sketch(tuple(scored), tempo_course(rng, n_bars=n_bars, bar=bar, usual=tempo), metre)


def subdivided(rows: Sequence[Row], step: float) -> list[Row]:
    """Each note struck again every `step` beats: repeats, or a tremolo where the step is small."""
    return [
        (at + k * step, min(step, length - k * step), pitch, v)
        for at, length, pitch, v in rows
        for k in range(max(int(np.ceil(length / step - 1e-6)), 1))
    ]


def in_register(rows: Sequence[Row], player: Player) -> list[Row]:
    """The line moved by octaves to where its middle suits the player, single notes folded in where they stick out."""
    middle = float(np.median([row[2] for row in rows]))
    octaves = 12 * round(((player.low + player.high) / 2 - middle) / 12)
    folded = []
    for at, length, pitch, v in rows:
        p = pitch + octaves
        p += 12 * ((player.low - p + 11) // 12) if p < player.low else 0
        p -= 12 * ((p - player.high + 11) // 12) if p > player.high else 0
        folded.append((at, length, int(np.clip(p, 0, 127)), v))
    return sorted(set(folded))


def _player_for(rows: Sequence[Row], rng: Rng) -> Player:
    """Someone whose register the line lies in, now and then anyone."""
    middle = np.median([row[2] for row in rows])
    near = [player for player in PLAYERS if player.low + 4 <= middle <= player.high - 4]
    pool = near if near and rng.random() < 0.8 else PLAYERS
    return pool[int(rng.integers(len(pool)))]


def performed(sketch: Sketch, rng: Rng) -> Sketch:
    """Times, lengths and velocities as sequencers deliver them.

    Legato, overlapping, score export or separate; flat, metrical, shaped, or played in loosely or sloppily; now and
    then a line pulled ahead as a whole, against an instrument's delay.
    """
    lines = []
    bar = sketch.metre[0] * 4.0 / sketch.metre[1]
    beat_s = 60.0 / sketch.tempi[0][1]
    loud = int(rng.integers(55, 96))
    manner = rng.choice(["flat", "metrical", "shaped", "loose", "sloppy"], p=[0.22, 0.22, 0.22, 0.22, 0.12])
    unsteady_s = {"loose": 0.006, "sloppy": 0.02}.get(str(manner), 0.0)
    for line in sketch.lines:
        touch = rng.choice(["full", "overlap", "export", "separate"], p=[0.35, 0.25, 0.3, 0.1])
        early_s = rng.normal(0, 0.008) if rng.random() < 0.3 else 0.0
        if rng.random() < 0.06:
            early_s = -rng.uniform(0.03, 0.16)
        overlap_s = float(rng.uniform(0.02, 0.12))
        rows: list[Row] = []
        swell = np.cumsum(rng.normal(0, 2.5, len(line.rows)))
        swell = swell - np.linspace(0, swell[-1] if len(swell) else 0.0, len(swell))
        for i, (at, length, pitch, _) in enumerate(line.rows):
            if touch == "overlap":
                length += min(overlap_s / beat_s, 0.25 * length)
            elif touch == "export":
                length *= 0.97
            elif touch == "separate":
                length *= 0.75
            velocity = float(loud)
            if manner != "flat":
                velocity += 8.0 * (at % bar < 1e-3) + rng.normal(0, 3)
            if manner == "shaped":
                velocity += swell[i]
            if manner != "flat" and rng.random() < 0.03:
                velocity += 28.0
            shift = (early_s + rng.normal(0, unsteady_s)) / beat_s if unsteady_s else early_s / beat_s
            if manner == "sloppy":
                length *= float(rng.uniform(0.85, 1.06))
            rows.append((max(at + shift, 0.0), length, pitch, int(np.clip(velocity, 20, 127))))
        words = line.words
        if line.program in BOWED and rng.random() < 0.12:
            end = rows[-1][0]
            words = ((float(rng.uniform(0, 0.6)) * end, str(rng.choice(["spicc.", "pizz."]))), (0.8 * end, "arco"))
        lines.append(replace(line, rows=tuple(sorted(rows)), words=words))
    return replace(sketch, lines=tuple(lines))


def midi_bytes(sketch: Sketch) -> bytes:
    """The sketch as a Standard MIDI File of type 1: a track of tempo, metre and marks, then a track a line."""
    numerator, denominator = sketch.metre
    first = [(0, 0, bytes([0xFF, 0x58, 4, numerator, denominator.bit_length() - 1, 24, 8]))]
    for beat, bpm in sketch.tempi:
        first.append((_tick(beat), 0, b"\xff\x51\x03" + round(60e6 / bpm).to_bytes(3, "big")))
    for beat, text in sketch.marks:
        first.append((_tick(beat), 0, b"\xff\x06" + _variable(len(text.encode())) + text.encode()))
    tracks = [_chunk(first)]
    for i, line in enumerate(sketch.lines):
        channel = [c for c in range(16) if c != 9][i % 15]
        name = line.name.encode()
        events = [(0, 0, b"\xff\x03" + _variable(len(name)) + name), (0, 1, bytes([0xC0 | channel, line.program]))]
        for beat, word in line.words:
            events.append((_tick(beat), 1, b"\xff\x01" + _variable(len(word.encode())) + word.encode()))
        for at, length, pitch, velocity in line.rows:
            on, off = _tick(at), max(_tick(at + length), _tick(at) + 1)
            events += [(on, 3, bytes([0x90 | channel, pitch, velocity])), (off, 2, bytes([0x80 | channel, pitch, 64]))]
        tracks.append(_chunk(events))
    header = b"MThd" + b"".join(n.to_bytes(size, "big") for n, size in ((6, 4), (1, 2), (len(tracks), 2), (480, 2)))
    return header + b"".join(tracks)


def cue_of(sketch: Sketch) -> Cue:
    """The sketch written out and read back as a user's file would be."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sketch.mid"
        path.write_bytes(midi_bytes(sketch))
        return read_cue(path)


def training_sketch(seed: int, *, scores: Sequence[Score], real_share: float = 0.6) -> Sketch:
    """The sketch of one seed: arranged from one of the scores, or invented, now and then for a full orchestra.

    Half of the arranged are from quartets.
    """
    rng = np.random.default_rng(seed)
    if rng.random() < FULL_SHARE:
        return performed(full_score(rng), rng)
    if scores and rng.random() < real_share:
        quartets = [score for score in scores if score.name in _QUARTETS]
        pool = quartets if quartets and rng.random() < 0.5 else scores
        sketch = arranged(pool[int(rng.integers(len(pool)))], rng)
    else:
        sketch = invented(rng)
    return performed(sketch if sketch.lines else invented(rng), rng)


def _tick(beat: float) -> int:
    return round(beat * TICKS_PER_BEAT)


def _variable(value: int) -> bytes:
    """A variable-length quantity of the Standard MIDI File."""
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(value & 0x7F | 0x80)
    return bytes(reversed(out))


def _chunk(events: list[tuple[int, int, bytes]]) -> bytes:
    """A track chunk from (tick, order at one tick, message)."""
    body, last = b"", 0
    for tick, _, message in sorted(events):
        body += _variable(tick - last) + message
        last = tick
    body += _variable(0) + b"\xff\x2f\x00"
    return b"MTrk" + len(body).to_bytes(4, "big") + body
