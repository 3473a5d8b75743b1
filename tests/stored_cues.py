"""First passes and corrections to store in tests; also run as a program that writes until it is killed."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from phrasewright.data.corrections import Correction, CorrectionSet, ShapedPart, ShapedRecord, StoredCue, fingerprint
from phrasewright.data.curves import Curve
from phrasewright.data.errors import StyleMovedError
from phrasewright.data.notes import Notes
from phrasewright.data.schema import SEALED
from phrasewright.data.store import Store


def melody(seed: int, n: int = 60) -> Notes:
    rng = np.random.default_rng(seed)
    tick = np.cumsum(rng.choice([120, 240, 480], n))
    pitch = np.clip(60 + np.cumsum(rng.integers(-4, 5, n)), 30, 100)
    beat, length = tick / 480, np.full(n, 110)
    end = tick + length
    return Notes(beat / 2, end / 960, beat, end / 480, tick, end, pitch, np.full(n, 80))


def record(seed: int = 0, *, hash_: str = "a", style: str = "shipped") -> ShapedRecord:
    notes = melody(seed)
    lane = Curve(np.array([0.0, 0.5, 1.25]), np.array([60.0, 70.0, 65.0]))
    parts = (ShapedPart("Violins Ⅰ", notes, {"dynamics": lane}, {"dynamics": np.array([[0.5, 1.0]])}),)
    knots = np.array([0.0, 1.0]), np.array([0.0, 0.5])
    return ShapedRecord(fingerprint([notes]), "cue.mid", style, "1", hash_, "2026-01-01T00:00:00Z", parts, *knots)


def correction(phrase: int = 0, *, kind: str = "changed", steps: float = 80.0) -> Correction:
    left = Curve(np.array([1.0, 1.2]), np.array([steps, steps + 4]))
    predicted = None if kind == "drawn" else Curve(np.array([0.9, 1.1]), np.array([60.0, 64.0]))
    return Correction(1, "Violins", "dynamics", phrase, 1.0, 3.0, kind, 1.0, predicted, left)


def corrections(n: int = 3, *, cue: str = "f" * 64) -> CorrectionSet:
    stored = StoredCue(cue, "cue.mid", b"MThd and so on", "", "b" * 64)
    return CorrectionSet(stored, tuple(correction(i) for i in range(n)), (), (), 6.0, "shipped", "1")


def learn(store: Store, style: str, *, payload: bytes = b"v", used: bool = True, cue: str = "f" * 64) -> int:
    ids = store.append(style, corrections(cue=cue))
    head = store.head(style)
    active = store.active_ids(style)
    at = head.version if head else None
    return store.add_version(style, payload=payload, corrections=[*active, *ids], used=used, why="", head=at).version


def rows_of(store: Store) -> list[list[object]]:
    """Everything in the store."""
    return [store._db.execute(f"SELECT * FROM {table} ORDER BY {key}").fetchall() for table, key, _ in SEALED]


def write_on(folder: Path, number: int, times: int) -> None:
    """Write first passes and learn, one style of one's own and one shared by all."""
    with Store(folder) as store:
        print("ready", flush=True)
        for i in range(times):
            store.record_shaped(record(number, hash_=f"{number}.{i}"))
            while True:
                try:
                    learn(store, "shared", payload=f"{number}.{i}".encode() * 3000)
                    break
                except StyleMovedError:
                    pass
            learn(store, f"own-{number}")


if __name__ == "__main__":
    write_on(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
