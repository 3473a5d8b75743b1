"""Invented songs whose phrase ends are known, because they were written phrase by phrase.

A song has a metre, a form (phrases that share rhythm and tune), an upbeat, one way of ending its phrases, a scale and
a tempo; all drawn at random, so that the model meets short song lines in many metres, phrases without any rest or
long note that are known only by their likeness, lines in free tempo, and bars that are wrong. Proportions are common
practice and guesswork, no source; none was changed because of a figure on folk songs.

Units: quarter notes, MIDI pitches; seconds at the song's tempo.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from phrasewright.model.boundary_features import Melody
from phrasewright.training.boundary_corpus import Song, song_of
from phrasewright.training.score_reading import Row

Rng = np.random.Generator

_METRES: tuple[tuple[float, tuple[float, ...]], ...] = (
    (0.24, (1.0, 1.0)),
    (0.20, (1.0, 1.0, 1.0)),
    (0.26, (1.0, 1.0, 1.0, 1.0)),
    (0.12, (1.5, 1.5)),
    (0.05, (0.5, 0.5, 0.5)),
    (0.05, (2.0, 2.0)),
    (0.04, (2.0, 2.0, 2.0)),
    (0.02, (1.0, 1.0, 1.0, 1.0, 1.0)),
    (0.02, (1.5, 1.5, 1.5)),
)
"""How often each metre, as the lengths of its beats."""
_FORMS = (
    "AAAA",
    "AABB",
    "ABAB",
    "AABA",
    "ABCB",
    "ABCD",
    "ABBA",
    "AABC",
    "ABAC",
    "AAB",
    "ABC",
    "AB",
    "AABBCC",
    "ABABCD",
    "ABABCDE",
    "ABABCDCD",
    "AABBAA",
    "ABCDEF",
    "AABA",
    "ABAB",
    "ABCDEFGH",
)
_SCALES = (
    (0, 2, 4, 5, 7, 9, 11),
    (0, 2, 4, 5, 7, 9, 11),
    (0, 2, 3, 5, 7, 8, 10),
    (0, 2, 3, 5, 7, 9, 10),
    (0, 2, 4, 7, 9),
    (0, 3, 5, 7, 10),
)
_ENDINGS = ("long", "two", "late", "short", "none")


@dataclass(frozen=True)
class Manner:
    """What the phrases of one song have in common."""

    beats: tuple[float, ...]
    split: float
    join: float
    dotted: float
    ending: str
    faithful: float
    rest: float
    upbeat: tuple[float, ...]
    upbeats_vary: float
    scale: tuple[int, ...]

    @property
    def bar(self) -> float:
        """Quarter notes in a bar."""
        return sum(self.beats)


def invented_song(rng: Rng, *, name: str = "") -> Song:
    """One song of one line, with its bars as written."""
    manner = _manner(rng)
    form = _FORMS[int(rng.integers(len(_FORMS)))]
    if rng.random() < 0.2:
        form *= 2
    usual = _bars_in_phrase(rng, manner)
    lengths = _lengths(rng, form, usual, manner)
    vocabulary = [_bar_rhythm(rng, manner) for _ in range(int(rng.integers(1, 5)))]
    rhythms: dict[str, list[list[float]]] = {}
    tunes: dict[str, list[int]] = {}
    one_rhythm = rng.random() < 0.45
    same_tune = float(rng.choice([0.2, 0.6, 0.9]))
    upbeats = [_upbeat(rng, manner) for _ in form] + [()]
    if sum(upbeats[0]) > 0 and rng.random() < 0.15:
        upbeats[0] = ()
    rows: list[Row] = []
    begin = manner.bar * 2 if rng.random() < 0.5 else manner.bar  # the downbeat of the first phrase
    tonic = int(rng.integers(55, 70))
    for number, label in enumerate(form):
        bars = lengths[number]
        key = "A" if one_rhythm and rng.random() < 0.9 else label
        template = rhythms.setdefault(key, [vocabulary[int(rng.integers(len(vocabulary)))] for _ in range(12)])
        inner = [bar if rng.random() < 0.85 else _bar_rhythm(rng, manner) for bar in template]
        full, part = int(bars), bars - int(bars)
        span = bars * manner.bar - sum(upbeats[number + 1])
        ending = manner.ending if rng.random() < manner.faithful else _ENDINGS[int(rng.integers(len(_ENDINGS)))]
        lengths_in = _phrase_rhythm(rng, inner, full + (part > 0), span, ending, manner)
        rest = rng.random() < manner.rest and lengths_in[-1] > 0.5
        onsets = [*(-np.cumsum(upbeats[number][::-1])[::-1]), *np.r_[0.0, np.cumsum(lengths_in[:-1])]]
        all_lengths = [*upbeats[number], *lengths_in]
        pitches = _tune(rng, len(all_lengths), manner.scale, tunes.get(label) if rng.random() < same_tune else None)
        tunes.setdefault(label, pitches)
        for i, (at, length) in enumerate(zip(onsets, all_lengths, strict=True)):
            last = i == len(all_lengths) - 1
            sounding = length * float(rng.choice([0.5, 0.67, 0.75])) if last and rest else length
            degree, octave = pitches[i] % len(manner.scale), pitches[i] // len(manner.scale)
            pitch = tonic + 12 * octave + manner.scale[degree]
            beat = begin + float(at)
            rows.append(Row(beat, sounding, int(np.clip(pitch, 30, 100)), 1 + beat / manner.bar, manner.bar, last))
        begin += bars * manner.bar
    scale = float(rng.choice([1.0, 1.0, 1.0, 0.5, 2.0]))
    rows = [replace(r, beat=r.beat * scale, length=r.length * scale, bar_beats=r.bar_beats * scale) for r in rows]
    beat_s = float(np.clip(0.5 * 2 ** rng.normal(0, 0.4), 0.25, 1.2)) / scale
    return played(rng, song_of(name or "invented", [rows], beat_s=beat_s))


def _manner(rng: Rng) -> Manner:
    weights = np.array([w for w, _ in _METRES])
    beats = _METRES[int(rng.choice(len(_METRES), p=weights / weights.sum()))][1]
    unit = min(beats)
    kind = rng.random()
    upbeat: tuple[float, ...] = ()
    if kind > 0.42:
        choices = (
            (unit,),
            (unit / 2,),
            (unit / 2, unit / 2),
            (unit, unit),
            (unit * 0.75, unit * 0.25),
            (unit / 2,),
            (unit,),
        )
        upbeat = choices[int(rng.integers(len(choices)))]
        if sum(upbeat) >= sum(beats) - 1e-6:
            upbeat = (unit / 2,)
    return Manner(
        beats=beats,
        split=float(rng.beta(1.6, 2.4)),
        join=float(rng.beta(1.3, 4.0)),
        dotted=float(rng.choice([0.0, 0.1, 0.5])),
        ending=str(rng.choice(_ENDINGS, p=[0.42, 0.2, 0.16, 0.14, 0.08])),
        faithful=float(rng.choice([0.95, 0.75, 0.5])),
        rest=float(rng.choice([0.0, 0.0, 0.3, 0.6, 0.95])),
        upbeat=upbeat,
        upbeats_vary=float(rng.choice([0.0, 0.1, 0.35])),
        scale=_SCALES[int(rng.integers(len(_SCALES)))],
    )


def _bars_in_phrase(rng: Rng, manner: Manner) -> int:
    target = 8.0 * 2 ** rng.normal(0, 0.45) * min(manner.beats)
    bars = max(round(target / manner.bar), 1)
    if bars > 2 and rng.random() < 0.8:
        bars = 2 * round(bars / 2)
    return int(np.clip(bars, 1, 8))


def _lengths(rng: Rng, form: str, usual: int, manner: Manner) -> list[float]:
    """Bars in each phrase: alike, or in the proportions of a sentence, or uneven, even within the bar."""
    kind = rng.random()
    if kind < 0.60:
        return [float(usual)] * len(form)
    if kind < 0.70 and usual >= 2:
        return [float(usual) / 2 if i % 3 < 2 else float(usual) for i in range(len(form))]
    by_label = {label: float(max(usual + int(rng.integers(-1, 2)), 1)) for label in set(form)}
    if kind < 0.88:
        return [by_label[label] for label in form]
    beat = 1.0 / len(manner.beats)
    return [max(by_label[label] + beat * int(rng.integers(-1, 2)) * (rng.random() < 0.5), 1.0) for label in form]


def _upbeat(rng: Rng, manner: Manner) -> tuple[float, ...]:
    if rng.random() < manner.upbeats_vary:
        return () if rng.random() < 0.5 else (min(manner.beats) / 2,)
    return manner.upbeat


def _bar_rhythm(rng: Rng, manner: Manner) -> list[float]:
    """Lengths that fill a bar: beats joined, left, split in two or three, or dotted."""
    beats = list(manner.beats)
    joined: list[float] = []
    while beats:
        beat = beats.pop(0)
        while beats and rng.random() < manner.join:
            beat += beats.pop(0)
        joined.append(beat)
    out: list[float] = []
    for beat in joined:
        out += _divided(rng, beat, manner)
    return out


def _divided(rng: Rng, beat: float, manner: Manner) -> list[float]:
    if beat > max(manner.beats) or rng.random() > manner.split or beat <= 0.25:
        return [beat]
    if beat in (1.5, 0.75):
        return [[beat / 3] * 3, [beat * 2 / 3, beat / 3], [beat / 2, beat / 6, beat / 3]][
            int(rng.choice(3, p=[0.5, 0.38, 0.12]))
        ]
    if rng.random() < manner.dotted:
        return [beat * 0.75, beat * 0.25]
    halves = [beat / 2, beat / 2]
    if rng.random() < 0.5 * manner.split:
        return [piece for half in halves for piece in _divided(rng, half, manner)]
    return halves


def _phrase_rhythm(
    rng: Rng, inner: list[list[float]], n_bars: int, span: float, ending: str, manner: Manner
) -> list[float]:
    """Lengths that fill `span` quarter notes, with the phrase's way of ending."""
    lengths = [length for bar in inner[:n_bars] for length in bar]
    edges = np.r_[0.0, np.cumsum(lengths)]
    edges = np.r_[edges[edges < span - 1e-6], span]
    last_bar = manner.bar * np.floor((span - 1e-6) / manner.bar)
    if ending == "long":
        edges = np.r_[edges[edges <= last_bar + 1e-6], span]
    elif ending == "two":
        second = last_bar + manner.beats[0]
        kept = edges[edges <= last_bar + 1e-6]
        edges = np.r_[kept, second, span] if span - second > 0.2 else np.r_[kept, span]
    elif ending == "late":
        edges = np.r_[edges[edges <= span - 2 * min(manner.beats) + 1e-6], span]
    elif ending == "short":
        edges = np.r_[edges[edges <= span - min(manner.beats) + 1e-6], span]
    out = np.diff(np.unique(np.round(np.r_[0.0, edges], 6)))
    if rng.random() < 0.12 and len(out) > 5:  # a held note inside
        i = int(rng.integers(1, len(out) - 2))
        out = np.r_[out[:i], out[i] + out[i + 1], out[i + 2 :]]
    return [float(x) for x in out]


def _tune(rng: Rng, n: int, scale: tuple[int, ...], known: list[int] | None) -> list[int]:
    """Scale steps of a phrase: an arch or a fall by steps and small leaps, towards a note of rest."""
    size = len(scale)
    if known is not None and len(known) == n:
        tune = list(known)
        if rng.random() < 0.4:
            tune[-2:] = _tune(rng, 2, scale, None)
        return tune
    goals = (0, 0, 0, 4, 1, 2, 6) if size == 7 else (0, 0, 3, 2, 1)
    end = int(rng.choice(goals)) + (size if rng.random() < 0.15 else 0)
    at = int(rng.choice([0, 2, 4, 4, size, 1, -1, size + 2]))
    top = rng.uniform(2, 9)
    tune = [at]
    for i in range(1, n):
        share = i / max(n - 1, 1)
        goal = at + (end - at) * share + (top - max(at, end)) * np.sin(np.pi * share) * 0.5
        pull = 0.35 * np.sign(goal - tune[-1]) * (rng.random() < 0.6)
        step = int(rng.choice([-4, -3, -2, -1, 0, 1, 2, 3, 4], p=[0.02, 0.03, 0.1, 0.26, 0.2, 0.25, 0.09, 0.03, 0.02]))
        tune.append(int(np.clip(tune[-1] + step + (round(pull * 2) if step == 0 else 0), -4, size + 6)))
    if n > 2:
        tune[-1] = end
        for i in range(2, min(4, n - 1)):
            near = tune[-i + 1] + int(rng.choice([-1, 1, 0, 1, -1, 2]))
            if abs(tune[-i] - tune[-i + 1]) > 2:
                tune[-i] = near
    return tune


def played(rng: Rng, song: Song) -> Song:
    """The song as it may reach a tool: in time, played in with scatter, in free tempo, or against wrong bars."""
    line, begins = song.lines[0], song.begins[0]
    kind = rng.random()
    onset_s, beat, bar = line.onset_s.copy(), line.onset_beat.copy(), line.bar.copy()
    length_s = line.release_s - onset_s
    if kind < 0.25:
        spread_s = min(0.04, 0.2 * float(np.diff(onset_s).min()))
        move_s = np.clip(rng.normal(0, spread_s, len(onset_s)), -2 * spread_s, 2 * spread_s)
        beat += move_s / (onset_s[1] - onset_s[0]) * (beat[1] - beat[0])
        bar += move_s / (onset_s[1] - onset_s[0]) * (bar[1] - bar[0])
        onset_s += move_s
        length_s += rng.normal(0, spread_s / 2, len(onset_s))
    elif kind < 0.40:
        gaps = np.diff(onset_s) * np.exp(rng.normal(0, 0.08, len(onset_s) - 1))
        wave = 1 + 0.15 * np.sin(np.cumsum(gaps) / rng.uniform(2, 6) + rng.uniform(0, 6))
        slow = np.where(begins[1:], rng.uniform(1.0, 1.6), 1.0)
        scaled = gaps * wave * slow
        length_s[:-1] *= scaled / np.diff(onset_s)
        onset_s = onset_s[0] + np.r_[0.0, np.cumsum(scaled)]
        beat = onset_s / 0.5
        bar = 1 + beat / 4.0 if rng.random() < 0.5 else np.full(len(bar), np.nan)
    bar_beats = line.bar_beats.copy()
    if 0.40 <= kind < 0.50:
        shift = float(rng.choice([0.25, 0.5, 1 / 3, 2 / 3, 0.75]))
        bar = bar + shift
    elif 0.50 <= kind < 0.55:
        bar_beats = np.full(len(bar), float(rng.choice([4.0, 3.0])))
        bar = 1 + beat / bar_beats
    bar_beats = np.where(np.isfinite(bar), bar_beats, np.nan)
    touch = float(rng.choice([1.0, 1.0, 1.0, 0.95, 0.85, 0.45]))  # connected to detached
    release_s = np.minimum(onset_s + np.maximum(length_s * touch, 0.03), np.r_[onset_s[1:], np.inf])
    moved = Melody(onset_s, release_s, line.pitch, beat, bar, bar_beats)
    return replace(song, lines=(moved,))


def invented_songs(n: int, *, seed: int) -> list[Song]:
    """`n` invented songs; one seed gives the same songs always."""
    return [invented_song(np.random.default_rng([seed, i]), name=f"invented {seed}/{i}") for i in range(n)]
