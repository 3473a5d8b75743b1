"""Learning: after one corrected cue the next one comes nearer to the hand; undo, forget and the log keep their word."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from heard_cues import Voice, line, write_voices
from learned_cues import draw, few_trees, hand_cc, mirrored_cc, write_cue  # noqa: F401

from phrasewright.data.curves import LANES
from phrasewright.data.errors import InputError, UsageError
from phrasewright.data.reading import read_cue
from phrasewright.data.store import Store
from phrasewright.inference.batch import shape_files
from phrasewright.inference.shaping import ShapeOptions
from phrasewright.model import style_files
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.model.personal import Style, style_lanes
from phrasewright.model.rules import rules_lanes
from phrasewright.training.first_passes import record_of
from phrasewright.training.learning import forget, learn, load_style, rebuilt


@pytest.fixture(scope="module")
def learned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, object]]:
    """A store in which a hand was learned from one cue and then from another, and the first result."""
    folder = tmp_path_factory.mktemp("learned")
    first = draw(write_cue(folder / "one.mid", seed=1), folder / "one-drawn.mid")
    second = draw(write_cue(folder / "two.mid", seed=2, n_phrases=3), folder / "two-drawn.mid")
    with Store(folder / "home") as store:
        result = learn("hand", [first], store=store)
        learn("hand", [second], store=store)
    return folder, result


@pytest.fixture
def store(learned: tuple[Path, dict[str, object]], tmp_path: Path) -> Store:
    """A copy of that store."""
    home = tmp_path / "copied"
    home.mkdir()
    (home / "store.sqlite").write_bytes((learned[0] / "home" / "store.sqlite").read_bytes())
    return Store(home)


@pytest.fixture(scope="module")
def unseen(tmp_path_factory: pytest.TempPathFactory) -> CueHearing:
    return hear(read_cue(write_cue(tmp_path_factory.mktemp("unseen") / "three.mid", seed=3)))


def in_style(hearing: CueHearing, index: int, style: Style) -> DenseLanes:
    return style_lanes(hearing, index, style, shipped=rules_lanes)


def off_cc(hearing: CueHearing, index: int, lanes: np.ndarray) -> np.ndarray:
    """Mean distance of each lane from the hand while the part sounds."""
    on = sounding_frames(hearing, index, len(lanes))
    return np.asarray(np.abs(lanes - hand_cc(hearing, index))[on].mean(axis=0))


def test_the_result_says_what_was_learned(learned: tuple[Path, dict[str, object]]) -> None:
    result = learned[1]
    assert (result["style"], result["version"], result["used"]) == ("hand", 1, True)
    assert result["passages"] == 12
    held_out = result["held_out"]
    assert isinstance(held_out, dict)
    assert held_out["n_phrases"] == 12
    assert held_out["after"] < 0.6 * held_out["before"]
    assert held_out["interval"][1] < 0.0


def test_an_unseen_cue_comes_nearer_to_the_hand(store: Store, unseen: CueHearing) -> None:
    style = load_style(store, "hand")
    assert style is not None
    for index in range(2):
        shipped = off_cc(unseen, index, rules_lanes(unseen, index).value_cc)
        own = off_cc(unseen, index, in_style(unseen, index, style).value_cc)
        assert np.all(own < 0.6 * shipped), (own, shipped)


def test_undo_brings_back_the_version_before_to_the_byte(store: Store, unseen: CueHearing) -> None:
    first = store.version_payload("hand", 1)
    second = load_style(store, "hand")
    store.undo("hand")
    style = load_style(store, "hand")
    assert style is not None
    assert second is not None
    assert store.version_payload("hand", 1) == first
    assert style.version == 1
    assert not np.array_equal(in_style(unseen, 0, style).value_cc, in_style(unseen, 0, second).value_cc)
    store.undo("hand")
    assert load_style(store, "hand") is None


def test_a_version_can_be_rebuilt_from_the_log(store: Store, unseen: CueHearing) -> None:
    style = load_style(store, "hand")
    assert style is not None
    assert rebuilt(store, "hand", style.version) == store.version_payload("hand", style.version)


def test_forgetting_a_cue_leaves_what_the_other_taught(store: Store) -> None:
    version = forget("hand", "corrected/two-drawn.mid", store=store)  # as the shell completes it
    assert set(version.corrections) == set(store.version("hand", 1).corrections)
    with pytest.raises(InputError, match="forgotten already"):
        forget("hand", "two-drawn.mid", store=store)
    with pytest.raises(InputError, match="one-drawn"):
        forget("hand", "nine.mid", store=store)


def test_brass_stays_near_the_default_after_strings_were_learned(store: Store, tmp_path: Path) -> None:
    style = load_style(store, "hand")
    assert style is not None
    horns = hear(read_cue(write_cue(tmp_path / "horns.mid", seed=5, name="Horn", low="Trombone")))
    strings = hear(read_cue(write_cue(tmp_path / "strings.mid", seed=5)))
    moved = []
    for hearing in (horns, strings):
        shipped, own = rules_lanes(hearing, 0), in_style(hearing, 0, style)
        on = sounding_frames(hearing, 0, shipped.n_frames)
        moved.append((np.abs(own.value_cc - shipped.value_cc)[on].mean(), own.spread_cc[on].mean()))
    assert moved[0][0] < 0.6 * moved[1][0]
    assert moved[0][1] > 1.5 * moved[1][1]


def test_only_the_corrected_lane_is_learned(tmp_path: Path, unseen: CueHearing) -> None:
    drawn = draw(write_cue(tmp_path / "one.mid", seed=4, n_phrases=2), tmp_path / "drawn.mid", lanes=(11,))
    with Store(tmp_path / "home") as store:
        learn("hand", [drawn], store=store)
        style = load_style(store, "hand")
    assert style is not None
    assert set(style.lanes) == {"expression"}
    shipped, own = rules_lanes(unseen, 0).value_cc, in_style(unseen, 0, style).value_cc
    assert np.array_equal(shipped[:, LANES.index("dynamics")], own[:, LANES.index("dynamics")])
    assert not np.array_equal(shipped[:, LANES.index("expression")], own[:, LANES.index("expression")])


def test_one_phrase_is_used_and_said_to_be_little(tmp_path: Path) -> None:
    cue = write_voices(tmp_path / "one.mid", Voice("Violin", line((67, 1), (69, 1), (71, 2))))
    drawn = draw(cue, tmp_path / "drawn.mid", lanes=(11,))
    with Store(tmp_path / "home") as store:
        result = learn("hand", [drawn], store=store)
    assert result["held_out"] is None
    assert result["used"]
    assert "one passage" in result["why"]


def test_an_unchanged_first_pass_teaches_nothing(tmp_path: Path) -> None:
    cue = write_cue(tmp_path / "one.mid", seed=1, n_phrases=3)

    def record(shaped: object) -> str:
        with Store() as store:
            store.record_shaped(record_of(shaped.cue, shaped.content, style="rules", version="1"))  # type: ignore[attr-defined]
        return ""

    options = ShapeOptions(baseline=True)
    shape_files([cue], tmp_path / "shaped.mid", options=options, record=record)
    result = learn("hand", [tmp_path / "shaped.mid"])
    assert (result["version"], result["passages"], result["used"]) == (None, 0, False)
    assert "no correction" in result["why"]


def test_names_that_would_leave_the_store_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no style name"):
        learn("../hand", [tmp_path / "one.mid"])


def test_a_style_of_another_version_is_fitted_anew_from_the_log(
    store: Store, unseen: CueHearing, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = load_style(store, "hand")
    assert before is not None
    version, old = before.version, store.version_payload("hand", before.version)
    monkeypatch.setattr(style_files, "FEATURE_VERSION", 99)
    after = load_style(store, "hand")
    assert after is not None
    assert store.version_payload("hand", version) != old
    assert after.version == version
    one, other = (in_style(unseen, 0, style).value_cc for style in (before, after))
    assert np.abs(one - other).max() < 0.01


def test_two_cues_teach_the_same_one_by_one_and_at_once(
    learned: tuple[Path, dict[str, object]], store: Store, unseen: CueHearing, tmp_path: Path
) -> None:
    folder = learned[0]
    with Store(tmp_path / "at-once") as other:
        learn("hand", [folder / "one-drawn.mid", folder / "two-drawn.mid"], store=other)
        at_once = load_style(other, "hand")
    one_by_one = load_style(store, "hand")
    assert at_once is not None
    assert one_by_one is not None
    on = sounding_frames(unseen, 0, len(hand_cc(unseen, 0)))
    apart = in_style(unseen, 0, at_once).value_cc - in_style(unseen, 0, one_by_one).value_cc
    assert np.abs(apart[on]).mean() < 0.5


def test_the_same_music_drawn_in_two_ways_widens_the_band(tmp_path: Path) -> None:
    cue = write_cue(tmp_path / "one.mid", seed=6, n_phrases=3)
    drawn = [draw(cue, tmp_path / f"{hand.__name__}.mid", hand=hand) for hand in (mirrored_cc, hand_cc)]
    bands = []
    for files in ([drawn[1]], drawn):
        with Store(tmp_path / f"home-{len(files)}") as store:
            for file in files:
                learn("hand", [file], store=store)
            style = load_style(store, "hand")
        assert style is not None
        bands.append(np.mean([model.error_cc[0] for model in style.lanes.values()]))
    assert bands[1] > 1.5 * bands[0]


_LEARNING = """
import sys
from functools import partial
from pathlib import Path
from phrasewright.data.store import Store
from phrasewright.training import personal_fitting
from phrasewright.training.learning import learn
personal_fitting.Boosting = partial(personal_fitting.Boosting, n_trees=10)
with Store(Path(sys.argv[1])) as store:
    print("ready", flush=True)
    while True:
        print(learn("hand", [Path(sys.argv[2])], store=store)["version"], flush=True)
"""


def kill_while_learning(folder: Path, *, times: int) -> None:
    """Kill a process that learns, at random moments, and look at the store after each."""
    drawn = draw(write_cue(folder / "one.mid", seed=1, n_phrases=2), folder / "drawn.mid")
    chance, finished = random.Random(7), 0
    for _ in range(times):
        command = [sys.executable, "-c", _LEARNING, str(folder / "home"), str(drawn)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        time.sleep(chance.uniform(0.0, 8.0))
        os.kill(process.pid, signal.SIGKILL)
        told, _ = process.communicate()
        finished = max([finished, *map(int, told.split())])
        with Store(folder / "home") as store:
            assert store.check() == []
            if finished:
                style = load_style(store, "hand")
                assert style is not None
                assert style.version >= finished


def test_learning_that_is_killed_leaves_the_last_finished_version(tmp_path: Path) -> None:
    kill_while_learning(tmp_path, times=2)


@pytest.mark.slow
def test_learning_that_is_killed_fifty_times_leaves_the_last_finished_version(tmp_path: Path) -> None:
    kill_while_learning(tmp_path, times=50)


_FEW_TREES = """
import sys
from functools import partial
from phrasewright.inference.cli import main
from phrasewright.training import personal_fitting
personal_fitting.Boosting = partial(personal_fitting.Boosting, n_trees=10)
main(sys.argv[1:])
"""


@pytest.mark.slow
def test_eight_processes_learn_and_shape_on_one_store(tmp_path: Path) -> None:
    """Four of each at once; nobody loses what another learned."""
    cue = write_cue(tmp_path / "one.mid", seed=1, n_phrases=2)
    drawn = draw(cue, tmp_path / "drawn.mid")
    run = [sys.executable, "-c", _FEW_TREES]
    environment = {**os.environ, "PHRASEWRIGHT_HOME": str(tmp_path / "home")}
    subprocess.run([*run, "learn", "hand", str(drawn)], check=True, env=environment, capture_output=True)
    commands = [[*run, "learn", "hand", str(drawn)] for _ in range(4)]
    commands += [[*run, "shape", str(cue), "-o", str(tmp_path / f"{i}.mid"), "--style", "hand"] for i in range(4)]
    processes = [
        subprocess.Popen(one, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for one in commands
    ]
    try:
        for process in processes:
            _, told = process.communicate(timeout=600)
            assert process.returncode == 0, told
    finally:
        for process in processes:
            process.kill()
            process.wait()
    with Store(tmp_path / "home") as store:
        assert store.check() == []
        assert len(store.versions("hand")) == 5
        assert load_style(store, "hand") is not None
        (known,) = store._db.execute("SELECT COUNT(*) FROM shaped").fetchone()
    assert 1 <= known <= 4, "one for each version of the style that shaped: the same file again is the same record"
