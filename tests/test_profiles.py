"""Profiles say what a user's instruments answer to; every fault of a file is told at once, on one line."""

from __future__ import annotations

from pathlib import Path

import pytest
from midi_bytes import END, chunk, control, cue_from, line, name, program, smf

from phrasewright.data.errors import InputError
from phrasewright.data.profiles import Profile, parse_profile, read_profile

WHOLE = """
["Violins*"]
lanes.dynamics = 3
lanes.expression = 12
lanes.vibrato = 21
range.dynamics = [20, 110]
range.expression = [0, 127]
switches = [12, 23]

[celesta]
kind = "sustained"

["violins ii"]
lanes.vibrato = 22

["*"]
lanes.dynamics = 5
"""


def profile(folder: Path, text: str) -> Profile:
    path = folder / "profile.toml"
    path.write_text(text, encoding="utf-8")
    return read_profile(path)


def faults(folder: Path, text: str) -> str:
    with pytest.raises(InputError) as fault:
        profile(folder, text)
    assert "\n" not in str(fault.value)
    assert str(fault.value).startswith(str(folder / "profile.toml"))
    return str(fault.value)


def test_a_profile_is_read(tmp_path: Path) -> None:
    violins = profile(tmp_path, WHOLE).entry_for("Violins I", "violin")
    assert violins is not None
    assert violins.lane_cc == {"dynamics": 3, "expression": 12, "vibrato": 21}
    assert violins.lane_range == {"dynamics": (20, 110), "expression": (0, 127)}
    assert violins.switches == (12, 23)
    assert violins.kind is None


def test_the_part_by_name_then_the_instrument_then_the_first_pattern(tmp_path: Path) -> None:
    read = profile(tmp_path, WHOLE)
    chosen = {
        part: entry.pattern if (entry := read.entry_for(part, instrument)) else None
        for part, instrument in [
            ("Violins II", "violin"),
            ("VIOLINS I", "violin"),
            ("Track 9", "celesta"),
            ("Flute", "flute"),
        ]
    }
    assert chosen == {"Violins II": "violins ii", "VIOLINS I": "Violins*", "Track 9": "celesta", "Flute": "*"}
    assert profile(tmp_path, "[oboe]\nkind = 'unshaped'").entry_for("Flute", "flute") is None


def test_a_lane_gives_up_its_default_controller_to_the_lane_that_claims_it(tmp_path: Path) -> None:
    entry = profile(tmp_path, "['*']\nlanes.dynamics = 2").entries[0]
    assert entry.lanes(("dynamics", "expression", "vibrato")) == {"dynamics": 2, "expression": 11}
    entry = profile(tmp_path, "['*']\nlanes.vibrato = 30").entries[0]
    assert entry.lanes(("dynamics", "expression")) == {"dynamics": 1, "expression": 11, "vibrato": 30}


def test_all_faults_in_one_message(tmp_path: Path) -> None:
    said = faults(
        tmp_path,
        """
        loose = 3
        [a]
        lanes.dynamics = 120
        lanes.expression = 1.5
        lanes.vibrato = true
        lanes.colour = 4
        range.dynamics = [90, 20]
        range.expression = [0, 128]
        kind = "bowed"
        switches = [30]
        speed = 1
        [b]
        lanes.dynamics = 7
        lanes.vibrato = 7
        [c]
        lanes = 3
        [d]
        lanes.dynamics = 11
        """,
    )
    for expected in (
        "'loose' stands outside a table",
        "table 'a': lanes.dynamics = 120",
        "lanes.expression = 1.5",
        "lanes.vibrato = True",
        "'lanes.colour'",
        "range.dynamics = [90, 20]",
        "range.expression = [0, 128]",
        "kind = 'bowed'; choose one of sustained, decaying, percussive, unshaped",
        "switches = [30]",
        "unknown key 'speed'; known are lanes.<lane>, range.<lane>, response.<lane>, first_delay_s",
        "table 'b': lanes.dynamics and lanes.vibrato are both controller 7",
        "table 'c': lanes = 3",
        "table 'd': lanes.dynamics = 11 is the default of expression",
    ):
        assert expected in said


def test_every_fault_of_responses_and_delays(tmp_path: Path) -> None:
    said = faults(
        tmp_path,
        """
        [a]
        response.dynamics = [[0, -40], [64, -42], [127, 0]]
        response.expression = [[0, -40], [64], [127, 0]]
        response.vibrato = [[0, 0]]
        response.bow = 7
        response.colour = [[0, -40], [127, 0]]
        first_delay_s = 120
        legato_delay_s = "0.1"
        short_delay_s = nan
        notes_advanced = 1
        [b]
        response.dynamics = [[64, -20], [64, -10], [127, 0]]
        response.expression = [[0, -3], [127, -3]]
        [c]
        response.dynamics = [[0.5, -20], [128, -10], [127, "loud"], [127, inf]]
        range.attack = [0, 100]
        [d]
        lanes.bow = 1
        """,
    )
    for expected in (
        "table 'a': response.dynamics: the level falls from -40 dB at 0 to -42 dB at 64",
        "response.expression: pair 2 is [64]; write [value, db]",
        "response.vibrato = [[0, 0]]; write two or more pairs",
        "response.bow = 7",
        "unknown lane in 'response.colour'; known are dynamics, expression, vibrato, bow, attack",
        "first_delay_s = 120; write seconds, from -1 to 2",
        "legato_delay_s = '0.1'",
        "short_delay_s = nan",
        "notes_advanced = 1; write true or false",
        "table 'b': response.dynamics: value 64 comes after 64",
        "response.expression: rises by less than 1 dB",
        "table 'c': response.dynamics: pair 1: 0.5 is no controller value",
        "pair 2: 128 is no controller value",
        "pair 3: 'loud' is no level in decibels",
        "pair 4: inf is no level in decibels",
        "range.attack without lanes.attack; say which controller it is",
        "table 'd': lanes.bow = 1 is the default of dynamics",
    ):
        assert expected in said


def test_responses_delays_and_colour_lanes_are_read(tmp_path: Path) -> None:
    entry = profile(
        tmp_path,
        """
        ["Violins*"]
        lanes.attack = 21
        lanes.bow = 20
        response.dynamics = [[1, -36.5], [64, -14], [127, 0]]
        first_delay_s = 0.2
        legato_delay_s = 0.1
        notes_advanced = true
        """,
    ).entries[0]
    assert entry.lanes(("dynamics", "expression", "vibrato")) == {
        "dynamics": 1, "expression": 11, "vibrato": 2, "bow": 20, "attack": 21,
    }  # fmt: skip
    assert entry.responses == {"dynamics": ((1.0, -36.5), (64.0, -14.0), (127.0, 0.0))}
    assert (entry.delays.first_s, entry.delays.legato_s, entry.delays.short_s) == (0.2, 0.1, 0.0)
    assert entry.delays.advanced


def test_a_file_that_is_no_profile(tmp_path: Path) -> None:
    assert "no valid TOML" in faults(tmp_path, "[Violins I]\n")
    assert "no valid TOML" in faults(tmp_path, f"[violin]\nlanes.dynamics = {'9' * 5000}\n")
    many = faults(tmp_path, "".join(f"[name{i}]\nodd = 1\n" for i in range(250)))
    assert "'name99'" in many
    assert "'name100'" not in many
    assert many.endswith("; and 150 more like these")
    (tmp_path / "profile.toml").write_bytes(b"[a]\nkind = '\xff'")
    with pytest.raises(InputError, match="not UTF-8"):
        read_profile(tmp_path / "profile.toml")
    with pytest.raises(InputError, match="cannot be read"):
        read_profile(tmp_path / "none.toml")


def test_control_characters_of_a_name_are_not_repeated(tmp_path: Path) -> None:
    assert "\x1b" not in faults(tmp_path, '["a\\u001b[31m"]\nspeed = 1\n')


CUE = smf(
    chunk(
        name("Violins I"),
        program(48),
        *[control(3, 40 + 9 * i) for i in range(5)],
        control(1, 64),
        line([12, 72, 74, 76, 77]),
        END,
    ),
    chunk(name("Celesta"), program(8, channel=2), line([72, 74], channel=2), END),
    chunk(
        name("Oboe"),
        program(68, channel=3),
        *[control(2, 9 * i, channel=3) for i in range(9)],
        line([72], channel=3),
        END,
    ),
)


def test_parts_follow_their_profile(tmp_path: Path) -> None:
    read = profile(tmp_path, WHOLE)
    violins, celesta, oboe = cue_from(tmp_path, CUE, profile=read).parts
    assert violins.lane_cc == {"dynamics": 3, "expression": 12, "vibrato": 21}
    assert violins.lane_range["dynamics"] == (20, 110)
    assert set(violins.existing) == {1, 2, 3, 11, 12, 21}
    assert violins.existing[3].value_cc.tolist() == [40, 49, 58, 67, 76]
    assert violins.switches.pitch.tolist() == [12]
    assert (celesta.kind, celesta.passages[0].kind) == ("sustained", "sustained")
    assert celesta.lane_cc == {"dynamics": 1, "expression": 11}
    assert "profile" in celesta.why
    assert oboe.lane_cc == {"dynamics": 5, "expression": 11, "vibrato": 2}, "a profile says that 2 is no dynamics"


def test_a_kind_of_a_profile_can_silence_a_part(tmp_path: Path) -> None:
    read = profile(tmp_path, "[violin]\nkind = 'unshaped'")
    violins = cue_from(tmp_path, CUE, profile=read).parts[0]
    assert (violins.kind, violins.lane_cc) == ("unshaped", {})


def test_a_switch_is_known_by_the_notes_it_governs(tmp_path: Path) -> None:
    content = smf(
        chunk(
            name("Violins I"),
            line([12]),
            line([72, 74, 76]),
            line([13]),
            line([72, 72, 72, 72], 24, gap=72),
            line([12]),
            line([76, 74]),
            END,
        )
    )
    kinds = [p.kind for p in cue_from(tmp_path, content, profile=profile(tmp_path, WHOLE)).parts[0].passages]
    assert kinds == ["sustained", "short", "sustained"]


def test_a_byte_order_mark_is_no_part_of_a_profile(tmp_path: Path) -> None:
    """As an editor on another system saves it; what is kept for learning reads back."""
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xef\xbb\xbf" + b'["Violins*"]\nlanes.vibrato = 21\n')
    profile = read_profile(path)
    assert profile.entries[0].lane_cc == {"vibrato": 21}
    assert parse_profile(profile.text, path=path).entries == profile.entries
    path.write_bytes('["Violins*"]\n'.encode("utf-16"))
    with pytest.raises(InputError, match="is not UTF-8 text"):
        read_profile(path)
