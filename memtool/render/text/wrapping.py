"""How many columns there are, and texts in lines that fit them.

Light on purpose: a sentence on stderr needs nothing else of `memtool.render.text.terminal`.
"""

from __future__ import annotations

import re

from memtool.lazy import shutil, textwrap
from memtool.render.room import room_there

_QUOTED_COMMAND = r"'benchimage [^']*'"
_JOINED = "\x00"
"""Stands for a blank that no line ends at."""


def terminal_width() -> int:
    """Columns to fill: the terminal's, at least 40 and at most 120; 80 where unknown."""
    room = room_there()
    if room is not None:
        return max(24, min(120, room))
    return max(40, min(120, shutil.get_terminal_size((80, 24)).columns))


def wrap(text: str, width: int) -> list[str]:
    """Lines of at most `width` columns, broken between words: a longer word stays whole."""
    if len(text) <= width and text.isprintable() and text.strip() == text:
        return [text]
    # A command in quotes is typed as it stands: it is one word.
    whole = re.sub(_QUOTED_COMMAND, lambda found: found[0].replace(" ", _JOINED), text)
    lines = textwrap.wrap(
        whole, max(8, width), break_on_hyphens=False, break_long_words=False, drop_whitespace=True
    )
    return [line.replace(_JOINED, " ") for line in lines] or [""]
