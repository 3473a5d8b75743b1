"""Names in the languages of scores, General MIDI programs and the notes themselves tell the instrument."""

from __future__ import annotations

import numpy as np
import pytest

from phrasewright.data.cue import FAMILIES, PART_KINDS
from phrasewright.data.instrument_names import _NAMES, _OPEN, name_words, read_name
from phrasewright.data.instruments import INSTRUMENTS, PROGRAM_INSTRUMENT, instrument_of
from phrasewright.data.notes import Notes

SHAPED = {*range(40, 45), 48, 49, 52, 53, *range(56, 62), *range(64, 76), 77, 78, 79, 110}
"""Programs shaped by default, counted from 0 (common practice, no source)."""

SCORE_NAMES = {
    "violin": "Violins I|Vl. I|Vln 1|Violini I|Geige|2. Violine|Violino II|VlnI|vln.2|1st Violins|Violons|Violin Solo",
    "viola": "Viola|Vla.|Bratsche|Bratschen|Violas div.|Altos (Viola)",
    "cello": "Vc.|Violoncello|Violoncelli|Celli|Cellos|Violoncelles|Strings - Cello",
    "double bass": "Kb.|Kontrabass|Contrabassi|Cb. pizz|Double Basses|Contrebasses|D.B.",
    "strings": "Strings|Streicher|Archi|Cordes|String Ensemble 1|Strings Pad",
    "flute": "Fl.|Flauti|Flöte 1|Floete|Flûtes|Querflöte|Flute 2",
    "piccolo": "Piccolo|Picc.|Flauto piccolo|Kleine Flöte|Petite flûte|Ottavino",
    "alto flute": "Alto Flute|Altflöte|Alt Flöte|Flauto contralto",
    "oboe": "Ob.|Oboi|Hautbois|Oboe d'amore",
    "cor anglais": "Cor anglais|English Horn|Englischhorn|Corno inglese|E.H.",
    "clarinet": "Klar. in B|Clarinetti|Clarinettes|Clarinet in A|Cl. 1",
    "bass clarinet": "Bass Clarinet|Bassklarinette|Clarinetto basso|B. Cl.|Clarinette basse",
    "bassoon": "Fag.|Fagotti|Bassons|Bassoon 2|Bsn",
    "contrabassoon": "Contrabassoon|Kontrafagott|Controfagotto|Contrebasson|Cbn.",
    "alto saxophone": "Alto Sax|Altsaxophon|A. Sax",
    "saxophone": "Sax|Saxophone|Sassofono",
    "recorder": "Blockflöte|Flauto dolce|Soprano Recorder|Flûte à bec",
    "horn": "Hr.|Corno|Corni in F|Cor|Cors|Hörner|Hoerner|Horns a4|FrenchHorns_Long|Brass - Horns",
    "trumpet": "Tromba|Trombe|Trompete|Trp. in B|Trompettes|Tpt. 1|Piccolo Trumpet",
    "trombone": "Trombone|Tromboni|Pos.|Posaunen|Tbn. 1",
    "bass trombone": "Bass Trombone|Bassposaune|Trombone basso|B. Tbn.",
    "tuba": "Tuba|Basstuba|Contrabass Tuba",
    "euphonium": "Euphonium|Baritone Horn|Tenorhorn",
    "choir": "Chor|Choir Aahs|Chœur|Coro|Voice Oohs|Choir Pad",
    "soprano": "Sopran|Soprani|Soprano solo|Choir Soprano",
    "bass": "Bass (Chor)|Choir Bass|Coro - Bassi",
    "harp": "Arpa|Harfe|Harpe|Hp.|Orchestral Harp",
    "piano": "Acoustic Grand Piano|Klavier|Pno.",
    "celesta": "Celesta|Cel.",
    "guitar": "Gitarre|Electric Guitar (clean)",
    "bass guitar": "Electric Bass (finger)|Acoustic Bass|E-Bass",
    "timpani": "Pauken|Timpani|Timbales|Timp.",
    "percussion": "Bass Drum|Gran Cassa|Große Trommel|Schlagzeug|Snare|Tom-toms|Becken",
    "mallets": "Glockenspiel|Xylophon|Tubular Bells",
    "organ": "Orgel|Church Organ",
    "synth": "Synth Strings 1|SynthBrass 1|Lead 8 (bass + lead)|Synth Bass 2",
    "pad": "Pad 4 (choir)|Warm Pad|Pad 1 (new age)",
}


def no_notes() -> Notes:
    return notes([])


def notes(rows: list[tuple[float, float, int]]) -> Notes:
    """From (onset in s, length in s, pitch)."""
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    onset, offset = table[:, 0].copy(), table[:, 0] + table[:, 1]
    ticks = [np.rint(a * 1000).astype(np.int64) for a in (onset, offset)]
    pitch = table[:, 2].astype(np.int64)
    return Notes(onset, offset, onset * 2, offset * 2, *ticks, pitch, np.full(len(pitch), 80))


@pytest.mark.parametrize(("instrument", "name"), [(i, n) for i, names in SCORE_NAMES.items() for n in names.split("|")])
def test_names_in_four_languages(instrument: str, name: str) -> None:
    found, why = instrument_of(None, name, channel=1, notes=no_notes())
    assert found.name == instrument
    assert "name" in why


@pytest.mark.parametrize("program", range(128))
def test_each_program_is_shaped_or_not_by_default(program: int) -> None:
    found, _ = instrument_of(program, "", channel=1, notes=no_notes())
    assert (found.kind == "sustained") == (program in SHAPED)


def test_vibrato_is_written_by_default_only_where_players_shape_it() -> None:
    vibrato = {p for p in SHAPED if INSTRUMENTS[PROGRAM_INSTRUMENT[p]].vibrato}
    strings, voices, winds = {*range(40, 45), 48, 49, 110}, {52, 53}, {64, 65, 66, 67, 68, 70, 73}
    assert vibrato == strings | voices | winds
    for name in ("Clarinet", "Horn", "Trumpet", "Tuba", "Cor anglais", "Recorder", "Harp"):
        assert not instrument_of(None, name, channel=1, notes=no_notes())[0].vibrato


def test_the_table_is_whole() -> None:
    assert len(PROGRAM_INSTRUMENT) == 128
    named = {*_NAMES, *(i for candidates in _OPEN.values() for i in candidates)}
    assert named <= set(INSTRUMENTS)
    for instrument in INSTRUMENTS.values():
        assert instrument.family in FAMILIES
        assert instrument.kind in PART_KINDS
        assert 0 <= instrument.low < instrument.high <= 127


def test_a_name_wins_over_the_program_that_an_export_sends_for_everything() -> None:
    assert instrument_of(0, "Violins I", channel=1, notes=no_notes())[0].name == "violin"
    assert instrument_of(48, "Harp", channel=1, notes=no_notes())[0].kind == "decaying"
    assert instrument_of(50, "Strings", channel=1, notes=no_notes())[0].kind == "sustained"
    assert instrument_of(32, "Kontrabass", channel=1, notes=no_notes())[0].name == "double bass"


def test_words_that_mean_many_things_yield_to_the_program() -> None:
    assert instrument_of(0, "Voice 2", channel=1, notes=no_notes())[0].name == "piano"
    assert instrument_of(None, "Voice 2", channel=1, notes=no_notes())[0].family == "voice"


def test_channel_10_is_percussion_unless_the_name_says_otherwise() -> None:
    assert instrument_of(48, "Track 3", channel=10, notes=no_notes())[0].kind == "percussive"
    assert instrument_of(None, "Violas", channel=10, notes=no_notes())[0].name == "viola"
    assert instrument_of(None, "Track 3", channel=11, notes=notes([(0, 1, 60)]))[0].family == "unknown"


@pytest.mark.parametrize(
    ("name", "program", "neighbours", "expected"),
    [
        ("Bass", None, ("Soprano", "Alto", "Tenor", "Bass"), "bass"),
        ("Bass", None, ("Violin", "Viola", "Cello", "Bass"), "double bass"),
        ("Bass", 33, ("Guitar", "Bass", "Drums"), "bass guitar"),
        ("Bass", 53, (), "bass"),
        ("Bass", 43, (), "double bass"),
        ("Alto", None, ("Soprano", "Alto", "Tenor", "Bass"), "alto"),
        ("Altos", None, ("Violons", "Altos", "Violoncelles"), "viola"),
        ("Alto", 41, (), "viola"),
        ("Alto", 65, (), "alto saxophone"),
        ("Tenor", 66, (), "tenor saxophone"),
        ("Sax", 67, (), "baritone saxophone"),
        ("Kl.", 0, (), "piano"),
        ("Kl.", 71, (), "clarinet"),
    ],
)
def test_open_names_are_settled_by_program_and_neighbours(
    name: str, program: int | None, neighbours: tuple[str, ...], expected: str
) -> None:
    assert instrument_of(program, name, channel=1, notes=no_notes(), neighbours=neighbours)[0].name == expected


@pytest.mark.parametrize(
    ("name", "solo"),
    [
        ("Violins I", False),
        ("Violin I", False),
        ("Solo Violin", True),
        ("Violin I solo", True),
        ("Flute", True),
        ("2. Flöte", True),
        ("Flute 2", True),
        ("2 Flöten", False),
        ("Flutes a 2", False),
        ("Horn in F", True),
        ("Horns a4", False),
        ("4 Horns", False),
        ("Corni", False),
        ("Horn section", False),
        ("Soprano", False),
        ("Soprano solo", True),
        ("Choir", False),
    ],
)
def test_one_player_or_a_section(name: str, solo: bool) -> None:
    orchestra = ("Flute", "Horn", "Violins I", "Violins II", "Violas", "Celli", "Basses", name)
    assert instrument_of(None, name, channel=1, notes=no_notes(), neighbours=orchestra)[0].solo is solo


def test_four_string_players_alone_are_soloists() -> None:
    quartet = ("Violin I", "Violin II", "Viola", "Cello")
    assert all(instrument_of(None, n, channel=1, notes=no_notes(), neighbours=quartet)[0].solo for n in quartet)
    sections = ("Violins I", "Violins II", "Violas", "Cellos")
    assert not any(instrument_of(None, n, channel=1, notes=no_notes(), neighbours=sections)[0].solo for n in sections)


def test_without_name_and_program_the_notes_decide() -> None:
    held = notes([(i * 1.0, 1.0, 60 + i) for i in range(8)])
    fast_legato = notes([(i * 0.2, 0.2, 60 + i) for i in range(8)])
    dry = notes([(i * 0.5, 0.1, 60 + i) for i in range(8)])
    wide = notes([(i * 1.0, 1.0, p) for i in range(8) for p in (84, 60, 36)])
    kinds = [instrument_of(None, "Track 1", channel=1, notes=n)[0].kind for n in (held, fast_legato, dry, wide)]
    assert kinds == ["sustained", "sustained", "decaying", "decaying"]


def test_names_are_cut_into_words_at_marks_digits_and_capitals() -> None:
    assert name_words("VlnI_Spicc-2 Flöte") == ("vln", "i", "spicc", "2", "flote")
    assert read_name("").candidates == ()
    assert read_name("Flutes a ➁").candidates == read_name("Flutes a ፪").candidates == ("flute",)  # digits, no numbers
    assert read_name("Track 5").candidates == ()
