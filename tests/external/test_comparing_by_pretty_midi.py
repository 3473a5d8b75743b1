"""A whole comparison against the same figures worked out from files as another library reads them.

Source: pretty_midi reads notes and control changes; NumPy, SciPy and scikit-learn as in `test_published_metrics.py`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pretty_midi
import pytest
from scipy import stats
from sklearn import metrics

sys.path.insert(0, str(Path(__file__).parent.parent))
from drawn_cues import Line, write_cue

from phrasewright.data.reading import read_cue
from phrasewright.inference.comparing import compare_files
from phrasewright.model.listening import hear

NOTES = [(62 + (5 * i) % 9, 1.5 * i, 1.0 if i % 3 else 1.5, 70) for i in range(20)]
GRID_S = 0.01


def lane(seed: int) -> list[tuple[float, int]]:
    rng = np.random.default_rng(seed)
    beats = np.r_[0.0, np.cumsum(rng.uniform(0.05, 0.2, 200))]
    values = np.clip(60 + np.cumsum(rng.integers(-4, 5, 201)), 10, 120)
    return [(float(b), int(v)) for b, v in zip(beats, values, strict=True)]


def sampled(path: Path, cc: int, n: int) -> np.ndarray:
    """The lane on the grid, 50 frames more at either end: the first value before, the last after."""
    changes = [c for c in pretty_midi.PrettyMIDI(str(path)).instruments[0].control_changes if c.number == cc]
    time_s = np.array([c.time for c in changes])
    at = np.searchsorted(time_s, np.arange(-60, n + 60) * GRID_S + 1e-7, side="right") - 1
    return np.array([changes[max(i, 0)].value for i in at], dtype=float)


@pytest.mark.parametrize("seed", range(3))
def test_every_figure(tmp_path: Path, seed: int) -> None:
    left = write_cue(tmp_path / "a.mid", Line("Oboe", 68, NOTES, {1: lane(seed)}))
    right = write_cue(tmp_path / "b.mid", Line("Oboe", 68, NOTES, {1: lane(seed + 10)}))
    answer = compare_files(left, [right])["overall"]["dynamics"]

    notes = pretty_midi.PrettyMIDI(str(left)).instruments[0].notes
    n = round(max(note.end for note in notes) / GRID_S) + 1
    grid_s = np.arange(n) * GRID_S + 1e-7
    sounding = np.array([any(note.start - 0.05 <= t < note.end for note in notes) for t in grid_s])
    at = np.flatnonzero(sounding)
    a, b = sampled(left, 1, n), sampled(right, 1, n)
    left_cc, right_cc = a[at + 60], b[at + 60]
    assert answer["n_frames"] == len(at)
    assert answer["mae"] == pytest.approx(metrics.mean_absolute_error(left_cc, right_cc), abs=1e-5)
    assert answer["rmse"] == pytest.approx(metrics.root_mean_squared_error(left_cc, right_cc), abs=1e-5)
    assert answer["bias"] == pytest.approx(np.mean(right_cc - left_cc), abs=1e-5)
    assert answer["r"] == pytest.approx(stats.pearsonr(left_cc, right_cc).statistic, abs=1e-5)

    def slope(x: np.ndarray, frame: np.ndarray) -> np.ndarray:
        return (x[frame + 65] - x[frame + 55]) / 0.1

    moving = (np.abs(slope(a, at)) > 5) | (np.abs(slope(b, at)) > 5)
    agree = np.sign(slope(a, at)) == np.sign(slope(b, at))
    assert answer["slope_agreement"] == pytest.approx(agree[moving].mean(), abs=1e-5)
    r = [stats.pearsonr(slope(a, at), slope(b, at + k)).statistic for k in range(-50, 51)]
    assert answer["lag_ms"] == pytest.approx(10 * (int(np.argmax(r)) - 50))

    depths = []
    for x in (left_cc, right_cc):
        spans = [(p.start_s, p.end_s) for p in hear(read_cue(left)).parts[0].phrases]
        inside = [(grid_s[at] >= start) & (grid_s[at] < end) for start, end in spans]
        depths.append(np.median([stats.iqr(x[mask]) for mask in inside if mask.any()]))
    assert answer["depth_ratio"] == pytest.approx(depths[1] / depths[0], abs=1e-5)
