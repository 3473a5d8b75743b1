"""What the limits cost: lanes written as controller events and read back as they would sound.

The written lane is a staircase (`model/events.py`): steps, rates, entries and rests as every written file has them.

    python -m phrasewright.training.copying [--bytes]

prints, for the rules and the validation hands (noise-free) over three quartet movements, what writing alone leaves of
each: error, share of frames within one step where the hand moves slower than 100 steps a second, figures of life,
events a second.
With `--bytes`, the bytes of controller messages a minute of one line's three lanes beside lanes sampled 50 times a
second (every sample, and only those that change), and how far each is from the hand.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.data.tempo import TempoMap
from phrasewright.model.events import LaneRequest, gap_spans, gesture_spans, sound_of, step_limits, write_lanes
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, frame_times_s
from phrasewright.model.limits import sounding_frames
from phrasewright.model.rules import rules_lanes
from phrasewright.training.alive import life_of, pooled
from phrasewright.training.material import HANDS, hands_at, heard, validation_movements

Array = NDArray[np.float64]


Events = list[tuple[NDArray[np.int64], NDArray[np.int64]]]
"""(tick, value) of each lane's events."""
SAMPLED_S = 0.02
SLOW_CC_PER_S = 100.0


def written(hearing: CueHearing, index: int, value_cc: Array) -> Events:
    """The events of dense lanes, (n_frames, n_lanes) on the 10 ms grid."""
    heard, tempo = hearing.parts[index], hearing.cue.tempo
    notes = heard.part.notes
    limit_cc = step_limits(len(value_cc), gesture_s=gesture_spans(heard), gap_s=gap_spans(notes))
    none = np.zeros(0, dtype=np.int64)
    return write_lanes([LaneRequest(sound_of(notes), lane, limit_cc, (), none) for lane in value_cc.T], tempo)


def sampled(hearing: CueHearing, value_cc: Array, *, changes: bool) -> Events:
    """The same lanes sampled 50 times a second, as naively written: every sample, or only the `changes`."""
    frames = np.arange(0, len(value_cc), round(SAMPLED_S / FRAME_S))
    tick = np.asarray(hearing.cue.tempo.s_to_tick(frames * FRAME_S), dtype=np.int64)
    found: Events = []
    for lane in np.rint(value_cc[frames]).astype(np.int64).T:
        keep = np.r_[True, np.diff(lane) != 0] if changes else np.ones(len(lane), dtype=bool)
        found.append((tick[keep], lane[keep]))
    return found


def held_cc(events: Events, tempo: TempoMap, n_frames: int) -> Array:
    """What a device has at each frame of the 10 ms grid, shape (n_frames, n_lanes)."""
    out = np.zeros((n_frames, len(events)))
    for lane, (tick, level) in enumerate(events):
        at = np.searchsorted(tempo.tick_to_s(tick), frame_times_s(n_frames) + 1e-9, side="right") - 1
        out[:, lane] = level[np.maximum(at, 0)]
    return out


def message_bytes(events: Events) -> int:
    """Bytes of the lanes' messages in one track: times as variable lengths, three bytes each (no running status)."""
    gap = np.diff(np.sort(np.concatenate([tick for tick, _ in events])), prepend=0)
    return int((np.searchsorted([1 << 7, 1 << 14, 1 << 21], gap, side="right") + 1 + 3).sum())


@dataclass(frozen=True)
class Copy:
    """One way of writing a hand's lanes over some parts."""

    mae_cc: float
    within_one: float
    life: list[dict[str, float]]
    events_per_s: float
    bytes_per_min: float


def copies(parts: Iterable[tuple[CueHearing, int, Array]], write: Callable[[CueHearing, int, Array], Events]) -> Copy:
    """What writing leaves of dense lanes: hearing, index and value (n_frames, 3) of each part."""
    off, near, lives, n_events, seconds, n_bytes = [], [], [[], [], []], 0, 0.0, 0  # type: ignore[var-annotated]
    for hearing, index, value_cc in parts:
        events = write(hearing, index, value_cc)
        lanes = held_cc(events, hearing.cue.tempo, len(value_cc))
        sounding = sounding_frames(hearing, index, len(value_cc))
        away = np.abs(lanes - value_cc)
        slow = np.abs(np.gradient(value_cc, FRAME_S, axis=0)) < SLOW_CC_PER_S
        off.append(away[sounding])
        near.append((away <= 1.0 + 1e-6)[slow & sounding[:, None]])
        for k in range(len(LANES)):
            lives[k].append(life_of(hearing, index, value_cc[:, k], lanes[:, k]))
        n_events += sum(len(tick) for tick, _ in events)
        n_bytes += message_bytes(events)
        seconds += len(value_cc) * FRAME_S
    mae_cc = float(np.concatenate(off).mean())
    within = float(np.concatenate(near).mean())
    life = [pooled(rows) for rows in lives]
    return Copy(mae_cc, within, life, n_events / seconds / len(LANES), n_bytes / seconds * 60.0)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bytes", action="store_true")
    given = parser.parse_args(arguments)
    hearings = [heard(movement) for movement in validation_movements().judged]
    ways: dict[str, Callable[[CueHearing, int, Array], Events]] = {"written": written}
    if given.bytes:
        ways["50 a second"] = lambda hearing, index, value: sampled(hearing, value, changes=False)
        ways["50, changes"] = lambda hearing, index, value: sampled(hearing, value, changes=True)
    hands: dict[str, Callable[[CueHearing, int], Array]] = {"rules": lambda h, i: rules_lanes(h, i).value_cc}
    hands |= {name: partial(hand, noise=False) for name, hand in hands_at(HANDS, "validation").items()}
    print(f"{'hand':<12} {'way':<12} {'error':>6} {'within 1':>8} {'events/s':>8} {'bytes/min':>9}", end="")
    print("  depth, accents, energy of dynamics, expression, vibrato")
    for name, hand in hands.items():
        drawn = [(h, i, np.clip(hand(h, i), 1.0, 126.0)) for h in hearings for i in range(len(h.parts))]
        for way, write in ways.items():
            copy = copies(drawn, write)
            alive = "  ".join("{depth:.2f} {accents:.2f} {energy:.2f}".format_map(found) for found in copy.life)
            print(
                f"{name:<12} {way:<12} {copy.mae_cc:6.3f} {copy.within_one:8.4f} {copy.events_per_s:8.2f}"
                f" {copy.bytes_per_min:9.0f}  {alive}",
                flush=True,
            )


if __name__ == "__main__":
    main()
