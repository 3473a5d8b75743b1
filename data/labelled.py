"""Short passages on which hearing is measured, and what two labelling passes said of their notes.

The passages stand in `situations/*.txt`, several to a file, each behind a line

    passage NAME easy|hard [played]

and written in the notation of `score_text.py`, a whole cue each: it ends where the passage ends. Two additions: parts
of one name are the desks of one part (divisi) and become one track; `played` moves attacks and ends by up to 24 ticks,
40 ms at 75 quarter notes a minute, as hands do. Names are numbers without meaning, so that a labeller learns nothing
from them; the title says what a passage was written to show. `situations/definitions.md` says what the labels mean.

Labels stand in `situations/labels_a.txt` and `labels_b.txt`, by two passes (language-model sessions) that saw
the notes and the definitions only.
A line is one part of one passage:

    NAME | PART | roles: 0-7 melody, 8-11 counter | figures: 2-4 repeated | events: 11 accent

Parts count from 1, notes from 0 in onset order, highest first within a chord. Every note has a role; a note without
figure or event has none.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

from phrasewright.data.errors import InputError
from phrasewright.data.score_text import TICKS_PER_BEAT, Score, ScoreNote, ScorePart, parse_score
from phrasewright.data.tempo import TempoMap, tempo_map

LABEL_WORDS = {
    "roles": ("melody", "counter", "chords", "bass", "pedal"),
    "figures": ("none", "repeated", "held", "run", "detached", "trill", "tremolo"),
    "events": ("none", "accent", "sforzando", "closing-rise", "closing-fall"),
}
"""The words of each axis; "none" is never written."""

_PLAYED_TICK = 24
_LIKE_VELOCITY = 13
"""Strokes listed on one line lie this near to each other: beats and off beats differ by up to 12, accents by more."""
_PITCHES = ("c", "c#", "d", "eb", "e", "f", "f#", "g", "ab", "a", "bb", "b")


@dataclass(frozen=True)
class LabelledPassage:
    """One passage. `file` is its file's name, `text` its source, `score` the same read, divisi joined."""

    name: str
    hard: bool
    played: bool
    file: str
    text: str
    score: Score

    def midi_bytes(self) -> bytes:
        """A type 1 file of it: tempo track, then a track a part."""
        return _midi_bytes(self.score)


@dataclass(frozen=True)
class NoteLabels:
    """Labels of the notes of one part, in onset order, highest first within a chord."""

    roles: tuple[str, ...]
    figures: tuple[str, ...]
    events: tuple[str, ...]


def kept_back(name: str) -> bool:
    """Whether a passage belongs to the third that is used for testing alone."""
    return zlib.crc32(name.encode()) % 3 == 0


@cache
def read_passages() -> tuple[LabelledPassage, ...]:
    """All passages, by file and in the file's order.

    Raises
    ------
    InputError
        As `parse_score`; a heading that is not understood; a name given twice; a part whose notes collide.
    """
    found: list[LabelledPassage] = []
    for entry in sorted(_folder().iterdir(), key=lambda e: e.name):
        if entry.name.endswith(".txt") and not entry.name.startswith("labels_"):
            found += passages_of(entry.read_text(encoding="utf-8"), file=entry.name)
    names = [passage.name for passage in found]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"passage {name} is written {names.count(name)} times; give each its own name")
    return tuple(found)


def passages_of(text: str, *, file: str) -> list[LabelledPassage]:
    """The passages of one file's text. Raises InputError for a line that is none of a passage, with its place."""
    blocks: list[tuple[str, list[str]]] = []
    for line in text.splitlines():
        if line.startswith("passage "):
            blocks.append((line, []))
        elif blocks:
            blocks[-1][1].append(line)
        elif line.strip() and not line.startswith("#"):
            raise InputError(f"{file}: {line[:40]!r} stands before the first passage; begin with `passage NAME easy`")
    found = []
    for heading, lines in blocks:
        _, name, *words = heading.split()
        if not words or words[0] not in ("easy", "hard") or words[1:] not in ([], ["played"]):
            raise InputError(
                f"{file}: {heading!r}: write `passage NAME easy`, or `hard`, and `played` where it applies"
            )
        body = "\n".join(lines).strip() + "\n"
        score = _joined(parse_score(body, name=f"{file}: {name}"))
        score = _as_played(score) if words[1:] else score
        _check_collisions(score, where=f"{file}: {name}")
        found.append(LabelledPassage(name, words[0] == "hard", bool(words[1:]), file, body, score))
    return found


def read_labels(which: str) -> dict[tuple[str, int], NoteLabels]:
    """Labels of all parts by (passage, part), parts counted from 1.

    Parameters
    ----------
    which : str
        "a" or "b": whose.

    Raises
    ------
    InputError
        A file that is not there; a line, word or number that is not understood; a note without a role or with two; a
        part that is missing or named twice.
    """
    entry = _folder().joinpath(f"labels_{which}.txt")
    if not entry.is_file():
        raise InputError(f"situations/labels_{which}.txt is not there")
    return labels_of(entry.read_text(encoding="utf-8"), file=entry.name, passages=read_passages())


def labels_of(text: str, *, file: str, passages: tuple[LabelledPassage, ...]) -> dict[tuple[str, int], NoteLabels]:
    """Labels of one file's text, checked against the passages; see `read_labels`. Raises InputError as that does."""
    n_notes = {(p.name, i): len(part.notes) for p in passages for i, part in enumerate(p.score.parts, start=1)}
    found: dict[tuple[str, int], NoteLabels] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or line.startswith("#"):
            continue
        where = f"{file}: line {number}"
        name, part, *axes = (piece.strip() for piece in line.split("|"))
        key = (name, int(part) if part.isdigit() else 0)
        if key not in n_notes:
            raise InputError(f"{where}: there is no part {part} of a passage {name!r}")
        if key in found:
            raise InputError(f"{where}: part {part} of {name} has a line above; keep one")
        found[key] = _note_labels(axes, n_notes[key], where=f"{where}: {name}, part {part}")
    missing = [f"{name}, part {part}" for name, part in n_notes if (name, part) not in found]
    if missing:
        raise InputError(f"{file}: {len(missing)} parts have no line, the first {missing[0]}")
    return found


def _note_labels(axes: list[str], n_notes: int, *, where: str) -> NoteLabels:
    labels = {axis: [""] * n_notes for axis in LABEL_WORDS}
    for written in axes:
        axis, _, entries = written.partition(":")
        if axis not in LABEL_WORDS:
            raise InputError(f"{where}: no such axis as {axis!r}; use {', '.join(LABEL_WORDS)}")
        for entry in filter(None, (e.strip() for e in entries.split(","))):
            span, _, word = entry.partition(" ")
            first, _, last = span.partition("-")
            if word not in LABEL_WORDS[axis] or not first.isdigit() or not (last or first).isdigit():
                raise InputError(
                    f"{where}: {entry!r} is no label of {axis}; write for instance `0-7 {LABEL_WORDS[axis][1]}`"
                )
            low, high = int(first), int(last or first)
            if not low <= high < n_notes:
                raise InputError(f"{where}: {entry!r}: its notes are 0 to {n_notes - 1}")
            for i in range(low, high + 1):
                if labels[axis][i]:
                    raise InputError(f"{where}: note {i} has two labels in {axis}")
                labels[axis][i] = word
    if "" in labels["roles"]:
        raise InputError(f"{where}: note {labels['roles'].index('')} has no role")
    return NoteLabels(*(tuple(label or "none" for label in labels[axis]) for axis in LABEL_WORDS))


def listing(passage: LabelledPassage) -> str:
    """A passage as a table for someone who labels it: every note of every part with its times and its texts.

    Notes of a chord that end together, and fast repetitions of one to four notes (strokes, trills, rolls), stand on one
    line with the range of their velocities.
    What the passage was written to show (its title, file, and whether it is hard) is left out.
    """
    score, tempo = passage.score, _tempo_of(passage.score)
    tempi = ", ".join(f"{bpm:g}" for _, bpm in score.tempi[:6]) or "120"
    lines = [
        f"passage {passage.name}   tempo {tempi}{' ...' if len(score.tempi) > 6 else ''}   "
        f"metre {', '.join(f'{n}/{d}' for _, n, d in score.metres)}   "
        f"ends at {float(tempo.tick_to_s(score.end_tick)):.2f} s"
    ]
    for i, part in enumerate(score.parts, start=1):
        lines += [f"  part {i}  {part.name}  (program {part.program}, {len(part.notes)} notes)"]
        lines += ["    note      bar.beat  pitch            beats  seconds  velocity  gap_s  text"]
        k = 0
        while k < len(part.notes):
            period, n_notes = _repetition(part, k, tempo)
            lines.append("    " + _row(score, part, k, period=period, n_notes=n_notes, tempo=tempo))
            k += n_notes
    return "\n".join(lines) + "\n"


def listings() -> str:
    """All passages as `listing`, by name, so that neighbours have nothing in common."""
    return "\n".join(listing(passage) for passage in sorted(read_passages(), key=lambda p: p.name))


def _repetition(part: ScorePart, k: int, tempo: TempoMap) -> tuple[int, int]:
    """How many notes come back from note k on, and how many notes that fills; else the chord at note k, once."""
    notes, worded = part.notes, {tick for tick, _ in part.words}
    for period in (1, 2, 3, 4):
        j = k + period
        step = notes[j].onset_tick - notes[k].onset_tick if j < len(notes) else 0
        seconds = float(tempo.tick_to_s(notes[k].onset_tick + step)) - float(tempo.tick_to_s(notes[k].onset_tick))
        if not 0 < seconds <= 0.4:
            continue
        while (
            j < len(notes)
            and notes[j].pitch == notes[j - period].pitch
            and notes[j].onset_tick - notes[j - period].onset_tick == step
            and notes[j].end_tick - notes[j].onset_tick == notes[j - period].end_tick - notes[j - period].onset_tick
            and max(abs(notes[j].velocity - n.velocity) for n in notes[k:j]) <= _LIKE_VELOCITY
            and not any(notes[j - 1].onset_tick < tick <= notes[j].onset_tick for tick in worded)
        ):
            j += 1
        n_notes = (j - k) // period * period
        if n_notes >= max(6, 3 * period):
            return period, n_notes
    chord = notes[k : k + 1]
    for note in notes[k + 1 :]:
        if (note.onset_tick, note.end_tick) != (chord[0].onset_tick, chord[0].end_tick):
            break
        chord = (*chord, note)
    return len(chord), len(chord)


def _row(score: Score, part: ScorePart, k: int, *, period: int, n_notes: int, tempo: TempoMap) -> str:
    notes = part.notes[k : k + n_notes]
    first, last = notes[0], notes[-1]
    on_s, end_s = float(tempo.tick_to_s(first.onset_tick)), float(tempo.tick_to_s(first.end_tick))
    later = next((n.onset_tick for n in part.notes[k:] if n.onset_tick > last.onset_tick), None)
    gap = "end" if later is None else f"{float(tempo.tick_to_s(later)) - float(tempo.tick_to_s(last.end_tick)):.2f}"
    before = part.notes[k - 1].onset_tick if k else -1
    said = [text for tick, text in part.words if before < tick <= first.onset_tick]
    if k + n_notes == len(part.notes):
        said += [f"{text} (at {_bar_beat(score, tick)})" for tick, text in part.words if tick > last.onset_tick]
    pitches = " ".join(f"{_PITCHES[n.pitch % 12]}{n.pitch // 12 - 1}" for n in notes[:period])
    velocities = [n.velocity for n in notes]
    if n_notes == 1:
        number, velocity = str(k), str(first.velocity)
    else:
        number, velocity = f"{k}-{k + n_notes - 1}", f"{min(velocities)}-{max(velocities)}"
    if n_notes > period:
        span_s = float(tempo.tick_to_s(notes[period].onset_tick)) - on_s
        pitches += f" x{n_notes // period}"
        said.insert(0, f"each time after {span_s:.3f} s, the last at {_bar_beat(score, last.onset_tick)}")
    return (
        f"{number:>8}  {_bar_beat(score, first.onset_tick):>8}  {pitches:<15}  "
        f"{(first.end_tick - first.onset_tick) / TICKS_PER_BEAT:5.2f}  {end_s - on_s:7.2f}  "
        f"{velocity:>8}  {gap:>5}  {'; '.join(said)}"
    ).rstrip()


def _bar_beat(score: Score, tick: int) -> str:
    """Bar and quarter note within it, both from 1: 3.2.50 is half a quarter after the second of bar 3."""
    bar, begin = 1, 0
    while True:
        n, d = next((n, d) for first, n, d in reversed(score.metres) if first <= begin)
        length = TICKS_PER_BEAT * 4 * n // d
        if tick < begin + length:
            return f"{bar}.{1 + (tick - begin) / TICKS_PER_BEAT:.2f}"
        bar, begin = bar + 1, begin + length


def _folder() -> Traversable:
    return files("phrasewright.data") / "situations"


def _tempo_of(score: Score) -> TempoMap:
    tempi = [(tick, round(60_000_000 / bpm)) for tick, bpm in score.tempi]
    return tempo_map(tempi, list(score.metres), ticks_per_beat=TICKS_PER_BEAT)


def _joined(score: Score) -> Score:
    """Parts of one name as one part."""
    parts: dict[str, ScorePart] = {}
    for part in score.parts:
        if part.name in parts:
            first = parts[part.name]
            notes = sorted(first.notes + part.notes, key=lambda n: (n.onset_tick, -n.pitch))
            words = sorted(first.words + part.words, key=lambda w: w[0])
            part = replace(first, notes=tuple(notes), words=tuple(words))
        parts[part.name] = part
    return replace(score, parts=tuple(parts.values()))


def _as_played(score: Score) -> Score:
    """Attacks and ends moved a little; notes of a chord move together, and a pitch ends before it is struck anew."""
    parts = []
    for part in score.parts:
        moved = [
            replace(
                note,
                onset_tick=max(note.onset_tick + _shift(f"{part.name} {note.onset_tick} on"), 0),
                end_tick=note.end_tick + _shift(f"{part.name} {note.end_tick} off"),
            )
            for note in part.notes
        ]
        notes: list[ScoreNote] = []
        for k, note in enumerate(moved):
            again = min((n.onset_tick for n in moved[k + 1 :] if n.pitch == note.pitch), default=note.end_tick)
            notes.append(replace(note, end_tick=max(min(note.end_tick, again), note.onset_tick + 30)))
        parts.append(replace(part, notes=tuple(sorted(notes, key=lambda n: (n.onset_tick, -n.pitch)))))
    return replace(score, parts=tuple(parts), end_tick=max(n.end_tick for part in parts for n in part.notes))


def _shift(key: str) -> int:
    return zlib.crc32(key.encode()) % (2 * _PLAYED_TICK + 1) - _PLAYED_TICK


def _check_collisions(score: Score, *, where: str) -> None:
    for part in score.parts:
        until: dict[int, int] = {}
        for note in part.notes:
            if note.onset_tick < until.get(note.pitch, 0):
                raise InputError(
                    f"{where}: {part.name}: {_bar_beat(score, note.onset_tick)}: a pitch is struck while it sounds"
                )
            until[note.pitch] = note.end_tick


def _midi_bytes(score: Score) -> bytes:
    """Standard MIDI File 1.0, type 1. At one tick ends come before texts, and those before attacks."""
    setup = [(tick, 0, b"\xff\x51\x03" + round(60_000_000 / bpm).to_bytes(3, "big")) for tick, bpm in score.tempi]
    setup += [(tick, 0, bytes([0xFF, 0x58, 4, n, d.bit_length() - 1, 24, 8])) for tick, n, d in score.metres]
    tracks = [setup]
    for part in score.parts:
        channel = part.channel - 1
        events = [(0, 0, _text(0x03, part.name)), (0, 1, bytes([0xC0 | channel, part.program]))]
        events += [(tick, 2, _text(0x01, text)) for tick, text in part.words]
        events += [(n.onset_tick, 3, bytes([0x90 | channel, n.pitch, n.velocity])) for n in part.notes]
        events += [(n.end_tick, 0, bytes([0x80 | channel, n.pitch, 64])) for n in part.notes]
        events += [(tick, 2, bytes([0xB0 | channel, 64, value])) for tick, value in part.pedal]
        tracks.append(events)
    chunks = [_track(sorted(events, key=lambda e: (e[0], e[1])), score.end_tick) for events in tracks]
    return b"MThd" + struct.pack(">LHHH", 6, 1, len(chunks), TICKS_PER_BEAT) + b"".join(chunks)


def _text(kind: int, text: str) -> bytes:
    content = text.encode()
    return bytes([0xFF, kind]) + _variable_length(len(content)) + content


def _track(events: list[tuple[int, int, bytes]], end_tick: int) -> bytes:
    out, now = bytearray(), 0
    for tick, _, message in [*events, (max([end_tick, *(e[0] for e in events)]), 9, b"\xff\x2f\x00")]:
        out += _variable_length(tick - now) + message
        now = tick
    return b"MTrk" + struct.pack(">L", len(out)) + bytes(out)


def _variable_length(value: int) -> bytes:
    out = [value & 0x7F]
    while value := value >> 7:
        out.insert(0, value & 0x7F | 0x80)
    return bytes(out)
