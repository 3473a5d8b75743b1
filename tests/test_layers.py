"""A part's chords and divisi split into lines; legato overlaps join, they are no chords."""

from __future__ import annotations

import numpy as np
from heard_cues import notes_of
from hypothesis import given
from hypothesis import strategies as st

from phrasewright.model.layers import split_layers

RANDOM_NOTES = st.lists(
    st.tuples(st.integers(0, 400), st.integers(1, 120), st.integers(40, 90)),
    min_size=1,
    max_size=40,
    unique_by=lambda r: (r[0], r[2]),
)


def test_a_legato_overlap_is_a_join_in_one_line() -> None:
    layers = split_layers(notes_of((0, 1.1, 60), (1, 2.1, 62), (2, 3, 64)))
    assert layers.layer.tolist() == [0, 0, 0]
    assert layers.connected.tolist() == [False, True, True]
    assert layers.sounding_end_s.tolist() == [1.0, 2.0, 3.0]


def test_an_overlap_of_150_ms_is_two_notes_at_once() -> None:
    layers = split_layers(notes_of((0, 1.16, 60), (1, 2, 62)))
    assert layers.layer.tolist() == [0, 1] or layers.layer.tolist() == [1, 0]
    assert layers.sounding_end_s[0] == 1.16


def test_an_overlap_of_more_than_a_third_of_the_shorter_note_is_no_join() -> None:
    layers = split_layers(notes_of((0, 1.1, 60), (1, 1.25, 62), (1.25, 2, 60)))
    assert layers.sounding_end_s[0] == 1.1


def test_a_chord_has_its_highest_note_in_layer_0() -> None:
    layers = split_layers(notes_of((0, 1, 60), (0, 1, 64), (0, 1, 67), (1, 2, 59), (1, 2, 65), (1, 2, 67)))
    assert layers.layer.tolist() == [0, 1, 2, 0, 1, 2]
    assert layers.connected[3:].all()


def test_a_line_moving_over_a_held_note_keeps_its_layer() -> None:
    layers = split_layers(notes_of((0, 4, 48), (0, 1, 60), (1, 2, 62), (2, 3, 64), (3, 4, 65)))
    held = layers.layer[1]  # the lower of the first two
    moving = np.delete(np.arange(5), 1)
    assert len(set(layers.layer[moving].tolist())) == 1
    assert layers.layer[moving[0]] != held
    assert layers.previous[moving[1:]].tolist() == moving[:-1].tolist()


def test_a_gap_of_60_ms_connects_and_one_of_80_does_not() -> None:
    layers = split_layers(notes_of((0, 0.94, 60), (1, 1.92, 62), (2, 3, 64)))
    assert layers.connected.tolist() == [False, True, False]


def test_in_a_score_export_a_like_share_of_each_note_is_still_connected() -> None:
    lengths = [2.0, 1.0, 3.0, 2.0, 1.0, 2.0]
    on_s = np.cumsum([0.0, *lengths])
    exported = split_layers(
        notes_of(*((a, a + 0.96 * d, 60 + i) for i, (a, d) in enumerate(zip(on_s, lengths, strict=False))))
    )
    assert exported.connected[1:].all()  # gaps of 40 to 120 ms, each 4 % of the inter-onset time
    played = split_layers(notes_of((0, 1.9, 60), (2, 2.99, 62), (3, 5.8, 64), (6, 7.98, 65), (8, 8.99, 67)))
    assert played.connected.tolist() == [False, False, True, False, True]


@given(RANDOM_NOTES)
def test_no_two_notes_of_a_layer_sound_together(rows: list[tuple[int, int, int]]) -> None:
    notes = notes_of(*((a / 100, (a + d) / 100, p) for a, d, p in rows))
    layers = split_layers(notes)
    for row in set(layers.layer.tolist()):
        index = np.flatnonzero(layers.layer == row)
        overlap_s = layers.sounding_end_s[index[:-1]] - notes.onset_s[index[1:]]
        assert np.all(overlap_s <= 1e-9)
        assert len(set(layers.attack[index].tolist())) == len(index)


@given(RANDOM_NOTES)
def test_notes_link_to_the_note_before_in_their_layer(rows: list[tuple[int, int, int]]) -> None:
    layers = split_layers(notes_of(*((a / 100, (a + d) / 100, p) for a, d, p in rows)))
    for i, before in enumerate(layers.previous.tolist()):
        assert before < i
        if before >= 0:
            assert layers.layer[before] == layers.layer[i]
            assert layers.following[before] == i
