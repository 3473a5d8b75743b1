"""Shaped files as other programs read them.

Sources: pretty_midi (Raffel and Ellis 2014, ISMIR late-breaking), symusic (Liao et al. 2024) and mido, each an
independent reader of Standard MIDI Files.
"""

from __future__ import annotations

import io
import sys
import warnings
from pathlib import Path

import mido
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from shaped_cues import one_track, orchestra

from phrasewright.data.midi import split_midi
from phrasewright.data.reading import read_cue
from phrasewright.inference.shaping import ShapeOptions, shape_cue


@pytest.fixture(scope="module", params=[orchestra, one_track])
def shaped(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("shaped")
    before, after = request.param(folder / "before.mid"), folder / "after.mid"
    after.write_bytes(shape_cue(before, ShapeOptions(baseline=True)).content)
    return before, after


def own_lanes(path: Path) -> dict[tuple[int, int, int], list[tuple[int, int]]]:
    """(tick, value) of every event by (track, channel, controller), as this project reads the file."""
    lanes: dict[tuple[int, int, int], list[tuple[int, int]]] = {}
    for i, t in enumerate(split_midi(path.read_bytes(), name=str(path)).tracks):
        for tick, status, cc, value in zip(t.tick, t.status, t.data1, t.data2, strict=True):
            if status & 0xF0 == 0xB0:
                lanes.setdefault((i, int(status & 0x0F), int(cc)), []).append((int(tick), int(value)))
    return lanes


def test_mido_reads_the_same_lanes(shaped: tuple[Path, Path]) -> None:
    lanes: dict[tuple[int, int, int], list[tuple[int, int]]] = {}
    for i, t in enumerate(mido.MidiFile(file=io.BytesIO(shaped[1].read_bytes())).tracks):
        now = 0
        for message in t:
            now += message.time
            if message.type == "control_change":
                lanes.setdefault((i, message.channel, message.control), []).append((now, message.value))
    assert lanes == own_lanes(shaped[1])
    assert sum(len(events) for events in lanes.values()) > 500


def test_pretty_midi_reads_the_same_notes_and_lanes(shaped: tuple[Path, Path]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pretty_midi

        before, after = (pretty_midi.PrettyMIDI(str(path)) for path in shaped)
    tempo = read_cue(shaped[1]).tempo
    for left, right in zip(before.instruments, after.instruments, strict=True):
        assert [(n.start, n.end, n.pitch, n.velocity) for n in left.notes] == [
            (n.start, n.end, n.pitch, n.velocity) for n in right.notes
        ]
    read = sorted((c.number, round(c.time, 6), c.value) for i in after.instruments for c in i.control_changes)
    own = sorted(
        (cc, round(float(tempo.tick_to_s(tick)), 6), value)
        for (_, _, cc), events in own_lanes(shaped[1]).items()
        for tick, value in events
    )
    assert [(cc, value) for cc, _, value in read] == [(cc, value) for cc, _, value in own]
    assert np.allclose([at for _, at, _ in read], [at for _, at, _ in own], atol=2e-6)


def test_symusic_reads_the_same_notes_and_lanes(shaped: tuple[Path, Path]) -> None:
    symusic = pytest.importorskip("symusic")
    before, after = (symusic.Score(str(path)) for path in shaped)
    left = sorted((n.time, n.duration, n.pitch, n.velocity) for t in before.tracks for n in t.notes)
    right = sorted((n.time, n.duration, n.pitch, n.velocity) for t in after.tracks for n in t.notes)
    assert left == right
    read = sorted((c.number, c.time, c.value) for t in after.tracks for c in t.controls)
    own = sorted((cc, tick, value) for (_, _, cc), events in own_lanes(shaped[1]).items() for tick, value in events)
    assert read == own
