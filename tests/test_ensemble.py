"""Parts that listen to each other: hand-over, answers, shared gestures, doublings, balance, and loudness by texture."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from drawn_cues import Line, write_cue
from marked_cues import marked_cue
from numpy.typing import NDArray
from played_lines import CELLO, FLUTE, VIOLINS, Note, Predictor, frame, heard, labelled, level_db, line

from phrasewright.model.ensemble import STEP_S, texture_db
from phrasewright.model.hearing import CueHearing
from phrasewright.model.listening import hear
from phrasewright.training.ensemble_evaluation import ensemble_figures, main

SONG = [67, 69, 71, 72, 74, 72, 71, 69]


def duet() -> CueHearing:
    """Two lines of sixteen beats without a rest; the first has the melody for eight, then the second."""
    hearing = heard(
        Line("Flute", FLUTE, line(SONG * 2, 1.0)), Line("Violin", VIOLINS, line([p - 4 for p in SONG * 2], 1.0))
    )
    for index in (0, 1):
        hearing = labelled(hearing, index, event="none", figure="none")
        for half, role in enumerate(("melody", "chords") if index == 0 else ("chords", "melody")):
            hearing = labelled(hearing, index, role=role, at=slice(8 * half, 8 * half + 8))
        attacks = hearing.parts[index].attacks
        whole = replace(attacks, phrase=np.zeros(attacks.n_attacks, dtype=np.int64))
        phrase = replace(hearing.parts[index].phrases[0], end_s=8.0, last_attack=15, last_note=15)
        part = replace(hearing.parts[index], attacks=whole, phrases=(phrase,))
        hearing = replace(hearing, parts=tuple(part if i == index else p for i, p in enumerate(hearing.parts)))
    return replace(hearing, texture_db=np.zeros(0))


def test_the_melody_is_handed_over_within_a_phrase(predictor: Predictor) -> None:
    hearing = duet()
    flute, violin = (level_db(predictor(hearing, index).value_cc) for index in (0, 1))
    over = flute - violin
    before, after = over[frame(1.0) : frame(3.5)].mean(), over[frame(4.8) : frame(7.5)].mean()
    assert before > 1.5
    assert after < -1.5
    crossing = np.flatnonzero(over[frame(3.0) : frame(5.5)] < 0)[0] * 0.01 + 3.0
    assert 3.3 < crossing < 4.8


def test_a_counter_melody_comes_forward_where_the_melody_rests(predictor: Predictor) -> None:
    melody = line(SONG, 0.5) + line(SONG, 0.5, start=8.0) + line(SONG, 0.5, start=16.0) + line(SONG, 0.5, start=24.0)
    answer = line([48 + (k * 5) % 7 for k in range(30)], 1.0)
    hearing = heard(Line("Violin", VIOLINS, melody), Line("Cello", CELLO, answer))
    hearing = labelled(labelled(hearing, 0, role="melody", event="none"), 1, role="counter", event="none")
    alone = labelled(hearing, 0, role="chords")
    gained = level_db(predictor(hearing, 1).value_cc) - level_db(predictor(alone, 1).value_cc)
    rests = np.concatenate([gained[frame(4.0 * k + 2.7) : frame(4.0 * k + 3.5)] for k in range(3)])
    moves = np.concatenate([gained[frame(4.0 * k + 0.7) : frame(4.0 * k + 1.5)] for k in range(1, 4)])
    assert 0.3 < rests.mean() - moves.mean() < 3.0


def test_parts_that_change_together_breathe_together_but_are_no_copies(predictor: Predictor) -> None:
    lines = [
        Line(f"Violin {k}", VIOLINS, line([60 + 4 * k + (0, 2, 4, 5, 4, 2, -1, 0)[i % 8] for i in range(32)], 2.0))
        for k in range(4)
    ]
    changes = ensemble_figures(heard(*lines), predictor)["chord changes"]
    assert changes["n_pairs"] > 50
    assert changes["median_r"] > 0.4
    assert changes["share_copies"] < 0.3


def test_doublings_agree_in_arc_and_not_in_residue(predictor: Predictor) -> None:
    tune = [n for k in range(5) for n in line(SONG, 2.0, start=18.0 * k)]
    lines = [Line("Violin", VIOLINS, tune), Line("Cello", CELLO, [(p - 12, a, b, v) for p, a, b, v in tune])]
    figures = ensemble_figures(heard(*lines), predictor)["doublings"]
    assert figures["n"] >= 3
    assert figures["arc_r"] > 0.6
    assert abs(figures["residue_r"]) < 0.3


def test_the_melody_stands_out_of_a_tutti(predictor: Predictor) -> None:
    tune = [n for k in range(4) for n in line(SONG, 1.0, start=10.0 * k)]
    lines = [Line("Flute", FLUTE, [(p + 12, a, b, v) for p, a, b, v in tune])]
    for part in range(6):
        chords = [(48 + 3 * part + k % 2, 4.0 * k, 4.0, 70) for k in range(10)]
        lines.append(Line(f"Viola {part}", 41, chords))
    figures = ensemble_figures(heard(*lines), predictor)["melody over the rest"]
    assert figures["tutti_s"] > 5.0
    assert 2.0 <= figures["tutti_db"] <= 4.0


def test_the_command_prints_every_figure(tmp_path, capsys: pytest.CaptureFixture[str]) -> None:  # type: ignore[no-untyped-def]
    path = write_cue(tmp_path / "cue.mid", Line("Flute", FLUTE, line(SONG * 2, 1.0)))
    main([str(path), "--rules", "--json"])
    figures = json.loads(capsys.readouterr().out)["cue"]
    assert set(figures) == {
        "chord changes", "closings", "hand-overs", "doublings", "counter-melodies", "melody over the rest",
        "Flute at p", "Flute at mf", "Flute at f",
    }  # fmt: skip
    soft, loud = figures["Flute at p"], figures["Flute at f"]
    assert loud["dynamics"] - soft["dynamics"] > 35
    assert loud["expression"] - soft["expression"] > 8
    assert loud["range_db"] > soft["range_db"]
    main([str(path), "--rules"])
    assert "doublings" in capsys.readouterr().out


def at(texture: NDArray[np.float64], first_s: float, last_s: float) -> float:
    return float(texture[round(first_s / STEP_S) : round(last_s / STEP_S)].mean())


def steady(first_beat: float, beats: float, pitch: int) -> list[Note]:
    return line([pitch, pitch + 2] * int(beats / 2), 1.0, start=first_beat)


def test_a_tutti_is_a_little_louder_than_what_surrounds_it() -> None:
    lines = [Line("Violin", 40, steady(0, 60, 67))]
    lines += [Line(f"Part {k}", 42 + k, steady(20, 20, 48 + k)) for k in range(6)]
    texture = heard(*lines).texture_db
    assert 0.4 < at(texture, 12, 18) - at(texture, 2, 7) < 2.4
    assert np.abs(texture).max() <= 1.2


def test_a_line_without_change_has_no_texture_to_speak_of() -> None:
    texture = heard(Line("Violin", 40, steady(0, 60, 67))).texture_db
    assert np.ptp(texture) < 0.3


def test_a_climb_and_a_stir_count_a_little() -> None:
    climb = heard(Line("Violin", 40, steady(0, 30, 60) + steady(30, 30, 79))).texture_db
    assert 0.1 < at(climb, 16, 24) - at(climb, 6, 13) < 1.5


def test_what_is_far_away_has_no_say() -> None:
    one = [Line("Violin", 40, steady(0, 160, 67))]
    more = [*one, Line("Flute", 73, steady(120, 20, 80))]
    plain, changed = heard(*one).texture_db, heard(*more).texture_db
    until = round((60 - 16.5) / STEP_S)
    assert np.array_equal(plain[:until], changed[:until])
    assert not np.array_equal(plain, changed)


def test_where_the_composer_has_spoken_the_texture_is_silent() -> None:
    assert len(hear(marked_cue(conductor=[(3, "f")])).texture_db) == 0
    assert len(hear(marked_cue()).texture_db) > 0


def test_nothing_to_hear_is_no_fault() -> None:
    assert texture_db([]).tolist() == [0.0]
