"""Time of `compare_images` on 1 MiB, beside plain loops in the same run.

python tests/bench/bench_compare.py
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.comparing.difference import compare_images
from memtool.core.image import Image

SIZE = 1 << 20


def seconds(work: Callable[[], object]) -> float:
    """The best of three."""
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def loop_over_bytes(a: bytes, b: bytes) -> int:
    """Baseline: how many bytes differ, one by one."""
    return sum(x != y for x, y in zip(a, b, strict=True))


def windows_in_a_dict(a: bytes, b: bytes) -> int:
    """Baseline: how many 16-byte windows of `a` stand somewhere in `b`."""
    places = {b[place : place + 16]: place for place in range(len(b) - 15)}
    return sum(a[place : place + 16] in places for place in range(len(a) - 15))


def main() -> None:
    """Print one line a case."""
    data = random.Random(1).randbytes(SIZE)
    few = bytearray(data)
    few[1000:1017] = b"1G4AH59H45G118341"
    cases = {
        "17 bytes differ": bytes(few),
        "nothing in common": random.Random(2).randbytes(SIZE),
        "slipped by one byte": b"\x00" + data[:-1],
    }
    for name, other in cases.items():
        ours = seconds(lambda other=other: compare_images(image(data), image(other)))  # type: ignore[misc]
        loop = seconds(lambda other=other: loop_over_bytes(data, other))  # type: ignore[misc]
        windows = seconds(lambda other=other: windows_in_a_dict(data, other))  # type: ignore[misc]
        print(
            f"{name:20} compare_images {ours * 1000:7.1f} ms | byte loop {loop / ours:5.1f} times"
            f" | dict of windows {windows / ours:5.1f} times as long"
        )


def image(data: bytes) -> Image:
    """One segment at 0."""
    return Image.from_bytes(data)


if __name__ == "__main__":
    main()
