"""The lanes that only some instruments have: where the bow stands, and how hard notes begin.

Both are rules over what dynamics does and what was heard; no network foresees them. A style that was taught otherwise
adds trees. Sizes are common practice without a source. Units: controller steps 0..127, seconds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.plan import LEVEL_CENTRES_CC, MF_CC, NIENTE_CC, plan_levels
from phrasewright.model.gestures import gestures_of, grid_of, runs_of, window_frames
from phrasewright.model.hearing import EVENTS, CueHearing
from phrasewright.model.lanes import FRAME_S, frame_times_s
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.shapes import Window, bent_into, ease

Array = NDArray[np.float64]

BOW_CENTRE_CC, BOW_PER_CC = 60.0, 0.7
"""Where the bow stands at mf, and how far it goes to the bridge with a step of dynamics."""
BOW_SMOOTH_S = 0.8
BOW_HIGH_CC = 26.0
"""How far it goes to the fingerboard where a line is high and soft."""
BOW_HIGH_SHARE = (0.55, 0.8)
"""From where to where in an instrument's range a line becomes high."""
BOW_SOFT_CC = (68.0, 46.0)
"""From which to which dynamics it becomes soft."""
BOW_BOUNDS_CC = (6.0, 121.0)

ATTACK_JOINED_CC, ATTACK_FREE_CC, ATTACK_OPENING_CC = 34.0, 60.0, 86.0
"""How hard a note begins that is joined to the one before, that is not, and that opens a phrase or enters after a rest.
"""
ATTACK_REPEAT_CC, ATTACK_ACCENT_CC, ATTACK_SFORZANDO_CC = 82.0, 104.0, 118.0
ATTACK_HOLD_S, ATTACK_FALL_S, ATTACK_STAYS_S = 0.14, 0.35, 1.2
ATTACK_READY_S = 0.03
"""So long before a note-on the lane stands there: the instrument looks at it when the key goes down."""
ATTACK_CC_PER_S = 180.0
"""Mean speed of the way to the next note's value; its steepest is half as much again."""
LEARNED_CC_PER_S, _BEGUN_S = 400.0, 0.02
"""The same for a hand's values, which events of larger steps carry; how long after a note-on its value is its own."""
_ACCENT, _SFORZANDO = EVENTS.index("accent"), EVENTS.index("sforzando")


def bow_cc(hearing: CueHearing, index: int, dynamics_cc: Array) -> Array:
    """The bow, 0 over the fingerboard to 127 at the bridge, for dynamics of the same shape, (n_frames,).

    Toward the bridge with dynamics, toward the fingerboard in soft high passages; slower than either.
    """
    part = hearing.parts[index]
    if not part.attacks.n_attacks:
        return np.full(len(dynamics_cc), BOW_CENTRE_CC)
    gestures = gestures_of(hearing, index, parameters=DEFAULT)
    grid = grid_of(gestures, len(dynamics_cc))
    around = Window(*window_frames(len(dynamics_cc), BOW_SMOOTH_S, *runs_of(gestures, grid)))
    slow_cc = around.mean(dynamics_cc)
    instrument = part.part.instrument
    share = (gestures.pitch[grid.index] - instrument.low) / max(instrument.high - instrument.low, 1)
    low, high = BOW_HIGH_SHARE
    up = around.mean(ease((share - low) / (high - low)))
    soft = ease((BOW_SOFT_CC[0] - slow_cc) / (BOW_SOFT_CC[0] - BOW_SOFT_CC[1]))
    bow = BOW_CENTRE_CC + BOW_PER_CC * (slow_cc - MF_CC[0]) - BOW_HIGH_CC * up * soft
    return bent_into(bow, *BOW_BOUNDS_CC, knee=8.0)


def attack_cc(hearing: CueHearing, index: int, n_frames: int, *, note_on_s: Array) -> Array:
    """How hard notes begin, shape (n_frames,): high at opening notes, accents and joined repeats.

    `note_on_s`, shape (n_attacks,), is where each attack's key goes down; each value is there before it.
    """
    part = hearing.parts[index]
    if not part.attacks.n_attacks:
        return np.full(n_frames, ATTACK_FREE_CC)
    gestures = gestures_of(hearing, index, parameters=DEFAULT)
    opening = gestures.entry | (np.diff(gestures.phrase, prepend=-1) != 0)
    value = np.select(
        [
            gestures.event == _SFORZANDO, gestures.event == _ACCENT, opening & ~gestures.joined,
            gestures.repeated & gestures.joined, opening, gestures.joined,
        ],
        [
            ATTACK_SFORZANDO_CC, ATTACK_ACCENT_CC, ATTACK_OPENING_CC,
            ATTACK_REPEAT_CC, 0.5 * (ATTACK_OPENING_CC + ATTACK_FREE_CC), ATTACK_JOINED_CC,
        ],
        ATTACK_FREE_CC,
    )  # fmt: skip
    if hearing.plan.covers(part.part):
        level = plan_levels(hearing.plan, part.part, gestures.onset_s + 0.1)[:, 0]
        at = [NIENTE_CC, *LEVEL_CENTRES_CC.values()]
        size = np.interp(level, at, DEFAULT.riding.accent_share)
        value = np.minimum(ATTACK_JOINED_CC + size * (value - ATTACK_JOINED_CC), 124.0)

    on_s = note_on_s[gestures.first_attack]
    next_s = np.r_[on_s[1:], np.inf]
    length_s = np.minimum(next_s - on_s, 4.0)
    following = np.minimum(np.arange(len(value)) + 1, len(value) - 1)
    rest_cc = value + 0.8 * (np.minimum(value, ATTACK_JOINED_CC) - value)
    soon = length_s <= ATTACK_STAYS_S  # between quick hard notes the lane stays where the next one wants it
    rest_cc = np.where(soon, np.maximum(rest_cc, np.minimum(value, value[following])), rest_cc)
    way = np.abs(value[following] - rest_cc)
    ready_s = np.minimum(ATTACK_READY_S, 0.2 * length_s)
    lead_s = np.minimum(way / ATTACK_CC_PER_S, 0.5 * length_s) + 1e-3
    hold_s = np.minimum(ATTACK_HOLD_S, 0.2 * length_s)
    fall_s = np.clip(length_s - ready_s - lead_s - hold_s, 1e-3, ATTACK_FALL_S)

    time_s = frame_times_s(n_frames)
    i = np.maximum(np.searchsorted(on_s, time_s + 1e-6, side="right") - 1, 0)
    since_s = time_s - on_s[i]
    now = value[i] + (rest_cc[i] - value[i]) * ease((since_s - hold_s[i]) / fall_s[i])
    ahead = ease((lead_s[i] + ready_s[i] - (next_s[i] - time_s)) / lead_s[i])
    return np.asarray(now + (value[following[i]] - now) * np.where(np.isfinite(next_s[i]), ahead, 0.0))


def ruled_cc(lane: str, hearing: CueHearing, index: int, dynamics_cc: Array) -> Array:
    """What the rules say of one of COLOUR_LANES beside these dynamics, on the grid of predicted lanes; same shape."""
    if lane == "bow":
        return bow_cc(hearing, index, dynamics_cc)
    return attack_cc(hearing, index, len(dynamics_cc), note_on_s=hearing.parts[index].attacks.onset_s)


def readied(value_cc: Array, onset_s: Array) -> Array:
    """An attack lane bent so that each note's value is there before its key goes down; shape of `value_cc`.

    `onset_s`, rising, (n_attacks,), on the grid of the lane. On the way from note to note a hand may do as it likes.
    """
    time_s, begun_s = frame_times_s(len(value_cc)), onset_s + _BEGUN_S
    own, ready_s = np.interp(begun_s, time_s, value_cc), onset_s - ATTACK_READY_S
    way = np.abs(own - np.interp(ready_s, time_s, value_cc))
    length_s = np.diff(onset_s, prepend=onset_s[:1] - 4.0)
    lead_s = np.minimum(way / LEARNED_CC_PER_S, 0.5 * length_s) + FRAME_S
    following = np.minimum(np.searchsorted(begun_s, time_s, side="left"), len(onset_s) - 1)
    ahead = ease(1.0 - (ready_s[following] - time_s) / lead_s[following])
    ahead = np.where(time_s <= begun_s[following], ahead, 0.0)
    return np.asarray(value_cc + ahead * (own[following] - value_cc))
