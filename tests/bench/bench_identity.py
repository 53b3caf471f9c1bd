"""How long the searches take, against one `re` scan for seventeen characters.

Run: ``python tests/bench/bench_identity.py [--sizes 4096,65536,1048576]``. For each size every
kind of image of `tests/bench/images.py`, the worst first, and capitals and digits alone, which
no module holds: for them no limit is set. Processor time, the best of some runs; each run gets
an image of its own, since what was found in an image is kept for the next call.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.image import Image
from memtool.core.texts.known_identity import find_identity, find_vins
from tests.bench.images import KINDS, SIZES, make_images

VIN = "1G4AH59H45G118341"
SCAN = re.compile(rb"[A-HJ-NPR-Z0-9]{17}")
MOST_TIMES_THE_SCAN = 100
MOST_SECONDS_FOR_4_KIB = 0.030
UNREAL = "capitals and digits"


def best_time(data: bytes, search: Callable[[Image], object], *, runs: int) -> float:
    """Seconds of the fastest of some runs, each on an image that differs in its last byte."""
    times = []
    for number in range(runs):
        image = Image.from_bytes(data[:-1] + bytes([number]))
        begin = time.process_time()
        search(image)
        times.append(time.process_time() - begin)
    return min(times)


def _scan(image: Image) -> int:
    return sum(1 for _ in SCAN.finditer(image.segments[0].data))


def _make(kind: str, size: int) -> bytes:
    if kind == UNREAL:
        rng = random.Random(f"bench {kind}")
        return bytes(rng.choices(b"ABCDEFGHJKLMNPRSTUVWXYZ0123456789", k=size))
    return make_images(kind, size, 1)[0]


def main() -> None:
    """Print all rows; exit status 1 where a limit is not kept."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", default=",".join(map(str, SIZES[1:])))
    sizes = [int(size) for size in parser.parse_args().sizes.split(",")]
    late = False
    searches: dict[str, Callable[[Image], object]] = {
        "find_vins": find_vins,
        "find_identity": lambda image: find_identity(image, VIN),
    }
    for size in sizes:
        runs = 3 if size >= 1 << 18 else 7
        data = {kind: _make(kind, size) for kind in (*KINDS[:-1], UNREAL)}
        scans = {kind: best_time(data[kind], _scan, runs=runs) for kind in data}
        for name, search in searches.items():
            taken = {kind: best_time(data[kind], search, runs=runs) for kind in data}
            worst = sorted(data, key=lambda kind: -taken[kind] / scans[kind])
            cells = ", ".join(
                f"{kind} {taken[kind] / scans[kind]:.0f} ({1e3 * taken[kind]:.0f} ms)"
                for kind in worst
            )
            print(f"{name:13} {size:>9,} bytes, times the scan: {cells}", flush=True)
            real = [kind for kind in data if kind != UNREAL]
            if size == 1 << 12:
                late |= max(taken[kind] for kind in real) > MOST_SECONDS_FOR_4_KIB
            if size == 1 << 20:
                late |= any(taken[kind] > MOST_TIMES_THE_SCAN * scans[kind] for kind in real)
    print("limits: 1 MiB 100 times the scan, 4 KiB 30 ms;", "NOT KEPT" if late else "kept")
    sys.exit(1 if late else 0)


if __name__ == "__main__":
    main()
