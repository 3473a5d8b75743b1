"""Which texts are marks of loudness, who is meant, and where a crescendo leads."""

from __future__ import annotations

import numpy as np
import pytest
from marked_cues import BAR_S, marked_cue

from phrasewright.data.cue import Cue
from phrasewright.data.marks import is_accent, mark_words, moved, plan_of_marks
from phrasewright.data.plan import LEVELS_CC, NIENTE_CC, plan_levels

P, MF, F = LEVELS_CC["p"], LEVELS_CC["mf"], LEVELS_CC["f"]


def level(cue: Cue, bar: float, *, part: int = 1) -> float:
    """Dynamics asked of a part half a second after the beginning of a bar."""
    plan = plan_of_marks(cue)
    return float(plan_levels(plan, cue.parts[part - 1], np.array([(bar - 1) * BAR_S + 0.5]))[0, 0])


def just_before(cue: Cue, bar: float, *, part: int = 1) -> float:
    plan = plan_of_marks(cue)
    return float(plan_levels(plan, cue.parts[part - 1], np.array([(bar - 1) * BAR_S - 0.15]))[0, 0])


def test_no_marks_no_plan() -> None:
    plan = plan_of_marks(marked_cue(conductor=[(1, "Allegro"), (3, "Part 2"), (5, "F")]))
    assert plan.origin == "none"
    assert not plan.changes


def test_a_mark_in_a_parts_track_is_for_that_part_and_one_in_the_conductors_for_all() -> None:
    cue = marked_cue(conductor=[(3, "f")], violin=[(5, "p")])
    assert [level(cue, bar) for bar in (1, 3, 5)] == [MF, F, P]
    assert [level(cue, bar, part=2) for bar in (1, 3, 5)] == [MF, F, F]


def test_of_two_marks_at_one_place_the_parts_own_holds() -> None:
    cue = marked_cue(conductor=[(3, "f")], cello=[(3, "p")])
    assert level(cue, 3, part=2) == P
    assert level(cue, 3) == F


def test_markers_hold_for_all_even_in_a_track_of_notes() -> None:
    cue = marked_cue(markers=[(3, "ff")])
    assert [level(cue, 3, part=part) for part in (1, 2)] == [LEVELS_CC["ff"]] * 2


def test_a_crescendo_leads_to_the_next_mark() -> None:
    cue = marked_cue(conductor=[(1, "p"), (3, "cresc."), (7, "f")])
    assert just_before(cue, 3) == P
    assert P + 8 < level(cue, 5) < F - 8
    assert level(cue, 7) == F
    course = plan_levels(plan_of_marks(cue), cue.parts[0], np.arange(300, 1400) / 100.0)
    assert np.all(np.diff(course, axis=0) >= -1e-9)


@pytest.mark.parametrize(
    ("begin", "direction"),
    [
        ("cresc.", 1), ("anschwellend", 1), ("en augmentant", 1), ("getting louder", 1), ("crescendo", 1),
        ("dim.", -1), ("decresc.", -1), ("abnehmend", -1), ("leiser", -1), ("en diminuant", -1), ("softer", -1),
        ("smorzando", -1), ("calando", -1),
    ],
)  # fmt: skip
def test_without_a_goal_it_moves_by_one_level_within_a_few_bars(begin: str, direction: int) -> None:
    cue = marked_cue(conductor=[(3, begin)])
    assert level(cue, 2) == MF
    assert level(cue, 7) == pytest.approx(moved(MF, direction))
    assert level(cue, 12) == pytest.approx(moved(MF, direction))


def test_a_goal_in_the_same_words() -> None:
    cue = marked_cue(conductor=[(1, "p"), (3, "cresc. al ff")])
    assert level(cue, 7) == LEVELS_CC["ff"]


def test_a_sudden_p_after_a_crescendo_is_no_goal() -> None:
    cue = marked_cue(conductor=[(1, "mf"), (3, "cresc."), (5, "subito p")])
    assert just_before(cue, 5) > MF + 10
    assert level(cue, 5) == P


def test_molto_and_poco_say_how_far() -> None:
    far, near = (level(marked_cue(conductor=[(1, "p"), (3, text)]), 8) for text in ("molto cresc.", "poco cresc."))
    assert far == pytest.approx(MF)
    assert P < near < LEVELS_CC["mp"]


def test_poco_a_poco_takes_its_time() -> None:
    slow, usual = (level(marked_cue(conductor=[(3, text)]), 6) for text in ("cresc. poco a poco", "cresc."))
    assert MF < slow < usual


def test_piu_and_meno_lean_on_what_was() -> None:
    cue = marked_cue(conductor=[(1, "p"), (3, "più f"), (5, "più f"), (7, "meno f")])
    assert [level(cue, bar) for bar in (1, 3, 5, 7)] == [P, LEVELS_CC["mp"], MF, LEVELS_CC["mp"]]
    assert MF < level(marked_cue(conductor=[(1, "poco f")]), 1) < F


def test_niente_ends_a_diminuendo_at_the_low_end() -> None:
    cue = marked_cue(conductor=[(1, "p"), (9, "dim."), (12, "niente")])
    assert level(cue, 12) == NIENTE_CC
    assert just_before(cue, 11) > NIENTE_CC + 5


@pytest.mark.parametrize("text", ["al niente", "morendo", "verklingend", "en mourant", "dying away", "dim. al niente"])
def test_dying_away_reaches_the_low_end_by_the_end(text: str) -> None:
    cue = marked_cue(n=4, conductor=[(1, "p"), (6, text)])
    assert level(cue, 9) == NIENTE_CC
    assert just_before(cue, 6) == P


def test_from_nothing_to_a_level() -> None:
    cue = marked_cue(conductor=[(3, "dal niente"), (5, "f")])
    assert level(cue, 3) < P
    assert level(cue, 5) == F


def test_fp_is_an_attack_and_then_p() -> None:
    cue = marked_cue(conductor=[(1, "mf"), (3, "fp")])
    course = plan_levels(plan_of_marks(cue), cue.parts[0], np.arange(390, 500) / 100.0)[:, 0]
    assert course.max() > F - 3
    assert course[-1] == P


def test_a_single_accent_changes_no_level() -> None:
    assert not plan_of_marks(marked_cue(violin=[(3, "sfz"), (5, "sf")])).changes


def test_levels_move_along_the_printed_ones() -> None:
    assert moved(P, 1) == LEVELS_CC["mp"]
    assert moved(F, -2) == LEVELS_CC["mp"]
    assert moved(LEVELS_CC["fff"], 1) == LEVELS_CC["fff"]
    assert moved(P, 0.5) == pytest.approx((P + LEVELS_CC["mp"]) / 2)


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
