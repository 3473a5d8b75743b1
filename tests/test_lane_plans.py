"""Only these bars, only these parts: everything else sounds as before."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import seams
from lane_checks import WrittenLane, density_faults, lane_of
from shaped_cues import Event, control, film_frames, note, orchestra, program, track, write

from phrasewright.data.errors import UsageError
from phrasewright.data.reading import read_cue
from phrasewright.inference.lane_plans import bar_ticks, outside, select_parts
from phrasewright.inference.shaping import ShapeOptions, shape_cue
from phrasewright.model.events import LAST_TICK

BEAT = 480
BAR = 4 * BEAT


def half_notes(n_bars: int = 12) -> list[Event]:
    """Joined half notes without a rest."""
    pitches = (67, 69, 71, 72, 74, 72, 71, 69)
    events: list[Event] = [program(0, 40)]
    for i in range(2 * n_bars):
        events += note(2 * i * BEAT, 2 * BEAT, pitches[i % 8])
    return events


def wave(controller: int, n_bars: int = 12) -> list[Event]:
    """A lane drawn all along, an event every eighth."""
    values = 60 + 25 * np.sin(np.arange(8 * n_bars) / 5)
    return [control(i * BEAT // 2, controller, round(v)) for i, v in enumerate(values)]


def both(path: Path, events: list[Event], **options: object) -> tuple[WrittenLane, WrittenLane, int, int]:
    """The dynamics lane before and after shaping bars 5-8, and the span in ticks."""
    write(path, track("Violin", events))
    cue = read_cue(path)
    chosen = ShapeOptions(baseline=True, bars=(5, 8), **options)  # type: ignore[arg-type]
    result = shape_cue(path, chosen)
    before, after = (lane_of(content, cue, cue.parts[0], 1) for content in (cue.midi.content, result.content))
    return before, after, 4 * BAR, 8 * BAR


def test_outside_the_bars_every_event_and_every_value_stays(tmp_path: Path) -> None:
    before, after, start, end = both(tmp_path / "cue.mid", half_notes() + wave(1), existing="replace")
    ticks = np.r_[np.arange(0, start, 10), np.arange(end - 1, 12 * BAR, 10)]
    assert np.array_equal(before.at_tick(ticks), after.at_tick(ticks))
    for lane_tick in before.tick[(before.tick < start) | (before.tick >= end)].tolist():
        assert lane_tick in after.tick
    within = (after.tick > start) & (after.tick < end)
    assert np.count_nonzero(within) > 40
    assert not density_faults(after)


def test_the_new_curve_arrives_at_the_old_one(tmp_path: Path) -> None:
    """At the span's last tick the earlier value is restated; the way there is at most four steps."""
    _, after, _, end = both(tmp_path / "cue.mid", half_notes() + wave(1), existing="replace")
    last = int(np.flatnonzero(after.tick == end - 1)[0])
    assert abs(int(after.value_cc[last]) - int(after.value_cc[last - 1])) <= 4
    assert after.time_s[last] - after.time_s[last - 1] > 0.016
    inside = (after.tick > 4 * BAR) & (after.tick < end)
    assert np.abs(np.diff(after.value_cc))[inside[1:]].max() <= 6


def test_only_the_last_half_beat_bends(tmp_path: Path) -> None:
    high = [control(0, 1, 74), control(9 * BAR, 1, 90)]
    low = [control(0, 1, 50), control(9 * BAR, 1, 90)]
    lanes = [
        both(tmp_path / f"{i}.mid", half_notes() + drawn, existing="replace")[1] for i, drawn in enumerate((high, low))
    ]
    ticks = np.arange(5 * BAR, 8 * BAR - BEAT, 10)
    one, other = (lane.at_tick(ticks) for lane in lanes)
    assert np.abs(one - other).max() <= 1
    edge = np.array([8 * BAR - 1])
    assert lanes[0].at_tick(edge)[0] == 74
    assert lanes[1].at_tick(edge)[0] == 50


def test_a_lane_without_an_earlier_value_ends_at_its_start_value(tmp_path: Path) -> None:
    _, after, start, end = both(tmp_path / "cue.mid", half_notes())
    assert after.tick[0] == start
    assert after.tick[-1] == end - 1
    assert after.value_cc[-1] == after.value_cc[0]
    assert abs(int(after.value_cc[-2]) - int(after.value_cc[-1])) <= 4


def test_a_note_across_the_edge_keeps_its_old_lane(tmp_path: Path) -> None:
    """One comes in from bar 4 into bar 5, another goes from bar 8 into bar 9."""
    events: list[Event] = [program(0, 40), *wave(1)]
    for i in range(24):
        start, end = 2 * i * BEAT, 2 * (i + 1) * BEAT
        if i == 7:
            end += BEAT
        if i == 8:
            start += BEAT
        if i == 15:
            end += BEAT
        if i == 16:
            start += BEAT
        events += note(start, end - start, 67 + i % 5)
    before, after, start, end = both(tmp_path / "cue.mid", events, existing="replace")
    crossing = np.r_[np.arange(start, start + BEAT, 10), np.arange(end - 2 * BEAT, end, 10)]
    assert np.array_equal(before.at_tick(crossing), after.at_tick(crossing))
    middle = np.arange(start + 2 * BEAT, end - 4 * BEAT, 10)
    assert np.any(before.at_tick(middle) != after.at_tick(middle))


@pytest.mark.parametrize("existing", ["keep", "replace"])
def test_bars_in_which_only_a_note_from_before_sounds_stay_as_they_are(tmp_path: Path, existing: str) -> None:
    events = [program(0, 40), *note(0, 11 * BAR, 67), control(100, 1, 70), control(11 * BAR + 60, 1, 40)]
    path = write(tmp_path / "cue.mid", track("Violin", events, end=12 * BAR))
    result = shape_cue(path, ShapeOptions(baseline=True, bars=(11, 12), existing=existing))
    assert result.content == path.read_bytes()


def test_a_legato_overlap_into_the_next_bar_is_no_crossing(tmp_path: Path) -> None:
    events: list[Event] = [program(0, 40)]
    for i in range(24):
        events += note(2 * i * BEAT, 2 * BEAT + 40, 67 + i % 5)
    cue = read_cue(write(tmp_path / "cue.mid", track("Violin", events)))
    stays = outside(cue.parts[0], bar_ticks(cue, (5, 8)), cue)
    assert stays == [(0, 4 * BAR + 40), (8 * BAR - 1, LAST_TICK)]


def test_kept_phrases_stay_within_the_bars_too(tmp_path: Path) -> None:
    before, after, *_ = both(tmp_path / "cue.mid", half_notes() + wave(1))
    assert np.array_equal(before.tick, after.tick[np.isin(after.tick, before.tick)])
    ticks = np.arange(0, 12 * BAR, 10)
    assert np.array_equal(before.at_tick(ticks), after.at_tick(ticks))


def test_bars_to_the_end_return_to_the_start_value_after_the_last_note(tmp_path: Path) -> None:
    write(tmp_path / "cue.mid", track("Violin", half_notes()))
    cue = read_cue(tmp_path / "cue.mid")
    content = shape_cue(tmp_path / "cue.mid", ShapeOptions(baseline=True, bars=(9, 12))).content
    lane = lane_of(content, cue, cue.parts[0], 1)
    assert lane.tick[0] == 8 * BAR
    assert lane.time_s[-1] == pytest.approx(25.0, abs=0.002)
    assert lane.value_cc[-1] == lane.value_cc[0]


def test_other_parts_are_left_byte_for_byte(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    cue = read_cue(path)
    result = shape_cue(path, ShapeOptions(baseline=True, parts=("violins i", "3")))
    told = {part["name"]: part for part in result.summary["parts"]}
    assert told["Oboe"]["skipped"] == "not among the chosen parts"
    assert told["Violins I"]["lanes"]
    assert told["Horn"]["lanes"]
    oboe = lane_of(result.content, cue, cue.parts[0], 1)
    assert not len(oboe.tick)


def test_what_matches_nothing_is_told_with_what_there_is(tmp_path: Path) -> None:
    cue = read_cue(orchestra(tmp_path / "cue.mid"))
    with pytest.raises(UsageError, match=r"no part is called or numbered 'Violas'.*2 Violins I"):
        select_parts(cue, ["Violas"])
    with pytest.raises(UsageError, match="'9'"):
        select_parts(cue, ["1", "9"])
    assert select_parts(cue, ['"Violins I"', " 1 "]) == {1, 2}
    assert select_parts(cue, None) == {1, 2, 3, 4, 5}


def test_bars_that_do_not_exist(tmp_path: Path) -> None:
    cue = read_cue(write(tmp_path / "cue.mid", track("Violin", half_notes())))
    with pytest.raises(UsageError, match="has 12 bars, bar 13 does not exist"):
        bar_ticks(cue, (13, 20))
    with pytest.raises(UsageError, match="count from 1"):
        bar_ticks(cue, (4, 3))
    assert bar_ticks(cue, (2, 3)) == (BAR, 3 * BAR)
    assert bar_ticks(cue, (11, 40)) == (10 * BAR, LAST_TICK)
    frames = read_cue(film_frames(tmp_path / "frames.mid"))
    with pytest.raises(UsageError, match="SMPTE"):
        bar_ticks(frames, (1, 2))


def test_bars_without_notes_are_told(tmp_path: Path) -> None:
    events = [program(0, 40), *note(0, 4 * BAR, 67), *note(10 * BAR, BAR, 67)]
    result = shape_cue(
        write(tmp_path / "cue.mid", track("Violin", events)), ShapeOptions(baseline=True, bars=(6, 8))
    )
    assert result.summary["parts"][0]["skipped"] == "no notes in the chosen bars"
    assert result.content == (tmp_path / "cue.mid").read_bytes()


@pytest.mark.parametrize(("bpm", "earlier", "beats"), [(60, 8, 0.5), (90, 127, 0.5), (120, 40, 0.5), (120, 110, 0.55)])
@pytest.mark.parametrize("division", [480, 96])
def test_the_way_back_takes_half_a_beat_at_any_tempo(
    tmp_path: Path, bpm: int, earlier: int, beats: float, division: int
) -> None:
    """Beside the same bars shaped over a value that asks for no way back."""
    lanes = []
    for value in (earlier, 75):
        events = [(tick * division // BEAT, message) for tick, message in half_notes()]
        head = [(0, b"\xff\x51\x03" + round(60e6 / bpm).to_bytes(3, "big")), control(0, 1, value)]
        path = write(tmp_path / f"{value}.mid", track("Violin", [*head, *events]), division=division)
        content = shape_cue(path, ShapeOptions(baseline=True, bars=(5, 8), existing="replace")).content
        lanes.append(lane_of(content, read_cue(path), read_cue(path).parts[0], 1))
    end = 32 * division
    ticks = np.arange(16 * division, end)
    apart = np.abs(lanes[0].at_tick(ticks) - lanes[1].at_tick(ticks)) > 2
    bent = (end - ticks[apart]) / division
    assert bent[bent < 8].max() <= beats + 0.05
    last = int(np.flatnonzero(lanes[0].tick == end - 1)[0])
    assert abs(int(lanes[0].value_cc[last]) - int(lanes[0].value_cc[last - 1])) <= 4


def test_no_ear_finds_the_seams(tmp_path: Path) -> None:
    """Random spans of a demo cue, bare, drawn over and shaped, judged by a checker apart from the code."""
    found = seams.spans(seams.demo_material(["the-lamp-is-lit"]), n_spans=12, folder=tmp_path, seed=1)
    assert found.n_spans == 12
    assert found.n_lanes > 80
    assert not found.broken, seams.told(found)
    assert max(found.step["end"]) <= 4


@pytest.mark.slow
def test_two_hundred_spans_of_all_cues(tmp_path: Path) -> None:
    material = seams.demo_material() | seams.quartet_material()
    found = seams.spans(material, n_spans=200, folder=tmp_path)
    assert not found.broken, seams.told(found)
    assert np.median(found.slope["end"]) <= np.quantile(found.slope["within"], 0.95)
