"""What the tool hears in a cue, as a dictionary for JSON and as a table to read.

Times are seconds from the start of the file and quarter notes; notes count from 0 in onset order, highest first in a
chord. Bars count from 1. Without musical time (SMPTE division) bars and beats are None.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

from phrasewright.data.cue import Cue
from phrasewright.data.curves import DEFAULT_CC
from phrasewright.data.printing import printable
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, CueHearing, PartHearing
from phrasewright.model.offsets import Offset, offset_of

_AXES = ("role", "figure", "event")


def explain_dict(hearing: CueHearing) -> dict[str, Any]:
    """Everything heard, ready for JSON.

    Returns
    -------
    dict
        `cue` with `seconds` and `bars`, and `parts`, each with its passages, phrases, notes (role, figure, event; None
        for no figure or event), situations with reasons, and remarks.
    """
    cue = hearing.cue
    return {
        "cue": {"seconds": round(cue.duration_s, 6), "bars": cue.n_bars if cue.tempo.has_metre else None},
        "parts": [_part_dict(cue, heard) for heard in hearing.parts],
    }


def _part_dict(cue: Cue, heard: PartHearing) -> dict[str, Any]:
    part = heard.part
    beats = cue.tempo.has_metre
    counts = {str(cc): 0 for cc in DEFAULT_CC.values()}
    counts |= {str(cc): curve.n_points for cc, curve in part.existing.items()}
    columns = (heard.note_role, heard.note_figure, heard.note_event)
    notes = list(zip(*(column.tolist() for column in columns), strict=True))
    named = {
        (role, figure, event): {"role": ROLES[role], "figure": _named(FIGURES, figure), "event": _named(EVENTS, event)}
        for role, figure, event in set(notes)
    }
    return {
        "index": part.index,
        "name": part.name,
        "track": part.track,
        "channel": part.channel,
        "family": part.family,
        "kind": part.kind,
        "why": part.why,
        "n_notes": part.notes.n_notes,
        "offset": _offset_dict(offset_of(heard, cue.tempo)),
        "existing": counts,
        "passages": [
            {"kind": p.kind, "start_s": _round(p.start_s), "end_s": _round(p.end_s), "why": p.why}
            for p in part.passages
        ],
        "phrases": [
            {
                "start_s": _round(p.start_s),
                "end_s": _round(p.end_s),
                "start_beat": _round(p.start_beat) if beats else None,
                "end_beat": _round(p.end_beat) if beats else None,
                "first_note": p.first_note,
                "last_note": p.last_note,
                "strength": round(p.strength, 3),
                "why": p.why,
            }
            for p in heard.phrases
        ],
        "notes": [named[note] for note in notes],
        "situations": [
            {"axis": s.axis, "label": s.label, "start_s": _round(s.start_s), "end_s": _round(s.end_s), "why": s.why}
            for s in heard.situations
        ],
        "remarks": list(part.remarks),
    }


def _offset_dict(offset: Offset | None) -> dict[str, Any] | None:
    """How far a part stands ahead of the bars, None where that cannot be told."""
    if offset is None:
        return None
    return {
        "early_s": offset.early_s, "sure": offset.sure, "n_onsets": offset.n_onsets, "told": offset.told,
        "by_kind": offset.by_kind,
    }  # fmt: skip


def explain_text(hearing: CueHearing) -> str:
    """The same as a table: each part with its passages, then its phrases and situations in order of time."""
    cue = hearing.cue
    n_bars = f", {cue.n_bars} bars" if cue.tempo.has_metre else ""
    lines = [f"{printable(cue.path.name)}: {len(hearing.parts)} parts, {cue.duration_s:.1f} s{n_bars}"]
    for heard in hearing.parts:
        lines += ["", *_part_lines(cue, heard)]
    return "\n".join(lines) + "\n"


def _part_lines(cue: Cue, heard: PartHearing) -> list[str]:
    part = heard.part
    lines = [
        f"Part {part.index}  {part.name}  (track {part.track}, channel {part.channel};"
        f" {part.family}, {part.kind}: {part.why})",
        f"  {part.notes.n_notes} notes; {_existing_text(heard)}; lanes to write: {', '.join(part.lane_cc) or 'none'}",
    ]
    lines += [f"  ! {remark}" for remark in part.remarks]
    offset = offset_of(heard, cue.tempo)
    if offset is not None and offset.told:
        lines.append(f"  ! {offset.remark}")
    rows = [(p.start_s, p.end_s, "passage", p.kind, p.why) for p in part.passages]
    for number, phrase in enumerate(heard.phrases, 1):
        label = f"{number} ({phrase.strength:.2f})"
        rows.append((phrase.start_s, phrase.end_s, "phrase", label, phrase.why))
    rows += [(s.start_s, s.end_s, s.axis, s.label, s.why) for s in heard.situations]
    order = {name: i for i, name in enumerate(("passage", "phrase", *_AXES))}
    rows.sort(key=lambda row: (row[0], order[row[2]]))
    lines.append(f"  {'from':>9} {'to':>9}  {'what':<8} {'label':<13} why")
    for start_s, end_s, what, label, why in rows:
        lines.append(f"  {_when(cue, start_s):>9} {_when(cue, end_s):>9}  {what:<8} {label:<13} {why}")
    counts = Counter(ROLES[role] for role in heard.note_role.tolist())
    if counts:
        lines.append("  notes by role: " + ", ".join(f"{label} {n}" for label, n in counts.most_common()))
    return lines


def _existing_text(heard: PartHearing) -> str:
    drawn = [f"CC{cc} {curve.n_points} events" for cc, curve in heard.part.existing.items() if curve.n_points]
    return "drawn: " + ", ".join(drawn) if drawn else "no lanes drawn"


def _when(cue: Cue, time_s: float) -> str:
    """Bar and beat of a time (`12:3.5`), or seconds without metre."""
    tempo = cue.tempo
    if not tempo.has_metre:
        return f"{time_s:.2f} s"
    bar, beat = tempo.bar_and_beat(float(tempo.s_to_beat(time_s)) * tempo.ticks_per_beat + 0.01)
    return f"{bar}:{beat:.1f}".removesuffix(".0")


def _named(names: tuple[str, ...], index: int) -> str | None:
    return names[index] if index else None


def _round(value: float) -> float:
    return round(float(value), 6)
