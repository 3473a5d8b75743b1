"""The table of loudness: what it says, what is wrong with it, and the levels that follow."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marked_cues import BAR_S, marked_cue, table
from shaped_cues import film_frames

from phrasewright.data.errors import InputError, UsageError
from phrasewright.data.plan import (
    EXPRESSION_CENTRES_CC,
    LEVEL_CENTRES_CC,
    LEVELS_CC,
    Plan,
    expression_at,
    nearest_mark,
    plan_levels,
    read_plan,
)
from phrasewright.data.reading import read_cue

CUE = marked_cue()
MF = LEVEL_CENTRES_CC["mf"]


def levels(plan: Plan, bar: float, *, part: int = 1) -> float:
    return float(plan_levels(plan, CUE.parts[part - 1], np.array([(bar - 1) * BAR_S + 0.3]))[0, 0])


def test_levels_by_mark_and_by_number() -> None:
    plan = table(CUE, "3,p,,", "5,100,,", "7,ff,,")
    assert [levels(plan, bar) for bar in (1, 3, 5, 7)] == [MF, LEVEL_CENTRES_CC["p"], 100.0, LEVEL_CENTRES_CC["ff"]]


def test_both_controllers_follow_the_printed_levels() -> None:
    for name, dynamics_cc in LEVEL_CENTRES_CC.items():
        plan = table(CUE, f"1,{name},,")
        asked = plan_levels(plan, CUE.parts[0], np.array([4.0]))[0]
        assert asked.tolist() == [dynamics_cc, EXPRESSION_CENTRES_CC[name]]
        assert nearest_mark(dynamics_cc + 2) == name
    assert np.all(np.diff(expression_at(np.arange(128))) >= 0)


def test_parts_by_number_and_by_name() -> None:
    plan = table(CUE, "1,p,2,", '3,f,"violin, 2",', "5,pp,CELLO,")
    assert [levels(plan, bar, part=1) for bar in (1, 3, 5)] == [MF, 90.0, 90.0]
    assert [levels(plan, bar, part=2) for bar in (1, 3, 5)] == [44.0, 90.0, 30.0]


def test_at_one_bar_a_parts_own_row_comes_after_that_for_all() -> None:
    plan = table(CUE, "3,p,Violin,", "3,f,,")
    assert levels(plan, 3, part=1) == 44.0
    assert levels(plan, 3, part=2) == 90.0


def test_a_ramp_ends_at_its_bar() -> None:
    plan = table(CUE, "1,p,,", "9,f,,4")
    course = plan_levels(plan, CUE.parts[0], np.arange(0, 1700) / 100.0)[:, 0]
    assert np.all(np.diff(course) >= 0)
    assert course[790] == pytest.approx(44.0)
    assert 60.0 < course[1200] < 74.0
    assert course[1600] == pytest.approx(90.0)
    assert np.diff(course).max() < 0.1


def test_a_step_is_over_just_after_the_joined_note_it_concerns_has_begun() -> None:
    plan = table(CUE, "1,f,,", "4,p,,")
    onset = round(3 * BAR_S * 100)
    course = plan_levels(plan, CUE.parts[0], np.arange(0, 1700) / 100.0)[:, 0]
    assert course[onset - 11] == 90.0
    assert course[onset + 9] == 44.0


def test_a_step_into_a_note_after_a_gap_is_over_at_the_onset() -> None:
    plan = table(CUE, "1,f,,", "5,p,,")
    onset = round(4 * BAR_S * 100)
    course = plan_levels(plan, CUE.parts[0], np.arange(0, 1700) / 100.0)[:, 0]
    assert course[onset] == 44.0
    assert course[onset - 25] == 90.0


ROWS = st.tuples(st.integers(1, 16), st.sampled_from(sorted(LEVELS_CC)), st.floats(0, 20))


@given(st.lists(ROWS, max_size=8, unique_by=lambda row: row[0]))
@settings(max_examples=60, deadline=None)
def test_any_plan_stays_between_its_levels_and_never_jumps(rows: list[tuple[int, str, float]]) -> None:
    plan = table(CUE, *(f"{bar},{level},,{ramp:.3f}" for bar, level, ramp in rows))
    course = plan_levels(plan, CUE.parts[0], np.arange(0, 3500) / 100.0)
    low, high = plan.extent_cc(CUE.parts[0])
    assert course[:, 0].min() >= min(low, MF) - 1e-6
    assert course[:, 0].max() <= max(high, MF) + 1e-6
    assert np.abs(np.diff(course[:, 0])).max(initial=0.0) < 15.0
    for bar, level, ramp in rows:
        at_s = (bar - 1) * BAR_S
        after = [other for other, _, width in rows if other != bar and other - width - 1.1 < bar < other + 1]
        if not after and ramp < 1:
            got = float(plan_levels(plan, CUE.parts[0], np.array([at_s + 0.3]))[0, 0])
            assert got == pytest.approx(LEVELS_CC[level], abs=0.5)


def test_a_table_from_a_sheet_with_semicolons_blank_lines_and_a_byte_order_mark() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.csv"
        path.write_bytes("\ufeffBar;Level\r\n1;p\r\n\r\n5;f\r\n".encode())
        plan = read_plan(path, CUE)
    assert [levels(plan, bar) for bar in (1, 5)] == [44.0, 90.0]


def test_all_faults_of_a_table_come_in_one_message_with_their_lines() -> None:
    with pytest.raises(InputError) as told:
        table(CUE, "0,p,,", "2,loud,,", "3,200,,", "4,p,Oboe,", "5,p,,long", "99,p,,", "6,f,,", "6,p,,", "7,p,1,2,3")
    message = str(told.value)
    for piece in (
        "line 2: bar '0'", "line 3: level 'loud'", "line 4: level '200'",
        "line 5: no part is called or numbered 'Oboe'",
        "1 Violin, 2 Cello", "line 6: ramp 'long'", "line 7: bar 99 lies beyond the end",
        "line 9: bar 6 is given for all parts in line 8",
        "line 10: 5 cells under 4 columns",
    ):  # fmt: skip
        assert piece in message
    assert "\n" not in message


@pytest.mark.parametrize(
    ("content", "said"), [(b"", "is empty"), (b"when,how\n1,p\n", "header"), (b"\xff\xfe\x00", "UTF-8")]
)
def test_a_file_that_is_no_table(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "plan.csv"
    path.write_bytes(content)
    with pytest.raises(InputError, match=said):
        read_plan(path, CUE)


def test_a_missing_table(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_plan(tmp_path / "none.csv", CUE)


def test_a_file_without_bars_has_no_plan_in_bars(tmp_path: Path) -> None:
    cue = read_cue(film_frames(tmp_path / "film.mid"))
    with pytest.raises(UsageError, match="SMPTE"):
        table(cue, "1,p,,")


def test_the_plan_in_words() -> None:
    told = [(mark.text, round(mark.time_s, 2)) for mark in table(CUE, "1,p,1,", "9,f,1,4", "11,sfz,1,").as_marks(CUE)]
    assert told == [("p", 0.0), ("cresc.", 8.0), ("f", 16.0), ("sfz", 20.0)]
