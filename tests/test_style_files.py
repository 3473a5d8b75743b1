"""Style files: what other versions learned is told apart, and rules from strangers stay within reason."""

from __future__ import annotations

import json

import numpy as np
import pytest
from safetensors.numpy import load, save

from phrasewright.data.corrections import check_style_name
from phrasewright.data.cue import FAMILIES
from phrasewright.data.curves import LANES
from phrasewright.data.errors import InputError
from phrasewright.model.departures import N_STYLE, FittedRules
from phrasewright.model.hearing import ROLES
from phrasewright.model.personal import Style
from phrasewright.model.style_files import OtherVersionError, is_current, style_bytes, style_from


def made(name: str = "hand") -> bytes:
    """A style that knows no lane yet, but rules."""
    rules = FittedRules(np.linspace(-1, 1, N_STYLE).astype(np.float32), np.array([3.0, -2.0, 0.5]))
    evidence = np.zeros((len(LANES), len(FAMILIES), len(ROLES)))
    return style_bytes(Style(check_style_name(name), {}, evidence, {"passages": 1, "music_s": 2.0}, rules))


def changed(content: bytes, **settings: object) -> bytes:
    size = int.from_bytes(content[:8], "little")
    told = json.loads(json.loads(content[8 : 8 + size])["__metadata__"]["style"])
    return save(load(content), metadata={"style": json.dumps({**told, **settings})})


def test_fitted_rules_travel_with_the_style() -> None:
    style = style_from(made(), source="hand")
    assert style.rules.style.tolist() == np.linspace(-1, 1, N_STYLE).astype(np.float32).tolist()
    assert style.rules.offset_cc.tolist() == [3.0, -2.0, 0.5]


@pytest.mark.parametrize("of", ["format", "features", "network"])
def test_a_style_of_another_version_is_told_apart_from_a_damaged_one(of: str) -> None:
    other = changed(made(), **{of: 99})
    assert not is_current(other)
    with pytest.raises(OtherVersionError, match="another version"):
        style_from(other, source="hand")
    assert is_current(made())
    assert is_current(b"no style at all")  # whoever opens it tells the fault


@pytest.mark.parametrize(
    "rules",
    [None, {}, {"style": [0.0] * N_STYLE}, {"style": [9.0] * N_STYLE, "offset_cc": [0, 0, 0]},
     {"style": [0.0] * N_STYLE, "offset_cc": [0, 0, float("nan")]}, {"style": ["x"] * N_STYLE, "offset_cc": [0, 0, 0]}],
)  # fmt: skip
def test_rules_that_are_none_are_refused(rules: object) -> None:
    with pytest.raises(InputError, match="no style that can be used"):
        style_from(changed(made(), rules=rules), source="hand")
