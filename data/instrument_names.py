"""Instruments in the languages of scores: English, Italian, German and French, with the usual abbreviations.

A name is folded (accents off, lower case), cut into words, and searched for the longest entry of the table below.
False friends are settled by length ("cor anglais" before "cor", "bass drum" before "bass") or stay open: "alto" is a
voice, a French viola or a saxophone, "bass" a voice, a double bass or a guitar. Open names answer with several
instruments, the likeliest first.

The words are from memory and common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

# instrument: (names of one, names of several). Entries are separated by commas; words inside an entry by spaces.
_NAMES: dict[str, tuple[str, str]] = {
    "violin": (
        "violin, violine, violino, violon, geige, vl, vln, vn, vio, viol, fiddle section",
        "violins, violinen, violini, violons, geigen, vlns, vns, vls, vni",
    ),
    "viola": ("viola, bratsche, vla, va, br, viola d amore", "violas, violen, bratschen, viole, vle, vlas, vas"),
    "cello": (
        "cello, violoncello, violoncelle, vc, vcl, vlc, vcllo, vcello",
        "cellos, celli, violoncelli, violoncellos, violoncelles, vcs, vcls",
    ),
    "double bass": (
        "double bass, doublebass, contrabass, contrabasso, contrabbasso, kontrabass, contrebasse, contre basse, "
        "string bass, kb, cb, db, d b, ctb, kbs, violone",
        "double basses, doublebasses, contrabasses, contrabassi, contrabbassi, kontrabässe, contrebasses, string "
        "basses, bässe, basses, bassi, cbs, dbs",
    ),
    "viola da gamba": ("viola da gamba, gamba, gambe, viole de gambe, viol da gamba", "viole da gamba, gamben"),
    "fiddle": ("fiddle, hardanger, nyckelharpa, erhu, fidel", "fiddles"),
    "strings": (
        "string ensemble, string orchestra, string section, string quartet, streichquartett, quartetto d archi, "
        "quatuor a cordes, streichorchester, tremolo strings, pizzicato strings",
        "strings, string, streicher, archi, cordes, str, strgs, strs",
    ),
    "piccolo": (
        "piccolo, piccoloflöte, kleine flöte, flauto piccolo, ottavino, petite flute, piccolo flute, picc, pic, kl "
        "fl, pic fl",
        "piccolos, piccoli, petites flutes, ottavini, kleine flöten",
    ),
    "alto flute": (
        "alto flute, altflöte, alt flöte, flauto contralto, flauto in sol, flute en sol, a fl, alto fl, afl, alt fl",
        "alto flutes, altflöten, alt flöten",
    ),
    "bass flute": (
        "bass flute, bassflöte, bass flöte, flauto basso, flute basse, b fl, bass fl",
        "bass flutes, bassflöten",
    ),
    "flute": (
        "flute, flöte, querflöte, große flöte, flauto, flauto traverso, traverso, flute traversière, fl, gr fl",
        "flutes, flöten, querflöten, flauti, große flöten, fls",
    ),
    "oboe": ("oboe, hoboe, hautbois, ob, hb, htb, htbs, oboe d amore", "oboes, oboen, oboi, obs"),
    "bass oboe": ("bass oboe, heckelphone, heckelphon, baritone oboe", ""),
    "cor anglais": (
        "cor anglais, english horn, englischhorn, englisch horn, corno inglese, c ingl, cor ingl, cor angl, eng "
        "horn, eng hn, engl horn, engl hr, e h, eh, c a, ca, e hn, ehn, ehr",
        "english horns, cors anglais, corni inglesi, englischhörner",
    ),
    "clarinet": (
        "clarinet, klarinette, clarinetto, clarinette, cl, clar, klar, clt, klt",
        "clarinets, klarinetten, clarinetti, clarinettes, cls",
    ),
    "bass clarinet": (
        "bass clarinet, bassklarinette, bass klarinette, clarinetto basso, clarone, clarinette basse, bass cl, bs "
        "cl, b cl, bcl, bkl, b kl, bklar, cl basso, cl b, bass clar, bassklar",
        "bass clarinets, bassklarinetten, clarinetti bassi, clarinettes basses",
    ),
    "contrabass clarinet": ("contrabass clarinet, kontrabassklarinette, clarinetto contrabbasso", ""),
    "basset horn": (
        "basset horn, alto clarinet, altklarinette, bassetthorn, corno di bassetto, cor de basset",
        "basset horns, bassetthörner",
    ),
    "bassoon": (
        "bassoon, fagott, fagotto, basson, fag, fg, fgt, bsn, bn, bssn",
        "bassoons, fagotte, fagotti, bassons, bsns",
    ),
    "contrabassoon": (
        "contrabassoon, contra bassoon, double bassoon, kontrafagott, kontra fagott, controfagotto, contrafagotto, "
        "contrebasson, contre basson, cbn, c bn, cbsn, cfg, kfg, k fag, kfag, c fag, cfag, contrafag, kontrafag",
        "contrabassoons, kontrafagotte, controfagotti, contrebassons",
    ),
    "soprano saxophone": (
        "soprano sax, soprano saxophone, sopransax, sopran sax, sopransaxophon, sopran saxophon, saxophone soprano, "
        "sassofono soprano, s sax, ssax, sop sax",
        "soprano saxes, soprano saxophones",
    ),
    "alto saxophone": (
        "alto sax, alto saxophone, altsax, alt sax, altsaxophon, alt saxophon, saxophone alto, sassofono contralto, "
        "sassofono alto, a sax, asax",
        "alto saxes, alto saxophones, altsaxophone",
    ),
    "tenor saxophone": (
        "tenor sax, tenor saxophone, tenorsax, tenorsaxophon, tenor saxophon, saxophone tenor, sassofono tenore, t "
        "sax, tsax, ten sax",
        "tenor saxes, tenor saxophones, tenorsaxophone",
    ),
    "baritone saxophone": (
        "baritone sax, baritone saxophone, baritonsax, bariton sax, baritonsaxophon, bariton saxophon, bari sax, "
        "saxophone baryton, sassofono baritono, b sax, bsax, bar sax, bass sax, bass saxophone, basssaxophon",
        "baritone saxes, baritone saxophones",
    ),
    "saxophone": ("sax, saxophone, saxophon, sassofono, saxofon, saxofono", "saxes, saxophones, sassofoni, saxophons"),
    "recorder": (
        "recorder, blockflöte, block flöte, flauto dolce, flute a bec, soprano recorder, alto recorder, tenor "
        "recorder, bass recorder, sopranblockflöte, altblockflöte, tenorblockflöte, bassblockflöte, rec",
        "recorders, blockflöten, flauti dolci, flutes a bec",
    ),
    "pan flute": (
        "pan flute, panflöte, pan flöte, pan pipes, panpipes, flauto di pan, flute de pan, panpipe",
        "pan flutes",
    ),
    "shakuhachi": ("shakuhachi", ""),
    "whistle": ("tin whistle, irish whistle, penny whistle, low whistle, whistle", "whistles"),
    "ocarina": ("ocarina, okarina", ""),
    "folk wind": ("duduk, ney, nay, bansuri, kaval, shawm, schalmei, dulcian, crumhorn, krummhorn, dizi, xiao", ""),
    "woodwinds": (
        "woodwind ensemble, woodwind section",
        "woodwinds, woodwind, winds, holzbläser, holz, legni, bois, ww, wwinds",
    ),
    "horn": (
        "horn, french horn, corno, corno in f, cor, waldhorn, hr, hrn, hn, f horn, f hn, fr horn, fr hn, cor en fa, "
        "natural horn",
        "horns, french horns, corni, cors, hörner, waldhörner, hrns, hns, f horns",
    ),
    "trumpet": (
        "trumpet, trompete, tromba, trompette, tpt, trp, trpt, tp, trmp, piccolo trumpet, tromba piccola, "
        "clarino, muted trumpet",
        "trumpets, trompeten, trombe, trompettes, tpts, trps, clarini",
    ),
    "bass trumpet": ("bass trumpet, basstrompete, bass trompete, tromba bassa", ""),
    "cornet": ("cornet, kornett, cornetta, cornetto, cornet a pistons, cnt, crnt", "cornets, cornetti, kornette"),
    "flugelhorn": ("flugelhorn, flügelhorn, flicorno, bugle, flghn, flug", "flugelhorns, flügelhörner"),
    "trombone": (
        "trombone, posaune, tenor trombone, tenorposaune, alto trombone, altposaune, tbn, trb, trbn, tromb, pos, tbne",
        "trombones, posaunen, tromboni, tbns, trbs",
    ),
    "bass trombone": (
        "bass trombone, bassposaune, bass posaune, trombone basso, trombone basse, b tbn, btbn, bs tbn, bass tbn, "
        "bpos, b pos, contrabass trombone, kontrabassposaune, cimbasso",
        "bass trombones, bassposaunen, tromboni bassi",
    ),
    "tuba": (
        "tuba, bass tuba, basstuba, contrabass tuba, kontrabasstuba, tba, tb tuba, sousaphone, serpent, ophicleide, "
        "tuba bassa",
        "tubas, tuben, tube, basstuben",
    ),
    "wagner tuba": ("wagner tuba, wagnertuba", "wagner tubas, wagnertuben"),
    "euphonium": (
        "euphonium, eufonio, euph, baritone horn, tenor horn, tenorhorn, alto horn, althorn, bombardino",
        "euphoniums",
    ),
    "brass": (
        "brass ensemble, brass section",
        "brass, low brass, high brass, blechbläser, blech, ottoni, cuivres, brs, tutti brass",
    ),
    "soprano": (
        "soprano, sopran, sop, treble, knabensopran, cantus, discantus, boy soprano",
        "sopranos, soprani, soprane, sopranes, sops, trebles",
    ),
    "mezzo-soprano": ("mezzo soprano, mezzosopran, mezzosoprano, mezzo, mez", "mezzos, mezzosopranos, mezzosoprani"),
    "alto": ("alto, alt, contralto, altus, countertenor, altist, altistin", "altos, alti, contralti, alte"),
    "tenor": ("tenor, tenore, ten", "tenors, tenöre, tenori"),
    "baritone": ("baritone, bariton, baritono, baryton, bar", "baritones, baritoni, barytons"),
    "bass": ("bass, basso, basse, bs, bassus, e bass, bass voice, voix de basse", ""),
    "choir": (
        "choir, chor, coro, choeur, chorus, frauenchor, männerchor, kinderchor, knabenchor, boys choir, children s "
        "choir, choir aahs, voice oohs, chorale",
        "choirs, chöre, cori, choeurs, voices, stimmen, voci, oohs, aahs, ahs, ohs, ooh, aah, women, men, frauen, "
        "männer",
    ),
    "voice": ("voice, voix, voce, stimme, gesang, vocal, vox, singer, canto, lead vocal, solo voice", "vocals"),
    "harp": ("harp, harfe, arpa, harpe, hp, hrf, hfe, hrp, orchestral harp", "harps, harfen, arpe, harpes"),
    "guitar": (
        "guitar, gitarre, chitarra, guitare, gtr, git, e gitarre, electric guitar, acoustic guitar, nylon guitar, "
        "guit, guitar harmonics",
        "guitars, gitarren, chitarre, guitares",
    ),
    "bass guitar": (
        "bass guitar, electric bass, acoustic bass, fretless bass, slap bass, finger bass, pick bass, bassgitarre, "
        "upright bass, basso elettrico, guitare basse",
        "",
    ),
    "lute": (
        "lute, laute, liuto, luth, mandolin, mandoline, mandolino, banjo, ukulele, theorbo, theorbe, tiorba, oud, "
        "balalaika, bouzouki, zither, citera, sitar, koto, shamisen, kalimba, dulcimer, hackbrett, cimbalom, "
        "zymbal, psaltery, kantele",
        "lutes, mandolins, mandolinen",
    ),
    "piano": (
        "piano, pianoforte, klavier, flügel, pno, pf, pfte, klav, grand piano, electric piano, honky tonk, "
        "fortepiano, pianino",
        "pianos, klaviere",
    ),
    "harpsichord": (
        "harpsichord, cembalo, clavicembalo, clavecin, spinet, virginal, clavichord, clavinet, clavi, cemb",
        "",
    ),
    "celesta": ("celesta, celeste, cel, music box, spieluhr, glass harmonica, toy piano", ""),
    "organ": (
        "organ, orgel, organo, orgue, org, church organ, harmonium, pump organ, continuo organ, reed organ",
        "organs, orgeln",
    ),
    "free reed": (
        "accordion, akkordeon, fisarmonica, accordeon, bandoneon, concertina, harmonica, mundharmonika, bagpipe, "
        "bagpipes, bag pipe, dudelsack, cornamusa, cornemuse, shanai, hurdy gurdy, melodica, tango accordion",
        "",
    ),
    "mallets": (
        "glockenspiel, glock, glsp, campanelli, jeu de timbres, xylophone, xylophon, xilofono, xylo, xyl, "
        "vibraphone, vibraphon, vibrafono, vibes, vib, vibra, marimba, mar, marimbaphon, tubular bells, tubular "
        "bell, röhrenglocken, campane tubolari, tub bells, chimes, bells, glocken, campane, cloches, crotales, "
        "crotali, handbells, tinkle bell, steel drums, steel pan, steel drum, mallets, mallet, stabspiele",
        "",
    ),
    "timpani": ("timpani, timpano, timp, tmp, pauke, pk, kettledrum, timbale", "pauken, kettledrums, timbales"),
    "percussion": (
        "percussion, perc, percussions, percussioni, schlagzeug, schlagwerk, batteria, batterie, drum kit, drumkit, "
        "drumset, drum set, drum, trommel, tamburo, tambour, bass drum, bassdrum, große trommel, gran cassa, "
        "grancassa, grosse caisse, b drum, snare, snare drum, kleine trommel, caisse claire, rullante, side drum, "
        "cymbal, becken, piatto, piatti, cymbale, cymbales, triangle, triangel, triangolo, tam tam, tamtam, gong, "
        "tom, toms, taiko, conga, congas, bongo, bongos, shaker, tambourine, tamburin, tamburello, tambour de "
        "basque, castanets, kastagnetten, nacchere, castagnettes, woodblock, wood block, temple blocks, hi hat, "
        "hihat, kick, claps, clap, cowbell, anvil, amboss, incudine, enclume, whip, peitsche, ratchet, guiro, "
        "maracas, cajon, djembe, tabla, darabuka, melodic tom, synth drum, reverse cymbal, taiko drum, sus cymbal, "
        "wind machine, thunder sheet, sleigh bells, bell tree, mark tree, wind chimes, perkussion",
        "drums, trommeln, tamburi, cymbals, gongs, taikos, snares, impacts, booms",
    ),
    "orchestra hit": ("orchestra hit, orch hit, orchestral hit", "orch hits, orchestra hits"),
    "effects": (
        "fx, sfx, effects, riser, whoosh, braam, drone, atmosphere, ambience, sound design, noise",
        "risers, whooshes",
    ),
    "synth": (
        "synth, synthesizer, synthesiser, synthetizer, sintetizzatore, synthé, keytar, sequencer, arpeggiator, "
        "theremin, lead, ondes martenot, sub bass",
        "synths, synthesizers",
    ),
    "bottle": ("blown bottle, bottle", "bottles"),
    "pad": ("pad, pad synth, synth pad", "pads"),
}

_OPEN: dict[str, tuple[str, ...]] = {
    "alto": ("alto", "viola", "alto saxophone"),
    "altos": ("alto", "viola"),
    "tenor": ("tenor", "tenor saxophone"),
    "ten": ("tenor", "tenor saxophone"),
    "soprano": ("soprano", "soprano saxophone"),
    "baritone": ("baritone", "baritone saxophone", "euphonium"),
    "bar": ("baritone", "baritone saxophone"),
    "bari": ("baritone saxophone", "baritone"),
    "bass": ("double bass", "bass", "bass guitar"),
    "basso": ("double bass", "bass", "bass guitar"),
    "basse": ("double bass", "bass", "bass guitar"),
    "basses": ("double bass", "bass"),
    "bassi": ("double bass", "bass"),
    "bässe": ("double bass", "bass"),
    "bs": ("double bass", "bass", "bass guitar"),
    "e bass": ("bass guitar",),
    "upright bass": ("bass guitar", "double bass"),
    "acoustic bass": ("bass guitar",),
    "kl": ("clarinet", "piano"),
    "cel": ("celesta", "cello"),
    "tb": ("trombone", "tuba"),
    "viole": ("viola", "viola da gamba"),
    "ca": ("cor anglais",),
}
"""Names that mean several instruments, the likeliest first."""

GENERAL = frozenset(
    {"strings", "woodwinds", "brass", "choir", "voice", "saxophone"}
    | {"pad", "effects", "percussion", "orchestra hit", "synth"}
)
"""Names of a group: a more particular name beside one of these wins ("Brass - Horns")."""

_WEAK = frozenset(
    {"voice", "voices", "stimme", "stimmen", "voix", "voce", "voci", "canto", "cantus", "bar", "br", "va", "mar", "men"}
    | {"women", "lead", "rec", "sequencer", "tube", "noise", "drone", "whistle", "bells", "bs", "ca", "c a", "str"}
)
"""Words that also mean something else: they count only where no program speaks against them."""

_VOICES = frozenset({"soprano", "mezzo-soprano", "alto", "tenor", "baritone", "bass", "choir", "voice"})
_CHOIR_WORDS = frozenset({"soprano", "mezzo-soprano", "tenor", "choir"})
_SOLO = frozenset({"solo", "soli", "soliste", "solist", "solista", "soloist", "konzertmeister", "concertmaster"})
_SECTION = frozenset({"section", "sect", "sec", "ensemble", "ens", "tutti", "div", "divisi", "unis", "altri", "gruppe"})


@dataclass(frozen=True)
class NameReading:
    """What a part's name says.

    `candidates` are instruments, the likeliest first, empty where the name names none; `word` is what was recognised;
    `weak` says that a program may overrule it; `several`, `one` whether the name speaks of a section or of a soloist.
    """

    candidates: tuple[str, ...]
    word: str
    weak: bool
    several: bool
    one: bool


def _folded(text: str) -> str:
    text = text.replace("ß", "ss").replace("œ", "oe").replace("Œ", "Oe").replace("ø", "o").replace("æ", "ae")
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c)).lower()


def name_words(name: str) -> tuple[str, ...]:
    """A name as folded words: accents off, lower case, cut at marks, digits and inner capitals."""
    name = unicodedata.normalize("NFC", name)
    name = re.sub(r"([a-zäöüéè])([A-Z])", r"\1 \2", name)
    return tuple(re.findall(r"[a-z]+|\d+", _folded(name)))


def _spellings(entry: str) -> set[tuple[str, ...]]:
    """An entry as words, with umlauts both dropped and written out."""
    written_out = entry.replace("ä", "ae").replace("ö", "oe").replace("ü", "ue")
    return {tuple(_folded(spelling).split()) for spelling in (entry, written_out)}


def _dictionary() -> dict[tuple[str, ...], tuple[tuple[str, ...], bool]]:
    """From words to (candidates, whether the form is a plural)."""
    found: dict[tuple[str, ...], tuple[tuple[str, ...], bool]] = {}
    for instrument, forms in _NAMES.items():
        for plural, form in enumerate(forms):
            for entry in filter(None, (e.strip() for e in form.split(","))):
                for words in _spellings(entry):
                    found.setdefault(words, ((instrument,), bool(plural)))
    for entry, candidates in _OPEN.items():
        for words in _spellings(entry):
            found[words] = (candidates, found.get(words, ((), False))[1])
    return found


_DICTIONARY = _dictionary()
_LONGEST = max(map(len, _DICTIONARY))


@lru_cache(maxsize=4096)
def read_name(name: str) -> NameReading:
    """Which instruments a part's name names.

    Of several names in it the more particular wins, then the longer, then the earlier; "synth" wins over all, since a
    synthetic violin is no violin, and so does a name that begins with a numbered pad, lead or effect (the General
    MIDI names).
    """
    words = name_words(name)
    hits: list[tuple[int, int, tuple[str, ...], tuple[str, ...], bool]] = []
    at = 0
    while at < len(words):
        for length in range(min(_LONGEST, len(words) - at), 0, -1):
            entry = _DICTIONARY.get(words[at : at + length])
            if entry is not None:
                hits.append((at, length, words[at : at + length], *entry))
                break
        else:
            length = 1
        at += length
    one = bool(_SOLO & set(words))
    several = not one and (bool(_SECTION & set(words)) or _counts_several(name, words))
    if not hits:
        return NameReading((), "", False, several, one)
    if "synth" in words or (len(words) > 1 and words[0] in ("pad", "lead", "fx") and words[1].isdigit()):
        synthetic = next((hit for hit in hits if hit[3][0] in ("percussion", "pad", "effects")), None)
        return NameReading(synthetic[3] if synthetic else ("synth",), "synth", False, several, one)
    best = min(hits, key=lambda hit: (hit[3][0] in GENERAL or " ".join(hit[2]) in _WEAK, -hit[1], hit[0]))
    candidates = best[3]
    if len(candidates) > 1:  # other words of the name may settle it: "Altos (Viola)", "Bass (Chor)"
        beside = {candidate for hit in hits if hit is not best for candidate in hit[3]}
        sung = bool(beside & _CHOIR_WORDS)
        candidates = tuple(sorted(candidates, key=lambda c: (c not in beside, sung and c not in _VOICES)))
    word = " ".join(best[2])
    return NameReading(candidates, word, word in _WEAK, several or (best[4] and not one), one)


def _counts_several(name: str, words: tuple[str, ...]) -> bool:
    """Whether the name counts players: "4 Horns", "Flutes a 2", but not "2. Violine" or "Flute 2"."""
    leading = re.match(r"\s*(\d+)\s+\D", name)
    if leading and int(leading[1]) > 1:
        return True
    return any(a == "a" and b.isdecimal() and int(b) > 1 for a, b in pairwise(words))


def sings(name: str) -> bool:
    """Whether a name speaks of a choir's voices, so that "Bass" and "Alto" beside it are voices too."""
    return bool(set(read_name(name).candidates[:1]) & _CHOIR_WORDS)
