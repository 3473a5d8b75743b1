"""Cues with dynamic marks and tables of loudness, for tests: two lines over a conductor's track."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from midi_bytes import number
from shaped_cues import Event, note, program, track, write

from phrasewright.data.cue import Cue
from phrasewright.data.plan import Plan, read_plan
from phrasewright.data.reading import read_cue
from phrasewright.model.hearing import CueHearing
from phrasewright.model.listening import hear

BEAT, BAR = 480, 1920
BAR_S = 2.0
PHRASE = (67, 69, 71, 72, 74, 72, 71, 69)
KINDS = {"text": 1, "lyric": 5, "marker": 6, "cue": 7}
Words = Sequence[tuple[float, str]]
"""(bar, text), bars counted from 1"""


def words(marks: Words, *, kind: str = "text") -> list[Event]:
    """Marks as events."""
    events = []
    for bar, text in marks:
        raw = text.encode()
        events.append((round((bar - 1) * BAR), bytes((0xFF, KINDS[kind])) + number(len(raw)) + raw))
    return events


def phrases(n: int, *, transpose: int = 0, channel: int = 0, velocity: int = 72) -> list[Event]:
    """A phrase of two bars `n` times, each joined note by note, the last note a beat shorter."""
    events: list[Event] = []
    for k in range(n):
        for i, pitch in enumerate(PHRASE):
            length = BEAT // 2 if i == len(PHRASE) - 1 else BEAT
            events += note(
                2 * k * BAR + i * BEAT, length, pitch + transpose + k % 3, velocity=velocity, channel=channel
            )
    return events


def marked_file(
    path: Path,
    *,
    n: int = 8,
    conductor: Words = (),
    markers: Words = (),
    violin: Words = (),
    cello: Words = (),
    names: tuple[str, str] = ("Violin", "Cello"),
    extra: Mapping[int, Sequence[Event]] | None = None,
) -> Path:
    """A violin and a cello in octaves, `n` phrases of two bars at 120, with marks in the tracks."""
    extra = extra or {}
    return write(
        path,
        track("Score", words(conductor) + words(markers, kind="marker"), end=2 * n * BAR),
        track(names[0], [program(0, 40), *words(violin), *phrases(n), *extra.get(1, ())]),
        track(names[1], [program(0, 42, channel=1), *words(cello), *phrases(n, transpose=-24, channel=1)]),
    )


def marked_cue(**marks: object) -> Cue:
    """The same, read."""
    with tempfile.TemporaryDirectory() as folder:
        return read_cue(marked_file(Path(folder) / "cue.mid", **marks))  # type: ignore[arg-type]


def table(cue: Cue, *rows: str) -> Plan:
    """The plan of a cue from the rows of a table under its usual header."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.csv"
        path.write_text("\n".join(["bar,level,parts,ramp", *rows]) + "\n", encoding="utf-8")
        return read_plan(path, cue)


def planned(*rows: str, n: int = 8) -> CueHearing:
    """The two lines heard with a table."""
    cue = marked_cue(n=n)
    return hear(cue, plan=table(cue, *rows))
