"""Phrase ends read from scores and songs, and songs that are invented."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest

from phrasewright.data.errors import InputError
from phrasewright.training import score_reading
from phrasewright.training.boundary_corpus import chorales, essen
from phrasewright.training.boundary_fitting import for_choices, held_out, learning_cases
from phrasewright.training.boundary_songs import invented_song, invented_songs
from phrasewright.training.score_reading import abc_rows, corpus_root, read_musicxml

TUNE = """X:1
T: invented for this test
M: 3/4
L: 1/8
K: F
C2 | F2 G2 A2 | B2 ^F F
c2 | (3AAA ^F4- | F6
"""


def test_abc_text_keeps_accidentals_through_the_bar_and_no_longer() -> None:
    assert [row.pitch for row in abc_rows(TUNE)] == [60, 65, 67, 69, 70, 66, 66, 72, 69, 69, 69, 66, 65]


def test_abc_lengths_ties_and_triplets() -> None:
    rows = abc_rows(TUNE.replace("| F6", "| ^F6"))
    assert [row.length for row in rows[:7]] == [1, 1, 1, 1, 1, 0.5, 0.5]
    assert [row.length for row in rows[8:11]] == pytest.approx([1 / 3] * 3)
    assert rows[-1].length == pytest.approx(2 + 3)  # the tied note is one note


def test_abc_lines_end_phrases_and_upbeats_count_back() -> None:
    rows = abc_rows(TUNE)
    assert [i for i, row in enumerate(rows) if row.ends_phrase] == [6, 12]
    assert rows[0].bar == pytest.approx(1 + 2 / 3)
    assert rows[1].bar == pytest.approx(2.0)
    assert rows[7].bar == pytest.approx(3 + 2 / 3)


SCORE = """<score-partwise><part id="P1">
<measure number="0">
<attributes><divisions>2</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>
<note><pitch><step>G</step><octave>4</octave></pitch><duration>2</duration></note></measure>
<measure number="1">
<note><pitch><step>B</step><alter>-1</alter><octave>4</octave></pitch><duration>2</duration></note>
<note><chord/><pitch><step>D</step><octave>5</octave></pitch><duration>2</duration></note>
<note><rest/><duration>2</duration></note>
<note><pitch><step>A</step><octave>4</octave></pitch><duration>4</duration><tie type="start"/></note></measure>
<measure number="2"><note><pitch><step>A</step><octave>4</octave></pitch><duration>4</duration><tie type="stop"/>
<notations><fermata/></notations></note>
<note><pitch><step>C</step><octave>5</octave></pitch><duration>4</duration></note></measure>
</part></score-partwise>"""


def test_a_score_keeps_the_top_of_chords_ties_upbeats_and_fermatas(tmp_path: Path) -> None:
    path = tmp_path / "score.mxl"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("score.xml", SCORE)
    (rows,) = read_musicxml(path)
    assert [(r.beat, r.length, r.pitch, r.bar) for r in rows] == [
        (0, 1, 67, 1.75),
        (1, 1, 74, 2),
        (3, 4, 69, 2.5),
        (7, 2, 72, 3.5),
    ]
    assert [r.ends_phrase for r in rows] == [False, False, True, False]


def test_without_music21_the_reason_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(score_reading.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match="music21 is not installed"):
        corpus_root()


def test_invented_songs_are_the_same_for_one_seed_and_playable() -> None:
    one, two = invented_songs(40, seed=5), invented_songs(40, seed=5)
    for a, b in zip(one, two, strict=True):
        line = a.lines[0]
        assert np.array_equal(line.onset_s, b.lines[0].onset_s)
        assert np.all(np.diff(line.onset_s) > 0)
        assert np.all(line.release_s > line.onset_s)
        assert a.begins[0][0]
        assert a.begins[0].sum() >= 2
    lengths = np.concatenate([np.diff(s.lines[0].onset_s[s.begins[0]]) for s in one])
    assert 2.0 < np.median(lengths) < 8.0  # seconds: what one sings in a breath


def test_some_invented_songs_have_no_rest_and_some_no_metre() -> None:
    songs = [invented_song(np.random.default_rng(i)) for i in range(60)]
    assert any(np.allclose(s.lines[0].onset_s[1:], s.lines[0].release_s[:-1], atol=1e-6) for s in songs)
    assert any(np.isnan(s.lines[0].bar).all() for s in songs)


@pytest.fixture(scope="module")
def few_chorales(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with some of the chorales of the installed package, so that the test is quick."""
    root = tmp_path_factory.mktemp("corpus")
    (root / "bach").mkdir()
    for path in sorted((corpus_root() / "bach").glob("bwv2[5-7]?.mxl")):
        (root / "bach" / path.name).symlink_to(path)
    return root


def test_chorale_phrases_end_together_in_all_voices(few_chorales: Path) -> None:
    songs = chorales(few_chorales)
    assert len(songs) >= 15
    for song in songs:
        ends = [set(np.round(line.onset_beat[begins], 2)) for line, begins in zip(song.lines, song.begins, strict=True)]
        assert len(set.intersection(*ends)) >= 0.5 * len(ends[0])


def test_chorales_on_one_tune_stay_on_one_side(few_chorales: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    songs = chorales(few_chorales)
    assert len({song.group for song in songs}) < len(songs) + 1
    assert not any(held_out(song) and for_choices(song) for song in songs)
    monkeypatch.setattr("phrasewright.training.boundary_fitting.chorales", lambda: songs)
    monkeypatch.setattr("phrasewright.training.boundary_fitting.breaths", list)
    kept = {song.group for song in songs if held_out(song)}
    assert not kept & {case.song.group for case in learning_cases(n_invented=3)}


def test_nothing_is_learned_from_songs_kept_for_tests() -> None:
    """The fitting never asks for the Essen songs, and the reader of scores only opens Bach and Monteverdi."""
    folder = Path(score_reading.__file__).parent
    assert "essen" not in (folder / "boundary_fitting.py").read_text().lower()
    assert "essen" not in (folder / "boundary_songs.py").read_text().lower()


def test_folk_songs_have_line_ends_and_bars() -> None:
    song = next(essen())
    assert song.begins[0].sum() >= 3
    assert np.isfinite(song.lines[0].bar).all()
    assert np.all(np.diff(song.lines[0].bar) > 0)
