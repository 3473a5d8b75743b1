"""The passages can be read, cover what they must, and labels are checked against them."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from phrasewright.data.errors import InputError
from phrasewright.data.labelled import (
    LabelledPassage,
    kept_back,
    labels_of,
    listing,
    listings,
    passages_of,
    read_passages,
)
from phrasewright.data.reading import read_cue

SMALL = """passage one easy
tempo 1 60
part Violins | channel 1 | program 48
1 | p a5:4 | g5:4
part Violins | channel 1 | program 48
1 | p c5:1 d5 e5>:2 | "sfz" b4:4
part Cellos | channel 2 | program 48
1 | p {c3@.125:4}*1 | c3:4
"""


@pytest.fixture(scope="module")
def passages() -> tuple[LabelledPassage, ...]:
    return read_passages()


@pytest.fixture(scope="module")
def small() -> LabelledPassage:
    return passages_of(SMALL, file="small.txt")[0]


def test_there_are_enough_passages_and_enough_hard_ones(passages: tuple[LabelledPassage, ...]) -> None:
    assert len(passages) >= 156
    assert sum(p.hard for p in passages) >= len(passages) / 3
    assert len({p.name for p in passages}) == len(passages)
    assert len({p.score.title for p in passages}) == len(passages)


def test_no_two_passages_hold_the_same_music(passages: tuple[LabelledPassage, ...]) -> None:
    music = [tuple((n.onset_tick, n.pitch) for part in p.score.parts for n in part.notes) for p in passages]
    assert len(set(music)) == len(music)


def test_passages_are_short_and_for_a_few_parts(passages: tuple[LabelledPassage, ...]) -> None:
    for passage in passages:
        assert 1 <= len(passage.score.parts) <= 8, passage.name
        last_bar = max(
            int(line.split("|")[0]) + line.count("|") - 1 for line in passage.text.splitlines() if line[0].isdigit()
        )
        assert last_bar <= 8, passage.name


def test_a_third_is_kept_back_of_every_theme_and_of_the_hard_ones(passages: tuple[LabelledPassage, ...]) -> None:
    back = [p for p in passages if kept_back(p.name)]
    assert 0.28 <= len(back) / len(passages) <= 0.38
    assert 0.28 <= sum(p.hard for p in back) / sum(p.hard for p in passages) <= 0.42
    kept, every = Counter(p.file for p in back), Counter(p.file for p in passages)
    assert all(0.2 <= kept[file] / every[file] <= 0.5 for file in every), (kept, every)


def test_the_tool_reads_the_same_notes_and_every_note_can_be_played(
    passages: tuple[LabelledPassage, ...], tmp_path: Path
) -> None:
    for passage in passages:
        path = tmp_path / f"{passage.name}.mid"
        path.write_bytes(passage.midi_bytes())
        cue = read_cue(path)
        assert [part.name for part in cue.parts] == [part.name for part in passage.score.parts]
        for part, written in zip(cue.parts, passage.score.parts, strict=True):
            assert part.notes.pitch.tolist() == [n.pitch for n in written.notes], passage.name
            assert part.notes.onset_tick.tolist() == [n.onset_tick for n in written.notes], passage.name
            assert part.notes.offset_tick.tolist() == [n.end_tick for n in written.notes], passage.name
            low, high = part.instrument.low, part.instrument.high
            assert part.notes.pitch.min() >= low, (passage.name, part.name)
            assert part.notes.pitch.max() <= high, (passage.name, part.name)


def test_desks_of_one_name_are_one_part_in_order_of_attack_highest_first(small: LabelledPassage) -> None:
    violins = small.score.parts[0]
    assert len(small.score.parts) == 2
    assert [n.pitch for n in violins.notes] == [81, 72, 74, 76, 79, 71]


def test_played_passages_scatter_a_little_and_keep_chords_together() -> None:
    text = "passage two easy played\npart Violins | channel 1 | program 48\n1 | [c5 e5]:1 [d5 f5] [c5 e5] [b4 d5]\n"
    notes = passages_of(text, file="two.txt")[0].score.parts[0].notes
    straight = [i // 2 * 480 for i in range(8)]
    shifts = [n.onset_tick - at for n, at in zip(notes, straight, strict=True)]
    assert len(set(shifts)) > 2
    assert max(map(abs, shifts)) <= 24
    assert all(shifts[i] == shifts[i + 1] for i in range(0, 8, 2))


def test_a_listing_shows_what_a_labeller_needs_and_not_what_was_meant(small: LabelledPassage) -> None:
    table = listing(small)
    assert "1.3.00  e5" in table
    assert "sfz" in table
    assert "0-31" in table
    assert "c3 x32" in table
    assert "easy" not in table


def test_listings_hold_every_note_once(passages: tuple[LabelledPassage, ...]) -> None:
    counted = 0
    for line in listings().splitlines():
        first = line.split()[0] if line.split() else ""
        low, _, high = first.partition("-")
        if low.isdigit():
            counted += int(high or low) - int(low) + 1
    assert counted == sum(len(part.notes) for p in passages for part in p.score.parts)


def test_labels_are_read_note_by_note(small: LabelledPassage) -> None:
    text = (
        "# by hand\n"
        "one | 1 | roles: 0 chords, 4 chords, 1-3 melody, 5 melody | figures: 0 held, 4 held | events: 5 sforzando\n"
        "one | 2 | roles: 0-32 bass | figures: 0-31 tremolo\n"
    )
    labels = labels_of(text, file="labels.txt", passages=(small,))
    assert labels["one", 1].roles == ("chords", "melody", "melody", "melody", "chords", "melody")
    assert labels["one", 1].figures == ("held", "none", "none", "none", "held", "none")
    assert labels["one", 1].events[5] == "sforzando"
    assert labels["one", 2].figures[31:] == ("tremolo", "none")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("one | 2 | roles: 0-31 bass", "note 32 has no role"),
        ("one | 2 | roles: 0-33 bass", "its notes are 0 to 32"),
        ("one | 2 | roles: 0-32 bass, 4 melody", "note 4 has two labels"),
        ("one | 2 | roles: 0-32 tune", "no label of roles"),
        ("one | 2 | roles: 0-32 bass | gestures: 1 run", "no such axis"),
        ("one | 3 | roles: 0 bass", "there is no part 3"),
        ("two | 1 | roles: 0 bass", "passage 'two'"),
        ("one | 2 | roles: 0-32 bass", "1 parts have no line, the first one, part 1"),
    ],
)
def test_faulty_labels_are_refused_with_the_reason(small: LabelledPassage, line: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        labels_of(line + "\n", file="labels.txt", passages=(small,))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("passage one middling\n", "write `passage NAME easy`"),
        ("tempo 1 60\n", "stands before the first passage"),
        ("passage one easy\npart V | channel 1 | program 48\n1 | c4:3\n", "holds 3 beats of 4"),
        (
            "passage one easy\npart V | channel 1 | program 48\n1 | c4:4\npart V | channel 1 | program 48\n1 | c4:4\n",
            "struck while it sounds",
        ),
    ],
)
def test_faulty_passages_are_refused_with_the_reason(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        passages_of(text, file="f.txt")
