"""Which texts are marks of loudness, and which only look like them."""

from __future__ import annotations

import pytest

from phrasewright.data.mark_words import is_accent, mark_words


def first(text: str, **told: object) -> tuple[str, str]:
    found = [w for w in mark_words(text, **told) if w.kind not in ("neutral", "half", "much", "slow", "sudden", "to")]  # type: ignore[arg-type]
    return (found[0].kind, found[0].value) if found else ("", "")


@pytest.mark.parametrize(
    ("text", "level"),
    [
        ("pp", "pp"), ("mf", "mf"), ("ff", "ff"), ("piano", "p"), ("Fortissimo", "ff"), ("sotto voce", "p"),
        ("sehr leise", "pp"), ("Leise", "p"), ("laut", "f"), ("äusserst leise", "ppp"), ("aeußerst leise", "ppp"),
        ("très doux", "pp"), ("tres doux", "pp"), ("très fort", "ff"), ("very soft", "pp"), ("loud", "f"),
        ("subito p", "p"), ("p sub.", "p"), ("plötzlich p", "p"), ("sempre pp", "pp"), ("p dolce", "p"),
        ("mf espr., legato", "mf"), ("p weit entfernt", "p"), ("(p)", "p"), ("ff possibile", "fff"),
    ],
)  # fmt: skip
def test_levels_in_four_languages(text: str, level: str) -> None:
    assert first(text) == ("level", level)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("cresc.", "grow"), ("crescendo poco a poco", "grow"), ("anschwellend", "grow"), ("lauter werdend", "grow"),
        ("immer stärker", "grow"), ("en augmentant", "grow"), ("de plus en plus fort", "grow"), ("croissant", "grow"),
        ("getting louder", "grow"), ("sempre più forte", "grow"),
        ("dim.", "fade"), ("decresc.", "fade"), ("smorzando", "fade"), ("leiser", "fade"), ("abnehmend", "fade"),
        ("en diminuant", "fade"), ("décroissant", "fade"), ("softer", "fade"), ("dim. e rit.", "fade"),
        ("niente", "die"), ("al niente", "die"), ("n", "die"), ("morendo", "die"), ("verklingend", "die"),
        ("en s'éteignant", "die"), ("fade out", "die"), ("dal niente", "born"), ("aus dem Nichts", "born"),
        ("più f", "up"), ("piu forte", "up"), ("plus fort", "up"), ("meno f", "down"), ("plus doux", "down"),
        ("fp", "then"), ("sfp", "then"), ("sfz", "accent"), ("sfz sfz", "accent"),
    ],
)  # fmt: skip
def test_changes_in_four_languages(text: str, kind: str) -> None:
    assert first(text)[0] == kind


@pytest.mark.parametrize(
    "text",
    [
        "Part 2", "Part", "F", "P", "FF", "A", "Sonata in f minor", "f minor", "No. 3 f", "C dim", "dim7", "p. 12",
        "pp. 3-5",
        "Horn in F", "legato", "espressivo", "poco a poco", "molto", "Verse 1", "The soft rain falls on the loud sea",
        "Copyright 2024 by p", "solo", "Tempo I", "f=72", "", "...", "a tempo", "Intro",
    ],
)  # fmt: skip
def test_what_only_looks_like_a_mark(text: str) -> None:
    assert mark_words(text) == ()


def test_sung_words_are_no_marks_but_signs_above_them_are() -> None:
    for sung in ("doux", "fort", "leise", "laut", "soft", "piano", "n", "dying away", "growing"):
        assert mark_words(sung, kind="lyric") == ()
    assert first("pp", kind="lyric") == ("level", "pp")
    assert first("cresc.", kind="lyric") == ("grow", "")


def test_a_part_called_piano_keeps_its_name() -> None:
    assert mark_words("Piano", instruments=True) == ()
    assert first("piano", instruments=True) == ("level", "p")
    assert first("Piano") == ("level", "p")


def test_single_attacks_are_told_from_levels() -> None:
    assert is_accent("sfz")
    assert is_accent("fp")
    assert not is_accent("f")
    assert not is_accent("cresc.")
