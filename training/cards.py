"""The model card: what the weights learned from, how, and how well, for people (Markdown) and for `shape` (JSON)."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from phrasewright.data.files import write_together

WHAT = {
    "base": "Dynamics, expression and vibrato lanes from notes, with a spread: the default, without evidence.",
    "evidence": (
        "Features of a moment of a line, on which a hand's lanes are linear: an exact Bayesian head "
        "(model/evidence.py) fitted to a little of a hand on them predicts the rest. The head's prior is part of the "
        "weights."
    ),
}
DATA = (
    "Invented cues (training/textures.py) and new arrangements of scores whose music is out of copyright: Bach "
    "chorales, quartets by Haydn and Mozart, madrigals by Monteverdi. The scores are read at training time from the "
    "installed package music21 (software under BSD; its corpus comes with the encoders' permission, see "
    "corpus/license.txt there); no part of them is contained in the weights or in this repository. The curves over "
    "them are drawn by this project's rules and by invented people (training/prior.py). Never used: the quartets of "
    "Beethoven and Schumann, the Essen songs, any listening data, any recording, anybody's drawn lanes."
)


def card_files(
    weights: Path,
    *,
    settings: Mapping[str, Any],
    command: str,
    scores: Sequence[str],
    figures: Mapping[str, Any],
    passed_property_tests: bool = False,
    bands: Mapping[str, Any] | None = None,
) -> dict[Path, bytes]:
    """What belongs into `NAME.json` and `NAME.md` beside `NAME.safetensors`.

    `bands` are the factors of `bands.py`. `passed_property_tests` stays False until the property tests of the rules
    have passed on these weights; `shape` uses the network only then.
    """
    card = {
        "passed_property_tests": passed_property_tests,
        "command": command,
        "settings": dict(settings),
        "data": DATA,
        "scores": list(scores),
        "figures": dict(figures),
    }
    if bands:
        card["bands"] = dict(bands)
    return _files(weights, card)


def amend_card(weights: Path, **changes: Any) -> None:
    """Replace entries of an existing card, for instance after evaluation; `afterwards` says what was done by hand."""
    card = json.loads(weights.with_suffix(".json").read_text(encoding="utf-8"))
    for path, content in _files(weights, card | changes).items():  # one by one: the card in use is never away
        write_together({path: content})


def _files(weights: Path, card: Mapping[str, Any]) -> dict[Path, bytes]:
    settings = "\n".join(f"- {name}: {value}" for name, value in card["settings"].items())
    before = ""
    if "begun_from" in card:
        said = ", ".join(f"{name} {value}" for name, value in card["begun_from"]["settings"].items())
        before = f"First:\n\n    {card['begun_from']['command']}\n\n({said})\n\nThen, from those weights:\n\n"
    passed = "passed" if card["passed_property_tests"] else "not passed: `shape` uses the rules"
    tested = f"Property tests of the rules on this network: {passed}.\n\n" if weights.stem != "evidence" else ""
    figures = {name: value for name, value in card["figures"].items() if name != "evaluation"}  # in the JSON alone
    text = (
        f"# {weights.stem}\n\n{WHAT.get(weights.stem, WHAT['base'])} License: MIT.\n\n"
        f"## Data\n\n{card['data']}\n\n{len(card['scores'])} scores; their names stand in {weights.stem}.json.\n\n"
        f"## Training\n\n{before}    {card['command']}\n\n{settings}\n\n{card.get('afterwards', '')}\n\n"
        f"## Figures\n\n{tested}```json\n"
        f"{_told(figures)}\n```\n\n"
        "## Limits\n\nThe curves learned from are rule-made, so a low error is fit to the teacher, not to players. "
        "Movement that has no reason in the notes is not learned; it is added, seeded by the phrase.\n"
    )
    return {weights.with_suffix(".md"): text.encode(), weights.with_suffix(".json"): (_told(card) + "\n").encode()}


def _told(facts: Mapping[str, Any]) -> str:
    """JSON with lists of numbers on one line."""
    text = json.dumps(facts, indent=1)
    return re.sub(r"\[\s+([^\[\]{}]*?)\s+\]", lambda found: "[" + " ".join(found[1].split()) + "]", text)
