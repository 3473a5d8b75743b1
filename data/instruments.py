"""Which instrument a part is, from its name, its program or its notes, and what follows from that by default.

A name that names an instrument wins over the program; without a program the name decides; where both are silent, the
notes do. Channel 10 is percussion unless the name says otherwise.

Ranges are sounding MIDI pitches, from memory of the usual orchestration handbooks, extensions and good players
included. Which programs are shaped by default is common practice, no source. Programs are those of General MIDI,
counted from 0 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from phrasewright.data.cue import Instrument
from phrasewright.data.instrument_names import NameReading, read_name, sings
from phrasewright.data.notes import Notes

# name: (family, kind, played by one by default, vibrato lane by default, lowest, highest pitch)
_TABLE: dict[str, tuple[str, str, bool, bool, int, int]] = {
    "violin": ("strings", "sustained", False, True, 55, 105),
    "viola": ("strings", "sustained", False, True, 48, 93),
    "cello": ("strings", "sustained", False, True, 36, 84),
    "double bass": ("strings", "sustained", False, True, 24, 67),
    "viola da gamba": ("strings", "sustained", True, True, 36, 86),
    "fiddle": ("strings", "sustained", True, True, 55, 100),
    "strings": ("strings", "sustained", False, True, 24, 105),
    "piccolo": ("woodwind", "sustained", True, False, 74, 108),
    "flute": ("woodwind", "sustained", True, True, 59, 98),
    "alto flute": ("woodwind", "sustained", True, True, 55, 91),
    "bass flute": ("woodwind", "sustained", True, True, 48, 84),
    "oboe": ("woodwind", "sustained", True, True, 58, 93),
    "bass oboe": ("woodwind", "sustained", True, False, 46, 79),
    "cor anglais": ("woodwind", "sustained", True, False, 52, 84),
    "clarinet": ("woodwind", "sustained", True, False, 49, 94),
    "bass clarinet": ("woodwind", "sustained", True, False, 34, 82),
    "contrabass clarinet": ("woodwind", "sustained", True, False, 21, 70),
    "basset horn": ("woodwind", "sustained", True, False, 41, 84),
    "bassoon": ("woodwind", "sustained", True, True, 34, 77),
    "contrabassoon": ("woodwind", "sustained", True, False, 22, 60),
    "soprano saxophone": ("woodwind", "sustained", True, True, 56, 90),
    "alto saxophone": ("woodwind", "sustained", True, True, 49, 85),
    "tenor saxophone": ("woodwind", "sustained", True, True, 44, 80),
    "baritone saxophone": ("woodwind", "sustained", True, True, 36, 72),
    "saxophone": ("woodwind", "sustained", True, True, 36, 90),
    "recorder": ("woodwind", "sustained", True, False, 53, 98),
    "pan flute": ("woodwind", "sustained", True, False, 55, 96),
    "shakuhachi": ("woodwind", "sustained", True, False, 55, 93),
    "whistle": ("woodwind", "sustained", True, False, 60, 108),
    "ocarina": ("woodwind", "sustained", True, False, 57, 93),
    "folk wind": ("woodwind", "sustained", True, False, 48, 93),
    "woodwinds": ("woodwind", "sustained", False, False, 22, 108),
    "horn": ("brass", "sustained", True, False, 34, 77),
    "trumpet": ("brass", "sustained", True, False, 52, 88),
    "bass trumpet": ("brass", "sustained", True, False, 39, 75),
    "cornet": ("brass", "sustained", True, False, 52, 84),
    "flugelhorn": ("brass", "sustained", True, False, 52, 84),
    "trombone": ("brass", "sustained", True, False, 34, 77),
    "bass trombone": ("brass", "sustained", True, False, 22, 70),
    "tuba": ("brass", "sustained", True, False, 21, 67),
    "wagner tuba": ("brass", "sustained", True, False, 31, 77),
    "euphonium": ("brass", "sustained", True, False, 34, 74),
    "brass": ("brass", "sustained", False, False, 21, 88),
    "soprano": ("voice", "sustained", False, True, 57, 86),
    "mezzo-soprano": ("voice", "sustained", False, True, 55, 82),
    "alto": ("voice", "sustained", False, True, 52, 79),
    "tenor": ("voice", "sustained", False, True, 46, 74),
    "baritone": ("voice", "sustained", False, True, 41, 69),
    "bass": ("voice", "sustained", False, True, 36, 66),
    "choir": ("voice", "sustained", False, True, 36, 86),
    "voice": ("voice", "sustained", True, True, 36, 88),
    "harp": ("plucked", "decaying", True, False, 23, 104),
    "guitar": ("plucked", "decaying", True, False, 38, 88),
    "bass guitar": ("plucked", "decaying", True, False, 23, 67),
    "lute": ("plucked", "decaying", True, False, 36, 93),
    "pizzicato": ("strings", "decaying", False, False, 24, 103),
    "piano": ("keys", "decaying", True, False, 21, 108),
    "harpsichord": ("keys", "decaying", True, False, 29, 89),
    "celesta": ("keys", "decaying", True, False, 48, 108),
    "organ": ("keys", "unshaped", True, False, 24, 108),
    "free reed": ("keys", "unshaped", True, False, 29, 100),
    "mallets": ("percussion", "decaying", True, False, 41, 108),
    "timpani": ("percussion", "percussive", True, False, 36, 60),
    "percussion": ("percussion", "percussive", True, False, 0, 127),
    "orchestra hit": ("percussion", "percussive", True, False, 0, 127),
    "effects": ("electronic", "unshaped", True, False, 0, 127),
    "synth": ("electronic", "unshaped", True, False, 0, 127),
    "pad": ("electronic", "unshaped", True, False, 0, 127),
    "bottle": ("woodwind", "unshaped", True, False, 36, 96),
}

INSTRUMENTS: dict[str, Instrument] = {name: Instrument(name, *row) for name, row in _TABLE.items()}
"""Every instrument the tool knows, by name."""

# Programs from 0, as (last program of the group, instrument): each group begins after the one before.
_PROGRAM_GROUPS: tuple[tuple[int, str], ...] = (
    (5, "piano"), (7, "harpsichord"), (8, "celesta"), (9, "mallets"), (10, "celesta"), (14, "mallets"), (15, "lute"),
    (20, "organ"), (23, "free reed"), (31, "guitar"), (37, "bass guitar"), (39, "synth"),
    (40, "violin"), (41, "viola"), (42, "cello"), (43, "double bass"), (44, "strings"), (45, "pizzicato"), (46, "harp"),
    (47, "timpani"), (49, "strings"), (51, "synth"), (53, "choir"), (54, "synth"), (55, "orchestra hit"),
    (56, "trumpet"), (57, "trombone"), (58, "tuba"), (59, "trumpet"), (60, "horn"), (61, "brass"), (63, "synth"),
    (64, "soprano saxophone"), (65, "alto saxophone"), (66, "tenor saxophone"), (67, "baritone saxophone"),
    (68, "oboe"), (69, "cor anglais"), (70, "bassoon"), (71, "clarinet"), (72, "piccolo"), (73, "flute"),
    (74, "recorder"), (75, "pan flute"), (76, "bottle"), (77, "shakuhachi"), (78, "whistle"), (79, "ocarina"),
    (87, "synth"), (95, "pad"), (103, "effects"), (108, "lute"), (109, "free reed"), (110, "fiddle"),
    (111, "free reed"), (112, "mallets"), (113, "percussion"), (114, "mallets"), (119, "percussion"), (127, "effects"),
)  # fmt: skip


def _programs() -> tuple[str, ...]:
    names: list[str] = []
    for last, name in _PROGRAM_GROUPS:
        names += [name] * (last + 1 - len(names))
    return tuple(names)


PROGRAM_INSTRUMENT: tuple[str, ...] = _programs()
"""Instrument of each General MIDI program, counted from 0."""

TREMOLO_PROGRAM, PIZZICATO_PROGRAM = 44, 45
PERCUSSION_CHANNEL = 10
_CHAMBER_PARTS = 6
"""Up to so many parts, all bowed strings with names in the singular, are soloists (common practice, no source)."""
_LONG_NOTE_S = 0.35
_CHORD_SPAN = 24


def instrument_of(
    program: int | None, name: str, *, channel: int, notes: Notes, neighbours: Sequence[str] = ()
) -> tuple[Instrument, str]:
    """The instrument of a part, and why.

    Parameters
    ----------
    program : int or None
        General MIDI program from 0, None where none was sent.
    name : str
        The part's name.
    channel : int
        Counted from 1.
    notes : Notes
        Heard where name and program are silent, and to settle open names.
    neighbours : sequence of str
        Names of all parts of the cue: "Bass" beside "Soprano" sings, four string parts alone are soloists.
    """
    reading = read_name(name)
    by_program = None if program is None else PROGRAM_INSTRUMENT[program]
    if reading.candidates and not (reading.weak and by_program is not None):
        chosen = _settled(reading, by_program, notes, neighbours)
        return _with_players(INSTRUMENTS[chosen], reading, neighbours), f'its name says {chosen} ("{reading.word}")'
    if channel == PERCUSSION_CHANNEL:
        return INSTRUMENTS["percussion"], "channel 10 is percussion"
    if by_program is not None:
        why = f"program {program} (counted from 0) is {by_program}"
        return _with_players(INSTRUMENTS[by_program], reading, neighbours), why
    return _by_notes(notes)


def _settled(reading: NameReading, by_program: str | None, notes: Notes, neighbours: Sequence[str]) -> str:
    """One of the instruments a name may mean."""
    candidates = reading.candidates
    if candidates == ("saxophone",) and by_program is not None and by_program.endswith("saxophone"):
        return by_program
    if by_program in candidates:
        return by_program
    if len(candidates) == 1:
        return candidates[0]
    if by_program is not None and by_program != "piano":  # many exports send piano for everything
        family = INSTRUMENTS[by_program].family
        akin = [c for c in candidates if INSTRUMENTS[c].family == family]
        if akin:
            return akin[0]
    voice = [c for c in candidates if INSTRUMENTS[c].family == "voice"]
    strings = [c for c in candidates if INSTRUMENTS[c].family == "strings"]
    if voice and any(sings(other) for other in neighbours):
        return voice[0]
    if strings and any(read_name(other).candidates[:1] in (("violin",), ("cello",)) for other in neighbours):
        return strings[0]
    inside = [c for c in candidates if _share_inside(notes, INSTRUMENTS[c]) > 0.95]
    return (inside or list(candidates))[0]


def _share_inside(notes: Notes, instrument: Instrument) -> float:
    if notes.n_notes == 0:
        return 1.0
    return float(np.mean((notes.pitch >= instrument.low) & (notes.pitch <= instrument.high)))


def _with_players(instrument: Instrument, reading: NameReading, neighbours: Sequence[str]) -> Instrument:
    """One player or a section, by what the name says; bowed strings alone among themselves are soloists."""
    if reading.one:
        return replace(instrument, solo=True)
    if reading.several:
        return replace(instrument, solo=False)
    if instrument.family == "strings" and instrument.name not in ("strings", "pizzicato") and _chamber(neighbours):
        return replace(instrument, solo=True)
    return instrument


def _chamber(names: Sequence[str]) -> bool:
    """Whether the cue is chamber music for strings: few parts, all named bowed instruments, none in the plural."""
    if not 0 < len(names) <= _CHAMBER_PARTS:
        return False
    for reading in map(read_name, names):
        bowed = any(INSTRUMENTS[c].family == "strings" and c != "strings" for c in reading.candidates)
        if not bowed or reading.several:
            return False
    return True


def _by_notes(notes: Notes) -> tuple[Instrument, str]:
    """What the notes alone suggest: long or connected notes are held, short ones and wide spread chords ring off."""
    if notes.n_notes == 0:
        return Instrument("unknown", "unknown", "unshaped", True, False, 0, 127), "no name, no program and no notes"
    length_s = notes.offset_s - notes.onset_s
    next_s = np.r_[notes.onset_s[1:], notes.offset_s[-1]]
    apart = next_s - notes.onset_s > 0.03
    connected = np.abs(next_s - notes.offset_s)[apart] < 0.06
    chords = np.unique(notes.onset_tick)
    wide = False
    if len(chords) < notes.n_notes:
        at = np.searchsorted(chords, notes.onset_tick)
        top = np.full(len(chords), -1)
        low = np.full(len(chords), 128)
        np.maximum.at(top, at, notes.pitch)
        np.minimum.at(low, at, notes.pitch)
        wide = bool(np.mean((top - low) > _CHORD_SPAN) > 0.25)
    held = float(np.median(length_s)) >= _LONG_NOTE_S or (len(connected) > 0 and float(np.mean(connected)) > 0.5)
    if held and not wide:
        why = f"no name and no program, but notes of {np.median(length_s):.2f} s, mostly connected or long"
        return Instrument("unknown", "unknown", "sustained", len(chords) == notes.n_notes, False, 0, 127), why
    why = "no name and no program, and wide chords" if wide else "no name and no program, and short separate notes"
    return Instrument("unknown", "unknown", "decaying", True, False, 0, 127), why
