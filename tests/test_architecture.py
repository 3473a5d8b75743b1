"""Imports flow one way, and each heavy library has one home."""

from __future__ import annotations

import ast
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
        if folder == "data":
            assert first != "torch", f"{name} imports torch"


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_files_stay_small(path: Path) -> None:
    # the command line is a list of commands, in one file because only one may know the library and the training
    longest = 600 if path.name == "cli.py" else 450
    assert len(path.read_text().splitlines()) <= longest, f"{path.name} is more than one idea"
    assert not {"utils", "helpers", "common", "manager"} & {path.stem}, path.name


def test_the_rules_need_no_torch() -> None:
    code = "import sys, phrasewright.inference.cli, phrasewright.model.rules; assert 'torch' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)
