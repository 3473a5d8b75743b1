"""Standard MIDI Files built from bytes, so that tests can show what stands in a file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from phrasewright.data.cue import Cue
from phrasewright.data.profiles import Profile
from phrasewright.data.reading import read_cue

Message = tuple[int, bytes]
"""(tick, status and data); of a meta message status, type and data, without the length"""

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


def messages(body: bytes) -> Iterator[Message]:
    """The messages of a track's body, running status spelt out; a reader apart from the project's own."""
    at = tick = running = 0

    def length() -> int:
        nonlocal at
        value = 0
        while True:
            value, at = value << 7 | body[at] & 0x7F, at + 1
            if body[at - 1] < 0x80:
                return value

    while at < len(body):
        tick += length()
        status = body[at]
        if status >= 0x80:
            at += 1
        else:
            status = running
        if status in (0xFF, 0xF0, 0xF7):
            kind = body[at : at + 1] if status == 0xFF else b""
            at += len(kind)
            size = length()
            yield tick, bytes((status,)) + kind + body[at : at + size]
            at += size
        else:
            running, size = status, 1 if status & 0xE0 == 0xC0 else 2
            yield tick, bytes((status,)) + body[at : at + size]
            at += size


def tracks_of(content: bytes) -> list[list[Message]]:
    """The messages of each track of a file."""
    at, out = 14, []
    while at < len(content):
        size = int.from_bytes(content[at + 4 : at + 8], "big")
        if content[at : at + 4] == b"MTrk":
            out.append(list(messages(content[at + 8 : at + 8 + size])))
        at += 8 + size
    return out


def track_of(events: Sequence[Message], *, running: bool = False) -> bytes:
    """A track of messages in order of ticks, with running status where asked."""
    body, now, last = [], 0, 0
    for tick, m in events:
        if m[0] == 0xFF:
            out = m[:2] + number(len(m) - 2) + m[2:]
        elif m[0] in (0xF0, 0xF7):
            out = m[:1] + number(len(m) - 1) + m[1:]
        else:
            out = m[1:] if running and m[0] == last else m
        last = m[0] if m[0] < 0xF0 else 0
        body.append(number(tick - now) + out)
        now = tick
    return chunk(*body)


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
