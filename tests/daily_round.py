"""Run the commands of docs/guide.md: `python tests/daily_round.py [--write]`.

Every `console` block is run in order in one empty folder, with a store of its own; a `toml` block is there as
mine.toml. Prints each command and what it said; with `--write` the guide is written anew with that. Exit 1 if a
command fails.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

GUIDE = Path(__file__).parent.parent / "docs" / "guide.md"
WIDTH = 118
BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)


def commands(text: str) -> list[str]:
    """What is typed in the console blocks, in order."""
    return [line[2:] for block in BLOCK.findall(text) for line in block.splitlines() if line.startswith("$ ")]


def run_all(text: str, folder: Path) -> tuple[str, list[str]]:
    """The guide with what its commands say now, and the commands that failed."""
    failed: list[str] = []
    tables = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    (folder / "mine.toml").write_text("\n".join(tables), encoding="utf-8")
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    environment = os.environ | {"PHRASEWRIGHT_HOME": str(folder / "home"), "PATH": path, "COLUMNS": "110"}

    def said(block: re.Match[str]) -> str:
        lines = []
        for command in commands(block.group(0)):
            print(f"$ {command}", flush=True)
            done = subprocess.run(
                ["bash", "-o", "pipefail", "-c", command], cwd=folder, env=environment, capture_output=True, text=True
            )
            out = [_cut(line) for line in (done.stdout + done.stderr).splitlines()]
            print("\n".join(out), flush=True)
            if done.returncode not in (0, 141):  # head closes the pipe when it has enough
                failed.append(command)
            lines += [f"$ {command}", *out]
        return "```console\n" + "\n".join(lines) + "\n```"

    return BLOCK.sub(said, text), failed


def _cut(line: str) -> str:
    return line.rstrip() if len(line) <= WIDTH else line[: WIDTH - 3].rstrip() + "..."


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--write", action="store_true")
    chosen = arguments.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        text, failed = run_all(GUIDE.read_text(encoding="utf-8"), Path(folder))
    if chosen.write and not failed:
        GUIDE.write_text(text, encoding="utf-8")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
