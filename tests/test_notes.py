"""Notes refuse what is no music and know when they sound."""

from __future__ import annotations

import numpy as np
import pytest

from phrasewright.data.notes import Notes, sounding_spans


def notes(rows: list[tuple[int, int, int]]) -> Notes:
    """From (onset, offset, pitch), a tick being a hundredth of a second."""
    onset, offset, pitch = np.array(rows, dtype=np.int64).reshape(-1, 3).T.copy()
    s = (onset / 100, offset / 100)
    return Notes(*s, s[0] * 2, s[1] * 2, onset, offset, pitch, np.full(len(pitch), 80))


def test_sounding_spans_merge_what_overlaps_or_touches() -> None:
    held = notes([(0, 500, 48), (100, 200, 60), (500, 600, 50), (700, 800, 52)])
    np.testing.assert_allclose(sounding_spans(held), [[0, 6], [7, 8]])
    assert sounding_spans(notes([])).shape == (0, 2)


def test_the_highest_of_a_chord_stands_first() -> None:
    assert notes([(0, 10, 67), (0, 10, 60)]).pitch.tolist() == [67, 60]
    with pytest.raises(ValueError, match="highest first"):
        notes([(0, 10, 60), (0, 10, 67)])


def test_notes_are_checked_when_built() -> None:
    with pytest.raises(ValueError, match="sorted by onset"):
        notes([(50, 60, 60), (0, 10, 60)])
    with pytest.raises(ValueError, match="at least one tick"):
        notes([(0, 0, 60)])
    with pytest.raises(ValueError, match=r"0\.\.127"):
        notes([(0, 10, 128)])
    with pytest.raises(ValueError, match="one length"):
        Notes(np.zeros(2), *(np.zeros(1) for _ in range(7)))


def test_notes_cannot_be_changed_in_place() -> None:
    with pytest.raises(ValueError, match="read-only"):
        notes([(0, 10, 60)]).pitch[0] = 61


def test_taking_keeps_rows_together() -> None:
    some = notes([(0, 10, 60), (20, 30, 62), (40, 50, 64)]).take(np.array([True, False, True]))
    assert (some.pitch.tolist(), some.onset_s.tolist(), some.offset_tick.tolist()) == ([60, 64], [0.0, 0.4], [10, 50])
