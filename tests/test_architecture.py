"""Imports flow one way, and each heavy library has one home."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ALLOWED = {
    "data": {"data"},
    "model": {"data", "model"},
    "training": {"data", "model", "training"},
    "inference": {"data", "model", "inference"},
}
HOMES = {
    "mido": {"data/midi.py"},
    "click": {"inference/cli.py"},
    "sqlite3": {"data/store.py"},
    "platformdirs": {"data/store.py"},
}
SOURCES = sorted(p for folder in ALLOWED for p in (ROOT / folder).rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Full names of all modules a file imports, wherever in the file."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} imports relatively"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_flow_one_way(path: Path) -> None:
    folder = path.relative_to(ROOT).parts[0]
    name = str(path.relative_to(ROOT))
    allowed = ALLOWED[folder] | ({"training"} if name == "inference/cli.py" else set())
    for module in imported(path):
        first, *rest = module.split(".")
        if first == "phrasewright":
            assert rest[0] in allowed, f"{name} imports {module}"
        if first in HOMES:
            assert name in HOMES[first], f"{name} imports {module}"
        if folder != "training":
            assert first != "torch", f"{name} imports torch"


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_files_stay_small(path: Path) -> None:
    # the command line is a list of commands, in one file because only one may know the library and the training
    longest = 600 if path.name == "cli.py" else 450
    assert len(path.read_text().splitlines()) <= longest, f"{path.name} is more than one idea"
    assert not {"utils", "helpers", "common", "manager"} & {path.stem}, path.name


def test_the_main_job_needs_no_torch(tmp_path: Path) -> None:
    """It takes seconds to import; what is trained with it runs without."""
    code = """
import sys
from pathlib import Path
from played_lines import VIOLINS, line
from drawn_cues import Line, write_cue
from phrasewright.inference.cli import main
write_cue(Path("cue.mid"), Line("Violins", VIOLINS, line([67, 69, 71, 72, 71, 69, 67, 66] * 4, 0.7)))
for command in (
    "shape cue.mid -o out.mid", "shape cue.mid -o rules.mid --baseline", "learn hand out.mid --approved",
    "shape cue.mid -o styled.mid --style hand", "explain cue.mid", "review out.mid", "compare rules.mid styled.mid",
):
    try:
        main(command.split())
    except SystemExit as end:
        assert not end.code, command
    assert "torch" not in sys.modules, command
print("done")
"""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT / "tests"), "PHRASEWRIGHT_HOME": str(tmp_path / "home")},
    )  # fmt: skip
    assert done.stdout.endswith("done\n"), done.stderr
