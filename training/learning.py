"""Learn a hand from corrected cues: corrections to the log, a style fitted to all of them, a guard, a new version.

The guard: phrases of the newly corrected cues are held back in turn; a version that does worse on them than the one
before, beyond the 95 % interval over phrases, is recorded and not used. With fewer than twelve phrases one phrase is
left out at a time; under two there is nothing to hold back. After the decision the style stands on everything.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.corrections import CorrectionSet, LoggedCorrection, StyleVersion, check_style_name
from phrasewright.data.curves import ALL_LANES, LANES
from phrasewright.data.errors import InputError, StyleMovedError, UsageError
from phrasewright.data.printing import one_line
from phrasewright.data.profiles import read_profile
from phrasewright.data.reading import read_cue
from phrasewright.data.store import Store
from phrasewright.model.departures import FittedRules
from phrasewright.model.hearing import CueHearing
from phrasewright.model.intervals import interval_of, resamples
from phrasewright.model.lanes import FRAME_S, DenseLanes
from phrasewright.model.listening import hear
from phrasewright.model.personal import Style, colour_departures_cc, style_lanes
from phrasewright.model.prediction import choose_predictor
from phrasewright.model.style_files import OtherVersionError, style_bytes, style_from
from phrasewright.training.corrections import corrections_of
from phrasewright.training.decomposition import changes_of, words_of
from phrasewright.training.first_passes import heard_again
from phrasewright.training.personal_examples import examples_of, lift_cc
from phrasewright.training.personal_fitting import Examples, Fitted, fit_style, fold_of
from phrasewright.training.rules_fitting import DrawnPart, fit_rules

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

FEW_PHRASES = 12
_TRIES = 5
_DRAWS = 2000


@dataclass(frozen=True)
class HeldBack:
    """What was foretold of newly corrected phrases of a part (from 1) while they were held back.

    `time_s` has shape (n_frames,), `hand_cc`, `before_cc` (the version before, or the shipped curve) and `after_cc`
    (n_frames, len(ALL_LANES)); NaN where a lane was not corrected or not held back.
    """

    hearing: CueHearing
    part: int
    time_s: Array
    hand_cc: Array
    before_cc: Array
    after_cc: Array


@dataclass(frozen=True)
class _Known:
    """Hearings by cue id, and lanes already predicted by (cue id, part)."""

    store: Store
    hearings: dict[int, CueHearing]
    lanes: dict[tuple[int, int], DenseLanes]

    def shipped(self, hearing: CueHearing, index: int) -> DenseLanes:
        """What the shipped model says of a part, computed once."""
        key = (id(hearing), index)
        if key not in self.lanes:
            self.lanes[key] = choose_predictor(False)[0](hearing, index)
        return self.lanes[key]

    def hearing(self, cue_id: int) -> CueHearing:
        if cue_id not in self.hearings:
            self.hearings[cue_id] = heard_again(self.store.cue(cue_id))
        return self.hearings[cue_id]


def learn(
    style: str,
    corrected: Sequence[Path],
    *,
    shaped: Path | None = None,
    approved: bool = False,
    profile: Path | None = None,
    store: Store | None = None,
    done: Callable[[], object] = lambda: None,
    show: Callable[[Sequence[HeldBack]], object] = lambda _: None,
) -> dict[str, Any]:
    """Learn a style from corrected files, record it as a new version, and say what came of it.

    Parameters
    ----------
    style : str
        New or known.
    corrected : sequence of Path
        Files as they came back from the sequencer.
    shaped : Path, optional
        The first pass of the (single) corrected file, instead of the store's record.
    approved : bool
        Every untouched phrase counts as agreed.
    store : Store, optional
        Without it the user's own.
    show : function, optional
        Gets what was foretold of the phrases held back, for a page to look at.

    Raises
    ------
    InputError
        A file cannot be used, or the style was imported and holds no corrections to go on from.
    UsageError
        A first pass is named for several corrected files.
    StoreError
        The store cannot be used; StyleMovedError where other processes kept learning the same style meanwhile.
    """
    check_style_name(style)
    if store is None:
        with Store() as own:
            return learn(
                style, corrected, shaped=shaped, approved=approved, profile=profile, store=own, done=done, show=show
            )
    if shaped is not None and len(corrected) != 1:
        raise UsageError(f"--shaped names the first pass of one file, but {len(corrected)} are given; learn one by one")
    table = read_profile(profile) if profile else None
    text = table.text if table is not None else ""
    head = _head(store, style)
    if head is not None and head.has_payload and not head.corrections:
        raise InputError(f"style {style} was imported and holds no corrections to go on from; learn under another name")
    first = read_cue(shaped, profile=table) if shaped else None
    found: list[tuple[CorrectionSet, CueHearing]] = []
    for path in corrected:
        cue = read_cue(path, profile=table)
        heard = hear(cue)
        found.append(
            (corrections_of(cue, store=store, shaped=first, approved=approved, profile=text, hearing=heard), heard)
        )
        done()
    told = [line for one, _ in found for line in one.unmatched]
    told += [_trim_told(trim.part_name, trim.lane, trim.offset_cc) for one, _ in found for trim in one.trims]
    music_s = sum(one.music_s for one, _ in found)
    passages = sum(len({(c.part, c.phrase) for c in one.corrections}) for one, _ in found)
    if not passages:
        why = "found no correction: every lane is as a first pass left it, or no lane is drawn"
        return _result(style, head.version if head else None, 0, 0.0, None, used=False, why=why, told=told)
    ids = [id_ for one, _ in found if one.corrections for id_ in store.append(style, one)]
    known = _Known(store, {}, {})
    for _ in range(_TRIES):
        try:
            version, held_out, held_back = _add(store, style, ids, known)
            break
        except StyleMovedError:
            continue
    else:
        raise StyleMovedError(f"style {style} is being learned by other processes all the time; try again later")
    show(held_back)
    return _result(style, version.version, passages, music_s, held_out, used=version.used, why=version.why, told=told)


def forget(style: str, cue: str, *, store: Store) -> StyleVersion:
    """A version that stands on all corrections but those of one cue, named by its file or its fingerprint.

    Raises
    ------
    InputError
        The style is unknown or holds no such cue.
    """
    store.head(style)
    rows = store.cues(style)
    asked = {cue, one_line(cue), one_line(Path(cue).name)}
    found = {print_: name for _, print_, name, _ in rows if asked & {name, Path(name).stem, print_}}
    if not found:
        there = ", ".join(dict.fromkeys(name for _, _, name, _ in rows)) or "none"
        raise InputError(f"style {style} was learned from no cue called {cue!r}; there are: {there}")
    before = set(store.active_ids(style))
    ids = before.intersection(*(store.active_ids(style, without=print_) for print_ in found))
    if ids == before:
        told = f"`phrasewright style show {style}` tells what is in use"
        raise InputError(f"{cue}: is forgotten already, or what it taught was undone or not used; {told}")
    head = store.head(style)
    payload = None
    if ids:
        fit = _fitted(style, store.corrections(style, sorted(ids)), _Known(store, {}, {}), newest=set())
        payload = style_bytes(fit.fitted.style)
    why = f"without {', '.join(dict.fromkeys(found.values()))}"
    return store.add_version(
        style, payload=payload, corrections=sorted(ids), used=True, why=why,
        head=head.version if head else None,
    )  # fmt: skip


def load_style(store: Store, name: str) -> Style | None:
    """The version of a style in use, None where it predicts as shipped.

    One that was learned with other columns or another network is first fitted anew from the log, and kept so.

    Raises
    ------
    InputError
        The style is unknown, or was imported from another version and has no corrections to be fitted to.
    """
    head = store.head(name)
    if head is None or not head.has_payload:
        return None
    source = f"style {name} version {head.version}"
    try:
        return style_from(store.version_payload(name, head.version), source=source, version=head.version)
    except OtherVersionError:
        if not head.corrections:
            raise
        store.renew_payload(name, head.version, rebuilt(store, name, head.version))
        return style_from(store.version_payload(name, head.version), source=source, version=head.version)


def rebuilt(store: Store, name: str, version: int) -> bytes:
    """A version fitted anew from the log."""
    ids = store.version(name, version).corrections
    return style_bytes(_fitted(name, store.corrections(name, ids), _Known(store, {}, {}), newest=set()).fitted.style)


def _head(store: Store, style: str) -> StyleVersion | None:
    return store.head(style) if style in store.styles() else None


@dataclass(frozen=True)
class _Fit:
    """A style fitted to corrections, and what it was fitted to.

    `names` gives each phrase number's (cue id, part from 1, phrase), `fresh` the numbers of phrases newly corrected,
    `folds` what each frame was held back with, `rules` the rules fitted without each fold.
    """

    fitted: Fitted
    examples: Examples
    names: Mapping[int, tuple[int, int, int]]
    fresh: Ints
    folds: Ints
    rules: Mapping[int, FittedRules]


def _fitted(style: str, logged: Sequence[LoggedCorrection], known: _Known, *, newest: set[int]) -> _Fit:
    """Fit a style; phrases are held back in turn, few of them one at a time, `newest` are the new corrections' ids."""
    hearings = {one.cue_id: known.hearing(one.cue_id) for one in logged}
    examples, names = examples_of(logged, hearings, shipped=known.shipped)
    new = {(one.cue_id, one.correction.part, one.correction.phrase) for one in logged if one.id in newest}
    fresh = np.array([number for number, place in names.items() if place in new], dtype=np.int64)
    folds = fold_of(examples.phrase)
    if 2 <= len(fresh) < FEW_PHRASES and len(fresh) == len(names):
        folds = np.searchsorted(np.unique(examples.phrase), examples.phrase).astype(np.int64)
    passages = len(names)
    music_s = float(examples.weight_s.max(axis=1).sum())
    cues = sorted({one.fingerprint[:12] for one in logged})
    changes = changes_of(logged, hearings, shipped=known.shipped)
    about = {
        "passages": passages, "music_s": round(music_s, 1), "cues": cues, "words": words_of(changes),
        "changes": changes,
    }  # fmt: skip
    rules, apart = fit_rules(_drawn_parts(examples, names, hearings, folds))
    fitted = fit_style(examples, name=style, about=about, folds=folds, rules=rules)
    return _Fit(fitted, examples, names, fresh, folds, apart)


def _drawn_parts(
    e: Examples, names: Mapping[int, tuple[int, int, int]], hearings: Mapping[int, CueHearing], folds: Ints
) -> list[DrawnPart]:
    """The examples part by part."""
    place = {p: k for k, p in enumerate(dict.fromkeys(name[:2] for name in names.values()))}
    of_phrase = np.zeros(max(names) + 1, dtype=np.int64)
    for number, name in names.items():
        of_phrase[number] = place[name[:2]]
    mine, n = of_phrase[e.phrase], len(LANES)
    return [
        DrawnPart(hearings[cue], part - 1, e.frame[m], e.target_cc[m, :n], e.weight_s[m, :n], folds[m])
        for (cue, part), k in place.items()
        if np.any(m := mine == k)
    ]


def _add(
    store: Store, style: str, own: Sequence[int], known: _Known
) -> tuple[StyleVersion, dict[str, Any] | None, list[HeldBack]]:
    """Fit to the log, judge, and add a version."""
    head = store.head(style)
    ids = sorted({*store.active_ids(style), *own})
    logged = store.corrections(style, ids)
    fit = _fitted(style, logged, known, newest=set(own))
    before = load_style(store, style)
    held_out: dict[str, Any] | None = None
    held_back: list[HeldBack] = []
    used, why = True, f"learned from {len(fit.names)} passages"
    if len(fit.names) < 2:
        why = "one passage leaves nothing to hold back: used, weighed against the shipped default"
    elif len(fit.fresh):
        held_out, held_back = _held_out(fit, before, known)
        low, high = held_out["interval"]
        if low > 0.0:
            used, why = False, f"worse than before on held-back phrases by {low:.1f} to {high:.1f} steps"
        elif held_out["after"] < held_out["before"]:
            why += f"; {held_out['before'] - held_out['after']:.1f} steps nearer to the hand on held-back phrases"
    added = store.add_version(
        style, payload=style_bytes(fit.fitted.style), corrections=ids, used=used, why=why,
        head=head.version if head else None,
    )  # fmt: skip
    return added, held_out, held_back


def _held_out(fit: _Fit, before: Style | None, known: _Known) -> tuple[dict[str, Any], list[HeldBack]]:
    """Errors on newly corrected phrases when they were held back, with the interval of their change by phrase; and
    what was foretold of them."""
    e, names, fresh = fit.examples, fit.names, fit.fresh
    earlier, rules, n = np.array(e.shipped_cc), np.array(e.shipped_cc), len(LANES)
    new = np.isin(e.phrase, fresh)
    foretold: list[tuple[CueHearing, int, Ints, Array]] = []
    for cue_id, number in sorted({names[p][:2] for p in fresh.tolist()}):
        mine = [p for p in fresh.tolist() if names[p][:2] == (cue_id, number)]
        hearing, rows = known.hearing(cue_id), np.flatnonzero(np.isin(e.phrase, mine))
        at = e.frame[rows]
        lift = lift_cc(hearing, number - 1, at)
        for fold, own in fit.rules.items():
            held = fit.folds[rows] == fold
            rules[rows[held], :n] = own.lanes(hearing, number - 1).value_cc[at[held]]
        if before is not None:
            own_cc = style_lanes(hearing, number - 1, before, shipped=known.shipped).value_cc
            earlier[rows, :n] = own_cc[at] - lift[:, :n]
            there, first = np.unique(at, return_index=True)
            dynamics_cc = np.interp(np.arange(len(own_cc)), there, e.dynamics_cc[rows[first]])
            for lane, moved_cc in colour_departures_cc(hearing, number - 1, before, dynamics_cc).items():
                earlier[rows, ALL_LANES.index(lane)] += moved_cc[at]
        foretold.append((hearing, number, rows, lift))
    weight = e.weight_s * np.isfinite(fit.fitted.held_out_cc) * new[:, None]
    off = {
        "before": np.abs(earlier - e.target_cc),
        "after": np.abs(np.nan_to_num(fit.fitted.held_out_cc) - e.target_cc),
        "rules": np.abs(rules - e.target_cc),
    }
    index = np.searchsorted(fresh, np.where(new, e.phrase, fresh[0]))
    mass = np.bincount(index, weight.sum(axis=1), minlength=len(fresh))
    sums = {way: np.bincount(index, (weight * rows).sum(axis=1), minlength=len(fresh)) for way, rows in off.items()}
    change = sums["after"] - sums["before"]
    draws = resamples(len(fresh), n_draws=_DRAWS)
    means = change[draws].sum(axis=1) / np.maximum(mass[draws].sum(axis=1), 1e-9)
    total = max(float(mass.sum()), 1e-9)
    told = {
        "n_phrases": len(fresh),
        **{way: round(float(one.sum()) / total, 3) for way, one in sums.items()},
        "interval": [round(end, 3) for end in interval_of(means)],
    }
    known_cc = np.where(weight > 0, 0.0, np.nan)
    return told, [
        HeldBack(
            hearing, number, np.asarray(e.frame[rows] * FRAME_S, dtype=np.float64),
            *(rows_cc[rows] + lift + known_cc[rows] for rows_cc in (e.target_cc, earlier, fit.fitted.held_out_cc)),
        )
        for hearing, number, rows, lift in foretold
    ]  # fmt: skip


def _trim_told(part: str, lane: str, offset_cc: float) -> str:
    way = "up" if offset_cc > 0 else "down"
    return f"{part}: {lane} moved {way} by {abs(offset_cc):.0f} steps; kept as a trim of this cue, not as style"


def _result(
    style: str, version: int | None, passages: int, music_s: float, held_out: dict[str, Any] | None, *, used: bool,
    why: str, told: Sequence[str],
) -> dict[str, Any]:
    return {
        "style": style, "version": version, "passages": passages, "music_s": round(music_s, 3), "held_out": held_out,
        "used": used, "why": why, "remarks": list(told),
    }  # fmt: skip


def learn_text(result: Mapping[str, Any]) -> str:
    """The result for people."""
    lines = [f"{result['style']}: {result['passages']} passages, {result['music_s']:.0f} s of music"]
    if result["version"] is not None:
        lines[0] += f", version {result['version']}" + ("" if result["used"] else ", not used")
    lines.append(f"  {result['why']}")
    if result["held_out"] is not None:
        h = result["held_out"]
        lines.append(
            f"  on {h['n_phrases']} phrases held back: {h['before']:.1f} steps from the hand before, {h['after']:.1f}"
            f" now (rules {h['rules']:.1f}; change {h['interval'][0]:+.1f} to {h['interval'][1]:+.1f})"
        )
    return "\n".join([*lines, *(f"  {line}" for line in result["remarks"])])
