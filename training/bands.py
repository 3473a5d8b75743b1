"""Bands of 50, 68 and 90 %: factors on the networks' spread, calibrated on whole phrases, and what they then cover.

    python -m phrasewright.training.bands [--groups 10] [--calibrate] [--refit] [--json]

Coverage is the share of sounding frames inside, averaged by phrase, then by hand, over fresh hands of the prior on
pieces that no training saw. Frames of one curve are not exchangeable, so a phrase of a hand is the unit: the factor of
a level is the quantile of |hand - centre| / spread in which each hand counts the same, within it each phrase, within it
each frame (split conformal after Vovk and Lei, with phrases for items). Calibration and measurement share no hand and
no cue. Two cases: the default without evidence, and a hand's head after one cue (three short ones of the group).

Ranking: the error in the least sure tenth of phrases over the median phrase's, by lane, over all hands.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from phrasewright.model.evidence import EVIDENCE_WEIGHTS, SCALE_CC
from phrasewright.model.network import predict
from phrasewright.model.prediction import WEIGHTS
from phrasewright.training.cards import amend_card
from phrasewright.training.corpus import Score, parted
from phrasewright.training.evidence_fitting import Exact, Pool, episode_of, shown_frames
from phrasewright.training.examples import build_groups, read_scores
from phrasewright.training.networks import Evidence, Network, loaded_default, loaded_evidence, save_weights, weights_of

Array = NDArray[np.float64]
LEVELS = (50, 68, 90)
CASES = ("default", "one cue")
CALIBRATED_ON, MEASURED_ON = range(910_001, 911_000), range(920_001, 921_000)
REFITTED_ON = range(50_001, 51_000)
PEOPLE = 24
Factors = dict[str, dict[str, list[float]]]


@dataclass(frozen=True)
class Answers:
    """What was foreseen of some hands, all arrays over sounding frames of one group.

    `off` (n_frames, n_people, 3) distances in steps, `spread` the same shape, `phrase` (n_frames,).
    """

    off: Array
    spread: Array
    phrase: NDArray[np.int64]

    def shares(self, inside: Array) -> Array:
        """Means of something (n_frames, n_people, 3) by phrase: (n_phrases, n_people, 3)."""
        _, number, count = np.unique(self.phrase, return_inverse=True, return_counts=True)
        total = np.zeros((len(count), *inside.shape[1:]))
        np.add.at(total, number, inside)
        return np.asarray(total / count[:, None, None])


def default_answers(network: Network, pool: Pool) -> list[Answers]:
    """The default against every hand of every group."""
    found, weights = [], weights_of(network)
    for g, group in enumerate(pool.groups):
        centre, spread = np.zeros((2, len(group.at), 3))
        first_attack = np.r_[np.searchsorted(group.part, np.arange(len(group.vibrato))), len(group.part)]
        for p, (start, stop) in enumerate(zip(group.part_start[:-1], group.part_start[1:], strict=True)):
            attacks = slice(first_attack[p], first_attack[p + 1])
            centre[start:stop], spread[start:stop] = predict(
                weights,
                attack=group.attack[attacks].astype(np.float32),
                onset_s=group.onset_s[attacks].astype(np.float64),
                frame=group.frame[start:stop, : weights.config.n_frame_features].astype(np.float32),
                at=(group.at[start:stop] - attacks.start).astype(np.int64),
            )
        on = group.weight_s > 0
        target = pool.target[pool.start[g] : pool.start[g + 1]].cpu().numpy()[on].astype(np.float64)
        wide = np.repeat(spread[on][:, None], target.shape[1], axis=1)
        found.append(Answers(np.abs(target - centre[on][:, None]), wide, group.phrase[on].astype(np.int64)))
    return found


@torch.no_grad()
def head_answers(network: Evidence, pool: Pool, *, n_shown: int = 3) -> list[Answers]:
    """Each hand's own head, fitted to the group's first cues, against the hand in the others."""
    model, found = Exact(network.to(pool.device)).eval(), []
    for g, group in enumerate(pool.groups):
        few = min(n_shown, len(group.cue_start) - 2)
        shown = shown_frames(group, range(few), str(few), np.random.default_rng(g))
        shown = shown[group.weight_s[shown] > 0]
        asked = np.arange(group.cue_start[few], group.cue_start[-1])
        asked = asked[group.weight_s[asked] > 0]
        noise = torch.Generator(device=pool.device).manual_seed(g)
        people = np.arange(pool.target.shape[1])[None]
        episode = episode_of(
            pool, np.array([g]), people, shown[None], group.weight_s[shown][None], asked[None], np.zeros(3, bool), noise
        )
        centre, spread = model(episode)
        off = SCALE_CC * (centre - episode.asked.target)[0].abs()
        found.append(
            Answers(
                off.double().cpu().numpy(), SCALE_CC * spread[0].double().cpu().numpy(),
                group.phrase[asked].astype(np.int64),
            )
        )  # fmt: skip
    return found


def refitted_spread(network: Network, pool: Pool, *, steps: int = 800, batch: int = 4096) -> None:
    """Fit the default's spread anew, in place: the scale of a Laplace distribution of people around its centre.

    Only the last layer moves, so that what the default draws stays as it is to the bit.
    """
    network.to(pool.device)
    seen, centres = [], []
    with torch.no_grad():
        for g in range(len(pool.groups)):
            attacks, frames = (slice(*edge[g : g + 2].tolist()) for edge in (pool.attack_start, pool.start))
            encoded = network.encode(pool.attack[attacks].float(), pool.onset_s[attacks], pool.part[attacks].long())
            columns = pool.frame[frames][:, : network.config.n_frame_features].float()
            seen.append(network.represent(encoded, columns, pool.at[frames]))
            centres.append(network(encoded, columns, pool.at[frames])[0])
    x, centre = torch.cat(seen), torch.cat(centres)
    known = torch.from_numpy(np.flatnonzero(np.concatenate([group.weight_s for group in pool.groups]) > 0))
    optimiser = torch.optim.Adam(network.spread.parameters(), lr=2e-3)
    rng = np.random.default_rng(0)
    for step in range(steps):
        optimiser.param_groups[0]["lr"] = 2e-3 * (1.0 - step / steps)
        i = known[torch.from_numpy(rng.integers(len(known), size=batch))].to(pool.device)
        away = (pool.target[i].float() - centre[i][:, None]).abs()  # (batch, people, 3)
        scale = network.scale_of(x[i])[:, None]
        loss = (torch.log(scale) + away / scale).nan_to_num().mean()
        optimiser.zero_grad()
        loss.backward()  # type: ignore[no-untyped-call]
        optimiser.step()


def factors_of(answers: Sequence[Answers]) -> dict[str, list[float]]:
    """The factor of each level and lane."""
    scores, weights = [], []
    for one in answers:
        _, number, count = np.unique(one.phrase, return_inverse=True, return_counts=True)
        weight = 1.0 / (count[number] * len(count))
        scores.append((one.off / one.spread).reshape(-1, 3))
        weights.append(np.repeat(weight, one.off.shape[1]))
    score, weight = np.concatenate(scores), np.concatenate(weights)
    n_phrases = sum(len(np.unique(one.phrase)) * one.off.shape[1] for one in answers)
    found: dict[str, list[float]] = {}
    for level in LEVELS:
        wanted = min(level / 100.0 * (n_phrases + 1) / n_phrases, 1.0)
        row = []
        for lane in range(3):
            order = np.argsort(score[:, lane])
            share = np.cumsum(weight[order]) / weight.sum()
            row.append(round(float(score[order, lane][min(np.searchsorted(share, wanted), len(order) - 1)]), 4))
        found[str(level)] = row
    return found


def coverage_of(answers: Sequence[Answers], factors: Mapping[str, Sequence[float]]) -> dict[str, Any]:
    """Share inside each band in percent, and the ranking, over all hands."""
    found: dict[str, Any] = {"n_hands": sum(one.off.shape[1] for one in answers)}
    for level, factor in factors.items():
        inside = [one.shares((one.off <= one.spread * np.array(factor)).astype(np.float64)) for one in answers]
        by_hand = np.concatenate([share.mean(axis=(0, 2)) for share in inside])
        by_lane = np.concatenate([share.mean(axis=0) for share in inside]).mean(axis=0)
        found[level] = round(100.0 * float(by_hand.mean()), 1)
        found[f"{level} by lane"] = np.round(100.0 * by_lane, 1).tolist()
    errors = np.concatenate([one.shares(one.off).reshape(-1, 3) for one in answers])
    sure = np.concatenate([one.shares(one.spread).reshape(-1, 3) for one in answers]) * np.array(factors["68"])
    least = sure >= np.quantile(sure, 0.9, axis=0)
    found["ranking by lane"] = [
        round(float(errors[least[:, k], k].mean() / np.median(errors[:, k])), 2) for k in range(3)
    ]
    every = sure.ravel() >= np.quantile(sure, 0.9)
    found["ranking"] = round(float(errors.ravel()[every].mean() / np.median(errors)), 2)
    return found


def calibrated(default: Network, evidence: Evidence, pool: Pool) -> Factors:
    """Factors of both cases on fresh hands."""
    return {"default": factors_of(default_answers(default, pool)), "one cue": factors_of(head_answers(evidence, pool))}


def measured(default: Network, evidence: Evidence, pool: Pool, factors: Factors) -> dict[str, Any]:
    """Coverage and ranking of both cases on fresh hands."""
    return {
        "default": coverage_of(default_answers(default, pool), factors["default"]),
        "one cue": coverage_of(head_answers(evidence, pool), factors["one cue"]),
    }


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure; with `--calibrate` find new factors first and write both into the card."""
    parser = argparse.ArgumentParser(description="What the bands cover.")
    parser.add_argument("--weights", type=Path, default=WEIGHTS)
    parser.add_argument("--groups", type=int, default=10, help=f"of {PEOPLE} hands each")
    parser.add_argument("--calibrate", action="store_true", help="find the factors anew, into the card")
    parser.add_argument("--refit", action="store_true", help="fit the default's spread anew before, into the weights")
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--workers", type=int)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args(arguments)
    kept, held = parted(read_scores(cache=given.cache))
    default = loaded_default(given.weights)
    evidence = loaded_evidence(given.weights.with_name(EVIDENCE_WEIGHTS.name))

    def pool(seeds: Sequence[int], scores: Sequence[Score] = held) -> Pool:
        groups = build_groups(seeds, scores=scores, n_cues=6, n_people=PEOPLE, workers=given.workers)
        return Pool(groups, torch.device("cpu"))

    card = json.loads(given.weights.with_suffix(".json").read_text(encoding="utf-8"))
    factors: Factors = card.get("bands", {})
    if given.refit:
        refitted_spread(default, pool(REFITTED_ON[: 3 * given.groups], kept))
        save_weights(default, given.weights)
    if given.calibrate or given.refit:
        factors = calibrated(default, evidence, pool(CALIBRATED_ON[: given.groups]))
    found = measured(default, evidence, pool(MEASURED_ON[: given.groups]), factors)
    if given.calibrate or given.refit:
        amend_card(given.weights, bands=factors, figures=card["figures"] | {"bands": found})
    if given.json:
        print(json.dumps({"factors": factors, "coverage": found}))
        return
    for case, row in found.items():
        print(f"{case}: {row}")


if __name__ == "__main__":
    main()
