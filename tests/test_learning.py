"""Learning: after one corrected cue the next one comes nearer to the hand; undo, forget and the log keep their word."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from heard_cues import Voice, line, write_voices
from learned_cues import draw, hand_cc, write_cue

from phrasewright.data.curves import LANES
from phrasewright.data.errors import InputError, UsageError
from phrasewright.data.reading import read_cue
from phrasewright.data.store import Store
from phrasewright.inference.batch import shape_files
from phrasewright.inference.shaping import ShapeOptions
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.model.personal import Style, style_lanes
from phrasewright.model.rules import rules_lanes
from phrasewright.training.corrections import record_shaped
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
    version = forget("hand", "two-drawn.mid", store=store)
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
            record_shaped(store, shaped.cue, shaped.content, style="rules", version="1")  # type: ignore[attr-defined]
        return ""

    options = ShapeOptions(baseline=True)
    shape_files([cue], tmp_path / "shaped.mid", options=options, record=record)
    result = learn("hand", [tmp_path / "shaped.mid"])
    assert (result["version"], result["passages"], result["used"]) == (None, 0, False)
    assert "no correction" in result["why"]


def test_names_that_would_leave_the_store_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no style name"):
        learn("../hand", [tmp_path / "one.mid"])
