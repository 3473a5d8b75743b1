"""Files as nobody should write them: MIDI, tables, profiles, styles, weights and stores, odd in one place or in all.

Every function takes a `random.Random` and returns bytes; the same seed gives the same bytes. Over half of what comes is
music that can be read, with one thing odd or with everything that the format allows, so that faults deep in hearing and
writing are reached; the rest is odd throughout.
"""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Callable

from midi_bytes import END, Message, chunk, number, smf, track_of

Random = random.Random

EDGES = (0, 1, 2, 3, 7, 63, 64, 100, 126, 127, 128, 255)
DELTAS = (0, 0, 0, 1, 1, 5, 24, 48, 96, 96, 120, 480, 480, 960, 5000)
LONG_DELTAS = (1 << 14, 1 << 20, 1 << 24, (1 << 28) - 1)
TEMPI_US = (0, 5000, 60_000, 300_000, 400_000, 500_000, 700_000, 2_000_000, (1 << 24) - 1)
FAST_TEMPI_US = (1, 2, 100, 999)
DIVISIONS = (480, 480, 480, 480, 480, 96, 96, 24, 960, 1, 2, 32767, 0xE728, 0xE250, 0xE828, 0xE778)
ODD_DIVISIONS = (0, 0xE700, 0xFF01, 0x8000, 0xE701, 0x7FFF)
NAMES = (
    "Violins I", "Violoncelli", "Vl. 1 pizz.", "Flöte", "Horn in F", "Choir", "Drums", "Pno", "", " ", "Track",
    "cresc.",
    "\x1b[31mred\x1b[0m", "\x9b2J", "\u202egnp.exe", "a\nb\r\tc", "\x00", "<b>bold</b>", "../../etc/passwd",
    "Ω" * 300,
    "Violin\u0000 I", "Horns a ➁", "Fl. a ፪", "🎻",
    "\ufeffViola", "con sord.", "arco", "CON", "1", "-1", "1,3", '"', "'", "%s%n{0}",
)  # fmt: skip
WORDS = (
    "pp", "p", "mf", "f", "ff", "fff", "sfz", "fp", "cresc.", "dim.", "molto cresc. poco a poco", "niente", "pizz.",
    "arco",
    "spicc.", "trem.", "con sord.", "senza sord.", "rit.", "a tempo", "Allegro", "legato", "solo", "div.", "tutti",
)  # fmt: skip


def text_bytes(random: Random) -> bytes:
    """A name or a mark: in several encodings, with control characters, or no text at all."""
    words = random.choice(NAMES + WORDS)
    how = random.randrange(8)
    if how == 0:
        return words.encode("utf-16")
    if how == 1:
        return words.encode("latin-1", "replace")
    if how == 2:
        return random.randbytes(random.choice((1, 3, 40, 600)))
    if how == 3:
        return (words * 50).encode()
    return words.encode()


def event(random: Random, channel: int) -> bytes:
    """One message with its status byte, most of them legal."""
    how = random.randrange(19) if random.random() < 0.999 else 19
    pitch = random.choice((60, 62, 64, 65, 67, 72, 36, 55, random.randrange(128), 0, 127))
    if how < 5:
        return bytes((0x90 | channel, pitch, random.choice((0, 1, 64, 90, 127))))
    if how < 9:
        return bytes((0x80 | channel, pitch, random.choice(EDGES) & 127))
    if how < 12:
        controller = random.choice((1, 2, 11, 64, 7, 33, 34, 43, 0, 32, 120, 121, 123, random.randrange(128)))
        return bytes((0xB0 | channel, controller, random.randrange(128)))
    if how == 12:
        return bytes((0xC0 | channel, random.randrange(128)))
    if how == 13:
        return bytes((random.choice((0xA0, 0xE0)) | channel, random.randrange(128), random.randrange(128)))
    if how == 14:
        raw = random.randbytes(random.randrange(9))
        return bytes((random.choice((0xF0, 0xF7)),)) + number(len(raw)) + raw
    if how == 15:
        return meta(
            0x51,
            random.choice(TEMPI_US if random.random() < 0.95 else FAST_TEMPI_US).to_bytes(3, "big")[
                : random.choice((3, 3, 3, 3, 0, 2))
            ],
        )
    if how == 16:
        metre = bytes((random.choice(EDGES), random.choice((0, 1, 2, 3, 4, 7, 31, 63, 255)), 24, 8))
        return meta(0x58, metre[: random.choice((4, 4, 4, 4, 1, 0))])
    if how == 17:
        return meta(random.choice((1, 2, 3, 4, 5, 6, 7, 9)), text_bytes(random))
    if how == 18:
        return meta(
            random.choice((0, 0x20, 0x21, 0x54, 0x59, 0x7F, random.randrange(128))),
            random.randbytes(random.randrange(7)),
        )
    return bytes(
        (random.choice((0xF1, 0xF2, 0xF3, 0xF4, 0xF6, 0xF8, 0xFA, 0xFE, 0xFD)), 1, 2)[: random.randrange(1, 4)]
    )


def meta(kind: int, raw: bytes) -> bytes:
    return bytes((0xFF, kind)) + number(len(raw)) + raw


def odd_track(random: Random) -> bytes:
    """A track of anything."""
    channel = random.randrange(16)
    long = random.random() < 0.15
    out = []
    for _ in range(random.choice((0, 1, 3, 10, 30, 60, 120))):
        if random.random() < 0.05:
            channel = random.randrange(16)
        delta = random.choice(LONG_DELTAS) if long and random.random() < 0.1 else random.choice(DELTAS)
        out.append(number(delta) + event(random, channel))
    if random.random() < 0.9:
        out.append(END)
    if random.random() < 0.1:
        out.append(random.randbytes(5))
    return chunk(*out)


def sound_track(random: Random, *, division: int) -> bytes:
    """A line or chords of a plausible instrument, with lanes and marks now and then."""
    channel = random.randrange(16)
    program = random.choice((40, 41, 42, 48, 52, 56, 60, 68, 71, 73, 0, 46, 45))
    out = [b"\x00" + meta(3, random.choice(NAMES[:8]).encode()), b"\x00" + bytes((0xC0 | channel, program))]
    at_delta, chordal = 0, random.random() < 0.3
    pitch = random.randrange(45, 80)
    for _ in range(random.choice((1, 4, 12, 30))):
        pitch = min(max(pitch + random.randrange(-5, 6), 24), 100)
        length = max(int(division * random.choice((0.0, 0.05, 0.25, 0.5, 1, 1, 2, 4, 16))), 0)
        chord = [min(pitch + step, 127) for step in ((0, 4, 7) if chordal else (0,))]
        if random.random() < 0.1:
            out.append(number(at_delta) + meta(random.choice((1, 6)), random.choice(WORDS).encode()))
            at_delta = 0
        if random.random() < 0.1:
            for _ in range(random.randrange(12)):
                lane = bytes((0xB0 | channel, random.choice((1, 11, 2)), random.randrange(128)))
                out.append(number(at_delta) + lane)
                at_delta = max(length // 8, 0)
        for i, one in enumerate(chord):
            out.append(number(0 if i else at_delta) + bytes((0x90 | channel, one, random.randrange(1, 128))))
        for i, one in enumerate(chord):
            if random.random() < 0.98:
                out.append(number(0 if i else length) + bytes((0x80 | channel, one, 0)))
        at_delta = int(division * random.choice((0, 0, 0, 0, 0.1, 1, 4, 40)))
    out.append(END)
    return chunk(*out)


def extreme_track(random: Random, *, division: int) -> bytes:
    """A track that the format allows and no sequencer would write: all of a few excesses, over a plain line."""
    channel = random.choice((0, 0, 1, 5, 9, 15))
    on, off, control, bend, program = (kind | channel for kind in (0x90, 0x80, 0xB0, 0xE0, 0xC0))
    beat, far = division, random.choice((1 << 12, 1 << 16, 1 << 20))
    events: list[Message] = [(0, b"\xff\x03" + random.choice(NAMES[:8]).encode())]
    events.append((0, bytes((program, random.choice((40, 42, 48, 60, 71, 73, 0, 45))))))

    def notes(rows: list[tuple[int, int, int]]) -> None:
        for tick, length, pitch in rows:
            events.append((tick, bytes((on, pitch, random.choice((1, 64, 127))))))
            events.append((tick + length, bytes((off, pitch, 64))))

    def each(n: int, step: float, message: Callable[[int], bytes]) -> None:
        events.extend((int(i * step), message(i)) for i in range(n))

    def lane(_: int) -> bytes:
        return bytes((control, random.choice((1, 11, 2)), random.randrange(128)))

    def tempo(_: int) -> bytes:
        return b"\xff\x51" + random.randrange(100_000, 2_000_000).to_bytes(3, "big")

    quick = max(beat // 16, 1)
    excesses: dict[str, Callable[[], None]] = {
        "overlapping": lambda: notes([(i * beat // 4, 3 * beat, 60) for i in range(40)]),
        "all keys": lambda: notes([(at * beat, beat, pitch) for at in (0, 4) for pitch in range(128)]),
        "no length": lambda: notes([(i * beat, 0, 62 + i % 5) for i in range(30)]),
        "never ended": lambda: each(20, beat, lambda i: bytes((on, 50 + i, 90))),
        "ended twice": lambda: each(60, beat, lambda i: bytes((off, 60 + i % 12, 0))),
        "far": lambda: notes([(0, 1, 64), (far, beat, 65), (2 * far, 1, 66)]),
        "quick": lambda: notes([(i * quick, quick, 70 + i % 2) for i in range(400)]),
        "held": lambda: notes([(0, random.choice((beat * 400, far)), pitch) for pitch in (36, 48, 55)]),
        "bends": lambda: each(600, 1, lambda i: bytes((bend, i % 128, i * 7 % 128))),
        "pedal": lambda: each(90, beat / 3, lambda i: bytes((control, 64, 127 * (i % 2)))),
        "programs": lambda: each(60, beat, lambda i: bytes((program, i * 31 % 128))),
        "lanes": lambda: each(random.choice((300, 10_000)), 1, lane),
        "fine": lambda: each(800, 7, lambda i: bytes((control, (1, 33, 11, 43)[i % 4], i % 128))),
        "resets": lambda: each(40, beat, lambda _: bytes((control, random.choice((120, 121, 123)), 0))),
        "tempi": lambda: each(300, 1, tempo),
        "metres": lambda: each(150, quick, lambda i: b"\xff\x58" + bytes((1 + i % 2, 6, 24, 8))),
        "marks": lambda: each(80, beat, lambda _: b"\xff\x01" + random.choice(WORDS).encode()),
    }
    for name in random.sample(sorted(excesses), random.choice((1, 2, 3, 5))):
        excesses[name]()
    if random.random() < 0.8:
        notes([(i * beat, beat - i % 2, 60 + (5 * i) % 13) for i in range(32)])
    events.sort(key=lambda event: event[0])
    return track_of([*events, (events[-1][0], b"\xff\x2f")], running=random.random() < 0.5)


def conductor(random: Random) -> bytes:
    """A track of tempi and metres."""
    out = []
    for _ in range(random.choice((0, 1, 2, 8, 50))):
        us = random.choice(TEMPI_US) if random.random() < 0.2 else random.randrange(200_000, 1_500_000)
        out.append(number(random.choice(DELTAS)) + meta(0x51, us.to_bytes(3, "big")))
        if random.random() < 0.3:
            metre = bytes((random.choice((1, 2, 3, 4, 5, 6, 7, 12)), random.choice((0, 1, 2, 2, 3, 4, 5)), 24, 8))
            out.append(b"\x00" + meta(0x58, metre))
    return chunk(*out, END)


def midi(random: Random) -> bytes:
    """A Standard MIDI File, or what is left of one."""
    division = random.choice(DIVISIONS if random.random() < 0.95 else ODD_DIVISIONS)
    how = random.random()
    per_beat = 480 if division & 0x8000 or not division else division
    if how < 0.25:
        tracks = [extreme_track(random, division=per_beat) for _ in range(random.choice((1, 1, 2, 3)))]
    elif how < 0.6:
        tracks = [conductor(random)] + [
            sound_track(random, division=per_beat) for _ in range(random.choice((1, 1, 2, 4)))
        ]
    elif how < 0.95:
        tracks = [odd_track(random) for _ in range(random.choice((0, 1, 1, 2, 3, 6)))]
    else:
        tracks = [chunk(b"\x00\x90\x3c\x40\x60\x80\x3c\x40", END)] * random.choice((17, 30, 60))
    if random.random() < 0.1:
        tracks.insert(random.randrange(len(tracks) + 1), chunk(random.randbytes(9), kind=b"XFIH"))
    kind = random.choice((0, 1, 1, 1)) if random.random() < 0.97 else random.choice((2, 3, 65535))
    content = smf(*tracks, kind=kind, division=division)
    return mutated(content, random) if random.random() < (0.1 if how < 0.25 else 0.35) else content


def mutated(content: bytes, random: Random) -> bytes:
    """Bytes flipped, cut, doubled, moved, or set to the edges of what a number may be."""
    raw = bytearray(content)
    for _ in range(random.choice((1, 1, 1, 2, 4, 16))):
        at = random.randrange(len(raw) + 1)
        how = random.randrange(7)
        if how == 0 and at < len(raw):
            raw[at] ^= 1 << random.randrange(8)
        elif how == 1 and at < len(raw):
            raw[at] = random.choice(EDGES)
        elif how == 2:
            del raw[at : at + random.choice((1, 2, 4, 30))]
        elif how == 3:
            raw[at:at] = random.randbytes(random.choice((1, 2, 4, 30)))
        elif how == 4:
            raw[at : at + 4] = random.choice(
                (b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\x00\x00\x00\x00", b"\xff\xff\xff\x7f")
            )
        elif how == 5:
            raw[at:at] = raw[at : at + random.choice((4, 60))] * random.choice((1, 3))
        elif random.random() < 0.3:
            del raw[at:]
    return bytes(raw)


_CELLS = (
    "", "1", "2", "3", "p", "f", "ff", "sfz", "niente", "64", "127", "0", "128", "-1", "nan", "inf", "-inf", "1e308",
    "1e-308",
    "1_0", "١", "0x10", "1.5", "٣", "9" * 400, "Violins I", '"1,3"', '"', '""', "1;2", "\x00", "=cmd()", "\x1b[2J",
    "ff ",
    "P", "4", "0.0001", "99999999999999999999", "½", "None", "9" * 5000, '"1,\n2"', '"Violin,""Flute"""', "1e-300",
)  # fmt: skip


def plan_table(random: Random) -> bytes:
    """A table of a plan: header and rows with odd cells, in odd encodings."""
    headers = ("bar,level,parts,ramp", "bar;level;parts;ramp", "level,bar,ramp,parts", "BAR,Level")
    odd_headers = ("bar,level,level", "bar", "", "a,b", "bar,level,parts,ramp,more")
    header = random.choice(headers if random.random() < 0.9 else odd_headers)
    odd = random.random() < 0.4
    rows = [header]
    for _ in range(random.choice((0, 1, 2, 5, 20))):
        if odd:
            rows.append(
                random.choice((",", ",", ",", ";", "\t")).join(
                    random.choice(_CELLS) for _ in range(random.randrange(6))
                )
            )
        else:
            level = random.choice(("p", "mf", "f", "ff", "sfz", "30", "110", "niente"))
            parts = random.choice(("", "", "1", '"1,2"', "Violin", "2"))
            ramp = random.choice(("", "", 1, 2, 0.5, 50, 99999999))
            rows.append(f"{random.choice((1, 2, 3, 4, 5, 6, 2.5))},{level},{parts},{ramp}")
    text = random.choice(("\n", "\n", "\r\n", "\r", "\n\n")).join(rows)
    content = text.encode(random.choice(("utf-8",) * 6 + ("utf-8-sig", "utf-16", "utf-32")))
    return mutated(content, random) if random.random() < 0.15 else content


_VALUES = (
    "1", "11", "2", "21", "0", "119", "120", "-1", "1.0", "nan", "inf", "-inf", '"1"', "true", "[]", "[20, 110]",
    "[110, 20]", "[0, 0]",
    "[0, 127]", "[1, 2, 3]", "[-1, 200]", "[nan, 1]", "[[0, -20.0], [127, 0.0]]", "[[1, 2], [1, 3]]", "{}",
    "1979-05-27", "0.05", "-0.05",
    "1e300", "99999999999999999999999", '"sustained"', '"decaying"', '"unshaped"', '"\\u001b[2J"', "[[]]",
    "[12, 23]", '"' + "x" * 500 + '"', "9" * 5000, "[[60, -1.0], [61, 0.0]]", "0.5", "-1.0", "2.0", "[0, 1]",
    "[" + ", ".join(f"[{i}, {i / 4 - 32}]" for i in range(128)) + "]",
)  # fmt: skip
_KEYS = (
    "lanes.dynamics", "lanes.expression", "lanes.vibrato", "lanes.bow", "lanes.attack", "lanes.odd", "lanes",
    "range.dynamics",
    "range.expression", "range.vibrato", "range", "response.dynamics", "response.expression", "response", "kind",
    "switches",
    "first_delay_s", "legato_delay_s", "short_delay_s", "notes_advanced", "odd", '"a b"', "lanes.dynamics.more",
)  # fmt: skip
_TABLES = (
    '["Violins*"]',
    "[violin]",
    '["*"]',
    "[[violin]]",
    "[violin.deep]",
    '["[a-"]',
    "[]",
    '["\\u001b[2J"]',
    '[""]',
    "[cello]",
    "",
    "[1]",
)


def profile_text(random: Random) -> bytes:
    """A profile: tables, keys and values drawn apart from each other."""
    lines = []
    for _ in range(random.choice((0, 1, 1, 2, 5))):
        lines.append(random.choice(_TABLES))
        for _ in range(random.randrange(6)):
            lines.append(f"{random.choice(_KEYS)} = {random.choice(_VALUES)}")
    if random.random() < 0.02:
        lines.append("a = " + "[" * random.choice((50, 20000)))
    content = "\n".join(lines).encode(random.choice(("utf-8", "utf-8", "utf-8", "utf-8-sig", "utf-16")))
    return mutated(content, random) if random.random() < 0.15 else content


_JSON_VALUES: tuple[object, ...] = (
    0, 1, -1, 1.5, 1e308, float("nan"), float("inf"), 10**30, None, True, "", "x", "../../x", "\x1b[2J", [], [1], {},
    {"a": 1}, "hand",
    ["dynamics"], ["dynamics", "dynamics"], ["odd"], [[]], [1] * 40, [0, 0, 0], [1 << 40], [100000, 1, 1], "a" * 50,
)  # fmt: skip


def tensors(random: Random, sample: bytes) -> bytes:
    """A safetensors file with its header changed in a place or two, values set to the edges, or bytes mutated."""
    how = random.random()
    if how < 0.25:
        return mutated(sample, random)
    (size,) = struct.unpack("<Q", sample[:8])
    header, body = json.loads(sample[8 : 8 + size]), bytearray(sample[8 + size :])
    if how < 0.6:
        for _ in range(random.choice((1, 1, 2))):
            _changed(header, random)
    elif how < 0.9:
        for _ in range(random.choice((1, 3, 20))):
            width = random.choice((1, 2, 4, 8))
            at = random.randrange(max(len(body) // width, 1)) * width
            worth = random.choice((b"\x00", b"\xff", b"\x7f", b"\x80", b"\x01")) * width
            if width > 1 and random.random() < 0.5:
                worth = struct.pack(
                    {2: "<e", 4: "<f", 8: "<d"}[width], random.choice((float("nan"), float("inf"), -1.0, 60000.0, 0.0))
                )
            body[at : at + width] = worth
    raw = json.dumps(header).encode()
    if how >= 0.98:
        raw = random.choice(
            (b'{"__metadata__":{"style":"' + b"[" * 30000 + b'"}}', b"{" * 9000, b'{"a":' * 20000, raw * 3, b"")
        )
    claimed = len(raw) if random.random() < 0.95 else random.choice((0, 1, 1 << 20, 1 << 40, (1 << 64) - 1))
    return struct.pack("<Q", claimed) + raw + bytes(body)


def _changed(header: dict[str, object], random: Random) -> None:
    """Change one entry of a header, or one field inside its settings, in place."""
    name = random.choice(sorted(header))
    if name == "__metadata__" or random.random() < 0.5:
        metadata = header.get("__metadata__")
        if isinstance(metadata, dict) and metadata:
            key = sorted(metadata)[0]
            settings = json.loads(metadata[key])
            inner: object = settings
            if isinstance(settings.get("about"), dict) and random.random() < 0.3:
                inner = settings["about"]
            assert isinstance(inner, dict)
            field = random.choice([*sorted(inner), "odd"])
            if random.random() < 0.2:
                inner.pop(field, None)
            else:
                inner[field] = random.choice(_JSON_VALUES)
            metadata[key] = json.dumps(settings)
        return
    entry = header[name]
    assert isinstance(entry, dict)
    how = random.randrange(5)
    if how == 0:
        entry["dtype"] = random.choice(("F64", "F32", "F16", "BF16", "I64", "I32", "U8", "BOOL", "F8_E4M3", "odd"))
    elif how == 1:
        entry["shape"] = random.choice(([], [0], [1], [1 << 40], [-1], [2, 0], [1 << 32, 1 << 32], "x"))
    elif how == 2:
        entry["data_offsets"] = random.choice(([0, 0], [0, 1 << 50], [5, 1], [-1, 4], "x"))
    elif how == 3:
        del header[name]
    else:
        header[random.choice(("odd", name + "x"))] = dict(entry)


def damaged(content: bytes, random: Random) -> bytes:
    """A long file with a stretch written over, cut off, or bytes flipped throughout."""
    raw = bytearray(content)
    how = random.randrange(5)
    at = random.randrange(len(raw))
    if how == 0:
        del raw[at:]
    elif how == 1:
        raw[at : at + 4096] = random.randbytes(min(4096, len(raw) - at))
    elif how == 2:
        for _ in range(random.choice((1, 10, 200))):
            raw[random.randrange(len(raw))] ^= 1 << random.randrange(8)
    elif how == 3:
        raw[at : at + 4096] = bytes(min(4096, len(raw) - at))
    else:
        return mutated(content, random)
    return bytes(raw)
