"""What README promises is what CI runs and what the command line has."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from phrasewright.inference import cli

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_ci_runs_the_test_command_of_readme() -> None:
    (command,) = [line for line in README.splitlines() if line.endswith("tests/check.py")]
    assert command in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_the_first_command_runs_the_demo() -> None:
    first = re.findall(r"```sh\n(.*?)\n```", README, re.DOTALL)[0]
    assert first.endswith("phrasewright demo lighthouse")


@pytest.mark.parametrize("command", [name for name in cli.main.commands if name != "demo"])
def test_every_command_is_shown(command: str) -> None:
    assert f"phrasewright {command} " in README


def test_pictures_and_files_named_in_readme_are_there() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target


def test_every_module_named_in_the_guides_is_there() -> None:
    guides = README + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for module in set(re.findall(r"python -m phrasewright\.([a-z_.]+)", guides)):
        assert (ROOT / (module.replace(".", "/") + ".py")).exists(), module
