"""Styles as the user handles them: opened by name or file, listed, shown, taken back, carried to another machine."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from phrasewright.data.copies import offer, restore
from phrasewright.data.corrections import StyleVersion, check_style_name
from phrasewright.data.cue import FAMILIES
from phrasewright.data.curves import ALL_LANES, LANES
from phrasewright.data.errors import DamagedStoreError, InputError, UsageError
from phrasewright.data.files import check_output, read_file, write_whole
from phrasewright.data.printing import one_line
from phrasewright.data.store import FILE_NAME, Store, store_folder
from phrasewright.model.hearing import ROLES
from phrasewright.model.personal import Style
from phrasewright.model.style_files import MAX_BYTES, is_current, style_bytes, style_from

CHANGES = ("level_cc", "depth", "joins", "repeats", "lag_ms")
"""What may be told of a lane: level in steps, depths as ratios to the shipped curve, lag in milliseconds."""


def open_style(name: str) -> Style | None:
    """The style a user names: a file that was exported, else one in the store; None where it predicts as shipped.

    Raises
    ------
    InputError
        There is no such style, or the file is none.
    """
    if is_file_name(name):
        return style_from(file_bytes(Path(name)), source=name)
    with Store() as store:
        return loaded(store, name)


def is_file_name(name: str) -> bool:
    """Whether a user means a file: whatever cannot be a style's name."""
    try:
        check_style_name(name)
    except UsageError:
        return True
    return False


def loaded(store: Store, name: str) -> Style | None:
    """The version of a style in use, None where it predicts as shipped. Raises InputError for an unknown style."""
    head = store.head(name)
    if head is None or not head.has_payload:
        return None
    content = store.version_payload(name, head.version)
    return style_from(content, source=f"style {name} version {head.version}", version=head.version)


def is_outdated(name: str) -> bool:
    """Whether a style in the store was learned with other columns or another network than this version's."""
    if is_file_name(name):
        return False
    with Store() as store:
        head = store.head(name)
        return head is not None and head.has_payload and not is_current(store.version_payload(name, head.version))


def file_bytes(path: Path) -> bytes:
    """A style file's bytes. Raises InputError where it cannot be read or is larger than any style."""
    return read_file(path, most_bytes=MAX_BYTES, what="style")


def export_style(store: Store, name: str, path: Path, *, force: bool) -> None:
    """Write the version in use to a file.

    Raises
    ------
    InputError
        The style is unknown or predicts as shipped.
    OutputError
        The file is there already without `force`, or cannot be written.
    """
    head = store.head(name)
    if head is None or not head.has_payload:
        raise InputError(f"style {name} predicts as shipped: there is nothing to export")
    check_output(path, inputs=[], force=force)
    write_whole(path, store.version_payload(name, head.version), force=force)


def import_style(store: Store, path: Path, *, name: str | None = None) -> StyleVersion:
    """Take a style from a file into the store, checked wholly before anything is stored.

    Raises
    ------
    InputError
        The file is no style, or the store has one of its name.
    """
    content = file_bytes(path)
    style = style_from(content, source=str(path))
    wanted = style.name if name is None else name
    if wanted in store.styles():
        raise InputError(f"{path}: there is a style called {wanted} already; choose another name with --name")
    if wanted != style.name:  # it is called so wherever it goes from here
        content = style_bytes(replace(style, name=check_style_name(wanted)))
    why = f"imported from {one_line(path.name)}"
    return store.add_version(wanted, payload=content, corrections=[], used=True, why=why, head=None)


def check_store() -> list[str]:
    """Faults of the store in words, the last one what to do about them; none if it is sound."""
    with Store() as store:
        faults = store.check()
        return [*faults, f"{store.path}: the store is damaged; {offer(store.path)}"] if faults else []


def restore_store() -> str:
    """Put the copy of the last learning in the place of a damaged store, and tell what was done.

    Raises
    ------
    StoreError
        There is no copy, it is damaged too (DamagedStoreError), or the folder cannot be written.
    """
    with suppress(DamagedStoreError):
        if not check_store():
            return "the store is sound; nothing was put back"
    told = restore(Path(os.path.realpath(store_folder() / FILE_NAME)))
    faults = check_store()
    if faults:
        raise DamagedStoreError(f"the copy is damaged too ({faults[0]}); move the store's files away, and learn again")
    return told


def list_styles(store: Store) -> list[dict[str, Any]]:
    """All styles: name, version in use (null where it predicts as shipped), how many versions, passages, music."""
    told = []
    for name in store.styles():
        style = loaded(store, name)
        about = style.about if style is not None else {}
        told.append(
            {
                "style": name,
                "version": style.version if style is not None else None,
                "n_versions": len(store.versions(name)),
                "passages": int(about.get("passages", 0)),
                "music_s": float(about.get("music_s", 0.0)),
            }
        )
    return told


def show_style(store: Store, name: str) -> dict[str, Any]:
    """What a style stands on: its versions; of the one in use cues, and seconds of music by family, role and lane."""
    style, head = loaded(store, name), store.head(name)
    own = set(head.corrections) if head is not None else set()
    cues = [cue for _, print_, cue, _ in store.cues(name) if not own <= set(store.active_ids(name, without=print_))]
    kinds = []
    lanes = {}
    if style is not None:
        for f, family in enumerate(FAMILIES):
            for r, role in enumerate(ROLES):
                seconds = {lane: round(float(style.evidence_s[k, f, r]), 1) for k, lane in enumerate(LANES)}
                seconds |= {lane: round(float(own.evidence_s[f, r]), 1) for lane, own in style.colours.items()}
                if any(seconds.values()):
                    kinds.append({"family": family, "role": role, "music_s": seconds})
        for lane, model in style.learned.items():
            low, high = style.ranges_cc()[lane]
            lanes[lane] = {
                "low_cc": low, "high_cc": high, "error_cc": round(float(model.error_cc[0]), 2),
                "shipped_error_cc": round(float(model.error_cc[1]), 2),
            }  # fmt: skip
    return {
        "style": name,
        "version": head.version if head is not None else None,
        "versions": [
            {"version": v.version, "created": v.created, "used": v.used, "why": v.why} for v in store.versions(name)
        ],
        "cues": list(dict.fromkeys(cues)),
        "passages": int(style.about.get("passages", 0)) if style is not None else 0,
        "music_s": float(style.about.get("music_s", 0.0)) if style is not None else 0.0,
        "words": _words(style),
        "changes": _changes(style),
        "kinds": kinds,
        "lanes": lanes,
    }


def _changes(style: Style | None) -> dict[str, dict[str, list[float]]]:
    """What each lane does otherwise, [value, low, high] by habit; of a stranger's file only what makes sense."""
    told = style.about.get("changes", {}) if style is not None else {}
    found: dict[str, dict[str, list[float]]] = {}
    for lane in ALL_LANES:
        rows = told.get(lane, {}) if isinstance(told, dict) else {}
        for name, row in rows.items() if isinstance(rows, dict) else ():
            known = name in CHANGES and isinstance(row, list) and len(row) == 3
            if known and all(type(v) in (int, float) and abs(v) < 1e4 for v in row):
                found.setdefault(lane, {})[name] = [float(v) for v in row]
    return found


def _words(style: Style | None) -> list[str]:
    """What was learned, in words; of a stranger's file only short printable lines."""
    words = style.about.get("words", []) if style is not None else []
    if not isinstance(words, list):
        return []
    return [word[:120] for word in words[:40] if isinstance(word, str) and word.isprintable()]


def list_text(styles: list[dict[str, Any]]) -> str:
    """The list for people."""
    if not styles:
        return "no styles yet; `phrasewright learn NAME CORRECTED.mid` makes one"
    lines = []
    for s in styles:
        state = f"version {s['version']}" if s["version"] is not None else "predicts as shipped"
        lines.append(f"{s['style']}: {state}, {s['passages']} passages, {s['music_s']:.0f} s of music")
    return "\n".join(lines)


def show_text(told: dict[str, Any]) -> str:
    """What a style stands on, for people."""
    state = f"version {told['version']}" if told["version"] is not None else "predicts as shipped"
    lines = [f"{told['style']}: {state}, {told['passages']} passages, {told['music_s']:.0f} s of music"]
    lines += [f"  learned from {', '.join(told['cues'])}"] if told["cues"] else []
    lines += [f"  {word}" for word in told["words"]]
    for lane, m in told["lanes"].items():
        lines.append(
            f"  {lane}: moves between {m['low_cc']} and {m['high_cc']}; 68 of 100 moments lie within "
            f"{m['error_cc']:.1f} steps of the hand ({'shipped' if lane in LANES else 'rules'}: "
            f"{m['shipped_error_cc']:.1f})"
        )
    for kind in told["kinds"]:
        most = max(kind["music_s"].values())
        lines.append(f"  {kind['family']}, {kind['role']}: {most:.0f} s of music")
    for v in told["versions"]:
        state = "; in use" if v["version"] == told["version"] else "" if v["used"] else "; not used"
        lines.append(f"  version {v['version']} ({v['created']}): {v['why']}{state}")
    return "\n".join(lines)
