"""Profiles: what a user's instruments answer to, one TOML table per instrument or name pattern.

    ["Violins*"]
    lanes.dynamics = 1
    lanes.vibrato = 21
    range.dynamics = [20, 110]
    response.dynamics = [[1, -36], [64, -14], [127, 0]]
    first_delay_s = 0.18
    legato_delay_s = 0.12
    short_delay_s = 0.05
    notes_advanced = true
    switches = [12, 23]

    [celesta]
    kind = "sustained"

A response is measured: pairs of a controller value and the level it gives in decibels, both rising. Only differences of
level count; the highest level of the table is full. Delays are seconds from a note-on to where the note is heard.

A table's name is compared with the part's name and with its instrument's name, small and capital letters alike; `*`,
`?` and `[...]` match as in file names. Of several tables that fit, one named exactly after the part wins, then one
named exactly after the instrument, then the first in the file; it holds alone.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from itertools import pairwise
from pathlib import Path

from phrasewright.data.cue import PART_KINDS, Delays
from phrasewright.data.curves import ALL_LANES, COLOUR_LANES, DEFAULT_CC, LANES
from phrasewright.data.errors import InputError, all_told
from phrasewright.data.files import read_file

_DELAYS = ("first_delay_s", "legato_delay_s", "short_delay_s")
_KEYS = ("lanes", "range", "response", *_DELAYS, "notes_advanced", "kind", "switches")
_DELAY_S = (-1.0, 2.0)
"""Delays beyond are taken for milliseconds (common practice, no source)."""
_LEAST_RISE_DB, _MOST_DB = 1.0, 200.0
_MAX_CC = 119
"""Controllers 120 to 127 are channel mode messages (MIDI 1.0)."""
_MAX_PROFILE_BYTES = 1 << 20


@dataclass(frozen=True)
class ProfileEntry:
    """One table: controller numbers, limits in steps, measured responses, delays, the kind, and the keys that select
    articulations.

    A response is ((value, db), ...), values rising, levels not falling.
    """

    pattern: str
    lane_cc: Mapping[str, int] = field(default_factory=dict)
    lane_range: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    kind: str | None = None
    switches: tuple[int, int] | None = None
    responses: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    delays: Delays = field(default_factory=Delays)

    def lanes(self, default: tuple[str, ...]) -> dict[str, int]:
        """Controllers by lane: those of `default` and those the table names. A default number the table uses otherwise
        is not written twice: that lane falls away."""
        numbers = {
            lane: self.lane_cc.get(lane, DEFAULT_CC[lane]) for lane in LANES if lane in default or lane in self.lane_cc
        }
        numbers |= {lane: self.lane_cc[lane] for lane in COLOUR_LANES if lane in self.lane_cc}
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
        text = read_file(path, most_bytes=_MAX_PROFILE_BYTES, what="profile").decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise InputError(f"{path}: is not UTF-8 text (byte {fault.start}); save it as UTF-8") from fault
    return parse_profile(text, path=path)


def parse_profile(text: str, *, path: Path) -> Profile:
    """A profile from its text; `path` stands in messages. Raises InputError as `read_profile` does."""
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as fault:  # ValueError also of a number of thousands of digits
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
        raise InputError(f"{path}: {all_told(faults)}")
    return Profile(path, tuple(entries), text)


def _shown(value: object) -> str:
    """A value as it is quoted in a message: short and without control characters."""
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _entry(name: str, table: Mapping[str, object], faults: list[str]) -> ProfileEntry:
    where = f"table {_shown(name)}"
    for key in table:
        if key not in _KEYS:
            known = ", ".join(f"{k}.<lane>" if k in ("lanes", "range", "response") else k for k in _KEYS)
            lanes = ", ".join(ALL_LANES)
            faults.append(f"{where}: unknown key {_shown(key)}; known are {known}, with a lane of {lanes}")
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
    responses: dict[str, tuple[tuple[float, float], ...]] = {}
    for lane, value in _lanes_under("response", table, where, faults):
        response = _response(value, f"{where}: response.{lane}", faults)
        if response is not None:
            responses[lane] = response
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
    for key, lanes_named in (("range", lane_range), ("response", responses)):
        for lane in COLOUR_LANES:
            if lane in lanes_named and lane not in lane_cc:
                faults.append(f"{where}: {key}.{lane} without lanes.{lane}; say which controller it is")
    delays = _delays(table, where, faults)
    return ProfileEntry(name, lane_cc, lane_range, kind if isinstance(kind, str) else None, switches, responses, delays)


def _response(value: object, where: str, faults: list[str]) -> tuple[tuple[float, float], ...] | None:
    """Pairs of (controller value, level in dB) in order, None where any is at fault."""
    before = len(faults)
    if not isinstance(value, list) or len(value) < 2:
        faults.append(f"{where} = {_shown(value)}; write two or more pairs, as in [[1, -40], [64, -14], [127, 0]]")
        return None
    pairs: list[tuple[float, float]] = []
    for number, pair in enumerate(value, 1):
        if not isinstance(pair, list) or len(pair) != 2:
            faults.append(f"{where}: pair {number} is {_shown(pair)}; write [value, db]")
            continue
        step, level = pair
        if type(step) is not int or not 0 <= step <= 127:
            faults.append(f"{where}: pair {number}: {_shown(step)} is no controller value; write 0 to 127")
        if type(level) not in (int, float) or not math.isfinite(level) or abs(level) > _MOST_DB:
            faults.append(f"{where}: pair {number}: {_shown(level)} is no level in decibels, -200 to 200")
        if len(faults) == before:
            pairs.append((float(step), float(level)))
    if len(faults) > before:
        return None
    for (step, level), (later, louder) in pairwise(pairs):
        if later <= step:
            faults.append(f"{where}: value {later:g} comes after {step:g}; write the pairs by rising value, each once")
        elif louder < level:
            faults.append(
                f"{where}: the level falls from {level:g} dB at {step:g} to {louder:g} dB at {later:g}; "
                "a response never falls: measure again"
            )
    if pairs[-1][1] - pairs[0][1] < _LEAST_RISE_DB and len(faults) == before:
        faults.append(f"{where}: rises by less than {_LEAST_RISE_DB:g} dB over its values; leave it out")
    return tuple(pairs) if len(faults) == before else None


def _delays(table: Mapping[str, object], where: str, faults: list[str]) -> Delays:
    seconds = []
    low, high = _DELAY_S
    for key in _DELAYS:
        value = table.get(key, 0.0)
        if isinstance(value, (int, float)) and not isinstance(value, bool) and low <= value <= high:
            seconds.append(float(value))
        else:
            faults.append(f"{where}: {key} = {_shown(value)}; write seconds, from {low:g} to {high:g}")
    advanced = table.get("notes_advanced", False)
    if not isinstance(advanced, bool):
        faults.append(f"{where}: notes_advanced = {_shown(advanced)}; write true or false")
    if len(seconds) < len(_DELAYS):
        return Delays()
    return Delays(seconds[0], seconds[1], seconds[2], advanced=advanced is True)


def _lanes_under(key: str, table: Mapping[str, object], where: str, faults: list[str]) -> list[tuple[str, object]]:
    """(lane, value) of a key that holds one value a lane."""
    if key not in table:
        return []
    values = table[key]
    if not isinstance(values, dict):
        faults.append(f"{where}: {key} = {_shown(values)}; write {key}.dynamics, {key}.expression, {key}.vibrato")
        return []
    for lane in values:
        if lane not in ALL_LANES:
            faults.append(f"{where}: unknown lane in {_shown(f'{key}.{lane}')}; known are {', '.join(ALL_LANES)}")
    return [(lane, value) for lane, value in values.items() if lane in ALL_LANES]


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
