"""Shared fixtures."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from played_lines import Predictor

from phrasewright.model.prediction import network_lanes
from phrasewright.model.rules import rules_lanes


@pytest.fixture(autouse=True)
def own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A personal store of the test's own: none may ever write the user's."""
    home = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(home))
    return home


def forbid_network(patch: pytest.MonkeyPatch) -> None:
    """Whoever opens a connection, or asks for an address, fails."""

    def forbidden(*_: object, **__: object) -> None:
        raise AssertionError("a socket was opened")

    for name in ("connect", "connect_ex", "bind", "sendto"):
        patch.setattr(socket.socket, name, forbidden)
    for name in ("create_connection", "getaddrinfo", "gethostbyname"):
        patch.setattr(socket, name, forbidden)


@pytest.fixture
def no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    forbid_network(monkeypatch)


@pytest.fixture(params=[rules_lanes, network_lanes], ids=["rules", "network"])
def predictor(request: pytest.FixtureRequest) -> Predictor:
    """Each predictor that answers the call."""
    chosen: Predictor = request.param
    return chosen
