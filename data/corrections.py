"""What the store holds of a cue, of a first pass and of a hand: cues, shaped records, corrections, style versions.

Everything is plain: arrays, text and numbers, so that the log can be read in ten years. Times are in seconds from the
start of the file, beats are quarter notes, values controller steps 0..127.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue
from phrasewright.data.curves import Curve
from phrasewright.data.errors import InputError, UsageError
from phrasewright.data.midi import split_midi, weave
from phrasewright.data.notes import Notes
from phrasewright.data.printing import one_line
from phrasewright.data.profiles import parse_profile
from phrasewright.data.reading import cue_of
from phrasewright.data.tempo import TempoMap

CORRECTION_KINDS = ("changed", "agreed", "drawn", "trim")
"""`changed`: another shape than the first pass. `agreed`: the first pass, left as it was beside something changed.
`drawn`: a lane from nothing. `trim`: the first pass moved up or down, its shape left as it was."""

KIND_WEIGHT = {"changed": 1.0, "drawn": 1.0, "agreed": 0.3, "trim": 0.3}
"""How much the shape of a phrase says: what was left alone may only have been overlooked (from memory of no source;
to be set by validation)."""

_STYLE_NAME = re.compile(r"[a-z0-9-]{1,40}")
_FINGERPRINT_PER_BEAT = 96
_FINE_CC = 32


@dataclass(frozen=True)
class ShapedPart:
    """One part of a first pass: its notes, its lanes as written, and where they were not written but kept.

    Parameters
    ----------
    name : str
    notes : Notes
    lanes : mapping from lane name to Curve
    kept_s : mapping from lane name to float array, (n_spans, 2)
        Seconds. Inside, the lane was on the page before and is no prediction.
    """

    name: str
    notes: Notes
    lanes: Mapping[str, Curve]
    kept_s: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)


@dataclass(frozen=True)
class ShapedRecord:
    """A first pass as it was written.

    `fingerprint` is the cue's by its notes, `style` and `version` say what predicted (`shipped`, `rules` or a style's
    name), `file_hash` is the SHA-256 of the file written, `created` a UTC time. `tempo_beat` and `tempo_s` are the
    knots of its tempo map. `plan` is the text (`plan_text`) of a plan that came beside the file, empty without.
    """

    fingerprint: str
    name: str
    style: str
    version: str
    file_hash: str
    created: str
    parts: tuple[ShapedPart, ...]
    tempo_beat: NDArray[np.float64]
    tempo_s: NDArray[np.float64]
    plan: str = ""


@dataclass(frozen=True)
class StoredCue:
    """A corrected cue without its lanes, as a MIDI file, with the text of the profile it was read with.

    `plan` is the text (`plan_text`) of the plan that came beside the first pass, in the corrected cue's time.
    """

    fingerprint: str
    name: str
    content: bytes
    profile: str
    file_hash: str
    plan: str = ""

    def cue(self) -> Cue:
        """The cue as it was read then, without lanes."""
        path = Path(self.name)
        profile = parse_profile(self.profile, path=path) if self.profile else None
        return cue_of(split_midi(self.content, name=self.name), path=path, profile=profile)


@dataclass(frozen=True)
class Correction:
    """One lane of one phrase, what was predicted there and what the hand left.

    Parameters
    ----------
    part : int
        Number of the part in the corrected cue, from 1.
    part_name, lane : str
    phrase : int
        Index into the part's phrases as heard then.
    start_s, end_s : float
        The phrase, in the time of the corrected cue.
    kind : str
        One of CORRECTION_KINDS.
    weight : float
        How much its shape says, 0..1.
    predicted : Curve or None
        The first pass, carried to the time of the corrected cue; None for a lane drawn from nothing. Its first point
        stands at or before `start_s`.
    left : Curve
        The lane in the corrected cue. Its first point stands at `start_s`, or later where the lane begins later.
    """

    part: int
    part_name: str
    lane: str
    phrase: int
    start_s: float
    end_s: float
    kind: str
    weight: float
    predicted: Curve | None
    left: Curve

    def __post_init__(self) -> None:
        if self.kind not in CORRECTION_KINDS:
            raise ValueError(f"{self.kind!r} is no kind of correction")
        if (self.predicted is None) != (self.kind == "drawn"):
            raise ValueError(f"a {self.kind} correction {'lacks' if self.predicted is None else 'has'} a prediction")


@dataclass(frozen=True)
class Trim:
    """A lane of a part that was moved up or down as a whole: `offset_cc` steps over `n_phrases` phrases."""

    part: int
    part_name: str
    lane: str
    offset_cc: float
    n_phrases: int
    start_s: float
    end_s: float


@dataclass(frozen=True)
class CorrectionSet:
    """All that one corrected file says.

    `unmatched` tells in words what could not be matched. `music_s` counts sounding seconds of all parts under
    corrections. `predicted_by` and `predicted_version` say whose first pass was corrected, empty where there was none.
    """

    cue: StoredCue
    corrections: tuple[Correction, ...]
    trims: tuple[Trim, ...]
    unmatched: tuple[str, ...]
    music_s: float
    predicted_by: str = ""
    predicted_version: str = ""


@dataclass(frozen=True)
class LoggedCorrection:
    """A correction in the log. `session` is common to all that was learned from one file at one time."""

    id: int
    session: int
    style: str
    cue_id: int
    fingerprint: str
    file_hash: str
    predicted_by: str
    predicted_version: str
    created: str
    correction: Correction


@dataclass(frozen=True)
class StyleVersion:
    """One version of a style: what it was learned from and whether it is to be used.

    `parent` is the version that was in use when it was learned, None for the shipped model. `corrections` lists the
    ids of the corrections it stands on. `has_payload` tells whether something is stored for it.
    """

    style: str
    version: int
    parent: int | None
    created: str
    used: bool
    why: str
    corrections: tuple[int, ...]
    has_payload: bool


def check_style_name(name: str) -> str:
    """The name itself. Raises UsageError unless it is 1 to 40 of a-z, 0-9 and hyphen."""
    if not _STYLE_NAME.fullmatch(name):
        raise UsageError(f"{name[:60]!r} is no style name; use 1 to 40 of a-z, 0-9 and hyphen, such as string-hand")
    return name


def fingerprint(lines: Sequence[Notes]) -> str:
    """What names a cue by its notes, whatever their order in the file, their tempo, velocities and lanes.

    SHA-256 over onset (to a 96th of a quarter note) and pitch of all notes, in hexadecimal digits.
    """
    beat = np.concatenate([notes.onset_beat for notes in lines]) if lines else np.zeros(0)
    pitch = np.concatenate([notes.pitch for notes in lines]) if lines else np.zeros(0, dtype=np.int64)
    rows = np.stack([np.rint(beat * _FINGERPRINT_PER_BEAT).astype(np.int64), pitch], axis=1)  # (n_notes, 2)
    return hashlib.sha256(rows[np.lexsort((rows[:, 1], rows[:, 0]))].astype("<i4").tobytes()).hexdigest()


def cue_fingerprint(cue: Cue) -> str:
    """The fingerprint of a cue's notes."""
    return fingerprint([part.notes for part in cue.parts])


def digest(content: bytes) -> str:
    """SHA-256 in hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def without_lanes(cue: Cue) -> bytes:
    """The file of a cue without its lanes and their fine values; all else stays."""
    numbers = {cc for part in cue.parts for cc in (*part.existing, *part.lane_cc.values())}
    numbers |= {cc + _FINE_CC for cc in numbers if cc < _FINE_CC}
    removed = {
        i: ((track.status & 0xF0) == 0xB0) & np.isin(track.data1, sorted(numbers))
        for i, track in enumerate(cue.midi.tracks)
    }
    return weave(cue.midi, removed=removed, added={})


def stored_cue(cue: Cue, *, fingerprint: str, profile: str = "", plan: str = "") -> StoredCue:
    """A corrected cue as it goes into the store, under the fingerprint of the cue that was shaped.

    Raises
    ------
    InputError
        The cue cannot be read back from what would be stored.
    """
    name = one_line(cue.path.name)
    stored = StoredCue(fingerprint, name, without_lanes(cue), profile, digest(cue.midi.content), plan)
    again = stored.cue()
    if [part.notes.n_notes for part in again.parts] != [part.notes.n_notes for part in cue.parts]:
        raise InputError(f"{cue.path}: its notes change when its lanes are taken out; export it again as type 1")
    return stored


def tempo_knots(tempo: TempoMap) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Beats and seconds of a tempo map's knots, the last one a beat after its last tempo begins."""
    beat = tempo.tick_to_beat(tempo.tick)
    beat = np.r_[beat, beat[-1] + 1.0]
    return beat, np.asarray(tempo.beat_to_s(beat))
