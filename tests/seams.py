"""Random spans of real cues shaped again, and what can be heard at their edges: `python tests/seams.py [--spans N]`.

A checker apart from the project's code: it splits files by itself and knows only what was promised. Outside the span
every message keeps tick and bytes and every controller its value; at the span's last tick the earlier value stands
again, the new curve having come within four steps of it; notes that cross an edge keep their old lane. Cues are the
demo's and quartet movements by Haydn and Mozart from music21's corpus: bare, with lanes drawn over some phrases, and
with all lanes. Prints what was broken, and steps and slopes at the edges.
"""

from __future__ import annotations

import argparse
import tempfile
from bisect import bisect_right
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from midi_bytes import Message, track_of, tracks_of

from phrasewright.data.cue import Cue
from phrasewright.data.plan import Plan
from phrasewright.inference import shaping
from phrasewright.inference.shaping import Chosen, ShapeOptions, shape_cue
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes
from phrasewright.model.listening import hear
from phrasewright.model.rules import rules_lanes

LANE_CC = (1, 2, 11)
QUARTETS = ("haydn/opus74no1/movement2", "mozart/k458/movement3")
PLAYERS = (("Violin I", 40), ("Violin II", 40), ("Viola", 41), ("Cello", 42))
QUARTET_BEATS = 180
MODES = ("keep", "replace", "blend")


@dataclass(frozen=True)
class Sheet:
    """A file split apart: messages by track, seconds at ticks, bars."""

    division: int
    tracks: list[list[Message]]
    tempo: list[tuple[int, float, float]]
    bars: list[int]

    def seconds(self, tick: float) -> float:
        at, second, each = self.tempo[bisect_right(self.tempo, tick, key=lambda row: row[0]) - 1]
        return second + (tick - at) * each


def sheet(content: bytes) -> Sheet:
    """Split a type 0 or 1 file; notes, controllers and metas with their bytes, running status spelt out."""
    division, tracks = int.from_bytes(content[12:14], "big"), tracks_of(content)
    changes, metres = {0: 500_000}, {0: (4, 4)}
    for track in tracks:
        for tick, m in track:
            if m[:2] == b"\xff\x51":
                changes[tick] = int.from_bytes(m[2:5], "big")
            if m[:2] == b"\xff\x58":
                metres[tick] = (m[2], 2 ** m[3])
    tempo, second, before = [], 0.0, (0, 0.0)
    for tick, us in sorted(changes.items()):
        second += (tick - before[0]) * before[1]
        before = tick, us / 1e6 / division
        tempo.append((tick, second, before[1]))
    end = max(track[-1][0] for track in tracks)
    bars, tick = [], 0
    marks = sorted(metres)
    while tick < end:
        bars.append(tick)
        numerator, denominator = metres[max(m for m in marks if m <= tick)]
        step = tick + division * 4 * numerator // denominator
        tick = min([m for m in marks if tick < m < step], default=step)
    return Sheet(division, tracks, tempo, [*bars, tick])


@dataclass
class Findings:
    """What was broken, counted by kind with one example each, and what was measured at the edges."""

    broken: Counter[str] = field(default_factory=Counter)
    example: dict[str, str] = field(default_factory=dict)
    step: dict[str, list[int]] = field(default_factory=lambda: {"start": [], "end": []})
    slope: dict[str, list[float]] = field(default_factory=lambda: {"start": [], "end": [], "within": []})
    n_lanes: int = 0
    n_spans: int = 0

    def say(self, kind: str, where: str) -> None:
        self.broken[kind] += 1
        self.example.setdefault(kind, where)


Notes = list[tuple[int, int]]


@dataclass(frozen=True)
class Lane:
    """A controller's events in order."""

    tick: list[int]
    value: list[int]

    def held(self, tick: int) -> int | None:
        """The value at a tick, events on it included."""
        i = bisect_right(self.tick, tick)
        return self.value[i - 1] if i else None


def notes_of(track: list[Message]) -> dict[int, Notes]:
    """(onset, offset) of the notes by channel, first on first off; the lowest two octaves select articulations."""
    sounding: dict[tuple[int, int], list[int]] = {}
    out: dict[int, Notes] = {}
    for tick, m in track:
        if m[0] & 0xE0 != 0x80 or m[1] < 24:
            continue
        key = m[0] & 0x0F, m[1]
        if m[0] & 0x10 and m[2]:
            sounding.setdefault(key, []).append(tick)
        elif sounding.get(key):
            out.setdefault(key[0], []).append((sounding[key].pop(0), tick))
    return {channel: sorted(notes) for channel, notes in out.items()}


def lane_of(track: list[Message], channel: int, cc: int) -> Lane:
    rows = [(tick, m[2]) for tick, m in track if m[0] == 0xB0 | channel and m[1] == cc]
    return Lane([tick for tick, _ in rows], [value for _, value in rows])


def check(before: Sheet, after: Sheet, start: int, end: int, found: Findings, where: str) -> None:
    """Compare a file with the same file shaped from tick `start` to before `end`; `end` may lie behind the music."""
    found.n_spans += 1
    for number, (old, new) in enumerate(zip(before.tracks, after.tracks, strict=True)):
        tail = () if end < before.bars[-1] else LANE_CC  # behind the last bar lanes return to their start value
        if _apart(old, start, end, ()) != _apart(new, start, end, tail):
            found.say("message outside changed", f"{where} track {number}")
        if _no_lane(old) != _no_lane(new):
            found.say("message that is no lane changed", f"{where} track {number}")
        for channel, notes in notes_of(old).items() if old != new else ():
            for cc in LANE_CC:
                a, b = lane_of(old, channel, cc), lane_of(new, channel, cc)
                if a != b:
                    found.n_lanes += 1
                    _check_lane(before, notes, a, b, start, end, found, f"{where} track {number} cc {cc}")


def _apart(track: list[Message], start: int, end: int, tail: tuple[int, ...]) -> list[Message]:
    """What stands outside the span, but for the end of the track, and behind it but for some controllers."""
    out = [m for m in track if not start <= m[0] < end and m[1][:2] != b"\xff\x2f"]
    return [m for m in out if not (m[0] >= end and m[1][0] & 0xF0 == 0xB0 and m[1][1] in tail)]


def _no_lane(track: list[Message]) -> list[Message]:
    def lane(m: bytes) -> bool:
        return m[0] & 0xF0 == 0xB0 and m[1] % 32 in LANE_CC

    return [m for m in track if not lane(m[1]) and m[1][:2] != b"\xff\x2f"]


def _check_lane(
    file: Sheet, notes: Notes, old: Lane, new: Lane, start: int, end: int, found: Findings, where: str
) -> None:
    open_end = end >= file.bars[-1]
    first = new.value[0] if new.value else None
    if new.held(start - 1) != old.held(start - 1):
        found.say("another value before the span", where)
    if not open_end:
        earlier = old.held(end - 1)
        want = {earlier} if earlier is not None else {first, *old.value[:1]}  # or where a hand's phrase will begin
        if new.held(end - 1) not in want:
            found.say("earlier value not restated at the last tick", f"{where}: {new.held(end - 1)} for {want}")
    into = [off for on, off in notes if on < start < off]
    out_of = []
    for on, off in notes:
        over_s = file.seconds(off) - file.seconds(end)
        join = over_s < 0.15 and over_s < (file.seconds(off) - file.seconds(on)) / 3
        if on < end < off and not join and not open_end:
            out_of.append(on)
    begin, stop = max([start, *into]), end if open_end else min([end - 1, *out_of])
    for low, high, name in ((start, begin, "into"), (stop, end, "out of")):
        ticks = {t for t in old.tick + new.tick if low <= t < high} | {low}
        if high > low and any(new.held(t) != old.held(t) for t in ticks if old.held(t) is not None):
            found.say(f"note {name} the span lost its lane", where)
    if begin >= stop:
        return
    # the edges: where the new curve begins and where the old value comes back
    edges = {"start": begin, "end": stop}
    for name, tick in edges.items():
        if name == "end" and (open_end or not any(on < stop <= off for on, off in notes)):
            continue
        if name == "start" and not any(on <= begin - 1 < off for on, off in notes):
            continue
        a, b = new.held(tick - 1), new.held(tick)
        if name == "start":  # joined lines: the note that begins here is the first with a new curve
            b = new.held(tick + round(0.03 / (file.seconds(tick + 1) - file.seconds(tick))))
        if a is not None and b is not None:
            found.step[name].append(abs(a - b))
            found.slope[name].append(_slope(file, new, tick))
            most = 4 if name == "end" else 6  # where the new curve sets out it may move as anywhere
            if abs(a - b) > most:
                found.say(f"step over {most} at the {name}", f"{where}: {a} to {b} at {tick} of {start}..{end}")
    for tick in range(begin, stop, max((stop - begin) // 20, 1)):
        found.slope["within"].append(_slope(file, new, tick))
    tick, value = np.array(new.tick), np.array(new.value)
    own = np.isin(tick * 128 + value, np.array(old.tick) * 128 + np.array(old.value))
    onset, offset = np.array(notes).T  # (n_notes,) each
    sounding = ((onset < tick[:, None]) & (offset > tick[:, None])).any(axis=1)
    wide = np.r_[False, np.abs(np.diff(value)) > 12] & sounding & ~own & (tick >= begin) & (tick < end)
    for i in np.flatnonzero(wide).tolist():
        found.say("step over 12 inside a note", f"{where}: {value[i - 1]} to {value[i]} at {tick[i]} of {start}..{end}")
    times = np.array([file.seconds(t) for t in new.tick])
    crowded = times[60:] - times[:-60] < 1.0 - 1e-9
    mine = np.r_[0, np.cumsum(~own & (tick >= start) & (tick < end))]
    if np.any(crowded & (mine[61:] - mine[: len(crowded)] > 10)):
        found.say("over 60 events in a second", where)


def _slope(file: Sheet, lane: Lane, tick: int) -> float:
    """Steps a second over .1 s about a tick."""
    each = file.seconds(tick + 1) - file.seconds(tick)
    span = max(round(0.05 / each), 1)
    a, b = lane.held(tick - span), lane.held(tick + span)
    return 0.0 if a is None or b is None else abs(a - b) / (2 * span * each)


def drawn_over(content: bytes, seed: int) -> bytes:
    """The file with lanes drawn over some stretches of every part, by waves that share nothing with the rules."""
    random = np.random.default_rng(seed)
    out = []
    for messages in tracks_of(content):
        channels = {m[0] & 0x0F for _, m in messages if m[0] & 0xF0 == 0x90}
        rows = [(tick, 1, m) for tick, m in messages]
        last = messages[-1][0]
        for channel in sorted(channels):
            for cc in (1, 11):
                tick = int(random.integers(0, last // 4 + 1))
                while tick < last:
                    every, centre = int(random.choice([40, 120, 240])), float(random.uniform(40, 100))
                    depth, period = float(random.uniform(3, 30)), float(random.uniform(1000, 9000))
                    stretch = tick + int(random.integers(1000, 20000))
                    for t in range(tick, min(stretch, last), every):
                        value = round(centre + depth * np.sin(2 * np.pi * (t - tick) / period))
                        rows.append((t, 0, bytes((0xB0 | channel, cc, min(max(value, 0), 127)))))
                    tick = stretch + int(random.integers(2000, 30000))
        rows.sort(key=lambda row: (row[0], row[2][:2] == b"\xff\x2f", row[1]))
        out.append(track_of([(tick, m) for tick, _, m in rows]))
    return content[:14] + b"".join(out)


def demo_material(names: Sequence[str] = ()) -> dict[str, bytes]:
    """The demo's cues by name, bare; all without names."""
    from phrasewright.data.demo_cues import demo_names, write_demo

    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for name in names or demo_names():
            write_demo(name, Path(folder, "cue.mid"))
            found[name] = Path(folder, "cue.mid").read_bytes()
    return found


def quartet_material() -> dict[str, bytes]:
    """Two minutes each of movements of quartets."""
    from phrasewright.training.corpus import cue_of, read_score
    from phrasewright.training.textures import Line, Sketch

    found = {}
    for name in QUARTETS:
        score = read_score(name)
        lines = tuple(
            Line(player, program, tuple((at, beats, pitch, 80) for at, beats, pitch, _ in rows if at < QUARTET_BEATS))
            for (player, program), rows in zip(PLAYERS, score.lines, strict=False)
        )
        found[name.replace("/", "-")] = cue_of(Sketch(lines, ((0.0, 90.0),), score.metre)).midi.content
    return found


def spans(material: Mapping[str, bytes], *, n_spans: int, folder: Path, seed: int = 0) -> Findings:
    """Shape random spans of each cue bare, drawn over and shaped by the rules, and check each."""
    random = np.random.default_rng(seed)
    hearings: dict[tuple[object, ...], CueHearing] = {}
    lanes: dict[tuple[int, int], DenseLanes] = {}

    def heard_once(cue: Cue, *, plan: Plan | None = None) -> CueHearing:
        key = cue.path, cue.midi.content
        if key not in hearings:
            hearings[key] = hear(cue, plan=plan)
        return hearings[key]

    def predicted_once(hearing: CueHearing, index: int) -> DenseLanes:
        key = id(hearing), index
        if key not in lanes:
            lanes[key] = rules_lanes(hearing, index)
        return lanes[key]

    def shaped(path: Path, options: ShapeOptions) -> bytes:
        return shape_cue(path, options, chosen_by=Chosen(predicted_once, "rules")).content

    found = Findings()
    plain, shaping.hear = shaping.hear, heard_once  # each cue is heard once
    try:
        files = {}
        for name, content in material.items():
            for kind in ("bare", "drawn", "shaped"):
                path = folder / f"{name}-{kind}.mid"
                path.write_bytes(drawn_over(content, len(files)) if kind == "drawn" else content)
                if kind == "shaped":
                    path.write_bytes(shaped(path, ShapeOptions(baseline=True)))
                files[path] = sheet(path.read_bytes())
        for _ in range(n_spans):
            path = list(files)[int(random.integers(len(files)))]
            before = files[path]
            n_bars = len(before.bars) - 1
            first = int(random.integers(1, n_bars))
            last = min(first + int(random.integers(0, 9)), n_bars)
            mode = MODES[int(random.integers(3))]
            names = [str(i + 1) for i in range(4)]
            parts = tuple(names[: int(random.integers(1, 5))]) if random.random() < 0.5 else None
            options = ShapeOptions(baseline=True, bars=(first, last), existing=mode, parts=parts)
            after = sheet(shaped(path, options))
            where = f"{path.stem} bars {first}-{last} {mode} parts {parts}"
            check(before, after, before.bars[first - 1], before.bars[last], found, where)
    finally:
        shaping.hear = plain
    return found


def told(found: Findings) -> str:
    """The findings for people."""
    lines = [f"{found.n_spans} spans, {found.n_lanes} lanes written anew"]
    lines += [f"{kind}: {n}, such as {found.example[kind]}" for kind, n in found.broken.most_common()]
    lines += [] if found.broken else ["nothing broken"]
    for name, steps in found.step.items():
        lines.append(f"step at the {name}: n {len(steps)}, " + _quantiles(steps) + " steps")
    for name, slopes in found.slope.items():
        lines.append(f"slope {name}: " + _quantiles(slopes) + " steps a second")
    return "\n".join(lines)


def _quantiles(values: list[int] | list[float]) -> str:
    if not values:
        return "none"
    middle, high, most = np.quantile(values, [0.5, 0.95, 1.0]).tolist()
    return f"median {middle:.0f}, 95 % {high:.0f}, most {most:.0f}"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--spans", type=int, default=200)
    arguments.add_argument("--seed", type=int, default=0)
    chosen = arguments.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        material = demo_material() | quartet_material()
        print(told(spans(material, n_spans=chosen.spans, folder=Path(folder), seed=chosen.seed)))


if __name__ == "__main__":
    main()
