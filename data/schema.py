"""What stands in the personal store: its tables as a list of migrations, what is asked of them, and the rows of first
passes, corrections and versions, put in and read back.

A store carries its version in SQLite's user_version. A migration, once published, is never edited: a change is a new
one at the end.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.alignment import sketch
from phrasewright.data.corrections import (
    Correction,
    LoggedCorrection,
    ShapedPart,
    ShapedRecord,
    StoredCue,
    StyleVersion,
    digest,
)
from phrasewright.data.curves import Curve
from phrasewright.data.errors import StoreError
from phrasewright.data.packing import curve_arrays, curve_from, note_arrays, notes_from, pack, unpack

SEALED = (
    ("shaped", "id", "id, fingerprint, name, style, version, file_hash, created, sketch, digest"),
    ("cue", "id", "id, fingerprint, name, profile, plan, file_hash, digest"),
    ("style", "name", "name, head, created"),
    ("session", "id", "id, style, cue_id, file_hash, predicted_by, predicted_version, created"),
    ("correction", "id", "id, session_id, part, part_name, lane, phrase, start_s, end_s, kind, weight, digest"),
    ("version", "style || ' ' || version", "style, version, parent, created, used, why, corrections, digest"),
)
"""Each table, what names a row of it, and the columns that are sealed: all but payloads, which have their digests."""
BROKEN_SEALS = tuple(
    f"SELECT '{table} ' || {key} FROM {table} LEFT JOIN seal ON of = '{table}' AND row = {key}"
    f" WHERE seal.seal IS NOT seal({columns})"
    for table, key, columns in SEALED
) + tuple(
    f"SELECT '{table} ' || row FROM seal WHERE of = '{table}' AND row NOT IN (SELECT {key} FROM {table})"
    for table, key, _ in SEALED
)
"""Rows that are not as they were written, and rows that are lost."""
_FIRST = """
    CREATE TABLE shaped (
        id INTEGER PRIMARY KEY, fingerprint TEXT NOT NULL, name TEXT NOT NULL, style TEXT NOT NULL,
        version TEXT NOT NULL, file_hash TEXT NOT NULL UNIQUE, created TEXT NOT NULL, sketch BLOB NOT NULL,
        payload BLOB NOT NULL, digest TEXT NOT NULL);
    CREATE INDEX shaped_by_fingerprint ON shaped (fingerprint);
    CREATE TABLE cue (
        id INTEGER PRIMARY KEY, fingerprint TEXT NOT NULL, name TEXT NOT NULL, content BLOB NOT NULL,
        profile TEXT NOT NULL, file_hash TEXT NOT NULL, digest TEXT NOT NULL);
    CREATE INDEX cue_by_hash ON cue (file_hash);
    CREATE TABLE style (name TEXT PRIMARY KEY, head INTEGER, created TEXT NOT NULL);
    CREATE TABLE session (
        id INTEGER PRIMARY KEY, style TEXT NOT NULL REFERENCES style (name) ON DELETE CASCADE,
        cue_id INTEGER NOT NULL REFERENCES cue (id), file_hash TEXT NOT NULL, predicted_by TEXT NOT NULL,
        predicted_version TEXT NOT NULL, created TEXT NOT NULL);
    CREATE INDEX session_by_style ON session (style);
    CREATE INDEX session_by_cue ON session (cue_id);
    CREATE TABLE correction (
        id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES session (id) ON DELETE CASCADE,
        part INTEGER NOT NULL, part_name TEXT NOT NULL, lane TEXT NOT NULL, phrase INTEGER NOT NULL,
        start_s REAL NOT NULL, end_s REAL NOT NULL, kind TEXT NOT NULL, weight REAL NOT NULL, payload BLOB NOT NULL,
        digest TEXT NOT NULL);
    CREATE INDEX correction_by_session ON correction (session_id);
    CREATE TABLE version (
        style TEXT NOT NULL REFERENCES style (name) ON DELETE CASCADE, version INTEGER NOT NULL, parent INTEGER,
        created TEXT NOT NULL, used INTEGER NOT NULL, why TEXT NOT NULL, corrections BLOB NOT NULL, payload BLOB,
        digest TEXT, PRIMARY KEY (style, version))
    """
STORED_BYTES = (
    ("first pass of", "SELECT name, payload, digest FROM shaped"),
    ("cue", "SELECT name, content, digest FROM cue"),
    ("correction", "SELECT id, payload, digest FROM correction"),
    ("version of", "SELECT style || ' ' || version, payload, digest FROM version WHERE payload NOT NULL"),
)
"""What is stored under a digest: how to call it, and where to find name, bytes and digest."""
TABLES = "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name"
"""How the tables, indices and triggers were made."""
LOST_HEADS = (
    "SELECT name FROM style WHERE head NOT NULL"
    " AND NOT EXISTS (SELECT 1 FROM version v WHERE v.style = name AND v.version = head)"
)
"""Styles whose version in use is not there."""
LOGGED = (
    "SELECT c.id, c.session_id, s.style, s.cue_id, q.fingerprint, s.file_hash, s.predicted_by, s.predicted_version,"
    " s.created, c.part, c.part_name, c.lane, c.phrase, c.start_s, c.end_s, c.kind, c.weight, c.payload"
    " FROM correction c JOIN session s ON s.id = c.session_id JOIN cue q ON q.id = s.cue_id"
    " WHERE s.style = ? ORDER BY c.id"
)
"""All corrections of a style."""
CUES_OF = (
    "SELECT q.id, q.fingerprint, q.name, COUNT(c.id) FROM session s JOIN cue q ON q.id = s.cue_id"
    " LEFT JOIN correction c ON c.session_id = s.id WHERE s.style = ? GROUP BY q.id ORDER BY MIN(s.id)"
)
"""Corrected cues of a style and how many corrections each holds."""
IDS_OF_CUE = (
    "SELECT c.id FROM correction c JOIN session s ON s.id = c.session_id JOIN cue q ON q.id = s.cue_id"
    " WHERE s.style = ? AND q.fingerprint = ?"
)
"""Ids of what one cue taught a style."""
Arrays = dict[str, NDArray[Any]]
_PLAN = "ALTER TABLE cue ADD COLUMN plan TEXT NOT NULL DEFAULT ''"


def _seals() -> tuple[str, ...]:
    """A table of seals, one a row, that the database itself keeps up to date, and the seals of what is there."""
    made = ["CREATE TABLE seal (of TEXT NOT NULL, row NOT NULL, seal BLOB NOT NULL, PRIMARY KEY (of, row))"]
    for table, key, columns in SEALED:
        new, old = (f"{row}.{key.replace('|| version', f'|| {row}.version')}" for row in ("NEW", "OLD"))
        sealed = ", ".join(f"NEW.{column}" for column in columns.split(", "))
        put = f"INSERT OR REPLACE INTO seal VALUES ('{table}', {new}, seal({sealed})); END"
        made.append(f"CREATE TRIGGER {table}_added AFTER INSERT ON {table} BEGIN {put}")
        made.append(f"CREATE TRIGGER {table}_changed AFTER UPDATE ON {table} BEGIN {put}")
        gone = f"DELETE FROM seal WHERE of = '{table}' AND row = {old}; END"
        made.append(f"CREATE TRIGGER {table}_gone AFTER DELETE ON {table} BEGIN {gone}")
        made.append(f"INSERT INTO seal SELECT '{table}', {key}, seal({columns}) FROM {table}")
    return tuple(made)


MIGRATIONS = (tuple(_FIRST.split(";")), (_PLAN, *_seals()))
"""Statements that bring the store from the version before to their own number, counted from 1."""


class Database(Protocol):
    """The open database, as far as rows are put in here."""

    def execute(self, sql: str, parameters: Sequence[Any] = ..., /) -> Any:
        """Run one statement."""


def now_utc() -> str:
    """The time as it stands in the log: UTC, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def is_whole(content: object, known: object) -> bool:
    """Whether stored bytes are those of their digest; in a damaged store they may not even be bytes."""
    return isinstance(content, bytes) and digest(content) == known


def seal(*columns: object) -> bytes:
    """What a row is sealed with: 16 bytes that hang on the type and the value of each of its columns."""
    written = hashlib.blake2b(digest_size=16)
    for column in columns:
        raw = column if isinstance(column, bytes) else repr(column).encode()
        written.update(f"{type(column).__name__} {len(raw)} ".encode() + raw)
    return written.digest()


def record_arrays(record: ShapedRecord) -> Arrays:
    """A first pass without what stands in columns of its own: tempo, and of each part name, notes and lanes."""
    plan = [{"name": part.name, "lanes": list(part.lanes), "kept": list(part.kept_s)} for part in record.parts]
    text = json.dumps(plan, ensure_ascii=False).encode()
    arrays: Arrays = {
        "plan": np.frombuffer(text, dtype=np.uint8),
        "tempo_beat": record.tempo_beat,
        "tempo_s": record.tempo_s,
        "wanted": np.frombuffer(record.plan.encode(), dtype=np.uint8),
    }
    for i, part in enumerate(record.parts):
        arrays |= note_arrays(part.notes, prefix=f"{i}")
        for lane, curve in part.lanes.items():
            arrays |= curve_arrays(curve, prefix=f"{i}.{lane}")
        arrays |= {f"{i}.{lane}.kept": np.asarray(spans, dtype=np.float64) for lane, spans in part.kept_s.items()}
    return arrays


def record_parts(
    arrays: Mapping[str, NDArray[Any]],
) -> tuple[tuple[ShapedPart, ...], NDArray[np.float64], NDArray[np.float64]]:
    """Parts, tempo beats and tempo seconds of `record_arrays`. Raises StoreError where anything is missing."""
    try:
        parts = []
        for i, plan in enumerate(json.loads(arrays["plan"].tobytes().decode())):
            lanes = {lane: curve_from(arrays, prefix=f"{i}.{lane}") for lane in plan["lanes"]}
            kept = {lane: arrays[f"{i}.{lane}.kept"].reshape(-1, 2) for lane in plan["kept"]}  # (n_spans, 2)
            parts.append(ShapedPart(plan["name"], notes_from(arrays, prefix=f"{i}"), lanes, kept))
        return tuple(parts), arrays["tempo_beat"], arrays["tempo_s"]
    except (LookupError, ValueError, TypeError) as fault:
        raise StoreError(f"a first pass in the store is damaged ({fault}); run `phrasewright style check`") from fault


def record_plan(arrays: Mapping[str, NDArray[Any]]) -> str:
    """The plan of `record_arrays` as text, empty where there was none or an earlier version recorded it."""
    return arrays["wanted"].tobytes().decode() if "wanted" in arrays else ""


def correction_arrays(correction: Correction) -> Arrays:
    """The lanes of a correction by the names that `curve_arrays` gives them: left, predicted where there was one."""
    arrays = curve_arrays(correction.left, prefix="left")
    if correction.predicted is not None:
        arrays |= curve_arrays(correction.predicted, prefix="predicted")
    return arrays


def correction_curves(arrays: Mapping[str, NDArray[Any]]) -> tuple[Curve | None, Curve]:
    """What was predicted and what was left, of `correction_arrays`. Raises StoreError where anything is missing."""
    try:
        predicted = curve_from(arrays, prefix="predicted") if "predicted.us" in arrays else None
        return predicted, curve_from(arrays, prefix="left")
    except (LookupError, ValueError) as fault:
        raise StoreError(f"a correction in the store is damaged ({fault}); run `phrasewright style check`") from fault


def cue_id_of(db: Database, cue: StoredCue) -> int:
    """The id of a cue, added if it is not there yet."""
    known = db.execute(
        "SELECT id FROM cue WHERE file_hash = ? AND fingerprint = ? AND name = ? AND profile = ? AND plan = ?",
        (cue.file_hash, cue.fingerprint, cue.name, cue.profile, cue.plan),
    ).fetchone()
    if known is not None:
        return int(known[0])
    added = db.execute(
        "INSERT INTO cue (fingerprint, name, content, profile, plan, file_hash, digest) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (cue.fingerprint, cue.name, content := zlib.compress(cue.content, 6), cue.profile, cue.plan, cue.file_hash,
         digest(content)),
    ).lastrowid  # fmt: skip
    return int(added or 0)


def insert_correction(db: Database, session: int | None, correction: Correction) -> int:
    """Add a correction to a session and return its id."""
    payload = pack(correction_arrays(correction))
    row = (
        session, correction.part, correction.part_name, correction.lane, correction.phrase, correction.start_s,
        correction.end_s, correction.kind, correction.weight, payload, digest(payload),
    )  # fmt: skip
    added = db.execute(
        "INSERT INTO correction (session_id, part, part_name, lane, phrase, start_s, end_s, kind, weight, payload,"
        " digest) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        row,
    ).lastrowid
    return int(added or 0)


def insert_record(db: Database, record: ShapedRecord) -> None:
    """Add a first pass, in the place of one of the same file."""
    payload = pack(record_arrays(record))
    row = (
        record.fingerprint, record.name, record.style, record.version, record.file_hash, record.created,
        sketch([part.notes for part in record.parts]).astype("<u4").tobytes(), payload, digest(payload),
    )  # fmt: skip
    db.execute("DELETE FROM shaped WHERE file_hash = ?", (record.file_hash,))
    db.execute(
        "INSERT INTO shaped (fingerprint, name, style, version, file_hash, created, sketch, payload, digest)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        row,
    )


def logged(row: Sequence[Any]) -> LoggedCorrection:
    """A correction from its row: the columns in the order of LoggedCorrection and Correction, then the payload.

    Raises StoreError where the columns make no correction.
    """
    predicted, left = correction_curves(unpack(row[17]))
    id_, session, style, cue_id, print_, hash_, by, by_version, created, *columns = row[:17]
    part, part_name, lane, phrase, start_s, end_s, kind, weight = columns
    try:
        correction = Correction(part, part_name, lane, phrase, start_s, end_s, kind, weight, predicted, left)
    except ValueError as fault:
        raise StoreError(f"correction {id_} of {style} is damaged ({fault}); run `phrasewright style check`") from fault
    return LoggedCorrection(id_, session, style, cue_id, print_, hash_, by, by_version, created, correction)


def version_from(row: Sequence[Any]) -> StyleVersion:
    """A version from its row."""
    style, version, parent, created, used, why, corrections, has_payload = row
    ids = np.cumsum(unpack(corrections)["ids"])
    return StyleVersion(style, version, parent, created, bool(used), why, tuple(ids.tolist()), bool(has_payload))
