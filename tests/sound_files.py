"""One sound file of each kind, small and quick to read, for those who damage files; made once a process."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from shaped_cues import orchestra

from phrasewright.data.cue import Cue
from phrasewright.data.reading import read_cue
from phrasewright.model.hearing import CueHearing
from phrasewright.model.listening import hear

_MADE = Path(tempfile.gettempdir())


@lru_cache
def sound_cue() -> Cue:
    return read_cue(orchestra(_MADE / "sound.mid", division=96))


@lru_cache
def sound_hearing() -> CueHearing:
    """The same heard, on instruments that have a bow lane too."""
    cue = sound_cue()
    return hear(replace(cue, parts=tuple(replace(p, lane_cc={**p.lane_cc, "bow": 20}) for p in cue.parts)))


@lru_cache
def sound_style() -> bytes:
    """A small style with trees of a few nodes in two lanes, and in the bow's."""
    from phrasewright.data.cue import FAMILIES
    from phrasewright.data.curves import LANES
    from phrasewright.model.departures import N_STYLE, FittedRules
    from phrasewright.model.evidence import head_prior
    from phrasewright.model.hearing import ROLES
    from phrasewright.model.personal import FORESTS, N_COLUMNS, VOICES, ColourModel, LaneModel, Style
    from phrasewright.model.personal_features import N_BASIS, RAW
    from phrasewright.model.style_files import style_bytes
    from phrasewright.model.trees import Trees

    rng = np.random.default_rng(1)
    own = np.arange(6, dtype=np.int32)
    left, right = own.copy(), own.copy()
    left[[0, 3]], right[[0, 3]] = (1, 4), (2, 5)
    trees = Trees(
        n_features=len(RAW), base=np.array([1.0]), roots=np.array([0, 3], dtype=np.int32),
        feature=np.zeros(6, dtype=np.int16), threshold=rng.normal(size=6), left=left, right=right,
        missing=np.zeros(6, dtype=np.uint8), value=rng.normal(size=6),
    )  # fmt: skip
    stack = np.full(len(VOICES), 1.0 / len(VOICES))
    model = LaneModel(
        coefficients=rng.normal(size=N_BASIS + 1).astype(np.float32), level=np.array([1.0, 2.0]),
        head=rng.normal(size=len(head_prior().mean)), stack=stack, range_cc=np.array([20.0, 110.0]),
        error_cc=np.array([3.0, 6.0]), **dict.fromkeys(FORESTS, trees),
    )  # fmt: skip
    rules = FittedRules(np.zeros(N_STYLE, dtype=np.float32), np.array([1.0, -2.0, 0.0]))
    evidence = np.full((len(LANES), len(FAMILIES), len(ROLES)), 5.0)
    about = {"passages": 12, "music_s": 80.0, "words": ["louder towards the end"]}
    bow = ColourModel(replace(trees, n_features=N_COLUMNS), model.range_cc, model.error_cc, evidence[0])
    lanes = {"dynamics": model, "expression": model}
    return style_bytes(Style("hand", lanes, evidence, about, rules, colours={"bow": bow}))


@lru_cache
def sound_weights() -> bytes:
    from phrasewright.model.network import NetworkConfig
    from phrasewright.training.networks import Network, save_weights

    path = _MADE / "sound.safetensors"
    save_weights(Network(NetworkConfig(width=4, hidden=4)), path)
    return path.read_bytes()


@lru_cache
def sound_record() -> bytes:
    from stored_cues import record

    from phrasewright.data.packing import pack
    from phrasewright.data.schema import record_arrays

    return pack(record_arrays(record()))


@lru_cache
def sound_store() -> bytes:
    from stored_cues import learn, record

    from phrasewright.data.store import FILE_NAME, Store

    folder = Path(tempfile.mkdtemp(dir=_MADE))
    with Store(folder) as store:
        for seed in range(4):
            store.record_shaped(record(seed, hash_=str(seed)))
        for _ in range(3):
            learn(store, "hand", payload=sound_style())
    return (folder / FILE_NAME).read_bytes()
