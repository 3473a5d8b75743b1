"""Boundaries and phrases against published material.

- Local boundary strength: the implementation in the package `amads` (`melody.boundary`), after Cambouropoulos 2001. It
  sets the first gap to 0, lets a missing neighbour count as no change, and writes to copies of the notes.
- Phrases: the Essen folk song collection (Schaffrath 1995) in music21's corpus, where each line of the ABC text is a
  phrase, scored by pooled F1 over note gaps. These songs test only: nothing is fitted to them.
- Phrases in several parts: Bach's chorales in the same corpus, where a fermata ends a phrase.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import mir_eval
import music21
import numpy as np
import pytest
from amads.core.basics import Note, Part, Score
from amads.melody.boundary import boundary
from numpy.typing import NDArray

from phrasewright.data.tempo import TempoMap, tempo_map
from phrasewright.model.boundaries import local_boundary_strength
from phrasewright.model.phrases import Line, boundary_scores, find_cuts, shared_scores

BEAT_S = 0.55
SONGS = Path(music21.__file__).parent / "corpus" / "essenFolksong"


def published_strength(rows: NDArray[np.float64], monkeypatch: pytest.MonkeyPatch) -> NDArray[np.float64]:
    """Strength of each gap by amads; rows of onset, length, pitch."""
    score = Score(Part())
    part = next(iter(score.content))
    for onset, length, pitch in rows:
        Note(parent=part, onset=float(onset), duration=float(length), pitch=int(pitch))
    notes = score.get_sorted_notes()
    monkeypatch.setattr(Score, "get_sorted_notes", lambda self: notes)
    boundary(score)
    return np.array([note.get("boundary_strength") for note in notes[1:]])


@pytest.mark.parametrize("seed", range(5))
def test_boundary_strength_is_the_published_one(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(seed)
    between = rng.choice([0.5, 1.0, 1.0, 2.0], 24)
    length = between * rng.choice([1.0, 0.5], 24, p=[0.8, 0.2])
    onset = np.r_[0.0, np.cumsum(between)[:-1]]
    pitch = 60 + np.cumsum(rng.integers(-4, 5, 24))
    pitch[1], between[0], length[0], length[1] = pitch[0], 0.5, 0.5, between[1]  # its zeroed first gap holds no maximum
    onset = np.r_[0.0, np.cumsum(between)[:-1]]
    theirs = published_strength(np.stack([onset, length, pitch], axis=1), monkeypatch)
    ours = local_boundary_strength(
        np.abs(np.diff(pitch)).astype(float),
        inter_onset=np.diff(onset),
        rest=np.maximum(onset[1:] - onset[:-1] - length[:-1], 0.0),
    )
    assert ours[1:] == pytest.approx(theirs[1:], abs=1e-4)


@dataclass(frozen=True)
class Song:
    """Onset, end and pitch of each note in quarter notes, its tempo map, and the notes that begin a phrase."""

    rows: NDArray[np.float64]
    tempo: TempoMap
    begins: frozenset[int]

    def line(self) -> Line:
        return Line(self.rows[:, 0] * BEAT_S, self.rows[:, 0], self.rows[:, 1] * BEAT_S, self.rows[:, 2])


_TOKEN = re.compile(r"(\^\^|\^|__|_|=)?([A-Ga-gzx])([,']*)(\d*)(/*)(\d*)|(\|)|\((\d)|(-)")
_STEPS = dict(zip("CDEFGAB", (0, 2, 4, 5, 7, 9, 11), strict=True))
_ALTER = {"^": 1, "^^": 2, "_": -1, "__": -2, "=": 0}
_MODES = {"": 0, "m": 3, "min": 3, "Dor": 2, "Mix": 1, "Phr": 4, "Lyd": -1, "Loc": 5}


def key_signature(text: str) -> dict[str, int]:
    """Alteration of each letter under an ABC key such as `Bb`, `F#m`, `DMix`."""
    found = re.match(r"([A-G])([#b]?)(Dor|Mix|Phr|Lyd|Loc|min|m)?", text.strip())
    if not found:
        return {}
    sharps = {"C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5, "F": -1}[found[1]]
    sharps += 7 * ((found[2] == "#") - (found[2] == "b")) - _MODES[found[3] or ""]
    letters = "FCGDAEB"[:sharps] if sharps > 0 else "BEADGCF"[:-sharps]
    return dict.fromkeys(letters, 1 if sharps > 0 else -1)


def read_song(text: str) -> Song | None:
    """One tune of ABC text, None where it is too short or has no unit of length."""
    head = {line[0]: line[2:].strip() for line in reversed(text.splitlines()) if re.match(r"[A-Z]:", line)}
    unit = re.fullmatch(r"(\d+)/(\d+)", head.get("L", ""))
    if "K" not in head or not unit:
        return None
    beats, key = 4.0 * int(unit[1]) / int(unit[2]), key_signature(head["K"])
    rows: list[list[float]] = []
    begins: set[int] = set()
    first_bar, now, triplet, tied, bar = 0.0, 0.0, 0, False, {}
    body = [
        line for line in text.split("K:", 1)[1].splitlines()[1:] if line.strip() and not re.match(r"[A-Za-z]:", line)
    ]
    for line in body:
        begins.add(len(rows))
        for token in _TOKEN.finditer(line):
            if token[7]:
                first_bar, bar = first_bar or now, {}
            elif token[8]:
                triplet = int(token[8])
            elif token[9]:
                tied = True
            else:
                length = beats * int(token[4] or 1)
                if token[5]:
                    length /= int(token[6] or 2 ** len(token[5]))
                if triplet:
                    length, triplet = length * 2 / 3, triplet - 1
                letter = token[2].upper()
                if letter in _STEPS:
                    if token[1]:
                        bar[letter] = _ALTER[token[1]]
                    octave = token[2].islower() + token[3].count("'") - token[3].count(",")
                    pitch = 60 + _STEPS[letter] + bar.get(letter, key.get(letter, 0)) + 12 * octave
                    if tied and rows and rows[-1][2] == pitch:
                        rows[-1][1] = now + length
                    else:
                        rows.append([now, now + length, pitch])
                    tied = False
                now += length
    if len(rows) < 6:
        return None
    metre = re.match(r"(\d+)/(\d+)", head.get("M", ""))
    return Song(np.array(rows), _metre(metre, first_bar), frozenset(k for k in begins if 0 < k < len(rows)))


def _metre(metre: re.Match[str] | None, first_bar: float) -> TempoMap:
    numerator, denominator = (int(metre[1]), int(metre[2])) if metre else (4, 4)
    upbeat = round(first_bar * 480)
    bars = [(0, numerator, denominator)] + ([(upbeat, numerator, denominator)] if upbeat else [])
    return tempo_map([(0, round(BEAT_S * 1e6))], bars, ticks_per_beat=480)


def f_measure(tunes: list[tuple[set[int], frozenset[int]]]) -> float:
    """Pooled over the gaps of all tunes, the first note not counted."""
    hits, found, true = (sum(len(x) for x in column) for column in zip(*((p & t, p, t) for p, t in tunes), strict=True))
    return float(mir_eval.util.f_measure(hits / max(found, 1), hits / max(true, 1)))


def beginnings(line: Line, cuts_s: list[float]) -> set[int]:
    return set(np.searchsorted(line.onset_s, cuts_s).tolist()) - {0}


@pytest.fixture(scope="module")
def songs() -> list[Song]:
    texts = [t for path in sorted(SONGS.glob("*.abc")) for t in re.split(r"\n(?=X:)", path.read_text(errors="replace"))]
    return [song for song in map(read_song, texts[::20]) if song]


def test_phrases_of_folk_songs_are_found_better_than_by_boundary_strength_alone(songs: list[Song]) -> None:
    assert len(songs) > 350
    ours, theirs = [], []
    for song in songs:
        line = song.line()
        ours.append((beginnings(line, [cut.time_s for cut in find_cuts(line, song.tempo)]), song.begins))
        strength = local_boundary_strength(
            np.abs(np.diff(line.pitch)),
            inter_onset=np.diff(line.onset_s),
            rest=np.maximum(line.onset_s[1:] - line.release_s[:-1], 0.0),
        )
        theirs.append(strength)
    alone = max(
        f_measure(
            [(set((np.flatnonzero(s > t) + 1).tolist()), song.begins) for s, song in zip(theirs, songs, strict=True)]
        )
        for t in (0.25, 0.3, 0.35, 0.4, 0.45, 0.5)
    )
    found = f_measure(ours)
    print(f"F1 of phrases {found:.3f}, of boundary strength at its best threshold {alone:.3f}, {len(songs)} songs")
    assert found > alone + 0.02


def test_phrases_of_chorales_end_at_fermatas() -> None:
    tunes: list[tuple[set[int], frozenset[int]]] = []
    for name in ("bach/bwv66.6", "bach/bwv269", "bach/bwv253", "bach/bwv277", "bach/bwv281", "bach/bwv347"):
        lines, begins, tempo = [], [], None
        score = music21.corpus.parse(name)
        for part in score.parts:
            first = part.getElementsByClass("Measure")[0]
            rows = part.flatten().stripTies().notes
            ends = [any(isinstance(e, music21.expressions.Fermata) for e in note.expressions) for note in rows]
            at = np.array([[float(n.offset), float(n.offset + n.quarterLength), n.pitch.midi] for n in rows])
            lines.append(Line(at[:, 0] * BEAT_S, at[:, 0], at[:, 1] * BEAT_S, at[:, 2]))
            begins.append(frozenset((np.flatnonzero(ends[:-1]) + 1).tolist()))
            tempo = tempo or _metre(
                re.match(r"(\d+)/(\d+)", part.recurse().getElementsByClass("TimeSignature")[0].ratioString),
                float(first.duration.quarterLength) % 4,
            )
        assert tempo is not None
        scores = [boundary_scores(line, tempo) for line in lines]
        for line, score_, shared, true in zip(lines, scores, shared_scores(lines, scores), begins, strict=True):
            cuts = find_cuts(line, tempo, scores=score_, shared=shared)
            if true:
                tunes.append((beginnings(line, [cut.time_s for cut in cuts]), true))
    found = f_measure(tunes)
    print(f"F1 of phrases at fermatas {found:.3f}, {len(tunes)} lines")
    assert found > 0.5
