"""A plain text notation for short orchestral scores, and its reading into timed notes.

The demo cues are written in it, so that a musician can read and change them with nothing but an editor. Lengths are
quarter notes. A file begins with lines about the whole cue:

    title The lamp is lit
    words on                          write dynamic marks into the file as text events
    metre 21 3/4                      from bar 21
    tempo 1 66                        quarter notes a minute from bar 1
    tempo 46.3 60 -> 44 by 48.1       from beat 3 of bar 46 slowing to 44 at bar 48
    marker 21 The stair

then parts in score order, each followed by its bars; a line of bars starts with the number of its first bar, bars that
are not written are rests, and every bar is checked against the metre:

    part Oboe | channel 2 | program 68 | pan 58
    5 | mp d5:1.5 e5:.5 f#5:2 | e5:1 d5:.5 b4 a4:2 | =

Within a bar:

    c#4:1.5  [a3 d4]:2  r:1   note, chord, rest; without a length the one before holds; middle C is c4
    r     =                   alone in a bar: rest for the bar; the notes of the bar before once more
    c4~                       tied to the same note that follows
    c4'  c4_                  short (half the length, .3 s at most), detached (four fifths)
    c4>  c4^                  accent, sforzando
    c4@.25                    struck again every quarter of a beat (tremolo, drum roll)
    c4%d4                     trill with d4
    ,                         a breath: the note before ends early
    {c3' c3' eb3' c3'}*4      four times
    ppp ... fff  cresc  dim   level from here; cresc and dim lead evenly to the next mark
    "pizz."                   a text event; pizz. and arco also hold for the notes that follow
    !c0                       a very low note that selects an articulation, struck just ahead of the next note
    ped  lift                 sustain pedal changed, released

Unmarked notes last until the next note begins: written lines are connected. Velocities follow from the marks, the
metre, the contour and a small fixed scatter (common practice, no source).
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass, field
from fractions import Fraction

from phrasewright.data.errors import InputError

TICKS_PER_BEAT = 480

LEVELS = {"ppp": 24, "pp": 34, "p": 46, "mp": 59, "mf": 72, "f": 88, "ff": 104, "fff": 116}
"""Velocity of each mark (common practice, no source)."""

_STEPS = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
_ALTER = {"#": 1, "b": -1, "": 0}
_TOKEN = re.compile(r'"[^"]*"|,|\{|\}\*\d+|\[[^\]]+\][^\s|{},]*|[^\s|{},]+')
_NOTE = re.compile(r"(\[[^\]]+\]|r|[a-g][#b]?-?\d)(['_>^]*)(?:@([\d./]+))?(?:%([a-g][#b]?-?\d))?(?::([\d./]+))?(~?)$")
_TRILL_BEAT = Fraction(1, 8)
_ACCENT, _SFORZANDO = 16, 27
_SWITCH_LEAD, _SWITCH_LENGTH = 60, 90
_SCATTER = 3


@dataclass(frozen=True)
class ScoreNote:
    """One note in ticks. `manner` is legato, short, detached, trill, tremolo, pizz or switch."""

    onset_tick: int
    end_tick: int
    pitch: int
    velocity: int
    manner: str


@dataclass(frozen=True)
class ScorePart:
    """One part: its set-up, its notes in order, (tick, text) of its words, (tick, value) of its pedal."""

    name: str
    channel: int
    program: int
    volume: int
    pan: int
    notes: tuple[ScoreNote, ...]
    words: tuple[tuple[int, str], ...]
    pedal: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Score:
    """A whole cue in ticks: (tick, quarter notes a minute), (tick, numerator, denominator), (tick, marker), parts."""

    title: str
    tempi: tuple[tuple[int, float], ...]
    metres: tuple[tuple[int, int, int], ...]
    markers: tuple[tuple[int, str], ...]
    parts: tuple[ScorePart, ...]
    end_tick: int


def parse_score(text: str, *, name: str) -> Score:
    """Read a score.

    Parameters
    ----------
    text : str
        The notation above. `#` at the start of a line begins a comment.
    name : str
        Stands in error messages.

    Raises
    ------
    InputError
        A line that means nothing, a bar that does not add up, a note out of 0..127; with the part and the bar.
    """
    heads: list[list[str]] = []
    parts: list[tuple[str, list[str]]] = []
    for line in (raw.strip() for raw in text.splitlines()):
        if not line or line.startswith("#"):
            continue
        if line.startswith("part "):
            parts.append((line[5:], []))
        elif parts:
            parts[-1][1].append(line)
        else:
            heads.append(line.split(maxsplit=1))
    fields_of = {"title": [name], "words": ["off"], "metre": [], "tempo": [], "marker": []} | {
        key: [rest for other, rest in heads if other == key] for key, _ in heads
    }
    unknown = {key for key, _ in heads} - {"title", "words", "metre", "tempo", "marker"}
    if unknown:
        raise InputError(f"{name}: unknown line {sorted(unknown)[0]!r}; use title, words, metre, tempo, marker or part")
    markers = [entry.partition(" ") for entry in fields_of["marker"]]
    bars = _Bars([entry.split() for entry in fields_of["metre"]])
    read = [_read_part(head, lines, bars=bars, name=name, words=fields_of["words"][0] == "on") for head, lines in parts]
    return Score(
        title=fields_of["title"][0],
        tempi=_tempi(fields_of["tempo"], bars),
        metres=tuple((int(bars.tick(bar)), n, d) for bar, n, d in bars.metres),
        markers=tuple((bars.tick(Fraction(at)), said) for at, _, said in markers),
        parts=tuple(read),
        end_tick=max((note.end_tick for part in read for note in part.notes), default=0),
    )


class _Bars:
    """Where bars stand under the metres of a score."""

    def __init__(self, entries: list[list[str]]) -> None:
        rows = [(int(bar), *(int(x) for x in metre.split("/"))) for bar, metre in entries]
        self.metres: list[tuple[int, int, int]] = [(b, n, d) for b, n, d in rows]
        if not self.metres or self.metres[0][0] != 1:
            self.metres.insert(0, (1, 4, 4))

    def length(self, bar: int) -> int:
        """Ticks of one bar."""
        n, d = next((n, d) for first, n, d in reversed(self.metres) if first <= bar)
        return TICKS_PER_BEAT * 4 * n // d

    def tick(self, at: Fraction | int) -> int:
        """Tick of a bar's downbeat, or of a beat written as a decimal: 46.3 is beat 3 of bar 46."""
        bar = int(at)
        beat = round((at - bar) * 10)
        return sum(self.length(b) for b in range(1, bar)) + max(beat - 1, 0) * TICKS_PER_BEAT


def _tempi(entries: list[str], bars: _Bars) -> tuple[tuple[int, float], ...]:
    """(tick, quarter notes a minute); gradual changes as one step a half beat, straight in tempo."""
    named: dict[int, float] = {}
    between: dict[int, float] = {}
    for entry in entries:
        words = entry.split()
        begin, bpm = bars.tick(Fraction(words[0])), float(words[1])
        named[begin] = bpm
        if "->" in words:
            target, end = float(words[3]), bars.tick(Fraction(words[5]))
            steps = (end - begin) // (TICKS_PER_BEAT // 2)
            for i in range(1, steps + 1):
                between[begin + i * TICKS_PER_BEAT // 2] = round(bpm + (target - bpm) * i / steps, 2)
    return tuple(sorted((between | named).items()))


@dataclass
class _Raw:
    """A note as written, before levels and lengths are settled."""

    onset: int
    length: int
    pitches: tuple[int, ...]
    mods: str
    every: int
    other: int | None
    tied: bool
    pizz: bool
    breath: bool = False


@dataclass
class _Reading:
    """What one pass over a part's bars collects."""

    raw: list[_Raw] = field(default_factory=list)
    levels: list[tuple[int, str]] = field(default_factory=list)
    words: list[tuple[int, str]] = field(default_factory=list)
    pedal: list[tuple[int, int]] = field(default_factory=list)
    switches: list[tuple[int, int]] = field(default_factory=list)
    length: Fraction = Fraction(1)
    pizz: bool = False


def _read_part(head: str, lines: list[str], *, bars: _Bars, name: str, words: bool) -> ScorePart:
    title, *settings = (piece.strip() for piece in head.split("|"))
    values = {"volume": 100, "pan": 64} | {key: int(value) for key, value in (s.split() for s in settings)}
    reading = _Reading()
    bar, before = 1, ""
    for line in lines:
        number, *written = line.split("|")
        if not number.strip().isdigit() or int(number) < bar:
            raise InputError(f"{name}: {title}: line {line[:30]!r} must begin with a bar number from {bar} on")
        bar = int(number)
        for content in written:
            content = content.replace("=", before)
            _read_bar(content, bars, bar, reading, where=f"{name}: {title}: bar {bar}")
            before = _notes_alone(content)
            bar += 1
    return ScorePart(
        name=title,
        channel=values["channel"],
        program=values["program"],
        volume=values["volume"],
        pan=values["pan"],
        notes=_settle(reading, bars, title),
        words=tuple(sorted(reading.words + (_level_words(reading.levels) if words else []), key=lambda w: w[0])),
        pedal=tuple(reading.pedal),
    )


def _notes_alone(content: str) -> str:
    """A bar without its levels and words: what `=` repeats."""
    return " ".join(t for t in _TOKEN.findall(content) if t not in LEVELS | {"cresc": 0, "dim": 0} and t[0] != '"')


def _level_words(levels: list[tuple[int, str]]) -> list[tuple[int, str]]:
    return [(tick, {"cresc": "cresc.", "dim": "dim."}.get(mark, mark)) for tick, mark in levels]


def _unrolled(tokens: list[str]) -> list[str]:
    """Tokens with `{...}*n` written out."""
    out: list[str] = []
    opened: list[int] = []
    for token in tokens:
        if token == "{":
            opened.append(len(out))
        elif token.startswith("}*"):
            begin = opened.pop()
            out = out[:begin] + out[begin:] * int(token[2:])
        else:
            out.append(token)
    return out


def _read_bar(content: str, bars: _Bars, bar: int, reading: _Reading, *, where: str) -> None:
    begin, length = bars.tick(bar), bars.length(bar)
    now = begin
    tokens = _unrolled(_TOKEN.findall(content))
    notes = [token for token in tokens if _NOTE.match(token)]
    whole_rest = notes in ([], ["r"])
    for token in tokens:
        if token in LEVELS or token in ("cresc", "dim"):
            reading.levels.append((now, token))
        elif token.startswith('"'):
            word = token.strip('"')
            reading.words.append((now, word))
            reading.pizz = {"pizz.": True, "arco": False}.get(word, reading.pizz)
        elif token == ",":
            reading.raw[-1].breath = True
        elif token in ("ped", "lift"):
            reading.pedal += [(now, 0), (now + 40, 127)] if token == "ped" else [(now, 0)]
        elif token.startswith("!"):
            reading.switches.append((max(now - _SWITCH_LEAD, 0), pitch_of(token[1:], where=where)))
        elif found := _NOTE.match(token):
            now += _read_note(found, now, reading, length if whole_rest else None, where)
        else:
            raise InputError(f"{where}: {token!r} is no note, mark or word; see the notation in score_text.py")
    if now != begin + (length if notes else 0):
        raise InputError(f"{where}: holds {(now - begin) / TICKS_PER_BEAT:g} beats of {length / TICKS_PER_BEAT:g}")


def _read_note(found: re.Match[str], now: int, reading: _Reading, whole: int | None, where: str) -> int:
    what, mods, every, other, length, tie = found.groups()
    if length:
        reading.length = Fraction(length)
    ticks = whole if whole is not None else int(reading.length * TICKS_PER_BEAT)
    if what == "r":
        return ticks
    pitches = tuple(pitch_of(p, where=where) for p in what.strip("[]").split())
    last = reading.raw[-1] if reading.raw else None
    if last is not None and last.tied and last.pitches == pitches and last.onset + last.length == now:
        last.length += ticks
        last.tied = bool(tie)
        return ticks
    reading.raw.append(
        _Raw(
            onset=now,
            length=ticks,
            pitches=pitches,
            mods=mods,
            every=int(Fraction(every) * TICKS_PER_BEAT) if every else 0,
            other=pitch_of(other, where=where) if other else None,
            tied=bool(tie),
            pizz=reading.pizz,
        )
    )
    return ticks


def pitch_of(word: str, *, where: str) -> int:
    """MIDI pitch of a name such as c4 (60), f#5 or bb2. Raises InputError where it lies outside 0..127."""
    found = re.fullmatch(r"([a-g])([#b]?)(-?\d)", word)
    pitch = -1 if found is None else _STEPS[found[1]] + _ALTER[found[2]] + 12 * (int(found[3]) + 1)
    if not 0 <= pitch <= 127:
        raise InputError(f"{where}: {word!r} is no pitch; write a letter, # or b, and an octave, such as c#4")
    return pitch


def _settle(reading: _Reading, bars: _Bars, title: str) -> tuple[ScoreNote, ...]:
    """Levels, lengths and repeated strokes of a part's notes."""
    middle = sorted(p for raw in reading.raw for p in raw.pitches)
    centre = middle[len(middle) // 2] if middle else 60
    downbeats = _downbeats(bars, max((raw.onset for raw in reading.raw), default=0))
    notes = []
    for raw in reading.raw:
        manner = _manner(raw)
        end = raw.onset + _sounding_length(raw, manner)
        step = raw.every or (int(_TRILL_BEAT * TICKS_PER_BEAT) if raw.other is not None else raw.length)
        strokes = range(raw.onset, raw.onset + raw.length, step)
        for count, onset in enumerate(strokes):
            stop = end if len(strokes) == 1 else min(onset + step, raw.onset + raw.length)
            for pitch in raw.pitches:
                sounding = raw.other if raw.other is not None and count % 2 else pitch
                velocity = _level(reading.levels, onset) + _weight(onset, downbeats)
                velocity += max(-4.0, min(4.0, 0.3 * (pitch - centre)))
                if count == 0:
                    velocity += _ACCENT * raw.mods.count(">") + _SFORZANDO * raw.mods.count("^")
                velocity += zlib.crc32(f"{title} {onset} {pitch}".encode()) % (2 * _SCATTER + 1) - _SCATTER
                notes.append(ScoreNote(onset, stop, sounding, max(1, min(127, round(velocity))), manner))
    notes += [ScoreNote(tick, tick + _SWITCH_LENGTH, pitch, 64, "switch") for tick, pitch in reading.switches]
    return tuple(sorted(notes, key=lambda n: (n.onset_tick, -n.pitch)))


def _manner(raw: _Raw) -> str:
    if raw.pizz:
        return "pizz"
    if raw.other is not None:
        return "trill"
    if raw.every:
        return "tremolo"
    return "short" if "'" in raw.mods else "detached" if "_" in raw.mods else "legato"


def _sounding_length(raw: _Raw, manner: str) -> int:
    if manner == "pizz":
        return min(raw.length, TICKS_PER_BEAT // 2)
    if manner == "short":
        return min(raw.length // 2, TICKS_PER_BEAT // 3)
    if manner == "detached":
        return raw.length * 4 // 5
    return raw.length - (min(TICKS_PER_BEAT // 2, raw.length * 2 // 5) if raw.breath else 0)


def _level(levels: list[tuple[int, str]], tick: int) -> float:
    """Velocity asked for by the marks at a tick: the last mark's, or between two marks along a hairpin."""
    now, wedge = float(LEVELS["mp"]), None
    for at, mark in levels:
        if mark not in LEVELS:
            if at <= tick:
                wedge = at
            continue
        if at <= tick:
            now, wedge = float(LEVELS[mark]), None
            continue
        if wedge is not None:
            return now + (LEVELS[mark] - now) * (tick - wedge) / (at - wedge)
        break
    return now


def _downbeats(bars: _Bars, last: int) -> set[int]:
    found, bar, tick = set(), 1, 0
    while tick <= last:
        found.add(tick)
        tick += bars.length(bar)
        bar += 1
    return found


def _weight(onset: int, downbeats: set[int]) -> int:
    """Metre in velocity: the downbeat +4, other beats +1, between beats -2."""
    return 4 if onset in downbeats else 1 if onset % TICKS_PER_BEAT == 0 else -2
