"""How an instrument answers: which value gives a level, and how late it is heard.

Everything is heard and predicted for an instrument that follows the default laws (`lanes.py`) and speaks at once. Here
is what lies between that and a profiled one. Levels go through decibels: a lane's value by the default law, then the
value at which the instrument gives that level. What dynamics cannot give, because its response does not reach so far,
expression makes up for. Times go through the onsets: lanes are moved to where notes are heard, while the value with
which a part enters stands at its note-on.

Units: controller steps, decibels, seconds. Three times belong to each attack: `written_s`, its note-on in the file;
`heard_s`, where hearing and prediction place it (the note-on, or where it sounds if the notes of the file were pulled
ahead); `sounding_s`, where it is heard.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from phrasewright.data.cue import PASSAGE_KINDS, Cue, Part
from phrasewright.data.notes import Notes, notes_at
from phrasewright.data.tempo import TempoMap
from phrasewright.model.attacks import attacks_of
from phrasewright.model.hearing import Attacks, PartHearing
from phrasewright.model.lanes import FULL_CC, db_to_expression, dynamics_to_db, expression_to_db
from phrasewright.model.layers import Layers, split_layers
from phrasewright.model.rests import REST_S
from phrasewright.model.shapes import bent_into

Floats = NDArray[np.float64]
Response = tuple[tuple[float, float], ...]

USUAL_CC = {"dynamics": (12.0, 118.0), "expression": (48.0, 120.0)}
"""Between which values the default lanes move; a response that reaches as far is followed as it is."""
_KNEE_DB, _LEAST_DB = 1.0, 1.0
_LEAST_EXPRESSION_CC = 4.0
_SNAP_S, _SNAP_PER_BEAT = 0.003, 24
"""Sounding onsets so near to a 24th of a quarter note stand on it: pulling notes ahead rounded them to ticks."""
_LEAST_APART_S = 1e-4

# --- level -----------------------------------------------------------------------------------------------


def answered(
    value_cc: Mapping[str, Floats], responses: Mapping[str, Response], bounds_cc: Mapping[str, tuple[float, float]]
) -> dict[str, Floats]:
    """Lanes of an instrument by the default laws to the values it needs, each of shape (n_frames,).

    Parameters
    ----------
    value_cc : mapping from lane to values by the default law
    responses : mapping from lane to ((value, db), ...)
        Lanes without one come back as they are, but for what expression makes up for.
    bounds_cc : mapping from lane to (lowest, highest) value that may be written
    """
    out = dict(value_cc)
    spare_db: Floats | float = 0.0
    for lane in ("dynamics", *(name for name in value_cc if name != "dynamics")):
        if lane not in value_cc:
            continue
        response = responses.get(lane)
        if response is None and not (lane == "expression" and np.any(spare_db)):
            continue
        want_db = _law_db(lane, value_cc[lane], response) + (spare_db if lane == "expression" else 0.0)
        if response is None:
            out[lane] = bent_into(db_to_expression(want_db), *bounds_cc[lane], knee=_LEAST_EXPRESSION_CC)
            continue
        found = _inverse(lane, want_db, response, bounds_cc[lane])
        if found is not None:
            out[lane] = found[0]
            if lane == "dynamics" and "expression" in value_cc:
                spare_db = want_db - found[1]
    return out


def by_default_law(
    lane: str, value_cc: ArrayLike, response: Response | None, *, spread_cc: tuple[int, int] | None = None
) -> Floats:
    """Values drawn on an instrument as the default law would have them: the inverse of `answered` for one lane.

    Shape of `value_cc`. `spread_cc` is the range over which a lane without a response is spread, None for one that is
    written as it is.
    """
    value = np.asarray(value_cc, dtype=np.float64)
    if response is None:
        if spread_cc is None:
            return value
        low, high = spread_cc
        return np.asarray(FULL_CC * np.clip((value - low) / max(high - low, 1), 0.0, 1.0))
    level_db = _level_db(value, response)
    if lane == "expression":
        return np.clip(db_to_expression(level_db), 0.0, FULL_CC)
    if lane == "dynamics":
        per_step = float(dynamics_to_db(FULL_CC) - dynamics_to_db(FULL_CC - 1.0))
        return np.clip(FULL_CC + level_db / per_step, 0.0, FULL_CC)
    lowest_db = response[0][1] - response[-1][1]
    return np.asarray(FULL_CC * (1.0 - level_db / lowest_db))


def _law_db(lane: str, value_cc: Floats, response: Response | None) -> Floats:
    """Level of values by the default law, 0 at full; lanes without a level of their own go even over the response."""
    if lane == "dynamics":
        return dynamics_to_db(value_cc)
    if lane == "expression":
        return expression_to_db(np.maximum(value_cc, _LEAST_EXPRESSION_CC))
    assert response is not None
    return np.asarray((1.0 - value_cc / FULL_CC) * (response[0][1] - response[-1][1]))


def _level_db(value_cc: Floats, response: Response) -> Floats:
    step, level = np.array(response).T
    return np.asarray(np.interp(value_cc, step, level - level[-1]))


def _inverse(
    lane: str, want_db: Floats, response: Response, bounds_cc: tuple[float, float]
) -> tuple[Floats, Floats] | None:
    """The values that give levels on an instrument, within bounds, and the levels they give.

    Levels beyond what it reaches are bent smoothly into what it does. None where nothing changes within the bounds.
    """
    low, high = max(bounds_cc[0], response[0][0]), min(bounds_cc[1], response[-1][0])
    if low >= high:
        low, high = bounds_cc
    step = np.linspace(low, high, 4 * round(high - low) + 1)
    level = _level_db(step, response) + 1e-6 * (step - step[-1])  # a level that rests belongs to its last value
    if level[-1] - level[0] < _LEAST_DB:
        return None
    usual_db = _law_db(lane, np.array(USUAL_CC.get(lane, (0.0, FULL_CC))), response)
    floor = -np.inf if level[0] <= usual_db[0] + 1e-6 else float(level[0])
    ceiling = np.inf if level[-1] >= usual_db[1] - 1e-6 else float(level[-1])
    given = want_db
    if np.isfinite(floor) or np.isfinite(ceiling):
        knee = min(_KNEE_DB, 0.25 * float(level[-1] - level[0]))
        given = bent_into(want_db, floor, ceiling, knee=knee)
    given = np.clip(given, level[0], level[-1])
    return np.asarray(np.interp(given, level, step)), given


# --- time ------------------------------------------------------------------------------------------------


def heard_cue(cue: Cue) -> Cue:
    """The cue with parts whose notes were pulled ahead placed where they sound; `keys` then hold the file's notes."""
    if not any(part.delays.advanced and part.delays.any and part.notes.n_notes for part in cue.parts):
        return cue
    return replace(cue, parts=tuple(_heard_part(part, cue.tempo) for part in cue.parts))


def as_filed(cue: Cue) -> Cue:
    """The cue with every note where it stands in the file: the inverse of `heard_cue`, but for passages."""
    return replace(cue, parts=tuple(replace(part, notes=part.file_notes, keys=None) for part in cue.parts))


def _heard_part(part: Part, tempo: TempoMap) -> Part:
    if not (part.delays.advanced and part.delays.any and part.notes.n_notes) or part.keys is not None:
        return part
    layers = split_layers(part.notes)
    notes = _sounding_notes(part, attacks_of(part, layers), layers, tempo)
    at = np.r_[part.notes.onset_s[0] - 1.0, part.notes.onset_s]
    moved = np.r_[notes.onset_s[0] - 1.0, notes.onset_s]
    edges = np.interp([p.start_s for p in part.passages], at, moved)
    ends = [*edges[1:].tolist(), max(part.passages[-1].end_s, float(notes.offset_s.max()))]
    starts = [part.passages[0].start_s, *edges[1:].tolist()]
    passages = tuple(
        replace(p, start_s=start, end_s=end) for p, start, end in zip(part.passages, starts, ends, strict=True)
    )
    return replace(part, notes=notes, keys=part.notes, passages=passages)


def _delays_s(part: Part, attacks: Attacks) -> Floats:
    """Delay of each attack, shape (n_attacks,)."""
    usual = np.where(attacks.joined, part.delays.legato_s, part.delays.first_s)
    return np.where(attacks.passage == PASSAGE_KINDS.index("sustained"), usual, part.delays.short_s)


def _sounding_notes(part: Part, attacks: Attacks, layers: Layers, tempo: TempoMap) -> Notes:
    """The notes where they are heard, in the file's order; a note joined to the next lasts until that is heard."""
    notes = part.notes
    late_s = _delays_s(part, attacks)[layers.attack]
    ticks, first, back = np.unique(notes.onset_tick, return_index=True, return_inverse=True)
    onset = tempo.s_to_tick(tempo.tick_to_s(ticks) + late_s[first])
    if tempo.has_metre:
        grid = tempo.ticks_per_beat / _SNAP_PER_BEAT
        on_grid = np.rint(np.rint(onset / grid) * grid).astype(np.int64)
        near = np.abs(tempo.tick_to_s(on_grid) - tempo.tick_to_s(onset)) <= _SNAP_S
        onset = np.where(near, on_grid, onset)
    order = np.arange(len(onset))
    onset = (np.maximum.accumulate(onset - order) + order)[back]
    follower = layers.following
    joined = (follower >= 0) & layers.connected[np.maximum(follower, 0)]
    end_s = notes.offset_s + np.where(joined, late_s[np.maximum(follower, 0)], late_s)
    offset = np.maximum(tempo.s_to_tick(end_s), onset + 1)
    return notes_at(onset, offset, notes.pitch.copy(), notes.velocity.copy(), tempo=tempo)


@dataclass(frozen=True)
class Timing:
    """Where each attack of a part is written, heard and sounding, shape (n_attacks,) each, in seconds.

    `file_s` and `lane_s`, rising, (n_knots,), are matching times of the file and of the predicted lanes.
    """

    written_s: Floats
    heard_s: Floats
    sounding_s: Floats
    file_s: Floats
    lane_s: Floats

    def to_lane_s(self, time_s: Floats) -> Floats:
        """Where on the predicted lanes each time of the file lies."""
        return _through(time_s, self.file_s, self.lane_s)

    def to_file_s(self, time_s: Floats) -> Floats:
        """Where in the file each time of the predicted lanes comes to stand."""
        rising = self.lane_s + 1e-9 * np.arange(len(self.lane_s))
        return _through(time_s, rising, self.file_s)

    @property
    def of_keys(self) -> Timing:
        """The same for a lane that is looked at when keys go down."""
        rising = np.maximum.accumulate(self.written_s) + 1e-7 * np.arange(len(self.written_s))
        return replace(self, sounding_s=self.written_s, file_s=rising, lane_s=self.heard_s)

    def at_note_ons(self, attacks: Attacks) -> Attacks:
        """The attacks with every time as it stands in the file."""
        end_s, release_s = self.to_file_s(attacks.end_s), self.to_file_s(attacks.release_s)
        return replace(attacks, onset_s=self.written_s, end_s=np.maximum(end_s, self.written_s), release_s=release_s)


def timing_of(heard: PartHearing) -> Timing | None:
    """How the times of a part belong together, None where it is heard at its note-ons."""
    part, attacks = heard.part, heard.attacks
    if not part.delays.any or not attacks.n_attacks:
        return None
    keys = part.file_notes
    written_s = keys.onset_s[attacks.first_note]
    heard_s = attacks.onset_s
    sounding_s = heard_s if part.keys is not None else heard_s + _delays_s(part, attacks)
    reach_s = np.maximum.accumulate(keys.offset_s)[attacks.last_note]
    heard_end_s = np.maximum.accumulate(part.notes.offset_s)[attacks.last_note]
    entry = np.r_[True, written_s[1:] - reach_s[:-1] >= REST_S - 1e-9]
    last = np.r_[entry[1:], True]
    span = np.cumsum(entry) - 1
    until_s = reach_s[last][span]  # where the sound around ends by its keys
    after = (np.flatnonzero(last)[span] - np.arange(len(span)) + 1) * _LEAST_APART_S
    at_s = np.minimum(sounding_s, until_s - after)  # what would speak after its line is over speaks at its end
    at_s = np.where(entry, np.maximum(at_s, written_s), at_s)
    rows = np.concatenate(  # what stands still until an entry sounds, every onset, where a line ends
        [
            np.stack([written_s[entry], heard_s[entry]], axis=1),
            np.stack([at_s, heard_s], axis=1),
            np.stack([reach_s[last], np.maximum(heard_end_s[last], heard_s[last])], axis=1),
        ]
    )
    rank = np.r_[np.zeros(entry.sum()), np.ones(len(at_s)), np.full(last.sum(), 2.0)]
    rows = rows[np.lexsort((rank, rows[:, 0]))]
    file_s = np.maximum.accumulate(rows[:, 0] + 0.0) + 1e-7 * np.arange(len(rows))
    return Timing(written_s, heard_s, sounding_s, file_s, np.maximum.accumulate(rows[:, 1]))


def _through(time_s: Floats, from_s: Floats, to_s: Floats) -> Floats:
    """Straight between matching times, at the same pace before the first and after the last."""
    inside = np.interp(time_s, from_s, to_s)
    before = np.minimum(time_s - from_s[0], 0.0)
    after = np.maximum(time_s - from_s[-1], 0.0)
    return np.asarray(inside + before + after)
