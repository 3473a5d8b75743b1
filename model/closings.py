"""Closings: how the cue, and each section before a long rest of all parts, comes to its end.

A closing falls unless something says that it rises: a mark, rising velocities, parts that come in, tops that climb. All
parts that sound to the end close the same way. Times in seconds. Weights are common practice without a source; what is
heard depends on the last `LOOK_BACK_S` before the end of the section and on nothing else.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Mark
from phrasewright.data.notes import sounding_spans
from phrasewright.model.hearing import Attacks, Phrase

LONG_REST_S = 1.5
"""A silence of all parts of this length, and of a bar, ends a section; so does one of twice this length."""
LOOK_BACK_S = 12.0
"""Evidence for a rise is looked for this far before the end."""
CLOSING_S = (3.0, 12.0)
"""Shortest and longest closing stretch; within them two bars and the last chord."""
SHORTEST_SECTION_S = 6.0
"""Shorter sections are gestures, not sections that close; the end of the cue always does."""
RISE_FROM = 1.0
"""Sum of the evidence from which a closing rises."""

_LEVELS = {"ppp": 0, "pp": 1, "p": 2, "mp": 3, "mf": 4, "f": 5, "ff": 6, "fff": 7}
_LOUDER = re.compile(r"\b(cresc|crescendo|allargando)\b", re.IGNORECASE)
_SOFTER = re.compile(
    r"\b(dim|diminuendo|decresc|decrescendo|morendo|smorz|smorzando|perdendosi|calando|niente)\b", re.IGNORECASE
)


@dataclass(frozen=True)
class Closing:
    """The end of a section: when, `closing-rise` or `closing-fall`, and the reason in words."""

    start_s: float
    end_s: float
    label: str
    why: str


def closings_of(cue: Cue, attacks: list[Attacks]) -> list[Closing]:
    """The closings of a cue in order of time; percussion does not count."""
    pitched = [i for i, part in enumerate(cue.parts) if part.kind != "percussive" and part.notes.n_notes]
    spans = _sections(cue, pitched)
    heard = [attacks[i] for i in pitched]
    closings = []
    for start_s, end_s in spans:
        if end_s - start_s >= SHORTEST_SECTION_S or end_s == spans[-1][1]:
            closings.append(_closing(cue, heard, start_s, end_s, last=end_s == spans[-1][1]))
    return closings


def closing_attacks(attacks: Attacks, phrases: tuple[Phrase, ...], closing: Closing) -> tuple[int, int] | None:
    """First and last attack of a part's share in a closing, None where the part is silent by then.

    The stretch opens with the part's phrase that begins within the closing or shortly before, else with its first
    attack there, or with the note it holds into it. A part that falls silent in the first half of the closing has no
    share.
    """
    last = int(np.searchsorted(attacks.onset_s, closing.end_s - 1e-6)) - 1
    if last < 0:
        return None
    heard_until_s = float(attacks.release_s[max(last - 8, 0) : last + 1].max())
    length_s = closing.end_s - closing.start_s
    if heard_until_s < closing.end_s - max(0.5 * length_s, 1.0):
        return None
    begins_s = np.array([phrase.start_s for phrase in phrases])
    near = np.flatnonzero((begins_s >= closing.start_s - 0.35 * length_s) & (begins_s <= attacks.onset_s[last] + 1e-6))
    if len(near):
        return phrases[int(near[0])].first_attack, last
    return min(int(np.searchsorted(attacks.onset_s, closing.start_s - 0.05)), last), last


def _sections(cue: Cue, pitched: list[int]) -> list[tuple[float, float]]:
    """Stretches of music between long rests of all pitched parts."""
    spans = [sounding_spans(cue.parts[i].notes) for i in pitched]
    if not spans:
        return []
    rows = np.concatenate(spans)
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    reach_s = np.maximum.accumulate(rows[:, 1])
    gap_s = rows[1:, 0] - reach_s[:-1]
    bar_s = cue.tempo.bar_length_s(reach_s[:-1])
    cut = (gap_s >= 2 * LONG_REST_S) | ((gap_s >= LONG_REST_S) & (gap_s >= 0.9 * bar_s))
    first = np.r_[0, np.flatnonzero(cut) + 1]
    last = np.r_[first[1:] - 1, len(rows) - 1]
    return list(zip(rows[first, 0].tolist(), reach_s[last].tolist(), strict=True))


def _closing(cue: Cue, attacks: list[Attacks], start_s: float, end_s: float, *, last: bool) -> Closing:
    from_s = max(start_s, end_s - LOOK_BACK_S)
    onset_s = np.concatenate([a.onset_s for a in attacks])
    inside = (onset_s >= from_s - 1e-6) & (onset_s < end_s)
    onset_s = onset_s[inside]
    pitch = np.concatenate([a.pitch for a in attacks])[inside].astype(np.float64)
    velocity = np.concatenate([a.velocity for a in attacks])[inside].astype(np.float64)
    last_chord_s = end_s - float(onset_s.max()) if len(onset_s) else 0.0
    bar_s = float(cue.tempo.bar_length_s(max(end_s - 1e-3, 0.0)))
    length_s = float(np.clip(2.0 * bar_s + min(last_chord_s, 4.0), *CLOSING_S))
    begin_s = max(end_s - length_s, (start_s + end_s) / 2.0)

    marks = [mark for mark in cue.marks if from_s - 0.05 <= mark.time_s <= end_s]
    evidence = [*_by_marks(marks), *_by_notes(onset_s, pitch, velocity, attacks, from_s, end_s)]
    total = sum(weight for weight, _ in evidence)
    rises = total >= RISE_FROM
    reasons = [text for weight, text in evidence if (weight > 0) == rises]
    what = "the cue ends" if last else "a section ends"
    return Closing(begin_s, end_s, "closing-rise" if rises else "closing-fall", ", ".join([what, *reasons]))


def _by_marks(marks: list[Mark]) -> list[tuple[float, str]]:
    """Evidence from words and levels; positive rises."""
    evidence: list[tuple[float, str]] = []
    words = [(mark, 2.0) for mark in marks if _LOUDER.search(mark.text)]
    words += [(mark, -2.0) for mark in marks if _SOFTER.search(mark.text)]
    if words:
        mark, weight = max(words, key=lambda pair: pair[0].time_s)  # the last word counts
        evidence.append((weight, f"marked {mark.text.strip()}"))
    levels = [(mark, _LEVELS[mark.text.strip().lower()]) for mark in marks if mark.text.strip().lower() in _LEVELS]
    if levels:
        levels.sort(key=lambda pair: pair[0].time_s)
        step = levels[-1][1] - levels[0][1]
        if step:
            text = levels[-1][0].text.strip()
            evidence.append((1.0 if step > 0 else -1.0, f"the level goes to {text}"))
    return evidence


def _by_notes(
    onset_s: NDArray[np.float64],
    pitch: NDArray[np.float64],
    velocity: NDArray[np.float64],
    attacks: list[Attacks],
    from_s: float,
    end_s: float,
) -> list[tuple[float, str]]:
    """Evidence from velocities, parts that come in and tops that climb; positive rises."""
    evidence: list[tuple[float, str]] = []
    if len(onset_s) < 3:
        return evidence
    last_onset_s = float(onset_s.max())
    span_s = max(last_onset_s - from_s, 1e-3)
    early = onset_s <= from_s + span_s / 3.0
    late = onset_s >= last_onset_s - span_s / 4.0 - 0.05
    if np.any(early) and np.any(late):
        change = float(velocity[late].mean() - velocity[early].mean())
        if abs(change) >= 8.0:
            weight = 1.5 if abs(change) >= 12.0 else 1.0
            evidence.append(
                (np.sign(change) * weight, f"velocities {'rise' if change > 0 else 'fall'} by {abs(change):.0f}")
            )
        climb = float(pitch[late].max() - pitch[early].max())
        if abs(climb) >= 4.0:
            weight = 1.0 if abs(climb) >= 7.0 else 0.5
            evidence.append(
                (np.sign(climb) * weight, f"tops {'climb' if climb > 0 else 'sink'} by {abs(climb):.0f} semitones")
            )
    at_first = _parts_sounding(attacks, from_s, from_s + span_s / 3.0)
    at_last = _parts_sounding(attacks, last_onset_s, end_s)
    added = at_last - at_first
    if added >= max(1.0, 0.3 * at_first):
        evidence.append((1.0, f"{added} parts come in"))
    elif -added >= max(1.0, 0.3 * at_first):
        evidence.append((-1.0, f"{-added} parts drop out"))
    return evidence


def _parts_sounding(attacks: list[Attacks], from_s: float, to_s: float) -> int:
    """How many parts sound at some time within a stretch."""
    count = 0
    for a in attacks:
        first = int(np.searchsorted(a.onset_s, to_s))
        count += bool(np.any(a.release_s[:first] > from_s + 0.05))
    return count
