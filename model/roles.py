"""The role of each phrase against what sounds with it: melody, counter, chords, bass or pedal."""

from __future__ import annotations

import numpy as np

from phrasewright.model.hearing import ROLES, Attacks, Phrase


def roles_of(parts: list[tuple[Attacks, tuple[Phrase, ...]]]) -> list[list[tuple[int, str]]]:
    """Index into ROLES and the reason, for each phrase of each part."""
    rows = [(i, j, p.start_s, p.end_s) for i, (_, phrases) in enumerate(parts) for j, p in enumerate(phrases)]
    answer: list[list[tuple[int, str]]] = [[(0, "")] * len(phrases) for _, phrases in parts]
    if not rows:
        return answer
    start = np.array([r[2] for r in rows])
    end = np.array([r[3] for r in rows])
    height = np.array(
        [
            float(np.mean(parts[i][0].pitch[parts[i][1][j].first_attack : parts[i][1][j].last_attack + 1]))
            for i, j, _, _ in rows
        ]
    )
    for k, (i, j, _, _) in enumerate(rows):
        both = (np.minimum(end, end[k]) - np.maximum(start, start[k])) > 0.3 * (end[k] - start[k])
        both[k] = False
        if not np.any(both):
            answer[i][j] = (ROLES.index("melody"), "it sounds alone")
        elif height[k] >= height[both].max():
            answer[i][j] = (ROLES.index("melody"), "the highest line sounding")
        elif height[k] <= height[both].min():
            answer[i][j] = (ROLES.index("bass"), "the lowest line sounding")
        else:
            answer[i][j] = (ROLES.index("chords"), "between the outer lines")
    return answer
