"""The network as a predictor that answers as the rules do, and the choice between the two.

The network foresees what follows from the notes. What does not (drift on held notes, breath, bow changes, small
differences between equal notes) is drawn by the rules' own seeded residue and added; then the musical limits hold for
either predictor.

Frames are predicted on a grid of this module's own, dense around onsets and wide elsewhere, and joined by straight
lines.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.errors import InputError
from phrasewright.data.notes import sounding_spans
from phrasewright.model.evidence import EVIDENCE_WEIGHTS, band_factors
from phrasewright.model.features import part_features
from phrasewright.model.gestures import Gestures, gestures_of
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, DenseLanes, covered, n_frames_for
from phrasewright.model.limits import within_limits
from phrasewright.model.network import (
    EvidenceConfig,
    NetworkConfig,
    Weights,
    evidence_of,
    load_evidence,
    load_weights,
    predict,
)
from phrasewright.model.parameters import DEFAULT, RuleParameters
from phrasewright.model.personal_features import N_BASIS, Moments, moments_of
from phrasewright.model.residue import Residue, residue_of
from phrasewright.model.rules import drawn_cc, raw_cc, rules_lanes

Predictor = Callable[[CueHearing, int], DenseLanes]
"""What answers for a part of a heard cue, counted from 0: rules, networks and styles alike."""
WEIGHTS = Path(__file__).parent / "weights" / "base.safetensors"
"""The weights that come with this version; their card stands beside them as `base.json` and `base.md`."""

WIDE_FRAMES = 8
"""Frames between predictions where nothing begins: 80 ms."""
RESIDUE_FRAMES = 4
"""The same for movement without a reason in the notes, which turns more quickly: 40 ms, within a quarter of a step."""
_AROUND = (-20, -15, -11, -8, -6, -4, -2, -1, 0, 1, 3, 5, 7, 10, 13, 17, 22)
"""Frames predicted around each onset, relative to it: joins, re-articulations and attacks live there."""
_FEWER_AROUND = tuple(frame for frame in _AROUND if frame != 5)
"""Those at which the network is asked: what it says at the other lies nearly on the line between its neighbours."""
_MARGIN_FRAMES = 30


def choose_predictor(baseline: bool) -> tuple[Predictor, str, str]:
    """The predictor `shape` uses without a style, its name (`network` or `rules`) and a remark for the summary.

    The network, unless the rules are asked for, or the weights are missing, or their card does not say that they passed
    the property tests. The remark says why in the latter cases and is empty otherwise.
    """
    if baseline:
        return rules_lanes, "rules", ""
    card = WEIGHTS.with_suffix(".json")
    if not WEIGHTS.exists() or not card.exists():
        return rules_lanes, "rules", "shaped by the rules: this installation holds no network weights"
    if not json.loads(card.read_text(encoding="utf-8")).get("passed_property_tests", False):
        return rules_lanes, "rules", "shaped by the rules: the network has not passed the rules' property tests"
    return network_lanes, "network", ""


def network_lanes(hearing: CueHearing, index: int, *, weights: Path | None = None) -> DenseLanes:
    """Shape one part by the network. `index` counts from 0 into the hearing's parts.

    Parameters
    ----------
    weights : Path or None
        Other weights than the shipped ones.

    Raises
    ------
    InputError
        The weights are missing, damaged or made for another version.
    """
    value_cc, spread_cc = network_raw_cc(hearing, index, weights=weights)
    if not hearing.parts[index].attacks.n_attacks:
        return within_limits(hearing, index, DenseLanes(value_cc, spread_cc))
    gestures = gestures_of(hearing, index, parameters=DEFAULT)
    residue = residue_of(hearing.parts[index], gestures, parameters=DEFAULT)
    value_cc += residue_cc(hearing, index, n_frames=len(value_cc), gestures=gestures, residue=residue)
    return within_limits(hearing, index, DenseLanes(value_cc, spread_cc), residue=residue, gestures=gestures)


def network_raw_cc(
    hearing: CueHearing, index: int, *, weights: Path | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What the network itself answers, before residue and limits: centre and spread in steps, each (n_frames, 3)."""
    part = hearing.parts[index]
    notes = part.part.notes
    n_frames = n_frames_for(float(notes.offset_s.max())) if notes.n_notes else 1
    if part.attacks.n_attacks == 0:
        return np.tile(np.array(DEFAULT.centres_cc()), (n_frames, 1)), np.zeros((n_frames, 3))
    network = _loaded(weights or WEIGHTS)
    frame_no = prediction_frames(hearing, index, n_frames=n_frames, around=_FEWER_AROUND, apart=True)
    features = part_features(hearing, index, time_s=np.asarray(frame_no * FRAME_S, dtype=np.float64))
    centre, spread = predict(
        network,
        attack=features.attack,
        onset_s=features.onset_s,
        frame=features.frame,
        at=features.at,
    )
    spread = spread * np.array(band_factors("default", (weights or WEIGHTS).with_suffix(".json"))[68])
    return _at_every_frame(centre, frame_no, n_frames), _at_every_frame(spread, frame_no, n_frames)


def _at_every_frame(lanes: NDArray[np.float64], frames: NDArray[np.int64], n_frames: int) -> NDArray[np.float64]:
    """Lanes at some frames, (frame, 3), joined by straight lines: (n_frames, 3)."""
    return np.stack([np.interp(np.arange(n_frames), frames, lane) for lane in lanes.T], axis=1)


def prediction_frames(
    hearing: CueHearing,
    index: int,
    *,
    n_frames: int,
    wide_frames: int = WIDE_FRAMES,
    around: tuple[int, ...] = _AROUND,
    apart: bool = False,
) -> NDArray[np.int64]:
    """Numbers of the frames to predict, rising: around onsets, then every `wide_frames`-th where the part sounds; with
    `apart` none of the latter between the first and last of those around an onset.
    """
    part = hearing.parts[index]
    onset = np.rint(part.attacks.onset_s / FRAME_S).astype(np.int64)
    wanted = np.zeros(n_frames, dtype=bool)
    near = (onset[:, None] + np.array(around)).ravel()  # (n_attacks * n_around,)
    wanted[np.clip(near, 0, n_frames - 1)] = True
    spans = np.rint(sounding_spans(part.part.notes) / FRAME_S).astype(np.int64)
    wide = covered(spans[:, 0] - _MARGIN_FRAMES, spans[:, 1] + _MARGIN_FRAMES, n_frames)
    wide &= np.arange(n_frames) % wide_frames == 0
    if apart:
        wide &= ~covered(onset + around[0], onset + around[-1], n_frames)
    return np.flatnonzero(wanted | wide)


def evidence_features(
    hearing: CueHearing,
    index: int,
    frames: NDArray[np.int64],
    *,
    moments: Moments | None = None,
    weights: Path | None = None,
) -> NDArray[np.float32]:
    """The evidence network's view of moments of one part: what a hand's head is linear in (see `evidence.py`).

    Parameters
    ----------
    index : int
        From 0, of a part with at least one attack.
    frames : int array, (n_frames,)
        Numbers on the 10 ms grid, rising.
    moments : Moments or None
        A style's columns at these frames, where the caller has made them already.
    weights : Path or None
        Other weights than the shipped ones.

    Returns
    -------
    float32 array, (n_frames, n_features)
    """
    if moments is None:
        rules_cc = raw_cc(hearing, index, frames, parameters=foreseeable(DEFAULT))
        moments = moments_of(hearing, index, frames, rules_cc=rules_cc)
    features = part_features(hearing, index, time_s=np.asarray(frames * FRAME_S, dtype=np.float64))
    return evidence_of(
        _evidence_loaded(weights or EVIDENCE_WEIGHTS),
        attack=features.attack,
        onset_s=features.onset_s,
        frame=np.concatenate([features.frame, moments.basis[:, :N_BASIS]], axis=1),
        at=features.at,
    )


def residue_cc(
    hearing: CueHearing,
    index: int,
    *,
    n_frames: int,
    gestures: Gestures | None = None,
    residue: Residue | None = None,
) -> NDArray[np.float64]:
    """What the network is not asked to foresee, seeded by phrase, part and occurrence, in steps, shape (n_frames, 3).

    `gestures` and `residue` save finding and drawing them where the caller has done so already.
    """
    gestures = gestures or gestures_of(hearing, index, parameters=DEFAULT)
    residue = residue or residue_of(hearing.parts[index], gestures, parameters=DEFAULT)
    frames = prediction_frames(hearing, index, n_frames=n_frames, wide_frames=RESIDUE_FRAMES)
    return _at_every_frame(drawn_cc(hearing, index, frames, gestures, residue), frames, n_frames)


def foreseeable(parameters: RuleParameters) -> RuleParameters:
    """The same rules without movement that has no reason in the notes: what is left can be learned from the notes.

    The weight on beats inside bursts of quick repeats is left to the rules too: it hangs on the beat alone, and is too
    rare to be learned well.
    """
    return replace(
        parameters,
        arc=_without_residue(parameters.arc),
        note=_without_residue(parameters.note),
        dip=replace(_without_residue(parameters.dip), beat_cc=(0.0, 0.0)),
        held=replace(
            parameters.held,
            size_cc=(0.0, 0.0),
            vibrato_size_cc=(0.0, 0.0),
            choose_from_s=np.inf,
            swell_from_s=np.inf,
        ),
        breath=replace(parameters.breath, depth_cc=(0.0, 0.0), bow_cc=(0.0, 0.0)),
    )


def _without_residue(group: Any) -> Any:
    named = [field.name for field in fields(group) if field.name.endswith(("residue", "residue_cc"))]
    values = {name: getattr(group, name) for name in named}
    return replace(group, **{n: tuple(0.0 for _ in v) if isinstance(v, tuple) else 0.0 for n, v in values.items()})


def load_networks(*, default: bool, evidence: bool) -> None:
    """Load weights before they are asked for, so that processes forked afterwards share them.

    Raises
    ------
    InputError
        They are missing or damaged.
    """
    if default:
        _loaded(WEIGHTS)
    if evidence:
        _evidence_loaded(EVIDENCE_WEIGHTS)


@lru_cache(maxsize=2)
def _loaded(path: Path) -> Weights[NetworkConfig]:
    if not path.exists():
        raise InputError(f"{path}: no network weights there; install again, or shape with --baseline")
    return load_weights(path)


@lru_cache(maxsize=2)
def _evidence_loaded(path: Path) -> Weights[EvidenceConfig]:
    return load_evidence(path)
