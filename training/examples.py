"""From a seed to what the network trains on: one cue, heard, its features, and what several hands draw over it.

Frames stand every 20 ms, only where the part sounds, from a quarter of a second before an entry to as long after a
release; what a lane does in a rest is fixed by rule and nothing to learn. Numbers are kept as float16 to save memory.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue
from phrasewright.data.notes import sounding_spans
from phrasewright.model.features import part_features
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, CueHearing
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.listening import hear
from phrasewright.model.rules import raw_lanes
from phrasewright.training.corpus import Score, cue_of, held_out, read_score, score_names, training_sketch
from phrasewright.training.hands import Hand, default_hand, drawn_hand
from phrasewright.training.textures import Row

STEP = 2
"""Training frames are every second frame of the 10 ms grid."""
MARGIN_S = 0.25
REPEATED, TREMOLO = FIGURES.index("repeated"), FIGURES.index("tremolo")
SPIKES = (EVENTS.index("accent"), EVENTS.index("sforzando"))
NEAR_S = 0.2
"""Frames this near to an onset make half of each batch: joins and attacks are short, and most of what is heard."""


@dataclass(frozen=True)
class Example:
    """One part: features as in `PartFeatures`, and what each hand draws there.

    `frame_no` (n_frames,) is the frame's number on the 10 ms grid, `near` (n_frames,) whether an onset is near,
    `target` (n_hands, n_frames, 3) steps, `style` (n_hands, n_style); the first hand is the default.
    """

    attack: NDArray[np.float16]
    onset_s: NDArray[np.float32]
    frame: NDArray[np.float16]
    at: NDArray[np.int32]
    frame_no: NDArray[np.int32]
    near: NDArray[np.bool_]
    target: NDArray[np.float16]
    style: NDArray[np.float32]
    vibrato: bool


def example_of(hearing: CueHearing, index: int, *, hands: Sequence[Hand]) -> Example:
    """What one part of a cue teaches; it must have at least one attack."""
    part = hearing.parts[index]
    drawn = [raw_lanes(hearing, index, parameters=hand.parameters).value_cc for hand in hands]
    frame_no = _sounding(hearing, index, n_frames=len(drawn[0]))
    features = part_features(hearing, index, time_s=np.asarray(frame_no * FRAME_S, dtype=np.float64))
    onset_s = part.attacks.onset_s
    after = np.minimum(np.searchsorted(onset_s, features.time_s), len(onset_s) - 1)
    away_s = np.minimum(np.abs(onset_s[after] - features.time_s), np.abs(onset_s[features.at] - features.time_s))
    return Example(
        attack=features.attack.astype(np.float16),
        onset_s=onset_s.astype(np.float32),
        frame=features.frame.astype(np.float16),
        at=features.at.astype(np.int32),
        frame_no=frame_no.astype(np.int32),
        near=away_s < NEAR_S,
        target=np.stack([lanes[frame_no] for lanes in drawn]).astype(np.float16),
        style=np.stack([hand.style for hand in hands]),
        vibrato="vibrato" in part.part.lane_cc,
    )


def examples_of(cue: Cue, *, hands: Sequence[Hand], rng: np.random.Generator | None = None) -> list[Example]:
    """Examples of all shaped parts of a cue; with `rng`, some labels are drawn anew (`relabelled`)."""
    hearing = hear(cue) if rng is None else relabelled(hear(cue), rng)
    taught = [i for i, part in enumerate(hearing.parts) if part.part.shaped and part.attacks.n_attacks]
    return [example_of(hearing, i, hands=hands) for i in taught]


def examples_of_seed(seed: int, *, scores: Sequence[Score], n_hands: int) -> list[Example]:
    """The cue of one seed under the default hand and `n_hands - 1` others."""
    rng = np.random.default_rng([seed, 1])
    hands = [default_hand(), *(drawn_hand(rng) for _ in range(n_hands - 1))]
    return examples_of(cue_of(training_sketch(seed, scores=scores)), hands=hands, rng=rng)


def relabelled(hearing: CueHearing, rng: np.random.Generator) -> CueHearing:
    """The cue with accents where none were heard, phrases in other roles, soloists for sections, figures unheard.

    So labels are learned for what they say, not for what usually comes with them: an accent that a mark asks for has no
    velocity of its own, and a melody may lie in the bass.
    """
    parts = []
    for part in hearing.parts:
        a = part.attacks
        spikes = (rng.random(a.n_attacks) < 0.015) & (a.event == 0)
        event = np.where(spikes, rng.choice(SPIKES, a.n_attacks), a.event).astype(np.int8)
        other = rng.integers(len(ROLES), size=len(part.phrases)).astype(np.int8)
        anew = rng.random(len(part.phrases)) < 0.12
        role = np.where(anew[a.phrase], other[a.phrase], a.role) if len(part.phrases) else a.role
        figure = np.zeros_like(a.figure) if rng.random() < 0.08 else a.figure
        if rng.random() < 0.5:  # a tremolo may be heard as repeats
            figure = np.where(figure == TREMOLO, REPEATED, figure).astype(np.int8)
        instrument = replace(part.part.instrument, solo=part.part.instrument.solo != (rng.random() < 0.15))
        attacks = replace(a, event=event, role=role.astype(np.int8), figure=figure)
        parts.append(replace(part, attacks=attacks, part=replace(part.part, instrument=instrument)))
    return replace(hearing, parts=tuple(parts))


def read_scores(*, limit: int | None = None, workers: int = 1, cache: Path | None = None) -> list[Score]:
    """Scores to arrange, at most `limit` of those for training and of those held out.

    With `cache`, the rows are written to that JSON file and taken from there the next time: reading all scores takes
    minutes of one core.
    """
    names = [name for held in (False, True) for name in [n for n in score_names() if held_out(n) == held][:limit]]
    if cache and cache.exists():
        rows = json.loads(cache.read_text(encoding="utf-8"))
        known = {name: Score(name, _tuples(lines), (metre[0], metre[1])) for name, (lines, metre) in rows.items()}
        if known.keys() >= set(names):
            return [known[name] for name in names]
    if workers <= 1:
        scores = [read_score(name) for name in names]
    else:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            scores = list(pool.map(read_score, names))
    if cache:
        cache.write_text(json.dumps({score.name: (score.lines, score.metre) for score in scores}), encoding="utf-8")
    return scores


def _tuples(lines: list[list[list[float]]]) -> tuple[tuple[Row, ...], ...]:
    return tuple(tuple((at, length, int(pitch), int(v)) for at, length, pitch, v in rows) for rows in lines)


def build(
    seeds: Sequence[int],
    *,
    scores: Sequence[Score],
    n_hands: int = 4,
    workers: int | None = None,
    progress: Callable[[int], None] | None = None,
) -> list[Example]:
    """Examples of many seeds, in their order whatever the number of workers (default: all cores)."""
    workers = workers or os.cpu_count() or 1
    found: list[Example] = []
    if workers == 1:
        for done, seed in enumerate(seeds):
            found += examples_of_seed(seed, scores=scores, n_hands=n_hands)
            if progress:
                progress(done + 1)
        return found
    arguments = (tuple(scores), n_hands)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_begin, initargs=arguments) as pool:
        for done, examples in enumerate(pool.map(_work, seeds, chunksize=8)):
            found += examples
            if progress:
                progress(done + 1)
    return found


_shared: list[tuple[tuple[Score, ...], int]] = []


def _begin(scores: tuple[Score, ...], n_hands: int) -> None:
    _shared[:] = [(scores, n_hands)]


def _work(seed: int) -> list[Example]:
    scores, n_hands = _shared[0]
    return examples_of_seed(seed, scores=scores, n_hands=n_hands)


def _sounding(hearing: CueHearing, index: int, *, n_frames: int) -> NDArray[np.int64]:
    """Numbers of the frames to train on: every `STEP`-th in and around sound."""
    inside = np.zeros(n_frames + 1, dtype=np.int64)
    for start_s, end_s in sounding_spans(hearing.parts[index].part.notes):
        inside[max(int((start_s - MARGIN_S) / FRAME_S), 0)] += 1
        inside[min(int((end_s + MARGIN_S) / FRAME_S), n_frames)] -= 1
    frame_no = np.flatnonzero(np.cumsum(inside[:-1]) > 0)
    return np.asarray(frame_no[frame_no % STEP == 0])
