"""What is packed comes back; what is damaged is told, whatever the damage."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from phrasewright.data.curves import Curve
from phrasewright.data.errors import StoreError
from phrasewright.data.notes import Notes
from phrasewright.data.packing import MAGIC, curve_arrays, curve_from, note_arrays, notes_from, pack, unpack

SOME = {"lanes": np.arange(12, dtype=np.float32).reshape(3, 4), "Größe": np.array([1, -2], dtype=np.int64)}


@settings(max_examples=50, deadline=None)
@given(
    st.dictionaries(
        st.text(max_size=8),
        arrays.arrays(
            st.sampled_from([np.int64, np.int32, np.int16, np.uint8, np.float32, np.float64]),
            arrays.array_shapes(min_dims=1, max_dims=3, min_side=0, max_side=5),
        ),
        max_size=4,
    )
)
def test_arrays_come_back(stored: dict[str, np.ndarray]) -> None:
    again = unpack(pack(stored))
    assert list(again) == list(stored)
    for name, array in stored.items():
        assert again[name].dtype == array.dtype
        assert again[name].shape == array.shape
        assert again[name].tobytes() == array.tobytes()
        assert not again[name].flags.writeable
    assert pack(stored) == pack(stored)


def test_big_endian_arrays_are_stored_alike() -> None:
    assert pack({"a": np.arange(5, dtype=">i4")}) == pack({"a": np.arange(5, dtype="<i4")})


@pytest.mark.parametrize("bad", [np.array(["x"]), np.array([None]), np.array([1 + 2j]), np.array([True])])
def test_other_types_are_refused(bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match="cannot be stored"):
        pack({"bad": bad})


@settings(max_examples=80, deadline=None)
@given(at=st.integers(0, 10_000), value=st.integers(0, 255), cut=st.integers(0, 40))
def test_damage_is_told_or_harmless(at: int, value: int, cut: int) -> None:
    raw = bytearray(pack(SOME))
    raw[at % len(raw)] = value
    try:
        again = unpack(bytes(raw[: len(raw) - cut]))
    except StoreError as fault:
        assert "style check" in str(fault)  # noqa: PT017 - damage may also be harmless
    else:
        assert {name: array.tolist() for name, array in again.items()} == {n: a.tolist() for n, a in SOME.items()}


@pytest.mark.parametrize(
    "header",
    ['[["a","|O",[1]]]', '[["a","<i8",[-1]]]', '[["a","<i8",[99]]]', '[["a"]]', "{}5", '[["a","<f8",["x"]]]',
     '[["a","<i8",[36893488147419103232]]]', "[" * 99_999],
)  # fmt: skip
def test_headers_that_lie_are_told(header: str) -> None:
    body = len(header).to_bytes(4, "little") + header.encode() + bytes(8)
    with pytest.raises(StoreError, match="damaged"):
        unpack(MAGIC + zlib.compress(body))


def test_lanes_and_notes_come_back_to_the_microsecond() -> None:
    curve = Curve(np.array([0.1234567, 3.0, 3.0, 500.25]), np.array([0.0, 64.0, 127.0, 3.0]))
    again = curve_from(unpack(pack(curve_arrays(curve, prefix="x"))), prefix="x")
    assert again.time_s == pytest.approx(curve.time_s, abs=1e-6)
    assert np.array_equal(again.value_cc, curve.value_cc)
    on, off = np.array([0, 480, 480]), np.array([470, 900, 950])
    notes = Notes(on / 917, off / 917, on / 480, off / 480, on, off, np.array([60, 72, 64]), np.array([1, 2, 127]))
    back = notes_from(unpack(pack(note_arrays(notes, prefix="n"))), prefix="n")
    assert back.offset_s == pytest.approx(notes.offset_s, abs=2e-6)
    assert back.onset_beat == pytest.approx(notes.onset_beat)
    for name in ("onset_tick", "offset_tick", "pitch", "velocity"):
        assert np.array_equal(getattr(back, name), getattr(notes, name))
    none = notes.take(np.zeros(3, dtype=bool))
    assert notes_from(unpack(pack(note_arrays(none, prefix="n"))), prefix="n").n_notes == 0


def test_bytes_that_would_unpack_to_more_than_any_cue_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("phrasewright.data.packing.MAX_BYTES", 1 << 20)
    assert len(unpack(pack({"a": np.zeros(1 << 19, dtype=np.uint8)}))["a"]) == 1 << 19
    with pytest.raises(StoreError, match="cut off or too large"):
        unpack(pack({"a": np.zeros(1 << 21, dtype=np.uint8)}))
