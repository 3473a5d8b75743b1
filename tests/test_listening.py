"""Hearing a whole cue: every note has its place, and nothing depends on music far away."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from heard_cues import Row, Voice, hear_voices, line, write_voices
from numpy.typing import NDArray

from phrasewright.data.demo_cues import demo_names, write_demo
from phrasewright.data.reading import read_cue
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, CueHearing, PartHearing
from phrasewright.model.listening import hear

NONE = np.zeros(0, dtype=np.int64)


def check(heard: CueHearing) -> None:
    for part in heard.parts:
        n = part.part.notes.n_notes
        a = part.attacks
        assert len(part.layer) == len(part.note_role) == len(part.note_figure) == len(part.note_event) == n
        assert np.all(part.note_role < len(ROLES))
        assert np.all(part.note_figure < len(FIGURES))
        assert np.all(part.note_event < len(EVENTS))
        assert int(np.sum(a.last_note - a.first_note + 1)) == n
        assert np.all(np.diff(a.onset_s) > 0)
        assert np.all(a.end_s > a.onset_s)
        assert np.all(a.end_s <= a.release_s)
        assert np.all((a.renewed > 0) & (a.renewed <= 1))
        assert np.array_equal(part.note_role[a.first_note], a.role)
        spikes = (part.note_event == 1) | (part.note_event == 2)
        assert np.array_equal(np.repeat(a.event, a.n_notes)[spikes], part.note_event[spikes])
        assert [p.first_note for p in part.phrases[1:]] == [p.last_note + 1 for p in part.phrases[:-1]]


def melodies_at_once(heard: CueHearing) -> float:
    """Share of time in which two melodies of different pitch classes sound."""
    time_s = np.arange(0, heard.cue.duration_s, 0.05)
    tones: list[set[int]] = [set() for _ in time_s]
    for part in heard.parts:
        notes = part.part.notes
        for i in np.flatnonzero((part.note_role == 0) & (part.layer == 0)):
            low, high = np.searchsorted(time_s, [notes.onset_s[i], notes.offset_s[i] - 0.15])
            for k in range(low, high):
                tones[k].add(int(notes.pitch[i]) % 12)
    return float(np.mean([len(tone) > 1 for tone in tones]))


@pytest.mark.parametrize("name", demo_names())
def test_the_demo_cues(tmp_path: Path, name: str) -> None:
    write_demo(name, tmp_path / "cue.mid")
    heard = hear(read_cue(tmp_path / "cue.mid"))
    check(heard)
    assert melodies_at_once(heard) < 0.05


def test_the_same_file_is_heard_the_same(tmp_path: Path) -> None:
    write_demo(demo_names()[0], tmp_path / "cue.mid")
    one, two = (hear(read_cue(tmp_path / "cue.mid")) for _ in range(2))
    for first, second in zip(one.parts, two.parts, strict=True):
        assert first.phrases == second.phrases
        assert first.situations == second.situations


@pytest.mark.parametrize(
    "rows", [[(60, 0.0, 0.01, 1)], [(60, 0.0, 1.0, 70), (60, 0.5, 1.0, 70)], line(((60, 64, 67), 4.0))]
)
def test_tiny_cues(tmp_path: Path, rows: list[Row]) -> None:
    check(hear_voices(tmp_path, Voice("Violins", rows)))


def test_a_part_that_only_selects_articulations_is_heard_as_silent(tmp_path: Path) -> None:
    cue = read_cue(write_voices(tmp_path / "cue.mid", Voice("Violins", line((67, 2.0), (69, 2.0))), Voice("Horns", [])))
    cue = replace(
        cue, parts=(cue.parts[0], replace(cue.parts[0], index=2, group=2, notes=cue.parts[0].notes.take(NONE)))
    )
    heard = hear(cue)
    check(heard)
    assert heard.parts[1].phrases == ()
    assert heard.parts[1].situations == ()
    hear(replace(cue, parts=cue.parts[1:]))


def ensemble(edit: int) -> list[Voice]:
    """Four parts over 70 bars; bar 60 is rewritten where `edit` is 60, bar 10 where it is 10."""
    voices = []
    rng = np.random.default_rng(11)
    for name, low in (("Violins", 67), ("Violas", 60), ("Horns", 55), ("Cellos", 43)):
        rows: list[Row] = []
        for bar in range(1, 71):
            rhythm = [[1.0, 1.0, 2.0], [0.5] * 8, [1.5, 0.5, 1.0, 1.0], [4.0], [3.0, -1.0]][rng.integers(5)]
            pitches = low + rng.integers(0, 12, len(rhythm))
            velocity = int(60 + rng.integers(0, 20))
            if bar == edit:
                rhythm, pitches, velocity = [0.25] * 6 + [-2.5], low + np.arange(7), 110
            steps = [(None if b < 0 else int(p), abs(b)) for p, b in zip(pitches, rhythm, strict=True)]
            rows += line(*steps, at=(bar - 1) * 4.0, velocity=velocity)
        voices.append(Voice(name, rows))
    return voices


def inside(part: PartHearing, low_s: float, high_s: float) -> NDArray[np.bool_]:
    return np.asarray((part.attacks.onset_s >= low_s) & (part.attacks.onset_s < high_s))


@pytest.mark.parametrize(("edit", "low_s", "high_s"), [(60, 0.0, 80.0), (10, 60.0, 1e9)])
def test_an_edit_far_away_changes_nothing_here(tmp_path: Path, edit: int, low_s: float, high_s: float) -> None:
    plain = hear(read_cue(write_voices(tmp_path / "a.mid", *ensemble(0))))
    edited = hear(read_cue(write_voices(tmp_path / "b.mid", *ensemble(edit))))
    for one, two in zip(plain.parts, edited.parts, strict=True):
        for name in ("role", "figure", "event", "renewed", "joined", "repeated", "end_s", "rest_before_s"):
            first, second = (getattr(p.attacks, name)[inside(p, low_s, high_s)] for p in (one, two))
            assert np.array_equal(first, second), name
        kept = [
            [(p.start_s, p.end_s, p.strength, p.why) for p in part.phrases if low_s <= p.start_s and p.end_s < high_s]
            for part in (one, two)
        ]
        assert kept[0] == kept[1]
