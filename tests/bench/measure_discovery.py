"""Is a planted block always in its row, and does that row come first where chance is ruled out?

Run: python tests/bench/measure_discovery.py [--cases 8000] [--first 0]

One block of a random algorithm, place, length and byte order in 1 to 4 images of 256
bytes of each texture of `tests/planted.py` (which does not use the code under test), searched
for that algorithm alone. Prints how often the block was missed; how often the printed
expectation was below 0.01, and how often another row then came first: one that chance made,
of no less evidence, or one that the true block covers and would have to be refreshed first.
Both are rows that say themselves how often chance makes them: at most once in 100 searches.
"""

from __future__ import annotations

import argparse
import random
import sys
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.discovery import (
    CONVINCING,
    DiscoveredBlock,
    Wish,
    discover_checksums,
    searched_algorithms,
)
from memtool.core.image import Image
from memtool.core.span import Span
from tests.planted import SUMS, TEXTURES, WHOLE_BYTE_CRCS, Order, plant, textured, value_of

SIZE = 256
NAMES = (*WHOLE_BYTE_CRCS, *SUMS)
ORDERS: tuple[Order, ...] = ("big", "little")


@dataclass(slots=True)
class Count:
    """Of the cases of one number of images."""

    cases: int = 0
    missed: int = 0
    ruled_out: int = 0
    """The printed expectation was below 0.01."""
    not_first: int = 0
    """Another row stood before the true one."""


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--cases", type=int, default=8000)
    parser.add_argument("--first", type=int, default=0, help="seed of the first case")
    arguments = parser.parse_args()
    print_planted(arguments.first, arguments.cases)


def print_planted(first: int, cases: int) -> None:
    counts = {number: Count() for number in range(1, 5)}
    for seed in range(first, first + cases):
        _try(seed, counts)
    print("images  cases  missed  below 0.01  other row first")
    for number, count in counts.items():
        print(
            f"{number:6} {count.cases:6} {count.missed:7} {count.ruled_out:11}"
            f" {count.not_first:7} ({100 * count.not_first / max(1, count.ruled_out):.2f} %)"
        )


def _try(seed: int, counts: dict[int, Count]) -> None:
    source = random.Random(f"planted {seed}")
    name, texture = source.choice(NAMES), source.choice(TEXTURES)
    number, order = source.randint(1, 4), source.choice(ORDERS)
    length, _ = value_of(name, b"")
    start = source.randrange(SIZE - 23)
    words = source.randint(1, SIZE // 2)
    end = min(start + 2 * words, start + (SIZE - length - start) // 2 * 2)
    images = textured(texture, SIZE, number, source)
    for image in images:
        plant(image, name, start, end, order, end)
    if all(_is_blank(image, start, end, length) for image in images):
        return
    wish = Wish(algorithms=tuple(item for item in searched_algorithms() if item.name == name))
    given = [Image.from_bytes(bytes(image)) for image in images]
    found = discover_checksums(given, wish=wish, most=2000, guesses=2000)
    rows = [row for row in found.blocks if _explains(row, name, Span(start, end))]
    count = counts[number]
    count.cases += 1
    if not rows:
        count.missed += 1
        print(f"case {seed}: {name} over {start}-{end} was missed")
    elif rows[0].expected_by_chance < CONVINCING:
        count.ruled_out += 1
        if not _explains(found.blocks[0], name, Span(start, end)):
            count.not_first += 1
            print(f"case {seed}: {_short(rows[0])} comes after {_short(found.blocks[0])}")


def _short(row: DiscoveredBlock) -> str:
    return f"{row.algorithm} {row.block} ({row.bits:.1f} bits, {row.expected_by_chance:.2g})"


def _is_blank(image: bytearray, start: int, end: int, length: int) -> bool:
    """What the search says it leaves out: erased blocks, erased numbers."""
    stored = set(image[end : end + length])
    return len(set(image[start:end])) == 1 or (length > 1 and stored <= {0x00, 0xFF})


def _explains(row: DiscoveredBlock, name: str, block: Span) -> bool:
    if (row.algorithm, row.block) == (name, block):
        return True
    return any(
        other.algorithm == name
        and _is_in(block.start, other.starts, other.start_step)
        and _is_in(block.end, other.ends, other.end_step)
        for other in row.equivalents
    )


def _is_in(address: int, runs: tuple[Span, ...], step: int) -> bool:
    return any(address in run and (address - run.start) % step == 0 for run in runs)


if __name__ == "__main__":
    main()
