"""What the networks train on: groups of a few cues, each drawn over by the same people of the prior and by the rules.

A person's support and query come from different cues of one group, so a group is a hand's music in small. Frames are
the prediction grid's, every second one, from a little before an entry to as long after a release; each stands for some
seconds of the lane, those in rests for none. Numbers are kept as float16 to save memory.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from importlib.util import find_spec
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.data.store import Store
from phrasewright.model.features import part_features
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, CueHearing
from phrasewright.model.lanes import FRAME_S, n_frames_for, stands_for_s
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.personal_features import N_BASIS, moments_of
from phrasewright.model.prediction import foreseeable, prediction_frames
from phrasewright.model.rules import raw_cc
from phrasewright.training.corpus import Score, cue_of, held_out, lines_from, read_score, score_names, training_sketch
from phrasewright.training.first_passes import heard_again
from phrasewright.training.prior import Person, drawn_person
from phrasewright.training.prior_curves import drawn_cc, sight_of

Ints = NDArray[np.int64]
MOST_PARTS = 5
"""Parts taken of a cue: of a full score, some, for cost; all were heard with the others around them."""
REPEATED, TREMOLO = FIGURES.index("repeated"), FIGURES.index("tremolo")
SPIKES = (EVENTS.index("accent"), EVENTS.index("sforzando"))
NEIGHBOURS_S = (-2.0, -1.0, -0.5, -0.2, 0.2, 0.5, 1.0, 2.0)
"""Where a drawn lane is looked at around a moment (`known_inputs` in evidence_fitting.py)."""


@dataclass(frozen=True)
class Group:
    """Parts of a few cues end to end.

    `attack` (n_attacks, feature), `onset_s` (n_attacks,), `part` (n_attacks,) numbers of parts; `frame` (n_frames,
    feature), `at` (n_frames,) attacks of this group, `weight_s` seconds a frame stands for, `time_s`, `phrase` numbers
    of phrases, `near` (n_frames, 8) distances in frames to the moments of `NEIGHBOURS_S`, `last` (n_frames,) whether
    the next frame belongs to another part; `cue_start`, `part_start` first frames, with the end; `target` (n_frames,
    n_people, 3) steps, nan where a lane is not known; `default` (n_frames, 3) what the rules draw; `vibrato` whether
    each part has that lane.
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
    default: NDArray[np.float16]
    vibrato: NDArray[np.bool_]


@dataclass(frozen=True)
class PartMade:
    """One part before it is laid among others; as in `Group`."""

    attack: NDArray[np.float32]
    onset_s: NDArray[np.float64]
    frame: NDArray[np.float32]
    at: Ints
    weight_s: NDArray[np.float64]
    time_s: NDArray[np.float64]
    phrase: Ints
    target: NDArray[np.float64]
    default: NDArray[np.float64]
    vibrato: bool


def part_of(
    hearing: CueHearing, index: int, people: Sequence[Person], *, drawn_by: NDArray[np.float64] | None = None
) -> PartMade | None:
    """One part under some people; None where hardly anything sounds.

    With `drawn_by`, (n_frames, 3) on the 10 ms grid and nan where nobody drew, that hand stands for all of them.
    """
    part = hearing.parts[index]
    n_frames = n_frames_for(float(part.part.notes.offset_s.max()))
    frames = prediction_frames(hearing, index, n_frames=n_frames)
    sounding = sounding_frames(hearing, index, n_frames)
    frames = frames[::2]
    if np.count_nonzero(sounding[frames]) < 20:
        return None
    features = part_features(hearing, index, time_s=np.asarray(frames * FRAME_S, dtype=np.float64))
    rules_cc = raw_cc(hearing, index, frames, parameters=foreseeable(DEFAULT))
    moments = moments_of(hearing, index, frames, rules_cc=rules_cc)
    if drawn_by is None:
        sight = sight_of(hearing, index, frames, at=features.at, moments=moments)
        target = np.stack([drawn_cc(person, sight) for person in people], axis=1)
    else:
        target = np.repeat(drawn_by[np.minimum(frames, len(drawn_by) - 1)][:, None], len(people), axis=1)
        sounding[frames] &= np.isfinite(target[:, 0]).any(axis=1)
    return PartMade(
        attack=features.attack,
        onset_s=features.onset_s,
        frame=np.concatenate([features.frame, moments.basis[:, :N_BASIS]], axis=1),
        at=features.at,
        weight_s=stands_for_s(frames) * sounding[frames],
        time_s=features.time_s,
        phrase=part.attacks.phrase[features.at],
        target=target,
        default=rules_cc,
        vibrato="vibrato" in part.part.lane_cc,
    )


def group_of(cues: Sequence[Sequence[PartMade]]) -> Group:
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
        default=np.concatenate([part.default for part in parts]).astype(np.float16),
        vibrato=np.array([part.vibrato for part in parts]),
    )


def nearest(time_s: NDArray[np.float64]) -> NDArray[np.int16]:
    """Distance, in frames of one part, to the frame nearest to each of `NEIGHBOURS_S` away; (n_frames, 8)."""
    wanted = time_s[:, None] + np.array(NEIGHBOURS_S)
    right = np.clip(np.searchsorted(time_s, wanted), 1, len(time_s) - 1)
    nearer = right - (wanted - time_s[right - 1] < time_s[right] - wanted)
    return np.asarray(nearer - np.arange(len(time_s))[:, None], dtype=np.int16)


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


def group_of_seed(seed: int, *, scores: Sequence[Score], n_cues: int, n_people: int) -> Group:
    """The group of a seed; its people and cues are nobody else's."""
    rng = np.random.default_rng([seed, 5])
    people = [drawn_person(seed * 1000 + k) for k in range(n_people)]
    cues: list[list[PartMade]] = []
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


def read_scores(*, limit: int | None = None, workers: int = 1, cache: Path | None = None) -> list[Score]:
    """Scores to arrange, at most `limit` of those for training and of those held out.

    With `cache`, the rows are written to that JSON file and taken from there the next time: reading all scores takes
    minutes of one core.
    """
    known: dict[str, Score] = {}
    if cache and cache.exists():
        rows = json.loads(cache.read_text(encoding="utf-8"))
        known = {name: Score(name, lines_from(lines), (metre[0], metre[1])) for name, (lines, metre) in rows.items()}
    available = score_names() if find_spec("music21") else tuple(known)  # a machine may hold the cache alone
    names = [name for held in (False, True) for name in [n for n in available if held_out(n) == held][:limit]]
    if names and known.keys() >= set(names):
        return [known[name] for name in names]
    if workers <= 1:
        scores = [read_score(name) for name in names]
    else:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            scores = list(pool.map(read_score, names))
    if cache:
        cache.write_text(json.dumps({score.name: (score.lines, score.metre) for score in scores}), encoding="utf-8")
    return scores


def correction_groups(store: Store, *, n_people: int) -> list[Group]:
    """What a store holds, a group for each style with corrections in at least two parts; each part stands for a cue.

    Corrections that moved a lane as a whole are left out: balance is not style.
    """
    people = [drawn_person(k) for k in range(n_people)]  # only their number counts
    groups = []
    for style in store.styles():
        hearings: dict[int, CueHearing] = {}
        drawn: dict[tuple[int, int], NDArray[np.float64]] = {}
        for one in store.corrections(style, store.active_ids(style)):
            own, cue = one.correction, one.cue_id
            if own.kind == "trim" or own.lane not in LANES:
                continue
            if cue not in hearings:
                hearings[cue] = heard_again(store.cue(cue))
            if (cue, own.part) not in drawn:
                end_s = float(hearings[cue].parts[own.part - 1].part.notes.offset_s.max())
                drawn[cue, own.part] = np.full((n_frames_for(end_s), 3), np.nan)
            lane = drawn[cue, own.part][:, LANES.index(own.lane)]
            frames = np.arange(max(int(own.start_s / FRAME_S), 0), min(int(own.end_s / FRAME_S) + 1, len(lane)))
            lane[frames] = own.left.at(np.asarray(frames * FRAME_S, dtype=np.float64))
        made = [part_of(hearings[cue], part - 1, people, drawn_by=lanes) for (cue, part), lanes in drawn.items()]
        cues = [[part] for part in made if part is not None and np.count_nonzero(part.weight_s) >= 20]
        if len(cues) >= 2:
            groups.append(group_of(cues))
    return groups


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
