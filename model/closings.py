"""Closings: how the cue, and each section before a general rest, comes to its end.

A closing is a held last sonority: it begins at the last moment at which any part takes a new pitch and lasts clearly
longer than notes did before. It falls unless something says that it rises: a mark, strokes that grow, velocities above
those of the bar before, parts that enter in forte, a top that has climbed to its highest note in forte.

Players shape a longer stretch than the last sonority: the phrase that leads into it. `Closing.shaped_from_s` tells from
when; attacks carry the event from there, notes only within the closing itself.

Times in seconds. Borders are common practice without a source. What is heard depends on the last `LOOK_BACK_S` before
the end of the section and on nothing else.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Mark, Part
from phrasewright.data.notes import Notes, sounding_spans
from phrasewright.model.hearing import Attacks, Phrase
from phrasewright.model.layers import TOGETHER_S

GENERAL_REST_S = 1.0
"""A silence of all parts of this length ends a section."""
LOOK_BACK_S = 24.0
"""Evidence is looked for this far before the end."""
SHORTEST_S = 2.0
"""No shorter last sonority is a closing."""
LONGER = 2.0
"""It lasts this many times as long as usually passed between new notes in the busiest part before it."""
SHAPED_S = (3.0, 12.0)
"""Shortest and longest stretch that a closing shapes; within them two bars and the last chord."""
GROWS_VELOCITY = 8.0
"""Velocities this much above those of the bar before, or strokes that grow by it, make a closing rise."""
FORTE_VELOCITY = 85
HELD_INTO_S = 1.0
"""A note begun earlier belongs to the closing where it sounds this long into it."""
_BARS_BEFORE = 4
_STROKES_S = 0.6
_TOLERANCE = 0.97

_LEVELS = {"ppp": 0, "pp": 1, "p": 2, "mp": 3, "mf": 4, "f": 5, "ff": 6, "fff": 7}
_LOUDER = re.compile(r"\b(cresc|crescendo|allargando)\b", re.IGNORECASE)
_SOFTER = re.compile(
    r"\b(dim|diminuendo|decresc|decrescendo|morendo|smorz|smorzando|perdendosi|calando|niente)\b", re.IGNORECASE
)


@dataclass(frozen=True)
class Closing:
    """The held end of a section: when, `closing-rise` or `closing-fall`, from when it shapes the music, and why."""

    start_s: float
    end_s: float
    label: str
    why: str
    shaped_from_s: float


def closings_of(cue: Cue, attacks: list[Attacks], *, figured: list[NDArray[np.bool_]]) -> list[Closing]:
    """The closings of a cue in order of time.

    Parameters
    ----------
    cue
    attacks
        Of every part.
    figured : bool arrays, (n_notes,)
        For every part, which notes belong to a trill or a tremolo.
    """
    sounding = [i for i, part in enumerate(cue.parts) if part.notes.n_notes]
    spans = _sections(cue, sounding)
    lines = [
        _Line(cue.parts[i], cue.parts[i].notes, attacks[i], figured[i])
        for i in sounding
        if cue.parts[i].kind != "percussive"
    ]
    found = [_closing(cue, lines, start_s, end_s, last=end_s == spans[-1][1]) for start_s, end_s in spans]
    if found and found[-1] is None:
        found[-1] = _into_last_stroke(cue, lines, *spans[-1])
    return [closing for closing in found if closing is not None]


def closing_notes(notes: Notes, closing: Closing) -> NDArray[np.bool_]:
    """Notes that begin within a closing, and those begun before that sound on into it. Shape (n_notes,)."""
    begun = notes.onset_s >= closing.start_s - TOGETHER_S
    into = ~begun & (notes.offset_s >= closing.start_s + HELD_INTO_S)
    return np.asarray((begun | into) & (notes.onset_s < closing.end_s))


def closing_attacks(attacks: Attacks, phrases: tuple[Phrase, ...], closing: Closing) -> tuple[int, int] | None:
    """First and last attack of the stretch that a closing shapes in a part, None where the part is silent by then.

    The stretch opens with the part's phrase that begins within it or shortly before, else with its first attack
    there, or with the note it holds into it. A part that falls silent in the first half has no share.
    """
    last = int(np.searchsorted(attacks.onset_s, closing.end_s - 1e-6)) - 1
    if last < 0:
        return None
    heard_until_s = float(attacks.release_s[max(last - 8, 0) : last + 1].max())
    length_s = closing.end_s - closing.shaped_from_s
    if heard_until_s < closing.end_s - max(0.5 * length_s, 1.0):
        return None
    begins_s = np.array([phrase.start_s for phrase in phrases])
    near = np.flatnonzero(
        (begins_s >= closing.shaped_from_s - 0.35 * length_s)
        & (begins_s <= min(attacks.onset_s[last], closing.start_s) + 1e-6)
    )
    if len(near):
        return phrases[int(near[0])].first_attack, last
    return min(int(np.searchsorted(attacks.onset_s, closing.shaped_from_s - 0.05)), last), last


@dataclass(frozen=True)
class _Line:
    """One pitched part."""

    part: Part
    notes: Notes
    attacks: Attacks
    figured: NDArray[np.bool_]

    def new_pitches_s(self, from_s: float, to_s: float) -> NDArray[np.float64]:
        """Onsets in a stretch at which the part takes a new pitch: not one it struck before or still holds.

        Within a trill or tremolo, not one it struck during the last half second either.
        """
        notes, a = self.notes, self.attacks
        low, high = np.searchsorted(a.onset_s, [from_s, to_s]).tolist()
        found = []
        for k in range(low, high):
            first, last = int(a.first_note[k]), int(a.last_note[k])
            own = set(notes.pitch[first : last + 1].tolist())
            begin = int(a.first_note[k - 1]) if k else 0
            known = set(notes.pitch[begin:first].tolist())
            recent = slice(max(first - 24, 0), first)
            known |= set(notes.pitch[recent][notes.offset_s[recent] > a.onset_s[k] + TOGETHER_S].tolist())
            if self.figured[first]:
                known |= set(notes.pitch[recent][notes.onset_s[recent] > a.onset_s[k] - _STROKES_S].tolist())
            if not own <= known:
                found.append(float(a.onset_s[k]))
        return np.array(found)


def _sections(cue: Cue, sounding: list[int]) -> list[tuple[float, float]]:
    """Stretches of music between general rests."""
    spans = [sounding_spans(cue.parts[i].notes) for i in sounding]
    if not spans:
        return []
    rows = np.concatenate(spans)
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    reach_s = np.maximum.accumulate(rows[:, 1])
    cut = rows[1:, 0] - reach_s[:-1] >= GENERAL_REST_S * _TOLERANCE
    first = np.r_[0, np.flatnonzero(cut) + 1]
    last = np.r_[first[1:] - 1, len(rows) - 1]
    return list(zip(rows[first, 0].tolist(), reach_s[last].tolist(), strict=True))


def _closing(cue: Cue, lines: list[_Line], start_s: float, end_s: float, *, last: bool) -> Closing | None:
    from_s = max(start_s, end_s - LOOK_BACK_S) - 1e-6
    fresh = [line.new_pitches_s(from_s, end_s) for line in lines]
    begins_s = max((float(onsets[-1]) for onsets in fresh if len(onsets)), default=np.nan)
    if not np.isfinite(begins_s):
        return None
    begins_s = min(float(onsets[-1]) for onsets in fresh if len(onsets) and onsets[-1] > begins_s - 2 * TOGETHER_S)
    bar_s = float(cue.tempo.bar_length_s(max(begins_s - 1e-3, 0.0)))
    length_s = end_s - begins_s
    usual_s = _usual_s([line.attacks.onset_s for line in lines], max(begins_s - _BARS_BEFORE * bar_s, from_s), begins_s)
    if length_s < SHORTEST_S * _TOLERANCE or length_s < _TOLERANCE * LONGER * usual_s:
        return None
    rises, reasons = _direction(cue.marks, lines, from_s, begins_s, end_s, bar_s)
    shaped_s = float(np.clip(2.0 * bar_s + min(length_s, 4.0), *SHAPED_S))
    return Closing(
        begins_s,
        end_s,
        "closing-rise" if rises else "closing-fall",
        ", ".join([f"the {'cue' if last else 'section'} ends on {length_s:.1f} s without a new pitch", *reasons]),
        min(max(end_s - shaped_s, (start_s + end_s) / 2.0), begins_s),
    )


def _into_last_stroke(cue: Cue, lines: list[_Line], start_s: float, end_s: float) -> Closing | None:
    """The closing of a cue whose held last sonority rises into one short stroke of the sustained parts together."""
    held = [line for line in lines if line.part.kind == "sustained"]
    if not held:
        return None
    stroke_s = max(float(line.attacks.onset_s[-1]) for line in held)
    together = sum(line.attacks.onset_s[-1] > stroke_s - 2 * TOGETHER_S for line in held)
    if end_s - stroke_s > SHORTEST_S or 2 * together < len(held):
        return None
    closing = _closing(cue, held, start_s, stroke_s, last=True)
    if closing is None or closing.label != "closing-rise":
        return None
    return replace(closing, end_s=end_s, why=f"{closing.why}, into a last stroke")


def _usual_s(onsets_s: list[NDArray[np.float64]], from_s: float, to_s: float) -> float:
    """Median time between new notes in the busiest line before a closing; 0 where nothing came before."""
    between = [np.diff(onsets[(onsets >= from_s - 1e-6) & (onsets <= to_s + 2 * TOGETHER_S)]) for onsets in onsets_s]
    busiest = max(between, key=len, default=np.zeros(0))
    return float(np.median(busiest)) if len(busiest) else 0.0


def _direction(
    marks: tuple[Mark, ...], lines: list[_Line], from_s: float, begins_s: float, end_s: float, bar_s: float
) -> tuple[bool, list[str]]:
    """Whether a closing rises, and the reasons in words."""
    near = [mark for mark in marks if begins_s - 2.0 * bar_s <= mark.time_s + 0.05 and mark.time_s <= end_s + 0.05]
    louder = [
        mark
        for mark in near
        if _is_louder(mark, marks) and (mark.time_s >= begins_s - 0.1 or _LOUDER.search(mark.text))
    ]
    softer = [mark for mark in near if _is_softer(mark, marks)]
    if softer and not any(
        _LOUDER.search(mark.text) and mark.time_s >= softer[-1].time_s
        for mark in near
        if mark.time_s >= begins_s - bar_s
    ):
        return False, [f"marked {softer[-1].text.strip()}"]
    reasons = [f"marked {mark.text.strip()}" for mark in louder[:1]]
    reasons += _grown(lines, from_s, begins_s, end_s, bar_s)
    return bool(reasons), reasons


def _level(mark: Mark) -> int | None:
    return _LEVELS.get(mark.text.strip().lower())


def _level_before(mark: Mark, marks: tuple[Mark, ...]) -> int | None:
    levels = [_level(m) for m in marks if m.track == mark.track and m.time_s < mark.time_s and _level(m) is not None]
    return levels[-1] if levels else None


def _is_louder(mark: Mark, marks: tuple[Mark, ...]) -> bool:
    level, before = _level(mark), _level_before(mark, marks)
    return bool(_LOUDER.search(mark.text)) or (level is not None and before is not None and level > before)


def _is_softer(mark: Mark, marks: tuple[Mark, ...]) -> bool:
    level, before = _level(mark), _level_before(mark, marks)
    return bool(_SOFTER.search(mark.text)) or (level is not None and before is not None and level < before)


def _grown(lines: list[_Line], from_s: float, begins_s: float, end_s: float, bar_s: float) -> list[str]:
    """Evidence from the notes that a closing rises."""
    reasons = []
    changes, entered = [], 0
    top, top_velocity, top_before = -1, 0, -1
    for line in lines:
        notes = line.notes
        within = (notes.onset_s >= begins_s - 2 * TOGETHER_S) & (notes.onset_s < end_s)
        earlier = (notes.onset_s >= from_s) & (notes.onset_s < begins_s - 2 * TOGETHER_S)
        velocity = notes.velocity[within].astype(np.float64)
        bar_before = notes.velocity[earlier & (notes.onset_s >= begins_s - bar_s - 2 * TOGETHER_S)]
        if len(velocity) and len(bar_before):
            changes.append(float(np.median(velocity) - np.median(bar_before)))
        if len(velocity) >= 4:
            third = max(len(velocity) // 3, 1)
            if float(velocity[-third:].mean() - velocity[:third].mean()) >= GROWS_VELOCITY:
                reasons.append("strokes grow")
        silent = not np.any(notes.offset_s[notes.onset_s < begins_s - 2 * TOGETHER_S] > begins_s - max(bar_s, 1.0))
        entered += bool(silent and len(velocity) and velocity[0] >= FORTE_VELOCITY)
        if np.any(within):
            at = int(np.argmax(np.where(within, notes.pitch, -1)))
            if notes.pitch[at] > top:
                top, top_velocity = int(notes.pitch[at]), int(notes.velocity[at])
        if np.any(earlier):
            top_before = max(top_before, int(notes.pitch[earlier].max()))
    if changes and float(np.mean(changes)) >= GROWS_VELOCITY:
        reasons.append(f"velocities rise by {float(np.mean(changes)):.0f}")
    if entered and top_before >= 0:
        reasons.append("parts enter in forte")
    if top > top_before >= 0 and top_velocity >= FORTE_VELOCITY:
        reasons.append("the top has climbed to its highest note in forte")
    return list(dict.fromkeys(reasons))
