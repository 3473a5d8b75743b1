"""The tables of the personal store, as a list of migrations.

A store carries its version in SQLite's user_version. A migration, once published, is never edited: a change is a new
one at the end.
"""

from __future__ import annotations

SEALED = (
    ("shaped", "id", "id, fingerprint, name, style, version, file_hash, created, sketch, digest"),
    ("cue", "id", "id, fingerprint, name, profile, file_hash, digest"),
    ("style", "name", "name, head, created"),
    ("session", "id", "id, style, cue_id, file_hash, predicted_by, predicted_version, created"),
    ("correction", "id", "id, session_id, part, part_name, lane, phrase, start_s, end_s, kind, weight, digest"),
    ("version", "style || ' ' || version", "style, version, parent, created, used, why, corrections, digest"),
)
"""Each table, what names a row of it, and the columns that are sealed: all but payloads, which have their digests."""


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

MIGRATIONS = (tuple(_FIRST.split(";")), _seals())
"""Statements that bring the store from the version before to their own number, counted from 1."""

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
