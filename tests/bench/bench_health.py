"""How long all checks of one read take.

    python tests/bench/bench_health.py

Baseline, from the same run: one ``hashlib.sha256`` plus one ``numpy.unique`` of the same
bytes. Targets: at 64 KiB within 10 times the baseline or 50 ms, whichever is more; linear to
16 MiB (a byte there takes no more than twice what it takes at 1 MiB).
"""

from __future__ import annotations

import hashlib
import random
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.health.all_checks import find_health
from memtool.core.image import Image
from tests.core.health.healthy_images import FAMILIES

KIB, MIB = 1 << 10, 1 << 20


def best_of(runs: int, call: Callable[[], object]) -> float:
    """Seconds of the fastest run; the first warms up."""
    call()
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def baseline(data: bytes) -> float:
    def look() -> None:
        hashlib.sha256(data).digest()
        np.unique(np.frombuffer(data, dtype=np.uint8))

    return best_of(7, look)


def main() -> int:
    good = True
    print("| family | size | sha256 + unique | all checks | ratio | ns a byte |")
    print("| --- | ---: | ---: | ---: | ---: | ---: |")
    for name, make in FAMILIES.items():
        per_byte = {}
        block = make(random.Random(3), 64 * KIB)
        for size in (64 * KIB, MIB, 16 * MIB):
            # Pieces that differ, so that a large image is no repetition of a small one.
            pieces = [make(random.Random(seed), 64 * KIB) for seed in range(4, 12)]
            data = (block + b"".join(pieces) * (size // (512 * KIB) + 1))[:size]
            image = Image.from_bytes(data)
            base = baseline(data)
            taken = best_of(5 if size < 16 * MIB else 2, partial(find_health, image))
            per_byte[size] = taken / size
            if size == 64 * KIB:
                good &= taken <= max(10 * base, 0.050)
            print(
                f"| {name} | {size // KIB:,} KiB | {1000 * base:.2f} ms | {1000 * taken:.1f} ms | "
                f"{taken / base:.0f} | {1e9 * taken / size:.0f} |",
                flush=True,
            )
        good &= per_byte[16 * MIB] <= 2 * per_byte[MIB]
    print("All targets reached." if good else "A target was missed.")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
