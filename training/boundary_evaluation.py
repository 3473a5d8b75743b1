"""How well phrases are found, in one table: `python -m phrasewright.training.boundary_evaluation`.

Pooled F1 over phrase beginnings, the first note of a song not counted; a hit is the exact note. Intervals: bootstrap
by song (duplicates and chorales on one tune together), 90 %. Songs of the Essen collection are read from the
installed music21, and nothing is trained on them. Strengths that need a threshold (Cambouropoulos 2001) get it
from the other half of the songs, which favours them; the rest have none to choose. `ours` is what the tool does:
lines that sound together are heard together, then divided into phrases of plausible length at 120 quarter notes a
minute.

By Tenney and Polansky 1980 ("Temporal gestalt perception in music", Journal of Music Theory 24:205), from memory, the
distance between neighbouring elements is city-block, a semitone of pitch weighing as much as a tenth of a second
between onsets; a new group begins where the distance is greater than the ones before and after. The same holds one
level up for the groups: the distance between two groups adds the difference of their mean pitches, the time from
start to start, and half the distance across their border. Loudness is left out, since the songs have none.

Published figures, from memory, none of them checked here, and how their counting differs:

- Cambouropoulos 2001 in the comparison of Thom, Spevak and Hoethker 2002 (ICMC), on Essen songs: F1 about .5 to .6,
  with thresholds chosen on the songs, averaged over songs instead of pooled.
- Temperley 2001 ("The cognition of basic musical structures"): about .66 precision and recall on 65 Essen songs,
  metre given, preferred phrase length set for the collection.
- Bod 2002 ("Memory-based models of melodic analysis"), trained on Essen: F1 about .81 on a held-out part; whole
  phrases counted.
- Pearce, Muellensiefen and Wiggins 2010 ("Melodic grouping in music information retrieval"), on 1,705 Essen songs:
  grouping rules about .66, boundary strength about .63, information content .58; averaged over songs, first note not
  counted.

Nothing is trained on the Essen songs here; boosting that is reached .83 with metre on the other half of the songs.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.boundaries import local_boundary_strength
from phrasewright.model.boundary_features import Floats, Melody
from phrasewright.model.boundary_model import BoundaryModel, begins_of_songs, load_boundary_model
from phrasewright.model.intervals import interval_of, resamples
from phrasewright.model.phrases import phrase_begins
from phrasewright.training.boundary_corpus import Song, chorales, essen
from phrasewright.training.boundary_fitting import held_out, unmetred

TIME_WEIGHT_PER_S = 10.0
"""A tenth of a second weighs as much as a semitone (Tenney and Polansky 1980, from memory)."""
BORDER_WEIGHT = 0.5


def always(melody: Melody) -> NDArray[np.bool_]:
    """A phrase at every note; shape (n_notes,), like all baselines here."""
    return np.ones(melody.n_notes, dtype=bool)


def every_rest(melody: Melody) -> NDArray[np.bool_]:
    """A phrase after every silence."""
    return np.asarray(np.r_[True, melody.onset_s[1:] - melody.release_s[:-1] > 1e-3])


def every_two_bars(melody: Melody) -> NDArray[np.bool_]:
    """A phrase two bars after the first note, and so on, upbeats included."""
    pair = np.floor((melody.bar - melody.bar[0]) / 2 + 1e-6)
    return np.asarray(np.r_[True, np.diff(pair) > 0])


def boundary_strength(melody: Melody) -> Floats:
    """Cambouropoulos 2001 over the whole song, scaled to its maximum; 0 where a neighbour is stronger."""
    strength = local_boundary_strength(
        np.abs(np.diff(melody.pitch)),
        inter_onset=np.diff(melody.onset_s),
        rest=np.maximum(melody.onset_s[1:] - melody.release_s[:-1], 0.0),
    )
    beside = np.maximum(np.r_[0.0, strength[:-1]], np.r_[strength[1:], 0.0])
    strength = np.where(strength >= beside, strength, 0.0)
    return np.asarray(np.r_[1.0, strength / max(float(strength.max(initial=0.0)), 1e-9)])


def first_level(melody: Melody) -> NDArray[np.bool_]:
    """Groups of notes by Tenney and Polansky."""
    distance = TIME_WEIGHT_PER_S * np.diff(melody.onset_s) + np.abs(np.diff(melody.pitch))
    return np.asarray(np.r_[True, _peaks(distance)])


def second_level(melody: Melody) -> NDArray[np.bool_]:
    """Groups of groups by Tenney and Polansky."""
    starts = np.flatnonzero(first_level(melody))
    length = np.r_[np.diff(melody.onset_s), 1e-3]
    weighted = np.add.reduceat(melody.pitch * length, starts) / np.add.reduceat(length, starts)
    border = TIME_WEIGHT_PER_S * np.diff(melody.onset_s) + np.abs(np.diff(melody.pitch))
    distance = np.abs(np.diff(weighted)) + TIME_WEIGHT_PER_S * np.diff(melody.onset_s[starts])
    distance += BORDER_WEIGHT * border[starts[1:] - 1]
    begins = np.zeros(melody.n_notes, dtype=bool)
    begins[starts[np.r_[True, _peaks(distance)]]] = True
    return begins


def _peaks(distance: Floats) -> NDArray[np.bool_]:
    """Where a distance is greater than both neighbours; at the ends one neighbour is missing, and nothing begins."""
    peak = np.zeros(len(distance), dtype=bool)
    if len(distance) > 2:
        peak[1:-1] = (distance[1:-1] > distance[:-2]) & (distance[1:-1] > distance[2:])
    return peak


N_RESAMPLED = 500
BATCH = 200
"""Songs heard at once, for speed only."""
Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Score:
    """Pooled F1 with its interval, and what it is made of."""

    f1: float
    low: float
    high: float
    precision: float
    recall: float
    runtime_s: float


def counts_of(guess: NDArray[np.bool_], truth: NDArray[np.bool_]) -> Counts:
    """Hits, guesses and truths, the first note left out; shape (3,)."""
    return np.array([np.sum(guess[1:] & truth[1:]), np.sum(guess[1:]), np.sum(truth[1:])], dtype=np.int64)


def f1_of(counts: Counts) -> float:
    """F1 of hits, guesses and truths."""
    return float(2 * counts[0] / max(counts[1] + counts[2], 1))


def scored(counts: Counts, groups: Sequence[str], *, runtime_s: float = 0.0, seed: int = 0) -> Score:
    """Pooled F1 of rows of counts, (n_songs, 3), with a bootstrap interval over groups of songs."""
    names, index = np.unique(np.array(groups), return_inverse=True)
    by_group = np.zeros((len(names), 3), dtype=np.int64)
    np.add.at(by_group, index, counts)
    drawn = [f1_of(by_group[some].sum(axis=0)) for some in resamples(len(names), n_draws=N_RESAMPLED, seed=seed)]
    total = counts.sum(axis=0)
    return Score(
        f1_of(total),
        *interval_of(drawn, tail=0.05),
        float(total[0] / max(total[1], 1)),
        float(total[0] / max(total[2], 1)),
        runtime_s,
    )


def by_strength(songs: Sequence[Song], strength: Callable[[Melody], Floats]) -> Counts:
    """Counts of a strength cut at the threshold that is best on the other half of the songs; shape (n_songs, 3)."""
    levels = np.linspace(0.05, 0.95, 19)
    strengths = [strength(song.lines[0]) for song in songs]
    table = np.array(
        [[counts_of(s >= level, song.begins[0]) for level in levels] for s, song in zip(strengths, songs, strict=True)]
    )
    odd = np.arange(len(songs)) % 2 == 1
    out = np.zeros((len(songs), 3), dtype=np.int64)
    for half in (odd, ~odd):
        best = int(np.argmax([f1_of(table[~half, k].sum(axis=0)) for k in range(len(levels))]))
        out[half] = table[half, best]
    return out


def ours(songs: Sequence[Song], *, model: BoundaryModel) -> list[list[NDArray[np.bool_]]]:
    """Where the tool begins phrases in the lines of each song; arrays of shape (n_notes,)."""
    answer = []
    for start in range(0, len(songs), BATCH):
        some = songs[start : start + BATCH]
        for song, chances in zip(some, begins_of_songs([song.lines for song in some], model=model), strict=True):
            guesses = [np.zeros(line.n_notes, dtype=bool) for line in song.lines]
            for guess, line, p in zip(guesses, song.lines, chances, strict=True):
                guess[phrase_begins(line, p)] = True
            answer.append(guesses)
    return answer


def song_scores(songs: Sequence[Song], *, model: BoundaryModel) -> dict[str, Score]:
    """Every method on songs of one line."""
    groups = [song.group for song in songs]
    out: dict[str, Score] = {}
    simple: dict[str, Callable[[Melody], NDArray[np.bool_]]] = {
        "always": always,
        "every rest": every_rest,
        "every two bars": every_two_bars,
        "Tenney and Polansky 1980, first level": first_level,
        "Tenney and Polansky 1980, second level": second_level,
    }
    for name, method in simple.items():
        begin = time.perf_counter()
        counts = np.array([counts_of(method(song.lines[0]), song.begins[0]) for song in songs])
        out[name] = scored(counts, groups, runtime_s=time.perf_counter() - begin)
    begin = time.perf_counter()
    counts = by_strength(songs, boundary_strength)
    out["boundary strength (Cambouropoulos 2001)"] = scored(counts, groups, runtime_s=time.perf_counter() - begin)
    for name, version in (("ours, with metre", _as_is), ("ours, without metre", unmetred)):
        begin = time.perf_counter()
        guesses = ours([version(song) for song in songs], model=model)
        counts = np.array([counts_of(g[0], song.begins[0]) for g, song in zip(guesses, songs, strict=True)])
        out[name] = scored(counts, groups, runtime_s=time.perf_counter() - begin)
    return out


def chorale_scores(songs: Sequence[Song], *, model: BoundaryModel) -> dict[str, Score]:
    """Chorales by voice, the four heard together."""
    out = {}
    for version, how in ((_as_is, "with metre"), (unmetred, "without metre")):
        begin = time.perf_counter()
        guesses = ours([version(song) for song in songs], model=model)
        took_s = time.perf_counter() - begin
        for voice, lines in (("soprano", (0,)), ("inner", (1, 2)), ("bass", (3,))):
            counts = np.array(
                [
                    sum(counts_of(guess[i], song.begins[i]) for i in lines)
                    for guess, song in zip(guesses, songs, strict=True)
                ]
            )
            out[f"{voice}, {how}"] = scored(counts, [song.group for song in songs], runtime_s=took_s)
    return out


def _as_is(song: Song) -> Song:
    return song


def table(title: str, scores: dict[str, Score]) -> str:
    """Lines of text, one a method."""
    rows = [f"{title:<44} {'F1':>5} {'90 % interval':>14} {'prec.':>6} {'recall':>6} {'s':>7}"]
    for name, s in scores.items():
        interval = f"{s.low:.3f}..{s.high:.3f}"
        rows.append(f"{name:<44} {s.f1:>5.3f} {interval:>14} {s.precision:>6.3f} {s.recall:>6.3f} {s.runtime_s:>7.1f}")
    return "\n".join(rows)


def every(songs: Iterable[Song], n: int) -> list[Song]:
    """Every n-th song."""
    return [song for i, song in enumerate(songs) if i % n == 0]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--every", type=int, default=1, help="take every n-th song, for a quick look")
    parser.add_argument("--weights", type=Path, help="other weights than the shipped ones")
    parser.add_argument("--chorales-only", action="store_true", help="leave the Essen songs alone")
    chosen = parser.parse_args(arguments)
    model = load_boundary_model(chosen.weights) if chosen.weights else load_boundary_model()
    kept = every([song for song in chorales() if held_out(song)], chosen.every)
    print(table(f"{len(kept)} held-out chorales, four voices together", chorale_scores(kept, model=model)))
    if not chosen.chorales_only:
        songs = every(essen(), chosen.every)
        n_true = sum(int(song.begins[0][1:].sum()) for song in songs)
        print("\n" + table(f"{len(songs)} Essen songs, {n_true} boundaries", song_scores(songs, model=model)))


if __name__ == "__main__":
    main()
