"""Boundaries and phrases against published material.

- Local boundary strength: the implementation in the package `amads` (`melody.boundary`), after Cambouropoulos 2001. It
  sets the first gap to 0, lets a missing neighbour count as no change, and writes to copies of the notes.
- Phrases: the Essen folk song collection (Schaffrath 1995) in music21's corpus, where each line of the ABC text is a
  phrase, scored by pooled F1 over note gaps. These songs test only: nothing is fitted to them.
- Phrases in several parts: Bach's chorales in the same corpus, where a fermata ends a phrase; those that the model
  did not learn from.

`python -m phrasewright.training.boundary_evaluation` prints the whole table; here is a sample.
"""

from __future__ import annotations

from pathlib import Path

import mir_eval
import numpy as np
import pytest
from amads.core.basics import Note, Part, Score
from amads.melody.boundary import boundary
from numpy.typing import NDArray

from phrasewright.model.boundaries import local_boundary_strength
from phrasewright.model.boundary_model import load_boundary_model
from phrasewright.training.boundary_corpus import Song, chorales, essen
from phrasewright.training.boundary_evaluation import chorale_scores, counts_of, f1_of, song_scores, table
from phrasewright.training.boundary_fitting import held_out
from phrasewright.training.score_reading import corpus_root


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


@pytest.fixture(scope="module")
def songs() -> list[Song]:
    """Every thirtieth song of each file of the collection."""
    return list(essen(every=30))


def test_phrases_of_folk_songs_are_found_better_than_by_any_simple_or_published_rule(songs: list[Song]) -> None:
    assert len(songs) > 200
    scores = song_scores(songs, model=load_boundary_model())
    print(table(f"{len(songs)} songs", scores))
    ours = {name: s.f1 for name, s in scores.items() if name.startswith("ours")}
    rest = {name: s.f1 for name, s in scores.items() if not name.startswith("ours")}
    assert ours["ours, with metre"] > max(rest.values()) + 0.03
    assert ours["ours, with metre"] >= 0.70
    assert ours["ours, without metre"] >= 0.63
    assert ours["ours, without metre"] > max(f1 for name, f1 in rest.items() if "bars" not in name) + 0.05


def test_phrases_of_chorales_not_learned_from_end_at_fermatas(tmp_path: Path) -> None:
    (tmp_path / "bach").mkdir()
    kept = [song.name for song in chorales_by_name()]
    for name in kept:
        (tmp_path / "bach" / f"{name}.mxl").symlink_to(corpus_root() / "bach" / f"{name}.mxl")
    scores = chorale_scores(chorales(tmp_path), model=load_boundary_model())
    print(table(f"{len(kept)} chorales", scores))
    assert scores["soprano, with metre"].f1 >= 0.75
    assert scores["inner, with metre"].f1 >= 0.65
    assert scores["bass, with metre"].f1 >= 0.65


def chorales_by_name() -> list[Song]:
    """The chorales that were held out, grouped among all chorales as they were for learning; every third."""
    return [song for song in chorales() if held_out(song)][::3]


def test_f1_is_the_one_of_mir_eval() -> None:
    rng = np.random.default_rng(0)
    guess, truth = rng.random(200) < 0.2, rng.random(200) < 0.2
    hits, found, true = counts_of(guess, truth)
    assert f1_of(counts_of(guess, truth)) == pytest.approx(mir_eval.util.f_measure(hits / found, hits / true))
