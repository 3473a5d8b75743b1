"""Cues of a violin and a cello, and a hand that draws over them, for tests of learning."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from heard_cues import Voice, line, write_voices
from numpy.typing import NDArray

from phrasewright.data.midi import LaneEvents, weave
from phrasewright.data.reading import read_cue
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import frame_times_s, n_frames_for
from phrasewright.model.listening import hear
from phrasewright.training import personal_fitting
from phrasewright.training.boosting import Boosting

Array = NDArray[np.float64]
Hand = Callable[[CueHearing, int], Array]


@pytest.fixture(autouse=True, scope="module")
def few_trees() -> Iterator[None]:
    """A tenth of the trees, for every test of a module that imports this: they tell as much in a tenth of the time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(personal_fitting, "Boosting", partial(Boosting, n_trees=10, rate=0.3))
        yield


def mirrored_cc(hearing: CueHearing, index: int) -> Array:
    """The opposite of `hand_cc`: soft where it is loud, shallow dips upside down."""
    value = hand_cc(hearing, index)
    return np.asarray(np.clip(2.0 * value.mean(axis=0) - value, 0.0, 127.0))


def write_cue(path: Path, *, seed: int, n_phrases: int = 6, name: str = "Violin", low: str = "Cello") -> Path:
    """Phrases of six notes and a rest, two voices."""
    voices = []
    for voice, centre in ((name, 72), (low, 48)):
        random = np.random.default_rng((seed, centre))
        steps: list[tuple[int | None, float]] = []
        for _ in range(n_phrases):
            pitch = centre + int(random.integers(-4, 5))
            for beats in random.permutation([1.0, 1.0, 1.0, 2.0, 1.0, 1.0]).tolist():
                pitch = int(np.clip(pitch + random.integers(-3, 4), centre - 9, centre + 9))
                steps.append((pitch, beats))
            steps.append((None, 1.0))
        voices.append(Voice(voice, line(*steps)))
    return write_voices(path, *voices, bpm=100.0)


def hand_cc(hearing: CueHearing, index: int) -> Array:
    """A hand far from the default: loud, falling through phrases, deep at every note, vibrato late; (n_frames, 3)."""
    part = hearing.parts[index]
    time_s = frame_times_s(n_frames_for(float(part.part.notes.offset_s.max())))
    a = part.attacks
    at = np.clip(np.searchsorted(a.onset_s, time_s + 1e-9, side="right") - 1, 0, None)
    start = np.array([p.start_s for p in part.phrases])[a.phrase[at]]
    end = np.array([p.end_s for p in part.phrases])[a.phrase[at]]
    place = np.clip((time_s - start) / (end - start), 0.0, 1.0)
    since = np.maximum(time_s - a.onset_s[at], 0.0)
    swell = 1.0 - np.exp(-since / 0.15)
    dynamics = 100.0 - 30.0 * place + 10.0 * swell
    expression = 70.0 + 25.0 * place + 8.0 * swell
    vibrato = 10.0 + 50.0 * np.clip(since - 0.3, 0.0, 1.0)
    return np.stack([dynamics, expression, vibrato], axis=1)


def draw(
    path: Path, out: Path, *, hand: Hand = hand_cc, lanes: tuple[int, ...] = (1, 11, 2),
    controllers: tuple[int, int, int] = (1, 11, 2),
) -> Path:
    """The cue with a hand's lanes over all parts, an event every 40 ms where the value changes.

    `controllers` are those of dynamics, expression and vibrato; `lanes` those among them that are drawn.
    """
    cue = read_cue(path)
    hearing = hear(cue)
    added = {}
    for index, part in enumerate(cue.parts):
        value = np.clip(np.rint(hand(hearing, index)), 0, 127).astype(np.int64)[::4]
        time_s = np.arange(len(value)) * 0.04
        rows = []
        for lane, cc in enumerate(controllers):
            if cc in lanes:
                keep = np.r_[True, np.diff(value[:, lane]) != 0]
                tick = np.rint(cue.tempo.s_to_tick(time_s[keep])).astype(np.int64)
                same = np.full(len(tick), part.channel - 1), np.full(len(tick), cc)
                rows.append(np.stack([tick, *same, value[keep, lane]]))
        table = np.concatenate(rows, axis=1)
        added[part.track - 1] = LaneEvents(*table[:, np.argsort(table[0], kind="stable")])
    out.write_bytes(weave(cue.midi, removed={}, added=added))
    return out
