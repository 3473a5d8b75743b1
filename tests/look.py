"""Eight passages, rules beside network, over the notes: `python tests/look.py [--only melody,run] [--weights FILE]`.

Writes a picture a passage into `build/look/`: the rules' lanes, with the network's laid over and the difference shaded.
Six passages are from quartets in the installed music21, the rising closing and the tutti from the demo cues. To be
looked at after any change to rules, network or writing: what repeats itself, stands still or moves without a reason in
the notes looks like a machine.
"""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path

from phrasewright.data.demo_cues import write_demos
from phrasewright.inference.picture import draw_picture
from phrasewright.inference.shaping import Chosen, ShapeOptions, shape_cue
from phrasewright.model.prediction import WEIGHTS, network_lanes
from phrasewright.training.material import Movement, cue_bytes

PASSAGES: dict[str, tuple[Movement | str, tuple[int, int], tuple[str, ...]]] = {
    "melody": (Movement("beethoven/opus59no3/movement2", 84), (9, 16), ("Violin I",)),
    "chords": (Movement("beethoven/opus59no2/movement2", 58), (1, 8), ("Violin II", "Viola", "Cello")),
    "repeats": (Movement("beethoven/opus59no1/movement1", 116), (1, 8), ("Violin II", "Cello")),
    "held": (Movement("beethoven/opus59no3/movement1", 100), (1, 16), ("Violin I", "Cello")),
    "run": (Movement("schumann_robert/opus41no1/movement5", 138), (26, 36), ("Violin I",)),
    "closing-fall": (Movement("schumann_robert/opus41no1/movement4", 60), (57, 68), ("Violin I", "Cello")),
    "closing-rise": ("storm-over-the-rocks", (65, 73), ("Horns", "Violins I", "Cellos")),
    "mixed": (Movement("beethoven/opus132", 80), (23, 34), ("Violin I", "Viola")),
    "tutti": ("storm-over-the-rocks", (9, 24), ("Horns", "Trumpets", "Violins I", "Violas", "Cellos")),
}
"""What to look at: a movement or a demo cue, its bars, and parts."""


def main() -> None:
    """Draw them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", help="names of passages, separated by commas")
    parser.add_argument("--weights", type=Path, default=WEIGHTS)
    parser.add_argument("--out", type=Path, default=Path("build/look"))
    chosen = parser.parse_args()
    (chosen.out / "cues").mkdir(parents=True, exist_ok=True)
    write_demos(chosen.out / "cues")
    predict = partial(network_lanes, weights=chosen.weights)
    for name, (source, bars, parts) in PASSAGES.items():
        if chosen.only and name not in chosen.only.split(","):
            continue
        path = chosen.out / "cues" / (f"{source}.mid" if isinstance(source, str) else f"{name}.mid")
        if isinstance(source, Movement):
            path.write_bytes(cue_bytes(source, seconds=300.0))
        drawn = {
            "rules": shape_cue(path, ShapeOptions(baseline=True, parts=parts)),
            "network": shape_cue(path, ShapeOptions(parts=parts), chosen_by=Chosen(predict, "shipped")),
        }
        files = {who: chosen.out / f"{name}-{who}.mid" for who in drawn}
        for who, shaped in drawn.items():
            files[who].write_bytes(shaped.content)
        picture = chosen.out / f"{name}.png"
        draw_picture(files["rules"], picture, bars=bars, parts=parts, other=files["network"], force=True)
        print(picture)


if __name__ == "__main__":
    main()
