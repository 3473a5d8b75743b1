"""The demo cues are music an orchestra could play, and the variants are what they claim to be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from phrasewright.data.cue import Cue, Part
from phrasewright.data.demo_cues import (
    DRAWN_BARS,
    DRAWN_PARTS,
    OVERLAP_S,
    PULLED_AHEAD_S,
    demo_names,
    load_score,
    write_demo,
    write_demos,
)
from phrasewright.data.errors import InputError, UsageError
from phrasewright.data.notes import sounding_spans
from phrasewright.data.reading import read_cue
from phrasewright.data.score_text import TICKS_PER_BEAT, parse_score

LAMP, STORM = "the-lamp-is-lit", "storm-over-the-rocks"
WRITTEN = (LAMP, STORM)

SOUNDING_RANGE = {  # sounding pitches of common orchestration practice, no source
    "Flute": (60, 96),
    "Oboe": (58, 91),
    "Clarinet": (50, 91),
    "Bassoon": (34, 72),
    "Horns": (41, 77),
    "Trumpets": (54, 82),
    "Trombones": (40, 72),
    "Timpani": (38, 57),
    "Harp": (24, 103),
    "Piano": (21, 108),
    "Choir": (41, 81),
    "Violins I": (55, 100),
    "Violins II": (55, 96),
    "Violas": (48, 88),
    "Cellos": (36, 81),
    "Double Basses": (28, 60),
}


@pytest.fixture(scope="module")
def cues(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Cue]:
    folder = tmp_path_factory.mktemp("demo")
    return {path.stem: read_cue(path) for path in write_demos(folder)}


def part_of(cue: Cue, name: str) -> Part:
    return next(part for part in cue.parts if part.name == name)


@pytest.mark.parametrize("name", WRITTEN)
def test_two_minutes_for_twelve_parts(cues: dict[str, Cue], name: str) -> None:
    cue = cues[name]
    assert cue.duration_s >= 120
    assert len(cue.parts) >= 12
    assert {p.family for p in cue.parts} >= {"strings", "woodwind", "brass", "plucked", "keys", "percussion"}


@pytest.mark.parametrize("name", demo_names())
def test_parts_are_taken_for_what_they_are(cues: dict[str, Cue], name: str) -> None:
    kinds = {p.name: p.kind for p in cues[name].parts}
    families = {p.name: p.family for p in cues[name].parts}
    assert kinds["Harp"] == kinds["Piano"] == "decaying"
    assert kinds["Timpani"] == kinds["Percussion"] == "percussive"
    for title, family in {
        "Flute": "woodwind", "Bassoon": "woodwind", "Horns": "brass", "Trombones": "brass",
        "Violins II": "strings", "Cellos": "strings", "Double Basses": "strings",
    }.items():
        assert (families[title], kinds[title]) == (family, "sustained")
    shaped = {p.name for p in cues[name].parts if p.shaped}
    assert not shaped & {"Harp", "Piano", "Timpani", "Percussion"}
    assert shaped >= {"Flute", "Oboe", "Clarinet", "Bassoon", "Horns", "Violins II", "Violas", "Cellos"}


@pytest.mark.parametrize("name", WRITTEN)
def test_players_can_reach_their_notes(cues: dict[str, Cue], name: str) -> None:
    for part in cues[name].parts:
        if part.name in SOUNDING_RANGE:
            low, high = SOUNDING_RANGE[part.name]
            assert low <= part.notes.pitch.min(), part.name
            assert part.notes.pitch.max() <= high, part.name


@pytest.mark.parametrize("name", WRITTEN)
def test_brass_and_winds_rest_now_and_then(cues: dict[str, Cue], name: str) -> None:
    for title in ("Flute", "Oboe", "Clarinet", "Bassoon", "Horns", "Trombones"):
        notes = part_of(cues[name], title).notes
        spans = sounding_spans(notes)
        assert (spans[:, 1] - spans[:, 0]).sum() < 0.8 * cues[name].duration_s, title
        assert (notes.offset_s - notes.onset_s).max() < 16, "nobody has that much breath"


def test_melodies_are_connected(cues: dict[str, Cue]) -> None:
    for name, title, bars in ((LAMP, "Oboe", (5, 9)), (LAMP, "Violins I", (13, 17)), (STORM, "Horns", (9, 11))):
        cue = cues[name]
        notes = part_of(cue, title).notes
        begin, end = cue.tempo.bar_to_tick(list(bars))
        line = notes.take((notes.onset_tick >= begin) & (notes.onset_tick < end))
        gap_s = line.onset_s[1:] - line.offset_s[:-1]
        assert np.mean(np.abs(gap_s) <= 0.06) >= 0.8
        assert np.count_nonzero(gap_s > 0.06) >= (1 if name == LAMP else 0), "a singer would breathe"


def test_the_melody_passes_from_part_to_part(cues: dict[str, Cue]) -> None:
    lamp = cues[LAMP]
    heads = []
    for title, bar in (("Oboe", 5), ("Violins I", 13), ("Horns", 41), ("Flute", 46)):
        notes = part_of(lamp, title).notes
        begin = lamp.tempo.bar_to_tick([bar])[0]
        heads.append((notes.pitch[notes.onset_tick >= begin][:3] % 12).tolist())
    assert heads == [[2, 4, 6]] * 4


def test_one_cue_dies_away_and_one_rises(cues: dict[str, Cue]) -> None:
    lamp, storm = cues[LAMP], cues[STORM]
    for title in ("Violins II", "Violas", "Cellos"):
        falling, rising = part_of(lamp, title).notes, part_of(storm, title).notes
        assert falling.velocity[-1] < falling.velocity[falling.onset_tick >= lamp.tempo.bar_to_tick([41])[0]].max() - 3
        bars = [storm.tempo.bar_to_tick(span) for span in ((65, 66), (66, 67), (67, 68), (71, 74))]
        level = [
            float(rising.velocity[(rising.onset_tick >= b) & (rising.onset_tick < e)].mean()) for b, e in bars
        ]
        assert level[0] < level[1] > level[2] < level[3], "two stages with a give between"
        assert level[3] > level[1] + 8


def test_bars_tempo_and_metre(cues: dict[str, Cue]) -> None:
    lamp, storm = cues[LAMP], cues[STORM]
    assert lamp.n_bars == 49
    assert storm.n_bars == 73
    for cue, in_three in ((lamp, (21, 33)), (storm, (35, 47))):
        assert list(cue.tempo.metre_numerator) == [4, 3, 4]
        assert tuple(cue.tempo.metre_bar[1:]) == in_three
        assert len(cue.tempo.tick) > 20, "ritardandi are gradual"


def test_marks_in_words(cues: dict[str, Cue]) -> None:
    words = {mark.text for mark in cues[LAMP].marks}
    assert words >= {"pp", "p", "mp", "f", "ff", "cresc.", "dim.", "pizz.", "arco", "The stair"}
    storm_words = {mark.text for mark in cues[STORM].marks}
    assert storm_words >= {"pizz.", "arco", "spicc.", "con sord."}
    assert not storm_words & {"pp", "f", "cresc."}


@pytest.mark.parametrize("name", WRITTEN)
def test_pizzicato_is_a_passage(cues: dict[str, Cue], name: str) -> None:
    passages = part_of(cues[name], "Violins I").passages
    assert "decaying" in {p.kind for p in passages}
    assert passages[0].kind == "sustained"


@pytest.mark.parametrize(
    ("name", "titles"), [(LAMP, ("Violins I", "Horns")), (STORM, ("Violins I", "Horns", "Cellos"))]
)
def test_low_notes_only_select_articulations(cues: dict[str, Cue], name: str, titles: tuple[str, ...]) -> None:
    for title in titles:
        part = part_of(cues[name], title)
        written = next(p for p in load_score(name).parts if p.name == title)
        assert part.switches.n_notes == sum(n.manner == "switch" for n in written.notes) >= 2
        assert part.switches.pitch.max() < 24


def test_one_channel_holds_the_same_music(cues: dict[str, Cue]) -> None:
    plain, flat = cues[STORM], cues["storm-on-one-channel"]
    assert {part.channel for part in flat.parts} == {1}
    for a, b in zip(plain.parts, flat.parts, strict=True):
        assert (a.name, a.kind, a.family) == (b.name, b.kind, b.family)
        assert np.array_equal(a.notes.onset_tick, b.notes.onset_tick)


def test_split_violins_overlap_and_come_early(cues: dict[str, Cue]) -> None:
    plain, early = cues[STORM], cues["storm-split-and-early"]
    pieces = [part for part in early.parts if part.name.startswith("Violins I ")]
    assert [p.name for p in pieces] == ["Violins I legato", "Violins I spicc", "Violins I pizz", "Violins I trem"]
    assert sum(p.notes.n_notes for p in pieces) == part_of(plain, "Violins I").notes.n_notes
    assert len({p.group for p in pieces}) == 1, "one instrument"
    assert pieces[2].kind == "decaying" or pieces[2].passages[0].kind == "decaying"

    legato = pieces[0].notes
    length_s = legato.offset_s - legato.onset_s
    overlap_s = legato.offset_s[:-1] - legato.onset_s[1:]
    connected = overlap_s > 0
    roomy = connected & (np.minimum(length_s[:-1], length_s[1:]) > 0.5)
    assert roomy.sum() > 20
    assert np.all(overlap_s[roomy] >= OVERLAP_S[0] - 0.002)
    assert np.all(overlap_s[roomy] <= OVERLAP_S[1] + 0.002)

    bar_s = plain.tempo.bar_length_s(np.zeros(1))[0]
    for title in ("Horns", "Violas", "Harp"):
        shift_s = part_of(plain, title).notes.onset_s + bar_s - part_of(early, title).notes.onset_s
        assert np.allclose(shift_s, PULLED_AHEAD_S, atol=0.002)


def test_half_drawn_lanes(cues: dict[str, Cue]) -> None:
    cue = cues["storm-half-drawn"]
    last_s = cue.tempo.tick_to_s(cue.tempo.bar_to_tick([DRAWN_BARS + 1]))[0]
    for part in cue.parts:
        assert part.existing[11].value_cc.tolist() == [100]
        curve = part.existing[1]
        if part.name not in DRAWN_PARTS:
            assert curve.n_points == 0
            continue
        assert curve.n_points > 60
        assert curve.time_s[-1] <= last_s
        assert np.ptp(curve.value_cc) > 15
        assert np.abs(np.diff(curve.value_cc)).max() <= 12, "a wheel does not jump"
        assert np.diff(curve.time_s).std() > 0.005, "a hand is not a clock"


def test_the_same_bytes_every_time(tmp_path: Path) -> None:
    for name in demo_names():
        write_demo(name, tmp_path / "a.mid")
        write_demo(name, tmp_path / "b.mid")
        assert (tmp_path / "a.mid").read_bytes() == (tmp_path / "b.mid").read_bytes()


def test_unknown_names(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="'sunrise' is no demo cue; choose one of the-lamp-is-lit"):
        write_demo("sunrise", tmp_path / "a.mid")


def test_notation_reads_lengths_ties_and_levels() -> None:
    score = parse_score(
        "title T\ntempo 1 60\npart Oboe | channel 2 | program 68\n"
        "1 | p c4:1 d4>  e4' [f4 a4] | \"pizz.\" g4:2~ cresc g4:1~ g4 | f =",
        name="t",
    )
    notes = score.parts[0].notes
    beat = TICKS_PER_BEAT
    assert [n.pitch for n in notes[:5]] == [60, 62, 64, 69, 65]
    assert [n.onset_tick for n in notes[:5]] == [0, beat, 2 * beat, 3 * beat, 3 * beat]
    assert [n.end_tick - n.onset_tick for n in notes[:5]] == [beat, beat, beat // 3, beat, beat]
    assert notes[1].velocity > notes[0].velocity + 8
    tied = notes[5]
    assert (tied.onset_tick, tied.manner) == (4 * beat, "pizz")
    assert notes[6].velocity > tied.velocity + 20


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("part Oboe | channel 1 | program 68\n1 | c4:3", "t: Oboe: bar 1: holds 3 beats of 4"),
        ("part Oboe | channel 1 | program 68\n1 | c4:4 | h4:4", "t: Oboe: bar 2: 'h4:4' is no note, mark or word"),
        ("part Oboe | channel 1 | program 68\n3 | c4:4\n2 | c4:4", "must begin with a bar number from 4 on"),
        ("colour blue", "unknown line 'colour'"),
    ],
)
def test_mistakes_in_a_score_are_named(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_score(text, name="t")
