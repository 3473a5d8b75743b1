"""A MIDI file to a cue: tempo, marks, parts."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from phrasewright.data.cue import Cue, Mark, Part, Passage
from phrasewright.data.curves import DEFAULT_CC, LANES, Curve
from phrasewright.data.errors import InputError
from phrasewright.data.instruments import instrument_of
from phrasewright.data.midi import TEXT_TYPES, MidiFile, Track, meta_messages, meta_text, read_midi
from phrasewright.data.notes import Notes
from phrasewright.data.pairing import channels_with_notes, pair_notes
from phrasewright.data.tempo import TempoMap, smpte_map, tempo_map

_TRACK_NAME, _TEMPO, _METRE = 0x03, 0x51, 0x58


def read_cue(path: Path) -> Cue:
    """Read a cue.

    Raises
    ------
    InputError
        As `read_midi`, and where the file holds no notes.
    """
    midi = read_midi(path)
    tempo = read_tempo(midi)
    parts = []
    for i, track in enumerate(midi.tracks):
        channels = channels_with_notes(track)
        title = next((text for _, text in meta_text(midi, i, (_TRACK_NAME,)) if text), f"Track {i + 1}")
        for channel in channels:
            name = title if len(channels) == 1 else f"{title} (channel {channel + 1})"
            parts.append(_read_part(track, i, channel, name, len(parts) + 1, tempo))
    if not parts:
        raise InputError(f"{path}: holds no notes; export the parts, not only the tempo track")
    end_tick = max(track.end_tick for track in midi.tracks)
    marks = [
        Mark(tick, float(tempo.tick_to_s(tick)), i + 1, text)
        for i in range(len(midi.tracks))
        for tick, text in meta_text(midi, i, TEXT_TYPES)
    ]
    return Cue(
        path=path,
        midi=midi,
        tempo=tempo,
        parts=tuple(parts),
        marks=tuple(sorted(marks, key=lambda mark: (mark.tick, mark.track))),
        duration_s=float(tempo.tick_to_s(end_tick)),
        n_bars=int(np.ceil(tempo.tick_to_bar(end_tick) - 1 - 1e-9)) if tempo.has_metre else None,
    )


def read_tempo(midi: MidiFile) -> TempoMap:
    """Tempo and metre of all tracks together; later tracks win where two change at one tick."""
    if midi.ticks_per_s is not None:
        return smpte_map(midi.ticks_per_s)
    assert midi.ticks_per_beat is not None
    tempi, metres = [], []
    for i in range(len(midi.tracks)):
        tempi += [(tick, m.tempo) for tick, m in meta_messages(midi, i, (_TEMPO,)) if m.tempo > 0]
        metres += [(tick, m.numerator, m.denominator) for tick, m in meta_messages(midi, i, (_METRE,)) if m.numerator > 0]
    return tempo_map(tempi, metres, ticks_per_beat=midi.ticks_per_beat)


def _read_part(track: Track, track_index: int, channel: int, name: str, index: int, tempo: TempoMap) -> Part:
    notes = pair_notes(track, channel, tempo)
    sent = (track.status == (0xC0 | channel)) & (track.tick <= notes.onset_tick[0])
    program = int(track.data1[sent][-1]) if np.any(sent) else None
    instrument, why = instrument_of(program, name, channel=channel + 1, notes=notes)
    shaped = instrument.kind == "sustained"
    lanes = [lane for lane in LANES if lane != "vibrato" or instrument.vibrato] if shaped else []
    end_s = float(notes.offset_s.max())
    return Part(
        index=index,
        name=name,
        track=track_index + 1,
        channel=channel + 1,
        program=program,
        instrument=instrument,
        kind=instrument.kind,
        why=why,
        notes=notes,
        switches=notes.take(np.zeros(notes.n_notes, dtype=bool)),
        passages=(Passage("sustained" if shaped else "decaying", 0.0, end_s, why),),
        existing=_existing(track, channel, tempo),
        lane_cc={lane: DEFAULT_CC[lane] for lane in lanes},
        group=index,
    )


def _existing(track: Track, channel: int, tempo: TempoMap) -> dict[int, Curve]:
    mine = track.status == (0xB0 | channel)
    return {
        cc: Curve(tempo.tick_to_s(track.tick[mine & (track.data1 == cc)]), track.data2[mine & (track.data1 == cc)] * 1.0)
        for cc in DEFAULT_CC.values()
    }
