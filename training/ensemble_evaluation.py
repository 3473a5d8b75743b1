"""How the parts of a cue go together: shared gestures, hand-over of the melody, doublings, counter-melodies, balance;
and one part at three plans.

    python -m phrasewright.training.ensemble_evaluation [CUE.mid ...] [--rules] [--no-plan] [--json]

Without cues the demo cues are taken. Levels are dB of dynamics and expression together, as `model/lanes.py` has them;
all figures are of predicted lanes at 100 frames a second. What each means stands in the function that makes it.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.demo_cues import demo_names, write_demo
from phrasewright.data.plan import LEVELS_CC, Change, Plan
from phrasewright.data.profiles import read_profile
from phrasewright.data.reading import read_cue
from phrasewright.model.hearing import EVENTS, ROLES, CueHearing
from phrasewright.model.lanes import FRAME_S, combined_level_db, n_frames_for, runs
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.model.prediction import Predictor, network_lanes, residue_cc
from phrasewright.model.rules import rules_lanes

Array = NDArray[np.float64]
_MELODY, _COUNTER = ROLES.index("melody"), ROLES.index("counter")
_TOGETHER_S, _CHANGE_PARTS = 0.035, 3
_AROUND_S = 0.6
"""A chord change is looked at this long before and after."""
_TUTTI_PARTS = 6
_DOUBLED_S = 6.0
"""Parts that play the same pitch classes together for at least so long double each other."""
_BEAT_S = 0.8
"""The arcs of doublings are what is left of their level after smoothing over this."""


class Ensemble:
    """The lanes of a whole cue side by side on one grid.

    `level_db`, `residue_cc`, `sounding`, `role`: shape (n_parts, n_frames), of the shaped parts numbered in `parts`;
    NaN or -1 where a part is silent. `residue_cc` is the movement of dynamics without a reason in the notes.
    """

    def __init__(self, hearing: CueHearing, predict: Predictor) -> None:
        self.hearing = hearing
        self.parts = [i for i, heard in enumerate(hearing.parts) if heard.part.shaped and heard.attacks.n_attacks]
        ends = [float(hearing.parts[i].part.notes.offset_s.max()) for i in self.parts]
        n = max((n_frames_for(end) for end in ends), default=1)
        self.level_db = np.full((len(self.parts), n), np.nan)
        self.residue_cc = np.full((len(self.parts), n), np.nan)
        self.role = np.full((len(self.parts), n), -1)
        for row, i in enumerate(self.parts):
            lanes = predict(hearing, i).value_cc
            heard = hearing.parts[i]
            sounding = sounding_frames(hearing, i, len(lanes))
            self.level_db[row, : len(lanes)] = np.where(
                sounding, combined_level_db(lanes[:, 0], lanes[:, 1]), np.nan
            )
            drawn = residue_cc(hearing, i, n_frames=len(sounding))[:, 0]
            self.residue_cc[row, : len(drawn)] = np.where(sounding, drawn, np.nan)
            time_s = np.arange(len(lanes)) * FRAME_S
            attack = np.maximum(np.searchsorted(heard.attacks.onset_s, time_s + 1e-6, side="right") - 1, 0)
            self.role[row, : len(lanes)] = np.where(sounding, heard.attacks.role[attack], -1)
        self.sounding = np.isfinite(self.level_db)

    def at(self, time_s: float) -> int:
        """The frame of a time."""
        return round(time_s / FRAME_S)


def shared_changes(e: Ensemble) -> dict[str, Any]:
    """Correlation of the level of any two parts around chord changes, from `_AROUND_S` before to as long after.

    A change is where at least three parts attack within 35 ms, joined to what they played before. Median over pairs and
    changes, the share of pairs over .3, and the share of near copies (over .98).
    """
    onsets = [e.hearing.parts[i].attacks for i in e.parts]
    rows = sorted((float(t), p) for p, a in enumerate(onsets) for t in a.onset_s[a.joined])
    found, k = [], 0
    while k < len(rows):
        last = k
        while last + 1 < len(rows) and rows[last + 1][0] - rows[k][0] <= _TOGETHER_S:
            last += 1
        parts = sorted({p for _, p in rows[k : last + 1]})
        if len(parts) >= _CHANGE_PARTS:
            at, half = e.at(rows[k][0]), round(_AROUND_S / FRAME_S)
            span = slice(max(at - half, 0), at + half)
            for one, other in combinations(parts, 2):
                r = _correlation(e.level_db[one, span], e.level_db[other, span])
                if r is not None:
                    found.append(r)
        k = last + 1
    return {
        "n_pairs": len(found),
        "median_r": _rounded(np.median(found) if found else None),
        "share_over_.3": _rounded(np.mean(np.array(found) > 0.3) if found else None),
        "share_copies": _rounded(np.mean(np.array(found) > 0.98) if found else None),
    }


def shared_closings(e: Ensemble) -> dict[str, Any]:
    """Correlation of the level of any two parts within a closing, smoothed over half a second; median over pairs."""
    labels = [EVENTS.index("closing-rise"), EVENTS.index("closing-fall")]
    spans = []
    for i in e.parts:
        a = e.hearing.parts[i].attacks
        spans.append([(float(a.onset_s[x]), float(a.end_s[y - 1])) for x, y in runs(np.isin(a.event, labels))])
    found = []
    for one, other in combinations(range(len(e.parts)), 2):
        for begin, end in spans[one]:
            for start, stop in spans[other]:
                low, high = e.at(max(begin, start)), e.at(min(end, stop))
                if high - low > 150:
                    r = _correlation(_smoothed(e.level_db[one, low:high]), _smoothed(e.level_db[other, low:high]))
                    if r is not None:
                        found.append(r)
    return {"n_pairs": len(found), "median_r": _rounded(np.median(found) if found else None)}


def hand_overs(e: Ensemble) -> dict[str, Any]:
    """Where the melody leaves one part that goes on sounding and begins in another: how the two levels move.

    `gives_db` and `takes_db` are the changes of level from the two seconds before to the two seconds after, of the part
    that loses and of the part that gains the melody (where it sounded before); medians. `over_db` is the new melody
    over the old one after.
    """
    gives, takes, over, at_s = [], [], [], []
    width = round(2.0 / FRAME_S)
    role = e.role
    for one in range(len(e.parts)):
        leaves = np.flatnonzero((role[one, :-1] == _MELODY) & (role[one, 1:] > _MELODY)) + 1
        for at in leaves.tolist():
            near = slice(max(at - 100, 0), at + 100)
            for other in range(len(e.parts)):
                took = np.flatnonzero((role[other, near] == _MELODY) & (np.r_[-2, role[other, near][:-1]] != _MELODY))
                if other == one or not len(took):
                    continue
                before, after = slice(max(at - width, 0), at), slice(at + 50, at + 50 + width)
                mine = [_mean(e.level_db[one, span]) for span in (before, after)]
                new = [_mean(e.level_db[other, span]) for span in (before, after)]
                if mine[0] is not None and mine[1] is not None:
                    gives.append(mine[1] - mine[0])
                if new[0] is not None and new[1] is not None:
                    takes.append(new[1] - new[0])
                if new[1] is not None and mine[1] is not None:
                    over.append(new[1] - mine[1])
                    at_s.append(round(at * FRAME_S, 1))
    return {
        "n": len(over),
        "gives_db": _rounded(np.median(gives) if gives else None),
        "takes_db": _rounded(np.median(takes) if takes else None),
        "over_db": _rounded(np.median(over) if over else None),
        "at_s": at_s,
    }


def doublings(e: Ensemble) -> dict[str, Any]:
    """Median correlation of parts in unison or octaves: of arcs (level smoothed over a beat), and of residue."""
    arcs, residues = [], []
    for one, other in combinations(range(len(e.parts)), 2):
        for low, high in _doubled_spans(e, one, other):
            slow = [_smoothed(e.level_db[row, low:high], width_s=_BEAT_S) for row in (one, other)]
            arc = _correlation(*slow)
            residue = _correlation(*(e.residue_cc[row, low:high] for row in (one, other)))
            if arc is not None and residue is not None:
                arcs.append(arc)
                residues.append(residue)
    return {
        "n": len(arcs),
        "arc_r": _rounded(np.median(arcs) if arcs else None),
        "residue_r": _rounded(np.median(residues) if residues else None),
    }


def _doubled_spans(e: Ensemble, one: int, other: int) -> list[tuple[int, int]]:
    """Frames (first, after the last) in which two parts play the same pitch classes from the same onsets."""
    a, b = (e.hearing.parts[e.parts[row]].attacks for row in (one, other))
    if not len(b.onset_s):
        return []
    j = np.clip(np.searchsorted(b.onset_s, a.onset_s - _TOGETHER_S), 0, len(b.onset_s) - 1)
    same = (np.abs(b.onset_s[j] - a.onset_s) <= _TOGETHER_S) & ((a.pitch - b.pitch[j]) % 12 == 0)
    same &= np.r_[True, a.rest_before_s[1:] < 0.25]
    spans = []
    for first, after in runs(same):
        begin, end = float(a.onset_s[first]), float(a.end_s[after - 1])
        if end - begin >= _DOUBLED_S:
            spans.append((e.at(begin), e.at(end)))
    return spans


def counter_melodies(e: Ensemble) -> dict[str, Any]:
    """How much faster a counter-melody's arcs move where no melody note begins within .4 s than where one does.

    Arcs are the level smoothed over a second, in dB a second; `ratio` is of the means.
    """
    moving: list[float] = []
    still: list[float] = []
    busy = np.zeros(e.level_db.shape[1], dtype=bool)
    for i in e.parts:
        a = e.hearing.parts[i].attacks
        for at in np.rint(a.onset_s[a.role == _MELODY] / FRAME_S).astype(int).tolist():
            busy[max(at - 40, 0) : at + 40] = True
    for row in range(len(e.parts)):
        speed = np.abs(np.gradient(_smoothed(e.level_db[row], width_s=1.0))) / FRAME_S
        mine = (e.role[row] == _COUNTER) & np.isfinite(speed)
        moving += speed[mine & ~busy].tolist()
        still += speed[mine & busy].tolist()
    ratio = np.mean(moving) / np.mean(still) if len(moving) > 100 and len(still) > 100 else None
    return {"n_s": _rounded((len(moving) + len(still)) * FRAME_S), "ratio": _rounded(ratio)}


def balance(e: Ensemble) -> dict[str, Any]:
    """Melody over the mean of all other parts in dB, where at least six shaped parts sound, and anywhere.

    Before shaping all lanes stand at one level and the difference is 0.
    """
    tutti, all_ = [], []
    count = e.sounding.sum(axis=0)
    for row in range(len(e.parts)):
        mine = (e.role[row] == _MELODY) & (count >= 2)
        others = np.where(e.sounding & (e.role != _MELODY), e.level_db, 0.0).sum(axis=0)
        n_others = (e.sounding & (e.role != _MELODY)).sum(axis=0)
        mine &= n_others > 0
        over = e.level_db[row, mine] - others[mine] / n_others[mine]
        all_ += over.tolist()
        tutti += over[count[mine] >= _TUTTI_PARTS].tolist()
    return {
        "before_db": 0.0,
        "tutti_db": _rounded(np.mean(tutti) if tutti else None),
        "tutti_s": _rounded(len(tutti) * FRAME_S),
        "anywhere_db": _rounded(np.mean(all_) if all_ else None),
    }


def at_three_plans(hearing: CueHearing, predict: Predictor) -> dict[str, dict[str, Any]]:
    """The part that has the melody longest under plans of p, mf and f throughout.

    `dynamics`, `expression`, `vibrato` are means in steps while it sounds; `range_db` the median over phrases of two
    seconds or more of the range of its level smoothed over one second; `accent` the mean height of dynamics at its
    accents and sforzandi: the highest value within .3 s after the onset over the value at the note's middle.
    """
    cue = hearing.cue
    melody_s = [
        float(((h.attacks.end_s - h.attacks.onset_s) * (h.attacks.role == _MELODY)).sum()) * h.part.shaped
        for h in hearing.parts
    ]
    index = int(np.argmax(melody_s))
    part = cue.parts[index]
    found: dict[str, dict[str, Any]] = {}
    for mark in ("p", "mf", "f"):
        changes = (Change(0.0, 0.0, LEVELS_CC[mark], mark),)
        planned = hear(cue, plan=Plan({part.index: changes}, (), "table"))
        heard = planned.parts[index]
        lanes = predict(planned, index).value_cc
        sounding = sounding_frames(planned, index, len(lanes))
        level = np.where(sounding, combined_level_db(lanes[:, 0], lanes[:, 1]), np.nan)
        smooth = _smoothed(level, width_s=1.0)
        long = [p for p in heard.phrases if p.end_s - p.start_s >= 2.0]
        ranges = [np.ptp(smooth[i:j][sounding[i:j]]) for i, j in (_frames(p.start_s, p.end_s) for p in long)]
        spikes = np.flatnonzero(np.isin(heard.attacks.event, [EVENTS.index("accent"), EVENTS.index("sforzando")]))
        rows = [_frames(heard.attacks.onset_s[i], heard.attacks.end_s[i]) for i in spikes.tolist()]
        heights = [lanes[i : i + 30, 0].max() - lanes[(i + j) // 2, 0] for i, j in rows]
        names = ("dynamics", "expression", "vibrato")
        found[f"{part.name} at {mark}"] = {
            **{name: _rounded(lanes[sounding, k].mean()) for k, name in enumerate(names)},
            "range_db": _rounded(np.median(ranges)) if ranges else None,
            "accent": _rounded(np.mean(heights)) if heights else None,
        }
    return found


def _frames(start_s: float, end_s: float) -> tuple[int, int]:
    return int(np.ceil(start_s / FRAME_S - 1e-6)), int(end_s / FRAME_S)


def ensemble_figures(hearing: CueHearing, predict: Predictor) -> dict[str, dict[str, Any]]:
    """Every figure of one cue."""
    e = Ensemble(hearing, predict)
    return {
        "chord changes": shared_changes(e),
        "closings": shared_closings(e),
        "hand-overs": hand_overs(e),
        "doublings": doublings(e),
        "counter-melodies": counter_melodies(e),
        "melody over the rest": balance(e),
        **at_three_plans(hearing, predict),
    }


def _correlation(one: Array, other: Array) -> float | None:
    both = np.isfinite(one) & np.isfinite(other)
    if both.sum() < 50 or np.ptp(one[both]) < 0.3 or np.ptp(other[both]) < 0.3:
        return None
    return float(np.corrcoef(one[both], other[both])[0, 1])


def _smoothed(level: Array, *, width_s: float = 0.5) -> Array:
    box = np.ones(max(round(width_s / FRAME_S), 1))
    heard = np.isfinite(level)
    total = np.convolve(np.where(heard, level, 0.0), box, "same")
    return np.asarray(np.where(heard, total / np.maximum(np.convolve(heard, box, "same"), 1.0), np.nan))


def _mean(level: Array) -> float | None:
    return float(np.nanmean(level)) if np.isfinite(level).sum() > 30 else None


def _rounded(value: Any) -> float | None:
    return None if value is None else round(float(value), 2)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="How the parts of a cue go together.")
    parser.add_argument("cues", nargs="*", type=Path, help="cues; without any, the demo cues")
    parser.add_argument("--rules", action="store_true", help="the rules instead of the network")
    parser.add_argument("--no-plan", action="store_true", help="pass over the dynamic marks in the cue")
    parser.add_argument("--profile", type=Path, help="what the instruments answer to")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    chosen = parser.parse_args(arguments)
    result = {}
    profile = read_profile(chosen.profile) if chosen.profile else None
    with tempfile.TemporaryDirectory() as folder:
        cues = list(chosen.cues)
        for name in () if cues else demo_names():
            cues.append(Path(folder) / f"{name}.mid")
            write_demo(name, cues[-1])
        for path in cues:
            hearing = hear(read_cue(path, profile=profile), plan=Plan() if chosen.no_plan else None)
            result[path.stem] = ensemble_figures(hearing, rules_lanes if chosen.rules else network_lanes)
    if chosen.json:
        print(json.dumps(result))
        return
    for name, figures in result.items():
        print(name)
        for title, values in figures.items():
            print(f"  {title:22} " + ", ".join(f"{key} {value}" for key, value in values.items()))


if __name__ == "__main__":
    main(sys.argv[1:])
