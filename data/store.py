"""The personal store: first passes, corrections and style versions, in one SQLite file.

The log of corrections is the truth: rows are appended, never edited. A change is one transaction, so that a process
killed at any moment leaves either all of it or nothing; several processes may write at once. A style is a row of
versions and a head that says which one is in use; undo moves the head.

Forgetting a cue makes a version that stands on the other corrections. The log keeps the forgotten ones, so that undo
can bring them back, until the style is deleted.

The only place that imports sqlite3.
"""

from __future__ import annotations

import os
import sqlite3
import time
import zlib
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from platformdirs import user_data_path

from phrasewright.data.alignment import SKETCH_SIZE, alike, sketch
from phrasewright.data.copies import advice, check_log, faults_of, keep_copy, offer
from phrasewright.data.corrections import (
    CorrectionSet,
    LoggedCorrection,
    ShapedRecord,
    StoredCue,
    StyleVersion,
    check_style_name,
    digest,
)
from phrasewright.data.errors import DamagedStoreError, InputError, StoreError, StyleMovedError
from phrasewright.data.notes import Notes
from phrasewright.data.packing import pack, unpack
from phrasewright.data.schema import (
    CUES_OF,
    IDS_OF_CUE,
    LOGGED,
    MIGRATIONS,
    TABLES,
    cue_id_of,
    insert_correction,
    insert_record,
    is_whole,
    logged,
    now_utc,
    record_parts,
    record_plan,
    seal,
    version_from,
)

FILE_NAME = "store.sqlite"
BUSY_S = 60.0
"""How long a process waits for another to finish its transaction."""
RECORDS_PER_CUE = 12
"""First passes kept of one cue; older ones go. A correction holds its own prediction and needs none of them."""
_MIN_LIKENESS = 0.05
_N_LIKE = 6


def store_folder() -> Path:
    """PHRASEWRIGHT_HOME, else the platform's folder for the user's data."""
    home = os.environ.get("PHRASEWRIGHT_HOME")
    return Path(os.path.expanduser(home)) if home else user_data_path("phrasewright", appauthor=False)


class Store:
    """The open store; use it in `with`. One process may hold several, one thread uses one.

    Parameters
    ----------
    folder : Path, optional
        Made if absent; `store_folder()` without it.

    Raises
    ------
    StoreError
        The folder cannot be made, or the file is damaged or from a newer version of the tool.
    """

    def __init__(self, folder: Path | None = None) -> None:
        folder = folder if folder is not None else store_folder()
        self.path = Path(os.path.realpath(folder / FILE_NAME))  # its log and its copy lie where links lead to
        self.read_only = False
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise StoreError(
                f"{folder}: the store's folder cannot be made ({fault.strerror}); set PHRASEWRIGHT_HOME to a "
                "folder you may write to"
            ) from fault
        with self._told():
            self._db = self._opened()
            try:
                self._migrate()
            except BaseException:
                self._db.close()
                raise

    def __enter__(self) -> Store:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; open again for more."""
        with suppress(sqlite3.Error):
            self._db.close()

    # First passes

    def record_shaped(self, record: ShapedRecord) -> None:
        """Keep a first pass; the same file again only renews its date. The oldest of one cue go."""
        with self._change() as db:
            insert_record(db, record)
            db.execute(
                "DELETE FROM shaped WHERE fingerprint = ? AND id NOT IN"
                " (SELECT id FROM shaped WHERE fingerprint = ? ORDER BY id DESC LIMIT ?)",
                (record.fingerprint, record.fingerprint, RECORDS_PER_CUE),
            )

    def shaped_like(self, lines: Sequence[Notes], *, fingerprint: str) -> list[ShapedRecord]:
        """First passes whose notes are those of a cue or resemble them, likeliest and newest first.

        Parameters
        ----------
        lines : sequence of Notes
            The parts of the cue.
        fingerprint : str
            The cue's own.
        """
        wanted = sketch(lines)
        with self._told():
            rows = self._db.execute("SELECT id, fingerprint, sketch FROM shaped ORDER BY id DESC").fetchall()
        found: dict[str, list[tuple[float, int]]] = {}
        for id_, print_, raw in rows:
            other = np.frombuffer(raw[: len(raw) // 4 * 4], dtype="<u4")[:SKETCH_SIZE]
            likeness = 2.0 if print_ == fingerprint else alike(wanted, other)
            if likeness >= _MIN_LIKENESS:
                found.setdefault(print_, []).append((likeness, id_))
        best = sorted(found.values(), key=lambda some: (-some[0][0], -some[0][1]))[:_N_LIKE]
        return [self._record(id_) for some in best for _, id_ in some]

    # Corrections

    def append(self, style: str, found: CorrectionSet) -> list[int]:
        """Append what one corrected file says to a style's log, in one transaction. Returns the ids in order."""
        check_style_name(style)
        now = now_utc()
        with self._change() as db:
            db.execute("INSERT OR IGNORE INTO style (name, head, created) VALUES (?, NULL, ?)", (style, now))
            cue = cue_id_of(db, found.cue)
            session = db.execute(
                "INSERT INTO session (style, cue_id, file_hash, predicted_by, predicted_version, created)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (style, cue, found.cue.file_hash, found.predicted_by, found.predicted_version, now),
            ).lastrowid
            return [insert_correction(db, session, correction) for correction in found.corrections]

    def corrections(self, style: str, ids: Sequence[int] | None = None) -> list[LoggedCorrection]:
        """Corrections of a style in the order they were learned: the chosen ones, else the whole log."""
        with self._told():
            rows = self._db.execute(LOGGED, (style,)).fetchall()
        wanted = None if ids is None else set(ids)
        return [logged(row) for row in rows if wanted is None or row[0] in wanted]

    def cue(self, cue_id: int) -> StoredCue:
        """A corrected cue by its id. Raises StoreError where there is none."""
        with self._told():
            row = self._db.execute(
                "SELECT fingerprint, name, content, profile, file_hash, plan, digest FROM cue WHERE id = ?", (cue_id,)
            ).fetchone()
        if row is None:
            raise StoreError(f"{self.path}: holds no cue {cue_id}; run `phrasewright style check`")
        if not is_whole(row[2], row[6]):
            raise StoreError(f"{self.path}: the notes of {row[1]} are damaged; run `phrasewright style check`")
        return StoredCue(row[0], row[1], zlib.decompress(row[2]), row[3], row[4], row[5])

    def cues(self, style: str) -> list[tuple[int, str, str, int]]:
        """(id, fingerprint, name, how many corrections) of each corrected cue in a style's log, in order."""
        with self._told():
            return self._db.execute(CUES_OF, (style,)).fetchall()

    def active_ids(self, style: str, *, without: str | None = None) -> list[int]:
        """Ids of the corrections the next version stands on, besides new ones.

        They are those of the version in use and of versions learned from it that were not used; what was undone or
        forgotten is not among them, nor are corrections of the cue with fingerprint `without`.
        """
        head = self.head(style)
        at = head.version if head is not None else None
        ids = set(head.corrections) if head is not None else set()
        for version in self.versions(style):
            if not version.used and version.parent == at and (at is None or version.version > at):
                ids |= set(version.corrections)
        if without is not None:
            with self._told():
                gone = self._db.execute(IDS_OF_CUE, (style, without)).fetchall()
            ids -= {row[0] for row in gone}
        return sorted(ids)

    # Styles

    def add_version(
        self,
        style: str,
        *,
        payload: bytes | None,
        corrections: Sequence[int],
        used: bool,
        why: str,
        head: int | None,
    ) -> StyleVersion:
        """Add a version in one transaction; if it is to be used it becomes the head.

        Parameters
        ----------
        payload : bytes or None
            What predicts, None for a version that predicts as shipped.
        corrections : sequence of int
            Ids of all corrections it stands on.
        head : int or None
            The version that was in use when learning began.

        Raises
        ------
        StyleMovedError
            Another process changed the style meanwhile: learn again from `active_ids`.
        """
        check_style_name(style)
        now = now_utc()
        with self._change() as db:
            db.execute("INSERT OR IGNORE INTO style (name, head, created) VALUES (?, NULL, ?)", (style, now))
            (current,) = db.execute("SELECT head FROM style WHERE name = ?", (style,)).fetchone()
            if current != head:
                raise StyleMovedError(
                    f"style {style} went from version {head or 0} to {current or 0} while it was learned; learn again"
                )
            (last,) = db.execute("SELECT COALESCE(MAX(version), 0) FROM version WHERE style = ?", (style,)).fetchone()
            ids = np.array(sorted(set(corrections)), dtype=np.int64)
            told = digest(payload) if payload is not None else None
            db.execute(
                "INSERT INTO version (style, version, parent, created, used, why, corrections, payload, digest)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (style, last + 1, head, now, int(used), why, pack({"ids": np.diff(ids, prepend=0)}), payload, told),
            )
            if used:
                db.execute("UPDATE style SET head = ? WHERE name = ?", (last + 1, style))
        with suppress(StoreError), self._told():  # without a copy, what was learned is stored all the same
            if not self.check():
                keep_copy(self._db, self.path)
        return self.version(style, last + 1)

    def styles(self) -> list[str]:
        """Names of all styles in alphabetical order; one that is no text (a damaged store) is for `check` to tell."""
        with self._told():
            rows = self._db.execute("SELECT name FROM style WHERE typeof(name) = 'text' ORDER BY name")
            return [name for (name,) in rows]

    def head(self, style: str) -> StyleVersion | None:
        """The version in use, None where that is the shipped model. Raises InputError for an unknown style."""
        with self._told():
            row = self._db.execute("SELECT head FROM style WHERE name = ?", (style,)).fetchone()
        if row is None:
            raise InputError(self._unknown(style))
        return self.version(style, row[0]) if row[0] is not None else None

    def versions(self, style: str) -> list[StyleVersion]:
        """All versions of a style, the oldest first."""
        with self._told():
            rows = self._db.execute(
                "SELECT style, version, parent, created, used, why, corrections, payload IS NOT NULL FROM version"
                " WHERE style = ? ORDER BY version",
                (style,),
            ).fetchall()
        return [version_from(row) for row in rows]

    def version(self, style: str, version: int) -> StyleVersion:
        """One version of a style. Raises InputError where there is none."""
        found = [one for one in self.versions(style) if one.version == version]
        if not found:
            raise InputError(f"style {style} has no version {version}; `phrasewright style show {style}` lists them")
        return found[0]

    def version_payload(self, style: str, version: int) -> bytes:
        """What predicts in a version, checked against its digest. Raises StoreError where it is damaged or absent."""
        with self._told():
            row = self._db.execute(
                "SELECT payload, digest FROM version WHERE style = ? AND version = ?", (style, version)
            ).fetchone()
        if row is None or row[0] is None:
            raise StoreError(f"style {style} version {version} holds nothing that predicts; undo it or learn again")
        if not is_whole(row[0], row[1]):
            raise StoreError(f"{self.path}: style {style} version {version} is damaged; undo it, or learn it again")
        return bytes(row[0])

    def renew_payload(self, style: str, version: int, payload: bytes) -> None:
        """Replace what predicts in a version by the same fitted anew from the log, in one transaction."""
        with self._change() as db:
            db.execute(
                "UPDATE version SET payload = ?, digest = ? WHERE style = ? AND version = ?",
                (payload, digest(payload), style, version),
            )

    def undo(self, style: str) -> StyleVersion | None:
        """Put the version before back in use, exactly, and return it; None where that is the shipped model.

        Raises
        ------
        InputError
            The style is unknown, or already predicts as shipped.
        """
        with self._change() as db:
            row = db.execute("SELECT head FROM style WHERE name = ?", (style,)).fetchone()
            if row is None:
                raise InputError(self._unknown(style))
            if row[0] is None:
                raise InputError(f"style {style} has nothing to undo: it already predicts as shipped")
            (parent,) = db.execute(
                "SELECT parent FROM version WHERE style = ? AND version = ?", (style, row[0])
            ).fetchone()
            db.execute("UPDATE style SET head = ? WHERE name = ?", (parent, style))
        return self.version(style, parent) if parent is not None else None

    def delete(self, style: str) -> None:
        """Delete a style with its versions, its corrections and the cues only it held. Raises InputError if unknown."""
        with self._change() as db:
            if db.execute("DELETE FROM style WHERE name = ?", (style,)).rowcount == 0:
                raise InputError(self._unknown(style))
            db.execute("DELETE FROM cue WHERE id NOT IN (SELECT cue_id FROM session)")

    def check(self) -> list[str]:
        """Faults of the store in words, none if it is sound: the file, its references, and every stored payload."""
        with self._told():
            return faults_of(self._db, tables=_tables())

    # The file

    def _unknown(self, style: str) -> str:
        known = ", ".join(self.styles()) or "none yet; `phrasewright learn` makes one"
        return f"no style is called {style!r}; there are: {known}"

    def _record(self, id_: int) -> ShapedRecord:
        with self._told():
            row = self._db.execute(
                "SELECT fingerprint, name, style, version, file_hash, created, payload FROM shaped WHERE id = ?", (id_,)
            ).fetchone()
        arrays = unpack(row[6])
        parts, tempo_beat, tempo_s = record_parts(arrays)
        print_, name, style, version, hash_, created, _ = row
        return ShapedRecord(
            print_, name, style, version, hash_, created, parts, tempo_beat, tempo_s, record_plan(arrays)
        )  # fmt: skip

    def _opened(self) -> sqlite3.Connection:
        if self.path.exists() and not self.path.is_file():
            raise StoreError(f"{self.path}: is no file; move it away, or set PHRASEWRIGHT_HOME to another folder")
        address = self.path.absolute().as_uri()
        writable = os.access(self.path, os.W_OK) if self.path.exists() else os.access(self.path.parent, os.W_OK)
        if writable and os.access(self.path.parent, os.W_OK):
            return sqlite3.connect(address, uri=True, timeout=BUSY_S, isolation_level=None)
        if not self.path.exists():
            raise StoreError(f"{self.path.parent}: cannot be written; set PHRASEWRIGHT_HOME to another folder")
        check_log(self.path)
        self.read_only = True
        return sqlite3.connect(f"{address}?mode=ro&immutable=1", uri=True, timeout=BUSY_S, isolation_level=None)

    def _migrate(self) -> None:
        db = self._db
        db.execute("PRAGMA foreign_keys = ON")
        db.create_function("seal", -1, seal, deterministic=True)
        (version,) = db.execute("PRAGMA user_version").fetchone()
        if version > len(MIGRATIONS):
            raise StoreError(
                f"{self.path}: was written by a newer phrasewright (store version {version}, this one knows "
                f"{len(MIGRATIONS)}); update phrasewright, or set PHRASEWRIGHT_HOME to another folder"
            )
        if self.read_only:
            if version < len(MIGRATIONS):
                raise StoreError(f"{self.path}: must be brought up to date, but cannot be written; make it writable")
            return
        _patiently(db, "PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        while version < len(MIGRATIONS):
            with self._change() as change:
                (version,) = change.execute("PRAGMA user_version").fetchone()
                if version < len(MIGRATIONS):
                    for statement in MIGRATIONS[version]:
                        change.execute(statement)
                    version += 1
                    change.execute(f"PRAGMA user_version = {version}")

    @contextmanager
    def _change(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it or nothing."""
        if self.read_only:
            raise StoreError(f"{self.path}: cannot be written; set PHRASEWRIGHT_HOME to another folder")
        with self._told():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Faults of the database in one line of what to do."""
        try:
            yield
        except sqlite3.OperationalError as fault:
            text = advice(str(fault), self.path, busy_s=BUSY_S)
            kind = DamagedStoreError if text == offer(self.path) else StoreError
            raise kind(f"{self.path}: the store cannot be used ({fault}); {text}") from fault
        except (sqlite3.DatabaseError, UnicodeDecodeError) as fault:  # a damaged page may hold text that is none
            raise DamagedStoreError(f"{self.path}: the store is damaged ({fault}); {offer(self.path)}") from fault


def _tables() -> list[tuple[Any, ...]]:
    """What `TABLES` finds in a sound store."""
    with closing(sqlite3.connect(":memory:")) as db:
        db.create_function("seal", -1, seal, deterministic=True)
        db.executescript(";".join(chain(*MIGRATIONS)))
        return db.execute(TABLES).fetchall()


def _patiently(db: sqlite3.Connection, statement: str) -> None:
    """Run a statement for which SQLite does not wait by itself (the change to write-ahead logging)."""
    until = time.monotonic() + BUSY_S
    while True:
        try:
            db.execute(statement)
            return
        except sqlite3.OperationalError as fault:
            if "locked" not in str(fault) or time.monotonic() > until:
                raise
            time.sleep(0.02)
