"""Everything that must hold before a change lands: ruff, mypy --strict, pytest, what fails fastest first.

Run from anywhere: `python tests/check.py [pytest arguments]`.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
FOLDERS = ("data", "model", "training", "inference")


def link_packages() -> None:
    """Lay the links by which mypy and editors see the folders under their installed names."""
    namespace = ROOT / "build" / "types" / "phrasewright"
    namespace.mkdir(parents=True, exist_ok=True)
    for folder in FOLDERS:
        link = namespace / folder
        if not link.is_symlink():
            link.symlink_to(Path("..", "..", "..", folder), target_is_directory=True)


def main() -> int:
    link_packages()
    steps = [
        ["ruff", "check", "."],
        ["mypy", *(f"build/types/phrasewright/{folder}" for folder in FOLDERS)],
        ["pytest", "-n", str(min(os.cpu_count() or 1, 8)), *sys.argv[1:]],
    ]
    environment = os.environ | {"OMP_NUM_THREADS": "1"}  # each of the test processes has one core
    for step in steps:
        print("==", " ".join(step), flush=True)
        code = subprocess.run([sys.executable, "-m", *step], cwd=ROOT, env=environment).returncode
        if code:
            return code
    return 0


if __name__ == "__main__":
    sys.exit(main())
