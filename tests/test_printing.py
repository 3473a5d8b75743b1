"""Names from strangers do nothing to a terminal."""

from __future__ import annotations

import pytest

from phrasewright.data.printing import one_line, printable, several_lines

HOSTILE = (
    "\x1b[31mred\x1b[0m",
    "\x9b2J",
    "\x00\x07\x08\x7f",
    "\u202egnp",
    "\u2028line",
    "\udc80",
    "a\r\nb",
    "\ufeffx",
    "\u200b",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_nothing_that_a_terminal_obeys_is_left(text: str) -> None:
    for shown in (printable(text), one_line(text), several_lines(text).replace("\n", "")):
        assert shown.isprintable()
        shown.encode("utf-8")


def test_names_of_the_world_stay_as_they_are() -> None:
    for text in ("Violoncèlles Ⅰ", "Flöte 2 (solo)", "ヴァイオリン", "скрипки", "🎻", 'back\\slash and "quotes"'):
        assert printable(text) == one_line(text) == several_lines(text) == text


def test_what_does_not_show_is_told_by_its_escape() -> None:
    assert one_line("a\nb\x1b[2J") == "a\\nb\\x1b[2J"
    assert several_lines("a\n\tb\r\n") == "a\n\\tb\\r\n"
    assert printable(" a\tb\x1b[2J\n") == "a b[2J"
    assert len(printable("x" * 999)) == 200
