"""Names that may have been meant: for typing errors in keys and words."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import SequenceMatcher, get_close_matches

_LONGEST = 64
"""Longer texts are no misspelt name, and comparing them would take long."""
_MOST = 3


def near_names(text: str, names: Iterable[str], *, cutoff: float = 0.6) -> tuple[str, ...]:
    """The ones of `names` that are nearest to `text`, all equally near; mostly one or none."""
    if len(text) > _LONGEST:
        return ()
    folded = text.casefold()
    by_folded = {name.casefold(): name for name in names}
    near = get_close_matches(folded, by_folded, n=_MOST, cutoff=cutoff)
    best = [name for name in near if _ratio(folded, name) == _ratio(folded, near[0])]
    return tuple(sorted(by_folded[name] for name in best))


def suggest(text: str, names: Iterable[str], *, cutoff: float = 0.6) -> str:
    """`` (did you mean 'kind'?)`` to go behind the wrong word, or nothing."""
    near = near_names(text, names, cutoff=cutoff)
    listed = " or ".join(f"'{name}'" for name in near)
    return f" (did you mean {listed}?)" if near else ""


def _ratio(text: str, name: str) -> float:
    # As get_close_matches compares them.
    return SequenceMatcher(None, name, text).ratio()
