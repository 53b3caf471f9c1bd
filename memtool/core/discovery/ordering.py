"""The order in which rows are listed: the best first, but before a row what it must wait for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.discovery.results import DiscoveredBlock, Standing


def order_blocks(blocks: Sequence[DiscoveredBlock]) -> list[DiscoveredBlock]:
    """Best first; convincing ones in the order in which they must be refreshed.

    Before a block that covers another one's field stands that other one. Where two blocks
    cover each other's fields, the better one comes first.
    """
    ranked = sorted(blocks, key=lambda block: block.expected_by_chance)
    convincing = [block for block in ranked if block.standing is Standing.CONVINCING]
    ordered: dict[int, DiscoveredBlock] = {}
    for first in range(len(convincing)):
        # An explicit trail, not recursion: a long chain of blocks must not end the stack.
        trail = {} if first in ordered else {first: _waits_for(first, convincing)}
        while trail:
            place, rest = next(reversed(trail.items()))
            # What is on the trail already waits for this one, in a ring: it is not waited for
            # again.
            inner = next((each for each in rest if each not in ordered and each not in trail), None)
            if inner is None:
                del trail[place]
                ordered[place] = convincing[place]
            else:
                trail[inner] = _waits_for(inner, convincing)
    return [*ordered.values(), *ranked[len(convincing) :]]


def _waits_for(place: int, blocks: Sequence[DiscoveredBlock]) -> Iterator[int]:
    """Places of the blocks whose fields this one covers, but not the other way round."""
    block = blocks[place]
    return (
        other
        for other, inner in enumerate(blocks)
        if _covers_field(block, inner) and not _covers_field(inner, block)
    )


def _covers_field(block: DiscoveredBlock, other: DiscoveredBlock) -> bool:
    return other is not block and other.field is not None and block.block.overlaps(other.field)
