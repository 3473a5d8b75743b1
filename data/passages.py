"""How a part is played: notes that only select an articulation, and passages that are sustained, short or decaying.

Sampled instruments change their way of playing on keys outside the instrument's register: such notes are no music,
neither shape nor break a phrase. They lie outside the written range and are isolated from the music; most overlap the
music or come just before it. A real low or high note is a step of the line: near the other notes, and sounding alone.

Passages follow from programs, words and profiled switches. Words are those of scores and of track names, in English,
Italian, German and French. A word holds until the next one; "arco" and "ord." end it. Within a track's name a word
holds for the whole part. Programs speak only where they do not contradict the instrument that the name names (many
exports send one program for everything); the tremolo program is sustained, the pizzicato program decays.

Thresholds and words are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Instrument, Passage
from phrasewright.data.instrument_names import name_words
from phrasewright.data.instruments import INSTRUMENTS, PIZZICATO_PROGRAM, PROGRAM_INSTRUMENT, TREMOLO_PROGRAM
from phrasewright.data.notes import Notes, sounding_spans
from phrasewright.data.tempo import TempoMap

_FAR = 12
"""More than an octave from the nearest note of the music counts as isolated."""
_VERY_FAR = 24
_SHORT_S = 0.3
_AHEAD_S = 0.25
_FAINT_VELOCITY = 20
_NEAR_MARGIN = 3
"""A switch within an octave of the music lies at least so many semitones outside the range."""
_LOW_ZONE, _HIGH_ZONE = 34, 96
"""Within an octave of the music only keys below or above these are taken for switches."""
_MAX_NEAR_KEYS = 12
_MAX_NEAR_SHARE = 0.4
_MAX_SHARE = 0.67
_UNKNOWN_LOW, _UNKNOWN_MUSIC = 24, 48


def switch_mask(notes: Notes, instrument: Instrument, *, profiled: tuple[int, int] | None = None) -> NDArray[np.bool_]:
    """Which notes only select articulations, shape (n_notes,).

    Parameters
    ----------
    profiled : (lowest, highest) pitch, optional
        The switches' keys from a profile: they decide alone.

    Returns
    -------
    bool array
        Never all True: if every note looks like a switch, the instrument is not what it seems and none is.
    """
    none = np.zeros(notes.n_notes, dtype=bool)
    if notes.n_notes == 0:
        return none
    if profiled is not None:
        mask = (notes.pitch >= profiled[0]) & (notes.pitch <= profiled[1])
        return none if mask.all() else mask
    if instrument.kind == "percussive":
        return none
    if instrument.name == "unknown" or (instrument.low, instrument.high) == (0, 127):
        mask = notes.pitch < _UNKNOWN_LOW
        alone = mask.any() and not mask.all() and notes.pitch[~mask].min() >= _UNKNOWN_MUSIC
        return mask if alone and mask.mean() <= _MAX_SHARE else none
    outside = (notes.pitch < instrument.low) | (notes.pitch > instrument.high)
    if not outside.any() or outside.mean() > _MAX_SHARE:
        return none
    return _isolated(notes, instrument, outside)


def _isolated(notes: Notes, instrument: Instrument, outside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    music = notes.take(~outside)
    keys = np.unique(music.pitch)
    pitch = notes.pitch[outside]
    margin = np.where(pitch < instrument.low, instrument.low - pitch, pitch - instrument.high)
    distance = np.where(pitch < instrument.low, keys[0] - pitch, pitch - keys[-1])

    onset_s, offset_s = notes.onset_s[outside], notes.offset_s[outside]
    length_s = offset_s - onset_s
    over_music = _overlap_s(sounding_spans(music), onset_s, offset_s) >= 0.5 * length_s
    following = np.searchsorted(music.onset_s, onset_s - 1e-6)
    to_next_s = np.r_[music.onset_s, np.inf][following] - onset_s
    ahead = (length_s < _SHORT_S) & (to_next_s < _AHEAD_S)
    faint = notes.velocity[outside] <= _FAINT_VELOCITY

    switch = (distance >= _VERY_FAR) & (margin > 1)
    switch |= (distance > _FAR) & (over_music | ((margin > 1) & (ahead | faint)))

    near = (margin >= _NEAR_MARGIN) & (over_music | ahead)
    near &= ((pitch < instrument.low) & (pitch < _LOW_ZONE)) | ((pitch > instrument.high) & (pitch > _HIGH_ZONE))
    few = len(np.unique(pitch)) <= _MAX_NEAR_KEYS and len(pitch) <= _MAX_NEAR_SHARE * notes.n_notes
    if few and near.mean() > 0.8:
        switch |= near
    mask = outside.copy()
    mask[outside] = switch
    return mask


def _overlap_s(
    spans: NDArray[np.float64], start_s: NDArray[np.float64], end_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """For how many seconds of each (start, end) the spans sound, shape of `start_s`."""
    edges = spans.ravel()  # (2 * n_spans,): spans are merged and in order, so the edges rise
    heard = np.r_[0.0, np.cumsum(np.diff(edges) * (np.arange(len(edges) - 1) % 2 == 0))]
    sounded = np.interp(end_s, edges, heard) - np.interp(start_s, edges, heard)
    return np.asarray(sounded)


_BACK = "back"
"""What "arco" and "ord." mean: the instrument's usual way of playing."""

_WORDS: dict[str, str] = {
    "decaying": "pizz, pizzicato, pizzicati, col legno, col leg, c l batt, battuto, snap pizz, bartok, plucked, "
    "gezupft, pince",
    "short": "spicc, spiccato, spiccati, stacc, staccato, staccati, staccatissimo, staccatiss, sautille, martele, "
    "martellato, ricochet, jete, secco, gestossen",
    "sustained": "legato, leg, sustain, sustained, sustains, tenuto, trem, tremolo, tremoli, tremolando, flautando, "
    "harmonics, harm, flageolet, flag, trill, trills, triller, sul pont, sul ponticello, sul tasto, portato, detache, "
    "messa di voce",
    _BACK: "arco, gestrichen, archet, ord, ordinario, naturale, normale, col arco, modo ordinario",
}
_NAME_WORDS: dict[str, str] = {
    "short": "short, shorts, marcato, marc, stabs, kurz",
    "sustained": "sus, long, longs, lang, con sord, sordino, sord, senza sord, muted, vib, non vib, molto vib, espr, "
    "espressivo, performance, lyrical",
}
"""Words that mean an articulation in a track's name but too much else in free text."""


def _dictionary(*tables: dict[str, str]) -> dict[tuple[str, ...], str]:
    return {
        tuple(entry.split()): kind for table in tables for kind, form in table.items() for entry in form.split(", ")
    }


_TEXT = _dictionary(_WORDS)
_NAME = _dictionary(_WORDS, _NAME_WORDS)
_LONGEST = max(map(len, _NAME))
_MAX_TEXT_WORDS = 6
"""Longer texts are prose, not playing instructions."""
_SNAP_S, _EXACT_S = 0.15, 0.02
"""Where no note begins within 20 ms of an instruction, one played or pulled at most 150 ms ahead belongs to it."""
_DETACHED_S = 0.25


def _found(words: tuple[str, ...], table: dict[tuple[str, ...], str]) -> list[tuple[int, int, str]]:
    """(place, number of words, kind) of each articulation in a row of words, the longest reading first."""
    hits = []
    at = 0
    while at < len(words):
        step = 1
        for length in range(min(_LONGEST, len(words) - at), 0, -1):
            if words[at : at + length] in table:
                hits.append((at, length, table[words[at : at + length]]))
                step = length
                break
        at += step
    return hits


def articulation_words(name: str) -> tuple[str, ...]:
    """The words of a part's name that say how it is played, in order."""
    words = name_words(name)
    return tuple(" ".join(words[at : at + length]) for at, length, _ in _found(words, _NAME))


def base_words(name: str) -> tuple[str, ...]:
    """The words of a part's name that are left when those of articulations are taken out."""
    words = name_words(name)
    gone = {at + i for at, length, _ in _found(words, _NAME) for i in range(length)}
    return tuple(word for i, word in enumerate(words) if i not in gone)


def passages_of(
    notes: Notes,
    instrument: Instrument,
    *,
    kind: str,
    why: str,
    name: str,
    programs: Sequence[tuple[int, int]],
    texts: Sequence[tuple[int, str]],
    tempo: TempoMap,
    switches: Notes | None = None,
) -> tuple[Passage, ...]:
    """The passages of a part, from 0 to its last offset without gaps.

    Parameters
    ----------
    kind, why : str
        What the instrument is unless something else is said (`sustained`, `decaying`, `percussive`, `unshaped`), and
        why.
    programs, texts : sequence of (tick, program from 0), of (tick, text)
        The program changes and texts of its track that concern it, in order.
    switches : Notes, optional
        Articulation-selecting notes that a profile names. What each key selects is heard in the notes it governs: a
        key under which all notes are short and detached selects `short`.
    """
    end_s = float(notes.offset_s.max())
    usual = {"percussive": "decaying", "unshaped": "sustained"}.get(kind, kind)
    if kind != "sustained" and instrument.family != "strings":
        return (Passage(usual, 0.0, end_s, why),)
    in_name = _found(name_words(name), _NAME)
    if in_name and in_name[0][2] != _BACK:
        usual, why = in_name[0][2], f'its name says "{articulation_words(name)[0]}"'

    changes = [(0, usual, why)]
    changes += _by_program(notes, instrument, programs, usual, why, named=bool(in_name))
    changes += _by_text(texts, usual)
    if switches is not None and switches.n_notes:
        changes += _by_switches(notes, switches, usual)
    changes.sort(key=lambda change: change[0])  # stable: at one tick words outrank programs, switches outrank words
    return _laid_out(changes, notes, tempo, end_s)


def program_at(programs: Sequence[tuple[int, int]], tick: int) -> int | None:
    """The program in force at a tick."""
    sent = [program for at, program in programs if at <= tick]
    return sent[-1] if sent else None


def programs_played(programs: Sequence[tuple[int, int]], notes: Notes) -> list[int]:
    """The programs in force at any note, in order of their first note."""
    ticks = np.array([tick for tick, _ in programs], dtype=np.int64)
    index = np.searchsorted(ticks, notes.onset_tick, side="right") - 1
    return list(dict.fromkeys(programs[i][1] for i in np.unique(index).tolist() if i >= 0))


def _by_program(
    notes: Notes, instrument: Instrument, programs: Sequence[tuple[int, int]], usual: str, why: str, *, named: bool
) -> list[tuple[int, str, str]]:
    """(tick, kind, why) of each program change that means something for this instrument."""
    played = programs_played(programs, notes)
    families = {INSTRUMENTS[PROGRAM_INSTRUMENT[program]].family for program in played}
    if instrument.family not in families and instrument.family != "unknown":
        return []
    first = program_at(programs, int(notes.onset_tick[0]))
    changes = []
    for tick, program in programs:
        if named and program == first and tick <= notes.onset_tick[0]:
            continue  # the name already says how it is played
        if program == PIZZICATO_PROGRAM:
            changes.append((tick, "decaying", f"program {program} (counted from 0) is pizzicato"))
        elif program == TREMOLO_PROGRAM:
            changes.append((tick, "sustained", f"program {program} (counted from 0) is tremolo"))
        elif program == first and INSTRUMENTS[PROGRAM_INSTRUMENT[program]].family == instrument.family:
            changes.append((tick, usual, why))
        else:
            other = PROGRAM_INSTRUMENT[program]
            kind = "sustained" if INSTRUMENTS[other].kind in ("sustained", "unshaped") else "decaying"
            if kind == "sustained" and named:
                kind = usual
            changes.append((tick, kind, f"program {program} (counted from 0) is {other}"))
    return changes


def _by_text(texts: Sequence[tuple[int, str]], usual: str) -> list[tuple[int, str, str]]:
    changes = []
    for tick, text in texts:
        words = name_words(text)
        hits = _found(words, _TEXT)
        if hits and len(words) <= _MAX_TEXT_WORDS:
            kind = hits[0][2]
            if kind == _BACK:
                kind = "sustained" if usual == "decaying" else usual
            changes.append((tick, kind, f'text "{text}"'))
    return changes


def _by_switches(notes: Notes, switches: Notes, usual: str) -> list[tuple[int, str, str]]:
    """What each key selects, by the notes it governs: those from it to the next switch."""
    governing = np.searchsorted(switches.onset_tick, notes.onset_tick, side="right") - 1
    key = np.where(governing >= 0, switches.pitch[np.maximum(governing, 0)], -1)
    length_s = notes.offset_s - notes.onset_s
    gap_s = np.r_[notes.onset_s[1:], np.inf] - notes.offset_s
    detached = (length_s < _DETACHED_S) & (gap_s > 0.2 * length_s)
    kinds = {}
    for pitch in np.unique(switches.pitch).tolist():
        mine = key == pitch
        short = usual == "sustained" and bool(mine.any()) and float(np.mean(detached[mine])) > 0.8
        kinds[pitch] = ("short", "only short notes follow it") if short else (usual, "its notes are as usual")
    return [
        (tick, kinds[pitch][0], f"switch on key {pitch}: {kinds[pitch][1]}")
        for tick, pitch in zip(switches.onset_tick.tolist(), switches.pitch.tolist(), strict=True)
    ]


def _laid_out(changes: list[tuple[int, str, str]], notes: Notes, tempo: TempoMap, end_s: float) -> tuple[Passage, ...]:
    """Changes to passages: equal neighbours merged, borders moved to a note that was played in slightly ahead."""
    start_s = tempo.tick_to_s([tick for tick, _, _ in changes])
    rows: list[tuple[float, str, str]] = []
    for at_s, (_, kind, why) in zip(start_s.tolist(), changes, strict=True):
        ahead, exact, beyond = np.searchsorted(
            notes.onset_s, [at_s - _SNAP_S, at_s - _EXACT_S, at_s + _EXACT_S]
        ).tolist()
        next_note = exact if exact < beyond or ahead == exact else exact - 1
        if rows and next_note < notes.n_notes and notes.onset_s[next_note] < at_s:
            at_s = float(notes.onset_s[next_note])
        if next_note >= notes.n_notes and rows:
            continue  # nothing is played after it
        while rows and at_s <= rows[-1][0]:
            rows.pop()
        if rows and rows[-1][1] == kind:
            continue
        rows.append((at_s if rows else 0.0, kind, why))
    while len(rows) > 1 and rows[1][0] <= notes.onset_s[0]:
        rows = [(0.0, *rows[1][1:]), *rows[2:]]  # said before the first note: it holds from the start
    ends = [*(row[0] for row in rows[1:]), end_s]
    return tuple(Passage(kind, at_s, stop_s, why) for (at_s, kind, why), stop_s in zip(rows, ends, strict=True))
