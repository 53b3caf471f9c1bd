"""How long all checks of one read take.

    python tests/bench/bench_health.py

Baseline, from the same run: one ``hashlib.sha256`` plus one ``numpy.unique`` of the same
bytes. Targets: at 64 KiB within 10 times the baseline or 50 ms, whichever is more; linear to
16 MiB (a byte there takes no more than twice what it takes at 1 MiB).
"""

from __future__ import annotations

import hashlib
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.health.all_checks import find_health
from memtool.core.image import Image
from tests.bench.costs import columns
from tests.bench.images import KINDS, LARGEST, make_images

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
    """Print a row a size, a column a kind; 1 where a target is missed."""
    good = True
    per_byte: dict[int, dict[str, float]] = {}
    for size in (64 * KIB, MIB, LARGEST):
        ratios = {}
        per_byte[size] = {}
        for kind in KINDS:
            data = make_images(kind, size, 1)[0]
            base = baseline(data)
            taken = best_of(
                5 if size < LARGEST else 2, partial(find_health, Image.from_bytes(data))
            )
            per_byte[size][kind] = taken / size
            ratios[kind] = taken / base
            if size == 64 * KIB:
                good &= taken <= max(10 * base, 0.050)
        print(f"{size // KIB:>6,} KiB, x sha256 and unique:  {columns(ratios)}", flush=True)
    growth = {kind: per_byte[LARGEST][kind] / per_byte[MIB][kind] for kind in KINDS}
    print(f"a byte of 16 MiB beside one of 1 MiB, at most 2:  {columns(growth, 2)}")
    good &= max(growth.values()) <= 2
    print("All targets reached." if good else "A target was missed.")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
