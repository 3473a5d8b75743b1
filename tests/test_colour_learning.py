"""Bow and attack lanes learn: a player's turns to the bridge and hard leaps, from corrections of a first pass."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hands.colours import beats, peaks
from lane_checks import lane_of
from learned_cues import few_trees, write_cue  # noqa: F401
from numpy.typing import NDArray
from safetensors.numpy import load, save

from phrasewright.data.curves import COLOUR_LANES
from phrasewright.data.midi import LaneEvents, weave
from phrasewright.data.profiles import read_profile
from phrasewright.data.reading import read_cue
from phrasewright.data.store import Store
from phrasewright.inference import cli
from phrasewright.model.colour_lanes import readied
from phrasewright.model.hearing import CueHearing
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.model.personal import Style, colour_departures_cc
from phrasewright.model.responses import timing_of
from phrasewright.model.rules import rules_lanes
from phrasewright.training.first_passes import record_of
from phrasewright.training.learning import load_style

Array = NDArray[np.float64]
Hand = Callable[..., Array]
CC = {"bow": 20, "attack": 21}
PROFILE = '["*"]\nlanes.bow = 20\nlanes.attack = 21\n'
HANDS: Mapping[str, Hand] = {"peaks": peaks, "beats": beats}


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(cli.main, [str(a) for a in arguments])
    assert result.exit_code == 0, (result.output, result.exception)
    return result


def profile_at(folder: Path, text: str = PROFILE) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def heard(path: Path, profile: Path) -> CueHearing:
    return hear(read_cue(path, profile=read_profile(profile)))


def redrawn(shaped: Path, hearing: CueHearing, lanes: Mapping[int, Callable[[int], Array]], out: Path,
            *, until_s: float = np.inf) -> Path:  # fmt: skip
    """A first pass with some controllers drawn anew up to a time, an event every 20 ms where the value changes.

    `lanes` gives, by controller, a part's curve on the 10 ms grid; `hearing` is of the cue that was shaped.
    """
    cue = read_cue(shaped)
    removed, added = {}, {}
    for index, part in enumerate(hearing.cue.parts):
        track, rows = cue.midi.tracks[part.track - 1], []
        gone = (track.status & 0xF0 == 0xB0) & np.isin(track.data1, list(lanes))
        removed[part.track - 1] = gone & (cue.tempo.tick_to_s(track.tick) < until_s)
        for cc, curve in lanes.items():
            value = np.rint(curve(index)).astype(np.int64)[::2]
            at_s = np.arange(len(value)) * 0.02
            keep = np.r_[True, np.diff(value) != 0] & (at_s < until_s)
            tick = np.rint(cue.tempo.s_to_tick(at_s[keep])).astype(np.int64)
            rows.append(np.stack([tick, np.full(len(tick), part.channel - 1), np.full(len(tick), cc), value[keep]]))
        table = np.concatenate(rows, axis=1)
        added[part.track - 1] = LaneEvents(*table[:, np.argsort(table[0], kind="stable")])
    out.write_bytes(weave(cue.midi, removed=removed, added=added))
    return out


def by_hand(hand: Hand, hearing: CueHearing) -> dict[int, Callable[[int], Array]]:
    """A hand's lanes by their controllers, as `redrawn` takes them."""
    return {CC[lane]: lambda i, k=k: hand(hearing, i, seed=i)[:, k] for k, lane in enumerate(COLOUR_LANES)}  # type: ignore[misc]


def corrected(folder: Path, name: str, *, seed: int, hand: Hand, profile: Path, n_phrases: int = 6,
              until_s: float = np.inf) -> Path:  # fmt: skip
    """A cue that was shaped as shipped, with lanes of its first pass drawn anew."""
    cue = write_cue(folder / f"{name}.mid", seed=seed, n_phrases=n_phrases)
    run("shape", cue, "-o", folder / f"{name}-shaped.mid", "--profile", profile)
    hearing = heard(cue, profile)
    shaped = folder / f"{name}-shaped.mid"
    return redrawn(shaped, hearing, by_hand(hand, hearing), folder / f"{name}-drawn.mid", until_s=until_s)


def written(path: Path, hearing: CueHearing, index: int, cc: int) -> Array:
    """A lane of a shaped file on the 10 ms grid, as held."""
    part = hearing.cue.parts[index]
    lane = lane_of(path.read_bytes(), hearing.cue, part, cc)
    time_s = np.arange(int(100 * part.notes.offset_s.max())) * 0.01
    return lane.value_cc[np.maximum(np.searchsorted(lane.time_s, time_s + 1e-6, side="right") - 1, 0)].astype(float)


def off_cc(path: Path, hearing: CueHearing, hand: Hand, lane: str, *, gain: float = 1.0, offset: float = 0.0) -> float:
    """Mean distance of a written lane, with a gain and an offset, from the hand while its part sounds; both parts."""
    off = []
    for index in range(len(hearing.parts)):
        value = offset + gain * written(path, hearing, index, CC[lane])
        true = hand(hearing, index, noise=False)[: len(value), COLOUR_LANES.index(lane)]
        off.append(np.abs(value - true)[sounding_frames(hearing, index, len(value))])
    return float(np.concatenate(off).mean())


@pytest.fixture(scope="module", params=list(HANDS))
def learned(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Hand]:
    """A store that learned a hand from one corrected cue, and an unseen cue, shaped as shipped and in the style."""
    folder = tmp_path_factory.mktemp(request.param)
    profile, hand = profile_at(folder), HANDS[request.param]
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PHRASEWRIGHT_HOME", str(folder / "home"))
        drawn = corrected(folder, "one", seed=1, hand=hand, profile=profile, n_phrases=8)
        told = run("learn", "colours", drawn, "--profile", profile, "--json").output
        (folder / "told.json").write_text(told, encoding="utf-8")
        unseen = write_cue(folder / "unseen.mid", seed=2)
        for name, more in (("plain", ()), ("styled", ("--style", "colours"))):
            run("shape", unseen, "-o", folder / f"unseen-{name}.mid", "--profile", profile, "--no-record", *more)
    return folder, hand


@pytest.fixture
def home(learned: tuple[Path, Hand], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A copy of that store, in use."""
    (tmp_path / "home").mkdir()
    (tmp_path / "home" / "store.sqlite").write_bytes((learned[0] / "home" / "store.sqlite").read_bytes())
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def style_in_use() -> Style:
    with Store() as store:
        style = load_style(store, "colours")
    assert style is not None
    return style


def test_an_unseen_cue_comes_nearer_to_the_hand(learned: tuple[Path, Hand]) -> None:
    """Well under the rules, and under the rules with the gain and offset that fit the corrected cue best."""
    folder, hand = learned
    profile = folder / "mine.toml"
    first, unseen = heard(folder / "one.mid", profile), heard(folder / "unseen.mid", profile)
    for k, lane in enumerate(COLOUR_LANES):
        rules, true = [], []
        for index in range(2):
            rules.append(written(folder / "one-shaped.mid", first, index, CC[lane]))
            true.append(hand(first, index, noise=False)[: len(rules[-1]), k])
        gain, offset = np.polyfit(np.concatenate(rules), np.concatenate(true), 1)
        own = off_cc(folder / "unseen-styled.mid", unseen, hand, lane)
        plain = off_cc(folder / "unseen-plain.mid", unseen, hand, lane)
        fitted = off_cc(folder / "unseen-plain.mid", unseen, hand, lane, gain=gain, offset=offset)
        assert own < 0.6 * plain
        assert own < 0.75 * fitted


def test_attacks_stand_at_their_note_ons(learned: tuple[Path, Hand]) -> None:
    folder, hand = learned
    unseen = heard(folder / "unseen.mid", folder / "mine.toml")
    off: dict[str, list[float]] = {"plain": [], "styled": []}
    for name, rows in off.items():
        for index, part in enumerate(unseen.parts):
            at = np.ceil(part.attacks.onset_s / 0.01 - 1e-6).astype(int)
            value = written(folder / f"unseen-{name}.mid", unseen, index, CC["attack"])
            rows += np.abs(value[at] - hand(unseen, index, noise=False)[at, 1]).tolist()
    assert np.mean(off["styled"]) < 0.5 * np.mean(off["plain"])


def test_lanes_that_were_not_corrected_stay_to_the_event(learned: tuple[Path, Hand]) -> None:
    folder, _ = learned
    unseen = heard(folder / "unseen.mid", folder / "mine.toml")
    for index in range(2):
        for cc in (1, 11, 2):
            plain, styled = (
                lane_of((folder / f"unseen-{name}.mid").read_bytes(), unseen.cue, unseen.cue.parts[index], cc)
                for name in ("plain", "styled")
            )
            assert np.array_equal(plain.tick, styled.tick)
            assert np.array_equal(plain.value_cc, styled.value_cc)


def test_what_was_held_back_is_told(learned: tuple[Path, Hand], home: Path) -> None:
    told = json.loads((learned[0] / "told.json").read_text(encoding="utf-8"))
    assert told["used"]
    assert told["held_out"]["after"] < 0.8 * told["held_out"]["before"]
    assert told["held_out"]["before"] == pytest.approx(told["held_out"]["rules"])
    shown = json.loads(run("style", "show", "colours", "--json").output)
    assert set(shown["lanes"]) == set(COLOUR_LANES)
    assert all(own["error_cc"] < own["shipped_error_cc"] for own in shown["lanes"].values())
    assert {kind["family"] for kind in shown["kinds"]} == {"strings"}
    assert all(kind["music_s"]["bow"] > 0.0 and kind["music_s"]["dynamics"] == 0.0 for kind in shown["kinds"])
    assert "(rules:" in run("style", "show", "colours").output


def test_learning_can_be_taken_back(learned: tuple[Path, Hand], home: Path, tmp_path: Path) -> None:
    folder = learned[0]
    again = ("shape", folder / "unseen.mid", "--profile", folder / "mine.toml", "--style", "colours", "--no-record")
    plain = (folder / "unseen-plain.mid").read_bytes()
    run(*again, "-o", tmp_path / "styled.mid")
    assert (tmp_path / "styled.mid").read_bytes() == (folder / "unseen-styled.mid").read_bytes() != plain
    run("style", "forget", "colours", "one-drawn.mid")
    run(*again, "-o", tmp_path / "forgotten.mid")
    run("style", "undo", "colours")
    run(*again, "-o", tmp_path / "back.mid")
    run("style", "undo", "colours")
    run(*again, "-o", tmp_path / "undone.mid")
    assert (tmp_path / "back.mid").read_bytes() == (tmp_path / "styled.mid").read_bytes()
    assert (tmp_path / "forgotten.mid").read_bytes() == (tmp_path / "undone.mid").read_bytes() == plain


def test_a_style_carries_its_colours_to_another_machine(
    learned: tuple[Path, Hand], home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, file = learned[0], tmp_path / "colours.safetensors"
    run("style", "export", "colours", file)
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(tmp_path / "elsewhere"))
    run("style", "import", file)
    run("shape", folder / "unseen.mid", "-o", tmp_path / "there.mid", "--profile", folder / "mine.toml", "--style",
        "colours", "--no-record")  # fmt: skip
    assert (tmp_path / "there.mid").read_bytes() == (folder / "unseen-styled.mid").read_bytes()
    good, arrays = file.read_bytes(), load(file.read_bytes())
    meta = json.loads(good[8 : 8 + int.from_bytes(good[:8], "little")])["__metadata__"]
    settings = json.loads(meta["style"])
    feature = arrays["bow.trees.feature"].copy()
    feature[0] = 4000
    bad = {
        "a column there is not": ({**arrays, "bow.trees.feature": feature}, settings),
        "evidence of another shape": ({**arrays, "bow.evidence_s": np.ones(3)}, settings),
        "range upside down": ({**arrays, "attack.range_cc": np.array([90.0, 10.0])}, settings),
        "not a number": ({**arrays, "bow.error_cc": np.array([np.nan, 1.0])}, settings),
        "missing": ({k: v for k, v in arrays.items() if k != "bow.trees.left"}, settings),
        "not named": (arrays, {**settings, "colours": ["bow"]}),
        "no colour lane": (arrays, {**settings, "colours": ["bow", "dynamics"]}),
        "the format without colours": (arrays, {**settings, "format": 2}),
    }
    for name, (own, told) in bad.items():
        file.write_bytes(save(own, metadata={"style": json.dumps(told)}))
        refused = CliRunner().invoke(cli.main, ["style", "import", str(file), "--name", "stranger"])
        assert refused.exit_code == 1, name
        assert len(refused.output.strip().splitlines()) == 1, name


def test_bars_far_from_an_edit_keep_their_colours(home: Path, tmp_path: Path) -> None:
    style, profile = style_in_use(), profile_at(tmp_path)
    short, longer = (
        heard(write_cue(tmp_path / f"{n}.mid", seed=3, n_phrases=n), profile) for n in (6, 7)
    )
    for index in range(2):
        here, there = (
            colour_departures_cc(one, index, style, rules_lanes(one, index).value_cc[:, 0]) for one in (short, longer)
        )
        for lane in COLOUR_LANES:
            assert np.abs(here[lane]).max() > 3.0
            assert np.array_equal(here[lane][:380], there[lane][:380])


@pytest.mark.parametrize("advanced", [False, True])
def test_slow_instruments_and_narrow_ranges_are_taught_and_answered_alike(tmp_path: Path, advanced: bool) -> None:
    """Bow where notes are heard, attack where keys go down, both on the instrument's values, there and back; whether
    the notes stand where they are struck for that, or were pulled ahead."""
    text = PROFILE + "first_delay_s = 0.2\nlegato_delay_s = 0.2\nrange.attack = [20, 84]\nrange.bow = [30, 94]\n"
    profile, late = profile_at(tmp_path, text + f"notes_advanced = {str(advanced).lower()}\n"), 20
    cue = write_cue(tmp_path / "one.mid", seed=1, n_phrases=8)
    run("shape", cue, "-o", tmp_path / "shaped.mid", "--profile", profile)
    hearing = heard(cue, profile)

    def asked(one: CueHearing, index: int) -> Array:
        bow, attack = beats(one, index, noise=False).T
        if advanced:  # heard where the hand thinks, struck before
            attack = np.r_[attack[late:], np.repeat(attack[-1:], late)]
        else:
            bow = np.r_[np.repeat(bow[:1], late), bow[:-late]]
        return np.stack([30.0 + bow * 64.0 / 127.0, 20.0 + attack * 64.0 / 127.0], axis=1)

    lanes = {CC[lane]: lambda i, k=k: asked(hearing, i)[:, k] for k, lane in enumerate(COLOUR_LANES)}  # type: ignore[misc]
    drawn = redrawn(tmp_path / "shaped.mid", hearing, lanes, tmp_path / "drawn.mid")
    run("learn", "colours", drawn, "--profile", profile)
    unseen = write_cue(tmp_path / "two.mid", seed=2)
    there = heard(unseen, profile)
    timing = timing_of(there.parts[0])
    assert timing is not None
    at = np.ceil(timing.written_s / 0.01 - 1e-6).astype(int)
    off: dict[str, dict[str, float]] = {"plain": {}, "styled": {}}
    for name, more in (("plain", ()), ("styled", ("--style", "colours"))):
        run("shape", unseen, "-o", tmp_path / f"{name}.mid", "--profile", profile, "--no-record", *more)
        for k, lane in enumerate(COLOUR_LANES):
            value, true = written(tmp_path / f"{name}.mid", there, 0, CC[lane]), asked(there, 0)[:, k]
            assert value.min() >= (30, 20)[k]
            assert value.max() <= (94, 84)[k]
            some = at if lane == "attack" else np.flatnonzero(sounding_frames(there, 0, len(value)))
            off[name][lane] = float(np.abs(value[some] - true[some]).mean())
    assert off["styled"]["bow"] < 0.5 * off["plain"]["bow"]
    assert off["styled"]["attack"] < 0.6 * off["plain"]["attack"]


def test_one_corrected_phrase_makes_no_wild_lane(tmp_path: Path) -> None:
    """Led part of the way from the rules to what was drawn, and nowhere farther than the hand went there."""
    profile = profile_at(tmp_path)
    drawn = corrected(tmp_path, "one", seed=1, hand=beats, profile=profile, until_s=4.2)
    run("learn", "colours", drawn, "--profile", profile)
    style = style_in_use()
    hearing = heard(tmp_path / "one.mid", profile)
    for index in range(2):
        moved = colour_departures_cc(hearing, index, style, rules_lanes(hearing, index).value_cc[:, 0])
        assert moved
        for own in moved.values():
            assert np.abs(own).max() < 30.0
            assert np.abs(own)[500:].mean() < 8.0


def test_dynamics_alone_teach_no_colour(tmp_path: Path) -> None:
    profile = profile_at(tmp_path)
    cue = write_cue(tmp_path / "one.mid", seed=1, n_phrases=3)
    run("shape", cue, "-o", tmp_path / "shaped.mid", "--profile", profile)
    hearing = heard(cue, profile)
    swell = {1: lambda i: 60.0 + 30.0 * np.sin(np.arange(1500) / 90.0)}
    drawn = redrawn(tmp_path / "shaped.mid", hearing, swell, tmp_path / "drawn.mid")
    run("learn", "colours", drawn, "--profile", profile)
    style = style_in_use()
    assert set(style.lanes) == {"dynamics"}
    assert not style.colours
    run("shape", cue, "-o", tmp_path / "styled.mid", "--profile", profile, "--style", "colours", "--no-record")
    for index in range(2):
        plain, styled = (written(tmp_path / f"{n}.mid", hearing, index, CC["attack"]) for n in ("shaped", "styled"))
        assert np.array_equal(plain, styled)


def test_a_first_pass_without_colours_is_learned_beside(tmp_path: Path) -> None:
    """Recorded before the instrument had these lanes: what stands in them now is the hand's own."""
    profile = profile_at(tmp_path)
    cue = write_cue(tmp_path / "one.mid", seed=1, n_phrases=4)
    run("shape", cue, "-o", tmp_path / "shaped.mid")
    hearing = heard(cue, profile)
    with Store() as store:
        shaped = read_cue(cue)
        (record,) = store.shaped_like([part.notes for part in shaped.parts], fingerprint="")
        assert set(record.parts[0].lanes) == {"dynamics", "expression", "vibrato"}
        assert record.parts[0].lanes.keys() == record_of(
            shaped, (tmp_path / "shaped.mid").read_bytes(), style="", version=""
        ).parts[0].lanes.keys()
    drawn = redrawn(tmp_path / "shaped.mid", hearing, by_hand(beats, hearing), tmp_path / "drawn.mid")
    told = json.loads(run("learn", "colours", drawn, "--profile", profile, "--json").output)
    assert told["passages"] == 8
    assert set(style_in_use().learned) == set(COLOUR_LANES)


def test_an_attack_is_ready_before_its_key() -> None:
    """A lane that jumps with the note-on is led there before it, and is left alone where nothing jumps."""
    onset_s = np.array([1.0, 2.0, 3.0])
    value = np.where(np.arange(500) < 200, 40.0, 100.0)
    bent = readied(value, onset_s)
    assert bent[197] == pytest.approx(100.0)
    assert bent[170] == pytest.approx(40.0, abs=0.5)
    assert np.array_equal(bent[:150], value[:150])
    assert np.array_equal(bent[205:], value[205:])
