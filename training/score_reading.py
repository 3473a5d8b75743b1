"""Scores in MusicXML and tunes in ABC text, read to rows of notes that know their bars and where phrases end.

In scores a fermata ends a phrase, in tunes the end of a line of music. music21's own ABC reader loses accidentals
within a bar, so the raw text is read here. Units: quarter notes.
"""

from __future__ import annotations

import importlib.util
import re
import xml.etree.ElementTree as ElementTree
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from phrasewright.data.errors import InputError

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_TOKEN = re.compile(
    r"(?P<tuplet>\(\d)|(?P<bar>\|\]|\|\||\[\||:\||\|:|::|\|)|"
    r"(?P<note>(?P<accidental>\^\^|__|[\^_=])?(?P<letter>[A-Ga-gzx])(?P<octave>[,']*)(?P<length>\d*/*\d*))(?P<tie>-?)"
)
_FIFTHS = {
    "C": 0,
    "G": 1,
    "D": 2,
    "A": 3,
    "E": 4,
    "B": 5,
    "F#": 6,
    "C#": 7,
    "F": -1,
    "Bb": -2,
    "Eb": -3,
    "Ab": -4,
    "Db": -5,
    "Gb": -6,
}
_MODES = {
    "": 0,
    "maj": 0,
    "ion": 0,
    "m": -3,
    "min": -3,
    "aeo": -3,
    "dor": -2,
    "phr": -4,
    "lyd": 1,
    "mix": -1,
    "loc": -5,
}
_TUPLETS = {
    2: Fraction(3, 2),
    3: Fraction(2, 3),
    4: Fraction(3, 4),
    5: Fraction(2, 5),
    6: Fraction(1, 3),
    7: Fraction(2, 7),
}


@dataclass(frozen=True)
class Row:
    """A note of a score: quarter notes, MIDI pitch, bar as a real number, quarter notes in the bar."""

    beat: float
    length: float
    pitch: int
    bar: float
    bar_beats: float
    ends_phrase: bool = False


def corpus_root() -> Path:
    """Folder of the scores in the installed music21.

    Raises
    ------
    InputError
        music21 is not installed.
    """
    found = importlib.util.find_spec("music21")
    if found is None or found.origin is None:
        raise InputError("music21 is not installed, and its scores are read from it: pip install 'phrasewright[test]'")
    return Path(found.origin).parent / "corpus"


def read_musicxml(path: Path) -> list[list[Row]]:
    """Parts of a compressed MusicXML file as rows, the highest note of each chord, first voice only, ties joined."""
    return [rows for part in musicxml_parts(path) if (rows := _part_rows(part))]


def musicxml_parts(path: Path) -> list[ElementTree.Element]:
    """The parts of a compressed MusicXML file as they stand there."""
    with zipfile.ZipFile(path) as archive:
        name = next(n for n in archive.namelist() if n.endswith("xml") and not n.startswith("META"))
        return list(ElementTree.fromstring(archive.read(name)).iter("part"))


def _part_rows(part: ElementTree.Element) -> list[Row]:
    """Rows of one part. A short first bar is an upbeat: its notes count back from the next bar."""
    reader = _BarReader()
    start, number = 0.0, 1
    rows: list[Row] = []
    open_tie: dict[int, int] = {}
    for measure in part.iter("measure"):
        notes, reach = reader.read(measure)
        bar_beats = reader.bar_beats
        upbeat = reach < bar_beats - 1e-6 and (not rows or number == 1)
        for note in notes:
            known = open_tie.pop(note.pitch, None) if note.tied_from else None
            if known is not None and abs(rows[known].beat + rows[known].length - start - note.at) < 1e-6:
                old, index = rows[known], known
                rows[known] = replace(old, length=old.length + note.length, ends_phrase=old.ends_phrase or note.fermata)
            else:
                bar = number + 1 - (reach - note.at) / bar_beats if upbeat else number + note.at / bar_beats
                rows.append(Row(start + note.at, note.length, note.pitch, bar, bar_beats, note.fermata))
                index = len(rows) - 1
            if note.tied_on:
                open_tie[note.pitch] = index
        start += reach
        number += 1 if reach > 0 else 0
    return _highest(rows)


@dataclass(frozen=True)
class _BarNote:
    """A note within its bar: quarter notes from the bar line, and whether ties come from before or lead on."""

    at: float
    length: float
    pitch: int
    fermata: bool
    tied_from: bool
    tied_on: bool


class BarClock:
    """Where things stand in the bars of one part, read in order: what a bar says of divisions holds for those after."""

    def __init__(self) -> None:
        self.divisions = 1.0
        self.reach = 0.0

    def items(self, measure: ElementTree.Element) -> Iterator[tuple[float, float, ElementTree.Element]]:
        """Notes but for graces, directions and attributes of a bar: where, how long, and what; quarter notes.

        Afterwards `reach` says how many quarter notes the bar reaches.
        """
        now = before = self.reach = 0.0
        for item in measure:
            if item.tag == "attributes":
                self.divisions = float(item.findtext("divisions") or self.divisions)
            length = float(item.findtext("duration") or 0) / self.divisions
            if item.tag in ("backup", "forward"):
                now += length if item.tag == "forward" else -length
            elif item.tag == "note" and item.find("grace") is None:
                at = before if item.find("chord") is not None else now
                before, now = at, max(now, at + length)
                yield at, length, item
            elif item.tag in ("direction", "attributes"):
                yield now, 0.0, item
            self.reach = max(self.reach, now)


class _BarReader:
    """Reads the notes of one part's first voice, bar by bar: metre and voice hold for the bars after."""

    def __init__(self) -> None:
        self.clock, self.bar_beats = BarClock(), 4.0
        self.voice: str | None = None

    def read(self, measure: ElementTree.Element) -> tuple[list[_BarNote], float]:
        """The notes of a bar, and how many quarter notes it reaches."""
        found = []
        for at, length, item in self.clock.items(measure):
            if item.tag == "attributes":
                self._read_metre(item)
            elif item.tag == "note" and (note := self._note(item, at, length)) is not None:
                found.append(note)
        return found, self.clock.reach

    def _read_metre(self, item: ElementTree.Element) -> None:
        metre = item.find("time")
        if metre is not None and metre.findtext("beats"):
            beats = sum(float(b) for b in (metre.findtext("beats") or "4").split("+"))
            self.bar_beats = beats * 4.0 / float(metre.findtext("beat-type") or 4)

    def _note(self, item: ElementTree.Element, at: float, length: float) -> _BarNote | None:
        """The note, None for a rest or another voice than the first."""
        voice = item.findtext("voice") or "1"
        self.voice = self.voice or voice
        if item.find("rest") is not None or voice != self.voice:
            return None
        ties = {tie.get("type") for tie in item.iter("tie")}
        fermata = next(item.iter("fermata"), None) is not None
        return _BarNote(at, length, pitch_of(item), fermata, "stop" in ties, "start" in ties)


def pitch_of(note: ElementTree.Element) -> int:
    """MIDI pitch of a MusicXML note."""
    step = _STEPS[note.findtext("pitch/step") or "C"]
    alter = float(note.findtext("pitch/alter") or 0)
    return int(12 * (int(note.findtext("pitch/octave") or 4) + 1) + step + round(alter))


def _highest(rows: list[Row]) -> list[Row]:
    """The highest row of those that begin together, in order."""
    by_beat: dict[float, Row] = {}
    for row in rows:
        key = round(row.beat, 5)
        if row.length > 0 and (key not in by_beat or by_beat[key].pitch < row.pitch):
            by_beat[key] = row
    return [by_beat[key] for key in sorted(by_beat)]


def abc_rows(text: str) -> list[Row]:
    """Notes of one tune in ABC text; the last note of each line of music ends a phrase."""
    tune = _AbcTune()
    for line in text.splitlines():
        field = re.match(r"\s*([A-Za-z]):(.*)", line)
        if field:
            tune.read_field(field[1], field[2].strip())
        elif line.strip() and not line.lstrip().startswith("%"):
            tune.read_music(line)
    return _barred([row for row in tune.rows if row.length > 0], [float(b) for b in tune.bar_starts])


class _AbcTune:
    """A tune as far as it was read: its notes, where bars begin, and what holds for the notes to come."""

    def __init__(self) -> None:
        self.unit, self.metre, self.signature = Fraction(1, 8), Fraction(1), dict.fromkeys("CDEFGAB", 0)
        self.rows: list[Row] = []
        self.bar_starts: list[Fraction] = [Fraction(0)]
        self.at = Fraction(0)
        self.altered: dict[str, int] = {}
        self.tie = False

    def read_field(self, key: str, value: str) -> None:
        """Unit of length, metre or key; other fields say nothing of the notes."""
        if key == "L" and "/" in value:
            self.unit = Fraction(value.split()[0])
        elif key == "M":
            self.metre = _metre(value, self.metre)
        elif key == "K":
            self.signature = _signature(value)

    def read_music(self, line: str) -> None:
        """The notes of one line, of which the last ends a phrase."""
        group, scale = 0, Fraction(1)  # notes of a tuplet to come, and how much shorter they are
        for token in _TOKEN.finditer(re.sub(r'"[^"]*"|!\w+!|\{[^}]*\}', "", line)):
            if token["tuplet"]:
                group = int(token["tuplet"][1])
                scale = _TUPLETS.get(group, Fraction(1))
            elif token["bar"]:
                self.altered = {}
                if self.at > self.bar_starts[-1]:
                    self.bar_starts.append(self.at)
            else:
                self._read_note(token, _length(token["length"]) * self.unit * 4 * (scale if group else 1))
                group = max(group - 1, 0)
        if self.rows:
            self.rows[-1] = replace(self.rows[-1], ends_phrase=True)

    def _read_note(self, token: re.Match[str], length: Fraction) -> None:
        letter = token["letter"]
        if letter not in "zx":  # these rest
            name = letter.upper() + str(letter.islower()) + token["octave"]
            if token["accidental"]:
                self.altered[name] = {"^": 1, "^^": 2, "_": -1, "__": -2, "=": 0}[token["accidental"]]
            pitch = _abc_pitch(letter, token["octave"]) + self.altered.get(name, self.signature[letter.upper()])
            if self.tie and self.rows and self.rows[-1].pitch == pitch:
                self.rows[-1] = replace(self.rows[-1], length=self.rows[-1].length + float(length))
            else:
                self.rows.append(Row(float(self.at), float(length), pitch, 0.0, float(self.metre * 4)))
        self.tie = token["tie"] == "-"
        self.at += length


def _barred(rows: list[Row], starts: list[float]) -> list[Row]:
    """Rows with their bars: a short first bar is an upbeat; an end of a line may stand for a bar line not printed.

    What stands between two printed bar lines counts as so many bars as fit, at least one; a remainder shortens or
    stretches the last of them.
    """
    if not rows:
        return []
    whole = rows[0].bar_beats
    if len(starts) > 1 and starts[1] < whole - 1e-6:
        starts = [starts[1] - whole, *starts[1:]]
    edges = np.array(starts)
    number = 1.0 + np.r_[0.0, np.cumsum(np.maximum(np.rint(np.diff(edges) / whole), 1.0))]
    at = np.searchsorted(edges, [row.beat + 1e-6 for row in rows], side="right") - 1
    bars = []
    for row, k in zip(rows, at.tolist(), strict=True):
        bar = number[k] + (row.beat - edges[k]) / whole
        if k + 1 < len(edges):
            before = (number[k + 1] - number[k] - 1) * whole
            long, into = edges[k + 1] - edges[k] - before, row.beat - edges[k] - before
            if long > whole + 1e-6 and into >= 0:
                bar = number[k + 1] - 1 + into / long
        bars.append(replace(row, bar=float(bar)))
    return bars


def _metre(value: str, before: Fraction) -> Fraction:
    if value.startswith("C"):
        return Fraction(1)
    found = re.match(r"(\d+)/(\d+)", value)
    return Fraction(int(found[1]), int(found[2])) if found else before


def _signature(value: str) -> dict[str, int]:
    """Sharps and flats of a key: its name, its mode, and accidentals written after it."""
    found = re.match(r"([A-G][#b]?)\s*([A-Za-z]*)", value)
    fifths = _FIFTHS.get(found[1], 0) + _MODES.get(found[2].lower()[:3], 0) if found else 0
    sharps = {letter: 1 for letter in "FCGDAEB"[: max(fifths, 0)]} | {
        letter: -1 for letter in "BEADGCF"[: max(-fifths, 0)]
    }
    for accidental, letter in re.findall(r"(\^|_|=)([A-Ga-g])", value):
        sharps[letter.upper()] = {"^": 1, "_": -1, "=": 0}[accidental]
    return dict.fromkeys("CDEFGAB", 0) | sharps


def _length(text: str) -> Fraction:
    """A length in ABC: `3`, `/`, `/2`, `3/2`, `//`."""
    above, slash, below = text.partition("/")
    value = Fraction(int(above or 1))
    if slash:
        digits = below.strip("/")
        value /= int(digits) if digits else 2 ** (1 + below.count("/"))
    return value


def _abc_pitch(letter: str, octave: str) -> int:
    return 60 + _STEPS[letter.upper()] + 12 * letter.islower() + 12 * (octave.count("'") - octave.count(","))
