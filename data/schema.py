"""The tables of the personal store, as a list of migrations.

A store carries its version in SQLite's user_version. A migration, once published, is never edited: a change is a new
one at the end.
"""

from __future__ import annotations

MIGRATIONS = (
    """
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
        digest TEXT, PRIMARY KEY (style, version));
    """,
)
"""Each one brings the store from the version before it to its own number, counted from 1."""

STORED_BYTES = (
    ("first pass of", "SELECT name, payload, digest FROM shaped"),
    ("cue", "SELECT name, content, digest FROM cue"),
    ("correction", "SELECT id, payload, digest FROM correction"),
    ("version of", "SELECT style || ' ' || version, payload, digest FROM version WHERE payload NOT NULL"),
)
"""What is stored under a digest: how to call it, and where to find name, bytes and digest."""

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
