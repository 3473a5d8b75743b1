"""First passes, corrections and versions as rows and arrays for the store, and back."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.corrections import (
    Correction,
    LoggedCorrection,
    ShapedPart,
    ShapedRecord,
    StoredCue,
    StyleVersion,
)
from phrasewright.data.curves import Curve
from phrasewright.data.errors import StoreError
from phrasewright.data.packing import curve_arrays, curve_from, note_arrays, notes_from, pack, unpack

Arrays = dict[str, NDArray[Any]]


class Database(Protocol):
    """The open database, as far as rows are put in here."""

    def execute(self, sql: str, parameters: Sequence[Any] = ..., /) -> Any: ...


def now_utc() -> str:
    """The time as it stands in the log: UTC, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def digest(content: bytes) -> str:
    """SHA-256 in hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


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


def correction_arrays(correction: Correction) -> Arrays:
    """The lanes of a correction."""
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
        "SELECT id FROM cue WHERE file_hash = ? AND fingerprint = ? AND name = ? AND profile = ?",
        (cue.file_hash, cue.fingerprint, cue.name, cue.profile),
    ).fetchone()
    if known is not None:
        return int(known[0])
    added = db.execute(
        "INSERT INTO cue (fingerprint, name, content, profile, file_hash, digest) VALUES (?, ?, ?, ?, ?, ?)",
        (cue.fingerprint, cue.name, content := zlib.compress(cue.content, 6), cue.profile, cue.file_hash,
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


def logged(row: Sequence[Any]) -> LoggedCorrection:
    """A correction from its row: the columns in the order of LoggedCorrection and Correction, then the payload."""
    predicted, left = correction_curves(unpack(row[17]))
    id_, session, style, cue_id, print_, hash_, by, by_version, created, *columns = row[:17]
    part, part_name, lane, phrase, start_s, end_s, kind, weight = columns
    correction = Correction(part, part_name, lane, phrase, start_s, end_s, kind, weight, predicted, left)
    return LoggedCorrection(id_, session, style, cue_id, print_, hash_, by, by_version, created, correction)


def version_from(row: Sequence[Any]) -> StyleVersion:
    """A version from its row."""
    style, version, parent, created, used, why, corrections, has_payload = row
    ids = np.cumsum(unpack(corrections)["ids"])
    return StyleVersion(style, version, parent, created, bool(used), why, tuple(ids.tolist()), bool(has_payload))
