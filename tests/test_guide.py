"""The guide tells what there is: its commands, their options, its profile and its table of loudness."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import daily_round
import pytest

from phrasewright.data.profiles import parse_profile
from phrasewright.inference import cli

TEXT = daily_round.GUIDE.read_text(encoding="utf-8")
INLINE = re.findall(r"`(phrasewright [^`]+|(?:style|review|explain|compare|shape|learn) -*[a-z][^`]*)`", TEXT)


def typed() -> list[list[str]]:
    """Words of each phrasewright command in the guide, without what comes after a pipe."""
    lines = [line.split("|")[0] for line in daily_round.commands(TEXT)]
    return [shlex.split(line)[1:] for line in lines if line.startswith("phrasewright")]


@pytest.mark.parametrize("words", typed(), ids=" ".join)
def test_every_command_and_option_of_the_guide_is_there(words: list[str]) -> None:
    command: click.Command = cli.main
    while isinstance(command, click.Group):
        assert words[0] in command.commands, words
        command, words = command.commands[words[0]], words[1:]
    options = {name for option in command.params for name in option.opts if name.startswith("-")}
    assert {word for word in words if re.match("-[a-z-]", word)} <= options


def test_options_named_in_the_text_are_there() -> None:
    commands = list(cli.main.commands.values())
    commands += [inner for group in commands if isinstance(group, click.Group) for inner in group.commands.values()]
    known = {name for command in commands for option in command.params for name in option.opts}
    named = set(re.findall(r"(?<![\\w-])--[a-z-]+", re.sub(r"python tests/[^`]+`|`--write`", "", TEXT)))
    assert named
    assert named <= known


def test_inline_commands_name_commands() -> None:
    for words in map(str.split, INLINE):
        name = words[1] if words[0] == "phrasewright" else words[0]
        assert name in cli.main.commands, words
        if name == "style":
            assert words[words.index("style") + 1] in cli.style.commands, words


def test_the_profile_of_the_guide_is_sound() -> None:
    (table,) = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)
    entry = parse_profile(table, path=Path("mine.toml")).entries[0]
    assert entry.lane_cc["vibrato"] == 21


def test_the_caution_stands_before_the_first_command() -> None:
    assert TEXT.index("low monitoring level") < TEXT.index("```console")


def test_tables_of_loudness_in_the_guide_are_read(tmp_path: Path) -> None:
    from midi_bytes import END, chunk, cue_from, line, name, program, smf

    from phrasewright.data.plan import read_plan

    (table,) = re.findall(r"```csv\n(.*?)```", TEXT, re.DOTALL)
    (tmp_path / "loudness.csv").write_text(table)
    solo = chunk(name("Violins I"), program(40, delta=0), line([67, 69] * 80), END)
    plan = read_plan(tmp_path / "loudness.csv", cue_from(tmp_path, smf(solo)))
    assert plan.origin == "table"


@pytest.mark.slow
def test_the_whole_round_runs(tmp_path: Path) -> None:
    text, failed = daily_round.run_all(TEXT, tmp_path)
    assert not failed
    assert text.count("$ phrasewright") == TEXT.count("$ phrasewright")
