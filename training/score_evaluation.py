"""What scores know for certain, beside what is heard: `python -m phrasewright.training.score_evaluation [--songs]`.

Voices within one track: Bach's chorales with their four voices merged into one. A note is right where its layer is the
number of its voice from the top; a unison of two voices is one note and right as either. Beside the tool stands the
nearest-pitch baseline: from the top, each note of a chord goes to the voice whose last pitch is nearest, of those that
do not sound.

`--songs` adds roles where the music says who sings: in a chorale the soprano, in a song or solo with accompaniment the
voice. Every part becomes a part of one MIDI file, all in one velocity, so that neither loudness nor names help (all are
strings to the tool). Printed for each score: the share of the singer's notes heard as melody (recall), the share of
notes heard as melody that are the singer's, both while it sings (precision), and F1 with an interval by score; beside
it the line that is highest in mean pitch taken for the melody. Where the piano alone has the tune between verses the
score says nothing, and nothing is counted. The weights of prominence have seen these songs and some of the chorales;
what they say of songs left out, `role_fitting.py` prints.

Scores are read from the installed music21; nothing of them is copied. Intervals are 95 %, from resampling scores.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.notes import Notes
from phrasewright.model.hearing import ROLES, CueHearing
from phrasewright.model.intervals import interval_of, resamples
from phrasewright.model.layers import split_layers
from phrasewright.model.listening import hear
from phrasewright.training.boundary_corpus import BEAT_S, Song, chorales
from phrasewright.training.corpus import cue_of
from phrasewright.training.score_reading import corpus_root
from phrasewright.training.textures import Line, Row, Sketch

N_VOICES = 4
_TICKS = 480
SONGS = (
    "schubert/Lindenbaum.xml",
    "schumann_robert/dichterliebe_no2.xml",
    "beach/prayer_of_a_tired_child.musicxml",
    "liliuokalani/aloha_oe.mxl",
    "verdi/laDonnaEMobile.mxl",
    "weber/concertino_clarinet.mxl",
)
"""The singer's is the first part (a clarinet in the last), the others accompany."""
EVERY_NTH = 6
"""Chorales that are judged beside the songs."""
_MELODY = ROLES.index("melody")
_PROGRAM, _VELOCITY, _BPM = 48, 72, 80.0


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


@dataclass(frozen=True)
class Sung:
    """Counts of one score: notes of the singer, of those heard as melody, notes of others heard as melody meanwhile."""

    name: str
    sung: int
    found: int
    others: int

    @property
    def f1(self) -> float:
        """F1 of the notes heard as melody."""
        return 2.0 * self.found / max(self.sung + self.found + self.others, 1)


def sketch_of(lines: Iterable[Iterable[Row]]) -> Sketch:
    """Lines as parts of one cue, the first counted as the singer's."""
    named = tuple(Line(f"Strings {k}", _PROGRAM, tuple(rows)) for k, rows in enumerate(lines, start=1))
    return Sketch(named, ((0.0, _BPM),))


def chorale_lines(song: Song) -> list[list[Row]]:
    """The four voices of a chorale as rows."""
    return [
        [
            (float(at), float((end - on) / BEAT_S), int(pitch), _VELOCITY)
            for at, on, end, pitch in zip(line.onset_beat, line.onset_s, line.release_s, line.pitch, strict=True)
        ]
        for line in song.lines
    ]


def song_lines(name: str) -> list[list[Row]]:
    """The parts of a score, with all their notes."""
    from music21 import converter, stream

    lines = []
    for part in converter.parse(corpus_root() / name, forceSource=True).getElementsByClass(stream.Part):
        rows = {
            (float(event.offset), float(event.duration.quarterLength), int(pitch.midi), _VELOCITY)
            for event in part.stripTies().flatten().notes
            if event.duration.quarterLength > 0
            for pitch in event.pitches
        }
        if rows:
            lines.append(sorted(rows))
    return lines


def judged(name: str, lines: list[list[Row]]) -> tuple[Sung, Sung]:
    """A score as heard, and with its highest part taken for the melody."""
    hearing = hear(cue_of(sketch_of(lines)))
    heard = [part.note_role == _MELODY for part in hearing.parts]
    mean = [float(part.part.notes.pitch.mean()) for part in hearing.parts]
    top = int(np.argmax(mean))
    highest = [np.full(part.part.notes.n_notes, k == top) for k, part in enumerate(hearing.parts)]
    return sung_of(name, hearing, heard), sung_of(name, hearing, highest)


def sung_of(name: str, hearing: CueHearing, melody: list[NDArray[np.bool_]]) -> Sung:
    """Counts of a score whose first part sings; `melody` says of the notes of each part whether they are melody."""
    singer = hearing.parts[0].part.notes
    found, others = int(melody[0].sum()), 0
    for part, chosen in zip(hearing.parts[1:], melody[1:], strict=True):
        notes = part.part.notes
        k = np.searchsorted(singer.onset_s, notes.onset_s + 1e-6, side="right") - 1
        at = np.maximum(k, 0)
        meanwhile = (k >= 0) & (singer.offset_s[at] > notes.onset_s + 1e-6)
        meanwhile &= (notes.pitch - singer.pitch[at]) % 12 != 0  # what doubles the singer sings too
        others += int(np.sum(chosen & meanwhile))
    return Sung(name, singer.n_notes, found, others)


def chorale_rows(*, every_nth: int = EVERY_NTH) -> list[tuple[Sung, Sung]]:
    """Every n-th chorale."""
    return [judged(song.name, chorale_lines(song)) for song in chorales()[::every_nth]]


def song_rows() -> list[tuple[Sung, Sung]]:
    """The songs that the installed corpus holds."""
    return [judged(name, song_lines(name)) for name in SONGS if (corpus_root() / name).exists()]


def pooled(rows: list[Sung], *, seed: int = 0) -> tuple[float, float, float, tuple[float, float]]:
    """Recall, precision and F1 over all notes, and the interval of F1, 95 %, by score."""
    counts = np.array([(row.sung, row.found, row.others) for row in rows], dtype=np.float64)

    def f1(total: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(2.0 * total[..., 1] / np.maximum(total[..., 0] + total[..., 1] + total[..., 2], 1.0))

    sung, found, others = counts.sum(axis=0)
    interval = interval_of(f1(counts[resamples(len(rows), seed=seed)].sum(axis=1)))
    return found / sung, found / max(found + others, 1.0), float(f1(counts.sum(axis=0))), interval


def _print_song_roles() -> None:
    songs = song_rows()
    print("\nmelody in scores that say who sings (read from music21)")
    print(f"  {'':<44} {'notes':>6} {'recall':>7} {'precis.':>7} {'F1':>6}   95 %, by score   highest part: F1")
    for heard, highest in songs:
        recall, precision, value, _ = pooled([heard])
        figures = f"{heard.sung:6d} {recall:7.3f} {precision:7.3f} {value:6.3f}"
        print(f"  {heard.name:<44} {figures}   {'':<14} {highest.f1:10.3f}")
    for title, rows in (("songs, all", songs), (f"chorales, every {EVERY_NTH}th, soprano", chorale_rows())):
        recall, precision, value, (low, high) = pooled([heard for heard, _ in rows])
        _, _, top, (top_low, top_high) = pooled([highest for _, highest in rows])
        total = sum(heard.sung for heard, _ in rows)
        print(
            f"  {title:<44} {total:6d} {recall:7.3f} {precision:7.3f} {value:6.3f}   [{low:.3f}, {high:.3f}]"
            f" {top:8.3f} [{top_low:.3f}, {top_high:.3f}]"
        )


def _print_voices(songs: Sequence[Song]) -> None:
    table = counts(songs)
    sums = table[resamples(len(songs))].sum(axis=1)
    print(f"share of notes in the right voice: {len(songs)} chorales in one track, {table[:, 0].sum()} notes")
    for title, column in (("the tool's layers", 1), ("nearest pitch", 2)):
        low, high = interval_of(sums[:, column] / sums[:, 0])
        print(f"  {title:<20} {table[:, column].sum() / table[:, 0].sum():.3f}   [{low:.3f}, {high:.3f}]")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--every", type=int, default=1, help="every n-th chorale only, of the voices")
    parser.add_argument("--songs", action="store_true", help="roles in chorales and songs too")
    chosen = parser.parse_args(arguments)
    _print_voices(chorales()[:: chosen.every])
    if chosen.songs:
        _print_song_roles()


if __name__ == "__main__":
    main()
