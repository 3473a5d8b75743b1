"""Shared fixtures."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A personal store of the test's own: none may ever write the user's."""
    home = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(home))
    return home
