"""What a person of the prior draws over a part: each habit of `prior.py` as a curve, added up.

Everything follows from the notes near by (columns of `personal_features.py`, attacks, phrases), so that a hand is the
same wherever the music is. A phrase that a person joins or cuts otherwise is decided by what is in it.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.departures import MOST, N_STYLE, departed
from phrasewright.model.hearing import EVENTS, ROLES, Attacks, CueHearing, PartHearing
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.personal_features import RAW, REST_S, Moments
from phrasewright.model.prediction import foreseeable
from phrasewright.model.rules import raw_cc
from phrasewright.training.prior import Person

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
WHIM_COLUMNS, WHIM_WIDTH = 7, 9
_CUTS = ("phrase", "run", "group", "in_four_bars", "in_two_bars", "counted_four", "counted_two")
_WINDOWS = ("smooth_half", "smooth_one", "smooth_two", "smooth_four")


@dataclass(frozen=True)
class Sight:
    """What a person looks at: one part at some frames, (n_frames,) each.

    `column` are the raw columns by name, `basis` the smooth ones (n_frames, n_basis), `at` the attack of each frame.
    """

    hearing: CueHearing
    index: int
    frames: Ints
    time_s: Array
    at: Ints
    column: Mapping[str, Array]
    basis: NDArray[np.float32]

    @property
    def part(self) -> PartHearing:
        """The part looked at."""
        return self.hearing.parts[self.index]


def sight_of(hearing: CueHearing, index: int, frames: Ints, *, at: Ints, moments: Moments) -> Sight:
    """The part at `index` (from 0) at frames of the 10 ms grid."""
    raw = np.nan_to_num(moments.raw.astype(np.float64))
    column = dict(zip(RAW, raw.T, strict=True))
    return Sight(hearing, index, frames, np.asarray(frames * FRAME_S, dtype=np.float64), at, column, moments.basis)


def drawn_cc(person: Person, sight: Sight) -> Array:
    """The person's lanes, (n_frames, 3), steps within 1..126, without the arm's unsteadiness."""
    hand = person.hand
    rules_cc = np.zeros((len(sight.frames), 3))
    share = hand["rules"] if hand["rules"] < 0.75 else 1.0  # wholly the rules' in a sixth of hands
    if share:
        rng = np.random.default_rng([person.seed, 1])
        style = np.clip(hand["rules_width"] * rng.normal(size=N_STYLE), -2 * MOST, 2 * MOST).astype(np.float32)
        rules_cc = raw_cc(sight.hearing, sight.index, sight.frames, parameters=foreseeable(departed(DEFAULT, style)))
    if share == 1.0:
        return np.asarray(np.clip(rules_cc, 1.0, 126.0))
    spans = _spans(person, sight)
    own = [_lane(person, sight, lane, number, spans) for number, lane in enumerate(person.lanes)]
    moved = np.stack([_through_fader(hand, sight, cc) for cc in own], axis=1)  # (n_frames, 3)
    return np.asarray(np.clip(share * rules_cc + (1.0 - share) * moved, 1.0, 126.0))


def _lane(person: Person, sight: Sight, lane: Mapping[str, float], number: int, spans: tuple[Array, Array]) -> Array:
    """One lane before the fader, steps, (n_frames,)."""
    c, hand = sight.column, person.hand
    role = c["role"].astype(np.int64)
    behind = role != ROLES.index("melody")
    arcs = _arcs(sight, lane, spans)
    note = _note(sight, lane)
    flat = np.where(behind & (hand["accompaniment_flat"] > 0), hand["accompaniment_flat"], 1.0)
    level = hand["accompaniment_level"] * behind + hand["bass_level"] * (role == ROLES.index("bass"))
    level = level + hand["counter_level"] * (role == ROLES.index("counter"))
    size = (1.0, 0.5, 0.3)[number]  # balance is made with dynamics first
    value = lane["centre"] + size * level + flat * (arcs + note + _places(sight, lane) + _whim(person, sight, number))
    value = value + _marks(sight, lane)
    return np.asarray(np.interp(sight.time_s - lane["lag_s"] - hand["late_s"], sight.time_s, value))


def _arcs(sight: Sight, lane: Mapping[str, float], spans: tuple[Array, Array]) -> Array:
    """Arcs over the person's phrases, and a longer one over everything between rests."""
    c = sight.column
    start, end = spans
    length = np.maximum(end - start, 0.1)
    x = np.clip((sight.time_s - start) / length, 0.0, 1.0)
    top = np.clip((sight.time_s - c["since_peak"] - start) / length, 0.05, 0.95)
    peak = np.clip(lane["peak"] + lane["peak_follows_top"] * (top - lane["peak"]), 0.04, 0.96)
    arc = np.where(x < peak, (x / peak) ** lane["rise"], ((1.0 - x) / (1.0 - peak)) ** lane["fall"])
    depth = lane["arc"] * np.clip(length / 4.0, 0.2, 3.0) ** lane["arc_by_length"]
    value = np.minimum(depth, 50.0) * (arc - 0.5) * (-1.0 if lane["arc_down"] else 1.0)
    value = value + lane["slope"] * (x - 0.5)
    return np.asarray(value + lane["long_arc"] * (np.sin(np.pi * c["run_share"]) - 0.6))


def _places(sight: Sight, lane: Mapping[str, float]) -> Array:
    """What hangs on where the music is: terraces, contour, height, the others, metre."""
    c = sight.column
    mean_phrase = (c["pitch"] - c["pitch_phrase_s"]) / 6.0
    terrace = lane["terrace_height"] * np.tanh(mean_phrase) + lane["terrace_many"] * (c["others_sounding"] - 0.6)
    terrace = terrace + lane["terrace_quick"] * np.tanh(2.0 * (c["quick"] - 1.2))
    if lane["terrace_grain"]:
        terrace = lane["terrace_grain"] * np.rint(terrace / lane["terrace_grain"])
    window = _WINDOWS[int(np.clip(np.ceil(lane["contour_window"]), 0, 3))]
    rel = c[window] if window in ("smooth_half", "smooth_two") else c["pitch"] - c[window]
    bars = "in_two_bars" if lane["bar_phase"] < 0.5 else "in_four_bars"
    n_bars = 2.0 if bars == "in_two_bars" else 4.0
    turn = 2.0 * np.pi * (np.stack([c["in_one_bar"], c[bars] / n_bars, c["beat"]]) - lane["bar_phase"])
    return np.asarray(
        terrace
        + lane["contour"] * np.tanh(rel / 4.0) * 2.0
        + lane["climb"] * np.tanh(c["climb_slow"] / 2.0)
        + lane["height"] * np.tanh(c["pitch"] / 10.0)
        + lane["busy"] * (c["others_busy"] - 0.7)
        + lane["velocity"] * np.clip(c["velocity"], -1.5, 1.5)
        + lane["quick"] * np.tanh(c["quick"] - 1.2)
        + np.array([lane["bar"], lane["bars"], lane["beat"]]) @ np.cos(turn)
    )


def _note(sight: Sight, lane: Mapping[str, float]) -> Array:
    """What happens within a note and where notes meet."""
    c = sight.column
    s, u = np.maximum(c["since_onset"], 0.0), np.maximum(c["to_next"], 0.0)
    length, share = np.maximum(c["note"], 0.02), c["note_share"]
    on_bar = 1.0 + lane["accent_on_bar"] * (np.minimum(c["in_one_bar"], 1.0 - c["in_one_bar"]) < 0.06)
    by_length = np.clip(length, 0.1, 2.0) ** 0.4
    value = lane["accent"] * on_bar * by_length * (1.0 - np.exp(-s / lane["accent_rise_s"]))
    value = value * np.exp(-s / lane["accent_fall_s"])
    held = np.clip(length / 1.2, 0.0, 1.5)
    value = value + lane["late_swell"] * held * share ** lane["late_power"]
    value = value - lane["sag"] * held * (1.0 - np.exp(-s / lane["sag_s"]))
    value = value + lane["middle"] * held * np.sin(np.pi * share)
    value = value + lane["long_notes"] * np.tanh(np.log(length))
    grown = 1.0 - np.exp(-np.maximum(s - lane["onset_wait_s"], 0.0) / lane["onset_grow_s"])
    value = value + lane["onset_growth"] * (grown * np.minimum(length, 1.0) - 0.5)
    here = _meeting(sight, lane, c["joined"], c["repeated"], c["pitch_step"], length)
    following = np.maximum(c["next"], 0.05)
    there = _meeting(sight, lane, c["next_joined"], c["next_repeated"], c["pitch_next"], following)
    after = here * np.exp(-((s / lane["dip_after_s"]) ** 2))
    before = there * np.exp(-((u / lane["dip_before_s"]) ** 2))
    value = value - np.maximum(after, before)
    value = value - lane["entry"] * np.exp(-c["since_run"] / lane["entry_s"])
    return np.asarray(value - lane["release"] * np.exp(-c["to_run_end"] / lane["release_s"]))


def _meeting(sight: Sight, lane: Mapping[str, float], joined: Array, repeated: Array, step: Array, n: Array) -> Array:
    """Depth of the dip where two notes meet."""
    depth = lane["join"] * joined * np.where(repeated > 0, lane["repeat"], 1.0) * sight.column["renewed"]
    depth = depth * np.minimum(n / 0.4, 1.5) ** lane["dip_by_length"]
    return np.asarray(depth * (1.0 + lane["dip_by_leap"] * np.minimum(np.abs(step) / 5.0, 2.0)))


def _marks(sight: Sight, lane: Mapping[str, float]) -> Array:
    """Accents that are asked for, and closings."""
    c, a = sight.column, sight.part.attacks
    event = c["event"].astype(np.int64)
    spike = np.isin(event, (EVENTS.index("accent"), EVENTS.index("sforzando")))
    value = lane["mark_accent"] * spike * np.exp(-np.maximum(c["since_onset"], 0.0) / 0.25)
    closing = np.isin(a.event, (EVENTS.index("closing-rise"), EVENTS.index("closing-fall")))
    if np.any(closing):
        first, last = a.onset_s[closing].min(), a.end_s[closing].max()
        share = np.clip((sight.time_s - first) / max(last - first, 0.5), 0.0, 1.0)
        away = np.where(event == EVENTS.index("closing-rise"), share, np.where(closing[sight.at], -share, 0.0))
        value = value + lane["closing"] * away
    return np.asarray(value)


def _whim(person: Person, sight: Sight, number: int) -> Array:
    """A random small net over a few smooth columns, of its own size."""
    size = person.lanes[number]["whim"]
    if not size:
        return np.zeros(len(sight.frames))
    rng = np.random.default_rng([person.seed, 2, number])
    columns = rng.choice(sight.basis.shape[1], WHIM_COLUMNS, replace=False)
    x = np.clip(sight.basis[:, columns].astype(np.float64), -2.5, 2.5)
    inner = np.tanh(x @ rng.normal(0.0, 0.8, (WHIM_COLUMNS, WHIM_WIDTH)) + rng.normal(0.0, 0.7, WHIM_WIDTH))
    return np.asarray(size * (inner @ rng.normal(0.0, 1.0 / np.sqrt(WHIM_WIDTH), WHIM_WIDTH)) * 1.5)


def _spans(person: Person, sight: Sight) -> tuple[Array, Array]:
    """First and last second of the person's phrase around each frame."""
    c, t = sight.column, sight.time_s
    cut = _CUTS[int(np.clip(np.ceil(person.hand["cut"]), 0, len(_CUTS) - 1))]
    if cut.endswith(("bars", "four", "two")):
        n = 4.0 if "four" in cut else 2.0
        bar_s = _bar_s(sight)
        start = t - c[cut] * bar_s
        first, last = t - c["since_run"], t + c["to_run_end"]
        return np.maximum(start, first), np.minimum(start + n * bar_s, last)
    if cut != "phrase":
        since, to_end = ("since_run", "to_run_end") if cut == "run" else ("since_group", "to_group_end")
        return t - c[since], t + c[to_end]
    first_attack = _recut(person, sight.part.attacks, len(sight.part.phrases))
    a = sight.part.attacks
    span = np.searchsorted(first_attack, sight.at, side="right") - 1
    end = np.maximum.accumulate(a.end_s)[np.r_[first_attack[1:] - 1, a.n_attacks - 1]]
    return a.onset_s[first_attack][span], end[span]


def _recut(person: Person, a: Attacks, n_phrases: int) -> Ints:
    """First attacks of phrases, some joined to the one before, some cut where a long note ends."""
    first = np.searchsorted(a.phrase, np.arange(n_phrases))
    first = np.unique(first[first < a.n_attacks])
    size = np.diff(np.r_[first, a.n_attacks])
    rolls = np.array([_roll(person.seed, a, i, n) for i, n in zip(first.tolist(), size.tolist(), strict=True)])
    kept = (a.rest_before_s[first] >= REST_S) | (rolls[:, 0] >= person.hand["merges"])
    kept[:1] = True
    more = []
    for i, n, roll in zip(first.tolist(), size.tolist(), rolls[:, 1].tolist(), strict=True):
        if n >= 8 and roll < person.hand["splits"]:
            inner = slice(i + n // 4, i + n - n // 4)
            more.append(inner.start + 1 + int(np.argmax((a.end_s - a.onset_s)[inner])))
    return np.unique(np.r_[first[kept], np.array(more, dtype=np.int64)]).astype(np.int64)


def _roll(seed: int, a: Attacks, i: int, n: int) -> tuple[float, float]:
    """Two numbers in 0..1 from what a phrase holds: the same phrase is always cut the same way."""
    held = np.r_[a.pitch[i : i + n], np.rint((a.end_s - a.onset_s)[i : i + n] * 50)].astype(np.int32)
    crc = zlib.crc32(held.tobytes(), seed & 0xFFFFFFFF)
    return (crc & 0xFFFF) / 65536.0, (crc >> 16) / 65536.0


def _bar_s(sight: Sight) -> Array:
    tempo = sight.hearing.cue.tempo
    return np.asarray(tempo.bar_length_s(sight.time_s)) if tempo.has_metre else np.full(len(sight.time_s), 2.0)


def _through_fader(hand: Mapping[str, float], sight: Sight, value_cc: Array) -> Array:
    """What the hand makes of the wish: it rests between turns, overshoots, comes in steps."""
    t = sight.time_s
    if hand["overshoot"]:
        value_cc = value_cc + hand["overshoot"] * (value_cc - np.interp(t - 0.25, t, value_cc))
    if hand["turns_s"] and len(t) > 1:
        turns = np.arange(t[0], t[-1] + hand["turns_s"], hand["turns_s"])
        value_cc = np.interp(t, turns, np.interp(turns, t, value_cc))
    if hand["grain"]:
        value_cc = hand["grain"] * np.rint(value_cc / hand["grain"])
    return value_cc
