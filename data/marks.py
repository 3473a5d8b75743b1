"""Dynamic marks in a file as a plan: which parts a mark concerns, and what a mark means after the one before.

A mark in a track that holds notes concerns that track's parts, and tracks of the same instrument without marks of
their own; a mark in any other track and every marker concerns all. A crescendo lasts to the next mark; where none
follows within a few bars it rises by one level. Lengths and sizes are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Sequence

from phrasewright.data.cue import Cue, Mark, Part
from phrasewright.data.mark_words import MarkWord, mark_words
from phrasewright.data.plan import FP_S, LEVELS_CC, MF_CC, NIENTE_CC, Change, Plan

_LADDER_CC = tuple(sorted(value for name, value in LEVELS_CC.items() if name not in ("n", "niente")))
_SAME_CC = 4.0
"""Levels nearer than this are one level."""
_REACH_BARS = 8.0
"""A mark later than this is no goal of a crescendo ..."""
_SLOW_REACH_BARS = 24.0
"""... nor one later than this of a crescendo poco a poco ..."""
_ALONE_BARS, _SLOW_ALONE_BARS = 4.0, 8.0
"""... which then last so long."""


def plan_of_marks(cue: Cue) -> Plan:
    """The plan that a file's text, lyric, cue and marker events make up."""
    named = any("piano" in part.name.casefold() or part.instrument.name == "piano" for part in cue.parts)
    read = [(mark, mark_words(mark.text, kind=mark.kind, instruments=named)) for mark in cue.marks]
    read = [(mark, words) for mark, words in read if words and any(word.kind != "accent" for word in words)]
    playing = {part.track for part in cue.parts}
    marked = {mark.track for mark, _ in read if mark.kind != "marker"}
    changes = {}
    for part in cue.parts:
        tracks = {part.track}
        if part.track not in marked:
            tracks |= {other.track for other in cue.parts if other.group == part.group}
        own = [
            (mark, words)
            for mark, words in read
            if mark.track in tracks or mark.track not in playing or mark.kind == "marker"
        ]
        # at one tick what the part's own track says comes last
        own.sort(key=lambda row: (row[0].tick, row[0].track in tracks and row[0].kind != "marker"))
        if own:
            changes[part.index] = tuple(_changes(cue, part, own))
    return Plan(changes, (), "marks" if changes else "none")


def _changes(cue: Cue, part: Part, marks: Sequence[tuple[Mark, tuple[MarkWord, ...]]]) -> list[Change]:
    """What the marks of one part come to, in order."""
    changes: list[Change] = []
    at_cc = MF_CC[0]
    swell: _Swell | None = None
    end_s = float(part.notes.offset_s.max()) if part.notes.n_notes else cue.duration_s
    for mark, words in marks:
        kinds = {word.kind for word in words}
        size = 0.5 if "half" in kinds else 2.0 if "much" in kinds else 1.0
        at_s = mark.time_s
        gone = swell is not None and swell.direction < 0 and any(word.value == "reached" for word in words)
        target = NIENTE_CC if gone else _target(words, at_cc if swell is None else swell.usual_cc, size)
        if swell is not None:
            reached = swell.reached(at_s, None if target is None or "sudden" in kinds else target, cue)
            changes.append(reached)
            at_cc = reached.level_cc
            swell = None
        if target is not None and not (changes and changes[-1].end_s == at_s and changes[-1].level_cc == target):
            attack = next((word.attack for word in words if word.kind == "then" and word.attack), "")
            if attack:
                changes.append(Change(at_s, at_s, LEVELS_CC[attack], mark.text))
                changes.append(Change(at_s + FP_S[0], at_s + FP_S[1], target, mark.text))
            else:
                changes.append(Change(at_s, at_s, target, mark.text))
            at_cc = target
        direction = 0.0 if gone else _direction(words)
        if direction:
            slow = "slow" in kinds
            goal = _goal(words)
            if goal is None and "die" in kinds:
                goal = NIENTE_CC
            usual = goal if goal is not None else moved(at_cc, direction * (1.0 if slow and size < 1.0 else size))
            swell = _Swell(at_s, at_cc, usual, slow, direction, mark.text)
    if swell is not None:
        changes.append(swell.reached(None, None, cue, end_s=end_s))
    return changes


class _Swell:
    """A crescendo or diminuendo on its way."""

    def __init__(
        self, start_s: float, from_cc: float, usual_cc: float, slow: bool, direction: float, text: str
    ) -> None:
        self.start_s, self.from_cc, self.usual_cc = start_s, from_cc, usual_cc
        self.slow, self.direction, self.text = slow, direction, text

    def reached(self, next_s: float | None, next_cc: float | None, cue: Cue, *, end_s: float = 0.0) -> Change:
        """Where it arrives: at the next mark if that is near, at its level if that lies ahead."""
        bar_s = float(cue.tempo.bar_length_s(self.start_s + 1e-3))
        reach_s = (_SLOW_REACH_BARS if self.slow else _REACH_BARS) * bar_s + 0.05
        alone_s = self.start_s + (_SLOW_ALONE_BARS if self.slow else _ALONE_BARS) * bar_s
        if next_s is None:
            until_s = end_s if 0.5 < end_s - self.start_s <= reach_s else alone_s
        elif next_s - self.start_s <= reach_s:
            until_s = next_s
            if next_cc is not None and (next_cc - self.from_cc) * self.direction > _SAME_CC:
                return Change(self.start_s, until_s, next_cc, self.text)
        else:
            until_s = min(alone_s, next_s)
        return Change(self.start_s, max(until_s, self.start_s + 1e-3), self.usual_cc, self.text)


def moved(level_cc: float, levels: float) -> float:
    """The level so many printed levels above (or, negative, below) another, in steps; ppp and fff are the ends.

    Half a level lies half-way to the next.
    """
    for _ in range(int(abs(levels))):
        ahead = [x for x in _LADDER_CC if (x - level_cc) * levels > _SAME_CC]
        level_cc = (min(ahead) if levels > 0 else max(ahead)) if ahead else level_cc
    rest = abs(levels) - int(abs(levels))
    if rest:
        level_cc += rest * (moved(level_cc, 1.0 if levels > 0 else -1.0) - level_cc)
    return level_cc


def _target(words: Sequence[MarkWord], now_cc: float, size: float) -> float | None:
    """The level a mark sets at once, None where it sets none."""
    if any(word.kind == "born" for word in words):
        return NIENTE_CC
    moving = next((i for i, word in enumerate(words) if word.kind in ("grow", "fade")), len(words))
    for i, word in enumerate(words[:moving]):
        if word.kind == "then":
            return LEVELS_CC[word.value]
        if word.kind == "level":
            before = words[i - 1].kind if i else ""
            if before == "half":  # poco f: between mf and f
                return moved(LEVELS_CC[word.value], -0.5 if LEVELS_CC[word.value] > MF_CC[0] else 0.5)
            return LEVELS_CC[word.value]
        if word.kind in ("up", "down") and not any(word.kind == "slow" for word in words):
            return moved(now_cc, min(size, 1.0) * (1.0 if word.kind == "up" else -1.0))
    return None


def _direction(words: Sequence[MarkWord]) -> float:
    """1 where a mark begins a crescendo, -1 for a diminuendo, 0 for neither."""
    slow = any(word.kind == "slow" for word in words)
    for word in words:
        if word.kind in ("grow", "born") or (slow and word.kind == "up"):
            return 1.0
        if word.kind in ("fade", "die") or (slow and word.kind == "down"):
            return -1.0
    return 0.0


def _goal(words: Sequence[MarkWord]) -> float | None:
    """The level a crescendo leads to by its own words: "cresc. al ff"."""
    moving = next((i for i, word in enumerate(words) if word.kind in ("grow", "fade")), len(words))
    for word in words[moving + 1 :]:
        if word.kind == "level":
            return LEVELS_CC[word.value]
    return None
