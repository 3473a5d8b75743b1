"""In chorales the soprano sings; voices merged into one track are told apart.

Scores: Bach's chorales in music21's corpus.
"""

from __future__ import annotations

import numpy as np
import pytest

from phrasewright.training.boundary_corpus import Song, chorales
from phrasewright.training.score_evaluation import chorale_lines, counts, judged, pooled

pytest.importorskip("music21")


@pytest.fixture(scope="module")
def songs() -> list[Song]:
    return chorales()[::25]


def test_the_soprano_of_a_chorale_is_the_melody(songs: list[Song]) -> None:
    recall, precision, _, _ = pooled([judged(song.name, chorale_lines(song))[0] for song in songs])
    assert recall >= 0.95
    assert precision >= 0.95


def test_four_voices_in_one_track_are_told_apart(songs: list[Song]) -> None:
    n_notes, tool, nearest = np.sum(counts(songs), axis=0).tolist()
    assert tool / n_notes >= 0.93
    assert tool > nearest
