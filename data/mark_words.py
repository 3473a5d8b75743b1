"""Words and signs of loudness in scores: English, Italian, German and French usage (common practice, no source).

A text is read as a row of entries of one dictionary, the longest first. It is a mark only where it is made of such
entries and of words that usually stand beside them, or where it begins with a sign of loudness and goes on in a few
free words: "p weit entfernt" is a mark, "Sonata in f minor", "Part 2", "C dim" and "No. 3 f" are none. Signs are small
letters: a capital F is a note or a rehearsal letter.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

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
