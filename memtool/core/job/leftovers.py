"""Traces of an identity in an image, and which of them count: the gate's one answer.

Chance makes short traces in any image. How often it may before a trace counts for nothing
is a judgement, so it stands here, beside the rules that refuse by it, and not in the searches
that count. Every rule, every stage and every command asks here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from memtool.core.image import Image
from memtool.core.job.edit import KeptSpan
from memtool.core.texts.known_identity import IdentityMatch, find_identity

CHANCE_LIMIT = 0.01
"""A trace that chance would give this often in such an image proves nothing by itself.

A choice, not a law: one doubtful trace in a hundred images.
"""


def is_telling(match: IdentityMatch) -> bool:
    """Whether chance is too weak an explanation of a trace."""
    return match.expected_by_chance < CHANCE_LIMIT


def find_traces(
    image: Image, identities: Sequence[str], keep: Sequence[KeptSpan] = ()
) -> tuple[IdentityMatch, ...]:
    """Every trace of the identities, chance matches included, kept spans left out."""
    return tuple(
        match
        for identity in identities
        for match in find_identity(image, identity)
        # Wholly inside: a trace that reaches out of a kept span is not kept.
        if not any(kept.span.contains(match.span) for kept in keep)
    )


def find_telling(matches: Iterable[IdentityMatch]) -> tuple[IdentityMatch, ...]:
    """Those that chance does not explain."""
    return tuple(match for match in matches if is_telling(match))
