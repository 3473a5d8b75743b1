"""Training the evidence network: episodes of a hand, an exact head through which the gradient goes, a loss.

An episode shows some of a hand's music (16 s of one line up to four cues, with an unsteady arm), fits the head to it
exactly, and asks for other cues of the same hand. In some, lanes of the other cues are given as drawn; in some nothing
is shown, so that the head's prior is a usual hand with an honest spread. The loss is that of `fitting.py`: distance in
steps, distance of movements, and the surprise of a Laplace distribution around the answer; each hand weighs the
less the more it moves, as relative errors are what counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from phrasewright.model.evidence import MIDDLE_CC, SCALE_CC
from phrasewright.training.examples import Group
from phrasewright.training.loop import Figures
from phrasewright.training.networks import Evidence, HeadStart

Rng = np.random.Generator
AMOUNTS = (("none", 0.08), ("16 s", 0.27), ("1", 0.25), ("3", 0.25), ("4", 0.15))
"""How much of a hand an episode shows, in cues of the group, and how often."""
SHORT_S = 16.0
UNSTEADY_CC = 2.4
"""Most of the arm's unsteadiness, root mean square."""
ASKED_CUES = 2
MOST_SHOWN, MOST_ASKED = 4000, 2500
"""Frames that judging looks at, at most."""
JUDGED_CUES, JUDGED = 12, {"none": 0, "16 s": 1, "one cue": 3, "three cues": 9}
"""Held-out groups hold twelve cues of about 160 line-seconds: three make one cue of four lines and two minutes."""


@dataclass(frozen=True)
class Episodes:
    """What an episode is like."""

    groups: int = 6
    people: int = 12
    shown: int = 800  # frames
    asked: int = 500  # pairs of frames
    follow_share: float = 0.25  # episodes in which lanes are given
    movement_weight: float = 1.5
    surprise_weight: float = 1.0


class Pool:
    """Groups end to end: numbers on the device, what chooses among them on the host."""

    def __init__(self, groups: Sequence[Group], device: torch.device) -> None:
        def joined(name: str) -> Tensor:
            return torch.from_numpy(np.concatenate([getattr(g, name) for g in groups])).to(device)

        self.attack, self.onset_s, self.part = joined("attack"), joined("onset_s"), joined("part")
        self.frame, self.at, self.near = joined("frame"), joined("at").long(), joined("near").long()
        self.time_s, self.target, self.default = joined("time_s"), joined("target"), joined("default")
        self.last, self.vibrato = joined("last"), joined("vibrato")
        self.attack_start = np.cumsum([0, *(len(g.attack) for g in groups)])
        self.start = np.cumsum([0, *(len(g.at) for g in groups)])
        starts = [g.part_start[:-1] + n for g, n in zip(groups, self.start[:-1], strict=True)]
        self.part_start = np.r_[np.concatenate(starts), self.start[-1]]
        begun = [np.searchsorted(g.part, np.arange(len(g.vibrato))) for g in groups]
        self.part_attack = np.r_[
            np.concatenate([b + n for b, n in zip(begun, self.attack_start[:-1], strict=True)]), self.attack_start[-1]
        ]
        offset = np.repeat(self.attack_start[:-1], np.diff(self.start))
        self.at_all = self.at + torch.from_numpy(offset).to(device)  # attacks numbered across groups
        self.groups, self.device = groups, device

    def usual(self) -> Tensor:
        """Mean and 1 / spread of the frame columns, (2, feature), over some of the frames."""
        some = self.frame[:: max(len(self.frame) // 200_000, 1)].float()
        return torch.stack([some.mean(0), 1.0 / some.std(0).clamp(min=0.05)])


@dataclass(frozen=True)
class Side:
    """Frames shown or asked for: `features` (batch, n, feature) inputs, `at` their attacks among the encoded ones.

    `target` (batch, n, people, 3) in units of `SCALE_CC` around `MIDDLE_CC`, `weight_s` (batch, n, 3), `known` inputs
    of drawn lanes or None.
    """

    features: Tensor
    at: Tensor
    target: Tensor
    weight_s: Tensor
    known: Tensor | None = None


@dataclass(frozen=True)
class Episode:
    """Attacks to encode, what is shown and what is asked (weight 0 for lanes that are given with the question)."""

    attack: Tensor
    onset_s: Tensor
    part: Tensor
    shown: Side
    asked: Side


def shown_frames(group: Group, cues: Sequence[int] | NDArray[np.int64], amount: str, rng: Rng) -> NDArray[np.int64]:
    """Numbers of a group's frames that are shown: all of some cues, or 16 s of one part of the first."""
    if amount == "none":
        return np.zeros(0, dtype=np.int64)
    ranges = [np.arange(group.cue_start[c], group.cue_start[c + 1]) for c in cues]
    if amount != "16 s":
        return np.concatenate(ranges)
    inside = (group.part_start[:-1] >= ranges[0][0]) & (group.part_start[:-1] <= ranges[0][-1])
    part = int(rng.choice(np.flatnonzero(inside)))
    own = np.arange(group.part_start[part], group.part_start[part + 1])
    time_s = group.time_s[own]
    start = time_s[0] + rng.random() * max(time_s[-1] - time_s[0] - SHORT_S, 0.0)
    return np.asarray(own[(time_s >= start) & (time_s < start + SHORT_S)])


def drawn_episode(pool: Pool, episodes: Episodes, generator: torch.Generator) -> Episode:
    """An episode of a few groups."""
    rng = np.random.default_rng(generator.initial_seed())
    chosen = rng.choice(len(pool.groups), min(episodes.groups, len(pool.groups)), replace=False)
    people = np.tile(rng.permutation(pool.target.shape[1])[: episodes.people], (len(chosen), 1))
    given = np.zeros(3, dtype=bool)
    if rng.random() < episodes.follow_share:  # each hand's own lanes are given, so each takes a row of the batch
        given[rng.permutation(3)[: int(rng.integers(1, 3))]] = True
        people = people[:, :2].reshape(-1, 1)
        chosen = np.repeat(chosen, len(people) // len(chosen))
    amount = str(rng.choice([name for name, _ in AMOUNTS], p=[share for _, share in AMOUNTS]))
    shown, asked, weights = [], [], []
    for g in chosen.tolist():
        group = pool.groups[g]
        cues = rng.permutation(len(group.cue_start) - 1)
        n_shown = 1 if amount in ("none", "16 s") else min(int(amount), len(cues) - 1)
        may = shown_frames(group, cues[:n_shown], amount, rng)
        may = may[group.weight_s[may] > 0]
        rows = may[rng.integers(0, len(may), episodes.shown)] if len(may) else np.zeros(episodes.shown, dtype=np.int64)
        weights.append(group.weight_s[rows] * (len(may) / episodes.shown))
        rest = np.concatenate([np.arange(*group.cue_start[c : c + 2]) for c in cues[n_shown:][:ASKED_CUES]])
        rest = rest[~group.last[rest] & (group.weight_s[rest] > 0)]
        shown.append(rows)
        asked.append(rest[rng.integers(0, len(rest), episodes.asked)])
    pairs = np.concatenate([np.stack(asked), np.stack(asked) + 1], axis=1)
    return episode_of(pool, chosen, people, np.stack(shown), np.stack(weights), pairs, given, generator)


def episode_of(
    pool: Pool,
    chosen: NDArray[np.int64],
    people: NDArray[np.int64],
    shown: NDArray[np.int64],
    weight_s: NDArray[np.float32],
    asked: NDArray[np.int64],
    given: NDArray[np.bool_],
    generator: torch.Generator,
) -> Episode:
    """Gather an episode: `chosen` groups (batch,), `people` (batch, n_people), frames by number within their group."""
    device = pool.device

    def on(array: NDArray[np.generic]) -> Tensor:
        return torch.from_numpy(np.ascontiguousarray(array)).to(device)

    n_attacks = np.diff(pool.attack_start)[chosen]
    attacks = on(np.concatenate([np.arange(*pool.attack_start[g : g + 2]) for g in chosen.tolist()]))
    row = on(np.repeat(np.arange(len(chosen)), n_attacks))
    begin = on(np.cumsum(np.r_[0, n_attacks[:-1]]))[:, None]
    start, who, flags = on(pool.start[chosen])[:, None], on(people), on(given)

    def side(numbers: NDArray[np.int64]) -> tuple[Tensor, Side]:
        i = on(numbers) + start
        target = (pool.target[i[:, :, None], who[:, None, :]].float() - MIDDLE_CC) / SCALE_CC  # (batch, n, people, 3)
        valid = target.isfinite().all(2).float()  # (batch, n, 3)
        return i, Side(pool.frame[i].float(), pool.at[i] + begin, target.nan_to_num(), valid)

    i, before = side(shown)
    drawn = unsteady(before.target, pool.time_s[i], generator)
    before = replace(before, weight_s=before.weight_s * on(weight_s.astype(np.float32))[:, :, None], target=drawn)
    i, after = side(asked)
    if given.any():
        around = pool.target[i[:, :, None] + pool.near[i], who[:, :1, None]].float()  # (batch, n, 8, 3)
        known = known_inputs(after.target[:, :, 0], (around - MIDDLE_CC) / SCALE_CC, flags)
        after = replace(after, known=known, weight_s=after.weight_s * ~flags)
    part = pool.part[attacks].long() + row * 100_000
    return Episode(pool.attack[attacks].float(), pool.onset_s[attacks], part, before, after)


def known_inputs(value: Tensor, around: Tensor, given: Tensor) -> Tensor:
    """What the network sees of lanes already drawn: five numbers a lane, zeros for a lane that is not.

    Whether it is drawn; its distance from its average over four seconds around, now, .2 s before and after; that
    average. (batch, n, 3) values, (batch, n, 8, 3) values at `NEIGHBOURS_S`, (3,) which are drawn -> (batch, n, 15).
    """
    mean = (around.sum(2) + value) / (around.shape[2] + 1)
    columns = [torch.ones_like(value), value - mean, around[:, :, 3] - mean, around[:, :, 4] - mean, mean]
    return torch.as_tensor((torch.stack(columns, 3).nan_to_num() * given[:, None]).flatten(2))


def unsteady(target: Tensor, time_s: Tensor, generator: torch.Generator) -> Tensor:
    """The target as an arm draws it: five slow waves of its own, and whole steps."""
    b, _, p, k = target.shape

    def dice(*shape: int) -> Tensor:
        return torch.rand(*shape, generator=generator, device=target.device)

    size = dice(b, 1, p, k) * UNSTEADY_CC * (2.0 / 5) ** 0.5
    hz = 0.15 * (4.0 / 0.15) ** dice(b, 1, p, k, 5)
    turn = time_s[:, :, None, None, None] * hz + dice(b, 1, p, k, 5)
    drawn = MIDDLE_CC + SCALE_CC * target + size * torch.sin(2 * torch.pi * turn).sum(-1)
    return torch.as_tensor((drawn.round() - MIDDLE_CC) / SCALE_CC)


def answer_of(head: HeadStart, shown: Tensor, side: Side, asked: Tensor) -> tuple[Tensor, Tensor]:
    """Centre and spread of the exact head, both (batch, n_asked, people, 3), from features (batch, n, n_features).

    As `fitted_head` in evidence.py, for batches; the covariance is the same for all people who are shown the same.
    """
    x, q = _constant(shown), _constant(asked)
    precision, facts = head.log_precision.double().exp(), head.log_facts.double().exp()
    left = torch.exp(2.0 * (q.float() @ head.noise).clamp(-6.0, 2.0))  # (batch, n_asked, 3)
    centres, spreads = [], []
    for lane in range(3):
        w = facts[lane] * side.weight_s[:, :, lane].double()
        xw = x * w[:, :, None]
        factor = torch.linalg.cholesky(xw.mT @ x + torch.diag(precision[:, lane] + 1e-6))  # (batch, n, n)
        prior = (precision[:, lane] * head.mean[:, lane].double())[:, None]
        coefficients = torch.cholesky_solve(xw.mT @ side.target[..., lane].double() + prior, factor)
        centres.append((q @ coefficients).float())  # (batch, n_asked, people)
        known = torch.linalg.solve_triangular(factor, q.mT, upper=False).square().sum(1)  # (batch, n_asked)
        spreads.append((known.float() + left[:, :, lane]).clamp(min=1e-6).sqrt()[:, :, None].expand_as(centres[-1]))
    return torch.stack(centres, -1), torch.stack(spreads, -1)


def _constant(x: Tensor) -> Tensor:
    return torch.cat([x.double(), torch.ones_like(x[..., :1], dtype=torch.float64)], -1)


class Exact(nn.Module):
    """The evidence network and its head as one answer to an episode."""

    def __init__(self, network: Evidence) -> None:
        super().__init__()
        self.network = network

    def forward(self, episode: Episode) -> tuple[Tensor, Tensor]:
        """Centre and spread of what was asked, (batch, n_asked, people, 3)."""
        shown, asked = features_of(self.network, episode)
        return answer_of(self.network.head, shown, episode.shown, asked)


def features_of(network: Evidence, episode: Episode, *, hidden: bool = False) -> tuple[Tensor, Tensor]:
    """Features of the frames shown and asked, (batch, n, n_features), or what the last layer sees of them."""
    half = episode.attack.device.type == "cuda"
    with torch.autocast(episode.attack.device.type, torch.bfloat16, enabled=half):
        encoded = network.encode(episode.attack, episode.onset_s, episode.part)
        out = []
        for side in (episode.shown, episode.asked):
            known = None if side.known is None else side.known.flatten(0, 1)
            of = network.decode if hidden else network
            x = of(encoded, side.features.flatten(0, 1), side.at.flatten(), known)
            out.append(x.float().unflatten(0, side.at.shape))
    return out[0], out[1]


def episode_loss(model: nn.Module, episode: Episode, episodes: Episodes) -> tuple[Tensor, Figures]:
    """The loss of one episode, and its mean absolute error in steps."""
    centre, spread = model(episode)
    error = SCALE_CC * (centre - episode.asked.target)  # (batch, 2 n, people, 3), steps
    scale = SCALE_CC * spread
    wanted = episode.asked.weight_s  # (batch, 2 n, 3): 1 where the lane is asked for
    lanes = torch.tensor([1.0, 1.0, 0.6], device=error.device)
    liveliness = SCALE_CC * episode.asked.target.std(1, keepdim=True).mean(-1, keepdim=True)
    weight = wanted[:, :, None] * lanes * 8.0 / (3.0 + liveliness)
    size = error.abs()
    distance = (torch.where(size < 0.5, size * size, size - 0.25) * weight).mean()
    first, second = (error * weight).chunk(2, dim=1)
    movement = (second - first).abs().mean()
    scale = scale.clamp(min=0.3)
    surprise = ((torch.log(scale) + size.clamp(max=60.0) / scale) * wanted[:, :, None]).mean()
    loss = distance + episodes.movement_weight * movement + episodes.surprise_weight * surprise
    return loss, {"steps": float((size.detach() * wanted[:, :, None]).sum() / (wanted.sum() * size.shape[2]))}


@torch.no_grad()
def judged(model: nn.Module, pool: Pool, *, given: Sequence[bool] = (False, False, False)) -> Figures:
    """Errors on held-out groups by what was shown, in steps, mean over hands and lanes asked for.

    `moves ...` is the median over hands of how far the answer moves between frames, as a ratio to the hand.
    """
    found: dict[str, list[float]] = {}
    flags = np.array(given)
    everyone = np.arange(pool.target.shape[1])
    people = everyone[: 6, None] if flags.any() else everyone[None]
    for g, group in enumerate(pool.groups):
        rng = np.random.default_rng(g)
        n_cues = len(group.cue_start) - 1
        asked = np.arange(group.cue_start[max(n_cues - 3, 1)], group.cue_start[-1])
        asked = asked[~group.last[asked] & (group.weight_s[asked] > 0)]
        asked = np.sort(rng.permutation(asked)[:MOST_ASKED])
        seconds = torch.from_numpy(group.weight_s[asked]).to(pool.device)[:, None]
        for name, n in JUDGED.items():
            may = shown_frames(group, range(max(min(n, n_cues - 3), 1)), "16 s" if name == "16 s" else str(n), rng)
            may = may[group.weight_s[may] > 0]
            n_may, may = len(may), rng.permutation(may)[:MOST_SHOWN]
            rows, pairs = (np.tile(one, (len(people), 1)) for one in (may, np.r_[asked, asked + 1]))
            weight_s = group.weight_s[rows] * np.float32(n_may / len(may) * (n > 0))
            noise = torch.Generator(device=pool.device).manual_seed(g)
            episode = episode_of(pool, np.full(len(people), g), people, rows, weight_s, pairs, flags, noise)
            centre, _ = model(episode)
            target = episode.asked.target
            answer, moves = (side.transpose(1, 2).flatten(0, 1) for side in (centre.clamp(-3.0, 2.29), target))
            k = len(asked)  # (hand, 2 * asked, lane) from here on
            error = SCALE_CC * (answer - moves)[:, :k].abs()
            found.setdefault(name, []).extend(((error * seconds).sum(1) / seconds.sum())[:, ~flags].mean(1).tolist())
            stir = [(side[:, k:] - side[:, :k])[..., ~flags].abs().mean((1, 2)) for side in (answer, moves)]
            found.setdefault(f"moves {name}", []).extend((stir[0] / stir[1].clamp(min=1e-3)).tolist())
    return {name: float(np.median(row) if "moves" in name else np.mean(row)) for name, row in found.items()}
