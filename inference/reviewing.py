"""A file reviewed: what a listener would stumble over or a colleague would point at, part by part; as a dictionary and
as a text to read.

One detector a kind, each a function from one written part to the flaws in it: `review_movement.py` (how lanes move),
`review_events.py` (single events, joins and repeats). Times are in seconds from the start of the file; bars count from
1 and are None without musical time.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from phrasewright.data.cue import Cue, Part
from phrasewright.data.curves import ALL_LANES, Curve
from phrasewright.data.errors import UsageError
from phrasewright.data.profiles import Profile, read_profile
from phrasewright.data.reading import read_cue
from phrasewright.data.tempo import TempoMap
from phrasewright.model.events import gesture_spans
from phrasewright.model.hearing import CueHearing, PartHearing
from phrasewright.model.listening import hear
from phrasewright.model.responses import by_default_law, timing_of
from phrasewright.model.review_events import (
    bare_joins,
    bare_repeats,
    entries,
    jumps,
    missing_starts,
    retriggers,
    stuck,
    too_dense,
)
from phrasewright.model.review_flaws import SEVERITIES, Flaw, WrittenPart
from phrasewright.model.review_movement import copied_lanes, flat_holds, lone_lanes, machine_holds

_DECIMALS = 6
_NOTE_ON, _CONTROL = 0x90, 0xB0
_DETECTORS: dict[str, Callable[[WrittenPart], list[Flaw]]] = {
    "one-lane": lone_lanes,
    "copied-lane": copied_lanes,
    "flat-hold": lambda part: flat_holds(part, lone=lone_lanes(part)),
    "bare-join": bare_joins,
    "bare-repeat": bare_repeats,
    "retrigger": retriggers,
    "jump": jumps,
    "entry": entries,
    "stuck": stuck,
    "no-start": missing_starts,
    "dense": too_dense,
    "machine": machine_holds,
}

KINDS = tuple(_DETECTORS)
"""Every kind of finding, in the order in which they are told."""


def review_file(
    path: Path,
    *,
    profile: Profile | Path | None = None,
    kinds: Collection[str] | None = None,
    ignore: Collection[str] | None = None,
) -> dict[str, Any]:
    """Review the lanes of a file.

    Parameters
    ----------
    profile : Profile or Path, optional
        What the instruments answer to: their lanes are looked for on its controllers.
    kinds, ignore : collections of kinds, optional
        What to look for (default: every kind of `KINDS`), and what to leave out of that.

    Returns
    -------
    dict
        `findings`, in order of parts and time, each with `kind`, `part` (its number), `lane` (None where the part as a
        whole is meant), `bar` (None with SMPTE division), `start_s`, `end_s`, `text` and `severity` (low, medium or
        high); `seconds` the length of the file; `kinds` what was looked for. Ready for JSON.

    Raises
    ------
    InputError
        A file that cannot be read as a cue, or a faulty profile.
    UsageError
        An unknown kind, or nothing left to look for.
    """
    chosen = kinds_to_look_for(kinds, ignore)
    entries = read_profile(profile) if isinstance(profile, Path) else profile
    return review_cue(hear(read_cue(path, profile=entries)), kinds=chosen)


def review_cue(hearing: CueHearing, *, kinds: Collection[str] = KINDS) -> dict[str, Any]:
    """Review a cue that has been heard. Returns as `review_file`."""
    cue = hearing.cue
    findings: list[dict[str, Any]] = []
    for heard in hearing.parts:
        if heard.part.shaped and heard.part.notes.n_notes:
            flaws = review_part(written_part(cue, heard), kinds=kinds)
            findings += [_finding(cue.tempo, heard.part, flaw) for flaw in flaws]
    return {"findings": findings, "seconds": round(cue.duration_s, _DECIMALS), "kinds": list(kinds)}


def review_part(part: WrittenPart, *, kinds: Collection[str] = KINDS) -> list[Flaw]:
    """The flaws of one part, of the given kinds only, in order of time."""
    flaws = [flaw for kind in KINDS if kind in kinds for flaw in _DETECTORS[kind](part)]
    return sorted(flaws, key=lambda flaw: (flaw.start_s, KINDS.index(flaw.kind), flaw.lane or ""))


def kinds_to_look_for(kinds: Collection[str] | None, ignore: Collection[str] | None) -> tuple[str, ...]:
    """The kinds to look for, in their usual order. Raises UsageError for an unknown kind or if none is left."""
    unknown = [kind for kind in (*(kinds or ()), *(ignore or ())) if kind not in KINDS]
    if unknown:
        raise UsageError(f"{unknown[0]!r} is no kind of finding; choose from {', '.join(KINDS)}")
    chosen = tuple(kind for kind in KINDS if (not kinds or kind in kinds) and kind not in (ignore or ()))
    if not chosen:
        raise UsageError("every kind that was asked for is ignored too; nothing is left to look for")
    return chosen


def fails(result: Mapping[str, Any], kinds: Collection[str]) -> bool:
    """Whether anything of these kinds was found. Raises UsageError for a kind that was not looked for."""
    unseen = [kind for kind in kinds if kind not in result["kinds"]]
    if unseen:
        raise UsageError(f"{unseen[0]!r} is to fail but is not looked for; take it out of --ignore or into --kinds")
    return any(row["kind"] in kinds for row in result["findings"])


def written_part(cue: Cue, heard: PartHearing) -> WrittenPart:
    """A part with its lanes as they stand in the file."""
    part = heard.part
    timing = timing_of(heard)
    lanes = {lane: curve for lane in ALL_LANES if (curve := part.drawn(lane)) is not None}
    sustained = [(passage.start_s, passage.end_s) for passage in part.passages if passage.kind == "sustained"]
    return WrittenPart(
        notes=part.file_notes,
        attacks=heard.attacks if timing is None else timing.at_note_ons(heard.attacks),
        phrases=heard.phrases,
        lanes=lanes,
        late=frozenset(lane for lane, curve in lanes.items() if _starts_late(cue, part, float(curve.time_s[0]), lane)),
        sustained_s=np.array(sustained, dtype=np.float64).reshape(-1, 2),
        gesture_s=gesture_spans(heard),
        tempo=cue.tempo,
        sounding_s=None if timing is None else timing.sounding_s,
        usual={
            lane: Curve(curve.time_s, by_default_law(lane, curve.value_cc, part.responses[lane]))
            for lane, curve in lanes.items()
            if lane in part.responses
        },
    )


def _starts_late(cue: Cue, part: Part, first_s: float, lane: str) -> bool:
    """Whether a lane's first event comes after the part's first note; on one tick the order in the file decides."""
    notes = part.file_notes
    onset_s = float(notes.onset_s[0])
    if abs(first_s - onset_s) > 1e-9:
        return first_s > onset_s
    track = cue.midi.tracks[part.track - 1]
    channel = part.channel - 1
    on = (track.status == (_NOTE_ON | channel)) & (track.data2 > 0) & (track.tick >= int(notes.onset_tick[0]))
    cc = part.lane_cc.get(lane)
    control = track.status == (_CONTROL | channel)
    mine = control & (track.data1 == cc) if cc is not None else control
    return bool(np.argmax(mine) > np.argmax(on))


def _finding(tempo: TempoMap, part: Part, flaw: Flaw) -> dict[str, Any]:
    at_s = flaw.start_s if flaw.kind not in ("bare-join", "bare-repeat") else (flaw.start_s + flaw.end_s) / 2
    place = place_text(tempo, at_s)
    if flaw.end_s - flaw.start_s > 2.0:
        place += f" to {place_text(tempo, flaw.end_s - 0.01, short=True)}"
    subject = f"{part.name}, {flaw.lane}" if flaw.lane else part.name
    return {
        "kind": flaw.kind,
        "part": part.index,
        "lane": flaw.lane,
        "bar": bar_of(tempo, at_s),
        "start_s": round(flaw.start_s, _DECIMALS),
        "end_s": round(flaw.end_s, _DECIMALS),
        "text": f"{place}, {subject}: {flaw.what}",
        "severity": flaw.severity,
    }


def bar_of(tempo: TempoMap, time_s: float) -> int | None:
    """The bar in which a time lies, None without musical time."""
    return int(tempo.bar_at(time_s)) if tempo.has_metre else None


def place_text(tempo: TempoMap, time_s: float, *, short: bool = False) -> str:
    """A time as `bar 12.3`, beats counted in the metre's own unit, or in seconds without musical time."""
    if not tempo.has_metre:
        return f"{time_s:.1f} s"
    bar, beat = tempo.bar_and_beat(int(tempo.s_to_tick(time_s)))
    return f"{'' if short else 'bar '}{bar}.{int(beat + 1e-6)}"


def review_text(result: Mapping[str, Any]) -> str:
    """The findings to read, the most audible first within each part's order of time; then how many of each kind."""
    findings = result["findings"]
    if not findings:
        return "Nothing to mend."
    lines = []
    for severity in reversed(SEVERITIES):
        rows = [row for row in findings if row["severity"] == severity]
        if rows:
            title = {"high": "To mend first", "medium": "To look at", "low": "Perhaps meant"}[severity]
            lines += ["", f"{title}:"]
            lines += [f"  {row['kind']:<12} {row['text']}" for row in rows]
    counts = Counter(row["kind"] for row in findings)
    told = ", ".join(f"{kind} {counts[kind]}" for kind in KINDS if counts[kind])
    lines += ["", f"{len(findings)} finding{'s' if len(findings) > 1 else ''}: {told}."]
    return "\n".join(lines[1:])
