"""Standard MIDI Files built from bytes, so that tests can show what stands in a file."""

from __future__ import annotations

from pathlib import Path

from phrasewright.data.cue import Cue
from phrasewright.data.profiles import Profile
from phrasewright.data.reading import read_cue

END = b"\x00\xff\x2f\x00"  # at once: End of Track


def number(value: int) -> bytes:
    """A variable length number."""
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(value & 0x7F | 0x80)
    return bytes(reversed(out))


def chunk(*events: bytes, kind: bytes = b"MTrk") -> bytes:
    body = b"".join(events)
    return kind + len(body).to_bytes(4, "big") + body


def smf(*chunks: bytes, kind: int = 1, division: int = 96) -> bytes:
    n_tracks = sum(c[:4] == b"MTrk" for c in chunks)
    head = kind.to_bytes(2, "big") + n_tracks.to_bytes(2, "big") + division.to_bytes(2, "big")
    return b"MThd\x00\x00\x00\x06" + head + b"".join(chunks)


def text(words: str, *, kind: int = 0x01, delta: int = 0) -> bytes:
    raw = words.encode()
    return number(delta) + bytes((0xFF, kind)) + number(len(raw)) + raw


def name(words: str) -> bytes:
    return text(words, kind=0x03)


def program(value: int, *, channel: int = 1, delta: int = 0) -> bytes:
    return number(delta) + bytes((0xBF + channel, value))


def control(controller: int, value: int, *, channel: int = 1, delta: int = 0) -> bytes:
    return number(delta) + bytes((0xAF + channel, controller, value))


def note(pitch: int, length: int = 96, *, delta: int = 0, velocity: int = 80, channel: int = 1) -> bytes:
    """A note-on and its note-off; the next delta counts from the note-off."""
    on = number(delta) + bytes((0x8F + channel, pitch, velocity))
    return on + number(length) + bytes((0x7F + channel, pitch, 64))


def line(pitches: list[int], length: int = 96, *, gap: int = 0, channel: int = 1, velocity: int = 80) -> bytes:
    """Notes one after the other."""
    return b"".join(
        note(pitch, length, delta=gap if i else 0, channel=channel, velocity=velocity)
        for i, pitch in enumerate(pitches)
    )


def cue_from(folder: Path, content: bytes, *, profile: Profile | None = None) -> Cue:
    path = folder / "cue.mid"
    path.write_bytes(content)
    return read_cue(path, profile=profile)
