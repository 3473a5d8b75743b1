"""How lanes move while a part sounds: alone, as copies of each other, not at all, or like a machine.

Units: frames of 10 ms, seconds, controller steps. The thresholds are common practice without a source; each has its
reason beside it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phrasewright.data.curves import LANES
from phrasewright.model.lanes import FRAME_S, frames_in, runs
from phrasewright.model.review_flaws import (
    LEVEL_LANES,
    Flaw,
    Floats,
    Ints,
    Mask,
    WrittenPart,
    running_range,
    steps_text,
)

STRETCH_S = 4.0
"""Shortest stretch that is judged as a passage: a breath of music. Over less, lanes stand or agree by chance."""
MOVES_CC, MOVES_CHANGES = 6, 3
"""A lane moves where it changes three times or more over six steps or more; as for deciding what was drawn by hand."""
STANDS_CC = 2
"""A lane that stays within two steps stands, whatever its rounding does."""
STRETCH_ATTACKS = 4
"""So many onsets make a passage; one still note is a `flat-hold`."""

COPY_R, COPY_DIFFERENCE = 0.98, 0.1
"""Correlation above which, and RMS difference of the standardised lanes below which, one lane is a copy of another.
Lanes that belong together agree to about .9: timbre and level move together, but never by the same hand at the same
moment. Lanes of one level (means within a tenth of their deviation) need no more than the correlation.
"""
COPY_MOVES_CC = 6
"""Both lanes range over so much; smaller ones agree by rounding."""
COPY_STRETCHES_S = (4.0, 8.0, 16.0)
"""Windows in which lanes are compared: a copy of a phrase shows in the shortest, a small copy of quiet lanes, half of
which is rounding, in the longest.
"""
DETAIL_S, DETAIL_R, DETAIL_CC = 1.0, 0.8, 0.4
"""What is left of a lane without its average over a second agrees in a copy too. Two plain swells agree to .99 without
copying each other; where either holds less detail than the rounding (0.4 steps RMS) they are judged by their moments.
Found on a crescendo of the demo cues whose vibrato grows with it.
"""
SAME_MOMENTS, MOMENTS, MOMENTS_SHARE = 0.9, 8, 0.25
"""Lanes without detail are copies where nine in ten changes of the calmer lane, and at least eight, fall together with
a change of the other (within 20 ms), while neither changes in more than a quarter of the frames, where that would
happen by chance.
"""

HELD_S, FLAT_CC = 2.0, 4
"""A played note drifts by 3 to 6 steps within about a second; under 4 steps in two seconds it stands still."""
HIGH_FLAT_CC = 1

PEAK_R, PEAK_AFTER_S = 0.5, 0.5
"""Biased autocorrelation that is periodic, and the lag from which it counts: nearer than half a second every smooth
curve agrees with itself.
"""
PEAK_RISE_R = 0.2
"""How far the peak stands above the lowest place before it: on a slow swell every ripple is a peak over .5."""
DETRENDED_R = 0.65
"""The same peak where a straight trend was taken off first, as under a crescendo: what is left of a plain drift then
passes .5 by chance.
"""
BEATS, BEAT_SHARE = (0.5, 1.0, 2.0, 3.0, 4.0), 0.05
"""Periods in quarter notes that go with the beat, and how nearly."""
MACHINE_MOVES_CC = 3
"""Movement of fewer steps than this is rounding, whatever its period."""
_STEP, _EVEN_FRAMES = 2, 5
_HOP_S = 0.25


def lone_lanes(part: WrittenPart) -> list[Flaw]:
    """`one-lane`: of dynamics and expression one moves and the other stands for four seconds and four onsets or more.

    Level and timbre change together on every instrument that sustains; a lane that rises alone sounds like a fader.
    Vibrato beside it does not help: it colours the tone and carries no line. Vibrato that moves alone over both counts
    too, without a lane to name. Only what sounds is looked at: in rests lanes stand, or go straight to the next entry.
    In a part shorter than four seconds, all of it counts.
    """
    heard = np.flatnonzero(part.sounding & part.sustained)  # (n_heard,)
    if not len(heard):
        return []
    pairs = [(LEVEL_LANES[:1], LEVEL_LANES[1]), (LEVEL_LANES[1:], LEVEL_LANES[0]), (LEVEL_LANES, "vibrato")]
    flaws = []
    for still, moving in pairs:
        if moving in part.lanes:
            flaws += _alone(part, still, moving, heard)
    return flaws


def _alone(part: WrittenPart, still: Sequence[str], moving: str, heard: Ints) -> list[Flaw]:
    """Where `moving` moves and all of `still` stand, over the frames that sound."""
    size = min(round(STRETCH_S / FRAME_S), len(heard))
    other = part.frames_cc[moving][heard]
    changes = np.r_[0, np.cumsum(np.diff(other) != 0)]
    window = changes[size - 1 :] - changes[: len(heard) - size + 1] >= MOVES_CHANGES
    window &= running_range(other, size) >= MOVES_CC
    for lane in still:
        if lane in part.lanes:
            window &= running_range(part.frames_cc[lane][heard], size) <= STANDS_CC
    flaws = []
    for first, stop in runs(_closed(_spread(window, size, len(heard)), size)).tolist():
        whole = _lone(part, still, moving, heard[first:stop])
        pieces = [(first + a, first + b) for a, b in _longest(window[first : max(stop - size + 1, first)], size)]
        found = [f for a, b in pieces if (f := _lone(part, still, moving, heard[a:b])) is not None]
        flaws += [whole] if whole else found
    return flaws


def _lone(part: WrittenPart, still: Sequence[str], moving: str, frames: Ints) -> Flaw | None:
    """The flaw over some sounding frames, if it holds throughout them."""
    span_s = float(frames[0]) * FRAME_S, float(frames[-1] + 1) * FRAME_S
    onset_s = part.attacks.onset_s
    n_onsets = np.count_nonzero((onset_s >= span_s[0] - 0.1) & (onset_s < span_s[1]))
    whole = len(frames) >= 0.95 * np.count_nonzero(part.sounding & part.sustained)
    long = len(frames) * FRAME_S >= STRETCH_S - 1e-9 and n_onsets >= STRETCH_ATTACKS
    if not (long or (whole and n_onsets > 1)):
        return None
    move_cc = np.ptp(part.frames_cc[moving][frames])
    if not move_cc >= MOVES_CC:
        return None
    place = "is not drawn" if len(still) == 1 else "dynamics and expression are not drawn"
    drawn = [part.frames_cc[lane][frames] for lane in still if lane in part.lanes]
    if drawn:
        if not all(np.ptp(piece) < MOVES_CC for piece in drawn):
            return None
        low, high = int(drawn[0].min()), int(drawn[0].max())
        place = f"stands at {low}" if low == high else f"stays between {low} and {high}"
        place = place if len(still) == 1 else "dynamics and expression stand"
    verb = "move" if moving == "dynamics" else "moves"
    what = f"{place} while {moving} {verb} over {steps_text(move_cc)}; let both carry the line"
    severity = "high" if span_s[1] - span_s[0] > 3 * STRETCH_S else "medium"
    return Flaw("one-lane", still[0] if len(still) == 1 else None, *span_s, what, severity)


def copied_lanes(part: WrittenPart) -> list[Flaw]:
    """`copied-lane`: two lanes that agree as copies do, whatever their level and depth.

    Over windows of four, eight and sixteen seconds of what sounds (rounding weighs less in the longer): r over .98, and
    an RMS difference of the standardised lanes (each less its mean, over its standard deviation) under .1, which is
    sqrt(2 (1 - r)); or, for lanes of the same values, a difference of means under .1 of their deviation. The detail
    faster than a second agrees too, or both change at the same moments. The lane named is the later of the two in the
    order dynamics, expression, vibrato.
    """
    names = [lane for lane in LANES if lane in part.lanes]
    heard = np.flatnonzero((part.sounding & part.sustained)[::_STEP])
    flaws = []
    for i, j in [(first, second) for second in range(len(names)) for first in range(second)]:
        pair = np.stack([part.frames_cc[names[k]] for k in (i, j)])
        even = np.stack([_evened(lane) for lane in pair])[:, ::_STEP]
        mine = heard[np.all(np.isfinite(even[:, heard]), axis=0)]
        one, other = even[:, mine]
        whole = pair[:, ::_STEP][:, mine]
        mask = np.zeros(len(mine), dtype=bool)
        for stretch_s in COPY_STRETCHES_S:
            size = round(stretch_s / FRAME_S / _STEP)
            alike = _alike(one, other, size)
            for at in np.flatnonzero(alike).tolist():
                span = slice(at, at + size)
                alike[at] = _same_detail(one[span], other[span]) or _same_moments(*whole[:, span])
            mask |= _spread(alike, size, len(mine))
        for first, stop in runs(mask).tolist():
            r = np.corrcoef(one[first:stop], other[first:stop])[0, 1]
            what = f"follows {names[i]} like a copy (r = {r:.3f}); let it lead or lag, with a depth of its own"
            span_s = float(mine[first]) * FRAME_S * _STEP, float(mine[stop - 1] + 1) * FRAME_S * _STEP
            flaws.append(Flaw("copied-lane", names[j], *span_s, what, "medium"))
    return flaws


def _evened(lane: Floats) -> Floats:
    """The lane over 50 ms: events of a copy may be written some hundredths of a second after their model's."""
    half = _EVEN_FRAMES // 2
    return np.convolve(np.pad(lane, half, mode="edge"), np.full(_EVEN_FRAMES, 1.0 / _EVEN_FRAMES), "valid")


def _alike(one: Floats, other: Floats, size: int) -> Mask:
    """Whether a window of `size` values from each place on agrees as copies do, looked at every quarter second.

    Shape (n - size + 1,), empty where there is no window.
    """
    n = max(len(one) - size + 1, 0)
    alike = np.zeros(n, dtype=bool)
    if not n:
        return alike
    start = np.unique(np.r_[np.arange(0, n, round(_HOP_S / FRAME_S / _STEP)), n - 1])

    def mean(value: Floats) -> Floats:
        total = np.r_[0.0, np.cumsum(value)]
        return np.asarray((total[start + size] - total[start]) / size)

    x, y = one - one.mean(), other - other.mean()
    mean_x, mean_y = mean(x), mean(y)
    var_x, var_y = np.maximum(mean(x * x) - mean_x**2, 1e-9), np.maximum(mean(y * y) - mean_y**2, 1e-9)
    r = (mean(x * y) - mean_x * mean_y) / np.sqrt(var_x * var_y)
    difference = np.sqrt(np.maximum(2.0 * (1.0 - r), 0.0))
    apart = np.abs(mean_x - mean_y + one.mean() - other.mean()) / np.sqrt((var_x + var_y) / 2)
    moves = (running_range(one, size) >= COPY_MOVES_CC) & (running_range(other, size) >= COPY_MOVES_CC)
    alike[start] = moves[start] & (r > COPY_R) & (np.minimum(difference, apart) < COPY_DIFFERENCE)
    return alike


def _same_detail(one: Floats, other: Floats) -> bool:
    x, y = _detail(one), _detail(other)
    rms = float(np.sqrt(np.mean(x * x))), float(np.sqrt(np.mean(y * y)))
    return min(rms) >= DETAIL_CC and float(np.mean(x * y)) > DETAIL_R * rms[0] * rms[1]


def _same_moments(one: Floats, other: Floats) -> bool:
    """Whether nearly every change of the calmer lane comes with a change of the other, and there are enough."""
    x, y = np.diff(one) != 0, np.diff(other) != 0
    fewer, share = min(np.count_nonzero(x), np.count_nonzero(y)), max(np.mean(x), np.mean(y))
    return bool(fewer >= MOMENTS and share < MOMENTS_SHARE and np.count_nonzero(x & y) >= SAME_MOMENTS * fewer)


def _detail(value: Floats) -> Floats:
    """The values less their average over a second, without half a second at both ends."""
    size = round(DETAIL_S / FRAME_S / _STEP) | 1
    return np.asarray(value[size // 2 : -(size // 2)] - np.convolve(value, np.full(size, 1.0 / size), "valid"))


def flat_holds(part: WrittenPart, *, lone: list[Flaw]) -> list[Flaw]:
    """`flat-hold`: dynamics or expression within less than 4 steps for two seconds of a held note.

    Each lane for itself; where a lane stands throughout a passage (`lone`) that one finding is enough.
    """
    if not part.drawn:
        return []
    size = round(HELD_S / FRAME_S) + 1
    held = _held_spans(part)
    flaws = []
    for lane in (lane for lane in LEVEL_LANES if lane in part.lanes):
        value = part.frames_cc[lane]
        flat = running_range(value, size) < FLAT_CC
        known = np.array([(flaw.start_s, flaw.end_s) for flaw in lone if flaw.lane in (lane, None)]).reshape(-1, 2)
        told = frames_in(known, n_frames=part.n_frames)
        inside = np.zeros(len(flat), dtype=bool)
        for first, last in held.tolist():
            inside[first : last - size + 2] |= flat[first : last - size + 2]
        inside &= ~told[: len(inside)]
        for first, stop in _longest(inside, size):
            piece = value[first:stop]
            length_s = (stop - 1 - first) * FRAME_S
            still = f"stays within {steps_text(np.ptp(piece))} for {length_s:.1f} s of a held note"
            if np.ptp(piece) >= FLAT_CC:
                still = f"hardly moves for {length_s:.1f} s of a held note, never {FLAT_CC} steps within {HELD_S:.0f} s"
            what = f"{still}; let it grow, fall or drift"
            severity = "high" if np.ptp(piece) <= HIGH_FLAT_CC else "medium"
            flaws.append(Flaw("flat-hold", lane, first * FRAME_S, (stop - 1) * FRAME_S, what, severity))
    return flaws


def _held_spans(part: WrittenPart) -> Ints:
    """First and last frame of each note of two seconds or more in a sustained passage, (n_held, 2), without doubles."""
    notes = part.notes
    long = notes.offset_s - notes.onset_s >= HELD_S - 1e-6
    first = np.ceil(notes.onset_s[long] / FRAME_S - 1e-6).astype(np.int64)
    last = np.floor(notes.offset_s[long] / FRAME_S + 1e-6).astype(np.int64)
    spans = np.unique(np.stack([first, np.minimum(last, part.n_frames - 1)], axis=1), axis=0)
    return np.asarray(spans[part.sustained[np.minimum(spans[:, 0], part.n_frames - 1)]])


def machine_holds(part: WrittenPart) -> list[Flaw]:
    """`machine`: movement of a held note that repeats itself, in seconds or in beats.

    For each note or chord that sounds for over two seconds without another onset of the part: a peak over .5, beyond
    half a second, of the lane's biased autocorrelation (divided by that at lag 0); see `period`. The same over quarter
    notes where the tempo changes under the note.
    """
    a = part.attacks
    flaws = []
    index = np.flatnonzero(a.end_s - a.onset_s > HELD_S)
    for lane in (lane for lane in LANES if lane in part.lanes):
        value = part.frames_cc[lane]
        for i in index.tolist():
            on_s, end_s = float(a.onset_s[i]), float(a.end_s[i])
            first, stop = round(on_s / FRAME_S) + 1, round(end_s / FRAME_S)
            piece = value[first:stop:_STEP]
            if not part.sustained[min(first, part.n_frames - 1)] or not np.ptp(piece) >= MACHINE_MOVES_CC:
                continue
            found = _period_of(part, piece, first * FRAME_S)
            if found is None:
                continue
            period_s, r, on_beat = found
            how = "with the beat" if on_beat else f"every {period_s:.1f} s"
            what = f"comes round {how} (autocorrelation {r:.2f}) through a held note, like a machine; draw it by hand"
            flaws.append(Flaw("machine", lane, on_s, end_s, what, "medium"))
    return flaws


def _period_of(part: WrittenPart, piece: Floats, start_s: float) -> tuple[float, float, bool] | None:
    """(period in seconds, peak, whether it goes with the beat), None where nothing repeats."""
    step_s = FRAME_S * _STEP
    found = period(piece, step_s=step_s)
    if not part.tempo.has_metre:
        return None if found is None else (*found, False)
    beat = part.tempo.s_to_beat(start_s + np.arange(len(piece)) * step_s)
    step_beat = float(beat[-1] - beat[0]) / (len(beat) - 1)
    if found is not None:
        return (*found, _is_beats(found[0] / step_s * step_beat))
    even = np.linspace(beat[0], beat[-1], len(beat))
    if np.max(np.abs(even - beat)) < 0.05:
        return None
    found = period(np.interp(even, beat, piece), step_s=step_s)
    if found is None or not _is_beats(found[0] / step_s * step_beat):
        return None
    return (*found, True)


def _is_beats(length_beat: float) -> bool:
    return any(abs(length_beat - beats) <= BEAT_SHARE * beats for beats in BEATS)


def period(value: Floats, *, step_s: float) -> tuple[float, float] | None:
    """Lag in seconds and height of the highest peak of the biased autocorrelation over .5 beyond half a second.

    Of the lane less its mean; where that shows none, of the lane less its straight trend, with a peak over .65. The
    peak stands .2 above the lowest place before it. None where there is no such peak.
    """
    x = np.arange(len(value)) - (len(value) - 1) / 2
    level = value - value.mean()
    found = _peak(level, least=PEAK_R, step_s=step_s)
    return found or _peak(level - x * (x @ level) / (x @ x), least=DETRENDED_R, step_s=step_s)


def _peak(rest: Floats, *, least: float, step_s: float) -> tuple[float, float] | None:
    n = len(rest)
    power = float(rest @ rest)
    if power <= n * 0.25:  # half a step RMS: rounding
        return None
    size = 1 << (2 * n - 1).bit_length()
    r = np.fft.irfft(np.abs(np.fft.rfft(rest, size)) ** 2, size)[:n] / power
    rise = r - np.minimum.accumulate(r)
    peak = (r[1:-1] > r[:-2]) & (r[1:-1] >= r[2:]) & (r[1:-1] > least) & (rise[1:-1] > PEAK_RISE_R)
    at = np.flatnonzero(peak) + 1
    at = at[at > round(PEAK_AFTER_S / step_s)]
    if not len(at):
        return None
    best = int(at[np.argmax(r[at])])
    return best * step_s, float(r[best])


def _spread(starts: Mask, size: int, n: int) -> Mask:
    """Places covered by windows of `size` that begin where `starts` is true. Shape (n,)."""
    change = np.zeros(n + 1, dtype=np.int64)
    change[: len(starts)] += starts
    change[size : size + len(starts)] -= starts
    return np.asarray(np.cumsum(change[:-1]) > 0)


def _longest(starts: Mask, size: int) -> list[tuple[int, int]]:
    """Stretches in which every window of `size` counts, (first, last + 1); of two that overlap the longer."""
    kept: list[tuple[int, int]] = []
    for first, stop in runs(starts).tolist():
        span = first, stop - 1 + size
        if kept and first < kept[-1][1]:
            kept[-1] = max(kept[-1], span, key=lambda pair: pair[1] - pair[0])
        else:
            kept.append(span)
    return kept


def _closed(mask: Mask, size: int) -> Mask:
    """The mask with gaps shorter than `size` between true values filled."""
    out = mask.copy()
    gaps = runs(~mask)
    for first, stop in gaps[(gaps[:, 0] > 0) & (gaps[:, 1] < len(mask)) & (gaps[:, 1] - gaps[:, 0] < size)].tolist():
        out[first:stop] = True
    return out
