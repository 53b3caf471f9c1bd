"""Searches for checksums in generated families until the time is over: none may end in a bug.

Run: python -m tests.fuzz.discovery_families [--seconds 600] [--first 0] [--largest 1048576]

Families of 1 to 6 images of 1 byte to 1 MiB: constants, small numbers, values stored twice or
inverted, counters, blocks with sums that share borders, nested blocks, images that are equal.
Small sizes come more often, since they try more in a second.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.discovery import discover_checksums
from memtool.core.image import Image
from tests.planted import SUMS, WHOLE_BYTE_CRCS, Order, plant, value_of

ORDERS: tuple[Order, ...] = ("big", "little")
NAMES = (*WHOLE_BYTE_CRCS, *SUMS)


def make_family(seed: int, largest: int) -> list[bytes]:
    """Images of one layout, from a seed."""
    source = random.Random(f"family {seed}")
    size = min(largest, int(2 ** source.triangular(0, 20.99, 5)))
    count = source.randint(1, 6)
    base = bytearray(source.choice([b"\x00", b"\xff", b"\x5a"]) * size)
    if source.random() < 0.3:
        base[: size // 2] = source.choices((0, 1, 0xFF), k=size // 2)
    if source.random() < 0.3:
        base[size // 4 :] = source.randbytes(size - size // 4)
    images = [bytearray(base) for _ in range(count)]
    for _ in range(source.randint(0, 12)):
        _write(images, source, size)
    return [bytes(image) for image in images]


def _write(images: list[bytearray], source: random.Random, size: int) -> None:
    """One thing that a module holds, in every image."""
    start = source.randrange(size)
    length = min(source.choice([1, 2, 4, 8, 17, 64]), size - start)
    kind = source.choice(["value", "small", "twice", "inverted", "checksum", "checksum"])
    name, order = source.choice(NAMES), source.choice(ORDERS)
    for image in images:
        value = source.randbytes(length)
        if kind == "small":
            value = bytes(byte % 4 for byte in value)
        room = image[start + length : start + 2 * length]
        if kind in ("twice", "inverted") and len(room) == length:
            again = bytes(byte ^ 0xFF for byte in value) if kind == "inverted" else value
            image[start + length : start + 2 * length] = again
        if kind != "checksum":
            image[start : start + length] = value
        elif start + length + value_of(name, b"")[0] <= size:
            plant(image, name, start, start + length, order, start + length)


def main() -> None:
    """Search until the time is over, and say how many families there were."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--largest", type=int, default=1 << 20)
    arguments = parser.parse_args()
    end, seed = time.monotonic() + arguments.seconds, arguments.first
    while time.monotonic() < end:
        images = make_family(seed, arguments.largest)
        try:
            discover_checksums([Image.from_bytes(image) for image in images], guesses=20)
        except Exception:
            sizes = f"{len(images)} images of {len(images[0])} bytes"
            sys.stderr.write(f"family {seed} ({sizes}) ended in a bug:\n")
            raise
        seed += 1
    sys.stdout.write(f"{seed - arguments.first} families, none ended in a bug\n")


if __name__ == "__main__":
    main()
