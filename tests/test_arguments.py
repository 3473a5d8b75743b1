"""What users write for parts, bars, lanes and kinds, and what they are told when it cannot be read."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from phrasewright.inference.arguments import (
    FINDINGS,
    chosen_kinds,
    chosen_lanes,
    review_help,
    selected_parts,
    span_of_bars,
)
from phrasewright.inference.reviewing import KINDS


def test_parts_are_numbers_or_names_and_a_name_may_hold_a_comma() -> None:
    assert selected_parts('1, 3,"Horns, muted"') == ("1", "3", "Horns, muted")


def test_one_bar_is_a_span() -> None:
    assert span_of_bars("17") == (17, 17)
    assert span_of_bars("17-32") == (17, 32)


def test_lanes_come_in_their_own_order() -> None:
    assert chosen_lanes("vibrato,dynamics") == ("dynamics", "vibrato")


def test_kinds_come_as_written() -> None:
    assert chosen_kinds("jump, entry") == ("jump", "entry")


def test_the_help_of_review_tells_every_kind_of_finding_in_a_line() -> None:
    assert tuple(FINDINGS) == KINDS
    lines = review_help().splitlines()
    assert all(any(line.strip().startswith(f"{kind} ") for line in lines) for kind in KINDS)
    assert max(map(len, lines[4:])) <= 100


@pytest.mark.parametrize(
    ("read", "text", "told"),
    [
        (selected_parts, "1,,3", "names no part"),
        (selected_parts, "", "names no part"),
        (span_of_bars, "a-b", "no span of bars"),
        (span_of_bars, "9-8", "backwards"),
        (span_of_bars, "0-8", "before bar 1"),
        (chosen_lanes, "dynamics,loudness", "'loudness' is no lane; choose from dynamics, expression, vibrato"),
        (chosen_kinds, "jump,wobble", "'wobble' is no kind of finding"),
    ],
)
def test_a_fault_says_what_is_wrong_and_how_to_write_it(
    read: Callable[[str], object], text: str, told: str
) -> None:
    with pytest.raises(ValueError, match=told):
        read(text)
