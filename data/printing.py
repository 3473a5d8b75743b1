"""Text from files, made fit for a terminal: names and messages may come from strangers.

A terminal obeys control characters: they colour, move, erase, or turn the direction of writing. None is printed raw.
"""

from __future__ import annotations

MOST_CHARACTERS = 200


def printable(text: str) -> str:
    """A name on one line without control characters: blanks of any kind become spaces, at most 200 characters."""
    return "".join(c if c.isprintable() else " " if c.isspace() else "" for c in text).strip()[:MOST_CHARACTERS]


def one_line(text: str) -> str:
    """A message on one line; whatever would not show is written as an escape: `\\n`, `\\x1b`."""
    if text.isprintable():  # as are millions of characters of a long cue as JSON
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def several_lines(text: str) -> str:
    """A table as `one_line` writes it, line by line."""
    return "\n".join(map(one_line, text.split("\n")))
