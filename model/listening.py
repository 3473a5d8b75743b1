"""Hear a cue: layers, attacks, phrases and the three axes of situations, for every part."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Part
from phrasewright.data.marks import is_accent, mark_words, plan_of_marks
from phrasewright.data.plan import Plan
from phrasewright.model.accents import accents_of
from phrasewright.model.attacks import attacks_of, passage_at
from phrasewright.model.closings import Closing, closing_attacks, closing_notes, closings_of
from phrasewright.model.figures import figure_situations, figures_of
from phrasewright.model.hearing import EVENTS, FIGURES, Attacks, CueHearing, PartHearing, Phrase, Situation
from phrasewright.model.layers import Layers, split_layers
from phrasewright.model.levels import texture_db
from phrasewright.model.phrases import Cut, Line, beginnings_of, find_cuts, line_of
from phrasewright.model.responses import heard_cue
from phrasewright.model.roles import Role, roles_of
from phrasewright.model.voices import voices_of

_STROKES = (FIGURES.index("trill"), FIGURES.index("tremolo"))
_SPIKES = (EVENTS.index("accent"), EVENTS.index("sforzando"))


def hear(cue: Cue, *, plan: Plan | None = None) -> CueHearing:
    """Hear a whole cue; parts come in file order, percussive and unshaped ones too.

    `plan` is the loudness the composer wrote down beside the file; its levels then take the place of the dynamic marks
    in the file. Accents marked there are heard in either case. Parts whose notes were pulled ahead of the bars are
    heard where they sound.
    """
    cue = heard_cue(cue)
    if plan is None:
        plan = plan_of_marks(cue)
    else:
        accents = tuple(mark for mark in cue.marks if not mark_words(mark.text, kind=mark.kind) or is_accent(mark.text))
        cue = replace(
            cue, marks=tuple(sorted((*accents, *plan.as_marks(cue)), key=lambda mark: (mark.tick, mark.track)))
        )
    layers = [split_layers(part.notes) for part in cue.parts]
    attacks = [attacks_of(part, split) for part, split in zip(cue.parts, layers, strict=True)]
    phrases = _phrases(cue, attacks)
    voices = voices_of(list(cue.parts), layers, list(zip(attacks, phrases, strict=True)))
    note_roles, roles = roles_of(list(cue.parts), voices, tempo=cue.tempo)
    figures = [
        figures_of(part.notes, split, passage=passage_at(part, part.notes.onset_s))
        for part, split in zip(cue.parts, layers, strict=True)
    ]
    strokes = [np.isin(figure, _STROKES) for figure in figures]
    closings = closings_of(cue, attacks, figured=strokes)
    events = _events(cue, attacks, phrases, closings, strokes)
    parts = [
        _part_hearing(*row)
        for row in zip(cue.parts, layers, attacks, phrases, note_roles, roles, figures, events, strict=True)
    ]
    texture = texture_db(cue.parts) if plan.origin == "none" else np.zeros(0)
    return CueHearing(cue, tuple(parts), plan, texture)


def _phrases(cue: Cue, attacks: list[Attacks]) -> list[tuple[Phrase, ...]]:
    """The phrases of every part; parts of one group are heard as one line and share where phrases begin and end."""
    groups = list(dict.fromkeys(part.group for part in cue.parts))
    members = [[a for part, a in zip(cue.parts, attacks, strict=True) if part.group == group] for group in groups]
    lines = [line_of(parts) for parts in members]
    beginnings = beginnings_of(lines, cue.tempo)
    found = {}
    for group, line, heard in zip(groups, lines, beginnings, strict=True):
        found[group] = line, find_cuts(line, cue.tempo, beginnings=heard)
    return [_phrases_of(a, *found[part.group], cue) for part, a in zip(cue.parts, attacks, strict=True)]


def _phrases_of(attacks: Attacks, line: Line, cuts: list[Cut], cue: Cue) -> tuple[Phrase, ...]:
    """The phrases of one part of a line: its attacks between the cuts; where it has none, it has no phrase."""
    if attacks.n_attacks == 0:
        return ()
    starts_s = np.array([cut.time_s for cut in cuts])
    begin = np.searchsorted(line.onset_s, starts_s)
    ends_s = np.minimum(np.maximum.reduceat(line.release_s, begin), np.append(starts_s[1:], np.inf))
    ends_beat = cue.tempo.s_to_beat(ends_s)
    of = np.maximum(np.searchsorted(starts_s, attacks.onset_s + 1e-6, side="right") - 1, 0)
    first = np.flatnonzero(np.r_[True, np.diff(of) > 0])
    last = np.r_[first[1:] - 1, attacks.n_attacks - 1]
    return tuple(
        Phrase(
            start_s=cuts[k].time_s,
            end_s=float(ends_s[k]),
            start_beat=float(line.onset_beat[begin[k]]),
            end_beat=float(ends_beat[k]),
            first_note=int(attacks.first_note[a]),
            last_note=int(attacks.last_note[b]),
            first_attack=a,
            last_attack=b,
            strength=cuts[k].strength,
            why=cuts[k].why,
        )
        for a, b, k in zip(first.tolist(), last.tolist(), of[first].tolist(), strict=True)
    )


def _part_hearing(
    part: Part,
    split: Layers,
    raw: Attacks,
    phrases: tuple[Phrase, ...],
    note_role: NDArray[np.int8],
    roles: list[Role],
    figure: NDArray[np.int8],
    events: HeardEvents,
) -> PartHearing:
    lengths = [p.last_attack - p.first_attack + 1 for p in phrases]
    phrase = np.repeat(np.arange(len(phrases)), lengths)
    attacks = replace(
        raw, phrase=phrase, role=note_role[raw.first_note], figure=figure[raw.first_note], event=events.of_attack
    )
    situations = [*_role_situations(roles), *figure_situations(part.notes, figure), *events.situations]
    return PartHearing(
        part=part,
        attacks=attacks,
        phrases=phrases,
        situations=tuple(situations),
        layer=split.layer,
        note_role=note_role,
        note_figure=figure,
        note_event=events.of_note,
    )


@dataclass(frozen=True)
class HeardEvents:
    """The events of one part.

    `of_note` names what is heard; `of_attack` what is shaped, closings with their approach.
    """

    of_note: NDArray[np.int8]
    of_attack: NDArray[np.int8]
    situations: list[Situation]


def _events(
    cue: Cue,
    attacks: list[Attacks],
    phrases: list[tuple[Phrase, ...]],
    closings: list[Closing],
    strokes: list[NDArray[np.bool_]],
) -> list[HeardEvents]:
    """The events of every part; a closing takes precedence over the accents within it."""
    found = []
    accents = accents_of(list(cue.parts), attacks, marks=cue.marks, strokes=strokes, tempo=cue.tempo)
    for part, a, own, (event, why) in zip(cue.parts, attacks, phrases, accents, strict=True):
        of_note = np.repeat(event, a.last_note - a.first_note + 1)
        of_attack = event.copy()
        situations = []
        for closing in closings:
            label = EVENTS.index(closing.label)
            notes = closing_notes(part.notes, closing)
            # a part that leaves before the closing begins has no share in it: nothing heard would tell why it falls
            shares = bool(np.any(notes)) and part.kind != "percussive"
            shaped = closing_attacks(a, own, closing) if shares else None
            if shaped:
                of_attack[shaped[0] : shaped[1] + 1] = label
            if np.any(notes):
                of_note[notes] = label
                on_s, off_s = float(part.notes.onset_s[notes].min()), float(part.notes.offset_s[notes].max())
                situations.append(Situation("event", closing.label, max(on_s, closing.start_s), off_s, closing.why))
        for i in np.flatnonzero(np.isin(of_note[a.first_note], _SPIKES)).tolist():
            label_text = EVENTS[int(of_note[a.first_note[i]])]
            situations.append(Situation("event", label_text, float(a.onset_s[i]), float(a.end_s[i]), why[i]))
        found.append(HeardEvents(of_note, of_attack, situations))
    return found


def _role_situations(roles: list[Role]) -> list[Situation]:
    """Neighbouring stretches of one role and reason as one."""
    situations: list[Situation] = []
    last: dict[str, int] = {}
    for role in roles:
        at = last.get(role.label, -1)
        before = situations[at] if at >= 0 else None
        if before and before.why == role.why and role.start_s - before.end_s < 1.0:
            situations[at] = replace(before, end_s=max(before.end_s, role.end_s))
        else:
            last[role.label] = len(situations)
            situations.append(Situation("role", role.label, role.start_s, role.end_s, role.why))
    return situations
