"""A planned level comes out level on any instrument, and lanes stand where notes are heard."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shaped_cues import note, track, write

from phrasewright.data.cue import Delays
from phrasewright.data.plan import LEVEL_CENTRES_CC
from phrasewright.data.reading import read_cue
from phrasewright.model.hearing import PartHearing
from phrasewright.model.lanes import dynamics_to_db, expression_to_db
from phrasewright.model.listening import hear
from phrasewright.model.responses import answered, by_default_law, timing_of

WIDE = {"dynamics": (12.0, 118.0), "expression": (48.0, 120.0), "vibrato": (0.0, 127.0), "bow": (0.0, 127.0)}
CENTRES = np.array(list(LEVEL_CENTRES_CC.values()))


@st.composite
def responses(draw: st.DrawFn) -> tuple[tuple[float, float], ...]:
    values = sorted(draw(st.sets(st.integers(5, 122), max_size=4)) | {0, 127})
    rises = draw(st.lists(st.floats(0.0, 20.0), min_size=len(values) - 1, max_size=len(values) - 1))
    levels = np.r_[-60.0, -60.0 + 1.0 + np.cumsum(rises)]
    return tuple(zip(map(float, values), levels.tolist(), strict=True))


def given_db(response: tuple[tuple[float, float], ...], value_cc: np.ndarray) -> np.ndarray:
    step, level = np.array(response).T
    return np.interp(value_cc, step, level - level[-1])


@given(responses())
def test_louder_is_never_written_softer(response: tuple[tuple[float, float], ...]) -> None:
    planned = np.arange(12.0, 119.0)
    written = answered({"dynamics": planned}, {"dynamics": response}, WIDE)["dynamics"]
    assert np.all(np.diff(written) >= -1e-6)  # where a response rests, a step hangs on the last digit of a decibel
    assert written.min() >= 12.0
    assert written.max() <= 118.0


@pytest.mark.parametrize(
    "response",
    [
        ((0.0, -24.0), (127.0, 0.0)),
        ((0.0, -60.0), (127.0, 0.0)),
        ((1.0, -50.0), (40.0, -34.0), (90.0, -8.0), (127.0, -1.0)),
    ],
    ids=["the default law", "steep", "bent"],
)
def test_printed_levels_come_out_level(response: tuple[tuple[float, float], ...]) -> None:
    """From pp to f; ff lies above what 118, the highest value while a part sounds, gives on a steep instrument."""
    written = answered({"dynamics": CENTRES}, {"dynamics": response}, WIDE)["dynamics"]
    assert given_db(response, written)[:-1] == pytest.approx(dynamics_to_db(CENTRES)[:-1], abs=0.35)
    assert given_db(response, written)[-1] == pytest.approx(dynamics_to_db(CENTRES)[-1], abs=1.0)


def test_a_response_that_rests_within_the_range_is_left_alone() -> None:
    flat = ((0.0, -60.0), (5.0, -59.0), (127.0, -59.0))
    assert answered({"dynamics": CENTRES}, {"dynamics": flat}, WIDE)["dynamics"] == pytest.approx(CENTRES)


def test_the_default_law_as_a_response_changes_nothing() -> None:
    planned = np.linspace(12.0, 118.0, 300)
    written = answered({"dynamics": planned}, {"dynamics": ((0.0, -24.0), (127.0, 0.0))}, WIDE)["dynamics"]
    assert written == pytest.approx(planned, abs=1e-3)


def test_only_differences_of_level_count() -> None:
    measured = ((1.0, -61.0), (64.0, -40.0), (127.0, -21.0))
    relative = ((1.0, -40.0), (64.0, -19.0), (127.0, 0.0))
    one, other = (answered({"dynamics": CENTRES}, {"dynamics": r}, WIDE)["dynamics"] for r in (measured, relative))
    assert one == pytest.approx(other)


def test_expression_makes_up_for_dynamics_that_reach_no_farther() -> None:
    small = ((0.0, -10.0), (127.0, 0.0))
    lanes = {"dynamics": CENTRES, "expression": np.full(len(CENTRES), 96.0)}
    planned_db = dynamics_to_db(CENTRES) + expression_to_db(96.0)
    written = answered(lanes, {"dynamics": small}, WIDE)
    comes_db = given_db(small, written["dynamics"]) + expression_to_db(written["expression"])
    assert comes_db == pytest.approx(planned_db, abs=0.5)
    assert np.all(np.diff(comes_db) > 1.0), "every printed level is louder than the one below"
    alone = answered({"dynamics": CENTRES}, {"dynamics": small}, WIDE)["dynamics"]
    assert given_db(small, alone).max() - given_db(small, alone).min() < 10.0


def test_lanes_without_a_level_go_evenly_over_their_response() -> None:
    """A bow that only sounds different above 64 is written above 64."""
    response = ((0.0, 0.0), (64.0, 0.0), (127.0, 6.0))
    bow = answered({"bow": np.array([1.0, 63.5, 127.0])}, {"bow": response}, WIDE)["bow"]
    assert bow == pytest.approx([64.5, 95.5, 127.0], abs=0.5)


@given(responses(), st.sampled_from(["dynamics", "expression"]))
def test_what_was_drawn_on_an_instrument_comes_back(response: tuple[tuple[float, float], ...], lane: str) -> None:
    planned = np.linspace(50.0, 110.0, 40)
    written = answered({lane: planned}, {lane: response}, {lane: (0.0, 127.0)})[lane]
    level = given_db(response, written)
    law = dynamics_to_db if lane == "dynamics" else expression_to_db
    again = by_default_law(lane, written, response)
    inside = (law(planned) > given_db(response, np.zeros(1))[0] + 1.5) & (level < -0.05)
    assert again[inside] == pytest.approx(planned[inside], abs=1.5)


# --- time ------------------------------------------------------------------------------------------------

BEAT = 480


def one_line(
    folder: Path, notes: list[tuple[float, float, int]], delays: Delays, *, division: int = BEAT
) -> PartHearing:
    """A violin at 120 quarter notes a minute; notes as (beat, beats, pitch)."""
    events = [e for beat, beats, pitch in notes for e in note(round(beat * division), round(beats * division), pitch)]
    path = write(folder / "line.mid", track("Violin", events), division=division)
    cue = read_cue(path)
    cue = replace(cue, parts=tuple(replace(part, delays=delays) for part in cue.parts))
    return hear(cue).parts[0]


LEGATO = [(4.0 + i, 1.0, 60 + i) for i in range(4)] + [(10.0, 2.0, 67)]


def test_an_instrument_that_speaks_at_once_needs_no_timing(tmp_path: Path) -> None:
    assert timing_of(one_line(tmp_path, LEGATO, Delays())) is None
    assert timing_of(one_line(tmp_path, LEGATO, Delays(advanced=True))) is None


def test_first_and_joined_notes_are_heard_after_their_own_delays(tmp_path: Path) -> None:
    timing = timing_of(one_line(tmp_path, LEGATO, Delays(0.2, 0.1, 0.05)))
    assert timing is not None
    assert timing.sounding_s - timing.written_s == pytest.approx([0.2, 0.1, 0.1, 0.1, 0.2])
    assert timing.heard_s == pytest.approx(timing.written_s), "metre and phrases go by the notes as written"
    at = timing.to_lane_s(timing.sounding_s)
    assert at == pytest.approx(timing.heard_s, abs=1e-5), "what was drawn for an onset stands where it is heard"


def test_an_entry_stands_still_from_its_key_until_it_sounds(tmp_path: Path) -> None:
    timing = timing_of(one_line(tmp_path, LEGATO, Delays(0.2, 0.1, 0.05)))
    assert timing is not None
    for entry in (0, 4):
        waiting = np.linspace(timing.written_s[entry] + 1e-4, timing.sounding_s[entry] - 1e-4, 9)
        assert timing.to_lane_s(waiting) == pytest.approx(np.full(9, timing.heard_s[entry]), abs=1e-4)


def test_a_line_ends_with_its_last_key(tmp_path: Path) -> None:
    heard = one_line(tmp_path, LEGATO, Delays(0.2, 0.1, 0.05))
    timing = timing_of(heard)
    assert timing is not None
    end_s = heard.part.notes.offset_s[[3, 4]]
    assert timing.to_lane_s(end_s) == pytest.approx(end_s, abs=1e-5)


@given(
    st.lists(st.tuples(st.integers(1, 8), st.integers(1, 12)), min_size=1, max_size=12),
    st.floats(-0.3, 0.6), st.floats(-0.3, 0.6), st.booleans(),
)
def test_times_never_run_backwards(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[int, int]], first_s: float, legato_s: float, ahead: bool
) -> None:
    """Whatever the delays: longer than notes, than the rest before an entry, or negative."""
    at, notes = 2.0, []
    for gap, length in steps:
        notes.append((at, length / 8, 60 + length))
        at += length / 8 + (gap - 3) * (gap > 3) / 8
    heard = one_line(tmp_path_factory.mktemp("line"), notes, Delays(first_s, legato_s, 0.05, advanced=ahead))
    timing = timing_of(heard)
    if timing is None:
        return
    grid_s = np.arange(0.0, float(heard.part.file_notes.offset_s.max()) + 2.0, 0.01)
    assert np.all(np.diff(timing.to_lane_s(grid_s)) >= -1e-9)
    assert np.all(np.diff(timing.file_s) > 0)
    assert np.all(np.diff(heard.part.notes.onset_tick) >= 0)


def test_notes_pulled_ahead_are_heard_on_the_bars(tmp_path: Path) -> None:
    """Pulled ahead by the delays in whole ticks, they come back to their beats, and joins stay joins."""
    delays = Delays(0.2, 0.1, 0.05, advanced=True)
    ahead = {0: 0.2, 4: 0.2}
    pulled = [(beat - 2 * ahead.get(i, 0.1), beats, pitch) for i, (beat, beats, pitch) in enumerate(LEGATO)]
    pulled = [
        (beat, (pulled[i + 1][0] - beat if i < 3 else beats), pitch) for i, (beat, beats, pitch) in enumerate(pulled)
    ]
    plain, heard = one_line(tmp_path, LEGATO, Delays()), one_line(tmp_path, pulled, delays)
    assert heard.part.notes.onset_beat == pytest.approx(plain.part.notes.onset_beat)
    assert heard.attacks.joined.tolist() == plain.attacks.joined.tolist()
    assert [p.first_note for p in heard.phrases] == [p.first_note for p in plain.phrases]
    assert heard.part.file_notes.onset_beat == pytest.approx([b for b, _, _ in pulled], abs=1 / BEAT)


def test_chords_keep_their_order_where_ticks_are_coarse(tmp_path: Path) -> None:
    chords = [(2.0 + i, 1.0, pitch) for i in range(4) for pitch in (60, 64, 67)]
    heard = one_line(tmp_path, chords, Delays(0.13, 0.07, 0.05, advanced=True), division=24)
    assert heard.part.notes.pitch.tolist() == [67, 64, 60] * 4
    assert heard.attacks.n_attacks == 4
