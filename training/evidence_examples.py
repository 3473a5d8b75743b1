"""What the evidence network trains on: groups of a few cues, each drawn over by the same people of the prior.

A person's support and query come from different cues of one group, so a group is a hand's music in small. Frames are
the prediction grid's where the part sounds, every second one; each stands for some seconds of the lane.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.features import part_features
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, n_frames_for
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.personal_features import N_BASIS, moments_of
from phrasewright.model.prediction import foreseeable, prediction_frames
from phrasewright.model.rules import raw_cc
from phrasewright.training.corpus import Score, cue_of, training_sketch
from phrasewright.training.examples import relabelled
from phrasewright.training.prior import Person, drawn_person
from phrasewright.training.prior_curves import drawn_cc, sight_of

Ints = NDArray[np.int64]
MOST_PARTS = 5
"""Parts taken of a cue: of a full score, some, for cost; all were heard with the others around them."""
LONGEST_S = 8 * FRAME_S
NEIGHBOURS_S = (-2.0, -1.0, -0.5, -0.2, 0.2, 0.5, 1.0, 2.0)
"""Where a drawn lane is looked at around a moment (`known_columns` in evidence.py)."""


@dataclass(frozen=True)
class Group:
    """Parts of a few cues end to end.

    `attack` (n_attacks, feature), `onset_s` (n_attacks,), `part` (n_attacks,) numbers of parts; `frame` (n_frames,
    feature), `at` (n_frames,) attacks of this group, `weight_s` seconds a frame stands for, `time_s`, `phrase` numbers
    of phrases, `near` (n_frames, 8) distances in frames to the moments of `NEIGHBOURS_S`, `last` (n_frames,) whether
    the next frame belongs to another part; `cue_start`, `part_start` first frames, with the end; `target` (n_frames,
    n_people, 3) steps; nan where a lane is not known.
    """

    attack: NDArray[np.float16]
    onset_s: NDArray[np.float32]
    part: NDArray[np.int32]
    frame: NDArray[np.float16]
    at: NDArray[np.int32]
    weight_s: NDArray[np.float32]
    time_s: NDArray[np.float32]
    phrase: NDArray[np.int32]
    near: NDArray[np.int16]
    last: NDArray[np.bool_]
    cue_start: Ints
    part_start: Ints
    target: NDArray[np.float16]


@dataclass(frozen=True)
class _Part:
    attack: NDArray[np.float32]
    onset_s: NDArray[np.float64]
    frame: NDArray[np.float32]
    at: Ints
    weight_s: NDArray[np.float64]
    time_s: NDArray[np.float64]
    phrase: Ints
    target: NDArray[np.float64]


def part_of(hearing: CueHearing, index: int, people: Sequence[Person]) -> _Part | None:
    """One part under some people; None where hardly anything sounds."""
    part = hearing.parts[index]
    n_frames = n_frames_for(float(part.part.notes.offset_s.max()))
    frames = prediction_frames(hearing, index, n_frames=n_frames)
    frames = frames[sounding_frames(hearing, index, n_frames)[frames]][::2]
    if len(frames) < 20:
        return None
    features = part_features(hearing, index, time_s=np.asarray(frames * FRAME_S, dtype=np.float64))
    rules_cc = raw_cc(hearing, index, frames, parameters=foreseeable(DEFAULT))
    moments = moments_of(hearing, index, frames, rules_cc=rules_cc)
    sight = sight_of(hearing, index, frames, at=features.at, moments=moments)
    time_s = features.time_s
    gap_s = np.minimum(np.diff(time_s, append=time_s[-1:] + LONGEST_S), 2 * LONGEST_S)
    return _Part(
        attack=features.attack,
        onset_s=features.onset_s,
        frame=np.concatenate([features.frame, moments.basis[:, :N_BASIS]], axis=1),
        at=features.at,
        weight_s=(gap_s + np.r_[gap_s[:1], gap_s[:-1]]) / 2.0,
        time_s=time_s,
        phrase=part.attacks.phrase[features.at],
        target=np.stack([drawn_cc(person, sight) for person in people], axis=1),
    )


def group_of(cues: Sequence[Sequence[_Part]]) -> Group:
    """Parts, listed by cue, laid end to end."""
    parts = [part for cue in cues for part in cue]
    n_attacks = np.cumsum([0, *(len(part.attack) for part in parts)])
    n_frames = np.cumsum([0, *(len(part.at) for part in parts)])
    n_phrases = np.cumsum([0, *(int(part.phrase.max()) + 1 for part in parts)])
    n_parts = np.cumsum([0, *(len(cue) for cue in cues)])
    last = np.zeros(n_frames[-1], dtype=bool)
    last[n_frames[1:] - 1] = True
    return Group(
        attack=np.concatenate([part.attack for part in parts]).astype(np.float16),
        onset_s=np.concatenate([part.onset_s for part in parts]).astype(np.float32),
        part=np.repeat(np.arange(len(parts)), np.diff(n_attacks)).astype(np.int32),
        frame=np.concatenate([part.frame for part in parts]).astype(np.float16),
        at=np.concatenate([part.at + n for part, n in zip(parts, n_attacks, strict=False)]).astype(np.int32),
        weight_s=np.concatenate([part.weight_s for part in parts]).astype(np.float32),
        time_s=np.concatenate([part.time_s for part in parts]).astype(np.float32),
        phrase=np.concatenate([part.phrase + n for part, n in zip(parts, n_phrases, strict=False)]).astype(np.int32),
        near=np.concatenate([nearest(part.time_s) for part in parts]),
        last=last,
        cue_start=n_frames[n_parts].astype(np.int64),
        part_start=n_frames.astype(np.int64),
        target=np.concatenate([part.target for part in parts]).astype(np.float16),
    )


def nearest(time_s: NDArray[np.float64]) -> NDArray[np.int16]:
    """Distance, in frames of one part, to the frame nearest to each of `NEIGHBOURS_S` away; (n_frames, 8)."""
    wanted = time_s[:, None] + np.array(NEIGHBOURS_S)
    right = np.clip(np.searchsorted(time_s, wanted), 1, len(time_s) - 1)
    nearer = right - (wanted - time_s[right - 1] < time_s[right] - wanted)
    return np.asarray(nearer - np.arange(len(time_s))[:, None], dtype=np.int16)


def group_of_seed(seed: int, *, scores: Sequence[Score], n_cues: int, n_people: int) -> Group:
    """The group of a seed; its people and cues are nobody else's."""
    rng = np.random.default_rng([seed, 5])
    people = [drawn_person(seed * 1000 + k) for k in range(n_people)]
    cues: list[list[_Part]] = []
    tried = 0
    while len(cues) < n_cues:
        hearing = hear(cue_of(training_sketch(seed * 100 + tried, scores=scores)))
        tried += 1
        hearing = relabelled(hearing, rng) if rng.random() < 0.5 else hearing
        able = [i for i, part in enumerate(hearing.parts) if part.part.shaped and part.attacks.n_attacks]
        chosen = sorted(rng.permutation(able)[:MOST_PARTS].tolist())
        if parts := [part for i in chosen if (part := part_of(hearing, i, people))]:
            cues.append(parts)
    return group_of(cues)


def build_groups(
    seeds: Sequence[int],
    *,
    scores: Sequence[Score],
    n_cues: int,
    n_people: int,
    workers: int | None = None,
    progress: Callable[[int], None] | None = None,
) -> list[Group]:
    """Groups of many seeds, in their order whatever the number of workers (default: all cores)."""
    workers = workers or os.cpu_count() or 1
    if workers == 1:
        return [group_of_seed(seed, scores=scores, n_cues=n_cues, n_people=n_people) for seed in seeds]
    found: list[Group] = []
    work = partial(_work, n_cues=n_cues, n_people=n_people)
    begin = (tuple(scores),)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_begin, initargs=begin) as pool:
        for done, group in enumerate(pool.map(work, seeds)):
            found.append(group)
            if progress:
                progress(done + 1)
    return found


_shared: list[tuple[Score, ...]] = []


def _begin(scores: tuple[Score, ...]) -> None:
    _shared[:] = [scores]


def _work(seed: int, *, n_cues: int, n_people: int) -> Group:
    return group_of_seed(seed, scores=_shared[0], n_cues=n_cues, n_people=n_people)
