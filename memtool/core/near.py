"""Names that may have been meant: for typing errors in keys and words."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

_LONGEST = 64
"""Longer texts are no misspelt name, and comparing them would take long."""


def near_name(text: str, names: Iterable[str], *, cutoff: float = 0.6) -> str | None:
    """The one of `names` that is nearest to `text`, or None where none is near."""
    if len(text) > _LONGEST:
        return None
    by_folded = {name.casefold(): name for name in names}
    near = difflib.get_close_matches(text.casefold(), by_folded, n=1, cutoff=cutoff)
    return by_folded[near[0]] if near else None


def suggest(text: str, names: Iterable[str]) -> str:
    """`` (did you mean 'kind'?)`` to go behind the wrong word, or nothing."""
    name = near_name(text, names)
    return "" if name is None else f" (did you mean '{name}'?)"
