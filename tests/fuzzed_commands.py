"""Command lines as nobody should write them, and a folder with one of everything a name can lead to."""

from __future__ import annotations

import os
import random
import shutil
from pathlib import Path

from sound_files import sound_cue, sound_style

Random = random.Random

NAMES = (
    "cue.mid", "broken.mid", "folder.mid", "pipe.mid", "loop.mid", "gone.mid", "zero.mid", "null.mid", "link.mid",
    "none",
    "\x1b[31mred.mid", "new\nline.mid", "-dash.mid", ".", "..", "", "/dev/zero", "/dev/null", "/proc/self/mem",
    "x" * 300,
    "a/b/c.mid", "plan.csv", "mine.toml", "hand.safetensors", "hand", "../up.mid", "cue.mid/x.mid", "noise",
)  # fmt: skip
BAD = NAMES[1:9]
PARTS = ("1", "Oboe", "1,2", "99", "", ",", '"', "0", "-1", "\x1b[2J", "1-3", "9" * 40, "9" * 5000, "1,1", "٢")
BARS = ("1-2", "3", "0", "2-1", "1-", "-", "a-b", "1-999999", "9" * 30, "1.5", "١-٢", "", "9" * 5000, "1-2-3")
LANES = ("dynamics", "vibrato,expression", "", "odd", "dynamics,,", "Dynamics")
KINDS = ("jump", "jump,entry", "odd", "", ",")
STYLES = ("hand", "none", "../hand", "\x1b[2J", "", "HAND", "x" * 99)
OUTPUTS = (
    "out.mid", "out", "cue.mid", "folder.mid", "pipe.mid", "loop.mid", "zero.mid", "/dev/full", "/dev/null",
    "noise/x.mid",
    "", ".", "x" * 300 + ".mid", "gone.mid", "out.txt", "out.svg", "/proc/x.mid",
)  # fmt: skip
NO_FOLDERS = ("cue.mid", "pipe.mid", "loop.mid", "/dev/null", "noise/x", "/proc/x", "x" * 300, "cue.mid/deeper/still")
CHOICES = {
    "--parts": PARTS, "--bars": BARS, "--lanes": LANES, "--existing": ("keep", "blend", "odd", ""), "--kinds": KINDS,
    "--ignore": KINDS, "--fail-on": KINDS, "--name": STYLES, "--jobs": ("1", "0", "-1", "x", "9" * 5000),
}  # fmt: skip
FILES = {
    "--profile": "mine.toml", "--plan": "plan.csv", "--style": "hand.safetensors", "--csv": "out.csv",
    "--shaped": "cue.mid", "--beside": "cue.mid", "--report": "page.html",
}  # fmt: skip
FLAGS = {
    "shape": ("--join-repeats", "--lanes-only", "--no-record", "--baseline"), "learn": ("--approved",), "explain": (),
    "compare": (), "review": (), "picture": (),
}  # fmt: skip
OPTIONS = {
    "shape": ("--parts", "--bars", "--lanes", "--profile", "--plan", "--style", "--existing", "--jobs", "--report"),
    "explain": ("--profile",),
    "compare": ("--profile", "--csv", "--report"),
    "review": ("--kinds", "--ignore", "--fail-on", "--profile"),
    "picture": ("--parts", "--bars", "--profile", "--beside"),
    "learn": ("--profile", "--shaped"),
}


def odd_place(folder: Path) -> Path:
    """A folder with a cue, a broken one, folders, pipes, devices and links under names of cues,
    and control characters
    in names."""
    place = folder / "place"
    shutil.rmtree(place, ignore_errors=True)
    (place / "folder.mid").mkdir(parents=True)
    cue = sound_cue().midi.content
    for name in ("cue.mid", "\x1b[31mred.mid", "new\nline.mid"):
        (place / name).write_bytes(cue)
    (place / "broken.mid").write_bytes(cue[:200])
    os.mkfifo(place / "pipe.mid")
    for name, to in (("loop", "loop.mid"), ("gone", "nothing"), ("zero", "/dev/zero"), ("null", "/dev/null")):
        (place / f"{name}.mid").symlink_to(to)
    (place / "link.mid").symlink_to("cue.mid")
    (place / "noise").write_bytes(random.Random(1).randbytes(400))
    (place / "plan.csv").write_text("bar,level\n1,p\n")
    (place / "mine.toml").write_text('["Oboe"]\nrange.dynamics = [20, 110]\n')
    (place / "hand.safetensors").write_bytes(sound_style())
    return place


def command_line(chance: Random) -> list[str]:
    """The words of one command; about half of the files are what they should be."""

    def file(usual: str) -> str:
        return usual if chance.random() < 0.5 else chance.choice(NAMES)

    def options(command: str) -> list[str]:
        flags = {"--json": 0.25, "--force": 0.25, "--odd": 0.02}
        words = [flag for flag, share in flags.items() if chance.random() < share]
        words += [flag for flag in FLAGS[command] if chance.random() < 0.2]
        for name in OPTIONS[command]:
            if chance.random() < 0.25:
                words += [name, chance.choice(CHOICES[name]) if name in CHOICES else file(FILES[name])]
        return words

    command = chance.choice((*OPTIONS, "shape", "style", "style", "odd", "profile", "long"))
    if command == "shape":
        cues = [file("cue.mid") for _ in range(chance.choice((1, 1, 1, 2, 0)))]
        words = options(command)
        rules = [] if "--style" in words and chance.random() < 0.8 else ["--baseline"]
        return ["shape", *cues, "-o", chance.choice(OUTPUTS), *rules, *words]
    if command in ("explain", "review"):
        return [command, file("cue.mid"), *options(command)]
    if command == "compare":
        return ["compare", *(file("cue.mid") for _ in range(chance.randrange(1, 5))), *options(command)]
    if command == "picture":
        return ["picture", chance.choice(NAMES), "-o", chance.choice(OUTPUTS), *options(command)]
    if command == "learn":
        return ["learn", chance.choice(STYLES), chance.choice(BAD), *options(command)]
    if command == "profile":
        cue = ["--cue", file("cue.mid")] if chance.random() < 0.5 else []
        return ["profile", "check", file("mine.toml"), *cue, *(["--json"] if chance.random() < 0.3 else [])]
    if command == "long":  # what takes minutes, at places where it cannot begin
        out = chance.choice(NO_FOLDERS)
        return chance.choice(
            (["train", "--out", out, "--steps", "1"], ["evaluate", "--weights", chance.choice(NAMES), "--json"],
             ["demo", out], ["train", "--out", out, "--preset", "odd"], ["evaluate", "--apart", "nobody"])
        )  # fmt: skip
    if command == "style":
        name = chance.choice(STYLES)
        words = chance.choice(
            (["list"], ["check"], ["check", "--restore"], ["show", name], ["undo", name], ["delete", name],
             ["export", name, chance.choice(OUTPUTS)], ["import", file("hand.safetensors"), "--name", name],
             ["import", "hand.safetensors"], ["forget", name, file("cue.mid")])
        )  # fmt: skip
        return ["style", *words]
    return [chance.choice(("odd", "", "--help", "-o", "\x1b[2J"))]
