"""How well voices are told apart within one track: `python -m phrasewright.training.layer_evaluation`.

Bach's chorales (read from the installed music21) with their four voices merged into one track. A note is right where
its layer is the number of its voice from the top; a unison of two voices is one note and right as either. Beside the
tool stands the nearest-pitch baseline: from the top, each note of a chord goes to the voice whose last pitch is
nearest, of those that do not sound. Intervals are 95 %, from resampling chorales.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.notes import Notes
from phrasewright.model.intervals import interval_of, resamples
from phrasewright.model.layers import split_layers
from phrasewright.training.boundary_corpus import Song, chorales

N_VOICES = 4
_TICKS = 480


def merged(song: Song) -> tuple[Notes, list[set[int]]]:
    """All voices of a song as one track, and the voices each note belongs to (two in a unison), 0 the highest."""
    rows: dict[tuple[float, int], tuple[float, float, float, set[int]]] = {}
    for voice, line in enumerate(song.lines):
        for beat, on_s, off_s, pitch in zip(line.onset_beat, line.onset_s, line.release_s, line.pitch, strict=True):
            key = (round(float(beat) * _TICKS), int(pitch))
            known = rows.get(key)
            if known is None or known[1] < off_s:
                rows[key] = (float(on_s), float(off_s), float(beat), {voice} | (known[3] if known else set()))
            else:
                known[3].add(voice)
    keys = sorted(rows, key=lambda key: (key[0], -key[1]))
    on_s = np.array([rows[key][0] for key in keys])
    off_s = np.array([rows[key][1] for key in keys])
    pitch = np.array([key[1] for key in keys], dtype=np.int64)
    for k in range(len(keys)):  # a pitch ends where it is struck again
        again = np.flatnonzero((pitch == pitch[k]) & (on_s > on_s[k] + 1e-6) & (on_s < off_s[k]))
        off_s[k] = on_s[again[0]] if len(again) else off_s[k]
    on_tick, off_tick = (np.rint(values * 2 * _TICKS).astype(np.int64) for values in (on_s, off_s))
    notes = Notes(on_s, off_s, on_s * 2, off_s * 2, on_tick, off_tick, pitch, np.full(len(keys), 70))
    return notes, [rows[key][3] for key in keys]


def by_nearest_pitch(notes: Notes) -> NDArray[np.int64]:
    """The baseline: a voice for each note, 0 the highest."""
    last, until_s = [72.0, 65.0, 58.0, 50.0], [0.0] * N_VOICES
    found = np.zeros(notes.n_notes, dtype=np.int64)
    first = True
    for i in range(notes.n_notes):
        free = [v for v in range(N_VOICES) if until_s[v] <= notes.onset_s[i] + 1e-6] or list(range(N_VOICES))
        first &= bool(notes.onset_tick[i] == notes.onset_tick[0])
        voice = free[0] if first else min(free, key=lambda v: abs(last[v] - notes.pitch[i]))
        found[i], last[voice], until_s[voice] = voice, float(notes.pitch[i]), float(notes.offset_s[i])
    return found


def counts(songs: Sequence[Song]) -> NDArray[np.int64]:
    """For each song the notes, those the tool has right, and those the baseline has; shape (n_songs, 3)."""
    table = []
    for song in songs:
        notes, voices = merged(song)
        tool, nearest = split_layers(notes).layer, by_nearest_pitch(notes)
        right = [[int(k) in voice for k, voice in zip(found, voices, strict=True)] for found in (tool, nearest)]
        table.append([notes.n_notes, sum(right[0]), sum(right[1])])
    return np.array(table)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--every", type=int, default=1, help="every n-th chorale only")
    songs = chorales()[:: parser.parse_args(arguments).every]
    table = counts(songs)
    sums = table[resamples(len(songs))].sum(axis=1)
    print(f"share of notes in the right voice: {len(songs)} chorales in one track, {table[:, 0].sum()} notes")
    for title, column in (("the tool's layers", 1), ("nearest pitch", 2)):
        low, high = interval_of(sums[:, column] / sums[:, 0])
        print(f"  {title:<20} {table[:, column].sum() / table[:, 0].sum():.3f}   [{low:.3f}, {high:.3f}]")


if __name__ == "__main__":
    main()
