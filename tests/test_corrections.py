"""What a corrected file says: changes, agreement, lanes drawn from nothing, trims, and what cannot be matched."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import mangler
import numpy as np
import pytest
import round_trip
from click.testing import CliRunner
from deliveries import DELIVERIES, export_of
from mangler import EDITS, Song, Voice, bars_cut, bars_inserted, bars_repeated, nudged, renamed, written
from seams import demo_material, quartet_material
from shaped_cues import orchestra

from phrasewright.data.corrections import CorrectionSet
from phrasewright.data.cue import Cue
from phrasewright.data.plan import LEVELS_CC, read_plan
from phrasewright.data.profiles import read_profile
from phrasewright.data.reading import read_cue
from phrasewright.data.store import Store
from phrasewright.inference import cli
from phrasewright.model.hearing import EVENTS
from phrasewright.training.corrections import corrections_of
from phrasewright.training.first_passes import heard_again, record_of

BARS = 24
NAMES = (("Violin", 40, 67), ("Oboe", 68, 72), ("Cello", 42, 50))


def line(name: str, program: int, base: int, seed: int) -> Voice:
    """Phrases of two bars, each of seven notes and a rest."""
    random = np.random.default_rng(seed)
    on = np.concatenate([8.0 * i + np.r_[0, 1, 2, 3, 4, 5, 6] for i in range(BARS // 2)])
    length = np.tile([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0], BARS // 2)
    pitch = base + np.cumsum(random.integers(-3, 4, len(on))) % 12
    return Voice(name, program, np.arange(len(on)) + 1000 * seed, on, length, pitch)


def first_pass(voice: Voice, seed: int) -> Voice:
    """Lanes as a first pass might hold: an arc a phrase with a dip at every note, 24 events a beat."""
    beat = np.arange(0.0, 4.0 * BARS, 1 / 24)
    dip = np.exp(-((((beat + 0.5) % 1.0 - 0.5) / 0.1) ** 2))
    arc = np.sin(np.pi * (beat % 8.0) / 7.0)
    lanes = {}
    for i, cc in enumerate((1, 11)):
        value = np.rint(60 + 8 * i + (14 + 3 * seed) * arc - 7 * dip).astype(np.int64)
        keep = np.r_[True, np.diff(value) != 0]
        lanes[cc] = (beat[keep], value[keep])
    return replace(voice, lanes=lanes)


def plain() -> Song:
    return tuple(line(*row, seed) for seed, row in enumerate(NAMES))


def shaped() -> Song:
    return tuple(first_pass(voice, seed) for seed, voice in enumerate(plain()))


def redrawn(song: Song, *, part: int, phrases: range, cc: int, change: Callable[[np.ndarray], np.ndarray]) -> Song:
    """The song with a lane changed in some phrases of a part."""
    voice = song[part]
    beat, value = voice.lanes[cc]
    inside = (beat >= 8 * phrases.start) & (beat < 8 * phrases.stop)
    value = np.where(inside, np.clip(np.rint(change(value)), 0, 127), value).astype(np.int64)
    return (*song[:part], replace(voice, lanes={**voice.lanes, cc: (beat, value)}), *song[part + 1 :])


def deeper(value: np.ndarray) -> np.ndarray:
    return 60 + 2.0 * (value - 60)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """A store that holds the first pass."""
    store = Store(tmp_path / "home")
    cue = read_cue(written(tmp_path / "plain.mid", plain()))
    content = written(tmp_path / "shaped.mid", shaped()).read_bytes()
    store.record_shaped(record_of(cue, content, style="shipped", version="1"))
    return store


def found(tmp_path: Path, song: Song, store: Store | None, *, bpm: float = 120.0, **options: object) -> CorrectionSet:
    return corrections_of(read(tmp_path, song, bpm=bpm), store=store, **options)  # type: ignore[arg-type]


def read(tmp_path: Path, song: Song, *, bpm: float = 120.0) -> Cue:
    return read_cue(written(tmp_path / "back.mid", song, bpm=bpm))


def kinds(told: CorrectionSet, kind: str) -> list[tuple[int, str, float]]:
    """(part, lane, start in beats at 120) of the corrections of one kind."""
    return [(c.part, c.lane, round(2 * c.start_s, 1)) for c in told.corrections if c.kind == kind]


def test_an_untouched_first_pass_teaches_nothing(tmp_path: Path, store: Store) -> None:
    told = found(tmp_path, shaped(), store)
    assert told.corrections == told.trims == told.unmatched == ()
    assert told.music_s == 0.0


def test_an_approved_first_pass_is_agreed_throughout(tmp_path: Path, store: Store) -> None:
    told = found(tmp_path, shaped(), store, approved=True)
    assert {c.kind for c in told.corrections} == {"agreed"}
    assert len({(c.part, c.lane) for c in told.corrections}) == 6
    assert told.music_s == pytest.approx(3 * BARS // 2 * 3.5, rel=0.02)
    assert (told.predicted_by, told.predicted_version) == ("shipped", "1")


def test_changes_and_their_neighbours_count_and_nothing_else(tmp_path: Path, store: Store) -> None:
    told = found(tmp_path, redrawn(shaped(), part=1, phrases=range(4, 6), cc=1, change=deeper), store)
    changed = kinds(told, "changed")
    assert {row[:2] for row in changed} == {(2, "dynamics")}
    assert {row[2] for row in changed} <= set(np.arange(32, 48, 0.5).tolist())
    agreed = kinds(told, "agreed")
    assert agreed
    assert {row[0] for row in agreed} == {2}
    assert all(20 <= row[2] <= 56 for row in agreed)
    assert all(c.weight < 1 for c in told.corrections if c.kind == "agreed")
    for correction in told.corrections:
        assert correction.predicted is not None
        middle = np.array([(correction.start_s + correction.end_s) / 2])
        gap = abs(correction.left.at(middle) - correction.predicted.at(middle))[0]
        assert (gap > 6) == (correction.kind == "changed")


def test_a_lane_moved_up_is_a_trim(tmp_path: Path, store: Store) -> None:
    told = found(tmp_path, redrawn(shaped(), part=0, phrases=range(0, 99), cc=11, change=lambda v: v + 12), store)
    assert kinds(told, "changed") == []
    (trim,) = told.trims
    assert (trim.part_name, trim.lane) == ("Violin", "expression")
    assert trim.offset_cc == pytest.approx(12, abs=0.5)


def test_every_drawn_lane_is_the_hands_without_a_record(tmp_path: Path) -> None:
    song = shaped()
    still = replace(song[2], lanes={1: (np.array([0.0]), np.array([64])), 11: song[2].lanes[11]})
    told = found(tmp_path, (*song[:2], still), None)
    assert {c.kind for c in told.corrections} == {"drawn"}
    assert {(c.part, c.lane) for c in told.corrections} == {
        (1, "dynamics"), (1, "expression"), (2, "dynamics"), (2, "expression"), (3, "expression"),
    }  # fmt: skip
    assert all(c.predicted is None and c.weight == 1 for c in told.corrections)


def test_a_given_first_pass_stands_for_the_record(tmp_path: Path) -> None:
    first = read_cue(written(tmp_path / "first.mid", shaped()))
    told = found(tmp_path, redrawn(shaped(), part=1, phrases=range(4, 6), cc=1, change=deeper), None, shaped=first)
    assert {row[:2] for row in kinds(told, "changed")} == {(2, "dynamics")}


def test_a_lane_that_equals_any_first_pass_is_not_the_hands(tmp_path: Path, store: Store) -> None:
    other = tuple(first_pass(voice, seed + 3) for seed, voice in enumerate(plain()))
    cue = read_cue(tmp_path / "plain.mid")
    store.record_shaped(record_of(cue, written(tmp_path / "b.mid", other).read_bytes(), style="rules", version="1"))
    mixed = (shaped()[0], other[1], shaped()[2])
    assert found(tmp_path, mixed, store).corrections == ()


def test_kept_lanes_are_the_hands_own(tmp_path: Path) -> None:
    cue = read_cue(written(tmp_path / "plain.mid", plain()))
    content = written(tmp_path / "shaped.mid", shaped()).read_bytes()
    with Store(tmp_path / "home") as own:
        own.record_shaped(record_of(cue, content, style="shipped", version="1", kept={1: {"dynamics": [[0.0, 12.0]]}}))
        told = found(tmp_path, shaped(), own)
    assert {row[:2] for row in kinds(told, "drawn")} == {(1, "dynamics")}
    assert max(c.end_s for c in told.corrections if c.kind == "drawn") <= 12.0


def test_thinned_lanes_are_untouched(tmp_path: Path, store: Store) -> None:
    def thin(voice: Voice) -> Voice:
        lanes = {}
        for cc, (beat, value) in voice.lanes.items():
            kept = [0]
            for i in range(len(value)):
                if abs(value[i] - value[kept[-1]]) >= 3:
                    kept.append(i)
            lanes[cc] = (beat[kept] + 2 / 480, value[kept])
        return replace(voice, lanes=lanes)

    assert found(tmp_path, tuple(thin(voice) for voice in shaped()), store).corrections == ()


@pytest.mark.parametrize("edit", [renamed, bars_inserted, bars_cut, nudged, EDITS["notes_deleted"], EDITS["octaves"]])
def test_edits_of_the_notes_are_no_corrections(tmp_path: Path, store: Store, edit: Callable[..., Song]) -> None:
    for seed in range(2):
        told = found(tmp_path, edit(shaped(), np.random.default_rng(seed)), store)
        assert kinds(told, "changed") == []
        assert kinds(told, "drawn") == []


@pytest.mark.parametrize("seed", range(4))
def test_a_change_is_found_through_edits_of_the_notes(tmp_path: Path, store: Store, seed: int) -> None:
    song = redrawn(shaped(), part=1, phrases=range(8, 10), cc=1, change=deeper)
    random = np.random.default_rng(seed)
    for edit in (bars_inserted, nudged, renamed):
        song = edit(song, random)
    told = found(tmp_path, song, store, bpm=96.0)
    changed = [c for c in told.corrections if c.kind == "changed"]
    assert 1 <= len(changed) <= 4
    assert {c.lane for c in changed} == {"dynamics"}
    assert len({c.part for c in changed}) == 1


def test_new_bars_are_told_not_guessed(tmp_path: Path, store: Store) -> None:
    told = found(tmp_path, bars_repeated(shaped(), np.random.default_rng(0)), store)
    assert kinds(told, "changed") == kinds(told, "drawn") == []
    assert any("Violin" in text and "bar" in text and "not learned from" in text for text in told.unmatched)


def test_a_part_that_is_gone_and_one_that_is_new_are_told(tmp_path: Path, store: Store) -> None:
    new = first_pass(line("Horn", 60, 55, 9), 1)
    told = found(tmp_path, (*shaped()[:2], new), store)
    assert any(text.startswith("Horn: the whole part") for text in told.unmatched)
    assert any(text.startswith("Cello of the first pass is not in") for text in told.unmatched)
    assert kinds(told, "drawn") == []


def test_parts_merged_into_one_are_told(tmp_path: Path, store: Store) -> None:
    told = found(tmp_path, EDITS["merged"](shaped(), np.random.default_rng(0)), store)
    assert kinds(told, "changed") == []
    assert any("mixes several parts" in text for text in told.unmatched)


def test_lanes_on_other_controllers_are_found_by_the_profile(tmp_path: Path, store: Store) -> None:
    song = redrawn(shaped(), part=0, phrases=range(2, 4), cc=1, change=deeper)
    moved = replace(song[0], lanes={20: song[0].lanes[1], 11: song[0].lanes[11]})
    (tmp_path / "mine.toml").write_text("[violin]\nlanes.dynamics = 20\n")
    profile = read_profile(tmp_path / "mine.toml")
    cue = read_cue(written(tmp_path / "back.mid", (moved, *song[1:])), profile=profile)
    told = corrections_of(cue, store=store, profile=profile.text)
    assert {row[:2] for row in kinds(told, "changed")} == {(1, "dynamics")}
    again = told.cue.cue()
    assert again.parts[0].lane_cc["dynamics"] == 20
    assert again.parts[0].existing[20].n_points == 0


def test_a_stored_cue_is_heard_as_the_corrected_one(tmp_path: Path, store: Store) -> None:
    song = redrawn(shaped(), part=1, phrases=range(4, 6), cc=1, change=deeper)
    cue = read(tmp_path, song)
    told = corrections_of(cue, store=store)
    store.append("hand", told)
    (logged, *_) = store.corrections("hand")
    again = store.cue(logged.cue_id).cue()
    for mine, theirs in zip(again.parts, cue.parts, strict=True):
        assert np.array_equal(mine.notes.onset_tick, theirs.notes.onset_tick)
        assert (mine.kind, mine.passages, mine.group) == (theirs.kind, theirs.passages, theirs.group)
    assert logged.fingerprint == told.cue.fingerprint


def test_a_plan_beside_the_file_is_no_part_of_the_hand(tmp_path: Path) -> None:
    """It comes back with the corrected cue, in its parts and its time: here reversed, and with four bars more."""
    cue = read_cue(written(tmp_path / "plain.mid", plain()))
    table = tmp_path / "plan.csv"
    table.write_text("bar,level,parts,ramp\n1,p,,\n5,sfz,Violin,\n17,ff,Oboe,4\n", encoding="utf-8")
    plan = read_plan(table, cue)
    store = Store(tmp_path / "home")
    content = written(tmp_path / "shaped.mid", shaped()).read_bytes()
    store.record_shaped(record_of(cue, content, style="shipped", version="1", plan=plan))
    late = mangler.moved_from(redrawn(shaped(), part=1, phrases=range(3, 5), cc=1, change=deeper), 32.0, 16.0)
    told = found(tmp_path, late[::-1], store)
    store.append("hand", told)
    (logged, *_) = store.corrections("hand")
    again = heard_again(store.cue(logged.cue_id))
    assert [(part.part.name, len(again.plan.changes[part.part.index])) for part in again.parts] == [
        ("Cello", 1), ("Oboe", 2), ("Violin", 1),
    ]  # fmt: skip
    soft, loud = again.plan.changes[2]
    assert (soft.end_s, soft.level_cc) == (0.0, LEVELS_CC["p"])
    assert (loud.start_s, loud.end_s, loud.level_cc) == pytest.approx((24.0 + 8.0, 32.0 + 8.0, LEVELS_CC["ff"]))
    struck = again.parts[2].attacks
    assert np.flatnonzero(struck.event == EVENTS.index("sforzando")).tolist() == [
        int(np.argmin(np.abs(struck.onset_s - 8.0)))
    ]


def test_what_a_sequencer_saves_is_no_correction_and_what_a_hand_draws_is_one(tmp_path: Path) -> None:
    """Every delivery, without corrections and with four of every kind in a cue."""
    material = {"orchestra": orchestra(tmp_path / "orchestra.mid").read_bytes()}
    scores = round_trip.round_trips(material, folder=tmp_path, seeds=(0, 1), n=4)
    assert set(scores) == set(DELIVERIES)
    for title, score in scores.items():
        assert score.planted == 8
        assert not score.made_up, (title, score.made_up)
        assert not score.missed, (title, score.missed)


@pytest.mark.slow
def test_corrections_come_back_from_whole_cues(tmp_path: Path) -> None:
    material = demo_material() | quartet_material()
    scores = round_trip.round_trips(material, folder=tmp_path, seeds=(0, 1))
    made_up = [row for score in scores.values() for row in score.made_up]
    missed = [row for score in scores.values() for row in score.missed]
    assert sum(score.planted for score in scores.values()) > 1000
    assert not made_up
    assert not missed


def test_learning_from_a_file_that_was_only_saved_finds_nothing(tmp_path: Path) -> None:
    def run(*arguments: object) -> dict[str, object]:
        result = CliRunner().invoke(cli.main, [*map(str, arguments), "--json"])
        assert result.exit_code == 0, result.output
        told: dict[str, object] = json.loads(result.stdout)
        return told

    run("shape", orchestra(tmp_path / "cue.mid"), "-o", tmp_path / "shaped.mid", "--baseline")
    saved = DELIVERIES["saved_by_another"](
        export_of((tmp_path / "shaped.mid").read_bytes()), np.random.default_rng(0)
    )
    (tmp_path / "back.mid").write_bytes(saved.content)
    told = run("learn", "my-hand", tmp_path / "back.mid")
    assert (told["passages"], told["used"], told["version"]) == (0, False, None)
    assert "found no correction" in str(told["why"])
