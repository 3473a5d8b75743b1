"""How well `review` finds what is planted, and how much it makes up.

    python tests/flaw_evaluation.py [--each 200] [--kinds jump,entry] [--shaped] [--all]

Prints, for each kind, flaws planted in lanes the tool shaped (by its rules) and in curves of hands kept apart, half and
half, recall, precision (findings of that kind at a plant, over all that the clean copy has not) and how many decoys,
just within the threshold, were taken for flaws. Then 20 curves of the hands as drawn, every hit listed, with whether it
is what its kind means by the measures of `flaw_measures.py`; then findings a minute of music in lanes shaped by the
tool, `retrigger` apart. `--shaped` prints the last two alone.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import zlib
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from click.testing import CliRunner
from flaw_measures import Site, meets, sites_of
from plants import Plant, planted_bytes
from seeded_flaws import KINDS, planted

from phrasewright.data.cue import Cue
from phrasewright.data.demo_cues import write_demo
from phrasewright.data.reading import read_cue
from phrasewright.inference.cli import main as command_line
from phrasewright.inference.shaping import Chosen, ShapeOptions, shape_cue
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes
from phrasewright.training.corpus import cut, midi_bytes, performed, read_score
from phrasewright.training.material import HANDS, Hand, hands_at
from phrasewright.training.textures import Line, Sketch, invented

DEMOS = ("the-lamp-is-lit", "storm-over-the-rocks")
QUARTETS = ("haydn/opus74no1/movement2", "mozart/k458/movement3", "mozart/k155/movement2", "haydn/opus1no1/movement3")
PLAYERS = (("Violin I", 40), ("Violin II", 40), ("Viola", 41), ("Cello", 42))
SAME_S = 0.05


@dataclass(frozen=True)
class Clean:
    """A file with lanes in order: `origin` is `shaped` or a hand's name; `found` what is found in it as it is."""

    origin: str
    cue: Cue
    sites: tuple[Site, ...]
    found: tuple[dict[str, Any], ...]


def review(path: Path) -> list[dict[str, Any]]:
    """The findings of a file, as `phrasewright review --json` prints them."""
    result = CliRunner().invoke(command_line, ["review", str(path), "--json"], catch_exceptions=False)
    if result.exit_code:
        raise RuntimeError(f"{path}: {result.output}")
    return list(json.loads(result.stdout)["findings"])


def sketches(n_invented: int, n_quartets: int) -> list[tuple[str, Sketch]]:
    """Invented cues, some with a change of playing, and sixteen bars of slow quartet movements."""
    made = []
    for seed in range(n_invented):
        rng = np.random.default_rng([7, seed])
        sketch = performed(invented(rng), rng)
        words = ((8 * 4.0, "pizz."), (11 * 4.0, "arco"))
        lines = [
            Line(line.name, line.program, line.rows, words) if k == 0 and seed % 3 == 0 else line
            for k, line in enumerate(sketch.lines)
        ]
        made.append((f"invented {seed}", Sketch(tuple(lines), sketch.tempi, sketch.metre, sketch.marks)))
    for number, name in enumerate(QUARTETS[:n_quartets]):
        score = read_score(name)
        rng = np.random.default_rng([8, number])
        bar = score.metre[0] * 4.0 / score.metre[1]
        lines = cut(score.lines, start=8 * bar, stop=28 * bar)
        players = zip(PLAYERS, lines, strict=False)
        quartet = Sketch(
            tuple(Line(title, program, tuple(rows)) for (title, program), rows in players), ((0.0, 60.0),), score.metre
        )
        made.append((name, performed(quartet, rng)))
    return made


def written_cues(folder: Path, *, n_invented: int, n_quartets: int, n_demos: int) -> list[Path]:
    """The cues to shape, as files."""
    paths = []
    for name, sketch in sketches(n_invented, n_quartets):
        paths.append(folder / f"{name.replace('/', '-').replace(' ', '-')}.mid")
        paths[-1].write_bytes(midi_bytes(sketch))
    for name in DEMOS[:n_demos]:
        write_demo(name, folder / f"{name}.mid")
        for start in (0, 32):
            paths.append(folder / f"{name}-{start}.mid")
            paths[-1].write_bytes(midi_bytes(_excerpt(read_cue(folder / f"{name}.mid"), start, 20)))
    return paths


def _excerpt(cue: Cue, start_bar: int, n_bars: int) -> Sketch:
    """Some bars of a cue as a sketch of its own."""
    tempo = cue.tempo
    start, stop = tempo.tick_to_beat(tempo.bar_to_tick(np.array([1.0 + start_bar, 1.0 + start_bar + n_bars])))
    lines = []
    for part in cue.parts:
        notes = part.notes
        length = notes.offset_beat - notes.onset_beat
        rows = list(
            zip(notes.onset_beat.tolist(), length.tolist(), notes.pitch.tolist(), notes.velocity.tolist(), strict=True)
        )
        for kept in cut([rows], start=float(start), stop=float(stop)):
            lines.append(Line(part.name, part.program or 0, tuple(sorted(kept))))
    bpm = 60.0 / float(tempo.beat_length_s(np.array([float(tempo.beat_to_s(np.array([start]))[0])]))[0])
    return Sketch(tuple(lines), ((0.0, bpm),), (4, 4))


def shaped_by(path: Path, hand: Hand | None, folder: Path) -> Clean:
    """A cue with the lanes of the rules, or of a hand, as `shape` writes them."""
    options = ShapeOptions(baseline=True)
    if hand is None:
        content = shape_cue(path, options).content
    else:
        seed = zlib.crc32(path.name.encode()) % 1000

        def drawn(hearing: CueHearing, index: int) -> DenseLanes:
            value = hand(hearing, index, seed=seed)
            return DenseLanes(value, np.zeros_like(value))

        content = shape_cue(path, options, chosen_by=Chosen(drawn, "hand")).content
    out = folder / f"clean-{path.stem}-{'shaped' if hand is None else 'hand'}.mid"
    out.write_bytes(content)
    cue = read_cue(out)
    return Clean("shaped" if hand is None else "hand", cue, tuple(sites_of(cue)), tuple(review(out)))


def clean_files(folder: Path, *, n_invented: int, n_quartets: int, n_demos: int) -> list[Clean]:
    """Every cue shaped by the rules, and drawn over by one of the validation hands in turn."""
    hands = list(hands_at(HANDS, "validation").values())
    paths = written_cues(folder, n_invented=n_invented, n_quartets=n_quartets, n_demos=n_demos)
    out = []
    for number, path in enumerate(paths):
        out += [shaped_by(path, None, folder), shaped_by(path, hands[number % len(hands)], folder)]
    return out


def is_new(finding: dict[str, Any], clean: Sequence[dict[str, Any]]) -> bool:
    """Whether the clean copy has no such finding."""

    def same(other: dict[str, Any]) -> bool:
        alike = all(finding[key] == other[key] for key in ("kind", "part", "lane"))
        near = all(abs(finding[key] - other[key]) < SAME_S for key in ("start_s", "end_s"))
        return alike and near

    return not any(same(other) for other in clean)


def was_there(finding: dict[str, Any], clean: Sequence[dict[str, Any]]) -> bool:
    """Whether the clean copy has a finding of that kind, part and lane at that time."""
    alike = (other for other in clean if all(finding[key] == other[key] for key in ("kind", "part", "lane")))
    return any(finding["start_s"] <= other["end_s"] and other["start_s"] <= finding["end_s"] for other in alike)


def at_plant(finding: dict[str, Any], plant: Plant, *, slack_s: float = 0.3) -> bool:
    """Whether a finding points at a plant: part, time, and the lane where it names one."""
    right = finding["part"] == plant.part and (finding["lane"] in (None, *plant.lanes) or not plant.lanes)
    right |= finding["part"] == plant.part and plant.kind in ("one-lane", "copied-lane")
    return bool(right and finding["start_s"] <= plant.end_s + slack_s and finding["end_s"] >= plant.start_s - slack_s)


def sow(kind: str, clean: Clean, rng: np.random.Generator, *, decoys: bool) -> list[Plant]:
    """A flaw in every part that has a place the clean copy's findings leave free; decoys in every fourth part."""
    plants = []
    for number, site in enumerate(clean.sites):
        if "dynamics" not in site.lanes or "expression" not in site.lanes:
            continue
        mine = [f for f in clean.found if f["kind"] == kind and f["part"] == site.part.index]
        plant = planted(kind, site, rng, decoy=decoys and number % 4 == 3)
        if plant is not None and not any(at_plant(finding, plant, slack_s=0.5) for finding in mine):
            plants.append(plant)
    return plants


def evaluate_kind(kind: str, clean: Sequence[Clean], folder: Path, *, each: int) -> dict[str, Any]:
    """Plant a kind `each` times, half in shaped files, half in hands' curves, and count what is found."""
    counts: Counter[str] = Counter()
    missed: list[str] = []
    made_up: list[str] = []
    by_how: dict[str, list[int]] = defaultdict(list)
    for origin in ("shaped", "hand"):
        files = [one for one in clean if one.origin == origin]
        n_planted = 0
        for turn in range(40):
            if n_planted >= each // 2:
                break
            for number, one in enumerate(files):
                rng = np.random.default_rng([zlib.crc32(kind.encode()), turn, number, origin == "hand"])
                plants = sow(kind, one, rng, decoys=True)
                flaws = [plant for plant in plants if plant.flaw][: each // 2 - n_planted]
                decoys = [plant for plant in plants if not plant.flaw]
                if not flaws:
                    continue
                out = folder / "planted.mid"
                out.write_bytes(planted_bytes(one.cue, [*flaws, *decoys]))
                new = [f for f in review(out) if f["kind"] == kind and is_new(f, one.found)]
                n_planted += len(flaws)
                place = f"{origin} {one.cue.path.name}"
                for plant in flaws:
                    hit = any(at_plant(finding, plant) for finding in new)
                    counts[f"{origin} planted"] += 1
                    counts[f"{origin} found"] += hit
                    by_how[plant.how.split(",")[0]].append(hit)
                    if not hit:
                        missed.append(f"{place} part {plant.part} {plant.start_s:.2f}-{plant.end_s:.2f} {plant.how}")
                for finding in new:
                    right = any(at_plant(finding, plant) for plant in flaws)
                    if not right and was_there(finding, one.found):
                        continue  # the same place, cut anew: phrases may begin elsewhere once notes are split
                    counts["right" if right else "wrong"] += 1
                    if not right:
                        made_up.append(f"{place} {finding['part']} {finding['start_s']:.2f} {finding['text']}")
                counts["decoys"] += len(decoys)
                counts["decoys taken"] += sum(any(at_plant(f, plant) for f in new) for plant in decoys)
    n = counts["shaped planted"] + counts["hand planted"]
    found = counts["shaped found"] + counts["hand found"]
    told = counts["right"] + counts["wrong"]
    return {
        "kind": kind, "planted": n, "recall": found / n if n else None,
        "recall_shaped": counts["shaped found"] / max(counts["shaped planted"], 1),
        "recall_hand": counts["hand found"] / max(counts["hand planted"], 1),
        "precision": counts["right"] / told if told else None,
        "decoys": counts["decoys"], "decoys_taken": counts["decoys taken"],
        "how": {how: (len(hits), sum(hits)) for how, hits in sorted(by_how.items())},
        "missed": missed, "made_up": made_up,
    }


def unplanted_hands(clean: Iterable[Clean], *, n_curves: int) -> list[tuple[str, dict[str, Any], bool]]:
    """Every hit in so many curves of hands as drawn, one part each, and whether it is what its kind means."""
    hits = []
    curves = [(one, site) for one in clean if one.origin == "hand" for site in one.sites]
    chosen = curves[:: max(len(curves) // n_curves, 1)][:n_curves]
    for one, site in chosen:
        for finding in one.found:
            if finding["part"] == site.part.index:
                hits.append((f"{one.cue.path.name} {site.part.name}", finding, holds(finding, site)))
    return hits


def holds(finding: dict[str, Any], site: Site) -> bool:
    """Whether a finding is what its kind means, measured apart from the code that found it."""
    lanes = [finding["lane"]] if finding["lane"] else list(site.lanes)
    return meets(finding["kind"], site, lanes=lanes, start_s=finding["start_s"], end_s=finding["end_s"])


def a_minute(clean: Iterable[Clean]) -> tuple[float, float, Counter[str]]:
    """Findings a minute of music and a minute of every part's own time in shaped files, `retrigger` apart; kinds."""
    kinds: Counter[str] = Counter()
    music_s = parts_s = 0.0
    for one in clean:
        if one.origin == "shaped":
            music_s += one.cue.duration_s
            parts_s += one.cue.duration_s * len(one.sites)
            kinds.update(f["kind"] for f in one.found)
    n = sum(count for kind, count in kinds.items() if kind != "retrigger")
    return 60.0 * n / max(music_s, 1e-9), 60.0 * n / max(parts_s, 1e-9), kinds


def table(rows: Sequence[dict[str, Any]]) -> str:
    """The figures of the kinds for people."""

    def share(value: float | None) -> str:
        return "    -" if value is None else f"{value:5.3f}"

    lines = [f"{'kind':<12} planted recall shaped  hands precision  decoys taken"]
    for row in rows:
        lines.append(
            f"{row['kind']:<12} {row['planted']:>7}  {share(row['recall'])}  {share(row['recall_shaped'])}  "
            f"{share(row['recall_hand'])}     {share(row['precision'])}  {row['decoys_taken']:>3} of {row['decoys']}"
        )
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=200, help="flaws of each kind")
    parser.add_argument("--kinds", default=",".join(KINDS), help="kinds, separated by commas")
    parser.add_argument("--cues", default="10,4,2", help="how many invented cues, quartets and demo cues")
    parser.add_argument("--shaped", action="store_true", help="plant nothing")
    parser.add_argument("--all", action="store_true", help="list misses, made-up findings, and how flaws were planted")
    chosen = parser.parse_args(argv)
    n_invented, n_quartets, n_demos = (int(number) for number in chosen.cues.split(","))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        clean = clean_files(folder, n_invented=n_invented, n_quartets=n_quartets, n_demos=n_demos)
        if not chosen.shaped:
            rows = []
            for kind in chosen.kinds.split(","):
                rows.append(evaluate_kind(kind, clean, folder, each=chosen.each))
                if chosen.all:
                    print(kind, rows[-1]["how"], *rows[-1]["missed"], *rows[-1]["made_up"], sep="\n  ", file=sys.stderr)
            print(table(rows))
        hits = unplanted_hands(clean, n_curves=20)
        right = sum(true for *_, true in hits)
        print(f"20 curves of hands as drawn: {len(hits)} hits, {right} of them what their kind means")
        for place, finding, true in hits:
            print(f"  {'yes' if true else 'NO '} {finding['kind']:<12} {place}: {finding['text']}")
        music, parts, kinds = a_minute(clean)
        print(f"shaped: {music:.2f} findings a minute of music, {parts:.2f} a part's minute; {dict(kinds)}")


if __name__ == "__main__":
    main()
