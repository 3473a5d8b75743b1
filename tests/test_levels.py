"""Lanes ride on the plan, whoever predicts them: level, timbre, ramps, steps, accents; and parts listen to each other:
hand-over, answers, shared gestures, doublings, balance, and loudness by texture.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from drawn_cues import Line, write_cue
from marked_cues import BAR_S, PHRASE, marked_cue, planned, table
from numpy.typing import NDArray
from played_lines import CELLO, FLUTE, VIOLINS, Note, Predictor, frame, heard, labelled, level_db, line, smoothed

from phrasewright.model.hearing import CueHearing
from phrasewright.model.levels import TEXTURE_STEP_S, texture_db
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.training.ensemble_evaluation import ensemble_figures, main

Array = NDArray[np.float64]


def sounding(predictor: Predictor, hearing: CueHearing, index: int = 0) -> Array:
    lanes = predictor(hearing, index).value_cc
    return lanes[sounding_frames(hearing, index, len(lanes))]


def test_the_same_phrase_differs_in_level_and_in_timbre_from_pp_to_ff(predictor: Predictor) -> None:
    means = [sounding(predictor, planned(f"1,{mark},,")) for mark in ("pp", "p", "mp", "mf", "f", "ff")]
    level = np.array([level_db(lanes).mean() for lanes in means])
    centres = np.array([lanes.mean(axis=0) for lanes in means])
    assert np.all(np.diff(level) > 2.5)
    assert np.all(np.diff(centres[:, 0]) > 9.0)
    assert np.all(np.diff(centres[:, 1]) > 2.0)
    assert np.all(np.diff(centres[:, 2]) > 0.0)
    assert np.abs(centres[:, 0] - np.array([30, 44, 58, 72, 90, 108])).max() < 6.0


def test_it_is_the_same_phrase_still(predictor: Predictor) -> None:
    """The arcs and joins of p are those of f, a little smaller."""
    soft, loud = (sounding(predictor, planned(f"1,{mark},,")) for mark in ("p", "f"))
    for lane in (0, 1):
        assert np.corrcoef(soft[:, lane], loud[:, lane])[0, 1] > 0.97
    assert 0.6 < soft[:, 0].std() / loud[:, 0].std() < 0.95


def test_mf_is_what_comes_without_a_plan(predictor: Predictor) -> None:
    plain = sounding(predictor, replace(hear(marked_cue()), texture_db=np.zeros(0)))
    asked = sounding(predictor, planned("1,mf,,"))
    assert np.abs(plain - asked).max() < 0.5


def test_a_crescendo_rises_from_phrase_to_phrase_and_a_diminuendo_falls(predictor: Predictor) -> None:
    for row, sign in (("13,ff,,12", 1), ("13,pp,,12", -1)):
        hearing = planned(row)
        level = level_db(predictor(hearing, 0).value_cc)
        means = [level[frame(4.0 * k) : frame(4.0 * k + 3.5)].mean() for k in range(6)]
        assert np.all(sign * np.diff(means) > 0.8)


def test_a_ramp_is_monotonic_once_phrases_are_smoothed_out(predictor: Predictor) -> None:
    hearing = planned("1,p,,", "15,ff,,13")
    level = level_db(predictor(hearing, 0).value_cc)
    sound = np.flatnonzero(sounding_frames(hearing, 0, len(level)))
    course = smoothed(level[sound], width_s=4.0)[200:-600]
    assert np.diff(course[::50]).min() > -0.35
    assert course[-1] - course[0] > 8.0


def test_a_sudden_p_is_there_at_its_onset(predictor: Predictor) -> None:
    hearing = labelled(planned("1,f,,", "4,p,,"), event="none")
    lanes = predictor(hearing, 0).value_cc
    onset_s = 3 * BAR_S
    before, after = (lanes[frame(onset_s + a) : frame(onset_s + b), 0] for a, b in ((-0.4, -0.2), (0.12, 0.4)))
    assert before.mean() - after.mean() > 35.0
    at_once = lanes[frame(onset_s - 0.12) : frame(onset_s + 0.1), 0]
    assert np.ptp(at_once) > 25.0


def test_niente_ends_at_the_low_end(predictor: Predictor) -> None:
    hearing = planned("1,p,,", "16,niente,,6")
    lanes = predictor(hearing, 0).value_cc
    assert lanes[frame(15 * BAR_S) : frame(15 * BAR_S + 1.5), 0].max() < 25.0
    assert lanes[frame(15 * BAR_S) : frame(15 * BAR_S + 1.5), 1].max() < 60.0
    assert lanes[frame(8 * BAR_S) : frame(9 * BAR_S), 0].mean() > 35.0


def test_a_plan_for_one_part_leaves_the_others_alone(predictor: Predictor) -> None:
    plain, asked = planned(), planned("1,pp,Violin,", "9,ff,Violin,4")
    assert np.array_equal(predictor(plain, 1).value_cc, predictor(asked, 1).value_cc)
    assert np.abs(predictor(plain, 0).value_cc - predictor(asked, 0).value_cc).max() > 20.0


def test_a_plan_late_in_the_cue_leaves_its_beginning_alone(predictor: Predictor) -> None:
    plain, asked = (predictor(planned(*rows), 0).value_cc for rows in ((), ("13,ff,,",)))
    assert np.array_equal(plain[: frame(9 * BAR_S)], asked[: frame(9 * BAR_S)])


@pytest.mark.parametrize("event", ["accent", "sforzando"])
def test_accents_grow_with_the_level(predictor: Predictor, event: str) -> None:
    heights = []
    at_s = 8 * BAR_S + 0.5
    for mark in ("p", "mf", "f"):
        hearing = planned(f"1,{mark},,")
        lanes = {}
        for label in ("none", event):
            plain = labelled(hearing, event="none")
            struck = labelled(plain, event=label, at=slice(4 * len(PHRASE) + 1, 4 * len(PHRASE) + 2))
            lanes[label] = predictor(struck, 0).value_cc[frame(at_s - 0.05) : frame(at_s + 0.3), 0]
        heights.append(float((lanes[event] - lanes["none"]).max()))
    assert heights[0] < 0.9 * heights[1]
    assert heights[2] > (1.0 if event == "accent" else 0.95) * heights[1]  # a sforzando in f meets the ceiling
    assert heights[0] > 4.0


def test_marks_in_the_file_do_what_a_table_does(predictor: Predictor) -> None:
    marked = hear(marked_cue(conductor=[(1, "p"), (9, "f")]))
    cue = marked_cue()
    asked = hear(cue, plan=table(cue, "1,p,,", "9,f,,"))
    assert np.array_equal(predictor(marked, 0).value_cc, predictor(asked, 0).value_cc)


def test_an_fp_in_a_table_does_what_the_mark_does(predictor: Predictor) -> None:
    """Its attack is f, and the note goes on in p: no dip before it, no accent of p alone."""
    marked = hear(marked_cue(conductor=[(1, "f"), (9, "fp")]))
    cue = marked_cue()
    asked = hear(cue, plan=table(cue, "1,f,,", "9,fp,,"))
    assert np.array_equal(predictor(marked, 0).value_cc, predictor(asked, 0).value_cc)


def test_an_accent_in_a_table_is_heard() -> None:
    hearing = planned("5,sfz,Violin,")
    events = [(s.label, round(s.start_s, 2)) for s in hearing.parts[0].situations if s.axis == "event"]
    assert ("sforzando", 8.0) in events
    assert ("sforzando", 8.0) not in [(s.label, round(s.start_s, 2)) for s in hearing.parts[1].situations]


def test_ranges_open_where_the_plan_asks_for_more(predictor: Predictor) -> None:
    assert sounding(predictor, planned("1,4,,"))[:, 0].min() < 10.0
    assert sounding(predictor, planned("1,127,,"))[:, 0].max() > 119.0
    assert sounding(predictor, planned("1,ff,,"))[:, 0].max() <= 118.0
    assert sounding(predictor, planned("1,pp,,"))[:, 0].min() >= 12.0


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
    return float(texture[round(first_s / TEXTURE_STEP_S) : round(last_s / TEXTURE_STEP_S)].mean())


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
    until = round((60 - 16.5) / TEXTURE_STEP_S)
    assert np.array_equal(plain[:until], changed[:until])
    assert not np.array_equal(plain, changed)


def test_where_the_composer_has_spoken_the_texture_is_silent() -> None:
    assert len(hear(marked_cue(conductor=[(3, "f")])).texture_db) == 0
    assert len(hear(marked_cue()).texture_db) > 0


def test_nothing_to_hear_is_no_fault() -> None:
    assert texture_db([]).tolist() == [0.0]
