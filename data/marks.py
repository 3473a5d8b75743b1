"""Dynamic marks in a file: which texts are marks of loudness, which parts they concern, and the plan they come to.

Words and signs are English, Italian, German and French usage. A text is read as a row of entries of one dictionary, the
longest first. It is a mark only where it is made of such entries and of words that usually stand beside them, or where
it begins with a sign of loudness and goes on in a few free words: "p weit entfernt" is a mark, "Sonata in f minor",
"Part 2", "C dim" and "No. 3 f" are none. Signs are small letters: a capital F is a note or a rehearsal letter.

A mark in a track that holds notes concerns that track's parts, and tracks of the same instrument without marks of
their own; a mark in any other track and every marker concerns all. A crescendo lasts to the next mark; where none
follows within a few bars it rises by one level. Words, lengths and sizes are common practice without a source.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from phrasewright.data.cue import Cue, Mark, Part
from phrasewright.data.plan import FP_S, LEVELS_CC, MF_CC, NIENTE_CC, Change, Plan

_LEVEL_WORDS: dict[str, str] = {
    "ppp": "pianississimo, pianissimo possibile, pp possibile, äußerst leise, so leise wie möglich, le plus doux "
    "possible, as soft as possible, as quiet as possible",
    "pp": "pianissimo, molto piano, sehr leise, ganz leise, sehr zart, très doux, très doucement, very soft, very "
    "softly, very quiet, very quietly, molto p",
    "p": "piano, sotto voce, sottovoce, leise, zart, schwach, doux, doucement, soft, softly, quiet, quietly",
    "mp": "mezzopiano, mezzo piano, mezza voce, mezzavoce, halblaut, demi voix, à demi voix, à mi voix, mezzo p, "
    "half voice, moderately soft",
    "mf": "mezzoforte, mezzo forte, mi fort, mäßig laut, moderately loud, mezzo f",
    "f": "forte, laut, stark, kräftig, fort, loud, loudly",
    "ff": "fortissimo, molto forte, sehr laut, sehr stark, sehr kräftig, très fort, very loud, very loudly, molto f",
    "fff": "fortississimo, tutta forza, tutta la forza, fortissimo possibile, ff possibile, mit voller kraft, volle "
    "kraft, le plus fort possible, as loud as possible",
}
_WORDS: dict[str, str] = {
    "grow": "cresc, crescendo, crescente, aumentando, rinforzando poco a poco, anschwellend, anwachsend, zunehmend, "
    "wachsend, steigernd, sich steigernd, lauter, lauter werdend, lauter werden, stärker, stärker werdend, "
    "immer lauter, immer stärker, croissant, en croissant, augmentant, en augmentant, augmentez, augmenter, "
    "de plus en plus fort, sempre più forte, sempre più f, growing, grow, growing louder, getting louder, "
    "louder, gradually louder, swell, building, più e più forte",
    "fade": "dim, dimin, diminuendo, decresc, decrescendo, smorz, smorzando, calando, mancando, scemando, leiser, "
    "leiser werdend, leiser werden, schwächer, schwächer werdend, immer leiser, immer schwächer, abnehmend, "
    "abschwellend, nachlassend, diminuant, en diminuant, diminuez, diminuer, décroissant, en décroissant, de "
    "plus en plus doux, en s éloignant, sempre più piano, sempre più p, softer, quieter, getting softer, "
    "getting quieter, gradually softer, fading, fade",
    "die": "niente, n, al niente, a niente, morendo, perdendosi, perdendo, estinguendo, estinto, verklingend, "
    "ersterbend, verlöschend, bis nichts, ins nichts, en mourant, mourant, en s éteignant, se perdant, en se "
    "perdant, jusqu à rien, à rien, dying away, fade out, fading out, fading away, to nothing, fade to "
    "nothing, fading to nothing",
    "born": "dal niente, da niente, aus dem nichts, venu de rien, du néant, from nothing",
    "up": "più forte, più f, plus fort, meno piano, meno p, moins doux, etwas lauter, etwas stärker",
    "down": "meno forte, meno f, moins fort, più piano, più p, plus doux, etwas leiser, etwas schwächer",
    "half": "poco, un poco, un pochino, etwas, ein wenig, un peu, a little, slightly, leggermente",
    "much": "molto, sehr, très, very, beaucoup, viel, assai",
    "slow": "poco a poco, peu à peu, nach und nach, allmählich, gradually, little by little, a poco a poco",
    "sudden": "subito, sub, plötzlich, subit, subitement, soudain, suddenly, sudden",
    "to": "al, alla, to, bis, bis zum, jusqu à, jusqu au, fino al, fino a, zum",
    "neutral": "sempre, immer, toujours, always, still, ancora, più, meno, quasi, ma, non troppo, troppo, possibile, "
    "e, ed, et, und, and, con, la, il, come prima, solo, soli, tutti, div, unis, divisi, unisono, dolce, "
    "dolciss, dolcissimo, espr, espress, espressivo, espressif, ausdrucksvoll, cantabile, cant, legato, leg, "
    "stacc, staccato, ten, tenuto, marc, marcato, ben marcato, leggiero, legg, pesante, pizz, pizzicato, "
    "arco, trem, tremolo, con sord, senza sord, sord, mit dämpfer, ohne dämpfer, spicc, spiccato, sul tasto, "
    "sul pont, ord, nat, rit, ritard, ritardando, rall, rallentando, accel, accelerando, a tempo, allarg, "
    "allargando, string, stringendo, meno mosso, più mosso, tranquillo, agitato, cédez, zögernd, ruhig, echo, "
    "lontano, misterioso, mysterious, intenso, intense, warm, nobile, semplice, lunga, tempo, poss, gestopft, "
    "cuivré, open, bouché, senza vib, vib, non vib, molto vib, werdend, ed espr",
}
_SIGN = re.compile(r"^(p{1,4}|f{1,4}|mp|mf)$")
_THEN = re.compile(r"^(s?f{1,3}|mf|rf)z?(p{1,3})$")
"""An attack, then a level: fp, sfp, ffp, mfp, sfpp."""
_ACCENT = re.compile(r"^(s?f{1,3}z|sff?|r?fz|rf|rinf|rinforzando|sforzando|sforzato)$")
_NOT_AFTER = frozenset(
    ["minor", "major", "moll", "dur", "mineur", "majeur", "minore", "maggiore", "sharp", "flat", "hole", "clef", "key"]
)
_MAX_WORDS, _FREE_WORDS = 8, 4


@dataclass(frozen=True)
class MarkWord:
    """One entry of a mark.

    `kind` is `level` (value: a mark), `then` (value: the level after the attack, "fp" and its kin with `attack`),
    `accent`, `die` (value: `reached` where it may name what a diminuendo leads to), or one of grow, fade, born, up,
    down, half, much, slow, sudden, to, neutral. `sign` marks signs and abbreviations, which nobody sings.
    """

    kind: str
    value: str = ""
    attack: str = ""
    sign: bool = False


def mark_words(text: str, *, kind: str = "text", instruments: bool = False) -> tuple[MarkWord, ...]:
    """The entries a text is made of, in order; empty where it is no mark of loudness.

    Parameters
    ----------
    kind : str
        `text`, `lyric`, `marker` or `cue`. Words that are sung are marks only as signs and Italian abbreviations.
    instruments : bool
        Whether the cue has a part called a piano: then "Piano" alone is its name.
    """
    return _read(unicodedata.normalize("NFC", text.strip()), kind == "lyric", instruments)


def is_accent(text: str) -> bool:
    """Whether a text is the mark of a single attack: sfz, fp and their kin."""
    words = mark_words(text)
    return bool(words) and all(word.kind in ("accent", "then") for word in words)


@lru_cache(maxsize=4096)
def _read(text: str, sung: bool, instruments: bool) -> tuple[MarkWord, ...]:
    words = re.findall(r"[^\W\d_]+|\d+", text)
    if not 0 < len(words) <= _MAX_WORDS:
        return ()
    if instruments and words[0] == "Piano" and not any(_SIGN.match(word) for word in words):
        return ()
    folded = tuple(_fold(word) for word in words)
    found: list[MarkWord] = []
    unknown = at = 0
    while at < len(words):
        entry, length = _entry(words, folded, at)
        if entry is None:
            unknown += 1
            if any(word.isdecimal() or _fold(word) in _NOT_AFTER for word in words):
                return ()
        else:
            found.append(entry)
        at += length
    if all(entry.kind in ("neutral", "half", "much", "slow", "sudden", "to") for entry in found):
        return ()
    first = _entry(words, folded, 0)[0]
    leads = first is not None and (first.sign or first.kind in ("grow", "fade"))
    if unknown and not (leads and len(words) <= _FREE_WORDS and not sung):
        return ()
    if sung and not all(entry.sign or entry.kind in ("neutral", "half", "much", "slow", "sudden") for entry in found):
        return ()
    return tuple(found)


def _entry(words: list[str], folded: tuple[str, ...], at: int) -> tuple[MarkWord | None, int]:
    """The longest entry that begins at a word, and how many words it takes; None for an unknown word."""
    for length in range(min(_LONGEST, len(words) - at), 0, -1):
        if length == 1:
            word = words[at]
            if _SIGN.match(word):
                return MarkWord("level", {"pppp": "ppp", "ffff": "fff"}.get(word, word), sign=True), 1
            then = _THEN.match(word)
            if then:
                attack = then[1] if then[1][0] in "fm" else ""
                return MarkWord("then", then[2], attack=attack, sign=True), 1
            if _ACCENT.match(folded[at]):
                return MarkWord("accent", sign=True), 1
        entry = _DICTIONARY.get(folded[at : at + length])
        if entry is not None:
            if entry.kind == "die" and folded[at : at + length] == ("n",) and words[at] != "n":
                return None, 1
            return entry, length
    return None, 1


def _fold(word: str) -> str:
    word = word.replace("ß", "ss").replace("œ", "oe")
    return "".join(c for c in unicodedata.normalize("NFKD", word) if not unicodedata.combining(c)).lower()


def _spellings(entry: str) -> set[tuple[str, ...]]:
    """An entry as folded words, with umlauts both dropped and written out."""
    written_out = entry.replace("ä", "ae").replace("ö", "oe").replace("ü", "ue")
    return {tuple(_fold(word) for word in spelling.split()) for spelling in (entry, written_out)}


def _dictionary() -> dict[tuple[str, ...], MarkWord]:
    signs = ["cresc", "crescendo", "dim", "dimin", "diminuendo", "decresc", "decrescendo", "morendo", "niente"]
    found: dict[tuple[str, ...], MarkWord] = {}
    for kind, table in (("level", _LEVEL_WORDS), ("", _WORDS)):
        for name, entries in table.items():
            for entry in entries.split(", "):
                value = name if kind else "reached" if entry in ("niente", "n") else ""
                word = MarkWord(kind or name, value, sign=entry in signs)
                for spelling in _spellings(entry):
                    found.setdefault(spelling, word)
    return found


_DICTIONARY = _dictionary()
_LONGEST = max(map(len, _DICTIONARY))


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
