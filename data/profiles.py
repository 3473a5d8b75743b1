"""Profiles: what a user's instruments answer to, one TOML table per instrument or name pattern.

    ["Violins*"]
    lanes.dynamics = 1
    lanes.vibrato = 21
    range.dynamics = [20, 110]
    switches = [12, 23]

    [celesta]
    kind = "sustained"

A table's name is compared with the part's name and with its instrument's name, small and capital letters alike; `*`,
`?` and `[...]` match as in file names. Of several tables that fit, one named exactly after the part wins, then one
named exactly after the instrument, then the first in the file; it holds alone.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path

from phrasewright.data.cue import PART_KINDS
from phrasewright.data.curves import DEFAULT_CC, LANES
from phrasewright.data.errors import InputError

_KEYS = ("lanes", "range", "kind", "switches")
_MAX_CC = 119
"""Controllers 120 to 127 are channel mode messages (MIDI 1.0)."""
_MAX_PROFILE_BYTES = 1 << 20


@dataclass(frozen=True)
class ProfileEntry:
    """One table: controller numbers, limits in steps, the kind, and the keys that select articulations."""

    pattern: str
    lane_cc: Mapping[str, int] = field(default_factory=dict)
    lane_range: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    kind: str | None = None
    switches: tuple[int, int] | None = None

    def lanes(self, default: tuple[str, ...]) -> dict[str, int]:
        """Controllers by lane: those of `default` and those the table names. A default number the table uses otherwise
        is not written twice: that lane falls away."""
        numbers = {
            lane: self.lane_cc.get(lane, DEFAULT_CC[lane]) for lane in LANES if lane in default or lane in self.lane_cc
        }
        taken = set(self.lane_cc.values())
        return {lane: cc for lane, cc in numbers.items() if lane in self.lane_cc or cc not in taken}


@dataclass(frozen=True)
class Profile:
    """All tables of a file, in its order, and the text they were read from."""

    path: Path
    entries: tuple[ProfileEntry, ...]
    text: str = ""

    def entry_for(self, part_name: str, instrument_name: str) -> ProfileEntry | None:
        """The table that holds for a part, None if none does."""
        names = (part_name.casefold(), instrument_name.casefold())
        patterns = [(entry.pattern.casefold(), entry) for entry in self.entries]
        for name in names:
            for pattern, entry in patterns:
                if pattern == name:
                    return entry
        for pattern, entry in patterns:
            if any(fnmatchcase(name, pattern) for name in names):
                return entry
        return None


def read_profile(path: Path) -> Profile:
    """Read a profile.

    Raises
    ------
    InputError
        The file cannot be read or is no TOML, or any of its values is at fault; all faults in one message.
    """
    try:
        if path.stat().st_size > _MAX_PROFILE_BYTES:
            raise InputError(
                f"{path}: {path.stat().st_size} bytes is more than any profile needs; is it the right file?"
            )
        text = path.read_bytes().decode("utf-8")
    except OSError as fault:
        raise InputError(f"{path}: cannot be read ({fault.strerror}); check the name and the permissions") from fault
    except UnicodeDecodeError as fault:
        raise InputError(f"{path}: is not UTF-8 text (byte {fault.start}); save it as UTF-8") from fault
    return parse_profile(text, path=path)


def parse_profile(text: str, *, path: Path) -> Profile:
    """A profile from its text; `path` stands in messages. Raises InputError as `read_profile` does."""
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise InputError(
            f'{path}: is no valid TOML ({fault}); quote names with blanks or marks: ["Violins I"]'
        ) from fault
    faults: list[str] = []
    entries = []
    for name, table in tables.items():
        if isinstance(table, dict):
            entries.append(_entry(name, table, faults))
        else:
            faults.append(f'{_shown(name)} stands outside a table; begin with a line like [violin] or ["Violins*"]')
    if faults:
        raise InputError(f"{path}: " + "; ".join(faults))
    return Profile(path, tuple(entries), text)


def _shown(value: object) -> str:
    """A value as it is quoted in a message: short and without control characters."""
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _entry(name: str, table: Mapping[str, object], faults: list[str]) -> ProfileEntry:
    where = f"table {_shown(name)}"
    for key in table:
        if key not in _KEYS:
            known = "lanes.<lane>, range.<lane>, kind, switches"
            faults.append(f"{where}: unknown key {_shown(key)}; known are {known}, with a lane of {', '.join(LANES)}")
    lane_cc: dict[str, int] = {}
    for lane, value in _lanes_under("lanes", table, where, faults):
        if type(value) is int and 0 <= value <= _MAX_CC:
            lane_cc[lane] = value
        else:
            faults.append(
                f"{where}: lanes.{lane} = {_shown(value)}; a controller is a whole number from 0 to {_MAX_CC}"
            )
    _check_distinct(lane_cc, where, faults)
    lane_range: dict[str, tuple[int, int]] = {}
    for lane, value in _lanes_under("range", table, where, faults):
        pair = _pair(value)
        if pair is not None and pair[0] < pair[1]:
            lane_range[lane] = pair
        else:
            faults.append(f"{where}: range.{lane} = {_shown(value)}; write [low, high] with 0 <= low < high <= 127")
    kind = table.get("kind")
    if kind is not None and kind not in PART_KINDS:
        faults.append(f"{where}: kind = {_shown(kind)}; choose one of {', '.join(PART_KINDS)}")
    switches = None
    if "switches" in table:
        switches = _pair(table["switches"])
        if switches is None or switches[0] > switches[1]:
            faults.append(
                f"{where}: switches = {_shown(table['switches'])}; write [lowest, highest] MIDI key, within 0 to 127"
            )
    return ProfileEntry(name, lane_cc, lane_range, kind if isinstance(kind, str) else None, switches)


def _lanes_under(key: str, table: Mapping[str, object], where: str, faults: list[str]) -> list[tuple[str, object]]:
    """(lane, value) of a key that holds one value a lane."""
    if key not in table:
        return []
    values = table[key]
    if not isinstance(values, dict):
        faults.append(f"{where}: {key} = {_shown(values)}; write {key}.dynamics, {key}.expression, {key}.vibrato")
        return []
    for lane in values:
        if lane not in LANES:
            faults.append(f"{where}: unknown lane in {_shown(f'{key}.{lane}')}; known are {', '.join(LANES)}")
    return [(lane, value) for lane, value in values.items() if lane in LANES]


def _check_distinct(lane_cc: Mapping[str, int], where: str, faults: list[str]) -> None:
    owner: dict[int, str] = {}
    for lane, cc in lane_cc.items():
        if cc in owner:
            faults.append(f"{where}: lanes.{owner[cc]} and lanes.{lane} are both controller {cc}; give each its own")
        owner[cc] = lane
    for lane in ("dynamics", "expression"):
        if lane not in lane_cc and DEFAULT_CC[lane] in owner:
            other = owner[DEFAULT_CC[lane]]
            faults.append(
                f"{where}: lanes.{other} = {DEFAULT_CC[lane]} is the default of {lane}; "
                f"set lanes.{lane} to another controller"
            )


def _pair(value: object) -> tuple[int, int] | None:
    """Two whole numbers 0..127, else None."""
    if not isinstance(value, list) or len(value) != 2:
        return None
    low, high = value
    if type(low) is not int or type(high) is not int or not (0 <= low <= 127 and 0 <= high <= 127):
        return None
    return low, high
