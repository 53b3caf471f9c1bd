"""Matches of an identity as text: what lies where, in which form, and the odds in words."""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.job.leftovers import is_telling
from memtool.core.span import format_span_with_length
from memtool.core.texts.known_identity import Coding, IdentityMatch, Part
from memtool.core.words import count_of
from memtool.render.words import safe_text

MOST_LINES = 40
"""Of matches that chance explains; all of them are in the JSON document."""

_PARTS = {
    Part.WHOLE: "the whole text",
    Part.LAST_8: "its last 8",
    Part.LAST_6: "its last 6",
    Part.LAST_5: "its last 5",
}
_CODINGS = {Coding.TEXT: "", Coding.BCD: " as BCD", Coding.INTEGER: " as an integer"}


def render_matches(path: str, matches: Sequence[IdentityMatch]) -> str:
    """All matches of one image, those that prove something first; no line end at the end."""
    telling = [match for match in matches if is_telling(match)]
    doubtful = [match for match in matches if not is_telling(match)]
    lines = [f"{safe_text(path)}: {_summary(telling, doubtful)}"]
    lines += [_line(match) for match in telling]
    if doubtful:
        lines.append("May be coincidence:")
        lines += [_line(match) for match in doubtful[:MOST_LINES]]
        hidden = len(doubtful) - MOST_LINES
        if hidden > 0:
            lines.append(f"  ... and {hidden:,} more; --json lists them all.")
    return "\n".join(lines)


def describe_odds(expected: float) -> str:
    """How often chance alone gives such a match, in words.

    Chances below one in a million millions are all the same to a reader.
    """
    if expected >= 1:
        matches = count_of(round(expected), "such match", "such matches")
        return f"coincidence: {matches} expected"
    if expected < 1e-12:
        return "coincidence: practically ruled out"
    images = 1 / expected
    if images < 1e6:
        return f"coincidence: once in {_round(images)} such images"
    return f"coincidence: once in {_in_words(images)} such images"


def _round(number: float) -> str:
    digits = len(str(int(number)))
    unit = 10 ** max(0, digits - 2)
    return f"{int(number / unit + 0.5) * unit:,}"


def _in_words(number: float) -> str:
    if number < 1e9:
        return f"{_round(number / 1e6)} million"
    return f"{_round(number / 1e9)} thousand million"


def _summary(telling: Sequence[IdentityMatch], doubtful: Sequence[IdentityMatch]) -> str:
    if not telling and not doubtful:
        return "nothing found."
    found = count_of(len(telling), "match", "matches") if telling else "nothing certain"
    if not doubtful:
        return f"{found}."
    return f"{found}, {len(doubtful):,} more that may be coincidence."


def _line(match: IdentityMatch) -> str:
    what = f"{_PARTS[match.part]}{_CODINGS[match.coding]}, {match.stored_as}"
    return (
        f"  {format_span_with_length(match.span)}\n"
        f"      {what}\n"
        f"      {describe_odds(match.expected_by_chance)}"
    )
