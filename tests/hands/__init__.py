"""Ten hands kept apart: people who draw dynamics, expression and vibrato by formulas of their own.

They share nothing with the project's rules, with the prior its network is trained on, or with each other, and look
only at notes. Four are for choices (`VALIDATION`: look as often as you like), six for the final figures (`TEST`: look
once; each look appends a line to `runs.csv` here: commit, date, command, figures). Nothing is trained on any of them.

`COLOURS` draw bow and attack instead, (n_frames, 2); they are for choices too.

Treat melody and accompaniment differently, each by an idea of melody of its own: `terraces`, `to_the_longest`,
`listener`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from hands import (
    bite,
    bower,
    breather,
    colours,
    contour_lag,
    late_peaks,
    listener,
    long_breath,
    terraces,
    to_the_longest,
    weights,
)
from hands.fader import Array

Draw = Callable[..., Array]
"""`draw(hearing, index, *, seed=0, noise=True)`: (n_frames, 3) on the 10 ms grid, in steps."""

VALIDATION: Mapping[str, Draw] = {
    "breather": breather.draw,
    "terraces": terraces.draw,
    "contour_lag": contour_lag.draw,
    "late_peaks": late_peaks.draw,
}
TEST: Mapping[str, Draw] = {
    "bite": bite.draw,
    "long_breath": long_breath.draw,
    "weights": weights.draw,
    "to_the_longest": to_the_longest.draw,
    "bower": bower.draw,
    "listener": listener.draw,
}
COLOURS: Mapping[str, Draw] = {"peaks": colours.peaks, "beats": colours.beats}
