"""A cue: the parts of one MIDI file, its time and its original messages.

A part is one channel of one track that holds notes, numbered from 1 in file order.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from phrasewright.data.curves import DEFAULT_CC, Curve
from phrasewright.data.midi import MidiFile
from phrasewright.data.notes import Notes
from phrasewright.data.tempo import TempoMap

PASSAGE_KINDS = ("sustained", "short", "decaying")
PART_KINDS = ("sustained", "decaying", "percussive", "unshaped")
FAMILIES = ("strings", "woodwind", "brass", "voice", "plucked", "keys", "percussion", "electronic", "unknown")


@dataclass(frozen=True)
class Instrument:
    """What the tool needs to know of an instrument.

    `name` is one of the keys of the table in `instruments.py` ("violin", "horn", ...), `solo` tells one player from a
    section, `vibrato` whether the vibrato lane is written by default, `low` and `high` bound the written range (MIDI
    pitches).
    """

    name: str
    family: str
    kind: str
    solo: bool
    vibrato: bool
    low: int
    high: int


@dataclass(frozen=True)
class Passage:
    """A stretch of one way of playing: `sustained`, `short` or `decaying`, with the reason in words."""

    kind: str
    start_s: float
    end_s: float
    why: str


@dataclass(frozen=True)
class Delays:
    """How long after its note-on an instrument is heard, in seconds, positive later.

    `first_s` holds for notes that begin a line, `legato_s` for those joined to the note before, `short_s` in short and
    decaying passages. `advanced` says that the notes of the file were pulled ahead of the bars to make up for it.
    """

    first_s: float = 0.0
    legato_s: float = 0.0
    short_s: float = 0.0
    advanced: bool = False

    @property
    def any(self) -> bool:
        """Whether any note is heard at another time than its note-on."""
        return bool(self.first_s or self.legato_s or self.short_s)


@dataclass(frozen=True)
class Part:
    """One line of the score.

    Parameters
    ----------
    index : int
        Counted from 1 in file order.
    name : str
        The track's name, with the channel where a track has several.
    track, channel : int
        Both counted from 1, as musicians do.
    program : int or None
        General MIDI program (from 0) in force at the first note, None where none was sent.
    instrument : Instrument
    kind : str
        `sustained`, `decaying`, `percussive` or `unshaped`.
    why : str
        Why it has that kind.
    notes : Notes
        The music. Notes that only select articulations stand in `switches`.
    switches : Notes
    passages : tuple of Passage
        Without gaps from 0 to the end of the part, at least one where there are notes.
    existing : mapping from controller number to Curve
        Every controller lane of the channel in that track that the part's lanes use, as it was drawn.
    lane_cc : mapping from lane name to controller number
        The lanes to write by default, in order. Empty for a part that is not shaped.
    lane_range : mapping from lane name to (low, high)
        Limits from a profile, in controller steps; absent where the defaults hold.
    responses : mapping from lane name to ((value, db), ...)
        What the instrument answers to values of a lane, from a profile, rising in both; absent where the default law
        holds.
    delays : Delays
        How late it speaks, from a profile.
    keys : Notes or None
        Where a part is heard later than its keys go down and `notes` stand where they are heard: the notes as they
        stand in the file, one for one. None where `notes` are those.
    group : int
        Parts of one number are one instrument, split into tracks by articulation; they share phrases.
    remarks : tuple of str
        What the user should know (a shared channel, CC2 taken as dynamics, ...).
    """

    index: int
    name: str
    track: int
    channel: int
    program: int | None
    instrument: Instrument
    kind: str
    why: str
    notes: Notes
    switches: Notes
    passages: tuple[Passage, ...]
    existing: Mapping[int, Curve]
    lane_cc: Mapping[str, int]
    lane_range: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    group: int = 0
    remarks: tuple[str, ...] = ()
    responses: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    delays: Delays = field(default_factory=Delays)
    keys: Notes | None = None

    @property
    def family(self) -> str:
        """One of FAMILIES."""
        return self.instrument.family

    @property
    def file_notes(self) -> Notes:
        """The notes as they stand in the file."""
        return self.notes if self.keys is None else self.keys

    @property
    def shaped(self) -> bool:
        """Whether any passage gets lanes."""
        return bool(self.lane_cc)

    def drawn(self, lane: str) -> Curve | None:
        """A lane as it stands in the file, None where it has no event.

        The part's own controller carries it; where that one is empty, the usual controller does (somebody may have
        drawn there), if there is one and the part does not use it for another lane, as breath for dynamics.
        """
        usual, others = DEFAULT_CC.get(lane), [cc for name, cc in self.lane_cc.items() if name != lane]
        for cc in (self.lane_cc.get(lane), None if usual in others else usual):
            curve = self.existing.get(cc) if cc is not None else None
            if curve is not None and curve.n_points:
                return curve
        return None


@dataclass(frozen=True)
class Mark:
    """A text, lyric, cue or marker event: where and what. `kind` is `text`, `lyric`, `marker` or `cue`."""

    tick: int
    time_s: float
    track: int
    text: str
    kind: str = "text"


@dataclass(frozen=True)
class Cue:
    """One file: its parts in file order, its time, its marks, and the messages as they came."""

    path: Path
    midi: MidiFile
    tempo: TempoMap
    parts: tuple[Part, ...]
    marks: tuple[Mark, ...]
    duration_s: float
    n_bars: int | None

    def parts_called(self, entry: str) -> frozenset[int]:
        """Numbers (from 1) of the parts with a name, regardless of case and surrounding blanks, else with a number."""
        key = entry.strip().strip('"').strip()
        named = frozenset(part.index for part in self.parts if part.name.casefold() == key.casefold())
        if not named and key.isdecimal() and len(key) < 20:  # of thousands of digits no number is made
            named = frozenset(part.index for part in self.parts if part.index == int(key))
        return named
