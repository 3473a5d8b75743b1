"""What the notes give each frame: weight and decay, joins and re-articulations, chords, runs, accents, and vibrato.

Everything comes in steps: dynamics and expression, shape (n_frames, 2), or the vibrato lane, shape (n_frames,).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.gestures import Gestures, Grid, grid_of, runs_of, window_frames
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.parameters import Family, Pair, RuleParameters
from phrasewright.model.shapes import Window, bump, ease

Array = NDArray[np.float64]
_RUN = FIGURES.index("run")
_CHORDS = ROLES.index("chords")
_RISE = EVENTS.index("closing-rise")
_ACCENT, _SFORZANDO = EVENTS.index("accent"), EVENTS.index("sforzando")
_FAST = (FIGURES.index("run"), FIGURES.index("repeated"))


def levels_cc(
    gestures: Gestures, grid: Grid, level_cc: Array, *, parameters: RuleParameters, touch: Family, solo: bool
) -> Array:
    """Each gesture's level, taken from where the last one stood within its attack.

    `level_cc`, shape (n_gestures, 2), is the level of each gesture in its phrase; entries and detached notes take it at
    once.
    """
    i = grid.index
    before_cc = np.where(gestures.entry[:, None], level_cc, np.r_[level_cc[:1], level_cc[:-1]])
    rise = np.stack([_rise(gestures, grid, lane, parameters, touch, solo=solo) for lane in (0, 1)], axis=1)
    return np.asarray(before_cc[i] + (level_cc - before_cc)[i] * rise)


def _attack_s(gestures: Gestures, lane: int, parameters: RuleParameters, touch: Family, *, solo: bool) -> Array:
    """How long each gesture takes to its level."""
    attack_s = parameters.note.attack_s[lane] * touch.attack * (1.0 if solo else parameters.section.attack)
    return np.minimum(attack_s, parameters.note.attack_share * gestures.length_s)


def _rise(
    gestures: Gestures, grid: Grid, lane: int, parameters: RuleParameters, touch: Family, *, solo: bool
) -> Array:
    """How far each frame has come from the last gesture to its own, 0..1; detached notes are there at once."""
    plain = ~(gestures.frozen | gestures.resting)[grid.index]
    attack_s = _attack_s(gestures, lane, parameters, touch, solo=solo)[grid.index]
    return np.where(plain, ease(grid.since_s / attack_s), 1.0)


@dataclass(frozen=True)
class _Courses:
    """What each gesture does around its level in one lane, shape (n_gestures,) each; steps and seconds.

    It comes with `weight_cc` and settles `sag_cc` below its level; a slow chord swings and begins with a step, a run
    slopes the way it climbs.
    """

    length_s: Array
    attack_s: Array
    decay_s: Array
    weight_cc: Array
    sag_cc: Array
    swing_cc: Array
    step_cc: Array
    slope_cc: Array
    bend: float
    step_decay_s: float

    def at(self, i: NDArray[np.int64], since_s: Array) -> Array:
        """Where gestures `i` stand so long after their onsets, shape of either."""
        left = np.exp(-np.maximum(since_s - self.attack_s[i], 0.0) / self.decay_s[i])
        x = np.clip(since_s / self.length_s[i], 0.0, 1.0) ** self.bend
        turn = x + ease(x) - 1.0  # -1..1: half straight, half eased
        after = np.exp(-since_s / self.step_decay_s)
        return np.asarray(
            self.weight_cc[i] * left
            - self.sag_cc[i] * (1.0 - left)
            + self.swing_cc[i] * turn
            + self.step_cc[i] * after
            + self.slope_cc[i] * (x - 0.5)
        )


def _courses(gestures: Gestures, lane: int, *, parameters: RuleParameters, touch: Family, solo: bool) -> _Courses:
    """The courses of all gestures in dynamics (0) or expression (1)."""
    note, run = parameters.note, parameters.run
    lane_touch = (touch.dynamics, touch.expression)[lane]
    lively = gestures.shares(note.role_share) * lane_touch * ~(gestures.frozen | gestures.resting)
    section = 1.0 if solo else parameters.section.weight
    weight = note.weight_cc[lane] * lively * section * np.clip(gestures.length_s / 0.35, 0.2, 1.0)
    weight = np.where(gestures.figure == _RUN, run.weight_share * weight, weight)
    sag = note.sag_cc[lane] * lively * np.clip(gestures.length_s / 0.8, 0.1, 1.0)
    sag = sag * ((gestures.figure != _RUN) & (gestures.event != _RISE))
    swing, step = _chord_swing(gestures, lane=lane, parameters=parameters)
    climb = run.slope_cc_per_octave[lane] * gestures.climb / 12.0
    slope = np.clip(climb, -run.most_cc[lane], run.most_cc[lane])
    return _Courses(
        length_s=gestures.length_s,
        attack_s=_attack_s(gestures, lane, parameters, touch, solo=solo),
        decay_s=(note.decay_s[lane] + note.decay_per_length[lane] * gestures.length_s) * touch.decay,
        weight_cc=weight,
        sag_cc=sag,
        swing_cc=swing,
        step_cc=step,
        slope_cc=slope * ((gestures.figure == _RUN) & (gestures.n_attacks > 1)),
        bend=parameters.chords.bend[lane],
        step_decay_s=parameters.chords.step_decay_s,
    )


def notes_cc(gestures: Gestures, grid: Grid, *, parameters: RuleParameters, touch: Family, solo: bool) -> Array:
    """Each gesture's own course around its level: a swell for weight, then the decay; where it ended fades out.

    Steps of dynamics and expression, shape (n_frames, 2).
    """
    note = parameters.note
    plain = ~(gestures.frozen | gestures.resting)
    opening = gestures.entry & (gestures.length_s >= note.opening_s) & np.r_[gestures.joined[1:], False]
    last = np.arange(gestures.n_gestures - 1)
    i = grid.index
    lanes = []
    for lane, lane_touch in enumerate((touch.dynamics, touch.expression)):
        courses = _courses(gestures, lane, parameters=parameters, touch=touch, solo=solo)
        value = courses.at(i, grid.since_s)
        rise = _rise(gestures, grid, lane, parameters, touch, solo=solo)
        before = np.r_[0.0, courses.at(last, gestures.next_s[:-1] - gestures.onset_s[:-1])]
        onward = before[i] + (value - before[i]) * rise
        deficit = np.where(opening, -note.opening_cc[lane], note.entry_deficit_cc[lane] * lane_touch)
        deficit = deficit * gestures.entry * plain
        fade = np.where(opening[i], np.exp(-grid.since_s / note.opening_decay_s), 1.0 - rise)
        lanes.append(np.where(gestures.entry[i], value - deficit[i] * fade, onward))
    return np.stack(lanes, axis=1)


def _chord_swing(gestures: Gestures, *, lane: int, parameters: RuleParameters) -> tuple[Array, Array]:
    """Signed swing of each slow chord (up through one, down through the next) and the step at its start."""
    chords = parameters.chords
    slow = (gestures.role == _CHORDS) & (gestures.length_s >= chords.slow_s) & ~gestures.frozen & ~gestures.resting
    ordinal = np.arange(gestures.n_gestures) - np.searchsorted(gestures.phrase, gestures.phrase)
    swing = np.minimum(chords.swing_cc[lane], chords.rate_cc_per_s[lane] * gestures.length_s)
    return slow * swing * np.where(ordinal % 2, -1.0, 1.0), slow * ~gestures.entry * chords.step_cc[lane]


def dip_depths_cc(
    gestures: Gestures, dip_residue: Array, *, parameters: RuleParameters, touch: Family, solo: bool
) -> Array:
    """Depth of each join, and of the deeper re-articulations of connected repeats, shape (n_gestures, 2).

    Scaled by the share of the sound that is renewed. `dip_residue`, shape (n_gestures,), is standard normal.
    """
    dip = parameters.dip
    own_s = np.where(gestures.repeated, dip.repeat_own_share, 1.0) * gestures.length_s
    shorter_s = np.minimum(own_s, np.r_[np.inf, gestures.length_s[:-1]])
    dips = gestures.joined & ~gestures.entry & ~gestures.frozen & ~gestures.resting
    size = (
        dips
        * gestures.shares(dip.role_share)
        * gestures.renewed
        * touch.dip
        * (1.0 if solo else parameters.section.dip)
    )
    full_s = np.where(gestures.repeated, dip.full_s[1], dip.full_s[0])
    size *= np.clip((shorter_s - dip.shortest_s) / (full_s - dip.shortest_s), 0.0, 1.0)
    size *= np.clip(1.0 + dip.residue * dip_residue, *dip.residue_bounds)
    weak_share = np.where(gestures.repeated, dip.weak_share[1], dip.weak_share[0])
    size *= 1.0 - weak_share * _quick(shorter_s, dip.quick_s) * _weaker(gestures.metre)
    leap = np.minimum(np.abs(np.r_[0.0, np.diff(gestures.pitch)]), 12.0)
    size *= 1.0 + dip.metre * gestures.metre + dip.per_semitone * np.maximum(leap - 1.0, 0.0)
    size = np.where(np.isin(gestures.event, (_ACCENT, _SFORZANDO)), parameters.accent.dip_share * size, size)
    struck = gestures.repeated & (not touch.connects)
    lanes = []
    for lane in (0, 1):
        depth = size * np.where(gestures.repeated, dip.repeat_cc[lane], dip.join_cc[lane]) * ~struck
        shorter = np.minimum(*_dip_spans_s(gestures, lane, parameters))
        lanes.append(np.minimum(depth, dip.steepest_cc_per_s * shorter * 2.0 / np.pi))
    return np.stack(lanes, axis=1)


def _dip_spans_s(gestures: Gestures, lane: int, parameters: RuleParameters) -> tuple[Array, Array]:
    """How long before and after each onset a lane dips."""
    dip = parameters.dip
    before_len = np.r_[0.0, gestures.next_s[:-1] - gestures.onset_s[:-1]]
    after_len = np.minimum(gestures.next_s - gestures.onset_s, 10.0)
    before_s = np.minimum(dip.before_s[lane], dip.share_before * before_len)
    return np.maximum(before_s, 1e-3), np.maximum(np.minimum(dip.after_s[lane], dip.share_after * after_len), 1e-3)


def dips_cc(gestures: Gestures, grid: Grid, depth_cc: Array, *, parameters: RuleParameters) -> Array:
    """The dips of so many steps, shape (n_gestures, 2), around the onsets."""
    i, j = grid.index, np.minimum(grid.index + 1, gestures.n_gestures - 1)
    lanes = []
    for lane in (0, 1):
        before_s, after_s = _dip_spans_s(gestures, lane, parameters)
        depth = depth_cc[:, lane]
        fall = depth[i] * bump(grid.since_s / after_s[i])
        fall = fall + np.where(j > i, depth[j] * bump(grid.until_s / before_s[j]), 0.0)
        lanes.append(-fall)
    return np.stack(lanes, axis=1)


def _quick(length_s: Array, quick_s: Pair) -> Array:
    """1 at the first length and shorter, 0 from the second on."""
    return np.asarray(np.clip((quick_s[1] - length_s) / (quick_s[1] - quick_s[0]), 0.0, 1.0))


def _weaker(metre: Array) -> Array:
    """1 where the metre is weaker than at either neighbour, else 0."""
    beside = np.maximum(np.r_[0.0, metre[:-1]], np.r_[metre[1:], 0.0])
    return np.where(metre < beside - 1e-9, 1.0, 0.0)


def spikes_cc(gestures: Gestures, grid: Grid, *, parameters: RuleParameters, touch: Family) -> Array:
    """Accents and sforzandi: a rise, over at the onset where the note starts from silence, then a fast decay.

    Steps of dynamics and expression, shape (n_frames, 2).
    """
    out = np.zeros((len(grid.time_s), 2))
    accent = parameters.accent
    for i in np.flatnonzero(np.isin(gestures.event, (_ACCENT, _SFORZANDO))):
        height = accent.accent_cc if gestures.event[i] == _ACCENT else accent.sforzando_cc
        onset_s = gestures.onset_s[i]
        stretch = accent.sforzando_stretch if gestures.event[i] == _SFORZANDO else 1.0
        after_s = (
            min(accent.rise_s * stretch * accent.rise_after, 0.4 * gestures.length_s[i]) if gestures.joined[i] else 0.0
        )
        before_s = accent.rise_s * stretch * (1.0 - accent.rise_after if gestures.joined[i] else 1.0)
        until_s = min(gestures.next_s[i], onset_s + after_s + 6.0 * max(accent.decay_s) * stretch)
        low, high = np.searchsorted(grid.time_s, [onset_s - before_s, until_s])
        since_s = grid.time_s[low:high] - onset_s
        rise = ease((since_s + before_s) / (before_s + after_s))
        fade = ease((gestures.next_s[i] - grid.time_s[low:high]) / accent.fade_s)
        for lane, lane_touch in enumerate((touch.dynamics, touch.expression)):
            decay = np.exp(-np.maximum(since_s - after_s, 0.0) / (accent.decay_s[lane] * stretch))
            out[low:high, lane] += height[lane] * lane_touch * rise * decay * fade
    return out


def vibrato_cc(gestures: Gestures, grid: Grid, *, parameters: RuleParameters, solo: bool) -> Array:
    """Vibrato: waits on long notes, grows, eases at joins and in fast notes; steps, shape (n_frames,).

    Drift comes on top of it, and what it takes from dynamics (`vibrato_swell_cc`).
    """
    vibrato = parameters.vibrato
    full = vibrato.solo_cc if solo else vibrato.section_cc
    ease_by = (vibrato.solo_ease if solo else vibrato.section_ease) * gestures.joined * gestures.renewed
    shorter_s = np.minimum(gestures.length_s, np.r_[gestures.length_s[:1], gestures.length_s[:-1]])
    ease_by = ease_by * ease((shorter_s - vibrato.fast_s) / vibrato.join_from_s)  # fast notes share one movement
    # the notes of a run or of quick repeats are fast, however long the gesture; a trill is one held note
    note_s = gestures.length_s / np.where(np.isin(gestures.figure, _FAST), gestures.n_attacks, 1)
    share = ease((note_s - vibrato.fast_s) / (vibrato.slow_s - vibrato.fast_s))
    target = full * (vibrato.fast_share + (1.0 - vibrato.fast_share) * share)
    target = target * parameters.centres_cc()[2] / type(parameters)().centres_cc()[2]
    start = np.where(gestures.entry, vibrato.entry_share * target, np.r_[0.0, target[:-1]])
    wait_s = np.minimum(vibrato.wait_s + vibrato.wait_per_length * gestures.length_s, vibrato.longest_wait_s)
    grow_s = np.clip(vibrato.grow_per_length * gestures.length_s, *vibrato.grow_s)
    squeeze = np.minimum(1.0, vibrato.latest_share * gestures.length_s / (wait_s + grow_s))
    wait_s, grow_s = wait_s * squeeze, grow_s * squeeze
    i, j = grid.index, np.minimum(grid.index + 1, gestures.n_gestures - 1)
    whole = grid_of(gestures, int(grid.frame[-1]) + 1 + round(vibrato.settle_s / FRAME_S))
    k = whole.index
    value = start[k] + (target[k] - start[k]) * ease((whole.since_s - wait_s[k]) / grow_s[k])
    settle = Window(*window_frames(len(value), vibrato.settle_s, *runs_of(gestures, whole)))
    for _ in range(2):  # twice a moving average: no corners
        value = settle.mean(value)
    value = value[grid.frame]
    ease_s = np.minimum(vibrato.ease_s, 0.5 * gestures.length_s)
    onward = (j > i) & ~gestures.entry[j]
    value = value * np.where(onward, 1.0 - ease_by[j] * bump(grid.until_s / ease_s[i]), 1.0)
    value = value * (1.0 - ease_by[i] * bump(grid.since_s / (2.0 * ease_s[i])))
    return np.asarray(value)


def vibrato_swell_cc(dynamics_cc: Array, vibrato: Array, *, parameters: RuleParameters, solo: bool) -> Array:
    """How vibrato follows slow dynamics, given less its centre: by as much as there is of it; (n_frames,)."""
    full = parameters.vibrato.solo_cc if solo else parameters.vibrato.section_cc
    return np.asarray(parameters.vibrato.follow_dynamics * dynamics_cc * vibrato / full)
