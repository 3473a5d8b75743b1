"""Melodies whose phrase ends are known: chorales with fermatas, sung and played scores with breaths, songs in ABC text.

- Bach's chorales (music21's corpus, read from the installed package): a fermata ends a phrase in each voice. Chorales
  with the same soprano stand on one side of any split.
- Madrigals by Monteverdi: sung lines, where a rest ends a phrase. Learned from with the rests taken out: the
  note before is held on or the rest is skipped, so that the ends must be heard from the notes.
- The Essen songs (ABC text, each line end is a phrase end): for the final test only. They are not for commercial use;
  nothing is trained or tuned on them, and nothing of them is kept.

Never read here: the quartets of Beethoven and Schumann.

Units: quarter notes; seconds at the tempo given (120 quarter notes a minute unless said otherwise).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.boundary_features import Melody
from phrasewright.training.score_reading import Row, abc_rows, corpus_root, read_musicxml

BEAT_S = 0.5


@dataclass(frozen=True)
class Song:
    """Lines that sound together, with their phrases.

    Parameters
    ----------
    name
        Where it comes from.
    group
        Songs of one group stand on one side of a split.
    lines
        From the top.
    begins
        For each line whether a phrase begins at each note; the first note always does. Arrays of shape (n_notes,).
    """

    name: str
    group: str
    lines: tuple[Melody, ...]
    begins: tuple[NDArray[np.bool_], ...]


def song_of(name: str, parts: list[list[Row]], *, group: str = "", beat_s: float = BEAT_S) -> Song:
    """A song from rows; `ends_phrase` marks the last note of each phrase."""
    lines, begins = [], []
    for rows in parts:
        beat = np.array([row.beat for row in rows])
        length = np.array([row.length for row in rows])
        ends = np.array([row.ends_phrase for row in rows])
        lines.append(
            Melody(
                onset_s=beat * beat_s,
                release_s=(beat + length) * beat_s,
                pitch=np.array([row.pitch for row in rows], dtype=np.float64),
                onset_beat=beat,
                bar=np.array([row.bar for row in rows]),
                bar_beats=np.array([row.bar_beats for row in rows]),
            )
        )
        begins.append(np.r_[True, ends[:-1]])
    return Song(name, group or name, tuple(lines), tuple(begins))


def chorales(root: Path | None = None) -> list[Song]:
    """Bach's chorales in four voices with fermatas in every voice; those with one tune share a group."""
    songs = []
    for path in sorted(((root or corpus_root()) / "bach").glob("bwv*.mxl")):
        parts = read_musicxml(path)
        if len(parts) != 4 or min(len(p) for p in parts) < 16:
            continue
        if min(sum(row.ends_phrase for row in part) for part in parts) < 3:
            continue
        songs.append(song_of(path.stem, parts))
    return grouped_by_tune(songs)


def grouped_by_tune(songs: list[Song]) -> list[Song]:
    """Songs whose top lines open alike share a group: of ten steps from quarter to quarter at most two differ."""
    openings = []
    for song in songs:
        top = song.lines[0]
        beats = top.onset_beat[0] + np.arange(11)
        at = np.searchsorted(top.onset_beat, beats + 1e-6, side="right") - 1
        openings.append(np.diff(top.pitch[at]))
    table = np.array(openings)  # (n_songs, 10)
    near = (table[:, None] != table).sum(axis=2) <= 2
    group = np.arange(len(songs))
    for i in range(len(songs)):
        joined = np.unique(group[near[i]])
        group[np.isin(group, joined)] = joined[0]
    return [replace(song, group=f"tune {k}") for song, k in zip(songs, group.tolist(), strict=True)]


def breaths(root: Path | None = None) -> list[Song]:
    """Madrigals: phrases end at rests; each line a song of its own, cut where it is silent for more than three bars."""
    songs = []
    for path in sorted(((root or corpus_root()) / "monteverdi").glob("madrigal.*.mxl")):
        for number, rows in enumerate(read_musicxml(path)):
            marked = [
                replace(row, ends_phrase=after.beat - row.beat - row.length > 0.2) for row, after in pairwise(rows)
            ] + rows[-1:]
            if len(marked) > 30 and sum(row.ends_phrase for row in marked) >= 3:
                songs.append(song_of(f"{path.stem} line {number + 1}", [marked], group=path.stem))
    return songs


# ---- songs in ABC text (for tests only) ----

def essen(root: Path | None = None, *, beat_s: float = BEAT_S, every: int = 1) -> Iterator[Song]:
    """The Essen songs. For tests only: they are not for commercial use, and nothing may be learned from them.

    Each line of text is a phrase. Exact duplicates (same intervals and lengths) share a group. `every` takes every so
    manieth text of each file.
    """
    for path in sorted(((root or corpus_root()) / "essenFolksong").glob("*.abc")):
        if path.stem.startswith("test"):
            continue
        texts = re.split(r"(?m)^(?=X:)", path.read_text(encoding="utf-8", errors="replace"))
        for number, text in list(enumerate(texts))[::every]:
            rows = abc_rows(text)
            if len(rows) >= 4 and any(row.ends_phrase for row in rows[:-1]):
                shape = tuple((b.pitch - a.pitch, round(a.length, 4)) for a, b in pairwise(rows))
                yield song_of(f"{path.stem} {number}", [rows], group=repr(shape), beat_s=beat_s)


