"""Tables and curve of learning: what was aimed at stands beside what came out."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from phrasewright.training.learning_report import draw_curve, figures_for_log, main, ratio_interval, summary, table


def row(amount: str, hand: str, personal: float, *, seed: int = 0) -> dict[str, object]:
    errors = {"shipped": 10.0, "gain": 6.0, "ridge": 5.0, "opponent": 4.0, "noise": 1.2, "personal": personal}
    life = [{"depth": 0.9, "accents": 0.5, "energy": 1.1, "slopes": 0.8}] * 2
    none = {"depth": float("nan"), "accents": float("nan"), "energy": 0.7, "slopes": 0.4}
    return {
        "amount": amount, "hand": hand, "seed": seed, "case": "", "mae": errors, "shape": errors,
        "ablation": {"only trees": 4.5}, "life": {"personal": [*life, none], "opponent": [*life, none]}, "fit_s": 20.0,
    }  # fmt: skip


ROWS = [row(amount, hand, 2.0 + k) for amount in ("16s", "cue") for k, hand in enumerate(("one", "two"))]


def test_the_mean_ratio_stands_beside_the_aim_with_the_worst_hand() -> None:
    told = summary(ROWS)
    assert "16 s of one line: mean ratio of error to the opponent 0.625 (0.500 to 0.750; aim 0.80)" in told
    assert "worst hand two 0.75" in told
    assert "only trees 4.50" in told
    assert ratio_interval(ROWS[:2])[0] == pytest.approx(0.625)
    assert "vib depth nan" in table(ROWS)


def test_every_hand_and_seed_is_in_the_log() -> None:
    assert set(figures_for_log([*ROWS, row("cue", "two", 3.0, seed=1)])) == {
        "16s one/0", "16s two/0", "cue one/0", "cue two/0", "cue two/1",
    }  # fmt: skip


def test_the_curve_is_drawn_from_a_kept_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "learning.json"
    kept.write_text(json.dumps(ROWS).replace("NaN", "null"), encoding="utf-8")
    main([str(kept), "--picture", str(tmp_path / "curve.svg")])
    assert "aim 0.85" in capsys.readouterr().out
    once = (tmp_path / "curve.svg").read_bytes()
    draw_curve(ROWS, tmp_path / "curve.svg")
    assert (tmp_path / "curve.svg").read_bytes() == once
