"""What the phrase gives each frame: the arc, the closing, breath and bow changes. Steps, shape (n_frames, 2)."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.gestures import Gestures, Grid
from phrasewright.model.hearing import EVENTS, FIGURES, PartHearing
from phrasewright.model.lanes import DYNAMICS_DB_PER_STEP, runs
from phrasewright.model.parameters import Family, RuleParameters
from phrasewright.model.residue import Residue
from phrasewright.model.shapes import bump, ease, skewed_arc, softening, through_nodes

Array = NDArray[np.float64]
_RISE, _FALL = EVENTS.index("closing-rise"), EVENTS.index("closing-fall")
_REPEATED = FIGURES.index("repeated")
_SHORTEST_S = 0.05
_GOLDEN = 0.618034
"""Steps of this share of a circle never come near a place they have been: bow changes and breaths within
a note keep no rhythm."""


def arc_cc(
    part: PartHearing, gestures: Gestures, grid: Grid, residue: Residue, *, parameters: RuleParameters, touch: Family
) -> Array:
    """The phrase's swell, steps, (n_frames, 2). Where the sound goes on, one phrase ends where the next begins."""
    arc = parameters.arc
    start_s = np.array([phrase.start_s for phrase in part.phrases])
    length_s = np.maximum(np.array([phrase.end_s for phrase in part.phrases]) - start_s, _SHORTEST_S)
    size = np.clip(np.sqrt(length_s / arc.full_s), arc.least, arc.most)
    n = len(start_s)
    first = np.searchsorted(gestures.phrase, np.arange(n))
    n_gestures = np.bincount(gestures.phrase, minlength=n)
    size = size * np.select([n_gestures <= 1, n_gestures == 2], arc.few_notes, 1.0)
    seam = ~gestures.entry[np.minimum(first, gestures.n_gestures - 1)]
    rising = np.bincount(gestures.phrase, gestures.event == _RISE, minlength=n) > 0
    top_at = (
        arc.peak
        + arc.follow_top * (_top_of(gestures, start_s, length_s, semitones=arc.top_semitones) - arc.peak)
        + arc.peak_residue * residue.peak
    )
    phrase = gestures.phrase[grid.index]
    share = np.clip((grid.time_s - start_s[phrase]) / length_s[phrase], 0.0, 1.0)
    lanes = []
    for lane, lane_touch in enumerate((touch.dynamics, touch.expression)):
        peak = np.clip(top_at + arc.peak_shift[lane], *arc.peak_bounds)
        top = arc.depth_cc[lane] * lane_touch * size * np.maximum(1.0 + arc.depth_residue * residue.depth[:, lane], 0.5)
        start = np.zeros(n)
        top = np.where(rising, parameters.closing.rise_arc * top, top)
        end = np.where(rising, top, -arc.taper_cc[lane] * size)
        end[:-1] = np.where(seam[1:], arc.seam_share * end[:-1], end[:-1])
        start[1:] = np.where(seam[1:], end[:-1], 0.0)
        lanes.append(
            skewed_arc(
                share,
                start=start[phrase],
                top=top[phrase],
                end=end[phrase],
                peak=peak[phrase],
                rise_power=arc.rise_power[lane],
                fall_power=arc.fall_power[lane],
            )
        )
    return np.stack(lanes, axis=1)


def _top_of(gestures: Gestures, start_s: Array, length_s: Array, *, semitones: float) -> Array:
    """Where in each phrase its high notes lie, a share 0..1: the mean place, weighted by length and by height."""
    n = len(start_s)
    phrase = gestures.phrase
    highest = np.full(n, -np.inf)
    np.maximum.at(highest, phrase, gestures.pitch)
    weight = gestures.length_s * 2.0 ** ((gestures.pitch - highest[phrase]) / semitones)
    place = (gestures.onset_s + 0.5 * gestures.length_s - start_s[phrase]) / length_s[phrase]
    total = np.bincount(phrase, weight, minlength=n)
    return np.asarray(np.bincount(phrase, weight * place, minlength=n) / np.maximum(total, 1e-9))


def height_cc(gestures: Gestures, n_phrases: int, *, parameters: RuleParameters) -> Array:
    """What its height over the phrase's mean adds to each gesture, in either lane, shape (n_gestures,)."""
    arc = parameters.arc
    total = np.bincount(gestures.phrase, gestures.length_s, minlength=n_phrases)
    mean = np.bincount(gestures.phrase, gestures.length_s * gestures.pitch, minlength=n_phrases) / np.maximum(
        total, 1e-9
    )
    octaves = np.clip((gestures.pitch - mean[gestures.phrase]) / 12.0, -arc.height_octaves, arc.height_octaves)
    # half of the level through either lane; a step of expression near its centre is worth about a step of dynamics
    return np.asarray(octaves * arc.height_db_per_octave / 2.0 / DYNAMICS_DB_PER_STEP)


def closing_cc(gestures: Gestures, grid: Grid, *, parameters: RuleParameters, touch: Family) -> Array:
    """Closings that fall, and closings that rise in two stages, dynamics arriving last; steps, (n_frames, 2)."""
    out = np.zeros((len(grid.time_s), 2))
    closing = parameters.closing
    for label in (_RISE, _FALL):
        for first, after in runs(gestures.event == label):
            start_s, end_s = gestures.onset_s[first], gestures.end_s[after - 1]
            low, high = np.searchsorted(grid.time_s, [start_s - 1e-8, gestures.next_s[after - 1]])
            share = np.clip((grid.time_s[low:high] - start_s) / max(end_s - start_s, _SHORTEST_S), 0.0, 1.0)
            size = float(np.clip((end_s - start_s) / closing.full_s, closing.least, 1.0))
            if label == _RISE:
                rises = through_nodes(share, closing.rise_dynamics, last_power=closing.last_power)
                out[low:high, 0] += closing.rise_cc[0] * size * min(touch.dynamics, 1.0) * rises
                out[low:high, 1] += closing.rise_cc[1] * size * through_nodes(share, closing.rise_expression)
                since_s = grid.time_s[low:high] - start_s
                spike = ease(since_s / closing.accent_s[0]) * np.exp(-since_s / closing.accent_s[1])
                out[low:high] += spike[:, None] * np.array(closing.accent_cc)
            else:
                for lane in (0, 1):
                    v = softening(share, end=closing.fall_end, power=closing.fall_power[lane])
                    out[low:high, lane] -= closing.fall_cc[lane] * size * (1.0 - v) / (1.0 - closing.fall_end)
    return out


def breath_cc(
    part: PartHearing,
    gestures: Gestures,
    grid: Grid,
    residue: Residue,
    *,
    parameters: RuleParameters,
    touch: Family,
    solo: bool,
) -> Array:
    """Breath in long lines, bow changes in long notes: small dips; steps, (n_frames, 2)."""
    out = np.zeros((len(grid.time_s), 2))
    breath = parameters.breath
    if touch.breathes:
        for at_s in _breaths_s(part, gestures, residue, parameters=parameters):
            _add_bump(
                out,
                grid,
                at_s,
                before_s=breath.before_s,
                after_s=breath.after_s,
                depth_cc=(-breath.depth_cc[0], -breath.depth_cc[1]),
            )
    if touch.bowed:
        half_s = breath.bow_s[0 if solo else 1]
        low, high = breath.bow_every_s
        for i in np.flatnonzero((gestures.length_s > breath.bow_note_s) & ~gestures.frozen & ~gestures.resting):
            place = float(residue.place[i])
            every_s = low + (high - low) * place
            at_s = gestures.onset_s[i] + every_s
            while at_s < gestures.end_s[i] - breath.bow_last_share * every_s:
                depth_cc = (-breath.bow_cc[0], -breath.bow_cc[1])
                _add_bump(out, grid, at_s, before_s=half_s, after_s=half_s, depth_cc=depth_cc)
                place = (place + _GOLDEN) % 1.0
                every_s = low + (high - low) * place
                at_s += every_s
    return out


def _breaths_s(part: PartHearing, gestures: Gestures, residue: Residue, *, parameters: RuleParameters) -> list[float]:
    """Where a line without rest gives a little: at its best boundary within reach, else inside the long note."""
    breath = parameters.breath
    strength = np.zeros(gestures.n_gestures)
    first = np.searchsorted(gestures.phrase, np.arange(len(part.phrases)))
    inside = first < gestures.n_gestures
    strength[first[inside]] = np.array([1.0 + phrase.strength for phrase in part.phrases])[inside]
    strength[1:] += breath.length_weight * np.minimum(gestures.length_s[:-1], 2.0)
    strength[1:] += breath.metre_weight * gestures.metre[1:]
    at_s: list[float] = []
    starts = np.flatnonzero(gestures.entry)
    for low, high in zip(starts, np.r_[starts[1:], gestures.n_gestures], strict=True):
        last_s, end_s = float(gestures.onset_s[low]), float(gestures.end_s[high - 1])
        within = Counter[int]()
        while end_s - last_s > breath.line_s:
            a, b = (
                np.searchsorted(gestures.onset_s[low:high], [last_s + breath.earliest_s, last_s + breath.latest_s])
                + low
            )
            if b > a:
                last_s = float(gestures.onset_s[a + int(np.argmax(strength[a:b]))])
            else:
                i = max(a - 1, low)
                place = (float(residue.place[i]) + _GOLDEN * within[i]) % 1.0
                within[i] += 1
                last_s += breath.earliest_s + (breath.latest_s - breath.earliest_s) * place
            at_s.append(last_s)
    return at_s


def _add_bump(
    out: Array, grid: Grid, at_s: float, *, before_s: float, after_s: float, depth_cc: tuple[float, float]
) -> None:
    """Add one bump in place, deepest at `at_s`."""
    low, high = np.searchsorted(grid.time_s, [at_s - before_s, at_s + after_s])
    offset_s = grid.time_s[low:high] - at_s
    out[low:high] += bump(offset_s / np.where(offset_s < 0, before_s, after_s))[:, None] * np.array(depth_cc)


def beats_cc(part: PartHearing, gestures: Gestures, metre: Array, grid: Grid, *, parameters: RuleParameters) -> Array:
    """Weight on the beats inside bursts of fast repeats; steps, (n_frames, 2)."""
    out = np.zeros((len(grid.time_s), 2))
    attack_gesture = np.repeat(np.arange(gestures.n_gestures), gestures.n_attacks)
    dip = parameters.dip
    fast = (gestures.figure == _REPEATED) & (gestures.n_attacks > 1)
    for i in np.flatnonzero(fast[attack_gesture] & (metre > 0)):
        weight = dip.beat_weak + (1.0 - dip.beat_weak) * metre[i]
        depth = (dip.beat_cc[0] * weight, dip.beat_cc[1] * weight)
        at_s = float(part.attacks.onset_s[i]) + dip.beat_late_s
        _add_bump(out, grid, at_s, before_s=dip.beat_width_s[0], after_s=dip.beat_width_s[1], depth_cc=depth)
    return out
