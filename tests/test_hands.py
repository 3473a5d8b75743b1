"""The hands kept apart: people with habits of their own, who know nothing of the project's rules."""

from __future__ import annotations

import ast
import csv
from pathlib import Path

import numpy as np
import pytest
from hands import TEST, VALIDATION, Draw
from heard_cues import Voice, hear_voices, line

from phrasewright.data.errors import InputError
from phrasewright.model.hearing import CueHearing
from phrasewright.model.limits import sounding_frames
from phrasewright.training.alive import life_of, pooled
from phrasewright.training.copying import held_cc, written
from phrasewright.training.material import hands_at, log_run

HANDS = {**VALIDATION, **TEST}
ROLE_AWARE = {"terraces", "to_the_longest", "listener"}
TUNE = ((69, 1), (71, 1), (72, 2), (74, 0.5), (72, 0.5), (71, 1), (69, 4), (None, 1), (76, 1.5), (74, 0.5), (74, 1))
TUNE_ON = ((72, 1), (71, 2), (67, 0.5), (69, 0.5), (71, 0.5), (72, 0.5), (76, 3), (74, 1), (None, 2), (69, 6))
UNDER = tuple((pitch, 2) for pitch in (57, 55, 53, 52, 50, 52, 53, 55, 57, 57, 55, 53, 52, 52, 50, 57))
each_hand = pytest.mark.parametrize("name", HANDS)


@pytest.fixture(scope="module")
def cue(tmp_path_factory: pytest.TempPathFactory) -> CueHearing:
    """A tune over slow notes, twice, about 40 s."""
    tune = line(*TUNE, *TUNE_ON, *TUNE, *TUNE_ON)
    voices = (Voice("Violin I", tune), Voice("Cello", line(*UNDER, *UNDER)))
    return hear_voices(tmp_path_factory.mktemp("cue"), *voices, bpm=92)


def sounding(cue: CueHearing, index: int, draw: Draw, **kind: object) -> np.ndarray:
    value = draw(cue, index, **kind)
    return np.asarray(value[sounding_frames(cue, index, len(value))])


def test_four_are_for_choices_and_six_for_the_end() -> None:
    assert len(VALIDATION) == 4
    assert len(TEST) == 6
    assert not set(VALIDATION) & set(TEST)
    assert len(ROLE_AWARE & set(VALIDATION)) == 1
    assert len(ROLE_AWARE & set(TEST)) == 2
    log = Path(__file__).parent / "hands" / "runs.csv"
    assert log.read_text().splitlines()[0] == "commit,date,command,figures"


def test_they_know_notes_and_nothing_else() -> None:
    for path in (Path(__file__).parent / "hands").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            module = node.module if isinstance(node, ast.ImportFrom) else None
            if module and module.startswith("phrasewright"):
                assert module.split(".", 1)[1] in {"model.hearing", "model.lanes", "data.notes"}, path.name
            if isinstance(node, ast.Attribute):  # nothing of what the project heard: only notes and time
                assert node.attr not in {"attacks", "phrases", "situations", "layer", "note_role"}, path.name
            if module == "hands.fader":
                assert path.name != "fader.py"
            elif module and module.startswith("hands."):
                pytest.fail(f"{path.name} leans on another hand")


@each_hand
def test_the_arm_is_unsteady_by_just_over_a_step_and_the_same_each_time(name: str, cue: CueHearing) -> None:
    draw = HANDS[name]
    steady, drawn = sounding(cue, 0, draw, noise=False), sounding(cue, 0, draw, seed=3)
    assert np.abs(drawn - steady).mean() == pytest.approx(1.2, abs=0.12)
    assert np.array_equal(drawn, sounding(cue, 0, draw, seed=3))
    assert not np.array_equal(drawn, sounding(cue, 0, draw, seed=4))
    assert np.array_equal(drawn, np.rint(drawn))
    low, high = drawn.min(axis=0), drawn.max(axis=0)
    assert np.all(low >= (12, 48, 0))
    assert np.all(high <= (118, 120, 127))


@each_hand
def test_lanes_are_alive_and_related_but_no_copies(name: str, cue: CueHearing) -> None:
    value = sounding(cue, 0, HANDS[name], noise=False)
    assert np.all(value.std(axis=0) > (2.0, 2.0, 3.0))
    r = np.corrcoef(value[:, 0], value[:, 1])[0, 1]
    assert 0.1 < abs(r) < 0.97
    assert np.abs(np.diff(HANDS[name](cue, 0, noise=False), axis=0)).max() < 8.0, "no arm moves so fast"


def test_no_two_hands_are_alike(cue: CueHearing) -> None:
    for lane, most in ((0, 0.85), (1, 0.85)):
        values = np.stack([sounding(cue, 0, draw, noise=False)[:, lane] for draw in HANDS.values()])
        alike = np.corrcoef(values) - np.eye(len(values))
        assert alike.max() < most, np.unravel_index(alike.argmax(), alike.shape)


@each_hand
def test_who_hears_the_others_changes_when_they_do(name: str, cue: CueHearing, tmp_path: Path) -> None:
    over = tuple((None if pitch is None else pitch + 36, beats / 4) for pitch, beats in UNDER * 8)
    tune = line(*TUNE, *TUNE_ON, *TUNE, *TUNE_ON)
    other = hear_voices(tmp_path, Voice("Violin I", tune), Voice("Flute", line(*over)), bpm=92)
    apart = np.abs(sounding(other, 0, HANDS[name], noise=False) - sounding(cue, 0, HANDS[name], noise=False)).max()
    assert (apart > 3.0) == (name in ROLE_AWARE)


@each_hand
def test_what_they_draw_can_be_written(name: str, cue: CueHearing) -> None:
    """The limits on events cost little life and little precision (measured; dips of four steps lose most)."""
    lives, costs = [], []
    for index in (0, 1):
        steady, drawn = HANDS[name](cue, index, noise=False), HANDS[name](cue, index)
        sounds = held_cc(written(cue, index, steady), cue.cue.tempo, len(steady))
        on = sounding_frames(cue, index, len(steady))
        costs.append(np.abs(sounds - drawn)[on].mean() - np.abs(steady - drawn)[on].mean())
        lives += [life_of(cue, index, steady[:, lane], sounds[:, lane]) for lane in (0, 1)]
    figures = pooled(lives)
    assert max(costs) < 0.15
    assert 0.75 < figures["depth"] < 1.1
    assert 0.9 < figures["energy"] < 1.1
    assert figures["slopes"] > 0.93
    assert figures["peaks"] > 0.8


def test_a_rest_is_waited_through_and_entered_on_time(cue: CueHearing) -> None:
    """In the middle of a rest the fader stays, at the next note it stands where it must begin."""
    for draw in HANDS.values():
        value = draw(cue, 0, noise=False)
        notes = cue.parts[0].part.notes
        gap = int(np.argmax(notes.onset_s[1:] - notes.offset_s[:-1] > 0.5))
        end, start = round(float(notes.offset_s[gap]) * 100) + 1, round(float(notes.onset_s[gap + 1]) * 100)
        assert np.abs(np.diff(value[end : end + (start - end) // 3, :2], axis=0)).max() < 0.5
        assert np.abs(value[start] - value[start - 3])[:2].max() < 4.0


def test_hands_are_loaded_by_folder_and_looks_at_them_are_logged(tmp_path: Path) -> None:
    folder = Path(__file__).parent / "hands"
    assert dict(hands_at(folder, "validation")) == dict(VALIDATION)
    assert dict(hands_at(folder, "test")) == dict(TEST)
    with pytest.raises(InputError, match="no package of hands"):
        hands_at(tmp_path, "test")
    log_run(tmp_path, command="evaluate --hands", figures={"bower": 1.5, "bite": [2, 3]})
    log_run(tmp_path, command="again", figures={})
    first, second = csv.reader((tmp_path / "runs.csv").read_text().splitlines())
    assert first[2:] == ["evaluate --hands", '{"bite": [2, 3], "bower": 1.5}']
    assert second[2] == "again"
