"""The report page as a file: packed rows come back, names stay text, and everything needed is in it."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from drawn_cues import Line, ramp, write_cue
from hypothesis import given
from hypothesis import strategies as st

from phrasewright.data.curves import ALL_LANES
from phrasewright.data.errors import OutputError
from phrasewright.data.reading import read_cue
from phrasewright.data.store import Store
from phrasewright.inference.batch import shape_files
from phrasewright.inference.comparing import compare_into, comparisons
from phrasewright.inference.comparison_page import compare_report
from phrasewright.inference.panels import FAINT, INK, LANE_COLOUR, PALE
from phrasewright.inference.report import in_script, pack_times, page_of_report
from phrasewright.inference.reporting import learn_report, shape_report
from phrasewright.inference.shaping import ShapeOptions, shape_cue
from phrasewright.model.listening import hear
from phrasewright.training.learning import HeldBack, learn

TUNE = [(60 + (5 * i) % 13, float(i) + (i // 8), 1.0, 80) for i in range(24)]
ARC = {1: [*ramp(0, 12, 40, 80), *ramp(13, 26, 79, 45)], 11: [*ramp(0, 12, 80, 100), *ramp(13, 26, 99, 85)]}


@pytest.fixture
def drawn(tmp_path: Path) -> Path:
    return write_cue(tmp_path / "drawn.mid", Line("Violins I", 48, TUNE, ARC), Line("Cellos", 42, TUNE, {1: ARC[1]}))


def unpack_times(text: str) -> list[int]:
    """The page's own way back, written again."""
    now, found = 0, []
    for step in np.frombuffer(base64.b64decode(text), dtype="<u2").tolist():
        now += step
        if step < 65535:
            found.append(now)
    return found


def data_of(page: str) -> dict[str, Any]:
    return json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', page)[1])


@given(st.lists(st.integers(0, 400_000), max_size=60))
def test_times_come_back_whatever_lies_between_them(steps: list[int]) -> None:
    times = np.cumsum(np.array(steps, dtype=np.int64))
    assert unpack_times(pack_times(times)) == times.tolist()


def test_times_that_fall_are_refused() -> None:
    with pytest.raises(ValueError, match="must not fall"):
        pack_times(np.array([5, 3]))


def test_lanes_on_the_page_are_the_lanes_of_the_file(drawn: Path) -> None:
    data = data_of(page_of_report(compare_report(comparisons(drawn, [drawn], tables=True), [drawn])))
    lane = data["parts"][0]["lanes"]["dynamics"]["drawn"]
    assert lane[0] == lane[1]
    beats = [round(1000 * beat) for beat, _ in ARC[1]]
    assert unpack_times(lane[0]["at"]) == pytest.approx(beats, abs=2)  # a tick is two thousandths of a quarter note
    assert list(base64.b64decode(lane[0]["value"])) == [value for _, value in ARC[1]]


def test_the_same_cue_gives_the_same_page(drawn: Path) -> None:
    pages = [page_of_report(shape_report([shape_cue(drawn, ShapeOptions(baseline=True))])) for _ in range(2)]
    assert pages[0] == pages[1]


@pytest.mark.parametrize(
    "name", ["</script><script>alert(1)</script>", "<!--", "a\x00b\x1b[2Jc", "Vio\u202elins", "{{ 7*7 }}"]
)
def test_no_name_leaves_its_place(name: str, tmp_path: Path) -> None:
    """Whatever a track is called, the page holds the scripts it came with, and no raw control character."""
    path = write_cue(tmp_path / "cue.mid", Line(name, 40, TUNE, ARC))
    plain = write_cue(tmp_path / "plain.mid", Line("Violin", 40, TUNE, ARC))
    pages = [page_of_report(compare_report(comparisons(p, [p], tables=True), [p])) for p in (path, plain)]
    assert pages[0].lower().count("<script") == pages[1].lower().count("<script")
    assert pages[0].lower().count("</script") == pages[1].lower().count("</script")
    assert pages[0].count("<!--") == pages[1].count("<!--")
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u202e]", pages[0])
    assert "49" not in data_of(pages[0])["parts"][0]["name"]


def test_no_markup_begins_or_ends_in_what_is_embedded() -> None:
    text = "</script>&<!-- \u2028 弦"
    assert json.loads(in_script(json.dumps(text))) == text
    assert not set("<>&") & set(in_script(json.dumps(text)))


def test_the_page_may_load_nothing_and_says_to_start_softly(drawn: Path) -> None:
    page = page_of_report(shape_report([shape_cue(drawn, ShapeOptions(baseline=True))]))
    assert "default-src 'none'" in page
    assert "start playback at a low monitoring level" in page
    own = page[: page.index('<script type="application/json"')]
    assert not re.search(r'(?:src|href)="(?!#|data:)', own)


def test_what_was_drawn_before_lies_beside_what_was_written(drawn: Path) -> None:
    data = data_of(page_of_report(shape_report([shape_cue(drawn, ShapeOptions(baseline=True, existing="replace"))])))
    assert data["sides"] == ["written", "as it was"]
    written, before = data["parts"][0]["lanes"]["dynamics"]["drawn"]
    assert list(base64.b64decode(before["value"])) == [value for _, value in ARC[1]]
    assert written != before


def test_where_nothing_is_claimed_the_weightiest_findings_come_first(tmp_path: Path) -> None:
    """The rules claim no spread; a kept lane that jumps by 40 steps in a held note is what to look at."""
    jumping = {1: [(0.0, 50), *ramp(0.25, 8.5, 50, 62), (9.25, 102), (9.5, 60), *ramp(10, 26, 60, 80)]}
    path = write_cue(tmp_path / "cue.mid", Line("Violin", 40, [(72, 0.0, 8.0, 80), (74, 9.0, 16.0, 80)], jumping))
    data = data_of(page_of_report(shape_report([shape_cue(path, ShapeOptions(baseline=True))])))
    assert data["passages"][0]["text"] == "jump"
    assert data["passages"][0]["to"][1] == "dynamics"


def test_several_cues_share_a_page(drawn: Path, tmp_path: Path) -> None:
    other = write_cue(tmp_path / "second.mid", Line("Oboe", 68, TUNE), metre=(3, 4))
    report = tmp_path / "page.html"
    shape_files([drawn, other], tmp_path / "out", options=ShapeOptions(baseline=True), report=report)
    data = data_of(report.read_text("utf-8"))
    assert [part["of"] for part in data["parts"]] == ["drawn.mid", "drawn.mid", "second.mid"]
    assert [cue["metres"][0][1:] for cue in data["cues"]] == [[4, 4], [3, 4]]


def test_several_candidates_are_told_apart(drawn: Path, tmp_path: Path) -> None:
    rights = []
    for by in (2, 6):
        (tmp_path / str(by)).mkdir()
        lanes = {cc: [(beat, value + by) for beat, value in events] for cc, events in ARC.items()}
        rights.append(write_cue(tmp_path / str(by) / "take.mid", Line("Violins I", 48, TUNE, lanes)))
    data = data_of(page_of_report(compare_report(comparisons(drawn, rights, tables=True), rights)))
    assert data["sides"][1:] == [str(Path("2", "take.mid")), str(Path("6", "take.mid"))]
    assert data["passages"][0]["text"].startswith("6.0 steps apart")
    assert "File" in data["sheets"][0]["columns"]


def test_a_page_that_is_there_is_refused_before_anything_is_written(drawn: Path, tmp_path: Path) -> None:
    report = tmp_path / "page.html"
    report.write_text("mine")
    with pytest.raises(OutputError, match="already there"):
        compare_into(drawn, [drawn], report=report)
    with pytest.raises(OutputError, match="already there"):
        shape_files([drawn], tmp_path / "out.mid", options=ShapeOptions(baseline=True), report=report)
    assert not (tmp_path / "out.mid").exists()
    assert report.read_text() == "mine"


def test_without_metre_the_page_runs_in_seconds(tmp_path: Path) -> None:
    path = write_cue(tmp_path / "smpte.mid", Line("Violin", 40, TUNE, ARC))
    content = bytearray(path.read_bytes())
    content[12:14] = bytes([256 - 25, 40])  # 25 frames a second, 40 ticks a frame
    path.write_bytes(bytes(content))
    data = data_of(page_of_report(compare_report(comparisons(path, [path], tables=True), [path])))
    assert unpack_times(data["cues"][0]["bars"]) == []
    onsets = unpack_times(data["parts"][0]["notes"]["at"])
    assert onsets[1] - onsets[0] == pytest.approx(480, abs=1)  # 480 ticks of a thousandth of a second


def luminance(colour: str) -> float:
    """Relative luminance of a colour (WCAG 2.1)."""
    share = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_lines_and_words_stand_out_in_grey_too() -> None:
    """Contrast of 4.5 with white for everything drawn or written (WCAG 2.1, 1.4.3), dashes darker than full lines."""
    for colour in (*LANE_COLOUR.values(), INK, PALE):
        assert 1.05 / (luminance(colour) + 0.05) >= 4.5
    for colour in LANE_COLOUR.values():
        assert luminance(INK) < luminance(colour)
    assert luminance(FAINT) > 0.7


def test_what_was_learned_is_shown_as_foretold_unseen(tmp_path: Path) -> None:
    """Phrase 2 was held back: 10 steps off before, 4 after; of the rest of the part nothing is claimed."""
    hearing = hear(read_cue(write_cue(tmp_path / "cue.mid", Line("Oboe", 68, TUNE))))
    phrase = hearing.parts[0].phrases[1]
    time_s = np.arange(phrase.start_s, phrase.end_s, 0.05)
    hand = np.full((len(time_s), len(ALL_LANES)), np.nan)
    hand[:, 0] = 70.0
    held = HeldBack(hearing, 1, time_s, hand, hand + 10, hand - 4)
    told = {"n_phrases": 2, "before": 10.0, "after": 4.0, "rules": 9.0, "interval": [-7.0, -5.0]}
    result = {"style": "mine", "version": 3, "passages": 2, "music_s": 8.0, "held_out": told, "used": True}
    data = data_of(page_of_report(learn_report(result | {"why": "learned", "remarks": []}, [held])))
    assert data["sides"] == ["your lane", "after", "before"]
    assert data["sheets"][0]["rows"] == [["Oboe", "dynamics", 2, 10.0, 4.0, -6.0]]
    assert data["passages"][0]["text"] == "4.0 steps off, 10.0 before"
    lane = data["parts"][0]["lanes"]
    assert set(lane) == {"dynamics"}
    values = [list(base64.b64decode(side["value"])) for side in lane["dynamics"]["drawn"]]
    assert [set(row) for row in values] == [{70, 255}, {66, 255}, {80, 255}]
    assert unpack_times(lane["dynamics"]["drawn"][0]["at"])[0] == pytest.approx(2000 * phrase.start_s, abs=1)


@pytest.mark.slow
def test_learning_hands_over_what_it_held_back(tmp_path: Path) -> None:
    """A hand that draws everything far above the first pass: unseen phrases come nearer to it."""
    notes = [(60 + (7 * i) % 12, 2.0 * i, 1.8 if i % 4 < 3 else 0.9, 80) for i in range(32)]
    cue = write_cue(tmp_path / "cue.mid", Line("Oboe", 68, notes))
    first = tmp_path / "first.mid"
    first.write_bytes(shape_cue(cue, ShapeOptions(baseline=True)).content)
    raised = {1: [(0.0, 80), *ramp(1, 30, 80, 104), *ramp(31, 62, 103, 84)]}
    hand = write_cue(tmp_path / "hand.mid", Line("Oboe", 68, notes, raised))
    held: list[HeldBack] = []
    with Store(tmp_path / "store") as store:
        result = learn("mine", [hand], shaped=first, store=store, show=held.extend)
    rows = learn_report(result, held).sheets[0].rows
    assert len(rows) >= 4
    before, after = (np.mean([row[column] for row in rows]) for column in (3, 4))
    assert after < before
    assert after == pytest.approx(result["held_out"]["after"], rel=0.35)  # here phrases weigh alike, there frames
