"""Hear a cue: layers, attacks, phrases and the three axes of situations, for every part."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Part
from phrasewright.model.accents import accents_of, marks_for
from phrasewright.model.attacks import attacks_of, passage_at
from phrasewright.model.closings import Closing, closing_attacks, closings_of
from phrasewright.model.figures import figure_situations, figures_of
from phrasewright.model.hearing import EVENTS, ROLES, Attacks, CueHearing, PartHearing, Phrase, Situation
from phrasewright.model.layers import Layers, split_layers
from phrasewright.model.phrases import Cut, Line, boundary_scores, find_cuts, line_of, shared_scores
from phrasewright.model.roles import Role, roles_of


def hear(cue: Cue) -> CueHearing:
    """Hear a whole cue; parts come in file order, percussive and unshaped ones too."""
    layers = [split_layers(part.notes) for part in cue.parts]
    attacks = [attacks_of(part, split) for part, split in zip(cue.parts, layers, strict=True)]
    phrases = _phrases(cue, attacks)
    roles = roles_of(list(cue.parts), list(zip(attacks, phrases, strict=True)), tempo=cue.tempo)
    closings = closings_of(cue, attacks)
    parts = []
    for part, split, raw, own, role in zip(cue.parts, layers, attacks, phrases, roles, strict=True):
        events = _events(cue, part, raw, own, closings)
        parts.append(_part_hearing(cue, part, split, raw, own, role, events))
    return CueHearing(cue, tuple(parts))


def _phrases(cue: Cue, attacks: list[Attacks]) -> list[tuple[Phrase, ...]]:
    """The phrases of every part; parts of one group are heard as one line and share where phrases begin and end."""
    groups = list(dict.fromkeys(part.group for part in cue.parts))
    members = [[a for part, a in zip(cue.parts, attacks, strict=True) if part.group == group] for group in groups]
    lines = [line_of(parts) for parts in members]
    scores = [boundary_scores(line, cue.tempo) for line in lines]
    shared = shared_scores(lines, scores)
    found = {}
    for group, line, score, others in zip(groups, lines, scores, shared, strict=True):
        found[group] = line, find_cuts(line, cue.tempo, scores=score, shared=others)
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
    cue: Cue,
    part: Part,
    split: Layers,
    raw: Attacks,
    phrases: tuple[Phrase, ...],
    roles: list[Role],
    events: tuple[NDArray[np.int8], list[Situation]],
) -> PartHearing:
    notes = part.notes
    lengths = [p.last_attack - p.first_attack + 1 for p in phrases]
    phrase = np.repeat(np.arange(len(phrases)), lengths)
    attack_role = np.repeat(
        np.array([ROLES.index(r.label) for r in roles], dtype=np.int8),
        [r.last_attack - r.first_attack + 1 for r in roles],
    )
    figure = figures_of(
        notes, split, passage=passage_at(part, notes.onset_s), bar_s=cue.tempo.bar_length_s(notes.onset_s)
    )
    event, event_situations = events
    attacks = replace(raw, phrase=phrase, role=attack_role, figure=figure[raw.first_note], event=event)
    size = raw.last_note - raw.first_note + 1
    situations = _role_situations(roles)
    situations += figure_situations(notes, figure)
    situations += event_situations
    return PartHearing(
        part=part,
        attacks=attacks,
        phrases=phrases,
        situations=tuple(situations),
        layer=split.layer,
        note_role=np.repeat(attack_role, size),
        note_figure=figure,
        note_event=np.repeat(event, size),
    )


def _events(
    cue: Cue, part: Part, attacks: Attacks, phrases: tuple[Phrase, ...], closings: list[Closing]
) -> tuple[NDArray[np.int8], list[Situation]]:
    """Index into EVENTS for each attack, and the situations; a closing takes precedence over the accents within it."""
    tracks = {other.track for other in cue.parts}
    event, why = accents_of(part, attacks, marks=marks_for(part, cue.marks, tracks))
    situations = []
    for closing in closings if part.kind != "percussive" else ():
        found = closing_attacks(attacks, phrases, closing)
        if found:
            first, last = found
            event[first : last + 1] = EVENTS.index(closing.label)
            end_s = float(attacks.release_s[first : last + 1].max())
            situations.append(Situation("event", closing.label, float(attacks.onset_s[first]), end_s, closing.why))
    for i in np.flatnonzero(event).tolist():
        if EVENTS[int(event[i])] in ("accent", "sforzando"):
            label, reason = EVENTS[int(event[i])], why[i]
            situations.append(Situation("event", label, float(attacks.onset_s[i]), float(attacks.end_s[i]), reason))
    return event, situations


def _role_situations(roles: list[Role]) -> list[Situation]:
    """Neighbouring stretches of one role and reason as one."""
    situations: list[Situation] = []
    for role in roles:
        before = situations[-1] if situations else None
        if before and before.label == role.label and before.why == role.why and role.start_s - before.end_s < 1.0:
            situations[-1] = replace(before, end_s=max(before.end_s, role.end_s))
        else:
            situations.append(Situation("role", role.label, role.start_s, role.end_s, role.why))
    return situations
