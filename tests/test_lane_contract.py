"""What players of the shaped file can rely on, line by line, whoever predicted the lanes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from lane_checks import (
    WrittenLane,
    density_faults,
    entry_faults,
    lane_of,
    order_faults,
    range_faults,
    restatement_faults,
    reversal_faults,
    start_faults,
    step_faults,
    tail_faults,
)
from shaped_cues import coarse, film_frames, one_track, orchestra

from phrasewright.data.cue import Cue, Part
from phrasewright.data.midi import split_midi
from phrasewright.data.reading import read_cue
from phrasewright.inference.shaping import Chosen, ShapeOptions, shape_cue
from phrasewright.model.events import gesture_spans
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes
from phrasewright.model.listening import hear
from phrasewright.model.prediction import WEIGHTS, Predictor, network_lanes
from phrasewright.model.rules import rules_lanes

CUES: dict[str, Callable[[Path], Path]] = {
    "orchestra": orchestra,
    "one track": one_track,
    "film frames": film_frames,
    "coarse ticks": coarse,
}


def wild_lanes(hearing: CueHearing, index: int) -> DenseLanes:
    """Curves no player would draw: jumps, noise and drift. What is written must keep to the limits all the same."""
    dense = rules_lanes(hearing, index)
    rng = np.random.default_rng(index)
    walk = np.cumsum(rng.normal(0.0, 1.5, dense.value_cc.shape), axis=0)
    noise = rng.normal(0.0, 15.0, dense.value_cc.shape) * (rng.random((dense.n_frames, 1)) < 0.3)
    jumps = np.repeat(rng.uniform(-40.0, 40.0, (dense.n_frames // 40 + 1, 3)), 40, axis=0)[: dense.n_frames]
    return DenseLanes(np.clip(70.0 + walk + noise + jumps, 0.0, 127.0), np.zeros_like(dense.value_cc))


PREDICTORS: dict[str, Predictor] = {"rules": rules_lanes, "wild": wild_lanes, "network": network_lanes}


@pytest.fixture(scope="module", params=list(PREDICTORS))
def predictor(request: pytest.FixtureRequest) -> tuple[str, Predictor]:
    """Rules, network, and a predictor gone wild: the same lines hold for all."""
    if request.param == "network" and not WEIGHTS.exists():
        pytest.skip("no network weights are installed")
    return request.param, PREDICTORS[request.param]


@pytest.fixture(scope="module", params=list(CUES))
def shaped(
    request: pytest.FixtureRequest, predictor: tuple[str, Predictor], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Cue, CueHearing, bytes]:
    path = CUES[request.param](tmp_path_factory.mktemp("cue") / "cue.mid")
    name, predict = predictor
    result = shape_cue(path, chosen_by=Chosen(predict, name))
    cue = read_cue(path)
    return cue, hear(cue), result.content


def lanes_of(shaped: tuple[Cue, CueHearing, bytes]) -> list[tuple[Part, WrittenLane]]:
    cue, _, content = shaped
    return [
        (part, lane_of(content, cue, part, cc)) for part in cue.parts if part.shaped for cc in part.lane_cc.values()
    ]


def test_the_cues_are_shaped_at_all(shaped: tuple[Cue, CueHearing, bytes]) -> None:
    lanes = lanes_of(shaped)
    assert len(lanes) >= 3
    assert all(len(lane.tick) > 20 for _, lane in lanes)


@pytest.mark.parametrize(
    "check",
    [
        start_faults, entry_faults, restatement_faults, tail_faults, density_faults, range_faults, reversal_faults,
    ],
)
def test_every_line_holds(shaped: tuple[Cue, CueHearing, bytes], check: Callable[[WrittenLane], list[str]]) -> None:
    faults = [f"{part.name}: {fault}" for part, lane in lanes_of(shaped) for fault in check(lane)]
    assert not faults


def test_lane_events_stand_between_setup_and_notes(shaped: tuple[Cue, CueHearing, bytes]) -> None:
    cue, _, content = shaped
    midi = split_midi(content, name="shaped")
    for part in cue.parts:
        assert not order_faults(midi, part, set(part.lane_cc.values()))


def test_no_step_is_heard_inside_a_note(shaped: tuple[Cue, CueHearing, bytes]) -> None:
    cue, hearing, content = shaped
    for heard in hearing.parts:
        for cc in heard.part.lane_cc.values():
            assert not step_faults(lane_of(content, cue, heard.part, cc), gesture_spans(heard))


def test_harp_and_drums_get_no_lane(shaped: tuple[Cue, CueHearing, bytes]) -> None:
    cue, _, content = shaped
    for part in cue.parts:
        if part.name in ("Harp", "Drums"):
            assert not part.shaped
            assert all(not len(lane_of(content, cue, part, cc).tick) for cc in (1, 2, 11))


def test_all_other_messages_keep_tick_order_and_bytes(shaped: tuple[Cue, CueHearing, bytes]) -> None:
    cue, _, content = shaped
    out = split_midi(content, name="shaped")
    lanes = {(part.track - 1, part.channel - 1, cc) for part in cue.parts for cc in part.lane_cc.values()}
    for i, (before, after) in enumerate(zip(cue.midi.tracks, out.tracks, strict=True)):
        added = np.array(
            [(s & 0xF0) == 0xB0 and (i, s & 0x0F, d) in lanes for s, d in zip(after.status, after.data1, strict=True)]
        )
        for column in ("tick", "status", "data1", "data2"):
            left, right = getattr(before, column), getattr(after, column)[~added]
            assert np.array_equal(left[:-1], right[:-1])
        # Only End of Track may move later, as far as the last lane event needs.
        assert after.end_tick == max(before.end_tick, *after.tick[:-1].tolist())


def test_dynamics_and_expression_never_copy_each_other(shaped: tuple[Cue, CueHearing, bytes]) -> None:
    cue, _, content = shaped
    for part in cue.parts:
        if part.shaped:
            ticks = np.arange(0, int(part.notes.offset_tick.max()), max(int(cue.tempo.ticks_per_beat / 20), 1))
            one, other = (lane_of(content, cue, part, cc).at_tick(ticks) for cc in (1, 11))
            assert np.mean(np.abs((one - one.mean()) - (other - other.mean()))) > 1.0


def test_two_runs_give_the_same_bytes(predictor: tuple[str, Predictor], tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    name, predict = predictor
    first, second = (shape_cue(path, chosen_by=Chosen(predict, name)).content for _ in range(2))
    assert first == second


def test_a_lane_once_shaped_is_kept_when_shaped_again(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    again = tmp_path / "again.mid"
    again.write_bytes(shape_cue(path, ShapeOptions(baseline=True)).content)
    replaced = shape_cue(again, ShapeOptions(baseline=True, existing="replace")).content
    assert replaced == again.read_bytes()
