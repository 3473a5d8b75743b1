"""Comparing files: what the figures, the table and the sentence tell a composer."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from drawn_cues import BEAT_S, Line, ramp, write_cue

from phrasewright.data.errors import InputError, OutputError
from phrasewright.data.profiles import read_profile
from phrasewright.inference.comparing import compare_files, compare_into
from phrasewright.inference.comparison_text import compare_text

SCALE = [(60 + i % 5, float(i), 1.0, 80) for i in range(16)]
CHORDS = [(p, 4.0 * i, 4.0, 70) for i in range(4) for p in (48, 52, 55)]
SWELL = {1: [*ramp(0, 8, 40, 80), *ramp(8.25, 16, 79, 45)], 11: [*ramp(0, 8, 80, 100), *ramp(8.5, 16, 99, 85)]}
METRICS = {"mae", "rmse", "bias", "r", "slope_agreement", "lag_ms", "depth_ratio", "n_frames"}

Lanes = dict[int, list[tuple[float, int]]]


def moved(lanes: Lanes, *, by: int = 0, later_s: float = 0.0) -> Lanes:
    """Lanes some steps higher and some seconds later; the start value stays at the start."""
    return {
        cc: [(beat + later_s / BEAT_S if i else beat, value + by) for i, (beat, value) in enumerate(events)]
        for cc, events in lanes.items()
    }


@pytest.fixture
def drawn(tmp_path: Path) -> Path:
    return write_cue(tmp_path / "drawn.mid", Line("Violins I", 48, SCALE, SWELL), Line("Cellos", 48, CHORDS, SWELL))


def other(tmp_path: Path, *lines: Line, name: str = "shaped.mid") -> Path:
    return write_cue(tmp_path / name, *lines)


def test_a_file_compared_with_itself_does_not_differ(drawn: Path) -> None:
    result = compare_files(drawn, [drawn])
    for lane in ("dynamics", "expression"):
        assert result["overall"][lane]["mae"] == 0
        assert result["overall"][lane]["r"] == pytest.approx(1)
        assert result["overall"][lane]["lag_ms"] == 0
    assert result["summary"] == "No difference in dynamics and expression."
    assert result["remarks"] == []


def test_the_result_has_every_field_and_is_json(drawn: Path, tmp_path: Path) -> None:
    right = other(tmp_path, Line("Violins I", 48, SCALE, moved(SWELL, by=5)), Line("Cellos", 48, CHORDS))
    result = compare_files(drawn, [right])
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    assert {"parts", "overall", "phrases", "summary"} <= set(result)
    violins, cellos = result["parts"]
    assert (violins["index"], violins["name"]) == (1, "Violins I")
    assert set(violins["lanes"]) == {"dynamics", "expression", "vibrato"}
    assert set(violins["lanes"]["dynamics"]) == METRICS
    assert violins["lanes"]["vibrato"] is None
    assert cellos["lanes"] == {"dynamics": None, "expression": None, "vibrato": None}
    assert set(result["phrases"][0]) >= {"part", "lane", "start_s", "end_s", "mae"}
    assert result["overall"]["dynamics"]["n_frames"] == violins["lanes"]["dynamics"]["n_frames"]


def test_louder_and_later_is_measured_and_said(drawn: Path, tmp_path: Path) -> None:
    lanes = {1: moved(SWELL, by=9, later_s=0.12)[1], 11: moved(SWELL, by=-2)[11]}
    right = other(tmp_path, Line("Violins I", 48, SCALE, lanes), Line("Cellos", 48, CHORDS, lanes))
    result = compare_files(drawn, [right])
    dynamics, expression = result["overall"]["dynamics"], result["overall"]["expression"]
    assert dynamics["lag_ms"] == pytest.approx(120)
    assert dynamics["bias"] == pytest.approx(9, abs=1)
    assert expression["bias"] == pytest.approx(-2)
    assert expression["lag_ms"] == 0
    assert "Dynamics differ most" in result["summary"]
    assert "louder" in result["summary"]
    assert "120 ms later" in result["summary"]
    assert "2.0 steps softer" in result["summary"]


def test_a_shallower_hand_is_told(drawn: Path, tmp_path: Path) -> None:
    half = {cc: [(beat, 60 + (value - 60) // 2) for beat, value in events] for cc, events in SWELL.items()}
    right = other(tmp_path, Line("Violins I", 48, SCALE, half), Line("Cellos", 48, CHORDS, half))
    result = compare_files(drawn, [right])
    assert result["overall"]["dynamics"]["depth_ratio"] == pytest.approx(0.5, abs=0.08)
    assert "shallower (0." in result["summary"]


def test_the_worst_phrase_comes_first_and_is_named_by_bar(tmp_path: Path) -> None:
    notes = [(60, 4.0 * bar, 3.0, 80) for bar in range(6)]
    flat, spike = [(0.0, 60)], [(0.0, 60), (16.0, 90), (19.5, 60)]
    left = write_cue(tmp_path / "a.mid", Line("Oboe", 68, notes, {1: flat}))
    right = write_cue(tmp_path / "b.mid", Line("Oboe", 68, notes, {1: spike}))
    result = compare_files(left, [right])
    errors = [row["mae"] for row in result["phrases"]]
    assert errors == sorted(errors, reverse=True)
    worst = result["phrases"][0]
    assert worst["part"] == 1
    assert worst["lane"] == "dynamics"
    assert worst["start_s"] <= 8.0 < worst["end_s"]
    assert "Oboe, bar" in result["summary"]
    assert "5" in result["summary"]


def test_parts_are_matched_by_name_before_order(drawn: Path, tmp_path: Path) -> None:
    swapped = other(tmp_path, Line("cellos", 48, CHORDS, SWELL), Line("Violins  I", 48, SCALE, SWELL))
    result = compare_files(drawn, [swapped])
    assert result["overall"]["dynamics"]["mae"] == 0
    assert result["remarks"] == []


def test_parts_with_other_names_are_matched_in_order_and_it_is_said(drawn: Path, tmp_path: Path) -> None:
    renamed = other(tmp_path, Line("Cellos", 48, CHORDS, SWELL), Line("Vl. 1", 48, SCALE, SWELL))
    result = compare_files(drawn, [renamed])
    assert result["overall"]["dynamics"]["mae"] == 0
    assert result["remarks"] == ["Violins I is not in shaped.mid; Vl. 1, next in order, stands for it"]


def test_parts_of_one_name_are_matched_in_order(tmp_path: Path) -> None:
    lanes = [{1: [(0.0, 40)]}, {1: [(0.0, 90)]}]
    files = [
        write_cue(tmp_path / name, *(Line("Horn", 60, SCALE, lane) for lane in lanes)) for name in ("a.mid", "b.mid")
    ]
    assert compare_files(files[0], [files[1]])["overall"]["dynamics"]["mae"] == 0


def test_a_part_that_one_file_lacks_is_told(drawn: Path, tmp_path: Path) -> None:
    one = other(tmp_path, Line("Violins I", 48, SCALE, SWELL))
    assert compare_files(drawn, [one])["remarks"] == ["Cellos is not in shaped.mid"]
    assert compare_files(one, [drawn])["remarks"] == ["Cellos is only in drawn.mid"]


def test_notes_that_differ_are_told_with_their_bar(drawn: Path, tmp_path: Path) -> None:
    notes = [*SCALE[:9], (72, 9.0, 1.0, 80), *SCALE[10:]]
    right = other(tmp_path, Line("Violins I", 48, notes, SWELL), Line("Cellos", 48, CHORDS, SWELL))
    (remark,) = compare_files(drawn, [right])["remarks"]
    assert remark.startswith("Violins I: the notes differ from bar 3 on (16 in drawn.mid, 16 in shaped.mid)")


def test_files_of_different_length_are_told(drawn: Path, tmp_path: Path) -> None:
    longer = [*SCALE, *((60, float(i), 1.0, 80) for i in range(16, 32))]
    right = other(tmp_path, Line("Violins I", 48, longer, SWELL), Line("Cellos", 48, CHORDS, SWELL))
    remarks = compare_files(drawn, [right])["remarks"]
    assert remarks[0].startswith("drawn.mid lasts 8.0 s, shaped.mid 16.0 s")


def test_what_sounds_in_the_left_file_decides(tmp_path: Path) -> None:
    """The lane differs only in the second half, where the left file is silent."""
    half = SCALE[:8]
    left = write_cue(tmp_path / "a.mid", Line("Oboe", 68, half, {1: [(0.0, 60)]}))
    right = write_cue(tmp_path / "b.mid", Line("Oboe", 68, SCALE, {1: [(0.0, 60), (9.0, 100)]}))
    assert compare_files(left, [right])["overall"]["dynamics"]["mae"] == 0
    assert compare_files(right, [left])["overall"]["dynamics"]["mae"] > 10


def test_lanes_of_a_part_that_is_not_shaped_are_compared_too(tmp_path: Path) -> None:
    left = write_cue(tmp_path / "a.mid", Line("Piano", 0, SCALE, {11: [(0.0, 60)]}))
    right = write_cue(tmp_path / "b.mid", Line("Piano", 0, SCALE, {11: [(0.0, 63)]}))
    assert compare_files(left, [right])["parts"][0]["lanes"]["expression"]["mae"] == 3


def test_breath_as_dynamics_is_compared_with_dynamics(tmp_path: Path) -> None:
    """One hand drew the flute's dynamics on breath with modulation left alone, the other on modulation."""
    left = write_cue(tmp_path / "a.mid", Line("Flute", 73, SCALE, {1: [(0.0, 20)], 2: SWELL[1]}))
    right = write_cue(tmp_path / "b.mid", Line("Flute", 73, SCALE, {1: moved(SWELL, by=4)[1]}))
    result = compare_files(left, [right])
    lanes = result["parts"][0]["lanes"]
    assert lanes["dynamics"]["bias"] == pytest.approx(4)
    assert lanes["vibrato"] is None
    assert result["remarks"] == ["Flute: dynamics is controller 2 in a.mid, controller 1 in b.mid"]


def test_a_profile_says_which_controllers_are_compared(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('["Flute"]\nlanes.dynamics = 21\n')
    left = write_cue(tmp_path / "a.mid", Line("Flute", 73, SCALE, {1: [(0.0, 20)], 21: [(0.0, 50)]}))
    right = write_cue(tmp_path / "b.mid", Line("Flute", 73, SCALE, {1: [(0.0, 90)], 21: [(0.0, 53)]}))
    result = compare_files(left, [right], profile=read_profile(path))
    assert result["overall"]["dynamics"]["mae"] == 3


def test_no_common_lane_is_said(drawn: Path, tmp_path: Path) -> None:
    bare = other(tmp_path, Line("Violins I", 48, SCALE), Line("Cellos", 48, CHORDS))
    result = compare_files(bare, [drawn])
    assert result["overall"] == {"dynamics": None, "expression": None, "vibrato": None}
    assert result["phrases"] == []
    assert "nothing to compare" in result["summary"]
    assert "Dynamics are only in drawn.mid." in result["summary"]
    assert "nothing to compare" in compare_text(result)


def test_files_of_one_name_are_told_apart_by_their_folders(drawn: Path, tmp_path: Path) -> None:
    (tmp_path / "shaped").mkdir()
    lanes = moved(SWELL, by=9)
    right = other(tmp_path / "shaped", Line("Violins I", 48, SCALE, {1: lanes[1]}), name="drawn.mid")
    summary = compare_files(drawn, [right])["summary"]
    assert "in shaped/drawn.mid they are" in summary
    assert f"Expression is only in {drawn.parent.name}/drawn.mid." in summary


def test_several_files_are_candidates(drawn: Path, tmp_path: Path) -> None:
    near = other(tmp_path, Line("Violins I", 48, SCALE, moved(SWELL, by=1)), name="near.mid")
    far = other(tmp_path, Line("Violins I", 48, SCALE, moved(SWELL, by=20)), name="far.mid")
    result = compare_files(drawn, [far, near])
    assert set(result) == {"candidates"}
    assert [c["file"] for c in result["candidates"]] == [str(far), str(near)]
    assert result["candidates"][1]["overall"]["dynamics"]["bias"] == pytest.approx(1)
    ranking = compare_text(result).split("Nearest first")[1]
    assert ranking.index("near.mid") < ranking.index("far.mid")


def test_the_text_is_a_table_that_reads_when_piped(drawn: Path, tmp_path: Path) -> None:
    right = other(tmp_path, Line("Violins I", 48, SCALE, moved(SWELL, by=5)), Line("Cellos", 48, CHORDS))
    text = compare_text(compare_files(drawn, [right]))
    row = next(line for line in text.splitlines() if line.startswith("1 Violins I"))
    assert row.split()[:6] == ["1", "Violins", "I", "dynamics", "5.0", "5.0"]
    assert "+5.0" in row
    assert "No lane in both files: Cellos." in text
    assert "\x1b" not in text
    assert all(len(line) <= 110 for line in text.splitlines()[:10])
    assert text == compare_text(compare_files(drawn, [right]))


def test_brackets_in_names_stay(tmp_path: Path) -> None:
    path = write_cue(tmp_path / "a.mid", Line("Violins [div. a2]", 48, SCALE, SWELL))
    assert "1 Violins [div. a2]" in compare_text(compare_files(path, [path]))


def test_a_missing_file_is_an_input_error(drawn: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"absent\.mid: cannot be read"):
        compare_files(drawn, [tmp_path / "absent.mid"])


def test_two_runs_agree(drawn: Path, tmp_path: Path) -> None:
    right = other(tmp_path, Line("Violins I", 48, SCALE, moved(SWELL, by=5, later_s=0.05)))
    assert compare_files(drawn, [right]) == compare_files(drawn, [right])


# --- habits, in words -------------------------------------------------------------------------------------------------

LONG = [(60 + (5 * i) % 12, 2.0 * i, 2.0, 80) for i in range(24)]


def dipping(depth: int) -> list[tuple[float, int]]:
    """80 throughout, but for a dip of a quarter of a second about every join."""
    events = [(0.0, 80)]
    for i in range(1, len(LONG)):
        join = 2.0 * i
        events += [(join - 0.2, 80 - depth // 2), (join - 0.1, 80 - depth)]
        events += [(join + 0.1, 80 - depth // 2), (join + 0.2, 80)]
    return events


def swelling(delay_beat: float) -> list[tuple[float, int]]:
    """Vibrato at 10 at each onset, at 50 from `delay_beat` on."""
    return [row for i in range(len(LONG)) for row in ((2.0 * i, 10), (2.0 * i + delay_beat, 50))]


def with_rests(notes: list[tuple[int, float, float, int]]) -> list[tuple[int, float, float, int]]:
    """Every fourth note ends early: six phrases."""
    return [(p, b, d - (0.8 if i % 4 == 3 else 0.0), v) for i, (p, b, d, v) in enumerate(notes)]


def test_half_the_dips_and_an_earlier_vibrato_are_told_as_a_player_would(tmp_path: Path) -> None:
    """Dips of 12 and of 6 steps, vibrato 400 and 200 ms after the onset: by hand, half as deep and 200 ms earlier."""
    notes = with_rests(LONG)
    left = write_cue(tmp_path / "mine.mid", Line("Violin", 40, notes, {1: dipping(12), 2: swelling(0.8)}))
    right = write_cue(tmp_path / "yours.mid", Line("Violin", 40, notes, {1: dipping(6), 2: swelling(0.4)}))
    summary = compare_files(left, [right])["summary"]
    assert summary.startswith(
        "Beside mine.mid, yours.mid dips half as deep at joins (dynamics, 6.0 steps against 12.0) and starts vibrato "
        "200 ms earlier (0.20 s after the note's beginning against 0.40)."
    )
    back = compare_files(right, [left])["summary"]
    assert "dips twice as deep at joins" in back
    assert "starts vibrato 200 ms later" in back


def test_joins_and_repeats_treated_alike_are_told_in_one_breath(tmp_path: Path) -> None:
    again = [(60 + (5 * (i // 2)) % 12, beat, beats, v) for i, (_, beat, beats, v) in enumerate(with_rests(LONG))]
    left = write_cue(tmp_path / "mine.mid", Line("Violin", 40, again, {1: dipping(12)}))
    right = write_cue(tmp_path / "yours.mid", Line("Violin", 40, again, {1: dipping(6)}))
    figures = "(dynamics, 6.0 steps against 12.0)"
    told = f"yours.mid dips half as deep at joins {figures} and at repeated notes {figures}."
    assert told in compare_files(left, [right])["summary"]


def test_no_dips_at_all_are_told(tmp_path: Path) -> None:
    notes = with_rests(LONG)
    left = write_cue(tmp_path / "mine.mid", Line("Violin", 40, notes, {1: dipping(12)}))
    right = write_cue(tmp_path / "flat.mid", Line("Violin", 40, notes, {1: [(0.0, 80)]}))
    assert "flat.mid hardly dips at joins (dynamics, 0.0 steps against 12.0)" in compare_files(left, [right])["summary"]


def test_what_may_be_chance_is_not_told(tmp_path: Path) -> None:
    """Half of the phrases dip deeper, half shallower: on average a little, within chance."""
    notes = with_rests(LONG)
    mixed = [
        (b, 80 - round((80 - v) * (1.6 if int(b // 8) % 2 else 0.6))) for b, v in dipping(12)
    ]
    left = write_cue(tmp_path / "mine.mid", Line("Violin", 40, notes, {1: dipping(12)}))
    right = write_cue(tmp_path / "mixed.mid", Line("Violin", 40, notes, {1: mixed}))
    assert "dips" not in compare_files(left, [right])["summary"]


def test_intervals_hold_the_figures_they_belong_to(tmp_path: Path) -> None:
    notes = with_rests(LONG)
    left = write_cue(tmp_path / "a.mid", Line("Violin", 40, notes, {1: dipping(12)}))
    right = write_cue(tmp_path / "b.mid", Line("Violin", 40, notes, {1: moved({1: dipping(8)}, by=3)[1]}))
    result = compare_files(left, [right])
    for name in ("mae", "bias"):
        low, high = result["intervals"]["dynamics"][name]
        assert low < result["overall"]["dynamics"][name] < high
    assert result["intervals"]["vibrato"] is None
    assert "95 % interval by phrase: dynamics" in compare_text(result)


# --- the table --------------------------------------------------------------------------------------------------------


def test_the_table_has_a_row_for_each_phrase_and_each_situation(drawn: Path, tmp_path: Path) -> None:
    right = other(tmp_path, Line("Violins I", 48, SCALE, moved(SWELL, by=5)), Line("Cellos", 48, CHORDS, SWELL))
    result = compare_into(drawn, [right], table=tmp_path / "figures.csv")
    table = pd.read_csv(tmp_path / "figures.csv")
    phrases = table[table["axis"] == "phrase"]
    assert len(phrases) == len(result["phrases"])
    told = {(row["part"], row["lane"], round(row["start_s"], 3)): row["mae"] for row in result["phrases"]}
    for row in phrases.itertuples():
        assert row.mae == pytest.approx(told[row.part, row.lane, round(row.start_s, 3)], abs=1e-3)
    roles = table[(table["axis"] == "role") & (table["lane"] == "dynamics")].set_index("label")
    assert roles.loc["melody", "bias"] == pytest.approx(5)
    assert roles.loc["chords", "mae"] == 0
    pooled = (phrases["mae"] * phrases["n_frames"])[phrases["lane"] == "dynamics"].sum()
    counted = phrases["n_frames"][phrases["lane"] == "dynamics"].sum()
    assert pooled / counted == pytest.approx(result["overall"]["dynamics"]["mae"], abs=1e-3)


def test_the_table_of_several_files_names_them(drawn: Path, tmp_path: Path) -> None:
    files = [
        other(tmp_path, Line("Violins I", 48, SCALE, moved(SWELL, by=by)), name=f"by{by}.mid") for by in (1, 4)
    ]
    compare_into(drawn, files, table=tmp_path / "figures.csv")
    table = pd.read_csv(tmp_path / "figures.csv")
    means = table[(table["axis"] == "phrase") & (table["lane"] == "dynamics")].groupby("file")["bias"].mean()
    assert means.to_dict() == pytest.approx({str(files[0]): 1, str(files[1]): 4})


def test_a_table_that_is_there_is_refused(drawn: Path, tmp_path: Path) -> None:
    (tmp_path / "figures.csv").write_text("mine")
    with pytest.raises(OutputError, match="already there"):
        compare_into(drawn, [drawn], table=tmp_path / "figures.csv")
    compare_into(drawn, [drawn], table=tmp_path / "figures.csv", force=True)
    assert (tmp_path / "figures.csv").read_text().startswith("file,axis,label")
