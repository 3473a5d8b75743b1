"""The last good copy of the store, kept beside it, and what to do when the store is not sound.

The copy is written after each finished learning, if everything in the store passes its check, beside its place and then
moved there. Putting it back keeps the damaged file under another name: what it still holds may be worth something.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from phrasewright.data.errors import StoreError
from phrasewright.data.files import clear_leftovers
from phrasewright.data.schema import BROKEN_SEALS, LOST_HEADS, STORED_BYTES, TABLES, Database, is_whole

COPY_NAME = "store.copy.sqlite"
_BESIDE = ("-wal", "-shm")


def keep_copy(db: Database, store: Path) -> None:
    """Write the copy of an open, sound store. The fault of a full disk is let pass: what was learned is stored."""
    with suppress(OSError):
        clear_leftovers(store.parent, prefix=".copy.")
        descriptor, name = tempfile.mkstemp(prefix=".copy.", suffix=".part", dir=store.parent)
        os.close(descriptor)
        try:
            db.execute("VACUUM INTO ?", (name,))
            os.replace(name, store.parent / COPY_NAME)
        finally:
            Path(name).unlink(missing_ok=True)


def check_log(store: Path) -> None:
    """Raise StoreError for a store that can only be read while its log holds finished changes: they would go unseen."""
    log = Path(f"{store}-wal")
    if log.exists() and log.stat().st_size:
        raise StoreError(
            f"{store}: has changes to bring in, but cannot be written; copy the store's folder to where you may write, "
            "and set PHRASEWRIGHT_HOME to the copy"
        )


def faults_of(db: Database, *, tables: Sequence[tuple[Any, ...]]) -> list[str]:
    """What is not sound in an open store, in words: the file, its references, every row, every stored payload.

    `tables` is what `TABLES` finds in a sound store.
    """
    faults = [row[0] for row in db.execute("PRAGMA integrity_check") if row[0] != "ok"]
    faults += [f"{row[0]} row {row[1]} points nowhere" for row in db.execute("PRAGMA foreign_key_check")]
    if db.execute(TABLES).fetchall() != tables:
        faults.append("the tables are not as they were made")
    for title, query in STORED_BYTES:
        faults += [f"{title} {name} is damaged" for name, raw, known in db.execute(query) if not is_whole(raw, known)]
    faults += [f"{row[0]} is not as it was written" for query in BROKEN_SEALS for row in db.execute(query)]
    faults += [f"style {row[0]} uses a version that is not there" for row in db.execute(LOST_HEADS)]
    return faults


def advice(text: str, store: Path, *, busy_s: float) -> str:
    """What to do about a fault of the database, told by its own words."""
    if "locked" in text or "busy" in text:
        return f"another process has held it for {busy_s:.0f} s; try again"
    if "readonly" in text or "unable to open" in text:
        return "set PHRASEWRIGHT_HOME to a folder you may write to"
    if "full" in text or "disk I/O" in text:
        return "make room on the disk"
    return offer(store)


def offer(store: Path) -> str:
    """What to do about a damaged store: put its copy back, where there is one."""
    copy = store.parent / COPY_NAME
    if not copy.is_file():
        return "move the file away, or restore a copy of it"
    of = datetime.fromtimestamp(copy.stat().st_mtime, UTC).strftime("%Y-%m-%d %H:%M UTC")
    return f"`phrasewright style check --restore` puts back the copy of {of}"


def restore(store: Path) -> str:
    """Put the copy in the place of a damaged store, and tell it. No other process may use the store meanwhile.

    Raises
    ------
    StoreError
        There is no copy, or the folder cannot be written.
    """
    copy = store.parent / COPY_NAME
    aside = store.with_name(f"store.damaged-{datetime.now(UTC):%Y%m%dT%H%M%S%f}.sqlite")
    try:
        content = copy.read_bytes()
        descriptor, name = tempfile.mkstemp(prefix=".copy.", suffix=".part", dir=store.parent)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        for end in _BESIDE:  # the log of the damaged file must not be played into the copy
            with suppress(FileNotFoundError):
                os.replace(f"{store}{end}", f"{aside}{end}")
        if store.exists():
            with suppress(FileExistsError):
                os.link(store, aside)
        os.replace(name, store)
    except OSError as fault:
        raise StoreError(
            f"{copy}: cannot be put back ({fault.strerror}); move {store.name} away, and learn again"
        ) from fault
    return f"put back the copy; the damaged store is kept as {aside.name}"
