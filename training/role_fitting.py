"""The weights of prominence, fitted by ranking pairs: `python -m phrasewright.training.role_fitting`.

A pair is two stretches that overlap, of which one is the melody and the other is not. The weights are those of a
logistic regression on the differences of their features (`model/prominence.py`), without a constant, each with the
sign that common practice gives it, and small ones preferred. Only the order they make is used; they are printed as
points that add up to about a hundred.

Four sources say who has the melody: the labelled passages that are not kept back; songs, where the singer has it, as
they stand and some an octave lower, inside their accompaniment; chorales, where the soprano has it; and scenes put
together from tunes (`role_scenes.py`). Each is judged with weights fitted without it: passages leave out one file at a
time, songs one at a time, chorales and scenes one half. Printed are, for passages, the micro F1 of all roles (the mean
against the two passes), for the rest the F1 of the melody; and the same for the weights of the model, which have seen
all of it.
"""

from __future__ import annotations

import argparse
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.labelled import kept_back, read_labels, read_passages
from phrasewright.model.hearing import ROLES, CueHearing
from phrasewright.model.intervals import interval_of, resamples
from phrasewright.model.layers import split_layers
from phrasewright.model.listening import hear
from phrasewright.model.prominence import WEIGHTS, rivals
from phrasewright.model.roles import heard_of, roles_of
from phrasewright.model.voices import Voice, voices_of
from phrasewright.training.boundary_corpus import chorales
from phrasewright.training.corpus import cue_of
from phrasewright.training.role_scenes import scene_of, tunes
from phrasewright.training.score_evaluation import SONGS, chorale_lines, sketch_of, song_lines, sung_of
from phrasewright.training.score_reading import corpus_root
from phrasewright.training.situation_evaluation import given_labels, hear_passage, table_order, tool_labels
from phrasewright.training.textures import Row

Floats = NDArray[np.float64]
MORE_SONGS = ("handel/rinaldo/Lascia_chio_pianga.mxl", "johnson_j_r/lift_every_voice.mxl")
LOW_SONGS = ("schubert/Lindenbaum.xml", "weber/concertino_clarinet.mxl", "handel/rinaldo/Lascia_chio_pianga.mxl")
"""Songs that keep their sense an octave lower: nothing else in them would be taken for the tune."""
SOURCES = ("passages", "songs", "chorales", "scenes")
_TRUST = {"passages": 1.0, "songs": 4.0, "chorales": 3.0, "scenes": 0.5}
"""Weight of one example of a source: of songs there are few, of scenes many."""
_MOST_S, _FULL_S = 6.0, 12.0
"""Seconds of a pair, and of all pairs of an example, beyond which it counts no more."""
_SMALL = 0.2
"""How much small weights are preferred: half this times their squares."""
_STEPS = 40
_EVERY_CHORALE, _TUNES = 12, 60
"""Every so manieth chorale; tunes of each collection."""
_MELODY = ROLES.index("melody")


@dataclass(frozen=True)
class Example:
    """A cue as heard, and for each part and note how surely it is the melody (0, .5, 1).

    `fold` names what is left out together; `roles` are the labels of all notes by the two passes, for passages, shape
    (2, n_notes), in the order of the tables.
    """

    name: str
    source: str
    fold: str
    hearing: CueHearing
    voices: list[Voice]
    melody: list[Floats]
    roles: NDArray[np.int64] | None = None


def examples(*, sources: Sequence[str] = SOURCES, every: int = 1) -> Iterator[Example]:
    """All examples of some sources, or every so manieth of each."""
    makers = {"passages": _passages, "songs": _songs, "chorales": _chorales, "scenes": _scenes}
    for source in sources:
        yield from makers[source](every)


def _passages(every: int) -> Iterator[Example]:
    first, second = read_labels("a"), read_labels("b")
    for passage in [passage for passage in read_passages() if not kept_back(passage.name)][::every]:
        hearing = hear_passage(passage)
        keys = [(passage.name, number) for number in range(1, len(hearing.parts) + 1)]
        roles = np.array([given_labels([labels[key] for key in keys], "role") for labels in (first, second)])
        surely, melody, start = np.mean(roles == _MELODY, axis=0), [], 0
        for heard in hearing.parts:
            order = table_order(heard.part)
            by_note = np.empty(len(order))
            by_note[order] = surely[start : start + len(order)]
            melody.append(by_note[: heard.part.notes.n_notes])
            start += len(order)
        yield Example(passage.name, "passages", passage.file, hearing, _voices(hearing), melody, roles)


def _songs(every: int) -> Iterator[Example]:
    for name in (*SONGS, *MORE_SONGS)[::every]:
        if (corpus_root() / name).exists():
            lines = song_lines(name)
            yield _sung(name, "songs", name, lines)
            if name in LOW_SONGS:
                low = [(at, length, pitch - 12, velocity) for at, length, pitch, velocity in lines[0]]
                yield _sung(f"{name}, an octave lower", "songs", name, [low, *lines[1:]])


def _chorales(every: int) -> Iterator[Example]:
    for song in chorales()[:: _EVERY_CHORALE * every]:
        yield _sung(song.name, "chorales", f"chorales {_half(song.group)}", chorale_lines(song))


def _scenes(every: int) -> Iterator[Example]:
    for tune in list(tunes(per_collection=_TUNES))[::every]:
        scene = scene_of(tune)
        hearing = hear(cue_of(scene.sketch))
        heard = zip(hearing.parts, scene.roles, strict=True)
        melody = [np.full(part.part.notes.n_notes, float(role == _MELODY)) for part, role in heard]
        yield Example(tune.name, "scenes", f"scenes {_half(tune.name)}", hearing, _voices(hearing), melody)


def _sung(name: str, source: str, fold: str, lines: Sequence[Sequence[Row]]) -> Example:
    """A score whose first part is the singer's."""
    hearing = hear(cue_of(sketch_of(lines)))
    melody = [np.full(heard.part.notes.n_notes, float(k == 0)) for k, heard in enumerate(hearing.parts)]
    return Example(name, source, fold, hearing, _voices(hearing), melody)


def _voices(hearing: CueHearing) -> list[Voice]:
    heard = [(part.attacks, part.phrases) for part in hearing.parts]
    return voices_of(list(hearing.cue.parts), [split_layers(part.notes) for part in hearing.cue.parts], heard)


def _half(name: str) -> int:
    return zlib.crc32(name.encode()) // 7 % 2


@dataclass(frozen=True)
class Ranked:
    """Differences of features, the melody's less the other's, shape (n_pairs, n_features), and the weight of each."""

    differences: Floats
    weight: Floats


def pairs_in(example: Example) -> Ranked:
    """The pairs of one example: both could be the melody, and one of them is."""
    heard = heard_of(list(example.hearing.cue.parts), example.voices)
    stretches, pairs = heard.stretches, heard.pairs
    sung = np.zeros(stretches.n_stretches)
    for k in range(stretches.n_stretches):
        voice = example.voices[int(stretches.part[k])]
        first, last = int(stretches.first[k]), int(stretches.last[k])
        of_attack = voice.attacks.first_note[first : last + 1] - voice.attacks.first_note[first]
        surely = example.melody[voice.part][voice.notes_of(first, last)]
        sung[k] = np.mean(np.maximum.reduceat(surely, of_attack) >= 0.5)  # the top of chords may sing
    chosen, _ = rivals(stretches, pairs)
    chosen &= ~pairs.doubling & heard.able[pairs.one] & heard.able[pairs.other]
    chosen &= (sung[pairs.one] >= 0.6) & (sung[pairs.other] <= 0.3)
    one, other = pairs.one[chosen], pairs.other[chosen]
    length_s = np.minimum(np.minimum(stretches.length_s[one], stretches.length_s[other]), _MOST_S)
    weight = length_s / max(float(length_s.sum()), _FULL_S) * _TRUST[example.source]
    return Ranked(heard.features[one] - heard.features[other], weight)


def fitted(ranked: Sequence[Ranked]) -> dict[str, float]:
    """The weights that put the melody first in most pairs, as points whose sizes add up to a hundred.

    Newton steps, each cut to the signs and taken whole: the loss is convex, and a few dozen steps settle it.
    """
    signs = np.sign(list(WEIGHTS.values()))
    x = np.concatenate([one.differences for one in ranked]) * signs  # all weights at least 0
    weight = np.concatenate([one.weight for one in ranked])
    found = np.zeros(len(signs))
    for _ in range(_STEPS):
        wrong = 1.0 / (1.0 + np.exp(x @ found))
        slope = _SMALL * found - x.T @ (weight * wrong)
        curve = (x * (weight * wrong * (1.0 - wrong))[:, None]).T @ x + _SMALL * np.eye(len(found))
        free = (found > 0) | (slope < 0)
        step = np.zeros(len(found))
        step[free] = np.linalg.solve(curve[np.ix_(free, free)], slope[free])
        found = np.maximum(found - step, 0.0)
    return dict(zip(WEIGHTS, (100.0 * signs * found / found.sum()).tolist(), strict=True))


def scored(example: Example, weights: Mapping[str, float]) -> Floats:
    """Counts right, and all: for passages of notes (twice those right, twice those there), else for F1; shape (2,)."""
    parts = list(example.hearing.cue.parts)
    found, _ = roles_of(parts, example.voices, tempo=example.hearing.cue.tempo, weights=weights)
    if example.roles is not None:
        heard = tuple(replace(p, note_role=role) for p, role in zip(example.hearing.parts, found, strict=True))
        right = example.roles == tool_labels(replace(example.hearing, parts=heard), "role")
        return np.array([float(right.sum()), float(right.size)])
    melody = [role == _MELODY for role in found]
    if example.source != "scenes":
        sung = sung_of(example.name, example.hearing, melody)
        return np.array([2.0 * sung.found, float(sung.sung + sung.found + sung.others)])
    truth = np.concatenate(example.melody) > 0
    chosen = np.concatenate(melody)
    return np.array([2.0 * np.sum(truth & chosen), float(truth.sum() + chosen.sum())])


def cross_validated(chosen: Sequence[Example], ranked: Sequence[Ranked]) -> Floats:
    """Each example scored with weights fitted without its fold, shape (n_examples, 2)."""
    scores = np.zeros((len(chosen), 2))
    for fold in sorted({example.fold for example in chosen}):
        weights = fitted([one for one, example in zip(ranked, chosen, strict=True) if example.fold != fold])
        for k, example in enumerate(chosen):
            if example.fold == fold:
                scores[k] = scored(example, weights)
    return scores


def _print_scores(chosen: Sequence[Example], columns: Mapping[str, Floats]) -> None:
    print(f"{'':<28}" + "".join(f"{title:>26}" for title in columns))
    low = [example.name not in SONGS and example.source == "songs" for example in chosen]
    groups = {source: [example.source == source for example in chosen] for source in SOURCES}
    groups["songs"] = [example.name in SONGS for example in chosen]
    groups["other songs, and an octave lower"] = low
    for title, mask in groups.items():
        rows = [scores[np.array(mask)] for scores in columns.values()]
        cells = []
        for row in rows:
            values = interval_of(np.divide(*row[resamples(len(row))].sum(axis=1).T)) if len(row) else (0.0, 0.0)
            cells.append(f"{np.divide(*row.sum(axis=0)):.3f} [{values[0]:.3f}, {values[1]:.3f}]")
        print(f"{title:<34}" + "".join(f"{cell:>26}" for cell in cells) + f"   {sum(mask)} examples")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table and the weights."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--every", type=int, default=1, help="every n-th example of each source only")
    chosen = list(examples(every=parser.parse_args(arguments).every))
    ranked = [pairs_in(example) for example in chosen]
    whole = np.array([scored(example, WEIGHTS) for example in chosen])
    _print_scores(chosen, {"left out": cross_validated(chosen, ranked), "weights of the model": whole})
    print(f"pairs: {sum(len(one.weight) for one in ranked)}")
    for name, points in fitted(ranked).items():
        print(f"  {name:<14} {points:6.1f}   (model: {WEIGHTS[name]:g})")


if __name__ == "__main__":
    main()
