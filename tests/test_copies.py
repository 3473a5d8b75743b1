"""A damaged store is found, its copy of the last learning is offered and put back, and nothing else is lost by it."""

from __future__ import annotations

import os
import random
import sqlite3
import time
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from stored_cues import learn, record

from phrasewright.data.copies import COPY_NAME, restore
from phrasewright.data.errors import StoreError
from phrasewright.data.schema import MIGRATIONS
from phrasewright.data.store import FILE_NAME, Store
from phrasewright.inference.cli import main


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


@pytest.fixture
def home(own_home: Path) -> Path:
    """A store with three versions of a style."""
    with Store() as store:
        store.record_shaped(record())
        for i in range(3):
            learn(store, "hand", payload=bytes([i]) * 5000)
    return own_home


def cut(raw: bytearray) -> None:
    del raw[len(raw) // 2 :]


def header(raw: bytearray) -> None:
    raw[:16] = bytes(16)


def pages(raw: bytearray) -> None:
    raw[4096 * 2 : 4096 * 8] = random.Random(1).randbytes(4096 * 6)


def a_bit(raw: bytearray) -> None:
    """Within the bytes of a version: no database tells that, only the digest."""
    raw[raw.rindex(bytes([2]) * 500) + 30] ^= 1


def emptied(raw: bytearray) -> None:
    raw[:] = b"no store at all"


@pytest.mark.parametrize("damage", [cut, header, pages, a_bit, emptied])
def test_damage_is_found_and_the_copy_put_back(home: Path, damage: object) -> None:
    raw = bytearray((home / FILE_NAME).read_bytes())
    assert callable(damage)
    damage(raw)
    (home / FILE_NAME).write_bytes(raw)
    told = run("style", "check")
    assert told.exit_code == 1
    assert "`phrasewright style check --restore` puts back the copy of 20" in told.stderr.splitlines()[-1]

    put_back = run("style", "check", "--restore")
    assert put_back.exit_code == 0, put_back.output
    assert "the damaged store is kept as store.damaged-" in put_back.stdout
    assert run("style", "check").stdout == "the store is sound\n"
    with Store() as store:
        assert [v.version for v in store.versions("hand")] == [1, 2, 3]
        assert store.version_payload("hand", 3) == bytes([2]) * 5000
        assert len(store.corrections("hand")) == 9
    kept = [path.read_bytes() for path in home.glob("store.damaged-*.sqlite")]
    assert kept == [bytes(raw)]


def test_a_sound_store_is_left_as_it_is(home: Path) -> None:
    with Store() as store:
        store.undo("hand")
    assert run("style", "check", "--restore").stdout == "the store is sound; nothing was put back\n"
    with Store() as store:
        head = store.head("hand")
        assert head is not None
        assert head.version == 2


def test_a_store_of_a_newer_version_is_not_taken_for_damaged(home: Path) -> None:
    db = sqlite3.connect(home / FILE_NAME)
    db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    db.close()
    told = run("style", "check", "--restore")
    assert told.exit_code == 1
    assert "update phrasewright" in told.stderr


def test_a_damaged_store_never_replaces_the_copy(home: Path) -> None:
    before = (home / COPY_NAME).read_bytes()
    raw = bytearray((home / FILE_NAME).read_bytes())
    a_bit(raw)
    (home / FILE_NAME).write_bytes(raw)
    with Store() as store:
        learn(store, "other")
    assert (home / COPY_NAME).read_bytes() == before


def test_without_a_copy_the_advice_is_another(home: Path) -> None:
    (home / COPY_NAME).unlink()
    (home / FILE_NAME).write_bytes(b"no database " * 400)
    told = run("style", "check")
    assert told.exit_code == 1
    assert "move the file away" in told.stderr
    assert run("style", "check", "--restore").exit_code == 1
    with pytest.raises(StoreError, match="cannot be put back"):
        restore(home / FILE_NAME)


def test_what_a_killed_copying_left_is_cleared_away(home: Path) -> None:
    old, new = home / ".copy.old.part", home / ".copy.new.part"
    for path in (old, new):
        path.write_bytes(b"half a copy")
    os.utime(old, (time.time() - 9999,) * 2)
    with Store() as store:
        learn(store, "hand")
    assert not old.exists()
    assert new.exists()  # another process may be writing it
