"""A MIDI file to a cue: tempo, marks, parts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Delays, Instrument, Mark, Part
from phrasewright.data.curves import DEFAULT_CC, LANES, Curve
from phrasewright.data.errors import InputError
from phrasewright.data.instrument_names import read_name
from phrasewright.data.instruments import (
    INSTRUMENTS,
    PERCUSSION_CHANNEL,
    PIZZICATO_PROGRAM,
    PROGRAM_INSTRUMENT,
    instrument_of,
)
from phrasewright.data.midi import TEXT_TYPES, MidiFile, Track, meta_messages, meta_text, port_of, read_midi
from phrasewright.data.notes import Notes, channels_with_notes, pair_notes
from phrasewright.data.passages import (
    articulation_words,
    base_words,
    passages_of,
    program_at,
    programs_played,
    switch_mask,
)
from phrasewright.data.profiles import Profile, ProfileEntry
from phrasewright.data.tempo import TempoMap, smpte_map, tempo_map

MAX_DURATION_S = 3 * 3600
MAX_BEATS, MAX_BARS, MAX_PARTS, MAX_NOTES = 200_000, 200_000, 1_000, 1_000_000
MAX_SOUNDING, MIN_TEMPO_US = 512, 1_000
"""Beyond these a file is damaged or not music; what is drawn takes memory in proportion to length, beats and parts."""

_TEXT, _LYRIC, _TRACK_NAME, _INSTRUMENT_NAME, _TEMPO, _METRE = 0x01, 0x05, 0x03, 0x04, 0x51, 0x58
MARK_KINDS = dict(zip(TEXT_TYPES, ("text", "lyric", "marker", "cue"), strict=True))
_MAX_DENOMINATOR = 64
_MOVING_CHANGES, _MOVING_STEPS = 3, 6
_BREATH_REMARK = (
    "controller 2 moves and controller 1 does not: controller 2 is taken as its dynamics and kept, "
    "and no vibrato lane is written"
)


@dataclass(frozen=True)
class _Source:
    """One channel of one track that holds notes, before it is a part. `track` and `channel` count from 0."""

    track: int
    channel: int
    title: str
    name: str
    notes: Notes
    programs: tuple[tuple[int, int], ...]
    texts: tuple[tuple[int, str], ...]
    port: int
    alone: bool

    @property
    def program(self) -> int | None:
        """The program in force at the first note."""
        return program_at(self.programs, int(self.notes.onset_tick[0]))


def read_cue(path: Path, *, profile: Profile | None = None) -> Cue:
    """Read a cue.

    Parameters
    ----------
    profile : Profile, optional
        What the user's instruments answer to.

    Raises
    ------
    InputError
        As `read_midi`; where the file holds no notes, or more time, parts, notes or tempo than any cue.
    """
    return cue_of(read_midi(path), path=path, profile=profile)


def cue_of(midi: MidiFile, *, path: Path, profile: Profile | None = None) -> Cue:
    """The cue in a file that is split already; `path` stands in messages. Raises InputError as `read_cue` does."""
    tempo = read_tempo(midi)
    end_tick = max((track.end_tick for track in midi.tracks), default=0)
    duration_s = _checked_duration_s(midi, tempo, end_tick, path)
    sources = _with_lent_programs(_sources(midi, tempo), midi)
    if not sources:
        raise InputError(f"{path}: holds no notes; export the parts, not only the tempo track")
    for source in sources:
        _check_density(source, path)
    names = tuple(source.name for source in sources)
    parts = [
        _part(midi.tracks[source.track], source, i + 1, tempo=tempo, names=names, profile=profile)
        for i, source in enumerate(sources)
    ]
    remarks = [a + b for a, b in zip(_sharing(sources), _lanes_elsewhere(sources, midi), strict=True)]
    groups = _groups(sources, parts)
    marks = [
        Mark(tick, float(tempo.tick_to_s(tick)), i + 1, text, kind)
        for i in range(len(midi.tracks))
        for number, kind in MARK_KINDS.items()
        for tick, text in meta_text(midi, i, (number,))
        if text
    ]
    return Cue(
        path=path,
        midi=midi,
        tempo=tempo,
        parts=tuple(
            replace(part, group=group, remarks=part.remarks + shared)
            for part, group, shared in zip(parts, groups, remarks, strict=True)
        ),
        marks=tuple(sorted(marks, key=lambda mark: (mark.tick, mark.track))),
        duration_s=duration_s,
        n_bars=int(np.ceil(tempo.tick_to_bar(end_tick) - 1 - 1e-9)) if tempo.has_metre else None,
    )


def _checked_duration_s(midi: MidiFile, tempo: TempoMap, end_tick: int, path: Path) -> float:
    """Length of the file in seconds. Raises InputError where length, tempo or number of parts are no cue's."""
    duration_s, n_beats = float(tempo.tick_to_s(end_tick)), float(tempo.tick_to_beat(end_tick))
    fastest = int(np.argmin(tempo.s_per_tick))
    us = float(tempo.s_per_tick[fastest] * tempo.ticks_per_beat * 1e6)
    n_bars = float(tempo.tick_to_bar(end_tick)) - 1.0
    n_on = [np.count_nonzero(((track.status & 0xF0) == 0x90) & (track.data2 > 0)) for track in midi.tracks]
    n_parts = sum(len(channels_with_notes(track)) for track, n in zip(midi.tracks, n_on, strict=True) if n)
    faults = (
        (duration_s > MAX_DURATION_S, f"lasts {duration_s / 3600:.1f} hours by its tempo; cues last at most "
         f"{MAX_DURATION_S // 3600}: check tempo and end of the export"),
        (tempo.has_metre and us < MIN_TEMPO_US, f"plays {60e6 / us:.0f} quarter notes a minute from tick "
         f"{tempo.tick[fastest]}, faster than any music; check the tempo of the export"),
        (tempo.has_metre and n_beats > MAX_BEATS, f"lasts {n_beats:.0f} quarter notes; cues last at most {MAX_BEATS}: "
         "check tempo and division of the export"),
        (tempo.has_metre and n_bars > MAX_BARS, f"has {n_bars:.0f} bars; cues have at most {MAX_BARS}: check metre"),
        (n_parts > MAX_PARTS, f"has {n_parts} parts with notes; cues have at most {MAX_PARTS}: export fewer tracks"),
        (sum(n_on) > MAX_NOTES, f"has {sum(n_on)} notes; cues have at most {MAX_NOTES}: export it in several files"),
    )  # fmt: skip
    told = next((text for at_fault, text in faults if at_fault), None)
    if told is not None:
        raise InputError(f"{path}: {told}")
    return duration_s


def _check_density(source: _Source, path: Path) -> None:
    """Refuse a part in which more notes sound at once than any instrument or section has keys for."""
    onset, offset = source.notes.onset_tick, np.sort(source.notes.offset_tick)
    sounding = np.arange(1, len(onset) + 1) - np.searchsorted(offset, onset, side="right")
    if sounding.max() > MAX_SOUNDING:
        raise InputError(
            f"{path}: {source.name} has {sounding.max()} notes sounding at once at tick {onset[np.argmax(sounding)]}; "
            "a channel has 128 keys: check for missing note-offs"
        )


def read_tempo(midi: MidiFile) -> TempoMap:
    """Tempo and metre of all tracks together; later tracks win where two change at one tick.

    A tempo of 0 and metres that no score has (0 beats, shorter beats than 64ths) are passed over.
    """
    if midi.ticks_per_s is not None:
        return smpte_map(midi.ticks_per_s)
    assert midi.ticks_per_beat is not None
    tempi, metres = [], []
    for i in range(len(midi.tracks)):
        tempi += [(tick, m.tempo) for tick, m in meta_messages(midi, i, (_TEMPO,)) if m.tempo > 0]
        metres += [
            (tick, m.numerator, m.denominator)
            for tick, m in meta_messages(midi, i, (_METRE,))
            if m.numerator > 0 and m.denominator <= _MAX_DENOMINATOR
        ]
    return tempo_map(tempi, metres, ticks_per_beat=midi.ticks_per_beat)


def _sources(midi: MidiFile, tempo: TempoMap) -> list[_Source]:
    """Every channel of every track that holds notes, in file order."""
    found = []
    for i, track in enumerate(midi.tracks):
        channels = channels_with_notes(track)
        if not channels:
            continue
        title = next((text for _, text in meta_text(midi, i, (_TRACK_NAME,)) if text), "")
        instrument = next((text for _, text in meta_text(midi, i, (_INSTRUMENT_NAME,)) if text), "")
        named = title if read_name(title).candidates or not instrument else instrument
        texts = meta_text(midi, i, [kind for kind in TEXT_TYPES if kind != _LYRIC])
        alone = len(channels) == 1
        for channel in channels:
            shown = title or f"Track {i + 1}"
            found.append(
                _Source(
                    track=i,
                    channel=channel,
                    title=named,
                    name=shown if alone else f"{shown} (channel {channel + 1})",
                    notes=pair_notes(track, channel, tempo),
                    programs=_programs(track, channel),
                    texts=tuple(texts) if alone else (),  # with several channels nobody knows whom a text concerns
                    port=port_of(midi, i),
                    alone=alone,
                )
            )
    return found


def _programs(track: Track, channel: int) -> tuple[tuple[int, int], ...]:
    sent = track.status == (0xC0 | channel)
    return tuple(zip(track.tick[sent].tolist(), track.data1[sent].tolist(), strict=True))


def _with_lent_programs(sources: list[_Source], midi: MidiFile) -> list[_Source]:
    """A part without programs takes those of other tracks on its channel if no other part plays there."""
    players = Counter((source.port, source.channel) for source in sources)
    ports = [port_of(midi, i) for i in range(len(midi.tracks))]
    lent = []
    for source in sources:
        if not source.programs and players[source.port, source.channel] == 1:
            others = [
                change
                for track, port in zip(midi.tracks, ports, strict=True)
                if port == source.port
                for change in _programs(track, source.channel)
            ]
            source = replace(source, programs=tuple(sorted(others, key=lambda change: change[0])))
        lent.append(source)
    return lent


def _instrument(source: _Source, names: tuple[str, ...]) -> tuple[Instrument, str]:
    """The instrument and why. A track with several channels is named after the piece or a group: programs go first."""
    played = programs_played(source.programs, source.notes)
    shaped = [p for p in played if INSTRUMENTS[PROGRAM_INSTRUMENT[p]].kind == "sustained"]
    program = source.program
    if shaped and (program is None or program == PIZZICATO_PROGRAM or program not in shaped):
        program = shaped[0]  # a line that is also plucked, or a slot used by two instruments
    channel = source.channel + 1
    name = source.title if source.alone or (program is None and channel != PERCUSSION_CHANNEL) else ""
    return instrument_of(program, name, channel=channel, notes=source.notes, neighbours=names)


def _part(
    track: Track, source: _Source, index: int, *, tempo: TempoMap, names: tuple[str, ...], profile: Profile | None
) -> Part:
    instrument, why = _instrument(source, names)
    entry = profile.entry_for(source.name, instrument.name) if profile is not None else None
    profiled = entry.switches if entry is not None else None
    mask = switch_mask(source.notes, instrument, profiled=profiled)
    notes, switches = source.notes.take(~mask), source.notes.take(mask)

    kind = instrument.kind
    decided = entry is not None and entry.kind is not None
    if entry is not None and entry.kind is not None:
        kind, why = entry.kind, f'the profile\'s table "{entry.pattern}" says {entry.kind}'
    silenced = decided and kind != "sustained"
    passages = passages_of(
        notes,
        instrument,
        kind=kind,
        why=why,
        name=source.title if source.alone else "",
        programs=() if decided else source.programs,
        texts=() if silenced else source.texts,
        tempo=tempo,
        switches=switches if profiled is not None else None,
    )
    if silenced:
        passages = passages[:1] and (replace(passages[0], end_s=passages[-1].end_s),)
    elif instrument.family == "strings" or kind == "sustained":
        plays = [passage for passage in passages if passage.kind != "decaying"]
        kind = "sustained" if plays else "decaying"
        why = (plays or passages)[0].why if kind != instrument.kind else why

    lanes = _default_lanes(instrument, entry) if kind == "sustained" else {}
    existing = _existing(track, source.channel, tempo, {*DEFAULT_CC.values(), *lanes.values()})
    remarks: tuple[str, ...] = ()
    named = {} if entry is None else entry.lane_cc
    breath = DEFAULT_CC["vibrato"]
    open_ = "dynamics" not in named and "vibrato" not in named and breath not in named.values()
    if lanes and open_ and _moves(existing[breath]) and not _moves(existing[DEFAULT_CC["dynamics"]]):
        lanes = {"dynamics": breath, **{lane: cc for lane, cc in lanes.items() if lane not in ("dynamics", "vibrato")}}
        remarks = (_BREATH_REMARK,)
    return Part(
        index=index,
        name=source.name,
        track=source.track + 1,
        channel=source.channel + 1,
        program=source.program,
        instrument=instrument,
        kind=kind,
        why=why,
        notes=notes,
        switches=switches,
        passages=passages,
        existing=existing,
        lane_cc=lanes,
        lane_range=dict(entry.lane_range) if entry is not None and lanes else {},
        responses=dict(entry.responses) if entry is not None and lanes else {},
        delays=entry.delays if entry is not None else Delays(),
        group=index,
        remarks=remarks,
    )


def _default_lanes(instrument: Instrument, entry: ProfileEntry | None) -> dict[str, int]:
    default = tuple(lane for lane in LANES if lane != "vibrato" or instrument.vibrato)
    if entry is not None:
        return entry.lanes(default)
    return {lane: DEFAULT_CC[lane] for lane in default}


def _existing(track: Track, channel: int, tempo: TempoMap, controllers: set[int]) -> dict[int, Curve]:
    mine = track.status == (0xB0 | channel)
    tick, controller, value = track.tick[mine], track.data1[mine], track.data2[mine]
    return {
        cc: Curve(tempo.tick_to_s(tick[controller == cc]), value[controller == cc].astype(np.float64))
        for cc in sorted(controllers)
    }


def _moves(curve: Curve) -> bool:
    """Whether a lane changes three or more times over six or more steps."""
    value: NDArray[np.float64] = curve.value_cc
    if curve.n_points < _MOVING_CHANGES:
        return False
    return bool(np.count_nonzero(np.diff(value)) >= _MOVING_CHANGES and np.ptp(value) >= _MOVING_STEPS)


def _sharing(sources: Sequence[_Source]) -> list[tuple[str, ...]]:
    """For each part, a remark where other tracks use its channel: in one instrument slot their lanes would mix."""
    remarks: list[tuple[str, ...]] = []
    for i, source in enumerate(sources):
        others = [
            j + 1
            for j, other in enumerate(sources)
            if j != i and (other.port, other.channel) == (source.port, source.channel)
        ]
        if others:
            listed = f"part{'s' if len(others) > 1 else ''} {', '.join(map(str, others))}"
            text = (
                f"shares channel {source.channel + 1} with {listed}: it is shaped as an instrument of its own, but in "
                "one instrument slot each would obey the controllers of all; give each track its own slot or channel"
            )
            remarks.append((text,))
        else:
            remarks.append(())
    return remarks


def _lanes_elsewhere(sources: Sequence[_Source], midi: MidiFile) -> list[tuple[str, ...]]:
    """For each part, a remark where tracks without notes draw lanes on its channel: they go unseen."""
    playing = {source.track for source in sources}
    drawn: dict[int, list[int]] = {}
    for i, track in enumerate(midi.tracks):
        if i not in playing:
            lane = ((track.status & 0xF0) == 0xB0) & np.isin(track.data1, list(DEFAULT_CC.values()))
            for channel in np.unique(track.status[lane] & 0x0F).tolist():
                drawn.setdefault(channel, []).append(i + 1)
    return [
        (
            f"track {', '.join(map(str, drawn[source.channel]))} without notes draws controllers on channel "
            f"{source.channel + 1}: they are not taken as this part's; move them into its track",
        )
        if source.channel in drawn
        else ()
        for source in sources
    ]


def _groups(sources: Sequence[_Source], parts: Sequence[Part]) -> list[int]:
    """For each part the index of the first part of its instrument: tracks that one instrument's articulations were
    split to.

    Their names differ only in words for articulations, or are equal and their programs are different ways of bowing;
    two tracks with the same name and program are two players.
    """
    groups = [part.index for part in parts]
    families: dict[tuple[object, ...], dict[tuple[object, ...], int]] = {}
    for i, (source, part) in enumerate(zip(sources, parts, strict=True)):
        base = base_words(source.title)
        if not base or not read_name(" ".join(base)).candidates:
            continue
        bowing = part.program if part.instrument.family == "strings" else None
        manner = (articulation_words(source.title), bowing)
        members = families.setdefault((base, part.instrument.name), {})
        if members and manner not in members:
            groups[i] = groups[next(iter(members.values()))]
        members.setdefault(manner, i)
    return groups
