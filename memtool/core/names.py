"""Names of people's choosing: what a memory may be called, and what a file name is made of.

A name from outside (typed, out of a journal, out of a layout) never becomes a part of a
path as it stands: a slash, ``..`` or a word of the operating system's own would lead
elsewhere.
"""

from __future__ import annotations

import re

JOURNAL = "journal.jsonl"
"""Of a job, in its folder."""
LONGEST_MEMORY_NAME = 24
_MEMORY = r"[a-z0-9-]{1,24}"
_NOT_IN_STEMS = r"[^A-Za-z0-9]+"
_LONGEST_STEM_PART = 32


def parse_memory_name(text: str) -> str:
    """The short name of one memory of a module: ``eeprom``, ``data-flash``.

    Raises:
        ValueError: it is not one to 24 small letters, digits and hyphens.
    """
    if re.fullmatch(_MEMORY, text) is None:
        raise ValueError(
            f"'{text}' is not a valid memory name: use small letters, digits and hyphens, at most "
            f"{LONGEST_MEMORY_NAME}"
        )
    return text


def file_stem(word: str, *names: str) -> str:
    """A file's name without number and suffix: our `word`, then what is left of `names`.

    Only letters, digits and single hyphens are left of a name, at most 32 of them; a name
    that leaves nothing is left out. Since our own word comes first, the stem is never
    empty, hidden, or a device of an operating system.
    """
    parts = [re.sub(_NOT_IN_STEMS, "-", name)[:_LONGEST_STEM_PART].strip("-") for name in names]
    return "-".join([word, *(part for part in parts if part)])
