"""Arrays to bytes and back, small and safe to read from strangers: no code, a fixed list of types, checked lengths.

Layout: `PWA1`, then zlib over: length of the header (4 bytes, little-endian), header in JSON (a list of name, type,
shape), the arrays one after the other, little-endian, in C order.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import Curve
from phrasewright.data.errors import StoreError
from phrasewright.data.notes import Notes

MAGIC = b"PWA1"
MAX_BYTES = 1 << 28
"""Five times what the longest cue takes; bytes that claim to unpack to more are refused before they do."""
_TYPES = ("<i8", "<i4", "<i2", "<f4", "<f8", "|u1")
_US_PER_S = 1e6


def pack(arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """The arrays as bytes, in the order given.

    Raises
    ------
    ValueError
        An array of another type than 8, 4 or 2 byte whole numbers, 4 or 8 byte floats or unsigned bytes.
    """
    header, bodies = [], []
    for name, array in arrays.items():
        plain = np.ascontiguousarray(array)
        plain = plain.astype(plain.dtype.newbyteorder("<"), copy=False)
        if plain.dtype.str not in _TYPES:
            raise ValueError(f"{name}: type {plain.dtype.str} cannot be stored; use one of {', '.join(_TYPES)}")
        header.append([name, plain.dtype.str, list(plain.shape)])
        bodies.append(plain.tobytes())
    head = json.dumps(header, ensure_ascii=False, separators=(",", ":")).encode()
    return MAGIC + zlib.compress(b"".join([len(head).to_bytes(4, "little"), head, *bodies]), 6)


def unpack(content: bytes) -> dict[str, NDArray[Any]]:
    """The arrays of `pack`, read-only.

    Raises
    ------
    StoreError
        The bytes are damaged or were not written by `pack`.
    """
    if not isinstance(content, bytes) or content[:4] != MAGIC:  # what a damaged store gives may be anything
        raise StoreError("stored arrays begin with other bytes than they should; run `phrasewright style check`")
    try:
        inflater = zlib.decompressobj()
        raw = inflater.decompress(content[4:], MAX_BYTES)
        if not inflater.eof:
            raise ValueError("cut off or too large")
        at = 4 + int.from_bytes(raw[:4], "little")
        arrays: dict[str, NDArray[Any]] = {}
        for name, kind, shape in json.loads(raw[4:at].decode()):
            if kind not in _TYPES or not all(type(n) is int and n >= 0 for n in shape):
                raise ValueError(f"{name}: {kind} {shape}")
            size = int(np.prod(shape, dtype=np.int64)) * np.dtype(kind).itemsize
            if at + size > len(raw):
                raise ValueError(f"{name}: cut off")
            arrays[name] = np.frombuffer(raw[at : at + size], dtype=kind).reshape(shape)
            at += size
    except (zlib.error, ValueError, TypeError, ArithmeticError, RecursionError) as fault:
        raise StoreError(f"stored arrays are damaged ({fault}); run `phrasewright style check`") from fault
    return arrays


def curve_arrays(curve: Curve, *, prefix: str) -> dict[str, NDArray[Any]]:
    """A lane as arrays: microseconds from point to point, in four bytes where they can be, and whole steps."""
    apart_us = np.diff(np.rint(curve.time_s * _US_PER_S).astype(np.int64), prepend=0)
    short = np.abs(apart_us).max(initial=0) <= np.iinfo(np.int32).max
    return {
        f"{prefix}.us": apart_us.astype(np.int32) if short else apart_us,
        f"{prefix}.cc": np.clip(np.rint(curve.value_cc), 0, 127).astype(np.uint8),
    }


def curve_from(arrays: Mapping[str, NDArray[Any]], *, prefix: str) -> Curve:
    """The lane of `curve_arrays`; times to the microsecond."""
    time_s = np.cumsum(arrays[f"{prefix}.us"].astype(np.int64)) / _US_PER_S
    return Curve(time_s, arrays[f"{prefix}.cc"].astype(np.float64))


def note_arrays(notes: Notes, *, prefix: str) -> dict[str, NDArray[Any]]:
    """Notes as arrays: ticks, microseconds, pitch, velocity, and the ticks in a quarter note."""
    n = notes.n_notes
    return {
        f"{prefix}.per_beat": np.array([notes.offset_tick[-1] / notes.offset_beat[-1] if n else 1.0]),
        f"{prefix}.on_tick": np.diff(notes.onset_tick, prepend=0).astype(np.int64),
        f"{prefix}.for_tick": (notes.offset_tick - notes.onset_tick).astype(np.int64),
        f"{prefix}.on_us": np.diff(np.rint(notes.onset_s * _US_PER_S).astype(np.int64), prepend=0),
        f"{prefix}.for_us": np.rint((notes.offset_s - notes.onset_s) * _US_PER_S).astype(np.int64),
        f"{prefix}.pitch": notes.pitch.astype(np.uint8),
        f"{prefix}.velocity": notes.velocity.astype(np.uint8),
    }


def notes_from(arrays: Mapping[str, NDArray[Any]], *, prefix: str) -> Notes:
    """The notes of `note_arrays`; seconds to the microsecond. Raises ValueError for ticks in no quarter note."""
    row = {name: arrays[f"{prefix}.{name}"] for name in ("on_tick", "for_tick", "on_us", "for_us", "pitch", "velocity")}
    per_beat = float(arrays[f"{prefix}.per_beat"][0])
    if not 0.5 <= per_beat <= 1e6:  # nor nan
        raise ValueError(f"{per_beat} ticks in a quarter note")
    onset_tick = np.cumsum(row["on_tick"]).astype(np.int64)
    offset_tick = onset_tick + row["for_tick"]
    onset_s = np.cumsum(row["on_us"]) / _US_PER_S
    return Notes(
        onset_s=onset_s,
        offset_s=onset_s + row["for_us"] / _US_PER_S,
        onset_beat=onset_tick / per_beat,
        offset_beat=offset_tick / per_beat,
        onset_tick=onset_tick,
        offset_tick=offset_tick,
        pitch=row["pitch"].astype(np.int64),
        velocity=row["velocity"].astype(np.int64),
    )
