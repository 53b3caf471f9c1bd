"""Is a planted block always in its row, and does that row come first where chance is ruled out?

Run: python tests/bench/measure_discovery.py [--cases 8000] [--first 0] [--families 26]
     [--displays 60]

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
from tests.module_families import make_family
from tests.planted import SUMS, TEXTURES, WHOLE_BYTE_CRCS, Order, plant, textured, value_of
from tests.real_images import fetch_displays

SIZE = 256
NAMES = (*WHOLE_BYTE_CRCS, *SUMS)
ORDERS: tuple[Order, ...] = ("big", "little")
_DISPLAY = bytes.fromhex("00FFFFFFFFFFFF00")
"""How a display's memory begins, in the same standard."""


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
    parser.add_argument("--families", type=int, default=26)
    parser.add_argument("--displays", type=int, default=60, help="families of real displays")
    parser.add_argument("--first", type=int, default=0, help="seed of the first case")
    arguments = parser.parse_args()
    print_planted(arguments.first, arguments.cases)
    print_families(arguments.families)
    print_displays(arguments.displays)


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


def print_families(count: int) -> None:
    """Where the true block stands among the rows of its number, in families of three modules.

    Counted are checksums of two bytes or more whose numbers differ in all three; a row is false
    that is called found and has its number where no checksum of the family lies.
    """
    searched = checksums = first = among_three = false = 0
    for seed in range(count):
        family = make_family(seed)
        modules = [family.module(number).reads[0] for number in range(3)]
        if family.swapped or family.size > 2048:
            continue
        searched += 1
        given = [Image.from_bytes(module) for module in modules]
        rows = discover_checksums(given, most=60, guesses=60).blocks
        fields = [Span(guard.stored, guard.stored + guard.length) for guard in family.guards]
        for row in rows:
            known = row.field is None or any(row.field.overlaps(field) for field in fields)
            false += not known and row.expected_by_chance < CONVINCING
        for guard, field in zip(family.guards, fields, strict=True):
            numbers = {module[field.start : field.end] for module in modules}
            if len(field) < 2 or len(numbers) < 3:
                continue
            checksums += 1
            wanted = (guard.algorithm, Span(guard.start, guard.end), field)
            about = [row for row in rows if row.field is not None and row.field.overlaps(field)]
            named = [(row.algorithm, row.block, row.field) for row in about]
            first += named[:1] == [wanted]
            among_three += wanted in named[:3]
    print(
        f"{searched} families of three modules, {checksums} checksums: the true block first in"
        f" {100 * first / checksums:.1f} %, among the first three in"
        f" {100 * among_three / checksums:.1f} %; {false} false rows called found"
    )


def print_displays(count: int) -> None:
    """Where the checksum of real displays stands in families of three of them.

    The first 128 bytes of a display's memory add up to 0 modulo 256, the last one being the
    checksum (VESA E-EDID standard, release A, section 3.11, from memory).
    """
    blocks = list(
        dict.fromkeys(
            block
            for file in fetch_displays()
            if len(block := file.data[:128]) == 128
            and block.startswith(_DISPLAY)
            and sum(block) % 256 == 0
        )
    )
    first = among_three = false = 0
    for seed in range(count):
        chosen = random.Random(f"edid 3 {seed}").sample(blocks, 3)
        images = [Image.from_bytes(block) for block in chosen]
        rows = discover_checksums(images, most=20, guesses=20).blocks
        right = [_is_display_checksum(row) for row in rows]
        first += right[:1] == [True]
        among_three += any(right[:3])
        false += sum(
            row.expected_by_chance < CONVINCING and not true
            for row, true in zip(rows, right, strict=True)
        )
    print(
        f"{count} families of three displays: the true block first in {first}, among the first"
        f" three in {among_three}; {false} false rows called found"
    )


def _is_display_checksum(row: DiscoveredBlock) -> bool:
    return (row.algorithm, row.block) in (
        ("SUM-8/TOTAL", Span(0, 128)),
        ("SUM-8/TWOS", Span(0, 127)),
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
