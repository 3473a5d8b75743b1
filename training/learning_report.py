"""Tables and the learning curve of `learning_evaluation`.

    python -m phrasewright.training.learning_report learning.json --picture docs/learning.svg

prints the tables of a run that was kept with `--out`, and draws the error of each way by amount of music.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from phrasewright.data.curves import LANES
from phrasewright.model.intervals import interval_of, resamples

AMOUNT_NAMES = {"16s": "16 s of one line", "cue": "one cue", "three": "three cues", "ten": "ten cues"}
TARGETS = {"16s": 0.80, "cue": 0.85, "three": 0.92, "ten": 0.95}
"""Mean ratios of error to the opponent that we set out to reach."""
FIGURES = ("depth", "accents", "energy", "slopes")
_DRAWS = 4000
_CURVES = {
    "shipped": ("shipped", "0.55", "--"),
    "gain": ("shipped, with offset and gain", "0.55", ":"),
    "ridge": ("linear head alone", "tab:green", "-."),
    "opponent": ("boosting on the corrections alone", "tab:orange", "-"),
    "personal": ("learned style", "tab:blue", "-"),
    "noise": ("the hand's own unsteadiness", "0.75", "-"),
}
Rows = Sequence[Mapping[str, Any]]


def table(rows: Rows) -> str:
    """One line an amount, hand and seed: errors, ratio, and below them figures of life by lane."""
    ways = list(rows[0]["mae"])
    lines = [f"{'amount':<7} {'hand':<15} " + " ".join(f"{way:>12}" for way in ways) + "   ratio  fit s"]
    for row in (row for row in rows if not row["case"]):
        name = f"{row['hand']}/{row['seed']}"
        for kind, label in (("mae", row["amount"]), ("shape", "")):
            found = row[kind]
            told = " ".join(f"{found[way]:>12.2f}" for way in ways)
            ratio = found["personal"] / found["opponent"]
            who = name if label else " without mean"
            lines.append(f"{label:<7} {who:<15} {told} {ratio:>7.2f} {row['fit_s']:>6.1f}")
        for way, lives in row["life"].items():
            told = "; ".join(
                f"{lane[:3]} " + " ".join(f"{name} {figures[name]:.2f}" for name in FIGURES)
                for lane, figures in zip(LANES, lives, strict=True)
            )
            lines.append(f"{'':<7}  {way:<14} {told}")
    return "\n".join(lines)


def summary(rows: Rows) -> str:
    """Means by amount with 95 % intervals over hands (drawn by hand), the worst hand, life, and the ablation."""
    lines = []
    for amount in dict.fromkeys(row["amount"] for row in rows if not row["case"]):
        here = [row for row in rows if row["amount"] == amount and not row["case"]]
        ratio, low, high = ratio_interval(here)
        by_hand = {hand: _ratio([row for row in here if row["hand"] == hand]) for hand in _hands(here)}
        worst = max(by_hand, key=lambda hand: by_hand[hand])
        lines.append(
            f"{AMOUNT_NAMES[amount]}: mean ratio of error to the opponent {ratio:.3f} ({low:.3f} to {high:.3f}; aim "
            f"{TARGETS[amount]:.2f}), worst hand {worst} {by_hand[worst]:.2f}; without each phrase's mean "
            f"{np.mean([row['shape']['personal'] / row['shape']['opponent'] for row in here]):.3f}"
        )
        means = {way: np.mean([row["mae"][way] for row in here]) for way in here[0]["mae"]}
        lines.append("  mean error: " + ", ".join(f"{way} {value:.2f}" for way, value in means.items()))
        apart = {way: np.mean([row["ablation"][way] for row in here]) for way in here[0]["ablation"]}
        lines.append("  ablation: " + ", ".join(f"{way} {value:.2f}" for way, value in apart.items()))
        for way in ("personal", "opponent"):
            lines.append(f"  life, {way}: " + _life_text(here, way))
    for case in dict.fromkeys(row["case"] for row in rows if row["case"]):
        here = [row for row in rows if row["case"] == case]
        keys = [key for key in here[0] if key not in ("amount", "hand", "seed", "case", "why")]
        told = ", ".join(f"{key} {np.mean([row[key] for row in here]):.2f}" for key in keys)
        lines.append(f"{case}: {here[0]['why']}: {told}")
    return "\n".join(lines)


def ratio_interval(rows: Rows) -> tuple[float, float, float]:
    """Mean over hands of the ratio of personal to opponent, and its 95 % interval when hands are drawn anew."""
    ratios = np.array([_ratio([row for row in rows if row["hand"] == hand]) for hand in _hands(rows)])
    drawn = resamples(len(ratios), n_draws=_DRAWS)
    return float(ratios.mean()), *interval_of(ratios[drawn].mean(axis=1))


def figures_for_log(rows: Rows) -> dict[str, Any]:
    """What the log of runs keeps: errors by amount, hand and seed, and life by amount and hand."""
    plain = [row for row in rows if not row["case"]]
    return {
        f"{row['amount']} {row['hand']}/{row['seed']}": {
            **{way: round(value, 3) for way, value in row["mae"].items()},
            "life": {
                way: [{name: round(lane[name], 2) for name in FIGURES} for lane in lanes]
                for way, lanes in row["life"].items()
            },
        }
        for row in plain
    }


def _hands(rows: Rows) -> list[str]:
    return list(dict.fromkeys(row["hand"] for row in rows))


def _ratio(rows: Rows) -> float:
    return float(np.mean([row["mae"]["personal"] / row["mae"]["opponent"] for row in rows]))


def _life_text(rows: Rows, way: str) -> str:
    told = []
    for k, lane in enumerate(LANES):
        figures = [
            f"{name} {np.nanmedian(values):.2f} ({np.nanmin(values):.2f} to {np.nanmax(values):.2f})"
            for name in FIGURES
            if np.isfinite(values := np.array([row["life"][way][k][name] for row in rows], dtype=float)).any()
        ]
        told.append(f"{lane} " + ", ".join(figures))
    return "; ".join(told)


def draw_curve(rows: Rows, path: Path) -> None:
    """Mean error of each way over hands and seeds, by amount of corrected music, the hands' range shaded."""
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams["svg.hashsalt"] = "phrasewright"
    from matplotlib import pyplot

    amounts = [amount for amount in AMOUNT_NAMES if any(row["amount"] == amount and not row["case"] for row in rows)]
    figure, axes = pyplot.subplots(figsize=(7.0, 4.2), layout="constrained")
    at = np.arange(len(amounts))
    for way, (name, colour, dash) in _CURVES.items():
        by_hand = np.array(
            [
                [np.mean([r["mae"][way] for r in rows if (r["amount"], r["hand"], r["case"]) == (amount, hand, "")])
                 for hand in _hands(rows)]
                for amount in amounts
            ]
        )  # fmt: skip
        axes.plot(at, by_hand.mean(axis=1), color=colour, linestyle=dash, linewidth=1.8, label=name)
        if way in ("personal", "opponent"):
            axes.fill_between(at, by_hand.min(axis=1), by_hand.max(axis=1), color=colour, alpha=0.12, linewidth=0)
    axes.set_xticks(at, [AMOUNT_NAMES[amount] for amount in amounts])
    axes.set_xlim(0, max(len(amounts) - 1, 1))
    axes.set_ylim(0)
    axes.set_ylabel("mean distance from the hand, controller steps")
    axes.set_xlabel("music corrected before")
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(frameon=False, fontsize=8)
    unnamed = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    figure.savefig(path, metadata=unnamed if path.suffix == ".svg" else None)
    pyplot.close(figure)


def main(argv: Sequence[str] | None = None) -> None:
    """The command."""
    parser = argparse.ArgumentParser(prog="phrasewright.training.learning_report", description=__doc__)
    parser.add_argument("figures", type=Path, help="what learning_evaluation wrote with --out")
    parser.add_argument("--picture", type=Path, help="learning curve to draw, .svg or .png")
    chosen = parser.parse_args(argv)
    rows = json.loads(chosen.figures.read_text(encoding="utf-8"))
    for row in rows:  # what there was nothing to compare with is null in JSON
        for lanes in row.get("life", {}).values():
            for figures in lanes:
                figures.update({name: float("nan") for name, value in figures.items() if value is None})
    print(table(rows))
    print(summary(rows))
    if chosen.picture:
        draw_curve(rows, chosen.picture)


if __name__ == "__main__":
    main()
