"""How well roles, figures and events are heard: `python -m phrasewright.training.situation_evaluation`.

Two passes labelled the passages in `data/situations` from their notes and the definitions there, each alone
(language-model sessions, not musicians: they may agree more than musicians would). Printed are
their agreement, and the tool's F1 against each of them and the mean, by note:

- role: the micro F1 is the share of notes with the right role, the macro F1 the mean over the five roles;
- figure and event: pooled over all labels but "none" (micro) and the mean over those labels (macro).

A third of the passages is kept back (`labelled.kept_back`): the finders are tuned on the rest, and the kept-back
third is printed with `--test` alone. Intervals are 95 %, from resampling passages. Baselines stand in the same table:
always the commonest label, and for roles the highest line as melody, the lowest as bass, the rest as chords.

`--table` adds every label by itself, `--errors` lists where the tool differs from both passes on the tuning passages,
`--json` prints one object. `--listing` prints the passages alone, without any label, for whoever wants to label them.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Part
from phrasewright.data.errors import InputError
from phrasewright.data.labelled import LabelledPassage, NoteLabels, kept_back, listings, read_labels, read_passages
from phrasewright.data.midi import split_midi
from phrasewright.data.reading import cue_of
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, CueHearing
from phrasewright.model.intervals import interval_of, resamples
from phrasewright.model.listening import hear

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
AXES = {"role": ROLES, "figure": FIGURES, "event": EVENTS}


@dataclass(frozen=True)
class Judged:
    """The labels of one passage on each axis, as indices into `AXES`; arrays of shape (n_notes,), all parts in a
    row."""

    name: str
    part: Ints
    note: Ints
    first: dict[str, Ints]
    second: dict[str, Ints]
    tool: dict[str, Ints]
    commonest: dict[str, Ints]
    by_height: Ints


def hear_passage(passage: LabelledPassage) -> CueHearing:
    """A passage as the tool hears it: from its MIDI bytes, as any file."""
    path = Path(f"{passage.name}.mid")
    return hear(cue_of(split_midi(passage.midi_bytes(), name=path.name), path=path))


@cache
def judged_passages() -> tuple[Judged, ...]:
    """All passages, with both passes' labels and the tool's."""
    first, second = read_labels("a"), read_labels("b")
    passages = read_passages()
    usual = _commonest([first[key] for key in first if not kept_back(key[0])])
    return tuple(_judge(passage, first, second, usual) for passage in passages)


def confusions(passages: Sequence[Judged], axis: str, one: str, other: str) -> Ints:
    """Counts of notes by the labels of two judges, shape (n_passages, n_labels, n_labels).

    `one` and `other` name fields of `Judged`.
    """
    n = len(AXES[axis])
    tables = []
    for passage in passages:
        left, right = (_labels_by(passage, judge, axis) for judge in (one, other))
        tables.append(np.bincount(left * n + right, minlength=n * n).reshape(n, n))  # (n_labels, n_labels)
    return np.array(tables)


def f1_by_label(table: Ints) -> Floats:
    """F1 of each label, NaN where neither judge gives it. `table` has shape (..., n_labels, n_labels)."""
    both = np.diagonal(table, axis1=-2, axis2=-1)
    either = table.sum(axis=-1) + table.sum(axis=-2)
    return np.where(either > 0, 2.0 * both / np.maximum(either, 1), np.nan)


def f1(table: Ints, axis: str) -> tuple[Floats, Floats]:
    """Micro and macro F1; on the axes of figures and events "none" is left out. Symmetric in the two judges."""
    start = 0 if axis == "role" else 1
    both = np.diagonal(table, axis1=-2, axis2=-1)[..., start:]
    either = (table.sum(axis=-1) + table.sum(axis=-2))[..., start:]
    micro = 2.0 * both.sum(axis=-1) / np.maximum(either.sum(axis=-1), 1)
    each = f1_by_label(table)[..., start:]
    count = np.maximum(np.sum(np.isfinite(each), axis=-1), 1)
    return micro, np.nansum(each, axis=-1) / count


def kappa(table: Ints) -> float:
    """Cohen 1960, Educational and Psychological Measurement 20:37: agreement beyond chance; all labels, "none" too."""
    total = float(table.sum())
    seen = float(np.trace(table)) / total
    chance = float(table.sum(axis=0) @ table.sum(axis=1)) / total**2
    return (seen - chance) / (1.0 - chance) if chance < 1.0 else 1.0


def figures_for(passages: Sequence[Judged], axis: str, *, seed: int = 0) -> list[dict[str, Any]]:
    """The rows of one axis: each with micro and macro F1 and their intervals, 95 %, by passage."""
    drawn = resamples(len(passages), seed=seed)
    passes = confusions(passages, axis, "first", "second")
    judges = {"tool": "tool", "always the commonest": "commonest"}
    if axis == "role":
        judges["highest, lowest, rest"] = "by_height"
    agreement = _with_interval([passes], axis, drawn)
    rows = [{"what": "agreement of the two passes", **agreement, "kappa": kappa(passes.sum(0))}]
    for title, judge in judges.items():
        against = [confusions(passages, axis, judge, person) for person in ("first", "second")]
        rows.append({"what": title, **_with_interval(against, axis, drawn)})
        rows[-1] |= {"kappa": float(np.mean([kappa(table.sum(axis=0)) for table in against]))}
        if judge == "tool":
            for person, table in zip(("first", "second"), against, strict=True):
                rows.append({"what": f"tool against the {person}", **_with_interval([table], axis, drawn)})
            rows.append({"what": "tool minus agreement", **_with_interval(against, axis, drawn, less=passes)})
    return rows


def label_rows(passages: Sequence[Judged], axis: str) -> list[dict[str, Any]]:
    """F1 of each label: agreement, and the tool's mean against both; how many notes the two passes give it."""
    passes = confusions(passages, axis, "first", "second").sum(axis=0)
    tool = [confusions(passages, axis, "tool", person).sum(axis=0) for person in ("first", "second")]
    agreement, heard = f1_by_label(passes), np.mean([f1_by_label(table) for table in tool], axis=0)
    return [
        {
            "axis": axis,
            "label": label,
            "notes": (int(passes[k].sum()), int(passes[:, k].sum())),
            "agreement": float(agreement[k]),
            "tool": float(heard[k]),
        }
        for k, label in enumerate(AXES[axis])
    ]


def _with_interval(
    tables: list[Ints], axis: str, drawn: Ints, *, less: Ints | None = None
) -> dict[str, float | tuple[float, float]]:
    """Mean micro and macro F1 over tables of counts by passage, perhaps minus those of another, with intervals."""

    def both(select: Ints | slice) -> Floats:
        values = np.mean([f1(_added(table, select), axis) for table in tables], axis=0)
        return np.asarray(values - (np.array(f1(_added(less, select), axis)) if less is not None else 0.0))

    value, resampled = both(slice(None)), both(drawn)  # (2,), (2, n_resampled)
    return {
        name: pair
        for k, axis_name in enumerate(("micro", "macro"))
        for name, pair in (
            (axis_name, float(value[k])),
            (f"{axis_name}_interval", interval_of(resampled[k])),
        )
    }


def _added(table: Ints, select: Ints | slice) -> Ints:
    """Counts summed over chosen passages; `select` of shape (n_resampled, n_passages) gives as many sums."""
    if isinstance(select, slice):
        return np.asarray(table[select].sum(axis=0))
    n = table.shape[0]
    times = np.array([np.bincount(row, minlength=n) for row in select])  # (n_resampled, n_passages)
    return np.asarray(np.einsum("rp,pij->rij", times, table))


def _judge(
    passage: LabelledPassage,
    first: dict[tuple[str, int], NoteLabels],
    second: dict[tuple[str, int], NoteLabels],
    usual: dict[str, int],
) -> Judged:
    hearing = hear_passage(passage)
    sizes = [len(part.notes) for part in passage.score.parts]
    if [heard.part.notes.n_notes + heard.part.switches.n_notes for heard in hearing.parts] != sizes:
        raise InputError(f"passage {passage.name}: the file has other notes than the table")
    keys = [(passage.name, number) for number in range(1, len(sizes) + 1)]
    tool = {axis: tool_labels(hearing, axis) for axis in AXES}
    total = sum(sizes)
    return Judged(
        passage.name,
        np.repeat(np.arange(1, len(sizes) + 1), sizes),
        np.concatenate([np.arange(size) for size in sizes]),
        {axis: given_labels([first[key] for key in keys], axis) for axis in AXES},
        {axis: given_labels([second[key] for key in keys], axis) for axis in AXES},
        tool,
        {axis: np.full(total, usual[axis]) for axis in AXES},
        _by_height(passage),
    )


def tool_labels(hearing: CueHearing, axis: str) -> Ints:
    """The tool's labels in the order of the table; notes it takes for switches are chords without figure or event."""
    rows = []
    for heard in hearing.parts:
        found = {"role": heard.note_role, "figure": heard.note_figure, "event": heard.note_event}[axis]
        silent = ROLES.index("chords") if axis == "role" else 0
        found = np.r_[found.astype(np.int64), np.full(heard.part.switches.n_notes, silent)]
        rows.append(found[table_order(heard.part)])
    return np.concatenate(rows)


def table_order(part: Part) -> Ints:
    """Which of a part's notes, the switches behind the others, stands where in the table; shape (n_notes,)."""
    tick = np.r_[part.notes.onset_tick, part.switches.onset_tick]
    pitch = np.r_[part.notes.pitch, part.switches.pitch]
    return np.lexsort((-pitch, tick))


def given_labels(parts: list[NoteLabels], axis: str) -> Ints:
    """The labels of some parts as indices into `AXES`, all notes in a row."""
    names = AXES[axis]
    labels = [{"role": part.roles, "figure": part.figures, "event": part.events}[axis] for part in parts]
    return np.array([names.index(label) for part in labels for label in part])


def _commonest(labels: list[NoteLabels]) -> dict[str, int]:
    """The commonest label of each axis; of figures and events the commonest but "none"."""
    found = {}
    for axis in AXES:
        counts = np.bincount(given_labels(labels, axis), minlength=len(AXES[axis]))
        found[axis] = int(np.argmax(counts)) if axis == "role" else 1 + int(np.argmax(counts[1:]))
    return found


def _by_height(passage: LabelledPassage) -> Ints:
    """The part of the highest mean pitch is melody, the lowest bass, the others chords; one part alone is melody."""
    mean = [float(np.mean([note.pitch for note in part.notes])) for part in passage.score.parts]
    role = np.full(len(mean), ROLES.index("chords"))
    role[int(np.argmin(mean))] = ROLES.index("bass")
    role[int(np.argmax(mean))] = ROLES.index("melody")
    return np.repeat(role, [len(part.notes) for part in passage.score.parts])


def _labels_by(passage: Judged, judge: str, axis: str) -> Ints:
    if judge == "by_height":
        return passage.by_height
    labels: dict[str, Ints] = getattr(passage, judge)
    return labels[axis]


def differing(passages: Sequence[Judged], axis: str) -> list[tuple[int, str]]:
    """Where the two passes agree and the tool does not: number of notes and a line of text, the most first."""
    names = AXES[axis]
    rows = []
    for passage in passages:
        agreed, heard = passage.first[axis], passage.tool[axis]
        wrong = (agreed == passage.second[axis]) & (agreed != heard)
        for part in np.unique(passage.part[wrong]).tolist():
            chosen = wrong & (passage.part == part)
            words: dict[str, list[int]] = {}
            for note, right, given in zip(passage.note[chosen], agreed[chosen], heard[chosen], strict=True):
                words.setdefault(f"{names[right]} heard as {names[given]}", []).append(int(note))
            text = "; ".join(f"{what}: {_spans(notes)}" for what, notes in words.items())
            rows.append((int(chosen.sum()), f"{passage.name} part {part}: {text}"))
    return sorted(rows, key=lambda row: -row[0])


def _spans(notes: list[int]) -> str:
    edges = [k for k in range(len(notes)) if k == 0 or notes[k] != notes[k - 1] + 1] + [len(notes)]
    pairs = [(notes[a], notes[b - 1]) for a, b in pairwise(edges)]
    return " ".join(f"{a}-{b}" if b > a else str(a) for a, b in pairs)


def _print_axis(title: str, passages: Sequence[Judged], axis: str) -> None:
    rows = figures_for(passages, axis)
    print(f"\n{axis}, {title}: {len(passages)} passages, {sum(len(p.note) for p in passages)} notes")
    print(f"  {'':<26} {'micro F1':<20} {'macro F1':<20} kappa")
    for row in rows:
        cells = [f"{row[k]:5.3f} [{row[k + '_interval'][0]:.2f}, {row[k + '_interval'][1]:.2f}]" for k in _KINDS]
        last = f"{row['kappa']:5.2f}" if "kappa" in row else ""
        print(f"  {row['what']:<26} {cells[0]:<20} {cells[1]:<20} {last}".rstrip())


_KINDS = ("micro", "macro")


def _print_labels(passages: Sequence[Judged], axis: str) -> None:
    for row in label_rows(passages, axis):
        first, second = row["notes"]
        figures = f"agreement {row['agreement']:5.3f}   tool {row['tool']:5.3f}"
        print(f"    {row['label']:<14} {first:5d} {second:5d} notes   {figures}")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--test", action="store_true", help="also print the kept-back third")
    parser.add_argument("--table", action="store_true", help="every label by itself")
    parser.add_argument("--errors", action="store_true", help="where the tool differs from both, tuning passages")
    parser.add_argument("--listing", action="store_true", help="only the passages, as labellers read them")
    parser.add_argument("--json", action="store_true")
    chosen = parser.parse_args(arguments)
    if chosen.listing:
        print(listings())
        return
    passages = judged_passages()
    tuning = [p for p in passages if not kept_back(p.name)]
    kept = [p for p in passages if kept_back(p.name)]
    if chosen.json:
        groups = {"tuning": tuning} | ({"kept back": kept} if chosen.test else {})
        print(json.dumps({name: {axis: figures_for(group, axis) for axis in AXES} for name, group in groups.items()}))
        return
    for axis in AXES:
        whole = [confusions(group, axis, "first", "second") for group in (passages, kept)]
        for title, table in zip(("whole", "kept-back third"), whole, strict=True):
            micro, macro = f1(table.sum(axis=0), axis)
            beyond = kappa(table.sum(axis=0))
            print(f"agreement, {axis}, {title}: micro {micro:.3f}, macro {macro:.3f}, kappa {beyond:.3f}")
    for axis in AXES:
        for title, group in (("tuning", tuning), ("kept back", kept)) if chosen.test else (("tuning", tuning),):
            _print_axis(title, group, axis)
            if chosen.table:
                _print_labels(group, axis)
    if chosen.errors:
        for axis in AXES:
            print(f"\n{axis}, where both passes agree and the tool differs")
            for n_notes, text in differing(tuning, axis):
                print(f"  {n_notes:4d}  {text}")


if __name__ == "__main__":
    main()
