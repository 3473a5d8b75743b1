"""What each table of a profile would do, as a dictionary and as a text to read; with a cue, which parts each holds for.

Levels are controller steps, delays seconds.
"""

from __future__ import annotations

from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import numpy as np

from phrasewright.data.curves import ALL_LANES, DEFAULT_CC, LANES
from phrasewright.data.plan import EXPRESSION_CENTRES_CC, LEVEL_CENTRES_CC
from phrasewright.data.profiles import Profile, ProfileEntry, read_profile
from phrasewright.data.reading import read_cue
from phrasewright.inference.lane_plans import lane_range
from phrasewright.model.responses import answered

_CENTRES_CC = {"dynamics": LEVEL_CENTRES_CC, "expression": EXPRESSION_CENTRES_CC}
_DELAYS = ("first", "legato", "short")


def check_profile(path: Path, *, cue: Path | None = None) -> dict[str, Any]:
    """Read a profile and say what it would do.

    Returns
    -------
    dict
        `profile`, and `tables` in the file's order, each with `table` (its name), `kind`, `switches`, `lanes` (for each
        lane it sets anything of: `cc`, None for the usual one; `range`, the values it may be written with while
        sounding; `response`, None or its `values` and `db` from end to end, and in `marks` where each printed level
        comes to stand), `delays_s`, `notes_advanced`, `remarks`, and, with a cue, `parts` it holds for.

    Raises
    ------
    InputError
        The profile is at fault, all faults in one message; or the cue cannot be read.
    """
    profile = read_profile(path)
    tables = [_table(profile, number) for number in range(len(profile.entries))]
    if cue is not None:
        for told in tables:
            told["parts"] = []
        for part in read_cue(cue, profile=profile).parts:
            entry = profile.entry_for(part.name, part.instrument.name)
            if entry is not None:
                tables[profile.entries.index(entry)]["parts"].append({"index": part.index, "name": part.name})
    return {"profile": str(path), "tables": tables}


def _table(profile: Profile, number: int) -> dict[str, Any]:
    entry = profile.entries[number]
    delays = entry.delays
    return {
        "table": entry.pattern,
        "kind": entry.kind,
        "switches": None if entry.switches is None else list(entry.switches),
        "lanes": {
            lane: _lane(entry, lane)
            for lane in ALL_LANES
            if lane in entry.lane_cc or lane in entry.lane_range or lane in entry.responses
        },
        "delays_s": dict(zip(_DELAYS, (delays.first_s, delays.legato_s, delays.short_s), strict=True)),
        "notes_advanced": delays.advanced,
        "remarks": _remarks(profile, number),
    }


def _lane(entry: ProfileEntry, lane: str) -> dict[str, Any]:
    low, high = lane_range(lane, entry.lane_range.get(lane))
    told: dict[str, Any] = {"cc": entry.lane_cc.get(lane), "range": [low, high], "response": None}
    response = entry.responses.get(lane)
    if response is not None:
        marks = {mark: round(value) for mark, value in _standing(entry, lane).items()}
        (first, softest), (last, loudest) = response[0], response[-1]
        told["response"] = {"values": [int(first), int(last)], "db": round(loudest - softest, 3), "marks": marks}
    return told


def _standing(entry: ProfileEntry, lane: str) -> dict[str, float]:
    """Where each printed level comes to stand on a lane of the instrument."""
    centres = _CENTRES_CC.get(lane)
    if centres is None:
        return {}
    bounds = {lane: lane_range(lane, entry.lane_range.get(lane))}
    written = answered({lane: np.array(list(centres.values()))}, entry.responses, bounds)[lane]
    return dict(zip(centres, written.tolist(), strict=True))


def _remarks(profile: Profile, number: int) -> list[str]:
    entry = profile.entries[number]
    remarks = []
    key = entry.pattern.casefold()
    for other in profile.entries[:number]:
        pattern = other.pattern.casefold()
        if pattern == key:
            remarks.append(f'never holds: the table "{other.pattern}" before it has the same name')
        elif fnmatchcase(key, pattern):
            remarks.append(f'holds only for parts and instruments named so: "{other.pattern}" stands before it')
    dropped = [lane for lane in LANES if lane not in entry.lanes(LANES)]
    for lane in dropped:
        remarks.append(f"{lane} is not written: its usual controller {DEFAULT_CC[lane]} has another use here")
    for lane in entry.responses:
        standing = _standing(entry, lane)
        low, high = lane_range(lane, entry.lane_range.get(lane))
        low, high = max(low, round(entry.responses[lane][0][0])), min(high, round(entry.responses[lane][-1][0]))
        for names, end in (
            ([mark for mark, value in standing.items() if value < low + 2.5], "lowest"),
            ([mark for mark, value in standing.items() if value > high - 2.5], "highest"),
        ):
            if names:
                makes_up = "; expression makes up for what lacks" if lane == "dynamics" else ""
                remarks.append(f"{lane} stands at its {end} for {', '.join(names)}{makes_up}")
    if entry.delays.advanced and not entry.delays.any:
        remarks.append("notes_advanced changes nothing without delays: give first_delay_s, legato_delay_s")
    if entry.delays.any and not entry.delays.advanced:
        remarks.append("notes are taken as written on the bars; lanes come later by the delays")
    if entry.kind not in (None, "sustained"):
        remarks.append("nothing is written for these parts")
    return remarks


def profile_text(told: dict[str, Any]) -> str:
    """The same to read."""
    lines = [f"{told['profile']}: {len(told['tables'])} table{'s' if len(told['tables']) != 1 else ''}, no fault"]
    for table in told["tables"]:
        lines += ["", f'"{table["table"]}"']
        for lane, row in table["lanes"].items():
            usual = DEFAULT_CC.get(lane)
            cc = f"controller {row['cc']}" if row["cc"] is not None else f"controller {usual} as usual"
            lines.append(f"  {lane:<10}  {cc}, {row['range'][0]} to {row['range'][1]} while sounding")
            if row["response"] is not None:
                marks = ", ".join(f"{mark} {value}" for mark, value in row["response"]["marks"].items())
                values = row["response"]["values"]
                said = f"{row['response']['db']:g} dB from {values[0]} to {values[1]}"
                lines.append(f"  {'':<10}  response: {said}{f'; {marks}' if marks else ''}")
        if not table["lanes"]:
            lines.append("  lanes       controllers, ranges and levels as usual")
        delays = table["delays_s"]
        if any(delays.values()):
            said = ", ".join(f"{name} notes {seconds:g} s" for name, seconds in delays.items())
            ahead = "; the notes of the file were pulled ahead by them" if table["notes_advanced"] else ""
            lines.append(f"  delays      {said} after the note-on{ahead}")
        if table["kind"] is not None:
            lines.append(f"  kind        {table['kind']}")
        if table["switches"] is not None:
            lines.append(f"  switches    keys {table['switches'][0]} to {table['switches'][1]}")
        if "parts" in table:
            names = ", ".join(f"{part['index']} {part['name']}" for part in table["parts"])
            lines.append(f"  parts       {names or 'none'}")
        lines += [f"  ! {remark}" for remark in table["remarks"]]
    return "\n".join(lines)
