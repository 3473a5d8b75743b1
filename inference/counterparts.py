"""Which part of one file is which of another, and its lanes on the other's time.

Parts go together by name, then by equal notes, then by order. Where a pair's notes stand at other times (another tempo,
bars inserted or cut), they are matched as `learn` matches corrections, and the second file's lanes are read at the
places that the notes give; a note without its like has no place there and does not count. Seconds from the start of
the first file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Part
from phrasewright.data.curves import ALL_LANES, Curve
from phrasewright.data.matching import CueMatch, PartMatch, match_cues
from phrasewright.data.notes import Notes
from phrasewright.model.lanes import frame_times_s, n_frames_for

SAME_ONSET_S = 0.01
"""Onsets closer than this are the same: a rounding of ticks, not another performance (common practice, no source)."""
LEAST_SHARE = 0.3
"""Of a part's notes, how many must have their like before the other's lanes are moved (as `learn` asks of a cue)."""
IN_PLACE_SHARE = 0.95
"""With so many notes where they were, time as it stands is right and what else changed are single notes."""
_ROUNDING_S = 1e-6


@dataclass(frozen=True)
class Counterpart:
    """What stands for a part in the other file.

    Parameters
    ----------
    part : Part
        As in the other file.
    notes : Notes
        The first file's notes that the other has too: where lanes can be compared.
    grid_s : float array, (n_frames,), or None
        The other file's time at each 10 ms of the first; None where both run alike.
    """

    part: Part
    notes: Notes
    grid_s: NDArray[np.float64] | None = None

    def lane(self, lane: str) -> Curve | None:
        """The other file's lane on the first file's time, None where it has none."""
        curve = self.part.drawn(lane)
        if curve is None or self.grid_s is None:
            return curve
        value_cc = curve.at(self.grid_s)
        change = np.isfinite(value_cc) & np.r_[True, value_cc[1:] != value_cc[:-1]]
        time_s = frame_times_s(len(value_cc))[change]
        return Curve(time_s, value_cc[change]) if len(time_s) else None


def counterparts(left: Cue, right: Cue) -> tuple[list[Counterpart | None], list[str]]:
    """For each part of the left cue its counterpart in the right one, None where it has none; and what to tell."""
    pairing = _Pairing(left, right)
    remarks = pairing.remarks
    found: list[Counterpart | None] = []
    for part, other in zip(left.parts, pairing.others, strict=True):
        if other is None:
            found.append(None)
            continue
        stands, said = _placed(part, other, pairing)
        found.append(stands)
        remarks += said + _controller_remarks(part, other, left, right)
    return found, _length_remarks(left, right, found) + remarks


def _length_remarks(left: Cue, right: Cue, found: Sequence[Counterpart | None]) -> list[str]:
    """Files of different length; not where all notes are the same or lanes were moved to them."""
    told = all(
        other is not None and (other.grid_s is not None or first_difference(part.notes, other.part.notes) is None)
        for part, other in zip(left.parts, found, strict=True)
    )
    if told or abs(left.duration_s - right.duration_s) <= 1.0:
        return []
    lengths = f"{left.path.name} lasts {left.duration_s:.1f} s, {right.path.name} {right.duration_s:.1f} s"
    return [f"{lengths}: lanes are compared by time as they stand"]


class _Pairing:
    """Who goes with whom; the notes of both cues are matched once, and only if somebody asks."""

    def __init__(self, left: Cue, right: Cue) -> None:
        self.left, self.right = left, right
        self.others: list[Part | None] = [None] * len(left.parts)
        self.remarks: list[str] = []
        waiting = list(right.parts)
        for i, part in enumerate(left.parts):
            same = next((other for other in waiting if _key(other) == _key(part)), None)
            if same is not None:
                waiting.remove(same)
                self.others[i] = same
        for by_notes in (self._equal, self._alike):
            for i, part in self._alone(waiting):
                other, next_one = by_notes(part, waiting), waiting[0] if waiting else None
                if other is not None:
                    waiting.remove(other)
                    self.others[i] = other
                    how = "next in order" if other is next_one else "with its notes"
                    self.remarks.append(f"{part.name} is not in {right.path.name}; {other.name}, {how}, stands for it")
        for i, part in self._alone(waiting):
            other = self.others[i] = waiting.pop(0) if waiting else None
            said = f"; {other.name}, next in order, stands for it" if other is not None else ""
            self.remarks.append(f"{part.name} is not in {right.path.name}{said}")
        self.remarks += [
            f"{part.name} is not in {right.path.name}"
            for part, other in zip(left.parts, self.others, strict=True)
            if other is None and not any(said.startswith(f"{part.name} is not in") for said in self.remarks)
        ]
        self.remarks += [f"{other.name} is only in {right.path.name}" for other in waiting]

    def _alone(self, waiting: Sequence[Part]) -> list[tuple[int, Part]]:
        return [(i, part) for i, part in enumerate(self.left.parts) if self.others[i] is None] if waiting else []

    def _equal(self, part: Part, waiting: Sequence[Part]) -> Part | None:
        if not part.notes.n_notes:
            return None
        return next((other for other in waiting if first_difference(part.notes, other.notes) is None), None)

    def _alike(self, part: Part, waiting: Sequence[Part]) -> Part | None:
        shares = [(len(match.pairs), -other.index, other) for other in waiting if (match := self.match_of(part, other))]
        best = max(shares, key=lambda row: row[:2], default=None)
        return best[2] if best is not None and 2 * best[0] >= part.notes.n_notes else None

    @cached_property
    def _match(self) -> CueMatch:
        return match_cues(self.right.parts, self.left.parts)

    def match_of(self, part: Part, other: Part) -> PartMatch | None:
        """Notes that the two have in common; the right cue counts as recorded, so that left times lead to right."""
        ours = (other.index - 1, part.index - 1)
        return next((match for match in self._match.parts if (match.recorded, match.corrected) == ours), None)


def _placed(part: Part, other: Part, pairing: _Pairing) -> tuple[Counterpart, list[str]]:
    """A counterpart with its time, matched by notes where they stand elsewhere."""
    left, right = pairing.left, pairing.right
    at = first_difference(part.notes, other.notes)
    if at is None or not part.notes.n_notes:
        return Counterpart(other, part.notes), []
    n_notes = part.notes.n_notes
    time_s = float(part.notes.onset_s[at])
    where = f"bar {left.tempo.bar_at(time_s)}" if left.tempo.has_metre else f"{time_s:.1f} s"
    told = f"{part.name}: the notes differ from {where} on ({n_notes} in {left.path.name}, "
    told += f"{other.notes.n_notes} in {right.path.name})"
    n_in_place = int(np.count_nonzero(in_place(part.notes, other.notes)))
    match = pairing.match_of(part, other) if n_in_place < IN_PLACE_SHARE * n_notes else None
    if match is None or len(match.pairs) < max(LEAST_SHARE * n_notes, n_in_place + 1):
        return Counterpart(other, part.notes), [f"{told}; its lanes are compared by time as they stand"]
    end_s = float(part.notes.offset_s.max())
    beat = match.time_map.recorded(left.tempo.s_to_beat(frame_times_s(n_frames_for(end_s))))
    grid_s = right.tempo.beat_to_s(beat) + _ROUNDING_S
    known = np.unique(match.pairs[:, 1])
    alone = n_notes - len(known)
    rest = f"; {alone} without their like do not count" if alone else ""
    told += f"; its lanes are compared where {len(known)} notes are the same{rest}"
    return Counterpart(other, part.notes.take(known), grid_s), [told]


def in_place(left: Notes, right: Notes) -> NDArray[np.bool_]:
    """Which left notes the right part has too, of one pitch and at one time; shape (n_notes,)."""
    if not right.n_notes:
        return np.zeros(left.n_notes, dtype=bool)
    wide = max(float(left.offset_s.max(initial=0.0)), float(right.offset_s.max())) + 1.0
    keys = np.sort(right.pitch * wide + right.onset_s)
    key = left.pitch * wide + left.onset_s
    after = np.minimum(np.searchsorted(keys, key), len(keys) - 1)
    nearest = np.minimum(np.abs(keys[after] - key), np.abs(keys[np.maximum(after - 1, 0)] - key))
    return np.asarray(nearest <= SAME_ONSET_S)


def first_difference(left: Notes, right: Notes) -> int | None:
    """Index of the first left note without its like at the same place, None where all are alike."""
    n = min(left.n_notes, right.n_notes)
    apart = np.abs(left.onset_s[:n] - right.onset_s[:n]) > SAME_ONSET_S
    apart |= left.pitch[:n] != right.pitch[:n]
    if np.any(apart):
        return int(np.argmax(apart))
    return None if left.n_notes == right.n_notes else min(n, left.n_notes - 1)


def _controller_remarks(part: Part, other: Part, left: Cue, right: Cue) -> list[str]:
    ccs = [(lane, part.lane_cc.get(lane), other.lane_cc.get(lane)) for lane in ALL_LANES]
    return [
        f"{part.name}: {lane} is controller {here} in {left.path.name}, controller {there} in {right.path.name}"
        for lane, here, there in ccs
        if here is not None and there is not None and here != there
    ]


def _key(part: Part) -> str:
    return " ".join(part.name.split()).casefold()
